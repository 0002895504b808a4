"""Normal mixtures of values with known errors, about a stated expectation, many fits at once.

The model: with probability `BACKGROUND` a value is anything (evenly over ln f0), else it belongs to component
k with probability ``share_k``; its true value is then normal with ``mean_k`` and ``var_k``, and it was
measured with the known variance ``error_var``. What is expected of a component is a penalty: ``mean_k``
normal about ``prior.mean`` with ``prior.doubt_var``, and ``var_k`` scaled inverse chi-squared about
``prior.var`` with `SPREAD_WEIGHT` degrees of freedom. EM (Dempster, Laird & Rubin 1977) climbs the penalised
likelihood; the true values are missing data as well as the components, so each step is in closed form.

Many fits run at once: the first axis of values or weights is the fit.

- `Prior`, `flat_prior`: what is expected.
- `Fit`, `fit`: fitted mixtures.
- `log_density`: of each component at each value.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wingtone.evidence.tone_size import ELSE_HIGH_HZ, ELSE_LOW_HZ

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["BACKGROUND", "Fit", "Prior", "fit", "flat_prior", "log_density", "responsibilities"]

BACKGROUND = 0.02
"""Share of values that may be anything, so that a wasp or a slip does not widen a caste. Ours, as
`wingtone.evidence.prior.ELSE_SHARE`."""
EVEN_LOG_DENSITY = -math.log(math.log(ELSE_HIGH_HZ / ELSE_LOW_HZ))

SPREAD_WEIGHT = 10.0
"""How firmly the spread of a group is expected: as if seen in so many bees, which leaves a doubt of about
1 / sqrt(20) = 22 % in the standard deviation. Ours."""

MOST_STEPS = 200
"""Of EM. Ours: fits that have not ended by then hardly move."""
CLOSE = 1e-4
"""EM ends when no share, no mean in standard deviations, and no ln variance moves by more than this. Ours."""

MOST_AT_ONCE = 2_000_000
"""Numbers in one array of a batch; larger batches are done in parts. Ours: 16 MB."""


@dataclass(frozen=True, eq=False)
class Prior:
    """What is expected: arrays of shape (k,), or (n_fits, k) where it differs from fit to fit.

    ``weight`` is `SPREAD_WEIGHT`, or 0 for no expectation of the spread.
    """

    mean: Floats
    doubt_var: Floats
    var: Floats
    weight: float = SPREAD_WEIGHT

    def part(self, rows: slice) -> Prior:
        """Give the expectation of some of the fits."""
        cut = [a if a.ndim == 1 else a[rows] for a in (self.mean, self.doubt_var, self.var)]
        return Prior(cut[0], cut[1], cut[2], self.weight)


def flat_prior(values: Floats, k: int) -> Prior:
    """Expect nothing of the means, and next to nothing of the spreads (one bee's worth, against collapse)."""
    var = float(np.var(values))
    return Prior(np.full(k, values.mean()), np.full(k, 1e6 * var), np.full(k, var / k**2), 1.0)


@dataclass(frozen=True, eq=False)
class Fit:
    """Fitted mixtures: ``share``, ``mean`` and ``var`` of shape (n_fits, k), ``height`` (n_fits,).

    ``height`` is the penalised log-likelihood, the penalty 0 for what is expected exactly; ``loglik`` the
    log-likelihood alone.
    """

    share: Floats
    mean: Floats
    var: Floats
    height: Floats
    loglik: Floats

    def pick(self, better: NDArray[np.bool_], other: Fit) -> Fit:
        """Take the fits of the other where it is better."""
        mask = better[:, None]
        return Fit(
            np.where(mask, other.share, self.share),
            np.where(mask, other.mean, self.mean),
            np.where(mask, other.var, self.var),
            np.where(better, other.height, self.height),
            np.where(better, other.loglik, self.loglik),
        )


def fit(
    values: Floats,
    error_var: Floats,
    prior: Prior,
    *,
    start: tuple[Floats, Floats, Floats],
    weights: Floats | None = None,
    background: float = BACKGROUND,
) -> Fit:
    """Fit mixtures from a start.

    Parameters
    ----------
    values
        Shape (n,), or (n_fits, n).
    error_var
        Variance of the error of each value, shape (n,).
    prior
        What is expected.
    start
        Shares, means and variances, shape (k,) or (n_fits, k).
    weights
        How often each value counts, shape (n_fits, n); None for once.
    background
        Share of values that may be anything.
    """
    n = values.shape[-1]
    n_fits = max(
        values.shape[0] if values.ndim == 2 else 1,
        1 if weights is None else weights.shape[0],
        *(a.shape[0] for a in start if a.ndim == 2),
        *(a.shape[0] for a in (prior.mean, prior.var) if a.ndim == 2),
    )
    rows = max(1, MOST_AT_ONCE // max(n, 1))
    parts = []
    for first in range(0, n_fits, rows):
        cut = slice(first, min(first + rows, n_fits))
        many = cut.stop - cut.start
        parts.append(
            _fit(
                values[cut] if values.ndim == 2 and values.shape[0] > 1 else np.atleast_2d(values),
                error_var,
                prior.part(cut),
                [np.array(np.broadcast_to(a[cut] if a.ndim == 2 else a, (many, a.shape[-1]))) for a in start],
                None if weights is None else weights[cut],
                background,
            )
        )
    joined = [
        np.concatenate([getattr(p, name) for p in parts])
        for name in ("share", "mean", "var", "height", "loglik")
    ]
    return Fit(joined[0], joined[1], joined[2], joined[3], joined[4])


def _fit(
    values: Floats,
    error_var: Floats,
    prior: Prior,
    start: list[Floats],
    weights: Floats | None,
    background: float,
) -> Fit:
    share, mean, var = start
    n_fits, k = share.shape
    prior_mean, doubt, prior_var = (
        np.broadcast_to(a, (n_fits, k)) for a in (prior.mean, prior.doubt_var, prior.var)
    )
    running = np.arange(n_fits)
    for _ in range(MOST_STEPS):
        w = None if weights is None else weights[running]
        y = values if values.shape[0] == 1 else values[running]
        densities = _densities(y, error_var, share[running], mean[running], var[running], background)
        total = sum(densities[1:], densities[0])
        counted = (1.0 / total) if w is None else w / total
        moved = np.zeros(len(running))
        sums = []
        for j in range(k):
            r = densities[j + 1] * counted
            m, v = mean[running, j][:, None], var[running, j][:, None]
            precision = 1.0 / (v + error_var)
            pull = r * precision
            d = doubt[running, j]
            new_mean = ((pull * y).sum(axis=1) + prior_mean[running, j] / d) / (pull.sum(axis=1) + 1.0 / d)
            shrunk = v * precision
            # variance of the true value given the measured one, and its square about the mean
            square = shrunk * error_var + (shrunk * (y - m)) ** 2
            amount = r.sum(axis=1)
            new_var = ((r * square).sum(axis=1) + prior.weight * prior_var[running, j]) / (
                amount + prior.weight
            )
            moved = np.maximum(moved, np.abs(new_mean - mean[running, j]) / np.sqrt(new_var))
            moved = np.maximum(moved, np.abs(np.log(new_var / var[running, j])))
            mean[running, j], var[running, j] = new_mean, new_var
            sums.append(amount)
        amounts = np.stack(sums, axis=1)
        new_share = amounts / amounts.sum(axis=1, keepdims=True)
        moved = np.maximum(moved, np.abs(new_share - share[running]).max(axis=1))
        share[running] = new_share
        running = running[moved > CLOSE]
        if running.size == 0:
            break
    densities = _densities(values, error_var, share, mean, var, background)
    logs = np.log(sum(densities[1:], densities[0]))
    loglik = logs.sum(axis=1) if weights is None else (logs * weights).sum(axis=1)
    ratio = prior_var / var
    penalty = 0.5 * (mean - prior_mean) ** 2 / doubt - 0.5 * prior.weight * (np.log(ratio) - ratio + 1.0)
    return Fit(share, mean, var, loglik - penalty.sum(axis=1), loglik)


def _densities(
    values: Floats, error_var: Floats, share: Floats, mean: Floats, var: Floats, background: float
) -> list[Floats]:
    """Background first, then each component times its share, each of shape (n_fits, n)."""
    out = [np.full((1, 1), max(background * math.exp(EVEN_LOG_DENSITY), 1e-300))]
    for j in range(share.shape[1]):
        total = var[:, j][:, None] + error_var
        z = (values - mean[:, j][:, None]) ** 2 / total
        out.append((1.0 - background) * share[:, j][:, None] * np.exp(-0.5 * z) / np.sqrt(2 * np.pi * total))
    return out


def log_density(values: Floats, error_var: Floats, mean: Floats, var: Floats) -> Floats:
    """Return ln density of each component at each value, shape (n_fits, k, n); inputs (n,), (n_fits, k)."""
    total = var[:, :, None] + error_var
    return np.asarray(-0.5 * ((values - mean[:, :, None]) ** 2 / total + np.log(2 * np.pi * total)))


def responsibilities(values: Floats, error_var: Floats, fitted: Fit) -> Floats:
    """Return the probability of each component for each value under the first fit, shape (k, n).

    Sums are below 1 by the probability that the value is background.
    """
    densities = _densities(
        np.atleast_2d(values), error_var, fitted.share[:1], fitted.mean[:1], fitted.var[:1], BACKGROUND
    )
    total = sum(densities[1:], densities[0])
    return np.stack([(d / total)[0] for d in densities[1:]])
