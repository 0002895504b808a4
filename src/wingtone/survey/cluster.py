"""Running the same jobs on a Dask cluster that exists already.

The cluster's own scheduler hands jobs out and runs those of a lost worker again on another one. It and its
workers must have the same version of wingtone as the driver, and workers must see recordings (and a model)
under the same path or URL. They write nothing: results come back to the driver, which alone keeps the
manifest.

- `ClusterWorkers`: see `wingtone.survey.workers.Workers`.
"""

from __future__ import annotations

import contextlib
import time
from typing import TYPE_CHECKING, Any

from wingtone import __version__
from wingtone.errors import MissingExtraError, OutputError, RequestError, WingtoneError, one_line
from wingtone.survey.workers import Job, Outcome, attempt, crashed, hung

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from types import TracebackType
    from typing import Self

__all__ = ["ClusterWorkers"]

CONNECT_S = 20
TICK_S = 1.0
ASK_S = 5.0
"""How often the scheduler is asked how many workers it has and what they are at."""
EMPTY_S = 600.0
"""How long a cluster may be without workers before the survey ends. Ours: they may be on their way."""
ROUNDS = 2
"""How often the scheduler may give a job up, each time after some workers died with it (four, by its own
setting), before the job is held to be the cause. Ours."""
CANCEL_S = 10.0
"""How long to wait until the scheduler has let go of a job that was given up. Ours."""
RESTART_S = 20.0
"""How long to wait until a worker that was stuck is there again; others are given nothing meanwhile. Ours."""
AT_HOME = ("running", "connecting")
"""What the client says of itself while it has a scheduler, or tries to reach it again for `CONNECT_S`."""
SAME_VERSION = "install the same version of wingtone on scheduler and workers"
AHEAD = 2
"""Jobs handed to the scheduler for each thread of the cluster, so that none waits for the driver. Ours."""


class ClusterWorkers:
    """A Dask cluster.

    Parameters
    ----------
    address
        Of its scheduler, as ``tcp://host:8786``.

    Raises
    ------
    MissingExtraError
        distributed is not installed.
    RequestError
        No scheduler answers there.
    """

    def __init__(self, address: str) -> None:
        try:
            import distributed
        except ImportError as error:
            raise MissingExtraError("running on a cluster", "cluster") from error
        self._distributed: Any = distributed  # its types are given in part only
        try:
            self._client: Any = self._distributed.Client(address, timeout=CONNECT_S)
        except (OSError, ValueError, TimeoutError) as error:
            raise RequestError(
                "no Dask scheduler answers at this address",
                remedy="start one with dask scheduler, and give the address that it prints",
                where=address,
            ) from error
        self.address = address
        self.count = max(1, sum(self._client.nthreads().values()))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.close()

    def outcomes(self, jobs: Iterable[Job]) -> Iterator[Outcome]:
        """Run jobs, see `wingtone.survey.workers.Workers`.

        A job's time counts from when its turn is seen to have come: workers also hold some that wait. One
        that takes too long is given up. The worker that is stuck with it is restarted, or let go where
        nothing starts it again.

        Raises
        ------
        OutputError
            The scheduler has gone, or for ten minutes all workers, or they cannot run wingtone.
        """
        try:
            yield from self._outcomes(iter(jobs))
        except WingtoneError:
            raise
        except Exception as error:  # once it has closed, the client raises this and that
            if self._client.status in AT_HOME:
                raise
            raise self._lost("the Dask scheduler has gone") from error

    def _outcomes(self, source: Iterator[Job]) -> Iterator[Outcome]:
        again: list[Job] = []
        running: dict[Any, Job] = {}
        began: dict[str, tuple[str, float]] = {}
        deaths: dict[Any, int] = {}
        asked = self._peopled = time.monotonic()
        while True:
            while len(running) < AHEAD * self.count:
                job = next(source, None)
                if job is None and again and not running:
                    job = again.pop(0)  # last and alone, so that it takes nobody else down
                if job is None:
                    break
                self._submit(job, running)
            if not running:
                return
            for future in self._finished(list(running)):
                job = running.pop(future)
                began.pop(future.key, None)
                outcome = self._outcome(future, job)
                if outcome is None:  # by no fault of the job
                    self._submit(job, running)
                elif outcome.status != "crashed":
                    yield outcome
                else:  # killed more often than the scheduler allows: it may still not be its fault
                    deaths[job.name] = deaths.get(job.name, 0) + 1
                    if deaths[job.name] >= ROUNDS:
                        yield outcome
                    else:
                        again.append(job)
            if time.monotonic() - asked > ASK_S:
                asked = time.monotonic()
                for future in self._look_after(running, began):
                    began.pop(future.key)
                    yield hung(running.pop(future))

    def _submit(self, job: Job, running: dict[Any, Job]) -> None:
        running[self._client.submit(_attempt, __version__, job.task, job.arguments, pure=False)] = job

    def _finished(self, futures: list[Any]) -> list[Any]:
        with contextlib.suppress(TimeoutError, self._distributed.CancelledError):
            self._distributed.wait(futures, timeout=TICK_S, return_when="FIRST_COMPLETED")
        if self._client.status not in AT_HOME:
            raise self._lost("the Dask scheduler has gone")
        return [future for future in futures if future.status in ("finished", "error", "cancelled")]

    def _lost(self, what: str, remedy: str = "start it") -> OutputError:
        told = f"{remedy}, and run the same command again"
        return OutputError(f"{what}; what was done is kept", remedy=told, where=self.address)

    def _outcome(self, future: Any, job: Job) -> Outcome | None:
        """Take the result of a future; None when it was cancelled, as when the scheduler was out of reach."""
        try:
            status, value = future.result()
        except self._distributed.CancelledError:
            return None
        except self._distributed.KilledWorker:
            return crashed(job)
        except Exception as error:  # of Dask's: what a job raises is told in its result
            why = one_line(str(error.__cause__ or error))
            what = f"the Dask cluster cannot run the jobs: {why}"
            raise self._lost(what, SAME_VERSION) from error
        future.release()
        return Outcome(job, status, value) if status == "done" else Outcome(job, status, reason=str(value))

    def _look_after(self, running: dict[Any, Job], began: dict[str, tuple[str, float]]) -> list[Any]:
        """Count the workers anew, and give up what has been running for too long."""
        try:
            threads: dict[str, int] = self._client.nthreads()
            overdue = self._overdue(running, began, threads)
            if overdue:
                self._give_up(overdue)
        except OSError:  # out of reach: for good, or just now?
            return []
        now = time.monotonic()
        if threads:
            self.count, self._peopled = sum(threads.values()), now
        elif now - self._peopled > EMPTY_S:
            raise self._lost("the Dask cluster has no workers left", f"start some ({SAME_VERSION})")
        return overdue

    def _held(self) -> dict[str, set[str]]:
        """Keys of the jobs that each worker has been given, those of other clients too."""
        return {worker: set(keys) for worker, keys in self._client.processing().items()}

    def _overdue(
        self, running: dict[Any, Job], began: dict[str, tuple[str, float]], threads: dict[str, int]
    ) -> list[Any]:
        """Jobs that have been running for too long."""
        now = time.monotonic()
        overdue = []
        for worker, held in self._held().items():
            its = [future for future in running if future.key in held]
            at_work = [future for future in its if began.get(future.key, ("", now))[0] == worker]
            # A worker takes what it holds in the order it was handed out; others may have been there before.
            free = threads.get(worker, 1) - (len(held) - len(its)) - len(at_work)
            for future in [future for future in its if future not in at_work][: max(0, free)]:
                began[future.key] = (worker, now)
                at_work.append(future)
            overdue += [future for future in at_work if now - began[future.key][1] > running[future].limit_s]
        return overdue

    def _give_up(self, futures: list[Any]) -> None:
        keys = {future.key for future in futures}
        stuck = [worker for worker, held in self._held().items() if held & keys]
        self._client.cancel(futures, force=True)
        # Their worker may have gone by itself by now (KeyError), or the scheduler.
        with contextlib.suppress(TimeoutError, OSError, KeyError):
            # A restart overtakes what was sent before it, and would have the job handed to the next worker.
            until = time.monotonic() + CANCEL_S
            while any(held & keys for held in self._held().values()) and time.monotonic() < until:
                time.sleep(0.02)
            try:
                self._client.restart_workers(stuck, timeout=RESTART_S, raise_for_error=False)
            except ValueError:  # nothing starts them again; they would be given more that they never come to
                self._client.retire_workers(stuck)


def _attempt(version: str, task: Callable[..., Any], arguments: tuple[Any, ...]) -> tuple[str, Any]:
    """Call a task as `attempt` does, in a worker that has the version of the driver.

    Results are kept as those of the driver's version.
    """
    if version != __version__:
        raise RuntimeError(f"a worker has wingtone {__version__}, and not {version}")
    return attempt(task, arguments)
