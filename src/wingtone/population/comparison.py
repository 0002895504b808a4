"""Whether sites, or periods, differ.

**Test.** Whole clusters (recordings, or days of a site) are dealt out to the groups anew, again and again: if
the groups are alike, any dealing is as good as the one that was seen. The statistic is the difference of mean
tone over its cluster-robust standard error, so that a group that is merely more variable is not mistaken for
one that differs (Chung & Romano 2013, Ann Stat 41:484; memory). With few clusters every dealing is tried;
else p is ``(1 + number at least as far) / (1 + dealings)`` (Phipson & Smyth 2010; memory).

**Too few to test.** Few clusters can be dealt out in few ways, so p cannot become small, however far apart
the groups lie: 3 against 3 give 20 dealings, of which the one seen and its mirror image are as extreme, so
0.1 at the least. A pair that cannot reach `ALPHA` after the correction is not tested; only its effect is
given.

**Effect.** Difference of mean tones in Hz with its interval (cluster-robust, Student's t with the degrees of
freedom of Welch and Satterthwaite over clusters), and in standard deviations (Hedges' g).

**Many comparisons.** All pairs that can be tested are, and p is corrected for their number by Holm 1979
(Scand J Stat 6:65). Leaving out those that cannot reach `ALPHA` keeps the level, as it is settled by the
numbers of clusters and not by the tones (Tarone 1990, Biometrics 46:515; memory).

**Power.** Two groups of equal size, two-sided t test at 5 %, the sample's own spread, and as many independent
bees as clustering leaves.

- `Comparison`, `Pair`, `GroupMean`, `compare`
- `holm`, `permutation_p`, `least_p`, `can_be_tested`
- `Power`, `power_of`, `detectable`, `needed`, `power_statement`
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wingtone.population.resampling import LEVEL, Clusters, degrees_of_freedom, mean_interval

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.intp]

__all__ = [
    "Comparison",
    "GroupMean",
    "Pair",
    "Power",
    "can_be_tested",
    "compare",
    "detectable",
    "holm",
    "least_p",
    "needed",
    "permutation_p",
    "power_of",
    "power_statement",
]

ALPHA = 0.05
"""Common practice."""

N_PERMUTATIONS = 9999
"""Dealings where there are too many to try all. Ours: p is then known to about 0.002 at 0.05."""
MOST_EXACT = 20_000
"""Up to this many dealings all are tried. Ours."""
LEAST_CLUSTERS = 3
"""Clusters a group needs for its effect to be given. Ours: of intervals of two against eight only 9 in 10
held the difference. Whether a pair can be tested is another question, see `can_be_tested`."""
DEALINGS_A_PAIR = 40
"""Dealings where not all are tried, for each pair that is tested, at least: the smallest p after the
correction is then half of `ALPHA`. Ours."""
AT_ONCE = 1000
"""Dealings worked out together, to bound the memory."""
POWER = 0.8
"""Common practice (Cohen 1988, section 2.4; memory)."""


@dataclass(frozen=True)
class GroupMean:
    """One site or period: bees, clusters, mean tone with its interval."""

    name: str
    n: int
    n_clusters: int
    mean_hz: float
    low_hz: float
    high_hz: float


@dataclass(frozen=True)
class Pair:
    """Two groups compared: second minus first.

    Attributes
    ----------
    difference_hz, low_hz, high_hz
        Difference of the means; the ends of its interval are NaN where the recordings do not scatter at all.
    hedges_g
        The difference in standard deviations.
    least_p
        The smallest p that so many clusters can give, not corrected, see `least_p`.
    tested
        Whether the clusters are enough to reach `ALPHA`, after the correction.
    p_value, p_holm
        NaN where the pair was not tested.
    """

    first: str
    second: str
    difference_hz: float
    low_hz: float
    high_hz: float
    hedges_g: float
    least_p: float
    tested: bool
    p_value: float
    p_holm: float


@dataclass(frozen=True)
class Comparison:
    """All groups.

    Attributes
    ----------
    groups
        In order of name.
    pairs
        Every pair of groups with `LEAST_CLUSTERS`, tested or not.
    p_overall
        Of no difference among all groups; NaN when there are fewer than three to compare.
    cluster
        What was dealt out: ``day`` or ``recording``.
    skipped
        Groups that are too small to compare.
    """

    groups: tuple[GroupMean, ...]
    pairs: tuple[Pair, ...]
    p_overall: float
    cluster: str
    skipped: tuple[str, ...]
    n_permutations: int = N_PERMUTATIONS


def holm(p_values: Sequence[float]) -> list[float]:
    """Return p-values corrected step down for their number (Holm 1979), in the order given."""
    order = sorted(range(len(p_values)), key=lambda i: p_values[i])
    out, highest = [0.0] * len(p_values), 0.0
    for rank, i in enumerate(order):
        highest = max(highest, min(1.0, (len(p_values) - rank) * p_values[i]))
        out[i] = highest
    return out


def least_p(n_clusters: Sequence[int]) -> float:
    """Return the smallest p that dealing so many clusters out among groups can give.

    One over the number of ways to deal them, times the ways to swap groups of equal size: a swap gives the
    same difference.
    """
    ways, left = 1, sum(n_clusters)
    for n in n_clusters:
        ways *= math.comb(left, n)
        left -= n
    return math.prod(map(math.factorial, Counter(n_clusters).values())) / ways


def can_be_tested(least: Sequence[float]) -> list[bool]:
    """Say which of several comparisons can reach `ALPHA` when those that can are corrected for their number.

    The most of them, smallest p that can be reached first, of which each would still reach it as the first of
    Holm's steps; those that stand equal are taken together or not at all.
    """
    limit = 0.0
    for value in sorted(set(least)):
        if value * sum(one <= value for one in least) <= ALPHA:
            limit = value
    return [value <= limit for value in least]


def compare(
    tone_hz: Floats,
    group: Sequence[str],
    clusters: Clusters,
    *,
    rng: np.random.Generator,
    n_permutations: int = N_PERMUTATIONS,
) -> Comparison:
    """Compare groups of bees.

    Parameters
    ----------
    tone_hz, group
        Of each bee, shape (n,). Bees whose group is empty take no part.
    clusters
        Which bees go together; a cluster lies within one group.
    """
    names = sorted({name for name in group if name})
    label = np.array([names.index(name) if name else -1 for name in group])
    parts = {}
    for i, name in enumerate(names):
        rows = label == i
        _, own = np.unique(clusters.of[rows], return_inverse=True)
        parts[name] = (tone_hz[rows], Clusters(clusters.kind, own, int(own.max()) + 1))
    told = []
    for name, (tones, within) in parts.items():
        mean, _, low, high = mean_interval(tones, within)
        told.append(GroupMean(name, len(tones), within.n, mean, low, high))
    large = [name for name in names if parts[name][1].n >= LEAST_CLUSTERS]
    chosen = list(itertools.combinations(large, 2))
    least = [least_p([parts[name][1].n for name in pair]) for pair in chosen]
    tested = can_be_tested(least)
    n_permutations = max(n_permutations, DEALINGS_A_PAIR * sum(tested) - 1)
    pairs = []
    for (first, second), smallest, can in zip(chosen, least, tested, strict=True):
        values = np.concatenate([parts[first][0], parts[second][0]])
        one, other = parts[first][1], parts[second][1]
        of = np.concatenate([one.of, other.of + one.n])
        labels = np.repeat([0, 1], [one.n, other.n])
        p = permutation_p(values, of, labels, rng=rng, n_permutations=n_permutations) if can else math.nan
        pairs.append((first, second, *_effect(parts[first], parts[second]), smallest, can, p))
    steps = iter(holm([pair[-1] for pair, can in zip(pairs, tested, strict=True) if can]))
    corrected = [next(steps) if can else math.nan for can in tested]
    overall = math.nan
    if len(large) > 2:
        values = np.concatenate([parts[name][0] for name in large])
        sizes = [parts[name][1].n for name in large]
        starts = np.cumsum([0, *sizes])
        of = np.concatenate([parts[name][1].of + start for name, start in zip(large, starts, strict=False)])
        labels = np.repeat(np.arange(len(large)), sizes)
        overall = permutation_p(values, of, labels, rng=rng, n_permutations=n_permutations)
    return Comparison(
        groups=tuple(told),
        pairs=tuple(Pair(*pair, p) for pair, p in zip(pairs, corrected, strict=True)),
        p_overall=overall,
        cluster=clusters.kind,
        skipped=tuple(name for name in names if name not in large),
        n_permutations=n_permutations,
    )


def _effect(
    first: tuple[Floats, Clusters], second: tuple[Floats, Clusters]
) -> tuple[float, float, float, float]:
    """Difference in Hz with its interval, and Hedges' g with the small-sample factor 1 - 3 / (4 df - 1).

    Without any scatter there is nothing to tell an interval by, and the ends are NaN.
    """
    from scipy.special import stdtrit

    (m1, e1, _, _), (m2, e2, _, _) = mean_interval(*first), mean_interval(*second)
    n1, n2 = len(first[0]), len(second[0])
    difference, variance = m2 - m1, e1**2 + e2**2
    if variance <= 0.0:
        return difference, math.nan, math.nan, math.nan
    df = variance**2 / (e1**4 / degrees_of_freedom(first[1]) + e2**4 / degrees_of_freedom(second[1]))
    reach = float(stdtrit(df, 0.5 + LEVEL / 2)) * math.sqrt(variance)
    pooled = math.sqrt(
        (np.var(first[0], ddof=1) * (n1 - 1) + np.var(second[0], ddof=1) * (n2 - 1)) / (n1 + n2 - 2)
    )
    g = difference / pooled * (1 - 3 / (4 * (n1 + n2 - 2) - 1)) if pooled > 0 else math.nan
    return difference, difference - reach, difference + reach, float(g)


def permutation_p(
    values: Floats, cluster: Ints, labels: Ints, *, rng: np.random.Generator, n_permutations: int
) -> float:
    """Return the two-sided p of no difference, by dealing the groups out among clusters.

    Parameters
    ----------
    values, cluster
        Of each bee, shape (n,); clusters 0..G-1.
    labels
        Group of each cluster, shape (G,), 0..k-1.
    """
    sizes = np.bincount(cluster).astype(np.float64)
    sums = np.bincount(cluster, values - values.mean())
    table = np.stack([np.ones_like(sizes), sizes, sums, sums**2, sums * sizes, sizes**2])
    seen = float(_statistic(table, labels[None])[0])
    limit = seen * (1 - 1e-9) - 1e-12  # dealings that give the same up to rounding count as equal
    far = done = 0
    exact = int(labels.max()) == 1 and math.comb(len(labels), int(labels.sum())) <= MOST_EXACT
    for deals in _all_deals(labels) if exact else _random_deals(labels, rng, n_permutations):
        far += int((_statistic(table, deals) >= limit).sum())
        done += len(deals)
    return far / done if exact else (1 + far) / (1 + done)


def _statistic(table: Floats, labels: Ints) -> Floats:
    """Spread of the group means about their weighted mean, over their variances; shape (n_deals,)."""
    k = int(labels.max()) + 1
    means, inverse = [], []
    for i in range(k):
        count, n, s, ss, sn, nn = table @ (labels == i).T.astype(np.float64)
        mean = s / n
        variance = (
            count / np.maximum(count - 1, 1) * np.maximum(ss - 2 * mean * sn + mean**2 * nn, 0.0) / n**2
        )
        means.append(mean)
        inverse.append(1.0 / np.maximum(variance, 1e-12))
    m, w = np.stack(means), np.stack(inverse)
    centre = (w * m).sum(axis=0) / w.sum(axis=0)
    return np.asarray((w * (m - centre) ** 2).sum(axis=0))


def _all_deals(labels: Ints) -> Iterator[Ints]:
    ones = int(labels.sum())
    chosen = itertools.combinations(range(len(labels)), ones)
    while block := list(itertools.islice(chosen, AT_ONCE)):
        deals = np.zeros((len(block), len(labels)), dtype=np.intp)
        np.put_along_axis(deals, np.array(block), 1, axis=1)
        yield deals


def _random_deals(labels: Ints, rng: np.random.Generator, n: int) -> Iterator[Ints]:
    for first in range(0, n, AT_ONCE):
        many = min(AT_ONCE, n - first)
        yield rng.permuted(np.tile(labels, (many, 1)), axis=1)


# --- power ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Power:
    """What a comparison could show.

    Attributes
    ----------
    sd_hz
        Spread of the tones as measured.
    design_effect
        How many bees of this sample are worth one independent bee, 1 or more.
    bees_a_group, detectable_hz
        With so many bees in each of two groups, this difference is shown with 80 % power.
    needed
        The other way round: (difference in Hz, bees in each group).
    """

    sd_hz: float
    design_effect: float
    bees_a_group: tuple[int, ...]
    detectable_hz: tuple[float, ...]
    needed: tuple[tuple[float, int], ...]
    power: float = POWER


def power_of(n: float, difference_sd: float) -> float:
    """Return the power of the two-sided two-sample t test at 5 % with ``n`` in each group (noncentral t)."""
    from scipy.stats import nct, t

    df = 2 * n - 2
    if df <= 0:
        return math.nan
    shift = abs(difference_sd) * math.sqrt(n / 2)
    critical = float(t.ppf(0.975, df))
    below = float(nct.cdf(-critical, df, shift)) if shift < 5 else 0.0  # nct is not at home out there
    return float(nct.sf(critical, df, shift)) + below


def detectable(n: float, *, power: float = POWER) -> float:
    """Return the difference, in standard deviations, that ``n`` bees in each group show with this power."""
    from scipy.optimize import brentq

    return float(brentq(lambda d: power_of(n, d) - power, 1e-6, 20.0)) if n > 1.5 else math.nan


def needed(difference_sd: float, *, power: float = POWER) -> int:
    """Return the bees needed in each group to show a difference given in standard deviations."""
    low, high = 2, 4
    while power_of(high, difference_sd) < power:
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if power_of(middle, difference_sd) >= power else (middle, high)
    return low if power_of(low, difference_sd) >= power else high


def power_statement(sd_hz: float, design_effect: float) -> Power | None:
    """Work out the table; None without a spread."""
    if not sd_hz > 0.0 or not math.isfinite(sd_hz):
        return None
    bees = (20, 40, 80, 160)
    return Power(
        sd_hz=sd_hz,
        design_effect=design_effect,
        bees_a_group=bees,
        detectable_hz=tuple(sd_hz * detectable(max(n / design_effect, 2.0)) for n in bees),
        needed=tuple((hz, math.ceil(design_effect * needed(hz / sd_hz))) for hz in (3.0, 6.0, 10.0, 15.0)),
    )
