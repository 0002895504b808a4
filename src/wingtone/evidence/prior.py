"""Before anything was heard or seen: who is about at this date and place.

    prior(candidate) ~ sum over regions of  weight(region) * abundance(region) * season(week, latitude)

The season of the fauna already holds how far seasons differ from year to year (its soft edges and its
floor), so a warm or late spring needs no factor of its own. Without a date the season is averaged over the
year; without a place the regions are weighted by their share of records, each with the season of its own
latitude. Something not in the fauna keeps a constant share whatever the date and place.

Functions
---------
log_prior    ln prior of every candidate, normalised
activity     how many bumblebees fly, against the best week of the year
is_outside   whether a place lies outside the area of the fauna
season_date  the date, where the seasons of the fauna hold
"""

from __future__ import annotations

import datetime as dt
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from wingtone.fauna import week_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wingtone.evidence.lineup import Lineup
    from wingtone.notebook.places import Place

    Floats = NDArray[np.float64]

__all__ = ["ELSE_OUTSIDE", "ELSE_SHARE", "activity", "is_outside", "log_prior", "season_date"]

ELSE_SHARE = 0.02
"""Prior probability of something not in the fauna. Ours: two in a hundred insects a beginner stops for."""

ELSE_OUTSIDE = 0.5
"""The same when the place lies outside the area the fauna was made for. Ours."""

LEAST_REGION = 1e-4
"""Regions with less weight than this are left out, to save time. Ours."""


def is_outside(lineup: Lineup, place: Place | None) -> bool:
    """Tell whether the place lies outside the area of the fauna."""
    return place is not None and not lineup.fauna.covers(place.latitude_deg, place.longitude_deg)


def season_date(lineup: Lineup, date: dt.date | None, place: Place | None) -> dt.date | None:
    """Return the date, or None where it tells nothing: on the other side of the equator from the fauna."""
    if date is None or place is None or not is_outside(lineup, place):
        return date
    other_side = place.latitude_deg * sum(lineup.latitude_deg.values()) < 0.0
    return None if other_side else date


@lru_cache(maxsize=4096)  # the same date and place come back for every piece of evidence weighed
def log_prior(lineup: Lineup, date: dt.date | None, place: Place | None) -> Floats:
    """Return ln prior of every candidate, shape (n,), read-only; they sum to 1, absent ones have -inf."""
    outside = is_outside(lineup, place)
    met = _met(lineup, date, None if outside else place)
    total = float(met.sum())
    other = ELSE_OUTSIDE if outside else ELSE_SHARE
    if total <= 0.0:
        met, total, other = np.ones_like(met), float(len(met)), ELSE_OUTSIDE
    prior = np.append(met * ((1.0 - other) / total), other)
    with np.errstate(divide="ignore"):
        out = np.log(prior)
    out.setflags(write=False)
    return np.asarray(out)


def activity(lineup: Lineup, date: dt.date, place: Place | None) -> float:
    """Return how many bumblebees are met on a date, relative to the best week of the year at this place."""
    here = None if is_outside(lineup, place) else place
    bees = lineup.is_bumblebee[:-1]
    best = max(float(_met(lineup, day, here)[bees].sum()) for day in _weekly(date.year))
    return float(_met(lineup, date, here)[bees].sum()) / best if best > 0.0 else 0.0


def _weekly(year: int) -> list[dt.date]:
    return [dt.date(year, 1, 4) + dt.timedelta(weeks=week) for week in range(52)]


@lru_cache(maxsize=4096)
def _met(lineup: Lineup, date: dt.date | None, place: Place | None) -> Floats:
    """How many of each entry are met, shape (n - 1,), read-only."""
    fauna = lineup.fauna
    weights = fauna.region_of(*((None, None) if place is None else (place.latitude_deg, place.longitude_deg)))
    met = np.zeros(len(fauna.entries))
    for region, weight in weights.items():
        if weight > LEAST_REGION:
            latitude = lineup.latitude_deg[region] if place is None else place.latitude_deg
            met += weight * fauna.abundance(region) * _season(lineup, date, latitude)
    met.setflags(write=False)
    return met


@lru_cache(maxsize=512)
def _season(lineup: Lineup, date: dt.date | None, latitude_deg: float) -> Floats:
    """Season of every entry on a date, or its mean over the year, shape (n - 1,)."""
    if date is None:
        return np.asarray(lineup.year.mean(axis=0))
    return lineup.fauna.season(week_of(date), latitude_deg)
