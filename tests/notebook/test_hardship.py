"""Killed, crowded, out of room, not allowed, damaged: what was acknowledged is still there.

The long forms (500 kills, 5000 records from each of two programs, a disk that is really full) are in
``tests/benchmarks/notebook_hardship.py``.
"""

from __future__ import annotations

import os
import random
import resource
import shutil
import sqlite3
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from notebook.examples import example
from notebook.hardship import kill_while_adding, write_at_once
from wingtone.errors import InputError, OutputError, WingtoneError
from wingtone.notebook.records import Record
from wingtone.notebook.rescue import rescue
from wingtone.notebook.store import Filter, Notebook

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bees.sqlite"


def test_what_was_acknowledged_survives_kill_9(path: Path) -> None:
    total = sum(kill_while_adding(path, seed=seed) for seed in range(6))
    with Notebook.open(path) as notebook:
        assert notebook.count() >= total > 6


def test_two_programs_at_once_lose_nothing(path: Path) -> None:
    write_at_once(path, programs=2, count=60)


def test_a_full_disk_is_told_and_nothing_is_lost(path: Path) -> None:
    with Notebook.open(path) as notebook:
        first = notebook.add(example())
        (pages,) = notebook._connection.execute("PRAGMA page_count").fetchone()
        notebook._connection.execute(f"PRAGMA max_page_count = {pages + 1}")
        with pytest.raises(OutputError, match="disk is full") as caught:
            notebook.add(example(notes="x" * 50_000))
        assert "make room" in caught.value.remedy
        assert notebook.get(first.number) == first
        notebook._connection.execute("PRAGMA max_page_count = 1000000")
        assert notebook.add(example(notes="x" * 50_000)).number == 2
        assert notebook.check() == []


def _limited(path: Path, size: int, code: str) -> subprocess.CompletedProcess[str]:
    """Run code in a program that may not make files larger than this, so that writes fail half-way."""
    return subprocess.run(
        [sys.executable, "-c", code, str(path)],
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (size, size)),
        capture_output=True,
        text=True,
        check=False,
    )


ADD_BIG = """
import signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
from wingtone.errors import OutputError
from wingtone.notebook.records import Record
from wingtone.notebook.store import Notebook
try:
    with Notebook.open(sys.argv[1]) as notebook:
        for i in range(1000):
            print(notebook.add(Record(notes=str(i) + "x" * 20_000)).number, flush=True)
except OutputError as error:
    print(error, file=sys.stderr)
"""


def test_a_write_that_fails_half_way_keeps_what_was_promised(path: Path) -> None:
    Notebook.open(path).close()
    done = _limited(path, 300_000, ADD_BIG)
    promised = [int(line) for line in done.stdout.split()]
    assert done.returncode == 0, done.stderr
    assert 0 < len(promised) < 1000
    assert "what was stored before is safe" in done.stderr or "what was there before is safe" in done.stderr
    with Notebook.open(path) as notebook:
        assert notebook.check() == []
        assert [notebook.get(number).record.notes.rstrip("x") for number in promised] == [
            str(i) for i in range(len(promised))
        ]


def _as_nobody(path: Path) -> list[str]:
    """Add and read in a process without rights on the folder (root may write anywhere); what came of it."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:  # only what is loaded already is used here
        said = []
        try:
            if os.geteuid() == 0:
                os.setgroups([])
                os.setgid(65534)
                os.setuid(65534)
            for write in (True, False):
                try:
                    with Notebook.open(path, write=write) as notebook:
                        said.append(str(notebook.add(example()).number if write else notebook.count()))
                except WingtoneError as error:
                    said.append(f"{type(error).__name__}: {error}")
            os.write(writer, "\n".join(said).encode())
        finally:
            os._exit(0)
    os.close(writer)
    with os.fdopen(reader) as answer:
        said = answer.read().splitlines()
    os.waitpid(child, 0)
    return said


@pytest.fixture
def open_to_all(tmp_path: Path) -> Path:
    """A folder that others may enter; pytest's own are private."""
    folder = tmp_path
    while folder != folder.parent and folder.stat().st_uid == os.geteuid():
        if folder.stat().st_mode & 0o055 != 0o055:
            folder.chmod(folder.stat().st_mode | 0o055)
        folder = folder.parent
    return tmp_path


def test_a_read_only_folder_is_told_and_can_still_be_read(open_to_all: Path) -> None:
    folder = open_to_all / "shelf"
    folder.mkdir()
    path = folder / "bees.sqlite"
    with Notebook.open(path) as notebook:
        notebook.add(example())
    path.chmod(0o444)
    folder.chmod(0o555)
    before = path.read_bytes()
    try:
        said = _as_nobody(path)
        missing = _as_nobody(folder / "new.sqlite")
    finally:
        folder.chmod(0o755)
    assert said[0].startswith("OutputError")
    assert "cannot be written here" in said[0]
    assert said[1:] == ["1"]
    assert missing[0].startswith("OutputError")
    assert "cannot be written here" in missing[0]
    assert path.read_bytes() == before
    assert [child.name for child in folder.iterdir()] == ["bees.sqlite"]


# --- damage --------------------------------------------------------------------------------------------


@pytest.fixture
def filled(path: Path) -> Path:
    """A notebook of 300 records with some history, closed and complete in one file."""
    with Notebook.open(path) as notebook:
        notes = [f"note {i} " + "x" * 500 * (i % 12) for i in range(300)]  # some go on to further pages
        notebook.add_imported(
            (f"key {i}", None, Record(taxon="Bombus hortorum", notes=note)) for i, note in enumerate(notes)
        )
        for number in range(1, 21):
            notebook.amend(number, status="decided")
        notebook.remove(25)
    assert not path.with_name(path.name + "-wal").exists()
    return path


def test_a_sound_notebook_has_no_faults(filled: Path) -> None:
    with Notebook.open(filled, write=False) as notebook:
        assert notebook.check() == []


def test_every_kind_of_damage_is_told_and_touches_nothing(filled: Path, tmp_path: Path) -> None:
    whole = filled.read_bytes()
    chance = random.Random(1)
    hurt = tmp_path / "hurt.sqlite"
    told = 0
    for kind in range(30):
        content = bytearray(whole)
        if kind % 3 == 0:  # cut off
            del content[chance.randrange(1, len(content)) :]
        elif kind % 3 == 1:  # a sector of noise
            at = chance.randrange(len(content) // 512) * 512
            content[at : at + 512] = chance.randbytes(512)
        else:  # one letter of a record
            at = whole.index(b"note %d " % chance.randrange(300))
            content[at] ^= 1
        hurt.write_bytes(content)
        faults: list[str] = []
        try:
            with Notebook.open(hurt, write=False) as notebook:
                faults = notebook.check()
                for _ in notebook.entries():
                    pass
        except InputError as error:
            faults.append(str(error))
        assert hurt.read_bytes() == bytes(content)
        told += bool(faults)
    assert told == 30


def test_a_changed_letter_is_found_when_the_record_is_read(filled: Path) -> None:
    content = bytearray(filled.read_bytes())
    content[content.index(b"note 77 ")] ^= 1
    filled.write_bytes(content)
    with Notebook.open(filled) as notebook:
        with pytest.raises(InputError, match="record 78 does not agree with its checksum") as caught:
            notebook.get(78)
        assert "rescue" in caught.value.remedy
        assert notebook.get(77).record.notes.startswith("note 76 ")
        assert notebook.check() == ["version 1 of record 78 does not agree with its checksum"]


def test_rescue_saves_all_of_a_sound_notebook(filled: Path, tmp_path: Path) -> None:
    before = filled.read_bytes()
    report = rescue(filled, tmp_path / "new.sqlite")
    assert (report.records, report.versions, report.older, report.unreadable) == (300, 321, (), 0)
    assert filled.read_bytes() == before
    with Notebook.open(filled) as old, Notebook.open(tmp_path / "new.sqlite") as new:
        assert new.check() == []
        for number in range(1, 301):
            assert new.get(number) == old.get(number)
            assert new.history(number) == old.history(number)


def test_rescue_saves_what_is_not_hit(filled: Path, tmp_path: Path) -> None:
    whole = filled.read_bytes()
    chance = random.Random(2)
    for attempt in range(5):
        content = bytearray(whole)
        # Spoil three of the pages of 4096 bytes, in the first round the head of the file among them.
        for page in [*chance.sample(range(1, len(content) // 4096), 3 if attempt else 2), 0][:3]:
            content[page * 4096 : (page + 1) * 4096] = chance.randbytes(4096)
        hurt = tmp_path / f"hurt{attempt}.sqlite"
        hurt.write_bytes(content)
        target = tmp_path / f"saved{attempt}.sqlite"
        report = rescue(hurt, target)
        # A page holds at most 40 short rows; a row on several pages is hit more easily.
        assert report.records >= 200, attempt
        assert hurt.read_bytes() == bytes(content)
        with Notebook.open(target) as saved, Notebook.open(filled) as old:
            assert saved.check() == []
            for entry in saved.entries():
                assert entry.record.notes == old.get(entry.number).record.notes
                assert entry.id == old.get(entry.number).id


def test_rescue_reads_what_a_killed_program_left_behind(path: Path, tmp_path: Path) -> None:
    notebook = Notebook.open(path)
    notebook.add(example())
    # The record is still in the write-ahead log beside the file: copy both, as a crash would leave them.
    left = tmp_path / "left.sqlite"
    for end in ("", "-wal"):
        shutil.copyfile(path.with_name(path.name + end), left.with_name(left.name + end))
    notebook.close()
    assert rescue(left, tmp_path / "saved.sqlite").records == 1


def test_rescue_falls_back_on_an_earlier_state(filled: Path, tmp_path: Path) -> None:
    connection = sqlite3.connect(filled)
    connection.execute("DROP TRIGGER history_stays")
    connection.execute("UPDATE history SET checksum = '' WHERE number = 3 AND version = 2")
    connection.commit()
    connection.close()
    report = rescue(filled, tmp_path / "saved.sqlite")
    assert (report.older, report.unreadable) == ((3,), 1)
    with Notebook.open(tmp_path / "saved.sqlite") as saved:
        assert (saved.get(3).version, saved.get(3).record.status) == (1, "hint")


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A notebook of three imported records, the second amended and the third removed."""
    path = tmp_path_factory.mktemp("small") / "bees.sqlite"
    with Notebook.open(path) as notebook:
        notebook.add_imported(
            ((f"key {i}", None, Record(taxon="Bombus hortorum", notes=f"bee {i}")) for i in (1, 2, 3)),
            by="Zoë",
        )
        notebook.amend(2, notes="bee 2 again", by="Zoë")
        notebook.remove(3)
    return path


@pytest.mark.parametrize("number", [1, 2])
def test_a_flipped_bit_beside_a_record_costs_no_record(small: Path, tmp_path: Path, number: int) -> None:
    whole = small.read_bytes()
    with Notebook.open(small, write=False) as notebook:
        entries = {n: notebook.get(n) for n in (1, 2, 3)}
        at = notebook.history(number)[0].at
    row = whole.index(f"{entries[number].id}{at}imported".encode())
    values = len(f"{entries[number].id}{at}importedZoë".encode())
    # Sizes, kinds and numbers in front; then some letters of id, moment, action and name.
    for byte in (*range(row - 14, row), *range(row, row + values, 7)):
        for bit in range(8) if byte < row else (0, 7):
            content = bytearray(whole)
            content[byte] ^= 1 << bit
            hurt, target = tmp_path / "hurt.sqlite", tmp_path / "saved.sqlite"
            hurt.write_bytes(content)
            target.unlink(missing_ok=True)
            report = rescue(hurt, target)
            with Notebook.open(target) as saved:
                assert saved.check() == []
                for other in {1, 2, 3} - {number}:
                    entry = saved.get(other)
                    assert (entry.id, entry.record) == (entries[other].id, entries[other].record)
                    assert entry.removed == (other == 3)
                kept = [*saved.entries(), *saved.entries(Filter(removed=True))]
                found = [state.record.notes for entry in kept for state in saved.history(entry.number)]
                if byte >= row:  # what the record says was not hit
                    assert (report.versions, report.unreadable) == (5, 0), (byte - row, bit)
                    assert f"bee {number}" in found


def test_damage_in_what_the_tables_are_called_costs_no_record(small: Path, tmp_path: Path) -> None:
    content = bytearray(small.read_bytes())
    content[content.index(b"tablehistoryhistory") + 6] = 0xFE  # no text begins so
    hurt, target = tmp_path / "hurt.sqlite", tmp_path / "saved.sqlite"
    hurt.write_bytes(content)
    report = rescue(hurt, target)
    assert (report.records, report.versions, report.unreadable) == (3, 5, 0)
    with Notebook.open(target) as saved:
        assert saved.check() == []


def test_after_a_rescue_a_table_is_not_imported_twice(small: Path, tmp_path: Path) -> None:
    content = bytearray(small.read_bytes())
    content[:100] = bytes(100)  # not even the head is needed for it
    hurt, target = tmp_path / "hurt.sqlite", tmp_path / "saved.sqlite"
    for source in (small.read_bytes(), bytes(content)):
        hurt.write_bytes(source)
        target.unlink(missing_ok=True)
        assert rescue(hurt, target).records == 3
        with Notebook.open(target) as saved:
            again = ((f"key {i}", None, Record(taxon="Bombus hortorum")) for i in (1, 2, 3, 4))
            assert saved.add_imported(again) == [None, None, None, 4]


def test_rescue_refuses_what_it_cannot_do(filled: Path, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no notebook here"):
        rescue(tmp_path / "none.sqlite", tmp_path / "new.sqlite")
    with pytest.raises(OutputError, match="exists already"):
        rescue(filled, filled)
    noise = tmp_path / "noise.sqlite"
    noise.write_bytes(b"no database at all\xff" * 1000)
    letter = tmp_path / "letter.sqlite"
    letter.write_bytes(b"no database at all" * 1000)
    blank = tmp_path / "blank.sqlite"
    Notebook.open(blank).close()
    empty = tmp_path / "empty.sqlite"
    empty.touch()
    for source in (noise, blank, empty):
        with pytest.raises(InputError, match="no record in it can be read"):
            rescue(source, tmp_path / "new.sqlite")
    with pytest.raises(InputError, match="is a text file, not a notebook"):
        rescue(letter, tmp_path / "new.sqlite")
    assert not (tmp_path / "new.sqlite").exists()
