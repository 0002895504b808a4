"""Before anything was heard or seen: who is about at this date and place.

    prior(candidate) ~ sum over regions of  weight(region) * abundance(region) * season(week, latitude)

The season of the fauna already holds how far seasons differ from year to year (its soft edges and its
floor), so a warm or late spring needs no factor of its own. Without a date the season is averaged over the
year; without a place the regions are weighted by their share of records, each with the season of its own
latitude. Something not in the fauna keeps a constant share whatever the date and place.

Functions
---------
log_prior    ln prior of every candidate, normalised
weeks        when in the year each candidate is met
in_season    how many of each candidate fly, against its best week of the year
activity     how many bumblebees fly, against the best week of the year
is_outside   whether a place lies outside the area of the fauna
at_home      the place, where the fauna knows it
season_date  the date, where the seasons of the fauna hold
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from wingtone.fauna import week_of

if TYPE_CHECKING:
    import datetime as dt

    from numpy.typing import NDArray

    from wingtone.evidence.lineup import Lineup
    from wingtone.notebook.places import Place

    Floats = NDArray[np.float64]

__all__ = [
    "ELSE_OUTSIDE",
    "ELSE_SHARE",
    "activity",
    "at_home",
    "in_season",
    "is_outside",
    "log_prior",
    "season_date",
    "weeks",
]

ELSE_SHARE = 0.02
"""Prior probability of something not in the fauna. Ours: two in a hundred insects a beginner stops for."""

ELSE_OUTSIDE = 0.5
"""The same when the place lies outside the area the fauna was made for. Ours."""

TROPIC_DEG = 23.4
"""Latitude of the tropics, the obliquity of the ecliptic: between them no winter sets a season."""

LEAST_REGION = 1e-4
"""Regions with less weight than this are left out, to save time. Ours."""


def is_outside(lineup: Lineup, place: Place | None) -> bool:
    """Tell whether the place lies outside the area of the fauna."""
    return place is not None and not lineup.fauna.covers(place.latitude_deg, place.longitude_deg)


def at_home(lineup: Lineup, place: Place | None) -> Place | None:
    """Return the place, or None where it tells nothing: outside the area of the fauna."""
    return None if is_outside(lineup, place) else place


def season_date(lineup: Lineup, date: dt.date | None, place: Place | None) -> dt.date | None:
    """Return the date, or None where it tells nothing: outside the fauna, in the tropics or beyond them."""
    if date is None or place is None or not is_outside(lineup, place):
        return date
    north = math.copysign(1.0, sum(lineup.latitude_deg.values()))
    return date if place.latitude_deg * north > TROPIC_DEG else None


@lru_cache(maxsize=4096)  # the same date and place come back for every piece of evidence weighed
def log_prior(lineup: Lineup, date: dt.date | None, place: Place | None) -> Floats:
    """Return ln prior of every candidate, shape (n,), read-only; they sum to 1, absent ones have -inf."""
    outside = is_outside(lineup, place)
    met = _met(lineup, date, at_home(lineup, place))
    total = float(met.sum())
    other = ELSE_OUTSIDE if outside else ELSE_SHARE
    if total <= 0.0:
        met, total, other = np.ones_like(met), float(len(met)), ELSE_OUTSIDE
    prior = np.append(met * ((1.0 - other) / total), other)
    with np.errstate(divide="ignore"):
        out = np.log(prior)
    out.setflags(write=False)
    return np.asarray(out)


@lru_cache(maxsize=512)
def weeks(lineup: Lineup, place: Place | None) -> Floats:
    """Return P(week | candidate) over 52 weeks at a place, shape (52, n), read-only; even for something else.

    It is the season that `log_prior` takes: that of the place's own latitude or, where there is no place in
    the area of the fauna, of the regions as they share the records.
    """
    home = at_home(lineup, place)
    met = _year_met(lineup, home)
    latitude_deg = None if home is None else home.latitude_deg
    year = np.where(met.sum(axis=0) > 0.0, met, lineup.year(latitude_deg))  # absent ones have a season too
    out = np.concatenate([year / year.sum(axis=0), np.full((52, 1), 1.0 / 52)], axis=1)
    out.setflags(write=False)
    return out


def in_season(lineup: Lineup, date: dt.date, place: Place | None) -> Floats:
    """Return how many of each entry fly on a date, relative to its best week at the place, shape (n - 1,).

    By the season that `log_prior` takes; NaN for what is not known from there.
    """
    home = at_home(lineup, place)
    best = _year_met(lineup, home).max(axis=0)
    with np.errstate(invalid="ignore"):
        return np.asarray(_met(lineup, date, home) / best)


def activity(lineup: Lineup, date: dt.date, place: Place | None) -> float:
    """Return how many bumblebees are met on a date, relative to the best week of the year at this place."""
    home = at_home(lineup, place)
    bees = lineup.is_bumblebee[:-1]
    best = float(_year_met(lineup, home)[:, bees].sum(axis=1).max())
    return float(_met(lineup, date, home)[bees].sum()) / best if best > 0.0 else 0.0


@lru_cache(maxsize=4096)
def _met(lineup: Lineup, date: dt.date | None, place: Place | None) -> Floats:
    """How many of each entry are met, shape (n - 1,), read-only; on the mean of the year without a date."""
    if date is None:
        return np.asarray(_year_met(lineup, place).mean(axis=0))
    met = np.zeros(len(lineup.fauna.entries))
    for weight, latitude_deg in _parts(lineup, place):
        met += weight * lineup.fauna.season(week_of(date), latitude_deg)
    met.setflags(write=False)
    return met


@lru_cache(maxsize=512)
def _year_met(lineup: Lineup, place: Place | None) -> Floats:
    """How many of each entry are met in the middle of weeks 1-52, shape (52, n - 1), read-only."""
    met = np.zeros((52, len(lineup.fauna.entries)))
    for weight, latitude_deg in _parts(lineup, place):
        met += weight * lineup.year(latitude_deg)
    met.setflags(write=False)
    return met


def _parts(lineup: Lineup, place: Place | None) -> list[tuple[Floats, float]]:
    """Numbers of each entry, shape (n - 1,), in each region that counts, and the latitude of its season."""
    fauna = lineup.fauna
    at = (None, None) if place is None else (place.latitude_deg, place.longitude_deg)
    return [
        (
            weight * fauna.abundance(region),
            lineup.latitude_deg[region] if place is None else place.latitude_deg,
        )
        for region, weight in fauna.region_of(*at).items()
        if weight > LEAST_REGION
    ]
