"""Many cases in worker processes, with their memory and time bounded.

    python -m fuzz.runner KIND FOLDER        a worker: reads cases from stdin, tells of each on stdout

A worker runs one case after the other. Its address space is bounded by the system, the memory of each case is
read from the system, and a worker that says nothing for too long is killed and the case counts as hung; one
that dies counts as crashed. Either way another worker goes on with the next case.

- `Told`: what came of a case.
- `run_cases`: run cases and tell of each.
- `targets_of`: the targets of a kind, ``functions``, ``commands`` or ``pages``.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import select
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from fuzz.case import Target

__all__ = [
    "ADDRESS_SPACE_BYTES",
    "LONGEST_CASE_S",
    "MOST_MEMORY_MB",
    "MOST_PROCESSOR_S",
    "Told",
    "run_cases",
    "targets_of",
]

ADDRESS_SPACE_BYTES = 6 << 30
"""What a worker may map at all; the libraries map 2 GB of it without using it."""
MOST_MEMORY_MB = 900.0
"""What a case may have in memory, the program and its libraries (some 300 MB) included."""
MOST_PROCESSOR_S = 30.0
"""What a case may take of the processor; the largest inputs have ten million bytes."""
LONGEST_CASE_S = 240.0
"""After that on the clock, on a busy machine, a case counts as hung."""

TESTS = Path(__file__).resolve().parents[1]


@dataclass(frozen=True)
class Told:
    """What came of a case: ``worked``, ``refused`` or ``broken``, and what it took."""

    target: str
    number: int
    what: str
    told: str = ""
    spent_s: float = 0.0
    peak_mb: float = 0.0


def targets_of(kind: str) -> dict[str, Target]:
    """Give the targets of a kind by name."""
    module = importlib.import_module(f"fuzz.{kind}")
    return {target.name: target for target in module.TARGETS}


# --- in the worker ------------------------------------------------------------------------------------------


def _peak_mb(*, begin: bool = False) -> float:
    """Peak memory of this process since it was last begun, where the system tells (Linux)."""
    with contextlib.suppress(OSError):
        if begin:
            Path("/proc/self/clear_refs").write_text("5")
        for line in Path("/proc/self/status").read_text().splitlines():
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) / 1000
    return 0.0


def work(kind: str, folder: Path) -> None:
    """Run the cases that stdin names."""
    from fuzz.case import Ground, run_case

    sys.dont_write_bytecode = True
    with contextlib.suppress(ImportError, ValueError):
        import resource

        hard = resource.getrlimit(resource.RLIMIT_AS)[1]
        resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_SPACE_BYTES, hard))
    tell = os.fdopen(os.dup(1), "w")  # what a case prints must not come between
    os.dup2(2, 1)
    targets = targets_of(kind)
    with Ground(folder / "ground") as ground:
        if kind == "commands":
            importlib.import_module("matplotlib.font_manager")  # it asks the system for fonts, once
        for line in sys.stdin:
            name, number = json.loads(line)
            _peak_mb(begin=True)
            verdict = run_case(targets[name], number, ground)
            print(
                json.dumps([verdict.what, verdict.told[-6000:], verdict.spent_s, _peak_mb()]),
                file=tell,
                flush=True,
            )
        if kind == "pages":
            importlib.import_module("fuzz.pages").close()


# --- in the parent ------------------------------------------------------------------------------------------


class _Worker:
    def __init__(self, kind: str, folder: Path) -> None:
        environment = os.environ | {
            "PYTHONPATH": str(TESTS),
            "OPENBLAS_NUM_THREADS": "1",
            "OMP_NUM_THREADS": "1",
        }
        self.errors = (folder / "stderr").open("w+")
        self.process = subprocess.Popen(
            [sys.executable, "-X", "faulthandler", "-m", "fuzz.runner", kind, str(folder)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self.errors,
            text=True,
            env=environment,
        )

    def run(self, target: str, number: int) -> Told | None:
        """Run a case; None when the worker died or had to be killed."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        with contextlib.suppress(BrokenPipeError):
            self.process.stdin.write(json.dumps([target, number]) + "\n")
            self.process.stdin.flush()
        ready, _, _ = select.select([self.process.stdout], [], [], LONGEST_CASE_S)
        line = self.process.stdout.readline() if ready else ""
        if line:
            what, told, spent_s, peak_mb = json.loads(line)
            return Told(target, number, what, told, spent_s, peak_mb)
        return None

    def end(self) -> str:
        """End the worker; give the last that it said on stderr."""
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        with contextlib.suppress(BrokenPipeError):
            self.process.stdin.close()
        try:
            self.process.wait(30)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
        self.process.stdout.close()
        self.errors.seek(0)
        last = self.errors.read()[-3000:]
        self.errors.close()
        return last


def run_cases(kind: str, cases: Iterable[tuple[str, int]], *, afresh: int = 400) -> Iterator[Told]:
    """Run cases, each a target and a number; a worker is replaced after so many of them.

    Yields
    ------
    Told
        Of each case; what took too much memory or time is ``broken`` as well.
    """
    with tempfile.TemporaryDirectory(prefix="fuzz ") as folder:
        worker: _Worker | None = None
        try:
            for count, (target, number) in enumerate(cases):
                if worker is not None and count % afresh == 0:
                    worker.end()
                    worker = None
                if worker is None:
                    own = Path(folder, str(count))
                    own.mkdir()
                    worker = _Worker(kind, own)
                told = worker.run(target, number)
                if told is None:
                    hung = worker.process.poll() is None
                    if hung:
                        worker.process.kill()
                    last = worker.end()
                    worker = None
                    told = Told(target, number, "broken", f"{'hung' if hung else 'crashed'}: {last}")
                elif told.peak_mb > MOST_MEMORY_MB:
                    told = Told(
                        target, number, "broken", f"took {told.peak_mb:.0f} MB", told.spent_s, told.peak_mb
                    )
                elif told.spent_s > MOST_PROCESSOR_S:
                    told = Told(
                        target, number, "broken", f"took {told.spent_s:.0f} s", told.spent_s, told.peak_mb
                    )
                yield told
        finally:
            if worker is not None:
                worker.end()


if __name__ == "__main__":
    work(sys.argv[1], Path(sys.argv[2]))
