"""stdin, stdout and stderr that are closed, full, gone or narrow; no terminal; low limits.

Each is a process of its own: what the interpreter makes of its streams at the start is what is tried.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from faults.surroundings import DEMO, run
from wingtone import clip
from wingtone.cli import main
from wingtone.notebook.records import Record
from wingtone.notebook.store import Notebook
from wingtone.survey import jobs

if TYPE_CHECKING:
    from pathlib import Path

QUEEN = str(DEMO / "1_march_big_queen.m4a")


@pytest.fixture(scope="module")
def notebook(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A notebook whose list as JSON is longer than any pipe holds."""
    path = tmp_path_factory.mktemp("notebook") / "bees.sqlite"
    with Notebook.open(path) as opened:
        opened.add_imported(
            (f"key {i}", None, Record(taxon="Bombus hortorum", notes=f"{i}" + "x" * 200)) for i in range(600)
        )
    return path


def listed(notebook: Path, shell: str) -> tuple[int, str, str]:
    """List the notebook; status, stdout and stderr."""
    done = run("notebook", "--notebook", str(notebook), "list", "--format", "json", shell=shell)
    return done.returncode, done.stdout, done.stderr


def test_a_full_stdout_is_told_once_and_is_no_fault_of_ours(notebook: Path) -> None:
    status, _, said = listed(notebook, '"$@" > /dev/full')
    assert status == 1
    assert said.splitlines() == [
        "wingtone: stdout: the results cannot be written: No space left on device "
        "(is there room where they are sent?)"
    ]
    helped = run("--help", shell='"$@" > /dev/full')
    assert helped.returncode == 1
    assert helped.stderr.startswith("wingtone: stdout: the results cannot be written")


def test_a_full_stdout_ends_the_work_that_nobody_can_read(tmp_path: Path) -> None:
    """Of two recordings the second is not measured: its result would be lost like the first."""
    done = run("measure", QUEEN, str(tmp_path / "missing.wav"), QUEEN, shell='"$@" > /dev/full')
    assert done.returncode == 1
    missing, stdout = done.stderr.splitlines()
    assert "missing.wav: there is no such file" in missing
    assert stdout.startswith("wingtone: stdout:")


def test_a_reader_that_goes_after_a_line_ends_it_quietly(notebook: Path) -> None:
    """The list is longer than the pipe, so the program always meets its end."""
    done = run(
        *("notebook", "--notebook", str(notebook), "list", "--format", "json"),
        shell='set -o pipefail; "$@" | head -1',
    )
    assert done.stderr == ""
    assert len(done.stdout.splitlines()) == 1
    assert done.returncode == 141


@pytest.mark.parametrize("arguments", [("fauna", "list"), ("measure", QUEEN), ("--help",)])
def test_a_reader_that_has_gone_before_ends_it_quietly(arguments: tuple[str, ...]) -> None:
    """Short answers fit into the pipe, so the reader is gone before the first word."""
    reader, writer = os.pipe()
    os.close(reader)
    done = run(*arguments, shell=f'"$@" >&{writer}', pass_fds=(writer,))
    os.close(writer)
    assert done.stderr == ""
    assert done.returncode == 141


@pytest.mark.parametrize(
    ("stdout", "status"), [("> /dev/full", 1), (">&-", 1), ("| true", 141)], ids=["full", "closed", "unread"]
)
def test_records_whose_words_are_lost_are_named_on_stderr(stdout: str, status: int, tmp_path: Path) -> None:
    """Whoever took them for not kept would try again and have them twice."""
    path = tmp_path / "bees.sqlite"
    common = ("notebook", "--notebook", str(path))
    shell = f'set -o pipefail; "$@" {stdout}'
    done = run(*common, "add", "--taxon", "Bombus", shell=shell)
    assert done.returncode == status
    assert done.stderr.splitlines()[0] == "wingtone: record 1 added: Bombus, decided"
    done = run(*common, "amend", "1", "--caste", "queen", shell=shell)
    assert done.returncode == status
    assert done.stderr.startswith("wingtone: record 1, version 2: ")
    with Notebook.open(path) as opened:
        assert opened.get(1).record.caste == "queen"


def test_closed_streams_lose_nothing_but_what_went_there(notebook: Path, tmp_path: Path) -> None:
    status, _, said = listed(notebook, '"$@" >&-')
    assert status == 1
    assert said.splitlines() == [
        "wingtone: stdout: the results cannot be written: it is closed "
        "(leave it open; what nobody wants can go to /dev/null)"
    ]
    done = run("measure", "missing.wav", shell='"$@" >&-')
    assert "stdout" not in done.stderr, "what has no results needs none"
    status, told, _ = listed(notebook, '"$@" 2>&- <&-')
    assert status == 0
    assert len(told.splitlines()) == 600
    path = tmp_path / "new.sqlite"
    done = run("notebook", "--notebook", str(path), "add", "--taxon", "Bombus", shell='"$@" <&- >&- 2>&-')
    assert done.returncode == 1
    with Notebook.open(path) as opened:  # the first file that was opened did not become stdout
        assert opened.check() == []
        assert opened.get(1).record.taxon == "Bombus"


def test_messages_that_nobody_can_read_do_not_stop_the_work() -> None:
    done = run("measure", "missing.wav", QUEEN, "--format", "csv", shell='"$@" 2> /dev/full')
    assert done.returncode == 1, "the missing one is still counted"
    assert QUEEN in done.stdout


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_letters_that_the_terminal_lacks_do_not_stop_it(encoding: str, tmp_path: Path) -> None:
    path = tmp_path / "bees.sqlite"
    with Notebook.open(path) as opened:
        opened.add(Record(taxon="Bombus", recorder="Žofie", notes="Blüte \N{BLACK SUN WITH RAYS}"))
    done = run("notebook", "--notebook", str(path), "show", "1", environment={"PYTHONIOENCODING": encoding})
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert "Bl" in done.stdout


def test_the_c_locale_without_any_help(tmp_path: Path) -> None:
    """File names are bytes all the way; text that cannot be read is refused, not stored broken."""
    bare = {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    clip = "b\N{LATIN SMALL LETTER E WITH ACUTE}e.m4a"
    (tmp_path / clip).write_bytes((DEMO / "1_march_big_queen.m4a").read_bytes())
    done = run("measure", clip, "--tracks", "t", "--format", "json", cwd=tmp_path, environment=bare)
    assert done.returncode == 0, done.stderr
    assert [path.name for path in (tmp_path / "t").iterdir()] == ["bée.track.csv"]
    path = tmp_path / "bees.sqlite"
    done = run("notebook", "--notebook", str(path), "add", "--taxon", "Bombus é", environment=bare)
    assert done.returncode == 2
    assert "half a character" in done.stderr
    assert not path.exists()


def test_no_terminal_a_narrow_one_and_none_to_speak_of() -> None:
    narrow: dict[str, str | None] = {"COLUMNS": "20"}
    for environment in (narrow, narrow | {"TERM": "dumb", "NO_COLOR": "1"}, narrow | {"TERM": None}):
        done = run("identify", "--f0", "150", shell='setsid "$@" < /dev/null', environment=environment)
        assert done.returncode == 0, done.stderr
        assert "Record as" in done.stdout
        assert "\x1b" not in done.stdout + done.stderr


def test_a_home_that_cannot_be_written_is_no_matter_of_a_figure(tmp_path: Path) -> None:
    """Matplotlib would tell of its cache."""
    home = tmp_path / "home"
    home.write_text("a file, so no folder can be made in it")
    arguments = ("measure", QUEEN, "--figure", str(tmp_path / "queen.png"))
    done = run(*arguments, environment={"HOME": str(home), "XDG_CONFIG_HOME": None, "MPLCONFIGDIR": None})
    assert (done.returncode, done.stderr) == (0, "")


def test_few_open_files_and_one_processor() -> None:
    done = run("measure", QUEEN, QUEEN, "--format", "csv", shell='ulimit -n 24; taskset -c 0 "$@"')
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""


def test_too_little_memory_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """It is no bug to be reported; with a real limit the libraries below us may spin for ever instead."""

    def measure(*_: object, **__: object) -> None:
        raise MemoryError

    monkeypatch.setattr(clip, "measure_recording", measure)
    result = CliRunner().invoke(main, ["measure", QUEEN])
    assert result.exit_code == 1
    assert result.stderr.startswith(f"wingtone: {QUEEN}: there is not enough memory")
    assert "report" not in result.stderr
    assert "not enough memory" in jobs.reason(MemoryError())
    assert jobs.reason(OSError(5, "Input/output error")).startswith("Input/output error")
