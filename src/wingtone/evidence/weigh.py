"""What each piece of evidence did, and whether it fits the rest.

Functions
---------
weigh       weight in bits of every piece
misfits     pieces that do not fit the others, worst first
stranger    the taxon all else points to, when it is hardly known from the place
unseasonal  the taxon all else points to, when it is hardly ever met at that time
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wingtone.evidence.case import answer_probabilities, posterior, tone_of
from wingtone.evidence.observe import CONDITION
from wingtone.evidence.prior import at_home, in_season, is_outside, log_prior, weeks
from wingtone.fauna import week_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wingtone.evidence.answer import EvidenceKind
    from wingtone.evidence.case import Case
    from wingtone.evidence.lineup import Lineup

    Floats = NDArray[np.float64]

__all__ = [
    "STRANGER",
    "SURPRISE",
    "Misfit",
    "Stranger",
    "Weighed",
    "misfits",
    "stranger",
    "unseasonal",
    "weigh",
]

SURPRISE: dict[str, float] = {"hint": 0.03, "tone": 0.02, "date": 0.02}
"""A piece is told not to fit when something this unexpected or more so comes up less often than this, given
the others. Ours: the calibration benchmark measures how often a true case raises any such warning, and it
stays below one in twenty. Hints may be judged more strictly, as few answers are possible and the actual
rate stays well below the nominal one."""

STRANGER = 0.5
"""Probability, the place or the date left aside, from which a taxon rare there or then is told. Ours:
likelier than not."""

RARER_HERE = 50.0
"""How many times rarer than on the average a taxon must be to be told as hardly known from a place. Ours."""

RARER_THEN = 0.05
"""Share of its best week below which a taxon, in all its castes, is told as hardly ever met then. Ours."""

FLIES_THEN = 0.2
"""Probability, the date left aside, that it was a bee in the time of one of its broods, from which on the
date is not odd: it then tells which bee it was. Ours: one in five."""

MOST_MISFITS = 3
"""Ours: whoever has three pieces to look at again has the whole bee to look at again."""


@dataclass(frozen=True, eq=False)
class Weighed:
    """One piece of evidence, what it did to the odds, and the posterior without it, shape (n,)."""

    kind: EvidenceKind
    name: str
    weight_bits: float
    rest: Floats


@dataclass(frozen=True)
class Misfit:
    """A piece that does not fit the others.

    Attributes
    ----------
    probability
        Tail probability of what was observed, given the others.
    side
        ``high`` or ``low`` for a tone, ``early`` or ``late`` for a date, else empty.
    """

    kind: EvidenceKind
    name: str
    probability: float
    side: str = ""


@dataclass(frozen=True)
class Stranger:
    """A taxon all but the place, or all but the date, points to.

    Attributes
    ----------
    taxon, probability
        Its index into the taxa of the line-up, and its probability without the place or the date.
    ever
        Whether the fauna knows it from there or then at all; seasons end softly, so of a date it always does.
    """

    taxon: int
    probability: float
    ever: bool


def weigh(lineup: Lineup, case: Case, leading: NDArray[np.bool_]) -> tuple[Weighed, ...]:
    """Return the weight of every piece of evidence.

    The weight of a piece is the base-2 logarithm of the factor by which adding it, last, to all the others
    changes the odds of the leading name against everything else (I. J. Good's weight of evidence, in bits):

        log2( odds(leading | all) / odds(leading | all but this piece) )

    Positive speaks for the leading name, negative against it. Weights of pieces that say the same thing do
    not add up to their joint weight.

    Parameters
    ----------
    leading
        Which candidates belong to the leading name, shape (n,).
    """
    whole = _log2_odds(posterior(lineup, case), leading)
    out = []
    for kind, name in case.pieces:
        rest = posterior(lineup, case.without(kind, name))
        out.append(Weighed(kind, name, whole - _log2_odds(rest, leading), rest))
    return tuple(out)


def misfits(lineup: Lineup, case: Case) -> tuple[Misfit, ...]:
    """Return the hints, the tone or the date that do not fit the rest, worst first; empty when all fit.

    For each piece the posterior from all the others predicts what should have been observed (posterior
    predictive check, leave one out). Its tail probability is the chance of an observation at most as
    expected as the actual one; under the model it is below a bound at most that often. The worst piece
    is named, taken away, and the others are judged again without it, so that one wrong hint does not make
    the right ones suspect. Outside the area of the fauna no date is odd, as its seasons are not those there.
    """
    found: list[Misfit] = []
    judged = SURPRISE.keys() - ({"date"} if is_outside(lineup, case.place) else set())
    while len(found) < MOST_MISFITS:
        worst = min(
            (
                _fit(lineup, case, kind, name)
                for kind, name in case.pieces
                if kind in judged
                and name != CONDITION
                and len(case.pieces) > 1
                # a date can only be odd for a bee of which something was seen or heard
                and (kind != "date" or case.seen or case.heard)
            ),
            key=lambda misfit: misfit.probability / SURPRISE[misfit.kind],
            default=None,
        )
        if worst is None or worst.probability >= SURPRISE[worst.kind]:
            break
        found.append(worst)
        case = case.without(worst.kind, worst.name)
    return tuple(found)


def stranger(lineup: Lineup, case: Case) -> Stranger | None:
    """Return the taxon that all but the place points to, when the fauna hardly knows it from there, or never.

    Hints can hardly overrule so strong a prior, and the next best name would be wrong without a word.
    Species do spread, and places are mistyped: either is worth telling. None when all is well, no place is
    known, or the place lies outside the area of the fauna.
    """
    if case.place is None or is_outside(lineup, case.place):
        return None
    shares = lineup.by_taxon(posterior(lineup, case.without("place")))
    best = int(shares.argmax())
    here, anywhere = (
        float(lineup.by_taxon(np.exp(log_prior(lineup, case.date, place)))[best])
        for place in (case.place, None)
    )
    if shares[best] < STRANGER or here > anywhere / RARER_HERE:
        return None
    return Stranger(best, float(shares[best]), here > 0.0)


def unseasonal(lineup: Lineup, case: Case) -> Stranger | None:
    """Return the taxon that all but the date points to, when the date gives its place to another.

    A season is worth more bits than most looks, so a bee that cannot be mistaken would lose to a common one
    without a word. None when all is well, no date is known, nothing was heard or seen of the insect, or the
    place lies outside the area of the fauna.
    """
    if is_outside(lineup, case.place) or case.date is None:
        return None
    if not case.seen and not case.heard:
        return None
    shares = lineup.by_taxon(posterior(lineup, case.without("date")))
    best = int(shares.argmax())
    leads = int(lineup.by_taxon(posterior(lineup, case)).argmax())
    of_best = lineup.taxon_of[:-1] == best
    if shares[best] < STRANGER or best == leads or not of_best.any():
        return None
    if np.nanmax(in_season(lineup, case.date, case.place)[of_best]) >= RARER_THEN:
        return None
    return Stranger(best, float(shares[best]), True)


def _fit(lineup: Lineup, case: Case, kind: EvidenceKind, name: str) -> Misfit:
    """Judge one piece against the posterior from all the others."""
    rest = posterior(lineup, case.without(kind, name))
    if kind == "tone":
        below = float(rest @ tone_of(lineup, case).cdf)
        return Misfit(kind, name, 2.0 * min(below, 1.0 - below), "high" if below > 0.5 else "low")
    if kind == "date":
        assert case.date is not None
        home = at_home(lineup, case.place)
        flies = lineup.fauna.in_a_brood(week_of(case.date), None if home is None else home.latitude_deg)
        if rest[:-1][flies].sum() >= FLIES_THEN:
            return Misfit(kind, name, 1.0)
        predicted = weeks(lineup, case.place) @ rest
        index = min(int(week_of(case.date)) - 1, len(predicted) - 1)
        side = "early" if predicted[:index].sum() < predicted[index + 1 :].sum() else "late"
    else:
        state = case.hint(name)
        assert state is not None
        predicted = rest @ answer_probabilities(lineup, case, name)
        predicted = predicted / predicted.sum()  # given that there was something to answer
        index, side = lineup.traits[name].states.index(state), ""
    tail = float(predicted[predicted <= predicted[index] * (1.0 + 1e-9)].sum())
    return Misfit(kind, name, tail, side)


def _log2_odds(probability: Floats, leading: NDArray[np.bool_]) -> float:
    inside, outside = float(probability[leading].sum()), float(probability[~leading].sum())
    least = 1e-12  # keeps the weights finite when a fauna leaves nothing else
    return float(np.log2(max(inside, least) / max(outside, least)))
