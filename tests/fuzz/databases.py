"""Notebooks and manifests: SQLite files that were damaged, or written by somebody with intent.

- `notebook_bytes`, `manifest_bytes`: honest ones with a few records, made once a process.
- `hostile_database`: one that is damaged as a file, or holds what no program of ours wrote.
- `hostile_record`: a record whose texts break careless writers.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import json
import sqlite3
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fuzz.texts import FORMULAS, anything
from fuzz.torn import torn, with_nonsense

if TYPE_CHECKING:
    import random

    from wingtone.notebook.records import Record

__all__ = ["FOUND", "RECORDS", "hostile_database", "hostile_record", "manifest_bytes", "notebook_bytes"]

RECORDS = 6
FOUND = ("a.wav", "/somewhere/a.wav", "10-20", 10)
"""What the manifest knows: the fields of a `wingtone.survey.places.Found`."""


@functools.cache
def notebook_bytes() -> bytes:
    """Give a notebook with a few records, some amended, one removed."""
    from notebook.examples import example
    from wingtone.notebook.store import Notebook

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "notebook.sqlite")
        with Notebook.open(path) as opened:
            for i in range(RECORDS):
                opened.add(
                    example(notes=f"record {i}", taxon=("Bombus terrestris", "Bombus pascuorum")[i % 2])
                )
            opened.amend(1, notes="changed")
            opened.remove(2)
        with contextlib.closing(sqlite3.connect(path)) as plain:
            plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        return path.read_bytes()


@functools.cache
def manifest_bytes() -> bytes:
    """Give the manifest of a survey with one recording that was heard in two pieces."""
    from fuzz.recordings import honest_recordings
    from wingtone.survey import jobs
    from wingtone.survey.manifest import Manifest
    from wingtone.survey.places import Found
    from wingtone.survey.plan import pieces_for
    from wingtone.survey.settings import Settings

    settings, found = Settings(), Found(*FOUND)
    with tempfile.TemporaryDirectory() as folder:
        name = "bee 0_20260615_101500.wav"
        sound = Path(folder, name)
        sound.write_bytes(honest_recordings()[name])
        here = Found(name, str(sound), "10-20", 10)
        told = json.loads(json.dumps(jobs.look(here)))
        sha256 = told.pop("sha256")
        path = Path(folder, "manifest.sqlite")
        with Manifest(path) as manifest:
            manifest.add_look(found, sha256, told, program=settings.program)
            manifest.add_settings(settings.key, settings.text)
            for piece in pieces_for(told["facts"], settings):
                part = json.loads(json.dumps(jobs.hear(here, piece, settings)))
                part.pop("spent_s")
                manifest.add_part(
                    sha256, settings.key, piece.number, status="done", told=part, heard_s=2.0, spent_s=0.1
                )
        return path.read_bytes()


def hostile_database(data: bytes, draw: random.Random) -> bytes:
    """Damage a notebook or manifest: its bytes, or, with right checksums, what stands in it."""
    if draw.random() < 0.5:
        out = torn(data, draw)
        if draw.random() < 0.5 and len(out) > 200:  # deep inside, so that the heading still fits
            page = bytearray(data)
            for _ in range(draw.randrange(1, 30)):
                page[draw.randrange(100, len(page))] = draw.randrange(256)
            out = bytes(page)
        return out
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "changed.sqlite")
        path.write_bytes(data)
        with (
            contextlib.closing(sqlite3.connect(path, isolation_level=None)) as plain,
            contextlib.suppress(sqlite3.Error),
        ):
            for (name,) in plain.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
                plain.execute(f'DROP TRIGGER "{name}"')
            tables = {
                name for (name,) in plain.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")
            }
            if draw.random() < 0.2:
                plain.execute(draw.choice(STATEMENTS))
            elif "history" in tables:
                _change_body(plain, draw)
            else:
                _change_told(plain, draw)
        return path.read_bytes()


STATEMENTS = (
    "PRAGMA user_version = 99",
    "PRAGMA user_version = 0",
    "PRAGMA application_id = 1",
    "DROP TABLE record",
    "DROP TABLE history",
    "DROP TABLE part",
    "ALTER TABLE record RENAME TO gone",
    "ALTER TABLE history RENAME COLUMN body TO other",
    "CREATE TRIGGER t AFTER INSERT ON record BEGIN SELECT load_extension('evil'); END",
    "CREATE VIEW v AS SELECT * FROM record",
    "UPDATE record SET version = 77",
    "UPDATE record SET removed = 1",
    "UPDATE record SET first_day = 'x', place = CAST(zeroblob(4000000) AS TEXT)",
    "UPDATE record SET latitude_deg = 9e999, taxon = char(27) || '[2J'",
    "UPDATE history SET checksum = ''",
    "UPDATE history SET body = CAST(x'fffe' AS TEXT)",
    "DELETE FROM history",
    "UPDATE file SET told = 'x'",
    "UPDATE part SET told = '[]'",
    "UPDATE part SET status = 'x', piece = 99",
)


def _change_body(plain: sqlite3.Connection, draw: random.Random) -> None:
    rows = plain.execute("SELECT number, version, body FROM history").fetchall()
    number, version, body = draw.choice(rows)
    text = json.dumps(with_nonsense(json.loads(body), draw, times=draw.choice((1, 1, 2))), sort_keys=True)
    if draw.random() < 0.1:
        text = draw.choice(("", "[]", "null", "[" * 50_000, '{"schema": "wingtone/record/1"}', '"x"', "1"))
    digest = hashlib.sha256(text.encode()).hexdigest()
    plain.execute(
        "UPDATE history SET body = ?, checksum = ? WHERE number = ? AND version = ?",
        (text, digest, number, version),
    )


def _change_told(plain: sqlite3.Connection, draw: random.Random) -> None:
    table = draw.choice(("file", "part"))
    for (told,) in plain.execute(f"SELECT told FROM {table}").fetchall():
        changed = json.dumps(with_nonsense(json.loads(told), draw, times=draw.choice((1, 1, 2))))
        if draw.random() < 0.1:
            changed = draw.choice(("", "[]", "null", "[" * 50_000, "{}", "1"))
        plain.execute(f"UPDATE {table} SET told = ?", (changed,))


def hostile_record(draw: random.Random) -> Record:
    """Give a record that the notebook takes, with texts that spreadsheets, terminals and XML mind."""
    from notebook.examples import example

    def text() -> str:
        found = draw.choice((draw.choice(FORMULAS), anything(draw), "Bombus terrestris", ""))
        return found.replace("\ud800", "").replace("\udcff", "")[:1000]

    changes: dict[str, Any] = {
        name: text()
        for name in ("recorder", "taxon", "vernacular", "identified_by", "notes")
        if draw.random() < 0.6
    }
    changes["hints"] = {text() or "tail": text() for _ in range(draw.randrange(3))}
    changes["other"] = {text() or "more": text() for _ in range(draw.randrange(3))}
    changes["photographs"] = tuple(text() for _ in range(draw.randrange(3)))
    return example(**changes)
