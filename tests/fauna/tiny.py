"""A made-up fauna of two bees on one island, small enough to read at a glance. Invented, for tests only."""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING

from wingtone.fauna.schema import TABLES, TONE_PARAMETERS

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

FACTS = """\
id = "pebble_island"
title = "Two bees of Pebble Island"
version = "1"
licence = "CC0"
latitude_deg = 60
"""

_TONE = (155, 4, -1, 0.5, 0.1, 0.1, 0.05, 0.01, 20, 0, 15)
CELLS: dict[str, list[tuple[object, ...]]] = {
    "regions": [
        ("shore", "the shore", "all", 59, 61, -3, -1, 0.1, 1, 80),
        ("hill", "the hill", "all", 59, 61, -1, 0, 0.1, 1, 20),
    ],
    "taxa": [
        ("Bombus lapillus", "Pebble bee", "social", "species", "queen; worker; male", "resident", ""),
        ("Musca apiformis", "False bee", "not a bumblebee", "species", "adult", "resident", "A fly."),
        ("Bombus amissus", "Lost bee", "not a candidate", "species", "", "extinct", ""),
    ],
    "synonyms": [("Bombus petrosus", "Bombus lapillus")],
    "aggregates": [("Bombus agg.", "Any of them", "Bombus lapillus; Bombus amissus", "worker", "too alike")],
    "abundance": [
        ("Bombus lapillus", "shore", 10),
        ("Musca apiformis", "shore", 2),
        ("Musca apiformis", "hill", 5),
    ],
    "season": [
        ("Bombus lapillus", "queen", "spring", 10, 12, 20, 24, 1, 0.2, 0.5, 0.5),
        ("Bombus lapillus", "worker", "main", 20, 24, 34, 40, 1, 1, 0.5, -0.5),
        ("Bombus lapillus", "male", "main", 26, 28, 34, 40, 1, 0.5, 0, 0),
        ("Musca apiformis", "adult", "main", 15, 18, 30, 36, 2, 1, 0, 0),
    ],
    "size": [
        ("Bombus lapillus", "queen", 5.5, 0.3, 12, 18, 21, 16),
        ("Bombus lapillus", "worker", 3.8, 0.4, 40, 11, 14, ""),
        ("Bombus lapillus", "male", 4.4, 0.5, "", 13, 15, ""),
        ("Musca apiformis", "adult", 3.0, 0.3, "", 9, 12, ""),
    ],
    "tone": [
        ("Musca apiformis", "adult", "hovering", 180, 20, 0.75),
        ("Musca apiformis", "adult", "dashing", 140, 20, 0.25),
    ],
    "tone_model": [(name, value, 0.1, "1") for name, value in zip(TONE_PARAMETERS, _TONE, strict=True)],
    "characters": [
        ("tail", "white", 1, 0.1, "buff", "", "What colour is the tail?", 1),
        ("tail", "buff", 2, 0.3, "white", "white", "", 1),
        ("tail", "black", 3, 0.1, "", "", "", 1),
        ("size", "small", 1, "", "", "", "How big?", 1),
        ("size", "large", 2, "", "", "", "", 1),
    ],
    "forms": [("Bombus lapillus", "queen", "black form", 0.25, "all black")],
    "appearance": [
        ("not a bumblebee", "any", "", "tail", "black", 1),
        ("Bombus lapillus", "any", "", "tail", "white", 0.6),
        ("Bombus lapillus", "any", "", "tail", "buff", 0.4),
        ("Bombus lapillus", "male", "", "tail", "white", 1),
        ("Bombus lapillus", "any", "black form", "tail", "black", 1),
    ],
    "lookalikes": [("Bombus lapillus", "any", "Musca apiformis", "Four wings.")],
    "habits": [("Bombus lapillus", "nest", "under pebbles")],
}
COMMON = ("made up for tests", "memory", "")


def write_fauna(
    folder: Path, *, tables: dict[str, str] | None = None, leave_out: tuple[str, ...] = ()
) -> Path:
    """Write the fauna; ``tables`` puts other text in place of a file, by file name."""
    folder.mkdir(parents=True, exist_ok=True)
    texts = {"fauna.toml": FACTS, **{f"{name}.csv": table_text(name) for name in TABLES}, **(tables or {})}
    for name, text in texts.items():
        if name not in leave_out:
            (folder / name).write_bytes(text.encode("utf-8", "surrogateescape"))
    return folder


def table_text(name: str, *, rows: Sequence[Sequence[object]] | None = None) -> str:
    """Text of one table; ``rows`` are the own columns, the common ones are added."""
    lines: list[str] = []
    writer = csv.writer(_Lines(lines), lineterminator="\n")
    writer.writerow([column.name for column in TABLES[name].columns])
    writer.writerows([(*row, *COMMON) for row in (CELLS[name] if rows is None else rows)])
    return "".join(lines)


def change(name: str, line: int, column: str, value: object) -> str:
    """Text of one table with one cell changed; the heading is line 1."""
    rows = [[*row, *COMMON] for row in CELLS[name]]
    rows[line - 2][[each.name for each in TABLES[name].columns].index(column)] = value
    lines: list[str] = []
    writer = csv.writer(_Lines(lines), lineterminator="\n")
    writer.writerow([each.name for each in TABLES[name].columns])
    writer.writerows(rows)
    return "".join(lines)


class _Lines:
    """What `csv.writer` needs of a file."""

    def __init__(self, lines: list[str]) -> None:
        self.lines = lines

    def write(self, text: str) -> None:
        self.lines.append(text)
