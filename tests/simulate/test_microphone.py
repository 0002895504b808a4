"""What the phone does, stage by stage."""

from __future__ import annotations

import numpy as np
import pytest

from wingtone.simulate.microphone import (
    Phone,
    automatic_gain,
    clip_and_quantise,
    high_pass,
    narrow_band,
    noise_gate,
    noise_reduction,
)

RATE_HZ = 8000


def tone(hz: float, *, seconds: float = 2.0) -> np.ndarray:
    return np.sin(2 * np.pi * hz * np.arange(int(seconds * RATE_HZ)) / RATE_HZ)[None]


def level_db(samples: np.ndarray) -> float:
    return float(20 * np.log10(np.std(samples)))


def test_high_pass_is_half_power_at_its_corner_and_12_db_an_octave_below() -> None:
    # definition of a second-order Butterworth filter
    def gain_db(hz: float) -> float:
        passed = high_pass(tone(hz), rate_hz=RATE_HZ, corner_hz=200.0)
        return level_db(passed[:, RATE_HZ:]) - level_db(tone(hz)[:, RATE_HZ:])

    assert gain_db(200.0) == pytest.approx(-3.01, abs=0.1)
    assert gain_db(50.0) - gain_db(25.0) == pytest.approx(12.0, abs=0.3)
    assert gain_db(2000.0) == pytest.approx(0.0, abs=0.1)


def test_narrow_band_keeps_the_telephone_band() -> None:
    for hz, low, high in [
        (100.0, -200.0, -30.0),
        (300.0, -3.3, -2.7),
        (1000.0, -0.3, 0.3),
        (3400.0, -3.3, -2.7),
    ]:
        passed = narrow_band(tone(hz), rate_hz=RATE_HZ)[:, RATE_HZ:]
        assert low < level_db(passed) - level_db(tone(hz)) < high


def test_automatic_gain_brings_two_levels_together() -> None:
    quiet_then_loud = tone(300.0, seconds=8.0) * np.where(np.arange(8 * RATE_HZ) < 4 * RATE_HZ, 0.02, 0.2)
    out = automatic_gain(quiet_then_loud, rate_hz=RATE_HZ)
    quiet, loud = level_db(out[:, 3 * RATE_HZ : 4 * RATE_HZ]), level_db(out[:, 7 * RATE_HZ :])
    assert loud - quiet < 3.0  # 20 dB before
    assert loud == pytest.approx(-26.0, abs=1.0)


def test_noise_gate_closes_on_the_quiet_part_only() -> None:
    rng = np.random.default_rng(0)
    samples = 0.01 * rng.standard_normal((1, 4 * RATE_HZ))
    samples[:, RATE_HZ : 2 * RATE_HZ] += 0.2 * tone(200.0, seconds=1.0)
    out = noise_gate(samples, rate_hz=RATE_HZ)
    loud, quiet = slice(RATE_HZ + 1000, 2 * RATE_HZ - 1000), slice(3 * RATE_HZ, 4 * RATE_HZ)
    assert level_db(out[:, loud]) == pytest.approx(level_db(samples[:, loud]), abs=0.2)
    assert level_db(out[:, quiet]) < level_db(samples[:, quiet]) - 20.0


def test_noise_reduction_eats_what_is_steady() -> None:
    rng = np.random.default_rng(0)
    samples = 0.05 * rng.standard_normal((1, 4 * RATE_HZ))
    samples[:, RATE_HZ : RATE_HZ + 2000] += 0.5 * tone(500.0)[:, :2000]
    out = noise_reduction(samples, rate_hz=RATE_HZ)
    assert out.shape == samples.shape
    assert level_db(out[:, 3 * RATE_HZ :]) < level_db(samples[:, 3 * RATE_HZ :]) - 4.0
    burst = slice(RATE_HZ + 200, RATE_HZ + 1800)
    assert level_db(out[:, burst]) == pytest.approx(level_db(samples[:, burst]), abs=1.0)


def test_clipping_and_steps() -> None:
    out = clip_and_quantise(np.array([[-3.0, -0.3, 0.0, 0.3, 3.0]]), bits=8)
    assert out.min() == -1.0
    assert out.max() == 127 / 128
    assert np.array_equal(out * 128, np.rint(out * 128))


def test_two_microphones_stand_14_cm_apart() -> None:
    positions = Phone(n_microphones=2).microphones_m
    assert np.linalg.norm(positions[0] - positions[1]) == pytest.approx(0.14)
    assert np.allclose(positions.mean(axis=0), 0.0)
