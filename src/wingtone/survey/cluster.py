"""Running the same jobs on a Dask cluster that exists already.

The cluster's own scheduler hands jobs out and runs those of a lost worker again on another one. Its workers
must have the same version of wingtone, and see recordings (and a model) under the same path or URL as the
driver. They write nothing: results come back to the driver, which alone keeps the manifest.

- `ClusterWorkers`: see `wingtone.survey.workers.Workers`.
"""

from __future__ import annotations

import contextlib
import time
from typing import TYPE_CHECKING, Any

from wingtone.errors import MissingExtraError, OutputError, RequestError
from wingtone.survey.workers import Job, Outcome, attempt, crashed, hung

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
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
        self.count = max(1, self._threads())

    def _threads(self) -> int:
        """How many jobs the cluster runs at once, now."""
        threads: dict[str, int] = self._client.nthreads()
        return sum(threads.values())

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
            The scheduler has gone, or for ten minutes all workers.
        """
        source = iter(jobs)
        again: list[Job] = []
        running: dict[Any, Job] = {}
        began: dict[str, tuple[str, float]] = {}
        deaths: dict[Any, int] = {}
        asked = peopled = time.monotonic()
        while True:
            while len(running) < AHEAD * self.count:
                job = next(source, None)
                if job is None and again and not running:
                    job = again.pop(0)  # last and alone, so that it takes nobody else down
                if job is None:
                    break
                future = self._client.submit(attempt, job.task, job.arguments, pure=False)
                running[future] = job
            if not running:
                return
            for future in self._finished(list(running)):
                job = running.pop(future)
                began.pop(future.key, None)
                yield from self._outcome(future, job, again, deaths)
            if time.monotonic() - asked > ASK_S:
                asked = time.monotonic()
                threads = self._threads()
                self.count, peopled = (threads, asked) if threads else (1, peopled)
                if asked - peopled > EMPTY_S:
                    raise self._lost("the Dask cluster has no workers left")
                for future in self._overdue(running, began):
                    job = running.pop(future)
                    self._give_up(future)
                    yield hung(job)

    def _finished(self, futures: list[Any]) -> list[Any]:
        with contextlib.suppress(TimeoutError, self._distributed.CancelledError):
            self._distributed.wait(futures, timeout=TICK_S, return_when="FIRST_COMPLETED")
        if self._client.status not in ("running", "connecting"):
            raise self._lost("the Dask scheduler has gone")
        return [future for future in futures if future.status in ("finished", "error", "cancelled", "lost")]

    def _lost(self, what: str) -> OutputError:
        remedy = "start it, and run the same command again"
        return OutputError(f"{what}; what was done is kept", remedy=remedy, where=self.address)

    def _outcome(self, future: Any, job: Job, again: list[Job], deaths: dict[Any, int]) -> Iterator[Outcome]:
        """Take the result of a future; a job to be tried again gives none."""
        if future.status == "finished":
            status, value = future.result()
            future.release()
            yield Outcome(job, status, value) if status == "done" else Outcome(job, status, reason=str(value))
            return
        # Killed more often than the scheduler allows, or lost with its worker: it may still not be its fault.
        deaths[job.name] = deaths.get(job.name, 0) + 1
        if deaths[job.name] >= ROUNDS:
            yield crashed(job)
        else:
            again.append(job)

    def _held(self) -> dict[str, set[str]]:
        """Keys of the jobs that each worker has been given."""
        try:
            return {worker: set(keys) for worker, keys in self._client.processing().items()}
        except OSError:
            return {}

    def _overdue(self, running: dict[Any, Job], began: dict[str, tuple[str, float]]) -> list[Any]:
        """Jobs that have been running for too long."""
        now = time.monotonic()
        threads: dict[str, int] = self._client.nthreads()
        overdue = []
        for worker, held in self._held().items():
            its = [future for future in running if future.key in held]
            at_work = [future for future in its if began.get(future.key, ("", now))[0] == worker]
            # A worker takes what it holds in the order it was handed out.
            for future in [future for future in its if future not in at_work]:
                if len(at_work) < threads.get(worker, 1):
                    began[future.key] = (worker, now)
                    at_work.append(future)
            overdue += [future for future in at_work if now - began[future.key][1] > running[future].limit_s]
        return overdue

    def _give_up(self, future: Any) -> None:
        stuck = [worker for worker, held in self._held().items() if future.key in held]
        future.cancel(force=True)
        # A restart overtakes what was sent before it, and would have the job handed to the next worker.
        until = time.monotonic() + CANCEL_S
        while any(future.key in held for held in self._held().values()) and time.monotonic() < until:
            time.sleep(0.02)
        with contextlib.suppress(TimeoutError, OSError):
            try:
                self._client.restart_workers(stuck, timeout=RESTART_S, raise_for_error=False)
            except ValueError:  # nothing starts them again; they would be given more that they never come to
                self._client.retire_workers(stuck)
