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


def test_nothing_known_is_nothing() -> None:
    assert activity([float("nan")], ([], [], []))[1].shape == (24, 0)


@pytest.mark.parametrize("name", ["a.png", "a.svg"])
@pytest.mark.parametrize("n", [0, 3, 5000])
@pytest.mark.parametrize("dated", [True, False])
def test_it_draws(tmp_path: Path, name: str, n: int, dated: bool) -> None:
    rng = np.random.default_rng(1)
    when = at("2026-06-10T09:00") + rng.uniform(0, 30 * 86400, n)
    tones = rng.normal(160, 25, n)
    effort = (at("2026-06-10T09:00") + 3600 * np.arange(700.0), np.full(700, 3600.0), np.zeros(700))
    nothing: tuple[list[float], ...] = ([], [], [])
    path = tmp_path / name
    draw_survey((when if dated else np.full(n, np.nan), tones), effort if dated else nothing, path)
    assert path.stat().st_size > 5000
