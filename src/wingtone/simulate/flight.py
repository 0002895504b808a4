"""The buzz of a bee: wingbeat source, path and what a microphone hears of it.

Conventions
-----------
A `Bee` is what stays with an individual (tone, timbre, steadiness). A `Buzz` is one stretch of sound it
makes: flight or sonication, hovering or passing. `hear` turns a buzz into samples at each microphone.
Levels are dB relative to the far field of the fundamental at 1 m; absolute level has no meaning here.

What is physical: the harmonic series on one phase, Doppler through the time of travel, the near field of
a dipole per harmonic. What is crude: no direction of the dipole, no reflections, timbre drawn at random
(no published harmonic slope for bumblebees was found, so the figures are ours).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from wingtone.simulate.acoustics import dipole_gain, emission_time, speed_of_sound, straight_pass
from wingtone.simulate.signals import amplitude, shaped_noise, slow_noise

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["Bee", "Buzz", "Heard", "Hover", "Pass", "draw_bee", "draw_sonication", "hear"]

_GRID_HZ = 500.0  # everything slow is computed on this grid; jitter stays below 60 Hz
_JITTER_HZ = 40.0
AUDIBLE_DB = -15.0
"""A buzz counts as heard while its level is within this of its own maximum (ours)."""


@dataclass(frozen=True)
class Bee:
    """One individual.

    Attributes
    ----------
    f0_hz
        Its usual wingbeat frequency.
    harmonics_db
        Far-field level of harmonic 1, 2, ... (harmonic 1 is the reference, 0 dB, unless it is weak).
    wander, wander_hz
        Standard deviation of ln f0 inside a bout, and how fast it wanders.
    jitter
        Standard deviation of ln f0 from cycle to cycle (below about 40 Hz).
    shimmer_db
        Slow random change of each harmonic, standard deviation.
    breath_db
        Level of the aperiodic rush of air, relative to the fundamental.
    individual
        Number of the individual in its scene.
    label
        What it is meant to be, e.g. ``"Bombus terrestris queen"``; empty when nothing is meant.
    """

    f0_hz: float
    harmonics_db: tuple[float, ...]
    wander: float = 0.012
    wander_hz: float = 0.8
    jitter: float = 0.002
    shimmer_db: float = 1.5
    breath_db: float = -25.0
    individual: int = 1
    label: str = ""


@dataclass(frozen=True)
class Hover:
    """Hanging about near the phone: a mean distance, wandering by ``drift`` (standard deviation of ln r)."""

    distance_m: float
    drift: float = 0.15
    drift_hz: float = 0.4


@dataclass(frozen=True)
class Pass:
    """A straight pass: speed, closest distance, and when it is nearest."""

    speed_m_s: float
    closest_m: float
    at_s: float


@dataclass(frozen=True)
class Buzz:
    """One stretch of sound of one bee.

    Attributes
    ----------
    start_s, end_s
        Half-amplitude points of the ramps, at the bee.
    glide
        Change of ln f0 from start to end, on top of the wander.
    take_off
        How far (in ln f0) the tone starts below its usual value; it recovers with a time of 0.12 s.
    ramp_s
        Length of the rise and of the fall.
    level_db
        Added to every harmonic.
    """

    kind: Literal["flight", "sonication"]
    bee: Bee
    start_s: float
    end_s: float
    path: Hover | Pass
    glide: float = 0.0
    take_off: float = 0.0
    ramp_s: float = 0.06
    level_db: float = 0.0


@dataclass(frozen=True)
class Heard:
    """A buzz at the microphones.

    Attributes
    ----------
    first : int
        Sample of the recording where ``samples`` begins.
    samples : shape (n_microphones, n)
    time_s, f0_hz, source_hz, level_db : shape (n_grid,)
        On a 2 ms grid, at the first microphone: tone heard (Doppler included, jitter not), tone made when
        that sound left the bee, and level of the whole series. Before the middle of the first ramp and
        after the middle of the last the level is -inf.
    """

    first: int
    samples: NDArray[np.float64]
    time_s: NDArray[np.float64]
    f0_hz: NDArray[np.float64]
    source_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]


def draw_bee(
    rng: np.random.Generator,
    *,
    f0_hz: float | None = None,
    n_harmonics: int = 20,
    individual: int = 1,
    label: str = "",
) -> Bee:
    """Draw an individual.

    Without ``f0_hz`` the tone is log-uniform over 100-220 Hz, the range of bumblebees. The timbre is ours,
    chosen because no published slope was found: 5-11 dB fall an octave, the second harmonic raised by
    4 +- 4 dB (it is often the strongest: read for a hornet, Kim et al. 2019), 3 dB of scatter. So is the
    wander of 1-3.5 %, chosen to cover most bouts of the project's labelled recordings (1-6 %).
    """
    tone = float(np.exp(rng.uniform(np.log(100.0), np.log(220.0)))) if f0_hz is None else float(f0_hz)
    order = np.arange(1, n_harmonics + 1)
    level = -rng.uniform(5.0, 11.0) * np.log2(order) + rng.normal(0.0, 3.0, n_harmonics)
    level[1] += rng.normal(4.0, 4.0)
    level -= level[0]
    return Bee(
        f0_hz=tone,
        harmonics_db=tuple(float(x) for x in level),
        wander=float(rng.uniform(0.01, 0.035)),
        wander_hz=float(rng.uniform(0.4, 2.0)),
        jitter=float(rng.uniform(0.001, 0.003)),
        individual=individual,
        label=label,
    )


def draw_sonication(
    rng: np.random.Generator,
    bee: Bee,
    *,
    start_s: float,
    end_s: float,
    distance_m: float,
    level_db: float = 6.0,
) -> tuple[Buzz, ...]:
    """Pulses of a bee shaking a flower between two times.

    Higher than flight (floral > flight; Pritchard & Vallejo-Marín 2020, read), 200-400 Hz and never above
    400 Hz (De Luca et al. 2019, read); 1.45-2 times the flight tone (ratio passes 2 only in the largest bees,
    same source). Pulses of 0.15-0.7 s, sharp onset, flat spectrum: ours.
    """
    tone = float(np.clip(bee.f0_hz * rng.uniform(1.45, 2.0), 200.0, 390.0))
    order = np.arange(1, len(bee.harmonics_db) + 1)
    level = -rng.uniform(2.0, 6.0) * np.log2(order) + rng.normal(0.0, 3.0, order.size)
    level -= level[0]
    shaking = replace(
        bee,
        f0_hz=tone,
        harmonics_db=tuple(float(x) for x in level),
        wander=0.006,
        wander_hz=3.0,
        jitter=0.003,
    )
    pulses: list[Buzz] = []
    time_s = start_s
    while True:
        length = float(rng.uniform(0.15, 0.7))
        if time_s + length > end_s:
            return tuple(pulses)
        this = replace(shaking, f0_hz=min(395.0, tone * float(np.exp(rng.normal(0.0, 0.02)))))
        pulses.append(
            Buzz(
                kind="sonication",
                bee=this,
                start_s=time_s,
                end_s=time_s + length,
                path=Hover(distance_m, drift=0.01),
                glide=float(rng.normal(-0.02, 0.02)),
                ramp_s=0.012,
                level_db=level_db + float(rng.normal(0.0, 1.5)),
            )
        )
        time_s += length + float(rng.uniform(0.08, 0.5))


def hear(
    buzz: Buzz,
    rng: np.random.Generator,
    *,
    duration_s: float,
    rate_hz: int,
    microphones_m: NDArray[np.float64] | None = None,
    temperature_c: float = 15.0,
    near_field_phase: bool = False,
) -> Heard:
    """Let the microphones hear a buzz.

    Parameters
    ----------
    duration_s, rate_hz
        Of the recording; what falls outside it is not heard.
    microphones_m : shape (n_microphones, 3), optional
        Positions; one at the origin when left out. A hovering bee hangs above the origin, a passing one
        flies along x (see `straight_pass`).
    near_field_phase
        See `dipole_gain`.

    Notes
    -----
    1. On a grid of 500 Hz: tone and phase of the source, its path, the time of emission for each time of
       hearing at each microphone.
    2. Phase heard = phase of the source at the time of emission (this *is* the Doppler effect, exact),
       brought to the sample rate by a cubic spline.
    3. Each harmonic gets its level, its slow shimmer, the ramp and the dipole gain at its own frequency, and
       is left out above 0.45 of the sample rate.
    """
    from scipy.interpolate import CubicSpline

    bee, c = buzz.bee, speed_of_sound(temperature_c)
    microphones = np.zeros((1, 3)) if microphones_m is None else microphones_m
    grid = np.arange(buzz.start_s - buzz.ramp_s - 0.05, buzz.end_s + buzz.ramp_s + 0.25, 1.0 / _GRID_HZ)

    since = np.maximum(grid - buzz.start_s, 0.0)
    log_f0 = (
        np.log(bee.f0_hz)
        + bee.wander * slow_noise(rng, grid.size, _GRID_HZ, bee.wander_hz)
        + buzz.glide * (np.clip(since / (buzz.end_s - buzz.start_s), 0.0, 1.0) - 0.5)
        - buzz.take_off * np.exp(-since / 0.12)
    )
    smooth_hz = np.exp(log_f0)
    made_hz = smooth_hz * np.exp(bee.jitter * slow_noise(rng, grid.size, _GRID_HZ, _JITTER_HZ))
    phase_made = np.concatenate([[0.0], np.cumsum((made_hz[1:] + made_hz[:-1]) * np.pi / _GRID_HZ)])
    ramp = np.minimum(
        _ramp((grid - buzz.start_s) / buzz.ramp_s), _ramp((buzz.end_s - grid) / buzz.ramp_s)
    ) * amplitude(buzz.level_db)
    position = _positions(buzz.path, grid, rng)

    first = max(0, int(np.ceil(grid[0] * rate_hz)))
    last = min(round(duration_s * rate_hz), int(grid[-1] * rate_hz))
    sample_time = np.arange(first, last) / rate_hz
    n_harmonics = int(min(len(bee.harmonics_db), 0.45 * rate_hz // smooth_hz.max()))
    level = np.asarray(bee.harmonics_db[:n_harmonics])
    shimmer = bee.shimmer_db * slow_noise(rng, grid.size, _GRID_HZ, 2.0, rows=n_harmonics)
    start_phase = np.exp(1j * rng.uniform(0.0, 2.0 * np.pi, n_harmonics))
    breath = shaped_noise(
        rng, (max(sample_time.size, 2),), rate_hz, lambda f: (f > 300.0) / (1.0 + (f / 2500.0) ** 2)
    )[: sample_time.size]

    channels = []
    heard_hz = source_hz = heard_level = np.zeros(0)
    for number, microphone in enumerate(microphones):
        distance = np.linalg.norm(position - microphone, axis=1)
        emitted = emission_time(grid, distance, sound_speed_m_s=c)
        at = CubicSpline(grid, np.stack([phase_made, np.log(distance), log_f0], axis=1))(emitted)
        phase, distance_then, hz_then = at[:, 0], np.exp(at[:, 1]), np.exp(at[:, 2])
        gate = np.interp(emitted, grid, ramp)
        turn = np.exp(1j * CubicSpline(grid, phase)(sample_time))
        turns = np.ones_like(turn)
        sound = np.zeros(sample_time.size)
        power = np.zeros(grid.size)
        for h in range(1, n_harmonics + 1):
            turns = turns * turn
            weight = (
                gate
                * amplitude(level[h - 1] + shimmer[h - 1])
                * dipole_gain(distance_then, h * hz_then, sound_speed_m_s=c, phase=near_field_phase)
            )
            power += np.abs(weight) ** 2
            weight = weight * start_phase[h - 1]
            sound += np.interp(sample_time, grid, weight.real) * turns.real
            sound -= np.interp(sample_time, grid, weight.imag) * turns.imag
        rush = np.interp(sample_time, grid, gate / distance_then) * amplitude(bee.breath_db)
        channels.append(sound + rush * (1.0 + turn.real) * breath)
        if number == 0:
            source_hz = hz_then
            heard_hz = hz_then * np.gradient(emitted, grid)
            inside = np.interp(emitted, grid, (ramp >= 0.5 * ramp.max()).astype(float)) >= 0.5
            with np.errstate(divide="ignore"):
                heard_level = np.where(inside, 10.0 * np.log10(power), -np.inf)
    return Heard(first, np.stack(channels), grid, heard_hz, source_hz, heard_level)


def _ramp(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rise as a raised cosine from 0 at -1/2 to 1 at 1/2, a half at 0."""
    return 0.5 + 0.5 * np.sin(np.pi * np.clip(x, -0.5, 0.5))


def _positions(
    path: Hover | Pass, time_s: NDArray[np.float64], rng: np.random.Generator
) -> NDArray[np.float64]:
    if isinstance(path, Pass):
        return straight_pass(time_s, speed_m_s=path.speed_m_s, closest_m=path.closest_m, at_s=path.at_s)
    distance = path.distance_m * np.exp(path.drift * slow_noise(rng, time_s.size, _GRID_HZ, path.drift_hz))
    bearing = rng.uniform(0.0, 2.0 * np.pi)
    side = 0.3 * path.drift * slow_noise(rng, time_s.size, _GRID_HZ, path.drift_hz, rows=2)
    direction = np.stack(
        [0.5 * np.cos(bearing) + side[0], 0.5 * np.sin(bearing) + side[1], np.full(time_s.size, 0.85)], axis=1
    )
    direction /= np.linalg.norm(direction, axis=1, keepdims=True)
    return np.asarray(distance[:, None] * direction)
