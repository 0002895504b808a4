"""A whole survey: what it tells, and that it does again only what it must."""

from __future__ import annotations

import dataclasses
import errno
import importlib.util
import io
import json
import shutil
from collections import Counter
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow.parquet
import pytest

import wingtone
from survey import hostile
from survey.made_up import RATE_HZ, clip, garden, rows, tables
from wingtone.audio import decode
from wingtone.audio.encode import write_encoded
from wingtone.bout_table import COLUMNS, bout_rows, csv_values
from wingtone.clip import measure_recording
from wingtone.errors import OutputError, RecordingError
from wingtone.simulate import negative_scene
from wingtone.survey import LocalWorkers, Progress, Settings, jobs, preview, run_survey
from wingtone.survey.places import Found, find
from wingtone.survey.run import LEAST_LIMIT_S
from wingtone.survey.workers import Job, Outcome, attempt

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path
    from typing import Self


class Here:
    """Workers that are none: the jobs run in this process, and are counted."""

    def __init__(self) -> None:
        self.count = 1
        self.ran: Counter[str] = Counter()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def outcomes(self, jobs: Iterable[Job]) -> Iterator[Outcome]:
        for job in jobs:
            self.ran[job.task.__name__] += 1
            status, value = attempt(job.task, job.arguments)
            assert status in ("done", "failed")
            if status == "done":
                yield Outcome(job, "done", json.loads(json.dumps(value)))
            else:
                yield Outcome(job, "failed", reason=value)


def survey(place: Path, out: Path, **options: Any) -> Counter[str]:
    """Run one, and give how many jobs of each kind there were."""
    workers = Here()
    run_survey(place, out, workers=workers, **options)
    return workers.ran


# --- what it tells ------------------------------------------------------------------------------------------


def test_bouts_are_those_that_measure_finds(clips: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert survey(clips, out) == {"look": 8, "hear": 8}
    want = []
    for path in sorted(clips.rglob("*.wav"), key=str):
        for row in bout_rows(measure_recording(path)):
            want.append(["" if cell is None else str(cell) for cell in csv_values(row)])
    got = rows(out / "bouts.csv")
    assert len(got) >= 8
    assert [[row[name] for name in COLUMNS] for row in got] == want


def test_recordings_and_effort_are_told(clips: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    survey(clips, out)
    recordings = rows(out / "recordings.csv")
    assert [row["path"] for row in recordings] == sorted(str(path) for path in clips.rglob("*.wav"))
    for row in recordings:
        assert (row["status"], row["reason"]) == ("done", "")
        assert float(row["duration_s"]) == float(row["heard_s"]) == 4.0
        assert set(row["flags"].split(";")) == set(_flags(row["path"]) or [""])
    bouts = rows(out / "bouts.csv")
    per_path = Counter(row["path"] for row in bouts)
    assert all(int(row["n_bouts"]) == per_path[row["path"]] for row in recordings)
    effort = rows(out / "effort.csv")
    assert [row["starts_at"][:13] for row in effort] == [
        f"2026-06-10T{hour:02d}" for hour in (0, 2, 4, 6, 1, 3, 5, 7)
    ]
    assert {(row["heard_s"], row["duration_s"]) for row in effort} == {("4.0", "4.0")}
    for row in bouts:
        clock = f"T{row['path'][-10:-8]}:15:0"
        assert row["starts_at"].startswith(f"2026-06-10{clock}")


def test_effort_says_how_long_its_stretch_is_silence_or_not(tmp_path: Path) -> None:
    path = tmp_path / "in" / "bee_20260610_125500.wav"
    path.parent.mkdir()
    write_encoded(path, np.concatenate([clip(0), np.zeros(6 * RATE_HZ, np.float32)]), rate_hz=RATE_HZ)
    report = run_survey(path.parent, tmp_path / "out", workers=Here())
    (row,) = rows(tmp_path / "out" / "effort.csv")
    assert 4.0 <= float(row["heard_s"]) <= 5.0  # resampling rings into the next second
    assert row["duration_s"] == "10.0"
    assert [series[0] for series in report.summary.effort[1:]] == [
        float(row[name]) for name in ("heard_s", "wind_lost_s", "duration_s")
    ]


def _flags(path: str) -> tuple[str, ...]:
    return measure_recording(path).flags


def test_parquet_holds_what_the_csv_holds(clips: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    (clips / "bad.wav").write_bytes(b"no sound")
    survey(clips, out)
    for name in ("bouts", "recordings", "effort"):
        table = pyarrow.parquet.read_table(out / f"{name}.parquet")
        plain = rows(out / f"{name}.csv")
        assert table.column_names == list(plain[0])
        assert table.num_rows == len(plain)
        for got, want in zip(table.to_pylist(), plain, strict=True):
            for column, value in got.items():
                if isinstance(value, list):
                    assert ";".join("" if one is None else str(one) for one in value) == want[column]
                elif value is None:
                    assert want[column] == ""
                elif isinstance(value, float):
                    assert float(want[column]) == value
                else:
                    assert want[column] == str(value)


def test_without_pyarrow_there_is_csv_and_that_is_said(
    clips: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    report = run_survey(clips, tmp_path / "out", workers=Here())
    assert report.summary.without_parquet
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "bouts.csv", "effort.csv", "manifest.sqlite", "recordings.csv",
    ]  # fmt: skip


def test_the_model_speaks_of_each_flight(clips: Path, tmp_path: Path) -> None:
    """The probabilities are those that the learn room gives for the same recording."""
    import numpy as np

    from wingtone.learn.dataset import hear
    from wingtone.learn.model_file import load_model
    from wingtone.survey import settings_for

    for path in sorted(clips.rglob("*.wav"))[2:]:
        path.unlink()
    settings = settings_for(model="demonstration")
    assert settings.key != Settings().key
    survey(clips, tmp_path / "out", settings=settings)
    model = load_model("demonstration")
    got = rows(tmp_path / "out" / "bouts.csv")
    assert list(got[0])[-len(model.classes) :] == list(settings.caste_columns)
    for path in sorted(clips.rglob("*.wav")):
        heard = hear(path)
        shares = np.exp(model.numbers.log_posterior(heard.table))
        good = model.numbers.in_range(heard.table)
        told = [row for row in got if row["path"] == str(path) and row["kind"] == "flight"]
        for row, share, used in zip(told, shares, good, strict=True):
            values = [row[name] for name in settings.caste_columns]
            if used:
                assert [float(value) for value in values] == pytest.approx(share, abs=1e-4)
                assert sum(map(float, values)) == pytest.approx(1.0, abs=1e-3)
            else:
                assert set(values) == {""}


# --- what is done again -----------------------------------------------------------------------------------


def test_a_second_run_does_nothing_and_tells_the_same(clips: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    survey(clips, out)
    first = tables(out)
    assert survey(clips, out) == {}
    assert tables(out) == first


def test_only_what_is_new_or_changed_is_heard(clips: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    survey(clips, out)
    one, other, third, *_ = sorted(clips.rglob("*.wav"))
    one.write_bytes(one.read_bytes() + b"LIST")  # another file, if only by a crumb at its end
    new = clips / "new" / "bee_20260801_101500.wav"
    new.parent.mkdir()
    shutil.copy(other, new)
    with new.open("ab") as file:
        file.write(b"LIST")
    third.unlink()
    assert survey(clips, out) == {"look": 2, "hear": 2}
    told = [row["path"] for row in rows(out / "recordings.csv")]
    assert str(new) in told
    assert str(third) not in told
    assert str(third) not in {row["path"] for row in rows(out / "bouts.csv")}


def test_a_renamed_recording_is_looked_at_but_not_heard(clips: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    survey(clips, out)
    before = rows(out / "bouts.csv")
    one = next(iter(sorted(clips.rglob("*.wav"))))
    one.rename(one.with_name("zz_20260704_120000.wav"))
    assert survey(clips, out) == {"look": 1}
    after = rows(out / "bouts.csv")
    assert sorted(row["f0_hz"] for row in after) == sorted(row["f0_hz"] for row in before)
    assert any(row["starts_at"].startswith("2026-07-04T12:00") for row in after)


def test_other_settings_are_another_survey_and_the_old_one_stays(clips: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    survey(clips, out)
    first = tables(out)
    assert survey(clips, out, settings=Settings(flight_threshold=0.99)) == {"hear": 8}
    assert tables(out) != first
    assert survey(clips, out) == {}
    assert tables(out) == first


def test_another_version_of_the_program_does_all_again(clips: Path, tmp_path: Path) -> None:
    survey(clips, tmp_path / "out")
    newer = dataclasses.replace(Settings(), program="99")
    assert survey(clips, tmp_path / "out", settings=newer) == {"look": 8, "hear": 8}


def test_copies_are_counted_once(clips: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    one = next(iter(sorted(clips.rglob("*.wav"))))
    shutil.copy(one, clips / "zz copy.wav")
    assert survey(clips, out) == {"look": 9, "hear": 8}
    (copy,) = [row for row in rows(out / "recordings.csv") if row["path"].endswith("zz copy.wav")]
    assert copy["status"] == "copy"
    assert str(one) in copy["reason"]
    assert float(copy["heard_s"]) == 0
    assert copy["path"] not in {row["path"] for row in rows(out / "bouts.csv")}


# --- faults -----------------------------------------------------------------------------------------------


def plant_bad_files(folder: Path) -> dict[str, str]:
    """Bad files of three kinds; a word of the reason by name."""
    folder.mkdir(exist_ok=True)
    (folder / "bad 1.wav").write_bytes(b"just some words")
    (folder / "bad 2.m4a").write_bytes(b"")
    (folder / "bad 3.mp3").write_bytes(bytes(5000))
    return {"bad 1.wav": "not a recording", "bad 2.m4a": "is empty", "bad 3.mp3": "only zeros"}


def test_bad_files_are_named_and_the_rest_is_done(clips: Path, tmp_path: Path) -> None:
    planted = plant_bad_files(clips)
    report = run_survey(clips, tmp_path / "out", workers=Here())
    assert report.summary.statuses == {"done": 8, "failed": 3}
    told = {path.rsplit("/", 1)[1]: reason for path, _, reason in report.summary.faults}
    assert set(told) == set(planted)
    for name, word in planted.items():
        assert word in told[name]
    assert survey(clips, tmp_path / "out") == {}  # they are known to be bad
    assert survey(clips, tmp_path / "out", retry=True) == {"look": 3}


class Impatient(LocalWorkers):
    """Processes that are given no time for what is known to hang, and all of it for the rest."""

    def outcomes(self, jobs: Iterable[Job]) -> Iterator[Outcome]:
        return super().outcomes(map(self._shortened, jobs))

    @staticmethod
    def _shortened(job: Job) -> Job:
        assert job.limit_s > LEAST_LIMIT_S
        hangs = job.task is hostile.hear and "hang-hear" in job.arguments[0].location
        return dataclasses.replace(job, limit_s=0.1) if hangs else job


def test_what_crashes_or_hangs_is_marked_and_the_rest_is_done(
    clips: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With real processes, killed from inside."""
    monkeypatch.setattr("wingtone.survey.workers.TRIES", 2)  # each costs the start of a process
    paths = sorted(clips.rglob("*.wav"))
    names = ("crash-look", "crash-hear", "hang-hear", "fault-hear", "once-look", "once-hear")
    for path, name in zip(paths, names, strict=False):
        path.rename(path.with_name(f"{name}_20260610_081500.wav"))
    tasks = (hostile.look, hostile.hear)
    report = run_survey(clips, tmp_path / "out", workers=Impatient(2), tasks=tasks)
    statuses = {
        row["path"].rsplit("/", 1)[1].split("_")[0]: (row["status"], row["reason"])
        for row in rows(tmp_path / "out" / "recordings.csv")
    }
    assert statuses["crash-look"][0] == statuses["crash-hear"][0] == "crashed"
    assert statuses["hang-hear"][0] == "hung"
    assert statuses["fault-hear"][0] == "failed"
    assert "ZeroDivisionError: planted" in statuses["fault-hear"][1]
    assert report.summary.statuses == {"done": 4, "crashed": 2, "hung": 1, "failed": 1}
    again = run_survey(clips, tmp_path / "out", workers=Here())
    assert again.summary.statuses == report.summary.statuses  # marked: not tried again by itself
    assert again.pieces == 0
    mended = run_survey(clips, tmp_path / "out", workers=Here(), retry=True)
    assert mended.summary.statuses == {"done": 8}


def test_a_fault_in_one_piece_leaves_the_others(tmp_path: Path) -> None:
    from survey.made_up import RATE_HZ, garden
    from wingtone.audio.encode import write_encoded

    place = tmp_path / "in"
    place.mkdir()
    write_encoded(place / "long.wav", garden(240, bees_at=(10.0, 100.0, 200.0)), rate_hz=RATE_HZ)
    settings = Settings(piece_s=80.0, overlap_s=40.0)

    def hear(found: Any, piece: Any, settings: Settings) -> dict[str, Any]:
        if piece.number == 1:
            raise RecordingError("cannot be read", where=found.path)
        return jobs.hear(found, piece, settings)

    report = run_survey(place, tmp_path / "out", workers=Here(), settings=settings, tasks=(jobs.look, hear))
    assert report.summary.faults == [(str(place / "long.wav"), "failed", "from 0.02 h on: cannot be read")]
    (row,) = rows(tmp_path / "out" / "recordings.csv")
    assert float(row["heard_s"]) == 160.0
    starts = [float(bout["start_s"]) for bout in rows(tmp_path / "out" / "bouts.csv")]
    assert starts
    assert not [start for start in starts if 80.0 <= start < 160.0]
    run_survey(place, tmp_path / "out", workers=Here(), settings=settings, retry=True)
    (row,) = rows(tmp_path / "out" / "recordings.csv")
    assert (row["status"], float(row["heard_s"])) == ("done", 240.0)


def test_what_changes_or_vanishes_while_it_is_heard_is_heard_anew(clips: Path, tmp_path: Path) -> None:
    """What was heard of another sound must not be kept under the checksum of the first."""
    out = tmp_path / "out"
    survey(clips, tmp_path / "calm")
    one, other, third, *_ = sorted(clips.rglob("*.wav"))
    before = {path: path.read_bytes() for path in (one, third)}

    def hear(found: Any, piece: Any, settings: Settings) -> dict[str, Any]:
        if found.location == str(one):
            one.write_bytes(other.read_bytes() + b"LIST")
        if found.location == str(third):
            third.unlink()
        return jobs.hear(found, piece, settings)

    report = run_survey(clips, out, workers=Here(), tasks=(jobs.look, hear))
    assert [(path, status) for path, status, _ in report.summary.faults] == [
        (str(path), "failed") for path in (one, third)
    ]
    assert all("changed or vanished" in reason for _, _, reason in report.summary.faults)
    assert report.summary.statuses["done"] == 6
    for path, content in before.items():
        path.write_bytes(content)
    assert survey(clips, out) == {"look": 2, "hear": 2}
    assert tables(out) == tables(tmp_path / "calm")


def test_a_folder_that_may_not_be_read_is_told_as_that(
    clips: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By root too, who may read everything: the list of what was found names the folder itself."""
    closed = clips / "site 0"
    found = [find(clips)[-1], Found(str(closed), str(closed), "", 0)]
    monkeypatch.setattr("wingtone.survey.run.find", lambda _: found)
    monkeypatch.setattr("os.access", lambda path, mode: path != closed)
    report = run_survey(clips, tmp_path / "out", workers=Here())
    why = "this folder may not be read (check who is allowed to read it)"
    assert report.summary.faults == [(str(closed), "failed", why)]
    assert report.summary.statuses["done"] == 1


def test_a_disk_that_fails_while_it_is_heard_gives_no_half_of_a_recording(
    clips: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a card reader that comes loose: what could be read must not count as all there is."""
    out = tmp_path / "out"
    one, _, *others = sorted(clips.rglob("*.wav"))
    for path in others:
        path.unlink()

    class Loose(io.FileIO):
        def read(self, size: int | None = -1) -> bytes:
            if self.tell() > 80_000:
                raise OSError(errno.EIO, "Input/output error")
            return super().read(10_000) or b""

    def hear(found: Any, piece: Any, settings: Settings) -> dict[str, Any]:
        with monkeypatch.context() as patch, Loose(found.location) as loose:
            if found.location == str(one):
                quiet = decode._QuietFile(loose, {})
                patch.setattr(decode, "_QuietFile", lambda *_: quiet)
            return jobs.hear(found, piece, settings)

    report = run_survey(clips, out, workers=Here(), tasks=(jobs.look, hear))
    ((name, status, reason),) = report.summary.faults
    assert (name, status) == (str(one), "failed")
    assert "could not be read: Input/output error" in reason
    assert "is the disk or card in order" in reason
    survey(clips, out, retry=True)
    survey(clips, tmp_path / "calm")
    assert tables(out) == tables(tmp_path / "calm")


def test_nothing_to_survey_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    with pytest.raises(RecordingError, match="no recording"):
        run_survey(tmp_path / "in", tmp_path / "out", workers=Here())


def test_tables_that_find_no_room_leave_nothing_behind(
    clips: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(value: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("wingtone.survey.tables.csv_cell", full)
    with pytest.raises(OutputError, match=r"effort\.\w+: writing failed: No space left on device"):
        run_survey(clips, tmp_path / "out", workers=Here())
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["manifest.sqlite"]


# --- stopping, progress, preview --------------------------------------------------------------------------


def test_ctrl_c_keeps_what_was_heard_and_the_next_run_goes_on(clips: Path, tmp_path: Path) -> None:
    undisturbed = tmp_path / "undisturbed"
    survey(clips, undisturbed)
    out = tmp_path / "out"

    def stop(progress: Progress) -> None:
        if progress.stage == "hear" and progress.done == 3:
            raise KeyboardInterrupt

    report = run_survey(clips, out, workers=Here(), progress=stop)
    assert report.stopped
    assert report.summary.statuses == {"done": 3, "waiting": 5}
    assert survey(clips, out) == {"hear": 5}
    assert tables(out) == tables(undisturbed)


def test_progress_is_told(clips: Path, tmp_path: Path) -> None:
    plant_bad_files(clips)
    told: list[Progress] = []
    run_survey(clips, tmp_path / "out", workers=Here(), progress=told.append)
    looks = [one for one in told if one.stage == "look"]
    hears = [one for one in told if one.stage == "hear"]
    assert [one.done for one in looks] == list(range(12))
    assert [one.done for one in hears] == list(range(9))
    assert (hears[-1].heard_s, hears[-1].of_s, hears[-1].faults) == (32.0, 32.0, 3)
    assert hears[-1].left_s == 0.0
    assert hears[0].left_s is None
    half = Progress("hear", 2, 4, 100.0, 400.0, elapsed_s=10.0, faults=0)
    assert (half.rate, half.left_s) == (10.0, 30.0)


def test_a_preview_says_what_is_to_do_and_makes_nothing(clips: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    told = preview(clips, out, settings=Settings())
    assert not out.exists()
    assert (told.n_found, told.n_new, told.to_hear_s, told.measured) == (8, 8, 32.0, False)
    assert told.needs_s(2) == pytest.approx(16.0 / told.rate)
    survey(clips, out)
    before = {path: path.stat().st_mtime_ns for path in out.iterdir()}
    told = preview(clips, out, settings=Settings())
    assert (told.n_new, told.n_partly, told.to_hear_s) == (0, 0, 0.0)
    assert told.measured
    told = preview(clips, out, settings=Settings(flight_threshold=0.5))
    assert (told.n_new, told.n_partly, told.to_hear_s) == (0, 8, 32.0)
    assert {path: path.stat().st_mtime_ns for path in out.iterdir() if path.suffix != ".sqlite"} == {
        path: at for path, at in before.items() if path.suffix != ".sqlite"
    }


def test_settings_are_one_name_for_one_choice() -> None:
    keys = {Settings().key, Settings(flight_threshold=0.5).key, Settings(model_sha256="a").key,
            Settings(piece_s=80.0).key, Settings(program="2").key}  # fmt: skip
    assert len(keys) == 5
    assert Settings(model="here", model_sha256="a").key == Settings(model="there", model_sha256="a").key


def test_many_bees_in_one_piece_leave_the_flights_of_the_others(tmp_path: Path) -> None:
    """Sizes are of what was heard in the pieces where single bees could be followed, and of all of that."""
    sound = garden(240, bees_at=(10.0, 40.0))
    hive = negative_scene(900, kind="hive", duration_s=30.0, rate_hz=RATE_HZ).samples[0]
    sound[190 * RATE_HZ : 220 * RATE_HZ] = hive
    (tmp_path / "in").mkdir()
    write_encoded(tmp_path / "in" / "day.wav", sound, rate_hz=RATE_HZ)
    survey(tmp_path / "in", tmp_path / "out", settings=Settings(piece_s=80.0, overlap_s=40.0))
    (recording,) = rows(tmp_path / "out" / "recordings.csv")
    assert "many bees" in recording["flags"].split(";")
    bouts = rows(tmp_path / "out" / "bouts.csv")
    flights = [row for row in bouts if row["kind"] == "flight" and float(row["end_s"]) < 60]
    assert len(flights) >= 2
    for row in bouts:
        assert ("many bees" in row["flags"].split(";")) == (row["piece"] == "2")
    assert {row["piece"] for row in bouts} >= {"0", "2"}
    found = wingtone.sizes(tmp_path / "out")
    assert found.selection.n_used == len(flights)
