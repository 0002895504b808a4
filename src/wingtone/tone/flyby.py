"""The straight pass: how fast, how near, and the tone the bee itself makes.

A bee flying past sounds higher as it comes and lower as it goes (Doppler), and louder the nearer it is. The
height of the fall is twice the speed over the speed of sound; how long fall and swell last is the closest
distance over the speed. Tone and levels are fitted together, for a path that is straight, level and even.

What hides a pass is the bee's own wander of tone. It is modelled as noise that remembers (a Gaussian
process), its size taken from the flight itself; so a restless bee gives wide intervals, and none at all when
wander alone tells the course of the tone as well.

Conventions
-----------
Metres, seconds, Hz; levels in nepers of power; logarithms are natural. ``course`` is what was measured,
``pass`` what is fitted.

- `speed_of_sound`, `heard_from_pass`: the physics
- `fit_pass`: the refined values of one flight to a `FlyBy`, or None
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone import spectrum
from wingtone.tone.refine import HOP_FRAMES, TAPER, WINDOW_S
from wingtone.tone.results import Z_95, FlyBy

if TYPE_CHECKING:
    from numpy.typing import NDArray

AIR_C = 20.0
"""Temperature taken when nobody knows it: 10 degrees more change the speed by 1.8 % (ours)."""
SPEED_M_S = (0.3, 15.0)
CLOSEST_M = (0.03, 10.0)
"""What is believed of a bee that a phone hears: bumblebees cruise at 3-7 m/s (memory), and nearer than 3 cm
it has hit the phone. The whole interval of the speed must lie inside. Ours."""
RISE_NEPERS = 1.4
"""A pass is louder in its middle than on either side by 6 dB at least: beyond 1.7 closest distances. Ours."""
LEAST_GAIN = 1.5
"""Log likelihood a pass must gain over wander alone in telling the tone: odds of 4.5 to 1. Ours."""
WIDEST_SD = 0.45
"""Standard error of ln speed from which nothing is reported: the interval would reach from 0.4 to 2.4
times. Ours."""
SHORTEST_WINDOWS = 8
LONGEST_WINDOWS = 80
"""Windows of 40 ms that are fitted at most; of longer courses every second, third, ... (cost)."""
REACH_WIDTHS = 5.0
LEAST_REACH_S = 0.7
"""How far to either side the path is believed to be straight, in half widths (6 dB) of the swell. Ours."""
EDGE_WINDOWS = 2
"""Windows left out at either end: there the buzz itself may begin or end."""
MOST_HARMONICS = 4
CLEAR_RATIO = 10.0
"""A harmonic is used for the level when its best window stands 10 dB over the noise. Ours."""

WANDER = (0.001, 0.002, 0.004, 0.008, 0.016, 0.032)
WANDER_S = 0.25
"""Standard deviation of ln f0 of the bee's own wander (chosen by likelihood) and the time over which it
forgets. Flights of the labelled recordings wander by 1-6 %, at up to 2 Hz; ours."""
ROUNDS = 2
"""Fits, each with the wander that the one before leaves over: its mean square over the likelihood, so that a
flight that seems steady by chance is not believed to be. A third changes nothing any more (ours)."""
JITTER = 0.0006
"""Cycle-to-cycle unrest of the wing that is left in one window. Ours, from the simulator's 0.1-0.3 %."""
SHARED_NEPERS = 0.23
OWN_NEPERS = 0.28
LEVEL_S = 0.1
"""Unrest of the level: 1 dB common to all harmonics (turning), 1.2 dB of each its own, forgotten in 0.1 s.
Ours, so that intervals hold the truth as often as they say."""
EDGE_SHARE = 0.2
"""Share of the wander by which the source tone of all the flight differs from that of the part fitted. Ours,
from made-up passes."""
PRIOR_LN_SPEED = (float(np.log(3.0)), 0.7)
PRIOR_LN_CLOSEST = (float(np.log(0.5)), 0.9)
"""Before anything is heard: 3 m/s within a factor of 4, half a metre within a factor of 6 (95 %). Ours."""
SMALL_STEP = 1e-6
"""Of ln speed, ln distance and seconds, for slopes: between rounding and curvature (common practice)."""


def speed_of_sound(temperature_c: float) -> float:
    """Speed of sound in air in m/s: ``331.3 + 0.606 T`` (textbook; memory)."""
    return 331.3 + 0.606 * temperature_c


def heard_from_pass(
    time_s: NDArray[np.float64], *, speed_m_s: float, closest_m: float, sound_speed_m_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What is heard of an even, straight pass that is nearest at time 0.

    Parameters
    ----------
    time_s
        Times of hearing, any shape.
    speed_m_s
        Below the speed of sound.

    Returns
    -------
    tuple of two arrays of the shape of ``time_s``
        Distance of the bee when the sound left it, and ln of the tone heard over the tone made.

    Notes
    -----
    The sound left at ``u`` with ``t = u + r(u) / c`` and ``r^2 = d^2 + v^2 u^2``: a quadratic in ``u``. The
    tone is heard ``1 / (1 + v^2 u / (r c))`` times higher, the textbook Doppler formula with the speed along
    the line of sight (derived).
    """
    c, v, d = sound_speed_m_s, speed_m_s, closest_m
    left = (c * c - v * v) / (c * c)
    made_s = (time_s - np.sqrt(np.maximum(time_s**2 - left * (time_s**2 - (d / c) ** 2), 0.0))) / left
    distance_m = np.hypot(d, v * made_s)
    return distance_m, -np.log1p(v * v * made_s / (distance_m * c))


@dataclass(frozen=True)
class _Course:
    """What was measured of a flight, one value a window (n) and used harmonic (H).

    ``level`` is ln of tone and noise together, so that a tone that sinks into the noise does no harm.
    """

    time_s: NDArray[np.float64]
    ln_f0: NDArray[np.float64]
    variance: NDArray[np.float64]
    orders: NDArray[np.int64]
    level: NDArray[np.float64]
    noise: NDArray[np.float64]
    level_variance: NDArray[np.float64]
    peak_s: float
    half_width_s: float

    @cached_property
    def middle_ln(self) -> float:
        """Median of ln f0."""
        return float(np.median(self.ln_f0))


def _course(refined: NDArray[np.void]) -> _Course | None:
    """Take what a fit needs; None where the level does not rise and fall as in a pass."""
    refined = refined[EDGE_WINDOWS : refined.size - EDGE_WINDOWS]
    if refined.size < SHORTEST_WINDOWS:
        return None
    time_s = refined["frame"] * spectrum.HOP_S
    with np.errstate(divide="ignore"):
        total = np.log(np.nansum(refined["tone_power"], axis=1, dtype=np.float64))
    top = int(total.argmax())
    before, after = np.sort(total[:top]), np.sort(total[top + 1 :])
    if min(before.size, after.size) < 3 or max(before[1], after[1]) > total[top] - RISE_NEPERS:
        return None
    step_s = HOP_FRAMES * spectrum.HOP_S
    half_width_s = max(0.05, 0.5 * step_s * float(np.sum(total > total[top] - RISE_NEPERS)))
    near = np.abs(time_s - time_s[top]) <= max(LEAST_REACH_S, REACH_WIDTHS * half_width_s)
    part = refined[near][:: -(-int(near.sum()) // LONGEST_WINDOWS)]
    tone, noise = part["tone_power"].astype(np.float64), part["noise_power"].astype(np.float64)
    ratio = tone / noise
    best = np.nan_to_num(ratio.max(axis=0))
    used = np.sort(np.argsort(-best)[:MOST_HARMONICS])
    used = used[best[used] > CLEAR_RATIO]
    if part.size < SHORTEST_WINDOWS or used.size == 0:
        return None
    f0_hz, over = part["f0_hz"].astype(np.float64), ratio[:, used].T
    return _Course(
        time_s=part["frame"] * spectrum.HOP_S,
        ln_f0=np.log(f0_hz),
        variance=part["variance_hz2"] / f0_hz**2,
        orders=used + 1,
        level=np.log(tone[:, used] + noise[:, used]).T,
        noise=np.log(noise[:, used]).T,
        # Power of a steady tone in complex noise: variance (1 + 2 r) / (1 + r)^2 of its square (textbook).
        level_variance=(1 + 2 * over) / (1 + over) ** 2,
        peak_s=float(time_s[top]),
        half_width_s=half_width_s,
    )


@lru_cache(maxsize=1)
def _window() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Offsets in seconds and weights of the window that `refine` looks through."""
    from scipy.signal.windows import tukey

    offset_s = np.linspace(-WINDOW_S / 2, WINDOW_S / 2, 27)
    return offset_s, np.asarray(tukey(offset_s.size, TAPER), np.float64)


def _expected(
    course: _Course, speed_m_s: float, closest_m: float, at_s: float, sound_speed_m_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What the windows of a course would read: ln Doppler (n,) and level re 1 m (H, n).

    A window reads the slope of phase, weighted by how loud each moment in it is: near the closest point both
    change within one window. Level: near field of a dipole, ``(1/r) sqrt(1 + 1/(k r)^2)`` (textbook
    acoustics; memory), which gives the low harmonics a sharper swell.
    """
    offset_s, taper = _window()
    times = course.time_s[:, None] + offset_s - at_s
    distance_m, ln_ratio = heard_from_pass(
        times, speed_m_s=speed_m_s, closest_m=closest_m, sound_speed_m_s=sound_speed_m_s
    )
    wave = 2 * np.pi * np.exp(course.middle_ln) / sound_speed_m_s
    near = (1 / (wave * course.orders) ** 2)[:, None, None] / distance_m**2
    loud = np.sqrt(1 + near) * (taper / distance_m)
    level = 2 * np.log(loud.sum(axis=2) / taper.sum())
    phase = np.cumsum(ln_ratio, axis=1) - 0.5 * ln_ratio
    weight = loud[0] / loud[0].sum(axis=1, keepdims=True)
    place = offset_s - (weight * offset_s).sum(axis=1, keepdims=True)
    step_s = offset_s[1] - offset_s[0]
    slope = step_s * (weight * place * phase).sum(axis=1) / (weight * place**2).sum(axis=1)
    return slope, level


def _whitener(covariance: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Give the matrix that makes such noise white and of unit size, and half the log determinant."""
    from scipy.linalg import cholesky
    from scipy.linalg.lapack import dtrtri

    n = covariance.shape[0]
    root = cholesky(covariance + 1e-9 * np.trace(covariance) / n * np.eye(n), lower=True)
    whiten, _ = dtrtri(root, lower=1)
    return whiten, float(np.log(np.diag(root)).sum())


def _tone_whitener(course: _Course, wander: float) -> tuple[NDArray[np.float64], float]:
    """For wander of a size (Matérn 3/2) and the error of measurement.

    Overlapping windows share their noise in proportion to the overlap.
    """
    gap_s = np.abs(course.time_s[:, None] - course.time_s)
    reach = np.sqrt(3.0) * gap_s / WANDER_S
    remembered = (1 + reach) * np.exp(-reach)
    shared = np.clip(1 - gap_s / WINDOW_S, 0.0, None)
    sd = np.sqrt(course.variance)
    error = shared * (np.outer(sd, sd) + JITTER**2)
    return _whitener(wander**2 * remembered + error)


def _level_whiteners(course: _Course) -> NDArray[np.float64]:
    """One for each harmonic, shape (H, n, n).

    What is common to all harmonics counts in each of them as often as there are harmonics: their mean then
    has the right error, and their differences too wide a one.
    """
    gap_s = np.abs(course.time_s[:, None] - course.time_s)
    size = OWN_NEPERS**2 + course.orders.size * SHARED_NEPERS**2
    unrest = size * np.exp(-gap_s / LEVEL_S)
    shared = np.clip(1 - gap_s / WINDOW_S, 0.0, None)
    sds = np.sqrt(course.level_variance)
    return np.stack([_whitener(unrest + shared * np.outer(sd, sd))[0] for sd in sds])


@dataclass(frozen=True)
class _Fitted:
    """Parameters (ln speed, ln closest, time, ln source tone, level of each harmonic) and covariance."""

    values: NDArray[np.float64]
    covariance: NDArray[np.float64]


def _fit(
    course: _Course,
    start: NDArray[np.float64],
    whiten_tone: NDArray[np.float64],
    whiten_level: NDArray[np.float64],
    sound_speed_m_s: float,
) -> _Fitted:
    """Weighted nonlinear least squares (Levenberg-Marquardt) from a start.

    Only the path's own three slopes are taken by a small step; the others are plain.
    """
    from scipy.optimize import least_squares
    from scipy.special import expit

    n = course.time_s.size

    @lru_cache(maxsize=2)
    def expected(ln_speed: float, ln_closest: float, at_s: float) -> tuple[NDArray[np.float64], ...]:
        return _expected(course, float(np.exp(ln_speed)), float(np.exp(ln_closest)), at_s, sound_speed_m_s)

    def residuals(values: NDArray[np.float64]) -> NDArray[np.float64]:
        slope, level = expected(*values[:3].tolist())
        told = np.logaddexp(values[4:, None] + level, course.noise)
        prior = [
            (values[0] - PRIOR_LN_SPEED[0]) / PRIOR_LN_SPEED[1],
            (values[1] - PRIOR_LN_CLOSEST[0]) / PRIOR_LN_CLOSEST[1],
        ]
        tone = whiten_tone @ (course.ln_f0 - values[3] - slope)
        levels = (whiten_level @ (course.level - told)[..., None]).ravel()
        return np.concatenate([tone, levels, prior])

    def slopes(values: NDArray[np.float64]) -> NDArray[np.float64]:
        path = values[:3].tolist()
        slope, level = expected(*path)
        tone_share = expit(values[4:, None] + level - course.noise)
        out = np.zeros((n * (1 + course.orders.size) + 2, values.size))
        of_levels = out[n:-2].reshape(course.orders.size, n, values.size)
        for k in range(3):
            moved = [value + SMALL_STEP * (k == j) for j, value in enumerate(path)]
            other_slope, other_level = expected(*moved)
            out[:n, k] = whiten_tone @ (slope - other_slope) / SMALL_STEP
            of_level = tone_share * (level - other_level) / SMALL_STEP
            of_levels[:, :, k] = (whiten_level @ of_level[..., None])[..., 0]
        out[:n, 3] = -whiten_tone.sum(axis=1)
        for k, whiten in enumerate(whiten_level):
            of_levels[k, :, 4 + k] = -whiten @ tone_share[k]
        out[-2, 0], out[-1, 1] = 1 / PRIOR_LN_SPEED[1], 1 / PRIOR_LN_CLOSEST[1]
        return out

    scale = np.concatenate([[0.3, 0.3, 0.05, 0.005], np.full(course.orders.size, 0.5)])
    found = least_squares(residuals, start, jac=slopes, x_scale=scale, method="lm", max_nfev=60)
    last: NDArray[np.float64] = np.asarray(found.jac, np.float64)
    # A harmonic that sank beneath the noise bears on nothing, and there is no covariance with it.
    return _Fitted(found.x, np.asarray(np.linalg.pinv(last.T @ last, hermitian=True), np.float64))


def _told_by(
    tone: NDArray[np.float64], whiteners: list[tuple[NDArray[np.float64], float]]
) -> NDArray[np.float64]:
    """Log likelihood of a tone that only wanders about its own best constant, for each size of wander."""
    out = []
    for whiten, half_log_det in whiteners:
        one, seen = whiten.sum(axis=1), whiten @ tone
        rest = seen - one * (one @ seen) / (one @ one)
        out.append(-0.5 * float(rest @ rest) - half_log_det)
    return np.array(out)


def _likely_wander(
    tone: NDArray[np.float64],
    slope: NDArray[np.float64],
    whiteners: list[tuple[NDArray[np.float64], float]],
) -> float:
    """Size of wander: root of the mean square over its likelihood.

    The likelihood is the restricted one (Patterson & Thompson 1971; memory): a constant, and a pass when its
    ``slope`` is not flat, take their share of the wander away with them, and that is allowed for.
    """
    shapes = np.stack([np.ones(tone.size), slope], axis=1)[:, : 1 + slope.any()]
    out = []
    for whiten, half_log_det in whiteners:
        seen, basis = whiten @ tone, whiten @ shapes
        orthogonal, triangle = np.linalg.qr(basis)
        rest = seen - orthogonal @ (orthogonal.T @ seen)
        lost = float(np.log(np.abs(np.diag(triangle))).sum())
        out.append(-0.5 * float(rest @ rest) - half_log_det - lost)
    weight = np.exp(np.array(out) - max(out))
    return float(np.sqrt(np.average(np.square(WANDER), weights=weight)))


def _start(course: _Course, sound_speed_m_s: float) -> NDArray[np.float64]:
    """A pass at a middling speed whose swell is as wide as that heard."""
    ln_speed = PRIOR_LN_SPEED[0]
    closest_m = float(np.exp(ln_speed)) * course.half_width_s
    _, level = _expected(course, float(np.exp(ln_speed)), closest_m, course.peak_s, sound_speed_m_s)
    levels = course.level.max(axis=1) - level.max(axis=1)
    return np.concatenate([[ln_speed, np.log(closest_m), course.peak_s, course.middle_ln], levels])


def _source(course: _Course, fitted: _Fitted, wander: float, sound_speed_m_s: float) -> tuple[float, float]:
    """Give ln of the tone made, median over the course, and its standard error.

    The tone heard less the fitted Doppler. Its error is what an error of the pass shifts, and what the edges
    that were left out may differ by (`EDGE_SHARE` of the wander).
    """
    values = fitted.values[:3]
    slope, _ = _expected(
        course, float(np.exp(values[0])), float(np.exp(values[1])), float(values[2]), sound_speed_m_s
    )
    shift = np.zeros(3)
    for k in range(3):
        moved = values + 1e-3 * (np.arange(3) == k)
        other, _ = _expected(
            course, float(np.exp(moved[0])), float(np.exp(moved[1])), float(moved[2]), sound_speed_m_s
        )
        shift[k] = float(np.mean(other - slope)) / 1e-3
    variance = float(shift @ fitted.covariance[:3, :3] @ shift) + (EDGE_SHARE * wander) ** 2
    return float(np.median(course.ln_f0 - slope)), float(np.sqrt(variance))


def fit_pass(refined: NDArray[np.void], *, temperature_c: float = AIR_C) -> FlyBy | None:
    """Fit a straight pass to one flight.

    Parameters
    ----------
    refined : structured array of dtype `wingtone.tone.refine.REFINED`
        The refined values of one flight bout, ascending in ``frame``.
    temperature_c
        Air temperature, Celsius; speed and distance are in proportion to the speed of sound.

    Returns
    -------
    FlyBy or None
        None when the data do not carry it: too short, no swell with both its sides, a tone whose course the
        bee's own wander tells as well, a speed that is known to no better than a factor of 2.4, or a result
        that no bee does.
    """
    course = _course(refined)
    if course is None:
        return None
    c = speed_of_sound(temperature_c)
    whiteners = [_tone_whitener(course, size) for size in WANDER]
    whiten_level = _level_whiteners(course)
    values, slope = _start(course, c), np.zeros(course.ln_f0.size)
    for _ in range(ROUNDS):
        wander = _likely_wander(course.ln_f0, slope, whiteners)
        fitted = _fit(course, values, _tone_whitener(course, wander)[0], whiten_level, c)
        values = fitted.values
        speed, closest = np.exp(values[:2])
        slope, _ = _expected(course, float(speed), float(closest), float(values[2]), c)
    gain = _told_by(course.ln_f0 - slope, whiteners).max() - _told_by(course.ln_f0, whiteners).max()
    values = fitted.values[:2]
    sd = np.sqrt(np.diag(fitted.covariance)[:2])
    at_s = float(fitted.values[2])
    inside = course.time_s[0] < at_s < course.time_s[-1]
    low, high = np.exp(values - Z_95 * sd), np.exp(values + Z_95 * sd)
    likely = SPEED_M_S[0] <= low[0] and high[0] <= SPEED_M_S[1] and CLOSEST_M[0] <= closest <= CLOSEST_M[1]
    if not (gain >= LEAST_GAIN and sd[0] <= WIDEST_SD and inside and likely):
        return None
    source, source_sd = _source(course, fitted, wander, c)
    return FlyBy(
        f0_source_hz=float(np.exp(source)),
        f0_source_low_hz=float(np.exp(source - Z_95 * source_sd)),
        f0_source_high_hz=float(np.exp(source + Z_95 * source_sd)),
        speed_m_s=float(speed),
        speed_low_m_s=float(low[0]),
        speed_high_m_s=float(high[0]),
        closest_m=float(closest),
        closest_low_m=float(low[1]),
        closest_high_m=float(high[1]),
        at_s=at_s,
    )
