"""Which flight bouts of a recording are one bee's.

Flights that overlap in time are different bees. Flights in turn are taken for one bee unless their tones tell
them apart. The model is plain: ln f0 of a bee's bouts scatters about the bee's own by `WITHIN_LN` (and the
error of measurement), and the bees' own values scatter about the middle of the bumblebees' range by
`BETWEEN_LN`. A clip holds one bee more with odds of one to `ONE_BEE_ODDS`, and every share-out of the bouts
among so many bees is equally likely beforehand. More bees than must be are believed only where that is
`NEEDED_ODDS` times as likely after all, and never between tones less than `LEAST_RATIO` apart.

Which share-outs are tried: the nearest tones are joined step by step, as in any clustering by agglomeration;
so the best one may be missed, and is then not believed. That errs on the side of one bee.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

from wingtone.tone.results import Z_95

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from collections.abc import Set as AbstractSet

    from wingtone.tone.results import Bout

WITHIN_LN = 0.05
"""Spread of ln f0 between bouts of one bee: ``sd_within`` of the shipped fauna's tone model (memory: ours,
hovering against forward flight, load and turns)."""
MIDDLE_LN = math.log(math.sqrt(100.0 * 220.0))
BETWEEN_LN = math.log(220.0 / 100.0) / math.sqrt(12.0)
"""Middle and standard deviation of an even spread of ln f0 over bumblebees' 100-220 Hz (derived)."""
ONE_BEE_ODDS = 4.0
"""Before listening: four clips of one bee to each with one more. Ours; nobody has counted."""
NEEDED_ODDS = 10.0
"""Odds from which one bee more is believed: "strong" in the words of Kass & Raftery 1995 starts at 20, of
Jeffreys 1961 at 10 (memory)."""
LEAST_RATIO = 1.15
"""Tones in turn nearer than this stay one bee, however many bouts there are: the spread of one bee's bouts is
itself uncertain. Ours."""
OVERLAP_S = 0.1
"""Bouts that share less than this are in turn."""


@dataclass(frozen=True)
class Individuals:
    """How the flight bouts are shared out.

    Attributes
    ----------
    groups
        Indices of flight bouts, one tuple for each bee in the order in which the bees are first heard; each
        ascending. Empty when nothing flew.
    at_once
        The least number of bees, from bouts that overlap.
    more_odds
        Odds that there are more bees than ``at_once``, by the best share-out tried (1 to 4 or less when
        nothing speaks for it; 0 when there was nothing to try).
    """

    groups: tuple[tuple[int, ...], ...]
    at_once: int
    more_odds: float


def individuals(bouts: Sequence[Bout], *, within_ln: float = WITHIN_LN) -> Individuals:
    """Share the flight bouts of a recording out among bees.

    Parameters
    ----------
    bouts
        In order of time. Only those of kind ``flight`` count.
    within_ln
        Spread of ln f0 between bouts of one bee.
    """
    flights = [i for i, bout in enumerate(bouts) if bout.kind == "flight"]
    if not flights:
        return Individuals((), 0, 0.0)
    clashes = _clashes(bouts, flights)
    groups = _by_leaders(bouts, flights, clashes)
    tried = [groups]
    while (pair := _nearest(bouts, groups, clashes)) is not None:
        apart, one, other = pair
        groups = [g for g in groups if g not in (one, other)] + [one | other]
        # Too near to be told apart: what lies before this step is not an answer.
        tried = [groups] if apart < math.log(LEAST_RATIO) else [*tried, groups]
    scores = [_score(bouts, parts, within_ln) for parts in tried]
    fewest = scores[-1]
    best = max(range(len(tried)), key=lambda k: scores[k])
    chosen = tried[best] if scores[best] - fewest > math.log(NEEDED_ODDS) else tried[-1]
    ordered = sorted(tuple(sorted(group)) for group in chosen)
    more = max((s - fewest for s in scores[:-1]), default=-math.inf)
    return Individuals(tuple(ordered), len(tried[-1]), math.exp(min(more, 700.0)))


def _clashes(bouts: Sequence[Bout], flights: Sequence[int]) -> dict[int, set[int]]:
    """For each flight, those that overlap it."""
    out: dict[int, set[int]] = {i: set() for i in flights}
    for k, i in enumerate(flights):
        for j in flights[k + 1 :]:
            shared_s = min(bouts[i].end_s, bouts[j].end_s) - bouts[j].start_s
            if bouts[j].start_s >= bouts[i].end_s:
                break
            if shared_s > OVERLAP_S:
                out[i].add(j)
                out[j].add(i)
    return out


def _allowed(one: Iterable[int], other: AbstractSet[int], clashes: Mapping[int, set[int]]) -> bool:
    return all(clashes[i].isdisjoint(other) for i in one)


def _mean_ln(bouts: Sequence[Bout], group: Iterable[int]) -> float:
    """Mean of ln f0, each bout weighted by its length."""
    weights = [(bouts[i].duration_s, math.log(bouts[i].f0_hz)) for i in group]
    return math.fsum(w * x for w, x in weights) / math.fsum(w for w, _ in weights)


def _by_leaders(
    bouts: Sequence[Bout], flights: Sequence[int], clashes: Mapping[int, set[int]]
) -> list[frozenset[int]]:
    """A first grouping, so that a recording of a thousand bouts stays quick.

    From the longest bout down, each joins the nearest group within half of `LEAST_RATIO`, or starts one.
    """
    groups: list[set[int]] = []
    leaders: list[float] = []
    for i in sorted(flights, key=lambda k: -bouts[k].duration_s):
        tone = math.log(bouts[i].f0_hz)
        near = sorted((abs(tone - leader), k) for k, leader in enumerate(leaders))
        for apart, k in near:
            if apart < math.log(LEAST_RATIO) / 2 and _allowed((i,), groups[k], clashes):
                groups[k].add(i)
                break
        else:
            groups.append({i})
            leaders.append(tone)
    return [frozenset(group) for group in groups]


def _nearest(
    bouts: Sequence[Bout], groups: Sequence[frozenset[int]], clashes: Mapping[int, set[int]]
) -> tuple[float, frozenset[int], frozenset[int]] | None:
    """The two groups of nearest tone that may be one bee."""
    means = {group: _mean_ln(bouts, group) for group in groups}
    pairs = [
        (abs(means[one] - means[other]), k, one, other)
        for k, (one, other) in enumerate(combinations(groups, 2))
        if _allowed(one, other, clashes)
    ]
    if not pairs:
        return None
    apart, _, one, other = min(pairs)
    return apart, one, other


def _score(bouts: Sequence[Bout], groups: Sequence[frozenset[int]], within_ln: float) -> float:
    """Log of likelihood and prior of a share-out, up to a constant of the recording."""
    n, k = sum(len(group) for group in groups), len(groups)
    prior = -(k - 1) * math.log(ONE_BEE_ODDS) - n * math.log(k) + math.lgamma(k + 1)
    return prior + math.fsum(_log_likelihood(bouts, group, within_ln) for group in groups)


def _log_likelihood(bouts: Sequence[Bout], group: Iterable[int], within_ln: float) -> float:
    """Of the tones of one bee, its own tone integrated out (normal with normal mean; textbook)."""
    sums = [0.0, 0.0, 0.0, 0.0]
    for i in group:
        bout = bouts[i]
        error = (bout.f0_high_hz - bout.f0_low_hz) / (2 * Z_95 * bout.f0_hz)
        variance = within_ln**2 + error**2
        off = math.log(bout.f0_hz) - MIDDLE_LN
        for k, term in enumerate((math.log(variance), 1 / variance, off / variance, off**2 / variance)):
            sums[k] += term
    logs, weight, first, second = sums
    spread = 1 + BETWEEN_LN**2 * weight
    return -0.5 * (logs + math.log(spread) + second - BETWEEN_LN**2 * first**2 / spread)
