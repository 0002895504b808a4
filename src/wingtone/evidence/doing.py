"""What it did, what it carried, where it went in: three questions about one moment.

Answers to them are not independent given the candidate, so each is judged given those before it:

    P(legs) P(behaviour | legs) P(nest | behaviour)

- A bee with a load of pollen is, as good as always, one that collects it: who says both says one thing. The
  table's rates of both stay as they are and are tied together as tightly as `LADEN_COLLECTS` says.
- ``nest`` can be answered only of what is seen to go in somewhere. Its frequencies say *where*; *whether* is
  told by how often the candidate is at a nest or looks for one, so a fly, which has none, gains by no answer.
  Of what is seen at a nest or searching, whether that is so counts and not how rare it is, as it has counted
  with the behaviour.

Conventions
-----------
Arrays over candidates have shape (n, ...), `wingtone.evidence.lineup`. Where a fauna lacks a character or a
state named here, its other answers are taken as independent.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wingtone.evidence.lineup import Lineup

    Floats = NDArray[np.float64]

__all__ = [
    "AT_NEST_STATES",
    "BEHAVIOUR",
    "LEGS",
    "NEST",
    "behaviour_given_legs",
    "can_carry",
    "can_go_in",
    "going_in",
]

LEGS, BEHAVIOUR, NEST = "hind-leg", "behaviour", "nest"
POLLEN, COLLECTING = "pollen", "collecting-pollen"

LADEN_COLLECTS = 0.85
"""How many of those with a load of pollen are collecting it; the others are mostly back at the nest. Ours."""

AT_NEST, SEARCHING = "at-nest", "nest-searching"
AT_NEST_STATES = (AT_NEST, SEARCHING)
"""Behaviours in which an insect goes in somewhere."""

SEARCHERS_GO_IN = 0.25
"""How many of those that search for a nest are seen to go in somewhere. Ours: they look into many a hole,
but most that are met fly on."""

TAKEN_TO_GO_IN = 0.01
"""How often an insect that does nothing of the kind is taken to have gone in, behind a leaf or into a crack.
Ours."""

_TINY = 1e-300
"""Keeps a share of what a fauna leaves nothing of finite."""


def can_carry(lineup: Lineup) -> bool:
    """Tell whether this fauna asks for a load of pollen and for its collecting."""
    return _has(lineup, LEGS, POLLEN) and _has(lineup, BEHAVIOUR, COLLECTING)


def can_go_in(lineup: Lineup) -> bool:
    """Tell whether this fauna asks where it went in and whether it was at a nest."""
    return NEST in lineup.traits and _has(lineup, BEHAVIOUR, AT_NEST)


def _has(lineup: Lineup, character: str, state: str) -> bool:
    return character in lineup.traits and state in lineup.traits[character].states


@lru_cache(maxsize=16)
def behaviour_given_legs(lineup: Lineup, legs: str) -> Floats:
    """Return P(reported behaviour | candidate, the legs as reported), shape (n, n_behaviours).

    Of the true pair of legs and behaviour the shares of each are those of the fauna; a load and its
    collecting meet in `LADEN_COLLECTS` of the laden, or as nearly so as the shares allow, and everything else
    is spread evenly over the rest. Both are then reported with the errors of their own.
    """
    traits, doing = lineup.traits[LEGS], lineup.traits[BEHAVIOUR]
    assert traits.frequency is not None
    assert doing.frequency is not None
    laden = traits.frequency[:, [traits.states.index(POLLEN)]]
    busy = doing.frequency[:, [doing.states.index(COLLECTING)]]
    both = np.minimum(laden * np.maximum(LADEN_COLLECTS, busy), busy)
    is_load = np.array(traits.states) == POLLEN
    is_work = np.array(doing.states) == COLLECTING
    rest_of_legs = np.where(is_load, 0.0, traits.frequency) / np.maximum(1.0 - laden, _TINY)
    rest_of_doing = np.where(is_work, 0.0, doing.frequency) / np.maximum(1.0 - busy, _TINY)
    of_laden = both * is_work + (laden - both) * rest_of_doing
    of_others = (busy - both) * is_work + (1.0 - laden - busy + both) * rest_of_doing
    joint = is_load[:, None] * of_laden[:, None, :] + rest_of_legs[:, :, None] * of_others[:, None, :]
    seen = np.einsum("nlb,l->nb", joint, traits.errors[:, traits.states.index(legs)]) @ doing.errors
    known = seen / np.maximum(seen.sum(axis=1, keepdims=True), _TINY)
    return np.concatenate([known, np.full((1, len(doing.states)), 1.0 / len(doing.states))])


@lru_cache(maxsize=4)
def going_in(lineup: Lineup) -> Floats:
    """Return P(seen to go in somewhere | candidate, behaviour as reported), shape (n, n_behaviours).

    Where the behaviour reported is one of `AT_NEST_STATES`, it is the chance that this was no error; else
    that the candidate is met at a nest, whatever else it was seen to do: what hovers or carries pollen may do
    so before its nest. Something not in the fauna goes in as often as the mean of all others.
    """
    doing = lineup.traits[BEHAVIOUR]
    assert doing.frequency is not None
    rate = {AT_NEST: 1.0, SEARCHING: SEARCHERS_GO_IN}
    enters = np.array([rate.get(state, 0.0) for state in doing.states])
    usual = doing.frequency @ enters
    chance = np.repeat(usual[:, None], len(doing.states), axis=1)
    for number, state in enumerate(doing.states):
        if state in AT_NEST_STATES:
            told = doing.frequency * doing.errors[:, number]
            chance[:, number] = (told @ enters) / np.maximum(told.sum(axis=1), _TINY)
    known = TAKEN_TO_GO_IN + (1.0 - TAKEN_TO_GO_IN) * chance
    return np.concatenate([known, known.mean(axis=0, keepdims=True)])
