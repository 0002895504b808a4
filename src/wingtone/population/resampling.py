"""Intervals for bees that come in clusters: bees of one recording, or of one day, are alike.

Conventions
-----------
``n`` individuals in ``G`` clusters. ``cluster`` holds for each individual the number of its cluster, 0..G-1,
shape (n,). All randomness comes from a `numpy.random.Generator` that the caller gives.

- `cluster_of`: which clusters.
- `intraclass_correlation`, `effective_size`: how many independent bees the sample is worth.
- `bootstrap_weights`: resampling of whole clusters.
- `mean_interval`, `degrees_of_freedom`: a mean with cluster-robust error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from wingtone.population.individuals import Individual

    Floats = NDArray[np.float64]
    Ints = NDArray[np.intp]

__all__ = [
    "LEAST_DAYS",
    "LEVEL",
    "NORMAL_95",
    "Clusters",
    "bootstrap_weights",
    "cluster_of",
    "degrees_of_freedom",
    "effective_size",
    "intraclass_correlation",
    "mean_interval",
]

LEVEL = 0.95
"""Of every interval in this room; common practice."""

NORMAL_95 = 1.959964
"""Half-width of a 95 % interval of a normal distribution in standard deviations (textbook; six decimals)."""

LEAST_DAYS = 6
"""Days from which they are resampled instead of recordings. Ours: with fewer, the spread between days is not
known well enough to be of use, and that is said."""


@dataclass(frozen=True, eq=False)
class Clusters:
    """Which bees go together.

    Attributes
    ----------
    kind
        ``day`` or ``recording``.
    of
        Number of the cluster of each individual, shape (n,).
    n
        Number of clusters.
    """

    kind: str
    of: Ints
    n: int


def cluster_of(individuals: Sequence[Individual], *, within_groups: bool = False) -> Clusters:
    """Choose clusters.

    Days, where every bee has one and there are `LEAST_DAYS` of them, else recordings; ``within_groups``, for
    comparing groups, a day of each group by itself. What is said of all bees does not hang on how they are
    grouped: two sites of one day have the weather and the season of that day in common.
    """
    days = {one.day for one in individuals}
    by_day = None not in days and len(days) >= LEAST_DAYS
    keys = [(one.group if within_groups else "", one.day if by_day else one.recording) for one in individuals]
    number = {key: i for i, key in enumerate(dict.fromkeys(keys))}
    return Clusters(
        "day" if by_day else "recording", np.array([number[key] for key in keys], int), len(number)
    )


def intraclass_correlation(values: Floats, cluster: Ints) -> float:
    """Return the share of variance that lies between clusters, 0..1.

    The one-way analysis of variance estimator, ``(MSB - MSW) / (MSB + (m0 - 1) MSW)`` with ``m0`` the
    adjusted mean size (Donner & Klar 2000, Design and Analysis of Cluster Randomization Trials, ch. 1;
    memory), negative values set to 0. It is 0 when every cluster holds one bee, or there is but one cluster.
    """
    n = len(values)
    sizes = np.bincount(cluster)
    groups = len(sizes)
    if groups < 2 or groups == n:
        return 0.0
    means = np.bincount(cluster, values) / sizes
    within = float(((values - means[cluster]) ** 2).sum()) / (n - groups)
    between = float((sizes * (means - values.mean()) ** 2).sum()) / (groups - 1)
    m0 = (n - float((sizes**2).sum()) / n) / (groups - 1)
    if between + (m0 - 1) * within <= 0.0:
        return 0.0
    return min(max((between - within) / (between + (m0 - 1) * within), 0.0), 1.0)


def effective_size(values: Floats, cluster: Ints) -> float:
    """Return how many independent bees these are worth: ``n / (1 + (m - 1) rho)``, at most n, at least 1.

    ``m`` is the mean cluster size that a bee sees, sum of squares over sum (Kish 1965; memory).
    """
    sizes = np.bincount(cluster)
    m = float((sizes**2).sum()) / len(values)
    return max(len(values) / (1.0 + (m - 1.0) * intraclass_correlation(values, cluster)), 1.0)


def bootstrap_weights(rng: np.random.Generator, clusters: Clusters, n_draws: int) -> Floats:
    """Return weights of whole clusters drawn with replacement, shape (n_draws, n).

    Rao & Wu 1988 (J Am Stat Assoc 83:231; memory): G - 1 of G clusters are drawn and the weights scaled by
    G / (G - 1), so that the variance of a mean comes out unbiased however few the clusters. With one cluster
    all weights are 1.
    """
    if clusters.n < 2:
        return np.ones((n_draws, len(clusters.of)))
    drawn = rng.multinomial(clusters.n - 1, np.full(clusters.n, 1.0 / clusters.n), size=n_draws)
    return np.asarray(drawn[:, clusters.of] * (clusters.n / (clusters.n - 1)))


def mean_interval(
    values: Floats, clusters: Clusters, *, level: float = LEVEL
) -> tuple[float, float, float, float]:
    """Return mean, standard error, and interval of a mean of clustered values.

    The cluster-robust variance of Bell & McCaffrey 2002 (Survey Methodology 28:169; memory) for a mean: the
    sum over clusters of ``(sum of residuals)^2 / (1 - w)`` over n^2, where ``w`` is the cluster's share of
    the values, and Student's t with their degrees of freedom, ``1 / (sum w^2 + (sum b)^2 - sum b^2)`` with
    ``b = w^2 / (1 - w)``. With clusters of equal size these are the usual factor G / (G - 1) and G - 1; where
    one cluster holds most of the values they own how little the others tell. With one cluster error and
    interval are NaN.
    """
    from scipy.special import stdtrit

    mean = float(values.mean())
    if clusters.n < 2:
        return mean, math.nan, math.nan, math.nan
    totals = np.bincount(clusters.of, values - mean, minlength=clusters.n)
    share = np.bincount(clusters.of, minlength=clusters.n) / len(values)
    error = math.sqrt(float((totals**2 / (1.0 - share)).sum())) / len(values)
    reach = error * float(stdtrit(degrees_of_freedom(clusters), 0.5 + level / 2))
    return mean, error, mean - reach, mean + reach


def degrees_of_freedom(clusters: Clusters) -> float:
    """Return those of the error of a mean, `mean_interval`: G - 1 for clusters of equal size, else fewer."""
    share = np.bincount(clusters.of, minlength=clusters.n) / len(clusters.of)
    leverage = share**2 / (1.0 - share)
    return 1.0 / float((share**2).sum() + leverage.sum() ** 2 - (leverage**2).sum())
