"""Surveys that are killed at random, for tests and benchmarks. Needs Linux: processes are found in /proc.

- `kill_at_random`: run a survey until it is done, killing its driver and its workers so often on the way.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

COMMAND = (sys.executable, "-c", "from wingtone.cli import main; main()", "survey")


def start(place: Path, out: Path, *options: str) -> subprocess.Popen[str]:
    """Start a survey as a program of its own."""
    return subprocess.Popen(
        [*COMMAND, str(place), "--out", str(out), *options],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        text=True,
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"},
    )


def workers_of(pid: int) -> list[int]:
    """The worker processes of a driver; Python's own helper that keeps track of resources is none."""
    try:
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text("ascii").split()
        return [int(c) for c in children if b"spawn_main" in Path(f"/proc/{c}/cmdline").read_bytes()]
    except OSError:
        return []


def kill_at_random(
    place: Path, out: Path, *options: str, kills: int, seed: int, longest_s: float = 2.0
) -> dict[str, int]:
    """Run a survey to its end through so many kills.

    The driver is killed in one of three cases, else one of its workers. The last run is left alone.

    Returns
    -------
    dict
        How often the driver and workers were killed, and how many runs it took.
    """
    chance = random.Random(seed)
    count = {"driver": 0, "workers": 0, "runs": 0}
    while True:
        driver = start(place, out, *options)
        count["runs"] += 1
        while count["driver"] + count["workers"] < kills and driver.poll() is None:
            time.sleep(chance.uniform(0.1, longest_s))
            workers = workers_of(driver.pid)
            if chance.random() < 1 / 3:
                driver.kill()
                driver.wait()
                count["driver"] += 1
            elif workers:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(chance.choice(workers), signal.SIGKILL)
                    count["workers"] += 1
        guard = threading.Timer(600, driver.kill)
        guard.start()
        status = driver.wait()
        guard.cancel()
        if status >= 0:
            assert status in (0, 1), status
            return count
