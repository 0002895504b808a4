"""When something was seen: dates, times and intervals as ISO 8601 text.

Conventions
-----------
An *event date* is text in one of these forms, the ones that Darwin Core's ``eventDate`` takes (ISO 8601-1):
``2026``, ``2026-03``, ``2026-W24``, ``2026-03-20``, ``2026-03-20T10:32``, with seconds and a fraction, with
an offset such as ``+01:00`` or ``Z``; or two of them as an interval, ``2026-03-20/2026-03-22``. A time
without an offset means local time of an unknown zone.

Functions: `parse_event_date`, `day_range`, `middle_day`, `is_in_future`. Names of the months: `MONTHS`.
"""

from __future__ import annotations

import calendar
import datetime as dt
import re

from wingtone.errors import DateError

__all__ = ["MONTHS", "day_range", "is_in_future", "middle_day", "parse_event_date"]

_REMEDY = "write it as 2026-03-20, 2026-03-20T10:32+01:00, 20/03/2026 (day first) or 20 March 2026"
MONTHS = ("january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
           "november", "december")  # fmt: skip
_TIME = r"(\d{2}):(\d{2})(?::(\d{2})(\.\d{1,9})?)?(Z|[+-]\d{2}(?::?\d{2})?)?"
_FROM_TO = re.compile(
    r"\s+(?:-|to)\s+|\s*\N{EN DASH}\s*|(?:(?<=/\d/\d{4})|(?<=/\d\d/\d{4}))-(?=\d)", re.IGNORECASE
)
"""What people put between the first and the last day: the slash of the standard stands in their days, too."""
_FIRST_YEAR, _LAST_YEAR = 1600, 2199  # no record is older than the science; later years are slips


def parse_event_date(text: str, *, was_kept: bool = False) -> str:
    """Read a date, a time or an interval as people write it.

    Parameters
    ----------
    text
        One of the module's forms, or a day as ``20/03/2026`` (day first), ``20.3.2026``, ``20 March 2026``,
        ``2026/03/20`` or ``20260320``, or a month as ``March 2026``; a blank may stand for the T; an interval
        may have a dash with blanks around it, or "to", in place of the slash, and may leave out what its end
        shares with its start (``2026-03-20/22``).
    was_kept
        Whether it comes from a record: those that were kept before times were compared may end before they
        start within one day, and must still be read.

    Returns
    -------
    str
        The event date in one of the module's forms. A text already in such a form comes back unchanged.

    Raises
    ------
    DateError
        Not one of these forms, a day or time that does not exist, a year outside 1600-2199, an interval
        that ends before it starts.
    """
    text = text.strip()
    if not text:
        raise DateError("no date was given", remedy=_REMEDY)
    if len(text) > 100:
        raise DateError("this is too long for a date", remedy=_REMEDY, where=text[:40] + "...")
    if re.fullmatch(r"\d{1,2}([ ./-])(\d{1,2}|[A-Za-z]{3,})\1'?\d{2}", text, re.ASCII):
        remedy = "write all four, as in 20/03/2026; a spreadsheet does in the format yyyy-mm-dd"
        raise DateError("the year has two digits only", remedy=remedy, where=text)
    try:
        whole = _slashed_day(text)  # 20/03/2026 is one day, not an interval
        parted = _FROM_TO.split(text) if whole is None else []
        if len(parted) == 2 or (whole is None and "/" in text):
            start_text, end_text = parted if len(parted) == 2 else text.split("/", 1)
            start = _single(start_text.strip())
            end = _single(_completed(start, end_text.strip()))
            if _days(start)[0] > _days(end)[1] or not (was_kept or _is_in_order(start, end)):
                raise DateError("this interval ends before it starts", remedy="write start/end")
            return f"{start}/{end}"
        return whole or _single(text)
    except DateError as error:
        raise DateError(error.what, remedy=error.remedy, where=text) from None


def day_range(event_date: str) -> tuple[dt.date, dt.date]:
    """First and last day of an event date in one of the module's forms, in the zone it was written in."""
    start, _, end = event_date.partition("/")
    return _days(start)[0], _days(end or start)[1]


def is_in_future(event_date: str, *, today: dt.date) -> bool:
    """Whether even the first day that a date may mean is yet to come; False without a date.

    Tomorrow is not: where a record was made it may be that day already.
    """
    return event_date != "" and day_range(event_date)[0] > today + dt.timedelta(days=1)


def middle_day(event_date: str, *, most_days: int = 14) -> dt.date | None:
    """Give the day to reckon the season with: that of the event, or the middle of a short interval.

    None without a date, and for more than ``most_days`` (ours: two weeks, within which a season hardly
    changes).
    """
    if not event_date:
        return None
    first, last = day_range(event_date)
    return first + (last - first) / 2 if (last - first).days <= most_days else None


def _single(text: str) -> str:
    iso = rf"(\d{{4}})(?:-(\d{{1,2}})-(\d{{1,2}})|(\d{{2}})(\d{{2}}))(?:[T ]\s*{_TIME})?"
    if match := re.fullmatch(iso, text, re.ASCII):
        day = _day(int(match[1]), int(match[2] or match[4]), int(match[3] or match[5]))
        return day if match[6] is None else f"{day}T{_time(match, 6)}"
    if match := re.fullmatch(r"(\d{4})(?:-(\d{2}))?", text, re.ASCII):
        _day(int(match[1]), int(match[2] or 1), 1)
        return text
    if match := re.fullmatch(r"(\d{4})-?W(\d{2})", text, re.ASCII):
        _week(int(match[1]), int(match[2]))
        return f"{match[1]}-W{match[2]}"
    american = rf"([A-Za-z]{{3,}})\.?\s+(\d{{1,2}})(?:st|nd|rd|th)?,?\s+(\d{{4}})(?:[ ,]+{_TIME})?"
    if match := re.fullmatch(american, text, re.ASCII):
        day = _day(int(match[3]), _month(match[1]), int(match[2]))
        return day if match[4] is None else f"{day}T{_time(match, 4)}"
    number = r"(\d{1,2})(?:st|nd|rd|th)?[ -]+(?:of )?"
    spelled = rf"{number}([A-Za-z]{{3,}})\.?,?[ -]+(\d{{4}})(?:[ ,]+{_TIME})?"
    if match := re.fullmatch(spelled, text, re.ASCII):
        day = _day(int(match[3]), _month(match[2]), int(match[1]))
        return day if match[4] is None else f"{day}T{_time(match, 4)}"
    if match := re.fullmatch(r"([A-Za-z]{3,})\.?[ -]+(\d{4})", text, re.ASCII):
        return _day(int(match[2]), _month(match[1]), 1)[: len("2026-03")]
    return _slashed_day(text) or _refuse()


def _slashed_day(text: str) -> str | None:
    if match := re.fullmatch(rf"(\d{{4}})/(\d{{1,2}})/(\d{{1,2}})(?:[ ,]+{_TIME})?", text, re.ASCII):
        day = _day(int(match[1]), int(match[2]), int(match[3]))
        return day if match[4] is None else f"{day}T{_time(match, 4)}"
    parted = r"(\d{1,2})\s*([/.-])\s*(\d{1,2})\s*\2\s*(\d{4})"
    match = re.fullmatch(rf"{parted}(?:[ ,]+{_TIME})?", text, re.ASCII)
    if match is None:
        return None
    first, second = int(match[1]), int(match[3])
    if second > 12 >= first:
        raise DateError(f"there is no month {second}", remedy="the day comes first: 20/03/2026")
    day = _day(int(match[4]), second, first)
    return day if match[5] is None else f"{day}T{_time(match, 5)}"


def _refuse() -> str:
    raise DateError("this date was not understood", remedy=_REMEDY)


def _day(year: int, month: int, day: int) -> str:
    if not _FIRST_YEAR <= year <= _LAST_YEAR:
        raise DateError(f"the year {year} is outside {_FIRST_YEAR}-{_LAST_YEAR}", remedy=_REMEDY)
    try:
        return dt.date(year, month, day).isoformat()
    except ValueError:
        raise DateError(f"there is no day {year}-{month:02d}-{day:02d}", remedy=_REMEDY) from None


def _week(year: int, week: int) -> dt.date:
    _day(year, 1, 1)
    try:
        return dt.date.fromisocalendar(year, week, 1)
    except ValueError:
        raise DateError(f"the year {year} has no week {week}", remedy=_REMEDY) from None


def _month(word: str) -> int:
    start = "sep" if word.lower() == "sept" else word.lower()
    found = [number for number, name in enumerate(MONTHS, 1) if name.startswith(start)]
    if len(found) != 1:
        raise DateError(f"there is no month {word}", remedy=_REMEDY)
    return found[0]


def _time(match: re.Match[str], group: int) -> str:
    hour, minute, second, fraction, zone = (match[group + i] or "" for i in range(5))
    if int(hour) > 23 or int(minute) > 59 or int(second or 0) > 59:
        raise DateError(f"there is no time {hour}:{minute}{':' + second if second else ''}", remedy=_REMEDY)
    if zone not in ("", "Z"):
        digits = zone[1:].replace(":", "")
        if int(digits[:2]) > 14 or int(digits[2:] or 0) > 59:
            raise DateError(f"there is no offset {zone}", remedy="British summer time is +01:00")
        zone = f"{zone[0]}{digits[:2]}:{digits[2:] or '00'}"
    return f"{hour}:{minute}" + (f":{second}{fraction}" if second else "") + zone


def _completed(start: str, end: str) -> str:
    """Fill an interval's shortened end from its start: ``2026-03-20/22``, ``T10:00/11:30``."""
    if re.fullmatch(r"\d{2}:\d{2}.*", end) and "T" in start:
        return f"{start.partition('T')[0]}T{end}"
    if re.fullmatch(r"\d{2}(-\d{2})?", end, re.ASCII) and len(start) >= 10:
        return start[: 10 - len(end)] + end
    return end


def _is_in_order(start: str, end: str) -> bool:
    """Whether a moment does not lie before another; True where they cannot be compared."""
    if "T" not in start or "T" not in end:
        return True
    one, other = (dt.datetime.fromisoformat(text) for text in (start, end))
    return (one.tzinfo is None) != (other.tzinfo is None) or one <= other


def _days(single: str) -> tuple[dt.date, dt.date]:
    if match := re.fullmatch(r"(\d{4})-W(\d{2})", single):
        monday = _week(int(match[1]), int(match[2]))
        return monday, monday + dt.timedelta(days=6)
    parts = [int(part) for part in single[:10].split("-")]
    year, month, day = parts[0], parts[1:2], parts[2:3]
    first = dt.date(year, month[0] if month else 1, day[0] if day else 1)
    if day:
        return first, first
    last_month = month[0] if month else 12
    return first, dt.date(year, last_month, calendar.monthrange(year, last_month)[1])
