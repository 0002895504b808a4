"""How right a classifier was: the usual measures, weighted, with intervals over groups.

Conventions
-----------
``n`` bouts, ``k`` classes as numbers 0..k-1 in the order of the model. ``probability`` has shape (n, k), rows
sum to 1. Weights have shape (n,); None means all equal. The likeliest class is the first of equals.

**Intervals** are percentiles of 1000 bootstrap samples of whole groups (Efron & Tibshirani 1993, An
Introduction to the Bootstrap, ch. 13; memory): bouts of one group are no independent evidence.

Functions
---------
confusion            counts, true class by likeliest class
balanced_accuracy    mean over the true classes of the share that was right
log_loss             mean -ln P(true class), nats
brier                mean squared distance of the probabilities from the truth, 0..2
reliability          stated against observed, for the likeliest class
calibration_error    expected calibration error of that (`wingtone.evidence.calibration`)
with_interval        any of these with a bootstrap interval over groups
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wingtone.evidence import calibration
from wingtone.evidence.calibration import calibration_error

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from wingtone.evidence.calibration import Reliability

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int_]

__all__ = [
    "Interval",
    "balanced_accuracy",
    "brier",
    "calibration_error",
    "confusion",
    "log_loss",
    "reliability",
    "resampled",
    "with_interval",
]

LEAST_PROBABILITY = 1e-6
"""Floor of a probability in the log loss: one bout called impossible shall not decide alone. Ours."""

BOOTSTRAPS = 1000
LEVEL = 0.95
"""Bootstrap samples, level of the intervals: common practice."""


@dataclass(frozen=True)
class Interval:
    """A figure with the interval that holds it with 95 % certainty. NaN where there is nothing to measure."""

    value: float
    low: float
    high: float


def _weights(n: int, weight: Floats | None) -> Floats:
    return np.ones(n) if weight is None else np.asarray(weight, dtype=float)


def confusion(true: Ints, called: Ints, n_classes: int, *, weight: Floats | None = None) -> Floats:
    """Return the confusion table, shape (k, k): row = true class, column = class called."""
    cell = np.asarray(true) * n_classes + np.asarray(called)
    table = np.bincount(cell, _weights(len(cell), weight), minlength=n_classes**2)
    return np.asarray(table.reshape(n_classes, n_classes), dtype=float)


def balanced_accuracy(table: Floats) -> float:
    """Return the mean recall over the classes that occur; NaN when none does."""
    rows = table.sum(axis=-1)
    there = rows > 0
    return float(np.mean(np.diagonal(table)[there] / rows[there])) if there.any() else float("nan")


def log_loss(probability: Floats, true: Ints, *, weight: Floats | None = None) -> float:
    """Return the mean of -ln P(true class); probabilities below `LEAST_PROBABILITY` count as that."""
    own = probability[np.arange(len(true)), true]
    return float(np.average(-np.log(np.maximum(own, LEAST_PROBABILITY)), weights=_weights(len(true), weight)))


def brier(probability: Floats, true: Ints, *, weight: Floats | None = None) -> float:
    """Return the Brier score over all classes: 0 is perfect, 2 is surely wrong (Brier 1950; memory)."""
    truth = np.eye(probability.shape[1])[true]
    each = ((probability - truth) ** 2).sum(axis=1)
    return float(np.average(each, weights=_weights(len(true), weight)))


def reliability(probability: Floats, true: Ints, *, weight: Floats | None = None) -> Reliability:
    """Return the reliability of the likeliest class, see `wingtone.evidence.calibration`."""
    top = probability.argmax(axis=1)
    return calibration.reliability(probability[np.arange(len(true)), top], top == true, weight=weight)


def chance_calibration_error(probability: Floats, weight: Floats, group: Ints, *, seed: int = 0) -> Interval:
    """Return the calibration error that chance alone would give if every stated probability were true.

    Whether the likeliest class is right is drawn anew from its stated probability (a parametric bootstrap;
    textbook statistics), with one draw a group, as the bouts of one animal are right or wrong together.

    Returns
    -------
    Interval
        The mean over the draws, and the range that holds `LEVEL` of them.
    """
    stated = probability.max(axis=1)
    rng = np.random.default_rng(seed)
    drawn = rng.random((BOOTSTRAPS, int(np.max(group)) + 1))
    curves = (calibration.reliability(stated, one[group] < stated, weight=weight) for one in drawn)
    values = [calibration_error(curve) for curve in curves]
    tail = 50.0 * (1.0 - LEVEL)
    low, high = np.percentile(values, [tail, 100.0 - tail])
    return Interval(float(np.mean(values)), float(low), float(high))


def resampled(group: Ints, *, seed: int = 0) -> Floats:
    """Return how often each group is drawn in each bootstrap sample, shape (BOOTSTRAPS, n_groups).

    Parameters
    ----------
    group
        Number of the group of each bout, 0..n_groups-1 without holes.
    """
    n = int(np.max(group)) + 1
    rng = np.random.default_rng(seed)
    return rng.multinomial(n, np.full(n, 1.0 / n), size=BOOTSTRAPS).astype(float)


def with_interval(
    measure: Callable[[Floats], float], weight: Floats, group: Ints, *, seed: int = 0
) -> Interval:
    """Return a measure with its bootstrap interval over groups.

    Parameters
    ----------
    measure
        From weights of the bouts, shape (n,), to a number; NaN where it cannot be told, such as in a sample
        that lacks a class.
    weight, group
        Shape (n,); groups numbered 0..n_groups-1 without holes.
    """
    drawn = resampled(group, seed=seed)
    values = np.array([measure(weight * times[group]) for times in drawn])
    values = values[np.isfinite(values)]
    tail = 50.0 * (1.0 - LEVEL)
    low, high = np.percentile(values, [tail, 100.0 - tail]) if values.size else (np.nan, np.nan)
    return Interval(float(measure(weight)), float(low), float(high))
