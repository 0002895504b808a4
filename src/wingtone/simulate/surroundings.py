"""Everything a garden recording holds besides the bee.

Conventions
-----------
Each sound is a function ``(rng, n_samples, rate_hz, n_channels) -> samples of shape (n_channels, n_samples)``
with a mean square of about 1. `SOUNDS` maps plain names to them. Sounds with a place reach
all channels alike (a few dB and a short delay apart); wind and handling arise at each microphone by
themselves.

What is physical: power laws of wind noise and its growth with speed, engine lines at multiples of the firing
rate, beating rotors, voice as pulses through formants. What is crude: all levels, no reverberation, no
directions. All figures are ours, chosen to sound right, unless a source stands beside them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from wingtone.simulate.signals import amplitude, harmonic_sum, shaped_noise, slow_noise, unit

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    Sound = Callable[[np.random.Generator, int, int, int], NDArray[np.float64]]

__all__ = ["SOUNDS", "wind"]


def wind(
    rng: np.random.Generator,
    n_samples: int,
    rate_hz: int,
    n_channels: int = 1,
    *,
    gustiness: float = 0.3,
    exponent: float | None = None,
) -> NDArray[np.float64]:
    """Blow on bare microphones: noise of power ``f**-exponent`` that swells with the gusts.

    Nearly independent between channels.

    Parameters
    ----------
    gustiness
        Standard deviation of the logarithm of wind speed; pressure goes with speed squared.
    exponent
        Slope of the power spectrum above 10 Hz; drawn from 1.7-2.8 when left out (5/3 is the turbulence
        law, textbook; measured wind noise on microphones is steeper; memory).
    """
    slope = float(rng.uniform(1.7, 2.8)) if exponent is None else exponent
    common = 0.15  # part of the amplitude that both microphones share
    own = shaped_noise(rng, (n_channels, n_samples), rate_hz, lambda f: np.maximum(f, 10.0) ** -slope)
    shared = shaped_noise(rng, (n_samples,), rate_hz, lambda f: np.maximum(f, 10.0) ** -slope)
    speed = np.exp(gustiness * _slow(rng, n_samples, rate_hz, 0.35))
    return unit((np.sqrt(1 - common**2) * own + common * shared) * speed**2)


def _gusts(rng: np.random.Generator, n: int, rate_hz: int, n_channels: int) -> NDArray[np.float64]:
    return wind(rng, n, rate_hz, n_channels, gustiness=0.8)


def _hiss(rng: np.random.Generator, n: int, rate_hz: int, n_channels: int) -> NDArray[np.float64]:
    """Hiss: noise of the microphone itself and of a quiet place: white above, rising below 300 Hz."""
    return shaped_noise(rng, (n_channels, n), rate_hz, lambda f: 1.0 + (300.0 / np.maximum(f, 30.0)) ** 1.5)


def _rain(rng: np.random.Generator, n: int, rate_hz: int, n_channels: int) -> NDArray[np.float64]:
    drops = np.zeros(n)
    count = rng.poisson(rng.uniform(30.0, 300.0) * n / rate_hz)
    drops[rng.integers(0, n, count)] = rng.standard_normal(count) * np.exp(rng.normal(0.0, 0.8, count))
    tick = np.exp(-np.arange(int(0.006 * rate_hz)) / (0.0012 * rate_hz))
    tick = tick * rng.standard_normal(tick.size)
    wash = shaped_noise(rng, (n,), rate_hz, lambda f: f / (1.0 + (f / 1500.0) ** 2))
    return _everywhere(rng, unit(_convolve(drops, tick)) + 0.5 * wash, rate_hz, n_channels)


def _leaves(rng: np.random.Generator, n: int, rate_hz: int, n_channels: int) -> NDArray[np.float64]:
    rustle = shaped_noise(rng, (n,), rate_hz, lambda f: (f / 2500.0) ** 2 / (1.0 + (f / 2500.0) ** 4))
    return _everywhere(rng, rustle * np.exp(0.7 * _slow(rng, n, rate_hz, 1.2)), rate_hz, n_channels)


def _traffic(rng: np.random.Generator, n: int, rate_hz: int, n_channels: int) -> NDArray[np.float64]:
    """Sound of a distant road: tyre and engine noise with a broad hump, cars coming and going."""
    road = shaped_noise(rng, (n,), rate_hz, lambda f: 1.0 / (1 + (f / 120.0) ** 2) / (1 + (f / 1500.0) ** 4))
    time = np.arange(n) / rate_hz
    cars = np.full(n, 0.5)
    for _ in range(rng.poisson(0.15 * n / rate_hz + 0.5)):
        nearest_s, width_s = rng.uniform(0, n / rate_hz), rng.uniform(0.8, 2.5)
        cars += rng.uniform(0.3, 1.5) / (1.0 + ((time - nearest_s) / width_s) ** 2)
    lines = _engine(rng, n, rate_hz, 1)[0]
    return _everywhere(rng, (road + 0.25 * lines) * cars, rate_hz, n_channels)


def _engine(rng: np.random.Generator, n: int, rate_hz: int, n_channels: int) -> NDArray[np.float64]:
    """Run a four-stroke engine of 1-4 cylinders: narrow lines at multiples of half the crank rate.

    One working stroke in two turns of the crank (textbook): lines at ``rpm / 120``, stronger at multiples
    of the firing rate ``rpm / 120 * cylinders``.
    """
    cylinders = int(rng.choice([1, 1, 2, 4]))
    return _lines(
        rng,
        n,
        rate_hz,
        n_channels,
        base_hz=float(rng.uniform(1200.0, 3600.0)) / 120.0,
        strong_every=cylinders,
        weak_db=-14.0,
    )


def _mower(rng: np.random.Generator, n: int, rate_hz: int, n_channels: int) -> NDArray[np.float64]:
    """Mow: one cylinder near 2900 turns a minute, a two-bladed knife, air noise of the blades."""
    rpm = float(rng.normal(2900.0, 150.0))
    motor = _lines(rng, n, rate_hz, 1, base_hz=rpm / 120.0, strong_every=1, weak_db=0.0)[0]
    knife = _lines(rng, n, rate_hz, 1, base_hz=rpm / 30.0, strong_every=1, weak_db=0.0, top_hz=800.0)[0]
    air = shaped_noise(rng, (n,), rate_hz, lambda f: 1.0 / (1.0 + (f / 700.0) ** 2) * (f > 60.0))
    going = np.exp(0.25 * _slow(rng, n, rate_hz, 0.3))
    return _everywhere(rng, unit((motor + 0.5 * knife + 0.5 * air) * going), rate_hz, n_channels)


def _hum(rng: np.random.Generator, n: int, rate_hz: int, n_channels: int) -> NDArray[np.float64]:
    """Mains hum at 50 Hz with its harmonics, 100 Hz usually strongest; perfectly steady."""
    level = np.array([-8.0, 0.0, -14.0, -8.0, -18.0, -12.0, -22.0, -18.0, -25.0, -22.0])
    weights = amplitude(level + rng.normal(0.0, 4.0, level.size)) * _phases(rng, level.size)
    phase = 2.0 * np.pi * 50.0 * (1.0 + rng.normal(0.0, 2e-4)) * np.arange(n) / rate_hz
    return _everywhere(rng, unit(harmonic_sum(phase, weights)), rate_hz, n_channels)


def _rotors(rng: np.random.Generator, n: int, rate_hz: int, n_channels: int) -> NDArray[np.float64]:
    """Fly a small drone: four rotors, each its own blade tone near a common one, regulated quickly."""
    base = float(rng.uniform(110.0, 320.0))
    common = 0.03 * _slow(rng, n, rate_hz, 0.8)
    total = 0.3 * shaped_noise(rng, (n,), rate_hz, lambda f: 1.0 / (1.0 + (f / 3000.0) ** 2) * (f > 300.0))
    for _ in range(4):
        log_f0 = np.log(base * (1 + rng.normal(0.0, 0.03))) + common + 0.012 * _slow(rng, n, rate_hz, 2.0)
        weights = amplitude(-3.0 * np.arange(14) + rng.normal(0.0, 3.0, 14)) * _phases(rng, 14)
        total += harmonic_sum(_phase(np.exp(log_f0), rate_hz), _in_band(weights, base, rate_hz))
    return _everywhere(rng, unit(total), rate_hz, n_channels)


def _aircraft(rng: np.random.Generator, n: int, rate_hz: int, n_channels: int) -> NDArray[np.float64]:
    """Fly a propeller aircraft over: blade tone 70-95 Hz, many harmonics, slowly falling by Doppler."""
    time = np.arange(n) / rate_hz - rng.uniform(0.2, 0.8) * n / rate_hz
    height, speed, c = rng.uniform(200.0, 600.0), rng.uniform(45.0, 70.0), 340.0
    radial = -speed * (speed * time) / np.hypot(speed * time, height)
    base = float(rng.uniform(70.0, 95.0))
    weights = amplitude(-1.0 * np.arange(16) + rng.normal(0.0, 4.0, 16)) * _phases(rng, 16)
    tone = harmonic_sum(_phase(base / (1.0 - radial / c), rate_hz), _in_band(weights, base, rate_hz))
    roar = shaped_noise(rng, (n,), rate_hz, lambda f: 1.0 / (1.0 + (f / 200.0) ** 2))
    swell = np.exp(0.3 * _slow(rng, n, rate_hz, 1.5))
    return _everywhere(rng, unit((unit(tone) + 0.7 * roar) * swell), rate_hz, n_channels)


def _birds(rng: np.random.Generator, n: int, rate_hz: int, n_channels: int) -> NDArray[np.float64]:
    """Whistled notes between 1.8 and 6 kHz, sliding and trilled, in phrases."""
    song = np.zeros(n)
    time_s = rng.uniform(0.0, 1.0)
    while time_s < n / rate_hz:
        for _ in range(rng.integers(3, 12)):
            length = float(rng.uniform(0.04, 0.25))
            m = min(int(length * rate_hz), n - int(time_s * rate_hz))
            if m < 8:
                break
            x = np.arange(m) / (length * rate_hz)
            top = min(6000.0, 0.4 * rate_hz)
            hz = rng.uniform(1800.0, top) * np.exp(rng.normal(0.0, 0.25) * (x - 0.5))
            hz *= 1.0 + 0.05 * rng.integers(0, 2) * np.sin(2 * np.pi * rng.uniform(20.0, 50.0) * length * x)
            note = np.sin(np.pi * x) ** 2 * np.sin(_phase(np.minimum(hz, 0.45 * rate_hz), rate_hz))
            start = int(time_s * rate_hz)
            song[start : start + m] += float(amplitude(rng.normal(0.0, 4.0))) * note
            time_s += length + float(rng.uniform(0.02, 0.12))
        time_s += float(rng.uniform(0.4, 2.0))
    return _everywhere(rng, unit(song), rate_hz, n_channels)


def _crickets(rng: np.random.Generator, n: int, rate_hz: int, n_channels: int) -> NDArray[np.float64]:
    """Chirp: a carrier near 4.5 kHz cut into pulses at about 30 a second, in chirps of three or four."""
    time = np.arange(n) / rate_hz
    carrier = min(float(rng.normal(4500.0, 200.0)), 0.42 * rate_hz)
    pulse_rate, chirp_rate = rng.normal(30.0, 2.0), rng.normal(2.5, 0.3)
    pulses = np.clip(np.sin(2 * np.pi * pulse_rate * time), 0.0, None) ** 0.5
    within = np.mod(time * chirp_rate + rng.uniform(), 1.0) < 3.5 * chirp_rate / pulse_rate
    chirps = pulses * within * np.sin(2 * np.pi * carrier * time)
    return _everywhere(rng, unit(chirps), rate_hz, n_channels)


def _bumps(rng: np.random.Generator, n: int, rate_hz: int, n_channels: int) -> NDArray[np.float64]:
    """Fingers on the phone: thuds with resonances between 40 and 400 Hz, scrapes, clicks."""
    total = np.zeros((n_channels, n))
    for _ in range(max(1, rng.poisson(1.2 * n / rate_hz))):
        length = int(rng.uniform(0.05, 0.35) * rate_hz)
        start = int(rng.integers(0, max(1, n - length)))
        m = min(length, n - start)
        t = np.arange(m) / rate_hz
        body = sum(
            rng.normal() * np.exp(-t / rng.uniform(0.01, 0.06)) * np.sin(2 * np.pi * hz * t)
            for hz in rng.uniform(40.0, 400.0, 3)
        )
        scrape = 0.3 * shaped_noise(rng, (m,), rate_hz, lambda f: 1.0 / (1.0 + (f / 800.0) ** 2))
        bump = (body + scrape * np.sin(np.pi * t * rate_hz / m) ** 2) * np.exp(rng.normal(0.0, 0.7))
        total[:, start : start + m] += amplitude(rng.normal(0.0, 3.0, (n_channels, 1))) * bump
    return unit(total + 0.02 * shaped_noise(rng, (n_channels, n), rate_hz, lambda f: 1.0 / f))


def _siren(rng: np.random.Generator, n: int, rate_hz: int, n_channels: int) -> NDArray[np.float64]:
    """Wail: a two-tone or sweeping siren of a vehicle, harmonics and all."""
    time = np.arange(n) / rate_hz
    if rng.uniform() < 0.5:
        hz = np.where(np.mod(time / 1.1, 1.0) < 0.5, 435.0, 580.0) * np.exp(rng.normal(0.0, 0.03))
    else:
        hz = 900.0 * np.exp(0.35 * np.sin(2 * np.pi * rng.uniform(0.2, 3.0) * time))
    weights = amplitude(-6.0 * np.arange(5)) * _phases(rng, 5)
    tone = harmonic_sum(_phase(hz, rate_hz), weights) * np.exp(0.3 * _slow(rng, n, rate_hz, 1.0))
    return _everywhere(rng, unit(tone), rate_hz, n_channels)


def _music(rng: np.random.Generator, n: int, rate_hz: int, n_channels: int) -> NDArray[np.float64]:
    """Plucked and sustained notes of an equal-tempered scale, two or three at a time, with a bass."""
    total = np.zeros(n)
    beat = float(rng.uniform(0.25, 0.6))
    scale = np.array([0, 2, 4, 5, 7, 9, 11])
    for k in range(int(n / rate_hz / beat) + 1):
        for octave in (-1, 0, 0):
            start = int(k * beat * rate_hz)
            m = min(int(rng.choice([1.0, 2.0]) * beat * rate_hz), n - start)
            if m < 8 or rng.uniform() < 0.25:
                continue
            t = np.arange(m) / rate_hz
            hz = 220.0 * 2.0 ** ((int(rng.choice(scale)) + 12 * (octave + int(rng.integers(0, 2)))) / 12.0)
            decay = float(rng.choice([0.25, 5.0]))
            note = harmonic_sum(2 * np.pi * hz * t, amplitude(-5.0 * np.arange(8)) * _phases(rng, 8))
            envelope = np.exp(-t / decay) * np.minimum(1.0, t / 0.01) * (1 - t * rate_hz / m)
            total[start : start + m] += note * envelope
    return _everywhere(rng, unit(total), rate_hz, n_channels)


def _hive(rng: np.random.Generator, n: int, rate_hz: int, n_channels: int) -> NDArray[np.float64]:
    """Many honey bees at once: no single tone to be found."""
    total = shaped_noise(rng, (n,), rate_hz, lambda f: 1.0 / (1.0 + (f / 300.0) ** 2))
    for _ in range(30):
        base = float(rng.normal(230.0, 25.0))
        log_f0 = np.log(base) + 0.04 * _slow(rng, n, rate_hz, 1.0)
        weights = amplitude(-6.0 * np.arange(4) + rng.normal(0.0, 3.0, 4)) * _phases(rng, 4)
        swell = np.exp(0.8 * _slow(rng, n, rate_hz, 0.5))
        total += 0.25 * swell * harmonic_sum(_phase(np.exp(log_f0), rate_hz), weights)
    return _everywhere(rng, unit(total), rate_hz, n_channels)


def _lines(
    rng: np.random.Generator,
    n: int,
    rate_hz: int,
    n_channels: int,
    *,
    base_hz: float,
    strong_every: int,
    weak_db: float,
    top_hz: float = 2000.0,
) -> NDArray[np.float64]:
    """Lines of a turning machine: multiples of ``base_hz`` up to ``top_hz``, drifting together."""
    order = np.arange(1, min(80, int(min(top_hz, 0.4 * rate_hz) / base_hz)) + 1)
    body = -6.0 * np.log2(1.0 + order * base_hz / 250.0) + rng.normal(0.0, 4.0, order.size)
    level = body + np.where(order % strong_every == 0, 0.0, weak_db)
    drift = 0.01 * _slow(rng, n, rate_hz, 0.2) + 0.003 * _slow(rng, n, rate_hz, 3.0)
    sound = harmonic_sum(
        _phase(base_hz * np.exp(drift), rate_hz), amplitude(level) * _phases(rng, order.size)
    ) * np.exp(0.15 * _slow(rng, n, rate_hz, 4.0))
    return _everywhere(rng, unit(sound), rate_hz, n_channels)


def _slow(rng: np.random.Generator, n: int, rate_hz: int, bandwidth_hz: float) -> NDArray[np.float64]:
    """`slow_noise` made on a coarse grid of 100 Hz and interpolated."""
    coarse = int(np.ceil(n / rate_hz * 100.0)) + 2
    return np.interp(
        np.arange(n) / rate_hz, np.arange(coarse) / 100.0, slow_noise(rng, coarse, 100.0, bandwidth_hz)
    )


def _phase(frequency_hz: NDArray[np.float64], rate_hz: int) -> NDArray[np.float64]:
    return np.cumsum(frequency_hz) * (2.0 * np.pi / rate_hz)


def _phases(rng: np.random.Generator, n: int) -> NDArray[np.complex128]:
    return np.asarray(np.exp(1j * rng.uniform(0.0, 2.0 * np.pi, n)))


def _in_band(weights: NDArray[np.complex128], base_hz: float, rate_hz: int) -> NDArray[np.complex128]:
    return weights[: max(1, int(0.4 * rate_hz / base_hz))]


def _convolve(samples: NDArray[np.float64], kernel: NDArray[np.float64]) -> NDArray[np.float64]:
    from scipy.signal import fftconvolve

    return np.asarray(fftconvolve(samples, kernel)[: samples.size], dtype=float)


def _everywhere(
    rng: np.random.Generator, samples: NDArray[np.float64], rate_hz: int, n_channels: int
) -> NDArray[np.float64]:
    """Bring a sound with a place to all microphones: up to 1.5 dB and 0.4 ms apart (14 cm of air)."""
    rows = [samples]
    for _ in range(n_channels - 1):
        shift = int(rng.integers(-1, 2) * 0.0004 * rate_hz)
        rows.append(np.roll(samples, shift) * amplitude(rng.uniform(-1.5, 1.5)))
    return np.stack(rows)


def _voices(rng: np.random.Generator, n: int, rate_hz: int, n_channels: int) -> NDArray[np.float64]:
    from wingtone.simulate.voice import talk

    return _everywhere(rng, talk(rng, n, rate_hz), rate_hz, n_channels)


SOUNDS: Mapping[str, Sound] = {
    "aircraft": _aircraft,
    "birds": _birds,
    "bumps": _bumps,
    "crickets": _crickets,
    "engine": _engine,
    "gusts": _gusts,
    "hiss": _hiss,
    "hive": _hive,
    "hum": _hum,
    "leaves": _leaves,
    "mower": _mower,
    "music": _music,
    "rain": _rain,
    "rotors": _rotors,
    "siren": _siren,
    "traffic": _traffic,
    "voices": _voices,
    "wind": wind,
}
"""Every sound by its name."""
