"""Are the probabilities true? Measures of calibration, for classifiers, the benchmark and the figures.

Conventions
-----------
``n`` cases. A *hit* is whether what had probability ``p`` came true.

Functions
---------
reliability        observed share of hits against stated probability, in bins
calibration_error  expected calibration error
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["BINS", "Reliability", "calibration_error", "reliability"]

BINS = 10
"""Bins of a reliability curve: common practice."""


@dataclass(frozen=True, eq=False)
class Reliability:
    """A reliability curve over the filled bins, in ascending order; shape (n_filled,) each.

    Attributes
    ----------
    stated, observed
        Mean stated probability and share of hits of each bin.
    weight
        Weight of the cases in each bin together: their number, where all count alike.
    """

    stated: Floats
    observed: Floats
    weight: Floats


def reliability(
    probability: Floats, hit: NDArray[np.bool_], *, weight: Floats | None = None, bins: int = BINS
) -> Reliability:
    """Return the reliability curve in equal bins of stated probability; without cases it is empty.

    Parameters
    ----------
    probability
        Stated probabilities 0-1, shape (n,).
    hit
        Whether it came true, shape (n,).
    weight
        How much each case counts, shape (n,); None: all equal.
    """
    probability = np.asarray(probability, dtype=float)
    weight = np.ones(len(probability)) if weight is None else np.asarray(weight, dtype=float)
    bin_of = np.minimum((probability * bins).astype(int), bins - 1)
    total: Floats = np.bincount(bin_of, weight, minlength=bins).astype(float)
    filled = total > 0
    stated = np.bincount(bin_of, weight * probability, minlength=bins)[filled] / total[filled]
    observed = np.bincount(bin_of, weight * hit, minlength=bins)[filled] / total[filled]
    return Reliability(stated, observed, total[filled])


def calibration_error(curve: Reliability) -> float:
    """Return the expected calibration error: mean |observed - stated| over the cases; NaN without any.

    Naeini, Cooper & Hauskrecht 2015, Proc. AAAI, 2901-2907 (memory). Chance alone gives a few hundredths
    where cases are few: it is never exactly 0.
    """
    if curve.weight.size == 0:
        return float("nan")
    return float(np.average(np.abs(curve.observed - curve.stated), weights=curve.weight))
