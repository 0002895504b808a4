"""The made-up season: the same for the same seed, and what it says it is."""

from __future__ import annotations

import csv
import sys
from typing import TYPE_CHECKING

import numpy as np
import pytest

from wingtone.population.sources import read_sources
from wingtone.simulate import season

if TYPE_CHECKING:
    from pathlib import Path


def test_a_seed_is_a_season(tmp_path: Path) -> None:
    once, twice = (season.write_season(tmp_path / name) for name in ("once", "twice"))
    other = season.write_season(tmp_path / "other", seed=2)
    assert [path.read_bytes() for path in once] == [path.read_bytes() for path in twice]
    assert once[0].read_bytes() != other[0].read_bytes()


def test_it_is_read_as_what_a_survey_wrote(tmp_path: Path) -> None:
    season.write_season(tmp_path)
    source = read_sources([tmp_path])
    with (tmp_path / "bouts.csv").open(encoding="utf-8", newline="") as file:
        assert len(source.bouts) == sum(1 for _ in csv.DictReader(file))
    assert source.effort is not None
    assert len(source.effort) == season.N_DAYS * len(season.GARDENS)


def test_queens_first_and_then_workers_and_no_garden_differs() -> None:
    bouts = [row for seed in range(20) for row in season.season_tables(seed)[0]]
    worker = np.array([row["true_caste"] == "worker" for row in bouts])
    day = np.array([row["recorded_at"][:10] for row in bouts])
    tone_hz = np.array([row["f0_hz"] for row in bouts])
    assert worker[day < "2026-05-10"].mean() < 0.05
    assert worker[day > "2026-06-22"].mean() > 0.95
    near = (day >= "2026-05-27") & (day <= "2026-06-06")
    assert worker[near].mean() == pytest.approx(0.5, abs=0.1)
    assert np.median(tone_hz[~worker]) == pytest.approx(108.0, rel=0.03)
    assert np.median(tone_hz[worker]) == pytest.approx(190.0, rel=0.03)
    pond = np.array([row["path"].startswith("pond/") for row in bouts])
    assert worker[pond].mean() == pytest.approx(worker[~pond].mean(), abs=0.06)


def test_as_a_program(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["season", "--out", str(tmp_path / "new"), "--seed", "3"])
    season.main()
    assert capsys.readouterr().out.count("made up") == 2
    assert sorted(path.name for path in (tmp_path / "new").iterdir()) == ["bouts.csv", "recordings.csv"]
