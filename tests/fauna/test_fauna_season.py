"""The soft trapezoid against slow integration, and the calendar of weeks."""

from __future__ import annotations

import datetime

import numpy as np
import pytest
from scipy import integrate, stats

from fauna.tiny import write_fauna
from wingtone.fauna import SEASON_FLOOR, load, week_of
from wingtone.fauna.season import WEEKS_IN_YEAR, soft_trapezoid


def height(week: float, shape: tuple[float, float, float, float], soft: float) -> float:
    names = ("first_week", "full_week", "fade_week", "last_week")
    columns = {name: np.array([value]) for name, value in zip(names, shape, strict=True)}
    return float(soft_trapezoid(week, soft_weeks=np.array([soft]), **columns)[0])


@pytest.mark.parametrize("shape", [(10, 14, 20, 26), (10, 10, 20, 20), (12, 22, 22, 40)])
@pytest.mark.parametrize("soft", [0.5, 2.0])
def test_soft_trapezoid_is_the_trapezoid_smoothed(
    shape: tuple[float, float, float, float], soft: float
) -> None:
    """Independent second implementation: numeric convolution of a piecewise linear shape, with scipy."""

    def smoothed(week: float) -> float:
        def integrand(at: float) -> float:
            corner = np.interp(at, [shape[0], shape[1] + 1e-9, shape[2], shape[3] + 1e-9], [0, 1, 1, 0], 0, 0)
            return float(corner * stats.norm.pdf(at, week, soft))

        breaks = sorted([*shape, week])
        area, _ = integrate.quad(integrand, week - 9 * soft, week + 9 * soft, points=breaks, limit=400)
        return float(area)

    for week in (8.0, 11.0, 14.0, 18.0, 22.0, 27.0):
        assert height(week, shape, soft) == pytest.approx(smoothed(week), abs=2e-5)


def test_limits() -> None:
    assert height(20, (10, 12, 30, 32), 1.0) == pytest.approx(1.0, abs=1e-9)
    assert height(45, (10, 12, 30, 32), 1.0) == pytest.approx(0.0, abs=1e-9)
    assert height(10, (10, 10, 30, 30), 2.0) == pytest.approx(0.5, abs=1e-6)  # on a sharp edge


def test_the_year_is_a_circle() -> None:
    shape = (1.0, 1.0, 53.99, 53.99)
    for week in np.linspace(1, 53.1, 20):
        assert height(float(week), shape, 1.0) == pytest.approx(1.0, abs=1e-6)
    late = (44.0, 46.0, 52.0, 53.9)
    assert height(1.0, late, 1.5) == pytest.approx(height(1.0 + WEEKS_IN_YEAR, late, 1.5), abs=1e-12)
    assert height(1.0, late, 1.5) > 0.05  # the soft edge reaches over New Year


@pytest.mark.parametrize("year", range(2019, 2033))
def test_weeks_keep_close_to_iso_weeks(year: int) -> None:
    """Against the calendar of the standard library (ISO 8601 weeks): never further than 4 days."""
    for month in range(1, 13):
        day = datetime.date(year, month, 15)
        iso = day.isocalendar().week + (day.isocalendar().weekday - 0.5) / 7
        assert abs(week_of(day) - iso) <= 4 / 7
    assert 1.0 < week_of(datetime.date(year, 1, 1)) < week_of(datetime.date(year, 12, 31)) < 53.4


def test_latitude_shifts_and_the_floor(tmp_path_factory: pytest.TempPathFactory) -> None:
    fauna = load(write_fauna(tmp_path_factory.mktemp("f") / "f"))
    queen, worker, male = 0, 2, 3
    # queens: the whole season half a week later per degree north
    np.testing.assert_allclose(fauna.season(13.0, 60)[queen], fauna.season(14.0, 62)[queen], rtol=1e-9)
    # workers: start later and end earlier
    for week in (21.0, 38.0):
        assert fauna.season(week, 64)[worker] < fauna.season(week, 60)[worker]
    # males of this fauna do not shift
    np.testing.assert_allclose(fauna.season(30.0, 70)[male], fauna.season(30.0, None)[male])
    assert fauna.season(30.0)[worker] == pytest.approx(1.0, abs=1e-3)
    # even far north, where start and end would cross, nothing turns negative or above the level
    for week in np.linspace(1, 53, 27):
        far = fauna.season(float(week), 89.0)
        assert (far >= fauna.season_floor).all()
        assert (far <= 1.0).all()
    assert fauna.season(2.0)[worker] == SEASON_FLOOR  # its level is 1
    assert fauna.season(2.0)[queen] == pytest.approx(SEASON_FLOOR * 0.2)
    assert [fauna.in_a_brood(week)[worker] for week in (2.0, 20.0, 30.0)] == [False, False, True]
