"""Recordings and results at addresses; an in-memory store stands for an object store."""

from __future__ import annotations

import contextlib
import os
import shutil
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import fsspec
import pytest

from survey.made_up import RATE_HZ, garden, rows, tables
from survey.test_run import Here
from wingtone.audio.encode import write_encoded
from wingtone.errors import MissingExtraError, OutputError, RecordingError, RequestError
from wingtone.survey import Progress, Settings, preview, run_survey
from wingtone.survey.places import Found, Output, fetched, find
from wingtone.survey.plan import USUAL_RATE
from wingtone.survey.workers import Job, Outcome

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator


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
