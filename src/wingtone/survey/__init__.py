"""Very many recordings, or very long ones: heard once each, resumable, by several processes or a cluster.

Functions and classes
---------------------
run_survey, preview
    Do a survey or go on with it; say what it would do.
Settings, settings_for
    What its results depend on.
LocalWorkers
    Processes of this computer; those of a Dask cluster are in `wingtone.survey.cluster`.
Report, Summary, Progress, Forecast
    What they give.

How it holds together: `wingtone.survey.places` finds recordings; a job (`wingtone.survey.jobs`) looks at each
and takes its checksum; long ones are cut (`wingtone.survey.joins`); a job hears each piece; what comes back
is kept in the manifest (`wingtone.survey.manifest`) by the one process that started it all; and the tables
(`wingtone.survey.tables`) are put together from the manifest alone.
"""

from __future__ import annotations

from wingtone.survey.plan import Forecast
from wingtone.survey.run import Progress, Report, preview, run_survey
from wingtone.survey.settings import Settings, settings_for
from wingtone.survey.tables import Summary
from wingtone.survey.workers import LocalWorkers

__all__ = [
    "Forecast",
    "LocalWorkers",
    "Progress",
    "Report",
    "Settings",
    "Summary",
    "preview",
    "run_survey",
    "settings_for",
]
