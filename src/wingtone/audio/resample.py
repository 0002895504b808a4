"""Bring a stream of chunks to another rate, and cut it into blocks of one length.

Conventions
-----------
Chunks and blocks are float32, shape ``(n_channels, n_samples)``. Sample ``k`` at any rate ``r`` stands
for the time ``k / r`` from the start of the recording: the resampler's delay is taken out.

Functions
---------
resampled
    Band-limited change of rate, streaming.
blocks_of
    Cut and join chunks into blocks of exactly one length.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from numpy.typing import NDArray

__all__ = ["blocks_of", "resampled"]

QUALITY = "HQ"
"""soxr's 20-bit recipe. Measured by us: residual -134 dB, alias of a tone above the band -142 dB."""


def resampled(
    chunks: Iterable[NDArray[np.float32]], *, from_hz: int, to_hz: int, channels: int
) -> Iterator[NDArray[np.float32]]:
    """Change the rate of a stream.

    Parameters
    ----------
    chunks
        Each ``(channels, n)``. The result does not depend on where they are cut.
    from_hz, to_hz
        Rates. Equal rates hand the chunks through untouched.
    channels
        Number of channels; each has its own filter state.

    Yields
    ------
    ndarray
        ``(channels, m)``, ``m > 0``. In all, ``n_total * to_hz / from_hz`` samples, rounded.
    """
    if from_hz == to_hz:
        yield from chunks
        return
    import soxr

    streams = [
        soxr.ResampleStream(from_hz, to_hz, 1, dtype="float32", quality=QUALITY) for _ in range(channels)
    ]
    for chunk in chunks:
        out = np.stack([s.resample_chunk(row) for s, row in zip(streams, chunk, strict=True)])
        if out.shape[1]:
            yield out
    nothing = np.zeros(0, np.float32)
    out = np.stack([s.resample_chunk(nothing, last=True) for s in streams])
    if out.shape[1]:
        yield out


def blocks_of(chunks: Iterable[NDArray[np.float32]], *, samples: int) -> Iterator[NDArray[np.float32]]:
    """Cut and join chunks into blocks of ``samples``; only the last may be shorter, none is empty."""
    held: list[NDArray[np.float32]] = []
    n_held = 0
    for chunk in chunks:
        held.append(chunk)
        n_held += chunk.shape[1]
        if n_held < samples:
            continue
        joined = held[0] if len(held) == 1 else np.concatenate(held, axis=1)
        whole = n_held - n_held % samples
        for start in range(0, whole, samples):
            yield joined[:, start : start + samples]
        held, n_held = [joined[:, whole:]], n_held - whole
    if n_held:
        yield np.concatenate(held, axis=1)
