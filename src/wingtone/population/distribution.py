"""How tones and sizes are distributed.

- `Histogram`, `histogram`: Freedman & Diaconis bins.
- `Density`, `density`: Gaussian kernel, bandwidth by Sheather & Jones.
- `silverman_bandwidth`, `sheather_jones_bandwidth`
- `Quantile`, `quantiles`: empirical quantiles with intervals by order statistics.
- `Spread`, `spread`: how far bees differ, with the error of the measurement taken off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wingtone.population.resampling import (
    LEVEL,
    bootstrap_weights,
    effective_size,
    mean_interval,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wingtone.population.resampling import Clusters

    Floats = NDArray[np.float64]

__all__ = [
    "PROBABILITIES",
    "Density",
    "Histogram",
    "Quantile",
    "Spread",
    "density",
    "histogram",
    "quantiles",
    "sheather_jones_bandwidth",
    "silverman_bandwidth",
    "spread",
]

PROBABILITIES = (0.1, 0.25, 0.5, 0.75, 0.9)
"""Quantiles that are told. Ours."""

MOST_BINS = 200
"""Ours: more than a page has room for."""
GRID = 256
"""Points of a density. Ours: smooth at any size of print."""


@dataclass(frozen=True)
class Histogram:
    """Counts between edges (one more edge than counts)."""

    rule: str
    edges: tuple[float, ...]
    counts: tuple[int, ...]


def histogram(values: Floats) -> Histogram:
    """Count in bins of width ``2 IQR n^(-1/3)``, at most `MOST_BINS`.

    The rule of Freedman & Diaconis 1981, as numpy's ``fd`` has it, which makes room for every bin first: more
    than any memory holds where most values are nearly equal.
    """
    low, high = np.quantile(values, (0.25, 0.75))
    width = 2.0 * float(high - low) * len(values) ** (-1 / 3)
    n_bins = math.ceil(min(float(np.ptp(values)) / width, MOST_BINS)) if width > 0.0 else 1
    counts, edges = np.histogram(values, bins=n_bins)
    return Histogram("Freedman-Diaconis", tuple(map(float, edges)), tuple(map(int, counts)))


@dataclass(frozen=True)
class Density:
    """A kernel density on an even grid. ``rule`` names the bandwidth rule that was used."""

    rule: str
    bandwidth: float
    at: tuple[float, ...]
    density: tuple[float, ...]


def silverman_bandwidth(values: Floats) -> float:
    """Return ``0.9 min(sd, IQR / 1.34) n^(-1/5)`` (Silverman 1986, eq. 3.31; read in R's documentation)."""
    low, high = np.quantile(values, (0.25, 0.75))
    sd = float(np.std(values, ddof=1))
    scale = min(sd, (high - low) / 1.34) or sd
    return float(0.9 * scale * len(values) ** -0.2)


def sheather_jones_bandwidth(values: Floats) -> float:
    """Return the "solve the equation" bandwidth of Sheather & Jones 1991 (J R Stat Soc B 53:683).

    The normal-scale pilots and constants are those of the paper's section 5 as R's ``bw.SJ`` has them
    (memory); values are binned to a thousandth of their range as there. NaN when no root is found (few
    distinct values): use `silverman_bandwidth`.
    """
    from scipy.optimize import brentq

    n, low = len(values), float(values.min())
    step = (float(values.max()) - low) * 1.01 / 1000.0
    if n < 3 or step <= 0.0:
        return math.nan
    counts = np.bincount(((values - low) / step).astype(int), minlength=1001).astype(float)
    # pairs of values so many bins apart, as a correlation
    pairs = np.correlate(counts, counts, mode="full")[len(counts) - 1 :]
    pairs[0] = (pairs[0] - n) / 2
    distance = np.arange(len(pairs)) * step

    def fourth(h: float) -> float:
        d = (distance / h) ** 2
        total = float((pairs * np.exp(-d / 2) * (d * d - 6 * d + 3)).sum())
        return (2 * total + n * 3) / (n * (n - 1) * h**5 * math.sqrt(2 * math.pi))

    def sixth(h: float) -> float:
        d = (distance / h) ** 2
        total = float((pairs * np.exp(-d / 2) * (d * d * d - 15 * d * d + 45 * d - 15)).sum())
        return (2 * total - n * 15) / (n * (n - 1) * h**7 * math.sqrt(2 * math.pi))

    quarter, three = np.quantile(values, (0.25, 0.75))
    scale = min(float(np.std(values, ddof=1)), float(three - quarter) / 1.349)
    if scale <= 0.0:
        return math.nan
    td = -sixth(1.23 * scale * n ** (-1 / 9))
    if not td > 0.0:
        return math.nan
    ratio = fourth(1.24 * scale * n ** (-1 / 7)) / td
    c1 = 1.0 / (2 * math.sqrt(math.pi) * n)
    if not ratio > 0.0:
        return math.nan
    alpha = 1.357 * ratio ** (1 / 7)

    def equation(h: float) -> float:
        curvature = fourth(alpha * h ** (5 / 7))
        return (c1 / curvature) ** 0.2 - h if curvature > 0.0 else math.nan

    top = 1.144 * scale * n**-0.2
    for _ in range(20):
        ends = equation(0.1 * top), equation(top)
        if all(map(math.isfinite, ends)) and ends[0] * ends[1] <= 0:
            return float(brentq(equation, 0.1 * top, top))
        top *= 1.2
    return math.nan


def density(values: Floats) -> Density:
    """Estimate the density with a Gaussian kernel, three bandwidths beyond the values on either side."""
    if float(np.ptp(values)) < 1e-9 * float(np.abs(values).max()):
        return Density("none: all values are equal", math.nan, (), ())
    bandwidth, rule = sheather_jones_bandwidth(values), "Sheather-Jones"
    if not bandwidth > 0.0:
        bandwidth, rule = silverman_bandwidth(values), "Silverman"
    at = np.linspace(values.min() - 3 * bandwidth, values.max() + 3 * bandwidth, GRID)
    heights = np.zeros(GRID)
    for chunk in np.array_split(values, max(1, len(values) // 2000)):  # memory stays small
        heights += np.exp(-0.5 * ((at[:, None] - chunk) / bandwidth) ** 2).sum(axis=1)
    heights /= len(values) * bandwidth * math.sqrt(2 * math.pi)
    return Density(rule, bandwidth, tuple(map(float, at)), tuple(map(float, heights)))


@dataclass(frozen=True)
class Quantile:
    """A quantile and its interval; an end is NaN where the sample is too small to bound it."""

    probability: float
    value: float
    low: float
    high: float


def quantiles(
    values: Floats,
    clusters: Clusters,
    *,
    probabilities: tuple[float, ...] = PROBABILITIES,
    level: float = LEVEL,
) -> tuple[Quantile, ...]:
    """Return empirical quantiles with distribution-free intervals.

    The quantile is type 7 of Hyndman & Fan 1996 (numpy's default). For the interval, the share of bees below
    the quantile is treated as a share of an effective number of bees, `effective_size`, with its Jeffreys
    limits; those are turned into order statistics, of fractional rank ``(n + 1) u``, which is the mean
    position of F at an order statistic. It is the interval of Woodruff 1952 (J Am Stat Assoc 47:635; memory)
    with better limits for small samples. Where a rank falls before the first or after the last bee the end is
    NaN.
    """
    from scipy.special import betaincinv

    ordered = np.sort(values)
    n, size = len(values), effective_size(values, clusters.of)
    ranks = np.arange(1, n + 1)
    out = []
    for p in probabilities:
        ends = []
        for tail in ((1 - level) / 2, (1 + level) / 2):
            rank = (n + 1) * float(betaincinv(size * p + 0.5, size * (1 - p) + 0.5, tail))
            inside = 1 <= rank <= n
            ends.append(float(np.interp(rank, ranks, ordered)) if inside else math.nan)
        out.append(Quantile(p, float(np.quantile(values, p)), ends[0], ends[1]))
    return tuple(out)


@dataclass(frozen=True)
class Spread:
    """Middle and spread of the tones.

    Attributes
    ----------
    mean_hz, mean_low_hz, mean_high_hz
        Mean tone and its interval (Student's t over clusters).
    sd_hz
        Standard deviation as measured.
    bees_sd_hz, bees_sd_low_hz, bees_sd_high_hz
        The same between bees, with the error of each bee's tone taken off; interval by cluster bootstrap.
    effective_n
        How many independent bees the sample is worth.
    """

    mean_hz: float
    mean_low_hz: float
    mean_high_hz: float
    sd_hz: float
    bees_sd_hz: float
    bees_sd_low_hz: float
    bees_sd_high_hz: float
    effective_n: float


def spread(
    tone_hz: Floats, error_ln: Floats, clusters: Clusters, *, rng: np.random.Generator, n_draws: int = 999
) -> Spread:
    """Return middle and spread. With fewer than two bees, or one cluster, what cannot be known is NaN.

    The variance between bees is that of the tones minus the mean square of their errors (method of moments),
    0 where that is negative. Its interval is the bootstrap's standard error of the variance on a log scale,
    with Student's t over clusters.
    """
    from scipy.special import stdtrit

    mean, _, low, high = mean_interval(tone_hz, clusters)
    if len(tone_hz) < 2:
        nan = math.nan
        return Spread(mean, nan, nan, nan, nan, nan, nan, 1.0)
    errors = (tone_hz * error_ln) ** 2
    variance = float(np.var(tone_hz, ddof=1))
    bees = max(variance - float(errors.mean()), 0.0)
    ends = (math.nan, math.nan)
    if clusters.n > 1 and bees > 0.0:
        weights = bootstrap_weights(rng, clusters, n_draws)
        totals = weights.sum(axis=1)
        fine = totals > 0
        weights, totals = weights[fine], totals[fine]
        means = weights @ tone_hz / totals
        drawn = weights @ (tone_hz**2) / totals - means**2
        factor = len(tone_hz) / (len(tone_hz) - 1)
        drawn = factor * drawn - weights @ errors / totals
        # on a log scale by the delta method, as draws may be negative
        reach = float(stdtrit(clusters.n - 1, 0.5 + LEVEL / 2)) * float(np.std(drawn)) / bees / 2
        ends = (math.sqrt(bees) * math.exp(-reach), math.sqrt(bees) * math.exp(reach))
    return Spread(
        mean, low, high, math.sqrt(variance), math.sqrt(bees), *ends, effective_size(tone_hz, clusters.of)
    )
