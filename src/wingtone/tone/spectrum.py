"""From sound to a levelled spectrum: short frames, log power, the floor taken away.

Conventions
-----------
Frame ``k`` is centred on ``k * HOP_S`` seconds. Spectra are in nepers of power (natural logarithm);
bin ``b`` is at ``b * BIN_HZ``. Arrays are float32, shape ``(n_frames, n_bins)`` for one channel, and lie
bin by bin in memory (as a transpose), so that what is done to neighbouring bins is done to many frames at
once.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

RATE_HZ = 6000
"""Working sample rate. Ours: keeps the comb to 2.8 kHz, where bees still stand out of the wind."""
HOP = 60
HOP_S = HOP / RATE_HZ
"""10 ms, the grid of the tracks that ``wingtone measure --tracks`` writes."""
WINDOW = 768
"""128 ms Hann: main lobe 31 Hz, so lines 80 Hz apart are separate and a glide of 50 %/s stays in one lobe
up to the fifth harmonic. Ours; 75 to 128 ms made no measurable difference on real recordings."""
FFT_SIZE = 2048
BIN_HZ = RATE_HZ / FFT_SIZE
N_BINS = FFT_SIZE // 2 + 1
BLOCK_FRAMES = 128
"""Spectra of so many frames stay in the processor's cache from step to step."""
FLOOR_WIDTH_HZ = 300.0
"""Width of the running mean of log power that stands for the floor: at least one and a half comb
spacings at the highest flight tone, narrow enough to follow wind's slope. Ours."""


@lru_cache(maxsize=2)
def hann(length: int) -> NDArray[np.float32]:
    """Hann's window of so many samples, shape (length,); not to be written to."""
    n = np.arange(length)
    window = (0.5 - 0.5 * np.cos(2 * np.pi * (n + 0.5) / length)).astype(np.float32)
    window.setflags(write=False)
    return window


def bin_hz(n_bins: int) -> float:
    """Spacing of the bins of a spectrum that has so many."""
    return RATE_HZ / 2 / (n_bins - 1)


def log_power(samples: NDArray[np.float32], *, step: int = 1, size: int = FFT_SIZE) -> NDArray[np.float32]:
    """Log power of every frame that lies whole inside the samples.

    Parameters
    ----------
    samples : shape (n,)
        One channel at `RATE_HZ`. Frame 0 of the result is centred on sample ``WINDOW // 2``.
    step
        Take every so manieth frame only.
    size
        Of the Fourier transform, at least `WINDOW`: how finely the same spectrum is read.

    Returns
    -------
    shape (n_frames, size // 2 + 1), float32
        Empty (no frames) when there are fewer than `WINDOW` samples. Digital silence is floored at
        1e-12 of full scale squared, so the result is always finite.
    """
    from scipy.fft import rfft

    if samples.shape[0] < WINDOW:
        return np.empty((0, size // 2 + 1), np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(samples, WINDOW)[:: HOP * step]
    padded = np.zeros((size, frames.shape[0]), np.float32)
    np.multiply(frames.T, hann(WINDOW)[:, None], out=padded[:WINDOW])
    parts = rfft(padded, axis=0, workers=1).view(np.float32)
    np.multiply(parts, parts, out=parts)
    power: NDArray[np.float32] = parts[:, ::2] + parts[:, 1::2]
    power += np.float32(1e-12)
    return np.log(power, out=power).T


def running_mean(values: NDArray[np.float32], half_width: int) -> NDArray[np.float32]:
    """Mean over ``2 * half_width + 1`` neighbours along the last axis, shortened at the edges."""
    n = values.shape[-1]
    total = np.zeros((*values.shape[:-1], n + 1), np.float64)
    np.cumsum(values, axis=-1, out=total[..., 1:])
    low = np.maximum(np.arange(n) - half_width, 0)
    high = np.minimum(np.arange(n) + half_width + 1, n)
    mean: NDArray[np.float32] = ((total[..., high] - total[..., low]) / (high - low)).astype(np.float32)
    return mean


def _neighbour_sums(values: NDArray[np.float32], half_width: int) -> NDArray[np.float32]:
    """Sum over ``2 * half_width + 1`` neighbours along the first axis; nothing lies beyond the ends.

    Sums of 1, 2, 4, 8, ... neighbours are each made from the last, and those that add up to the width are
    added: a dozen whole-array additions, and no loss of digits as in a difference of long sums.
    """
    n, width = values.shape[0], 2 * half_width + 1
    run = np.empty((n + 2 * half_width, values.shape[1]), np.float32)
    run[:half_width], run[half_width : half_width + n], run[half_width + n :] = 0.0, values, 0.0
    spare = np.empty_like(run)
    total = run[:n].copy()
    start, length = 1, 1
    while 2 * length <= width:
        np.add(run[:-length], run[length:], out=spare[:-length])
        run, spare = spare[:-length], run[:-length]
        length *= 2
        if width & length:
            total += run[start : start + n]
            start += length
    return total


def contrast(log_spectrum: NDArray[np.float32], *, band_hz: float = RATE_HZ / 2) -> NDArray[np.float32]:
    """Log power over the local floor: lines stand up, gaps hang down, gusts and slopes are gone.

    Parameters
    ----------
    log_spectrum : shape (n_frames, n_bins)
        From `log_power`.
    band_hz
        Upper edge of what the recording really carries; bins above are set to zero (no evidence).

    Returns
    -------
    shape (n_frames, n_bins), float32, nepers; clipped so that no single line decides alone.
    """
    n_bins = log_spectrum.shape[1]
    half = round(FLOOR_WIDTH_HZ / 2 / bin_hz(n_bins))
    top = min(n_bins, int(band_hz / bin_hz(n_bins)))
    at = np.arange(top)
    n_neighbours = np.minimum(at + half + 1, top) - np.maximum(at - half, 0)
    share = (1.0 / n_neighbours).astype(np.float32)[:, None]
    level = np.empty(log_spectrum.T.shape, np.float32)
    level[top:] = 0.0
    for start in range(0, log_spectrum.shape[0], BLOCK_FRAMES):
        part = slice(start, start + BLOCK_FRAMES)
        by_bin = log_spectrum[part, :top].T
        floor = _neighbour_sums(by_bin, half)
        floor *= share
        np.subtract(by_bin, floor, out=floor)
        np.clip(floor, -2.0, 4.0, out=level[:top, part])
    return level.T
