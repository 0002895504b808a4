"""The same jobs on a Dask cluster give the same tables, also when it loses workers."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import threading
import time
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import dask
import distributed
import pytest

from survey import hostile
from survey.made_up import tables
from survey.test_run import Here
from wingtone.errors import MissingExtraError, OutputError, RequestError
from wingtone.survey import Progress, run_survey
from wingtone.survey.cluster import ClusterWorkers
from wingtone.survey.workers import Job

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextlib.contextmanager
def dask_cluster(n_workers: int, *, processes: bool = True, threads: int = 1) -> Iterator[Any]:
    """Worker processes that are started again when they die, on ports that are free."""
    make: Any = distributed.LocalCluster
    # By itself it looks after fifteen seconds whether a worker that was lost is back, and closes it for good
    # when it is just being started once more.
    patience = dask.config.set({"distributed.deploy.lost-worker-timeout": "1 hour"})
    with patience, warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what the cluster's own parts warn of while they stop
        local = make(
            n_workers=n_workers,
            threads_per_worker=threads,
            processes=processes,
            dashboard_address="127.0.0.1:0",
            silence_logs=50,
        )
        yield local
        local.close()


class Clock:
    """Stands in for `time`; it goes on when it is told to."""

    sleep = staticmethod(time.sleep)

    def __init__(self) -> None:
        self.now = 0.0

    def monotonic(self) -> float:
        return self.now


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    with dask_cluster(2) as two:
        yield two


def test_tables_are_those_of_local_workers_though_workers_are_lost(
    cluster: Any, eight_clips: Path, tmp_path: Path
) -> None:
    run_survey(eight_clips, tmp_path / "local", workers=Here())
    lost = []

    def kill_one(progress: Progress) -> None:
        if progress.stage == "hear" and progress.done in (1, 4):
            pids = [nanny.pid for nanny in cluster.workers.values() if nanny.pid]
            os.kill(pids[0], signal.SIGKILL)
            lost.append(pids[0])

    report = run_survey(
        eight_clips, tmp_path / "dask", workers=ClusterWorkers(cluster.scheduler_address), progress=kill_one
    )
    assert len(lost) == 2
    assert report.summary.statuses == {"done": 8}
    assert tables(tmp_path / "dask") == tables(tmp_path / "local")


def test_what_raises_gives_its_reason(cluster: Any) -> None:
    with ClusterWorkers(cluster.scheduler_address) as workers:
        assert workers.count >= 1  # those that were lost may not be back yet
        jobs = [Job(1, int, ("no number",), 60.0), Job(2, hostile.double, (4,), 60.0)]
        told = {outcome.job.name: outcome for outcome in workers.outcomes(jobs)}
    assert told[1].status == "failed"
    assert "ValueError" in told[1].reason
    assert told[2].value == 8


def test_a_job_that_hangs_is_given_up_and_its_worker_started_again(
    cluster: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("wingtone.survey.cluster.ASK_S", 0.2)
    with ClusterWorkers(cluster.scheduler_address) as workers:
        jobs = [Job(i, hostile.wait_if, (i, 0), 2.0 if i == 0 else 120.0) for i in range(6)]
        told = {outcome.job.name: outcome for outcome in workers.outcomes(jobs)}
    assert told[0].status == "hung"
    assert [told[i].value for i in range(1, 6)] == [1, 2, 3, 4, 5]


def test_a_job_that_is_given_up_takes_no_other_worker_with_it(
    cluster: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """That it is cancelled may reach the scheduler later than that its worker is to be restarted."""
    monkeypatch.setattr("wingtone.survey.cluster.ASK_S", 0.2)
    with ClusterWorkers(cluster.scheduler_address) as workers:
        client = workers._client
        send = client._send_to_scheduler

        def late(message: dict[str, Any]) -> None:
            if message["op"] == "cancel-keys":
                client.loop.call_later(0.5, send, message)
            else:
                send(message)

        with monkeypatch.context() as patch:
            patch.setattr(client, "_send_to_scheduler", late)
            (told,) = workers.outcomes([Job(0, hostile.wait_if, (0, 0), 2.0)])
        assert told.status == "hung"
        # A worker cannot be told to leave what it is at: had it got the job, it would be lost to all others.
        jobs = [Job(i, hostile.double, (i,), 60.0) for i in range(6)]
        assert sorted(outcome.value for outcome in workers.outcomes(jobs)) == [0, 2, 4, 6, 8, 10]


def test_what_waits_behind_another_job_takes_no_time(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """By a clock of its own: each job takes three seconds from when its turn is seen to have come."""
    clock = Clock()
    monkeypatch.setattr("wingtone.survey.cluster.time", clock)
    monkeypatch.setattr("wingtone.survey.cluster.ASK_S", -1.0)  # at every turn
    with dask_cluster(1, processes=False) as one, ClusterWorkers(one.scheduler_address) as workers:
        look = workers._overdue

        def overdue(running: dict[Any, Job], began: dict[str, Any], threads: dict[str, int]) -> list[Any]:
            before, late = set(began), look(running, began, threads)
            clock.now += 3.0 * len(began.keys() - before)
            for future, job in running.items():
                if future.key in before:
                    Path(job.arguments[0]).touch()  # it ends
            assert late == []
            return late

        monkeypatch.setattr(workers, "_overdue", overdue)
        jobs = [Job(i, hostile.wait_for, (str(tmp_path / f"{i}"),), 5.5) for i in range(3)]
        assert [outcome.status for outcome in workers.outcomes(jobs)] == ["done"] * 3


def test_what_waits_behind_the_jobs_of_others_takes_no_time(
    cluster: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("ASK_S", "TICK_S"):
        monkeypatch.setattr(f"wingtone.survey.cluster.{name}", 0.1)
    connect: Any = distributed.Client
    with connect(cluster.scheduler_address) as other, ClusterWorkers(cluster.scheduler_address) as workers:
        theirs = other.map(hostile.pause, [3.0 + i / 100 for i in range(6)], pure=False)
        (told,) = workers.outcomes([Job(0, hostile.pause, (0.1,), 5.0)])
        assert told.status == "done"
        other.gather(theirs)


def test_a_worker_stuck_with_two_jobs_is_started_again_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The second one must not come to a worker that is in order, to be stopped with it."""
    monkeypatch.setattr("wingtone.survey.cluster.ASK_S", 0.2)
    with dask_cluster(1, threads=2) as one, ClusterWorkers(one.scheduler_address) as workers:
        restart, restarted = workers._client.restart_workers, []

        def noted(stuck: list[str], **options: Any) -> Any:
            restarted.append(stuck)
            return restart(stuck, **options)

        monkeypatch.setattr(workers._client, "restart_workers", noted)
        jobs = [Job(i, hostile.wait_if, (0, 0), 2.0) for i in range(2)]
        assert [outcome.status for outcome in workers.outcomes(jobs)] == ["hung", "hung"]
        assert len(restarted) == 1


def test_a_scheduler_that_was_out_of_reach_costs_no_job(
    cluster: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """However often: the job has done no harm."""
    monkeypatch.setattr("wingtone.survey.cluster.ASK_S", 0.1)
    end = tmp_path / "end"
    with ClusterWorkers(cluster.scheduler_address) as workers:
        client = workers._client

        def break_off() -> None:
            for _ in range(2):
                time.sleep(2.0)
                client.loop.add_callback(lambda: client.scheduler_comm.comm.abort())
            time.sleep(2.0)
            end.touch()

        threading.Thread(target=break_off).start()
        (told,) = workers.outcomes([Job(0, hostile.wait_for, (str(end),), 60.0)])
    assert told.status == "done"


@contextlib.contextmanager
def scheduler_alone(folder: Path) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """A scheduler without workers, a process of its own, and its address."""
    told = folder / "scheduler.json"
    command = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0",
               "--no-dashboard", "--scheduler-file", str(told)]  # fmt: skip
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as scheduler:
        try:
            hostile.wait_for(str(told))
            yield scheduler, json.loads(told.read_text())["address"]
        finally:
            scheduler.kill()


def test_a_scheduler_that_is_gone_is_told(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("wingtone.survey.cluster.ASK_S", 0.1)
    monkeypatch.setattr("wingtone.survey.cluster.CONNECT_S", 3)
    with scheduler_alone(tmp_path) as (scheduler, address), ClusterWorkers(address) as workers:
        threading.Timer(1.0, scheduler.kill).start()
        with pytest.raises(OutputError, match="the Dask scheduler has gone; what was done is kept"):
            list(workers.outcomes([Job(1, int, ("1",), 60.0)]))


def test_a_cluster_that_does_not_know_the_jobs_ends_the_survey(tmp_path: Path) -> None:
    """As where wingtone is not installed: no recording is to blame."""
    with (
        scheduler_alone(tmp_path) as (_, address),
        ClusterWorkers(address) as workers,
        pytest.raises(OutputError, match="cannot run the jobs: No module named 'survey'; what was done is"),
    ):
        list(workers.outcomes([Job(1, hostile.double, (1,), 60.0)]))


def test_a_worker_of_another_version_ends_the_survey(cluster: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its results would be kept as those of the driver's version."""
    monkeypatch.setattr("wingtone.survey.cluster.__version__", "99.0")
    with (
        ClusterWorkers(cluster.scheduler_address) as workers,
        pytest.raises(
            OutputError, match=r"a worker has wingtone .*, and not 99\.0.*install the same version"
        ),
    ):
        list(workers.outcomes([Job(1, hostile.double, (1,), 60.0)]))


def test_a_stuck_worker_that_nothing_starts_again_gets_no_more_jobs(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("wingtone.survey.cluster.ASK_S", 0.2)
    end = tmp_path / "end"
    with dask_cluster(2, processes=False) as threads:  # such workers have nobody who looks after them
        with ClusterWorkers(threads.scheduler_address) as workers:
            (told,) = workers.outcomes([Job(0, hostile.wait_for, (str(end),), 1.0)])
            assert told.status == "hung"
            assert len(workers._client.nthreads()) == 1
            (told,) = workers.outcomes([Job(1, hostile.double, (1,), 60.0)])
            assert told.value == 2
        end.touch()


def test_a_job_that_kills_its_worker_again_and_again_is_marked(cluster: Any) -> None:
    with ClusterWorkers(cluster.scheduler_address) as workers:
        jobs = [Job(i, hostile.die_if, (i, 2), 120.0) for i in range(4)]
        told = {outcome.job.name: outcome for outcome in workers.outcomes(jobs)}
    assert told[2].status == "crashed"
    assert [told[i].value for i in (0, 1, 3)] == [0, 1, 3]


def test_a_cluster_without_workers_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("wingtone.survey.cluster.ASK_S", 0.2)
    monkeypatch.setattr("wingtone.survey.cluster.EMPTY_S", 1.0)
    with (
        dask_cluster(0) as empty,
        ClusterWorkers(empty.scheduler_address) as workers,
        pytest.raises(OutputError, match="no workers left"),
    ):
        list(workers.outcomes([Job(1, hostile.double, (1,), 60.0)]))


def test_no_scheduler_is_a_wrong_request(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("wingtone.survey.cluster.CONNECT_S", 0.5)
    with pytest.raises(RequestError, match="no Dask scheduler answers"):
        ClusterWorkers("tcp://127.0.0.1:9")


def test_without_distributed_the_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(MissingExtraError, match=r"'\.\[cluster\]'"):
        ClusterWorkers("tcp://127.0.0.1:8786")
