"""The figure of a survey: the numbers behind it, and that it can be drawn whatever there is."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import numpy as np
import pytest

from wingtone.figures.survey import activity, draw_survey

if TYPE_CHECKING:
    from pathlib import Path


def at(text: str) -> float:
    return dt.datetime.fromisoformat(text).replace(tzinfo=dt.UTC).timestamp()


EFFORT = (
    [at("2026-06-10T09:00"), at("2026-06-10T09:10"), at("2026-06-10T13:00"), at("2026-06-12T09:50")],
    [600.0, 600.0, 600.0, 30.0],
    [0.0, 300.0, 0.0, 0.0],
    [600.0, 600.0, 600.0, 30.0],
)
FLIGHTS = [at("2026-06-10T09:05"), at("2026-06-10T09:15"), at("2026-06-12T09:50"), float("nan")]


def test_activity_counts_by_listening() -> None:
    """By hand: two flights in 900 s without wind are eight an hour; half a minute says nothing."""
    first_day, per_hour = activity(FLIGHTS, EFFORT)
    assert dt.date(1970, 1, 1) + dt.timedelta(days=first_day) == dt.date(2026, 6, 10)
    assert per_hour.shape == (24, 3)
    assert per_hour[9, 0] == pytest.approx(8.0)
    assert per_hour[13, 0] == 0.0
    assert np.isnan(per_hour[9, 2])
    assert np.isfinite(per_hour).sum() == 2


def test_days_can_go_together() -> None:
    _, per_hour = activity(FLIGHTS, EFFORT, days=3)
    assert per_hour.shape == (24, 1)
    assert per_hour[9, 0] == pytest.approx(3 * 3600 / 930)


def test_a_stretch_counts_in_every_hour_and_day_that_it_covers() -> None:
    """By hand: of 09:55 to 10:05, half silent and a fifth lost, 90 s count in either hour: a flight is 40.

    Of 23:52 to 00:02 eight minutes are of the first day and two of the second; what ends at midnight stays in
    its day. An hour and a half from 13:30 on has half an hour at 13 and an hour at 14.
    """
    first = [
        (at("2026-06-10T09:55"), 300.0, 120.0, 600.0),
        (at("2026-06-10T13:30"), 5400.0, 0.0, 5400.0),
        (at("2026-06-10T23:52"), 600.0, 0.0, 600.0),
    ]
    flights = [at(f"2026-06-10T{clock}") for clock in ("09:59", "10:00", "10:01", "14:30", "23:53")]
    _, per_hour = activity([*flights, at("2026-06-11T00:01")], tuple(zip(*first, strict=True)))
    assert per_hour.shape == (24, 2)
    expected = np.full((24, 2), np.nan)
    expected[[9, 10, 13, 14, 23], 0] = 40.0, 80.0, 0.0, 1.0, 7.5
    expected[0, 1] = 30.0
    np.testing.assert_allclose(per_hour, expected, rtol=1e-9)
    until_midnight = ([at("2026-06-10T23:50")], [600.0], [0.0], [600.0])
    assert activity([], until_midnight)[1].shape == (24, 1)
    by_week = activity(flights, tuple(zip(*first, strict=True)), days=7)[1]
    assert by_week.shape == (24, 1)
    assert by_week[0, 0] == 0.0


def test_nothing_known_is_nothing() -> None:
    assert activity([float("nan")], ([], [], [], []))[1].shape == (24, 0)


@pytest.mark.parametrize("name", ["a.png", "a.svg"])
@pytest.mark.parametrize("n", [0, 3, 5000])
@pytest.mark.parametrize("dated", [True, False])
def test_it_draws(tmp_path: Path, name: str, n: int, dated: bool) -> None:
    rng = np.random.default_rng(1)
    when = at("2026-06-10T09:00") + rng.uniform(0, 30 * 86400, n)
    tones = rng.normal(160, 25, n)
    hours = np.full(700, 3600.0)
    effort = (at("2026-06-10T09:00") + 3600 * np.arange(700.0), hours, np.zeros(700), hours)
    nothing: tuple[list[float], ...] = ([], [], [], [])
    path = tmp_path / name
    draw_survey((when if dated else np.full(n, np.nan), tones), effort if dated else nothing, path)
    assert path.stat().st_size > 5000


def test_short_clips_have_no_scale_that_nothing_is_read_by(tmp_path: Path) -> None:
    """The scale is a set of axes of its own; of a clip of four seconds no hour has enough for it."""
    drawn = []
    for heard_s in (4.0, 600.0):
        effort = ([at("2026-06-10T09:05")], [heard_s], [0.0], [heard_s])
        draw_survey(([at("2026-06-10T09:05")], [150.0]), effort, tmp_path / "a.svg")
        drawn.append((tmp_path / "a.svg").read_text(encoding="utf-8").count('id="axes_'))
    assert drawn[1] == drawn[0] + 1
