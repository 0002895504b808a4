"""Speech-like sound: one to three made-up talkers. It says nothing; it only has the shape of talking.

A glottal pulse train (pitch with phrases, accents and slides) goes through three formants that change
from syllable to syllable, with breaths of noise for consonants. The spread of ln f0 is set near 0.3, as found
in real voices on the project's test recordings (ours, measured); formant figures are textbook vowels, memory.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from wingtone.simulate.signals import amplitude, shaped_noise, unit

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["talk"]

_VOWELS_HZ = np.array(
    [
        [300.0, 2300.0, 3000.0],
        [450.0, 1900.0, 2550.0],
        [700.0, 1200.0, 2500.0],
        [550.0, 900.0, 2450.0],
        [320.0, 850.0, 2300.0],
        [500.0, 1500.0, 2500.0],
    ]
)
"""First three formants of six vowels of an adult (textbook; memory)."""


def talk(rng: np.random.Generator, n_samples: int, rate_hz: int) -> NDArray[np.float64]:
    """Talk: shape (n_samples,), mean square 1 (0 if the clip is too short for a word)."""
    total = np.zeros(n_samples)
    for _ in range(int(rng.integers(1, 4))):
        total += float(amplitude(rng.normal(0.0, 3.0))) * _talker(rng, n_samples, rate_hz)
    return unit(total)


def _talker(rng: np.random.Generator, n_samples: int, rate_hz: int) -> NDArray[np.float64]:
    voice = np.zeros(n_samples)
    usual = float(np.log(rng.choice([115.0, 205.0, 280.0])) + rng.normal(0.0, 0.1))  # man, woman, child
    size = float(rng.uniform(0.9, 1.2))
    time_s = float(rng.uniform(0.0, 1.0))
    while time_s * rate_hz < n_samples:
        syllables = int(rng.integers(3, 11))
        pitch = usual + rng.normal(0.0, 0.12)
        for k in range(syllables):
            length = float(rng.uniform(0.1, 0.32))
            start, m = int(time_s * rate_hz), int(length * rate_hz)
            m = min(m, n_samples - start)
            if m < 0.03 * rate_hz:
                break
            target = pitch + 0.15 - 0.4 * k / syllables + rng.normal(0.0, 0.2)
            slide = rng.normal(0.0, 0.25)
            voice[start : start + m] += _syllable(rng, m, rate_hz, target, slide, size)
            time_s += length * float(rng.uniform(0.85, 1.2))
        time_s += float(rng.uniform(0.2, 1.2))
    return unit(voice)


def _syllable(
    rng: np.random.Generator, n: int, rate_hz: int, log_f0: float, slide: float, size: float
) -> NDArray[np.float64]:
    """One consonant-like breath and one vowel."""
    from scipy.signal import lfilter

    x = np.linspace(0.0, 1.0, n)
    hz = np.exp(log_f0 + slide * (x - 0.5) + 0.05 * np.sin(2 * np.pi * x + rng.uniform(0, 6)))
    hz = hz * np.exp(0.008 * rng.standard_normal(n).cumsum() / np.sqrt(n))
    phase = np.mod(np.cumsum(hz) / rate_hz + rng.uniform(), 1.0)
    # derivative of a raised-cosine glottal pulse, open for 60 % of the cycle
    sound = np.where(phase < 0.6, np.sin(2 * np.pi * phase / 0.6) * phase, 0.0) + 0.01 * rng.standard_normal(
        n
    )
    for formant, width in zip(
        _VOWELS_HZ[rng.integers(len(_VOWELS_HZ))] * size, (80.0, 110.0, 160.0), strict=True
    ):
        if formant < 0.45 * rate_hz:
            pole = np.exp(-np.pi * width / rate_hz)
            angle = 2 * np.pi * formant / rate_hz
            sound = lfilter([1.0], [1.0, -2 * pole * np.cos(angle), pole**2], sound)
            sound = sound * abs(1 - 2 * pole * np.cos(angle) + pole**2)
    sound = unit(sound) * np.sin(np.pi * x) ** 0.7
    breath = shaped_noise(rng, (n,), rate_hz, lambda f: (f / 2500.0) ** 2 / (1 + (f / 2500.0) ** 4))
    return float(amplitude(rng.normal(0.0, 3.0))) * (
        sound + 0.3 * breath * np.exp(-(((x - 0.08) / 0.08) ** 2))
    )
