"""Are the probabilities true? Measures of calibration, for classifiers, the benchmark and the figures.

Conventions
-----------
``n`` cases. A *hit* is whether what had probability ``p`` came true.

Functions
---------
reliability        observed share of hits against stated probability, in bins
calibration_error  expected calibration error
share_interval     where the true share lies when so many hits were seen
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["BINS", "Reliability", "calibration_error", "reliability", "share_interval"]

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


def share_interval(share: float, size: float, *, level: float = 0.95) -> tuple[float, float]:
    """Return the Jeffreys interval of a share seen among an effective number of cases.

    Quantiles of Beta(x + 1/2, n - x + 1/2) with ``x = share * n``; the lower end is 0 where x is 0 and the
    upper 1 where x is n (Brown, Cai & DasGupta 2001, Stat Sci 16:101, section 4.1.2; memory). That ``n`` may
    be an effective size is the device of Korn & Graubard 1998 (memory).
    """
    from scipy.special import betaincinv

    x = share * size
    tail = (1.0 - level) / 2
    low = 0.0 if x <= 0.0 else float(betaincinv(x + 0.5, size - x + 0.5, tail))
    high = 1.0 if x >= size else float(betaincinv(x + 0.5, size - x + 0.5, 1.0 - tail))
    return low, high
