"""Save what can be read of a damaged notebook into a new one.

The damaged file is never opened itself, only a copy of it, so nothing of it changes. Every state of every
record stands whole in one row with its checksum, and is never changed or moved to say something else. So the
pages of the file are gone through one by one, without asking how they hang together: every row whose
checksum agrees is saved, even when the head of the file is gone. What stands beside the record in a row has
no checksum: there, what is no text is taken for one as far as it goes, and a number that does not go with
the record's id, which stands in every row of it, gives way to one that does.

- `rescue`: do it, and say what was saved and what was not.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import shutil
import sqlite3
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from wingtone.errors import InputError, OutputError, RequestError
from wingtone.notebook import schema
from wingtone.notebook.database import connect, create, no_notebook, translated
from wingtone.notebook.pages import table_rows
from wingtone.notebook.records import from_json, new_id, uuid_of
from wingtone.notebook.store import agrees, projection

if TYPE_CHECKING:
    import os
    from collections.abc import Mapping, Sequence

__all__ = ["Rescued", "rescue"]

_COLUMNS = ("number", "version", "id", "at", "action", "by", "body", "checksum")
_OF_A_RECORD = 15  # columns of the table of records


class _State(NamedTuple):
    """One row of the history, whose body agrees with its checksum; the rest may be made up by damage."""

    number: int
    version: int
    id: str
    at: str
    action: str
    by: str
    body: str
    checksum: str


class _Known(NamedTuple):
    """What the table of records says of one."""

    version: int
    removed: bool
    source_key: str | None


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
        found, unreadable = _states(copy)
        if not found:
            what = "no record in it can be read; nothing was saved"
            unreadable_file = InputError(what, remedy="is there a backup of it?", where=source)
            raise no_notebook(source) or unreadable_file
        known = _known(copy)
        states = _arranged(found, known)
        create(target, make_folder=False)
        try:
            _write(target, states, known)
        except BaseException:  # an empty notebook would look like all there was
            for end in ("", "-wal", "-shm"):
                target.with_name(target.name + end).unlink(missing_ok=True)
            raise
    saved = {state.number: state for state in states}
    older = tuple(
        state.number
        for state in saved.values()
        if state.id in known and state.version < known[state.id].version
    )
    return Rescued(len(saved), len(states), older, unreadable)


def _states(copy: Path) -> tuple[list[_State], int]:
    """Give the states whose bodies are sound, each once, and how many others there were."""
    # Bring what is in the log beside the file into the file. A damaged name of a table may be no text.
    with contextlib.suppress(sqlite3.Error, UnicodeDecodeError):
        connection = connect(copy, write=True)
        try:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        finally:
            connection.close()
    states: dict[_State, None] = {}
    unreadable = 0
    for row in table_rows(copy, columns=len(_COLUMNS)):
        number, version = (value if isinstance(value, int) else 0 for value in row[:2])
        state = _State(number, version, *map(_text, row[2:]))
        if _is_sound(state):
            states[state] = None
        elif state.action in schema.ACTIONS:
            unreadable += 1
    return [*states], unreadable


def _text(value: Any) -> str:
    """Make a text of what a damaged row has for one: its letters may have become mere bytes."""
    return (
        value
        if isinstance(value, str)
        else value.decode(errors="replace")
        if isinstance(value, bytes)
        else ""
    )


def _is_sound(state: _State) -> bool:
    try:
        if not agrees(state.body, state.checksum):
            return False
        from_json(json.loads(state.body))
    except (ValueError, RecursionError, RequestError):
        return False
    return True


def _known(copy: Path) -> dict[str, _Known]:
    """Give what can be read of the table of records, by the id of each."""
    found: dict[str, _Known] = {}
    keys: set[str] = set()
    for row in table_rows(copy, columns=_OF_A_RECORD):
        record_id, version, removed, key = row[1:5]
        if not (isinstance(record_id, str) and isinstance(version, int) and removed in (0, 1)):
            continue
        if record_id in found and found[record_id].version > version:
            continue
        mine = found[record_id].source_key if record_id in found else None
        key = key if isinstance(key, str) and (key == mine or key not in keys) else None
        found[record_id] = _Known(version, bool(removed), key)
        keys.add(key or "")
    return found


def _arranged(found: Sequence[_State], known: Mapping[str, _Known]) -> list[_State]:
    """Give each state a number and a version of its own, where damage has left it without.

    An id that the table of records has too is trusted before a number, and a pair of them that many states
    have before another; what is then left over is a record or a state of its own, behind the others.
    """
    pairs = Counter((state.number, state.id) for state in found)
    ids: dict[int, str] = {}
    numbers: dict[str, int] = {}
    for number, record_id in sorted(pairs, key=lambda pair: (pair[1] not in known, -pairs[pair])):
        if number > 0 and number not in ids and record_id not in numbers and uuid_of(record_id):
            ids[number], numbers[record_id] = record_id, number
    free = max(ids, default=0)
    taken: dict[tuple[int, int], _State] = {}
    left: list[_State] = []
    for state in found:
        number = numbers.get(state.id, 0)
        if not number and (
            (state.id not in known and ids.get(state.number) in known) or not uuid_of(state.id)
        ):
            number = state.number
        if number not in ids:
            free += 1
            number = free
            ids[number] = state.id if uuid_of(state.id) else new_id()
            numbers[ids[number]] = number
        state = state._replace(number=number, id=ids[number])
        if state.version > 0 and (number, state.version) not in taken:
            taken[number, state.version] = state
        else:
            left.append(state)
    for state in left:
        version = next(i for i in itertools.count(1) if (state.number, i) not in taken)
        taken[state.number, version] = state._replace(version=version)
    return [taken[key] for key in sorted(taken)]


def _write(target: Path, states: Sequence[_State], known: Mapping[str, _Known]) -> None:
    newest = {state.number: state for state in states}
    connection = connect(target, write=True)
    try:
        connection.execute("BEGIN IMMEDIATE")
        for state in newest.values():
            told = known.get(state.id)
            removed = state.action == "removed"
            if told is not None and told.version == state.version:
                removed = told.removed
            connection.execute(
                "INSERT INTO record (number, id, version, removed, source_key, first_day, last_day,"
                " latitude_deg, longitude_deg, place, taxon, caste, status, recorder, f0_hz)"
                " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    *(state.number, state.id, state.version, removed, told and told.source_key),
                    *projection(from_json(json.loads(state.body))),
                ),
            )
        placeholders = ", ".join("?" * len(_COLUMNS))
        connection.executemany(
            f"INSERT INTO history ({', '.join(_COLUMNS)}) VALUES ({placeholders})",  # noqa: S608
            states,
        )
        connection.execute("COMMIT")
    finally:
        connection.close()
