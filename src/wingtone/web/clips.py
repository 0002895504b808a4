"""The state of one recording on the desk, and how it is kept beside the sound.

``clip.json`` is written whole or not at all. A disk, another program or another version of wingtone can still
leave one that we cannot read; the sound beside it is worth more than it. So a recording is then taken as one
that has just been brought, with what can still be read of its state, and the unreadable file stays beside it
under another name. Fields that a newer version added go through our hands unchanged.

- `Clip`: the state.
- `write`, `read`, `recover`: to its folder and back, and what is done when it cannot be read.
- `harmless`: a file name that can do no harm, made of any name.
- `version`: tells two states of what was said apart.
- `now`: the time, as the state says when a recording was brought.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from wingtone.errors import InputError, OutputError
from wingtone.files import replacing

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["CORRECTED", "STATE", "Clip", "harmless", "now", "read", "recover", "version", "write"]

STATE = "clip.json"
CORRECTED = "corrected"
"""Begins the names of the folders of corrected measurements; earlier versions had one of just this name."""
CORRECTED_FOLDER = re.compile(r"(corrected(-[0-9a-f]{16})?)?")
STATUSES = ("waiting", "listening", "ready", "failed")
HARMLESS = re.compile(r"sound-[A-Za-z0-9_-]{1,80}\.[a-z0-9]{1,5}")
KINDS: dict[str, Any] = {
    "id": str,
    "name": str,
    "file": str,
    "bytes": int,
    "added_at": str,
    "status": str,
    "error": dict | None,
    "duration_s": float | int | None,
    "flights": int | None,
    "seen": dict,
    "corrections": list | None,
    "corrected": str,
    "sha256": str,
    "kept": dict,
    "away": bool,
    "recovered": bool,
    "lost": str,
    "upload": str,
}
"""What the state file holds."""
NEEDED = ("id", "name", "file", "bytes", "added_at", "status")
RECOVERED = (
    "what was noted of this recording could not be read and was set aside, corrections too; so it was heard "
    "anew. Its sound stays in the desk's folder when you take it off the desk, as a record may point to it"
)
LOST = "your corrections of its bouts could not be measured again, so the machine's stand there: "


@dataclass
class Clip:
    """The state of one recording.

    Attributes
    ----------
    id, name, file
        Its id, the name it came with (text only), and its file's name in the folder.
    status, error
        One of `STATUSES`; ``error`` has ``what`` and ``remedy`` when it failed.
    progress, copied_s
        How far listening is, 0..1; seconds that can be looked at already. Not kept.
    seen
        What was seen, see `wingtone.web.seen`.
    corrections
        Bouts as the user wants them, or None.
    corrected
        Name of the folder with the measurement of these; empty without corrections. Each has a folder of its
        own, so that what is asked for and what is measured change together, with this file.
    sha256
        Checksum of its file, by which records of it are found; empty until it has been listened to.
    kept
        Individual -> number of the last record that was made of it here, in whatever notebook: so its file
        stays.
    recorded
        Whether the notebook holds a record of it, as far as is known. Not kept.
    away
        Whether it was taken off the desk and only its file stays, because a record points to it.
    recovered
        Whether its state could not be read once and was made anew: records may point to it that are not in
        ``kept``.
    lost
        Why its corrections are the machine's bouts again, without the user's doing; empty otherwise.
    upload
        The id that the browser gave to bringing it, so that it does not bring it twice.
    more
        What a newer version keeps in the state file.
    """

    id: str
    name: str
    file: str
    bytes: int
    added_at: str
    status: str = "waiting"
    error: dict[str, str] | None = None
    duration_s: float | None = None
    flights: int | None = None
    seen: dict[str, Any] = field(default_factory=dict)
    corrections: list[dict[str, Any]] | None = None
    corrected: str = ""
    sha256: str = ""
    kept: dict[str, int] = field(default_factory=dict)
    recorded: bool = False
    away: bool = False
    recovered: bool = False
    lost: str = ""
    upload: str = ""
    progress: float = 0.0
    copied_s: float = 0.0
    more: dict[str, Any] = field(default_factory=dict)

    @property
    def proof(self) -> bool:
        """Whether a record points to its file, or may do so."""
        return bool(self.kept) or self.recovered

    @property
    def hints(self) -> dict[str, Any]:
        """What was seen of the bee, by character; none where the state file says something else."""
        held = self.seen.get("hints")
        return held if isinstance(held, dict) else {}

    def _notices(self) -> Iterator[str]:
        if self.recovered:
            yield RECOVERED
        if self.lost:
            yield LOST + self.lost

    def brief(self) -> dict[str, Any]:
        """Lay out what a list shows."""
        return {
            "id": self.id,
            "name": self.name,
            "bytes": self.bytes,
            "status": self.status,
            "progress": round(self.progress, 3),
            "duration_s": self.duration_s,
            "flights": self.flights,
            "error": self.error,
            "notice": "; ".join(self._notices()) or None,
            "recorded": self.recorded,
            "stays": self.proof or self.recorded,
            "seen_version": version(self.seen),
            "bouts_version": version(self.corrections),
            "added_at": self.added_at,
            "upload": self.upload,
        }


def version(said: Any) -> str:
    """Tell what a user said from what was said before: windows that lie open beside each other compare it."""
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()[:16]


def write(clip: Clip, folder: Path) -> None:
    """Write a state into a folder.

    Raises
    ------
    OutputError
        It cannot be written.
    """
    state = clip.more | {name: getattr(clip, name) for name in KINDS}
    with replacing(folder / STATE) as scratch:
        scratch.write_text(json.dumps(state), encoding="utf-8")


def read(folder: Path) -> Clip | None:
    """Read the state of the recording in a folder; None when that cannot be done."""
    state = _said(folder)
    known = _known(state)
    if any(name not in known for name in KINDS if name in state or name in NEEDED):
        return None
    clip = Clip(**known, more={name: value for name, value in state.items() if name not in KINDS})
    if clip.corrections is not None:
        clip.corrected = clip.corrected or CORRECTED  # of an earlier version
    right = clip.id == folder.name and clip.status in STATUSES and HARMLESS.fullmatch(clip.file)
    right = right and CORRECTED_FOLDER.fullmatch(clip.corrected)
    return clip if right and (folder / clip.file).is_file() else None


def recover(folder: Path) -> Clip | None:
    """Take a recording whose state cannot be read as one that has just been brought.

    What can still be read is taken over, but for what was measured and corrected.

    Returns
    -------
    Clip or None
        Its state, written already. None where the recording was taken off the desk before: its file stays as
        it is.

    Raises
    ------
    InputError
        There is no recording here, or it cannot be told which file it is.
    OutputError
        It cannot be written. In both cases nothing is lost.
    """
    known = _known(_said(folder))
    if known.get("away"):
        return None
    try:
        sounds = _sounds(folder)
        file = known.get("file")
        if file not in sounds:
            file = sounds[0] if len(sounds) == 1 else None
        if file is None:
            what = "no recording can be made out in this folder of the desk; it was left as it is"
            raise InputError(what, remedy="look into it, and delete it if you do not need it", where=folder)
        size = (folder / file).stat().st_size
        if (folder / STATE).exists():
            (folder / STATE).rename(_free_name(folder))
    except OSError as error:
        what = f"this recording on the desk cannot be taken up: {error.strerror}; it was left as it is"
        raise OutputError(what, remedy="check who may read and write there", where=folder) from error
    clip = Clip(
        id=folder.name,
        name=known.get("name") or file.removeprefix("sound-"),
        file=file,
        bytes=size,
        added_at=known.get("added_at") or now(),
        seen=known.get("seen", {}),
        sha256=known.get("sha256", ""),
        kept=known.get("kept", {}),
        recovered=True,
    )
    write(clip, folder)
    return clip


def now() -> str:
    """Give the time, as the state says when a recording was brought."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="milliseconds")


def harmless(name: str) -> str:
    """Make a file name of ASCII letters, digits, hyphens and low lines, which keeps a date in it readable.

    The ending stays as far as it is a short word; what a file is, its content tells. ``sound-`` in front
    keeps clear of every name that means something to a system.
    """
    if HARMLESS.fullmatch(name):
        return name
    plain = re.split(r"[/\\]", name)[-1]
    stem, dot, ending = plain.rpartition(".")
    if not (dot and re.fullmatch(r"[A-Za-z0-9]{1,5}", ending)):
        stem, ending = plain, "bin"
    stem = re.sub(r"[^A-Za-z0-9_-]+", "-", stem).strip("-")[-80:]
    return f"sound-{stem or 'recording'}.{ending.lower()}"


def _said(folder: Path) -> dict[str, Any]:
    """Give what the state file says, whatever that is; nothing when it says nothing."""
    try:
        state = json.loads((folder / STATE).read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return state if isinstance(state, dict) else {}


def _known(state: dict[str, Any]) -> dict[str, Any]:
    """Give those fields that are ours and hold what they should."""
    known = {name: state[name] for name, kind in KINDS.items() if isinstance(state.get(name, ...), kind)}
    if not all(isinstance(number, int) for number in known.get("kept", {}).values()):
        del known["kept"]
    return known


def _sounds(folder: Path) -> list[str]:
    """Name the recordings in a folder: one, if nobody meddled with it."""
    return [path.name for path in folder.iterdir() if HARMLESS.fullmatch(path.name) and path.is_file()]


def _free_name(folder: Path) -> Path:
    """Give a name for a state file that cannot be read; none that was set aside before is lost."""
    number = 1
    while (aside := folder / f"{STATE}.unread-{number}").exists():
        number += 1
    return aside
