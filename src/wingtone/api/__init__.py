"""The commands as functions: for notebooks, scripts and data frames.

``import wingtone`` hands them on as `wingtone.measure`, `wingtone.identify` and `wingtone.sizes`. Each takes
what the command of the same name takes, gives back plain values, and prints nothing.

Conventions
-----------
Times are seconds from the start of the recording, frequencies Hz, sizes mm. In tables a value that is not
known is None (a data frame shows NaN). What is wrong raises one of `wingtone.errors`.

- `measure`: recordings to `Measurements`: their bouts, as values, as rows, as columns, as JSON.
- `identify`: recordings, or just what was seen, to `Answers`, one an individual.
- `sizes`: bouts, from wherever they come, to what a population sounds like.

Examples
--------
One of the recordings that come with the program (made by computer: a big queen flying by in March).

>>> import wingtone
>>> from wingtone.demo import load_scenario
>>> clip = load_scenario().clips[0].path
>>> heard = wingtone.measure(clip)
>>> {bout.kind for bout in heard.bouts}
{'flight'}

A data frame, with pandas installed, is ``pandas.DataFrame(heard.table())``; pyarrow and polars take the
same columns.

>>> [answer] = wingtone.identify(heard, date="2026-03-20", place=(51.46, -0.30), hints={"tail": "buff"})
>>> answer.castes[0].caste
'queen'
"""

from __future__ import annotations

from wingtone.api.answers import ANSWER_COLUMNS, F0_RANGE_HZ, Answers, given_tone, identify
from wingtone.api.measurements import Measurements, measure
from wingtone.api.populations import sizes

__all__ = [
    "ANSWER_COLUMNS",
    "F0_RANGE_HZ",
    "Answers",
    "Measurements",
    "given_tone",
    "identify",
    "measure",
    "sizes",
]
