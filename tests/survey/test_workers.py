"""Workers: every job has one outcome, whatever becomes of the process that runs it."""

from __future__ import annotations

import importlib.util
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from survey import hostile
from wingtone.survey.jobs import compiles
from wingtone.survey.settings import Settings
from wingtone.survey.workers import Job, LocalWorkers, Outcome

TESTS = Path(__file__).resolve().parents[1]


def by_name(jobs: list[Job], *, count: int = 2) -> dict[int, Outcome]:
    with LocalWorkers(count) as workers:
        outcomes = list(workers.outcomes(jobs))
    assert sorted(outcome.job.name for outcome in outcomes) == sorted(job.name for job in jobs)
    return {outcome.job.name: outcome for outcome in outcomes}


def test_results_come_back() -> None:
    told = by_name([Job(i, hostile.double, (i,), 60.0) for i in range(20)])
    assert {name: outcome.value for name, outcome in told.items()} == {i: 2 * i for i in range(20)}


def test_no_jobs_start_no_process() -> None:
    workers = LocalWorkers(2)
    with workers:
        assert list(workers.outcomes([])) == []
        assert workers._workers == []


COMPILES = """
import os, time
from pathlib import Path
with Path(__file__).with_name("log").open("a") as log:
    print("begins", os.getpid(), file=log, flush=True)
    time.sleep(1)
    print("ends", os.getpid(), file=log, flush=True)
"""


def test_what_compiles_itself_is_loaded_by_one_process_before_the_others_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "compiles_itself.py").write_text(COMPILES)
    monkeypatch.syspath_prepend(tmp_path)
    jobs = [Job(i, hostile.loads, ("compiles_itself",), 60.0) for i in range(2)]
    with LocalWorkers(2, compiles="compiles_itself") as workers:
        used = {outcome.value for outcome in workers.outcomes(jobs)}
    lines = [line.split() for line in (tmp_path / "log").read_text().splitlines()]
    assert [what for what, _ in lines[:2]] == ["begins", "ends"]
    assert {pid for _, pid in lines[:2]} <= {str(pid) for pid in used}


def test_what_cannot_be_loaded_keeps_no_job_from_being_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "dies.py").write_text("import os; os._exit(1)")
    monkeypatch.syspath_prepend(tmp_path)
    for module in ("not_there_at_all", "dies"):
        with LocalWorkers(2, compiles=module) as workers:
            told = list(workers.outcomes(Job(i, hostile.double, (i,), 60.0) for i in range(4)))
        assert [outcome.status for outcome in told] == ["done"] * 4


def test_a_survey_with_a_model_names_what_the_model_loads() -> None:
    assert compiles(Settings()) == ""
    module = compiles(Settings(model="demonstration"))
    assert importlib.util.find_spec(module) is not None
    begun = f"import {module}, sys; before = set(sys.modules)"
    used = "from librosa import feature, power_to_db; feature.melspectrogram; feature.mfcc"
    newly = "assert not [m for m in set(sys.modules) - before if m.startswith('librosa.')]"
    subprocess.run([sys.executable, "-c", f"{begun}; {used}; {newly}"], check=True)


def test_a_job_that_raises_gives_its_reason() -> None:
    told = by_name([Job(1, int, ("no number",), 60.0), Job(2, int, ("2",), 60.0)], count=1)
    assert told[1].status == "failed"
    assert "ValueError" in told[1].reason
    assert told[2].value == 2


def test_only_the_job_that_kills_its_process_is_marked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("wingtone.survey.workers.TRIES", 2)  # each costs the start of a process
    told = by_name([Job(i, hostile.die_if, (i, 3), 60.0) for i in range(8)])
    assert told[3].status == "crashed"
    assert "died" in told[3].reason
    assert {outcome.status for name, outcome in told.items() if name != 3} == {"done"}


def test_a_job_that_hangs_is_stopped_and_the_rest_goes_on() -> None:
    jobs = [Job(i, hostile.wait_if, (i, 2), 3.0 if i == 2 else 60.0) for i in range(6)]
    told = by_name(jobs)
    assert told[2].status == "hung"
    assert "3 s" in told[2].reason
    assert {outcome.status for name, outcome in told.items() if name != 2} == {"done"}


def test_time_in_which_all_was_stopped_is_nobodys(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """As by Ctrl-Z, or a machine that was frozen: the clock has gone on, and nobody has worked."""
    begun, end = tmp_path / "begun", tmp_path / "end"
    stops = 0

    class Clock:
        @staticmethod
        def monotonic() -> float:
            nonlocal stops
            if begun.exists():
                stops += 1
            if stops == 10:
                end.touch()
            return time.monotonic() + 10_000.0 * stops

    monkeypatch.setattr("wingtone.survey.workers.time", Clock)
    told = by_name([Job(1, hostile.wait_for, (str(end), str(begun)), 600.0)], count=1)
    assert told[1].status == "done"
    assert stops >= 10


def test_a_process_killed_by_chance_costs_nothing() -> None:
    """As by the system when memory runs short: the job is done again by a new process."""
    jobs = [Job(i, hostile.process_id, (i,), 60.0) for i in range(30)]
    seen = []
    with LocalWorkers(1) as workers:
        for outcome in workers.outcomes(jobs):
            seen.append(outcome)
            if outcome.job.name in (5, 20):
                os.kill(outcome.value, signal.SIGKILL)
    assert sorted(outcome.job.name for outcome in seen) == list(range(30))
    assert {outcome.status for outcome in seen} == {"done"}
    assert len({outcome.value for outcome in seen}) >= 3


def test_leaving_early_stops_the_processes() -> None:
    with LocalWorkers(2) as workers:
        outcomes = workers.outcomes(Job(i, hostile.process_id, (i,), 60.0) for i in range(1000))
        pids = {next(outcomes).value for _ in range(6)}
    for pid in pids:
        _wait_for_end(pid)


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="signals are held back on POSIX")
def test_ctrl_c_reaches_the_driver_alone() -> None:
    """Also while a process starts: it would tell at length of having been interrupted."""
    told = by_name([Job(1, hostile.holds_interrupts_back, (), 60.0)], count=1)
    assert told[1].value is True
    assert not hostile.holds_interrupts_back()


def test_a_process_that_is_killed_leaves_no_temporary_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    assert by_name([Job(1, hostile.fetch, (1,), 3.0)])[1].status == "hung"
    assert list(tmp_path.iterdir()) == []


DRIVER = """
import sys
from survey import hostile
from wingtone.survey.workers import Job, LocalWorkers
if __name__ == "__main__":
    with LocalWorkers(2) as workers:
        for outcome in workers.outcomes(Job(i, hostile.process_id, (i,), 60.0) for i in range(10**9)):
            print(outcome.value, flush=True)
"""


def test_workers_end_with_a_killed_driver(tmp_path: Path) -> None:
    script = tmp_path / "driver.py"
    script.write_text(DRIVER)
    (tmp_path / "temporary").mkdir()
    environment = os.environ | {"PYTHONPATH": str(TESTS), "TMPDIR": str(tmp_path / "temporary")}
    with subprocess.Popen(
        [sys.executable, str(script)],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,  # Python notes what the killed one left behind
        text=True,
        env=environment,
    ) as driver:
        assert driver.stdout is not None
        pids = {int(driver.stdout.readline()) for _ in range(10)}
        driver.kill()
    assert driver.returncode == -signal.SIGKILL
    for pid in pids:
        _wait_for_end(pid)
    assert list((tmp_path / "temporary").iterdir()) == []


def _wait_for_end(pid: int) -> None:
    """Fail when a process is still there after a minute; a zombie is gone for our purpose."""
    stat = Path(f"/proc/{pid}/stat")
    if not stat.parent.parent.joinpath("self").exists():
        pytest.skip("needs /proc to see whether processes have ended")
    for _ in range(600):
        try:
            if stat.read_text().rsplit(")", 1)[1].split()[0] == "Z":
                return
        except OSError:
            return
        time.sleep(0.1)
    pytest.fail(f"process {pid} is still there")
