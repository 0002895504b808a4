"""Words and numbers in the cells of other people's tables, for `wingtone.notebook.importing`.

The lists of words are ours, after what recorders' tables and Darwin Core's recommendations say (memory); a
word that is in none of them is never guessed at.

- `says_absent`, `says_none`: no bee was there.
- `status_of`: what a record's verification makes of its name.
- `is_wgs84`: whether degrees are those of WGS84.
- `clock`: a time of day.
- `is_picture`: whether a file is one by its name.
- `plain_number`, `plain_metres`: numbers with a point or a comma.
"""

from __future__ import annotations

import re

from wingtone.notebook.exchange import STATUS_WORDS

__all__ = [
    "clock",
    "is_picture",
    "is_wgs84",
    "plain_metres",
    "plain_number",
    "says_absent",
    "says_none",
    "status_of",
]

_ABSENT = ("absent", "excluded", "not present", "not found", "not seen", "none", "no", "false")
_STATUSES = (
    ("rejected", r"(rejected|not accepted|not correct|incorrect|invalid)\b.*"),
    ("decided", r"(unconfirmed|unverified|not (yet )?(confirmed|verified|reviewed|checked)|pending)\b.*"),
    ("confirmed", r"(confirmed|accepted|verified|considered correct|correct)\b.*"),
)
"""Patterns of what verifiers write, the first that fits counts: what nobody has confirmed rests on the
recorder's decision, as all records of others do."""
_WGS84 = r"(wgs|world ?geodetic ?system( of)?) ?(19)?84|((urn ogc def crs )?epsg )?(4326|4979)|gps"
_AS_WGS84 = r"etrs ?(19)?89|(epsg )?4258"
"""Within a metre of WGS84 in Europe (memory), and so within `wingtone.notebook.places.MIN_UNCERTAINTY_M`."""
_NO_DATUM = r"unknown|unspecified|not (recorded|known|stated|given)|n a|na|forced|assumed"
"""The last two stand before the one that was taken instead (common practice of georeferencing; memory)."""


def says_absent(word: str) -> bool:
    """Whether an ``occurrenceStatus`` says that no bee was there."""
    return word.strip(" .").lower() in _ABSENT or says_none(word)


def says_none(count: str) -> bool:
    """Whether a count of bees is nought."""
    return re.fullmatch(r"0+([.,]0*)?|none|nil|zero", count.strip().lower()) is not None


def status_of(words: str) -> str | None:
    """Give the status of `wingtone.notebook.records.STATUSES` that words mean, None when they are not known.

    These are the words that we write ourselves, and those of verifiers; a question mark leaves it open.
    """
    plain = " ".join(words.lower().split())
    for status, ours in STATUS_WORDS.items():
        if plain == ours:
            return status
    fits = (status for status, pattern in _STATUSES if re.fullmatch(pattern, plain))
    return None if "?" in plain else next(fits, None)


def is_wgs84(datum: str) -> bool:
    """Whether degrees on a datum can be taken as they are; so can those whose datum nobody knows.

    It may be named in more ways than one at once, as in ``WGS 84 (EPSG:4326)``.
    """
    plain = " ".join(re.findall(r"[a-z0-9]+", datum.lower()))
    return re.fullmatch(rf"(({_WGS84}|{_AS_WGS84}|{_NO_DATUM})( |$))*", plain) is not None


def clock(text: str, *, is_iso: bool = False) -> str:
    """Tidy a time of day: ``9:30``, ``9.30``, ``9:30:15``, ``2:30 pm``; any other text stays as it is.

    ``9:30-10:15`` is from and to, and becomes ``09:30/10:15``, unless it ``is_iso``: there it is half past
    nine where clocks are ten hours and a quarter behind.
    """
    from_to = re.fullmatch(r"(\d{1,2}[:.]\d{2})\s*[-\N{EN DASH}]\s*(\d{1,2}[:.]\d{2})", text, re.ASCII)
    if from_to and not is_iso and (start := clock(from_to[1])) < (end := clock(from_to[2])):
        return f"{start}/{end}"
    match = re.fullmatch(r"(\d{1,2})(?:[:.](\d{2}))?((?::\d{2})?)\s*([ap])\.?m\.?", text, re.ASCII | re.I)
    if match and 1 <= int(match[1]) <= 12:
        hour = int(match[1]) % 12 + (12 if match[4].lower() == "p" else 0)
        return f"{hour:02d}:{match[2] or '00'}{match[3]}"
    if match := re.fullmatch(r"(\d{1,2})[:.](\d{2})(\D.*)?", text, re.ASCII):
        return f"{match[1]:0>2}:{match[2]}{match[3] or ''}"
    return text


def is_picture(name: str) -> bool:
    """Whether a file is a picture by the ending of its name: a column for files may hold either."""
    return re.search(r"\.(jpe?g|png|hei[cf]|gif|tiff?|webp|bmp|dng)$", name, re.IGNORECASE) is not None


def plain_number(text: str) -> float | None:
    """Read a number with a point or a comma before its decimals; None when it is none."""
    if not re.fullmatch(r"[+-]?\d+([.,]\d+)?", text, re.ASCII):
        return None
    return float(text.replace(",", "."))


def plain_metres(text: str) -> float | None:
    """Read metres. A comma before three digits parts thousands: nobody knows a place to a millimetre."""
    bare = re.sub(r"\s*m(et(er|re)s?)?$", "", text, flags=re.IGNORECASE)
    if re.fullmatch(r"\d{1,3}(,\d{3})+(\.\d+)?", bare, re.ASCII):
        bare = bare.replace(",", "")
    return plain_number(bare)
