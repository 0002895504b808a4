"""A disk that is full, a file size limit, a folder without rights: told with the remedy, and nothing is half.

The same commands meet each of them in one process, see `writers`.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from faults.surroundings import DEMO, open_folder

if TYPE_CHECKING:
    from collections.abc import Sequence

WRITERS = Path(__file__).with_name("writers.py")
COMMANDS = 19
READERS = {"list, on the disk itself", "export, from the disk itself"}
"""What has to work on a full disk: else nobody could make room by moving the notebook."""


def outcomes(mode: str, tmp_path: Path, *, before: Sequence[str] = ()) -> list[dict[str, Any]]:
    """Run all commands; what came of each."""
    for name in ("disk", "clips", "source"):
        (tmp_path / name).mkdir(exist_ok=True)
    for name in ("1_march_big_queen.m4a", "4_july_tomato_flower.flac"):
        shutil.copy(DEMO / name, tmp_path / "clips")
    places = [str(tmp_path / name) for name in ("disk", "clips", "source")]
    command = [*before, sys.executable, str(WRITERS), mode, *places]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=600)
    assert done.returncode == 0, done.stderr
    assert done.stderr == "", "something was left open, or printed a traceback by itself"
    told = [json.loads(line) for line in done.stdout.splitlines()]
    assert len({one["command"] for one in told}) == COMMANDS
    return told


def check(told: list[dict[str, Any]], *, words: str) -> None:
    """Hold each command to its promise; ``words`` are what a failure has to speak of."""
    for one in told:
        what = f"{one['command']} with {one['free']} bytes free: {one['said']}"
        assert one["notebook"] == [], what
        if one["status"] == 0:
            continue
        assert one["status"] == 1, what
        assert one["kept"], what
        last = one["said"].splitlines()[-1]
        assert last.startswith("wingtone: "), what
        assert "/disk" in last or "/source" in last, what
        assert last.endswith(")"), what
        assert "inside wingtone" not in one["said"], what
        assert "Traceback" not in one["said"], what
        assert any(word in last for word in words.split("|")), what
        left = [
            path for path in one["new"] if path != "survey/manifest.sqlite"
        ]  # the next run goes on from it
        assert left == [], what


def small_disk() -> list[str]:
    """How to run a program that has a disk of a megabyte at ``disk`` beneath the current folder."""
    mount = 'mount -t tmpfs -o size=1m tmpfs "$0" && exec "$@"'
    for how in (["unshare", "-m"], ["unshare", "-r", "-m"]):
        if shutil.which("unshare") is None:
            break
        tried = subprocess.run([*how, "sh", "-c", mount, "/mnt", "true"], capture_output=True, check=False)
        if tried.returncode == 0:
            return [*how, "sh", "-c", mount]
    return []


def test_a_full_disk(tmp_path: Path) -> None:
    """On a real small disk; where none can be mounted, with files that may not grow, which is said."""
    how = small_disk()
    if not how:
        print("THE FULL DISK IS ONLY PLAYED: no small file system can be mounted here", file=sys.stderr)
        told = outcomes("limit", tmp_path)
        check(told, words="File too large|disk is full|is the disk full|is there room|cannot be written")
    else:
        told = outcomes("full", tmp_path, before=[*how, str(tmp_path / "disk")])
        check(told, words="No space left|disk is full|is the disk full|is there room")
    failed = {one["command"] for one in told if one["status"] == 1}
    assert not failed & READERS
    assert len(failed | READERS) == COMMANDS, "some command never met the full disk"


def test_a_folder_that_may_not_be_written() -> None:
    with open_folder() as folder:
        told = outcomes("read-only", folder)
    check(told, words="Permission denied|cannot be written|write-protected|nothing may be written")
    assert {one["command"] for one in told if one["status"] == 0} == {"list, on the disk itself"}
