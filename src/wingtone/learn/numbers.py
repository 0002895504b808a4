"""A fitted classifier as plain numbers, and what they say of a bout.

scikit-learn is not needed here: what it fitted is carried over as arrays. Only the forest kinds keep an
object of it.

Conventions
-----------
``k`` classes, ``m`` features, ``n`` bouts. Features are standardised with the centre and scale of the
training; what is not known then counts as 0, the centre, and so speaks neither for nor against any class.
Probabilities are those at the class shares of the training, ``prior``; taking its logarithm away gives a
likelihood that can stand beside other evidence.

- `Numbers`: the arrays, and `log_posterior`, `log_likelihood`, `distance`
- `discriminant`: means and whitening of classes with one common covariance
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from wingtone.learn.kinds import LINEAR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["Numbers", "discriminant", "log_softmax"]

CLIP = 6.0
"""Standardised figures stay within six standard deviations, so that no wild value decides alone. Ours."""

LEAST_KNOWN = 0.5
"""A bout of which less than half of the figures are known is out of range. Ours."""

LEAST_FOREST = 1e-3
"""Floor of a forest's vote before its logarithm is taken: no tree voting for a class is no proof. Ours."""

SHRINKAGE = 0.1
"""Share of its diagonal that replaces the pooled covariance, so that it can be inverted for any number of
bouts. Ours."""


@dataclass(frozen=True, eq=False)
class Numbers:
    """What was fitted.

    Attributes
    ----------
    kind
        One of `wingtone.learn.kinds.KINDS`.
    centre, scale : shape (m,)
        A feature that is not used has scale infinity.
    coefficients, intercept : shape (k, m), (k,)
        Of the linear kinds; zero for the others.
    temperature
        The logarithms of the raw odds are divided by it (Guo et al. 2017, On calibration of modern neural
        networks, ICML; memory). Above 1: the raw classifier was too sure of itself.
    prior : shape (k,)
        Class shares, weighted as in the training.
    means, whitening : shape (k, m), (m, m)
        For the distance of a bout from the nearest class.
    limit
        Largest distance that is not yet out of range.
    forest
        Fitted scikit-learn classifier of the forest kinds, else None.
    """

    kind: str
    centre: Floats
    scale: Floats
    coefficients: Floats
    intercept: Floats
    temperature: float
    prior: Floats
    means: Floats
    whitening: Floats
    limit: float
    forest: Any = None

    def standardised(self, table: Floats) -> Floats:
        """Standardise features, shape (n, m); what is not known becomes 0."""
        z = (np.asarray(table, dtype=float) - self.centre) / self.scale
        return np.clip(np.where(np.isfinite(z), z, 0.0), -CLIP, CLIP)

    def raw(self, z: Floats) -> Floats:
        """Return ln odds up to a constant, before calibration, from standardised features; shape (n, k)."""
        if self.kind in LINEAR:
            return np.asarray(z @ self.coefficients.T + self.intercept)
        return np.asarray(np.log(np.maximum(self.forest.predict_proba(z), LEAST_FOREST)))

    def log_posterior(self, table: Floats) -> Floats:
        """Return ln P(class | bout) at the class shares of the training, shape (n, k)."""
        return log_softmax(self.raw(self.standardised(table)) / self.temperature)

    def log_likelihood(self, table: Floats) -> Floats:
        """Return ln P(bout | class) up to a constant of each bout, shape (n, k)."""
        return np.asarray(self.log_posterior(table) - np.log(self.prior))

    def distance(self, table: Floats) -> Floats:
        """Return how far each bout lies from the nearest class, in standard deviations; shape (n,).

        The Mahalanobis distance divided by sqrt(m). Infinite where less than `LEAST_KNOWN` of the used
        features are known.
        """
        z = self.standardised(table)
        white = z @ self.whitening
        centres = self.means @ self.whitening
        apart = np.min([((white - one) ** 2).mean(axis=1) for one in centres], axis=0)
        used = np.isfinite(self.scale)
        known = np.isfinite(np.asarray(table, dtype=float)[:, used]).mean(axis=1)
        return np.where(known >= LEAST_KNOWN, np.sqrt(apart), np.inf)

    def in_range(self, table: Floats) -> NDArray[np.bool_]:
        """Whether each bout is like something in the training, shape (n,)."""
        return np.asarray(self.distance(table) <= self.limit)


def log_softmax(values: Floats) -> Floats:
    """Return ln of the softmax along the last axis."""
    top = values - values.max(axis=-1, keepdims=True)
    return np.asarray(top - np.log(np.exp(top).sum(axis=-1, keepdims=True)))


def discriminant(z: Floats, y: NDArray[np.int_], weight: Floats, n_classes: int) -> tuple[Floats, Floats]:
    """Return class means (k, m), and W (m, m) with W W' the inverse of the shrunk common covariance.

    Parameters
    ----------
    z : shape (n, m)
        Standardised features.
    y, weight : shape (n,)
    """
    member = np.eye(n_classes)[y] * weight[:, None]
    share = member.sum(axis=0)
    means = (member.T @ z) / share[:, None]
    apart = z - means[y]
    covariance = (apart * weight[:, None]).T @ apart / weight.sum()
    own = np.diag(np.diag(covariance))
    # A feature that never varies, or is not used, gets unit variance: it then adds its square or nothing.
    own[np.diag_indices_from(own)] = np.where(np.diag(own) > 1e-9, np.diag(own), 1.0)
    covariance = (1.0 - SHRINKAGE) * covariance + SHRINKAGE * own
    constant = np.diag(covariance) < 0.5 * np.diag(own)
    covariance[constant, constant] = 1.0
    return means, np.linalg.inv(np.linalg.cholesky(covariance)).T
