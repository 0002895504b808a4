"""Closed-form sounds for the tone tests: their f0 is known by construction."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import soxr

from wingtone.tone import spectrum

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from wingtone.simulate import Clip

RATE = spectrum.RATE_HZ


def at_tone_rate(clip: Clip) -> NDArray[np.float32]:
    """The samples of a made-up clip at the rate of the tone room, shape (n_channels, n)."""
    return np.stack([soxr.resample(channel, clip.rate_hz, RATE, "HQ") for channel in clip.samples])


def harmonic_sound(
    f0_hz: float | NDArray[np.float64],
    *,
    duration_s: float = 2.0,
    amplitudes: Sequence[float] = (1.0, 0.8, 0.5, 0.4, 0.25, 0.2, 0.1, 0.1),
    snr_db: float = 20.0,
    seed: int = 0,
    quiet_s: float = 0.0,
) -> NDArray[np.float32]:
    """A harmonic series in white noise, one channel (n,).

    ``f0_hz`` is a number or one value a sample. ``snr_db`` is power of the series over that of the noise in
    the whole band. ``quiet_s`` of noise alone goes before and after.
    """
    rng = np.random.default_rng(seed)
    n = round(duration_s * RATE)
    phase = 2 * np.pi * np.cumsum(np.broadcast_to(f0_hz, n)) / RATE
    tone = sum(a * np.cos(h * phase + rng.uniform(0, 2 * np.pi)) for h, a in enumerate(amplitudes, 1))
    tone = np.asarray(tone, np.float64) * 0.05
    pad = round(quiet_s * RATE)
    whole = np.concatenate([np.zeros(pad), tone, np.zeros(pad)])
    noise = rng.standard_normal(whole.size) * np.sqrt(np.mean(tone**2) / 10 ** (snr_db / 10))
    sound: NDArray[np.float32] = (whole + noise).astype(np.float32)
    return sound
