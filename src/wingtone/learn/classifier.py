"""The classifier, as scikit-learn knows one.

Import this module only where something is fitted: it loads scikit-learn.

- `BoutClassifier`: four kinds behind one option, calibrated
- `folds`: grouped, stratified folds
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Self

import numpy as np

from wingtone.errors import MissingExtraError
from wingtone.learn.numbers import KINDS, Numbers, discriminant, log_softmax

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

STRENGTHS = (0.001, 0.01, 0.1, 1.0)
"""Inverse strengths of the ridge to choose from, on standardised features. Ours: from nothing but the
strongest trend to hardly any restraint."""

FAVOURS = (1.0, 5.0, 25.0)
"""By what factor to choose from the ridge holds favoured features back less. Ours: from no difference to
hardly anything but these. With few animals this keeps thirty figures of timbre from drowning the tone."""

Setting = tuple[float, float]
"""Strength and favour."""

INNER_FOLDS = 4
LEAST_KNOWN_SHARE = 0.05
"""A feature known in less than a twentieth of the training is not used. Ours."""

TEMPERATURES = np.exp(np.linspace(np.log(0.25), np.log(8.0), 141))
RANGE_QUANTILE = 0.99
"""One bout in a hundred of the very animals that were trained on is held to be out of range. Ours."""

N_TREES, TREE_LEAF = 100, 3
N_ROUNDS = 80


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
    favoured
        Columns of features that are known to matter: the ridge of ``logistic`` may hold them back less, by a
        factor chosen together with its strength.
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
    strength_, favour_ : float
        The strength and the factor chosen; NaN for kinds without them.

    Notes
    -----
    NaN means not known and is allowed everywhere, see `wingtone.learn.numbers`. Calibration is temperature
    scaling on predictions for held-out groups; with fewer than two groups in a class it is left out. Those
    predictions come from classifiers that saw three quarters of the groups, so the final one, which saw all,
    is rather a little too modest than too sure.
    """

    def __init__(
        self,
        kind: str = "logistic",
        *,
        favoured: tuple[int, ...] = (),
        class_weight: str | dict[Any, float] | None = "balanced",
        random_state: int | None = 0,
    ) -> None:
        self.kind = kind
        self.favoured = favoured
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

        settings = self._settings()
        seed = 0 if self.random_state is None else self.random_state
        held_out = np.full((len(settings), len(codes), k), np.nan)
        distance = np.full(len(codes), np.nan)
        for train, test in folds(INNER_FOLDS, codes, group, seed=seed):
            fitted = self._fit_all(table[train], codes[train], weight[train], k, settings, seed)
            for i, numbers in enumerate(fitted):
                held_out[i, test] = log_softmax(numbers.raw(numbers.standardised(table[test])))
            distance[test] = fitted[0].distance(table[test])
        tested = np.isfinite(held_out[0, :, 0])
        best, temperature = 0, 1.0
        if tested.any():
            own = held_out[:, np.arange(len(codes)), codes][:, tested]
            best = int((own @ weight[tested]).argmax())
            temperature = _temperature(held_out[best][tested], codes[tested], weight[tested])
        elif self.kind == "logistic":
            best = settings.index((1.0, 1.0))
        raw = self._fit_all(table, codes, weight, k, (settings[best],), seed)[0]
        near = distance[np.isfinite(distance)]
        limit = (
            float(np.quantile(near, RANGE_QUANTILE)) if near.size else 2.0 * float(raw.distance(table).max())
        )
        self.strength_, self.favour_ = settings[best]
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

    def _settings(self) -> tuple[Setting, ...]:
        """Return what there is to choose from."""
        if self.kind != "logistic":
            return ((float("nan"), float("nan")),)
        favours = FAVOURS if self.favoured else (1.0,)
        return tuple((strength, favour) for strength in STRENGTHS for favour in favours)

    def _fit_all(
        self, table: Floats, y: Ints, weight: Floats, k: int, settings: Sequence[Setting], seed: int
    ) -> list[Numbers]:
        """Fit once for each setting, without calibration."""
        centre, scale = _centre_and_scale(table, weight)
        m = table.shape[1]
        prior = np.bincount(y, weight, minlength=k) / weight.sum()
        plain = Numbers(
            self.kind,
            centre,
            scale,
            np.zeros((k, m)),
            np.zeros(k),
            1.0,
            prior,
            np.zeros((k, m)),
            np.eye(m),
            0.0,
        )
        z = plain.standardised(table)
        means, whitening = discriminant(z, y, weight, k)
        out = []
        for strength, favour in settings:
            coefficients, intercept, forest = plain.coefficients, plain.intercept, None
            if self.kind == "logistic":
                stretch = np.ones(m)
                stretch[list(self.favoured)] = favour
                coefficients, intercept = _logistic(z * stretch, y, weight, k, strength)
                coefficients = coefficients * stretch
            elif self.kind == "discriminant":
                coefficients = means @ whitening @ whitening.T
                intercept = np.log(prior) - 0.5 * (coefficients * means).sum(axis=1)
            else:
                forest = _trees(self.kind, seed).fit(z, y, sample_weight=weight)
            out.append(
                Numbers(
                    self.kind,
                    centre,
                    scale,
                    coefficients,
                    intercept,
                    1.0,
                    prior,
                    means,
                    whitening,
                    0.0,
                    forest,
                )
            )
        return out

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


def _trees(kind: str, seed: int) -> Any:
    """Make an unfitted ensemble of trees. Sizes are ours: small data, nothing to tune."""
    if kind == "forest":
        return RandomForestClassifier(N_TREES, min_samples_leaf=TREE_LEAF, random_state=seed)
    return HistGradientBoostingClassifier(
        max_iter=N_ROUNDS, max_leaf_nodes=7, l2_regularization=1.0, early_stopping=False, random_state=seed
    )


def _temperature(log_probability: Floats, y: Ints, weight: Floats) -> float:
    """Return the temperature with the least log loss, from a grid 2.5 % apart."""
    losses = [-(log_softmax(log_probability / t)[np.arange(len(y)), y] @ weight) for t in TEMPERATURES]
    return float(TEMPERATURES[int(np.argmin(losses))])
