"""The estimator: scikit-learn's own checks, and each part against an independent computation."""

from __future__ import annotations

import importlib.util
import os
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from scipy.spatial.distance import mahalanobis
from sklearn.covariance import EmpiricalCovariance
from sklearn.discriminant_analysis import LinearDiscriminantAnalysis
from sklearn.linear_model import LogisticRegression
from sklearn.preprocessing import StandardScaler
from sklearn.utils.estimator_checks import estimator_checks_generator

from learn.made_up import population
from wingtone.learn.classifier import BoutClassifier, folds
from wingtone.learn.numbers import SHRINKAGE, discriminant

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


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    ("estimator", "check"), common_checks(BoutClassifier()) + common_checks(BoutClassifier("discriminant"))
)
def test_common_checks_of_scikit_learn(estimator: Any, check: Callable[[Any], None]) -> None:
    check(estimator)


def test_logistic_equals_scikit_learn_on_what_is_known() -> None:
    bouts = population(1, animals=40, clips=2, timbre=1.0)
    table, y = bouts.table, bouts.caste
    ours = BoutClassifier(class_weight=None).fit(table, y)
    z = StandardScaler().fit_transform(table)
    theirs = LogisticRegression(C=ours.strength_, tol=1e-10, max_iter=10_000).fit(z, y)
    odds = ours.numbers_.raw(ours.numbers_.standardised(table))
    assert odds[:, 1] - odds[:, 0] == pytest.approx(theirs.decision_function(z), abs=1e-3)


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
    from wingtone.learn.numbers import log_softmax

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
