"""Tables as text, CSV by RFC 4180: from a file to numbered rows of cells, and cells that are safe to open.

The rooms that read tables ask different things of headings and cells, so each checks its own.

- `encoding_of`: how the letters of a file are coded.
- `separator_of`, `separator_in`: what stands between the cells, by a line and of a file.
- `numbered_rows`: rows of cells, each with the line that it begins on.
- `rows_of_file`: all of this for a whole file.
- `check_headings`: refuse a table without headings, or with one that stands there twice.
- `safe_for_spreadsheets`, `from_spreadsheet`: a spreadsheet runs a cell that begins with ``=``, ``+``,
  ``-``, ``@``, a tab or a carriage return as a formula (common knowledge of the trade, no single source). An
  apostrophe in front makes it plain text: put it there, and take it off.
- `row_writer`: a writer of CSV rows that no cell can break.
"""

from __future__ import annotations

import codecs
import contextlib
import csv
import re
from typing import TYPE_CHECKING, Any

from wingtone.errors import Fault, InputError, TableError
from wingtone.files import check_file

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from pathlib import Path
    from typing import TextIO

__all__ = [
    "check_headings",
    "encoding_of",
    "from_spreadsheet",
    "numbered_rows",
    "row_writer",
    "rows_of_file",
    "safe_for_spreadsheets",
    "separator_in",
    "separator_of",
]

MOST_BYTES = 500_000_000
"""Largest table taken, ours: two million rows; a mistaken file is refused before it fills the memory."""


_LONGEST_LINE = 100_000
_SAID_SEPARATOR = re.compile(r"\s*\"?sep=([,;\t|])\"?[,;\t\s]*", re.IGNORECASE)
"""How much of a line is looked at for its separator, ours; and how spreadsheets say it (memory)."""

LONGEST_CELL = 10_000_000
"""Longest cell taken, in characters. Ours: Python's own limit, 131 072, is reached by a record of ours with
1100 bouts in its recording; this holds 80 000, more than a day of bees, in 40 MB while it is read."""


def encoding_of(path: Path) -> str:
    """Find out how the letters of a table are coded, without keeping it in memory.

    Returns ``utf-16``, ``utf-8-sig`` or ``cp1252``.

    Raises
    ------
    InputError
        The file cannot be read, is too large, or is no text.
    """
    check_file(path, remedy="give a CSV file")
    try:
        if path.stat().st_size > MOST_BYTES:
            raise InputError("this table is too large", remedy="split it", where=path)
        with path.open("rb") as file:
            start = file.read(4)
            if start == b"PK\x03\x04":
                what = "this is an archive or a spreadsheet, not a table"
                remedy = "unpack it and import the table in it; save a spreadsheet as CSV"
                raise InputError(what, remedy=remedy, where=path)
            marked = start[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
            for encoding in ("utf-16",) if marked else ("utf-8-sig", "cp1252"):
                file.seek(0)
                decoder = codecs.getincrementaldecoder(encoding)()
                with contextlib.suppress(UnicodeDecodeError):
                    while block := file.read(1 << 20):
                        decoder.decode(block)
                    decoder.decode(b"", final=True)
                    return encoding
    except OSError as error:
        remedy = "give a CSV file"
        raise InputError(f"cannot be read: {error.strerror}", remedy=remedy, where=path) from error
    raise InputError("this is not a table of text", remedy="save it as CSV in UTF-8", where=path)


def separator_of(first_line: str) -> str:
    """Give the comma, semicolon or tab that stands most often in a line; the comma where none does."""
    return max(",;\t", key=first_line.count)


def separator_in(file: TextIO) -> tuple[str, int]:
    """Tell what stands between the cells of an open table, and leave it at its first row.

    A first line such as ``sep=;`` is no row: some spreadsheets write it, and read it, as the separator.

    Returns
    -------
    separator, n_lines
        The separator, and how many lines were read over.
    """
    first = file.readline(_LONGEST_LINE)
    if said := _SAID_SEPARATOR.fullmatch(first):
        return said[1], 1
    while first and not first.strip():
        first = file.readline(_LONGEST_LINE)
    file.seek(0)
    return separator_of(first), 0


def numbered_rows(
    lines: Iterable[str], file: str, *, separator: str = ",", strict: bool = True, first_line: int = 1
) -> Iterator[tuple[int, list[str]]]:
    """Cut lines into cells; blank lines give rows without cells.

    Parameters
    ----------
    lines
        Lines with their ends, as from a file opened with ``newline=""``.
    file
        What a fault calls the table.
    separator
        What stands between the cells.
    strict
        Whether text behind the closing quotation mark of a cell is a fault. In a row that goes over several
        lines it always is, as is a mark that is never closed: either may have swallowed rows.
    first_line
        The number of the first of these lines in the file.

    Yields
    ------
    line, cells
        The line on which the row begins, and its cells.

    Raises
    ------
    TableError
        At the row that cannot be cut, after all rows before it.
    """
    csv.field_size_limit(max(csv.field_size_limit(), LONGEST_CELL))  # one limit for all, never lowered here
    source = _Lines(lines)
    reader = csv.reader(source, delimiter=separator, strict=strict)
    while True:
        line = reader.line_num + first_line
        source.of_row.clear()
        cells: list[str] | None = None
        try:
            cells = next(reader, None)
            if cells is None:
                return
            if source.ended or len(source.of_row) > 1:
                list(csv.reader(source.of_row, delimiter=separator, strict=True))
        except csv.Error as error:
            why = str(error)
            if source.ended:  # the last cell is the open one; the others may have had lines of their own
                line += sum(len(_LINE_END.findall(cell)) for cell in (cells or [])[:-1])
                why = "a quotation mark is opened here and never closed"
            elif cells is not None:
                why = "a quotation mark is opened in this row and not closed in it"
            raise TableError([Fault(file, line, "", f"is not a readable table: {why}")]) from error
        yield line, cells


def rows_of_file(path: Path, *, with_points: bool = False) -> Iterator[tuple[int, list[str]]]:
    """Cut the table of a file into cells, rows without any left out, see `numbered_rows`.

    Parameters
    ----------
    with_points
        Whether to write a number such as ``1,5`` with a point, where commas do not separate the cells: there
        it is what many spreadsheets write, and elsewhere it may be one thousand and something.

    Raises
    ------
    InputError
        See `encoding_of`.
    TableError
        See `numbered_rows`.
    """
    with path.open(encoding=encoding_of(path), newline="") as file:
        separator, n_lines = separator_in(file)
        with_points = with_points and separator != ","
        for line, cells in numbered_rows(file, str(path), separator=separator, first_line=1 + n_lines):
            if any(cell.strip() for cell in cells):
                yield line, [_with_point(cell) for cell in cells] if with_points else cells


def _with_point(cell: str) -> str:
    return cell.replace(",", ".") if re.fullmatch(r"\s*[+-]?\d+,\d+\s*", cell, re.ASCII) else cell


_LINE_END = re.compile(r"\r\n|\r|\n")


class _Lines:
    """Lines on their way to a reader, which asks for more than one a row only within quotation marks."""

    def __init__(self, lines: Iterable[str]) -> None:
        self._lines = iter(lines)
        self.of_row: list[str] = []
        self.ended = False

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        for line in self._lines:
            self.of_row.append(line)
            return line
        self.ended = True
        raise StopIteration


def check_headings(headings: Sequence[str], path: Path, *, line: int = 1) -> None:
    """Refuse a table that has no headings, or one of them twice.

    Raises
    ------
    InputError
        All headings are empty.
    TableError
        Some stand there twice.
    """
    if not any(headings):
        raise InputError("there is no heading in this table", remedy="name its columns in line 1", where=path)
    twice = sorted({heading for heading in headings if heading and headings.count(heading) > 1})
    if twice:
        faults = [Fault(str(path), line, heading, "this heading stands there twice") for heading in twice]
        raise TableError(faults, remedy="give each column its own heading", where=path)


def safe_for_spreadsheets(text: str) -> str:
    """Mark text that a spreadsheet would take for a formula with an apostrophe in front.

    A text that begins with an apostrophe before such a beginning gets one more, so that
    `from_spreadsheet` always undoes this. Plain numbers stay as they are.
    """
    if re.match(r"'*[=+\-@\t\r]", text) and not re.fullmatch(r"[+-]?\d+(\.\d+)?", text):
        return "'" + text
    return text


def from_spreadsheet(text: str) -> str:
    """Undo `safe_for_spreadsheets`."""
    return text[1:] if re.match(r"''*[=+\-@\t\r]", text) else text


def row_writer(file: TextIO) -> Any:
    """Give a `csv.writer` whose rows end in a line feed.

    Python before 3.13 quotes only those ends of lines that its rows end in: a lone carriage return in a cell,
    such as the name of a file, would end the row. So it writes rows that end in both, and one is taken off.
    """
    return csv.writer(_Rows(file), lineterminator="\r\n")


class _Rows:
    """Takes whole rows."""

    def __init__(self, file: TextIO) -> None:
        self._file = file

    def write(self, row: str) -> int:
        return self._file.write(row.removesuffix("\r\n") + "\n")
