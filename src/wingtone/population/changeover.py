"""When queens give way to workers.

The share of the upper group (workers) among the bees follows a logistic curve in time. Which group a bee
belongs to is never decided: each counts for both by the densities of the two fitted groups at its tone, so
the likelihood is

    product over bees of  background + (1 - p(day)) f_lower(tone) + p(day) f_upper(tone)

The curve is climbed by EM with one Newton step of the weighted logistic fit each (as generalised EM). A weak
penalty keeps the curve from becoming a cliff where the groups do not overlap in time (`STEEPEST`).

The changeover is the day on which half of the bees belong to each group. Its interval comes from the
bootstrap draws of `wingtone.population.castes`: clusters resampled, groups fitted anew with expectations
drawn anew; percentiles, widened by Student's t for few clusters.

In late summer new queens fly and the share turns round. So only bees up to the day on which the fauna
expects the fewest of the lower group take part.

- `Changeover`, `changeover`, `turning_day`
- `logistic_fit`: the curve, for many draws at once.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from wingtone.population import mixture
from wingtone.population.resampling import LEVEL, NORMAL_95

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from wingtone.fauna import Fauna
    from wingtone.notebook.places import Place
    from wingtone.population.castes import Members
    from wingtone.population.resampling import Clusters

    Floats = NDArray[np.float64]

__all__ = ["Changeover", "CurvePoint", "changeover", "logistic_fit", "turning_day"]

LEAST_BEES = 20
LEAST_DAYS = 4
"""Fewer bees or days are not asked. Ours."""
STEEPEST = 0.5
"""Standard deviation of the penalty on the slope, per day. Ours: at 0.5 a day the share goes from 10 to 90 %
in nine days, and a colony does not take less."""
MOST_STEPS = 100
"""Of the climb. Ours: it ends long before, when no coefficient moves by a millionth."""
CURVE_POINTS = 61
"""Ours: smooth at the size it is drawn."""


@dataclass(frozen=True)
class CurvePoint:
    """Share of the upper group on a day, with its interval."""

    day_of_year: float
    share: float
    low: float
    high: float


@dataclass(frozen=True)
class Changeover:
    """The changeover, or why there is none.

    Attributes
    ----------
    found
        Whether a day can be given.
    reason
        Why not; empty when found.
    day_of_year, low, high
        1 January is 1; with its 95 % interval; NaN when not found.
    date, low_date, high_date
        The same as ISO dates in the sample's year (its last, when there are several); empty when not found.
    width_days
        From 10 to 90 % of the upper group.
    n, years
        Bees and years that took part.
    left_out
        Bees after the day on which new queens begin to count, which did not.
    curve
        Share of the upper group through the season.
    """

    found: bool
    reason: str
    day_of_year: float = math.nan
    low: float = math.nan
    high: float = math.nan
    date: str = ""
    low_date: str = ""
    high_date: str = ""
    width_days: float = math.nan
    n: int = 0
    years: tuple[int, ...] = ()
    left_out: int = 0
    curve: tuple[CurvePoint, ...] = ()


def turning_day(fauna: Fauna, *, place: Place | None = None, taxa: Sequence[str] = ()) -> int:
    """Return the day of the year, to the week, on which the fauna expects the least share of queens.

    Of weeks with the least share the last counts; 365 when the fauna has no two groups.
    """
    from wingtone.population.expected import expected_castes

    shares = []
    for week in range(8, 40):
        day = dt.date(2025, 1, 4) + dt.timedelta(weeks=week - 1)
        groups = expected_castes(fauna, dates=[day], place=place, taxa=taxa).groups
        lower = math.fsum(g.share for g in groups if "queen" in g.castes)
        shares.append((round(lower, 3), -day.timetuple().tm_yday))
    return -min(shares)[1] if any(share > 0 for share, _ in shares) else 365


def logistic_fit(
    time: Floats, lower: Floats, upper: Floats, weights: Floats, *, ridge: float, background: float = 0.0
) -> tuple[Floats, Floats]:
    """Fit ``p = 1 / (1 + exp(-(a + b time)))`` by the likelihood of the module, for many draws at once.

    Parameters
    ----------
    time
        Shape (n,), centred and scaled by the caller.
    lower, upper
        Density of each bee's tone in the two groups, shape (n_draws, n). Where the group is known, 0 and 1.
    weights
        How often each bee counts, shape (n_draws, n).
    ridge
        Penalty ``b^2 / 2 * ridge``; 0 for none.
    background
        Density of anything else, weighed in already.

    Returns
    -------
    a, b
        Shape (n_draws,).
    """
    n_draws = weights.shape[0]
    a, b = np.zeros(n_draws), np.zeros(n_draws)
    for _ in range(MOST_STEPS):
        eta = np.clip(a[:, None] + b[:, None] * time, -30, 30)
        p = 1.0 / (1.0 + np.exp(-eta))
        total = (1 - p) * lower + p * upper + background
        r = p * upper / total
        bee = ((1 - p) * lower + p * upper) / total
        left = weights * (r - bee * p)
        curved = weights * bee * p * (1 - p)
        g0, g1 = left.sum(axis=1), (left * time).sum(axis=1) - ridge * b
        h00 = curved.sum(axis=1) + 1e-6
        h01, h11 = (curved * time).sum(axis=1), (curved * time**2).sum(axis=1) + ridge + 1e-9
        det = h00 * h11 - h01**2
        da = np.clip((h11 * g0 - h01 * g1) / det, -2, 2)
        db = np.clip((h00 * g1 - h01 * g0) / det, -2, 2)
        a, b = a + da, b + db
        if max(float(np.abs(da).max()), float(np.abs(db).max())) < 1e-6:
            break
    return a, b


def changeover(
    days: Sequence[dt.date | None],
    tone_ln: Floats,
    error_ln: Floats,
    members: Members,
    clusters: Clusters,
    *,
    until_day: int = 365,
) -> Changeover:
    """Find the changeover.

    Parameters
    ----------
    days
        Of each bee, shape (n,); bees without take no part.
    tone_ln, error_ln, clusters
        As for `wingtone.population.castes.castes`.
    members
        What that gave.
    until_day
        Last day of the year that takes part, see `turning_day`.
    """
    from scipy.special import stdtrit

    of_year = np.array([math.nan if d is None else d.timetuple().tm_yday for d in days], dtype=np.float64)
    with np.errstate(invalid="ignore"):
        early = of_year <= until_day
    left_out = int(np.isfinite(of_year).sum() - early.sum())
    years = tuple(sorted({d.year for d, use in zip(days, early, strict=True) if d is not None and use}))
    base: dict[str, Any] = {"n": int(early.sum()), "years": years, "left_out": left_out}
    time_days = of_year[early]
    if len(time_days) < LEAST_BEES or len(np.unique(time_days)) < LEAST_DAYS:
        why = f"needs {LEAST_BEES} bees with a date on {LEAST_DAYS} days before new queens fly"
        return Changeover(False, why, **base)
    middle = float(time_days.mean())
    time = (time_days - middle) / 30.0
    ridge = 1.0 / (30.0 * STEEPEST) ** 2

    def densities(mean: Floats, var: Floats) -> tuple[Floats, Floats]:
        logs = mixture.log_density(tone_ln[early], error_ln[early] ** 2, mean, var)
        both = (1 - mixture.BACKGROUND) * np.exp(logs)
        return both[:, 0], both[:, 1]

    even = mixture.BACKGROUND * math.exp(mixture.EVEN_LOG_DENSITY)
    lower, upper = densities(members.mean[None], members.var[None])
    ones = np.ones((1, len(time)))
    a, b = logistic_fit(time, lower, upper, ones, ridge=ridge, background=even)
    lower, upper = densities(members.drawn_mean, members.drawn_var)
    weights = members.weights[:, early]
    drawn_a, drawn_b = logistic_fit(time, lower, upper, weights, ridge=ridge, background=even)
    rising = drawn_b > 1e-6
    at = middle - 30.0 * float(a[0]) / float(b[0]) if b[0] > 1e-6 else math.nan
    curve = _curve(time_days, middle, (float(a[0]), float(b[0])), drawn_a, drawn_b)
    if not b[0] > 1e-6 or rising.mean() < 0.5 + LEVEL / 2:
        why = "the share of the two groups does not clearly change through these dates"
        return Changeover(False, why, curve=curve, **base)
    if not time_days.min() <= at <= time_days.max():
        side = "before the first" if at < time_days.min() else "after the last"
        why = f"half of each is reached only {side} of these dates, if at all"
        return Changeover(False, why, curve=curve, **base)
    drawn = middle - 30.0 * drawn_a[rising] / drawn_b[rising]
    low, high = np.quantile(drawn, ((1 - LEVEL) / 2, (1 + LEVEL) / 2))
    # from the number of clusters that took part
    taking = len(np.unique(clusters.of[early]))
    widen = float(stdtrit(max(taking - 1, 1), 0.5 + LEVEL / 2)) / NORMAL_95
    low, high = at - widen * max(at - float(low), 0.0), at + widen * max(float(high) - at, 0.0)
    low, high = max(low, 1.0), min(high, 366.0)
    year = years[-1]
    return Changeover(
        True,
        "",
        day_of_year=at,
        low=low,
        high=high,
        date=_date(year, at),
        low_date=_date(year, low),
        high_date=_date(year, high),
        width_days=2 * math.log(9.0) * 30.0 / float(b[0]),
        curve=curve,
        **base,
    )


def _date(year: int, day_of_year: float) -> str:
    return (dt.date(year, 1, 1) + dt.timedelta(days=round(day_of_year) - 1)).isoformat()


def _curve(
    days: Floats, middle: float, point: tuple[float, float], a: Floats, b: Floats
) -> tuple[CurvePoint, ...]:
    at = np.linspace(days.min(), days.max(), CURVE_POINTS)
    x = (at - middle) / 30.0
    eta = np.clip(point[0] + point[1] * x, -30, 30)
    drawn = 1.0 / (1.0 + np.exp(-np.clip(a[:, None] + b[:, None] * x, -30, 30)))
    low, high = np.quantile(drawn, ((1 - LEVEL) / 2, (1 + LEVEL) / 2), axis=0)
    share = 1.0 / (1.0 + np.exp(-eta))
    return tuple(CurvePoint(*map(float, values)) for values in zip(at, share, low, high, strict=True))
