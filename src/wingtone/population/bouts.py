"""Bouts as this room takes them: any table with the columns of a table of bouts.

Rows come as mappings, as a mapping of columns, or as a data frame of any library; none of these libraries is
imported. Columns are read by name, unknown ones are left alone, and all faults are told at once.

Conventions
-----------
Needed: ``path``, ``kind``, ``start_s``, ``end_s``, ``f0_hz``, ``f0_low_hz``, ``f0_high_hz``. Used when there:
``sha256``, ``snr_db``, ``flags``, ``flight_probability``, ``recorded_at``, ``recorded_at_source``, ``site``,
``individual`` (who it was, where somebody knows; counted as said, never guessed again), and ``caste``, where
it is ``not a bumblebee``.

- `Heard`: one bout with what matters of its recording.
- `plain_rows`: anything table-like to dictionaries.
- `read_heard`: dictionaries to `Heard`.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import Any

from wingtone.errors import Fault, InputError, TableError, one_line, shown_value
from wingtone.notebook.records import BoutNote
from wingtone.tone.results import Bout, Kind

__all__ = [
    "MOST_FAULTS",
    "NEEDED",
    "Heard",
    "Located",
    "folder_of",
    "is_missing",
    "moment_of",
    "number_of",
    "plain_rows",
    "read_heard",
    "text_of",
]

NEEDED = ("path", "kind", "start_s", "end_s", "f0_hz", "f0_low_hz", "f0_high_hz")
KINDS: tuple[Kind, ...] = ("flight", "sonication", "uncertain")

MOST_FAULTS = 200
"""Faults told of one table; a table that is wrong throughout need not say so a million times. Ours."""

TONE_RANGE_HZ = (20.0, 2000.0)
"""What a tone of an insect can be at all; anything else is a slip in the table. Ours."""


@dataclass(frozen=True)
class Located:
    """A row and where it stands, for messages; a record of a notebook also has the flights behind it."""

    file: str
    line: int
    values: Mapping[str, Any]
    rests_on: tuple[BoutNote, ...] = ()


@dataclass(frozen=True)
class Heard:
    """One bout.

    Attributes
    ----------
    recording
        What tells recordings apart: the checksum, or the path where there is none.
    path
        As in the table.
    bout
        Kind, times, tone, signal-to-noise ratio and flags.
    moment
        Wall-clock time of the start of the bout; None when only the day, or nothing, is known.
    day
        Its day; None when not known.
    site
        As in the table; empty when not given.
    individual
        As in the table; empty when not given.
    caste
        Caste written down by the recorder (a notebook); empty otherwise.
    rests_on
        The flights behind a record of a notebook; empty for a row that is a flight itself.
    """

    recording: str
    path: str
    bout: Bout
    moment: dt.datetime | None = None
    day: dt.date | None = None
    site: str = ""
    individual: str = ""
    caste: str = ""
    rests_on: tuple[BoutNote, ...] = ()

    @property
    def flights(self) -> tuple[BoutNote, ...]:
        """The flights of its recording that it tells of."""
        bout = self.bout
        return self.rests_on or (BoutNote("flight", bout.start_s, bout.end_s, bout.f0_hz),)

    @property
    def folder(self) -> str:
        """Folder of the recording, ``.`` when the path has none."""
        return folder_of(self.path)


def folder_of(path: str) -> str:
    """Give the folder of a path, ``.`` when it has none."""
    return str(PurePosixPath(path.replace("\\", "/")).parent)


def plain_rows(table: Any) -> list[dict[str, Any]]:
    """Give the rows of anything table-like as dictionaries.

    Parameters
    ----------
    table
        A sequence of mappings; a mapping of column name to values of equal length; a data frame (pandas,
        polars, pyarrow, or any object with one of their methods ``to_dict("records")``, ``to_dicts()``,
        ``to_pylist()``); or an object with ``rows()``, as `wingtone.measure` gives.

    Raises
    ------
    InputError
        It is none of these, or its columns differ in length.
    """
    if isinstance(table, Mapping):
        columns = {str(name): list(values) for name, values in table.items()}
        if len({len(values) for values in columns.values()}) > 1:
            raise InputError("the columns differ in length", remedy="give one value a row in each")
        names = list(columns)
        return [dict(zip(names, row, strict=True)) for row in zip(*columns.values(), strict=True)]
    if hasattr(table, "to_pylist"):
        return [dict(row) for row in table.to_pylist()]
    if hasattr(table, "to_dicts"):
        return [dict(row) for row in table.to_dicts()]
    if hasattr(table, "to_dict") and hasattr(table, "columns"):
        return [dict(row) for row in table.to_dict("records")]
    if hasattr(table, "rows") and callable(table.rows):
        return [dict(row) for row in table.rows()]
    if isinstance(table, Iterable) and not isinstance(table, (str, bytes)):
        rows = list(table)
        if all(isinstance(row, Mapping) for row in rows):
            return [dict(row) for row in rows]
    raise InputError(
        f"{one_line(type(table).__name__)} is no table of bouts",
        remedy="give rows as dictionaries, columns by name, or a data frame",
    )


def is_missing(value: Any) -> bool:
    """Tell None, NaN, empty text and the missing values of data frames."""
    if value is None or (isinstance(value, str) and not value.strip()):
        return True
    try:
        return bool(value != value)  # NaN and NaT are not equal to themselves
    except (TypeError, ValueError):  # pandas.NA has no truth value
        return type(value).__name__ == "NAType"


def number_of(value: Any) -> float:
    """Read a number; NaN when missing.

    Raises
    ------
    ValueError
        It is there and not a number.
    """
    if is_missing(value):
        return math.nan
    if isinstance(value, bool):
        raise ValueError("not a number")
    return float(value)


def text_of(value: Any) -> str:
    """Read a text; empty when missing."""
    if is_missing(value):
        return ""
    try:
        return str(value).strip()
    except ValueError:
        return shown_value(value)


def moment_of(value: Any) -> tuple[dt.datetime | None, dt.date | None]:
    """Read an ISO 8601 day or time, or a datetime; ``(None, None)`` when missing.

    Raises
    ------
    ValueError
        It is there and neither.
    """
    if is_missing(value):
        return None, None
    if isinstance(value, dt.datetime):  # pandas' own timestamps are datetimes too
        return value, value.date()
    if isinstance(value, dt.date):
        return None, value
    text = str(value).strip()
    if len(text) <= 10:
        return None, dt.date.fromisoformat(text)
    moment = dt.datetime.fromisoformat(text)
    return moment, moment.date()


def read_heard(rows: Sequence[Located], *, date: dt.date | None = None) -> list[Heard]:
    """Read rows into bouts.

    Parameters
    ----------
    rows
        With where each stands.
    date
        Day of the rows that state none.

    Raises
    ------
    TableError
        With every fault, by file, line and column (`MOST_FAULTS` at most).
    """
    faults: list[Fault] = []
    heard: list[Heard] = []
    missing_told: set[str] = set()
    for row in rows:
        absent = [name for name in NEEDED if name not in row.values]
        if absent:
            if row.file not in missing_told:
                missing_told.add(row.file)
                faults += [Fault(row.file, 1, name, "this column is missing") for name in absent]
            continue
        found = _heard(row, faults, date)
        if found is not None:
            heard.append(found)
        if len(faults) >= MOST_FAULTS:
            break
    if faults:
        remedy = "the columns are those of wingtone measure --format csv"
        raise TableError(faults[:MOST_FAULTS], remedy=remedy, where=faults[0].file)
    return heard


def _heard(row: Located, faults: list[Fault], date: dt.date | None) -> Heard | None:
    before = len(faults)

    def fault(column: str, what: str) -> None:
        faults.append(Fault(row.file, row.line, column, what))

    def number(column: str, *, needed: bool) -> float:
        given = row.values.get(column)
        try:
            value = number_of(given)
        except (TypeError, ValueError, OverflowError):
            fault(column, f"{text_of(given)[:40]!r} is not a number")
            return math.nan
        if needed and not math.isfinite(value):
            fault(column, "a number is needed here")
        return value

    kind = text_of(row.values.get("kind"))
    if kind not in KINDS:
        fault("kind", f"{kind[:40]!r} is not one of {', '.join(KINDS)}")
    start_s, end_s = number("start_s", needed=True), number("end_s", needed=True)
    if end_s < start_s:
        fault("end_s", "ends before it starts")
    # Only flights are measured in earnest; other kinds may lack a tone.
    flies = kind == "flight"
    f0_hz, low, high = (number(name, needed=flies) for name in ("f0_hz", "f0_low_hz", "f0_high_hz"))
    if math.isfinite(f0_hz) and not TONE_RANGE_HZ[0] <= f0_hz <= TONE_RANGE_HZ[1]:
        fault("f0_hz", f"{f0_hz:g} Hz is no tone of a flying insect")
    if flies and all(map(math.isfinite, (f0_hz, low, high))) and not 0 < low <= f0_hz <= high:
        fault("f0_hz", "does not lie between f0_low_hz and f0_high_hz")
    path, checksum = text_of(row.values.get("path")), text_of(row.values.get("sha256"))
    if not path and not checksum:
        fault("path", "which recording is needed here")
    moment: dt.datetime | None = None
    day: dt.date | None = None
    if text_of(row.values.get("recorded_at_source")) != "file time":  # the day of a copy is no date
        try:
            moment, day = moment_of(row.values.get("recorded_at"))
        except (ValueError, TypeError):
            fault("recorded_at", f"{text_of(row.values['recorded_at'])[:40]!r} is no ISO 8601 date or time")
    snr_db = number("snr_db", needed=False)
    flight_probability = number("flight_probability", needed=False)
    if moment is not None and math.isfinite(start_s):
        try:
            moment = moment + dt.timedelta(seconds=start_s)
            day = moment.date()
        except (OverflowError, ValueError):  # the second is that of data frames
            fault("start_s", f"{start_s:g} s after {moment} there is no date")
    if len(faults) > before:
        return None
    return Heard(
        recording=checksum or path,
        path=path or checksum,
        bout=Bout(
            kind=next(k for k in KINDS if k == kind),
            start_s=start_s,
            end_s=end_s,
            f0_hz=f0_hz,
            f0_low_hz=low,
            f0_high_hz=high,
            f0_spread_hz=math.nan,
            snr_db=snr_db,
            harmonics_db=(),
            flight_probability=flight_probability,
            flags=_flags(row.values.get("flags")),
        ),
        moment=moment,
        day=day or date,
        site=text_of(row.values.get("site")),
        individual=text_of(row.values.get("individual")),
        caste=text_of(row.values.get("caste")),
        rests_on=row.rests_on,
    )


def _flags(value: Any) -> tuple[str, ...]:
    if isinstance(value, str):
        return tuple(part.strip() for part in value.split(";") if part.strip())
    if isinstance(value, Iterable):
        return tuple(map(text_of, value))
    return ()
