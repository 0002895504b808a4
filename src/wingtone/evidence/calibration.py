"""Are the probabilities true? Measures of calibration, for the benchmark, the figure and anyone's own trial.

Conventions
-----------
``n`` cases. A *hit* is whether what had probability ``p`` came true. NaN where there is nothing to measure.

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

__all__ = ["Reliability", "calibration_error", "reliability"]


@dataclass(frozen=True, eq=False)
class Reliability:
    """A reliability curve.

    Attributes
    ----------
    stated, observed
        Mean stated probability and share of hits of each bin, shape (n_bins,); NaN for an empty bin.
    count
        Number of cases of each bin, shape (n_bins,).
    """

    stated: Floats
    observed: Floats
    count: NDArray[np.int_]


def reliability(probability: Floats, hit: NDArray[np.bool_], *, bins: int = 10) -> Reliability:
    """Return the reliability curve in equal bins of stated probability.

    Parameters
    ----------
    probability
        Stated probabilities 0-1, shape (n,).
    hit
        Whether it came true, shape (n,).
    """
    which = np.minimum((np.asarray(probability) * bins).astype(int), bins - 1)
    count = np.bincount(which, minlength=bins)
    with np.errstate(invalid="ignore"):
        stated = np.bincount(which, probability, minlength=bins) / count
        observed = np.bincount(which, np.asarray(hit, dtype=float), minlength=bins) / count
    return Reliability(stated, observed, count)


def calibration_error(curve: Reliability) -> float:
    """Return the expected calibration error: mean |observed - stated| over the cases.

    Naeini, Cooper & Hauskrecht 2015, Proc. AAAI, 2901-2907 (memory). NaN without cases.
    """
    total = int(curve.count.sum())
    if total == 0:
        return float("nan")
    filled = curve.count > 0
    gap = np.abs(curve.observed[filled] - curve.stated[filled])
    return float(gap @ curve.count[filled] / total)
