"""Whole files or none, and what lies at a path before anybody opens it.

- `replacing`: a temporary path beside the target that takes its place when the block ends well.
- `synchronise`: make a file, or the names in a folder, last through a power cut.
- `what_is`: whether there is a file, a folder, something else or nothing at a path.
- `lock`: hold a folder against other programs, for as long as this one lives.
- `check_file`: refuse what is no ordinary file: a pipe would be waited for, a device read for ever.
- `data_folder`: where wingtone keeps what nobody gave a place.
- `path_text`: a path as valid text.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
import stat
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from wingtone.errors import InputError, OutputError

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["check_file", "data_folder", "lock", "path_text", "replacing", "synchronise", "what_is"]

Kind = Literal["file", "folder", "other", "nothing"]


@contextlib.contextmanager
def replacing(target: str | os.PathLike[str]) -> Iterator[Path]:
    """Give a temporary path in the target's folder; move it over the target when the block succeeds.

    What was written is on the disk before it gets its name, so that a power cut leaves the old file or the
    new one, and never an empty one.

    Parameters
    ----------
    target
        The file to write. Its folder must exist; an existing file is replaced in one step and keeps its
        rights. Where the target is a link, the file that it points to is written.

    Yields
    ------
    Path
        An empty file to write to. It is removed when the block raises.

    Raises
    ------
    OutputError
        The folder is missing or not writable, the target is a folder, a device or a file that may not be
        written, or writing failed (`OSError`).
    """
    target = Path(target)
    try:
        final = Path(os.path.realpath(target))  # a link stays one
        rights = _rights_of(final, named=target)
        # Private to its owner where the file that it replaces is; else with the rights of any new file.
        scratch = final.with_name(f".wingtone-{secrets.token_hex(8)}{target.suffix[:16]}")
        os.close(os.open(scratch, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o666 if rights is None else rights))
    except OSError as error:
        remedy = "give a folder that exists and that you may write to"
        raise OutputError(f"cannot write here: {error.strerror}", remedy=remedy, where=target) from error
    try:
        yield scratch
        synchronise(scratch)
        if rights is not None and stat.S_IMODE(scratch.stat().st_mode) != rights:
            with contextlib.suppress(PermissionError):  # a file system that knows no rights
                scratch.chmod(rights)
        scratch.replace(final)
        synchronise(final.parent)
    except OSError as error:
        what = f"writing failed: {error.strerror or error}"
        raise OutputError(what, remedy="is there room, and may you write there?", where=target) from error
    finally:
        scratch.unlink(missing_ok=True)


def synchronise(path: Path) -> None:
    """Make what a file holds, or the names in a folder, last through a power cut.

    For a folder only where the system can: Windows cannot open one, and some file systems refuse.

    Raises
    ------
    OSError
        What a file holds did not reach the disk.
    """
    folder = path.is_dir()
    with contextlib.suppress(OSError) if folder else contextlib.nullcontext():
        # A file's rights may forbid to read it, and Windows wants that of writing.
        handle = os.open(path, os.O_RDONLY if folder else os.O_WRONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _rights_of(final: Path, *, named: Path) -> int | None:
    """Give the rights of the file that is to be replaced, None when there is none; refuse what is no file."""
    kind = _kind(final)
    if kind == "nothing":
        return None
    if kind == "folder":
        raise OutputError("this is a folder, not a file", remedy="give a file name", where=named)
    if kind == "other":  # a rename would put a file in the place of the device
        raise OutputError("this is not an ordinary file", remedy="give the name of a file", where=named)
    if not os.access(final, os.W_OK):
        remedy = "give another name, or make it writable"
        raise OutputError("this file is write-protected", remedy=remedy, where=named)
    return stat.S_IMODE(final.stat().st_mode)


def what_is(path: str | os.PathLike[str]) -> Kind:
    """Say what lies at a path, links followed: ``file``, ``folder``, ``other`` or ``nothing``.

    Raises
    ------
    InputError
        The system does not let us look: a name that is too long, a folder that may not be entered.
    """
    try:
        return _kind(Path(path))
    except OSError as error:
        remedy = "check the name, and who is allowed to look there"
        raise InputError(f"cannot be looked at: {error.strerror}", remedy=remedy, where=path) from error


def check_file(path: str | os.PathLike[str], *, remedy: str) -> None:
    """Refuse what is no ordinary file, before it is opened.

    Raises
    ------
    InputError
        With what is there instead, and the remedy.
    """
    kind = what_is(path)
    if kind != "file":
        told = {"folder": "it is a folder", "other": "it is not an ordinary file"}
        what = f"cannot be read: {told.get(kind, 'there is no such file')}"
        raise InputError(what, remedy=remedy, where=path)


def data_folder(*, remedy: str) -> Path:
    """Give the folder of wingtone's own among the user's data; it need not be there yet.

    Raises
    ------
    InputError
        The system knows no home directory of this user, as in some containers and services.
    """
    import platformdirs

    try:
        return Path(platformdirs.user_data_dir("wingtone", appauthor=False)).expanduser()
    except RuntimeError as error:  # of platformdirs, or of its earlier releases' "~", which stays one then
        raise InputError("this user has no home directory to keep files in", remedy=remedy) from error


def lock(folder: Path) -> int | None:
    """Hold a folder against other programs that ask likewise.

    Give the descriptor to `os.close` to let it go; it goes by itself with the process, however that ends.
    None where the system or the file system knows no such locks: nobody is kept out then.

    Raises
    ------
    BlockingIOError
        Another program has it.
    """
    try:
        import fcntl
    except ImportError:  # Windows
        return None
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        os.close(handle)
        raise
    except OSError:
        os.close(handle)
        return None
    return handle


def _kind(path: Path) -> Kind:
    try:
        mode = path.stat().st_mode
    except (FileNotFoundError, NotADirectoryError):
        return "nothing"
    except ValueError:  # a NUL in the name: no system has such a file
        return "nothing"
    except OSError as error:
        if error.errno == errno.ELOOP:
            return "nothing"
        raise
    return "file" if stat.S_ISREG(mode) else "folder" if stat.S_ISDIR(mode) else "other"


def path_text(path: str | os.PathLike[str]) -> str:
    """Give a path as valid text: bytes in it that are none (Linux allows any) become escapes."""
    return os.fsencode(path).decode("utf-8", "backslashreplace")
