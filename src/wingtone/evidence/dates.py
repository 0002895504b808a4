"""Dates as people write them and as people say them.

Functions
---------
parse_date  a day as written, or a refusal that says what to write
week_words  "the second week of March"
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from wingtone.errors import DateError
from wingtone.notebook.events import MONTHS, day_range, parse_event_date

if TYPE_CHECKING:
    import datetime as dt

__all__ = ["parse_date", "week_words"]

_ORDINALS = ("first", "second", "third", "fourth", "last")
_REMEDY = "write it as 2026-03-20, 20/03/2026 (day first) or 20 March 2026"


def parse_date(text: str) -> dt.date:
    """Read a day in any form that a record takes (`wingtone.notebook.events`).

    A time after it does not count, and after an ISO date may be anything. The day is always needed: a month,
    or an interval of days, is too wide for the season and is refused with that reason, as leaving the date
    out says the same more honestly.

    Raises
    ------
    DateError
        Not one of these forms, not one day, a day that does not exist, or a year outside 1600-2199.
    """
    written = text.strip()
    try:
        event = parse_event_date(re.sub(r"\A(\d{4}-\d{1,2}-\d{1,2})[T ][^/]*\Z", r"\1", written))
        first, last = day_range(event)
        if first != last:
            raise DateError("it is more than one day", remedy=_REMEDY)
    except DateError as error:
        what = f"{written[:64]!r} cannot be read as a day: {error.what}"
        raise DateError(what, remedy=error.remedy, where="date") from None
    return first


def week_words(date: dt.date) -> str:
    """Name the part of the month in words: ``"the second week of March"`` (days 8-14)."""
    return f"the {_ORDINALS[min((date.day - 1) // 7, 4)]} week of {MONTHS[date.month - 1].capitalize()}"
