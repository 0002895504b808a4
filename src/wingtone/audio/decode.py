"""Decode the sound of one open file to float32 chunks, whatever happens to be damaged in it.

One library does it all: FFmpeg through PyAV. Reading WAV, FLAC, MP3 and Vorbis through libsndfile instead
was measured and left: it was no faster once frames are gathered in C (below), it returns nothing for a WAV
whose recorder died before closing it, it passes over holes in Ogg without a word, and it writes to stderr.
The tests use it as the independent second decoder.

Conventions
-----------
Chunks are float32, ``(n_channels, n_samples)``, full scale ±1. Time is counted in decoded samples; a
container's own clock is only used to notice that something is missing. Encoder delay is left out where the
container declares it (edit lists, Opus pre-skip, LAME tag, Matroska codec delay: FFmpeg does this). Bare
ADTS and AMR streams and some phones' M4A declare none: their sound may lie up to about 50 ms late.

Cost
----
Memory is that of a few chunks, whatever the length, but for the index of MP4-family files, which FFmpeg keeps
whole: 13 MB for each hour of AAC at 48 kHz (measured by us, 1 h against 4 h).

Safety
------
FFmpeg gets an open local file and a forced reader, and may not open anything else.

Functions and classes
---------------------
Decoder
    One open file.
foreign_errors
    The one place where FFmpeg's and the system's errors become `RecordingError`.
"""

from __future__ import annotations

import errno
import itertools
import math
import os
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, NoReturn

import numpy as np

from wingtone.audio.sniff import Container, container_of
from wingtone.audio.structure import check_sizes, corrections_of, last_page_whole
from wingtone.errors import RecordingError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path
    from typing import BinaryIO

    from av.audio.frame import AudioFrame
    from av.audio.stream import AudioStream
    from av.container import InputContainer
    from av.packet import Packet
    from numpy.typing import NDArray

__all__ = ["MAX_CHANNELS", "MAX_RATE_HZ", "MIN_RATE_HZ", "Decoder", "foreign_errors"]

MAX_CHANNELS = 32
"""Ours: above any field recorder; keeps a lying header from asking for gigabytes."""
MIN_RATE_HZ, MAX_RATE_HZ = 1000, 768_000
"""Ours: below, no flight tone fits; above, no recorder goes."""

CHUNK_SAMPLES = 65536
"""Samples a channel in a chunk. Ours: larger was not faster."""

GAP_S = 0.06
"""A step of the container's clock by more than this means sound is missing. Ours: above the jitter of
millisecond clocks and frame lengths (at most 0.04 s in the codecs read), and the accuracy promised."""

MAX_READ_FAILURES = 16
"""Failed reads in a row after which the rest of the file is given up. Ours."""

_READ_BUFFER_BYTES = 1 << 18
# uncompressed WAV: FFmpeg's own packets of 4 kB mean a Python call every 40 ms, and it would look at 5 MB
# for other codecs hidden in them
_WAV_OPTIONS = {"max_size": str(1 << 17), "probesize": "2048"}

_FULL_SCALE = {"u8": 2.0**7, "s16": 2.0**15, "s32": 2.0**31, "flt": 1.0, "dbl": 1.0}
_WILD = 1e9
"""Beyond this a float sample is damage, not sound. Ours: far above integers stored as floats."""

# sound without a length of its own: FFmpeg guesses the duration from the bit rate
_GUESSED_DURATION = frozenset({"aac", "amr", "mp3"})

_FLAC_SAMPLES_A_BYTE = 5000
"""Of silence: a frame has at most 65,535 samples and at least 14 bytes (RFC 9639, 9; memory). PCM has no
sample of less than a byte."""

_CUT_SHORT = "copy it again from the phone; if recording was interrupted it cannot be read"
_COPY_AGAIN = "copy it again from the phone or recorder"
_TRY_AGAIN = "is the disk or card in order? then try again"


@contextmanager
def foreign_errors(path: Path, *, container: str = "") -> Iterator[None]:
    """Turn every error of FFmpeg, soxr or the system into one `RecordingError` about ``path``.

    Raises
    ------
    RecordingError
        For any ``av.FFmpegError``, ``OSError``, ``ValueError``, ``RuntimeError``, ``MemoryError``,
        ``LookupError`` or ``NotImplementedError`` inside the block; ours pass through.
    """
    import av

    try:
        yield
    except (
        av.FFmpegError,
        OSError,
        EOFError,
        ValueError,
        ArithmeticError,
        LookupError,
        RuntimeError,
        MemoryError,
    ) as error:
        what, remedy = _plain_words(error, container)
        raise RecordingError(what, remedy=remedy, where=path) from error


def _plain_words(error: BaseException, container: str) -> tuple[str, str]:
    number = getattr(error, "errno", None)
    if isinstance(error, FileNotFoundError):
        return "there is no such file", "check the name and the folder"
    if isinstance(error, IsADirectoryError):
        return "is a folder", "give the recordings in it, or let wingtone walk it"
    # Of FFmpeg itself "not permitted" means that a number in the file is not what it may be.
    if isinstance(error, PermissionError) and not _of_ffmpeg(error):
        return "may not be read", "check who is allowed to read it"
    if isinstance(error, MemoryError) or number == errno.ENOMEM:
        return "asks for more memory than there is; its header is probably damaged", _COPY_AGAIN
    vague = (errno.EINVAL, errno.EPERM)  # what FFmpeg says of damage
    if isinstance(error, OSError) and isinstance(number, int) and 0 < number < 200 and number not in vague:
        remedy = _COPY_AGAIN if _of_ffmpeg(error) else _TRY_AGAIN
        return f"could not be read: {error.strerror or 'input failed'}", remedy
    if container in ("m4a", "mp4", "mov", "3gp"):
        return "its index is missing or damaged, so nothing in it can be found", _CUT_SHORT
    return "is damaged so that no sound can be got out", _COPY_AGAIN


def _of_ffmpeg(error: BaseException) -> bool:
    import av

    return isinstance(error, av.FFmpegError)


def _refuse_other_files(*_args: object, **_kwargs: object) -> NoReturn:
    raise PermissionError(errno.EACCES, "a recording may not open other files")


class _QuietFile:
    """An open file that never raises, for PyAV prints a traceback when one does inside its callbacks.

    ``corrections`` are bytes that are read in place of what the file holds there, by their place. Where the
    disk failed, FFmpeg takes it for the end of the file; ``failure`` is what the disk said.
    """

    def __init__(self, file: BinaryIO, corrections: Mapping[int, bytes]) -> None:
        self._file = file
        self._corrections = corrections
        self.failure: OSError | None = None

    def read(self, size: int) -> bytes:
        try:
            start = self._file.tell()
            found = self._file.read(size)
        except OSError as error:
            self.failure = error
            return b""
        for at, correct in self._corrections.items():
            if start - len(correct) < at < start + len(found):
                first, last = max(at, start), min(at + len(correct), start + len(found))
                found = found[: first - start] + correct[first - at : last - at] + found[last - start :]
        return found

    def seek(self, offset: int, whence: int = 0) -> int:
        try:
            return self._file.seek(offset, whence)
        except (OSError, ValueError, OverflowError):  # a damaged header sends FFmpeg anywhere
            return -1

    def tell(self) -> int:
        return self._file.tell()


def _lenient_metadata(version: str) -> dict[str, Any]:
    """How to keep PyAV from failing over tags that are no valid text: up to 18 by asking, later by itself."""
    return {"metadata_errors": "replace"} if int(version.split(".")[0]) < 19 else {}


class Decoder:
    """The sound of one open file.

    Parameters
    ----------
    path
        An ordinary file.

    Attributes
    ----------
    container
        What the content says it is.
    sample_rate_hz, channels, codec
        Of the sound as decoded.
    tags
        What FFmpeg found written in the container and the sound stream; keys in lower case.
    damaged_packets, damaged_from_s
        So far. A hole in the container's clock, an end that is missing and a chunk with impossible values
        count as one each. The time is that of the first.

    Raises
    ------
    RecordingError
        Nothing to decode in it, or outside the limits above.
    """

    def __init__(self, path: Path) -> None:
        import av

        self.path = path
        self.damaged_packets = 0
        self.damaged_from_s: float | None = None
        self._samples = 0
        self._due: int | None = None  # where the container's clock should stand at the next frame
        self._input: InputContainer | None = None
        self.container = Container("", "")
        with foreign_errors(path):
            self._file = path.open("rb")
        try:
            with foreign_errors(path):
                self.container = container_of(self._file, path=path)
                check_sizes(self._file, self.container, path=path)
                self._quiet = _QuietFile(self._file, corrections_of(self._file, self.container))
                self._file.seek(0)
            with self._reading():
                self._input = av.open(
                    self._quiet,
                    "r",
                    format=self.container.demuxer,
                    options=_WAV_OPTIONS if self.container.demuxer == "wav" else {},
                    **_lenient_metadata(av.__version__),
                    buffer_size=_READ_BUFFER_BYTES,
                    io_open=_refuse_other_files,
                )
                self._stream = self._sound_of(self._input)
                self._check_declared()
                self._tick_s = float(self._stream.time_base or 0)
                self._start(self._frames(self._input))
        except BaseException:
            self.close()
            raise

    @contextmanager
    def _reading(self) -> Iterator[None]:
        """Turn foreign errors into ours; a disk that failed is told as that, whatever FFmpeg made of it."""
        with foreign_errors(self.path, container=self.container.name):
            try:
                yield
            except Exception as error:
                if self._quiet.failure is not None:
                    raise self._quiet.failure from error
                raise
            if self._quiet.failure is not None:
                raise self._quiet.failure

    def _sound_of(self, container: InputContainer) -> AudioStream:
        """Choose the sound stream: the first that can be decoded."""
        sounds = list(container.streams.audio)
        for stream in sounds:
            if stream.codec_context is not None:  # None: FFmpeg has no decoder (some phones add such a track)
                return stream
        if sounds:
            raise RecordingError(
                "its sound is in a format that cannot be decoded",
                remedy="let the phone or recorder save it as M4A, WAV or FLAC",
                where=self.path,
            )
        what = "holds video but no sound" if container.streams.video else "holds no sound"
        raise RecordingError(what, remedy="check that the microphone was on and allowed", where=self.path)

    def _check_declared(self) -> None:
        """Refuse before decoding what would cost memory out of proportion."""
        context = self._stream.codec_context
        self._check_limits(int(context.sample_rate or MIN_RATE_HZ), int(context.channels or 1))

    def _check_limits(self, rate_hz: int, channels: int) -> None:
        if not 1 <= channels <= MAX_CHANNELS:
            raise RecordingError(
                f"says it has {channels} channels; wingtone reads 1 to {MAX_CHANNELS}",
                remedy="if that cannot be right the file is damaged: copy it again; else save fewer channels",
                where=self.path,
            )
        if not MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ:
            raise RecordingError(
                f"says it has {rate_hz} samples a second; wingtone reads {MIN_RATE_HZ} to {MAX_RATE_HZ}",
                remedy="if that cannot be right the file is damaged: copy it again; else save at 44100",
                where=self.path,
            )

    def _start(self, frames: Iterator[AudioFrame]) -> None:
        """Decode the first frame: only it tells the true rate and channels (HE-AAC, wrong headers)."""
        self.sample_rate_hz = int(self._stream.codec_context.sample_rate or MIN_RATE_HZ)
        first = next((frame for frame in frames if frame.samples), None)
        if first is None:
            raise RecordingError(
                "has no sound in it that can be decoded", remedy=_COPY_AGAIN, where=self.path
            )
        self.sample_rate_hz = first.sample_rate
        self.channels = first.layout.nb_channels
        self._check_limits(self.sample_rate_hz, self.channels)
        self._first_format = first.format.name
        self._all_frames = itertools.chain([first], frames)

    @property
    def codec(self) -> str:
        """FFmpeg's name of the codec, such as ``aac``, ``alac``, ``pcm_s16le``, ``amr_nb``."""
        return str(self._stream.codec_context.codec.canonical_name)

    @property
    def fine(self) -> bool:
        """Whether the samples hold more than 16 bits (24- or 32-bit integers, float)."""
        return self._first_format.rstrip("p") not in ("u8", "s16") and self.codec.startswith(
            ("pcm_", "flac", "alac")
        )

    @property
    def tags(self) -> dict[str, str]:
        """See the class."""
        found = {key.lower(): value for key, value in self._stream.metadata.items()}
        if self._input is not None:
            found.update((key.lower(), value) for key, value in self._input.metadata.items())
        return found

    def close(self) -> None:
        """Close the file; harmless when done before."""
        if self._input is not None:
            self._input.close()
        self._file.close()

    @property
    def seeks(self) -> bool:
        """Whether `skip_to` finds its place without decoding what lies before: uncompressed WAV, and FLAC.

        Other codecs need what came before (overlap of blocks, predicted filters), or have no index to go by.
        """
        demuxer = self.container.demuxer
        return demuxer == "flac" or (demuxer == "wav" and self.codec.startswith("pcm_"))

    def skip_to(self, sample: int) -> int:
        """Go to a place in the sound, before any chunk has been read.

        Parameters
        ----------
        sample
            Number of the sample, from 0, a channel.

        Returns
        -------
        int
            The sample that `chunks` then begins with: at or before the one asked for, to the sample; or the
            one asked for when the sound ends before it, and `chunks` gives nothing.

        Raises
        ------
        RecordingError
            The file can no longer be read.
        """
        if not self.seeks or self._input is None:
            return 0
        with self._reading():
            self._input.seek(int(sample / self.sample_rate_hz / self._tick_s), stream=self._stream)
            frames = self._frames(self._input)
            self._due = None
            first = next((frame for frame in frames if frame.samples and frame.pts is not None), None)
            if first is None or first.pts is None:
                self._all_frames = itertools.chain()
                return sample
            begin = round(first.pts * self._tick_s * self.sample_rate_hz)
            self._samples = begin + first.samples
            self._all_frames = itertools.chain([first], frames)
            return begin

    def chunks(self) -> Iterator[NDArray[np.float32]]:
        """Decode to the end, once.

        Yields
        ------
        ndarray
            ``(channels, n)``, ``n`` at most `CHUNK_SAMPLES`; NaN, infinite and wild values are 0.

        Raises
        ------
        RecordingError
            The file could no longer be read at all.
        """
        from av.audio.fifo import AudioFifo

        with self._reading():
            fifo = AudioFifo()
            written = 0
            for frame in self._all_frames:
                frame.pts = None  # our clock is the count of samples; the fifo would refuse jumps
                try:
                    fifo.write(frame)
                except ValueError:  # another rate or layout in mid-stream: a broken header
                    self._damage()
                    self._samples -= frame.samples
                    continue
                while fifo.samples >= CHUNK_SAMPLES and (full := fifo.read(CHUNK_SAMPLES)):
                    yield self._as_float(full, start=written)
                    written += CHUNK_SAMPLES
            if fifo.samples and (rest := fifo.read(0, partial=True)):
                yield self._as_float(rest, start=written)
            self._check_end()

    # -- packets and frames ------------------------------------------------------------------------

    def _packets(self, container: InputContainer) -> Iterator[Packet[AudioStream]]:
        """Read packets; a failed read is counted and reading goes on."""
        import av

        failures = 0
        while True:
            try:
                for packet in container.demux(self._stream):
                    failures = 0
                    yield packet
            except (av.FFmpegError, ValueError):
                self._damage()
                failures += 1
                if failures <= MAX_READ_FAILURES:
                    continue
            return

    def _frames(self, container: InputContainer) -> Iterator[AudioFrame]:
        import av

        for packet in self._packets(container):
            try:
                frames = packet.decode()
            except (av.FFmpegError, ValueError):
                self._damage()
                continue
            for frame in frames:
                self._watch_clock(frame)
                self._samples += frame.samples
                yield frame
            if packet.is_corrupt:  # cut off: what was in it is good, what should follow is missing
                self._damage()

    def _watch_clock(self, frame: AudioFrame) -> None:
        if frame.pts is None or not self._tick_s:
            return
        if self._due is not None and abs(frame.pts - self._due) * self._tick_s > GAP_S:
            self._damage()
        self._due = frame.pts + round(frame.samples / (frame.sample_rate * self._tick_s))

    def _check_end(self) -> None:
        """Notice that the end is missing, where the container really knows how long it should be."""
        if self.damaged_packets:
            return
        cut = self.declared_s() - self._samples / self.sample_rate_hz > 0.5
        if cut or (self.container.demuxer == "ogg" and not last_page_whole(self._file)):
            self._damage()

    def declared_s(self) -> float:
        """Length the container knows exactly, s; 0 where it does not, or FFmpeg only guesses."""
        if self.container.name in _GUESSED_DURATION and not self._stream.start_time:
            return 0.0  # a start time in MP3 means that a LAME tag told its length
        if self._stream.duration:
            return self._stream.duration * self._tick_s
        if self._input is None or len(self._input.streams) > 1:
            return 0.0  # Matroska has one length for all streams
        return (self._input.duration or 0) * 1e-6

    def most_s(self) -> float:
        """Length that a file of this size can hold at most, s, where the codec tells; else infinite."""
        if not self.seeks:
            return math.inf
        size = os.fstat(self._file.fileno()).st_size  # FFmpeg would miss its place if the file were moved
        samples = size * _FLAC_SAMPLES_A_BYTE if self.container.demuxer == "flac" else size / self.channels
        return samples / self.sample_rate_hz

    def _damage(self, *, at_s: float | None = None) -> None:
        self.damaged_packets += 1
        at_s = self._samples / self.sample_rate_hz if at_s is None else at_s
        if self.damaged_from_s is None or at_s < self.damaged_from_s:
            self.damaged_from_s = at_s

    def _as_float(self, frame: AudioFrame, *, start: int) -> NDArray[np.float32]:
        raw: NDArray[Any] = frame.to_ndarray()
        if not frame.format.is_planar and self.channels > 1:
            raw = np.ascontiguousarray(raw.reshape(-1, self.channels).T)
        kind = frame.format.name.rstrip("p")
        if kind in ("flt", "dbl"):
            return self._sane(raw, start=start)
        samples = raw.astype(np.float32)
        if kind == "u8":
            samples -= 128.0
        samples *= np.float32(1.0 / _FULL_SCALE[kind])
        return samples

    def _sane(self, raw: NDArray[Any], *, start: int) -> NDArray[np.float32]:
        """To float32, with 0 for what no microphone can have given."""
        if raw.min() > -_WILD and raw.max() < _WILD:  # NaN fails both
            return raw.astype(np.float32, copy=False)
        wild = ~(np.abs(raw) < _WILD)
        first = int(np.argmax(wild.any(axis=0)))
        self._damage(at_s=(start + first) / self.sample_rate_hz)
        return np.where(wild, 0.0, raw).astype(np.float32)
