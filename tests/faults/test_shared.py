"""Several programs on one desk, workers that are stopped, and a user without a home."""

from __future__ import annotations

import os
import shutil
import signal
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from faults.surroundings import DEMO, run
from survey import killing
from survey.made_up import tables, write_clips
from web.conftest import live
from wingtone.errors import OutputError
from wingtone.survey.workers import Job, LocalWorkers
from wingtone.web.desk import Desk
from wingtone.web.page import Settings
from wingtone.web.server import prepare

if TYPE_CHECKING:
    from collections.abc import Callable

    from wingtone.web.clips import Clip

QUEEN = DEMO / "1_march_big_queen.m4a"


# --- one desk ---------------------------------------------------------------------------------------------


def test_a_second_page_on_one_desk_is_refused_and_takes_nothing_away(tmp_path: Path) -> None:
    """It would take what is just coming in there for the leavings of an earlier run."""
    desk = Desk(tmp_path)
    clip, file = desk.begin("bee.wav")  # an upload that has begun
    with file:
        file.write(b"RIFF")
        with pytest.raises(OutputError, match="another page is open on this desk") as told:
            prepare(Settings(desk=tmp_path), port=0)
        assert "--desk" in told.value.remedy
        assert desk.source_of(clip).exists()
    desk.keep(clip)
    desk.close()
    desk.close()
    again = prepare(Settings(desk=tmp_path), port=0)
    again.close()


def test_a_desk_on_a_full_disk_says_so_and_keeps_no_ghosts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Full at the first byte, in the middle, and when the recording is already there but its state is not."""

    def no_room(*_: object, **__: object) -> None:
        raise OSError(28, os.strerror(28))

    class Full:
        """A file on a disk that is full."""

        def __enter__(self) -> Full:
            return self

        def __exit__(self, *_: object) -> None:
            pass

        write = no_room

    def no_state(target: Path) -> None:
        raise OutputError(f"cannot write here: {os.strerror(28)}", where=target)

    def begin(desk: Desk, name: str) -> tuple[Clip, Full]:
        clip, file = healthy(desk, name)
        file.close()
        return clip, Full()

    healthy = Desk.begin
    stages: list[Callable[[pytest.MonkeyPatch], None]] = [
        lambda m: m.setattr(Desk, "begin", no_room),
        lambda m: m.setattr(Desk, "begin", begin),
        lambda m: m.setattr("pathlib.Path.open", no_room),
        lambda m: m.setattr("wingtone.web.clips.replacing", no_state),
    ]
    with live(tmp_path) as page:
        kept, sound = page.bring(QUEEN), QUEEN.read_bytes()
        for stage in stages:
            with monkeypatch.context() as patch:
                stage(patch)
                answer = page.client.post("/api/clips", content=sound, headers={"X-File-Name": "second.m4a"})
            assert answer.status_code == 507, answer.text
            told = answer.json()
            assert "No space left" in str(told), told
            clips = page.client.get("/api/state").json()["clips"]
            assert [clip["id"] for clip in clips] == [kept["id"]]
        folders = [path.name for path in page.desk.iterdir() if path.is_dir()]
        assert folders == [kept["id"]]
        assert page.heard(kept["id"])["status"] == "ready"


# --- workers ----------------------------------------------------------------------------------------------


def stop_if(number: int, bad: int) -> int:
    """Stop, as a debugger or a frozen container does; the process lives on and does nothing."""
    if number == bad:
        os.kill(os.getpid(), signal.SIGSTOP)
    return number


def test_a_worker_that_is_stopped_counts_as_hung(tmp_path: Path) -> None:
    jobs = [Job(i, stop_if, (i, 1), 2.0 if i == 1 else 60.0) for i in range(3)]
    with LocalWorkers(1) as workers:
        told = {outcome.job.name: outcome.status for outcome in workers.outcomes(jobs)}
    assert told == {0: "done", 1: "hung", 2: "done"}


@pytest.mark.skipif(sys.platform != "linux", reason="finds the processes in /proc")
def test_a_survey_that_is_told_to_end_goes_on_from_there(tmp_path: Path) -> None:
    """SIGTERM, as when the computer is shut down: the workers end with it, and nothing is heard twice."""
    write_clips(tmp_path / "in", 4)
    survey = killing.start(tmp_path / "in", tmp_path / "out", "--workers", "1")
    deadline = time.monotonic() + 120
    while not (workers := killing.workers_of(survey.pid)):
        assert survey.poll() is None
        assert time.monotonic() < deadline
        time.sleep(0.05)
    survey.terminate()
    assert survey.wait(timeout=120) == 128 + signal.SIGTERM
    for worker in workers:
        while Path(f"/proc/{worker}").exists():
            assert time.monotonic() < deadline
            time.sleep(0.05)
    assert killing.start(tmp_path / "in", tmp_path / "out", "--workers", "1").wait() == 0
    assert len(tables(tmp_path / "out")["recordings"].splitlines()) == 5
    assert not list((tmp_path / "out").glob(".wingtone-*"))


# --- no home ----------------------------------------------------------------------------------------------


def test_without_a_home(tmp_path: Path) -> None:
    """The command names the file that it would use; with --notebook and --desk none is needed."""
    (tmp_path / "file").write_text("x")
    nowhere = {"HOME": str(tmp_path / "file" / "home"), "XDG_DATA_HOME": None}
    done = run("notebook", "add", "--taxon", "Bombus hortorum", environment=nowhere)
    assert done.returncode == 1
    assert "file/home" in done.stderr
    assert "--notebook FILE" in done.stderr
    assert "inside wingtone" not in done.stderr
    done = run("page", "--no-browser", "--port", "0", environment=nowhere)
    assert done.returncode == 1
    assert "--desk FOLDER" in done.stderr
    own = ["notebook", "--notebook", str(tmp_path / "bees.sqlite"), "add", "--taxon", "Bombus hortorum"]
    assert run(*own, environment={"HOME": None, "XDG_DATA_HOME": "relative/odd"}).returncode == 0
    # An odd XDG_DATA_HOME is taken as the user gave it or passed over; never a traceback.
    done = run("notebook", "list", environment={"XDG_DATA_HOME": str(tmp_path / "file")})
    assert done.returncode == 1
    assert "there is no notebook here yet" in done.stderr


def test_a_full_or_missing_folder_for_temporary_files(tmp_path: Path) -> None:
    """Nothing of ours needs it: what is half made lies beside what it becomes, on the same disk."""
    shutil.copy(QUEEN, tmp_path / "bee.m4a")
    (tmp_path / "file").write_text("x")
    gone = {"TMPDIR": str(tmp_path / "file"), "MPLCONFIGDIR": str(tmp_path / "file" / "mpl")}
    path = str(tmp_path / "bees.sqlite")
    done = run("measure", "bee.m4a", "--tracks", ".", "--figure", "bee.png", cwd=tmp_path, environment=gone)
    assert done.returncode == 0, done.stderr
    done = run("identify", "bee.m4a", "--record", "--notebook", path, cwd=tmp_path, environment=gone)
    assert done.returncode == 0, done.stderr
    for arguments in (["export", "--out", "bees.zip"], ["rescue", "--out", "saved.sqlite"]):
        done = run("notebook", "--notebook", path, *arguments, cwd=tmp_path, environment=gone)
        assert done.returncode == 0, done.stderr
    assert not list(tmp_path.glob(".wingtone-*"))
