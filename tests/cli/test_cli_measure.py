"""``wingtone measure``: what it prints, in each layout, and the files it writes."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import re
import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from cli.made_up import bout, tone_of
from wingtone.api import Measurements
from wingtone.cli import main
from wingtone.cli.measure_command import track_names
from wingtone.cli.reports import measured_lines
from wingtone.clip import measure_json

if TYPE_CHECKING:
    from collections.abc import Callable

    from click.testing import CliRunner

    from wingtone.clip import Measurement
    from wingtone.tone.results import ToneResult

    Find = Callable[[ToneResult], None]


def test_table(runner: CliRunner, hover_wav: Path, hover_truth: Measurement, perfect_ear: Find) -> None:
    result = runner.invoke(main, ["measure", str(hover_wav)])
    assert result.exit_code == 0
    assert result.stderr == ""
    lines = result.stdout.splitlines()
    assert lines[0] == str(hover_wav)
    assert "recorded 2019-06-15 10:15 (by its name)" in lines[1]
    assert len([line for line in lines if " flight  " in line]) == len(hover_truth.tone.bouts)
    assert "D3" in result.stdout  # 150 Hz lies between D3, 146.8 Hz, and D#3, 155.6 Hz
    words = " ".join(result.stdout.split())
    assert "passes at 2.5-3.9 m/s, 0.3-0.5 m away (95 % sure); its own tone is 150.0 Hz, wind" in words
    assert all(len(line) <= 80 for line in lines[1:])


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("20190615T101500Z.wav", "2019-06-15 10:15 UTC (by its name)"),
        ("20190615T101500-0330.wav", "2019-06-15 10:15 UTC-03:30 (by its name)"),
        ("20190615T101500.wav", "2019-06-15 10:15 (by its name)"),
        ("20190615.wav", "2019-06-15 (by its name)"),
    ],
)
def test_the_zone_of_the_time_is_told(
    runner: CliRunner, hover_wav: Path, perfect_ear: Find, tmp_path: Path, name: str, told: str
) -> None:
    """Phones write UTC into their files: in summer that is not what their clocks show."""
    perfect_ear(tone_of(bout(140)))
    shutil.copy(hover_wav, tmp_path / name)
    words = " ".join(runner.invoke(main, ["measure", str(tmp_path / name)]).stdout.split())
    assert f"recorded {told}" in words


def test_two_bees_are_told_one_by_one(runner: CliRunner, hover_wav: Path, perfect_ear: Find) -> None:
    perfect_ear(tone_of(bout(140, end_s=2.0), bout(210, start_s=3.0, end_s=4.0)))
    lines = runner.invoke(main, ["measure", str(hover_wav)]).stdout.splitlines()
    (first,) = [line for line in lines if "Bee 1:" in line]
    (second,) = [line for line in lines if "Bee 2:" in line]
    assert "2.0 s of flight in one bout; the tone overall is 140.0 Hz" in first
    assert "210.0 Hz" in second


def test_json_is_one_object_a_line(
    runner: CliRunner, hover_wav: Path, hover_truth: Measurement, perfect_ear: Find
) -> None:
    other = hover_wav.with_name("other.wav")
    other.write_bytes(hover_wav.read_bytes())
    result = runner.invoke(main, ["measure", "--format", "json", str(hover_wav), str(other)])
    assert result.exit_code == 0
    first, second = (json.loads(line) for line in result.stdout.splitlines())
    assert first["recording"]["path"] == str(hover_wav)
    assert second["recording"]["path"] == str(other)
    assert first["recording"]["sha256"] == second["recording"]["sha256"]
    assert first["bouts"] == measure_json(hover_truth)["bouts"]


def test_csv_has_a_row_a_bout_with_the_names_of_the_json(
    runner: CliRunner, hover_wav: Path, perfect_ear: Find
) -> None:
    laid_out = json.loads(runner.invoke(main, ["measure", "--format", "json", str(hover_wav)]).stdout)
    result = runner.invoke(main, ["measure", "--format", "csv", str(hover_wav)])
    rows = list(csv.DictReader(io.StringIO(result.stdout)))
    assert len(rows) == len(laid_out["bouts"]) > 0
    for row, told in zip(rows, laid_out["bouts"], strict=True):
        for name in ("path", "sha256", "codec", "recorded_at"):
            assert row[name] == str(laid_out["recording"][name])
        for name in ("start_s", "end_s", "f0_hz", "f0_low_hz", "f0_high_hz", "snr_db"):
            assert float(row[name]) == told[name]
        assert row["harmonics_db"] == "-3.0;0.0;"
    assert rows[0]["flags"] == "wind"
    assert rows[0]["speed_m_s"] == "3.1"
    assert rows[1]["speed_m_s"] == ""


def test_csv_of_nothing_is_a_heading(runner: CliRunner, tmp_path: Path) -> None:
    result = runner.invoke(main, ["measure", "--format", "csv", str(tmp_path / "none.wav")])
    assert result.exit_code == 1
    assert result.stdout.startswith("path,sha256,duration_s,")
    assert len(result.stdout.splitlines()) == 1


def test_a_file_named_twice_is_measured_once(runner: CliRunner, hover_wav: Path, perfect_ear: Find) -> None:
    result = runner.invoke(main, ["measure", "--format", "json", str(hover_wav), str(hover_wav)])
    assert len(result.stdout.splitlines()) == 1


def test_an_empty_name_is_not_the_folder_that_one_is_in(
    runner: CliRunner, hover_wav: Path, perfect_ear: Find, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(hover_wav.parent)
    result = runner.invoke(main, ["measure", "", str(hover_wav), "--format", "json"])
    assert result.exit_code == 1
    assert result.stderr.startswith('wingtone: "": this name is empty')
    assert len(result.stdout.splitlines()) == 1, "the rest is done"
    _ = perfect_ear


@pytest.mark.parametrize(
    ("duration_s", "told"),
    [(0.0, "0.0 s"), (0.002, "0.002 s"), (0.05, "0.05 s"), (0.096, "0.1 s"), (4.24, "4.2 s")],
)
def test_a_short_recording_has_a_length(
    hover_truth: Measurement, monkeypatch: pytest.MonkeyPatch, duration_s: float, told: str
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    recording = dataclasses.replace(hover_truth.recording, duration_s=duration_s)
    short = dataclasses.replace(hover_truth, recording=recording, tone=tone_of())
    assert measured_lines(short)[1].startswith(f"  {told}, ")


@pytest.mark.parametrize("start_s", [0.35, 1.25, 2.65, 7.95])
def test_a_bout_begins_at_the_same_tenth_in_the_table_and_in_python(
    hover_truth: Measurement, start_s: float
) -> None:
    tone = tone_of(bout(150.0, start_s=start_s, end_s=start_s + 2.0))
    measurement = dataclasses.replace(hover_truth, tone=tone)
    told = repr(Measurements((measurement,)))
    (tenths,) = re.findall(r"flight ([\d.]+)-", told)
    table = "\n".join(measured_lines(measurement))
    assert re.search(rf"^ +{re.escape(tenths)} s ", table, re.MULTILINE)


# --- tracks -----------------------------------------------------------------------------------------


def test_tracks_hold_the_whole_recording_every_10_ms(
    runner: CliRunner, hover_wav: Path, hover_truth: Measurement, perfect_ear: Find, tmp_path: Path
) -> None:
    folder = tmp_path / "new" / "tracks"
    result = runner.invoke(main, ["measure", str(hover_wav), "--tracks", str(folder)])
    assert result.exit_code == 0
    (track,) = folder.iterdir()
    assert track.name == "hover_20190615_101500.track.csv"
    rows = list(csv.reader(track.read_text(encoding="utf-8").splitlines()))
    assert rows[0] == ["time_s", "f0_hz", "kind", "f0_second_hz"]
    assert len(rows) == 602  # 6 s, both ends
    assert rows[1] == ["0.0", "", "", ""]
    heard = [row for row in rows[1:] if row[1]]
    assert len(heard) == hover_truth.tone.track.time_s.size
    assert {row[2] for row in heard} == {"flight"}


def test_recordings_of_one_name_do_not_overwrite_one_another(
    runner: CliRunner, hover_wav: Path, perfect_ear: Find, tmp_path: Path
) -> None:
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "bee.wav").write_bytes(hover_wav.read_bytes())
    out = tmp_path / "tracks"
    assert (
        runner.invoke(
            main, ["measure", str(tmp_path / "a"), str(tmp_path / "b"), "--tracks", str(out)]
        ).exit_code
        == 0
    )
    assert sorted(path.name for path in out.iterdir()) == ["bee.track.csv", "bee.wav.track.csv"]


def test_another_track_that_is_replaced_in_a_later_run_is_told(
    runner: CliRunner, hover_wav: Path, perfect_ear: Find, tmp_path: Path
) -> None:
    """In one run two of a name are kept apart; what an earlier run wrote may as well be of this recording."""
    out = tmp_path / "tracks"
    arguments = ["measure", str(hover_wav), "--tracks", str(out)]
    for _ in range(2):
        assert "took the place" not in runner.invoke(main, arguments).stderr
    perfect_ear(tone_of(bout(120)))
    result = runner.invoke(main, arguments)
    assert result.exit_code == 0
    assert f"{hover_wav.stem}.track.csv: note: this took the place of another track" in result.stderr


@pytest.mark.parametrize(
    ("paths", "names"),
    [
        (["a/bee.wav"], ["bee"]),
        (["a/bee.wav", "a/bee.m4a"], ["bee", "bee.m4a"]),
        (["a/bee.wav", "b/bee.wav", "c/bee.wav"], ["bee", "bee.wav", "bee.wav-2"]),
        (["a/bee.wav", "b/BEE.wav"], ["bee", "BEE.wav"]),  # one file on many disks
        (["a/bee.wav", "b/bee.wav", "bee.wav.mp3"], ["bee", "bee.wav", "bee.wav.mp3"]),
    ],
)
def test_track_names_never_meet(paths: list[str], names: list[str]) -> None:
    got = list(track_names([Path(path) for path in paths]).values())
    assert got == [f"{name}.track.csv" for name in names]


def test_tracks_to_a_place_that_cannot_be_is_an_error(
    runner: CliRunner, hover_wav: Path, perfect_ear: Find
) -> None:
    result = runner.invoke(main, ["measure", str(hover_wav), "--tracks", str(hover_wav / "tracks")])
    assert result.exit_code == 1
    assert "cannot make this folder" in result.stderr
    assert len(result.stderr.splitlines()) == 1


# --- figure -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("drawn", ["same", "link", "other"])
def test_a_figure_never_takes_the_place_of_a_recording(
    runner: CliRunner, hover_wav: Path, perfect_ear: Find, tmp_path: Path, drawn: str
) -> None:
    """Whatever either is called: a recording may go by the name of a picture."""
    recording = tmp_path / "garden.png"
    recording.write_bytes(hover_wav.read_bytes())
    target = recording if drawn == "same" else tmp_path / "figure.png"
    if drawn == "link":
        target.symlink_to(recording)
    elif drawn == "other":
        target.write_bytes(hover_wav.read_bytes())
    result = runner.invoke(main, ["measure", str(recording), "--figure", str(target)])
    assert result.exit_code == 2
    reason = "holds a recording" if drawn == "other" else "is read by this command"
    assert result.stderr.startswith(f"wingtone: {target}: this file {reason}; ")
    assert target.read_bytes() == recording.read_bytes() == hover_wav.read_bytes()
    _ = perfect_ear


def test_figure(runner: CliRunner, hover_wav: Path, perfect_ear: Find, tmp_path: Path) -> None:
    target = tmp_path / "hover.svg"
    result = runner.invoke(main, ["measure", str(hover_wav), "--figure", str(target)])
    assert result.exit_code == 0
    assert target.read_text(encoding="utf-8").lstrip().startswith("<?xml")


def test_figure_of_several_is_refused_before_the_work(
    runner: CliRunner, hover_wav: Path, tmp_path: Path
) -> None:
    other = tmp_path / "other.wav"
    other.write_bytes(hover_wav.read_bytes())
    figure = tmp_path / "two.png"
    result = runner.invoke(main, ["measure", str(hover_wav), str(other), "--figure", str(figure)])
    assert result.exit_code == 2
    assert "one recording" in result.stderr
    assert not figure.exists()


def test_figure_of_an_unknown_kind_is_refused(runner: CliRunner, hover_wav: Path, tmp_path: Path) -> None:
    result = runner.invoke(main, ["measure", str(hover_wav), "--figure", str(tmp_path / "bee.gif")])
    assert result.exit_code == 2
    assert ".png, .svg or .pdf" in result.stderr
