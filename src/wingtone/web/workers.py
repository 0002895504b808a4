"""The processes that decode and measure, from the page's side.

At most `MOST` are kept, warm, each with one job at a time. A worker that dies, says nothing for too long or
takes too long in all is killed, its job fails with a plain reason, and a new one takes its place. Nothing
that a worker does can hurt the page but by what it leaves in the folder of its own recording.

- `Workers`: give it jobs.
- `WorkerFailed`: the reason why a job came to nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
from typing import TYPE_CHECKING, Any

from wingtone.errors import WingtoneError

if TYPE_CHECKING:
    from asyncio.subprocess import Process
    from collections.abc import Callable

__all__ = ["MOST", "WorkerFailed", "Workers"]

MOST = 2
SILENCE_S = 60.0
"""A worker tells of every ten seconds of sound, which take it a tenth of a second. Ours."""
TOTAL_S = 3600.0
START_S = 120.0
"""What a job and a start may take in all. Ours: far more than either does on a slow, busy computer."""
LINE_BYTES = 1 << 20
"""Longest answer of a worker. Ours."""

TRY_AGAIN = "try again; if that happens again, the file is damaged in a way that wingtone cannot read"


class WorkerFailed(WingtoneError):
    """A worker could not do what it was asked."""


class Workers:
    """Up to ``most`` warm processes. Use it inside one running event loop.

    Parameters
    ----------
    most
        How many processes at once.
    silence_s, total_s
        How long a worker may say nothing, and take in all.
    """

    def __init__(self, *, most: int = MOST, silence_s: float = SILENCE_S, total_s: float = TOTAL_S) -> None:
        self._silence_s, self._total_s = silence_s, total_s
        self._most = most
        self._idle: list[Process] = []
        self._all: set[Process] = set()
        self._room = asyncio.Condition()
        self._busy = 0
        self._waiting_urgent = 0
        self._closed = False

    @property
    def pids(self) -> list[int]:
        """Process ids of the workers that live."""
        return [process.pid for process in self._all if process.returncode is None]

    async def warm(self) -> None:
        """Start the processes before the first job comes; failing is told by the first job."""
        for _ in range(self._most):
            with contextlib.suppress(WingtoneError, OSError):
                async with self._turn(urgent=False):
                    if len(self._idle) + self._busy > self._most:
                        continue  # a job was quicker, and has started its own
                    process = await self._started()
                    if self._closed:
                        await self._end(process)
                    else:
                        self._idle.append(process)

    async def do(
        self,
        job: dict[str, Any],
        *,
        tell: Callable[[dict[str, Any]], None],
        urgent: bool = False,
        silent_s: float = 0.0,
    ) -> dict[str, Any]:
        """Have a job done.

        Parameters
        ----------
        job
            Plain JSON, see `wingtone.web.worker`.
        tell
            Called with what the worker says on its way.
        urgent
            Goes before all jobs that are not.
        silent_s
            How long this job says nothing though all is well.

        Raises
        ------
        WorkerFailed
            With the worker's reason, or ours when it was lost.
        """
        async with self._turn(urgent=urgent):
            process = await self._ready()
            try:
                async with asyncio.timeout(self._total_s):
                    done = await self._talk(process, job, tell, self._silence_s + silent_s)
            except WorkerFailed as error:
                if process.returncode is None and error.where == "worker":
                    self._idle.append(process)  # it gave a reason, so it is well
                    raise
                await self._end(process)
                raise WorkerFailed(error.what, remedy=error.remedy) from error
            except TimeoutError as error:
                await self._end(process)
                raise WorkerFailed("it took too long and was stopped", remedy=TRY_AGAIN) from error
            except BaseException:
                await self._end(process)
                raise
            if process.returncode is None and not self._closed:
                self._idle.append(process)
            return done

    async def close(self) -> None:
        """End all processes."""
        self._closed = True
        for process in list(self._all):
            await self._end(process)

    @contextlib.asynccontextmanager
    async def _turn(self, *, urgent: bool) -> Any:
        async with self._room:
            self._waiting_urgent += urgent
            try:
                await self._room.wait_for(
                    lambda: self._busy < self._most and (urgent or not self._waiting_urgent)
                )
            finally:
                self._waiting_urgent -= urgent
                self._room.notify_all()
            self._busy += 1
        try:
            yield
        finally:
            async with self._room:
                self._busy -= 1
                self._room.notify_all()

    async def _ready(self) -> Process:
        while self._idle:
            process = self._idle.pop()
            if process.returncode is None:
                return process
            await self._end(process)  # killed while it waited
        return await self._started()

    async def _started(self) -> Process:
        environment = os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "PYTHONUTF8": "1"}
        process = await asyncio.create_subprocess_exec(
            sys.executable,
            "-P",  # nothing is imported from the folder that the page was started in
            "-m",
            "wingtone.web.worker",
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
            env=environment,
            limit=LINE_BYTES,
            start_new_session=True,  # Ctrl-C on the terminal is for the page; it ends its workers itself
        )
        self._all.add(process)
        try:
            if not (await self._heard(process, START_S)).get("ready"):
                raise _lost()
        except BaseException:
            await self._end(process)
            raise
        return process

    async def _talk(
        self, process: Process, job: dict[str, Any], tell: Callable[[dict[str, Any]], None], silence_s: float
    ) -> dict[str, Any]:
        assert process.stdin is not None
        try:
            process.stdin.write(json.dumps(job).encode() + b"\n")
            await process.stdin.drain()
        except (BrokenPipeError, ConnectionResetError) as error:
            raise _lost() from error
        while True:
            answer = await self._heard(process, silence_s)
            if "done" in answer:
                return dict(answer["done"])
            if "error" in answer:
                raise WorkerFailed(
                    str(answer["error"]["what"]), remedy=str(answer["error"]["remedy"]), where="worker"
                )
            tell(answer)

    async def _heard(self, process: Process, within_s: float) -> dict[str, Any]:
        assert process.stdout is not None
        try:
            async with asyncio.timeout(within_s):
                line = await process.stdout.readline()
            answer = json.loads(line) if line.endswith(b"\n") else None
        except TimeoutError:
            raise WorkerFailed("it got stuck and was stopped", remedy=TRY_AGAIN) from None
        except (ValueError, RecursionError) as error:
            raise _lost() from error
        if not isinstance(answer, dict):
            raise _lost()
        return answer

    async def _end(self, process: Process) -> None:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        if process.stdin is not None:
            process.stdin.close()
            with contextlib.suppress(BrokenPipeError, ConnectionResetError):
                await process.stdin.wait_closed()
        await process.wait()
        self._all.discard(process)
        if process in self._idle:
            self._idle.remove(process)


def _lost() -> WorkerFailed:
    return WorkerFailed("the part of wingtone that was listening to it stopped", remedy=TRY_AGAIN)
