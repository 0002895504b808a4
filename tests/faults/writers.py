"""Every command that writes, in a place that does not take it. Run as a program by `test_writers.py`.

``python writers.py MODE FOLDER CLIPS SOURCE`` works in FOLDER and prints one JSON object a line: the command,
how many bytes were free, the exit status, what it said, and what it left behind. Modes:

- ``full``: FOLDER is a disk of about a megabyte, filled anew to each of several levels, so that a write fails
  at its beginning and in its middle.
- ``limit``: no file may grow larger than that (for where no small disk can be had).
- ``read-only``: FOLDER may be read and not written, by a user without rights.
"""

from __future__ import annotations

import contextlib
import functools
import json
import os
import resource
import sys
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

from click.testing import CliRunner

from wingtone import clip
from wingtone.cli import main
from wingtone.notebook.records import Record
from wingtone.notebook.store import Notebook
from wingtone.survey.manifest import Manifest

if TYPE_CHECKING:
    from collections.abc import Iterator

LEVELS = (0, 12_288)
"""Bytes that are free when a command begins; the second is in the middle of most results."""

TABLE = "date,time,species,caste,recording\n2026-03-12,11:40,Bombus terrestris,queen,{name}\n"
OLD = "what was here before\n"


@contextlib.contextmanager
def full(disk: Path, free: int) -> Iterator[None]:
    """Fill the disk until so many bytes are left."""
    filler = disk / "filler"
    with filler.open("wb", buffering=0) as file, contextlib.suppress(OSError):
        while True:
            file.write(bytes(4096))
    os.truncate(filler, max(0, filler.stat().st_size - free))
    try:
        yield
    finally:
        filler.unlink()


@contextlib.contextmanager
def limited(_: Path, free: int) -> Iterator[None]:
    """Let no file grow larger than that; Python ignores the signal that comes with it."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (free, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@contextlib.contextmanager
def untouched(_: Path, __: int) -> Iterator[None]:
    """Leave it as it is: it was made so that nothing can be written."""
    yield


AGAINST = {"full": full, "limit": limited, "read-only": untouched}


def take_rights(disk: Path, source: Path) -> None:
    """Give up every right to write; root may write anywhere, so it becomes somebody else first."""
    for path in source.iterdir():
        path.chmod(0o644)
    for path in (disk, *disk.rglob("*")):
        path.chmod(0o555 if path.is_dir() else 0o444)
    if os.geteuid() == 0:
        os.setgroups([])
        os.setgid(65534)
        os.setuid(65534)


def contents(folder: Path) -> dict[str, int]:
    """All files but the filler and what SQLite keeps beside a notebook until it is next opened."""
    return {
        str(path.relative_to(folder)): path.stat().st_size
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != "filler" and not path.name.endswith(("-wal", "-shm"))
    }


def commands(disk: Path, clips: Path, source: Path) -> dict[str, tuple[list[str], str]]:
    """Command lines by name, each with the file that it replaces (empty: none)."""
    flower, queen = str(clips / "4_july_tomato_flower.flac"), str(clips / "1_march_big_queen.m4a")
    elsewhere = ["notebook", "--notebook", str(source / "bees.sqlite")]
    here = ["notebook", "--notebook", str(disk / "bees.sqlite")]

    def export(layout: str, name: str) -> tuple[list[str], str]:
        return [*elsewhere, "export", "--format", layout, "--out", str(disk / name)], name

    return {
        "measure --tracks": (["measure", flower, "--tracks", str(disk / "tracks")], ""),
        "measure --figure": (["measure", queen, "--figure", str(disk / "a.png")], "a.png"),
        "identify --record": (
            ["identify", queen, "--record", "--notebook", str(disk / "bees.sqlite")],
            "",
        ),
        "cue": (
            ["cue", str(source / "r.csv"), "--clips", str(clips), "--out", str(disk / "c.csv")],
            "c.csv",
        ),
        "notebook add": ([*here, "add", "--taxon", "Bombus hortorum", "--notes", "x" * 40_000], ""),
        "notebook amend": ([*here, "amend", "1", "--notes", "y" * 40_000], ""),
        "notebook import": ([*here, "import", str(source / "many.csv")], ""),
        "notebook, a new one": (
            [
                "notebook",
                "--notebook",
                str(disk / "new.sqlite"),
                "add",
                "--taxon",
                "Bombus",
                "--notes",
                "z" * 40_000,
            ],
            "",
        ),
        "notebook rescue": ([*elsewhere, "rescue", "--out", str(disk / "saved.sqlite")], ""),
        "list, on the disk itself": ([*here, "list"], ""),
        "export, from the disk itself": (
            [*here, "export", "--format", "csv", "--out", str(source / "rescued.csv")],
            "",
        ),
        "notebook chart": ([*elsewhere, "chart", "--kind", "season", "--out", str(disk / "a.svg")], "a.svg"),
        "export darwin-core": export("darwin-core", "a.zip"),
        "export csv": export("csv", "a.csv"),
        "export geojson": export("geojson", "a.geojson"),
        "export labels": export("labels", "l.csv"),
        "export bwf": ([*elsewhere, "export", "--format", "bwf", "--out", str(disk / "bwf")], ""),
        "sizes --figure": (
            ["sizes", str(source / "bouts.csv"), "--figure", str(disk / "s.pdf")],
            "s.pdf",
        ),
        "survey": (["survey", queen, "--out", str(disk / "survey"), "--workers", "1"], ""),
    }


def prepare(source: Path, clips: Path) -> None:
    """Make the notebook and the tables that the commands read, where there is room."""
    runner = CliRunner()
    queen = clips / "1_march_big_queen.m4a"
    add = ["notebook", "--notebook", str(source / "bees.sqlite"), "add", "--recording", str(queen)]
    for _ in range(2):
        runner.invoke(
            main, [*add, "--taxon", "Bombus terrestris", "--caste", "queen", "--notes", "n" * 20_000]
        )
    others = "".join(f"2025-05-01,10:00,Bombus hortorum,worker,{i}{'x' * 200}\n" for i in range(150))
    (source / "r.csv").write_text(TABLE.format(name=queen.name) + others)
    old = "".join(f"2025-05-01,Bombus hortorum,{i} {'x' * 300}\n" for i in range(200))
    (source / "many.csv").write_text("date,species,notes\n" + old)
    measured = runner.invoke(main, ["measure", str(clips), "--format", "csv"])
    (source / "bouts.csv").write_text(measured.stdout)


def begin_notebook(disk: Path) -> None:
    """Make a notebook of one record in the place that is tried."""
    with Notebook.open(disk / "bees.sqlite") as notebook:
        notebook.add(Record(taxon="Bombus terrestris", notes="n" * 20_000, event_date="2026-03-12"))


def run(
    mode: str, name: str, disk: Path, arguments: list[str], replaces: str, *, free: int
) -> dict[str, Any]:
    """Run one command against a place that does not take it, and look at what is left."""
    if replaces and mode != "read-only":
        (disk / replaces).write_text(OLD)
    before = contents(disk)
    with AGAINST[mode](disk, free):
        result = CliRunner().invoke(main, arguments)
    after = contents(disk)
    with Notebook.open(disk / "bees.sqlite", write=False) as notebook:
        faults = notebook.check()
    return {
        "command": name,
        "free": free,
        "status": result.exit_code,
        "said": result.stderr,
        "new": {path: size for path, size in after.items() if path not in before},
        "kept": not replaces or (disk / replaces).read_text(errors="replace") == OLD,
        "notebook": faults,
    }


def work(mode: str, disk: Path, clips: Path, source: Path) -> None:
    """Go through all commands and levels; say of each what came of it."""
    clip.measure_recording = functools.cache(clip.measure_recording)  # type: ignore[assignment]
    prepare(source, clips)
    begin_notebook(disk)
    levels: tuple[int, ...] = LEVELS
    todo = commands(disk, clips, source)
    if mode == "read-only":
        # Once where it works: what a command loads late, the user without rights might not be able to read.
        CliRunner().invoke(main, ["survey", "--help"])
        for name, (arguments, _) in todo.items():
            if name != "survey":
                CliRunner().invoke(main, arguments)
        for path in contents(disk):
            (disk / path).unlink()
        begin_notebook(disk)
        for replaces in filter(None, (replaces for _, replaces in todo.values())):
            (disk / replaces).write_text(OLD)
        take_rights(disk, source)
        levels = (0,)
    for name, (arguments, replaces) in todo.items():
        for free in levels[-1:] if name == "survey" else levels:
            told = run(mode, name, disk, arguments, replaces, free=free)
            if name == "survey" and mode != "read-only":
                Manifest(disk / "survey" / "manifest.sqlite").close()  # what was begun can be gone on with
            print(json.dumps(told), flush=True)
            if mode != "read-only":
                for path in told["new"]:
                    (disk / path).unlink(missing_ok=True)


if __name__ == "__main__":
    warnings.simplefilter("error")
    work(sys.argv[1], *map(Path, sys.argv[2:5]))
