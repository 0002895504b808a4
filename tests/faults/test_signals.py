"""Ctrl-C, SIGTERM and SIGHUP in the middle of writing: cleared away, and a status that says which it was."""

from __future__ import annotations

import signal
import sys
from typing import TYPE_CHECKING

import pytest

from faults.surroundings import run
from wingtone.notebook.records import Record
from wingtone.notebook.store import Notebook

if TYPE_CHECKING:
    from pathlib import Path

STRUCK = """
import os, signal, sys
from wingtone.cli import main
from wingtone.notebook import exchange
number, healthy, count = signal.Signals(int(sys.argv.pop(1))), exchange.to_terms, 0
if number is signal.SIGINT:  # a process started in the background inherits a deaf ear for Ctrl-C
    signal.signal(signal.SIGINT, signal.default_int_handler)
def struck(*arguments, **named):
    global count
    count += 1
    if count == 3:
        os.kill(os.getpid(), number)
    return healthy(*arguments, **named)
exchange.to_terms = struck
main(prog_name="wingtone")
"""

HEARING = "import signal\nsignal.signal(signal.SIGHUP, signal.SIG_DFL)\n"
"""These tests may themselves run under nohup, which makes all below it deaf for SIGHUP."""


@pytest.fixture(scope="module")
def notebook(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("notebook") / "bees.sqlite"
    with Notebook.open(path) as opened:
        for i in range(6):
            opened.add(Record(taxon="Bombus hortorum", notes=str(i), event_date="2026-05-01"))
    return path


def export(
    notebook: Path, out: Path, number: int, *, layout: str = "csv", shell: str = ""
) -> tuple[int, str]:
    done = run(
        str(int(number)), "notebook", "--notebook", str(notebook),
        "export", "--format", layout, "--out", str(out),
        program=(sys.executable, "-c", STRUCK if shell else HEARING + STRUCK), shell=shell,
    )  # fmt: skip
    return done.returncode, done.stdout + done.stderr


@pytest.mark.parametrize(
    ("name", "layout"), [("SIGINT", "csv"), ("SIGTERM", "darwin-core"), ("SIGHUP", "geojson")]
)
def test_a_signal_half_way_leaves_what_was_there(
    name: str, layout: str, notebook: Path, tmp_path: Path
) -> None:
    out = tmp_path / "bees.out"
    out.write_text("old")
    number = getattr(signal, name)
    assert export(notebook, out, number, layout=layout) == (128 + number, "")
    assert out.read_text() == "old"
    assert list(tmp_path.iterdir()) == [out]


def test_what_is_ignored_from_outside_stays_so(notebook: Path, tmp_path: Path) -> None:
    out = tmp_path / "bees.csv"
    status, said = export(notebook, out, signal.SIGHUP, shell='trap "" HUP; "$@"')  # as nohup does
    assert (status, "6 records" in said) == (0, True), said


def test_a_second_signal_ends_it_at_once(notebook: Path, tmp_path: Path) -> None:
    """Here the first is caught while the command clears away, and the second finds nobody in its way."""
    code = (
        "import contextlib, os, signal\n"
        "from wingtone import files\n"
        "from wingtone.cli import main\n"
        "healthy = files.replacing\n"
        "@contextlib.contextmanager\n"
        "def slow(target):\n"
        "    with healthy(target) as scratch:\n"
        "        try:\n"
        "            os.kill(os.getpid(), signal.SIGTERM)\n"
        "            yield scratch\n"
        "        finally:\n"
        "            os.kill(os.getpid(), signal.SIGTERM)\n"
        "import wingtone.notebook.export as export\n"
        "export.replacing = slow\n"
        "main(prog_name='wingtone')\n"
    )
    out = tmp_path / "bees.csv"
    done = run(
        "notebook", "--notebook", str(notebook), "export", "--format", "csv", "--out", str(out),
        program=(sys.executable, "-c", code),
    )  # fmt: skip
    assert done.returncode in (128 + signal.SIGTERM, -signal.SIGTERM)
    assert not out.exists()
