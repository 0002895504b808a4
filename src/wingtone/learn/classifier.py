"""The classifier, as scikit-learn knows one.

Import this module only where something is fitted: it loads scikit-learn.

- `BoutClassifier`: four kinds behind one option, calibrated
- `folds`: grouped, stratified folds
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any, Self

import numpy as np

from wingtone.errors import MissingExtraError
from wingtone.learn.kinds import KINDS
from wingtone.learn.numbers import Numbers, discriminant, log_softmax

try:
    from sklearn.base import BaseEstimator, ClassifierMixin
    from sklearn.ensemble import HistGradientBoostingClassifier, RandomForestClassifier
    from sklearn.linear_model import LogisticRegression
    from sklearn.model_selection import StratifiedGroupKFold, StratifiedKFold
    from sklearn.utils.multiclass import check_classification_targets
    from sklearn.utils.validation import _check_sample_weight, check_is_fitted, validate_data
except ImportError as error:
    raise MissingExtraError("training a classifier", "learn") from error

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]
    Ints = NDArray[np.int_]

__all__ = ["BoutClassifier", "folds"]

STRENGTHS = (0.0003, 0.003, 0.01, 0.03, 0.1, 1.0)
"""Inverse strengths of the ridge to choose from, the strongest restraint first. Ours: from nothing but the
difference of the means of each figure by itself to hardly any restraint."""

DOUBT = 1.5
"""How many times what chance explains is taken off what a family shows. Above 1, as a family that says
nothing does more harm than one that says little does good. Ours, chosen on made-up populations (seeds 1000 to
1139 of the tests) that no figure given for the classifier rests on."""
LEAST_SIGNAL = 0.01
"""Share of a family's differences that is believed even when chance explains all of them. Ours."""
LEAST_WITHIN = 0.05
"""Least spread within the classes, of the spread in all, that a figure is given. Ours."""

INNER_FOLDS = 4
LEAST_KNOWN_SHARE = 0.05
"""A feature known in less than a twentieth of the training is not used. Ours."""

TEMPERATURES = np.exp(np.linspace(np.log(0.02), np.log(8.0), 241))
RANGE_QUANTILE = 0.99
"""One bout in a hundred of the very animals that were trained on is held to be out of range. Ours."""

N_TREES, TREE_LEAF = 100, 3
N_ROUNDS = 80
BINS = 32
"""Steps of a feature at which boosting may cut. Ours: scikit-learn's 255 are for far larger data, and finding
them, weighted, took nine tenths of the time."""


def folds(n_folds: int, y: Ints, group: Ints | None, *, seed: int) -> Iterator[tuple[Ints, Ints]]:
    """Give training and test rows of stratified folds; a group is never split. Without groups rows are.

    The number of folds shrinks to what the rarest class allows; nothing is given when that is below 2.
    """
    if group is None:
        smallest = int(np.bincount(y).min())
        splitter: Any = StratifiedKFold
    else:
        smallest = min(len(np.unique(group[y == one])) for one in np.unique(y))
        splitter = StratifiedGroupKFold
    n_folds = min(n_folds, smallest)
    if n_folds < 2:
        return
    for train, test in splitter(n_folds, shuffle=True, random_state=seed).split(np.zeros(len(y)), y, group):
        # A class may still fall out of a training part when groups hold several classes.
        if len(np.unique(y[train])) == len(np.unique(y)):
            yield train, test


class BoutClassifier(ClassifierMixin, BaseEstimator):  # type: ignore[misc]
    """Standardise, classify, calibrate.

    Parameters
    ----------
    kind
        ``logistic``: ridge-regularised multinomial logistic regression, its strength chosen by log loss on
        held-out groups. ``discriminant``: linear discriminant with a shrunk common covariance. ``forest``:
        random forest. ``boosting``: gradient-boosted trees.
    families
        Number of the family of each feature, shape (m,): features that say much the same, and are believed
        together. Empty: all are one family.
    calibrated
        False leaves the calibration out, and with it the folds it needs unless there is a strength to choose:
        enough where only the likeliest class is asked for, which calibration never changes.
    n_trees
        How many trees the kinds of trees grow (of boosting: for each class); None for wingtone's own.
    class_weight
        ``balanced``: each class counts the same, so that probabilities hold for equal shares. None: as
        counted. A dict: a factor for each class, 1 for those it lacks.
    random_state
        Seed of the folds and trees.

    Attributes
    ----------
    classes_ : shape (k,)
    n_features_in_ : int
    numbers_ : Numbers
        What was fitted, see `wingtone.learn.numbers`.
    strength_ : float
        The strength chosen; NaN for kinds without one.
    stretch_ : shape (m,)
        By what the ridge of ``logistic`` was made milder for each standardised feature; ones for other kinds.

    Notes
    -----
    NaN means not known and is allowed everywhere, see `wingtone.learn.numbers`.

    The ridge. Thirty figures of a few dozen animals differ between classes by chance alone. What chance
    explains is known from the scatter of the animals, so each family of figures is believed as far as its
    differences exceed that (positive-part shrinkage in the manner of James & Stein 1961, family by family;
    memory), see `_stretch`. Of the strengths of restraint the strongest is taken that is no worse than the
    best by more than one standard error over groups (Breiman, Friedman, Olshen & Stone 1984, Classification
    and regression trees, ch. 3; memory), each judged after its own calibration.

    Calibration is temperature scaling on predictions for held-out groups; with fewer than two groups in a
    class it is left out. Those predictions come from classifiers that saw three quarters of the groups, so
    the final one, which saw all, is rather a little too modest than too sure.
    """

    def __init__(
        self,
        kind: str = "logistic",
        *,
        families: tuple[int, ...] = (),
        calibrated: bool = True,
        n_trees: int | None = None,
        class_weight: str | dict[Any, float] | None = "balanced",
        random_state: int | None = 0,
    ) -> None:
        self.kind = kind
        self.families = families
        self.calibrated = calibrated
        self.n_trees = n_trees
        self.class_weight = class_weight
        self.random_state = random_state

    def __sklearn_tags__(self) -> Any:
        tags = super().__sklearn_tags__()
        tags.input_tags.allow_nan = True
        return tags

    def fit(
        self,
        X: ArrayLike,
        y: ArrayLike,
        sample_weight: ArrayLike | None = None,
        *,
        groups: Sequence[int] | Ints | None = None,
    ) -> Self:
        """Fit.

        Parameters
        ----------
        X : shape (n, m)
        y : shape (n,)
        sample_weight : shape (n,), optional
        groups : shape (n,), optional
            Rows of one group are never split, and each group counts the same. None: every row by itself.

        Raises
        ------
        ValueError
            An unknown kind or class weight, data of the wrong shape, infinite values, a single class.
        """
        if self.kind not in KINDS:
            raise ValueError(f"kind must be one of {', '.join(KINDS)}, not {self.kind!r}")
        if self.class_weight not in ("balanced", None) and not isinstance(self.class_weight, dict):
            raise ValueError(f"class_weight must be 'balanced', a dict or None, not {self.class_weight!r}")
        whole, labels = validate_data(self, X, y, dtype=np.float64, ensure_all_finite="allow-nan")
        if len(self.families) not in (0, whole.shape[1]):
            raise ValueError(f"families must number {whole.shape[1]} features, not {len(self.families)}")
        check_classification_targets(labels)
        weight = np.asarray(_check_sample_weight(sample_weight, whole, dtype=np.float64), dtype=float)
        group = None if groups is None else np.unique(np.asarray(groups), return_inverse=True)[1]
        keep = weight > 0
        table, weight = whole[keep], weight[keep]
        self.classes_, codes = np.unique(np.asarray(labels)[keep], return_inverse=True)
        if len(self.classes_) < 2:
            raise ValueError(f"a classifier needs at least 2 classes, not {len(self.classes_)} class")
        if group is not None:
            group = np.unique(group[keep], return_inverse=True)[1]
            weight = weight / np.bincount(group)[group]
        k = len(self.classes_)
        share = np.bincount(codes, weight, minlength=k)
        if self.class_weight == "balanced":
            weight = weight / share[codes]
        elif isinstance(self.class_weight, dict):
            weight = weight * np.array([self.class_weight.get(one, 1.0) for one in self.classes_])[codes]
        weight = weight * (len(weight) / weight.sum())
        prior = np.bincount(codes, weight, minlength=k) / weight.sum()

        strengths = STRENGTHS if self.kind == "logistic" else (float("nan"),)
        seed = 0 if self.random_state is None else self.random_state
        held_out = np.full((len(strengths), len(codes), k), np.nan)
        distance = np.full(len(codes), np.nan)
        inner = INNER_FOLDS if self.calibrated or len(strengths) > 1 else 0
        for train, test in folds(inner, codes, group, seed=seed):
            part = None if group is None else group[train]
            fitted, _ = self._fit_all(table[train], codes[train], weight[train], part, k, strengths, seed)
            for i, numbers in enumerate(fitted):
                held_out[i, test] = log_softmax(numbers.raw(numbers.standardised(table[test])))
            distance[test] = fitted[0].distance(table[test])
        tested = np.isfinite(held_out[0, :, 0])
        best, temperature = len(strengths) - 1, 1.0
        if tested.any():
            of = np.arange(len(codes)) if group is None else group
            best, temperature = _choose(held_out[:, tested], codes[tested], weight[tested], of[tested])
        (raw,), self.stretch_ = self._fit_all(
            table, codes, weight, group, k, strengths[best : best + 1], seed
        )
        near = distance[np.isfinite(distance)]
        limit = (
            float(np.quantile(near, RANGE_QUANTILE)) if near.size else 2.0 * float(raw.distance(table).max())
        )
        self.strength_ = strengths[best]
        self.numbers_ = Numbers(
            kind=self.kind,
            centre=raw.centre,
            scale=raw.scale,
            coefficients=raw.coefficients,
            intercept=raw.intercept,
            temperature=temperature,
            prior=prior,
            means=raw.means,
            whitening=raw.whitening,
            limit=limit if np.isfinite(limit) else 1e6,
            forest=raw.forest,
        )
        return self

    def _fit_all(
        self,
        table: Floats,
        y: Ints,
        weight: Floats,
        group: Ints | None,
        k: int,
        strengths: Sequence[float],
        seed: int,
    ) -> tuple[list[Numbers], Floats]:
        """Fit once for each strength, without calibration; return the fits and the stretch."""
        centre, scale = _centre_and_scale(table, weight)
        m = table.shape[1]
        prior = np.bincount(y, weight, minlength=k) / weight.sum()
        none, no_means = np.zeros((k, m)), np.zeros((k, m))
        plain = Numbers(self.kind, centre, scale, none, np.zeros(k), 1.0, prior, no_means, np.eye(m), 0.0)
        z = plain.standardised(table)
        means, whitening = discriminant(z, y, weight, k)
        plain = dataclasses.replace(plain, means=means, whitening=whitening)
        stretch = np.ones(m)
        if self.kind == "discriminant":
            coefficients = means @ whitening @ whitening.T
            intercept = np.log(prior) - 0.5 * (coefficients * means).sum(axis=1)
            return [dataclasses.replace(plain, coefficients=coefficients, intercept=intercept)], stretch
        if self.kind != "logistic":
            forest = _trees(self.kind, self.n_trees, seed).fit(z, y, sample_weight=weight)
            return [dataclasses.replace(plain, forest=forest)], stretch
        families = np.asarray(self.families or np.zeros(m), dtype=int)
        stretch = _stretch(z, y, weight, np.arange(len(y)) if group is None else group, families, k)
        out = []
        for strength in strengths:
            coefficients, intercept = _logistic(z * stretch, y, weight, k, strength)
            out.append(dataclasses.replace(plain, coefficients=coefficients * stretch, intercept=intercept))
        return out, stretch

    def _table(self, X: ArrayLike) -> Floats:
        check_is_fitted(self)
        return np.asarray(
            validate_data(self, X, dtype=np.float64, ensure_all_finite="allow-nan", reset=False)
        )

    def predict_log_proba(self, X: ArrayLike) -> Floats:
        """Return ln P(class), shape (n, k), at the class shares of the training."""
        table = self._table(X)
        return self.numbers_.log_posterior(table)

    def predict_proba(self, X: ArrayLike) -> Floats:
        """Return P(class), shape (n, k), rows sum to 1."""
        return np.asarray(np.exp(self.predict_log_proba(X)))

    def predict(self, X: ArrayLike) -> NDArray[Any]:
        """Return the likeliest class of each row, shape (n,)."""
        likeliest = self.predict_log_proba(X).argmax(axis=1)
        return np.asarray(self.classes_[likeliest])


def _centre_and_scale(table: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Weighted mean and standard deviation of what is known; scale infinity for what is hardly ever."""
    known = np.isfinite(table)
    mass = known * weight[:, None]
    total = mass.sum(axis=0)
    used = total > LEAST_KNOWN_SHARE * weight.sum()
    safe = np.where(used, total, 1.0)
    centre = np.where(used, (mass * np.where(known, table, 0.0)).sum(axis=0) / safe, 0.0)
    apart = np.where(known, table - centre, 0.0)
    scale = np.sqrt((mass * apart**2).sum(axis=0) / safe)
    varies = scale > 1e-12 * np.maximum(np.abs(centre), 1e-300)
    return centre, np.where(used, np.where(varies, scale, 1.0), np.inf)


def _stretch(z: Floats, y: Ints, weight: Floats, group: Ints, families: Ints, k: int) -> Floats:
    """Return by what to make the ridge milder for each feature, shape (m,).

    A strong ridge gives a feature a coefficient of its stretch squared times the difference of the class
    means. The stretch is ``sqrt(believed) / s``: ``s`` is the spread within the classes, so that without
    doubt about the means the rule were that of a discriminant of independent features, and ``believed`` is
    the share of the family's differences that chance does not explain, ``1 - DOUBT chance / found``.

    ``found`` is the variance of the class means in units of ``s``, summed over the family, and ``chance``
    what the scatter of the groups within each class lets one expect of it; for one feature and classes of
    equal size their ratio is the F of a one-way analysis of variance of the group means.
    """
    unit, of = np.unique(group * k + y, return_inverse=True)
    mass = np.bincount(of, weight)
    n, m = len(unit), z.shape[1]
    mean = np.zeros((n, m))
    np.add.at(mean, of, z * weight[:, None])
    mean /= mass[:, None]
    member = np.eye(k)[unit % k] * mass[:, None]
    share = member.sum(axis=0)
    centre = member.T @ mean / share[:, None]
    apart = (mean - centre[unit % k]) ** 2
    effective = share**2 / (member**2).sum(axis=0)
    # Variance of each class mean; nothing where a class has a single group, whose scatter nobody knows.
    unbiased = np.where(effective > 1.0 + 1e-9, effective / np.maximum(effective - 1.0, 1e-9), 0.0)
    of_mean = (member**2).T @ apart / share[:, None] ** 2 * unbiased[:, None]
    share = share / share.sum()
    within = np.sqrt(np.average((z - centre[y]) ** 2, axis=0, weights=weight))
    within = np.maximum(within, LEAST_WITHIN)
    found = share @ (centre - share @ centre) ** 2 / within**2
    chance = (share * (1.0 - share)) @ of_mean / within**2
    believed = np.ones(m)
    for one in np.unique(families):
        own = families == one
        total = float(found[own].sum())
        surplus = 1.0 - DOUBT * float(chance[own].sum()) / total if total > 0.0 else 0.0
        believed[own] = max(LEAST_SIGNAL, surplus)
    return np.asarray(np.sqrt(believed) / within)


def _logistic(z: Floats, y: Ints, weight: Floats, k: int, strength: float) -> tuple[Floats, Floats]:
    """Fit the logistic regression; two classes are laid out like more, as coefficients of each."""
    fitted = LogisticRegression(C=strength, solver="newton-cholesky", max_iter=100, tol=1e-6).fit(
        z, y, sample_weight=weight
    )
    coefficients, intercept = fitted.coef_, fitted.intercept_
    if k == 2:
        coefficients = np.vstack([-coefficients, coefficients]) / 2.0
        intercept = np.concatenate([-intercept, intercept]) / 2.0
    return np.asarray(coefficients), np.asarray(intercept)


def _trees(kind: str, n_trees: int | None, seed: int) -> Any:
    """Make an unfitted ensemble of trees. Sizes are ours: small data, nothing to tune."""
    if kind == "forest":
        return RandomForestClassifier(n_trees or N_TREES, min_samples_leaf=TREE_LEAF, random_state=seed)
    return HistGradientBoostingClassifier(
        max_iter=n_trees or N_ROUNDS,
        max_bins=BINS,
        max_leaf_nodes=7,
        l2_regularization=1.0,
        early_stopping=False,
        random_state=seed,
    )


def _choose(log_probability: Floats, y: Ints, weight: Floats, group: Ints) -> tuple[int, float]:
    """Return which setting to take and its temperature, from predictions of shape (n_settings, n, k)."""
    of = np.unique(group, return_inverse=True)[1]
    mass = np.bincount(of, weight)
    fitted = [_temperature(one, y, weight) for one in log_probability]
    losses = np.array([np.bincount(of, loss * weight) / mass for _, loss in fitted])
    best = int((losses @ mass).argmin())
    worse = losses - losses[best]
    by = worse @ mass / mass.sum()
    error = np.sqrt(((worse - by[:, None]) ** 2) @ mass**2) / mass.sum()
    chosen = int(np.flatnonzero(by <= error)[0])
    return chosen, fitted[chosen][0]


def _temperature(log_probability: Floats, y: Ints, weight: Floats) -> tuple[float, Floats]:
    """Return the temperature with the least log loss, from a grid 2.5 % apart, and the loss of each row.

    The log loss is convex in the inverse of the temperature, so the least is found by halving.
    """

    def losses(i: int) -> Floats:
        return np.asarray(-log_softmax(log_probability / TEMPERATURES[i])[np.arange(len(y)), y])

    low, high = 0, len(TEMPERATURES) - 1
    while low < high:
        middle = (low + high) // 2
        if losses(middle + 1) @ weight < losses(middle) @ weight:
            low = middle + 1
        else:
            high = middle
    return float(TEMPERATURES[low]), losses(low)
