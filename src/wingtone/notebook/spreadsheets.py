"""Text that is safe to open in a spreadsheet.

A spreadsheet runs a cell that begins with ``=``, ``+``, ``-``, ``@``, a tab or a carriage return as a formula
(common knowledge of the trade, no single source). An apostrophe in front makes it plain text.

- `safe_for_spreadsheets`, `from_spreadsheet`: put the apostrophe there, and take it off.
- `row_writer`: a writer of CSV rows that no cell can break.
"""

from __future__ import annotations

import csv
import re
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from typing import TextIO

__all__ = ["from_spreadsheet", "row_writer", "safe_for_spreadsheets"]


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
