"""Tell what a file is by its first bytes, never by its name.

Conventions
-----------
A `Container` names what was found twice: ``name`` for people and records, ``demuxer`` for FFmpeg, which
is then *forced* to that reader. Anything not in the table (text, pictures, archives, playlists that
would make a decoder open other files or the network) is refused here, before a decoder sees it.

Functions
---------
container_of
    The container of an open file, or a `RecordingError` that says what the file is instead.
looks_like_recording
    The same as a yes or no, for walking folders.
what_it_holds
    The same in words, for a file that is in the way.

Sources
-------
Magic numbers: RIFF/WAVE and RF64 (EBU Tech 3306), AIFF, FLAC (RFC 9639, 8), Ogg (RFC 3533, 6), MPEG audio
and ADTS frame headers (ISO/IEC 11172-3, 2.4.1.3; 13818-7, 6.2), ISO base media ``ftyp`` (ISO/IEC
14496-12, 4.3), AMR (RFC 4867, 5), CAF, EBML (RFC 8794), MPEG-TS (ISO/IEC 13818-1, 2.4.3.2). All from
memory; the tests check them against files written by FFmpeg and libsndfile.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from wingtone.errors import RecordingError

if TYPE_CHECKING:
    from pathlib import Path
    from typing import BinaryIO

__all__ = ["HEAD_BYTES", "Container", "container_of", "looks_like_recording", "what_it_holds"]

HEAD_BYTES = 65536
"""How much of a file is looked at. Ours: holds three of the longest MPEG frames and any ftyp box."""

_KNOWN = (
    "wingtone reads WAV, AIFF, FLAC, MP3, AAC, Ogg, Opus, M4A, MP4, MOV, 3GP, AMR, CAF, WMA, AVI, MTS, WebM "
    "and MKV"
)


@dataclass(frozen=True)
class Container:
    """A container format.

    Attributes
    ----------
    name
        For people: ``wav``, ``rf64``, ``flac``, ``mp3``, ``ogg``, ``m4a``, ``mp4``, ``mov``, ``3gp``,
        ``amr``, ``aac``, ``caf``, ``webm``, ``mkv``, ``aiff``, ``avi``, ``wma`` or ``mts``.
    demuxer
        FFmpeg's reader for it.
    """

    name: str
    demuxer: str


# (offset, bytes, name, demuxer); first match wins
_MAGIC = (
    (0, b"RF64", "rf64", "wav"),
    (0, b"BW64", "rf64", "wav"),
    (0, b"fLaC", "flac", "flac"),
    (0, b"OggS", "ogg", "ogg"),
    (0, b"#!AMR", "amr", "amr"),
    (0, b"caff", "caf", "caf"),
    (0, b"\x30\x26\xb2\x75\x8e\x66\xcf\x11", "wma", "asf"),
    (4, b"moov", "mov", "mov"),
    (4, b"mdat", "mov", "mov"),
    (4, b"wide", "mov", "mov"),
)
_RIFF = {b"WAVE": ("wav", "wav"), b"AVI ": ("avi", "avi")}
_PICTURE_BRANDS = {b"heic", b"heix", b"heim", b"heis", b"mif1", b"msf1", b"avif", b"avis", b"crx "}
_NOT_SOUND = (
    (0, b"\xff\xd8\xff", "a picture"),
    (0, b"\x89PNG", "a picture"),
    (0, b"GIF8", "a picture"),
    (0, b"II*\x00", "a picture"),
    (0, b"MM\x00*", "a picture"),
    (8, b"WEBP", "a picture"),
    (0, b"%PDF", "a PDF document"),
    (0, b"PK\x03\x04", "a zip archive"),
    (0, b"\x1f\x8b", "a compressed archive"),
    (0, b"7z\xbc\xaf", "a compressed archive"),
    (0, b"Rar!", "a compressed archive"),
    (0, b"SQLite format 3", "a database"),
    (0, b"bplist00", "a stand-in for a file that is still in the cloud"),
)
_REMEDY = {
    "a zip archive": "unpack it first and give the recordings inside",
    "a compressed archive": "unpack it first and give the recordings inside",
    "a stand-in for a file that is still in the cloud": "open it once on the phone or computer to fetch it",
    "a web page": "the download did not give the recording; fetch the file itself again",
}


def container_of(file: BinaryIO, *, path: Path) -> Container:
    """Tell the container of an open file from its content.

    Parameters
    ----------
    file
        Opened for reading bytes, seekable. Its position afterwards is undefined.
    path
        Named in errors only.

    Raises
    ------
    RecordingError
        Empty, text, a picture, an archive, only zeros, or nothing known.
    """
    file.seek(0)
    head = file.read(HEAD_BYTES)
    if not head:
        raise RecordingError("is empty", remedy="copy it again from the phone or recorder", where=path)
    found = _known(head) or _after_id3(file, head)
    if found is not None:
        return found
    what = _what_instead(head)
    if what == "zeros":
        raise RecordingError(
            "holds only zeros: the copy or the memory card failed",
            remedy="copy it again from the phone or recorder",
            where=path,
        )
    raise RecordingError(f"is {what}, not a recording", remedy=_REMEDY.get(what, _KNOWN), where=path)


def looks_like_recording(file: BinaryIO) -> bool:
    """Say whether an open file's content is a sound or video container."""
    file.seek(0)
    head = file.read(HEAD_BYTES)
    return (_known(head) or _after_id3(file, head)) is not None


def what_it_holds(file: BinaryIO) -> str:
    """Say what an open file is: ``a recording``, ``a picture``, ``a database``, ``a text file`` and so on."""
    if looks_like_recording(file):
        return "a recording"
    file.seek(0)
    return _what_instead(file.read(HEAD_BYTES))


def _known(head: bytes) -> Container | None:
    if head[:4] in (b"RIFF", b"RIFX") and head[8:12] in _RIFF:
        return Container(*_RIFF[head[8:12]])
    if head[:4] == b"FORM" and head[8:12] in (b"AIFF", b"AIFC"):
        return Container("aiff", "aiff")
    for offset, magic, name, demuxer in _MAGIC:
        if head.startswith(magic, offset):
            return Container(name, demuxer)
    if head[4:8] == b"ftyp":
        return _iso_media(head[8:12])
    if head.startswith(b"\x1a\x45\xdf\xa3"):
        return Container("webm" if b"webm" in head[:64] else "mkv", "matroska")
    for start, step in ((0, 188), (4, 192)):  # plain and camcorder transport streams
        if len(head) > 4 * step and all(head[start + k * step] == 0x47 for k in range(4)):
            return Container("mts", "mpegts")
    return _mpeg_audio(head)


def _iso_media(brand: bytes) -> Container | None:
    if brand in _PICTURE_BRANDS:
        return None
    if brand == b"qt  ":
        name = "mov"
    elif brand[:2] == b"3g":
        name = "3gp"
    elif brand[:3] in (b"M4A", b"M4B"):
        name = "m4a"
    else:
        name = "mp4"
    return Container(name, "mov")


def _after_id3(file: BinaryIO, head: bytes) -> Container | None:
    """Look behind ID3v2 tags (ID3v2.4 structure, 3.1: size in four 7-bit bytes)."""
    at = 0
    for _ in range(4):  # more than a few tags in a row is nobody's recording
        if head[:3] != b"ID3" or len(head) < 10:
            break
        size = sum((byte & 0x7F) << shift for byte, shift in zip(head[6:10], (21, 14, 7, 0), strict=True))
        at += 10 + size + (10 if head[5] & 0x10 else 0)
        file.seek(at)
        head = file.read(HEAD_BYTES)
    return _known(head) if at else None


# kbit/s by index 1..14, layer III (ISO/IEC 11172-3, table 2.4.2.3; 13818-3; memory)
_MPEG1_KBPS = (32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320)
_MPEG2_KBPS = (8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160)
_MPEG1_RATES = (44100, 48000, 32000)


def _frame(head: bytes, at: int) -> tuple[str, int] | None:
    """Kind and length of an MPEG audio layer III or ADTS frame at ``at``, or None."""
    b = head[at : at + 7]
    if len(b) < 7 or b[0] != 0xFF:
        return None
    if b[1] & 0xF6 == 0xF0:  # ADTS: sync and layer 0
        length = (b[3] & 3) << 11 | b[4] << 3 | b[5] >> 5
        return ("aac", length) if length > 7 and b[2] >> 2 & 15 < 13 else None
    version, layer = b[1] >> 3 & 3, b[1] >> 1 & 3
    bit_rate, rate = b[2] >> 4, b[2] >> 2 & 3
    if b[1] & 0xE0 != 0xE0 or version == 1 or layer != 1 or not 0 < bit_rate < 15 or rate == 3:
        return None
    if version == 3:
        kbps, rate_hz, factor = _MPEG1_KBPS[bit_rate - 1], _MPEG1_RATES[rate], 144
    else:
        kbps, factor = _MPEG2_KBPS[bit_rate - 1], 72
        rate_hz = _MPEG1_RATES[rate] // (2 if version == 2 else 4)
    return "mp3", factor * 1000 * kbps // rate_hz + (b[2] >> 1 & 1)


def _mpeg_audio(head: bytes) -> Container | None:
    """Find three frames in a row, allowing junk (a cut frame) before the first."""
    at = head.find(b"\xff")
    while 0 <= at < 8192:
        kind, where, frames = None, at, 0
        while frames < 3 and (frame := _frame(head, where)) and kind in (None, frame[0]):
            kind, where, frames = frame[0], where + frame[1], frames + 1
        # a short clip may end after one whole frame, but only right at its start is that believed
        if kind and (frames == 3 or (at == 0 and where == len(head))):
            return Container(kind, kind)
        at = head.find(b"\xff", at + 1)
    return None


def _what_instead(head: bytes) -> str:
    """Name what a file is that is not a recording."""
    for offset, magic, what in _NOT_SOUND:
        if head.startswith(magic, offset):
            return what
    if head[4:8] == b"ftyp":
        return "a picture"
    if not any(head):
        return "zeros"
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "a text file"
    body = head[:4096]
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as error:
        if len(body) - error.start > 3 or len(head) <= len(body):
            return "of an unknown kind"
        text = body[: error.start].decode("utf-8")  # a letter cut in two by the 4096
    if all(c.isprintable() or c in "\t\r\n\f\ufeff" for c in text):
        start = text.lstrip("\ufeff \t\r\n")[:64].lower()
        return "a web page" if start.startswith(("<!doctype html", "<html")) else "a text file"
    return "of an unknown kind"
