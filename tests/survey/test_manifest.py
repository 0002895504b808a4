"""The manifest: what was kept is there, what was not is not, and one program at a time."""

from __future__ import annotations

import contextlib
import json
import sqlite3
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from wingtone.errors import OutputError
from wingtone.survey.manifest import Manifest
from wingtone.survey.places import Found

if TYPE_CHECKING:
    from pathlib import Path

FOUND = Found("a.wav", "/somewhere/a.wav", "10-20", 10)
FACTS = {
    "sample_rate_hz": 8000,
    "channels": 1,
    "codec": "é",
    "recorded_at": None,
    "recorded_at_source": None,
    "stated_s": 2.0,
    "seeks": True,
}
HEARD = {
    "bouts": [],
    "effort": [[0.0, 1.5, 0]],
    "end_s": 1.5,
    "silent": False,
    "flags": ["wind"],
    "clipped_fraction": 0.0,
    "damaged_packets": 0,
    "damaged_from_s": None,
}


def test_what_was_kept_is_found_again(tmp_path: Path) -> None:
    path = tmp_path / "manifest.sqlite"
    with Manifest(path) as manifest:
        manifest.add_look(FOUND, "ab", {"facts": FACTS}, program="1")
        manifest.add_part("ab", "s", 1, status="done", told=HEARD, heard_s=3600, spent_s=9)
        manifest.add_part("ab", "s", 0, status="crashed", told={"fault": "why"})
    with Manifest(path) as manifest:
        assert manifest.looked_at(FOUND, program="1") == ("ab", {"facts": FACTS})
        assert manifest.heard("ab", "s") == {0: "crashed", 1: "done"}
        assert list(manifest.parts("ab", "s").items()) == [
            (0, ("crashed", {"fault": "why"})),
            (1, ("done", HEARD)),
        ]
        assert manifest.rate() == 400.0
        manifest.forget_faults("ab", "s")
        assert manifest.heard("ab", "s") == {1: "done"}


def test_a_change_of_file_program_or_settings_is_unknown(tmp_path: Path) -> None:
    with Manifest(tmp_path / "m.sqlite") as manifest:
        manifest.add_look(FOUND, "ab", {"facts": {}}, program="1")
        manifest.add_part("ab", "s", 0, status="done", told={})
        assert manifest.looked_at(FOUND, program="2") is None
        changed = Found(FOUND.path, FOUND.location, "10-21", 10)
        assert manifest.looked_at(changed, program="1") is None
        assert manifest.heard("ab", "other") == {}
        assert manifest.heard("cd", "s") == {}


def test_names_that_are_no_text_are_kept(tmp_path: Path) -> None:
    odd = Found("\udcff.wav", "/\udcff.wav", "1-1", 1)
    with Manifest(tmp_path / "m.sqlite") as manifest:
        manifest.add_look(odd, "ab", {"facts": FACTS}, program="1")
        assert manifest.looked_at(odd, program="1") is not None


def test_a_second_program_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "m.sqlite"
    code = (
        "import sys, pathlib\n"
        "from wingtone.survey.manifest import Manifest\n"
        "Manifest(pathlib.Path(sys.argv[1]))\n"
    )
    with Manifest(path) as manifest:
        manifest.add_look(FOUND, "ab", {"facts": {}}, program="1")
        run = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True)
        assert "another survey is at work here" in run.stderr
    assert subprocess.run([sys.executable, "-c", code, str(path)]).returncode == 0


def test_killed_in_the_middle_it_holds_whole_results_only(tmp_path: Path) -> None:
    """A process that keeps parts as fast as it can is killed; what is there can be read and is in order."""
    path = tmp_path / "m.sqlite"
    code = (
        "import sys, pathlib\n"
        "from wingtone.survey.manifest import Manifest\n"
        "one = Manifest(pathlib.Path(sys.argv[1]))\n"
        "for i in range(10**9):\n"
        "    one.add_part(f'{i:08d}', 's', 0, status='failed', told={'fault': 'why', 'n': [i] * 500})\n"
        "    print(i, flush=True)\n"
    )
    for _ in range(3):
        path.unlink(missing_ok=True)
        with subprocess.Popen(
            [sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE, text=True
        ) as run:
            assert run.stdout is not None
            while (told := int(run.stdout.readline())) < 500:
                pass
            run.kill()
            told = max([told, *map(int, run.stdout.read().split("\n")[:-1])])
        with Manifest(path) as manifest:
            kept = 0
            while manifest.heard(f"{kept:08d}", "s"):
                assert manifest.parts(f"{kept:08d}", "s")[0][1]["n"] == [kept] * 500
                kept += 1
            assert manifest.heard(f"{kept + 1:08d}", "s") == {}
            assert kept > told  # what it told of as kept, to the last


@pytest.mark.parametrize(
    "content", [b"not a database at all, but text" * 100, b"SQLite format 3\0" + b"\7" * 5000]
)
def test_something_else_is_refused_and_left_alone(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "m.sqlite"
    path.write_bytes(content)
    with pytest.raises(OutputError, match="move it away"):
        Manifest(path)
    assert path.read_bytes() == content


def test_another_database_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "m.sqlite"
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE mine (x)")
    other.close()
    before = path.read_bytes()
    with pytest.raises(OutputError, match="not the manifest of a survey"):
        Manifest(path)
    assert path.read_bytes() == before
    assert [one.name for one in tmp_path.iterdir()] == ["m.sqlite"]


def test_where_nothing_can_be_written_rights_are_thought_of(tmp_path: Path) -> None:
    """SQLite says "disk I/O error" of a file that belongs to somebody else."""
    (tmp_path / "m.sqlite").mkdir()
    with pytest.raises(OutputError, match=r"m\.sqlite: the manifest cannot be written.*may you write this"):
        Manifest(tmp_path / "m.sqlite")


def test_a_copy_is_whole(tmp_path: Path) -> None:
    with Manifest(tmp_path / "m.sqlite") as manifest:
        manifest.add_part("ab", "s", 0, status="done", told=HEARD)
        manifest.copy_to(tmp_path / "copy.sqlite")
    with Manifest(tmp_path / "copy.sqlite") as copy:
        assert copy.parts("ab", "s") == {0: ("done", HEARD)}


@pytest.mark.parametrize(
    "told",
    [
        "",
        "null",
        "[]",
        "{}",
        "[" * 100_000,
        '{"facts": null}',
        '{"facts": {}}',
        '{"fault": 1, "status": "failed"}',
        json.dumps({"facts": FACTS | {"stated_s": 1e300}}),
        json.dumps({"facts": FACTS | {"seeks": "yes"}}),
        json.dumps({"facts": FACTS | {"channels": "two"}}),
        json.dumps({"facts": FACTS | {"recorded_at": 5}}),
    ],
)
def test_what_was_not_written_so_is_told_as_damage(tmp_path: Path, told: str) -> None:
    """Also of a piece: a bit turned on the disk must not pass for a result, nor end in a traceback."""
    path = tmp_path / "m.sqlite"
    with Manifest(path) as manifest:
        manifest.add_look(FOUND, "ab", {"facts": FACTS}, program="1")
        manifest.add_part("ab", "s", 0, status="done", told=HEARD)
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as plain:
        plain.execute("UPDATE file SET told = ?", (told,))
        plain.execute("UPDATE part SET told = ?", (told,))
    with Manifest(path) as manifest:
        with pytest.raises(OutputError, match=r"m\.sqlite: the manifest is damaged"):
            manifest.looked_at(FOUND, program="1")
        with pytest.raises(OutputError, match=r"m\.sqlite: the manifest is damaged"):
            manifest.parts("ab", "s")


def test_a_bout_without_its_numbers_is_told_as_damage(tmp_path: Path) -> None:
    path = tmp_path / "m.sqlite"
    with Manifest(path) as manifest:
        manifest.add_part("ab", "s", 0, status="done", told=HEARD | {"bouts": [{"kind": "flight"}]})
        manifest.add_part("cd", "s", 0, status="done", told=HEARD | {"effort": [[0.0, "long", 0]]})
        for sha256 in ("ab", "cd"):
            with pytest.raises(OutputError, match="cannot be right"):
                manifest.parts(sha256, "s")


def test_missing_tables_are_told_as_damage(tmp_path: Path) -> None:
    path = tmp_path / "m.sqlite"
    with Manifest(path):
        pass
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as plain:
        plain.execute("DROP TABLE part")
    with Manifest(path) as manifest, pytest.raises(OutputError, match="is damaged: no such table"):
        manifest.rate()
