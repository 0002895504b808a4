"""Pieces of tone: where the line runs on without a break, each described by plain numbers.

A piece is what the decision stage judges. Where the tone steps by more than `STEP_CUT` within 60 ms it is
cut, so that sonication, the glide after it and the flight are judged one by one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone import spectrum
from wingtone.tone.refine import MOST_VARIANCE_HZ2
from wingtone.tone.rows import N_FLANKED, N_TEETH

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

STEP_CUT = 0.06
LONGEST_FRAMES = 80
"""Longer stretches are judged in parts of at most 0.8 s, so that a long hover is not rare evidence."""
SHORTEST_FRAMES = 8
"""Shorter scraps are dropped before they are judged: 80 ms is less than the analysis window."""
CONTEXT_S = 1.5
"""How far the surroundings of a piece reach on either side. Ours: a few syllables, or a turn of the bee."""
SHORT_THREAD_S = 0.4
"""Ours: of 11,101 threads in voices that were never trained on 29 in 100 are longer, of 49 in labelled
flights 86."""
FAR_S = 5.0
FAR_SALIENCE = 4.0
OTHER_LN, FAR_LN = 0.12, 0.8
"""How far away other tones of the same bee are looked for, how clear they have to be, and how far below or
above its tone they lie (13 to 120 %). Ours: a visit to a flower takes seconds; what is fainter may be a scrap
of noise; in 11 labelled recordings flowers are shaken at 1.2 to 2.0 times the flight tone read by hand."""


@dataclass(frozen=True)
class Piece:
    """One piece of tone: its tracked rows, the rows just before and after it, and its refined values.

    ``stretch`` numbers the unbroken stretch of tone it is a part of. ``thread`` is the number of the first
    stretch of those that follow each other without a gap, only over steps: one thread of tone, of which
    ``thread_s`` is the whole length in seconds.
    """

    rows: NDArray[np.void]
    before: NDArray[np.void]
    after: NDArray[np.void]
    refined: NDArray[np.void]
    stretch: int
    thread: int
    thread_s: float

    @cached_property
    def start_s(self) -> float:
        """Time of the first frame's centre."""
        return float(self.rows["frame"][0]) * spectrum.HOP_S

    @cached_property
    def end_s(self) -> float:
        """Time just after the last frame's centre."""
        return float(self.rows["frame"][-1] + 1) * spectrum.HOP_S

    @property
    def duration_s(self) -> float:
        """Length in seconds, the same to the last digit wherever in a recording the piece lies."""
        return int(self.rows["frame"][-1] + 1 - self.rows["frame"][0]) * spectrum.HOP_S

    def gap_s(self, later: Piece) -> float:
        """Seconds from the end of this piece to the start of a later one, the same wherever they lie."""
        return int(later.rows["frame"][0] - self.rows["frame"][-1] - 1) * spectrum.HOP_S

    @cached_property
    def ln_f0(self) -> float:
        """Median of ln f0."""
        return float(np.median(self.rows["ln_f0"]))

    @cached_property
    def level(self) -> float:
        """Mean level, in nepers of power; every piece around asks for it."""
        return _mean(self.rows["level"])


def cut(rows: NDArray[np.void], refined: NDArray[np.void], *, first_stretch: int = 0) -> list[Piece]:
    """Cut rows into pieces at gaps and steps of the tone.

    Parameters
    ----------
    rows : dtype `wingtone.tone.rows.ROW`
    refined : dtype `wingtone.tone.refine.REFINED`
        Both ascending in frame.
    first_stretch
        Stretches are numbered from this on.
    """
    tracked = np.flatnonzero(rows["tracked"])
    if tracked.size == 0:
        return []
    frame, tone = rows["frame"][tracked], rows["ln_f0"][tracked]
    broken = np.diff(frame) > 1
    reach = 3
    jump = np.zeros(tracked.size)
    if tracked.size > 2 * reach:
        unbroken = frame[2 * reach :] - frame[: -2 * reach] == 2 * reach
        jump[reach:-reach] = np.abs(tone[2 * reach :] - tone[: -2 * reach]) * unbroken
    # Cut at the steepest point of each stretch that steps too far.
    steep = (jump > STEP_CUT) & (jump >= np.roll(jump, 1)) & (jump > np.roll(jump, -1))
    start = np.flatnonzero(np.r_[True, broken | steep[1:]])
    end = np.r_[start[1:], tracked.size]
    after_gap = np.r_[True, broken][start]
    thread = np.maximum.accumulate(np.where(after_gap, np.arange(start.size), 0))
    thread_s = np.bincount(thread, end - start)[thread] * spectrum.HOP_S
    pieces = []
    for stretch, (a, b) in enumerate(zip(start, end, strict=True)):
        if b - a < SHORTEST_FRAMES:
            continue
        parts = -(-(b - a) // LONGEST_FRAMES)
        edges = a + np.linspace(0, b - a, parts + 1).round().astype(int)
        for c, d in pairwise(edges):
            first, last = tracked[c], tracked[d - 1]
            before = rows[max(0, first - 30) : first]
            after = rows[last + 1 : last + 31]
            begin, end_frame = rows["frame"][first], rows["frame"][last]
            fine = np.searchsorted(refined["frame"], (begin, end_frame + 1))
            pieces.append(
                Piece(
                    rows[tracked[c:d]],
                    before[before["frame"] >= begin - 30],
                    after[after["frame"] <= end_frame + 30],
                    refined[slice(*fine)],
                    first_stretch + stretch,
                    first_stretch + int(thread[stretch]),
                    float(thread_s[stretch]),
                )
            )
    return pieces


def _slope(values: NDArray[np.floating]) -> float:
    """Least-squares slope per frame."""
    n = values.size
    x = np.arange(n) - (n - 1) / 2
    return float((x * (values - values.mean())).sum() / max((x * x).sum(), 1e-9))


def _tenths(values: NDArray[np.float32]) -> tuple[float, float]:
    """10th and 90th percentile, linear between values in order as numpy's, which takes ten times as long."""
    ordered = np.sort(values).astype(np.float64)
    low, high = np.interp(np.array([0.1, 0.9]) * (ordered.size - 1), np.arange(ordered.size), ordered)
    return float(low), float(high)


def _spread(values: NDArray[np.float32]) -> float:
    low, high = _tenths(values)
    return high - low


def _smooth(values: NDArray[np.float32], width: int) -> NDArray[np.float32]:
    if values.size <= width:
        return np.full(values.size, values.mean(), np.float32)
    return spectrum.running_mean(values, width // 2)


BEYOND_BAND = -20.0
"""Nepers over the strongest line at which lines are put that the recording does not carry: as good as none.
Ours."""


def _own_features(piece: Piece) -> dict[str, float]:
    """What a piece tells by itself. Nepers, ln Hz, seconds; NaN where it cannot be told.

    The background (wind, hiss) is left out on purpose: in the labelled recordings it tells the place of
    recording, not the insect, and leaving it out lowered the false bouts.
    """
    rows = piece.rows
    tone, level = rows["ln_f0"], rows["level"]
    n, slope = tone.size, _slope(tone)
    salience_low, salience_high = _tenths(rows["salience"])
    out: dict[str, float] = {
        "ln_duration": float(np.log(piece.duration_s)),
        "ln_f0": piece.ln_f0,
        "tone_spread": _spread(tone),
        "tone_slope": slope * 100,
        "tone_slope_size": abs(slope) * 100,
        "tone_jitter": float(np.mean(np.abs(np.diff(tone, 2)))) if n > 2 else np.nan,
        "tone_wander": float(np.std(tone - _smooth(tone, 21))),
        "salience": float(rows["salience"].mean()),
        "salience_low": salience_low,
        "salience_high": salience_high,
        "double": float((rows["salience_double"] - rows["salience"]).mean()),
        "half": float((rows["salience_half"] - rows["salience"]).mean()),
        "third": float((rows["salience_third"] - rows["salience"]).mean()),
        "other": float(rows["salience_other"].mean()),
        "level_spread": _spread(level),
        "level_flutter": float(np.std(level - _smooth(level, 15))),
        "level_slope": _slope(level) * 100,
        "level_over_gaps": float((level - rows["gap_level"]).mean()),
    }
    with np.errstate(invalid="ignore"):
        profile = _means(rows["teeth"])
        shape = rows["tooth_level"] - np.fmax.reduce(rows["tooth_level"], axis=1, keepdims=True)
        mean_shape = _means(shape)
        sharpness = rows["tooth_level"][:, :N_FLANKED] - rows["flank_level"]
        movement = _means(np.abs(shape - mean_shape))
    for h in range(N_TEETH):
        out[f"tooth_{h + 1}"] = float(profile[h])
        if h < 8:
            out[f"shape_{h + 1}"] = float(mean_shape[h])
    for h in range(N_FLANKED):
        out[f"sharp_{h + 1}"] = _mean(sharpness[:, h])
    out["shape_rough"] = _mean(np.abs(np.diff(mean_shape, 2)))
    known = np.nan_to_num(mean_shape, nan=BEYOND_BAND)
    power = np.exp(known)
    out["centroid"] = float(piece.ln_f0 + np.log((power * np.arange(1, N_TEETH + 1)).sum() / power.sum()))
    out["strongest"] = float(piece.ln_f0 + np.log(1 + known.argmax()))
    out["sharp_best"] = _mean(np.sort(np.nan_to_num(sharpness, nan=-9.0), axis=1)[:, -2:].ravel())
    out["odd_teeth"] = _mean(profile[[0, 2, 4]])
    out["even_teeth"] = _mean(profile[[1, 3, 5]])
    out["rich"] = float(np.nansum(profile > 0.8))
    out["shape_slope"] = _slope(np.nan_to_num(mean_shape[:8], nan=-6.0).astype(np.float32))
    out["shape_movement"] = _mean(movement[:8])
    out["gap_depth"] = _mean(rows["gaps"][:, :8].ravel())
    out["thirds"] = _mean(_means(rows["thirds"]))
    rise = _mean(level[: max(1, min(10, n // 3))]) - _mean(piece.before["level"][-15:-3])
    fall = _mean(level[-max(1, min(10, n // 3)) :]) - _mean(piece.after["level"][3:15])
    out["rise"], out["fall"] = rise, fall
    out["salience_before"] = _mean(piece.before["salience"])
    out["salience_after"] = _mean(piece.after["salience"])
    out["attack"] = _mean(level[n // 3 : max(n // 3 + 1, n // 2)]) - _mean(level[:4])
    return out


CLEAR = 4.0
LEAST_FLUTTER = 12
LEAST = 1e-10
LEAST_EXCESS = 1e-7
"""Power of a line over the noise from which it is counted; how many values it takes to tell flutter from a
bent line; the least relative variance that a logarithm is taken of, and the least of what is left when the
error is taken off. Ours."""


def _fine_features(refined: NDArray[np.void]) -> dict[str, float]:
    """What the refined values tell: how steady a tone is beyond the error of measurement, and how clear.

    An engine keeps its tone over tenths of a second, a wing does not. The tracker's own line is too coarse
    to tell that of a faint tone. Error, jitter, spread, wander and flutter are half the natural logarithm of
    relative variances (wander is what exceeds the error beside a straight line, flutter beside a cubic one:
    a voice glides smoothly), over noise that of a ratio of power, line width that of the variance in Hz^2
    times the sum of the lines' ratios, each by its order squared; stuck is a share, clear lines a number. NaN
    where there are too few values. Tiny terms keep the logarithms finite.
    """
    told = "error stuck over_noise line_width clear_lines jitter spread wander flutter"
    out = dict.fromkeys((f"fine_{name}" for name in told.split()), np.nan)
    n = refined.size
    if n == 0:
        return out
    f0_hz, variance_hz2 = refined["f0_hz"].astype(np.float64), refined["variance_hz2"]
    middle, error = float(np.median(f0_hz)), float(np.median(variance_hz2))
    known = np.isfinite(refined["tone_power"][0])
    tone, noise = (np.nansum(refined[name], axis=0)[known] for name in ("tone_power", "noise_power"))
    ratio = tone / np.maximum(noise, 1e-20)
    # Of a line as narrow as the window allows the error goes with this (the Cramer-Rao bound).
    information = float((np.arange(1, ratio.size + 1) ** 2 * ratio).sum())
    out["fine_error"] = 0.5 * np.log(error / middle**2 + 1e-12)
    out["fine_stuck"] = float(np.mean(variance_hz2 >= MOST_VARIANCE_HZ2))
    out["fine_over_noise"] = float(np.log(tone.sum() / max(noise.sum(), 1e-20) + 1e-6))
    out["fine_line_width"] = float(np.log(error + 1e-9) + np.log(information + 1e-3))
    out["fine_clear_lines"] = float(np.add.reduce(ratio > CLEAR))
    if n > 4:
        relative = f0_hz / middle
        rest = relative - relative.mean() - _slope(relative) * (np.arange(n) - (n - 1) / 2)
        spread = float(np.mean(rest**2))
        out["fine_jitter"] = 0.5 * np.log(np.mean(np.diff(relative, 2) ** 2) / 6 + LEAST)
        out["fine_spread"] = 0.5 * np.log(spread + LEAST)
        out["fine_wander"] = 0.5 * np.log(max(spread - error / middle**2, 0.0) + LEAST_EXCESS)
    if n >= LEAST_FLUTTER:
        bends = _bends(n)
        fluttered = float(np.mean((relative - bends @ (bends.T @ relative)) ** 2))
        out["fine_flutter"] = 0.5 * np.log(max(fluttered - error / middle**2, 0.0) + LEAST_EXCESS)
    return {name: float(value) for name, value in out.items()}


@lru_cache(maxsize=64)
def _bends(n: int) -> NDArray[np.float64]:
    """Orthonormal cubic polynomials over so many values, shape (n, 4); not to be written to."""
    bends: NDArray[np.float64] = np.linalg.qr(np.vander(np.linspace(-1.0, 1.0, n), 4))[0]
    bends.setflags(write=False)
    return bends


def _mean(values: NDArray[np.floating]) -> float:
    good = values[np.isfinite(values)]
    return float(np.add.reduce(good) / good.size) if good.size else np.nan


def _means(values: NDArray[np.floating]) -> NDArray[np.float64]:
    """`_mean` of every column."""
    good = np.isfinite(values)
    count = good.sum(axis=0)
    total = np.where(good, values, 0.0).sum(axis=0, dtype=np.float64)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _context_features(pieces: Sequence[Piece], at: int) -> dict[str, float]:
    """What the neighbours within `CONTEXT_S` tell about a piece.

    How much of the same tone is near, and how far below it the lowest one lies, are left out on purpose. The
    labelled bees mostly stayed, so a tone that stood alone was taken against a bee, as a bee that passes once
    does; and a machine that hums under a bee was taken against the bee. Without them more of the labelled
    tones are found.

    A thread of tone that runs on over steps for seconds is no row of syllables: told are how long it is, how
    far its pieces within `CONTEXT_S` lie apart in tone and level, and how many other threads there are, how
    long they are together, and which share of them is under `SHORT_THREAD_S`.
    """
    piece = pieces[at]
    near = []
    for step in (-1, 1):
        other = at + step
        while 0 <= other < len(pieces):
            gap_s = piece.gap_s(pieces[other]) if step > 0 else pieces[other].gap_s(piece)
            if gap_s > CONTEXT_S:
                break
            near.append(pieces[other])
            other += step
    tones = np.array([p.ln_f0 for p in (*near, piece)])
    weights = np.array([p.duration_s for p in (*near, piece)])
    mean = float((tones * weights).sum() / weights.sum())
    lengths = [p.duration_s for p in near]
    mine = [p for p in (*near, piece) if p.thread == piece.thread]
    others_s = list({p.thread: p.thread_s for p in near if p.thread != piece.thread}.values())
    relative = tones[:-1] - piece.ln_f0
    return {
        "near_count": float(len(near)),
        "near_duration": float(sum(lengths)),
        "near_spread": float(np.sqrt((weights * (tones - mean) ** 2).sum() / weights.sum())),
        "near_higher": float(max(0.0, relative.max())) if near else 0.0,
        "thread_ln_duration": float(np.log(piece.thread_s)),
        "thread_spread": float(np.ptp([p.ln_f0 for p in mine])),
        "thread_level_spread": float(np.ptp([p.level for p in mine])),
        "near_threads": float(len(others_s)),
        "near_threads_duration": float(sum(others_s)),
        "near_threads_short": float(np.mean([s < SHORT_THREAD_S for s in others_s])) if others_s else 0.0,
        "near_short": float(np.mean([d < 0.3 for d in lengths])) if near else 0.0,
    }


def _far_features(pieces: Sequence[Piece], salience: NDArray[np.float64]) -> list[dict[str, float]]:
    """What the tones within `FAR_S` tell about whether a bee flies or shakes a flower; 0 when there are none.

    A bee flies to a flower and away from it, at a tone lower than that at which it shakes it (De Luca et al.
    2019, read). Told are the shares of lower, equal and higher tones in all that is heard, and how far off
    the lower and the higher ones lie on average.
    """
    start_s, end_s = (np.array([getattr(p, name) for p in pieces]) for name in ("start_s", "end_s"))
    tone, length_s = np.array([p.ln_f0 for p in pieces]), np.array([p.duration_s for p in pieces])
    clear_s = np.where(salience > FAR_SALIENCE, length_s, 0.0)
    out = []
    for i in range(len(pieces)):
        first = int(np.searchsorted(end_s, start_s[i] - FAR_S))
        last = int(np.searchsorted(start_s, end_s[i] + FAR_S))
        heard_s = clear_s[first:last].copy()
        heard_s[i - first] = 0.0
        step = tone[first:last] - tone[i]
        lower_s = heard_s * ((step > -FAR_LN) & (step < -OTHER_LN))
        higher_s = heard_s * ((step > OTHER_LN) & (step < FAR_LN))
        lower, higher = float(lower_s.sum()), float(higher_s.sum())
        same = float(heard_s[np.abs(step) < STEP_CUT].sum())
        total = float(heard_s.sum() + length_s[i])
        out.append(
            {
                "far_lower": lower / total,
                "far_same": same / total,
                "far_higher": higher / total,
                "far_step_down": float(lower_s @ step) / lower if lower else 0.0,
                "far_step_up": float(higher_s @ step) / higher if higher else 0.0,
            }
        )
    return out


def features(pieces: Sequence[Piece]) -> list[dict[str, float]]:
    """Describe every piece of one recording, in order; see the four functions above for the meanings."""
    own = [_own_features(p) for p in pieces]
    far = _far_features(pieces, np.array([one["salience"] for one in own]))
    return [
        one | _fine_features(p.refined) | _context_features(pieces, i) | other
        for i, (p, one, other) in enumerate(zip(pieces, own, far, strict=True))
    ]
