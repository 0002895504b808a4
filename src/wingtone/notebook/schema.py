"""How a notebook file is laid out, and how an older layout becomes the present one.

A notebook is one SQLite file. ``record`` has one row a record with what lists are filtered by; ``history``
has every state each record ever had, whole, as JSON with its checksum. Rows of ``history`` are only ever
added: triggers refuse anything else, so an amendment or a removal cannot lose what was there before.

Changes of layout are ordered functions. Each runs in one transaction together with the row of
``migration`` that records it and the file's ``user_version``; when it fails, nothing of it has happened.
"""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Sequence

__all__ = ["ACTIONS", "APPLICATION_ID", "MIGRATIONS", "migrate", "now"]

APPLICATION_ID = 0x77744E42  # "wtNB": marks the file as ours, whatever its name

ACTIONS = ("added", "imported", "amended", "removed", "restored")

FIRST_LAYOUT = (
    """
    CREATE TABLE record (
        number        INTEGER PRIMARY KEY,          -- short name for people
        id            TEXT NOT NULL UNIQUE,         -- lasting name for programs, a UUID
        version       INTEGER NOT NULL,             -- the newest row of history
        removed       INTEGER NOT NULL CHECK (removed IN (0, 1)),
        source_key    TEXT UNIQUE,                  -- where it was imported from; NULL when added by hand
        first_day     TEXT,                         -- ISO days, NULL when not known
        last_day      TEXT,
        latitude_deg  REAL,
        longitude_deg REAL,
        place         TEXT NOT NULL,
        taxon         TEXT NOT NULL,
        caste         TEXT NOT NULL,
        status        TEXT NOT NULL CHECK (status IN ('hint', 'decided', 'confirmed', 'rejected')),
        recorder      TEXT NOT NULL,
        f0_hz         REAL
    ) STRICT
    """,
    """
    CREATE TABLE history (
        number   INTEGER NOT NULL REFERENCES record (number) DEFERRABLE INITIALLY DEFERRED,
        version  INTEGER NOT NULL CHECK (version >= 1),
        id       TEXT NOT NULL,                     -- the record's, again: a damaged file keeps it twice
        at       TEXT NOT NULL,                     -- UTC, ISO 8601
        action   TEXT NOT NULL,                     -- one of ACTIONS
        by       TEXT NOT NULL,
        body     TEXT NOT NULL,                     -- JSON, wingtone/record/1
        checksum TEXT NOT NULL,                     -- SHA-256 of body
        PRIMARY KEY (number, version)
    ) STRICT
    """,
    "CREATE INDEX record_by_day ON record (first_day)",
    "CREATE INDEX record_by_taxon ON record (taxon COLLATE NOCASE)",
    "CREATE INDEX record_by_latitude ON record (latitude_deg)",
    *(
        f"CREATE TRIGGER {name} BEFORE {event} BEGIN SELECT RAISE(ABORT, 'nothing is overwritten'); END"
        for name, event in (
            ("history_stays", "UPDATE ON history"),
            ("history_is_kept", "DELETE ON history"),
            ("record_is_kept", "DELETE ON record"),
        )
    ),
)


def _first_layout(connection: sqlite3.Connection) -> None:
    for statement in FIRST_LAYOUT:
        connection.execute(statement)


MIGRATIONS: tuple[tuple[str, Callable[[sqlite3.Connection], None]], ...] = (("first layout", _first_layout),)
"""Name and function, oldest first. The number of those applied is the file's ``user_version``."""


def migrate(
    connection: sqlite3.Connection,
    migrations: Sequence[tuple[str, Callable[[sqlite3.Connection], None]]] | None = None,
) -> None:
    """Apply what is pending of `MIGRATIONS`, each step with its own record in one transaction.

    Two programs may do this at once: the second waits and then finds nothing pending.
    """
    for level, (name, change) in enumerate(MIGRATIONS if migrations is None else migrations, start=1):
        connection.execute("BEGIN IMMEDIATE")
        try:
            (applied,) = connection.execute("PRAGMA user_version").fetchone()
            if applied < level:
                if level == 1:
                    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                    connection.execute(
                        "CREATE TABLE migration"
                        " (level INTEGER PRIMARY KEY, name TEXT NOT NULL, at TEXT NOT NULL) STRICT"
                    )
                change(connection)
                connection.execute("INSERT INTO migration VALUES (?, ?, ?)", (level, name, now()))
                connection.execute(f"PRAGMA user_version = {level}")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:  # a full disk ends it by itself
                connection.execute("ROLLBACK")
            raise


def now() -> str:
    """Return the present moment in UTC, ISO 8601 to the second."""
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
