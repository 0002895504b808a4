"""Records from other people's tables: read with care, all faults at once, never twice.

A table is CSV in UTF-8, UTF-16 or Windows-1252, separated by commas, semicolons or tabs. Tables that
wingtone wrote come back as they were; in others every column gets a meaning, proposed by the program and
corrected by the user, and what has none is kept beside the record.

A record is known by its ``occurrenceID`` if that is a UUID or a URI; by one that is its table's own, such as
a running number, and all that stands in its row; without one, by all that stands in its row (two equal rows
of one table are two bees). So a table can be imported again and adds only what is new. Rows that say that no
bee was there make no record.

- `read_plan`: a table to a `Plan` of records, without touching a notebook.
- `carry_out`: add a plan's records to a notebook; `look_ahead`: only say what that would do.
- `read_row`: one row, for other readers of such tables.
"""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wingtone.csv_text import check_headings, encoding_of, from_spreadsheet, numbered_rows, separator_in
from wingtone.errors import DateError, Fault, TableError, WingtoneError
from wingtone.notebook import events
from wingtone.notebook.cells import (
    clock,
    is_picture,
    is_wgs84,
    plain_metres,
    plain_number,
    says_absent,
    says_none,
    status_of,
)
from wingtone.notebook.columns import OTHER, SKIP, corrected, goes_without_saying, propose
from wingtone.notebook.exchange import AS_WRITTEN, STATUS_WORDS, from_terms, is_ours
from wingtone.notebook.extensions import FLAT_EXTRAS
from wingtone.notebook.places import (
    MIN_UNCERTAINTY_M,
    NAME_NOT_UNDERSTOOD,
    Place,
    is_place_name,
    parse_place,
)
from wingtone.notebook.records import (
    CASTES,
    COLDEST_C,
    GIVEN_ID,
    RANKS,
    WARMEST_C,
    Record,
    RecordingNote,
    dumps,
    is_global,
    is_plain,
    rank_of_name,
    sex_of,
    uuid_of,
)

if TYPE_CHECKING:
    import os
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
    from typing import TextIO

    from wingtone.notebook.store import Notebook

__all__ = ["Imported", "Plan", "carry_out", "look_ahead", "read_plan", "read_row"]

_OWN = "own:"
"""Begins the source key of a record whose identifier is its table's own, as a running number is: it ends in
the digest of what the record says, as another table may have the number for another bee."""

_DIGITS = 64  # of a SHA-256

MOST_HEADINGS = 12
"""Headings named where none is known. Ours: a line or two."""
MOST_FAULTS = 1000
"""Faults told of one table. Ours: more than anyone reads; the rest of the table is then not read."""


@dataclass(frozen=True)
class Plan:
    """What a table would bring.

    Attributes
    ----------
    mapping
        Heading to field; empty for a table of which wingtone wrote every row.
    records
        Triples of source key, id (or None) and record, in the order of the table.
    ours
        Which of them wingtone wrote, counted from 0.
    absent
        Lines that say that no bee was there; there is no record of them.
    """

    path: Path
    mapping: Mapping[str, str]
    records: tuple[tuple[str, str | None, Record], ...]
    encoding: str
    ours: frozenset[int] = frozenset()
    absent: tuple[int, ...] = ()


@dataclass(frozen=True)
class Imported:
    """How many records were new, and how many were in the notebook already.

    Attributes
    ----------
    numbers
        For each record of the plan the number that it got, None when it was there already.
    removed
        The numbers of those that were there already, but removed.
    alike
        For each new record whose identifier, a table's own, an earlier one has too, but not what it says: the
        number of the new record and that of the latest of those that are not removed.
    doubles
        For each other new record that is of the day, place, name, caste and recorder of one that was there
        before: its number and that one's. So the rows of a table come again when something was added to it,
        or when two notebooks are put together that both have it.
    differing
        For each record that was there already, by an identifier that means one record everywhere, and of
        which the table says something else: its number, and the fields. It is left as it is.
    """

    added: int
    known: int
    numbers: tuple[int | None, ...]
    removed: tuple[int, ...] = ()
    alike: tuple[tuple[int, int], ...] = ()
    doubles: tuple[tuple[int, int], ...] = ()
    differing: tuple[tuple[int, tuple[str, ...]], ...] = ()


def read_plan(path: str | os.PathLike[str], *, mapping: Iterable[str] = ()) -> Plan:
    """Read a table.

    Parameters
    ----------
    mapping
        Corrections to the proposed meaning of columns, each ``HEADING=FIELD``.

    Raises
    ------
    InputError
        There is no table to read.
    TableError
        The table has faults; all of them, with line and column.
    RequestError
        A correction names a column or a field that does not exist.
    """
    path = Path(path)
    encoding = encoding_of(path)
    with path.open(encoding=encoding, newline="") as file:
        headings, rows = _rows_of(path, file)
        chosen = corrected(propose(headings), mapping)
        if not {"taxon", "vernacular", "recording", "genus"} & set(chosen.values()):
            fault = Fault(str(path), 1, "", "no column is known to hold the name of the bee or a recording")
            named = ", ".join([repr(heading) for heading in headings if heading][:MOST_HEADINGS])
            raise TableError([fault], remedy=f"say which of these does: {named}, as in --map 'HEADING=taxon'")
        return _planned(path, headings, rows, chosen, encoding)


def _planned(
    path: Path,
    headings: Sequence[str],
    rows: Iterable[tuple[int, list[str]]],
    chosen: Mapping[str, str],
    encoding: str,
) -> Plan:
    id_heading = next((heading for heading, field in chosen.items() if field == "id"), "occurrenceID")
    records: list[tuple[str, str | None, Record]] = []
    faults: list[Fault] = []
    seen: dict[str, int] = {}
    ids: dict[str, int] = {}
    ours: set[int] = set()
    absent: list[int] = []
    marked = bool({*FLAT_EXTRAS} & {*headings})  # ours without them comes from an archive, which has no marks
    for line, cells in _cut(rows, faults):
        if not any(cell.strip() for cell in cells):
            continue
        too_many = any(cell.strip() for cell in cells[len(headings) :])
        # Whole rows may be in a cell with lines; a short row in one line has lost its empty cells only.
        if too_many or (len(cells) != len(headings) and any("\n" in cell or "\r" in cell for cell in cells)):
            counted = f"{len(cells)} cell{'' if len(cells) == 1 else 's'}"
            what = f"{counted} under {len(headings)} headings: is a quotation mark missing?"
            faults.append(Fault(str(path), line, "", what))
            continue
        row = dict(zip(headings, cells, strict=False))
        if marked or not is_ours(row):
            row = {heading: from_spreadsheet(cell) for heading, cell in row.items()}
        if not is_ours(row) and _says_no_bee(row, chosen):
            absent.append(line)
            continue
        record, of_row = read_row(path, line, row, chosen)
        faults += of_row
        if len(faults) >= MOST_FAULTS:
            faults.append(Fault(str(path), line, "", "too many faults; the rest of the table was not read"))
            break
        identifier = row.get(id_heading, "").strip()
        if record is None:
            continue
        same = uuid_of(identifier) or identifier  # a UUID may be written in several ways
        if identifier and same in ids:
            faults.append(Fault(str(path), line, id_heading, f"the same as in line {ids[same]}"))
        ids[same] = line
        if is_ours(row):
            ours.add(len(records))
        elif identifier and identifier != f"urn:uuid:{uuid_of(identifier)}":
            record = replace(record, other={**record.other, GIVEN_ID: identifier})
        digest = hashlib.sha256(dumps(record).encode()).hexdigest()
        if not identifier:
            seen[digest] = seen.get(digest, 0) + 1
            records.append((f"row:{digest}:{seen[digest]}", None, record))
        elif is_global(identifier):
            records.append((f"id:{identifier}", uuid_of(identifier), record))
        else:
            records.append((f"{_OWN}{identifier}:{digest}", None, record))
    if faults:
        places = {heading: i for i, heading in enumerate(headings)}
        faults.sort(key=lambda fault: (fault.line, places.get(fault.column, -1)))
        raise TableError(faults, remedy="mend the table and import it again; nothing was imported")
    foreign = len(ours) < len(records) or not records
    return Plan(path, chosen if foreign else {}, tuple(records), encoding, frozenset(ours), tuple(absent))


def _says_no_bee(row: Mapping[str, str], mapping: Mapping[str, str]) -> bool:
    """Whether a row tells that somebody looked and found none."""
    said = {field: row.get(heading, "") for heading, field in mapping.items()}
    return says_absent(said.get("presence", "")) or says_none(said.get("count", ""))


def _cut(rows: Iterable[tuple[int, list[str]]], faults: list[Fault]) -> Iterator[tuple[int, list[str]]]:
    """Hand rows on up to the one that cannot be cut, which becomes a fault beside the others."""
    try:
        yield from rows
    except TableError as error:
        faults += error.faults


def read_row(
    path: Path, line: int, row: Mapping[str, str], mapping: Mapping[str, str]
) -> tuple[Record | None, list[Fault]]:
    """Read one row of a table.

    Parameters
    ----------
    row
        Heading to cell.
    mapping
        Heading to field, see `wingtone.notebook.columns`; not needed for a row that wingtone wrote.

    Returns
    -------
    record, faults
        What could be read, without the parts that have a fault; None when nothing could.
    """
    reader = _Row(path, line)
    record = reader.ours(row) if is_ours(row) else reader.foreign(row, mapping)
    return record, reader.faults


_COMPARED = ("event_date", "taxon", "caste", "status", "identified_by")
"""What a table may know better than the notebook: when, what, and who stands for it."""


def carry_out(plan: Plan, notebook: Notebook, *, by: str = "") -> Imported:
    """Add the records of a plan, all or none; those that the notebook knows already are left alone."""
    return _compared(plan, notebook, notebook.add_imported(plan.records, by=by))


def look_ahead(plan: Plan, notebook: Notebook) -> Imported:
    """Say what `carry_out` would do; the numbers of new records are their places in the plan, from 1."""
    numbers = [
        i if notebook.known(key, given_id) is None else None
        for i, (key, given_id, _) in enumerate(plan.records, start=1)
    ]
    return _compared(plan, notebook, numbers, are_there=False)


def _compared(
    plan: Plan, notebook: Notebook, numbers: Sequence[int | None], *, are_there: bool = True
) -> Imported:
    """Compare a plan with what was in the notebook before; whether its new records ``are_there`` by now."""
    new = {number for number in numbers if number is not None} if are_there else set()
    paired: set[int] = set()
    removed: list[int] = []
    alike: list[tuple[int, int]] = []
    doubles: list[tuple[int, int]] = []
    differing: list[tuple[int, tuple[str, ...]]] = []
    for number, (key, given_id, record) in zip(numbers, plan.records, strict=True):
        if number is None:
            there = notebook.known(key, given_id)
            if there is not None and there[1]:
                removed.append(there[0])
            elif there is not None and key.startswith("id:"):
                held = notebook.get(there[0]).record
                if fields := tuple(
                    name for name in _COMPARED if getattr(held, name) != getattr(record, name)
                ):
                    differing.append((there[0], fields))
            continue
        start = key[:-_DIGITS] if key.startswith(_OWN) else ""
        others = notebook.keys_beginning(start, length=len(key)) if start else []
        if same := [other for _, other in others if other not in new]:
            alike.append((number, same[-1]))
        elif record.recording is None or not record.recording.sha256:  # else its flights tell, see `Watch`
            free = (n for n in notebook.like(record) if n not in new and n not in paired)
            if (other := next(free, None)) is not None:
                doubles.append((number, other))
                paired.add(other)  # of two alike, each of one
    known = sum(number is None for number in numbers)
    return Imported(
        added=len(numbers) - known,
        known=known,
        numbers=tuple(numbers),
        removed=tuple(removed),
        alike=tuple(alike),
        doubles=tuple(doubles),
        differing=tuple(differing),
    )


# --- the table -------------------------------------------------------------------------------------------


def _rows_of(path: Path, file: TextIO) -> tuple[list[str], Iterable[tuple[int, list[str]]]]:
    """Headings, and rows with the number of the line they begin on."""
    separator, skipped = separator_in(file)
    # Old tables have inches and seconds in them: a quotation mark within a line may be one.
    rows = numbered_rows(file, str(path), separator=separator, strict=False, first_line=1 + skipped)
    _, cells = next(rows, (1, []))
    headings = [heading.strip() for heading in cells]
    check_headings(headings, path, line=1 + skipped)
    return headings, rows


# --- a row -----------------------------------------------------------------------------------------------

_ONLY_KEPT = ("presence", "count")
"""Fields that are asked whether a bee was there, and else kept as they stand."""

_CASTE_WORDS = {
    "queen": ("q", "queens", "gyne", "spring queen", "new queen", "♀q"),
    "worker": ("w", "workers", "☿"),
    "male": ("m", "males", "drone", "drones", "♂"),
    "female": ("f", "females", "♀"),
    "cuckoo female": ("female cuckoo",),
    "not a bumblebee": (),
}
_NOT_KNOWN = ("", "unknown", "not recorded", "not known", "undetermined", "indet", "adult", "n/a", "na", "?")


class _Row:
    """One row on its way to a record; its faults gather in ``faults``."""

    def __init__(self, path: Path, line: int) -> None:
        self.path = path
        self.line = line
        self.faults: list[Fault] = []

    def fault(self, column: str, what: str) -> None:
        self.faults.append(Fault(str(self.path), self.line, column, what))

    def tried(self, column: str, reading: Callable[[], Any], default: Any = None) -> Any:
        """Read one part; a part that cannot be right becomes a fault of its column."""
        try:
            return reading()
        except WingtoneError as error:
            remedy = f" ({error.remedy})" if error.remedy else ""
            self.fault(column or error.where, error.what + remedy)
        return default

    def ours(self, row: Mapping[str, str]) -> Record | None:
        record: Record | None = self.tried("", lambda: from_terms(row))
        return record

    def foreign(self, row: Mapping[str, str], mapping: Mapping[str, str]) -> Record | None:
        by_field: dict[str, tuple[str, str]] = {}
        other: dict[str, str] = {}
        hints: dict[str, str] = {}
        for heading, text in row.items():
            field, cell = mapping.get(heading, OTHER), text.strip()
            if not cell or field == SKIP:
                continue
            if field.startswith("hint:"):
                hints[field.removeprefix("hint:")] = cell
            elif field not in (OTHER, *_ONLY_KEPT):
                by_field[field] = (heading, cell)
            elif not goes_without_saying(heading, cell) and (field, cell.lower()) != ("presence", "present"):
                other[heading] = text
        self.keep_what_differs(by_field, other)
        taxon = self.taxon(by_field, other)
        vernacular = by_field.get("vernacular", ("", ""))[1]
        recording, *pictures = (by_field.get(name, ("", ""))[1] for name in ("recording", "photograph"))
        if is_picture(recording):
            recording, pictures = "", [recording, *pictures]
        if not (taxon or vernacular or recording):
            self.fault("", "there is neither a name nor a recording in this row")
        caste, sex = self.caste_and_sex(by_field)
        hints |= self.hints(by_field)
        known: dict[str, Any] = {
            "event_date": self.date(by_field, other),
            "place": self.place(by_field, other),
            "recorder": by_field.get("recorder", ("", ""))[1],
            "taxon": taxon,
            "rank": self.rank(taxon, by_field.get("rank", ("", "")), other),
            "vernacular": vernacular,
            "caste": caste,
            "sex": sex,
            "status": self.status(by_field, other) or ("decided" if taxon or vernacular else "hint"),
            "identified_by": by_field.get("identified by", ("", ""))[1],
            "temperature_c": self.temperature(by_field),
            "hints": hints,
            "recording": RecordingNote(path=recording) if recording else None,
            "notes": by_field.get("notes", ("", ""))[1],
            "photographs": tuple(filter(None, pictures)),
            "other": other,
        }
        record: Record | None = self.tried("", lambda: Record(**known))
        return record

    @staticmethod
    def keep_what_differs(by_field: Mapping[str, tuple[str, str]], other: dict[str, str]) -> None:
        """Keep what says something else of the record than we would, under the term of Darwin Core."""
        for field, (term, usual) in AS_WRITTEN.items():
            _, cell = by_field.get(field, ("", ""))
            if cell and re.sub(r"[^a-z]", "", cell.lower()) not in usual:
                other[term] = cell

    @staticmethod
    def taxon(by_field: Mapping[str, tuple[str, str]], other: dict[str, str]) -> str:
        """Give the name of one column, or of those that hold its words."""
        _, whole = by_field.get("taxon", ("", ""))
        words = [by_field[name] for name in ("genus", "epithet", "infraspecific") if name in by_field]
        _, genus = by_field.get("genus", ("", ""))
        if not whole:
            return " ".join(cell for _, cell in words)
        if genus and re.fullmatch(r"((cf|aff)\.? )?[a-z-]+|spp?\.", whole) and not is_plain(whole):
            whole = f"{genus} {whole}"  # "species" is the epithet there
        other |= {heading: cell for heading, cell in words if cell.lower() not in whole.lower().split()}
        return whole

    @staticmethod
    def status(by_field: Mapping[str, tuple[str, str]], other: dict[str, str]) -> str | None:
        """Give the status that a verification means; its words are kept where they are not our own."""
        heading, words = by_field.get("verification", ("", ""))
        if not words:
            return None
        status = status_of(words)
        if status is None or STATUS_WORDS[status] != words:
            other[heading] = words
        return status

    @staticmethod
    def rank(taxon: str, given: tuple[str, str], other: dict[str, str]) -> str:
        heading, rank = given
        if rank.lower() in RANKS:
            return rank.lower()
        if rank:
            other[heading] = rank
        return rank_of_name(taxon)

    def date(self, by_field: Mapping[str, tuple[str, str]], other: dict[str, str]) -> str:
        heading, text = by_field.get("date", ("", ""))
        if not text:
            heading, text = self.date_of_parts(by_field)
        time_heading, time = by_field.get("time", ("", ""))
        date: str = self.tried(heading, lambda: events.parse_event_date(text), "") if text else ""
        date = re.sub(
            r"(?<=^.{10})T00:00(:00(\.0+)?)?$", "", date
        )  # so spreadsheets and databases write a day
        if len(date) == len("2026-03-20") and time:
            return self.moment(date, time_heading, time)
        if time and f"T{clock(time)}" not in date:  # of no day, or of several, or at another time
            other[time_heading] = time
        return date

    def moment(self, date: str, heading: str, time: str) -> str:
        """Put a day and a time of day, or two times from and to, together."""
        try:
            return events.parse_event_date(f"{date}T{clock(time, is_iso=heading == 'eventTime')}")
        except DateError as error:
            what = error.what if error.what.startswith("there is no") else f"{time!r} is no time of day"
            self.fault(heading, f"{what} (write it as 10:32; --map '{heading}=other' keeps it as it is)")
        return date

    def date_of_parts(self, by_field: Mapping[str, tuple[str, str]]) -> tuple[str, str]:
        """Put year, month and day together; give the heading to name in a fault too."""
        given = {name: by_field[name] for name in ("year", "month", "day") if name in by_field}
        for part, needed in (("month", "year"), ("day", "year"), ("day", "month")):
            if part in given and needed not in given:
                self.fault(given[part][0], f"there is a {part} but no {needed}")
                return "", ""
        if not given:
            return "", ""
        year, *rest = (cell for _, cell in given.values())
        return given["year"][0], "-".join([year, *(part.zfill(2) for part in rest)])

    def place(self, by_field: Mapping[str, tuple[str, str]], other: dict[str, str]) -> Place | None:
        place: Place | None = None
        reference_heading, reference = by_field.get("place", ("", ""))
        if "latitude" in by_field or "longitude" in by_field:
            (heading, latitude), (east_heading, longitude) = (
                by_field.get(name, ("", "")) for name in ("latitude", "longitude")
            )
            if not (latitude and longitude):
                self.fault(heading or east_heading, "latitude and longitude must both be there")
                return None
            place = self.tried(heading, lambda: parse_place(_with_points(latitude, longitude)))
            self.check_datum(by_field)
            if reference:
                other[reference_heading] = reference
        elif reference and is_place_name(reference):
            remedy = f"write a grid reference such as TQ 18 75; --map '{reference_heading}=other' keeps names"
            self.fault(reference_heading, f"{NAME_NOT_UNDERSTOOD} ({remedy})")
        elif reference:
            place = self.tried(reference_heading, lambda: parse_place(reference))
        heading, text = by_field.get("uncertainty", ("", ""))
        if text and place is not None:
            metres = self.number(heading, text, plain_metres)
            if metres is not None and metres <= 0:
                self.fault(heading, "the uncertainty of a place must be more than 0 m")
            elif metres is not None:  # of a square only its centre is known, whatever the reading on the spot
                least_m = MIN_UNCERTAINTY_M if place.grid_reference is None else place.uncertainty_m
                place = replace(place, uncertainty_m=max(least_m, metres))
        return place

    def check_datum(self, by_field: Mapping[str, tuple[str, str]]) -> None:
        """Refuse degrees of another datum, which lie elsewhere: in Britain by some 100 m (memory)."""
        heading, datum = by_field.get("datum", ("", ""))
        if not is_wgs84(datum):
            remedy = f"turn them into WGS84, or leave the column out with --map '{heading}=skip' if they are"
            self.fault(heading, f"latitude and longitude are on {datum}, not on WGS84 ({remedy})")

    def caste_and_sex(self, by_field: Mapping[str, tuple[str, str]]) -> tuple[str, str]:
        caste = sex = ""
        for field in ("sex", "caste"):
            heading, text = by_field.get(field, ("", ""))
            word = text.lower().strip(" .")
            if word in _NOT_KNOWN:
                continue
            found = [name for name, words in _CASTE_WORDS.items() if word == name or word in words]
            if not found:
                allowed = f"one of {', '.join(CASTES)}, or empty; --map '{heading}=other' keeps it as it is"
                self.fault(heading, f"{text!r} is not a caste ({allowed})")
            elif field == "sex" and found[0] in ("male", "female"):
                sex = found[0]
            else:
                caste = found[0]
        if caste and sex and sex_of(caste) not in ("", sex):
            self.fault(by_field["caste"][0], f"a {caste} is not {sex}")
        return caste or sex, sex or sex_of(caste)

    def hints(self, by_field: Mapping[str, tuple[str, str]]) -> dict[str, str]:
        heading, text = by_field.get("hints", ("", ""))
        found = {}
        for piece in filter(None, (piece.strip() for piece in text.split(";"))):
            character, equals, state = (part.strip() for part in piece.partition("="))
            if not (character and equals and state):
                self.fault(heading, f"{piece!r} is not of the form character=state")
            else:
                found[character] = state
        return found

    def temperature(self, by_field: Mapping[str, tuple[str, str]]) -> float | None:
        heading, text = by_field.get("temperature", ("", ""))
        if not text:
            return None
        value = self.number(heading, re.sub(r"\s*°?\s*[Cc]?$", "", text))
        if value is not None and not COLDEST_C <= value <= WARMEST_C:
            self.fault(heading, f"{text} is no temperature of the air in degrees Celsius")
            return None
        return value

    def number(
        self, heading: str, text: str, reading: Callable[[str], float | None] = plain_number
    ) -> float | None:
        value = reading(text)
        if value is None:
            self.fault(heading, f"{text!r} is not a number")
        return value


def _with_points(latitude: str, longitude: str) -> str:
    """Put latitude and longitude of two cells together, with points where there are decimal commas."""
    return ", ".join(re.sub(r"(?<=\d),(?=\d)", ".", cell) for cell in (latitude, longitude))
