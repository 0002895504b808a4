"""The desk: the recordings that were brought in, each a folder of its own with its state.

Layout
------
``<desk>/<id>/`` with an id of 16 random hexadecimal digits holds the recording under a harmless name,
``clip.json`` with its state (`wingtone.web.clips`), the listening copy, the measurement
(`wingtone.web.stored`), the corrected one and the tiles. The name that a file came with is kept as text and
never becomes a path. Everything is written whole or not at all, so a restart finds the desk as it was; what
had not been listened to yet is listened to again.

A recording comes in, and goes, in a folder with ``.part`` behind its name. Only such are cleared away at a
start. A folder without it holds a recording that was once whole, and is never deleted but by the user.

- `Desk`: all recordings, within limits.
- `Limits`: of one file, of their number, of all together.
"""

from __future__ import annotations

import contextlib
import os
import re
import secrets
import shutil
import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from wingtone.errors import InputError, OutputError, WingtoneError, one_line
from wingtone.files import data_folder, lock, synchronise
from wingtone.web import clips, stored
from wingtone.web.clips import STATE, Clip
from wingtone.web.worker import COPY, GROWING

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from typing import BinaryIO

    from wingtone.clip import Measurement

__all__ = ["PART", "Desk", "DeskFull", "Limits", "default_folder"]

ID = re.compile(r"[0-9a-f]{16}")
PART = ".part"
"""Ends the name of a folder that is not whole yet, or is going."""
UNENDED = re.compile(r"([0-9a-f]{16}|export-[a-z0-9_]{8})\.part")
"""Folders of what was not whole when the page stopped, and nothing else: these alone are cleared away."""
KEPT_IN_MEMORY = 24
"""Measurements held ready; the others are read again when they are asked for. Ours."""
SPARE_BYTES = 200 << 20
"""What an upload leaves free on the disk. Ours."""


def _plain(name: str) -> str:
    """Take the odd spaces out of a name, as macOS writes before AM, and what joins emoji: not escapes."""
    return re.sub(r"[\u00a0\u2000-\u200a\u202f\u205f\u3000]", " ", name.replace("\u200d", ""))


class DeskFull(WingtoneError):
    """There is no room for another recording."""


@dataclass(frozen=True)
class Limits:
    """Bounds of the desk. Ours: an hour of 24-bit stereo at 48 kHz is 1.0 GB."""

    file_bytes: int = 2 << 30
    files: int = 500
    total_bytes: int = 20 << 30


@dataclass(frozen=True)
class _Held:
    """A measurement held ready: as found, as it stands, and the folder that the latter is from."""

    corrected: str
    found: Measurement
    stands: Measurement


def default_folder() -> Path:
    """Where the desk lies when no folder was named: in the user's data folder."""
    return data_folder(remedy="name a folder with --desk") / "desk"


class Desk:
    """The recordings on the desk.

    Parameters
    ----------
    folder
        Made when it is not there.
    limits
        See `Limits`.

    Attributes
    ----------
    notices
        What could not be taken up and was left where it is, for the terminal.

    Raises
    ------
    OutputError
        The folder cannot be made or written, or another program has this desk: it would take what is still
        coming in there for what an earlier run left, and clear it away.
    """

    def __init__(self, folder: Path, *, limits: Limits | None = None) -> None:
        self.folder = folder
        self.limits = limits or Limits()
        self.notices: list[str] = []
        self.clips: dict[str, Clip] = {}
        self._coming: dict[str, Clip] = {}
        self._watchers: set[Callable[[str, dict[str, Any]], None]] = set()
        self._measured: OrderedDict[str, _Held] = OrderedDict()
        self._holding = threading.Lock()  # requests read measurements in threads of their own
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            remedy = "give a folder that you may write to, with --desk FOLDER"
            what = f"cannot make this folder: {error.strerror}"
            raise OutputError(what, remedy=remedy, where=folder) from error
        if not os.access(folder, os.R_OK | os.W_OK | os.X_OK):
            remedy = "give a folder that you may write to, with --desk FOLDER"
            raise OutputError("nothing can be written in this folder", remedy=remedy, where=folder)
        try:
            self._lock = lock(folder)
        except BlockingIOError as error:
            remedy = "use that one, or give another folder with --desk FOLDER"
            raise OutputError("another page is open on this desk", remedy=remedy, where=folder) from error
        self._find()

    def close(self) -> None:
        """Let another program have the desk; harmless when done before."""
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def _find(self) -> None:
        """Take up what an earlier run left."""
        found = []
        for folder in self.folder.iterdir():
            if UNENDED.fullmatch(folder.name) and folder.is_dir():
                shutil.rmtree(folder, ignore_errors=True)
            elif ID.fullmatch(folder.name) and folder.is_dir():
                clip = clips.read(folder) or self._recovered(folder)
                if clip is not None and not clip.away:
                    found.append(clip)
        for clip in sorted(found, key=lambda clip: (clip.added_at, clip.id)):
            if clip.status == "listening":
                clip.status = "waiting"
            if clip.status == "ready":
                clip.progress = 1.0
                # Earlier versions did not note the checksum there.
                clip.sha256 = clip.sha256 or stored.checksum(self.folder / clip.id)
            clip.recorded = bool(clip.kept)
            self.clips[clip.id] = clip

    def _recovered(self, folder: Path) -> Clip | None:
        """Take up a recording whose state cannot be read, or leave its folder alone and say so."""
        with contextlib.suppress(OSError):
            folder.rmdir()  # only what is empty goes by this
            return None
        try:
            return clips.recover(folder)
        except (InputError, OutputError) as error:
            self.notices.append(str(error))
            return None

    # --- places ---------------------------------------------------------------------------------------

    def folder_of(self, clip: Clip) -> Path:
        """Folder of a clip."""
        return self.folder / (f"{clip.id}{PART}" if clip.id in self._coming else clip.id)

    def source_of(self, clip: Clip) -> Path:
        """File of a clip as it was brought in."""
        return self.folder_of(clip) / clip.file

    def copy_of(self, clip: Clip) -> Path | None:
        """Give the listening copy, or what there is of it so far; None before anything is there."""
        for name in (COPY, GROWING):
            path = self.folder / clip.id / name
            if path.exists():
                return path
        return None

    # --- changes --------------------------------------------------------------------------------------

    def check_room(self, size: int, *, coming: Clip | None = None) -> None:
        """Refuse a file of this size when there is no room for it.

        Parameters
        ----------
        size
            Bytes, as far as they are known.
        coming
            The recording it is of, once it has begun to come in.

        Raises
        ------
        DeskFull
            With the limit that it would pass.
        """
        if len(self.clips) + len(self._coming) - bool(coming) >= self.limits.files:
            what = f"there are {len(self.clips)} recordings on the desk, and no more fit"
            raise DeskFull(what, remedy="remove some that you are done with")
        held = {**self.clips, **self._coming}
        used = sum(clip.bytes for clip in held.values() if clip is not coming)
        here = 0 if coming is None else coming.bytes
        free = shutil.disk_usage(self.folder).free - SPARE_BYTES
        if used + max(size, here) > self.limits.total_bytes or size - here > free:
            raise DeskFull("there is no room for this recording", remedy="remove some that you are done with")

    def begin(self, name: str) -> tuple[Clip, BinaryIO]:
        """Make a place for a recording that is coming in, and open its file."""
        clip = Clip(
            id=secrets.token_hex(8),
            name=one_line(_plain(name))[:200] or "recording",
            file=clips.harmless(name),
            bytes=0,
            added_at=clips.now(),
        )
        self._coming[clip.id] = clip
        try:
            self.folder_of(clip).mkdir(mode=0o700)
            return clip, self.source_of(clip).open("xb")
        except OSError:
            self.drop(clip)
            raise

    def drop(self, clip: Clip) -> None:
        """Clear away a place that came to nothing; harmless for a recording that was kept."""
        if clip.id in self._coming:
            shutil.rmtree(self.folder_of(clip), ignore_errors=True)
            del self._coming[clip.id]

    def keep(self, clip: Clip) -> None:
        """Take a recording that has come in whole onto the desk: it gets its name together with its state.

        Raises
        ------
        OutputError
            Its state cannot be written; whoever brought it in is told, and brings it again.
        """
        part = self.folder_of(clip)
        clips.write(clip, part)
        part.rename(self.folder / clip.id)
        synchronise(self.folder)
        del self._coming[clip.id]
        self.clips[clip.id] = clip
        self.tell("clip", clip.brief())

    def save(self, clip: Clip) -> None:
        """Write the state of a clip and tell the watchers: in the thread of the loop, where these belong.

        Raises
        ------
        OutputError
            It cannot be written.
        """
        if clip.id not in self.clips:
            return  # removed in the meantime
        clips.write(clip, self.folder_of(clip))
        self.tell("clip", clip.brief())

    def remove(self, clip: Clip, *, proof: bool = False, also_kept: bool = False) -> None:
        """Take a recording off the desk, with all that was made of it.

        The file of one that a record points to stays, unless ``also_kept``: the record would lose its proof.
        ``proof`` says that one does, where the state of the clip does not know it.
        """
        folder = self.folder_of(clip)
        stays = (clip.proof or proof) and not also_kept
        if stays:
            clip.away = True
            self.save(clip)
        self.clips.pop(clip.id, None)
        self.forget(clip)
        if not stays:
            with contextlib.suppress(OSError):  # so that no half of it is ever taken for a recording
                folder = folder.rename(folder.with_name(f"{clip.id}{PART}"))
            shutil.rmtree(folder, ignore_errors=True)
        else:
            for path in folder.iterdir():
                if path.is_dir():
                    shutil.rmtree(path, ignore_errors=True)
                elif path.name != clip.file and not path.name.startswith(STATE):  # nor one set aside
                    path.unlink(missing_ok=True)
        self.tell("removed", {"id": clip.id})

    # --- measurements ---------------------------------------------------------------------------------

    def found(self, clip: Clip) -> Measurement:
        """Give the measurement as the machine found it, whatever became of the corrected one.

        It raises what `measured` does.
        """
        self._check_heard(clip)
        held = self._measured.get(clip.id)
        return held.found if held is not None else stored.load(self.folder_of(clip), self.source_of(clip))

    def measured(self, clip: Clip) -> tuple[Measurement, Measurement]:
        """Give the measurement as found and as it stands after corrections.

        Raises
        ------
        InputError
            The recording has not been measured.
        Damaged
            What is on the disk is damaged.
        """
        while True:
            self._check_heard(clip)
            named, held = clip.corrected, self._measured.get(clip.id)
            if held is not None and held.corrected == named:
                self._keep(clip, held)
                return held.found, held.stands
            try:
                found = self.found(clip)
                stands = found
                if named:
                    stands = stored.load(self.folder_of(clip) / named, self.source_of(clip))
            except stored.Damaged:
                if clip.corrected == named:
                    raise
                continue  # it was corrected while we read: that folder has gone
            if clip.corrected == named:  # else what was read is old
                self._keep(clip, _Held(named, found, stands))
                return found, stands

    def _check_heard(self, clip: Clip) -> None:
        if clip.status != "ready":
            remedy = "wait until it has been listened to"
            raise InputError("this recording has no measurement yet", remedy=remedy, where=clip.name)

    def take_in(self, clip: Clip) -> Measurement:
        """Read a measurement that has just been made, without corrections, and keep it at hand.

        Raises
        ------
        Damaged
            What is on the disk is damaged.
        """
        found = stored.load(self.folder_of(clip), self.source_of(clip))
        self._keep(clip, _Held("", found, found))
        return found

    def new_corrected(self) -> str:
        """Name a folder for the next corrected measurement of a recording."""
        return f"{clips.CORRECTED}-{secrets.token_hex(8)}"

    def clear_corrected(self, clip: Clip) -> None:
        """Clear away all corrected measurements of a clip but the one that counts."""
        for path in self.folder_of(clip).glob(f"{clips.CORRECTED}*"):
            if path.name != clip.corrected:
                shutil.rmtree(path, ignore_errors=True)

    def _keep(self, clip: Clip, held: _Held) -> None:
        with self._holding:
            self._measured[clip.id] = held
            self._measured.move_to_end(clip.id)
            while len(self._measured) > KEPT_IN_MEMORY:
                self._measured.popitem(last=False)

    def forget(self, clip: Clip) -> None:
        """Read the measurement anew when it is next asked for."""
        with self._holding:
            self._measured.pop(clip.id, None)

    # --- watching -------------------------------------------------------------------------------------

    def watch(self, watcher: Callable[[str, dict[str, Any]], None]) -> Callable[[], None]:
        """Have a function called with each change; the function given back ends that."""
        self._watchers.add(watcher)
        return lambda: self._watchers.discard(watcher)

    def tell(self, event: str, data: dict[str, Any]) -> None:
        """Tell all watchers."""
        for watcher in list(self._watchers):
            watcher(event, data)
