"""Files that no honest phone makes: for the tests of the page, and at length for its benchmark."""

from __future__ import annotations

import random
import struct
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["hostile_files"]


def wav(
    sound: bytes, *, rate_hz: int = 8000, channels: int = 1, bits: int = 16, claimed: int | None = None
) -> bytes:
    """A WAV whose heading may claim anything."""
    layout = struct.pack(
        "<HHIIHH", 1, channels, rate_hz & 0xFFFFFFFF, (rate_hz * channels * bits // 8) & 0xFFFFFFFF,
        (channels * bits // 8) & 0xFFFF, bits,
    )  # fmt: skip
    size = len(sound) if claimed is None else claimed
    body = b"WAVEfmt " + struct.pack("<I", 16) + layout + b"data" + struct.pack("<I", size) + sound
    return b"RIFF" + struct.pack("<I", min(len(body), 0xFFFFFFFF)) + body


def hostile_files(seeds: dict[str, bytes], n: int) -> Iterator[tuple[str, bytes]]:
    """Give ``n`` files with the same names and bytes each time: broken, lying, or something else altogether.

    Parameters
    ----------
    seeds
        Sound files by name, to be damaged.
    """
    draw = random.Random(7)  # the same every time
    names = sorted(seeds)
    for number in range(n):
        kind = number % 8
        name = names[draw.randrange(len(names))]
        whole = seeds[name]
        if kind == 0:  # cut off anywhere
            yield f"{number}-{name}", whole[: draw.randrange(1, len(whole))]
        elif kind == 1:  # bits turned all over
            torn = bytearray(whole)
            for _ in range(draw.randrange(1, 400)):
                torn[draw.randrange(len(torn))] = draw.randrange(256)
            yield f"{number}-{name}", bytes(torn)
        elif kind == 2:  # a heading, then noise
            yield f"{number}-{name}", whole[: draw.randrange(8, 200)] + draw.randbytes(draw.randrange(50_000))
        elif kind == 3:  # nothing but noise
            yield f"{number}-noise.wav", draw.randbytes(draw.randrange(1, 20_000))
        elif kind == 4:  # lying about everything
            rate = draw.choice((0, 1, 44_100, 768_001, 0xFFFFFFFF))
            channels = draw.choice((0, 1, 33, 65_535))
            bits = draw.choice((0, 7, 16, 64, 65_535))
            claimed = draw.choice((0, 1, 0xFFFFFFFF))
            sound = draw.randbytes(1000)
            yield (
                f"{number}-lies.wav",
                wav(sound, rate_hz=rate, channels=channels, bits=bits, claimed=claimed),
            )
        elif kind == 5:  # texts and pictures with the name of a sound
            yield (
                f"{number}-page.mp3",
                draw.choice(
                    (b"<script>alert(1)</script>", b"#EXTM3U\n/etc/passwd\n", b"\x89PNG\r\n\x1a\n", b"PK\3\4")
                ),
            )
        elif kind == 6:  # two files glued together
            other = seeds[names[draw.randrange(len(names))]]
            yield f"{number}-{name}", whole[: len(whole) // 2] + other
        else:  # nothing at all
            yield f"{number}-empty.ogg", b""
