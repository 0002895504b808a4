"""From files and folders to a list of recordings, and a file's fingerprint.

Functions
---------
find_recordings
    Walk folders, keep what is a recording.
named_like_recording
    Whether a file's name ends like that of a recording.
sha256_of
    SHA-256 of the bytes of a file.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
from pathlib import Path
from typing import TYPE_CHECKING

from wingtone.audio.sniff import looks_like_recording
from wingtone.errors import InputError, RecordingError
from wingtone.files import check_file, what_is

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

__all__ = ["find_recordings", "named_like_recording", "sha256_of"]

_SUFFIXES = re.compile(
    r"\.(wav|bwf|rf64|flac|mp3|og[ga]|opus|m4[abv]|mp4|mov|3g[p2a]|amr|awb|aac|caf|webm|mk[va]|aif[fc]?"
    r"|avi|wma|m2?ts)\Z",
    re.IGNORECASE,
)
"""A file so named is meant as a recording even when its content is not: opening it then says why."""


_OF_THE_SYSTEM = {"lost+found", "System Volume Information", "$RECYCLE.BIN", "__MACOSX", "@eaDir"}
"""Folders that systems, archives and network disks make for themselves: nobody's recordings are in them."""


def find_recordings(paths: Iterable[str | os.PathLike[str]]) -> list[Path]:
    """List the recordings among files and folders.

    Parameters
    ----------
    paths
        Files are taken as they are, whatever they hold. Folders are walked to the bottom (not through
        linked folders); in them, a file counts when its content is a sound or video container or its name
        ends like one, also a link that leads nowhere. Hidden files and folders (leading dot) and what
        systems keep for themselves are passed over. A folder inside that may not be read is in the list
        itself: opening it then says why, and the others go on.

    Returns
    -------
    list of Path
        In the order given, inside folders sorted by path; each file once.

    Raises
    ------
    RecordingError
        A path is empty, does not exist or cannot be looked at, a folder that was given cannot be read, or it
        holds no recording.
    """
    found: dict[Path, None] = {}
    for given in paths:
        path = Path(given)
        if not os.fspath(given):  # `Path` takes it for the folder we are in
            remedy = "give the name of a file or folder; the one that you are in is ."
            raise RecordingError("this name is empty", remedy=remedy, where='""')
        try:
            kind = what_is(path)
        except InputError as error:
            raise RecordingError(error.what, remedy=error.remedy, where=path) from error
        if kind == "folder":
            inside = sorted(_walk(path))
            if not inside:
                raise RecordingError(
                    "there is no recording in this folder",
                    remedy="give the folder that holds the sound or video files",
                    where=path,
                )
            found.update(dict.fromkeys(inside))
        elif kind != "nothing":
            found[path] = None
        else:
            raise _nothing_there(os.fspath(given))
    return list(found)


def _nothing_there(given: str) -> RecordingError:
    """Make the error for a name behind which there is nothing; some are no names of files at all."""
    what, remedy = "there is no such file or folder", "check the name and the folder"
    if re.match(r"[a-z][a-z0-9+.]+://", given, re.IGNORECASE):
        what, remedy = "addresses are not read here", "fetch the recording and give the name of the file"
    elif given == "-":
        what, remedy = "standard input is not read", "write the recording to a file and give its name"
    return RecordingError(what, remedy=remedy, where=given)


def named_like_recording(name: str) -> bool:
    """Whether a name ends like a recording's: for places where looking into each file would cost too much."""
    return _SUFFIXES.search(name) is not None


def _walk(folder: Path) -> Iterator[Path]:
    closed: list[Path] = []
    for here, folders, names in os.walk(folder, onerror=lambda error: closed.append(Path(error.filename))):
        folders[:] = [name for name in folders if not name.startswith(".") and name not in _OF_THE_SYSTEM]
        for name in names:
            path = Path(here, name)
            meant = named_like_recording(name) and not _is_special(path)
            if not name.startswith(".") and (meant or _is_one(path)):
                yield path
    if folder in closed:
        raise RecordingError(
            "this folder may not be read", remedy="check who is allowed to read it", where=folder
        )
    yield from closed


def _is_special(path: Path) -> bool:
    """Whether it is a pipe or a device; what cannot be looked at is none, so that opening it tells why."""
    try:
        mode = path.lstat().st_mode
    except OSError:
        return False
    return not (stat.S_ISREG(mode) or stat.S_ISLNK(mode))


def _is_one(path: Path) -> bool:
    try:
        if not path.is_file():  # a pipe would be waited for
            return False
        with path.open("rb") as file:
            return looks_like_recording(file)
    except OSError:
        return False


def sha256_of(path: str | os.PathLike[str]) -> str:
    """Give the SHA-256 of a file's bytes as 64 hexadecimal digits (FIPS 180-4).

    Raises
    ------
    RecordingError
        The file cannot be read.
    """
    try:
        check_file(path, remedy="check the name and the folder")
    except InputError as error:
        raise RecordingError(error.what, remedy=error.remedy, where=path) from error
    try:
        with Path(path).open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise RecordingError(
            f"cannot be read: {error.strerror or 'input failed'}",
            remedy="check who is allowed to read it, and that its disk or card is in order",
            where=path,
        ) from error
