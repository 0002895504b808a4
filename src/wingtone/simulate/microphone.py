"""What a phone does to sound: filters, gate, gain, clipping, steps.

Conventions
-----------
Samples have shape (n_channels, n), full scale is 1. A `Phone` lists its stages in the order in which
they act. `linear` does the filters; `process` does the rest (gain control, noise gate, clipping, steps).

- `high_pass`, `narrow_band`: filters
- `automatic_gain`, `noise_gate`, `noise_reduction`: what phones do to "improve" speech
- `clip_and_quantise`
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wingtone.simulate.signals import amplitude

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = [
    "Phone",
    "automatic_gain",
    "clip_and_quantise",
    "high_pass",
    "linear",
    "narrow_band",
    "noise_gate",
    "noise_reduction",
    "process",
]


@dataclass(frozen=True)
class Phone:
    """One phone.

    Attributes
    ----------
    high_pass_hz
        Corner (-3 dB) of a second-order high-pass; 0 for none. Phones: 80-250 Hz, common practice, no source.
    narrow_band
        Keep only the telephone band 300-3400 Hz.
    level_db
        RMS of the recording re full scale before clipping.
    automatic_gain, noise_gate, noise_reduction
        Switches.
    bits
        Word length.
    n_microphones
        1 or 2; two are 14 cm apart.
    """

    high_pass_hz: float = 100.0
    narrow_band: bool = False
    level_db: float = -26.0
    automatic_gain: bool = False
    noise_gate: bool = False
    noise_reduction: bool = False
    bits: int = 16
    n_microphones: int = 1

    @property
    def microphones_m(self) -> NDArray[np.float64]:
        """Positions, shape (n_microphones, 3), around the origin."""
        x = (np.arange(self.n_microphones) - (self.n_microphones - 1) / 2.0) * 0.14
        return np.stack([x, np.zeros_like(x), np.zeros_like(x)], axis=1)


def linear(samples: NDArray[np.float64], phone: Phone, *, rate_hz: int) -> NDArray[np.float64]:
    """Pass samples through the filters of a phone."""
    if phone.high_pass_hz > 0:
        samples = high_pass(samples, rate_hz=rate_hz, corner_hz=phone.high_pass_hz)
    return narrow_band(samples, rate_hz=rate_hz) if phone.narrow_band else samples


def process(samples: NDArray[np.float64], phone: Phone, *, rate_hz: int) -> NDArray[np.float64]:
    """Pass samples (already at recording level) through the stages that are not linear."""
    if phone.noise_reduction:
        samples = noise_reduction(samples, rate_hz=rate_hz)
    if phone.automatic_gain:
        samples = automatic_gain(samples, rate_hz=rate_hz, target_db=phone.level_db)
    if phone.noise_gate:
        samples = noise_gate(samples, rate_hz=rate_hz)
    return clip_and_quantise(samples, bits=phone.bits)


def high_pass(samples: NDArray[np.float64], *, rate_hz: int, corner_hz: float) -> NDArray[np.float64]:
    """Second-order Butterworth high-pass."""
    from scipy.signal import butter, sosfilt

    sos = butter(2, corner_hz, "highpass", fs=rate_hz, output="sos")
    return np.asarray(sosfilt(sos, samples, axis=-1), dtype=float)


def narrow_band(samples: NDArray[np.float64], *, rate_hz: int) -> NDArray[np.float64]:
    """Telephone band, 300-3400 Hz (fourth-order Butterworth; the band of ITU-T telephony, memory)."""
    from scipy.signal import butter, sosfilt

    sos = butter(4, [300.0, min(3400.0, 0.45 * rate_hz)], "bandpass", fs=rate_hz, output="sos")
    return np.asarray(sosfilt(sos, samples, axis=-1), dtype=float)


def automatic_gain(
    samples: NDArray[np.float64], *, rate_hz: int, target_db: float = -26.0, range_db: float = 18.0
) -> NDArray[np.float64]:
    """Gain control: falls within about 20 ms when it gets loud, comes back within about 1 s."""
    step = max(1, rate_hz // 200)
    level = _blocks(samples, step)
    wanted = np.clip(target_db - level, -range_db, range_db)
    gain = np.empty_like(wanted)
    now = wanted[0]
    for k, goal in enumerate(wanted):
        now += (goal - now) * (0.2 if goal < now else 0.005)
        gain[k] = now
    return samples * amplitude(_spread(gain, samples.shape[-1], step))


def noise_gate(
    samples: NDArray[np.float64], *, rate_hz: int, above_median_db: float = 3.0, depth_db: float = 25.0
) -> NDArray[np.float64]:
    """Gate: turned down by ``depth_db`` while the level is below the median by less than ``above_median_db``.

    Opens at once, closes 0.15 s after the level fell.
    """
    step = max(1, rate_hz // 200)
    level = _blocks(samples, step)
    is_open = level > np.median(level) + above_median_db
    hold = np.convolve(is_open, np.ones(30), "full")[: level.size] > 0
    smooth = np.convolve(np.where(hold, 0.0, -depth_db), np.ones(6) / 6.0, "same")
    return samples * amplitude(_spread(smooth, samples.shape[-1], step))


def noise_reduction(
    samples: NDArray[np.float64], *, rate_hz: int, depth_db: float = 12.0
) -> NDArray[np.float64]:
    """Spectral subtraction: what stays near the median level of its frequency is turned down.

    A steady hover is eaten too, as phones do.
    """
    from scipy.signal import istft, stft

    size = max(64, 2 ** int(np.log2(0.03 * rate_hz)))
    _, _, spectrum = stft(samples, fs=rate_hz, nperseg=size)
    power = np.abs(spectrum) ** 2
    floor = np.median(power, axis=-1, keepdims=True)
    gain = np.sqrt(np.clip(1.0 - 1.5 * floor / np.maximum(power, 1e-30), 10 ** (-depth_db / 10), 1.0))
    _, cleaned = istft(spectrum * gain, fs=rate_hz, nperseg=size)
    return np.asarray(cleaned[..., : samples.shape[-1]], dtype=float)


def clip_and_quantise(samples: NDArray[np.float64], *, bits: int = 16) -> NDArray[np.float64]:
    """Cut at full scale and round to the word length."""
    steps = 2.0 ** (bits - 1)
    return np.clip(np.round(samples * steps), -steps, steps - 1) / steps


def _blocks(samples: NDArray[np.float64], step: int) -> NDArray[np.float64]:
    """Level of all channels together in blocks of ``step`` samples, dB; shape (n_blocks,)."""
    n = samples.shape[-1] // step * step
    power = np.mean(samples[:, :n].reshape(samples.shape[0], -1, step) ** 2, axis=(0, 2))
    return np.asarray(10.0 * np.log10(power + 1e-12))


def _spread(gain_db: NDArray[np.float64], n_samples: int, step: int) -> NDArray[np.float64]:
    return np.interp(np.arange(n_samples), (np.arange(gain_db.size) + 0.5) * step, gain_db)
