"""One group of bees or two, and how many belong to each.

Three questions, each with its own means:

1. **Can the sample be split?** One group against two, both fitted with what the fauna expects (`mixture`),
   by the penalised likelihood ratio. Its distribution for samples of one group is found by simulation (the
   parametric bootstrap of McLachlan 1987, Appl Stat 36:318; memory), twice: with a normal group, and with a
   group made up of taxa as the fauna leads to expect; the larger p counts. Bees of one cluster are alike in
   these simulations as in the sample. One group is refuted when p <= `ALPHA` and the criterion of Schwarz
   (BIC, at the penalised maximum as in Fraley & Raftery 2007; memory) prefers two groups too. A split is
   claimed when both groups are also still there in the cluster bootstrap of the next question: with two
   recordings at two tones nobody knows whether the castes differ or the recordings. Otherwise the answer is
   "cannot be separated".
2. **How many belong to each?** Shares of the two-group fit. In the cluster bootstrap the expected means and
   spreads are drawn anew each time, so that its percentiles hold what is not known of them as well as the
   chance of which bees were heard; they are never taken narrower than the Jeffreys interval of as many bees
   of known caste. The interval reaches to 0 or 1 exactly where no split is claimed: claim and interval say
   the same. The other end is then the 95 % bound.
3. **Who is it, if it is one group?** By the fauna, from tone and season.

- `Castes`, `GroupShare`, `castes`
- `Members`: the fitted groups, for what is built on them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from wingtone.evidence.calibration import share_interval
from wingtone.population.mixture import Prior, fit, responsibilities
from wingtone.population.resampling import (
    LEVEL,
    NORMAL_95,
    bootstrap_weights,
    effective_size,
    intraclass_correlation,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from wingtone.population.expected import Expected, Group
    from wingtone.population.mixture import Fit
    from wingtone.population.resampling import Clusters

    Floats = NDArray[np.float64]

__all__ = ["ALPHA", "LEAST_BEES", "Castes", "GroupShare", "Members", "castes"]

ALPHA = 0.05
N_NULL = 199
"""Simulated samples of one group. Ours: enough for a level of 5 % (Davison & Hinkley 1997, section 4.2;
memory)."""
N_DRAWS = 400
"""Bootstrap draws. Ours: enough for the ends of an interval of 95 %."""
LEAST_BEES = 10
"""Fewer are not asked about castes. Ours."""
MOST_SINGLY = 150
"""More bees than this are taken together by their tones, to save time. Ours."""
STEP_LN = 0.01
"""Step in which the tones of many bees are taken together. Ours: 1 %, a tenth of the spread within a caste,
so that the rounding adds less than a thousandth to its variance."""
LEAST_IDENTITY = 0.025
"""Probability from which it counts that a single group may be the other one."""
LEAST_MEMBERS = 0.5
"""Bees below which a fitted group is empty. Ours: half a bee."""
EXTRA_DOUBT_LN = 0.5
"""Doubt about the mean of a third group, of which nothing is expected. Ours: a factor of 1.6."""


@dataclass(frozen=True)
class GroupShare:
    """One group of castes.

    Attributes
    ----------
    name, castes
        Which castes; pitch cannot tell them apart within the group.
    share, low, high
        Share of the bees, and its 95 % interval.
    tone_hz, sd_hz
        Fitted mean tone, and spread between its bees (error of measurement taken off).
    expected_tone_hz, expected_share
        What the fauna led to expect at these dates; the share is not used for the estimate.
    """

    name: str
    castes: tuple[str, ...]
    share: float
    low: float
    high: float
    tone_hz: float
    sd_hz: float
    expected_tone_hz: float
    expected_share: float


@dataclass(frozen=True)
class Castes:
    """What can be said of castes.

    Attributes
    ----------
    answer
        ``two groups``, ``cannot be separated``, ``one group expected``, ``too few bees`` or ``none
        expected``.
    groups
        Lowest tones first; two unless only one is expected. Where the answer is ``cannot be separated`` the
        shares are only bounds.
    p_value
        Of one group against two; NaN when not tested.
    likelihood_ratio
        Twice the gain of penalised log-likelihood of two groups over one.
    bic
        Criterion of one, two and three groups; lower is better. Empty when not tested.
    one_group
        Who a single group would be, as (name, probability), likeliest first.
    effective_n
        How many bees of known caste would tell the share as well.
    one_refuted
        Whether one group alone does not explain the tones, by p and by BIC.
    """

    answer: str
    groups: tuple[GroupShare, ...]
    p_value: float = math.nan
    likelihood_ratio: float = math.nan
    bic: tuple[float, ...] = ()
    one_group: tuple[tuple[str, float], ...] = ()
    effective_n: float = math.nan
    one_refuted: bool = False
    level: float = LEVEL


@dataclass(frozen=True, eq=False)
class Members:
    """The groups as fitted, and as fitted in each bootstrap draw: means and variances in ln Hz.

    ``probability`` is that of the lower group for each bee given the two-group fit and its one share,
    shape (n,); ``weights`` are those of the draws, shape (n_draws, n).
    """

    mean: Floats
    var: Floats
    drawn_mean: Floats
    drawn_var: Floats
    weights: Floats
    probability: Floats = field(repr=False)


def prior_of(groups: Sequence[Group]) -> Prior:
    """Turn what is expected into a penalty."""
    return Prior(
        np.array([g.mean_ln for g in groups]),
        np.array([g.doubt_ln**2 for g in groups]),
        np.array([g.sd_ln**2 for g in groups]),
    )


def castes(
    tone_ln: Floats,
    error_ln: Floats,
    clusters: Clusters,
    expected: Expected,
    *,
    rng: np.random.Generator,
    n_draws: int = N_DRAWS,
    n_null: int = N_NULL,
) -> tuple[Castes, Members | None]:
    """Answer the three questions of the module.

    Parameters
    ----------
    tone_ln, error_ln
        ln tone of each bee and the standard deviation of its error, shape (n,).
    clusters
        Which bees go together.
    expected
        From the fauna.
    rng
        Source of chance.
    n_draws, n_null
        Bootstrap draws and simulated samples.

    Returns
    -------
    castes, members
        ``members`` is None unless two groups were fitted.
    """
    groups = expected.groups
    if not groups:
        return Castes("none expected", ()), None
    if len(tone_ln) < LEAST_BEES:
        return Castes("too few bees", ()), None
    error_var = error_ln**2
    prior = prior_of(groups)
    if len(groups) == 1:
        one = fit(tone_ln, error_var, prior, start=(np.ones(1), prior.mean, prior.var))
        return Castes("one group expected", (_told(groups[0], one, 0, (1.0, 1.0, 1.0)),)), None
    single, which = _single(tone_ln, error_var, prior)
    double = _double(tone_ln, error_var, prior)
    ratio = 2.0 * float(double.height[0] - single.height[0])
    p_value = _p_value(tone_ln, error_var, clusters, groups, prior, double, ratio, which, rng, n_null)
    bic = _bic(tone_ln, error_var, prior, single, double, effective_size(tone_ln, clusters.of))
    one_group = _identity(tone_ln, error_var, groups)
    members = _draws(tone_ln, error_var, clusters, prior, double, rng, n_draws)
    shares = members[1]
    chance = dict(one_group)
    refuted = p_value <= ALPHA and bic[1] < bic[0]
    may_be_none, may_be_all = (
        _may_be_empty(own, len(tone_ln)) or (not refuted and chance[other.name] > LEAST_IDENTITY)
        for own, other in ((shares, groups[1]), (1.0 - shares, groups[0]))
    )
    low, high, size = _interval(
        float(double.share[0, 0]), shares, len(tone_ln), may_be_none=may_be_none, may_be_all=may_be_all
    )
    told = (
        _told(groups[0], double, 0, (float(double.share[0, 0]), low, high)),
        _told(groups[1], double, 1, (float(double.share[0, 1]), 1.0 - high, 1.0 - low)),
    )
    answer = "cannot be separated" if may_be_none or may_be_all else "two groups"
    return Castes(answer, told, p_value, ratio, bic, one_group, size, refuted), members[0]


def _told(group: Group, fitted: Fit, k: int, share: tuple[float, float, float]) -> GroupShare:
    tone = math.exp(float(fitted.mean[0, k]))
    sd = tone * math.sqrt(float(fitted.var[0, k]))
    return GroupShare(group.name, group.castes, *share, tone, sd, group.tone_hz, group.share)


# --- fitting ----------------------------------------------------------------------------------------


def _single(values: Floats, error_var: Floats, prior: Prior) -> tuple[Fit, NDArray[np.intp]]:
    """Fit one group, as whichever of the two fits better; also which that was."""
    fits = []
    for k in range(2):
        own = Prior(prior.mean[k : k + 1], prior.doubt_var[k : k + 1], prior.var[k : k + 1], prior.weight)
        middle = np.atleast_2d(np.median(values, axis=-1, keepdims=True))
        points, errors, weights = _pooled(values, error_var)
        fits.append(fit(points, errors, own, start=(np.ones(1), middle, own.var), weights=weights))
    better = fits[1].height > fits[0].height
    return fits[0].pick(better, fits[1]), better.astype(np.intp)


def _double(values: Floats, error_var: Floats, prior: Prior) -> Fit:
    """Fit two groups from two starts, as expected and as the sample's halves, and keep the better."""
    even = np.full(2, 0.5)
    halves = np.quantile(values, (0.25, 0.75), axis=-1).T
    points, errors, weights = _pooled(values, error_var)
    expected = fit(points, errors, prior, start=(even, prior.mean, prior.var), weights=weights)
    split = fit(points, errors, prior, start=(even, halves, prior.var), weights=weights)
    return expected.pick(split.height > expected.height, split)


def _pooled(
    values: Floats, error_var: Floats, weights: Floats | None = None
) -> tuple[Floats, Floats, Floats | None]:
    """Take more than `MOST_SINGLY` bees together by their tones, in steps of `STEP_LN`, to save time.

    Fewer are handed back as they came. The error is then the mean one. Values have shape (n,) or (n_fits, n).
    """
    n = values.shape[-1]
    if n <= MOST_SINGLY:
        return values, error_var, weights
    first = float(values.min())
    place = np.rint((np.atleast_2d(values) - first) / STEP_LN).astype(np.intp)
    m = int(place.max()) + 1
    if weights is None:
        rows = np.arange(place.shape[0])[:, None] * m
        flat = np.bincount((place + rows).ravel(), minlength=m * place.shape[0])
        counts: Floats = flat.reshape(-1, m).astype(np.float64)
    else:
        counts = weights @ np.eye(m)[place[0]]
    points = np.asarray(first + STEP_LN * np.arange(m), dtype=np.float64)
    return points, np.full(m, float(error_var.mean())), counts


def _bic(
    values: Floats, error_var: Floats, prior: Prior, single: Fit, double: Fit, size: float
) -> tuple[float, ...]:
    """Return -2 ln L + p ln n with p = 3k - 1, for one, two and three groups."""
    third = Prior(
        np.append(prior.mean, prior.mean.mean()),
        np.append(prior.doubt_var, EXTRA_DOUBT_LN**2),
        np.append(prior.var, prior.var.mean()),
    )
    best = -math.inf
    for at in (0.05, 0.5, 0.95):
        mean = np.append(double.mean[0], np.quantile(values, at))
        start = (np.append(double.share[0] * 0.8, 0.2), mean, third.var)
        points, errors, weights = _pooled(values, error_var)
        best = max(best, float(fit(points, errors, third, start=start, weights=weights).height[0]))
    heights = (float(single.height[0]), float(double.height[0]), best)
    return tuple(-2 * h + (3 * k - 1) * math.log(max(size, 2.0)) for k, h in enumerate(heights, 1))


def _identity(values: Floats, error_var: Floats, groups: Sequence[Group]) -> tuple[tuple[str, float], ...]:
    """Probability of each group if there is but one: tone and spread as expected, weighed with the season."""
    heights = []
    for group in groups:
        own = prior_of([group])
        middle = np.array([np.median(values)])
        points, errors, weights = _pooled(values, error_var)
        found = fit(points, errors, own, start=(np.ones(1), middle, own.var), weights=weights)
        heights.append(float(found.height[0]) + math.log(group.share))
    weight = np.exp(np.array(heights) - max(heights))
    weight /= weight.sum()
    pairs = [(group.name, float(w)) for group, w in zip(groups, weight, strict=True)]
    return tuple(sorted(pairs, key=lambda pair: -pair[1]))


# --- one group or two -------------------------------------------------------------------------------


def _p_value(
    values: Floats,
    error_var: Floats,
    clusters: Clusters,
    groups: Sequence[Group],
    prior: Prior,
    double: Fit,
    ratio: float,
    which: NDArray[np.intp],
    rng: np.random.Generator,
    n_null: int,
) -> float:
    """Find p by simulation; ends early when it can no longer be small (Besag & Clifford 1991; memory)."""
    if ratio <= 0.0:
        return 1.0
    share = responsibilities(values, error_var, double)
    alike = intraclass_correlation(values - double.mean[0] @ share, clusters.of)
    group = groups[int(which[0])]
    var = max(float(np.var(values, ddof=1) - error_var.mean()), 0.25 * group.sd_ln**2)
    largest = 0.0
    for composed in (False, True):
        exceeded = done = 0
        enough = math.ceil(2 * ALPHA * (n_null + 1))
        while done < n_null and exceeded < enough:
            n_sims = min(max(1, n_null // 5), n_null - done)
            sims = _one_group(values, error_var, clusters, group, var, alike, composed, rng, n_sims)
            one, _ = _single(sims, error_var, prior)
            two = _double(sims, error_var, prior)
            exceeded += int((2.0 * (two.height - one.height) >= ratio).sum())
            done += n_sims
        largest = max(largest, (1 + exceeded) / (1 + done))
        if largest > ALPHA:
            break
    return largest


def _one_group(
    values: Floats,
    error_var: Floats,
    clusters: Clusters,
    group: Group,
    var: float,
    alike: float,
    composed: bool,
    rng: np.random.Generator,
    n_sims: int,
) -> Floats:
    """Simulate samples of one group about the sample's mean, bees of a cluster alike; shape (n_sims, n)."""
    n = len(values)
    shared = rng.standard_normal((n_sims, clusters.n))[:, clusters.of]
    own = rng.standard_normal((n_sims, n))
    standard = math.sqrt(alike) * shared + math.sqrt(1.0 - alike) * own
    noise = np.sqrt(error_var) * rng.standard_normal((n_sims, n))
    middle = float(np.median(values))
    if not composed or len(group.parts) < 2:
        return middle + math.sqrt(var) * standard + noise
    from wingtone.population.expected import COMPOSITION

    means, variances, weights = (np.array(column) for column in zip(*group.parts, strict=True))
    mix = rng.dirichlet(np.maximum(COMPOSITION * weights, 1e-3), size=n_sims)
    edges = np.cumsum(mix, axis=1)
    chance = rng.random((n_sims, n))
    taxon = (chance[:, :, None] > edges[:, None, :-1]).sum(axis=2)
    sims = means[taxon] + np.sqrt(variances[taxon]) * standard + noise
    return np.asarray(sims - (mix @ means)[:, None] + middle)


# --- shares -----------------------------------------------------------------------------------------


def _draws(
    values: Floats,
    error_var: Floats,
    clusters: Clusters,
    prior: Prior,
    double: Fit,
    rng: np.random.Generator,
    n_draws: int,
) -> tuple[Members, Floats]:
    """Fit again with clusters resampled and expectations drawn anew; members, and the lower group's share."""
    weights = bootstrap_weights(rng, clusters, n_draws)
    k = len(prior.mean)
    drawn = Prior(
        _drawn_means(prior, rng, n_draws),
        prior.doubt_var,
        prior.var * prior.weight / rng.chisquare(prior.weight, (n_draws, k)),
        prior.weight,
    )
    # from the fit, shares pulled in a little so that an empty group can fill again
    start = (0.9 * double.share[0] + 0.05, double.mean[0], double.var[0])
    points, errors, pooled = _pooled(values, error_var, weights)
    found = fit(points, errors, drawn, start=start, weights=pooled)
    again = fit(points, errors, drawn, start=(np.full(2, 0.5), drawn.mean, drawn.var), weights=pooled)
    found = found.pick(again.height > found.height, again)
    probability = responsibilities(values, error_var, double)[0]
    return (
        Members(double.mean[0], double.var[0], found.mean, found.var, weights, probability),
        found.share[:, 0],
    )


def _drawn_means(prior: Prior, rng: np.random.Generator, n_draws: int) -> Floats:
    """Draw expected means anew, shape (n_draws, 2).

    Queens stay below workers, whatever is off about the line.
    """
    means = prior.mean + np.sqrt(prior.doubt_var) * rng.standard_normal((n_draws, 2))
    for _ in range(100):
        wrong = means[:, 0] >= means[:, 1]
        if not wrong.any():
            break
        means[wrong] = prior.mean + np.sqrt(prior.doubt_var) * rng.standard_normal((int(wrong.sum()), 2))
    return np.sort(means, axis=1)


def _may_be_empty(shares: Floats, n: int) -> bool:
    """Say whether the interval of a group's share, by the draws alone, reaches down to no bee at all."""
    return float(np.quantile(shares, (1 - LEVEL) / 2)) < LEAST_MEMBERS / n


def _interval(
    share: float, shares: Floats, n: int, *, may_be_none: bool, may_be_all: bool
) -> tuple[float, float, float]:
    """Return the ends of the interval of a share, and how many bees of known caste would tell it as well.

    The middle 95 % of the draws, but nowhere narrower than the Jeffreys interval of n bees whose caste is
    known: draws know nothing of a caste that the sample happens to lack. Where the share may be 0 (or 1) the
    interval begins there, so it can miss on the other side only, and that end is the 95 % bound.
    """
    tail = (1 - LEVEL) / 2 if not (may_be_none or may_be_all) else 1 - LEVEL
    low, high = (float(end) for end in np.quantile(shares, (tail, 1 - tail)))
    middle = np.quantile(shares, ((1 - LEVEL) / 2, (1 + LEVEL) / 2))
    smoothed = (n * share + 0.5) / (n + 1)
    spread = max(float(middle[1] - middle[0]) / (2 * NORMAL_95), 1e-6)
    size = min(max(smoothed * (1 - smoothed) / spread**2, 1.0), float(n))
    least, most = share_interval(share, n, level=1 - 2 * tail)
    low = 0.0 if may_be_none else min(low, least, share)
    high = 1.0 if may_be_all else max(high, most, share)
    return low, high, size
