"""The notebook: records in one SQLite file, with all they ever were.

Conventions
-----------
A stored record is an `Entry`: a `Record` with its number (for people), its id (a UUID, for programs) and
its version. Changes add a version and keep the old ones; removing hides a record and can be undone. What a
method has returned from is on the disk: each call is one transaction, synchronised before it returns.
Several programs may use one notebook at once; a writer waits for another
up to half a minute.

- `Notebook`: open, add, get, list, amend, remove, restore, check.
- `Filter`: which records to list.
- `default_path`: where the notebook lies when no file was named.
"""

from __future__ import annotations

import contextlib
import dataclasses
import hashlib
import json
import sqlite3
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from wingtone.errors import InputError, RequestError
from wingtone.files import data_folder
from wingtone.notebook import events, schema
from wingtone.notebook.database import connect, create, damaged, folded, how, recognise, translated
from wingtone.notebook.nearby import bounding_box, distance_m
from wingtone.notebook.records import QUALIFIER, Record, dumps, from_json, new_id

if TYPE_CHECKING:
    import datetime as dt
    import os
    from collections.abc import Callable, Iterable, Iterator, Mapping
    from types import TracebackType
    from typing import Self

    from wingtone.notebook.places import Place

__all__ = [
    "Entry",
    "Filter",
    "Notebook",
    "Row",
    "Version",
    "agrees",
    "checksum",
    "default_path",
    "projection",
]


@dataclass(frozen=True)
class Entry:
    """A record as it stands in a notebook."""

    number: int
    id: str
    version: int
    removed: bool
    changed_at: str
    record: Record


@dataclass(frozen=True)
class Version:
    """One state of a record: what was done to it, when (UTC), by whom, and what it then held."""

    version: int
    at: str
    action: str
    by: str
    record: Record


class Row(NamedTuple):
    """One line of a list: what is known without opening the whole record. Unknown text is empty."""

    number: int
    id: str
    first_day: str
    last_day: str
    place: str
    taxon: str
    caste: str
    status: str
    recorder: str
    f0_hz: float | None


@dataclass(frozen=True)
class Filter:
    """Which records to list; what is None or empty does not restrict.

    Attributes
    ----------
    since, until
        Records that may have been made on or after, on or before this day.
    near, within_m
        Records within this distance of a place; without ``within_m``, the place's own uncertainty.
    taxon
        A name, or its beginning (``Bombus`` finds all of the genus); capitals do not matter.
    also
        Names that are found beside ``taxon``, whole and exact.
    caste, status, recorder
        Exactly these; capitals of the recorder do not matter.
    removed
        Removed records instead of the others.
    """

    since: dt.date | None = None
    until: dt.date | None = None
    near: Place | None = None
    within_m: float | None = None
    taxon: str = ""
    also: tuple[str, ...] = ()
    caste: str = ""
    status: str = ""
    recorder: str = ""
    removed: bool = False


def default_path() -> Path:
    """Where the notebook lies when no file was named: in the user's data folder.

    Raises
    ------
    InputError
        This user has none.
    """
    return data_folder(remedy="give --notebook FILE") / "notebook.sqlite"


class Notebook:
    """A notebook file, opened.

    Use it as a context manager. Parameters as `Notebook.open`.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection = connection

    @classmethod
    def open(cls, path: str | os.PathLike[str] | None = None, *, write: bool = True) -> Notebook:
        """Open a notebook; with ``write`` it is made when it is not there yet.

        Raises
        ------
        InputError
            Not there (without ``write``), not a notebook, damaged, or made by a newer wingtone.
        OutputError
            The folder or file cannot be written.
        """
        chosen = default_path() if path is None else Path(path)
        with translated(chosen):
            if not chosen.exists():
                if not write:
                    remedy = "it is made when you add a record"
                    raise InputError("there is no notebook here yet", remedy=remedy, where=chosen)
                create(chosen, make_folder=path is None)
            connection = connect(chosen, write=write)
            try:
                if not recognise(connection, chosen):
                    with contextlib.closing(connect(chosen, write=True)) as writer:
                        schema.migrate(writer)
            except BaseException:
                connection.close()
                raise
        return cls(chosen, connection)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; further calls are not possible."""
        self._connection.close()

    # --- writing --------------------------------------------------------------------------------------

    def add(self, record: Record, *, by: str = "") -> Entry:
        """Add one record; it is safely stored when this returns."""
        with self._transaction():
            number = self._insert(record, new_id(), None, "added", by)
        return self.get(number)

    def add_imported(
        self, records: Iterable[tuple[str, str | None, Record]], *, by: str = ""
    ) -> list[int | None]:
        """Add records from elsewhere, all or none of them, each source key once.

        Parameters
        ----------
        records
            Triples of source key, id (None: a new one) and record.

        Returns
        -------
        list[int | None]
            For each the number it got, or None when its key or id was in the notebook already.
        """
        numbers: list[int | None] = []
        with self._transaction():
            for key, given_id, record in records:
                known = self._connection.execute(
                    "SELECT 1 FROM record WHERE source_key = ? OR id = ?", (key, given_id)
                ).fetchone()
                new = None if known else self._insert(record, given_id or new_id(), key, "imported", by)
                numbers.append(new)
        return numbers

    def known(self, key: str, given_id: str | None) -> tuple[int, bool] | None:
        """Give the number of the record that has a source key or an id, and whether it was removed."""
        with translated(self.path):
            row = self._connection.execute(
                "SELECT number, removed FROM record WHERE source_key = ? OR id = ?", (key, given_id)
            ).fetchone()
        return None if row is None else (row[0], bool(row[1]))

    def like(self, record: Record) -> list[int]:
        """Give the numbers of the records of the same day, place, name, caste, recorder and tone, in order.

        Those of records that were removed are left out. Empty without a day or a place, as then any may be.
        """
        columns = ("first_day", "last_day", "latitude_deg", "longitude_deg", "place", "taxon", "caste")
        values = projection(record)
        if values[0] is None or values[2] is None:
            return []
        # Looked for by the day: many records are of one place. A plus keeps SQLite off the other indices.
        same = " AND ".join(
            f"{'+' * (i > 0)}{name} IS ?" for i, name in enumerate((*columns, "recorder", "f0_hz"))
        )
        query = f"SELECT number FROM record WHERE {same} AND removed = 0 ORDER BY number"  # noqa: S608
        with translated(self.path):
            found = self._connection.execute(query, (*values[: len(columns)], *values[-2:])).fetchall()
        return [number for (number,) in found]

    def keys_beginning(self, start: str, *, length: int) -> list[tuple[str, int]]:
        """Give the source keys so long that begin with a text, with the record's number, in that order.

        Those of records that were removed are left out.
        """
        with translated(self.path):
            return self._connection.execute(
                "SELECT source_key, number FROM record WHERE source_key BETWEEN ? AND ?"
                " AND length(source_key) = ? AND removed = 0 ORDER BY number",
                (start, start + "\U0010ffff", length),
            ).fetchall()

    def amend(
        self,
        number: int,
        *,
        by: str = "",
        change: Callable[[Record], Mapping[str, Any]] | None = None,
        **changes: Any,
    ) -> Entry:
        """Change fields of a record; its earlier states are kept.

        What depends on the record as it stands is left to ``change``, which is given it and gives fields:
        between a look at the record and its amendment another program may have changed it.

        An amendment that changes nothing adds no version. Whoever decided on the name before did not decide
        on a new name or status: ``identified_by`` is emptied then, unless it is given too, and the doubt that
        an imported table had of the name goes.

        Raises
        ------
        RequestError
            No such record, it was removed, or a field that cannot be right.
        """
        with self._transaction():
            entry = self.get(number)
            if entry.removed:
                raise RequestError(f"record {number} was removed", remedy="restore it first", where=self.path)
            before = entry.record
            changes |= {} if change is None else dict(change(before))
            record = dataclasses.replace(before, **changes)
            if (record.taxon, record.status) != (before.taxon, before.status):
                others = {term: text for term, text in record.other.items() if term != QUALIFIER}
                by_whom = changes.get("identified_by", "")
                record = dataclasses.replace(record, identified_by=by_whom, other=others)
            if record != before:
                self._append(entry, record, "amended", by)
        return self.get(number)

    def remove(self, number: int, *, by: str = "") -> Entry:
        """Hide a record; `restore` brings it back as it was."""
        with self._transaction():
            entry = self.get(number)
            if not entry.removed:
                self._append(entry, entry.record, "removed", by)
        return self.get(number)

    def restore(self, number: int, *, by: str = "") -> Entry:
        """Bring a removed record back."""
        with self._transaction():
            entry = self.get(number)
            if entry.removed:
                self._append(entry, entry.record, "restored", by)
        return self.get(number)

    def _insert(self, record: Record, given_id: str, key: str | None, action: str, by: str) -> int:
        cursor = self._connection.execute(
            "INSERT INTO record (id, source_key, version, removed, first_day, last_day, latitude_deg,"
            " longitude_deg, place, taxon, caste, status, recorder, f0_hz)"
            " VALUES (?, ?, 1, 0, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (given_id, key, *projection(record)),
        )
        number = cursor.lastrowid
        if number is None:
            raise AssertionError("an inserted row has a number")
        self._write_history(number, 1, given_id, action, by, record)
        return number

    def _append(self, entry: Entry, record: Record, action: str, by: str) -> None:
        self._connection.execute(
            "UPDATE record SET version = ?, removed = ?, first_day = ?, last_day = ?, latitude_deg = ?,"
            " longitude_deg = ?, place = ?, taxon = ?, caste = ?, status = ?, recorder = ?, f0_hz = ?"
            " WHERE number = ?",
            (entry.version + 1, action == "removed", *projection(record), entry.number),
        )
        self._write_history(entry.number, entry.version + 1, entry.id, action, by, record)

    def _write_history(
        self, number: int, version: int, record_id: str, action: str, by: str, record: Record
    ) -> None:
        body = dumps(record)
        self._connection.execute(
            "INSERT INTO history (number, version, id, at, action, by, body, checksum)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (number, version, record_id, schema.now(), action, by, body, checksum(body)),
        )

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        with translated(self.path):
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:  # a full disk ends it by itself
                    self._connection.execute("ROLLBACK")
                raise

    # --- reading --------------------------------------------------------------------------------------

    def get(self, number: int) -> Entry:
        """Give one record, also a removed one.

        Raises
        ------
        RequestError
            There is no such record.
        InputError
            The record is damaged.
        """
        with translated(self.path):
            row = self._connection.execute(_ENTRY, (number,)).fetchone()
        if row is None:
            raise RequestError(f"there is no record {number}", remedy="see notebook list", where=self.path)
        return self._entry(row)

    def history(self, number: int) -> list[Version]:
        """Give every state a record had, oldest first."""
        self.get(number)
        columns = "version, at, action, by, body, checksum"
        query = f"SELECT {columns} FROM history WHERE number = ? ORDER BY version"  # noqa: S608
        with translated(self.path):
            rows = self._connection.execute(query, (number,)).fetchall()
        return [
            Version(version, at, action, by, self._record(number, body, given))
            for version, at, action, by, body, given in rows
        ]

    def rows(self, where: Filter | None = None, *, limit: int | None = None) -> list[Row]:
        """List records briefly, newest day first, those without a date last."""
        chosen = where or Filter()
        condition, values = _condition(chosen)
        columns = ", ".join(f"ifnull({name}, '')" if name.endswith("_day") else name for name in Row._fields)
        # The only texts put into the query are our own; what the user gave goes in as values.
        query = f"SELECT {columns}, latitude_deg, longitude_deg FROM record WHERE {condition}"  # noqa: S608
        # Sorting what was found beats hopping through the file in the order of days, but for the newest few.
        query += f" ORDER BY {'+' if limit is None else ''}first_day DESC, number DESC"
        with translated(self.path):
            rows = self._connection.execute(query, values)
            near = (Row._make(row[:-2]) for row in rows if _is_near(chosen, row[-2], row[-1]))
            return list(islice(near, limit))

    def entries(self, where: Filter | None = None) -> Iterator[Entry]:
        """Go through whole records in the order of their numbers, a few at a time in memory."""
        chosen = where or Filter()
        condition, values = _condition(chosen)
        query = f"SELECT number, latitude_deg, longitude_deg FROM record WHERE {condition} ORDER BY number"  # noqa: S608
        with translated(self.path):
            found = self._connection.execute(query, values).fetchall()
        for number, latitude_deg, longitude_deg in found:
            if _is_near(chosen, latitude_deg, longitude_deg):
                with translated(self.path):
                    row = self._connection.execute(_ENTRY, (number,)).fetchone()
                if row is None:
                    raise damaged(self.path, f"the newest version of record {number} is missing")
                entry = self._entry(row)
                if entry.removed == chosen.removed:  # it may have changed since
                    yield entry

    def of_recording(self, sha256: str) -> list[Entry]:
        """Give the records, not removed, that rest on a recording, in the order of their numbers."""
        if not sha256:
            return []
        with translated(self.path):
            # Looked for as text, since opening every record's JSON would take longer.
            found = self._connection.execute(
                "SELECT record.number FROM record JOIN history ON history.number = record.number"
                " AND history.version = record.version WHERE removed = 0 AND instr(body, ?)"
                " ORDER BY record.number",
                (sha256,),
            ).fetchall()
        entries = (self.get(number) for (number,) in found)
        return [e for e in entries if e.record.recording and e.record.recording.sha256 == sha256]

    def recordings(self) -> set[str]:
        """Give the checksums of all recordings that records, not removed, rest on."""
        with translated(self.path):
            found = self._connection.execute(
                "SELECT DISTINCT json_extract(body, '$.recording.sha256') FROM record JOIN history"
                " ON history.number = record.number AND history.version = record.version"
                " WHERE removed = 0 AND json_valid(body)"
            ).fetchall()
        return {sha256 for (sha256,) in found if sha256 and isinstance(sha256, str)}

    def photographs(self) -> set[str]:
        """Give the paths of the photographs of every record in every state, also of removed ones."""
        paths: set[str] = set()
        with translated(self.path):
            for (body,) in self._connection.execute("SELECT body FROM history"):  # never all in memory
                with contextlib.suppress(ValueError, LookupError, RecursionError, TypeError):  # it is damaged
                    paths.update(path for path in json.loads(body)["photographs"] if isinstance(path, str))
        return paths

    def count(self) -> int:
        """Count the records that are not removed."""
        with translated(self.path):
            (count,) = self._connection.execute("SELECT count(*) FROM record WHERE removed = 0").fetchone()
        return int(count)

    def mark(self) -> str:
        """Give a text that is another one after every change, and in every other notebook with records."""
        with translated(self.path):
            found = self._connection.execute("SELECT sum(version), min(id), max(id) FROM record").fetchone()
        return " ".join(map(str, found))

    def check(self) -> list[str]:
        """Look through the whole file; give a sentence for each thing wrong, none when all is well."""
        faults: list[str] = []
        try:
            for (line,) in self._connection.execute("PRAGMA integrity_check(100)"):
                if line != "ok":
                    faults.append(f"the file is damaged: {line}")
            for row in self._connection.execute("PRAGMA foreign_key_check"):
                faults.append(f"a version of record {row[1]} belongs to no record")
            for number, version, body, given in self._connection.execute(
                "SELECT number, version, body, checksum FROM history"
            ):
                if not agrees(body, given):
                    faults.append(f"version {version} of record {number} does not agree with its checksum")
            for (number,) in self._connection.execute(
                "SELECT number FROM record WHERE version !="
                " (SELECT ifnull(max(version), 0) FROM history WHERE history.number = record.number)"
            ):
                faults.append(f"the newest version of record {number} is missing")
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            faults.append(f"the file is damaged: {how(error)}")
        return faults

    def _entry(self, row: tuple[Any, ...]) -> Entry:
        number, entry_id, version, removed, changed_at, body, given = row
        return Entry(number, entry_id, version, bool(removed), changed_at, self._record(number, body, given))

    def _record(self, number: int, body: str, given: str) -> Record:
        if not agrees(body, given):
            raise damaged(self.path, f"record {number} does not agree with its checksum")
        try:
            return from_json(json.loads(body))
        except (ValueError, RecursionError, RequestError) as error:
            raise damaged(self.path, f"what record {number} holds was not understood") from error


_ENTRY = (
    "SELECT record.number, record.id, record.version, removed, at, body, checksum FROM record"
    " JOIN history ON history.number = record.number AND history.version = record.version"
    " WHERE record.number = ?"
)


def checksum(body: str) -> str:
    """SHA-256 of the JSON text of a record."""
    return hashlib.sha256(body.encode()).hexdigest()


def agrees(body: Any, given: Any) -> bool:
    """Whether the JSON text of a record agrees with its checksum; in a damaged file it may be no text."""
    return isinstance(body, str) and checksum(body) == given


def projection(record: Record) -> tuple[Any, ...]:
    """Give the columns of table ``record`` that come from a record, from ``first_day`` on."""
    days = events.day_range(record.event_date) if record.event_date else None
    place = record.place
    return (
        days[0].isoformat() if days else None,
        days[1].isoformat() if days else None,
        place.latitude_deg if place else None,
        place.longitude_deg if place else None,
        (place.grid_reference or place.text) if place else "",
        record.taxon,
        record.caste,
        record.status,
        record.recorder,
        record.tone.f0_hz if record.tone else None,
    )


def _condition(chosen: Filter) -> tuple[str, list[Any]]:
    terms: list[str] = ["removed = ?"]
    values: list[Any] = [int(chosen.removed)]
    if chosen.since is not None:
        terms.append("last_day >= ?")
        values.append(chosen.since.isoformat())
    if chosen.until is not None:
        terms.append("first_day <= ?")
        values.append(chosen.until.isoformat())
    if chosen.taxon:
        # Every name that begins with the text lies between it and it followed by the last character.
        names = ", ".join("?" * len(chosen.also))
        terms.append(f"(taxon COLLATE NOCASE BETWEEN ? AND ? OR taxon IN ({names}))")
        values += [chosen.taxon, chosen.taxon + "\U0010ffff", *chosen.also]
    for name in ("caste", "status"):
        if getattr(chosen, name):
            terms.append(f"{name} = ?")
            values.append(getattr(chosen, name))
    if chosen.recorder:
        terms.append("folded(recorder) = ?")
        values.append(folded(chosen.recorder))
    if chosen.near is not None:
        south, north, west, east = bounding_box(chosen.near, _radius_m(chosen))
        terms.append("latitude_deg BETWEEN ? AND ? AND longitude_deg BETWEEN ? AND ?")
        values += [south, north, west, east]
    return " AND ".join(terms), values


def _radius_m(chosen: Filter) -> float:
    if chosen.near is None:
        raise AssertionError("only with a place")
    return chosen.near.uncertainty_m if chosen.within_m is None else chosen.within_m


def _is_near(chosen: Filter, latitude_deg: float | None, longitude_deg: float | None) -> bool:
    if chosen.near is None:
        return True
    if latitude_deg is None or longitude_deg is None:
        return False
    return distance_m(chosen.near, latitude_deg, longitude_deg) <= _radius_m(chosen)
