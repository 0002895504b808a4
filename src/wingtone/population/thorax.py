"""From tones to sizes: how the intertegular distances (ITD) are distributed.

Each bee's tone gives no size but a distribution of sizes, by the model of `wingtone.evidence` with the season
of its day: taxa and castes by their posterior, and for each a lognormal ITD. The distribution of the sample
is the mean of these. It therefore leans on what the fauna expects, and the more so the less the tone says.

Intervals are for which bees happened to be heard (cluster bootstrap). They do not hold the doubt about the
line from tone to size, which moves all sizes together; `Thorax.line_factor` says how far.

- `Thorax`, `thorax`
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wingtone.evidence.lineup import line_up
from wingtone.evidence.prior import log_prior
from wingtone.evidence.tone_size import INTERVAL_95, LEAST_MEASUREMENT_SD, MOST_BOUTS, ToneCue, tone_terms
from wingtone.population.distribution import PROBABILITIES, Quantile
from wingtone.population.resampling import LEVEL, NORMAL_95, bootstrap_weights

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from wingtone.evidence.lineup import Lineup
    from wingtone.fauna import Fauna
    from wingtone.notebook.places import Place
    from wingtone.population.individuals import Individual
    from wingtone.population.resampling import Clusters

    Floats = NDArray[np.float64]

__all__ = ["Thorax", "thorax"]

GRID_MM = np.linspace(2.0, 8.0, 151)
"""Sizes at which the distribution is worked out. Ours: beyond the smallest worker and the largest queen."""


@dataclass(frozen=True)
class Thorax:
    """Distribution of ITD.

    Attributes
    ----------
    quantiles
        In mm, with intervals; an end is NaN where the recordings, or days, are too few to bound it.
    at_mm, density
        Density per mm on an even grid.
    line_factor
        All sizes may be larger or smaller together by this factor (two standard deviations of the
        doubt about the line).
    """

    quantiles: tuple[Quantile, ...]
    at_mm: tuple[float, ...]
    density: tuple[float, ...]
    line_factor: float


def thorax(
    individuals: Sequence[Individual],
    clusters: Clusters,
    fauna: Fauna,
    *,
    rng: np.random.Generator,
    place: Place | None = None,
    taxa: Sequence[str] = (),
    n_draws: int = 400,
) -> Thorax:
    """Work the distribution out.

    Parameters
    ----------
    individuals
        At least one.
    taxa
        Names as the fauna has them; empty for all its bumblebees.
    """
    from scipy.special import ndtr, stdtrit

    lineup = line_up(fauna)
    allowed = lineup.is_bumblebee.copy()
    if taxa:
        allowed &= np.isin(np.array(lineup.taxa)[lineup.taxon_of], list(taxa))
    within = lineup.tone.within_sd
    ln_grid = np.log(GRID_MM)
    below = np.empty((len(individuals), len(GRID_MM)))
    for i, bee in enumerate(individuals):
        terms = tone_terms(lineup.tone, _cue(bee, within))
        log_weight = _prior_of(lineup, allowed, bee.day, place) + terms.log_likelihood
        weight = np.exp(log_weight - log_weight.max())
        use = weight > 1e-4
        z = (ln_grid[:, None] - terms.itd_mean_ln_mm[use]) / np.sqrt(terms.itd_var[use])
        below[i] = ndtr(z) @ weight[use] / weight[use].sum()
    cdf = below.mean(axis=0)
    points = np.array([np.interp(p, cdf, GRID_MM) for p in PROBABILITIES])
    ends = np.full((2, len(points)), math.nan)
    if clusters.n > 1:
        weights = bootstrap_weights(rng, clusters, n_draws)
        total = weights.sum(axis=1)
        drawn_cdf = (weights @ below)[total > 0] / total[total > 0, None]
        drawn = np.array([np.interp(PROBABILITIES, row, GRID_MM) for row in drawn_cdf])
        widen = float(stdtrit(clusters.n - 1, 0.5 + LEVEL / 2)) / NORMAL_95
        ends = _widened(points, np.quantile(drawn, ((1 - LEVEL) / 2, (1 + LEVEL) / 2), axis=0), widen)
    step = float(GRID_MM[1] - GRID_MM[0])
    exponent, line = fauna.tone_model["exponent"][0], fauna.tone_model["sd_line"][0]
    return Thorax(
        quantiles=tuple(
            Quantile(p, float(at), float(low), float(high))
            for p, at, low, high in zip(PROBABILITIES, points, ends[0], ends[1], strict=True)
        ),
        at_mm=tuple(map(float, GRID_MM)),
        density=tuple(map(float, np.gradient(cdf, step))),
        line_factor=math.exp(2 * line / abs(exponent)),
    )


def _prior_of(lineup: Lineup, allowed: NDArray[np.bool_], day: dt.date | None, place: Place | None) -> Floats:
    """Return ln prior of every candidate up to a constant, shape (n,); -inf but for those that are allowed.

    Where none of them lives, says the fauna, they are taken as they are met elsewhere, in the season of the
    day; where it knows them from nowhere, all their castes alike, however many colour forms they have.
    """
    for at in dict.fromkeys((place, None)):
        prior = np.where(allowed, log_prior(lineup, day, at), -np.inf)
        if np.isfinite(prior.max()):
            return prior
    shares = [*(entry.share for entry in lineup.fauna.entries), 1.0]
    return np.where(allowed, np.log(shares), -np.inf)


def _widened(points: Floats, ends: Floats, widen: float) -> Floats:
    """Move the ends of intervals away from their points by a factor, for so few clusters, in log mm.

    Sizes have no zero to be crossed there. An end that reaches the edge of the grid is NaN: no bee is that
    small or that large, so that these clusters do not bound the quantile.
    """
    low = points * np.minimum(ends[0] / points, 1.0) ** widen
    high = points * np.maximum(ends[1] / points, 1.0) ** widen
    return np.array([np.where(low > GRID_MM[0], low, math.nan), np.where(high < GRID_MM[-1], high, math.nan)])


def _cue(bee: Individual, within: float) -> ToneCue:
    """Put an individual as evidence takes it: the measurement's share of its error, and its bouts."""
    rest = bee.error_ln**2 - within**2 / min(bee.n_bouts, MOST_BOUTS)
    sd = math.sqrt(max(rest, LEAST_MEASUREMENT_SD**2))
    reach = INTERVAL_95 / 2 * sd
    low, high = bee.tone_hz * math.exp(-reach), bee.tone_hz * math.exp(reach)
    return ToneCue(bee.tone_hz, low, high, n_bouts=bee.n_bouts)
