"""Where recordings come from and results go to: folders, or object stores named by a URL.

A URL (``s3://bucket/garden``, ``gs://``, ``sftp://``, ``memory://`` ...) is read and written through fsspec,
which needs the extra ``survey``, and for most stores a package of its own. Folders need neither.

- `Found`: a recording as it lies there, before anybody has looked inside.
- `find`: all recordings of a folder, URL or file.
- `is_as_found`: whether one has not changed since.
- `fetched`: a recording as a local file, for as long as it is needed.
- `Output`: the folder or URL that results are written to, each file whole or not at all.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from wingtone.errors import MissingExtraError, OutputError, RecordingError, RequestError
from wingtone.files import path_text, replacing

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Found", "Output", "fetched", "find", "is_as_found", "is_url"]


@dataclass(frozen=True)
class Found:
    """A recording before anybody has looked inside.

    Attributes
    ----------
    path
        As tables name it: below the folder or URL as it was given.
    location
        The same whatever folder the program was started in.
    token
        Changes when the file does: size and time of change, or what the object store has in their place.
    size_bytes
    """

    path: str
    location: str
    token: str
    size_bytes: int

    @property
    def key(self) -> str:
        """`location` as valid text, a different one for each: a name may hold bytes that are no text.

        (Linux allows any.) Such a name is written with percent signs behind a beginning that no other has.
        """
        try:
            self.location.encode()
        except UnicodeEncodeError:
            return f"bytes:{quote(os.fsencode(self.location))}"
        return self.location

    @property
    def told_path(self) -> str:
        """`path` as valid text."""
        return path_text(self.path)

    @property
    def remote(self) -> bool:
        """Whether it has to be fetched before it can be heard."""
        return is_url(self.location)


def is_url(place: str) -> bool:
    """Whether a place is a URL and not a path."""
    return "://" in place


def find(place: str | os.PathLike[str]) -> list[Found]:
    """List the recordings below a folder or URL, sorted by path.

    Parameters
    ----------
    place
        A folder is searched as by `wingtone.audio.find_recordings`. Below a URL a file counts when its name
        ends like a recording's and neither it nor a folder of it is hidden (leading dot).

    Raises
    ------
    RecordingError
        There is no such place, or no recording in it.
    MissingExtraError
        A URL, and fsspec or the package of its store is not installed.
    """
    from wingtone.audio import find_recordings

    if is_url(str(place)):
        return _find_below(str(place))
    out = []
    for path in find_recordings([place]):
        out.append(Found(str(path), str(path.absolute()), *_state(path)))
    return sorted(out, key=lambda one: one.path)


def _state(path: Path) -> tuple[str, int]:
    """Token and size of a file as it is now."""
    try:
        told = path.stat()
    except OSError:  # gone since, or a link that leads nowhere: looking at it says so, and the rest is done
        return "", 0
    return f"{told.st_size}-{told.st_mtime_ns}", told.st_size


def is_as_found(found: Found) -> bool:
    """Whether a file has not changed since it was found. What lies at a URL is not asked for again."""
    return found.remote or _state(Path(found.location))[0] == found.token


def _find_below(url: str) -> list[Found]:
    from wingtone.audio import named_like_recording

    system, root = _filesystem(url)
    with _foreign_errors(url):
        names = system.find(root, detail=True)
    scheme = url.split("://")[0]
    out = []
    for name, told in names.items():
        below = name[len(root) :].strip("/")
        hidden = any(part.startswith(".") for part in below.split("/"))
        if hidden or not named_like_recording(name):
            continue
        path = f"{url.rstrip('/')}/{below}" if below else url
        location = f"{scheme}://{name.lstrip('/') if scheme != 'file' else name}"
        # A name for this state of the file, made by the store from its time of change, version or checksum.
        out.append(Found(path, location, str(system.ukey(name)), int(told.get("size") or 0)))
    if not out:
        raise RecordingError(
            "there is no recording here", remedy="check the address and what is in it", where=url
        )
    return sorted(out, key=lambda one: one.path)


@contextlib.contextmanager
def fetched(found: Found) -> Iterator[Path]:
    """Give a recording as a local file; what had to be fetched is removed afterwards.

    Raises
    ------
    RecordingError
        It cannot be fetched.
    """
    if not found.remote:
        yield Path(found.location)
        return
    system, name = _filesystem(found.location)
    with tempfile.TemporaryDirectory(prefix="wingtone-") as folder:
        local = Path(folder, found.location.rsplit("/", 1)[-1])
        with _foreign_errors(found.path):
            system.get_file(name, str(local))
        yield local


class Output:
    """Where results go. Make one with a folder, which is made when it is missing, or a URL.

    Raises
    ------
    OutputError
        The folder cannot be made.
    MissingExtraError
        A URL, and fsspec or the package of its store is not installed.
    """

    def __init__(self, place: str | os.PathLike[str]) -> None:
        self.place = str(place)
        self._remote: tuple[Any, str] | None = None
        if is_url(self.place):
            self._remote = _filesystem(self.place)
            return
        try:
            Path(place).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            what = f"cannot make this folder: {error.strerror}"
            raise OutputError(what, remedy="give a folder that you may write to", where=place) from error

    @property
    def folder(self) -> Path | None:
        """The local folder; None for a URL."""
        return None if self._remote else Path(self.place)

    def name_of(self, name: str) -> str:
        """Where a file of this name lies."""
        return f"{self.place.rstrip('/')}/{name}" if self._remote else str(Path(self.place, name))

    @contextlib.contextmanager
    def writing(self, name: str) -> Iterator[Path]:
        """Give a temporary local path; when the block succeeds it becomes, or is sent as, the file ``name``.

        Raises
        ------
        OutputError
            It cannot be written.
        """
        if self._remote is None:
            with replacing(Path(self.place, name)) as scratch:
                yield scratch
            return
        system, root = self._remote
        with tempfile.TemporaryDirectory(prefix="wingtone-") as folder:
            scratch = Path(folder, name)
            yield scratch
            try:
                system.makedirs(root, exist_ok=True)
                system.put_file(str(scratch), f"{root.rstrip('/')}/{name}")
            except Exception as error:  # every store has errors of its own
                what = f"could not be written: {error}"
                raise OutputError(what, remedy="may you write there?", where=self.name_of(name)) from error

    def read(self, name: str) -> bytes:
        """Give a small file that lies here; nothing when there is none.

        Raises
        ------
        RecordingError
            The address cannot be reached.
        """
        if self._remote is None:
            with contextlib.suppress(OSError):
                return Path(self.place, name).read_bytes()
            return b""
        system, root = self._remote
        source = f"{root.rstrip('/')}/{name}"
        with _foreign_errors(self.place):
            return bytes(system.cat_file(source)) if system.exists(source) else b""

    def remove(self, name: str) -> None:
        """Remove a file of ours, where that may be done."""
        with contextlib.suppress(Exception):  # every store has errors of its own
            if self._remote is None:
                Path(self.place, name).unlink()
            else:
                system, root = self._remote
                system.rm_file(f"{root.rstrip('/')}/{name}")

    def fetch(self, name: str, target: Path) -> bool:
        """Copy a file of an earlier run from a URL to a local path; False when there is none."""
        if self._remote is None:
            return False
        system, root = self._remote
        source = f"{root.rstrip('/')}/{name}"
        with _foreign_errors(self.place):
            if not system.exists(source):
                return False
            part = target.with_name(f"{target.name}.part")
            system.get_file(source, str(part))
            os.replace(part, target)
        return True


def _filesystem(url: str) -> tuple[Any, str]:
    """The store of a URL and the place within it."""
    try:
        import fsspec
    except ImportError as error:
        raise MissingExtraError("reading or writing at an address", "survey") from error
    try:
        system, name = fsspec.core.url_to_fs(url)
    except ImportError as error:
        remedy = f"{error}; install that package"
        raise RequestError("this kind of address needs one more package", remedy=remedy, where=url) from error
    except ValueError as error:
        remedy = "give a folder, or an address such as s3://bucket/folder"
        raise RequestError(f"not an address that can be read: {error}", remedy=remedy, where=url) from error
    return system, str(name)


@contextlib.contextmanager
def _foreign_errors(where: str) -> Iterator[None]:
    """Turn whatever a store raises into a `RecordingError`."""
    try:
        yield
    except Exception as error:  # every store has errors of its own
        what = f"could not be fetched: {error or type(error).__name__}"
        raise RecordingError(what, remedy="check the address and your access to it", where=where) from error
