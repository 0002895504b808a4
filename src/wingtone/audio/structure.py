"""Checks of a file's own structure that FFmpeg leaves out.

FFmpeg reserves memory for a text or a table before it looks whether the file can hold it: a few hostile or
damaged bytes can ask for gigabytes. So no chunk but the sound's own may claim more than the whole file, and
no index more samples than there are half bytes. And it believes two things of a WAV that need not be so, see
`corrections_of`.

Functions
---------
chunks_of
    Walk the chunks of a WAV, RF64, AVI, AIFF or CAF file.
check_sizes
    Refuse chunks and indexes that claim more than the file can hold.
corrections_of
    Bytes of a WAV that FFmpeg has to read as others.
last_page_whole
    Tell whether an Ogg file breaks off.

Sources
-------
Chunk layout of RIFF (EBU Tech 3285), ``WAVE_FORMAT_EXTENSIBLE`` (Microsoft), AIFF, CAF (Apple), boxes of
ISO/IEC 14496-12 (4.2), its ``stsz``, ``stz2`` and ``trun`` (8.7.3, 8.8.8), QuickTime's ``keys``, Ogg pages
(RFC 3533, 6). All from memory; the tests check them against files written by FFmpeg.
"""

from __future__ import annotations

import os
import re
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

from wingtone.errors import RecordingError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from typing import BinaryIO

    from wingtone.audio.sniff import Container

__all__ = ["check_sizes", "chunks_of", "corrections_of", "last_page_whole"]

_MAX_CHUNKS = 100_000
_MAX_BOXES = 1_000_000  # more than a day in fragments of a second
_WINDOW_BYTES = 1 << 20
_MAX_PAGE_BYTES = 27 + 255 + 255 * 255


@dataclass(frozen=True)
class _Layout:
    """How a file is cut into chunks: where they start, their head, and the even length some are padded to."""

    start: int
    head: str
    padded: bool
    sound: frozenset[bytes]  # chunks that may run past the end: a recorder died, a copy broke off


_LAYOUTS = {
    "wav": _Layout(12, "<4sI", True, frozenset({b"data"})),
    "avi": _Layout(12, "<4sI", True, frozenset({b"LIST"})),
    "aiff": _Layout(12, ">4sI", True, frozenset({b"SSND"})),
    "caf": _Layout(8, ">4sQ", False, frozenset({b"data"})),
}
_NAME = re.compile(rb"[A-Za-z0-9_ ]{4}")
_EXTENSIBLE = struct.Struct("<H12xH2xH4xH")  # kind of header, bits kept, bits that count, kind of samples
_BOXES_PASSED_OVER = frozenset({b"mdat", b"free", b"skip"})
_COUNT_AT = {b"stsz": 12, b"stz2": 12, b"trun": 8, b"keys": 8}  # from the box's name to its number of entries


def check_sizes(file: BinaryIO, container: Container, *, path: Path) -> None:
    """Refuse a file whose chunks or index claim more than it can hold.

    WAV, AIFF, CAF, AVI and the MP4 family are looked at; of the others no such harm is known.

    Raises
    ------
    RecordingError
        A chunk other than the sound is longer than the file, or an index announces more samples than the
        file has half bytes (the thinnest codec, 4-bit ADPCM).
    """
    size = file.seek(0, os.SEEK_END)
    if container.demuxer == "mov":
        false = _false_box(file, size)
    elif container.demuxer in _LAYOUTS:
        false = _false_chunk(file, size, container)
    else:
        return
    if false:
        raise RecordingError(
            f"its {false} claims more than the file can hold",
            remedy="it is damaged: copy it again from the phone or recorder",
            where=path,
        )


def chunks_of(file: BinaryIO, container: Container) -> Iterator[tuple[bytes, int, int]]:
    """Walk the chunks of a WAV, RF64, AVI, AIFF or CAF file, at most 100,000.

    Yields
    ------
    tuple
        Kind, position of the body, length of the body as the file claims it. The file may be moved between
        two steps. Walking ends at a sound whose length was never filled in: what follows is sound.
    """
    layout = _LAYOUTS[container.demuxer]
    head_bytes = struct.calcsize(layout.head)
    sound_bytes = None  # the true length of "data" in RF64, from "ds64"
    size, at = file.seek(0, os.SEEK_END), layout.start
    for _ in range(_MAX_CHUNKS):
        if at >= size:  # a length may be any number of 64 bits, more than any file can be moved to
            return
        file.seek(at)
        head = file.read(head_bytes + 16)
        if len(head) < head_bytes:
            return
        kind, length = struct.unpack_from(layout.head, head)
        if kind == b"ds64" and len(head) == head_bytes + 16:
            sound_bytes = struct.unpack_from("<Q", head, head_bytes + 8)[0]
        elif kind == b"data" and length == 0xFFFFFFFF and sound_bytes is not None:
            length = sound_bytes
        at += head_bytes
        yield kind, at, length
        if kind in layout.sound and length == 0:
            return
        at += length + (length % 2 if layout.padded else 0)


def corrections_of(file: BinaryIO, container: Container) -> dict[int, bytes]:
    """Tell which bytes of a WAV FFmpeg has to read as others: what to read, by its place in the file.

    - The length of a sound that the file goes on behind with what is no chunk is read as 0, "not filled in":
      the recorder corrects it now and then, and its battery died in between, or the sound is longer than the
      4 GB that the length can say.
    - Samples of 24 bits that are kept in 32 are read as 32, or FFmpeg takes them for a kind of float.
    """
    found: dict[int, bytes] = {}
    if container.demuxer != "wav":
        return found
    for kind, at, length in chunks_of(file, container):
        if kind == b"fmt ":
            file.seek(at)
            form = file.read(_EXTENSIBLE.size)
            if len(form) == _EXTENSIBLE.size and _EXTENSIBLE.unpack(form) == (0xFFFE, 32, 24, 1):
                found[at + 18] = struct.pack("<H", 32)
        elif kind == b"data":
            if container.name == "wav" and _goes_on(file, at + length, odd=length % 2 == 1):
                found[at - 4] = bytes(4)
            break
    return found


def _goes_on(file: BinaryIO, end: int, *, odd: bool) -> bool:
    """Whether there is something behind a sound that is neither a chunk nor the zeros of a card's block."""
    file.seek(min(end, file.seek(0, os.SEEK_END)))
    behind = file.read(_WINDOW_BYTES)
    names = (behind[odd : odd + 4], behind[:4])  # not all fill up to an even length
    return len(behind) >= 8 and any(behind) and not any(map(_NAME.fullmatch, names))


def _false_chunk(file: BinaryIO, size: int, container: Container) -> str:
    sound = _LAYOUTS[container.demuxer].sound
    behind = False
    for kind, _, length in chunks_of(file, container):
        if length > size:
            is_none = behind and not _NAME.fullmatch(kind)  # see `corrections_of`
            return "" if kind in sound or is_none else "header"
        behind = behind or (container.name == "wav" and kind in sound)
    return ""


def _false_box(file: BinaryIO, size: int) -> str:
    at = 0
    for _ in range(_MAX_BOXES):
        file.seek(at)
        head = file.read(16)
        if len(head) < 8:
            return ""
        length, kind = struct.unpack(">I4s", head[:8])
        if length == 1 and len(head) == 16:
            length = struct.unpack(">Q", head[8:])[0]
        elif length == 0:  # to the end of the file
            length = size - at
        if kind not in _BOXES_PASSED_OVER:
            if length > size:
                return "header"
            if _announces_more_than(2 * size, file, at, at + length):
                return "index"
        at += max(length, 8)
    return "header"


def _announces_more_than(limit: int, file: BinaryIO, start: int, end: int) -> bool:
    """Look for tables anywhere inside a box: FFmpeg takes them at any depth."""
    overlap = 16
    for at in range(start, end, _WINDOW_BYTES):
        file.seek(at)
        window = file.read(min(_WINDOW_BYTES + overlap, end - at))
        for tag, count_at in _COUNT_AT.items():
            found = window.find(tag)
            while 0 <= found <= len(window) - count_at - 4:
                fields = window[found + 4 : found + count_at + 4]
                if struct.unpack(">I", fields[-4:])[0] > limit and not _is_text(fields):
                    return True
                found = window.find(tag, found + 4)
        if len(window) <= _WINDOW_BYTES:
            return False
    return False


def _is_text(fields: bytes) -> bool:
    """Tell a comment about monkeys from a ``keys`` table. Counts in letters are beyond what FFmpeg allows."""
    return all(byte >= 0x20 or byte in b"\t\n\r" for byte in fields)


def last_page_whole(file: BinaryIO) -> bool:
    """Tell whether the last page of an Ogg file is all there.

    FFmpeg drops a page that breaks off without a word. The end-of-stream flag does not help: some phone
    programs never set it. A page head is 27 bytes and a table of segment lengths.
    """
    size = file.seek(0, os.SEEK_END)
    file.seek(max(0, size - 2 * _MAX_PAGE_BYTES))
    tail = file.read(2 * _MAX_PAGE_BYTES)
    at = tail.rfind(b"OggS")
    if at < 0 or at + 27 > len(tail):
        return False
    segments = tail[at + 27 : at + 27 + tail[at + 26]]
    return len(segments) == tail[at + 26] and at + 27 + len(segments) + sum(segments) <= len(tail)
