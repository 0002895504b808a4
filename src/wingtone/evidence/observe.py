"""What people report, given what is there: observer errors, fading, bald bees, size by eye.

For a character with states ``s`` the chance to report ``r`` when the bee truly has ``s`` is

    P(r | s) = (1 - b) * sum over states u of Fade[s, u] * Error[u, r]  +  b / (number of states)

``Fade``   with a chance that rises late in the season (and with ``condition=faded``) a colour has become
           the state it fades to;
``Error``  the observer is right with probability 1 - e; most of e goes to the states it is mistaken for,
           the rest to every other state, so nothing that was said is impossible;
``b``      0, but on a bald bee the colours of the hair are read off almost at random (`BALD_NOISE`).

The size by eye has no table: the perceived ln ITD is the true one plus a large error.

Conventions
-----------
Matrices are (true state, reported state); every row sums to 1.

Functions
---------
error_matrix, report_matrix   as above
fading_chance                 how often a colour has faded at this week and condition
size_by_eye                   P(reported size | ln ITD normal)
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from wingtone.evidence.tone_size import CLASS_BOUNDS_MM, normal_cdf

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = [
    "CONDITION",
    "HAIR_CHARACTERS",
    "SIZE",
    "SIZE_BY_EYE_SD",
    "SIZE_STATES",
    "error_matrix",
    "fading_chance",
    "report_matrix",
    "size_by_eye",
]

SIZE = "size"
SIZE_STATES = ("tiny", "small", "medium", "large", "very-large")
"""States of the size hint, smallest first; the bounds between them are those of the size classes."""

CONDITION = "condition"
"""The one character that says nothing of the species by itself: it changes how the others are read."""

HAIR_CHARACTERS = frozenset(
    {
        "collar",
        "shade",
        "thorax",
        "scutellum",
        "front-band",
        "belt",
        "abdomen",
        "tail",
        "tail-detail",
        "bands",
        "face-hair",
        "coat",
    }
)
"""Characters that are colours of the hair: a bald bee has lost them."""

LOOK_ALIKE_SHARE = 0.8
"""Share of an observer's errors that go to the listed look-alike states. Ours."""

FRESH_FADING = 0.02
SUMMER_FADING = 0.30
FADING_FROM_WEEK = 28.0
FADING_FULL_WEEK = 38.0
"""Chance that a colour that can fade has faded: 2 % until mid July, 30 % from the third week of September.
Red tails go orange and straw, ginger hair straw by late summer (guides, secondary); the numbers are ours."""

FADING_BY_CONDITION = {"fresh": 0.5, "faded": 1.0, "bald": 1.0}
CONDITION_LEAST = {"fresh": 0.0, "faded": 0.6, "bald": 0.4}
"""A bee said to be fresh has half the usual chance of faded colours; faded and bald ones at least these.
Ours."""

BALD_NOISE = 0.7
"""Share of the reports of hair colour on a bald bee that say nothing. Ours."""

SIZE_BY_EYE_SD = 0.25
"""Error of ln ITD as judged by eye on a moving insect. Ours: 25 %, wide because size by eye misleads (common
knowledge among recorders); no measurement of it was found."""


def error_matrix(
    states: Sequence[str], observer_error: Sequence[float], looks_like: Sequence[Sequence[str]]
) -> Floats:
    """Return P(reported | true) from observer errors alone, shape (n_states, n_states).

    Parameters
    ----------
    states
        Names of the states.
    observer_error
        Chance of a wrong report for each true state.
    looks_like
        For each true state the states it is mistaken for; may be empty.
    """
    n = len(states)
    if n == 1:
        return np.ones((1, 1))
    out = np.zeros((n, n))
    for i in range(n):
        others = [j for j in range(n) if j != i]
        alike = [j for j in others if states[j] in looks_like[i]] or others
        wrong = observer_error[i]
        out[i, others] += wrong * (1.0 - LOOK_ALIKE_SHARE) / len(others)
        out[i, alike] += wrong * LOOK_ALIKE_SHARE / len(alike)
        out[i, i] = 1.0 - wrong
    return out


def fading_chance(week: float | None, condition: str | None) -> float:
    """Return the chance that a colour that can fade has faded.

    Parameters
    ----------
    week
        Week of the year, or None: half-way between the fresh and the late-summer chance.
    condition
        ``fresh``, ``faded``, ``bald`` or None when not looked at.
    """
    if week is None:
        along = 0.5
    else:
        along = min(max((week - FADING_FROM_WEEK) / (FADING_FULL_WEEK - FADING_FROM_WEEK), 0.0), 1.0)
    usual = FRESH_FADING + (SUMMER_FADING - FRESH_FADING) * along
    if condition not in FADING_BY_CONDITION:
        return usual
    return max(usual * FADING_BY_CONDITION[condition], CONDITION_LEAST[condition])


def report_matrix(errors: Floats, fades_to: Sequence[int], *, fading: float, bald: float) -> Floats:
    """Return P(reported | true), shape (n_states, n_states).

    Parameters
    ----------
    errors
        From `error_matrix`.
    fades_to
        For each state the index of the state it fades to, or -1.
    fading
        Chance that a state that can fade has faded.
    bald
        Share of reports that say nothing (0, or `BALD_NOISE` for hair on a bald bee).
    """
    n = len(errors)
    fade = np.eye(n)
    for i, j in enumerate(fades_to):
        if j >= 0:
            fade[i, i] -= fading
            fade[i, j] += fading
    return (1.0 - bald) * (fade @ errors) + bald / n


def size_by_eye(itd_mean_ln_mm: Floats, itd_var: Floats) -> Floats:
    """Return P(reported size | candidate), shape (n, 5); evenly spread where the size is not known (NaN).

    Parameters
    ----------
    itd_mean_ln_mm, itd_var
        Mean and variance of ln ITD of each candidate, shape (n,).
    """
    known = np.isfinite(itd_mean_ln_mm)
    mean = np.where(known, itd_mean_ln_mm, 0.0)
    sd = np.sqrt(np.where(known, itd_var, 0.0) + SIZE_BY_EYE_SD**2)
    bounds = np.array([math.log(bound) for bound in CLASS_BOUNDS_MM])
    below = normal_cdf((bounds[None, :] - mean[:, None]) / sd[:, None])
    edges = np.concatenate([np.zeros((len(mean), 1)), below, np.ones((len(mean), 1))], axis=1)
    out = np.diff(edges, axis=1)
    out[~known] = 1.0 / len(SIZE_STATES)
    return out
