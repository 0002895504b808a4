"""One recording: open it, read it once in blocks, know what it was.

Conventions
-----------
Blocks are float32, ``(n_channels, n_samples)``, full scale ±1, all channels as recorded. Sample ``k`` of a
stream at rate ``r`` stands for ``k / r`` seconds from the start. Memory is bounded by the block
(and the index of an MP4-family file, see `wingtone.audio.decode`).

Functions and classes
---------------------
open_recording
    Open a file.
read
    A whole short clip at once.
Recording, RecordingInfo, Remark
    What they give.
"""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Self

import numpy as np

from wingtone.audio.resample import blocks_of, resampled
from wingtone.errors import RecordingError

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from types import TracebackType

    from numpy.typing import NDArray

    from wingtone.audio.decode import Decoder
    from wingtone.audio.metadata import Origin, Provenance

__all__ = ["Recording", "RecordingInfo", "Remark", "open_recording", "read"]

MAX_BLOCK_VALUES = 1 << 25
"""Most values (channels times samples) in one block: 128 MB. Ours."""

CLIPPED_FRACTION_WORTH_SAYING = 0.001
"""Ours: below, a few touched peaks do not bend the tone."""


@dataclass(frozen=True)
class Remark:
    """One thing about a recording that its user should know.

    Attributes
    ----------
    code
        ``silent``, ``damaged``, ``cut short``, ``clipped`` or ``weak date``.
    text
        One plain line with what to do about it.
    """

    code: str
    text: str


@dataclass(frozen=True)
class RecordingInfo:
    """What is known of a recording.

    Attributes
    ----------
    path
        The file.
    duration_s
        Decoded so far: after the last block, that of the whole sound, whatever the header says. What a start
        later than 0 skipped counts, unless the sound ended before it.
    sample_rate_hz, channels
        Of the file, before any change of rate.
    codec, container
        Such as ``aac`` in ``m4a``. Container by content.
    recorded_at
        ISO 8601, with offset when known; a bare date when no time is known; None when nothing is.
    recorded_at_source
        ``container``, ``bext``, ``file name``, or ``file time``, which copying may have changed (weak).
    latitude_deg, longitude_deg, place_source
        From the container; None when it has no place.
    device
        Phone or recorder, as far as it names itself.
    damaged_packets
        Packets that could not be decoded, holes in the container's clock, chunks with impossible values,
        and an end that is missing (one each).
    damaged_from_s
        Time of the first; later times are unreliable, for what was lost is not put back. None when intact.
    clipped_fraction
        Part of all samples that stand with a neighbour at full scale; floats beyond it are not cut off.
    silent
        Whether nothing moves by more than the last bit (of 16, or of 24 where the file has them). True
        until blocks have been read.
    """

    path: Path
    duration_s: float
    sample_rate_hz: int
    channels: int
    codec: str
    container: str
    recorded_at: str | None
    recorded_at_source: Origin | None
    latitude_deg: float | None
    longitude_deg: float | None
    place_source: str | None
    device: str | None
    damaged_packets: int
    damaged_from_s: float | None
    clipped_fraction: float
    silent: bool

    @property
    def remarks(self) -> tuple[Remark, ...]:
        """What the user should know, most serious first; empty when all is well. Ask after the last block."""
        found = []
        if self.silent:
            found.append(
                Remark("silent", "the recording is silent: check the microphone and that the app may use it")
            )
        if self.damaged_from_s is not None and self.damaged_from_s > self.duration_s - 0.1:
            found.append(
                Remark(
                    "cut short",
                    f"the end is missing after {self.duration_s:.1f} s: copy it again if you can",
                )
            )
        elif self.damaged_from_s is not None:
            found.append(
                Remark(
                    "damaged",
                    f"the recording is damaged in {self.damaged_packets} place(s): times after "
                    f"{self.damaged_from_s:.1f} s are unreliable; copy it again if you can",
                )
            )
        if self.clipped_fraction > CLIPPED_FRACTION_WORTH_SAYING:
            found.append(
                Remark(
                    "clipped",
                    f"{100 * self.clipped_fraction:.1f} % of the recording is too loud for the microphone: "
                    "lower its level or keep further away",
                )
            )
        if self.recorded_at_source == "file time":
            found.append(
                Remark("weak date", "the date is only that of the file, which copying may change: check it")
            )
        return tuple(found)


class _Levels:
    """Running extremes and clipping of the decoded samples."""

    def __init__(self, channels: int, *, codec: str, fine: bool) -> None:
        self._low = np.full(channels, np.inf, np.float32)
        self._high = np.full(channels, -np.inf, np.float32)
        # the highest value the coding can hold, less half a step (G.711: 32124, 32256 of 32768; memory)
        steps = {"pcm_u8": 127 / 128, "pcm_mulaw": 32124 / 32768, "pcm_alaw": 32256 / 32768}
        self._rail = steps.get(codec, 32767 / 32768) - 0.5 / 32768
        # a float holds more than full scale, so that what lies beyond has not been cut off
        self._top = 1.0 if codec.startswith("pcm_f") else np.inf
        self._still = (2.5 / 2**23) if fine else (2.5 / 2**15)  # within one step up and one down
        self._clipped = 0
        self._values = 0

    def watch(self, chunks: Iterable[NDArray[np.float32]]) -> Iterator[NDArray[np.float32]]:
        """Hand the chunks through, looking at them."""
        for chunk in chunks:
            low, high = chunk.min(axis=1), chunk.max(axis=1)
            np.minimum(self._low, low, out=self._low)
            np.maximum(self._high, high, out=self._high)
            self._values += chunk.size
            if high.max() >= self._rail or low.min() <= -self._rail:
                loud = np.abs(chunk)
                at_rail = np.pad((loud >= self._rail) & (loud <= self._top), ((0, 0), (1, 1)))
                self._clipped += int(np.sum(at_rail[:, 1:-1] & (at_rail[:, :-2] | at_rail[:, 2:])))
            yield chunk

    @property
    def clipped_fraction(self) -> float:
        return self._clipped / self._values if self._values else 0.0

    @property
    def silent(self) -> bool:
        return not self._values or bool(np.all(self._high - self._low <= self._still))


class Recording:
    """An open recording. Make one with `open_recording`; use it in a ``with`` block.

    Attributes
    ----------
    path, sample_rate_hz, channels, codec, container
        See `RecordingInfo`.
    """

    def __init__(self, path: Path, decoder: Decoder, origin: Provenance) -> None:
        self.path = path
        self.sample_rate_hz = decoder.sample_rate_hz
        self.channels = decoder.channels
        self.codec = decoder.codec
        self.container = decoder.container.name
        self._decoder = decoder
        self._origin = origin
        self._levels = _Levels(decoder.channels, codec=decoder.codec, fine=decoder.fine)
        self._samples = 0
        self._begun = False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; harmless when done before."""
        self._decoder.close()

    @property
    def declared_s(self) -> float:
        """Length that the file states before it is decoded, s; 0 where it does not know.

        It may be wrong, but is not longer than a file of this size can hold.
        """
        return min(self._decoder.declared_s(), self._decoder.most_s())

    @property
    def seeks(self) -> bool:
        """Whether `blocks` can begin anywhere at no cost: uncompressed WAV, and FLAC."""
        return self._decoder.seeks

    def blocks(
        self, *, rate_hz: int | None = None, block_s: float = 10.0, start_s: float = 0.0
    ) -> Iterator[NDArray[np.float32]]:
        """Read the sound to its end, once.

        Parameters
        ----------
        rate_hz
            Rate of the blocks, Hz, band-limited; None: that of the file.
        block_s
            Length of a block, s. Where that would pass 128 MB the blocks are shorter.
        start_s
            Where to begin, s, to the nearest sample of the file. Where the file does not `seeks`, what lies
            before is decoded all the same and dropped. Nothing is given when the sound ends before.

        Yields
        ------
        ndarray
            float32, ``(n_channels, n_samples)``; all of one length but the last, none empty, every value
            finite. Put end to end they are the same whatever ``block_s`` is.

        Raises
        ------
        RecordingError
            The file can no longer be read.
        ValueError
            A rate outside 100 Hz to 768 kHz, a block length that is not positive, or a negative start.
        RuntimeError
            Asked for a second time: open the recording again.
        """
        if rate_hz is not None and not 100 <= rate_hz <= 768_000:
            raise ValueError(f"rate_hz must be 100 to 768000, got {rate_hz}")
        if not block_s > 0:
            raise ValueError(f"block_s must be positive, got {block_s}")
        if not start_s >= 0:
            raise ValueError(f"start_s must not be negative, got {start_s}")
        if self._begun:
            raise RuntimeError("a recording can be read once; open it again")
        self._begun = True
        out_hz = rate_hz or self.sample_rate_hz
        samples = int(max(1, min(round(block_s * out_hz), MAX_BLOCK_VALUES // self.channels)))
        chunks = self._levels.watch(self._from(round(start_s * self.sample_rate_hz)))
        chunks = resampled(chunks, from_hz=self.sample_rate_hz, to_hz=out_hz, channels=self.channels)
        return blocks_of(chunks, samples=samples)

    def _from(self, start: int) -> Iterator[NDArray[np.float32]]:
        """Give the sound from a sample on, and keep count of where it is."""
        at = self._decoder.skip_to(start) if start else 0
        for chunk in self._decoder.chunks():
            before, at = at, at + chunk.shape[1]
            self._samples = at
            if at > start:
                yield chunk[:, max(0, start - before) :]

    @property
    def info(self) -> RecordingInfo:
        """What is known so far; complete after the last block."""
        return RecordingInfo(
            path=self.path,
            duration_s=self._samples / self.sample_rate_hz,
            sample_rate_hz=self.sample_rate_hz,
            channels=self.channels,
            codec=self.codec,
            container=self.container,
            recorded_at=self._origin.recorded_at,
            recorded_at_source=self._origin.recorded_at_source,
            latitude_deg=self._origin.latitude_deg,
            longitude_deg=self._origin.longitude_deg,
            place_source=self._origin.place_source,
            device=self._origin.device,
            damaged_packets=self._decoder.damaged_packets,
            damaged_from_s=self._decoder.damaged_from_s,
            clipped_fraction=self._levels.clipped_fraction,
            silent=self._levels.silent,
        )


def open_recording(path: str | os.PathLike[str]) -> Recording:
    """Open any sound or video file, by its content.

    Parameters
    ----------
    path
        An ordinary file: WAV (integer, float, mu-law, A-law, RF64), FLAC, MP3, Ogg Vorbis, Opus, M4A, MP4,
        MOV, 3GP, AMR, AAC, CAF, WebM, MKV, AIFF, AVI, WMA or a camcorder's transport stream.

    Returns
    -------
    Recording
        A context manager; its first frame has been decoded, so there is sound in it.

    Raises
    ------
    RecordingError
        Missing, a folder, not an ordinary file, empty, not a recording, without sound, too damaged, or beyond
        the limits (32 channels, 1 kHz to 768 kHz); says which, and what to do.
    """
    from wingtone.audio.decode import Decoder, foreign_errors
    from wingtone.audio.metadata import provenance, riff_texts

    path = Path(path)
    with foreign_errors(path):
        mode = path.stat().st_mode
    if stat.S_ISDIR(mode):
        if not os.access(path, os.R_OK | os.X_OK):
            remedy = "check who is allowed to read it"
            raise RecordingError("this folder may not be read", remedy=remedy, where=path)
        raise RecordingError(
            "is a folder", remedy="give the recordings in it, or let wingtone walk it", where=path
        )
    if not stat.S_ISREG(mode):
        raise RecordingError("is not an ordinary file", remedy="save the sound to a file first", where=path)
    decoder = Decoder(path)
    try:
        with foreign_errors(path):
            riff = None
            if decoder.container.demuxer == "wav":
                with path.open("rb") as file:
                    riff = riff_texts(file)
            # FFmpeg mixes bext and LIST INFO under one set of names: for WAV our own walker keeps them apart
            origin = provenance(path, tags={} if riff is not None else decoder.tags, riff=riff)
    except BaseException:
        decoder.close()
        raise
    return Recording(path, decoder, origin)


def read(
    path: str | os.PathLike[str], *, rate_hz: int | None = None
) -> tuple[NDArray[np.float32], RecordingInfo]:
    """Read a whole recording into memory: for short clips.

    Parameters
    ----------
    path, rate_hz
        As for `open_recording` and `Recording.blocks`.

    Returns
    -------
    samples : ndarray
        float32, ``(n_channels, n_samples)``.
    info : RecordingInfo
        Complete.

    Raises
    ------
    RecordingError
        As for `open_recording`.
    """
    with open_recording(path) as recording:
        blocks = list(recording.blocks(rate_hz=rate_hz))  # never none: the first frame has samples
        return np.concatenate(blocks, axis=1), recording.info
