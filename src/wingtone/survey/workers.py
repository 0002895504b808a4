"""Running jobs in other processes, so that a recording which crashes or hangs one stops nothing but itself.

Each worker is a `concurrent.futures.ProcessPoolExecutor` of one process. So when a process dies it is known
whose job it was, and when one takes too long it can be killed without harm to the others. A job whose process
dies is tried again after all others, `TRIES` times in all, as the process may have died for another reason.

- `Job`, `Outcome`: what goes in and what comes out.
- `LocalWorkers`: processes of this computer.
- `Workers`: what else can run jobs, such as `wingtone.survey.cluster`.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import shutil
import signal
import tempfile
import threading
import time
from collections import deque
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from multiprocessing import active_children, get_context
from typing import TYPE_CHECKING, Any, Literal, Protocol

from wingtone.errors import OutputError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from types import TracebackType
    from typing import Self

__all__ = ["TRIES", "Job", "LocalWorkers", "Outcome", "Workers", "attempt"]

TRIES = 5
"""How often a job may take its process down before it is held to be the cause. Ours: when memory runs short
the system kills whom it likes, so a few times can be chance."""
STARTS = 10
"""How many processes in a row may die before they are ready. Ours."""

LOAD_S = 300.0
"""How long the others wait for the first process to load what compiles itself. Ours: more than is needed."""

TICK_S = 1.0
"""How often overdue jobs are looked for."""
MOST_TICK_S = 5.0
"""What counts at most as time between two such looks: in more of it everything was stopped, as by Ctrl-Z or a
machine that was frozen, or the driver was busy, which is no fault of a job. Ours."""

ONE_THREAD = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
"""What keeps number libraries from starting threads of their own; there is a process a core already."""


@dataclass(frozen=True)
class Job:
    """One call to make in a worker.

    Attributes
    ----------
    name
        Anything that tells jobs apart.
    task, arguments
        A function of a module, and what to give it.
    limit_s
        How long it may take.
    """

    name: Any
    task: Callable[..., Any]
    arguments: tuple[Any, ...]
    limit_s: float


@dataclass(frozen=True)
class Outcome:
    """What became of a job.

    Attributes
    ----------
    status
        ``done``; ``failed``: it raised; ``crashed``: its process died each time; ``hung``: it took too long.
    value
        What it returned; None unless done.
    reason
        Why not; empty when done.
    """

    job: Job
    status: Literal["done", "failed", "crashed", "hung"]
    value: Any = None
    reason: str = ""


class Workers(Protocol):
    """Something that runs jobs. Use it in a ``with`` block; leaving that stops everything at once."""

    count: int

    def __enter__(self) -> Self:
        """Start."""

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop."""

    def outcomes(self, jobs: Iterable[Job]) -> Iterator[Outcome]:
        """Run jobs, as many at once as there are workers; outcomes come in any order."""


def attempt(task: Callable[..., Any], arguments: tuple[Any, ...]) -> tuple[str, Any]:
    """Call a task in a worker: ``("done", value)``, or ``("failed", reason)`` when it raised."""
    from wingtone.survey.jobs import reason

    try:
        return "done", task(*arguments)
    except Exception as error:
        return "failed", reason(error)


def crashed(job: Job) -> Outcome:
    """Give the outcome of a job that took its process down once too often."""
    why = "the process that heard it died, again and again (is there enough memory? is the file damaged?)"
    return Outcome(job, "crashed", reason=why)


def hung(job: Job) -> Outcome:
    """Give the outcome of a job that was stopped."""
    return Outcome(job, "hung", reason=f"gave no result in {job.limit_s:.0f} s and was stopped")


def _begin(folder: str) -> None:
    """Set a fresh worker up, with a folder of the driver's for its temporary files."""
    from multiprocessing import parent_process
    from multiprocessing.connection import wait as wait_for

    from wingtone.survey.jobs import prepare

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C reaches the whole group; the driver sees to it
    tempfile.tempdir = folder
    parent = parent_process()

    def leave_with_parent() -> None:
        assert parent is not None
        wait_for([parent.sentinel])
        shutil.rmtree(folder, ignore_errors=True)
        os._exit(1)

    if parent is not None:  # a killed driver must not leave workers behind
        threading.Thread(target=leave_with_parent, daemon=True).start()
    prepare()


def _load(module: str) -> None:
    """Load a module in a worker; where it is missing, the jobs say so."""
    with contextlib.suppress(ImportError):
        importlib.import_module(module)


@contextlib.contextmanager
def _interrupts_held_back() -> Iterator[None]:
    """Let Ctrl-C wait. A process that is started meanwhile never gets it, also before it can ignore it."""
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@dataclass
class _Worker:
    """One process, and the job that it is at."""

    folder: str
    executor: ProcessPoolExecutor = field(init=False)
    pid: Future[int] = field(init=False)
    job: Job | None = None
    result: Future[tuple[str, Any]] | None = None
    spent_s: float = 0.0
    overdue: bool = False
    false_starts: int = 0

    def __post_init__(self) -> None:
        self.renew()

    def renew(self) -> None:
        """Start a new process."""
        context = get_context("spawn")
        self.executor = ProcessPoolExecutor(1, context, initializer=_begin, initargs=(self.folder,))
        with _interrupts_held_back():
            self.pid = self.executor.submit(os.getpid)

    def load(self, module: str) -> None:
        """Load a module there, and wait for that; whatever goes wrong shows with the jobs."""
        wait([self.executor.submit(_load, module)], timeout=LOAD_S)

    def start(self, job: Job) -> None:
        """Give it a job."""
        if self.executor_broken():
            self.renew()
        self.job, self.spent_s, self.overdue = job, 0.0, False
        self.result = self.executor.submit(attempt, job.task, job.arguments)

    def executor_broken(self) -> bool:
        """Whether the process died while it had nothing to do."""
        return self.pid.done() and self._process() is None

    def is_overdue(self, tick_s: float) -> bool:
        """Count the time since the last look; whether its job takes too long.

        Its time begins when the process has started.
        """
        if self.job is None or not self.pid.done():
            return False
        self.spent_s += tick_s
        self.overdue = self.spent_s > self.job.limit_s
        return self.overdue

    def was_ready(self) -> bool:
        """Whether the process, dead by now, had come so far as to begin with jobs."""
        ready = self.pid.done() and self.pid.exception() is None
        self.false_starts = 0 if ready else self.false_starts + 1
        if self.false_starts >= STARTS:
            raise OutputError(
                "the processes that do the work die as they start",
                remedy="is there enough memory for so many? try --workers 1",
            )
        return ready

    def _process(self) -> Any:
        if not self.pid.done() or self.pid.exception() is not None:
            return None
        pid = self.pid.result()
        return next((child for child in active_children() if child.pid == pid), None)

    def kill(self) -> None:
        """End the process, whatever it is doing."""
        process = self._process()
        if process is not None:
            process.kill()

    def stop(self) -> None:
        """End it for good."""
        self.executor.shutdown(wait=False, cancel_futures=True)
        self.kill()


class LocalWorkers:
    """Processes of this computer.

    Parameters
    ----------
    count
        How many.
    compiles
        A module that the first of several loads before the others start; empty for none. What compiles itself
        when it is loaded for the first time, and keeps that on disk, then does it once, where all would do it
        at the same time and write over each other.
    """

    def __init__(self, count: int, *, compiles: str = "") -> None:
        self.count = count
        self._compiles = compiles if count > 1 else ""
        self._workers: list[_Worker] = []

    def __enter__(self) -> Self:
        for name in ONE_THREAD:  # inherited by the processes that are started from now on
            os.environ.setdefault(name, "1")
        # What a process was at when it was killed, such as a recording just fetched, goes with this folder.
        self._folder = tempfile.TemporaryDirectory(prefix="wingtone-", ignore_cleanup_errors=True)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for worker in self._workers:
            worker.stop()
        self._folder.cleanup()

    def outcomes(self, jobs: Iterable[Job]) -> Iterator[Outcome]:
        """Run jobs, see `Workers`. Memory does not grow with their number."""
        source = iter(jobs)
        again: deque[Job] = deque()
        deaths: dict[Any, int] = {}
        looked = time.monotonic()
        while True:
            self._hand_out(source, again)
            busy = [worker.result for worker in self._workers if worker.result is not None]
            if not busy:
                return
            wait(busy, timeout=TICK_S, return_when=FIRST_COMPLETED)
            before, looked = looked, time.monotonic()
            tick_s = min(looked - before, MOST_TICK_S)
            ready = []
            for worker in self._workers:
                if worker.result is not None and worker.result.done():
                    ready += self._collect(worker, again, deaths)
                elif worker.is_overdue(tick_s):
                    worker.kill()
            self._hand_out(source, again)  # before the results are seen to, so that no worker waits for that
            yield from ready

    def _hand_out(self, source: Iterator[Job], again: deque[Job]) -> None:
        """Give every idle worker a job; processes are started when there is work for them."""
        for i in range(self.count):
            if i < len(self._workers) and self._workers[i].job is not None:
                continue
            job = next(source, None) or (again.popleft() if again else None)
            if job is None:
                return
            if i == len(self._workers):
                self._workers.append(_Worker(self._folder.name))
                if i == 0 and self._compiles:
                    self._workers[0].load(self._compiles)
            self._start(self._workers[i], job)

    @staticmethod
    def _start(worker: _Worker, job: Job) -> None:
        try:
            worker.start(job)
        except BrokenProcessPool:  # it died while idle
            worker.renew()
            worker.start(job)

    @staticmethod
    def _collect(worker: _Worker, again: deque[Job], deaths: dict[Any, int]) -> list[Outcome]:
        """Take the result of a worker that is through; a job to be tried again gives none."""
        job, result = worker.job, worker.result
        assert job is not None
        assert result is not None
        worker.job = worker.result = None
        try:
            status, value = result.result()
        except BrokenProcessPool:
            ready = worker.was_ready()
            worker.renew()
            if worker.overdue:
                return [hung(job)]
            if not ready:
                again.append(job)
                return []
            deaths[job.name] = deaths.get(job.name, 0) + 1
            if deaths[job.name] >= TRIES:
                return [crashed(job)]
            again.append(job)
            return []
        deaths.pop(job.name, None)
        if status == "done":
            return [Outcome(job, "done", value)]
        return [Outcome(job, "failed", reason=str(value))]
