"""The estimator: scikit-learn's own checks, and each part against an independent computation."""

from __future__ import annotations

import importlib.util
import os
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.spatial.distance import mahalanobis
from scipy.stats import f_oneway
from sklearn.covariance import EmpiricalCovariance
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis
from sklearn.linear_model import LogisticRegression
from sklearn.preprocessing import StandardScaler
from sklearn.utils.estimator_checks import estimator_checks_generator

from learn.made_up import population
from wingtone.learn.classifier import (
    DOUBT,
    LEAST_SIGNAL,
    BoutClassifier,
    _choose,
    _stretch,
    _temperature,
    folds,
)
from wingtone.learn.features import FAMILIES
from wingtone.learn.kinds import KINDS
from wingtone.learn.numbers import SHRINKAGE, discriminant, log_softmax

if TYPE_CHECKING:
    from collections.abc import Callable

WEIGHTS = (
    "calibration and strength are chosen on folds of rows, so a row given twice is not the same as one of "
    "double weight; its own cross-validated estimators are excepted likewise"
)


EXCEPTIONS = {"check_sample_weight_equivalence_on_dense_data": WEIGHTS}

NEEDS_PANDAS = {"check_sample_weights_pandas_series", "check_classifier_data_not_an_array"}
NEEDS_ARRAY_API = {"check_array_api_input"}
"""Checks that do nothing but skip where pandas is not installed, or the variable of scipy is not set."""


def common_checks(estimator: BoutClassifier) -> list[Any]:
    idle: set[str] = set()
    if importlib.util.find_spec("pandas") is None:
        idle |= NEEDS_PANDAS
    if not os.environ.get("SCIPY_ARRAY_API"):
        idle |= NEEDS_ARRAY_API
    checks = []
    for item in estimator_checks_generator(estimator, expected_failed_checks=EXCEPTIONS, mark="xfail"):
        marks = getattr(item, "marks", ())  # an expected failure comes as a pytest.param
        model, check = item.values if marks else item
        name = check.func.__name__
        if name not in idle:
            checks.append(pytest.param(model, check, marks=marks, id=f"{estimator.kind}-{name}"))
    return checks


TREES = 10
"""Trees for the checks: what they ask of an estimator does not depend on how many there are."""


@pytest.mark.parametrize(
    ("estimator", "check"),
    [item for kind in KINDS for item in common_checks(BoutClassifier(kind, n_trees=TREES))],
)
def test_common_checks_of_scikit_learn(estimator: Any, check: Callable[[Any], None]) -> None:
    check(estimator)


def test_logistic_equals_scikit_learn_on_what_is_known() -> None:
    bouts = population(1, animals=40, clips=2, timbre=1.0)
    table, y = bouts.table, bouts.caste
    ours = BoutClassifier(class_weight=None).fit(table, y)
    z = StandardScaler().fit_transform(table)
    z = z * ours.stretch_
    theirs = LogisticRegression(C=ours.strength_, tol=1e-10, max_iter=10_000).fit(z, y)
    odds = ours.numbers_.raw(ours.numbers_.standardised(table))
    assert odds[:, 1] - odds[:, 0] == pytest.approx(theirs.decision_function(z), abs=1e-3)


@pytest.mark.parametrize("k", [2, 3])
def test_the_ridge_believes_a_figure_by_its_analysis_of_variance(k: int) -> None:
    """With one figure a family, found over chance is F of a one-way analysis of variance, by scipy."""
    rng = np.random.default_rng(k)
    y = np.repeat(np.arange(k), 20)
    z = rng.standard_normal((20 * k, 6)) + 0.4 * y[:, None] * np.arange(6)
    stretch = _stretch(z, y, np.ones(len(y)), np.arange(len(y)), np.arange(6), k)
    groups = [z[y == c] for c in range(k)]
    ratio = f_oneway(*groups).statistic
    within = np.sqrt(np.mean([group.var(axis=0) for group in groups], axis=0))
    assert stretch * within == pytest.approx(np.sqrt(np.maximum(LEAST_SIGNAL, 1 - DOUBT / ratio)))
    # Figures of one family are believed alike.
    together = _stretch(z, y, np.ones(len(y)), np.arange(len(y)), np.zeros(6, int), k) * within
    assert together == pytest.approx(together[0])


def test_clips_of_one_animal_do_not_make_a_difference_more_believable() -> None:
    bees = population(8, animals=40, clips=1)
    z = StandardScaler().fit_transform(bees.table)
    once = _stretch(z, bees.caste, np.ones(40), bees.animal, np.array(FAMILIES), 2)
    tenfold = [np.tile(part, (10, 1) if part.ndim == 2 else 10) for part in (z, bees.caste, bees.animal)]
    table, caste, animal = tenfold
    many = _stretch(table, caste, np.full(400, 0.1), animal, np.array(FAMILIES), 2)
    assert many == pytest.approx(once)


def test_one_group_of_a_class_is_no_reason_to_doubt() -> None:
    y = np.array([0, 0, 1, 1])
    z = np.array([[0.0], [0.1], [1.0], [1.1]])
    stretch = _stretch(z, y, np.ones(4), np.array([0, 0, 1, 1]), np.zeros(1, int), 2)
    assert stretch == pytest.approx(1 / 0.05)


def test_the_strongest_restraint_within_one_standard_error_is_taken() -> None:
    """Against the rule worked out step by step, on odds that get better by less and less."""
    rng = np.random.default_rng(11)
    truth = rng.integers(2, size=60)
    group = np.repeat(np.arange(20), 3)
    sign = np.eye(2)[truth]
    table = np.stack(
        [log_softmax(2 * share * sign + rng.standard_normal((60, 2))) for share in (0.0, 1.0, 1.0, 1.1)]
    )
    chosen, temperature = _choose(table, truth, np.ones(60), group)
    losses = np.array([_temperature(one, truth, np.ones(60))[1].reshape(20, 3).mean(axis=1) for one in table])
    best = int(losses.mean(axis=1).argmin())
    worse = losses - losses[best]
    error = worse.std(axis=1) / np.sqrt(20)
    assert chosen == np.flatnonzero(worse.mean(axis=1) <= error)[0]
    assert 0 < chosen < best
    assert temperature == _temperature(table[chosen], truth, np.ones(60))[0]


def test_the_temperature_is_the_one_of_least_log_loss() -> None:
    """Against scipy's bounded minimiser; the grid is 2.5 % apart."""
    rng = np.random.default_rng(9)
    odds = rng.normal(0.0, 3.0, (400, 3))
    truth = np.array([rng.choice(3, p=np.exp(log_softmax(row / 1.7))) for row in odds])
    weight = rng.uniform(0.5, 2.0, 400)

    def loss(t: float) -> float:
        return float(-log_softmax(odds / t)[np.arange(400), truth] @ weight)

    expected = minimize_scalar(loss, bounds=(0.1, 8.0), method="bounded").x
    found, each = _temperature(log_softmax(odds), truth, weight)
    assert found == pytest.approx(expected, rel=0.026)
    assert each @ weight == pytest.approx(loss(found))


def test_calibration_left_out_changes_no_call() -> None:
    bees = population(9, animals=30, clips=3)
    for kind in ("logistic", "discriminant"):
        full, plain = (
            BoutClassifier(kind, families=FAMILIES, calibrated=one).fit(
                bees.table, bees.caste, groups=bees.animal
            )
            for one in (True, False)
        )
        assert (full.predict(bees.table) == plain.predict(bees.table)).all()


def test_families_must_number_the_features() -> None:
    with pytest.raises(ValueError, match="families must number 2 features, not 3"):
        BoutClassifier(families=(0, 0, 1)).fit(np.zeros((4, 2)), [0, 0, 1, 1])


def test_discriminant_equals_scikit_learn() -> None:
    rng = np.random.default_rng(4)
    y = rng.integers(3, size=200)
    z = rng.standard_normal((200, 5)) @ rng.standard_normal((5, 5)) + y[:, None]
    ours = BoutClassifier("discriminant", class_weight=None).fit(z, y)

    class Shrunk(EmpiricalCovariance):  # type: ignore[misc]
        covariance_: Any

        def fit(self, x: Any, y: Any = None) -> Shrunk:
            super().fit(x)
            whole: Any = self.covariance_
            self.covariance_ = (1 - SHRINKAGE) * whole + SHRINKAGE * np.diag(np.diag(whole))
            return self

    # One covariance for all: scikit-learn averages those of the classes, each about its own mean.
    theirs = LinearDiscriminantAnalysis(solver="lsqr", covariance_estimator=Shrunk())
    theirs.fit(StandardScaler().fit_transform(z), y)
    expected = theirs.predict_log_proba(StandardScaler().fit_transform(z))
    numbers = ours.numbers_
    assert log_softmax(numbers.raw(numbers.standardised(z))) == pytest.approx(expected, abs=1e-6)


def test_distance_is_that_of_mahalanobis() -> None:
    rng = np.random.default_rng(5)
    z = rng.standard_normal((300, 4)) @ rng.standard_normal((4, 4))
    y = rng.integers(2, size=300)
    fitted = BoutClassifier("discriminant", class_weight=None).fit(z, y)
    standard = fitted.numbers_.standardised(z)
    means, whitening = discriminant(standard, y, np.ones(300), 2)
    inverse = whitening @ whitening.T
    expected = min(mahalanobis(standard[7], mean, inverse) for mean in means) / 2.0
    assert fitted.numbers_.distance(z[7:8])[0] == pytest.approx(expected)


def test_what_is_not_known_speaks_for_nobody() -> None:
    bouts = population(2)
    fitted = BoutClassifier().fit(bouts.table, bouts.caste, groups=bouts.animal)
    nothing = np.full((1, bouts.table.shape[1]), np.nan)
    centre = fitted.numbers_.centre[None, :]
    assert fitted.predict_proba(nothing) == pytest.approx(fitted.predict_proba(centre))
    assert fitted.predict_proba(nothing)[0] == pytest.approx([0.5, 0.5], abs=0.1)
    assert not fitted.numbers_.in_range(nothing)[0]


def test_a_feature_that_is_never_known_changes_nothing() -> None:
    bouts = population(3, animals=30, clips=3)
    column = 7
    gone = bouts.table.copy()
    gone[:, column] = np.nan
    fitted = BoutClassifier().fit(gone, bouts.caste, groups=bouts.animal)
    assert np.isinf(fitted.numbers_.scale[column])
    probe = bouts.table.copy()
    assert fitted.predict_proba(probe) == pytest.approx(fitted.predict_proba(gone))


def test_the_likelihood_does_not_depend_on_how_often_each_class_was_met() -> None:
    """The training prior is divided out: with one worker for three queens the likelihood stays as it was."""
    bouts = population(4, animals=400, clips=1)
    keep = (bouts.caste == 0) | (bouts.animal % 6 == 1)
    probe = population(5, animals=200, clips=1).table
    odds = []
    for chosen, weight in ((keep, None), (keep, "balanced"), (np.ones_like(keep), None)):
        fitted = BoutClassifier(class_weight=weight).fit(bouts.table[chosen], bouts.caste[chosen])
        likelihood = fitted.numbers_.log_likelihood(probe)
        odds.append(likelihood[:, 1] - likelihood[:, 0])
    assert np.median(odds[0] - odds[2]) == pytest.approx(0.0, abs=0.35)
    assert np.median(odds[1] - odds[2]) == pytest.approx(0.0, abs=0.35)
    assert np.asarray(np.corrcoef(odds))[0, 1:].min() > 0.95


def test_folds_never_split_a_group() -> None:
    bouts = population(6, animals=30, clips=4)
    seen = np.zeros(len(bouts.caste), int)
    for train, test in folds(5, bouts.caste, bouts.animal, seed=0):
        assert not set(bouts.animal[train]) & set(bouts.animal[test])
        seen[test] += 1
    assert (seen == 1).all()


def test_a_bee_that_was_recorded_often_counts_once() -> None:
    bouts = population(7, animals=30, clips=2)
    often = np.concatenate([np.arange(60), np.repeat(np.arange(2), 40)])
    once = BoutClassifier("discriminant").fit(bouts.table, bouts.caste, groups=bouts.animal)
    many = BoutClassifier("discriminant").fit(
        bouts.table[often], bouts.caste[often], groups=bouts.animal[often]
    )
    assert many.numbers_.centre == pytest.approx(once.numbers_.centre)


@pytest.mark.parametrize(
    ("kind", "options", "what"),
    [("svm", {}, "kind must be one of"), ("logistic", {"class_weight": "even"}, "class_weight must be")],
)
def test_wrong_parameters_are_refused_when_fitting(kind: str, options: dict[str, Any], what: str) -> None:
    with pytest.raises(ValueError, match=what):
        BoutClassifier(kind, **options).fit(np.zeros((4, 2)), [0, 0, 1, 1])
