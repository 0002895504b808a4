"""Rows of an SQLite file, read page by page without SQLite, for files that SQLite cannot read any more.

The layout is that of "Database File Format" in SQLite's documentation (memory; the test reads the same rows
through SQLite). Only leaf pages of tables are looked at, with the overflow pages their rows go on to.

- `table_rows`: every row of a number of columns that can be made out.
"""

from __future__ import annotations

import mmap
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["table_rows"]

LEAF_OF_A_TABLE = 0x0D
LONGEST_ROW = 50_000_000
"""Bytes; a longer one is taken for damage. Ours: far beyond the longest record we take."""


def table_rows(path: Path, *, columns: int) -> Iterator[tuple[Any, ...]]:
    """Give every row with this number of columns that can be made out, in no particular order.

    Damage can make up rows that never were: check what comes out. Integers, texts and nulls come as such,
    anything else as bytes. An empty file has no rows.
    """
    if path.stat().st_size < 512:
        return
    with path.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        size = int.from_bytes(data[16:18], "big")
        size = 65536 if size == 1 else size
        if size < 512 or size & (size - 1):
            size = 4096  # the head of the file is damaged: SQLite's usual size
        for page in range(len(data) // size):
            start = page * size
            head = start + (100 if page == 0 else 0)
            if data[head] != LEAF_OF_A_TABLE:
                continue
            cells = int.from_bytes(data[head + 3 : head + 5], "big")
            for i in range(min(cells, size // 4)):
                at = int.from_bytes(data[head + 8 + 2 * i : head + 10 + 2 * i], "big")
                if at < size - 4:
                    payload = _payload(data, start + at, size)
                    row = None if payload is None else _row(payload, columns)
                    if row is not None:
                        yield row


def _varint(data: bytes | mmap.mmap, at: int) -> tuple[int, int]:
    """Read an integer of 1 to 9 bytes, seven bits a byte; give it and where it ends."""
    value = 0
    for i in range(8):
        byte = data[at + i]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + i + 1
    return value << 8 | data[at + 8], at + 9


def _payload(data: mmap.mmap, at: int, size: int) -> bytes | None:
    """Collect a row from its cell and the chain of overflow pages; None when it leads nowhere."""
    try:
        length, at = _varint(data, at)
        _, at = _varint(data, at)
        if not 0 < length < LONGEST_ROW:
            return None
        most, least = size - 35, (size - 12) * 32 // 255 - 23
        local = length
        if length > most:
            local = least + (length - least) % (size - 4)
            local = local if local <= most else least
        parts, rest = [data[at : at + local]], length - local
        following = int.from_bytes(data[at + local : at + local + 4], "big") if rest else 0
        while rest > 0:
            start = (following - 1) * size
            if following < 2 or start + size > len(data):
                return None
            parts.append(data[start + 4 : start + 4 + min(rest, size - 4)])
            rest -= size - 4
            following = int.from_bytes(data[start : start + 4], "big")
    except IndexError:
        return None
    return b"".join(parts)


def _row(payload: bytes, columns: int) -> tuple[Any, ...] | None:
    """Take a row apart by its header of serial types; None when it is not of this number of columns."""
    try:
        end, at = _varint(payload, 0)
        kinds = []
        while at < end:
            kind, at = _varint(payload, at)
            kinds.append(kind)
    except IndexError:
        return None
    if len(kinds) != columns or at != end:
        return None
    values: list[Any] = []
    for kind in kinds:
        length = {5: 6, 6: 8, 7: 8, 8: 0, 9: 0}.get(kind, kind) if kind < 12 else (kind - 12) // 2
        piece = payload[at : at + length]
        if len(piece) != length:
            return None
        at += length
        if kind >= 13 and kind % 2:
            try:
                values.append(piece.decode())
            except UnicodeDecodeError:
                values.append(piece)
        elif kind in (8, 9):
            values.append(kind - 8)
        elif 1 <= kind <= 6:
            values.append(int.from_bytes(piece, "big", signed=True))
        else:
            values.append(None if kind == 0 else piece)
    return tuple(values)
