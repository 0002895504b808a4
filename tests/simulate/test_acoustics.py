"""Textbook acoustics against worked values and closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from wingtone.simulate import (
    Bee,
    Buzz,
    Hover,
    Pass,
    dipole_gain,
    doppler_hz,
    emission_time,
    hear,
    speed_of_sound,
    straight_pass,
)

PURE = Bee(170.0, (0.0,), wander=0.0, jitter=0.0, shimmer_db=0.0, breath_db=-200.0)
"""A bee of one steady line."""


def test_speed_of_sound_at_20_degrees() -> None:
    # worked value T10 of the project's reference tables (331.3 + 0.606 T); 343.2 m/s in handbooks
    assert speed_of_sound(20.0) == pytest.approx(343.42, abs=0.01)


def test_doppler_of_a_departing_honey_bee() -> None:
    # worked value T9: Nachtigall 2005's tone and speed (read), approaching at 20 degrees
    heard = doppler_hz(169.16, 3.15, sound_speed_m_s=speed_of_sound(20.0))
    assert float(heard) == pytest.approx(170.73, abs=0.02)


@pytest.mark.parametrize(("near_m", "far_m", "drop_db"), [(0.05, 0.10, -11.74), (1.0, 2.0, -6.34)])
def test_dipole_drop_per_doubling(near_m: float, far_m: float, drop_db: float) -> None:
    # worked values T12 and T13, at 170 Hz and 20 degrees
    gain = np.abs(dipole_gain(np.array([near_m, far_m]), 170.0, sound_speed_m_s=343.42))
    assert 20 * np.log10(gain[1] / gain[0]) == pytest.approx(drop_db, abs=0.05)


def test_near_field_ends_at_one_over_k() -> None:
    # worked value T11: at r = 1/k = 0.3215 m both terms are equal, so the gain is sqrt(2) / r
    gain = np.abs(dipole_gain(np.array([0.3215]), 170.0, sound_speed_m_s=343.42))
    assert float(gain[0] * 0.3215) == pytest.approx(np.sqrt(2.0), rel=1e-3)


def test_near_field_phase_takes_doppler_away_close_up() -> None:
    """The phase of ``(1 + 1/(j k r)) exp(-j k r)`` has the slope ``-k (k r)^2 / (1 + (k r)^2)`` (by hand)."""
    k = 2 * np.pi * 170.0 / 343.42
    r = np.linspace(0.02, 2.0, 20001)
    pressure = dipole_gain(r, 170.0, sound_speed_m_s=343.42, phase=True) * np.exp(-1j * k * r)
    slope = np.gradient(np.unwrap(np.angle(pressure)), r)
    assert slope[5:-5] == pytest.approx((-k * (k * r) ** 2 / (1 + (k * r) ** 2))[5:-5], abs=1e-3)
    assert slope[0] == pytest.approx(0.0, abs=0.02)


def retarded_time_of_a_straight_pass(
    t: np.ndarray, *, speed_m_s: float, closest_m: float, c: float
) -> np.ndarray:
    """Solve ``c (t - tau) = sqrt(d^2 + v^2 tau^2)`` for tau: the earlier root of a quadratic equation."""
    a = c**2 - speed_m_s**2
    root = np.sqrt((speed_m_s * c * t) ** 2 + a * closest_m**2)
    return np.asarray((c**2 * t - root) / a)


@pytest.mark.parametrize(("speed_m_s", "closest_m"), [(0.5, 0.1), (3.0, 0.3), (7.0, 1.0), (12.0, 0.2)])
def test_emission_time_against_the_closed_form(speed_m_s: float, closest_m: float) -> None:
    t = np.arange(-1.0, 1.0, 0.002)
    path = straight_pass(t, speed_m_s=speed_m_s, closest_m=closest_m, at_s=0.0)
    distance = np.linalg.norm(path, axis=1)
    emitted = emission_time(t, distance, sound_speed_m_s=340.0)
    truth = retarded_time_of_a_straight_pass(t, speed_m_s=speed_m_s, closest_m=closest_m, c=340.0)
    inside = t > -0.9
    assert np.max(np.abs(emitted - truth)[inside]) < 1e-8


def test_a_passing_bee_sounds_as_doppler_says() -> None:
    """Frequency of the samples (Hilbert transform) against ``f / (1 - v_r / c)`` at the time of emission."""
    from scipy.signal import hilbert

    rate_hz, c = 16000, speed_of_sound(15.0)
    buzz = Buzz("flight", PURE, 0.1, 2.9, Pass(5.0, 0.5, 1.5))
    heard = hear(buzz, np.random.default_rng(0), duration_s=3.0, rate_hz=rate_hz)
    t = heard.first / rate_hz + np.arange(heard.samples.shape[1]) / rate_hz
    frequency = np.gradient(np.unwrap(np.angle(hilbert(heard.samples[0])))) * rate_hz / (2 * np.pi)

    tau = retarded_time_of_a_straight_pass(t - 1.5, speed_m_s=5.0, closest_m=0.5, c=c)
    approach = -(5.0**2) * tau / np.hypot(0.5, 5.0 * tau)
    expected = doppler_hz(170.0, approach, sound_speed_m_s=c)
    middle = (t > 0.4) & (t < 2.6)
    assert np.max(np.abs(frequency - expected)[middle]) < 0.05
    assert np.ptp(expected[middle]) > 4.5  # the glide is there at all: 2 v / c is 2.9 %
    on_grid = (heard.time_s > 0.4) & (heard.time_s < 2.6)
    assert heard.f0_hz[on_grid] == pytest.approx(np.interp(heard.time_s, t, expected)[on_grid], abs=0.01)
    assert heard.source_hz[on_grid] == pytest.approx(170.0, abs=1e-6)


def test_a_bee_at_twice_the_distance_is_fainter_as_the_dipole_says() -> None:
    levels = []
    for distance_m in (0.05, 0.10):
        buzz = Buzz("flight", PURE, 0.2, 0.8, Hover(distance_m, drift=0.0))
        heard = hear(buzz, np.random.default_rng(1), duration_s=1.0, rate_hz=8000, temperature_c=20.0)
        levels.append(20 * np.log10(np.std(heard.samples[0][2000:6000])))
    assert levels[1] - levels[0] == pytest.approx(-11.74, abs=0.05)  # worked value T12


def test_partials_stay_harmonic_while_the_tone_moves() -> None:
    """First six partials within 1 Hz of whole multiples (worked value T14: Arthur et al. 2014, read)."""
    rate_hz = 16000
    bee = Bee(150.0, (0.0,) * 6, wander=0.02, wander_hz=1.0, jitter=0.0, breath_db=-200.0)
    buzz = Buzz("flight", bee, 0.1, 1.9, Hover(0.3))
    heard = hear(buzz, np.random.default_rng(3), duration_s=2.0, rate_hz=rate_hz)
    samples = heard.samples[0][int(0.3 * rate_hz) : int(1.7 * rate_hz)]
    t = (heard.first + int(0.3 * rate_hz) + np.arange(samples.size)) / rate_hz
    fundamental = np.cumsum(np.interp(t, heard.time_s, heard.f0_hz)) / rate_hz
    for order in range(1, 7):
        base_band = samples * np.exp(-2j * np.pi * order * fundamental)
        smooth = np.convolve(base_band, np.hanning(800), "valid")
        rest_hz = np.gradient(np.unwrap(np.angle(smooth))) * rate_hz / (2 * np.pi)
        assert np.median(np.abs(rest_hz)) < 1.0
