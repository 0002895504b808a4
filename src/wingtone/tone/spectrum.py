"""From sound to a levelled spectrum: short frames, log power, the floor taken away.

Conventions
-----------
Frame ``k`` is centred on ``k * HOP_S`` seconds. Spectra are in nepers of power (natural logarithm);
bin ``b`` is at ``b * BIN_HZ``. Arrays are float32, shape ``(n_frames, n_bins)`` for one channel.
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
"""10 ms, the grid that `interface.md` promises for tracks."""
WINDOW = 768
"""128 ms Hann: main lobe 31 Hz, so lines 80 Hz apart are separate and a glide of 50 %/s stays in one lobe
up to the fifth harmonic. Ours; 75 to 128 ms made no measurable difference on real recordings."""
FFT_SIZE = 2048
BIN_HZ = RATE_HZ / FFT_SIZE
N_BINS = FFT_SIZE // 2 + 1
FLOOR_WIDTH_HZ = 300.0
"""Width of the running mean of log power that stands for the floor: at least one and a half comb
spacings at the highest flight tone, narrow enough to follow wind's slope. Ours."""


@lru_cache(maxsize=1)
def _window() -> NDArray[np.float32]:
    n = np.arange(WINDOW)
    return (0.5 - 0.5 * np.cos(2 * np.pi * (n + 0.5) / WINDOW)).astype(np.float32)


def log_power(samples: NDArray[np.float32]) -> NDArray[np.float32]:
    """Log power of every frame that lies whole inside the samples.

    Parameters
    ----------
    samples : shape (n,)
        One channel at `RATE_HZ`. Frame 0 of the result is centred on sample ``WINDOW // 2``.

    Returns
    -------
    shape (n_frames, N_BINS), float32
        Empty (0, N_BINS) when there are fewer than `WINDOW` samples. Digital silence is floored at
        1e-12 of full scale squared, so the result is always finite.
    """
    from scipy.fft import rfft

    if samples.shape[0] < WINDOW:
        return np.empty((0, N_BINS), np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(samples, WINDOW)[::HOP]
    spectrum = rfft(frames * _window(), FFT_SIZE, axis=1, workers=1)
    power = spectrum.real**2
    power += spectrum.imag**2
    power += np.float32(1e-12)
    logarithm: NDArray[np.float32] = np.log(power, out=power)
    return logarithm


def running_mean(values: NDArray[np.float32], half_width: int) -> NDArray[np.float32]:
    """Mean over ``2 * half_width + 1`` neighbours along the last axis, shortened at the edges."""
    n = values.shape[-1]
    total = np.zeros((*values.shape[:-1], n + 1), np.float64)
    np.cumsum(values, axis=-1, out=total[..., 1:])
    low = np.maximum(np.arange(n) - half_width, 0)
    high = np.minimum(np.arange(n) + half_width + 1, n)
    mean: NDArray[np.float32] = ((total[..., high] - total[..., low]) / (high - low)).astype(np.float32)
    return mean


def contrast(log_spectrum: NDArray[np.float32], *, band_hz: float = RATE_HZ / 2) -> NDArray[np.float32]:
    """Log power over the local floor: lines stand up, gaps hang down, gusts and slopes are gone.

    Parameters
    ----------
    log_spectrum : shape (n_frames, N_BINS)
    band_hz
        Upper edge of what the recording really carries; bins above are set to zero (no evidence).

    Returns
    -------
    shape (n_frames, N_BINS), float32, nepers; clipped so that no single line decides alone.
    """
    half = round(FLOOR_WIDTH_HZ / 2 / BIN_HZ)
    top = min(N_BINS, int(band_hz / BIN_HZ))
    level = np.zeros_like(log_spectrum)
    level[:, :top] = log_spectrum[:, :top] - running_mean(log_spectrum[:, :top], half)
    return np.clip(level, -2.0, 4.0, out=level)
