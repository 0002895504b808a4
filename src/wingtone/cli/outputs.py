"""Where a result may go: never in the place of what cannot be made again.

- `check_output`: refuse a file that a command reads, a recording, a photograph or a notebook.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from wingtone.errors import RequestError
from wingtone.files import what_is

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["check_output"]

_KEPT = (
    (0, b"SQLite format 3\0", "holds a database, such as a notebook"),
    (0, b"\x37\x7f\x06\x82", "is the log of a database, such as a notebook"),
    (0, b"\x37\x7f\x06\x83", "is the log of a database, such as a notebook"),
    (0, b"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7", "is the log of a database, such as a notebook"),
    (0, b"\xff\xd8\xff", "is a photograph"),
    (4, b"ftyphei", "is a photograph"),
)
"""Offset, bytes, what the file is. SQLite: its file format, 1.3, 3 and 4.1; pictures: common knowledge (all
memory). PNG is not among them: a figure may be drawn again over itself."""
_BESIDE_A_DATABASE = ("-wal", "-shm", "-journal")


def check_output(out: str | os.PathLike[str], *, inputs: Iterable[str | os.PathLike[str]] = ()) -> None:
    """Refuse to write where that would destroy something, before any work is done.

    Files are told by what they are and hold, not by their names: a link, another spelling or another ending
    changes nothing. What a command made before (a table, an archive, a figure, a model) may be made again.

    Parameters
    ----------
    out
        The file that is to be written. It need not exist; a folder is left to whoever writes into it.
    inputs
        Files that the command reads, the notebook among them; those that are not there do not matter.

    Raises
    ------
    RequestError
        It is one of the inputs, holds a recording, a photograph or a database, or belongs to a database
        beside it.
    """
    path = Path(os.path.realpath(out))
    reason = _belongs_to_database(path)
    if what_is(path) == "file":
        is_input = any(_is_same(path, Path(given)) for given in inputs)
        reason = "is read by this command" if is_input else reason or _what_it_holds(path)
    if reason:
        what = f"this file {reason}; a result in its place would destroy it"
        raise RequestError(what, remedy="give the name of a new file", where=out)


def _is_same(path: Path, given: Path) -> bool:
    try:
        return path.samefile(given)
    except (OSError, ValueError):  # it is not there
        return False


def _belongs_to_database(path: Path) -> str:
    """Whether SQLite would take the file for its own, be it there already or not."""
    for end in _BESIDE_A_DATABASE:
        database = path.with_name(path.name.removesuffix(end) or path.name)
        if database != path and what_is(database) == "file" and _what_it_holds(database) == _KEPT[0][2]:
            return f"belongs to the database {database.name}"
    return ""


def _what_it_holds(path: Path) -> str:
    """Say why a file has to stay; nothing of one that may not be read, which the writer then tells."""
    from wingtone.audio.sniff import looks_like_recording

    try:
        with path.open("rb") as file:
            head = file.read(32)
            for offset, magic, what in _KEPT:
                if head.startswith(magic, offset):
                    return what
            return "holds a recording" if head and looks_like_recording(file) else ""
    except OSError:
        return ""
