"""``wingtone identify --record``: the answer goes into the notebook, and is told whatever becomes of that."""

from __future__ import annotations

import csv
import dataclasses
import datetime as dt
import io
import json
import os
import shutil
from typing import TYPE_CHECKING, Any

import pytest

from wingtone import clip
from wingtone.cli import main
from wingtone.notebook.store import Notebook

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import CliRunner

    from wingtone.notebook.records import Record
    from wingtone.tone.results import ToneResult

    Find = Callable[[ToneResult], None]


def kept(path: Path) -> list[Record]:
    with Notebook.open(path, write=False) as opened:
        return [entry.record for entry in opened.entries()]


def test_a_recording_is_kept_with_its_tone(
    runner: CliRunner, hover_wav: Path, perfect_ear: Find, tmp_path: Path
) -> None:
    book = tmp_path / "bees.sqlite"
    arguments = [
        "identify",
        str(hover_wav),
        "--hint",
        "tail=white",
        "--place",
        "TQ 18 75",
        "--format",
        "json",
    ]
    result = runner.invoke(main, [*arguments, "--record", "--notebook", str(book)])
    assert result.exit_code == 0, result.stderr
    told: dict[str, Any] = json.loads(result.stdout)
    assert "record 1 kept" in result.stderr
    (record,) = kept(book)
    assert record.status == "hint"
    assert record.event_date == "2019-06-15T10:15:00"
    assert dict(record.hints) == {"tail": "white"}
    assert record.place is not None
    assert record.place.grid_reference == "TQ 18 75"
    assert record.recording is not None
    assert record.recording.path == str(hover_wav.resolve())
    assert len(record.recording.bouts) == len(told["bouts"])
    assert record.tone is not None
    assert record.tone.f0_low_hz < record.tone.f0_hz < record.tone.f0_high_hz
    assert record.answer is not None
    assert record.answer["castes"] == told["castes"]
    assert record.made_with["program"].startswith("wingtone ")
    _ = perfect_ear


def test_the_time_stays_when_the_day_is_given_and_goes_when_it_is_another(
    runner: CliRunner, hover_wav: Path, perfect_ear: Find, tmp_path: Path
) -> None:
    book = tmp_path / "bees.sqlite"
    for day in ("2019-06-15", "2019-06-16"):
        arguments = ["identify", str(hover_wav), "--date", day, "--record", "--notebook", str(book)]
        assert runner.invoke(main, arguments).exit_code == 0
    assert [record.event_date for record in kept(book)] == ["2019-06-15T10:15:00", "2019-06-16"]
    _ = perfect_ear


def test_a_typed_date_is_kept_where_only_the_file_has_that_day(
    runner: CliRunner, hover_wav: Path, perfect_ear: Find, tmp_path: Path
) -> None:
    book, plain = tmp_path / "bees.sqlite", tmp_path / "garden.wav"
    shutil.copyfile(hover_wav, plain)  # without a date in its name, nothing but the file's time is left
    changed = dt.datetime(2026, 7, 10, 10, 11).timestamp()
    os.utime(plain, (changed, changed))
    for date in (["--date", "2026-07-10"], []):
        arguments = ["identify", str(plain), *date, "--record", "--notebook", str(book)]
        assert runner.invoke(main, arguments).exit_code == 0
    assert [record.event_date for record in kept(book)] == ["2026-07-10", ""]
    _ = perfect_ear


def test_a_date_that_the_recording_contradicts_is_kept_and_told(
    runner: CliRunner, hover_wav: Path, perfect_ear: Find, tmp_path: Path
) -> None:
    book = tmp_path / "bees.sqlite"
    arguments = ["identify", str(hover_wav), "--date", "2026-07-20", "--format", "json"]
    result = runner.invoke(main, [*arguments, "--record", "--notebook", str(book)])
    assert result.exit_code == 0
    assert [record.event_date for record in kept(book)] == ["2026-07-20"]
    assert "the recording says that it was made on 2019-06-15 at 10:15" in result.stderr
    _ = perfect_ear


def test_without_a_recording(runner: CliRunner, tmp_path: Path) -> None:
    book = tmp_path / "bees.sqlite"
    arguments = ["identify", "--f0", "146", "--date", "2026-03-20", "--hint", "tail=buff", "--record"]
    result = runner.invoke(main, [*arguments, "--notebook", str(book)])
    assert result.exit_code == 0, result.stderr
    assert "Record as" in result.stdout
    assert "record 1 kept" in result.stderr
    assert "record 1" not in result.stdout
    (record,) = kept(book)
    assert record.event_date == "2026-03-20"
    assert record.recording is None
    assert record.tone is not None
    assert (record.tone.f0_hz, record.tone.duration_s) == (146.0, None)


def test_a_bad_recording_among_good_ones_loses_nothing(
    runner: CliRunner, hover_wav: Path, perfect_ear: Find, tmp_path: Path
) -> None:
    book, bad = tmp_path / "bees.sqlite", tmp_path / "bad.wav"
    bad.write_bytes(b"nothing")
    files = [str(hover_wav), str(bad)]
    result = runner.invoke(main, ["identify", *files, "--record", "--notebook", str(book)])
    assert result.exit_code == 1
    assert "bad.wav" in result.stderr
    assert len(kept(book)) == 1
    _ = perfect_ear


def test_no_bee_and_no_hint_is_no_record(
    runner: CliRunner, hover_wav: Path, perfect_ear: Find, tmp_path: Path
) -> None:
    from cli.made_up import tone_of

    perfect_ear(tone_of())
    book = tmp_path / "bees.sqlite"
    result = runner.invoke(main, ["identify", str(hover_wav), "--record", "--notebook", str(book)])
    assert result.exit_code == 0
    assert "no record was made of it" in result.stderr
    assert kept(book) == []
    runner.invoke(
        main, ["identify", str(hover_wav), "--hint", "tail=red", "--record", "--notebook", str(book)]
    )
    assert len(kept(book)) == 1


def test_the_answer_is_told_when_the_notebook_fails(
    runner: CliRunner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from wingtone.errors import OutputError

    def full(*_: object, **__: object) -> None:
        raise OutputError("the disk is full", where="bees.sqlite")

    monkeypatch.setattr(Notebook, "add", full)
    arguments = ["identify", "--hint", "tail=red", "--record", "--notebook", str(tmp_path / "bees.sqlite")]
    result = runner.invoke(main, arguments)
    assert result.exit_code == 1
    assert "Record as" in result.stdout
    assert "the disk is full" in result.stderr


def test_a_notebook_that_cannot_be_is_told_before_the_work(
    runner: CliRunner, hover_wav: Path, tmp_path: Path
) -> None:
    missing = tmp_path / "missing" / "bees.sqlite"
    result = runner.invoke(main, ["identify", str(hover_wav), "--record", "--notebook", str(missing)])
    assert result.exit_code == 1
    assert result.stdout == ""
    assert "cannot be written here" in result.stderr


def test_a_notebook_without_record_is_refused(runner: CliRunner, tmp_path: Path) -> None:
    result = runner.invoke(main, ["identify", "--hint", "tail=red", "--notebook", str(tmp_path / "x")])
    assert result.exit_code == 2
    assert "--record" in result.stderr


def test_a_recordings_own_place_is_kept_and_told_but_not_shown(
    runner: CliRunner, hover_wav: Path, hover_truth: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Only one that was typed in is shown again; the notebook shows what it holds when it is asked."""
    info = dataclasses.replace(hover_truth.recording, latitude_deg=51.4625, longitude_deg=-0.3125)
    known = dataclasses.replace(hover_truth, recording=info)
    monkeypatch.setattr(clip, "measure_recording", lambda *_, **__: known)
    book = tmp_path / "bees.sqlite"
    commands = (
        ["identify", str(hover_wav), "--record", "--notebook", str(book)],
        ["notebook", "--notebook", str(book), "add", "--recording", str(hover_wav)],
    )
    for arguments in commands:
        result = runner.invoke(main, arguments)
        assert result.exit_code == 0, result.stderr
        assert "51.46" not in result.stdout + result.stderr
        assert "its place is that of the recording: blur or withhold it" in result.stdout + result.stderr
    assert [record.place and record.place.latitude_deg for record in kept(book)] == [51.4625, 51.4625]
    for arguments in commands:
        result = runner.invoke(main, [*arguments, "--place", "TQ 18 75"])
        told = result.stdout + result.stderr
        assert "TQ 18 75" in told
        assert "that of the recording" not in told
    listed = runner.invoke(main, ["notebook", "--notebook", str(book), "list"])
    assert listed.stdout.count("51.46") == 2


def test_two_bees_are_two_records_each_with_its_own_tone(
    runner: CliRunner, hover_wav: Path, perfect_ear: Find, tmp_path: Path
) -> None:
    from cli.made_up import bout, tone_of

    perfect_ear(tone_of(bout(115.0, start_s=0.5, end_s=2.0), bout(200.0, start_s=3.0, end_s=4.0)))
    book, table = tmp_path / "bees.sqlite", tmp_path / "records.csv"
    result = runner.invoke(main, ["identify", str(hover_wav), "--record", "--notebook", str(book)])
    assert result.exit_code == 0, result.stderr
    tones = [record.tone and record.tone.f0_hz for record in kept(book)]
    assert tones == pytest.approx([115.0, 200.0])
    assert [len(record.recording.bouts) for record in kept(book) if record.recording] == [1, 1]

    # `wingtone cue` takes the bee that is heard longest, and says so
    table.write_text(f"Sound,Species\n{hover_wav.name},Bombus terrestris\n", encoding="utf-8")
    out = tmp_path / "out.csv"
    result = runner.invoke(main, ["cue", str(table), "--clips", str(hover_wav.parent), "--out", str(out)])
    assert result.exit_code == 0, result.stderr
    (row,) = csv.DictReader(io.StringIO(out.read_text("utf-8")))
    assert float(row["tone_hz"]) == pytest.approx(115.0)
    assert "2 bees in the clip" in row["note"]


def test_keeping_a_recording_again_is_told(
    runner: CliRunner, hover_wav: Path, perfect_ear: Find, tmp_path: Path
) -> None:
    arguments = ["identify", str(hover_wav), "--record", "--notebook", str(tmp_path / "bees.sqlite")]
    assert "may be the bee" not in runner.invoke(main, arguments).stderr
    again = runner.invoke(main, arguments)
    assert again.exit_code == 0
    assert "record 2: note: it may be the bee of record 1" in again.stderr
    assert "wingtone notebook remove 2" in again.stderr
