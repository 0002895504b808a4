"""Reading one table of a fauna, with every fault collected rather than the first one raised.

The file may come from anybody, so its size, its cells and the number of reported faults are bounded.

Public: `Row`, `read_table`, `MAX_FILE_BYTES`, `MAX_CELL_CHARACTERS`, `MAX_FAULTS`.
"""

from __future__ import annotations

import io
import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from wingtone.csv_text import numbered_rows
from wingtone.errors import Fault, InputError, TableError
from wingtone.files import what_is

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from wingtone.fauna.schema import Column, Table

__all__ = ["MAX_CELL_CHARACTERS", "MAX_FAULTS", "MAX_FILE_BYTES", "Row", "read_bytes", "read_table"]

MAX_FILE_BYTES = 5_000_000
"""Ours: the shipped tables are below 1 MB each; more is not a fauna."""
MAX_CELL_CHARACTERS = 2_000
"""Ours: about a page of text, far above any sensible cell."""
MAX_FAULTS = 1_000
"""Ours: faults told of one table; after that one line says that there are more."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)


@dataclass(frozen=True)
class Row:
    """One row of a table.

    Attributes
    ----------
    file, line
        File name, and the line on which the row starts (the heading is line 1).
    cells
        Text of each cell by column heading, stripped.
    bad
        Columns whose cell has been told as a fault already; as numbers they are NaN.
    """

    file: str
    line: int
    cells: Mapping[str, str]
    bad: frozenset[str] = frozenset()

    def text(self, column: str) -> str:
        """Text of a cell; empty when the cell is empty."""
        return self.cells[column]

    def number(self, column: str) -> float:
        """Give the number in a cell; NaN when it is empty or faulty."""
        text = self.cells[column]
        return float(text) if text and column not in self.bad else math.nan

    def items(self, column: str) -> tuple[str, ...]:
        """Parts of a semicolon-separated cell; empty when the cell is empty."""
        return tuple(part.strip() for part in self.cells[column].split(";") if part.strip())

    def fault(self, column: str, what: str) -> Fault:
        """Make a fault of this row."""
        return Fault(self.file, self.line, column, what)


def read_bytes(path: Path, limit: int) -> bytes | Fault:
    """Read a whole small file, or say why it cannot be read. Never reads more than `limit` + 1 bytes."""
    try:
        kind = what_is(path)
        if kind == "nothing":
            return Fault(path.name, 0, "", "is missing")
        if kind != "file":
            return Fault(path.name, 0, "", "is not a regular file")
        with path.open("rb") as file:
            data = file.read(limit + 1)
    except InputError as error:
        return Fault(path.name, 0, "", error.what)
    except OSError as error:
        return Fault(path.name, 0, "", f"cannot be read: {error.strerror or error}")
    if len(data) > limit:
        return Fault(path.name, 0, "", f"is larger than {limit:,} bytes")
    return data


def read_table(path: Path, table: Table) -> tuple[tuple[Row, ...], tuple[Fault, ...]]:
    """Read a table and check each cell on its own.

    Parameters
    ----------
    path
        The CSV file.
    table
        What it should hold.

    Returns
    -------
    rows
        All rows with the right number of cells, also those with faulty cells (see `Row.bad`).
    faults
        In line order; empty when all is well. Rules that span rows or tables are not checked here, except
        that no two rows may have the same key.
    """
    data = read_bytes(path, MAX_FILE_BYTES)
    if isinstance(data, Fault):
        missing_is_fine = not table.required and data.what == "is missing"
        return (), () if missing_is_fine else (data,)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        return (), (Fault(path.name, line, "", "is not UTF-8 text; save the table as UTF-8"),)
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        return (), (Fault(path.name, line, "", "holds a NUL character"),)
    rows: list[Row] = []
    faults: list[Fault] = []
    for item in _rows(text, path.name, table):
        if isinstance(item, Fault):
            faults.append(item)
        else:
            rows.append(item)
        if len(faults) >= MAX_FAULTS:
            faults.append(
                Fault(path.name, faults[-1].line, "", "too many faults; the rest of the table was not read")
            )
            break
    return tuple(rows), tuple(faults)


def _rows(text: str, file: str, table: Table) -> Iterable[Row | Fault]:
    """Give rows and faults as they are met."""
    records = numbered_rows(io.StringIO(text, newline=""), file)
    seen: dict[tuple[str, ...], int] = {}
    names: list[str] | None = None
    while True:
        try:
            start, record = next(records, (0, None))
        except TableError as error:
            yield from error.faults
            return
        if record is None:
            break
        if names is None:
            names = [name.strip() for name in record]
            faults = list(_heading_faults(names, file, table))
            yield from faults
            if faults:
                return
            continue
        if not any(cell.strip() for cell in record):
            continue
        if len(record) != len(names):
            yield Fault(file, start, "", f"has {len(record)} cells where the heading has {len(names)}")
            continue
        cells = dict(zip(names, (cell.strip() for cell in record), strict=True))
        bad = set()
        for column in table.columns:
            what = _cell_fault(cells[column.name], column)
            if what:
                bad.add(column.name)
                yield Fault(file, start, column.name, what)
        key = tuple(cells[name] for name in table.key)
        if key in seen:
            yield Fault(
                file,
                start,
                table.key[-1],
                f"repeats line {seen[key]} ({', '.join(part or '-' for part in key)})",
            )
            continue
        if len(seen) == table.max_rows:
            yield Fault(
                file, start, "", f"there are more than {table.max_rows:,} rows; the rest was not read"
            )
            return
        seen[key] = start
        yield Row(file, start, cells, frozenset(bad))
    if names is None:
        yield Fault(file, 0, "", "is empty")


def _heading_faults(names: list[str], file: str, table: Table) -> Iterable[Fault]:
    wanted = [column.name for column in table.columns]
    if len(names) == 1 and any(mark in names[0] for mark in ";\t"):
        yield Fault(file, 1, "", "the heading is not separated by commas; save the table with commas")
        return
    for name in wanted:
        if names.count(name) != 1:
            yield Fault(
                file, 1, name, "this column is missing" if name not in names else "this column stands twice"
            )
    for name in names:
        if name not in wanted:
            yield Fault(file, 1, name[:80], f"no such column here; the columns are {', '.join(wanted)}")


def _cell_fault(text: str, column: Column) -> str:
    """Say what is wrong with one cell; empty when nothing is."""
    if len(text) > MAX_CELL_CHARACTERS:
        return f"holds {len(text):,} characters; {MAX_CELL_CHARACTERS:,} is the most"
    if not text.isprintable():
        return "holds a line break or an unprintable character"
    if not text:
        return "is empty" if column.required else ""
    if column.kind == "number":
        if not _NUMBER.fullmatch(text) or not math.isfinite(float(text)):
            return f"{text[:40]!r} is not a number"
        if not column.low <= float(text) <= column.high:
            return (
                f"{text[:40]} is outside {column.low:g} to {column.high:g}"
                if math.isfinite(column.high)
                else (f"{text[:40]} is below {column.low:g}")
            )
    if column.choices and text not in column.choices:
        return f"{text[:80]!r} is not one of: {', '.join(column.choices)}"
    return ""
