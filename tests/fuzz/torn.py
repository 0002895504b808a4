"""Bytes damaged in general ways: what a bad copy, a bad card, or somebody with intent leaves of a file.

- `chance`: the random numbers of a case, by its target and number alone.
- `torn`: whole bytes to damaged ones.
- `nonsense`: a value of JSON that is seldom expected.
- `with_nonsense`: a JSON value with one part replaced by such a value.
"""

from __future__ import annotations

import copy
import random
import struct
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["chance", "nonsense", "torn", "with_nonsense"]

LENGTHS = (0, 1, 7, 0x7F, 0xFF, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF)


def chance(target: str, number: int) -> random.Random:
    """Give the random numbers of one case."""
    return random.Random(f"{target}:{number}")  # seeded with text: the same on every machine


def torn(whole: bytes, draw: random.Random, *, others: Sequence[bytes] = ()) -> bytes:
    """Damage bytes in one of the ways below, or several at once."""
    if not whole:
        return draw.randbytes(draw.randrange(64))
    out = bytearray(whole)
    for _ in range(draw.choice((1, 1, 1, 2, 5))):
        if not out:
            break
        at = draw.randrange(len(out))
        how = draw.randrange(11)
        if how == 0:  # cut off
            del out[at:]
        elif how == 1:  # its beginning lost
            del out[:at]
        elif how == 2:  # bits turned
            for _ in range(draw.randrange(1, 40)):
                out[draw.randrange(len(out))] ^= 1 << draw.randrange(8)
        elif how == 3:  # a stretch overwritten
            out[at : at + draw.randrange(1, 400)] = draw.randbytes(draw.randrange(400))
        elif how == 4:  # a hole
            del out[at : at + draw.randrange(1, 2000)]
        elif how == 5:  # a length that lies, most often near the beginning where headings are
            if draw.random() < 0.7:
                at = draw.randrange(min(len(out), 512))
            order = draw.choice("<>")
            kind, most = draw.choice((("H", 0xFFFF), ("I", 0xFFFFFFFF), ("Q", 2**64 - 1)))
            value = draw.choice((*LENGTHS, 2**63 - 1, 2**64 - 1)) & most
            field = struct.pack(f"{order}{kind}", value)
            out[at : at + len(field)] = field
        elif how == 6:  # a stretch twice
            start = draw.randrange(len(out))
            out[at:at] = out[start : start + draw.randrange(1, 4000)]
        elif how == 7 and others:  # two files in one
            other = draw.choice(others)
            out[at:] = other[draw.randrange(len(other) or 1) :]
        elif how == 8:  # zeros, as from a card that failed
            out[at : at + draw.randrange(1, 5000)] = bytes(draw.randrange(1, 5000))
        elif how == 9:  # bytes that mean something somewhere
            mark = draw.choice(
                (b"\0", b"\r\n", b"\xff\xfe", b"\xef\xbb\xbf", b"\x1b[2J", b"\xed\xa0\x80", b'"')
            )
            out[at:at] = mark
        else:  # something behind the end
            out += draw.randbytes(draw.randrange(1, 3000))
    return bytes(out)


def nonsense(draw: random.Random) -> Any:
    """Give a JSON value that is seldom expected."""
    deep: Any = []
    for _ in range(40):
        deep = [deep]
    return copy.deepcopy(
        draw.choice(
            (
                None,
                True,
                False,
                0,
                -1,
                3.5,
                1e300,
                -1e300,
                10**400,
                float("nan"),
                float("inf"),
                2**63,
                2**64,
                "",
                " ",
                "x",
                "\0",
                "nan",
                "=1+1",
                "\u202egnp.exe",
                "\ud800",
                "x" * 5000,
                "é" * 300,
                [],
                {},
                [[]],
                [None],
                {"": None},
                {"a": {"b": []}},
                "2026-02-30",
                "-0",
                deep,
            )
        )
    )


def with_nonsense(value: Any, draw: random.Random, *, times: int = 1) -> Any:
    """Give a copy of a JSON value in which a part, at any depth, is replaced, taken out or added."""
    out = copy.deepcopy(value)
    for _ in range(times):
        where = out
        while isinstance(where, (dict, list)) and where:
            key = draw.choice(list(where) if isinstance(where, dict) else range(len(where)))
            inner = where[key]
            if isinstance(inner, (dict, list)) and inner and draw.random() < 0.7:
                where = inner
                continue
            how = draw.randrange(6)
            if how == 0:
                del where[key]
            elif how == 1 and isinstance(where, dict):
                where[draw.choice(("unknown", "schema", "__class__", "", "x" * 300))] = nonsense(draw)
            elif how == 1 and isinstance(where, list):
                where.append(nonsense(draw))
            else:
                where[key] = nonsense(draw)
            break
        else:
            out = nonsense(draw)
    return out
