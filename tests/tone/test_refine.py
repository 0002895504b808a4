"""Refinement against the Cramer-Rao bound and closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from tone.sounds import RATE, harmonic_sound
from wingtone.tone import refine, spectrum
from wingtone.tone.rows import N_TEETH

AMPLITUDES = (1.0, 0.8, 0.5, 0.4, 0.25, 0.2, 0.1, 0.1)


def crb_hz(snr_db: float, n: int) -> float:
    """Standard error of f0 by the Cramer-Rao bound for a harmonic series in white noise.

    var(omega0) >= 24 sigma^2 / (N (N^2 - 1) sum A_h^2 h^2): Nielsen, Christensen & Jensen (2013) and the
    textbook bound of a sinusoid with h-fold weight (Kay 1993, Fundamentals of Statistical Signal
    Processing, ex. 3.14); both from memory.
    """
    a = np.array(AMPLITUDES)
    sigma2 = np.sum(a**2) / 2 / 10 ** (snr_db / 10)
    weighted = np.sum(a**2 * np.arange(1, a.size + 1) ** 2)
    return float(np.sqrt(24 * sigma2 / (n * (n**2 - 1) * weighted))) * RATE / (2 * np.pi)


def refined_of(samples: np.ndarray, line_hz: float) -> np.ndarray:
    frames = (samples.size - spectrum.WINDOW) // spectrum.HOP + 1
    return refine.refine_run(
        samples[None],
        np.full(frames, np.log(line_hz), np.float32),
        first_centre=spectrum.WINDOW // 2,
        first_frame=0,
    )


@pytest.mark.parametrize("f0", [147.3, 205.0])
@pytest.mark.parametrize(("snr_db", "most"), [(20.0, 1.35), (10.0, 1.3), (0.0, 1.4)])
def test_error_is_near_the_bound_and_its_size_is_known(f0: float, snr_db: float, most: float) -> None:
    errors, stated = [], []
    for seed in range(12):
        out = refined_of(harmonic_sound(f0, amplitudes=AMPLITUDES, snr_db=snr_db, seed=seed), f0 * 1.004)
        errors.append(out["f0_hz"] - f0)
        stated.append(np.sqrt(out["variance_hz2"]))
    rmse = float(np.sqrt(np.mean(np.concatenate(errors) ** 2)))
    bound = crb_hz(snr_db, refine.LENGTH * refine.DECIMATION)
    assert bound < rmse * 1.05, "below the bound: the bound or the noise is wrong"
    assert rmse < most * bound
    # Above 10 dB what is left of the neighbouring harmonics counts as noise: the error is overstated.
    assert np.median(np.concatenate(stated)) == pytest.approx(rmse, rel=0.15 if snr_db < 20 else 0.5)


@pytest.mark.parametrize(("f0", "rumble_hz"), [(205.0, 43.0), (120.0, 20.0)])
def test_a_loud_rumble_does_not_fold_into_the_harmonics(f0: float, rumble_hz: float) -> None:
    """Each rumble lies near the rate at rest (400 Hz) from a harmonic, and is far louder than the tone."""
    sound = harmonic_sound(f0, amplitudes=(0.2, 1.0, 0.8, 0.3, 0.1, 0.1), snr_db=10)
    time_s = np.arange(sound.size) / RATE
    rumble = 0.5 * np.sin(2 * np.pi * rumble_hz * time_s)
    out = refined_of((sound + rumble).astype(np.float32), f0 * 1.004)
    assert np.sqrt(np.mean((out["f0_hz"] - f0) ** 2)) < 0.05


def test_a_wrong_start_is_put_right_and_the_bias_is_small() -> None:
    out = refined_of(harmonic_sound(120.0, snr_db=30), 121.5)
    assert np.median(out["f0_hz"]) == pytest.approx(120.0, abs=0.02)


def test_powers_are_those_of_the_harmonics() -> None:
    amplitudes = (0.2, 1.0, 0.5, 0.0, 0.25)
    out = refined_of(harmonic_sound(150.0, amplitudes=amplitudes, snr_db=25), 150.0)
    power = out["tone_power"].mean(axis=0)
    level_db = 10 * np.log10(np.maximum(power / power.max(), 1e-9))
    for h, a in enumerate(amplitudes):
        if a:
            assert level_db[h] == pytest.approx(20 * np.log10(a), abs=0.5)
    assert level_db[3] < -25


def test_harmonics_beyond_the_band_are_unknown() -> None:
    samples = harmonic_sound(200.0)
    out = refine.refine_run(
        samples[None], np.full(5, np.log(200.0), np.float32), first_centre=384, first_frame=0, band_hz=1000.0
    )
    known = np.isfinite(out["tone_power"]).all(axis=0)
    assert known.tolist() == [h * 200.0 < 970.0 for h in range(1, N_TEETH + 1)]


def test_a_run_at_the_very_end_of_the_sound_is_refined() -> None:
    samples = harmonic_sound(160.0, duration_s=0.3)
    out = refine.refine_run(
        samples[None], np.full(4, np.log(160.0), np.float32), first_centre=samples.size - 300, first_frame=9
    )
    assert out["frame"].tolist() == [9]
    assert np.isfinite(out["f0_hz"]).all()
