"""What to write down: the name a careful recorder would use.

Rules, in order (the trade's practice; thresholds ours):

1. nothing, when nothing was heard or seen of the insect itself, when something else than a bumblebee is
   likelier than not, or when the best name is too unsure;
2. sound, date and place alone never name a species: without anything seen, at most the genus;
3. the species, when it holds `SURE` of the probability, not counting the castes in which an aggregate of
   the fauna says it cannot be told from the others;
4. else the smallest aggregate that holds `LIKELY`, in the castes it names if possible, else in any;
5. else the genus, when its taxa together hold `LIKELY`;
6. when a piece does not fit the rest, or all but the place or the date points to a species hardly known from
   there or hardly met then: at most the genus, until it has been looked at again;
7. outside the area of the fauna: at most the genus, and without a figure, since other species live there, or
   none.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wingtone.evidence.answer import RecordAs, percent
from wingtone.evidence.lineup import SOMETHING_ELSE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wingtone.evidence.answer import Rank
    from wingtone.evidence.case import Case
    from wingtone.evidence.lineup import Lineup
    from wingtone.fauna import Aggregate

    Floats = NDArray[np.float64]

__all__ = ["LIKELY", "SURE", "Naming", "name_it"]

SURE = 0.9
"""Probability a species must hold before it is offered for a record. Ours: the level of the credible set."""

LIKELY = 0.8
"""The same for an aggregate or a genus. Ours: a wider name claims less, so a wrong one does less harm."""


NOTHING_KNOWN = (
    "Nothing was heard or seen of the insect itself: the likeliest names are no more than what usually flies "
    "then and there."
)


@dataclass(frozen=True, eq=False)
class Naming:
    """The name to record, and the candidates the leading name stands for, shape (n,)."""

    record_as: RecordAs
    leading: NDArray[np.bool_]


def name_it(lineup: Lineup, case: Case, probability: Floats, *, doubt: str = "", outside: str = "") -> Naming:
    """Choose the name to record.

    Parameters
    ----------
    probability
        Posterior of every candidate, shape (n,).
    doubt
        Why the evidence cannot be trusted to name a species, in words; empty when it fits together.
    outside
        Why no figure can be given, in words, where the fauna does not reach; empty where it does.

    Returns
    -------
    naming
        ``leading`` is the aggregate when one is recorded, else the likeliest taxon: what the weights of
        evidence are about.
    """
    by_taxon = lineup.by_taxon(probability)
    best = int(by_taxon.argmax())
    of_best = lineup.taxon_of == best
    bumblebee = float(probability[lineup.is_bumblebee].sum())

    def naming(taxon: str, rank: Rank, reason: str, leading: NDArray[np.bool_] = of_best) -> Naming:
        return Naming(RecordAs(taxon, rank, reason), leading)

    known = case.heard or case.seen
    if not known and outside:
        return naming("", "none", f"Nothing was heard or seen of the insect itself; {outside}.")
    if not known:
        return naming("", "none", NOTHING_KNOWN)
    if bumblebee < 0.5 and outside:
        return naming("", "none", f"No bumblebee of this fauna fits well; {outside}.")
    if bumblebee < 0.5:
        return naming("", "none", f"Probably not a bumblebee ({percent(1.0 - bumblebee)}).")
    if case.seen and not doubt and not outside:
        clear = of_best & ~_inseparable(lineup)
        name = lineup.taxa[best]
        if probability[clear].sum() >= SURE:
            sure = f"{percent(by_taxon[best])} sure{_together(lineup, probability, best)}"
            return naming(name, "species", f"{sure}, and this one can be told in the field.")
        if found := _best_aggregate(lineup, probability):
            aggregate, members, holds, named = found
            why = aggregate.reason.rstrip(".") if named else "what is known so far does not say which"
            reason = f"{percent(holds)} sure of the group: {why}."
            return naming(aggregate.aggregate, "aggregate", reason, members)
    genus, holds = _best_genus(lineup, by_taxon)
    if genus and holds >= LIKELY and outside:
        return naming(genus, "genus", f"By what is known so far at most the genus; {outside}.")
    if genus and holds >= LIKELY:
        if not case.seen:
            why = "sound, date and place cannot name a species"
        elif doubt:
            why = doubt
        else:
            why = _lead_words(lineup, probability, SURE)
        return naming(genus, "genus", f"{percent(holds)} sure of the genus; {why}.")
    if outside:
        return naming("", "none", f"No name of this fauna stands out; {outside}.")
    return naming("", "none", f"The evidence is thin: {_lead_words(lineup, probability, LIKELY)}.")


def _lead_words(lineup: Lineup, probability: Floats, needed: float) -> str:
    """Say what the likeliest taxon has, which is not enough."""
    by_taxon = lineup.by_taxon(probability)
    best = int(by_taxon.argmax())
    name = "something not in the fauna" if lineup.taxa[best] == SOMETHING_ELSE else lineup.vernaculars[best]
    short = f"{_short_of(by_taxon[best], needed)}{_together(lineup, probability, best)}"
    return f"the likeliest answer, {name}, has {short}"


def _together(lineup: Lineup, probability: Floats, taxon: int) -> str:
    """Say that a percentage is that of all castes of a taxon where no line of the list shows it.

    The list of candidates has a line for each caste, and each of them may stand below another taxon.
    """
    own, castes = np.where(lineup.taxon_of == taxon, probability, 0.0), np.array(lineup.castes)
    of_one_caste = max(own[castes == caste].sum() for caste in set(lineup.castes))
    return ", all castes together" if percent(of_one_caste) != percent(own.sum()) else ""


def _short_of(probability: float, needed: float) -> str:
    """Write a probability that was not enough, and not as what would have been, however it rounds."""
    short = probability < needed <= round(probability, 2)
    return f"just under {percent(needed)}" if short else f"only {percent(probability)}"


def _best_aggregate(
    lineup: Lineup, probability: Floats
) -> tuple[Aggregate, NDArray[np.bool_], float, bool] | None:
    """Find the smallest aggregate that holds enough, and whether in the castes it names or only in any."""
    aggregates = sorted(lineup.fauna.aggregates, key=lambda aggregate: len(aggregate.members))
    for only_named in (True, False):
        for aggregate in aggregates:
            members = _members(lineup, aggregate, only_named=only_named)
            holds = float(probability[members].sum())
            if holds >= LIKELY:
                return aggregate, members, holds, only_named
    return None


def _members(lineup: Lineup, aggregate: Aggregate, *, only_named: bool = True) -> NDArray[np.bool_]:
    """Mark the candidates of an aggregate, in the castes it names or in all."""
    return np.array(
        [
            lineup.taxa[taxon] in aggregate.members and (caste in aggregate.castes or not only_named)
            for taxon, caste in zip(lineup.taxon_of, lineup.castes, strict=True)
        ]
    )


def _inseparable(lineup: Lineup) -> NDArray[np.bool_]:
    """Mark the candidates that some aggregate says cannot be told from others."""
    marked = np.zeros(len(lineup), dtype=bool)
    for aggregate in lineup.fauna.aggregates:
        marked |= _members(lineup, aggregate)
    return marked


def _best_genus(lineup: Lineup, by_taxon: Floats) -> tuple[str, float]:
    """Give the likeliest genus of bumblebees and its probability; the genus is the first word of a name."""
    genera: dict[str, float] = {}
    bumblebees = {int(taxon) for taxon in lineup.taxon_of[lineup.is_bumblebee]}
    for taxon in bumblebees:
        genus = lineup.taxa[taxon].split()[0]
        genera[genus] = genera.get(genus, 0.0) + float(by_taxon[taxon])
    best = max(genera, key=lambda genus: genera[genus], default="")
    return best, genera.get(best, 0.0)
