"""The size cue for a table of records: read it, find each record's clip, weigh the sound, write it out.

- `read_records`: a table to `Records`.
- `clip_time`: a clip with the moment it states.
- `cue_for`: what one clip says of one record, a `Cue`.
- `write_cues`: the table with the columns `COLUMNS` after its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from wingtone.clip import cues_by_individual, stated_place
from wingtone.csv_text import from_spreadsheet
from wingtone.cue.agreement import Verdict, judge, stated_bee
from wingtone.cue.clock import moment
from wingtone.cue.matching import ClipTime, apart
from wingtone.cue.table import read_table
from wingtone.errors import Fault, PlaceError, TableError
from wingtone.files import replacing
from wingtone.notebook.columns import corrected, propose
from wingtone.notebook.events import middle_day
from wingtone.notebook.importing import read_row
from wingtone.notebook.records import Record

if TYPE_CHECKING:
    import datetime as dt
    import os
    from collections.abc import Iterable, Mapping, Sequence
    from pathlib import Path

    from wingtone.audio import RecordingInfo
    from wingtone.clip import Measurement
    from wingtone.cue.matching import Match
    from wingtone.cue.table import Table
    from wingtone.evidence import ToneCue
    from wingtone.fauna import Fauna
    from wingtone.notebook.places import Place

__all__ = ["COLUMNS", "Cue", "Records", "clip_time", "cue_for", "read_records", "write_cues"]

COLUMNS = (
    "tone_hz",
    "tone_low_hz",
    "tone_high_hz",
    "itd_mm",
    "itd_low_mm",
    "itd_high_mm",
    "sounds_like_caste",
    "caste_probability",
    "agreement",
    "weight_bits",
    "sentence",
    "clip",
    "match",
    "note",
)
"""The added columns. Tone with the 95 % interval of its measurement; ITD (intertegular distance) with a 90 %
interval, for any bumblebee of that date and place; the rest as in `wingtone.cue.agreement.Verdict`."""


@dataclass(frozen=True)
class Records:
    """A table of records.

    Attributes
    ----------
    table
        As it was read.
    mapping
        Heading to field.
    records
        One a row, with what could be read of it; an empty record when nothing could.
    faults
        For each row what was wrong with it.
    """

    table: Table
    mapping: Mapping[str, str]
    records: tuple[Record, ...]
    faults: tuple[tuple[Fault, ...], ...]

    @property
    def clips_named(self) -> list[str]:
        """The file each record names; empty when it names none."""
        return ["" if record.recording is None else record.recording.path for record in self.records]

    def moments(self, zone: dt.tzinfo | None) -> list[float | None]:
        """Give each record's moment; a time without an offset is taken in the zone."""
        return [moment(record.event_date, zone=zone) for record in self.records]


@dataclass(frozen=True)
class Cue:
    """What a clip says of a record; parts that are not known are None or empty.

    ``reason`` says why the sound was not compared with what is stated, in words that are the same for like
    records; empty when it was.
    """

    tone: ToneCue | None = None
    verdict: Verdict | None = None
    clip: str = ""
    match: str = ""
    note: str = ""
    reason: str = ""

    def cells(self) -> list[str]:
        """Give the cells of `COLUMNS`."""
        tone, verdict = self.tone, self.verdict
        tones = (
            [""] * 3 if tone is None else [f"{f:.1f}" for f in (tone.f0_hz, tone.f0_low_hz, tone.f0_high_hz)]
        )
        said = [""] * 8
        if verdict is not None:
            sizes = (verdict.itd_mm, verdict.itd_low_mm, verdict.itd_high_mm)
            said = [_number(size) for size in sizes]
            said += [verdict.caste, _number(verdict.caste_probability)]
            said += [verdict.agreement, _number(verdict.weight_bits), verdict.sentence]
        return [*tones, *said, self.clip, self.match, self.note]


def _number(value: float) -> str:
    return f"{value:.2f}" if math.isfinite(value) else ""


def read_records(path: str | os.PathLike[str], *, mapping: Iterable[str] = ()) -> Records:
    """Read a table whose columns mean what their headings say (`wingtone.notebook.columns`).

    A row with a fault stays in: what can be read of it counts.

    Parameters
    ----------
    mapping
        Corrections, each ``HEADING=FIELD``.

    Raises
    ------
    InputError, TableError
        There is no table to read, or nothing in it by which a clip could be found.
    RequestError
        A correction names a column or a field that does not exist.
    """
    table = read_table(path)
    chosen = corrected(propose(table.headings), mapping)
    if not {"recording", "date", "year"} & set(chosen.values()) and "eventDate" not in table.headings:
        fault = Fault(
            str(table.path), table.headings_line.number, "", "no column holds a date or a file name"
        )
        raise TableError([fault], remedy=f"say which: --map '{table.headings[0]}=date'", where=table.path)
    records, faults = [], []
    for line in table.rows:
        cells = (from_spreadsheet(cell) for cell in line.cells)
        row = dict(zip(table.headings, cells, strict=False))
        record, found = read_row(table.path, line.number, row, chosen)
        if any(cell.strip() for cell in line.cells[len(table.headings) :]):
            what = (
                f"{len(line.cells)} cells under {len(table.headings)} headings: is a quotation mark missing?"
            )
            found = [Fault(str(table.path), line.number, "", what), *found]
        records.append(record or Record())
        faults.append(tuple(found))
    return Records(table, chosen, tuple(records), tuple(faults))


def clip_time(path: Path, *, zone: dt.tzinfo | None) -> ClipTime:
    """Open a clip and take the moment it states; a file's own time, which copying changes, is not used.

    Raises
    ------
    RecordingError
        It is not a recording that can be read.
    """
    from wingtone.audio import open_recording

    with open_recording(path) as recording:
        info = recording.info
    weak = info.recorded_at_source == "file time"
    return ClipTime(path, None if weak else moment(info.recorded_at, zone=zone))


def cue_for(
    record: Record,
    found: Match,
    measurement: Measurement | None,
    *,
    fauna: Fauna,
    clip: str,
    faults: Sequence[Fault],
) -> Cue:
    """Weigh one clip against one record.

    Parameters
    ----------
    found
        From `wingtone.cue.matching.match`.
    measurement
        Of the clip; None when there is none, or when it could not be read.
    clip
        Name of the clip for the table.
    faults
        What was wrong with the record's row.
    """
    notes = [f"{fault.column}: {fault.what}".lstrip(": ") for fault in faults]
    notes += [found.note] if found.note else []
    if found.clip is None:
        return Cue(note="; ".join(notes), reason=found.reason)
    how = found.how
    if found.gap_s is not None and found.how == "time":
        how = f"time, {apart(found.gap_s)} apart"
    if measurement is None:
        why = "the clip could not be read"
        return Cue(clip=clip, match=how, note="; ".join([*notes, why]), reason=why)
    tone, remark = _tone(measurement)
    notes += [remark] if remark else []
    if tone is None:
        return Cue(clip=clip, match=how, note="; ".join(notes), reason=remark)
    stated = stated_bee(
        fauna, taxon=record.taxon, vernacular=record.vernacular, caste=record.caste, sex=record.sex
    )
    verdict = judge(
        fauna,
        stated,
        tone,
        date=_day(record, measurement.recording),
        place=record.place or _place(measurement.recording),
        temperature_c=record.temperature_c,
    )
    notes += [verdict.note] if verdict.note else []
    reason = "" if verdict.agreement else "the name or caste stated cannot be compared"
    return Cue(tone, verdict, clip, how, "; ".join(notes), reason)


def _tone(measurement: Measurement) -> tuple[ToneCue | None, str]:
    """Give the tone of the bee of a clip, and what to mind about it or why there is none.

    Of several bees the one that is heard longest counts.
    """
    if "many bees" in measurement.flags:
        return None, "many bees at once in the clip: no single one can be measured"
    tones = (tone for tone in cues_by_individual(measurement) if tone is not None)
    heard = sorted(tones, key=lambda tone: -tone.duration_s)
    if heard:
        several = f"{len(heard)} bees in the clip, the one heard longest was taken" if len(heard) > 1 else ""
        return heard[0], several
    if any(bout.kind == "sonication" for bout in measurement.tone.bouts):
        return None, "only flower buzzes in the clip, which say nothing about size"
    return None, "no flight was heard in the clip"


def _day(record: Record, recording: RecordingInfo) -> dt.date | None:
    """Day of the record; when it has none, that which the clip states."""
    if record.event_date or recording.recorded_at is None or recording.recorded_at_source == "file time":
        return middle_day(record.event_date)
    return middle_day(recording.recorded_at[:10])


def _place(recording: RecordingInfo) -> Place | None:
    try:
        return stated_place(recording)
    except PlaceError:
        return None


def write_cues(records: Records, cues: Sequence[Cue], out: str | os.PathLike[str]) -> list[str]:
    """Write the table with a cue for each record; what was in it stays byte for byte.

    Returns
    -------
    list[str]
        The headings of the added columns.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    data = records.table.extended(COLUMNS, [cue.cells() for cue in cues])
    with replacing(out) as scratch:
        scratch.write_bytes(data)
    return records.table.free_headings(COLUMNS)
