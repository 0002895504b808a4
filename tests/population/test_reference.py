"""Each statistic against something outside the project: a published example, a handbook, or another
library."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats
from sklearn.linear_model import LogisticRegression
from sklearn.mixture import GaussianMixture

from wingtone.evidence.calibration import share_interval
from wingtone.population.activity import garwood, negative_binomial, rate
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
from wingtone.population.mixture import fit, flat_prior
from wingtone.population.resampling import (
    Clusters,
    bootstrap_weights,
    degrees_of_freedom,
    effective_size,
    intraclass_correlation,
    mean_interval,
)

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
