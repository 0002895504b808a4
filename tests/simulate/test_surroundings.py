"""Each other sound has the shape it promises."""

from __future__ import annotations

import numpy as np
import pytest

from wingtone.simulate import SOUNDS
from wingtone.simulate.signals import slow_noise
from wingtone.simulate.surroundings import wind
from wingtone.simulate.voice import talk


def spectrum_db(samples: np.ndarray, rate_hz: int, *, size: int = 8192) -> tuple[np.ndarray, np.ndarray]:
    """Averaged spectrum by scipy's implementation of Welch's method."""
    from scipy.signal import welch

    hz, power = welch(samples, fs=rate_hz, nperseg=size)
    return np.asarray(hz), np.asarray(10 * np.log10(power + 1e-30))


@pytest.mark.parametrize("name", sorted(SOUNDS))
@pytest.mark.parametrize(("rate_hz", "n_channels"), [(8000, 1), (22050, 2)])
def test_every_sound_has_its_shape_and_size(name: str, rate_hz: int, n_channels: int) -> None:
    n = int(2.3 * rate_hz) + 1
    samples = SOUNDS[name](np.random.default_rng(4), n, rate_hz, n_channels)
    assert samples.shape == (n_channels, n)
    assert np.all(np.isfinite(samples))
    assert 0.3 < np.sqrt(np.mean(samples**2)) < 3.0
    again = SOUNDS[name](np.random.default_rng(4), n, rate_hz, n_channels)
    assert samples.tobytes() == again.tobytes()


@pytest.mark.parametrize("exponent", [5 / 3, 2.5])
def test_wind_falls_as_promised(exponent: float) -> None:
    samples = wind(np.random.default_rng(0), 60 * 8000, 8000, gustiness=0.2, exponent=exponent)[0]
    hz, level = spectrum_db(samples, 8000)
    chosen = (hz > 20) & (hz < 1500)
    slope = float(np.asarray(np.polyfit(np.log10(hz[chosen]), level[chosen] / 10, 1))[0])
    assert slope == pytest.approx(-exponent, abs=0.06)


def test_wind_is_nearly_independent_between_microphones_and_gusts_are_stronger() -> None:
    rng = np.random.default_rng(1)
    pair = wind(rng, 20 * 8000, 8000, 2)
    assert abs(np.corrcoef(pair[0], pair[1])[0, 1]) < 0.15

    def swing_db(samples: np.ndarray) -> float:
        blocks = samples[0].reshape(-1, 2000)
        return float(np.std(20 * np.log10(blocks.std(axis=1))))

    steady, gusty = SOUNDS["wind"](rng, 160000, 8000, 1), SOUNDS["gusts"](rng, 160000, 8000, 1)
    assert swing_db(gusty) > 1.5 * swing_db(steady)


def test_sounds_with_a_place_reach_both_microphones_alike() -> None:
    pair = SOUNDS["voices"](np.random.default_rng(2), 5 * 16000, 16000, 2)
    lag = np.correlate(pair[0][:20000], pair[1][:20000], "full")
    assert lag.max() / np.sqrt(np.sum(pair[0][:20000] ** 2) * np.sum(pair[1][:20000] ** 2)) > 0.99


def test_hum_stands_on_multiples_of_50_hz() -> None:
    samples = SOUNDS["hum"](np.random.default_rng(3), 10 * 8000, 8000, 1)[0]
    power = np.abs(np.fft.rfft(samples * np.hanning(samples.size))) ** 2
    hz = np.fft.rfftfreq(samples.size, 1 / 8000)
    near = np.abs(hz / 50 - np.rint(hz / 50)) < 0.02
    assert power[near].sum() / power.sum() > 0.999


@pytest.mark.parametrize("name", ["engine", "mower"])
def test_engines_have_narrow_lines_at_multiples_of_half_the_crank_rate(name: str) -> None:
    """Lines of a four-stroke engine are multiples of rpm / 120, here 8 to 32 Hz (textbook)."""
    samples = SOUNDS[name](np.random.default_rng(8), 2 * 8000, 8000, 1)[0]
    power = np.abs(np.fft.rfft(samples * np.hanning(samples.size))) ** 2
    hz = np.fft.rfftfreq(samples.size, 1 / 8000)
    band = (hz > 30) & (hz < 600)
    assert power[band].max() / np.median(power[band]) > 100.0
    base = np.arange(8.0, 33.0, 0.05)
    comb = [
        np.mean(np.sqrt(np.interp(np.arange(1, int(600 / b)) * b, hz, power))) / np.sqrt(power[band].mean())
        for b in base
    ]
    assert max(comb) > 1.5


@pytest.mark.parametrize(("name", "low_hz", "high_hz"), [("birds", 1500, 7000), ("crickets", 3500, 5500)])
def test_animals_sing_in_their_band(name: str, low_hz: float, high_hz: float) -> None:
    samples = SOUNDS[name](np.random.default_rng(5), 5 * 16000, 16000, 1)[0]
    power = np.abs(np.fft.rfft(samples)) ** 2
    hz = np.fft.rfftfreq(samples.size, 1 / 16000)
    assert power[(hz > low_hz) & (hz < high_hz)].sum() / power.sum() > 0.97


def test_voices_move_like_voices() -> None:
    """Spread of ln f0 near 0.3 (0.31 in real voices, the project's science notes), measured with Praat."""
    import parselmouth

    spreads = []
    for seed in range(6):
        sound = parselmouth.Sound(talk(np.random.default_rng(seed), 10 * 16000, 16000), 16000)
        hz = sound.to_pitch_ac(pitch_floor=70.0, pitch_ceiling=500.0).selected_array["frequency"]
        voiced = hz[hz > 0]
        assert 0.2 < voiced.size / hz.size < 0.98
        spreads.append(float(np.std(np.log(voiced))))
    assert 0.22 < np.mean(spreads) < 0.42


def test_slow_noise_is_as_slow_and_as_large_as_promised() -> None:
    rows = slow_noise(np.random.default_rng(6), 4000, 100.0, 1.0, rows=200)
    assert np.std(rows) == pytest.approx(1.0, abs=0.05)
    # a Gaussian spectrum of 1 Hz: the mean square of the derivative is (2 pi 1 Hz)^2
    assert np.std(np.diff(rows) * 100.0) == pytest.approx(2 * np.pi, rel=0.05)
