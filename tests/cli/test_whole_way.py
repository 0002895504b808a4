"""From a file to the printed answer with nothing replaced."""

from __future__ import annotations

import datetime
import json
import os
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from wingtone.audio.encode import write_encoded
from wingtone.cli import main
from wingtone.demo import load_scenario

if TYPE_CHECKING:
    from click.testing import CliRunner

    from wingtone.simulate import Clip

BESIDE = Path(__file__).resolve().parents[3] / "shared" / "recordings"
RECORDINGS = Path(os.environ.get("WINGTONE_RECORDINGS", BESIDE))

LONDON_SUMMER = datetime.timezone(datetime.timedelta(hours=1))


@pytest.fixture(scope="module")
def phone_clip(hover: Clip, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What a phone writes: AAC in MP4, with its own note of when and where."""
    path = tmp_path_factory.mktemp("phone") / "New Recording 12.m4a"
    write_encoded(
        path,
        hover.samples,
        rate_hz=hover.rate_hz,
        creation=datetime.datetime(2026, 6, 15, 10, 15, tzinfo=LONDON_SUMMER),
        latitude_deg=51.46,
        longitude_deg=-0.30,
    )
    return path


def test_a_phone_clip_is_measured(runner: CliRunner, hover: Clip, phone_clip: Path) -> None:
    """The tone is known from the simulation: every bout within 2 %, most of the flight found."""
    result = runner.invoke(main, ["measure", str(phone_clip), "--format", "json"])
    assert result.exit_code == 0, result.stderr
    laid_out = json.loads(result.stdout)
    assert laid_out["recording"]["recorded_at_source"] == "container"
    assert laid_out["recording"]["recorded_at"].startswith("2026-06-15")
    flight = [bout for bout in laid_out["bouts"] if bout["kind"] == "flight"]
    assert flight
    truth = sum(bout.f0_hz for bout in hover.truth.bouts) / len(hover.truth.bouts)
    for bout in flight:
        assert bout["f0_hz"] == pytest.approx(truth, rel=0.02)
        assert bout["f0_low_hz"] < bout["f0_hz"] < bout["f0_high_hz"]
    found = sum(bout["end_s"] - bout["start_s"] for bout in flight)
    assert found == pytest.approx(sum(bout.end_s - bout.start_s for bout in hover.truth.bouts), rel=0.25)


def test_the_track_follows_the_truth(
    runner: CliRunner, hover: Clip, phone_clip: Path, tmp_path: Path
) -> None:
    assert runner.invoke(main, ["measure", str(phone_clip), "--tracks", str(tmp_path)]).exit_code == 0
    rows = [
        line.split(",") for line in (tmp_path / "New Recording 12.track.csv").read_text().splitlines()[1:]
    ]
    truth = dict(
        zip((round(t, 2) for t in hover.truth.time_s.tolist()), hover.truth.f0_hz.tolist(), strict=True)
    )
    off = [
        abs(float(f0) / truth[float(t)] - 1) for t, f0, kind, _ in rows if kind and truth.get(float(t), 0) > 0
    ]
    assert len(off) > 200
    assert sorted(off)[len(off) * 9 // 10] < 0.02


def test_a_phone_clip_is_narrowed(runner: CliRunner, phone_clip: Path) -> None:
    """Date and place come from the recording, the tone from its sound; the position is not printed."""
    result = runner.invoke(main, ["identify", str(phone_clip), "--hint", "tail=white", "--format", "json"])
    assert result.exit_code == 0, result.stderr
    laid_out = json.loads(result.stdout)
    assert {piece["kind"] for piece in laid_out["evidence"]} == {"date", "place", "tone", "hint"}
    assert 2 < laid_out["size"]["itd_low_mm"] < laid_out["size"]["itd_high_mm"] < 8
    assert "51.4" not in result.stdout


def test_the_demonstration_comes_out_right(runner: CliRunner) -> None:
    result = runner.invoke(main, ["demo"])
    assert result.exit_code == 0, result.stderr
    assert result.stderr == ""
    assert "an octave" not in result.stdout
    assert "but nothing flew" not in result.stdout
    for clip in load_scenario().clips:
        assert clip.path.name in result.stdout


@pytest.mark.skipif(
    not RECORDINGS.is_dir(), reason="NO REAL RECORDINGS: set WINGTONE_RECORDINGS to their folder"
)
def test_every_real_recording_goes_through(runner: CliRunner) -> None:
    """Whatever is in them: an answer for each, without an error or a number that is none."""
    result = runner.invoke(main, ["identify", str(RECORDINGS), "--format", "json"])
    assert result.exit_code == 0, result.stderr
    answers = [
        json.loads(line, parse_constant=lambda name: pytest.fail(f"{name} in JSON"))
        for line in result.stdout.splitlines()
    ]
    assert len(answers) > 50
    for answer in answers:
        assert answer["recording"]["duration_s"] > 0
        for bout in answer["bouts"]:
            assert 0 <= bout["start_s"] < bout["end_s"] <= answer["recording"]["duration_s"] + 0.1
            assert bout["f0_low_hz"] <= bout["f0_hz"] <= bout["f0_high_hz"]
