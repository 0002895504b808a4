"""Scores against a table worked by hand and against scikit-learn's own."""

from __future__ import annotations

import numpy as np
import pytest
from sklearn import metrics

from wingtone.learn import scores

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

    def width(times: int) -> float:
        repeated = np.repeat(right, times)
        found = scores.with_interval(
            lambda w: float(np.average(repeated, weights=w)),
            np.ones(repeated.size),
            np.repeat(np.arange(50), times),
        )
        return found.high - found.low

    assert width(8) == pytest.approx(width(1))


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
