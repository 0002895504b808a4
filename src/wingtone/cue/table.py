"""A CSV table that gains columns at its end while every byte it had stays as it is.

The usual way, reading with one library and writing with another, changes quotation marks, line ends and
blanks that somebody's other program may depend on. So the text is only cut where the rows end, and the new
cells are put in front of each line end.

Conventions
-----------
Line ends are CR LF, LF or CR, as they come; quoted cells may hold any of them. Empty lines are left alone.
Rows are padded with empty cells to the widest row, so that the new columns stand under their headings.
The encoding and its mark at the start of the file are kept.

- `read_table`: a file to a `Table`.
- `Table.extended`: its bytes, with columns added.
"""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from wingtone.csv_text import check_headings, encoding_of, safe_for_spreadsheets, separator_in
from wingtone.errors import Fault, TableError

if TYPE_CHECKING:
    import os
    from collections.abc import Sequence

__all__ = ["Line", "Table", "read_table", "split"]

MOST_OF_HEADING = 1_000_000
"""How many letters are looked at to tell what stands between the cells. Ours: no heading is so long."""


@dataclass(frozen=True)
class Line:
    """One row of a table.

    ``number`` is the line of the file it begins on, from 1; ``end`` the place in the text where its last
    cell ends. An empty line has no cells.
    """

    number: int
    cells: tuple[str, ...]
    end: int


@dataclass(frozen=True)
class Table:
    """A table as it was read.

    Attributes
    ----------
    path
        Where it was read.
    head
        Bytes in front of the text: the mark of the encoding, or nothing.
    text, encoding, errors
        All of its text; ``text.encode(encoding, errors)`` after ``head`` gives the file again.
    separator
        Between the cells.
    headings
        The first row that is not empty, without the blanks around each; `headings_line` is where it stands.
        A line such as ``sep=;``, by which spreadsheets name the separator, is none.
    rows
        The rows below it that are not empty.
    width
        Cells of the widest row.
    """

    path: Path
    head: bytes
    text: str
    encoding: str
    errors: str
    separator: str
    headings: tuple[str, ...]
    headings_line: Line
    rows: tuple[Line, ...]
    width: int

    def extended(self, headings: Sequence[str], cells: Sequence[Sequence[str]]) -> bytes:
        """Give the bytes of the table with columns added after its last.

        Parameters
        ----------
        headings
            Of the new columns; one that the table has already gets a number at its end.
        cells
            For each of `rows` one cell a new column. What a spreadsheet would run is made harmless.
        """
        parts, done = [], 0
        added = (self.free_headings(headings), *cells)
        for line, new in zip((self.headings_line, *self.rows), added, strict=True):
            padding = [""] * (self.width - len(line.cells))
            written = [*padding, *(_written(cell, self.separator, self.encoding) for cell in new)]
            parts += [self.text[done : line.end], self.separator + self.separator.join(written)]
            done = line.end
        text = "".join([*parts, self.text[done:]])
        return self.head + text.encode(self.encoding, self.errors)

    def free_headings(self, headings: Sequence[str]) -> list[str]:
        """Give the headings the new columns get: those that are taken with ``_2``, ``_3``, ... at the end."""
        taken = {heading.casefold() for heading in self.headings}
        free = []
        for heading in headings:
            name, number = heading, 1
            while name.casefold() in taken:
                number += 1
                name = f"{heading}_{number}"
            taken.add(name.casefold())
            free.append(name)
        return free


def _written(cell: str, separator: str, encoding: str) -> str:
    """Write one of our own cells; letters that the table's encoding lacks become question marks."""
    cell = safe_for_spreadsheets(cell).encode(encoding, "replace").decode(encoding)
    if any(mark in cell for mark in (separator, '"', "\r", "\n")):
        return '"' + cell.replace('"', '""') + '"'
    return cell


def read_table(path: str | os.PathLike[str]) -> Table:
    """Read a table in UTF-8, UTF-16 or Windows-1252, with commas, semicolons or tabs between the cells.

    Raises
    ------
    InputError
        There is no table to read, or it has no heading.
    TableError
        A quotation mark is opened and never closed, or two columns have the same heading.
    """
    path = Path(path)
    found = encoding_of(path)
    data = path.read_bytes()
    encoding, errors, head = found, "surrogateescape", b""
    if found == "utf-16":
        encoding, errors, head = f"utf-16-{'le' if data[0] == 0xFF else 'be'}", "surrogatepass", data[:2]
    elif data.startswith(b"\xef\xbb\xbf"):
        head = data[:3]
    if found == "utf-8-sig":
        encoding = "utf-8"
    text = data[len(head) :].decode(encoding, errors)
    separator, n_skipped = separator_in(io.StringIO(text[:MOST_OF_HEADING], newline=""))
    lines, open_from = split(text, separator)
    if open_from:
        what = "a quotation mark is opened here and never closed"
        raise TableError([Fault(str(path), open_from, "", what)], remedy="mend it in the table", where=path)
    rows = [line for line in lines if line.cells][n_skipped:]  # the line that only names the separator
    headings = tuple(heading.strip() for heading in rows[0].cells) if rows else ()
    check_headings(headings, path, line=rows[0].number if rows else 1)
    width = max(len(row.cells) for row in rows)
    return Table(path, head, text, encoding, errors, separator, headings, rows[0], tuple(rows[1:]), width)


def split(text: str, separator: str) -> tuple[list[Line], int]:
    """Cut a text into rows and cells, as Python's `csv.reader` does.

    Returns
    -------
    lines, open_from
        ``open_from`` is the line with a quotation mark that is never closed, or 0.
    """
    mark = re.escape(separator)
    cell = re.compile(rf'"([^"]*(?:""[^"]*)*)("?)([^{mark}\r\n]*)|([^{mark}\r\n]*)')
    line_end = re.compile(r"\r\n|\r|\n")
    lines: list[Line] = []
    cells: list[str] = []
    place, number, begins_on = 0, 1, 1
    while place < len(text):
        match = cell.match(text, place)
        assert match is not None  # the second half matches nothing at all
        if match[1] is None:
            cells.append(match[4])
        else:
            if not match[2]:
                return lines, number
            cells.append(match[1].replace('""', '"') + match[3])
            number += len(line_end.findall(match[1]))
        place = match.end()
        if text[place : place + 1] == separator:
            place += 1
            if place < len(text):
                continue
            cells.append("")  # the text ends with a separator
        end = line_end.match(text, place)
        empty = cells == [""] and match[1] is None
        lines.append(Line(begins_on, () if empty else tuple(cells), place))
        cells = []
        place = end.end() if end else place
        number += 1
        begins_on = number
    return lines, 0
