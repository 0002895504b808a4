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
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmarks.kept import add_out, keep
from notebook.hardship import kill_while_adding, write_at_once
from wingtone.errors import OutputError
from wingtone.notebook.records import Record
from wingtone.notebook.store import Notebook


def kills(folder: Path, runs: int) -> dict[str, int]:
    """Kill a program that adds records, again and again, in one notebook."""
    path = folder / "killed.sqlite"
    promised = sum(kill_while_adding(path, seed=seed) for seed in range(runs))
    with Notebook.open(path) as notebook:
        kept = notebook.count()
        assert kept >= promised
        assert notebook.check() == []
    return {"kills": runs, "acknowledged": promised, "kept": kept}


def new_each_time(folder: Path, runs: int) -> None:
    """Kill while the notebook itself is being made."""
    for seed in range(runs):
        kill_while_adding(folder / f"new{seed}.sqlite", seed=seed)


def crowd(folder: Path, count: int) -> None:
    """Let two programs write at once."""
    write_at_once(folder / "crowd.sqlite", programs=2, count=count)


def full_disk(folder: Path) -> tuple[int, str]:
    """Fill a disk of 2 MB to the brim; then make room and go on.

    Gives how many records there were and what was said; 0 and nothing where no such disk may be made.
    """
    disk = folder / "disk"
    disk.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(disk)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode:
        print("full disk: LEFT OUT, no right to mount a memory disk here", file=sys.stderr)
        return 0, ""
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
        return len(numbers), said.replace(f"{disk}/", "")
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def main() -> None:
    """Run all parts."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--crowd", type=int, default=5000)
    add_out(parser)
    wanted = parser.parse_args()
    new = max(1, wanted.kills // 10)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        on_full_disk, said = full_disk(folder)
        crowd(folder, wanted.crowd)
        killed = kills(folder, wanted.kills)
        new_each_time(folder, new)
    lines = [
        f"- Killed {wanted.kills} times while adding: {killed['acknowledged']} records acknowledged, all "
        f"there ({killed['kept']} kept).",
        f"- Killed {new} times while the notebook was being made: all sound.",
        f"- Two programs at once: {wanted.crowd} records each, all there.",
        f"- Full disk: {on_full_disk} records all there; it said: {said}"
        if said
        else "- Full disk: left out.",
    ]
    values: dict[str, Any] = {**killed, "new_kills": new, "crowd_each": wanted.crowd}
    values["full_disk"] = on_full_disk
    keep("notebook_hardship", "\n".join(lines), values, out=wanted.out)


if __name__ == "__main__":
    main()
