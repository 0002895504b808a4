"""The notebook under hardship, at length: killed 500 times, crowded, on a disk that is really full.

``python tests/benchmarks/notebook_hardship.py [--kills 500] [--crowd 5000]``

Says what was done and ends with status 1 at the first broken promise. The full disk needs the right to mount
a small memory disk (root on Linux); without it that part is left out, loudly.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from notebook.hardship import kill_while_adding, write_at_once
from wingtone.errors import OutputError
from wingtone.notebook.records import Record
from wingtone.notebook.store import Notebook


def kills(folder: Path, runs: int) -> None:
    """Kill a program that adds records, again and again, in one notebook."""
    started = time.monotonic()
    path = folder / "killed.sqlite"
    promised = sum(kill_while_adding(path, seed=seed) for seed in range(runs))
    with Notebook.open(path) as notebook:
        kept = notebook.count()
        assert kept >= promised
        assert notebook.check() == []
    took = time.monotonic() - started
    print(f"kill -9: {runs} runs, {promised} records acknowledged, all there ({kept} kept), {took:.0f} s")


def new_each_time(folder: Path, runs: int) -> None:
    """Kill while the notebook itself is being made."""
    for seed in range(runs):
        kill_while_adding(folder / f"new{seed}.sqlite", seed=seed)
    print(f"kill -9 on new notebooks: {runs} runs, all sound")


def crowd(folder: Path, count: int) -> None:
    """Let two programs write at once."""
    started = time.monotonic()
    write_at_once(folder / "crowd.sqlite", programs=2, count=count)
    took = time.monotonic() - started
    print(f"two programs at once: {count} records each, all there, {took:.0f} s")


def full_disk(folder: Path) -> None:
    """Fill a disk of 2 MB to the brim; then make room and go on."""
    disk = folder / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(disk)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode:
        print("full disk: LEFT OUT, no right to mount a memory disk here")
        return
    try:
        ballast = disk / "ballast"
        ballast.write_bytes(bytes(300_000))
        numbers: list[int] = []
        said = ""
        with Notebook.open(disk / "bees.sqlite") as notebook:
            for i in range(100_000):
                try:
                    numbers.append(notebook.add(Record(notes=f"{i} " + "x" * 5000)).number)
                except OutputError as error:
                    said = str(error)
                    break
            assert said, "the disk never was full"
            ballast.unlink()
            numbers.append(notebook.add(Record(notes=f"{len(numbers)} after")).number)
        with Notebook.open(disk / "bees.sqlite") as notebook:
            assert notebook.check() == []
            assert notebook.count() == len(numbers)
            for i, number in enumerate(numbers):
                assert notebook.get(number).record.notes.startswith(f"{i} ")
        print(f"full disk: {len(numbers)} records all there; it said: {said}")
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def main() -> None:
    """Run all parts."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--crowd", type=int, default=5000)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        full_disk(folder)
        crowd(folder, wanted.crowd)
        kills(folder, wanted.kills)
        new_each_time(folder, max(1, wanted.kills // 10))


if __name__ == "__main__":
    main()
