"""The comparison with the truth, in words."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from wingtone.demo import DemoBout, DemoClip, compare, load_scenario
from wingtone.errors import TableError
from wingtone.tone.results import Bout, ToneResult, Track

if TYPE_CHECKING:
    from wingtone.tone import Kind


def clip_with(*bouts: DemoBout) -> DemoClip:
    return DemoClip(
        Path("x.wav"), "story", "expect", dt.date(2026, 5, 1), None, {}, "Bombus", "", None, tuple(bouts)
    )


def found(*bouts: tuple[Kind, float, float, float]) -> ToneResult:
    rows = tuple(
        Bout(kind, start, end, f0, f0 - 1, f0 + 1, 2.0, 10.0, (0.0,), 0.9) for kind, start, end, f0 in bouts
    )
    return ToneResult(rows, Track(np.zeros(0), np.zeros(0), np.zeros(0, np.int64)))


FLIGHT = DemoBout("flight", 1.0, 3.0, 150.0)
SHAKING = DemoBout("sonication", 4.0, 6.0, 270.0)


@pytest.mark.parametrize(
    ("measured", "words", "right"),
    [
        (found(("flight", 1.1, 2.9, 148.0)), "1.0–3.0 s, flight: heard 148.0 Hz, truth 150.0 Hz: right.", 1),
        (found(("flight", 1.1, 2.9, 300.5)), "an octave too high", 0),
        (found(("flight", 1.1, 2.9, 75.2)), "an octave too low", 0),
        (found(("flight", 1.1, 2.9, 160.0)), "off by +6.7 %", 0),
        (found(("flight", 1.1, 1.3, 150.0)), "only 10 % of it heard as flight", 0),
        (found(("uncertain", 1.1, 2.9, 150.0)), "marked as uncertain", 0),
        (found(), "not heard (truth 150.0 Hz): missed.", 0),
        (found(("flight", 1.0, 1.4, 190.0), ("flight", 1.5, 3.0, 150.0)), "heard 150.0 Hz", 1),
    ],
)
def test_a_flight(measured: ToneResult, words: str, right: int) -> None:
    result = compare(clip_with(FLIGHT), measured)
    assert words in result.sentences[0]
    assert (result.right, result.total) == (right, 1)


@pytest.mark.parametrize(
    ("measured", "words", "right"),
    [
        (
            found(("sonication", 4.0, 4.5, 268.0), ("sonication", 5.0, 5.9, 272.0)),
            "told apart from flight",
            1,
        ),
        (found(("flight", 4.0, 4.5, 268.0)), "taken for flight at 268 Hz (truth 270 Hz): wrong.", 0),
        (found(), "not named, but not taken for flight either", 1),
    ],
)
def test_a_sonication(measured: ToneResult, words: str, right: int) -> None:
    result = compare(clip_with(SHAKING), measured)
    assert words in result.sentences[0]
    assert (result.right, result.total) == (right, 1)


def test_what_was_never_there_counts_as_wrong() -> None:
    result = compare(clip_with(FLIGHT), found(("flight", 1.0, 3.0, 150.0), ("flight", 7.0, 8.0, 190.0)))
    assert result.sentences[1] == "7.0–8.0 s: reported as flight at 190 Hz, but nothing flew: wrong."
    assert (result.right, result.total) == (1, 2)


def test_no_bee_and_none_reported_is_right() -> None:
    assert compare(clip_with(), found()).sentences == (
        "No bee was put in, and no flight was reported: right.",
    )
    unsure = compare(clip_with(), found(("uncertain", 1.0, 2.0, 150.0)))
    assert "something uncertain was marked" in unsure.sentences[0]
    assert (unsure.right, unsure.total) == (1, 1)
    wrong = compare(clip_with(), found(("flight", 1.0, 2.0, 150.0)))
    assert (wrong.right, wrong.total) == (0, 1)


def test_the_bundled_scenario_is_found() -> None:
    scenario = load_scenario()
    assert len(scenario.clips) == 6
    assert scenario.clips[0].hints["tail"] == "buff"


def test_broken_scenarios_are_refused(tmp_path: Path) -> None:
    with pytest.raises(TableError, match="cannot be read"):
        load_scenario(tmp_path)
    (tmp_path / "scenario.json").write_text("[]", encoding="utf-8")
    with pytest.raises(TableError, match="is not a demonstration scenario"):
        load_scenario(tmp_path)
    text = (Path(__file__).parents[2] / "demo_audio" / "scenario.json").read_text(encoding="utf-8")
    (tmp_path / "scenario.json").write_text(text, encoding="utf-8")
    with pytest.raises(TableError, match=r"1_march_big_queen\.m4a: is missing"):
        load_scenario(tmp_path)
