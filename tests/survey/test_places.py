"""Recordings and results at addresses; an in-memory store stands for an object store."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import platform
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import fsspec
import pytest

from survey.made_up import RATE_HZ, garden, rows, tables
from survey.test_run import Here
from wingtone.audio.encode import write_encoded
from wingtone.errors import MissingExtraError, OutputError, RecordingError, RequestError
from wingtone.survey import Progress, Settings, jobs, preview, run_survey
from wingtone.survey.claims import CLAIM_NAME, Claim
from wingtone.survey.places import Found, Output, fetched, find
from wingtone.survey.plan import USUAL_RATE
from wingtone.survey.workers import Job, Outcome

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from wingtone.survey.joins import Piece


@pytest.fixture
def bucket(eight_clips: Path) -> Iterator[str]:
    store = fsspec.filesystem("memory")
    store.put(str(eight_clips), "/bucket/garden", recursive=True)
    store.pipe("/bucket/garden/notes.txt", b"not a recording")
    store.pipe("/bucket/garden/.hidden/a.wav", b"hidden")
    yield "memory://bucket/garden"
    store.rm("/bucket", recursive=True)


def test_an_address_is_searched_like_a_folder(bucket: str, eight_clips: Path) -> None:
    got = find(bucket)
    want = find(eight_clips)
    assert [one.path.removeprefix(bucket) for one in got] == [
        one.path.removeprefix(str(eight_clips)) for one in want
    ]
    assert [one.size_bytes for one in got] == [one.size_bytes for one in want]
    for one, other in zip(got, want, strict=True):
        with fetched(one) as local:
            assert local.read_bytes() == Path(other.location).read_bytes()
        assert not local.exists()


def test_a_survey_from_and_to_a_store(
    bucket: str, eight_clips: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The tables are those of the folder; a computer that has never seen the survey goes on with it."""
    run_survey(eight_clips, tmp_path / "plain", workers=Here())
    want = {name: text.replace(str(eight_clips), bucket) for name, text in tables(tmp_path / "plain").items()}
    target = "memory://bucket/results"
    runs: tuple[tuple[str, dict[str, int]], ...]
    runs = (("one", {"look_and_hear": 8}), ("one", {}), ("another", {}))
    for home, ran in runs:
        monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / home))
        assert preview(bucket, target, settings=Settings()).n_new == sum(ran.values())
        workers = Here()
        run_survey(bucket, target, workers=workers)
        assert workers.ran == ran
        store = fsspec.filesystem("memory")
        for name, text in want.items():
            assert store.cat(f"/bucket/results/{name}.csv").decode() == text


def test_what_is_fetched_has_time_to_be_heard(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A day of thin sound, 24 kbit/s: a tenth of the usual speed must be fast enough."""
    day = Found("s3://bucket/day.opus", "s3://bucket/day.opus", "1", 24_000 // 8 * 86_400)
    monkeypatch.setattr("wingtone.survey.run.find", lambda _: [day])
    limits = []

    class Never(Here):
        def outcomes(self, jobs: Iterable[Job]) -> Iterator[Outcome]:
            for job in jobs:
                limits.append(job.limit_s)
                yield Outcome(job, "failed", reason="not fetched")

    run_survey("s3://bucket", tmp_path / "out", workers=Never())
    (limit_s,) = limits
    assert limit_s > 86_400 / (USUAL_RATE / 10)


def test_a_renamed_recording_at_an_address_is_fetched_but_not_heard(
    bucket: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    heard: list[str] = []
    really_hear = jobs.hear

    def hear(found: Found, piece: Piece, settings: Settings) -> dict[str, Any]:
        heard.append(found.path)
        return really_hear(found, piece, settings)

    monkeypatch.setattr(jobs, "hear", hear)
    store = fsspec.filesystem("memory")
    run_survey(bucket, out, workers=Here())
    before = rows(out / "bouts.csv")
    assert len(heard) == 8
    names = [find(bucket)[0].location.removeprefix("memory:/")]
    names += [f"{names[0].rpartition('/')[0]}/{name}_20260704_120000.wav" for name in ("yy", "zz")]
    store.mv(*names[:2])
    workers = Here()
    report = run_survey(bucket, out, workers=workers)
    assert workers.ran == {"look_and_hear": 1}
    assert len(heard) == 8
    assert report.summary.statuses == {"done": 8}
    after = rows(out / "bouts.csv")
    assert sorted(row["f0_hz"] for row in after) == sorted(row["f0_hz"] for row in before)
    assert any(row["starts_at"].startswith("2026-07-04T12:00") for row in after)
    store.mv(*names[1:])
    workers = Here()
    run_survey(bucket, out, workers=workers, settings=Settings(flight_threshold=0.9))
    assert workers.ran == {"look_and_hear": 1, "hear": 7}
    assert len(heard) == 9, "with other settings it was not heard before"


def test_when_a_recording_was_fetched_is_not_its_time(eight_clips: Path, tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    shutil.copy(next(eight_clips.rglob("*.wav")), tmp_path / "in" / "bee.wav")
    run_survey((tmp_path / "in").as_uri(), tmp_path / "out", workers=Here())
    (row,) = rows(tmp_path / "out" / "recordings.csv")
    assert (row["status"], row["recorded_at"], row["recorded_at_source"]) == ("done", "", "")


class _Store(Output):
    """A store that can be out of order."""

    def __init__(self, place: str) -> None:
        super().__init__(place)
        self.in_order = True
        self.sent: list[str] = []

    @contextlib.contextmanager
    def writing(self, name: str) -> Iterator[Path]:
        with super().writing(name) as scratch:
            yield scratch
            if not self.in_order:
                raise OutputError("could not be written", where=name)
            if name != CLAIM_NAME:
                self.sent.append(name)


def test_the_manifest_is_sent_on_the_way_whatever_becomes_of_a_copy(
    bucket: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is fetched is heard as it is looked at; that is when all the work is done."""
    monkeypatch.setattr("wingtone.survey.run.COPY_S", 0.0)
    store = _Store("memory://bucket/results")
    monkeypatch.setattr("wingtone.survey.run.Output", lambda place: store)

    def disturb(progress: Progress) -> None:
        if progress.stage == "look":
            told.append(len(store.sent))
            store.in_order = progress.done not in (2, 3)

    told: list[int] = []
    options: dict[str, Any] = {"progress": disturb, "manifest_path": tmp_path / "m.sqlite"}
    report = run_survey(bucket, store.place, workers=Here(), **options)
    assert report.summary.statuses == {"done": 8}
    assert told == [1, 2, 3, 3, 3, 4, 5, 6, 7]  # one before the work, then after each job but two
    store.in_order = False
    workers = Here()
    with pytest.raises(OutputError, match="could not be written"):
        run_survey(bucket, store.place, workers=workers, settings=Settings(flight_threshold=0.99), **options)
    assert not workers.ran


def test_what_was_heard_as_it_was_looked_at_is_no_progress_of_hearing(bucket: str, tmp_path: Path) -> None:
    told: list[Progress] = []
    place = f"{bucket}/site 0"
    run_survey(place, tmp_path / "out", workers=Here())
    settings = Settings(flight_threshold=0.99)  # four are known and to be heard again, four are new
    run_survey(bucket, tmp_path / "out", workers=Here(), settings=settings, progress=told.append)
    hears = [one for one in told if one.stage == "hear"]
    assert [(one.done, one.heard_s, one.of_s) for one in hears] == [(i, 4.0 * i, 16.0) for i in range(5)]


@pytest.mark.parametrize("address_first", [False, True])
def test_what_was_heard_whole_and_in_pieces_counts_once(tmp_path: Path, address_first: bool) -> None:
    place = tmp_path / "in"
    place.mkdir()
    write_encoded(place / "long.wav", garden(240, bees_at=(10.0, 100.0, 200.0)), rate_hz=RATE_HZ)
    settings = Settings(piece_s=80.0, overlap_s=40.0)
    places = [str(place), place.as_uri()]
    told = []
    for where in reversed(places) if address_first else places:
        workers = Here()
        report = run_survey(where, tmp_path / "out", workers=workers, settings=settings)
        told.append((report.summary.heard_s, report.summary.n_bouts))
    assert told[0] == told[1]
    assert told[0][0] == 240.0
    assert told[0][1] >= 3
    assert workers.ran == ({"look": 1} if address_first else {"look_and_hear": 1})


@pytest.mark.skipif(sys.platform != "linux", reason="names that are no text are a thing of Linux")
def test_a_byte_that_is_no_text_and_its_spelling_are_two_names(eight_clips: Path, tmp_path: Path) -> None:
    first, second, *_ = sorted(eight_clips.rglob("*.wav"))
    (tmp_path / "in").mkdir()
    names = [os.fsdecode(b"x\xff%5C.wav"), "x\\xff%5C.wav", os.fsdecode(b"x\\\xff.wav"), "x\\\\xff.wav"]
    for name, clip in zip(names, (first, second, first, second), strict=True):
        shutil.copy(clip, tmp_path / "in" / name)
    found = find(tmp_path / "in")
    keys = {one.key for one in found}
    assert len(keys) == 4
    assert all(key.isprintable() for key in keys)
    assert {str(tmp_path / "in" / name) for name in names[1::2]} < keys  # what is text stays as it is
    for ran in ({"look": 4, "hear": 2}, {}):  # two of them are copies
        workers = Here()
        run_survey(tmp_path / "in", tmp_path / "out", workers=workers)
        assert workers.ran == ran


def _note(host: str, process: int, *, minutes_ago: float) -> str:
    at = dt.datetime.now(dt.UTC) - dt.timedelta(minutes=minutes_ago)
    return json.dumps({"host": host, "process": process, "at": at.isoformat()})


@pytest.mark.parametrize("shared_drive", [False, True])
def test_two_computers_are_kept_out_of_one_place_of_results(
    bucket: str, tmp_path: Path, shared_drive: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each has a manifest of its own, and the tables would be of the one that ends last."""
    monkeypatch.setattr("wingtone.survey.run.COPY_S", 0.0)
    target = str(tmp_path / "drive") if shared_drive else "memory://bucket/results"
    output, place = Output(target), f"{bucket}/site 0"
    seen = []

    def other(progress: Progress) -> None:
        note = json.loads(output.read(CLAIM_NAME))
        seen.append((note["host"], note["process"]))
        if len(seen) > 1:
            return
        with monkeypatch.context() as elsewhere:
            elsewhere.setattr("wingtone.survey.claims.platform.node", lambda: "another computer")
            with pytest.raises(OutputError, match="another survey") as told:
                run_survey(place, target, workers=Here(), manifest_path=tmp_path / "2.sqlite")
        assert f"on {platform.node()} (process {os.getpid()})" in str(told.value)

    run_survey(place, target, workers=Here(), manifest_path=tmp_path / "1.sqlite", progress=other)
    assert len(seen) > 2
    assert set(seen) == {(platform.node(), os.getpid())}
    assert output.read(CLAIM_NAME) == b"", "it goes with the end"
    assert output.read("bouts.csv") != b""


def test_a_note_of_who_is_at_work_is_renewed(
    bucket: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("wingtone.survey.run.COPY_S", 0.0)
    output = Output("memory://bucket/results")
    notes = []

    def forget(_: Progress) -> None:
        notes.append(output.read(CLAIM_NAME))
        output.remove(CLAIM_NAME)

    options: dict[str, Any] = {"manifest_path": tmp_path / "m.sqlite", "progress": forget}
    run_survey(f"{bucket}/site 0", output.place, workers=Here(), **options)
    assert all(notes[:3])


def test_a_note_that_means_nothing_any_more_keeps_nobody_out(bucket: str, tmp_path: Path) -> None:
    ended = subprocess.run(
        [sys.executable, "-c", "import os; print(os.getpid())"], capture_output=True, check=True
    )
    output, here = Output("memory://bucket/results"), platform.node()
    for note in (
        _note("another computer", 1, minutes_ago=31),
        _note("another computer", 1, minutes_ago=-31),  # its clock or ours is wrong
        _note(here, int(ended.stdout), minutes_ago=1),
        _note(here, 10**30, minutes_ago=1),
        _note(here, os.getpid(), minutes_ago=1),
        "",
        "{}",
        "[1]",
        "no JSON",
        '{"host": 1, "process": "x", "at": 5}',
        "\xff",
    ):
        with output.writing(CLAIM_NAME) as scratch:
            scratch.write_text(note, encoding="latin-1")
        with Claim(output):
            assert json.loads(output.read(CLAIM_NAME))["process"] == os.getpid()
        with output.writing(CLAIM_NAME) as scratch:
            scratch.write_text(_note(here, os.getppid(), minutes_ago=1))
        with pytest.raises(OutputError, match=f"process {os.getppid()}"), Claim(output):
            pass


def test_a_survey_whose_manifest_lies_with_the_results_needs_no_note(
    eight_clips: Path, tmp_path: Path
) -> None:
    seen = []
    out = tmp_path / "out"
    run_survey(eight_clips / "site 0", out, workers=Here(), progress=lambda _: seen.append([*out.iterdir()]))
    assert CLAIM_NAME not in {path.name for paths in seen for path in paths}


def test_a_local_address_is_a_folder(eight_clips: Path, tmp_path: Path) -> None:
    copy = tmp_path / "in"
    shutil.copytree(eight_clips, copy)
    assert len(find(copy.as_uri())) == 8
    output = Output((tmp_path / "out").as_uri())
    with output.writing("a.txt") as scratch:
        scratch.write_text("whole")
    assert (tmp_path / "out" / "a.txt").read_text() == "whole"


def test_a_block_that_fails_writes_nothing(tmp_path: Path) -> None:
    for place in (str(tmp_path / "out"), "memory://bucket/out"):
        output = Output(place)
        with pytest.raises(ZeroDivisionError):
            _write_half(output)
    assert list((tmp_path / "out").iterdir()) == []
    assert not fsspec.filesystem("memory").exists("/bucket/out/a.txt")


def _write_half(output: Output) -> None:
    with output.writing("a.txt") as scratch:
        scratch.write_text("half")
        raise ZeroDivisionError


def test_what_cannot_be_reached_says_why() -> None:
    with pytest.raises(RecordingError, match="no recording here"):
        find("memory://bucket/nothing")
    with pytest.raises(RequestError, match="address"):
        find("unheardof://bucket")


def test_without_fsspec_the_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "fsspec", None)
    with pytest.raises(MissingExtraError, match=r"'\.\[survey\]'"):
        find("s3://bucket/garden")
