"""The demonstration clips: truthful, small, readable, in step with their maker."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from wingtone import audio
from wingtone.demo import load_scenario
from wingtone.simulate.demo_clips import demo_scenes, truth_of, write_demo
from wingtone.simulate.population import line_tone_hz

if TYPE_CHECKING:
    from wingtone.demo import DemoClip

SHIPPED = Path(__file__).parents[2] / "demo_audio"
SCENARIO = load_scenario(SHIPPED)


def test_six_clips_in_different_formats_under_two_megabytes() -> None:
    paths = [clip.path for clip in SCENARIO.clips]
    assert len(paths) == 6
    assert len({path.suffix for path in paths}) == 6
    assert sum(path.stat().st_size for path in SHIPPED.rglob("*") if path.is_file()) < 2_000_000
    assert {path.name for path in SHIPPED.iterdir() if path.is_file()} - {"README.md", "scenario.json"} == {
        path.name for path in paths
    }


def test_scenario_says_that_it_is_made_up() -> None:
    assert "made up" in SCENARIO.notice
    assert "does not exist" in SCENARIO.place_name
    assert "made up" in (SHIPPED / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("clip", SCENARIO.clips, ids=lambda clip: clip.path.name)
def test_praat_hears_the_truth_in_the_shipped_files(clip: DemoClip) -> None:
    """The decoded file against its truth, by Praat's autocorrelation (Boersma 1993)."""
    import parselmouth

    samples, info = audio.read(clip.path)
    assert info.recorded_at is not None
    assert info.recorded_at.startswith(clip.date.isoformat())  # the made-up visits are by day: UTC or not
    assert clip.date.year == 2026
    sound = parselmouth.Sound(samples[0].astype(float), info.sample_rate_hz)
    for bout in clip.bouts:
        if bout.kind == "sonication":
            assert 200.0 <= bout.f0_hz <= 400.0
            continue
        piece = sound.extract_part(bout.start_s + 0.1, bout.end_s - 0.1)
        hz = piece.to_pitch_ac(pitch_floor=80.0, pitch_ceiling=300.0).selected_array["frequency"]
        voiced = hz[hz > 0]
        assert voiced.size > 0.3 * hz.size
        assert np.median(voiced) == pytest.approx(bout.f0_hz, rel=0.02)


def test_tones_lie_on_the_line_of_their_size() -> None:
    bumblebees = [clip for clip in SCENARIO.clips if clip.taxon.startswith("Bombus")]
    assert len(bumblebees) == 4
    for clip in bumblebees:
        assert clip.itd_mm is not None
        tone = np.median([bout.f0_hz for bout in clip.bouts if bout.kind == "flight"])
        assert abs(np.log(tone / line_tone_hz(clip.itd_mm))) < 0.1
    kinds = {bout.kind for clip in SCENARIO.clips for bout in clip.bouts}
    assert kinds == {"flight", "sonication"}
    assert [clip.path.name for clip in SCENARIO.clips if not clip.bouts] == ["3_may_no_bee.mp4"]


def test_shipped_scenario_is_what_the_maker_makes(tmp_path: Path) -> None:
    write_demo(tmp_path)
    for name in ("scenario.json", "README.md"):
        assert (tmp_path / name).read_text(encoding="utf-8") == (SHIPPED / name).read_text(encoding="utf-8")
    for clip in SCENARIO.clips:
        made, _ = audio.read(tmp_path / clip.path.name)
        shipped, _ = audio.read(clip.path)
        assert made.shape == shipped.shape
        # another encoder version may round otherwise, the sound must stay the same
        assert np.corrcoef(made[0], shipped[0])[0, 1] > 0.99


def test_scenes_are_whole() -> None:
    rows = json.loads((SHIPPED / "scenario.json").read_text(encoding="utf-8"))["clips"]
    for demo, row in zip(demo_scenes(), rows, strict=True):
        clip = demo.render()
        assert truth_of(clip) == row["truth"]["bouts"]
        assert 5.0 < clip.samples.shape[1] / clip.rate_hz < 12.5
        assert np.mean(np.abs(clip.samples) > 0.999) < 0.001
        assert demo.recorded_at.utcoffset() == dt.timedelta(hours=0 if demo.recorded_at.month < 4 else 1)
