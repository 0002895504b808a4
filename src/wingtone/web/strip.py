"""The strip: a recording's spectrogram as small pictures, made when they are asked for.

A tile of `TILE_PX` columns covers ``8 * 2**level`` seconds and `LOW_HZ` to `HIGH_HZ` in `HEIGHT_PX` rows.
Each column shows the strongest sound of its time, over the sound at neighbouring frequencies, so that wind
does not cover the lines; 0 is the floor, 255 stands `TOP_DB` above it. Tiles are made from the listening copy
and kept on disk when the sound they show is complete.

- `layout`: sizes and levels for a recording.
- `tile`, `whole`: one picture, and one of everything.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from wingtone.files import replacing
from wingtone.tone.spectrum import BIN_HZ, FLOOR_WIDTH_HZ, HOP, RATE_HZ, WINDOW, log_power, running_mean
from wingtone.web.png import grey_png
from wingtone.web.sounds import copied_samples, read_copy

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

__all__ = ["layout", "levels_of", "tile", "whole"]

TILE_PX, HEIGHT_PX = 512, 256
FINEST_S = 8.0
"""Seconds in a tile of level 0: 15.6 ms a column, about the 10 ms at which the tone is measured."""
HIGHEST_LEVEL, MOST_TILES = 24, 1 << 24
"""Ours: years of sound; numbers beyond are nobody's that looks at a recording."""
LOW_HZ, HIGH_HZ = 50.0, 2000.0
FLOOR_DB, TOP_DB = 3.0, 30.0
"""What is drawn as 0 and as 255, over the running mean across frequencies. Ours: noise scatters by about
6 dB about it, a clear line stands 20 to 40 above."""
STEPS = 4
"""Grey values are rounded to multiples of this, which halves the files and cannot be seen. Ours."""
DB_PER_NEPER = 10.0 / math.log(10.0)
WIDEST_STEP = 12
"""In coarse tiles every so manieth frame is looked at: frames are 128 ms long, so nothing falls between."""
BLOCK_S = 60.0
"""Sound is turned into columns in pieces of so many seconds, to bound the memory."""


def levels_of(duration_s: float) -> int:
    """How many levels there are: until one tile holds everything."""
    return 1 + max(0, math.ceil(math.log2(max(duration_s, 0.01) / FINEST_S)))


def layout(duration_s: float, *, copied_s: float, complete: bool) -> dict[str, Any]:
    """Say what tiles there are.

    ``ready_s`` is how much of the recording can be seen so far; tiles beyond it are blank until then.
    """
    return {
        "duration_s": duration_s,
        "ready_s": copied_s,
        "complete": complete,
        "low_hz": LOW_HZ,
        "high_hz": HIGH_HZ,
        "tile_px": TILE_PX,
        "height_px": HEIGHT_PX,
        "levels": [
            {"level": level, "seconds_per_tile": FINEST_S * 2**level}
            for level in range(levels_of(duration_s))
        ],
    }


def tile(copy: Path, level: int, number: int, *, cache: Path, complete: bool) -> bytes:
    """Make or fetch one tile.

    Parameters
    ----------
    copy
        The listening copy, perhaps still growing.
    cache
        Folder for finished tiles; it is made.
    complete
        Whether the copy is whole.

    Raises
    ------
    IndexError
        There is no such tile.
    """
    if not 0 <= level <= HIGHEST_LEVEL or not 0 <= number < MOST_TILES:
        raise IndexError("no such tile")
    held = cache / f"{level}-{number}.png"
    if held.is_file():
        return held.read_bytes()
    duration_s = copied_samples(copy) / (2 * RATE_HZ)
    span_s = FINEST_S * 2**level
    if complete and number * span_s >= max(duration_s, 0.01):
        raise IndexError("no such tile")
    if complete and level >= levels_of(duration_s):
        raise IndexError("no such level")
    png = grey_png(_picture(copy, number * span_s, span_s))
    if complete or (number + 1) * span_s + WINDOW / RATE_HZ < duration_s:
        cache.mkdir(exist_ok=True)
        with replacing(held) as scratch:
            scratch.write_bytes(png)
    return png


def whole(copy: Path, *, cache: Path) -> bytes:
    """Make or fetch one picture of the whole recording, up to `TILE_PX` wide; the copy must be complete.

    Raises
    ------
    IndexError
        The recording is empty.
    """
    held = cache / "whole.png"
    if held.is_file():
        return held.read_bytes()
    duration_s = copied_samples(copy) / (2 * RATE_HZ)
    if not duration_s:
        raise IndexError("nothing there")
    width = min(TILE_PX, max(1, int(duration_s * RATE_HZ / HOP)))
    png = grey_png(_picture(copy, 0.0, duration_s, width=width))
    cache.mkdir(exist_ok=True)
    with replacing(held) as scratch:
        scratch.write_bytes(png)
    return png


def _picture(copy: Path, from_s: float, span_s: float, *, width: int = TILE_PX) -> NDArray[np.uint8]:
    """Grey values, shape (HEIGHT_PX, width), the highest frequency on top."""
    columns = np.zeros((width, HEIGHT_PX), np.float32)
    column_s = span_s / width
    step = int(np.clip(column_s / (HOP / RATE_HZ), 1, WIDEST_STEP))
    half_s = WINDOW / 2 / RATE_HZ
    block_s = min(BLOCK_S, span_s)
    for at_s in np.arange(from_s, from_s + span_s - 1e-9, block_s):
        samples = read_copy(copy, at_s - half_s, at_s + block_s + half_s, rate_hz=RATE_HZ)
        if samples is None:
            break
        frames = log_power(samples, step=step)
        if not frames.shape[0]:
            continue
        shown = _rows(frames)
        when_s = at_s - from_s + np.arange(shown.shape[0]) * (step * HOP / RATE_HZ)
        column = np.minimum((when_s / column_s).astype(int), width - 1)
        here, starts = np.unique(column, return_index=True)
        columns[here] = np.maximum(columns[here], np.maximum.reduceat(shown, starts, axis=0))
    scaled = np.clip((columns - FLOOR_DB) / (TOP_DB - FLOOR_DB), 0.0, 1.0) * 255.0
    grey = (np.rint(scaled / STEPS) * STEPS).clip(0, 255).astype(np.uint8)
    return np.ascontiguousarray(grey.T[::-1])


def _rows(frames: NDArray[np.float32]) -> NDArray[np.float32]:
    """Decibels over the neighbouring frequencies, the strongest bin in each row; (n_frames, HEIGHT_PX)."""
    over = (frames - running_mean(frames, round(FLOOR_WIDTH_HZ / 2 / BIN_HZ))) * np.float32(DB_PER_NEPER)
    edges = np.rint(np.linspace(LOW_HZ, HIGH_HZ, HEIGHT_PX + 1) / BIN_HZ).astype(int)
    rows: NDArray[np.float32] = np.maximum.reduceat(over[:, : edges[-1]], edges[:-1], axis=1)
    return rows
