"""Dates as people write them and as people say them.

Functions
---------
parse_date  a date as written, or a refusal that says what to write
week_words  "the second week of March"
"""

from __future__ import annotations

import datetime as dt
import re

from wingtone.errors import DateError

__all__ = ["parse_date", "week_words"]

_MONTHS = (
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
)
_ORDINALS = ("first", "second", "third", "fourth", "last")
_REMEDY = "write it as 2026-03-20, 20/03/2026 (day first) or 20 March 2026"
_YEARS = (1800, 2199)
"""Ours: no bee was recorded by its sound before; later years are slips."""


def _month(word: str) -> int | None:
    name = word.lower()
    hits = [number for number, month in enumerate(_MONTHS, 1) if month.startswith(name) and len(name) >= 3]
    if name == "sept":
        hits = [9]
    return hits[0] if len(hits) == 1 else None


def _fields(text: str) -> tuple[int, int, int] | None:
    """Year, month and day as written, or None when the form is not known."""
    if found := re.fullmatch(r"(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ].*)?", text, re.ASCII):
        year, month, day = (int(part) for part in found.groups())
        return year, month, day
    if found := re.fullmatch(r"(\d{4})(\d{2})(\d{2})", text, re.ASCII):
        year, month, day = (int(part) for part in found.groups())
        return year, month, day
    if found := re.fullmatch(r"(\d{1,2})\s*[/.-]\s*(\d{1,2})\s*[/.-]\s*(\d{4})", text, re.ASCII):
        day, month, year = (int(part) for part in found.groups())
        return year, month, day
    if found := re.fullmatch(r"(\d{1,2})(?:st|nd|rd|th)?[\s-]+(?:of\s+)?([A-Za-z]+)\.?,?[\s-]+(\d{4})", text):
        number = _month(found[2])
        return None if number is None else (int(found[3]), number, int(found[1]))
    if found := re.fullmatch(r"([A-Za-z]+)\.?\s+(\d{1,2})(?:st|nd|rd|th)?,?\s+(\d{4})", text):
        number = _month(found[1])
        return None if number is None else (int(found[3]), number, int(found[2]))
    return None


def parse_date(text: str) -> dt.date:
    """Read a date: ``2026-03-20``, ``20260320``, ``20/03/2026`` (day first), ``20 March 2026``.

    A time after an ISO date is ignored. The day is always needed: a month alone is too wide for the
    season and is refused with that reason, as leaving the date out says the same more honestly.

    Raises
    ------
    DateError
        Not one of these forms, a day that does not exist, or a year outside 1800-2199.
    """
    stripped = text.strip()[:64]
    fields = _fields(stripped)
    if fields is None:
        raise DateError(f"{stripped!r} is not a date we can read", remedy=_REMEDY, where="date")
    year, month, day = fields
    if not _YEARS[0] <= year <= _YEARS[1]:
        raise DateError(
            f"the year of {stripped!r} is outside {_YEARS[0]}-{_YEARS[1]}", remedy=_REMEDY, where="date"
        )
    try:
        return dt.date(year, month, day)
    except ValueError:
        hint = "the day comes first in 20/03/2026" if 12 < month <= 31 and day <= 12 else _REMEDY
        raise DateError(f"there is no such day as {stripped!r}", remedy=hint, where="date") from None


def week_words(date: dt.date) -> str:
    """Name the part of the month in words: ``"the second week of March"`` (days 8-14)."""
    return f"the {_ORDINALS[min((date.day - 1) // 7, 4)]} week of {_MONTHS[date.month - 1].capitalize()}"
