"""What can happen to a notebook: its program is killed, others write too. Used by tests and benchmarks.

Run as a program it is the victim: ``python hardship.py FILE COUNT TAG`` adds records and says after each,
on stdout, which number it got. What was said is the promise that the tests hold the notebook to.
"""

from __future__ import annotations

import random
import subprocess
import sys
import threading
from pathlib import Path

from wingtone.notebook.records import Record
from wingtone.notebook.store import Notebook

BIG_NOTE = "a bee on the lavender by the wall " * 40  # several records to a page of the file, and overflow


def add_many(path: Path, count: int, tag: str) -> None:
    """Add records and acknowledge each on stdout."""
    with Notebook.open(path) as notebook:
        for i in range(count):
            entry = notebook.add(Record(taxon="Bombus pascuorum", notes=f"{tag} {i} {BIG_NOTE}"))
            print(entry.number, flush=True)


def start(path: Path, count: int, tag: str) -> subprocess.Popen[str]:
    """Start a program that adds records."""
    command = [sys.executable, str(Path(__file__)), str(path), str(count), tag]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def acknowledged(
    process: subprocess.Popen[str], *, kill_after: int | None, delay_s: float = 0.0
) -> list[int]:
    """Read what a program promises; kill it (signal 9) a moment after so many promises.

    A line cut in half by the kill is no promise.
    """
    assert process.stdout is not None
    numbers: list[int] = []
    timer: threading.Timer | None = None
    for line in process.stdout:
        if line.endswith("\n"):
            numbers.append(int(line))
        if kill_after is not None and timer is None and len(numbers) >= kill_after:
            timer = threading.Timer(delay_s, process.kill)
            timer.start()
    process.wait()
    process.stdout.close()
    if timer is not None:
        timer.join()
    return numbers


def kill_while_adding(path: Path, *, seed: int) -> int:
    """Add records until killed at a random moment, then hold the notebook to its promises.

    Returns how many records had been acknowledged in this run.
    """
    chance = random.Random(seed)
    tag = f"run {seed}"
    process = start(path, 10_000, tag)
    promised = acknowledged(process, kill_after=chance.randint(1, 12), delay_s=chance.uniform(0, 0.02))
    assert process.returncode == -9
    with Notebook.open(path) as notebook:
        faults = notebook.check()
        assert faults == [], faults
        for i, number in enumerate(promised):
            record = notebook.get(number).record
            assert record.notes.startswith(f"{tag} {i} "), number
    return len(promised)


def write_at_once(path: Path, *, programs: int, count: int) -> None:
    """Let several programs add records to one new notebook at the same time; all must be there."""
    running = [start(path, count, f"program {i}") for i in range(programs)]
    results: dict[int, list[int]] = {}

    def collect(i: int) -> None:
        results[i] = acknowledged(running[i], kill_after=None)

    readers = [threading.Thread(target=collect, args=(i,)) for i in range(programs)]
    for reader in readers:
        reader.start()
    for reader in readers:
        reader.join()
    assert [process.returncode for process in running] == [0] * programs
    numbers = sorted(number for promised in results.values() for number in promised)
    assert numbers == list(range(1, programs * count + 1))
    with Notebook.open(path) as notebook:
        assert notebook.check() == []
        for i in range(programs):
            notes = [notebook.get(number).record.notes for number in results[i]]
            assert [int(note.split()[2]) for note in notes] == list(range(count))


if __name__ == "__main__":
    add_many(Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3])
