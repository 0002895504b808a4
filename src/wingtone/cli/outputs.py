"""Where a result may go: never in the place of what cannot be made again.

- `check_output`: refuse a file that a command reads, a recording, a photograph or a notebook.
- `check_figure`: the same for a figure, which also has to be of a kind that we draw.
- `check_place`: refuse a result that has nowhere to go, before days of work.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from wingtone.errors import OutputError, RequestError
from wingtone.files import what_is

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["check_figure", "check_output", "check_place"]

_DATABASE = "holds a database, such as a notebook"
_KEPT = {"a recording": "holds a recording", "a picture": "is a photograph", "a database": _DATABASE}
"""Why a file has to stay, by `wingtone.audio.sniff.what_it_holds`."""
_LOGS = (b"\x37\x7f\x06\x82", b"\x37\x7f\x06\x83", b"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7")
"""How the logs of SQLite begin: its file format, 3 and 4.1 (memory)."""
_PNG = b"\x89PNG"
_NOT_OURS = "is a picture, such as a photograph or a figure of an earlier wingtone"
_WORKBOOKS = (".xlsx", ".xls", ".xlsm", ".ods")
"""Endings of what only spreadsheets write."""
_BESIDE_A_DATABASE = ("-wal", "-shm", "-journal")


def check_output(
    out: str | os.PathLike[str],
    *,
    inputs: Iterable[str | os.PathLike[str]] = (),
    is_figure: bool = False,
) -> None:
    """Refuse to write where that would destroy something, before any work is done.

    Files are told by what they are and hold, not by their names: a link, another spelling or another ending
    changes nothing. What a command made before (a table, an archive, a model) may be made again, and a PNG
    that says it is a figure of ours may be drawn again.

    Parameters
    ----------
    out
        The file that is to be written. It need not exist; a folder is left to whoever writes into it.
    inputs
        Files that the command reads, the notebook and its photographs among them; those that are not there do
        not matter.
    is_figure
        What is to be written is a figure.

    Raises
    ------
    RequestError
        It is named as a spreadsheet's own file, is one of the inputs, holds a recording, a photograph or a
        database, or belongs to a database beside it.
    """
    if Path(out).suffix.lower() in _WORKBOOKS:
        what = (
            f"wingtone writes no {Path(out).suffix.lower()} file, and no spreadsheet would open one so named"
        )
        raise RequestError(what, remedy="give a name that ends in .csv, which they open", where=out)
    path = Path(os.path.realpath(out))
    reason = _belongs_to_database(path)
    if what_is(path) == "file":
        is_input = any(_is_same(path, Path(given)) for given in inputs)
        reason = "is read by this command" if is_input else reason or _why_it_stays(path, is_figure=is_figure)
    if reason:
        what = f"this file {reason}; a result in its place would destroy it"
        also = ", or remove it yourself if nobody needs it" if reason == _NOT_OURS else ""
        raise RequestError(what, remedy=f"give the name of a new file{also}", where=out)


def check_figure(
    figure: Path,
    *,
    inputs: Iterable[str | os.PathLike[str]] = (),
    to_come: str | os.PathLike[str] | None = None,
) -> None:
    """Refuse a figure that could not be drawn, or only in the place of something else.

    Parameters
    ----------
    figure, inputs
        As in `check_output`.
    to_come
        As in `check_place`.

    Raises
    ------
    RequestError, MissingExtraError, OutputError
        See these two, and `wingtone.figures.style.check_target`.
    """
    from wingtone.figures.style import check_target

    check_target(figure)
    check_place(figure, to_come=to_come)
    check_output(figure, inputs=inputs, is_figure=True)


def check_place(out: Path, *, to_come: str | os.PathLike[str] | None = None) -> None:
    """Refuse a file that could not be written where it is to go.

    Whoever writes it would say so as well, but only when the work is done.

    Parameters
    ----------
    to_come
        A folder that the command makes itself if it is not there, with those above it.

    Raises
    ------
    OutputError
        There is no such folder, nothing may be written there, or the file is a folder or write-protected.
    """
    final = Path(os.path.realpath(out))
    made = None if to_come is None else Path(os.path.realpath(to_come))
    if what_is(final.parent) != "folder":
        if made is None or final.parent not in (made, *made.parents):
            raise OutputError("there is no such folder", remedy="make it first", where=out.parent)
    elif not os.access(final.parent, os.W_OK):
        remedy = "give a folder that you may write to"
        raise OutputError("nothing may be written in this folder", remedy=remedy, where=out.parent)
    if what_is(final) == "folder":
        raise OutputError("this is a folder, not a file", remedy="give a file name", where=out)
    if what_is(final) == "file" and not os.access(final, os.W_OK):
        remedy = "give another name, or make it writable"
        raise OutputError("this file is write-protected", remedy=remedy, where=out)


def _is_same(path: Path, given: Path) -> bool:
    try:
        return path.samefile(given)
    except (OSError, ValueError):  # it is not there
        return False


def _belongs_to_database(path: Path) -> str:
    """Whether SQLite would take the file for its own, be it there already or not."""
    for end in _BESIDE_A_DATABASE:
        database = path.with_name(path.name.removesuffix(end) or path.name)
        if database != path and what_is(database) == "file" and _why_it_stays(database) == _DATABASE:
            return f"belongs to the database {database.name}"
    return ""


def _why_it_stays(path: Path, *, is_figure: bool = False) -> str:
    """Say why a file has to stay; nothing of one that may not be read, which the writer then tells."""
    from wingtone.audio.sniff import what_it_holds
    from wingtone.figures.style import is_our_png

    try:
        with path.open("rb") as file:
            head = file.read(8)
            if head.startswith(_LOGS):
                return "is the log of a database, such as a notebook"
            if head.startswith(_PNG):
                file.seek(0)
                return "" if is_figure and is_our_png(file) else _NOT_OURS
            return _KEPT.get(what_it_holds(file), "")
    except OSError:
        return ""
