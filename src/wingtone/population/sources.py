"""Files to rows: tables of bouts, surveys, JSON, and notebooks.

- A CSV or Parquet table with the columns of a table of bouts; one with ``heard_s`` is taken for listening
  effort.
- JSON, one object a line, of ``wingtone measure`` or ``identify``.
- A notebook (``.sqlite``): each record with a tone is one bee, as somebody kept it. Rejected records are
  passed over; what somebody decided to be another insect comes as ``not a bumblebee``. Its site is the 1 km
  square of its place.
- A folder with the tables of a survey: ``bouts``, and ``effort`` or ``recordings`` for the listening effort.

- `Source`, `read_sources`
- `read_sites`: the table that says which path belongs to which site.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wingtone.csv_text import check_headings, encoding_of, from_spreadsheet, rows_of_file
from wingtone.errors import Fault, InputError, MissingExtraError, TableError, one_line
from wingtone.evidence.lineup import NOT_A_BUMBLEBEE
from wingtone.fauna.names import says_bumblebee
from wingtone.files import check_file, what_is
from wingtone.population.bouts import MOST_FAULTS, Located, text_of

if TYPE_CHECKING:
    import os
    from collections.abc import Iterable

    from wingtone.fauna import Fauna
    from wingtone.notebook.records import BoutNote, Record

__all__ = ["Source", "read_sites", "read_sources"]

NOTEBOOKS = (".sqlite", ".sqlite3", ".db")
JSONS = (".json", ".jsonl", ".ndjson")
WHOLE_RECORDING = "many bees"
"""The flag of a recording that holds for each of its bouts; in tables it stands with each."""


@dataclass(frozen=True)
class Source:
    """Rows of bouts, and of listening effort where there is any (else None)."""

    bouts: tuple[Located, ...]
    effort: tuple[Located, ...] | None


def read_sources(paths: Iterable[str | os.PathLike[str]], *, fauna: Fauna | None = None) -> Source:
    """Read everything named.

    Parameters
    ----------
    fauna
        Knows which of the names in a notebook are other insects; None for that of Britain and Ireland.

    Raises
    ------
    InputError
        A file that is missing, or of no kind we read.
    TableError
        A table or JSON with faults, every one by line.
    MissingExtraError
        A Parquet file, and nothing here that reads it.
    """
    bouts: list[Located] = []
    effort: list[Located] = []
    told_effort = False
    for name in paths:
        path = Path(name)
        if what_is(path) == "folder":
            own, listened = _survey(path)
            bouts += own
            if listened is not None:
                told_effort, effort = True, effort + listened
            continue
        if path.suffix.lower() in NOTEBOOKS:
            bouts += _notebook(path, fauna)
            continue
        rows, is_effort = _file(path)
        if is_effort:
            told_effort, effort = True, effort + rows
        else:
            bouts += rows
    return Source(tuple(bouts), tuple(effort) if told_effort else None)


def _file(path: Path) -> tuple[list[Located], bool]:
    check_file(path, remedy="check the name")
    suffix = path.suffix.lower()
    if suffix in JSONS:
        return _json(path), False
    columns, rows = _parquet(path) if suffix == ".parquet" else _csv(path)
    is_effort = "heard_s" in columns and "f0_hz" not in columns
    if (
        not rows and not is_effort and "f0_hz" not in columns
    ):  # else rows tell their missing columns themselves
        fault = Fault(str(path), 1, "f0_hz", "this column is missing")
        raise TableError([fault], remedy="the columns are those of wingtone measure --format csv", where=path)
    return rows, is_effort


def _survey(folder: Path) -> tuple[list[Located], list[Located] | None]:
    """Read the tables of a survey."""

    def table(name: str) -> list[Located] | None:
        found = [folder / f"{name}.{kind}" for kind in ("csv", "parquet")]
        at = next((path for path in found if path.is_file()), None)
        return None if at is None else _file(at)[0]

    bouts = table("bouts")
    if bouts is None:
        remedy = "give the folder that wingtone survey wrote, or the tables themselves"
        raise InputError("there is no table of bouts in this folder", remedy=remedy, where=folder)
    return bouts, table("effort") or table("recordings")


def _csv(path: Path) -> tuple[list[str], list[Located]]:
    numbered = rows_of_file(path, with_points=True)
    at, heading = next(numbered, (1, []))
    columns = [cell.strip() for cell in heading]
    check_headings(columns, path, line=at)
    rows: list[Located] = []
    faults: list[Fault] = []
    try:
        for line, cells in numbered:
            if any(cell.strip() for cell in cells[len(columns) :]):
                faults.append(Fault(str(path), line, "", f"{len(cells)} cells under {len(columns)} headings"))
            else:
                cells += [""] * (len(columns) - len(cells))
                plain = map(from_spreadsheet, cells)
                rows.append(Located(str(path), line, dict(zip(columns, plain, strict=False))))
    except TableError as error:
        faults += error.faults
    if faults:
        raise TableError(faults[:MOST_FAULTS], remedy="mend the table", where=path)
    return columns, rows


def _parquet(path: Path) -> tuple[list[str], list[Located]]:
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError as error:
        raise MissingExtraError("reading Parquet", "survey") from error
    try:
        table = pyarrow.parquet.read_table(path)
        rows = table.to_pylist()
    except (pyarrow.ArrowException, OSError, UnicodeDecodeError) as error:
        remedy = "write it again, or give the table as CSV"
        raise InputError("this is no Parquet file that can be read", remedy=remedy, where=path) from error
    return list(table.column_names), [Located(str(path), i, row) for i, row in enumerate(rows, 1)]


def _json(path: Path) -> list[Located]:
    """Read one object a line; a file that is one object, or a list of them, will do as well."""
    text = path.read_text(encoding=encoding_of(path))
    try:
        whole = json.loads(text)
        objects = [(1, one) for one in (whole if isinstance(whole, list) else [whole])]
        broken: list[Fault] = []
    except (ValueError, RecursionError):
        objects, broken = [], []
        for number, line in enumerate(text.split("\n"), 1):  # names may hold other ends of lines
            if line.strip():
                try:
                    objects.append((number, json.loads(line)))
                except (ValueError, RecursionError):
                    broken.append(Fault(str(path), number, "", "this line is not JSON"))
    rows: list[Located] = []
    for number, one in objects:
        if not isinstance(one, dict) or not isinstance(one.get("recording"), dict) or "bouts" not in one:
            broken.append(Fault(str(path), number, "", "this is no result of wingtone measure"))
            continue
        try:
            flags = [flag for flag in one.get("flags") or () if flag == WHOLE_RECORDING]
            rows += [
                Located(
                    str(path),
                    number,
                    {**one["recording"], **bout, "flags": [*(bout.get("flags") or ()), *flags]},
                )
                for bout in one["bouts"]
            ]
        except TypeError:
            broken.append(Fault(str(path), number, "bouts", "this is no list of bouts"))
    if broken:
        broken.sort(key=lambda fault: fault.line)
        raise TableError(broken[:MOST_FAULTS], remedy="give what --format json printed", where=path)
    return rows


def _notebook(path: Path, fauna: Fauna | None) -> list[Located]:
    """Records that have a tone; a record is one bee, and its day that of the event."""
    from wingtone.fauna import load
    from wingtone.notebook.events import middle_day
    from wingtone.notebook.places import site_of
    from wingtone.notebook.store import Notebook

    check_file(path, remedy="check the name")
    others = frozenset(taxon.taxon for taxon in (fauna or load()).taxa if not taxon.is_bumblebee)
    rows = []
    with Notebook.open(path, write=False) as notebook:
        for entry in notebook.entries():
            record = entry.record
            if record.tone is None or record.status == "rejected":
                continue
            day = middle_day(record.event_date)
            moment = record.event_date if len(record.event_date) > 10 and "/" not in record.event_date else ""
            recording = record.recording
            values: dict[str, Any] = {
                "path": f"record {entry.number}" if recording is None else recording.path,
                "sha256": "" if recording is None else recording.sha256,
                "kind": "flight",
                "start_s": 0.0,
                "end_s": record.tone.duration_s or 1.0,
                "f0_hz": record.tone.f0_hz,
                "f0_low_hz": record.tone.f0_low_hz,
                "f0_high_hz": record.tone.f0_high_hz,
                "recorded_at": moment if "T" in moment else (day or ""),
                "site": site_of(record.place),
                "individual": entry.id,
                "caste": NOT_A_BUMBLEBEE if _is_other(record, others) else record.caste,
            }
            rows.append(Located(str(path), entry.number, values, _rests_on(record)))
    return rows


def _rests_on(record: Record) -> tuple[BoutNote, ...]:
    """Give the flights of its recording; all of the recording where the record does not say which."""
    from wingtone.notebook.records import BoutNote

    bouts = () if record.recording is None else record.recording.bouts
    return tuple(bout for bout in bouts if bout.kind == "flight") or (BoutNote("flight", 0.0, math.inf),)


def _is_other(record: Record, others: frozenset[str]) -> bool:
    """Whether somebody decided on the name of another insect.

    A genus alone has to be one that the fauna knows: bumblebees belong to *Apidae*, too.
    """
    from wingtone.notebook.records import rank_of_name

    if record.status not in ("decided", "confirmed"):
        return False
    is_narrow = rank_of_name(record.taxon) in ("species", "aggregate")
    return record.taxon in others or (is_narrow and not says_bumblebee(record.taxon))


def read_sites(path: str | os.PathLike[str]) -> dict[str, str]:
    """Read a table with the columns ``path`` (a recording or a folder) and ``site`` (or ``period``).

    Raises
    ------
    InputError, TableError
        As for other tables; a path with two sites, and rows without either.
    """
    path = Path(path)
    check_file(path, remedy="give a table of sites, a CSV file")
    columns, rows = _csv(path)
    label = "period" if "period" in columns and "site" not in columns else "site"
    faults = [
        Fault(str(path), 1, name, "this column is missing") for name in ("path", label) if name not in columns
    ]
    sites: dict[str, str] = {}
    for row in rows if not faults else ():
        where, site = (text_of(row.values[name]) for name in ("path", label))
        if not where or not site:
            faults.append(Fault(str(path), row.line, label if where else "path", "something is needed here"))
        elif sites.setdefault(where, site) != site:
            what = f"{one_line(where)} has the site {one_line(sites[where])} already"
            faults.append(Fault(str(path), row.line, label, what))
    if faults:
        raise TableError(faults[:MOST_FAULTS], remedy="give a path and its site in each row", where=path)
    return sites
