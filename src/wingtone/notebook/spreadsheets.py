"""Text that is safe to open in a spreadsheet.

A spreadsheet runs a cell that begins with ``=``, ``+``, ``-``, ``@``, a tab or a carriage return as a formula
(common knowledge of the trade, no single source). An apostrophe in front makes it plain text.

- `safe_for_spreadsheets`, `from_spreadsheet`: put the apostrophe there, and take it off.
"""

from __future__ import annotations

import re

__all__ = ["from_spreadsheet", "safe_for_spreadsheets"]


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
