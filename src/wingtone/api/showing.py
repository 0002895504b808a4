"""Tables of columns, and what a value shows of itself in a notebook.

- `columns_of`: rows to columns.
- `shown`: lines of text.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["columns_of", "shown"]

MOST_LINES = 20
"""Lines that a value shows of itself; the rest is counted."""


def columns_of(rows: list[dict[str, Any]], names: Sequence[str]) -> dict[str, list[Any]]:
    """Turn rows into columns, name to values."""
    return {name: [row[name] for row in rows] for name in names}


def shown(head: str, lines: Sequence[str]) -> str:
    """Put lines under a head, `MOST_LINES` at most; the rest is counted."""
    told = [f"  {line}" for line in lines[:MOST_LINES]]
    if len(lines) > MOST_LINES:
        told.append(f"  ... and {len(lines) - MOST_LINES} more")
    return "\n".join([head, *told])
