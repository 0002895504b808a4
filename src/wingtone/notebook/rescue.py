"""Save what can be read of a damaged notebook into a new one.

The damaged file is never opened itself, only a copy of it, so nothing of it changes. Every state of every
record stands whole in one row with its checksum, and is never changed or moved to say something else. So the
pages of the file are gone through one by one, without asking how they hang together: every row whose
checksum agrees is saved, even when the head of the file is gone.

- `rescue`: do it, and say what was saved and what was not.
"""

from __future__ import annotations

import contextlib
import json
import shutil
import sqlite3
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wingtone.errors import InputError, OutputError, RequestError
from wingtone.notebook import schema
from wingtone.notebook.database import connect, create, damaged, translated
from wingtone.notebook.pages import table_rows
from wingtone.notebook.records import from_json
from wingtone.notebook.store import agrees, projection

if TYPE_CHECKING:
    import os

__all__ = ["Rescued", "rescue"]

_COLUMNS = ("number", "version", "id", "at", "action", "by", "body", "checksum")


@dataclass(frozen=True)
class Rescued:
    """What a rescue brought.

    ``older`` numbers the records whose newest state was lost, so that an earlier one stands for them;
    ``unreadable`` counts states that were reached but did not agree with their checksum.
    """

    records: int
    versions: int
    older: tuple[int, ...]
    unreadable: int


def rescue(source: str | os.PathLike[str], target: str | os.PathLike[str]) -> Rescued:
    """Save what can be read of ``source`` into the new notebook ``target``.

    Raises
    ------
    InputError
        The source is not there, or nothing at all can be read of it.
    OutputError
        The target exists already or cannot be written.
    """
    source, target = Path(source), Path(target)
    if not source.is_file():
        raise InputError("there is no notebook here", where=source)
    if target.exists():
        raise OutputError("this file exists already", remedy="give a new name", where=target)
    with translated(target), tempfile.TemporaryDirectory(prefix=".wingtone-", dir=target.parent) as folder:
        copy = Path(folder) / "copy.sqlite"
        for end in ("", "-wal"):
            if source.with_name(source.name + end).is_file():
                shutil.copyfile(source.with_name(source.name + end), copy.with_name(copy.name + end))
        states, unreadable = _states(copy)
        if not states:
            raise damaged(source, "no record in it can be read")
        newest = _newest(copy)
        create(target, make_folder=False)
        try:
            _write(target, states)
        except BaseException:  # an empty notebook would look like all there was
            for end in ("", "-wal", "-shm"):
                target.with_name(target.name + end).unlink(missing_ok=True)
            raise
    saved = {number: version for number, version in sorted(states)}
    older = tuple(number for number, version in saved.items() if version < newest.get(number, 0))
    return Rescued(len(saved), len(states), older, unreadable)


def _states(copy: Path) -> tuple[dict[tuple[int, int], tuple[Any, ...]], int]:
    with contextlib.suppress(sqlite3.Error):  # bring what is in the log beside the file into the file
        connection = connect(copy, write=True)
        try:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        finally:
            connection.close()
    states: dict[tuple[int, int], tuple[Any, ...]] = {}
    unreadable = 0
    for row in table_rows(copy, columns=len(_COLUMNS)):
        if _is_sound(row):
            states[row[0], row[1]] = row
        elif row[3:5] and row[4] in schema.ACTIONS:
            unreadable += 1
    return states, unreadable


def _is_sound(row: tuple[Any, ...]) -> bool:
    body, given = row[-2:]
    try:
        if not agrees(body, given):
            return False
        from_json(json.loads(body))
    except (ValueError, RecursionError, RequestError):
        return False
    return isinstance(row[0], int) and isinstance(row[1], int) and isinstance(row[2], str)


def _newest(copy: Path) -> dict[int, int]:
    """Newest version of each record by the table of records; empty when that cannot be read."""
    with contextlib.suppress(sqlite3.Error):
        connection = connect(copy, write=True)
        try:
            return dict(connection.execute("SELECT number, version FROM record NOT INDEXED").fetchall())
        finally:
            connection.close()
    return {}


def _write(target: Path, states: dict[tuple[int, int], tuple[Any, ...]]) -> None:
    newest = {number: version for number, version in sorted(states)}
    connection = connect(target, write=True)
    try:
        connection.execute("BEGIN IMMEDIATE")
        for number, version in newest.items():
            row = states[number, version]
            connection.execute(
                "INSERT INTO record (number, id, version, removed, first_day, last_day, latitude_deg,"
                " longitude_deg, place, taxon, caste, status, recorder, f0_hz)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (number, row[2], version, row[4] == "removed", *projection(from_json(json.loads(row[6])))),
            )
        placeholders = ", ".join("?" * len(_COLUMNS))
        connection.executemany(
            f"INSERT INTO history ({', '.join(_COLUMNS)}) VALUES ({placeholders})",  # noqa: S608
            (states[key] for key in sorted(states)),
        )
        connection.execute("COMMIT")
    finally:
        connection.close()
