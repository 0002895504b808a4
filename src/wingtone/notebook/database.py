"""The notebook's file: made in one step, opened with care, its errors turned into ours.

- `create`, `connect`: make and open a notebook file.
- `translated`: turn errors of SQLite and of the system into ours.
- `folded`: names without regard to capitals.
- `damaged`, `rescue_remedy`: the error for a notebook that cannot be trusted any more, and what to do then.
- `no_notebook`: the error for a file that never was one.
"""

from __future__ import annotations

import contextlib
import os
import shlex
import sqlite3
import tempfile
import unicodedata
from pathlib import Path
from typing import TYPE_CHECKING

from wingtone.errors import InputError, OutputError, WingtoneError
from wingtone.files import synchronise
from wingtone.notebook import schema

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = [
    "WAIT_S",
    "connect",
    "create",
    "damaged",
    "folded",
    "how",
    "no_notebook",
    "recognise",
    "rescue_remedy",
    "translated",
]

WAIT_S = 30.0
"""How long a writer waits for another program. Ours: far longer than any single write takes."""

_MAY_BE_DAMAGED = ("a database", "zeros", "of an unknown kind")
"""What a notebook is by `wingtone.audio.sniff.what_it_holds`, or can become on a failing disk."""


def create(path: Path, *, make_folder: bool) -> None:
    """Make a complete empty notebook beside the target and put it there in one step.

    So nobody ever sees half a notebook, and an empty file is never one of ours.
    """
    if make_folder:
        path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=".wingtone-", suffix=".sqlite", dir=path.parent)
    os.close(handle)
    scratch = Path(name)
    try:
        connection = connect(scratch, write=True)
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            schema.migrate(connection)
        finally:
            connection.close()
        with contextlib.suppress(FileExistsError):  # another program was first
            try:
                os.link(scratch, path)
            except FileExistsError:
                raise
            except OSError:  # a file system without links
                if not path.exists():
                    scratch.rename(path)
        synchronise(path.parent)
    finally:
        for rest in (scratch, *(scratch.with_name(scratch.name + end) for end in ("-wal", "-shm"))):
            rest.unlink(missing_ok=True)


def connect(path: Path, *, write: bool) -> sqlite3.Connection:
    """Open an existing file, for reading only unless ``write``."""
    if not path.is_file():
        raise InputError("this is not a file", remedy="give a notebook file", where=path)
    if sqlite3.sqlite_version_info < (3, 37):  # the first with strict tables
        what = f"the SQLite {sqlite3.sqlite_version} of this Python is too old for notebooks"
        raise InputError(what, remedy="use a newer Python; SQLite 3.37 is needed", where=path)
    if write:
        return _connect(path, "rw")
    alone = "ro&immutable=1"  # without the helper files that SQLite makes beside it
    if not os.access(path.parent, os.W_OK) and not _is_logged(path):
        return _connect(path, alone)
    connection = _connect(path, "ro")
    try:
        connection.execute("PRAGMA schema_version").fetchone()
    except sqlite3.OperationalError as error:
        connection.close()
        if _is_logged(path) or not error.sqlite_errorname.startswith(("SQLITE_IOERR", "SQLITE_CANTOPEN")):
            raise
        return _connect(path, alone)  # on a full disk, what is there can still be read
    except BaseException:
        connection.close()
        raise
    return connection


def folded(text: str) -> str:
    """Give a text that is equal for names that differ in capitals or in the form of their accents alone.

    SQLite's own NOCASE knows the capitals from A to Z only. In statements it is called by the same name.
    """
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", text).casefold())


def _is_logged(path: Path) -> bool:
    """Whether something may stand in the log beside a notebook that is not in it yet."""
    log = path.with_name(path.name + "-wal")
    return log.exists() and log.stat().st_size > 0


def _connect(path: Path, mode: str) -> sqlite3.Connection:
    connection = sqlite3.connect(
        f"{path.resolve().as_uri()}?mode={mode}", uri=True, timeout=WAIT_S, isolation_level=None
    )
    try:
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA synchronous = FULL")  # a record acknowledged survives a power cut
        connection.execute("PRAGMA trusted_schema = OFF")
        connection.execute("PRAGMA cell_size_check = ON")
        connection.create_function("folded", 1, folded, deterministic=True)
    except BaseException:
        connection.close()
        raise
    return connection


def recognise(connection: sqlite3.Connection, path: Path) -> bool:
    """Refuse a database that is no notebook, or one that this program is too old for.

    Returns whether the layout is the present one; otherwise it is older.
    """
    if path.stat().st_size == 0:  # a new notebook is put in place complete, so this is none
        raise InputError(
            "this file is empty, not a notebook; nothing was changed",
            remedy="delete it to begin a new notebook here, or give another file",
            where=path,
        )
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (level,) = connection.execute("PRAGMA user_version").fetchone()
    if application != schema.APPLICATION_ID:
        what = "this is a database, but not a wingtone notebook"
        raise InputError(what, remedy="give another file", where=path)
    if level > len(schema.MIGRATIONS):
        raise InputError(
            "this notebook was made by a newer wingtone; nothing was changed",
            remedy="update wingtone",
            where=path,
        )
    return bool(level == len(schema.MIGRATIONS))


def damaged(path: Path, how: str) -> InputError:
    """Make the error for a notebook that cannot be trusted any more."""
    return InputError(
        f"this notebook is damaged: {how}; nothing was changed", remedy=rescue_remedy(path), where=path
    )


def rescue_remedy(path: Path) -> str:
    """Say what to do about a damaged notebook."""
    return f"save what can be read: wingtone notebook --notebook {shlex.quote(str(path))} rescue --out NEW"


def no_notebook(path: Path) -> InputError | None:
    """Make the error for a file that plainly is something else; None where it may be a damaged notebook."""
    from wingtone.audio.sniff import what_it_holds  # loads numpy

    with contextlib.suppress(OSError), path.open("rb") as file:
        what = what_it_holds(file)
        if what not in _MAY_BE_DAMAGED:
            what = f"is {what}, not a notebook; nothing was changed"
            return InputError(what, remedy="give a notebook file", where=path)
    return None


@contextlib.contextmanager
def translated(path: Path) -> Iterator[None]:
    """Turn errors of SQLite and of the system into ours, with what to do."""
    try:
        yield
    except WingtoneError:
        raise
    except sqlite3.Error as error:
        raise _ours(error, path) from error
    except UnicodeDecodeError as error:
        raise damaged(path, how(error)) from error
    except OSError as error:
        raise OutputError(
            f"the notebook cannot be written here: {error.strerror}",
            remedy="give a folder that exists and that you may write to, with --notebook FILE",
            where=path,
        ) from error


def how(error: sqlite3.Error | UnicodeDecodeError) -> str:
    """Say how a file is damaged; SQLite puts names of its tables into its messages, which may be no text."""
    return "it holds what is no text" if isinstance(error, UnicodeDecodeError) else str(error)


def _ours(error: sqlite3.Error, path: Path) -> WingtoneError:
    code = getattr(error, "sqlite_errorname", None) or ""
    if code == "SQLITE_FULL":
        return OutputError(
            "the disk is full; the record was not stored, what was there before is safe",
            remedy="make room and try again",
            where=path,
        )
    if code.startswith(("SQLITE_READONLY", "SQLITE_CANTOPEN", "SQLITE_PERM", "SQLITE_AUTH")):
        return OutputError(
            "the notebook cannot be written here; nothing was changed",
            remedy="give a file in a folder that you may write to, with --notebook FILE",
            where=path,
        )
    if code.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return OutputError(
            "another program is busy with this notebook; nothing was changed", remedy="try again", where=path
        )
    if code.startswith("SQLITE_IOERR"):
        return OutputError(
            "reading or writing the disk failed; what was stored before is safe",
            remedy="is the disk full or gone? try again, then: wingtone notebook check",
            where=path,
        )
    if code.startswith(("SQLITE_CORRUPT", "SQLITE_NOTADB", "SQLITE_ERROR")):
        other = no_notebook(path) if code == "SQLITE_NOTADB" else None
        return other or damaged(path, str(error))
    return InputError(f"the notebook could not be used: {error}", remedy="try again", where=path)
