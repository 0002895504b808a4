"""Spectrum, floor and comb against closed forms."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tone.sounds import RATE, harmonic_sound
from wingtone.tone import comb, spectrum

if TYPE_CHECKING:
    from collections.abc import Callable


def best_hz(samples: np.ndarray) -> np.ndarray:
    """The most salient candidate of each frame."""
    salience = comb.search_salience(spectrum.contrast(spectrum.log_power(samples)))
    return np.asarray(comb.candidates_hz()[salience.argmax(axis=1)])


def test_log_power_of_a_sine_peaks_at_its_bin() -> None:
    sine = np.sin(2 * np.pi * 440.0 * np.arange(RATE) / RATE).astype(np.float32)
    frames = spectrum.log_power(sine)
    assert frames.shape == ((RATE - spectrum.WINDOW) // spectrum.HOP + 1, spectrum.N_BINS)
    assert np.all(np.abs(frames.argmax(axis=1) * spectrum.BIN_HZ - 440.0) <= spectrum.BIN_HZ)
    # Parseval with a Hann window (sum of squares 3/8 of its length): the power of the frame is kept.
    window_power = np.sum(np.hanning(spectrum.WINDOW) ** 2)
    total = np.exp(frames[5].astype(float)).sum() * 2 / spectrum.FFT_SIZE
    assert total == pytest.approx(0.5 * window_power, rel=0.01)


def test_too_short_and_silent_sounds_are_finite() -> None:
    assert spectrum.log_power(np.zeros(10, np.float32)).shape == (0, spectrum.N_BINS)
    frames = spectrum.log_power(np.zeros(2000, np.float32))
    assert np.isfinite(frames).all()
    assert np.abs(spectrum.contrast(frames)).max() < 1e-4


@given(st.integers(1, 60), st.integers(0, 30), st.integers(0, 2**31))
def test_running_mean_equals_the_plain_one(n: int, half: int, seed: int) -> None:
    values = np.random.default_rng(seed).standard_normal(n).astype(np.float32)
    plain = [values[max(0, i - half) : i + half + 1].mean() for i in range(n)]
    assert spectrum.running_mean(values, half) == pytest.approx(plain, abs=1e-5)


def test_contrast_forgets_gain_and_slope() -> None:
    rng = np.random.default_rng(1)
    frames = rng.standard_normal((3, spectrum.N_BINS)).astype(np.float32)
    slope = np.linspace(5, -5, spectrum.N_BINS, dtype=np.float32)
    one, other = spectrum.contrast(frames), spectrum.contrast(frames + slope + 7.0)
    middle = slice(60, -60)
    assert np.abs(one[:, middle] - other[:, middle]).max() < 1e-3


@pytest.mark.parametrize("f0_hz", [82.0, 107.3, 146.0, 199.0, 247.5, 318.0, 396.0])
def test_the_comb_finds_the_spacing(f0_hz: float) -> None:
    # One frame of the comb alone reads f0 to about 1.5 %; `refine` takes it from there.
    assert np.mean(np.abs(best_hz(harmonic_sound(f0_hz)) / f0_hz - 1) < 0.025) > 0.8


@pytest.mark.parametrize(
    ("name", "amplitudes"),
    [
        # Kim et al. 2019 (abstract, read): in a hornet near 100 Hz the second harmonic is the strongest.
        ("second harmonic strongest", (0.3, 1.0, 0.3, 0.5, 0.2, 0.3, 0.1, 0.1)),
        ("fundamental cut away by the phone", (0.0, 1.0, 0.5, 0.5, 0.3, 0.2, 0.1, 0.1)),
        ("third strongest", (0.3, 0.4, 1.0, 0.4, 0.3, 0.3)),
    ],
)
def test_the_octave_is_settled_by_the_comb(name: str, amplitudes: tuple[float, ...]) -> None:
    heard = best_hz(harmonic_sound(101.0, amplitudes=amplitudes, snr_db=10))
    assert np.mean(np.abs(heard / 101.0 - 1) < 0.03) > 0.95, name


def test_salience_of_noise_has_unit_variance_for_every_candidate() -> None:
    rng = np.random.default_rng(3)
    # Independent bins: variance 1 each, as the convention says.
    white = rng.standard_normal((4000, spectrum.N_BINS)).astype(np.float32)
    spread = comb.salience(white).std(axis=0)
    # Interpolating between two bins takes up to half of the variance; never adds any.
    assert spread.max() < 1.1
    assert spread.min() > 0.6


def test_two_channels_add_up_and_one_that_hears_nothing_does_not_hide_the_bee() -> None:
    one = comb.salience(spectrum.contrast(spectrum.log_power(harmonic_sound(150.0, snr_db=0))))
    joined = comb.combine_channels([one, one])
    assert joined == pytest.approx(one * np.sqrt(2), rel=1e-5)
    deaf = comb.combine_channels([one, np.zeros_like(one)])
    assert (deaf.argmax(axis=1) == one.argmax(axis=1)).all()


def test_the_search_leaves_out_what_lies_below_the_floor() -> None:
    marks = np.random.default_rng(6).standard_normal((3, spectrum.N_BINS)).astype(np.float32)
    above = comb.salience(np.where(marks > 0, marks, np.float32(0)))
    assert comb.search_salience(marks) == pytest.approx(float(comb.SEARCH_GAIN) * above, abs=1e-5)
    assert np.abs(comb.search_salience(np.minimum(marks, np.float32(0)))).max() < 1e-5


@pytest.mark.parametrize("f0_hz", [104.0, 151.0, 215.0])
def test_the_search_tells_a_faint_comb_from_noise_better_than_the_dips_do(f0_hz: float) -> None:
    """Lines as strong as the noise in their bin, in noise of exponential power (textbook: a Fourier bin)."""
    rng = np.random.default_rng(8)
    n, at = 3000, np.abs(comb.candidates_hz() - f0_hz).argmin()
    tooth = np.rint(comb.candidates_hz()[at] * np.arange(1, comb.N_HARMONICS + 1) / spectrum.BIN_HZ)

    def told(salience: Callable[[np.ndarray], np.ndarray]) -> float:
        """By how many of its deviations in noise the salience is higher with the lines."""
        return float((salience(lines)[:, at].mean() - salience(noise)[:, at].mean()) / spread(salience))

    def spread(salience: Callable[[np.ndarray], np.ndarray]) -> float:
        return float(salience(noise)[:, at].std())

    power = rng.exponential(size=(2, n, spectrum.N_BINS))
    strength = np.ones(spectrum.N_BINS)
    for side in (-1, 0, 1):
        strength[tooth.astype(int) + side] = 2.0
    noise, lines = (
        spectrum.contrast(np.log(one).astype(np.float32)) for one in (power[0], power[1] * strength)
    )
    assert told(comb.search_salience) > 1.15 * told(comb.salience)
