"""Write sound in the formats phones and recorders use: for the demo clips, exports and tests.

Functions
---------
write_encoded
    One file, format by its suffix.

Notes
-----
FFmpeg's wheel has no free AMR-WB encoder, so AMR-WB can be read but not written. Vorbis is written through
libsndfile (FFmpeg's own encoder is experimental), everything else through FFmpeg.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from wingtone.errors import OutputError
from wingtone.files import replacing

if TYPE_CHECKING:
    import os
    from collections.abc import Callable, Iterator
    from typing import BinaryIO

    from av.audio.stream import AudioStream
    from av.container import OutputContainer
    from av.video.stream import VideoStream
    from numpy.typing import NDArray

__all__ = ["FORMATS", "write_encoded"]


@dataclass(frozen=True)
class _Format:
    muxer: str
    codecs: tuple[str, ...]  # the first is the default


_PCM = ("pcm_s16le", "pcm_u8", "pcm_s24le", "pcm_s32le", "pcm_f32le", "pcm_f64le", "pcm_mulaw", "pcm_alaw")
FORMATS = {
    ".wav": _Format("wav", _PCM),
    ".rf64": _Format("wav", _PCM),
    ".flac": _Format("flac", ("flac",)),
    ".mp3": _Format("mp3", ("libmp3lame",)),
    ".ogg": _Format("ogg", ("vorbis", "libopus", "flac")),
    ".opus": _Format("ogg", ("libopus",)),
    ".m4a": _Format("ipod", ("aac", "alac")),
    ".mp4": _Format("mp4", ("aac", "alac", "libmp3lame", "libopus", "flac")),
    ".mov": _Format("mov", ("aac", "alac", "pcm_s16le", "pcm_s24le", "pcm_f32le")),
    ".3gp": _Format("3gp", ("aac", "libopencore_amrnb")),
    ".amr": _Format("amr", ("libopencore_amrnb",)),
    ".aac": _Format("adts", ("aac",)),
    ".caf": _Format("caf", ("alac", "pcm_s16be", "pcm_s24be", "pcm_f32be")),
    ".webm": _Format("webm", ("libopus",)),
    ".mkv": _Format("matroska", ("aac", "libopus", "flac", "libmp3lame", "alac", "pcm_s16le")),
    ".aiff": _Format("aiff", ("pcm_s16be", "pcm_s24be")),
    ".avi": _Format("avi", ("pcm_s16le", "libmp3lame")),
    ".wma": _Format("asf", ("wmav2",)),
    ".mts": _Format("mpegts", ("aac",)),
}
"""Suffix to muxer and codecs. ``.rf64`` writes a WAV in its RF64 form."""

_ALIASES = {"opus": "libopus", "mp3": "libmp3lame", "amr_nb": "libopencore_amrnb"}
_RATES = {"libopencore_amrnb": 8000, "libopus": 48000}  # the only rate these take
_VIDEO_SUFFIXES = (".mp4", ".mov", ".mkv", ".webm", ".avi", ".3gp", ".mts")
_FRAME = 4096  # samples given at a time to codecs that take any number


def write_encoded(
    path: str | os.PathLike[str],
    samples: NDArray[np.float32],
    *,
    rate_hz: int,
    codec: str | None = None,
    bit_rate: int | None = None,
    video: bool = False,
    creation: dt.datetime | None = None,
    latitude_deg: float | None = None,
    longitude_deg: float | None = None,
    device: str | None = None,
) -> None:
    """Write sound to one file; what was there before is replaced at once or not at all.

    Parameters
    ----------
    path
        Where to; the suffix chooses the format (`FORMATS`).
    samples
        ``(n_channels, n)`` or ``(n,)``, full scale ±1; beyond it is clipped in integer codecs.
    rate_hz
        Of ``samples``. Codecs with one fixed rate (AMR 8 kHz, Opus 48 kHz) get it resampled.
    codec
        One of the format's codecs; None: its first. AMR is one channel: the mean is written.
    bit_rate
        In bit/s, for lossy codecs; None: the encoder's own.
    video
        Add a small black picture, 5 a second (MP4, MOV, MKV, WebM, AVI, 3GP, MTS).
    creation
        When recorded. With a zone it is written in UTC, and for MOV also as Apple's own date with zone;
        without one it is written as it stands. WAV: as ``bext``.
    latitude_deg, longitude_deg
        Where; written as ISO 6709 in formats with tags (not WAV, AMR, AAC, Vorbis).
    device
        Maker and model; written where there is a common place for it (WAV ``bext``, MOV).

    Raises
    ------
    OutputError
        The suffix or codec is unknown, or the file could not be written.
    ValueError
        ``samples`` is not one- or two-dimensional, or empty.
    """
    path = Path(path)
    form = FORMATS.get(path.suffix.lower())
    if form is None:
        raise OutputError("unknown sound format", remedy=f"use one of {' '.join(FORMATS)}", where=path)
    name = _ALIASES.get(codec or "", codec or form.codecs[0])
    if name not in form.codecs:
        raise OutputError(
            f"{path.suffix} cannot hold {codec}", remedy=f"use one of {' '.join(form.codecs)}", where=path
        )
    if video and path.suffix.lower() not in _VIDEO_SUFFIXES:
        raise OutputError(
            f"{path.suffix} cannot hold video", remedy=f"use one of {' '.join(_VIDEO_SUFFIXES)}", where=path
        )
    sound = np.atleast_2d(np.asarray(samples, np.float32))
    if sound.ndim != 2 or sound.size == 0:
        raise ValueError(f"samples must be (n_channels, n), not empty; got shape {np.shape(samples)}")
    sound, rate_hz = _fit(sound, rate_hz, name)
    tags = _tags(path.suffix.lower(), creation, latitude_deg, longitude_deg, device)

    def write(file: BinaryIO) -> None:
        if name == "vorbis":
            _write_vorbis(file, sound, rate_hz, tags)
        else:
            _write_ffmpeg(file, sound, rate_hz, path.suffix.lower(), name, bit_rate, video, tags)

    _replace(path, write)


def _replace(path: Path, write: Callable[[BinaryIO], None]) -> None:
    """Write beside the target, then move over it."""
    import av

    try:
        with replacing(path) as scratch, scratch.open("w+b") as file:
            write(file)
    except av.codec.codec.UnknownCodecError as error:
        # Wheels of PyAV from 19 on read AMR but no longer write it.
        raise OutputError(
            f"the decoder installed here cannot write {error}", remedy="pip install 'av<19'", where=path
        ) from error
    except (av.FFmpegError, RuntimeError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise OutputError(f"could not be written: {reason}", where=path) from error


def _fit(sound: NDArray[np.float32], rate_hz: int, codec: str) -> tuple[NDArray[np.float32], int]:
    if codec == "libopencore_amrnb":
        sound = sound.mean(axis=0, keepdims=True)
    wanted = _RATES.get(codec, rate_hz)
    if wanted != rate_hz:
        import soxr

        sound = np.ascontiguousarray(soxr.resample(sound.T, rate_hz, wanted, quality="HQ").T)
    return sound, wanted


def _tags(
    suffix: str,
    creation: dt.datetime | None,
    latitude_deg: float | None,
    longitude_deg: float | None,
    device: str | None,
) -> dict[str, str]:
    tags = {}
    riff = FORMATS[suffix].muxer == "wav"
    if creation is not None and riff:  # bext has local time without a zone (EBU Tech 3285)
        tags["origination_date"] = creation.strftime("%Y-%m-%d")
        tags["origination_time"] = creation.strftime("%H:%M:%S")
    elif creation is not None and creation.tzinfo is None:
        tags["creation_time"] = creation.strftime("%Y-%m-%dT%H:%M:%S")
    elif creation is not None:
        tags["creation_time"] = creation.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        if suffix == ".mov":
            tags["com.apple.quicktime.creationdate"] = creation.strftime("%Y-%m-%dT%H:%M:%S%z")
    if latitude_deg is not None and longitude_deg is not None:
        tags["location"] = f"{latitude_deg:+08.4f}{longitude_deg:+09.4f}/"
    if device is not None:
        tags["originator" if riff else "com.apple.quicktime.model"] = device
    return tags


def _write_vorbis(file: BinaryIO, sound: NDArray[np.float32], rate_hz: int, tags: dict[str, str]) -> None:
    import soundfile

    with soundfile.SoundFile(file, "w", rate_hz, len(sound), format="OGG", subtype="VORBIS") as out:
        if "creation_time" in tags:
            out.date = tags["creation_time"]
        for start in range(0, sound.shape[1], rate_hz):  # libsndfile overflows its stack on long writes
            out.write(sound[:, start : start + rate_hz].T)


def _write_ffmpeg(
    file: BinaryIO,
    sound: NDArray[np.float32],
    rate_hz: int,
    suffix: str,
    codec: str,
    bit_rate: int | None,
    video: bool,
    tags: dict[str, str],
) -> None:
    import av

    options: dict[str, str] = {}
    if suffix in (".wav", ".rf64"):
        options = {"write_bext": "1" if tags else "0", "rf64": "always" if suffix == ".rf64" else "never"}
    elif suffix == ".mov" and any(key.startswith("com.apple") for key in tags):
        options = {"movflags": "use_metadata_tags"}
    with av.open(file, "w", format=FORMATS[suffix].muxer, options=options) as container:
        container.metadata.update(tags)
        layout = {1: "mono", 2: "stereo"}.get(len(sound), f"{len(sound)}c")
        stream = cast("AudioStream", container.add_stream(codec, rate=rate_hz, layout=layout))
        if bit_rate is not None or codec == "wmav2":  # the only one without a rate of its own
            stream.bit_rate = bit_rate or 128_000
        picture = _add_picture(container, "vp8" if suffix == ".webm" else "mpeg4") if video else None
        for frame in _frames(sound, rate_hz, stream):
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
        if picture is not None:
            _fill_picture(container, picture, seconds=sound.shape[1] / rate_hz)


def _frames(sound: NDArray[np.float32], rate_hz: int, stream: AudioStream) -> Iterator[Any]:
    import av

    stream.codec_context.open()
    kind = stream.codec_context.format.name
    step = stream.codec_context.frame_size or _FRAME
    for start in range(0, sound.shape[1], step):
        part = _as_integers(sound[:, start : start + step], kind.rstrip("p"))
        if not kind.endswith("p"):
            part = part.T.reshape(1, -1)
        frame = av.AudioFrame.from_ndarray(
            np.ascontiguousarray(part), format=kind, layout=stream.codec_context.layout.name
        )
        frame.sample_rate = rate_hz
        frame.pts, frame.time_base = start, Fraction(1, rate_hz)
        yield frame


def _as_integers(part: NDArray[np.float32], kind: str) -> NDArray[Any]:
    if kind in ("flt", "dbl"):
        return part.astype(np.float64 if kind == "dbl" else np.float32)
    bits = {"u8": 8, "s16": 16, "s32": 32}[kind]
    half = 2.0 ** (bits - 1)
    whole = np.clip(np.round(part.astype(np.float64) * half), -half, half - 1)
    return (whole + 128).astype(np.uint8) if kind == "u8" else whole.astype(f"i{bits // 8}")


def _add_picture(container: OutputContainer, codec: str) -> VideoStream:
    picture = cast("VideoStream", container.add_stream(codec, rate=5))
    picture.width = picture.height = 64
    picture.pix_fmt = "yuv420p"
    return picture


def _fill_picture(container: OutputContainer, picture: VideoStream, *, seconds: float) -> None:
    import av

    black = np.zeros((64, 64, 3), np.uint8)
    for index in range(max(1, round(5 * seconds))):
        frame = av.VideoFrame.from_ndarray(black, format="rgb24")
        frame.pts, frame.time_base = index, Fraction(1, 5)
        container.mux(picture.encode(frame))
    container.mux(picture.encode(None))
