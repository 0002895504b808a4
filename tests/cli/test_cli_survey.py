"""``wingtone survey``: options, what it prints where, exit status."""

from __future__ import annotations

import re
import shutil
import sys
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from survey.made_up import RATE_HZ, rows, write_clips
from wingtone.audio.encode import write_encoded
from wingtone.cli import main
from wingtone.cli.survey_command import _forecast_lines, _tone_words, progress_text
from wingtone.errors import OutputError
from wingtone.survey import Forecast, LocalWorkers, Progress

if TYPE_CHECKING:
    from pathlib import Path

    from click.testing import CliRunner


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("survey") / "recordings"
    write_clips(folder, 4)
    return folder


def test_a_survey_from_dry_run_to_second_run(runner: CliRunner, place: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    command = ["survey", str(place), "--out", str(out), "--workers", "2"]
    told = runner.invoke(main, [*command, "--dry-run"])
    assert told.exit_code == 0
    assert "4 new or changed" in told.stdout
    assert "16 s of sound" in told.stdout
    assert not out.exists()

    result = runner.invoke(main, command)
    assert (result.exit_code, result.stderr) == (0, "")
    text = " ".join(result.stdout.split())
    assert "4 recordings, 16 s heard 4 heard" in text
    n_flight = sum(row["kind"] == "flight" for row in rows(out / "bouts.csv"))
    assert f"Found {n_flight} flight" in text
    assert re.search(r"Tones \d+ Hz \([A-G]#?\d", text)
    assert "times real time" in text
    assert sorted(path.name for path in out.iterdir()) == [
        "bouts.csv", "bouts.parquet", "effort.csv", "effort.parquet", "figure.png", "manifest.sqlite",
        "recordings.csv", "recordings.parquet",
    ]  # fmt: skip
    assert all(str(out / name) in result.stdout for name in ("bouts.csv", "effort.parquet", "figure.png"))

    again = runner.invoke(main, command)
    assert again.exit_code == 0
    assert "nothing was left to hear" in again.stdout
    assert "0 s of sound" in runner.invoke(main, [*command, "--dry-run"]).stdout


def test_tables_that_lose_the_recordings_of_an_earlier_survey_say_so(
    runner: CliRunner, place: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    one, other = sorted(place.iterdir())
    common = ["--out", str(out), "--workers", "1"]
    assert runner.invoke(main, ["survey", str(one), *common]).stderr == ""
    before = (out / "bouts.csv").read_bytes()
    second = runner.invoke(main, ["survey", str(other), *common])
    assert second.exit_code == 0
    assert f"{out}: note: these tables no longer hold 2 recordings of earlier runs" in second.stderr
    assert f"not found in {other} now" in second.stderr
    again = runner.invoke(main, ["survey", str(one), *common])
    assert "nothing was left to hear" in again.stdout
    assert (out / "bouts.csv").read_bytes() == before
    moved = tmp_path / "moved"
    shutil.copytree(place, moved)
    assert "no longer hold" not in runner.invoke(main, ["survey", str(moved), *common]).stderr


def test_bad_files_are_named_on_stderr_and_the_status_is_1(
    runner: CliRunner, place: Path, tmp_path: Path
) -> None:
    """Three planted among 40 names; the benchmark plants 20 among 1,000."""
    mixed = tmp_path / "mixed"
    mixed.mkdir()
    good = sorted(place.rglob("*.wav"))
    for i in range(37):  # the same few sounds, each with a crumb at its end: different files, cheap to make
        (mixed / f"bee {i:02d}.wav").write_bytes(good[i % 4].read_bytes() + bytes([i]))
    (mixed / "words.wav").write_bytes(b"these are only words")
    (mixed / "empty.mp3").write_bytes(b"")
    (mixed / "cut.m4a").write_bytes(b"\0\0\0\x18ftypM4A \0\0\0\0" + bytes(200))
    result = runner.invoke(main, ["survey", str(mixed), "--out", str(tmp_path / "out"), "--workers", "2"])
    assert result.exit_code == 1
    lines = result.stderr.splitlines()
    assert len(lines) == 3
    for name in ("words.wav", "empty.mp3", "cut.m4a"):
        (line,) = [line for line in lines if str(mixed / name) in line]
        assert line.startswith("wingtone: ")
        assert len(line) > len(str(mixed / name)) + 20  # the reason
    text = " ".join(result.stdout.split())
    assert "37 heard" in text
    assert "--retry-failed tries again what went wrong" in text
    told = {row["path"]: row["status"] for row in rows(tmp_path / "out" / "recordings.csv")}
    assert list(told.values()).count("done") == 37
    assert told[str(mixed / "words.wav")] == "failed"


def test_what_was_heard_and_is_odd_all_the_same_is_told(
    runner: CliRunner, place: Path, tmp_path: Path
) -> None:
    """A recorder whose microphone is broken must not pass for one that heard no bees."""
    folder = tmp_path / "odd"
    folder.mkdir()
    good, other = sorted(place.rglob("*.wav"))[:2]
    shutil.copy(good, folder)
    for i in range(2):
        silence = np.zeros(RATE_HZ * (2 + i), np.float32)
        write_encoded(folder / f"off {i} 2026-06-10.wav", silence, rate_hz=RATE_HZ)
    content = other.read_bytes()
    (folder / other.name).write_bytes(content[: len(content) // 2])
    command = ["survey", str(folder), "--out", str(tmp_path / "out"), "--workers", "1"]
    result = runner.invoke(main, command)
    text = " ".join(result.stdout.split())
    assert (result.exit_code, result.stderr) == (0, "")
    assert "4 heard" in text
    assert "Mind 2 recordings silent from beginning to end: is the microphone in order?" in text
    assert "Mind 1 recording damaged or cut short" in text
    (folder / other.name).unlink()
    for path in folder.glob("off*"):
        path.unlink()
    assert "Mind" not in runner.invoke(main, command).stdout


def test_clocks_of_different_zones_are_told(runner: CliRunner, place: Path, tmp_path: Path) -> None:
    """Recorders tell the time of the place, most phones universal time: an hour of the day is then two."""
    folder = tmp_path / "mixed"
    folder.mkdir()
    names = ("a 20260610T101500Z.wav", "b 20260610T131500+0200.wav", "c 20260610_111500.wav")
    for path, name in zip(sorted(place.rglob("*.wav")), names, strict=False):
        shutil.copy(path, folder / name)
    command = ["survey", str(folder), "--out", str(tmp_path / "out"), "--workers", "1"]
    text = " ".join(runner.invoke(main, command).stdout.split())
    assert "Mind clocks of different zones (UTC, UTC+02:00, none told): hours of the day are those" in text
    (folder / names[0]).unlink()
    (folder / names[1]).unlink()
    assert "Mind" not in runner.invoke(main, command).stdout


def test_one_recording_is_told_in_the_singular(runner: CliRunner, place: Path, tmp_path: Path) -> None:
    folder = tmp_path / "undated"
    folder.mkdir()
    one = next(place.rglob("*.wav"))
    (folder / "bee.wav").write_bytes(one.read_bytes())
    told = runner.invoke(main, ["survey", str(folder), "--out", str(tmp_path / "out"), "--workers", "1"])
    text = " ".join(told.stdout.split())
    assert "1 recording does not say when; its bouts have no time of day" in text
    assert " 0 s (0 %) lost to wind" in text


@pytest.mark.parametrize("folder", [".", "new", "new/out"])
def test_the_figure_goes_where_it_is_wanted(
    runner: CliRunner, place: Path, tmp_path: Path, folder: str
) -> None:
    """Also into a folder that is made for the results."""
    figure = tmp_path / folder / "survey.svg"
    out = tmp_path / "new" / "out"
    result = runner.invoke(
        main, ["survey", str(place), "--out", str(out), "--workers", "1", "--figure", str(figure)]
    )
    assert result.exit_code == 0
    assert figure.read_text("utf-8").lstrip().startswith("<?xml")
    assert not (out / "figure.png").exists()


def test_a_figure_that_has_nowhere_to_go_is_told_before_the_work(
    runner: CliRunner, place: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    command = ["survey", str(place), "--out", str(out), "--workers", "1"]
    for nowhere in (tmp_path / "none", out / "pictures"):  # only --out itself is made
        result = runner.invoke(main, [*command, "--figure", str(nowhere / "f.png")])
        assert (result.exit_code, result.stdout) == (1, "")
        assert f"{nowhere}: there is no such folder" in result.stderr
        assert not out.exists()
    (out / "figure.png").mkdir(parents=True)
    result = runner.invoke(main, command)
    assert (result.exit_code, result.stdout) == (1, "")
    assert f"{out / 'figure.png'}: this is a folder" in result.stderr


def test_a_figure_that_cannot_be_written_in_the_end_is_a_fault(
    runner: CliRunner, place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OutputError("writing failed: no room", where="figure.png")

    monkeypatch.setattr("wingtone.figures.survey.draw_survey", full)
    result = runner.invoke(main, ["survey", str(place), "--out", str(tmp_path), "--workers", "1"])
    assert result.exit_code == 1
    assert "wingtone: figure.png: writing failed: no room" in result.stderr
    assert (tmp_path / "bouts.csv").exists()
    assert "figure.png" not in result.stdout


def test_without_matplotlib_the_tables_are_there_and_a_note_says_so(
    runner: CliRunner, place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import importlib.util

    real = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util,
        "find_spec",
        lambda name, *rest: None if name in ("matplotlib", "pyarrow") else real(name, *rest),
    )
    result = runner.invoke(main, ["survey", str(place), "--out", str(tmp_path), "--workers", "1"])
    assert result.exit_code == 0
    assert "'.[plot]'" in result.stderr
    assert "'.[survey]'" in result.stderr
    assert (tmp_path / "bouts.csv").exists()


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (["--workers", "2", "--scheduler", "tcp://127.0.0.1:1"], "leave one of them out"),
        (["--figure", "survey.gif"], ".png, .svg or .pdf"),
        (["--workers", "0"], "0 is not in the range"),
        (["--flight-threshold", "nan"], "not a number"),
    ],
)
def test_wrong_usage(runner: CliRunner, place: Path, tmp_path: Path, options: list[str], word: str) -> None:
    out = tmp_path / "out"
    result = runner.invoke(main, ["survey", str(place), "--out", str(out), *options])
    assert result.exit_code == 2
    assert word in result.stderr
    assert not out.exists()


def test_what_takes_next_to_no_time_is_told_so() -> None:
    told = Forecast(n_found=1, n_new=1, n_partly=0, to_hear_s=0.4, reckoned=True, rate=500.0, measured=False)
    text = " ".join(_forecast_lines(told, workers=2))
    assert "less than 1 s of sound" in text
    assert "less than 1 s with 2 workers" in text
    assert "about" not in text
    longer = " ".join(_forecast_lines(replace(told, to_hear_s=30_000.0), workers=2))
    assert "about 8.3 h of sound" in longer
    assert "about 30 s with 2 workers" in longer


def test_a_forecast_knows_no_length_of_what_it_would_have_to_fetch(
    runner: CliRunner, place: Path, tmp_path: Path
) -> None:
    told = runner.invoke(main, ["survey", place.as_uri(), "--out", str(tmp_path / "out"), "--dry-run"])
    assert told.exit_code == 0
    assert "4 new or changed" in told.stdout
    assert "how long they are cannot be said before they are heard" in " ".join(told.stdout.split())
    assert "of sound" not in told.stdout


def test_a_forecast_for_a_cluster_counts_its_workers(
    runner: CliRunner, place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("wingtone.survey.cluster.ClusterWorkers", lambda address: LocalWorkers(77))
    command = ["survey", str(place), "--out", str(tmp_path / "out"), "--dry-run"]
    assert "with 77 workers" in runner.invoke(main, [*command, "--scheduler", "tcp://here:1"]).stdout


@pytest.mark.parametrize(
    ("tones", "said"),
    [
        ([110.0], "110 Hz (A2 0 c)"),
        ([109.6, 110.0, 110.4], "most at 110 Hz (A2 0 c)"),
        ([100.0, 110.0, 120.0], "110 Hz (A2 0 c) in the middle, most between 100 and 120 Hz"),
    ],
)
def test_tones_that_are_told_alike_are_one_figure(tones: list[float], said: str) -> None:
    assert _tone_words(tones) == said


def test_a_missing_folder_is_told(runner: CliRunner, tmp_path: Path) -> None:
    result = runner.invoke(main, ["survey", str(tmp_path / "none"), "--out", str(tmp_path / "out")])
    assert result.exit_code == 1
    assert "no such file or folder" in result.stderr


def test_ctrl_c_says_how_to_go_on(
    runner: CliRunner, place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from wingtone.cli import survey_command

    def stop(self: object, progress: Progress) -> None:
        if progress.stage == "hear":
            raise KeyboardInterrupt

    monkeypatch.setattr(survey_command._ProgressLine, "show", stop)
    result = runner.invoke(main, ["survey", str(place), "--out", str(tmp_path), "--workers", "1"])
    assert result.exit_code == 130
    assert "goes on from here" in result.stderr
    assert "4 not heard yet" in " ".join(result.stdout.split())
    assert "This run nothing was heard" in " ".join(result.stdout.split())


def test_progress_is_a_line() -> None:
    half = Progress("hear", 1200, 2400, 3_600_000.0, 7_200_000.0, elapsed_s=9000.0, faults=3)
    assert progress_text(half) == (
        "[##########..........] listening: 1200 of 2400, 400 times real time, 2.5 h left, 3 with a fault"
    )
    look = Progress("look", 5, 20, 0.0, 0.0, elapsed_s=2.0, faults=0)
    assert progress_text(look) == "[#####...............] looking at files: 5 of 20, 6 s left"


def test_progress_shows_on_a_terminal_only(
    runner: CliRunner, place: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from wingtone.cli.survey_command import _ProgressLine

    written: list[str] = []
    monkeypatch.setattr("click.echo", lambda text, **_: written.append(text))
    one = Progress("hear", 1, 1, 1.0, 1.0, elapsed_s=1.0, faults=0)
    _ProgressLine().show(one)
    assert written == []
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True)
    _ProgressLine().show(one)
    assert "listening: 1 of 1" in written[0]
