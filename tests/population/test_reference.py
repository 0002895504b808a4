"""Each statistic against something outside the project: a published example, a handbook, or another
library."""

from __future__ import annotations

import itertools
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy import stats
from sklearn.linear_model import LogisticRegression
from sklearn.mixture import GaussianMixture

from wingtone.evidence.calibration import share_interval
from wingtone.population.activity import garwood, negative_binomial, rate
from wingtone.population.castes import castes, prior_of
from wingtone.population.changeover import logistic_fit
from wingtone.population.comparison import (
    can_be_tested,
    compare,
    detectable,
    holm,
    least_p,
    needed,
    permutation_p,
    power_of,
)
from wingtone.population.distribution import (
    density,
    histogram,
    quantiles,
    sheather_jones_bandwidth,
    silverman_bandwidth,
)
from wingtone.population.expected import Expected, Group
from wingtone.population.mixture import Fit, Prior, fit, flat_prior, log_density, responsibilities
from wingtone.population.resampling import (
    Clusters,
    bootstrap_weights,
    degrees_of_freedom,
    effective_size,
    intraclass_correlation,
    mean_interval,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wingtone.population.castes import Castes

OLD_FAITHFUL = np.loadtxt(Path(__file__).with_name("old_faithful.csv"), delimiter=",", skiprows=1)
"""272 eruptions of Old Faithful, duration and waiting time in minutes (Azzalini & Bowman 1990, Appl Stat
39:357), as R hands them out under the name ``faithful``."""
ERUPTIONS, WAITING = OLD_FAITHFUL.T

MICE_TREATED = np.array([94.0, 197, 16, 38, 99, 141, 23])
MICE_CONTROL = np.array([52.0, 104, 146, 10, 51, 30, 40, 27, 46])
"""Survival of mice in days, Efron & Tibshirani 1993, An Introduction to the Bootstrap, table 2.1 (memory)."""


def singly(n: int) -> Clusters:
    return Clusters("recording", np.arange(n), n)


# --- distribution -----------------------------------------------------------------------------------


def test_silverman_bandwidth_of_old_faithful_as_r_prints_it() -> None:
    # R prints "bw = 0.3348" for density(faithful$eruptions) (read in a published tutorial)
    assert round(silverman_bandwidth(ERUPTIONS), 4) == 0.3348


def test_sheather_jones_bandwidth_of_old_faithful_as_r_prints_it() -> None:
    # R prints "bw = 0.14" for density(faithful$eruptions, bw = "sj") (memory)
    assert round(sheather_jones_bandwidth(ERUPTIONS), 2) == 0.14


def test_sheather_jones_solves_its_equation_without_bins() -> None:
    """A slow second implementation straight from pairwise distances."""
    x, n = WAITING[:120], 120
    apart = x[:, None] - x[None, :]

    def fourth(h: float) -> float:
        z = (apart / h) ** 2
        return float(
            (np.exp(-z / 2) * (z**2 - 6 * z + 3)).sum() / (n * (n - 1) * h**5 * math.sqrt(2 * math.pi))
        )

    def sixth(h: float) -> float:
        z = (apart / h) ** 2
        total = (np.exp(-z / 2) * (z**3 - 15 * z**2 + 45 * z - 15)).sum()
        return float(total / (n * (n - 1) * h**7 * math.sqrt(2 * math.pi)))

    scale = min(x.std(ddof=1), np.subtract(*np.quantile(x, (0.75, 0.25))) / 1.349)
    pilot = 1.357 * (fourth(1.24 * scale * n ** (-1 / 7)) / -sixth(1.23 * scale * n ** (-1 / 9))) ** (1 / 7)
    h = sheather_jones_bandwidth(x)
    assert h == pytest.approx(
        (1 / (2 * math.sqrt(math.pi) * n * fourth(pilot * h ** (5 / 7)))) ** 0.2, rel=2e-3
    )


def test_density_is_that_of_scipy_at_the_same_bandwidth() -> None:
    ours = density(ERUPTIONS)
    theirs = stats.gaussian_kde(ERUPTIONS, bw_method=ours.bandwidth / ERUPTIONS.std(ddof=1))
    assert ours.rule == "Sheather-Jones"
    np.testing.assert_allclose(ours.density, theirs(ours.at), rtol=1e-6, atol=1e-9)


def test_histogram_has_bins_of_freedman_and_diaconis() -> None:
    found = histogram(WAITING)
    width = 2 * np.subtract(*np.quantile(WAITING, (0.75, 0.25))) * len(WAITING) ** (-1 / 3)
    # whole bins over the range, so no wider than the rule says
    assert np.diff(found.edges)[0] == pytest.approx(np.ptp(WAITING) / math.ceil(np.ptp(WAITING) / width))
    assert sum(found.counts) == 272


def test_bins_of_nearly_equal_values_are_few() -> None:
    found = histogram(np.array([120.0, *[150.0] * 8, *[150.0 + 1e-9] * 8, 180.0]))
    assert len(found.counts) <= 200
    assert sum(found.counts) == 18


CONOVER = np.array([189.0, 233, 195, 160, 212, 176, 231, 185, 199, 213, 202, 193, 174, 166, 248])
"""Scores of 15 freshmen, Conover 1999, Practical Nonparametric Statistics, section 3.2 example 1 (through the
tests of scipy.stats.quantile_test)."""


@pytest.mark.parametrize("values", [CONOVER, ERUPTIONS[:100], ERUPTIONS])
@pytest.mark.parametrize("p", [0.25, 0.5, 0.75])
def test_quantile_intervals_are_order_statistics_like_those_of_scipy(values: np.ndarray, p: float) -> None:
    """Scipy's exact interval holds at least 95 %, ours 95 % on average: within one rank on the inner side."""
    (ours,) = quantiles(values, singly(len(values)), probabilities=(p,))
    theirs: Any = stats.quantile_test(values, p=p).confidence_interval(0.95)
    ordered = np.sort(values)
    assert ours.value == np.quantile(values, p)
    if not math.isnan(ours.low) and not math.isnan(theirs.low):
        low = int(np.searchsorted(ordered, theirs.low))
        assert theirs.low <= ours.low <= ordered[min(low + 3, len(ordered) - 1)]
    if not math.isnan(ours.high) and not math.isnan(theirs.high):
        high = int(np.searchsorted(ordered, theirs.high, side="right")) - 1
        assert ordered[max(high - 3, 0)] <= ours.high <= theirs.high


def test_the_interval_of_a_small_samples_tail_is_open() -> None:
    low = quantiles(CONOVER, singly(15), probabilities=(0.1,))[0]
    assert math.isnan(low.low)
    assert low.high > low.value


# --- clusters ---------------------------------------------------------------------------------------


def test_intraclass_correlation_is_that_of_the_analysis_of_variance() -> None:
    rng = np.random.default_rng(4)
    cluster = np.repeat(np.arange(12), 5)
    values = rng.standard_normal(12)[cluster] + rng.standard_normal(60)
    f = stats.f_oneway(*(values[cluster == k] for k in range(12))).statistic
    # balanced: (F - 1) / (F - 1 + m), Donner & Klar 2000 (memory)
    assert intraclass_correlation(values, cluster) == pytest.approx((f - 1) / (f - 1 + 5))
    assert effective_size(values, cluster) == pytest.approx(60 / (1 + 4 * (f - 1) / (f + 4)))


def test_mean_interval_of_single_bees_is_students() -> None:
    ours = mean_interval(MICE_TREATED, singly(7))
    theirs = stats.ttest_1samp(MICE_TREATED, 0).confidence_interval()
    assert ours[2:] == pytest.approx((theirs.low, theirs.high))
    # standard error 25.24, Efron & Tibshirani 1993, table 2.1 (memory)
    assert ours[1] == pytest.approx(25.24, abs=0.005)


def test_the_bootstraps_error_of_a_mean_is_the_textbooks() -> None:
    weights = bootstrap_weights(np.random.default_rng(1), singly(9), 20_000)
    means = weights @ MICE_CONTROL / weights.sum(axis=1)
    # standard error 14.14, Efron & Tibshirani 1993, table 2.1 (memory)
    assert means.std() == pytest.approx(14.14, rel=0.02)


def test_jeffreys_interval_as_in_brown_cai_and_dasgupta() -> None:
    # Brown, Cai & DasGupta 2001, Stat Sci 16:101, table 5: n = 7 (memory)
    for x, low, high in ((0, 0.0, 0.292), (1, 0.016, 0.501), (2, 0.065, 0.648), (3, 0.139, 0.766)):
        assert share_interval(x / 7, 7) == pytest.approx((low, high), abs=6e-4)
    assert share_interval(3 / 7, 7)[0] == pytest.approx(stats.beta.ppf(0.025, 3.5, 4.5))


# --- mixture ----------------------------------------------------------------------------------------


def test_mixture_of_old_faithful_as_published() -> None:
    """Benaglia, Chauveau, Hunter & Young 2009, J Stat Softw 32(6), section 2 (memory): two normals in the
    waiting times."""
    prior = flat_prior(WAITING, 2)
    start = (np.full(2, 0.5), np.array([55.0, 80.0]), np.array([25.0, 25.0]))
    found = fit(WAITING, np.zeros(272), prior, start=start, background=0.0)
    assert found.share[0] == pytest.approx([0.361, 0.639], abs=0.005)
    assert found.mean[0] == pytest.approx([54.61, 80.09], abs=0.1)
    assert np.sqrt(found.var[0]) == pytest.approx([5.87, 5.87], abs=0.1)


def test_mixture_is_that_of_scikit_learn() -> None:
    theirs = GaussianMixture(2, tol=1e-9, max_iter=2000, random_state=0).fit(WAITING[:, None])
    order = np.argsort(theirs.means_.ravel())
    prior = flat_prior(WAITING, 2)
    start = (np.full(2, 0.5), np.array([50.0, 85.0]), np.array([25.0, 25.0]))
    ours = fit(WAITING, np.zeros(272), prior, start=start, background=0.0)
    assert ours.mean[0] == pytest.approx(theirs.means_.ravel()[order], abs=0.05)
    assert ours.share[0] == pytest.approx(theirs.weights_[order], abs=0.003)
    assert ours.loglik[0] == pytest.approx(theirs.score(WAITING[:, None]) * 272, abs=0.05)


def test_known_errors_are_taken_off() -> None:
    """One normal with errors that differ: the maximum of the likelihood found by a general optimiser."""
    from scipy.optimize import minimize

    rng = np.random.default_rng(8)
    errors = rng.uniform(0.5, 2.0, 200)
    values = 10 + rng.standard_normal(200) + np.sqrt(errors) * rng.standard_normal(200)
    prior = flat_prior(values, 1)
    ours = fit(values, errors, prior, start=(np.ones(1), np.array([9.0]), np.array([2.0])), background=0.0)

    def height(x: np.ndarray) -> float:
        var = math.exp(x[1])
        fitted = np.sum(stats.norm.logpdf(values, x[0], np.sqrt(var + errors)))
        ratio = prior.var[0] / var
        return -float(fitted + 0.5 * prior.weight * (math.log(ratio) - ratio + 1))

    best = minimize(
        height, np.array([9.0, 0.5]), method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10}
    )
    assert ours.mean[0, 0] == pytest.approx(best.x[0], abs=2e-3)
    assert ours.var[0, 0] == pytest.approx(math.exp(best.x[1]), rel=5e-3)


STRAYS = 0.02 / math.log(1000 / 50)
"""Density of the strays among the bees: one in fifty, evenly in ln Hz between 50 and 1000 Hz."""


def best_by_simplex(
    values: np.ndarray,
    errors: np.ndarray,
    prior: Prior,
    start: Sequence[float],
    counts: np.ndarray | None = None,
) -> tuple[float, float, np.ndarray, np.ndarray, np.ndarray]:
    """Penalised maximum as the module states it, written with scipy's densities and climbed by simplex.

    Means are normal about the expected ones, variances scaled inverse chi-squared with 10 degrees of freedom,
    as a likelihood of ten bees of that spread; both penalties are 0 at what is expected.

    Returns
    -------
    height, log-likelihood, shares, means, standard deviations
    """
    from scipy.optimize import minimize

    k, often = len(prior.mean), np.ones(len(values)) if counts is None else counts

    def parts(x: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        share = np.exp(np.append(x[: k - 1], 0.0))
        return share / share.sum(), x[k - 1 : 2 * k - 1], np.exp(x[2 * k - 1 :])

    def loglik(x: np.ndarray) -> float:
        share, mean, sd = parts(x)
        each = [share[j] * stats.norm.pdf(values, mean[j], np.sqrt(sd[j] ** 2 + errors)) for j in range(k)]
        return float(often @ np.log(STRAYS + 0.98 * np.sum(each, axis=0)))

    def depth(x: np.ndarray) -> float:
        _, mean, sd = parts(x)
        ratio, doubt = prior.var / sd**2, np.sqrt(prior.doubt_var)
        means: Any = stats.norm.logpdf(mean, prior.mean, doubt) - stats.norm.logpdf(0.0, 0.0, doubt)
        return -loglik(x) - float(means.sum() + 5 * (np.log(ratio) - ratio + 1).sum())

    first = np.concatenate([np.zeros(k - 1), start, np.log(prior.var) / 2])
    best: Any = minimize(
        depth, first, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11, "maxiter": 20_000}
    )
    return -best.fun, loglik(best.x), *parts(best.x)


def test_two_groups_with_all_that_is_expected_are_the_best_of_a_general_optimiser() -> None:
    """Errors, strays, expected means and spreads, and values that count several times or not at all."""
    rng = np.random.default_rng(21)
    values = np.concatenate(
        [4.75 + 0.11 * rng.standard_normal(25), 5.15 + 0.12 * rng.standard_normal(35), [6.2]]
    )
    errors = rng.uniform(0.02, 0.06, len(values)) ** 2
    counts = rng.integers(0, 3, len(values)).astype(float)
    prior = Prior(np.array([4.8, 5.2]), np.array([0.05, 0.08]) ** 2, np.array([0.10, 0.14]) ** 2)
    start = (np.full(2, 0.5), prior.mean, prior.var)
    ours = fit(values, errors, prior, start=start, weights=counts[None])
    height, loglik, share, mean, sd = best_by_simplex(values, errors, prior, [4.8, 5.2], counts)
    assert ours.share[0] == pytest.approx(share, abs=1e-3)
    assert ours.mean[0] == pytest.approx(mean, abs=1e-3)
    assert np.sqrt(ours.var[0]) == pytest.approx(sd, rel=2e-3)
    assert ours.height[0] == pytest.approx(height, abs=1e-5)
    assert ours.loglik[0] == pytest.approx(loglik, abs=1e-2)


def test_fits_made_together_are_those_made_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Values, counts, starts and expectations differ from fit to fit; also in several goes."""
    rng = np.random.default_rng(5)
    values = rng.normal(5.0, 0.2, (3, 40))
    errors = np.full(40, 0.03**2)
    mean, var = rng.normal(5.0, 0.1, (3, 2)), rng.uniform(0.01, 0.03, (3, 2))
    doubt, even = np.full(2, 0.01), np.full(2, 0.5)
    counts = rng.integers(1, 4, (3, 40)).astype(float)
    many = fit(values, errors, Prior(mean, doubt, var), start=(even, mean, var), weights=counts)
    monkeypatch.setattr("wingtone.population.mixture.MOST_AT_ONCE", 80)  # two fits of forty values
    parted = fit(values, errors, Prior(mean, doubt, var), start=(even, mean, var), weights=counts)
    for i in range(3):
        repeated = np.repeat(values[i], counts[i].astype(int))
        same = np.full(len(repeated), 0.03**2)
        alone = fit(repeated, same, Prior(mean[i], doubt, var[i]), start=(even, mean[i], var[i]))
        for name in ("share", "mean", "var", "height", "loglik"):
            assert getattr(many, name)[i] == pytest.approx(getattr(alone, name)[0], abs=1e-6), (i, name)
            assert getattr(parted, name)[i] == pytest.approx(getattr(alone, name)[0], abs=1e-6), (i, name)


def test_who_belongs_to_which_group_by_the_rule_of_bayes() -> None:
    values, errors = np.array([4.6, 4.9, 5.1, 6.4]), np.array([0.01, 0.02, 0.03, 0.02]) ** 2
    mean, sd, share = (4.7, 5.2), (0.1, 0.15), (0.3, 0.7)
    one = np.array([0.0])
    fitted = Fit(np.array([share]), np.array([mean]), np.array([sd]) ** 2, one, one)
    heights = np.array(
        [
            s * stats.norm.pdf(values, m, np.sqrt(d**2 + errors))
            for s, m, d in zip(share, mean, sd, strict=True)
        ]
    )
    expected = 0.98 * heights / (STRAYS + 0.98 * heights.sum(axis=0))
    np.testing.assert_allclose(responsibilities(values, errors, fitted), expected, rtol=1e-9)
    density = log_density(values, errors, fitted.mean, fitted.var)[0]
    np.testing.assert_allclose(density, np.log(heights / np.array(share)[:, None]), rtol=1e-9)


# --- castes -----------------------------------------------------------------------------------------

QUEENS = Group("queens", ("queen",), 0.3, math.log(118), 0.1, 0.12)
WORKERS = Group("workers", ("worker",), 0.7, math.log(185), 0.08, 0.14)
BOTH = Expected((QUEENS, WORKERS), ("a made-up bee",), True, 0.0)


@pytest.mark.parametrize("share", [0.0, 0.25, 1.0])
def test_what_is_said_of_castes_is_that_of_a_general_optimiser(share: float) -> None:
    """Forty bees, each in its own recording: one group against two, BIC with p = 3k - 1, and who a single
    group would be: as high as it fits, times how it is met."""
    rng = np.random.default_rng(31)
    queens = round(40 * share)
    tones = np.concatenate(
        [
            math.log(122) + 0.1 * rng.standard_normal(queens),
            math.log(178) + 0.1 * rng.standard_normal(40 - queens),
        ]
    )
    error = rng.uniform(0.02, 0.05, 40)
    found, _ = castes(tones, error, singly(40), BOTH, rng=rng, n_draws=20, n_null=19)
    prior = prior_of((QUEENS, WORKERS))
    one = [best_by_simplex(tones, error**2, prior_of([g]), [np.median(tones)])[0] for g in (QUEENS, WORKERS)]
    starts = ([QUEENS.mean_ln, WORKERS.mean_ln], np.quantile(tones, (0.25, 0.75)).tolist())
    two, _, shares, means, sds = max(
        (best_by_simplex(tones, error**2, prior, start) for start in starts), key=lambda best: best[0]
    )
    assert found.likelihood_ratio == pytest.approx(2 * (two - max(one)), abs=2e-3)
    assert found.bic[0] == pytest.approx(-2 * max(one) + 2 * math.log(40), abs=2e-3)
    assert found.bic[1] == pytest.approx(-2 * two + 5 * math.log(40), abs=2e-3)
    for k, told in enumerate(found.groups):
        assert told.share == pytest.approx(shares[k], abs=2e-3)
        assert told.tone_hz == pytest.approx(math.exp(means[k]), rel=2e-3)
        assert told.sd_hz == pytest.approx(math.exp(means[k]) * sds[k], rel=5e-3)
    odds = math.exp(one[0] - one[1]) * 0.3 / 0.7
    assert dict(found.one_group)["queens"] == pytest.approx(odds / (1 + odds), abs=1e-3)
    assert found.one_group[0][0] == ("queens" if odds > 1 else "workers")


def test_a_third_group_is_sought_and_its_criterion_is_that_of_a_general_optimiser() -> None:
    """Queens, workers and something that hums at 300 Hz, of which nothing is expected: about the mean of the
    two within a factor of 1.6, as wide as they."""
    rng = np.random.default_rng(41)
    tones = np.log(np.repeat([118.0, 180.0, 300.0], 15)) + 0.08 * rng.standard_normal(45)
    error = np.full(45, 0.03)
    found, _ = castes(tones, error, singly(45), BOTH, rng=rng, n_draws=20, n_null=19)
    third = Group(
        "else", (), 0.1, (QUEENS.mean_ln + WORKERS.mean_ln) / 2, 0.5, math.sqrt((0.12**2 + 0.14**2) / 2)
    )
    prior = prior_of((QUEENS, WORKERS, third))
    height = best_by_simplex(tones, error**2, prior, np.log([118.0, 180.0, 300.0]).tolist())[0]
    assert found.bic[2] == pytest.approx(-2 * height + 8 * math.log(45), abs=0.01)
    assert found.bic[2] < min(found.bic[:2])


def test_many_bees_taken_together_by_their_tones_are_those_taken_singly(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Steps of 1 % add 0.01^2 / 12 to the variances, of 0.1^2: a thousandth."""
    rng = np.random.default_rng(17)
    tones = np.concatenate([4.78 + 0.1 * rng.standard_normal(60), 5.2 + 0.1 * rng.standard_normal(110)])
    error = np.full(170, 0.03)

    def answer() -> Castes:
        chance = np.random.default_rng(1)
        return castes(tones, error, singly(170), BOTH, rng=chance, n_draws=60, n_null=19)[0]

    together = answer()
    monkeypatch.setattr("wingtone.population.castes.MOST_SINGLY", 1000)
    alone = answer()
    assert together.answer == alone.answer == "two groups"
    assert together.likelihood_ratio == pytest.approx(alone.likelihood_ratio, rel=0.01)
    assert together.bic == pytest.approx(alone.bic, abs=1.0)
    for one, other in zip(together.groups, alone.groups, strict=True):
        assert one.share == pytest.approx(other.share, abs=0.003)
        assert one.tone_hz == pytest.approx(other.tone_hz, rel=1e-3)
        assert one.sd_hz == pytest.approx(other.sd_hz, rel=0.01)
        assert (one.low, one.high) == pytest.approx((other.low, other.high), abs=0.01)


def test_a_group_that_may_be_empty_is_bounded_on_one_side() -> None:
    """Forty workers: no queen need be among them, and the bound of their share is 95 % of Jeffreys' posterior
    or, by the bootstrap, a little more."""
    tones = math.log(185) + 0.1 * stats.norm.ppf((np.arange(40) + 0.5) / 40)
    found, _ = castes(
        tones, np.full(40, 0.02), singly(40), BOTH, rng=np.random.default_rng(3), n_draws=400, n_null=19
    )
    queens, workers = found.groups
    assert found.answer == "cannot be separated"
    assert queens.low == 0.0
    assert workers.high == 1.0
    assert stats.beta.ppf(0.95, 40 * queens.share + 0.5, 40 * workers.share + 0.5) <= queens.high + 1e-9
    assert queens.high < 0.25
    assert workers.low == pytest.approx(1 - queens.high)


def test_castes_that_lie_wide_apart_are_counted_as_if_known() -> None:
    """Twelve bees of 105 Hz and 36 of 210 in recordings of their own: a sample of 48 bees of known
    caste, whose interval is Jeffreys' or, by the bootstrap, hardly wider."""
    tones = np.log(np.repeat([105.0, 210.0], [12, 36])) + 0.01 * np.tile([-1.0, 0.0, 1.0], 16)
    found, members = castes(
        tones, np.full(48, 0.02), singly(48), BOTH, rng=np.random.default_rng(3), n_draws=400, n_null=99
    )
    low, high = stats.beta.ppf(0.025, 12.5, 36.5), stats.beta.ppf(0.975, 12.5, 36.5)
    queens, workers = found.groups
    assert found.answer == "two groups"
    assert queens.share == pytest.approx(0.25, abs=0.003)
    assert low - 0.02 <= queens.low <= low + 1e-3
    assert high - 1e-3 <= queens.high <= high + 0.02
    assert (workers.low, workers.high) == pytest.approx((1 - queens.high, 1 - queens.low))
    assert found.effective_n == pytest.approx(48, rel=0.15)
    assert members is not None
    np.testing.assert_allclose(members.probability, np.repeat([1.0, 0.0], [12, 36]), atol=0.02)


def test_recordings_of_one_caste_each_count_as_one_bee_each() -> None:
    """Four recordings of six queens, twelve of six workers: 96 bees that tell the share as sixteen would."""
    tones = np.log(np.repeat([105.0, 210.0], [24, 72])) + 0.01 * np.tile([-1.0, 0.0, 1.0], 32)
    clusters = Clusters("recording", np.repeat(np.arange(16), 6), 16)
    found, _ = castes(
        tones, np.full(96, 0.02), clusters, BOTH, rng=np.random.default_rng(3), n_draws=1000, n_null=19
    )
    assert found.effective_n == pytest.approx(16, rel=0.2)


# --- changeover -------------------------------------------------------------------------------------

BEETLE_DOSE = np.array([1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839])
BEETLE_N = np.array([59, 60, 62, 56, 63, 59, 62, 60])
BEETLE_KILLED = np.array([6, 13, 18, 28, 52, 53, 61, 60])
"""Bliss 1935, beetles after five hours of carbon disulphide; Dobson & Barnett, An Introduction to Generalized
Linear Models, table 7.2 (memory)."""


def beetles() -> tuple[np.ndarray, np.ndarray]:
    dose = np.repeat(BEETLE_DOSE, BEETLE_N)
    died = np.concatenate([np.arange(n) < k for n, k in zip(BEETLE_N, BEETLE_KILLED, strict=True)])
    return dose, died.astype(float)


def test_logistic_curve_of_the_beetles_as_in_the_textbook() -> None:
    """Dobson & Barnett, table 7.3 (memory): -60.717 and 34.270; half die at 60.717 / 34.270 = 1.7717."""
    dose, died = beetles()
    time = (dose - dose.mean()) * 10
    a, b = logistic_fit(time, (1 - died)[None], died[None], np.ones((1, len(died))), ridge=0.0)
    assert 10 * b[0] == pytest.approx(34.270, abs=0.005)
    assert a[0] - 10 * b[0] * dose.mean() == pytest.approx(-60.717, abs=0.01)
    assert dose.mean() - a[0] / b[0] / 10 == pytest.approx(1.7717, abs=1e-4)


def test_logistic_curve_is_that_of_scikit_learn_with_the_same_penalty() -> None:
    dose, died = beetles()
    time = (dose - dose.mean()) * 10
    theirs = LogisticRegression(C=1 / 0.7, tol=1e-10, max_iter=1000).fit(time[:, None], died)
    a, b = logistic_fit(time, (1 - died)[None], died[None], np.ones((1, len(died))), ridge=0.7)
    assert b[0] == pytest.approx(theirs.coef_[0, 0], abs=1e-4)
    assert a[0] == pytest.approx(theirs.intercept_[0], abs=1e-4)


# --- comparison -------------------------------------------------------------------------------------


def test_permutation_of_the_mice_is_exact_and_that_of_scipy() -> None:
    """All 11,440 ways to deal 7 treatments among 16 mice, with Welch's t as statistic."""
    values = np.concatenate([MICE_CONTROL, MICE_TREATED])
    labels = np.repeat([0, 1], [9, 7])
    ours = permutation_p(values, np.arange(16), labels, rng=np.random.default_rng(1), n_permutations=1)

    def squared(x: np.ndarray, y: np.ndarray, axis: int) -> np.ndarray:
        return np.asarray(stats.ttest_ind(x, y, equal_var=False, axis=axis).statistic ** 2)

    options: dict[str, Any] = {"n_resamples": np.inf, "alternative": "greater", "vectorized": True}
    theirs = stats.permutation_test((MICE_TREATED, MICE_CONTROL), squared, **options)
    assert ours == pytest.approx(theirs.pvalue, abs=1e-9)


def clustered(sizes: Sequence[int], seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Values of bees and the cluster of each; those of a cluster are alike."""
    rng = np.random.default_rng(seed)
    of = np.repeat(np.arange(len(sizes)), sizes)
    return 150 + 8 * rng.standard_normal(len(sizes))[of] + 4 * rng.standard_normal(len(of)), of


def mean_and_variance(values: np.ndarray, of: np.ndarray) -> tuple[float, float]:
    """Mean of clustered values and its cluster-robust variance, the usual factor G / (G - 1) on the sum of
    squared totals of residuals (textbook)."""
    totals = [float((values[of == k] - values.mean()).sum()) for k in np.unique(of)]
    g = len(totals)
    return float(values.mean()), g / (g - 1) * math.fsum(t**2 for t in totals) / len(values) ** 2


def test_permutation_of_clusters_is_that_of_every_dealing_by_hand() -> None:
    """Four recordings against five, of one to four bees each: 126 dealings, Welch's square with robust
    variances in each."""
    sizes = [1, 4, 2, 3, 2, 1, 3, 4, 2]
    values, of = clustered(sizes, 12)
    labels = np.array([0, 0, 0, 0, 1, 1, 1, 1, 1])

    def statistic(first: tuple[int, ...]) -> float:
        rows = np.isin(of, first)
        (m1, v1), (m2, v2) = (
            mean_and_variance(values[rows], of[rows]),
            mean_and_variance(values[~rows], of[~rows]),
        )
        return (m1 - m2) ** 2 / (v1 + v2)

    seen = statistic((0, 1, 2, 3))
    dealt = [statistic(first) for first in itertools.combinations(range(9), 4)]
    p = permutation_p(values, of, labels, rng=np.random.default_rng(1), n_permutations=1)
    assert p == pytest.approx(sum(one >= seen - 1e-9 for one in dealt) / 126)


def test_overall_p_of_three_groups_is_that_of_every_dealing_by_hand() -> None:
    """Three recordings in each of three groups, 1680 dealings; ours draws them at random, so it is within its
    error. Spread of the means about their weighted mean, weights the inverse variances (Welch 1951)."""
    values, of = clustered([2, 1, 2, 2, 1, 2, 2, 1, 2], 3)
    values[of > 5] += 25.0

    def statistic(groups: Sequence[tuple[int, ...]]) -> float:
        rows = [np.isin(of, group) for group in groups]
        told = [mean_and_variance(values[r], of[r]) for r in rows]
        weights = [1 / v for _, v in told]
        centre = sum(w * m for w, (m, _) in zip(weights, told, strict=True)) / sum(weights)
        return sum(w * (m - centre) ** 2 for w, (m, _) in zip(weights, told, strict=True))

    every = range(9)
    dealt = []
    for first in itertools.combinations(every, 3):
        for second in itertools.combinations([k for k in every if k not in first], 3):
            third = tuple(k for k in every if k not in (*first, *second))
            dealt.append(statistic((first, second, third)))
    seen = statistic(((0, 1, 2), (3, 4, 5), (6, 7, 8)))
    p = sum(one >= seen - 1e-9 for one in dealt) / 1680
    group = [("a", "b", "c")[k // 3] for k in of]
    n = 3999
    found = compare(values, group, Clusters("day", of, 9), rng=np.random.default_rng(6), n_permutations=n)
    assert 0.01 < p < 0.5
    assert found.p_overall == pytest.approx(p, abs=4 * math.sqrt(p * (1 - p) / n))
    assert not any(pair.tested for pair in found.pairs)  # three against three cannot reach 5 %


def test_effect_of_the_mice() -> None:
    """Difference 30.63 days with standard error 28.93, Efron & Tibshirani 1993, p. 11 (memory); interval as
    Welch's."""
    values = np.concatenate([MICE_CONTROL, MICE_TREATED])
    group = ["control"] * 9 + ["treated"] * 7
    (pair,) = compare(values, group, singly(16), rng=np.random.default_rng(1)).pairs
    assert pair.difference_hz == pytest.approx(30.63, abs=0.005)
    interval = stats.ttest_ind(MICE_TREATED, MICE_CONTROL, equal_var=False).confidence_interval()
    assert (pair.low_hz, pair.high_hz) == pytest.approx((interval.low, interval.high))
    pooled = math.sqrt((6 * MICE_TREATED.var(ddof=1) + 8 * MICE_CONTROL.var(ddof=1)) / 14)
    # Hedges 1981, J Educ Stat 6:107, with the exact factor: gamma functions
    exact = math.exp(math.lgamma(7) - math.lgamma(6.5)) / math.sqrt(7)
    assert pair.hedges_g == pytest.approx(30.63492 / pooled * exact, rel=2e-3)


def test_the_mean_of_unequal_clusters_is_that_of_the_general_formulas() -> None:
    """Bell & McCaffrey 2002 in matrices, as for any regression: residuals of each cluster times the inverse
    root of its block of I - H, and the degrees of freedom from the eigenvalues of G'G (Satterthwaite)."""
    values, of = np.array([151.0, 149, 160, 158, 166, 163, 140]), np.array([0, 0, 1, 1, 1, 1, 2])
    n, design = len(values), np.ones((len(values), 1))
    residual_maker = np.eye(n) - design @ np.linalg.pinv(design)
    bread, meat, columns = np.linalg.inv(design.T @ design), 0.0, []
    for k in range(3):
        rows = of == k
        power, turned = np.linalg.eigh(residual_maker[np.ix_(rows, rows)])
        root = turned @ np.diag(power**-0.5) @ turned.T
        meat += float((design[rows].T @ root @ (residual_maker @ values)[rows])[0]) ** 2
        columns.append(residual_maker[:, rows] @ root @ design[rows] @ bread)
    eigen = np.linalg.eigvalsh(np.hstack(columns).T @ np.hstack(columns))
    clusters = Clusters("recording", of, 3)
    mean, error, low, high = mean_interval(values, clusters)
    df = eigen.sum() ** 2 / (eigen**2).sum()
    assert degrees_of_freedom(clusters) == pytest.approx(df)
    assert error == pytest.approx(float(bread[0, 0]) * math.sqrt(meat))
    assert (low, high) == pytest.approx(stats.t.interval(0.95, df, mean, error))
    even = Clusters("day", np.repeat(np.arange(5), 4), 5)
    assert degrees_of_freedom(even) == pytest.approx(4.0)


@pytest.mark.parametrize(("first", "second"), [(3, 3), (3, 4), (4, 4), (3, 6)])
def test_the_least_p_is_that_of_scipy_for_groups_wholly_apart(first: int, second: int) -> None:
    low, high = np.linspace(130, 134, first), np.linspace(200, 209, second)

    def squared(x: np.ndarray, y: np.ndarray, axis: int) -> np.ndarray:
        return np.asarray(stats.ttest_ind(x, y, equal_var=False, axis=axis).statistic ** 2)

    options: dict[str, Any] = {"n_resamples": np.inf, "alternative": "greater", "vectorized": True}
    theirs = stats.permutation_test((low, high), squared, **options).pvalue
    assert least_p([first, second]) == pytest.approx(theirs)


def test_the_least_p_of_three_groups_counts_their_swaps() -> None:
    """9! / (3! 3! 3!) = 1680 ways to deal nine out in threes, 280 of them different (textbook)."""
    assert least_p([3, 3, 3]) == pytest.approx(1 / 280)
    assert least_p([3, 3, 4]) == pytest.approx(2 / 4200)


def test_what_can_be_tested_of_several() -> None:
    """Tarone 1990, Biometrics 46:515 (memory): what cannot reach 5 % takes no part in the correction."""
    assert can_be_tested([0.1]) == [False]
    assert can_be_tested([0.029]) == [True]
    assert can_be_tested([0.029, 0.029]) == [False, False]
    assert can_be_tested([0.1, 0.001, 0.1, 0.024, 0.1]) == [False, True, False, True, False]
    assert can_be_tested([]) == []


def test_holm_by_the_usual_example() -> None:
    # the example that encyclopaedias give (memory); at 5 % the first and last are rejected
    assert holm([0.01, 0.04, 0.03, 0.005]) == pytest.approx([0.03, 0.06, 0.06, 0.02])
    assert holm([]) == []
    assert holm([0.9, 0.8]) == [1.0, 1.0]


@pytest.mark.parametrize(
    ("d", "n"), [(0.2, 393), (0.3, 175), (0.4, 99), (0.5, 64), (0.6, 45), (0.8, 26), (1.0, 17)]
)
def test_sample_sizes_as_in_cohens_table(d: float, n: int) -> None:
    """Cohen 1988, Statistical Power Analysis, table 2.4.1, two-sided 5 %, power 80 % (memory); he rounded to
    nearest."""
    assert needed(d) in (n, n + 1)
    assert power_of(n, d) == pytest.approx(0.8, abs=0.011)
    assert detectable(n) == pytest.approx(d, rel=0.015)


# --- activity ---------------------------------------------------------------------------------------

MITES = np.repeat(np.arange(8), [70, 38, 17, 10, 9, 3, 2, 1]).astype(float)
"""European red mites on 150 apple leaves, Bliss & Fisher 1953, Biometrics 9:176, table 1 (memory)."""


def test_negative_binomial_of_the_mites_as_published() -> None:
    mean, size, _ = negative_binomial(MITES, np.ones(150))
    assert mean == pytest.approx(1.1467, abs=1e-4)
    assert size == pytest.approx(1.02459, abs=1e-4)  # Bliss & Fisher 1953, by maximum likelihood (memory)


def test_garwoods_limits_as_in_his_table() -> None:
    # Garwood 1936, Biometrika 28:437, 95 % (memory)
    for count, low, high in (
        (0, 0.0, 3.69),
        (1, 0.025, 5.57),
        (5, 1.62, 11.67),
        (10, 4.80, 18.39),
        (50, 37.11, 65.92),
    ):
        assert garwood(count) == pytest.approx((low, high), abs=0.006)


def test_rate_of_counts_that_vary_by_chance_is_poissons() -> None:
    found = rate("all", "all", [2, 3, 2, 3], [1.0, 1.0, 1.0, 1.0])
    assert found is not None
    assert math.isinf(found.size)
    assert (found.low, found.high) == pytest.approx(tuple(end / 4 for end in garwood(10)))
    assert rate("all", "all", [0], [0.0]) is None


def test_rate_of_clumped_counts_is_wider() -> None:
    found = rate("all", "all", MITES.astype(int).tolist(), [1.0] * 150)
    assert found is not None
    assert found.rate == pytest.approx(1.1467, abs=1e-3)
    # ln rate +- t sqrt((1/m + 1/k)/n), the textbook's large-sample error, is close to the profile
    reach = stats.t.ppf(0.975, 149) * math.sqrt((1 / 1.1467 + 1 / 1.02459) / 150)
    assert found.low == pytest.approx(1.1467 * math.exp(-reach), rel=0.02)
    assert found.high == pytest.approx(1.1467 * math.exp(reach), rel=0.02)
