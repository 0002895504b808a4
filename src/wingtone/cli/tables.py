"""Plain aligned text for a terminal of 80 columns or whatever it has.

- `columns`: rows under headings; the last column is wrapped to the width that is left.
- `paragraph`: wrapped text with a hanging indent.
- `bar`: a share as a row of marks.
- `width`: how wide the text may be.
- `tell`: a line on the terminal that the next one takes the place of.
- `csv_text`: rows as CSV.
"""

from __future__ import annotations

import io
import re
import shutil
import sys
import textwrap
from typing import TYPE_CHECKING, Any

import click

from wingtone.csv_text import row_writer
from wingtone.errors import one_line

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = ["bar", "columns", "csv_text", "paragraph", "tell", "width"]

GAP = "  "
UNIT = re.compile(r"(?<=\d) (?=%|Hz|mm|m/s|dB|kHz)")
KEPT = "\N{NO-BREAK SPACE}"


def width() -> int:
    """Columns to fill: those of the terminal, at least 40 and at most 100; 80 when there is none."""
    return min(max(shutil.get_terminal_size((80, 24)).columns, 40), 100)


def columns(rows: Sequence[Sequence[str]], *, align: str, headings: Sequence[str] = ()) -> list[str]:
    """Lay rows out in columns.

    Parameters
    ----------
    rows
        Cells as text, each row of the same length.
    align
        One letter a column: ``l`` or ``r``.
    headings
        Over the columns; none when empty. A column without any text is left out, heading and all.

    Returns
    -------
    list[str]
        Lines indented by two, without trailing blanks.
    """
    clean = [[one_line(cell) for cell in row] for row in rows]
    used = [i for i in range(len(align)) if any(row[i] for row in clean)]
    if not used:
        return []
    table = [[row[i] for i in used] for row in ([list(headings)] if headings else []) + clean]
    sides = [align[i] for i in used]
    widths = [max(len(row[i]) for row in table) for i in range(len(used))]
    left = len(GAP) + sum(widths[:-1]) + len(GAP) * (len(used) - 1)
    last = max(width() - left, 16)
    lines = []
    for row in table:
        fixed = [
            cell.rjust(size) if side == "r" else cell.ljust(size)
            for cell, size, side in zip(row[:-1], widths[:-1], sides[:-1], strict=True)
        ]
        if sides[-1] == "r":
            tail = [row[-1].rjust(widths[-1])]
        else:
            tail = textwrap.wrap(row[-1], last, break_on_hyphens=False) or [""]
        lines.append(GAP.join(["", *fixed, tail[0]]).rstrip())
        lines += [" " * left + more for more in tail[1:]]
    return lines


def paragraph(text: str, *, label: str = "", indent: int = 2) -> list[str]:
    """Wrap text to the width; later lines stand under the text, and a unit stays with its number."""
    head = " " * indent + label
    lines = textwrap.wrap(
        UNIT.sub(KEPT, one_line(text)),
        width(),
        initial_indent=head,
        subsequent_indent=" " * len(head),
        break_on_hyphens=False,
        break_long_words=False,
    )
    return [line.replace(KEPT, " ") for line in lines]


def bar(share: float, *, size: int = 20) -> str:
    """Draw a share of 0..1 as marks, at least one for anything that is not nothing."""
    return "#" * max(round(share * size), 1 if share > 0 else 0)


def tell(text: str) -> None:
    """Say on a terminal how far things are, in place of what was said before; nothing elsewhere.

    An empty text leaves the line as it was before anything was said.
    """
    if sys.stderr.isatty():
        click.echo(f"\r\x1b[2K{text[: width() - 1]}", nl=False, err=True)


def csv_text(rows: Iterable[Iterable[Any]]) -> str:
    """Write rows of RFC 4180 CSV, None as nothing; lines end as the terminal's do."""
    text = io.StringIO()
    row_writer(text).writerows(rows)
    return text.getvalue()
