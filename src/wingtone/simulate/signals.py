"""Small building blocks of the simulator: shaped noise, slow noise, pulses in time, level in a band.

Conventions
-----------
Arrays run along time in their last axis. Every random thing takes a `numpy.random.Generator`. Noise comes
with a mean square of 1 in expectation.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "amplitude",
    "band_pass",
    "harmonic_sum",
    "mean_square_in_band",
    "shaped_noise",
    "slow_noise",
    "unit",
]


def amplitude(level_db: ArrayLike) -> NDArray[np.float64]:
    """Amplitude ratio of a level in dB."""
    return np.asarray(10.0 ** (np.asarray(level_db, dtype=float) / 20.0))


def shaped_noise(
    rng: np.random.Generator,
    shape: tuple[int, ...],
    rate_hz: float,
    power: Callable[[NDArray[np.float64]], NDArray[np.float64]],
) -> NDArray[np.float64]:
    """Gaussian noise whose power spectrum follows ``power(frequency_hz)``; 0 Hz is left out."""
    n = shape[-1]
    frequency = np.fft.rfftfreq(n, 1.0 / rate_hz)
    weight = np.zeros_like(frequency)
    weight[1:] = power(np.asarray(frequency[1:], dtype=float))
    white = np.fft.rfft(rng.standard_normal(shape))
    noise = np.fft.irfft(white * np.sqrt(weight / (2.0 * weight.sum() / n)), n)
    return np.asarray(noise, dtype=float)


def slow_noise(
    rng: np.random.Generator, n: int, rate_hz: float, bandwidth_hz: float, *, rows: int | None = None
) -> NDArray[np.float64]:
    """Smooth Gaussian wander, its power spectrum Gaussian with standard deviation ``bandwidth_hz``.

    Returns
    -------
    shape (n,), or (rows, n) when ``rows`` is given
        Variance 1 over many seeds (over one short stretch it may be far less, as in nature).
    """
    # a longer stretch is made and cut, so that the end does not join the beginning
    padded = n + min(n, int(2 * rate_hz / bandwidth_hz) + 1)
    shape = (padded,) if rows is None else (rows, padded)
    noise = shaped_noise(rng, shape, rate_hz, lambda f: np.exp(-0.5 * (f / bandwidth_hz) ** 2))
    return noise[..., :n]


def harmonic_sum(phase: NDArray[np.float64], weights: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Sum of ``Re(weights[h-1] * exp(j h phase))`` over the harmonics h = 1..H.

    Parameters
    ----------
    phase : shape (n,)
        Phase of the fundamental in radians.
    weights : shape (H,)
        Complex amplitude of each harmonic.
    """
    turn = np.exp(1j * phase)
    total = np.zeros_like(turn)
    for weight in weights[::-1]:  # Horner's scheme
        total += weight
        total *= turn
    return np.asarray(total.real)


def band_pass(
    samples: NDArray[np.float64], *, rate_hz: float, low_hz: float, high_hz: float
) -> NDArray[np.float64]:
    """Keep ``low_hz..high_hz`` by a brick-wall filter (whole signal, no delay)."""
    spectrum = np.fft.rfft(samples)
    frequency = np.fft.rfftfreq(samples.shape[-1], 1.0 / rate_hz)
    spectrum[..., (frequency < low_hz) | (frequency > high_hz)] = 0.0
    return np.fft.irfft(spectrum, samples.shape[-1])


def mean_square_in_band(
    samples: NDArray[np.float64],
    *,
    rate_hz: float,
    low_hz: float,
    high_hz: float,
    where: NDArray[np.bool_] | None = None,
) -> float:
    """Mean square between two frequencies, averaged over channels and over the samples ``where``.

    NaN when ``where`` selects nothing.
    """
    filtered = band_pass(samples, rate_hz=rate_hz, low_hz=low_hz, high_hz=high_hz)
    chosen = filtered if where is None else filtered[..., where]
    return float(np.mean(chosen**2)) if chosen.size else float("nan")


def unit(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """Scale to a mean square of 1 (silence stays silence)."""
    size = np.sqrt(np.mean(samples**2))
    return samples / size if size > 0 else samples
