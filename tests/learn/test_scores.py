"""Scores against a table worked by hand and against scikit-learn's own."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy import stats
from sklearn import metrics

from wingtone.learn import scores

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Worked by hand: 10 bouts, classes 0, 1, 2. Of four 0s three are called right; of four 1s two; of two 2s one.
TRUE = np.array([0, 0, 0, 0, 1, 1, 1, 1, 2, 2])
CALLED = np.array([0, 0, 0, 1, 1, 1, 0, 2, 2, 0])
BY_HAND = np.array([[3, 1, 0], [1, 2, 1], [1, 0, 1]])


def test_the_table_worked_by_hand() -> None:
    table = scores.confusion(TRUE, CALLED, 3)
    assert (table == BY_HAND).all()
    assert scores.balanced_accuracy(table) == pytest.approx((3 / 4 + 2 / 4 + 1 / 2) / 3)


def test_log_loss_brier_and_calibration_by_hand() -> None:
    probability = np.array([[0.8, 0.2], [0.4, 0.6]])
    true = np.array([0, 0])
    assert scores.log_loss(probability, true) == pytest.approx(-(np.log(0.8) + np.log(0.4)) / 2)
    assert scores.brier(probability, true) == pytest.approx((2 * 0.2**2 + 2 * 0.6**2) / 2)
    # Likeliest class: stated 0.8 and right, stated 0.6 and wrong.
    curve = scores.reliability(probability, true)
    assert curve.stated.tolist() == [0.6, 0.8]
    assert curve.observed.tolist() == [0.0, 1.0]
    assert scores.calibration_error(curve) == pytest.approx((0.6 + 0.2) / 2)
    assert scores.log_loss(np.array([[0.0, 1.0]]), np.array([0])) == pytest.approx(-np.log(1e-6))


@pytest.mark.parametrize("n_classes", [2, 4])
def test_scores_equal_those_of_scikit_learn(n_classes: int) -> None:
    rng = np.random.default_rng(n_classes)
    probability = rng.dirichlet(np.ones(n_classes), 300)
    true = rng.integers(n_classes, size=300)
    weight = rng.uniform(0.1, 3.0, 300)
    called = probability.argmax(axis=1)
    table = scores.confusion(true, called, n_classes, weight=weight)
    assert table == pytest.approx(metrics.confusion_matrix(true, called, sample_weight=weight))
    expected = metrics.balanced_accuracy_score(true, called, sample_weight=weight)
    assert scores.balanced_accuracy(table) == pytest.approx(expected)
    expected = metrics.log_loss(true, probability, sample_weight=weight)
    assert scores.log_loss(probability, true, weight=weight) == pytest.approx(expected)
    expected = metrics.brier_score_loss(true, probability, sample_weight=weight, scale_by_half=False)
    assert scores.brier(probability, true, weight=weight) == pytest.approx(expected)


def test_the_interval_of_a_share_is_that_of_the_binomial() -> None:
    """With groups of one bout the interval of a mean is close to mean +- 1.96 s / sqrt(n) (textbook)."""
    rng = np.random.default_rng(2)
    right = rng.random(400) < 0.7
    mean, half = right.mean(), 1.96 * right.std() / 20.0
    found = scores.with_interval(lambda w: float(np.average(right, weights=w)), np.ones(400), np.arange(400))
    assert found.value == pytest.approx(mean)
    assert found.low == pytest.approx(mean - half, abs=0.01)
    assert found.high == pytest.approx(mean + half, abs=0.01)


def test_bouts_of_one_group_are_no_independent_evidence() -> None:
    right = np.random.default_rng(3).random(50) < 0.7

    def found(times: int) -> list[scores.Interval]:
        repeated, group = np.repeat(right, times), np.repeat(np.arange(50), times)
        mean = scores.with_interval(
            lambda w: float(np.average(repeated, weights=w)), np.ones(repeated.size), group
        )
        return [mean, scores.right_with_interval(repeated, np.zeros_like(group), group)]

    for often, once in zip(found(8), found(1), strict=True):
        assert (often.low, often.high) == pytest.approx((once.low, once.high))


def test_two_classes_are_put_together_as_published() -> None:
    """Newcombe 1998, Stat Med 17:873, table II (memory): 56 of 70 less 48 of 80 is 0.2, 0.0524 to 0.3339 with
    score intervals of the two; with Jeffreys' it is nearly the same. A share less another is the sum of the
    two, one turned round, less 1."""
    right = np.concatenate([np.arange(70) < 56, np.arange(80) < 32])
    true = np.repeat([0, 1], [70, 80])
    found = scores.right_with_interval(right, true, np.arange(150))
    ends = [2 * end - 1 for end in (found.value, found.low, found.high)]
    assert ends == pytest.approx([0.2, 0.0524, 0.3339], abs=0.004)


def test_one_class_of_single_bouts_is_jeffreys() -> None:
    """Quantiles of the beta distribution by scipy; all right has a width all the same."""
    found = scores.right_with_interval(np.arange(10) < 8, np.zeros(10, int), np.arange(10))
    assert (found.low, found.high) == pytest.approx(stats.beta(8.5, 2.5).ppf([0.025, 0.975]))
    all_right = scores.right_with_interval(np.ones(10, bool), np.zeros(10, int), np.arange(10))
    assert (all_right.value, all_right.high) == (1.0, 1.0)
    assert all_right.low == pytest.approx(stats.beta(10.5, 0.5).ppf(0.025))
    two = scores.right_with_interval(np.ones(10, bool), np.arange(10) % 2, np.arange(10))
    assert two.low < 0.81


def test_classes_that_share_groups_are_not_taken_for_independent() -> None:
    right, true = np.tile([True, True, False, True], 10), np.tile([0, 1, 0, 1], 10)
    apart = scores.right_with_interval(right, true, np.arange(40) // 4 * 2 + true)
    mixed = scores.right_with_interval(right, true, np.arange(40) // 4)
    assert apart.value == mixed.value
    assert mixed.high - mixed.low > 1.05 * (apart.high - apart.low)


@pytest.mark.parametrize("groups", [5, 6, 8, 10, 20, 40])
def test_the_interval_of_balanced_accuracy_holds_with_groups_right_or_wrong_as_a_whole(groups: int) -> None:
    """Worked out, not drawn: every number of right groups with its binomial chance (scipy), over 55 truths.

    Three bouts a group, all right or all wrong, say no more than one. Two classes, as different as may be.
    """
    group, true = np.repeat(np.arange(2 * groups), 3), np.repeat([0, 1], 3 * groups)
    ends = {}
    for x, y in itertools.product(range(groups + 1), repeat=2):
        right = np.repeat(np.concatenate([np.arange(groups) < x, np.arange(groups) < y]), 3)
        found = scores.right_with_interval(right, true, group)
        ends[x, y] = found.low - 1e-9, found.high + 1e-9
    steps, held = np.arange(groups + 1), []
    for p, q in itertools.combinations_with_replacement(np.arange(0.5, 1.0, 0.05), 2):
        chance = np.outer(stats.binom.pmf(steps, groups, p), stats.binom.pmf(steps, groups, q))
        held.append(sum(chance[at] for at, (low, high) in ends.items() if low <= (p + q) / 2 <= high))
    assert min(held) > 0.894
    assert 0.93 < np.mean(held) < 0.97


@pytest.mark.parametrize("groups", [5, 10, 30])
@pytest.mark.parametrize("truth", [0.6, 0.8, 0.9, 0.97])
def test_it_holds_with_unequal_groups_that_are_partly_alike(groups: int, truth: float) -> None:
    """Beta-binomial groups of one to a dozen bouts, their correlation 0.3; the standard error is 1.3 %."""
    rng = np.random.default_rng([groups, int(100 * truth)])
    spread = 1 / 0.3 - 1
    held = []
    for _ in range(300):
        bouts = np.minimum(rng.geometric(0.3, 2 * groups), 12)
        group = np.repeat(np.arange(2 * groups), bouts)
        own = rng.beta(truth * spread, (1 - truth) * spread, 2 * groups)
        found = scores.right_with_interval(rng.random(group.size) < own[group], group % 2, group)
        held.append(found.low <= truth <= found.high)
    assert np.mean(held) >= 0.92


def test_the_interval_of_a_gain_is_mcnemars_for_many_and_wider_for_few() -> None:
    """Textbook: the difference of paired shares has the variance (p + q - (p - q)^2) / n."""
    n = 4000
    right = np.arange(n) < 3200
    less = (np.arange(n) >= 800) & (np.arange(n) < 3400)  # 800 gained, 200 lost
    found = scores.right_with_interval(right, np.zeros(n, int), np.arange(n), less=less)
    half = 1.96 * np.sqrt((0.2 + 0.05 - 0.15**2) / n)
    assert found.value == pytest.approx(0.15)
    assert (found.low, found.high) == pytest.approx((0.15 - half, 0.15 + half), abs=5e-4)
    same = scores.right_with_interval(right[:10], np.zeros(10, int), np.arange(10), less=right[:10])
    assert same.value == 0.0
    assert same.low < -0.1 < 0.1 < same.high


@pytest.mark.parametrize(("gained", "lost"), [(0.3, 0.1), (0.15, 0.15), (0.05, 0.0)])
@pytest.mark.parametrize("groups", [5, 15])
def test_the_interval_of_a_gain_holds(gained: float, lost: float, groups: int) -> None:
    rng = np.random.default_rng([groups, int(100 * gained)])
    true, held = np.repeat([0, 1], 2 * groups), []
    group = np.repeat(np.arange(2 * groups), 2)
    for _ in range(300):
        kind = rng.random(2 * groups)[group]
        right = (kind < gained) | (kind > 0.6)
        less = ((kind >= gained) & (kind < gained + lost)) | (kind > 0.6)
        found = scores.right_with_interval(right, true, group, less=less)
        held.append(found.low <= gained - lost <= found.high)
    assert np.mean(held) >= 0.92


def test_the_bootstrap_of_few_groups_reaches_as_far_as_students_t() -> None:
    """Of a mean of 8: near t s / sqrt(n) to either side; plain percentiles would reach 0.77 times as far."""
    ratios = []
    for seed in range(40):
        values = np.random.default_rng(seed).standard_normal(8)

        def mean(weight: Floats, values: Floats = values) -> float:
            return float(np.average(values, weights=weight))

        found = scores.with_interval(mean, np.ones(8), np.arange(8))
        theirs = stats.t.interval(0.95, 7, values.mean(), stats.sem(values))
        ratios.append((found.high - found.low) / (theirs[1] - theirs[0]))
    assert 0.9 < np.mean(ratios) < 1.05


def test_the_calibration_error_of_chance_is_that_of_the_binomial() -> None:
    """All in one bin: the mean of |hits / n - p| is that of a half-normal, sqrt(2 p (1 - p) / (pi n))."""
    n, p = 200, 0.75
    probability = np.tile([p, 1 - p], (n, 1))
    found = scores.chance_calibration_error(probability, np.ones(n), np.arange(n))
    assert found.value == pytest.approx(np.sqrt(2 * p * (1 - p) / (np.pi * n)), rel=0.1)
    assert found.low < found.value < found.high
    # Ten bouts of each animal are no more evidence than one.
    tenfold = scores.chance_calibration_error(
        np.tile(probability, (10, 1)), np.ones(10 * n), np.tile(np.arange(n), 10)
    )
    assert tenfold == found


def test_nothing_to_measure_is_nan() -> None:
    assert np.isnan(scores.balanced_accuracy(np.zeros((2, 2))))
    nothing = scores.with_interval(lambda w: float("nan"), np.ones(3), np.arange(3))
    assert np.isnan([nothing.value, nothing.low, nothing.high]).all()
