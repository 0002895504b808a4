"""Bouts of recordings as short Broadcast Wave files, for playing, proving and passing on.

A Broadcast Wave file is an ordinary WAV with a ``bext`` chunk that says what it is and when it was made
(EBU Tech 3285, version 2; layout read through implementation texts, secondary). Beside it stand a ``cue ``
chunk with the start and the end of the bout and a ``LIST`` of type ``adtl`` with their labels (Microsoft's
RIFF description of 1991; memory, and checked in the tests against another reader).

Conventions
-----------
16 bits, rate and channels of the recording, nothing but cut: no gain, no filter. A clip holds `MARGIN_S`
seconds more on both sides, as far as the recording has them. Dates and times in ``bext`` are local, as the
recording gave them; the standard has no place for the offset, so the description repeats the full time.

- `write_clips`: the bouts of records as files in a folder.
- `bext_chunk`, `cue_chunks`: the chunks themselves.
"""

from __future__ import annotations

import datetime as dt
import re
import struct
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from wingtone import __version__
from wingtone.errors import OutputError, RecordingError
from wingtone.files import replacing

if TYPE_CHECKING:
    import os
    from collections.abc import Callable, Iterable, Iterator, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from wingtone.notebook.records import BoutNote, RecordingNote
    from wingtone.notebook.store import Entry

__all__ = ["Written", "bext_chunk", "cue_chunks", "write_clips"]

MARGIN_S = 0.5
"""Ours: enough to hear the bee come and go."""

LONGEST_CLIP_S = 300.0
"""A longer bout is cut off here, with its end mark left out. Ours: five minutes of one bee are a hive."""

UNSET_LOUDNESS = 0x7FFF
"""A loudness value that is not given (EBU Tech 3285 version 2; memory)."""


@dataclass(frozen=True)
class Written:
    """What came of it: the files, and for each record without one the reason.

    ``failed`` numbers the records that have a flight which could not be cut out.
    """

    files: tuple[Path, ...]
    missing: tuple[tuple[int, str], ...]
    failed: tuple[int, ...] = ()


def write_clips(
    entries: Iterable[Entry],
    folder: str | os.PathLike[str],
    *,
    recordings: str | os.PathLike[str] | None = None,
    progress: Callable[[int], None] = lambda _: None,
) -> Written:
    """Write every flight bout of the records as a Broadcast Wave file.

    Parameters
    ----------
    entries
        Records; those without a recording or without bouts are passed over with a reason.
    folder
        Where the files go; it is made when it is not there. Names are ``<number>-<bout>-<taxon>.wav``. An
        earlier clip of the same record is written anew; any other file of that name stays, with a reason.
    recordings
        A folder to look for recordings in that are no longer where they were, by their names.
    progress
        Called with the number of the record at work, when it is begun and as its recording is read.

    Raises
    ------
    OutputError
        A file could not be written.
    """
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        remedy = "give a folder that you may write to"
        what = f"cannot make this folder: {error.strerror}"
        raise OutputError(what, remedy=remedy, where=folder) from error
    files: list[Path] = []
    missing: list[tuple[int, str]] = []
    failed: list[int] = []
    for entry in entries:
        progress(entry.number)
        recording = entry.record.recording
        flight = [bout for bout in recording.bouts if bout.kind == "flight"] if recording is not None else []
        if recording is None or not flight:
            why = "no recording" if recording is None else "no flight in the recording"
            missing.append((entry.number, why))
            continue
        try:
            path = _found(recording, None if recordings is None else Path(recordings))
            at_work = partial(progress, entry.number)
            for i, (bout, samples, rate_hz, from_s) in enumerate(_cuts(path, flight, at_work), start=1):
                target = folder / f"{entry.number:05d}-{i}-{_plain(entry.record.taxon) or 'bee'}.wav"
                if target.exists() and entry.id.replace("-", "").encode() not in _start_of(target):
                    what = "another file has this name already"
                    raise RecordingError(what, remedy="give another folder", where=target)
                papers = _papers(entry, recording, bout, from_s, rate_hz, samples.shape)
                _write(target, samples, rate_hz, *papers)
                files.append(target)
        except RecordingError as error:
            missing.append((entry.number, str(error)))
            failed.append(entry.number)
    return Written(tuple(files), tuple(missing), tuple(failed))


def _start_of(path: Path) -> bytes:
    """Give the part of a file where a clip of ours names its record (`bext_chunk`)."""
    try:
        with path.open("rb") as file:
            return file.read(1024)
    except OSError:
        return b""


def _found(recording: RecordingNote, folder: Path | None) -> Path:
    """Find the recording where it was, or by its name in the folder; it must be the same sound."""
    from wingtone import audio

    places = [Path(recording.path)]
    if folder is not None:
        places.append(folder / Path(recording.path).name)
    for place in places:
        if place.is_file():
            if recording.sha256 and audio.sha256_of(place) != recording.sha256:
                what = "this is no longer the recording of this record"
                remedy = "give the folder of the original with --clips"
                raise RecordingError(what, remedy=remedy, where=place)
            return place
    remedy = "give the folder it now lies in with --clips"
    raise RecordingError("the recording is not there any more", remedy=remedy, where=recording.path)


def _cuts(
    path: Path, bouts: Sequence[BoutNote], at_work: Callable[[], None]
) -> Iterator[tuple[BoutNote, NDArray[np.float32], int, float]]:
    """Cut the bouts out in one pass, in order of time.

    Gives bout, samples of shape (n_channels, n), rate in Hz, and where the samples start in seconds. Memory
    holds one block and the bouts that are not yet over; ``at_work`` is called after each block.
    """
    import numpy as np

    from wingtone import audio

    with audio.open_recording(path) as recording:
        rate_hz = recording.sample_rate_hz
        waiting = []
        for bout in sorted(bouts, key=lambda bout: bout.start_s):
            first = max(0, round((bout.start_s - MARGIN_S) * rate_hz))
            end_s = min(bout.end_s, bout.start_s + LONGEST_CLIP_S) + MARGIN_S
            last = round(end_s * rate_hz)
            if last <= first:  # what a table or a damaged record says
                what = f"its flight from {bout.start_s:g} to {bout.end_s:g} s is none"
                raise RecordingError(what, where=path)
            pieces: list[NDArray[np.float32]] = []
            waiting.append((bout, first, last, pieces))
        at = 0
        for block in recording.blocks():
            at_work()
            for _, first, last, pieces in waiting:
                piece = block[:, max(0, first - at) : max(0, last - at)]
                if piece.shape[1]:
                    pieces.append(piece.copy())  # a view would keep the whole block
            at += block.shape[1]
            while waiting and waiting[0][2] <= at:
                bout, first, _, pieces = waiting.pop(0)
                yield bout, np.concatenate(pieces, axis=1), rate_hz, first / rate_hz
        for bout, first, _, pieces in waiting:  # their margin reaches beyond the end
            if not pieces or bout.start_s * rate_hz >= at:
                what = f"its flight at {bout.start_s:.1f} s lies behind the end of the recording"
                raise RecordingError(what, where=path)
            yield bout, np.concatenate(pieces, axis=1), rate_hz, first / rate_hz


def _write(path: Path, samples: NDArray[np.float32], rate_hz: int, before: bytes, after: bytes) -> None:
    """Write a WAV of 16 bits with chunks before and after the sound."""
    import numpy as np

    channels = samples.shape[0]
    scaled = np.clip(np.rint(samples.T * 32768.0), -32768, 32767).astype("<i2")
    layout = struct.pack("<HHIIHH", 1, channels, rate_hz, rate_hz * channels * 2, channels * 2, 16)
    content = b"WAVE" + before + _chunk(b"fmt ", layout) + _chunk(b"data", scaled.tobytes()) + after
    with replacing(path) as scratch:
        scratch.write_bytes(b"RIFF" + struct.pack("<I", len(content)) + content)


def _chunk(name: bytes, content: bytes) -> bytes:
    return name + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)


def _papers(
    entry: Entry,
    recording: RecordingNote,
    bout: BoutNote,
    from_s: float,
    rate_hz: int,
    shape: tuple[int, ...],
) -> tuple[bytes, bytes]:
    record, (channels, length) = entry.record, shape
    what = ", ".join(text for text in (record.taxon or "bee", record.caste, record.status) if text)
    tone = "" if bout.f0_hz is None else f" {bout.f0_hz:.1f} Hz"
    details = [what, f"{bout.kind}{tone}", record.event_date, record.recorder]
    before = bext_chunk(
        description="; ".join(text for text in details if text),
        reference=entry.id.replace("-", ""),
        start=_moment(recording.recorded_at, from_s),
        rate_hz=rate_hz,
        channels=channels,
    )
    start = round((bout.start_s - from_s) * rate_hz)
    end = round((bout.end_s - from_s) * rate_hz)
    return before, cue_chunks(start, end if end <= length else None, f"{bout.kind}{tone}", length=length)


def _moment(recorded_at: str, from_s: float) -> dt.datetime | dt.date | None:
    """Local moment of the first sample; a day when only that is known."""
    try:
        if "T" not in recorded_at:
            return dt.date.fromisoformat(recorded_at)
        return dt.datetime.fromisoformat(recorded_at) + dt.timedelta(seconds=from_s)
    except ValueError:
        return None


def bext_chunk(
    *, description: str, reference: str, start: dt.datetime | dt.date | None, rate_hz: int, channels: int
) -> bytes:
    """Make a ``bext`` chunk of version 2: 602 bytes and the coding history.

    Parameters
    ----------
    description, reference
        Cut to 256 and 32 characters; what ASCII does not have becomes ``?``.
    start
        Local moment of the first sample; of a bare day the time stays empty, None leaves both empty.
    """
    day = b"" if start is None else f"{start:%Y-%m-%d}".encode()
    clock, since_midnight = b"", 0
    if isinstance(start, dt.datetime):
        clock = f"{start:%H:%M:%S}".encode()
        midnight = start.replace(hour=0, minute=0, second=0, microsecond=0)
        since_midnight = round((start - midnight).total_seconds() * rate_hz)
    fixed = struct.pack(
        "<256s32s32s10s8sQH64s5h180x",
        description.encode("ascii", "replace"),
        f"wingtone {__version__}".encode(),
        reference.encode("ascii", "replace"),
        day,
        clock,
        since_midnight,
        2,
        b"",
        *[UNSET_LOUDNESS] * 5,
    )
    mode = {1: "M=mono,", 2: "M=stereo,"}.get(channels, "")
    history = f"A=PCM,F={rate_hz},W=16,{mode}T=wingtone {__version__}; cut without other changes\r\n"
    return _chunk(b"bext", fixed + history.encode())


def cue_chunks(start: int, end: int | None, label: str, *, length: int) -> bytes:
    """Mark a stretch of samples: a cue at its start with the label and its length, one at its end.

    A stretch whose end is None goes on behind the ``length`` samples that there are, and has no mark there.
    """
    marks = [(1, start, label)] + ([] if end is None else [(2, end, "end")])
    end = length if end is None else end
    points = [struct.pack("<II4sIII", i, at, b"data", 0, 0, at) for i, at, _ in marks]
    labels = [
        _chunk(b"labl", struct.pack("<I", i) + text.encode("ascii", "replace") + b"\0")
        for i, _, text in marks
    ]
    stretch = _chunk(b"ltxt", struct.pack("<II4sHHHH", 1, end - start, b"rgn ", 0, 0, 0, 0))
    return _chunk(b"cue ", struct.pack("<I", len(marks)) + b"".join(points)) + _chunk(
        b"LIST", b"adtl" + b"".join(labels) + stretch
    )


def _plain(text: str) -> str:
    """Make a piece of a file name: letters, digits and hyphens only."""
    return re.sub(r"[^A-Za-z0-9]+", "-", text).strip("-")[:60]
