"""Label rows of records: what ``wingtone notebook export --format labels`` and the page hand to training.

The notebook knows nothing of learning; this is the one place where learning looks into a record.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from wingtone.errors import one_line
from wingtone.evidence.lineup import CASTES
from wingtone.learn.labels import Label
from wingtone.notebook.events import day_range
from wingtone.notebook.places import SITE_KM, site_of
from wingtone.notebook.records import COLDEST_C, WARMEST_C

if TYPE_CHECKING:
    from wingtone.notebook.records import Record

__all__ = ["label_rows"]

NAMED_BY_EYE = ("decided", "confirmed")
"""A hint is what the program itself believed: nothing can be learnt from it."""


def label_rows(record: Record, *, blur_km: int | None = None, withhold_place: bool = False) -> list[Label]:
    """Give a row for each flight bout of a record.

    Returns
    -------
    list of Label
        Empty unless the record was decided or confirmed, holds a name or caste, and has a recording with
        flight. ``individual`` stays empty: a notebook does not know whether it was the same animal again.
        ``recorder`` is the person, who for most is as good as the phone.
    """
    caste = record.caste if record.caste in CASTES else ""  # "female" is none that can be told apart
    if record.status not in NAMED_BY_EYE or record.recording is None or not (caste or record.taxon):
        return []
    first, last = day_range(record.event_date) if record.event_date else (None, None)
    air_c = record.temperature_c
    return [
        Label(
            file=Path(record.recording.path),
            start_s=round(bout.start_s, 3),
            end_s=round(bout.end_s, 3),
            caste=caste,
            taxon=one_line(record.taxon),
            site="" if withhold_place else site_of(record.place, blur_km or SITE_KM),
            date=first if first == last else None,
            recorder=one_line(record.recorder),
            temperature_c=air_c if air_c is not None and COLDEST_C <= air_c <= WARMEST_C else None,
        )
        for bout in record.recording.bouts
        if bout.kind == "flight"
    ]
