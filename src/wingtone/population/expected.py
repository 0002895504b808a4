"""What the fauna leads us to expect: which castes fly, and where their tones lie.

Pitch tells big bees from small ones. So the castes are put into two groups, each with the nearer of queens
and workers: usually queens with cuckoo females, and workers with males. Within a group pitch tells nothing,
and no share is given.

For each group and the dates and place of the sample:

``mean_ln``    mean of ln tone over the taxa expected, from the line of `wingtone.evidence.tone_size`
``doubt_ln``   how far the mean of this sample may lie from that: the doubt of the line (taken as common to
               all taxa, as its anchor is), and not knowing which taxa make up the sample
``sd_ln``      between the bees of the group: size, build, wear, and the taxa that are mixed

How a sample is made up of taxa is taken for a draw from a Dirichlet distribution about the fauna's
expectation with `COMPOSITION` pseudo-bees: gardens differ. Both terms follow from that: of the variance V
between taxa, V / (a + 1) is doubt of the mean, the rest is spread within (moments of the Dirichlet;
textbook).

- `Group`, `Expected`, `expected_castes`
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wingtone.evidence.lineup import CASTES, line_up
from wingtone.evidence.prior import log_prior

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from wingtone.fauna import Fauna
    from wingtone.notebook.places import Place

    Floats = NDArray[np.float64]

__all__ = ["COMPOSITION", "Expected", "Group", "expected_castes"]

COMPOSITION = 3.0
"""Pseudo-bees by which a sample's mix of taxa follows the fauna's. Ours: of two equally common species one
then makes up more than 85 % of the sample in a quarter of the gardens."""

LEAST_SHARE = 0.001
"""A group of castes is expected when at least this share of the bumblebees met belongs to it. Ours: a
sample out of season may still hold it."""

PLURAL = {"queen": "queens", "worker": "workers", "male": "males", "cuckoo female": "cuckoo females"}


@dataclass(frozen=True)
class Group:
    """Castes that pitch cannot tell apart, and what is expected of their tones (see the module).

    ``share`` is the share of the bumblebees met at these dates; ``parts`` are (ln tone, variance, weight) of
    each taxon and caste in it, weights summing to 1.
    """

    name: str
    castes: tuple[str, ...]
    share: float
    mean_ln: float
    doubt_ln: float
    sd_ln: float
    parts: tuple[tuple[float, float, float], ...] = ()

    @property
    def tone_hz(self) -> float:
        """Expected mean tone."""
        return math.exp(self.mean_ln)


@dataclass(frozen=True)
class Expected:
    """The groups expected, that of the lowest tones first: none, one, or two.

    ``taxa`` are those that were considered, ``named`` whether the user named them, ``not_bumblebees`` the
    share of insects met that are none.
    """

    groups: tuple[Group, ...]
    taxa: tuple[str, ...]
    named: bool
    not_bumblebees: float


def expected_castes(
    fauna: Fauna,
    *,
    dates: Sequence[dt.date | None] = (None,),
    place: Place | None = None,
    taxa: Sequence[str] = (),
) -> Expected:
    """Work out what is expected.

    Parameters
    ----------
    fauna
        What is known of the bees of the area.
    dates
        Day of each individual; None where not known.
    place
        Where; None when not known.
    taxa
        Names of the taxa that the sample can hold, when that is known; empty for all of the fauna.

    Raises
    ------
    RequestError
        A taxon that the fauna does not know.
    """
    lineup = line_up(fauna)
    weight = np.zeros(len(lineup))
    days, counts = np.unique([d.toordinal() if d else 0 for d in dates], return_counts=True)
    by_number = {d.toordinal() if d else 0: d for d in dates}
    for day, count in zip(days.tolist(), counts.tolist(), strict=True):
        weight += count * np.exp(log_prior(lineup, by_number[day], place))
    weight /= weight.sum()
    named = [fauna.taxon(name).taxon for name in taxa]
    allowed = lineup.is_bumblebee.copy()
    if named:
        allowed &= np.isin(np.array(lineup.taxa)[lineup.taxon_of], named)
    other = float(weight[~lineup.is_bumblebee].sum())
    weight = np.where(allowed, weight, 0.0)
    present = sorted({lineup.taxa[i] for i in lineup.taxon_of[weight > 0.0]})
    groups = () if weight.sum() <= 0.0 else _groups(fauna, weight / weight.sum())
    return Expected(groups, tuple(present), bool(named), other)


def _groups(fauna: Fauna, weight: Floats) -> tuple[Group, ...]:
    lineup = line_up(fauna)
    value = {name: pair[0] for name, pair in fauna.tone_model.items()}
    tone = lineup.tone
    parts: dict[str, list[tuple[float, float, float]]] = {}
    for k, candidate in enumerate(tone.candidate):
        share = float(weight[candidate] * tone.weight[k])
        if share <= 0.0:
            continue
        caste = CASTES[lineup.caste_class[candidate]]
        if tone.exponent[k] != 0.0:
            own = value["sd_between"] ** 2 + value["sd_wear"] ** 2
            own += float(tone.exponent[k] ** 2 * tone.itd_var[k])
        else:  # measured itself, off the line
            own = float(tone.own_var[k])
        parts.setdefault(caste, []).append((float(tone.mean_ln_hz[k]), own, share))
    means = {caste: _mean(of) for caste, of in parts.items()}
    if "queen" not in means or "worker" not in means:
        members = [list(parts)]
    else:
        low = [c for c in means if abs(means[c] - means["queen"]) < abs(means[c] - means["worker"])]
        members = [low, [c for c in means if c not in low]]
    groups = []
    for castes in members:
        ordered = tuple(c for c in CASTES if c in castes)
        joined = [part for caste in ordered for part in parts[caste]]
        share = math.fsum(w for _, _, w in joined)
        if share >= LEAST_SHARE:
            groups.append(_group(ordered, joined, share, value["sd_line"]))
    return tuple(sorted(groups, key=lambda group: group.mean_ln))


def _mean(parts: Sequence[tuple[float, float, float]]) -> float:
    return math.fsum(m * w for m, _, w in parts) / math.fsum(w for _, _, w in parts)


def _group(
    castes: tuple[str, ...], parts: Sequence[tuple[float, float, float]], share: float, line: float
) -> Group:
    mean = _mean(parts)
    between = math.fsum(w * (m - mean) ** 2 for m, _, w in parts) / share
    own = math.fsum(w * v for _, v, w in parts) / share
    return Group(
        name=" and ".join(PLURAL.get(caste, caste) for caste in castes),
        castes=castes,
        share=share,
        mean_ln=mean,
        doubt_ln=math.sqrt(line**2 + between / (COMPOSITION + 1.0)),
        sd_ln=math.sqrt(own + between * COMPOSITION / (COMPOSITION + 1.0)),
        parts=tuple((m, v, w / share) for m, v, w in parts),
    )
