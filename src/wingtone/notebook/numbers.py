"""Numbers read from JSON that somebody else may have written.

- `is_number`: a finite one of a size that we deal in.
- `is_known`: that, or None for what is not known.
"""

from __future__ import annotations

from typing import Any

__all__ = ["is_known", "is_number"]

LARGEST = 1e12
"""No number of ours is larger: metres, hertz, seconds, decibels, bits a second."""


def is_number(value: Any) -> bool:
    """Whether it is a number; NaN, an infinite one and a truth value are none."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return abs(value) < LARGEST


def is_known(value: Any) -> bool:
    """Whether it is a number, or None for one that is not known."""
    return value is None or is_number(value)
