"""The memory of a survey: what has been heard, so that nothing is heard twice and nothing is lost.

One SQLite file with a write-ahead log. A result stands in it with the note that it is done, in a transaction
of its own: after a crash or a power cut it is there whole or not at all, and no half of one can be read. What
was added outlasts the program, however that ends; of a power cut it is safe once the system has written it,
which takes most systems half a minute. Waiting for the disk each time would take longer than hearing a clip.

What was heard is kept by the checksum of the recording, the settings and the program's version, not by its
name: a recording that was moved or renamed is not heard again. A file whose size and time of change are as
before is taken to be unchanged without reading it.

One program at a time: a second one on the same manifest is refused. The file belongs on a local disk.

- `Manifest`: open one, ask it, add to it.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
import time
from typing import TYPE_CHECKING, Any

from wingtone.errors import OutputError
from wingtone.survey.told import file_told, part_told

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path
    from types import TracebackType
    from typing import Self

    from wingtone.survey.places import Found

__all__ = ["Manifest"]

LAYOUT = 1
"""Raised when the tables below change; an older manifest is then refused."""

APPLICATION_ID = 0x77697375
"""``wisu``; marks the file as a manifest of ours."""

TABLES = """
CREATE TABLE file (
    location TEXT PRIMARY KEY,
    token    TEXT NOT NULL,  -- as it was when looked at, with the program's version
    sha256   TEXT NOT NULL,  -- empty when looking at it crashed
    told     TEXT NOT NULL   -- {"facts": ...} or {"fault": reason, "status": ...}
) STRICT, WITHOUT ROWID;
CREATE TABLE part (
    sha256   TEXT NOT NULL,
    settings TEXT NOT NULL,
    piece    INTEGER NOT NULL,
    status   TEXT NOT NULL,  -- done, failed, crashed or hung
    told     TEXT NOT NULL,  -- what was heard, or {"fault": reason}
    heard_s  REAL NOT NULL,
    spent_s  REAL NOT NULL,
    PRIMARY KEY (sha256, settings, piece)
) STRICT, WITHOUT ROWID;
CREATE TABLE setting (key TEXT PRIMARY KEY, told TEXT NOT NULL) STRICT, WITHOUT ROWID;
"""


class Manifest:
    """An open manifest. Use it in a ``with`` block.

    Parameters
    ----------
    path
        The file; it is made when it is missing.

    Attributes
    ----------
    spent_s
        Time on the processor of this process that went into it so far.

    Raises
    ------
    OutputError
        It cannot be opened, is in use, or is something else.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.spent_s = 0.0
        with self._foreign_errors():
            self._db = sqlite3.connect(path, isolation_level=None, timeout=2.0)
        try:
            with self._foreign_errors():
                self._prepare()
        except BaseException:
            self._db.close()
            raise

    def _prepare(self) -> None:
        # Held by this process until it ends, however it ends: the lock that keeps a second program out.
        self._db.execute("PRAGMA locking_mode = EXCLUSIVE")
        self._db.execute("BEGIN EXCLUSIVE")
        (layout,) = self._db.execute("PRAGMA user_version").fetchone()
        (owner,) = self._db.execute("PRAGMA application_id").fetchone()
        (tables,) = self._db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        if layout == 0 and owner == 0 and tables == 0:
            for statement in TABLES.split(";\n"):
                if statement.strip():
                    self._db.execute(statement)
            self._db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            self._db.execute(f"PRAGMA user_version = {LAYOUT}")
        elif owner != APPLICATION_ID or layout != LAYOUT:
            raise OutputError(
                "this is not the manifest of a survey, or one of another version of wingtone",
                remedy="give another folder, or move this file away",
                where=self.path,
            )
        self._db.execute("COMMIT")
        # Only now that it is ours: the first of them is written into the file.
        self._db.execute("PRAGMA journal_mode = WAL")
        self._db.execute("PRAGMA synchronous = NORMAL")

    @contextlib.contextmanager
    def _foreign_errors(self) -> Iterator[None]:
        """Turn SQLite's errors into ours, and count the time."""
        began = time.process_time()
        try:
            yield
        except sqlite3.OperationalError as error:
            if "locked" in str(error):
                what, remedy = "another survey is at work here", "let it end, or stop it"
            elif getattr(error, "sqlite_errorname", "") == "SQLITE_ERROR":
                # Tables or columns are not there.
                raise self._damaged(str(error)) from error
            else:
                what = f"the manifest cannot be written: {error}"
                remedy = "is there room on the disk, and may you write this file?"
            raise OutputError(what, remedy=remedy, where=self.path) from error
        except sqlite3.DatabaseError as error:
            raise self._damaged(str(error)) from error
        except UnicodeDecodeError as error:  # names of its tables, which SQLite puts into its own message
            raise self._damaged("it holds what is no text") from error
        finally:
            self.spent_s += time.process_time() - began

    def _damaged(self, how: str) -> OutputError:
        remedy = "move it away, and everything is heard again"
        return OutputError(f"the manifest is damaged: {how}", remedy=remedy, where=self.path)

    @contextlib.contextmanager
    def _checked(self) -> Iterator[None]:
        """Tell what is not as it was written, for whatever reason."""
        try:
            yield
        except ValueError as error:
            raise self._damaged("what it says was heard cannot be right") from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close; harmless when done before."""
        self._db.close()

    def _change(self, statement: str, values: tuple[Any, ...]) -> None:
        with self._foreign_errors():
            self._db.execute(statement, values)

    def _rows(self, statement: str, values: tuple[Any, ...]) -> list[Any]:
        with self._foreign_errors():
            return self._db.execute(statement, values).fetchall()

    # -- files ---------------------------------------------------------------------------------------------

    def looked_at(self, found: Found, *, program: str) -> tuple[str, dict[str, Any]] | None:
        """What is known of a file, if it has not changed: its checksum and what was told of it."""
        rows = self._rows(
            "SELECT sha256, told FROM file WHERE location = ? AND token = ?",
            (found.key, f"{program} {found.token}"),
        )
        with self._checked():
            return (rows[0][0], file_told(rows[0][1])) if rows else None

    def add_look(self, found: Found, sha256: str, told: dict[str, Any], *, program: str) -> None:
        """Keep what was told of a file."""
        self._change(
            "INSERT OR REPLACE INTO file VALUES (?, ?, ?, ?)",
            (found.key, f"{program} {found.token}", sha256, _json(told)),
        )

    def heard_by_size(self, settings: str) -> dict[int, set[str]]:
        """Checksums of recordings at URLs that were heard with these settings, by their size in bytes."""
        statement = (
            "SELECT sha256, told FROM file WHERE sha256 IN "
            "(SELECT sha256 FROM part WHERE settings = ? AND status = 'done')"
        )
        out: dict[int, set[str]] = {}
        with self._checked():
            for sha256, text in self._rows(statement, (settings,)):
                facts = file_told(text).get("facts", {})
                if facts.get("remote") and "size_bytes" in facts:
                    out.setdefault(facts["size_bytes"], set()).add(sha256)
        return out

    def left_out(self, founds: Iterable[Found]) -> int:
        """Count the recordings that earlier runs knew and that are no longer there, under whatever name."""
        keys = {found.key for found in founds}
        known = self._rows("SELECT location, sha256 FROM file WHERE sha256 != ''", ())
        there = {sha256 for location, sha256 in known if location in keys}
        return len({sha256 for _, sha256 in known} - there)

    def forget(self, found: Found) -> None:
        """Forget a file, so that it is looked at again."""
        self._change("DELETE FROM file WHERE location = ?", (found.key,))

    # -- parts ---------------------------------------------------------------------------------------------

    def add_settings(self, key: str, text: str) -> None:
        """Keep the settings behind a key, for those who read the manifest."""
        self._change("INSERT OR IGNORE INTO setting VALUES (?, ?)", (key, text))

    def heard(self, sha256: str, settings: str) -> dict[int, str]:
        """Status of each piece of a recording that was heard with these settings."""
        statement = "SELECT piece, status FROM part WHERE sha256 = ? AND settings = ?"
        return dict(self._rows(statement, (sha256, settings)))

    def parts(self, sha256: str, settings: str) -> dict[int, tuple[str, dict[str, Any]]]:
        """Status of each piece that was heard, and what was told of it, in order."""
        statement = "SELECT piece, status, told FROM part WHERE sha256 = ? AND settings = ? ORDER BY piece"
        with self._checked():
            return {
                piece: (status, part_told(told, done=status == "done"))
                for piece, status, told in self._rows(statement, (sha256, settings))
            }

    def add_part(
        self,
        sha256: str,
        settings: str,
        piece: int,
        *,
        status: str,
        told: dict[str, Any],
        heard_s: float = 0.0,
        spent_s: float = 0.0,
    ) -> None:
        """Keep what became of a piece."""
        self._change(
            "INSERT OR REPLACE INTO part VALUES (?, ?, ?, ?, ?, ?, ?)",
            (sha256, settings, piece, status, _json(told), heard_s, spent_s),
        )

    def forget_faults(self, sha256: str, settings: str) -> None:
        """Forget the pieces of a recording that did not go well, so that they are tried again."""
        self._change(
            "DELETE FROM part WHERE sha256 = ? AND settings = ? AND status != 'done'", (sha256, settings)
        )

    def rate(self) -> float | None:
        """Seconds of sound heard in a second of a worker's time, so far; None when nothing was heard."""
        ((heard_s, spent_s),) = self._rows("SELECT sum(heard_s), sum(spent_s) FROM part", ())
        return heard_s / spent_s if spent_s else None

    def copy_to(self, target: Path) -> None:
        """Write a copy of what has been kept so far."""
        with self._foreign_errors(), contextlib.closing(sqlite3.connect(target)) as copy:
            self._db.backup(copy)


def _json(told: dict[str, Any]) -> str:
    return json.dumps(told, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
