"""A short run of the calibration benchmark, its measures by hand, and its figure."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest

from benchmarks.calibration import assess, caste_accuracy, caste_table, report
from evidence.drawn_bees import VARIANTS
from wingtone.errors import MissingExtraError
from wingtone.evidence.calibration import calibration_error, reliability

if TYPE_CHECKING:
    from pathlib import Path

    from wingtone.evidence.lineup import Lineup
    from wingtone.fauna import Fauna

BEES = 2000


def test_reliability_by_hand() -> None:
    probability = np.array([0.1, 0.1, 0.6, 0.6, 0.6, 1.0])
    hit = np.array([False, True, True, True, False, True])
    curve = reliability(probability, hit, bins=2)
    assert curve.weight.tolist() == [2, 4]
    assert curve.stated == pytest.approx([0.1, 0.7])
    assert curve.observed == pytest.approx([0.5, 0.75])
    assert calibration_error(curve) == pytest.approx((2 * 0.4 + 4 * 0.05) / 6)
    assert math.isnan(calibration_error(reliability(np.array([]), np.array([], dtype=bool))))
    assert reliability(np.array([0.9]), np.array([True]), bins=2).stated.tolist() == [0.9]


def test_a_case_of_double_weight_is_two_cases() -> None:
    probability, hit = np.array([0.12, 0.17, 0.83]), np.array([True, False, True])
    heavy = reliability(probability, hit, weight=np.array([1.0, 2.0, 1.0]))
    twice = reliability(probability[[0, 1, 1, 2]], hit[[0, 1, 1, 2]])
    assert heavy.observed == pytest.approx([1 / 3, 1.0])
    assert twice.observed == pytest.approx([1 / 3, 1.0])
    assert heavy.stated == pytest.approx(twice.stated)
    assert heavy.weight == pytest.approx(twice.weight)


def test_probabilities_are_true_in_the_world_of_the_model(fauna: Fauna) -> None:
    scores, curves = assess(fauna, VARIANTS["as the model"], bees=BEES, seed=7, surprise_every=4)
    # binomial: three standard deviations of a share of 0.9 over the bees drawn
    slack = 3 * math.sqrt(0.9 * 0.1 / BEES)
    assert scores.exact_coverage == pytest.approx(0.9, abs=slack)
    assert scores.coverage == pytest.approx(scores.stated, abs=slack)
    assert scores.size_coverage == pytest.approx(0.9, abs=1.5 * slack)
    assert scores.ece_all <= 0.02
    assert scores.warned <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / (BEES / 4))
    assert curves.every_taxon.weight.sum() > BEES
    assert 0 < scores.top_1 < scores.top_3 < 1


def test_wrong_hints_lower_the_coverage_and_raise_the_warnings(fauna: Fauna) -> None:
    good, _ = assess(fauna, VARIANTS["as the model"], bees=500, seed=11)
    bad, _ = assess(fauna, VARIANTS["15 % wrong hints"], bees=500, seed=11)
    assert bad.coverage >= 0.75
    assert bad.by_what["hint"] > 2 * good.by_what["hint"]


def test_queens_against_workers_no_better_than_published(fauna: Fauna, lineup: Lineup) -> None:
    # published ceiling for a large species whose name is known, with 20 Hz of spread: 79-90 % (derived)
    table = caste_table(fauna)
    assert 0.79 <= table["Bombus terrestris"] <= 0.90
    assert all(0.5 < share < 0.95 for share in table.values())
    assert caste_accuracy(lineup.tone, 0, 0) == pytest.approx(0.5, abs=1e-6)


def test_report_and_figure(fauna: Fauna, tmp_path: Path) -> None:
    from wingtone.figures.calibration import draw_calibration

    scores, curves = assess(fauna, VARIANTS["as the model"], bees=40, seed=3)
    text = report({"as the model": scores}, {"Bombus terrestris": 0.87})
    assert "| as the model | 40 |" in text
    assert "*Bombus terrestris*: 87%" in text
    out = tmp_path / "curves.png"
    draw_calibration(
        {"as the model": curves.every_taxon},
        coverage={"as the model": 0.9},
        warned={"as the model": 0.04},
        out=out,
    )
    assert out.read_bytes().startswith(b"\x89PNG")
    assert [path.name for path in tmp_path.iterdir()] == ["curves.png"]


def test_figure_needs_matplotlib(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    from wingtone.figures.calibration import draw_calibration

    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(MissingExtraError, match="plot"):
        draw_calibration({}, coverage={}, warned={}, out=tmp_path / "curves.png")
