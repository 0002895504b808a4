"""How right a classifier was: the usual measures, weighted, with intervals over groups.

Conventions
-----------
``n`` bouts, ``k`` classes as numbers 0..k-1 in the order of the model. ``probability`` has shape (n, k), rows
sum to 1. Weights have shape (n,); None means all equal. The likeliest class is the first of equals.

**Intervals** are over groups: bouts of one group are no independent evidence.

- *Shares that were right* (accuracy, balanced accuracy, and by how much they are above those of other calls
  on the same bouts): Jeffreys, of as many cases as there are groups of each class, as if all bouts of a group
  were right or wrong together. That is the worst case, for a share cannot differ more from group to group, so
  the interval is too wide rather than too narrow, and it has a width where all were right. Unequal groups
  count for fewer, ``(sum m)^2 / sum m^2`` (Kish 1965; memory). Classes are put together by the distances from
  the shares to their ends (Zou & Donner 2008, Stat Med 27:1693; memory). A bootstrap knows nothing of what
  few groups happen to lack: of ten animals all right it makes 1.00 to 1.00.
- *All else*: percentiles of 1000 bootstrap samples of whole groups (Efron & Tibshirani 1993, An Introduction
  to the Bootstrap, ch. 13; memory), taken further out for few groups, as Student's t is wider than the normal
  distribution (Hesterberg 2015, Am Stat 69:371, section 5.3; memory).

Functions
---------
confusion            counts, true class by likeliest class
balanced_accuracy    mean over the true classes of the share that was right
log_loss             mean -ln P(true class), nats
brier                mean squared distance of the probabilities from the truth, 0..2
reliability          stated against observed, for the likeliest class
calibration_error    expected calibration error of that (`wingtone.evidence.calibration`)
right_with_interval  share that was right, every class counting the same, with its interval over groups
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
    Bools = NDArray[np.bool_]

__all__ = [
    "Interval",
    "balanced_accuracy",
    "brier",
    "calibration_error",
    "confusion",
    "log_loss",
    "reliability",
    "resampled",
    "right_with_interval",
    "with_interval",
]

LEAST_PROBABILITY = 1e-6
"""Floor of a probability in the log loss: one bout called impossible shall not decide alone. Ours."""

BOOTSTRAPS = 1000
LEVEL = 0.95
"""Bootstrap samples, level of the intervals: common practice."""


@dataclass(frozen=True)
class Interval:
    """A figure with its 95 % interval over groups. NaN where there is nothing to measure."""

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


def _tail(n: int) -> float:
    """Share beyond each end of an interval from n groups: that of the normal distribution beyond t."""
    from scipy.special import ndtr, stdtrit

    if n < 2:
        return 0.0
    return float(ndtr(np.sqrt(n / (n - 1)) * stdtrit(n - 1, 0.5 * (1.0 - LEVEL))))


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


def right_with_interval(
    right: Bools, true: Ints, group: Ints, *, weight: Floats | None = None, less: Bools | None = None
) -> Interval:
    """Return the share that was right, every class counting the same, with its interval over groups.

    With all of one class this is the plain share.

    Parameters
    ----------
    right, true, group
        Whether the call was right, the class, and the group of each bout, shape (n,).
    less
        Whether other calls were right on the same bouts: then the value is how much better the first are.
        Only bouts on which the two differ speak; a bout cannot be of both kinds, so the shares of the kinds
        vary against one another.

    Notes
    -----
    Where a group has bouts of several classes, the classes may be right or wrong together, and their
    distances are added as they are, not as squares.
    """
    classes = np.unique(true)
    if not classes.size:
        return Interval(np.nan, np.nan, np.nan)
    weight = _weights(len(true), weight)
    value, below, above = 0.0, [], []
    for c in classes:
        own = true == c
        gain, loss = (right, None) if less is None else (right & ~less, less & ~right)
        p, low, high = _share_of_groups(gain[own], weight[own], group[own])
        value += p
        down, up, q, together = p - low, high - p, 0.0, 0.0
        if loss is not None:
            q, least, most = _share_of_groups(loss[own], weight[own], group[own])
            value -= q
            # the correlation of two shares of a multinomial (textbook), its sign taken off by the difference
            together = np.sqrt(p * q / ((1 - p) * (1 - q))) if p * q > 0.0 else 0.0
            down, up = _put_together(down, most - q, together), _put_together(up, q - least, together)
        below.append(down)
        above.append(up)
    mixed = len(np.unique(np.stack([true, group]), axis=1).T) > len(np.unique(group))
    reach = np.sum if mixed else np.linalg.norm
    k = len(classes)
    return Interval(value / k, float(value - reach(below)) / k, float(value + reach(above)) / k)


def _share_of_groups(hit: Bools, weight: Floats, group: Ints) -> tuple[float, float, float]:
    """Share of hits and its ends, for as many cases as there are groups."""
    by_group = np.bincount(group, weight)
    share = float(np.average(hit, weights=weight))
    return share, *calibration.share_interval(share, float(by_group.sum() ** 2 / (by_group**2).sum()))


def _put_together(one: float, other: float, correlation: float) -> float:
    return float(np.sqrt(one**2 + other**2 + 2 * correlation * one * other))


def with_interval(
    measure: Callable[[Floats], float], weight: Floats, group: Ints, *, seed: int = 0
) -> Interval:
    """Return a measure with its bootstrap interval over groups; for shares see `right_with_interval`.

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
    tail = 100.0 * _tail(drawn.shape[1])
    low, high = np.percentile(values, [tail, 100.0 - tail]) if values.size else (np.nan, np.nan)
    return Interval(float(measure(weight)), float(low), float(high))
