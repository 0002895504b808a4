"""The number of bands and its parts: saying the same thing twice must not weigh twice.

``bands`` counts what ``collar``, ``scutellum`` and ``front-band`` show one by one. Let N be the number of
these three that a person reports as yellow. Given the candidate, the three reports are independent, so the
distribution of N is known; so is that of the reported ``bands``, from the fauna. Both are kept as they are
and tied together as tightly as they allow: the joint distribution of N and ``bands`` is the one with these
two margins that lies nearest to `SAME_COUNT` (iterative proportional fitting; Deming & Stephan 1940, Ann.
Math. Statist. 11:427, memory). Where both agree, the count then adds next to nothing to the three parts and
a count that contradicts them stands out; where a fauna's bands are elsewhere (wasps), it still counts.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from wingtone.evidence.lineup import Lineup

    Floats = NDArray[np.float64]

__all__ = ["BANDS", "BAND_PARTS", "bands_given_parts", "can_count"]

BANDS = "bands"
BAND_PARTS = ("collar", "scutellum", "front-band")
YELLOW = "yellow"
COUNTS = tuple(str(count) for count in range(len(BAND_PARTS) + 1))

SAME_COUNT = np.array([1.0, 0.02, 0.004, 0.001])
"""How often a person's count is 0, 1, 2 or 3 off what they reported part by part, relative to equal. Ours:
hardly ever."""

_ROUNDS = 200
"""Of the fitting. Ours: far more than it takes to agree with both margins to the last bit."""


def can_count(lineup: Lineup) -> bool:
    """Tell whether this fauna asks for the bands and for all their parts."""
    traits = lineup.traits
    return (
        BANDS in traits
        and set(traits[BANDS].states) == set(COUNTS)
        and all(part in traits and YELLOW in traits[part].states for part in BAND_PARTS)
    )


def bands_given_parts(lineup: Lineup, parts: Mapping[str, str], *, fading: float, bald: float) -> Floats:
    """Return P(reported bands | candidate, the parts reported), shape (n, 4), in the order of the states.

    Parameters
    ----------
    parts
        Part to reported state, for those reported.
    fading, bald
        As for `wingtone.evidence.observe.report_matrix`.
    """
    joint = _coupling(lineup, fading, bald)
    count = _count(lineup, parts, fading=fading, bald=bald)
    bands = np.einsum("nc,ncb->nb", count, joint / joint.sum(axis=2, keepdims=True))
    return np.asarray(bands[:, [COUNTS.index(state) for state in lineup.traits[BANDS].states]])


def _count(lineup: Lineup, parts: Mapping[str, str], *, fading: float, bald: float) -> Floats:
    """P(number of parts reported yellow | candidate), shape (n, 4); what was not reported may be either."""
    count = np.ones((len(lineup), 1))
    none = np.zeros((len(lineup), 1))
    for part in BAND_PARTS:
        if part in parts:
            yellow = np.full((len(lineup), 1), float(parts[part] == YELLOW))
        else:
            column = lineup.traits[part].states.index(YELLOW)
            yellow = lineup.reports(part, fading=fading, bald=bald)[:, [column]]
        count = np.hstack([count * (1.0 - yellow), none]) + np.hstack([none, count * yellow])
    return count


def _coupling(lineup: Lineup, fading: float, bald: float) -> Floats:
    """Joint distribution of the parts reported yellow and the bands reported, shape (n, 4, 4)."""
    key = (round(fading, 3), bald)
    if key not in lineup.couplings:
        states = lineup.traits[BANDS].states
        told = lineup.reports(BANDS, fading=fading, bald=bald)[:, [states.index(count) for count in COUNTS]]
        counted = _count(lineup, {}, fading=fading, bald=bald)
        apart = np.abs(np.arange(len(COUNTS))[None, :] - np.arange(len(COUNTS))[:, None])
        joint = np.tile(SAME_COUNT[apart], (len(lineup), 1, 1))
        for _ in range(_ROUNDS):
            joint = joint * (told / joint.sum(axis=1))[:, None, :]
            joint = joint * (counted / joint.sum(axis=2))[:, :, None]
        if len(lineup.couplings) > 100:
            lineup.couplings.clear()
        lineup.couplings[key] = joint
    return lineup.couplings[key]
