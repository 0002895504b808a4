"""When, where and with what a recording was made, each with its origin.

Conventions
-----------
``recorded_at`` is ISO 8601: with an offset (``2026-07-14T15:30:12+01:00``) when the file says its zone,
without when it does not (then local time is meant), and a bare date when no time is known. Order of
trust: a date with a time in the container, then ``bext``, then a bare date in the container, then the file
name, then the file's own time, which any copying may have changed.

The creation time that most phones write to MP4-family files is in UTC, and some write the *end* of the
recording; it is passed on as it stands. Apple's own creation date carries the zone and goes first.

Functions
---------
provenance
    All of it for one file.
parse_date, date_from_name
    A date in a tag, and in a file name.
parse_iso6709
    A place in a tag.
riff_texts
    The ``bext`` and ``LIST INFO`` texts of a WAV, RF64 or BW64 file.

Sources
-------
ISO 6709:2008, Annex H (place strings; memory). EBU Tech 3285 v2 (layout of ``bext``; secondary).
QuickTime keys ``com.apple.quicktime.*`` (Apple's metadata keys; memory) and ``com.android.*`` (memory).
File-name styles: common practice of phone makers and recorders, no source.
"""

from __future__ import annotations

import datetime as dt
import itertools
import math
import re
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from wingtone.audio.sniff import Container
from wingtone.audio.structure import chunks_of

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path
    from typing import BinaryIO

__all__ = [
    "Origin",
    "Provenance",
    "date_from_name",
    "parse_date",
    "parse_iso6709",
    "provenance",
    "riff_texts",
]

Origin = Literal["container", "bext", "file name", "file time"]

_MAX_TEXT = 4096
"""Longest tag looked at, in bytes or characters. Ours."""
_MAX_CHUNKS = 1000
_YEARS = range(1990, 2100)
"""Dates outside are clocks that were never set (1904 and 1970 are the zeros of MP4 and of Unix). Ours."""


@dataclass(frozen=True)
class Provenance:
    """When, where, with what. None where nothing is known.

    Attributes
    ----------
    recorded_at, recorded_at_source
        See the module.
    latitude_deg, longitude_deg, place_source
        WGS 84; north and east positive.
    device
        Maker and model, or the recorder's own name for itself.
    """

    recorded_at: str | None = None
    recorded_at_source: Origin | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    place_source: Literal["container"] | None = None
    device: str | None = None


def provenance(path: Path, *, tags: Mapping[str, str], riff: Mapping[str, str] | None = None) -> Provenance:
    """Gather what the container, its name and the file system say.

    Parameters
    ----------
    path
        The file; its name and modification time are used.
    tags
        The container's tags, keys in lower case.
    riff
        `riff_texts` of the file when it is a WAV; its LIST INFO then counts as the container's tags.
    """
    riff = riff or {}
    recorded_at, source = _recorded_at(path, tags, riff)
    place = next((p for key in _PLACE_KEYS for p in [parse_iso6709(tags.get(key, ""))] if p), None)
    return Provenance(
        recorded_at=recorded_at,
        recorded_at_source=source,
        latitude_deg=place[0] if place else None,
        longitude_deg=place[1] if place else None,
        place_source="container" if place else None,
        device=_device(tags, riff),
    )


# -- dates -----------------------------------------------------------------------------------------

# in order of trust; "icrd", "icmt": LIST INFO
_DATE_KEYS = (
    "com.apple.quicktime.creationdate",
    "creation_time",
    "date_recorded",
    "creation_date",
    "date",
    "icrd",
    "year",
)
_COMMENT_KEYS = ("icmt", "comment")
_PLACE_KEYS = ("com.apple.quicktime.location.iso6709", "location", "location-eng", "xyz")

_ISO = re.compile(
    r"(\d{4})[-:](\d{2})[-:](\d{2})"
    r"(?:[T ](\d{2}):(\d{2})(?::(\d{2})(?:[.,]\d+)?)?\s*(Z|UTC|[+-]\d{2}:?\d{2})?)?\Z"
)
# some recorders write a sentence: "Recorded at 15:30:12 14/07/2026 (UTC+1) by ..." (memory)
_SENTENCE = re.compile(
    r"Recorded at (\d{2}):(\d{2}):(\d{2})(?:\.\d+)? (\d{2})/(\d{2})/(\d{4}) "
    r"\(UTC(?:([+-])(\d{1,2})(?::?(\d{2}))?)?\)"
    r"(?: by ([^,]{1,60}?)(?= at | with |,|$))?"
)


def _recorded_at(
    path: Path, tags: Mapping[str, str], riff: Mapping[str, str]
) -> tuple[str | None, Origin | None]:
    written = {**tags, **riff}
    stated = [d for key in _DATE_KEYS for d in [parse_date(written.get(key, ""))] if d]
    stated += [d for key in _COMMENT_KEYS for d in [_sentence_date(written.get(key, ""))] if d]
    with_time = [d for d in stated if "T" in d]
    bext = parse_date(f"{riff.get('bext date', '')} {riff.get('bext time', '')}")
    found: list[tuple[str | None, Origin]] = [
        (next(iter(with_time), None), "container"),
        (bext, "bext"),
        (next(iter(stated), None), "container"),
        (date_from_name(path.name), "file name"),
    ]
    for date, source in found:
        if date:
            return date, source
    try:
        modified = dt.datetime.fromtimestamp(path.stat().st_mtime, tz=dt.UTC).astimezone()
    except (OSError, OverflowError, ValueError):
        return None, None
    if modified.year not in _YEARS:
        return None, None
    return modified.isoformat(timespec="seconds"), "file time"


def parse_date(text: str) -> str | None:
    """Read a date as tags write it.

    Parameters
    ----------
    text
        ``2026-07-14``, ``2026-07-14T15:30:12``, ``2026-07-14 15:30:12``, ``2026:07:14 15:30:12``, with or
        without fractions of a second and a zone (``Z``, ``+0100``, ``+01:00``).

    Returns
    -------
    str or None
        ISO 8601 to the second; None for anything else, an impossible date, or a clock never set.
    """
    match = _ISO.match(text[:_MAX_TEXT].strip().rstrip("\0"))
    if not match:
        return None
    year, month, day, hour, minute, second, zone = match.groups()
    return _iso(year, month, day, hour, minute, second, zone)


def _sentence_date(text: str) -> str | None:
    match = _SENTENCE.search(text[:_MAX_TEXT])
    if not match:
        return None
    hour, minute, second, day, month, year, sign, off_hours, off_minutes, _ = match.groups()
    zone = f"{sign}{int(off_hours):02d}{off_minutes or '00'}" if sign else "Z"
    return _iso(year, month, day, hour, minute, second, zone)


def _iso(
    year: str,
    month: str,
    day: str,
    hour: str | None = None,
    minute: str | None = None,
    second: str | None = None,
    zone: str | None = None,
) -> str | None:
    """Put the parts together; None when they are no date."""
    try:
        date = dt.date(int(year), int(month), int(day))
        if date.year not in _YEARS:
            return None
        if hour is None:
            return date.isoformat()
        time = dt.time(int(hour), int(minute or 0), int(second or 0))
        moment = dt.datetime.combine(date, time)
        if zone:
            moment = moment.replace(tzinfo=_zone(zone))
    except ValueError:
        return None
    return moment.isoformat(timespec="seconds")


def _zone(text: str) -> dt.timezone:
    if text in ("Z", "UTC"):
        return dt.UTC
    digits = text[1:].replace(":", "")
    offset = dt.timedelta(hours=int(digits[:2]), minutes=int(digits[2:4]))
    return dt.timezone(-offset if text[0] == "-" else offset)


_DAY = r"(?P<y>(?:19|20)\d\d)(?P<s>[-_.]?)(?P<m>\d\d)(?P=s)(?P<d>\d\d)"
_CLOCK = r"(?P<H>\d\d)(?P<t>[-_.:h]?)(?P<M>\d\d)(?:(?P=t)|m)(?P<S>\d\d)s?"
# tried in this order; each must not touch other digits
_NAME_STYLES = tuple(
    re.compile(rf"(?<!\d){style}", re.ASCII | re.IGNORECASE)
    for style in (
        # 20260714_153012, 20260714$153012, PXL_20260714_153012345, 2026-07-14 15.30.12, 20260714T153012Z,
        # ... at 3.30.12 PM
        _DAY
        + r"(?P<T>[-_ T.$]{1,3}| at )"
        + _CLOCK
        + r"(?:\.?\d{3})?(?!\d)\s?(?P<pm>[AP]M)?(?P<z>Z|[+-]\d{4})?",
        _DAY + r"(?: at )(?P<H>\d)(?P<t>\.)(?P<M>\d\d)\.(?P<S>\d\d)\s?(?P<pm>[AP]M)?(?!\d)",
        r"(?P<y>20\d\d)(?P<m>\d\d)(?P<d>\d\d)(?P<H>\d\d)(?P<M>\d\d)(?P<S>\d\d)(?:\d{3})?(?!\d)",
        # 260714_153012: recorders with short names
        r"(?P<yy>\d\d)(?P<m>\d\d)(?P<d>\d\d)[-_](?P<H>\d\d)(?P<M>\d\d)(?P<S>\d\d)(?!\d)",
        # 2026-07-14 15.30: a time without seconds, only where the separator says it is a time
        _DAY + r"(?:[_ T]| at )(?P<H>\d\d)[.:h](?P<M>\d\d)(?!\d)",
        _DAY + r"(?!\d)",
        # 14-07-2026: day first, taken only when it cannot be month first
        r"(?P<d>1[3-9]|2\d|3[01])(?P<s>[-_.])(?P<m>\d\d)(?P=s)(?P<y>20\d\d)(?!\d)",
    )
)
_MILLISECONDS = re.compile(r"(?<!\d)(1[2-9]\d{11})(?!\d)")  # since 1970: years 2008 to 2033


def date_from_name(name: str) -> str | None:
    """Find the date and time that phones and recorders put in file names.

    Parameters
    ----------
    name
        A file name, such as ``PXL_20260714_153012345.mp4``.

    Returns
    -------
    str or None
        ISO 8601. Without an offset unless the name has one; thirteen digits are milliseconds since 1970
        in UTC. None when no style fits: numbers that could be something else are left alone. (Some phones
        name files in UTC without saying so; their containers then tell the truth.)
    """
    for style in _NAME_STYLES:
        for match in style.finditer(name[:_MAX_TEXT]):
            part = match.groupdict()
            hour = part.get("H")
            if hour and part.get("pm"):
                if not 1 <= int(hour) <= 12:
                    continue
                hour = str(int(hour) % 12 + (12 if part["pm"].upper() == "PM" else 0))
            year = part.get("y") or f"20{part['yy']}"
            zone = (part.get("z") or "").upper() or None
            if zone and zone[0] == "-" and (part["T"] or "").upper() != "T":
                zone = None  # "-0001" after a time is a running number, unless written the ISO way
            date = _iso(year, part["m"], part["d"], hour, part.get("M"), part.get("S"), zone)
            if date:
                return date
    if milliseconds := _MILLISECONDS.search(name[:_MAX_TEXT]):
        return dt.datetime.fromtimestamp(int(milliseconds[1]) // 1000, tz=dt.UTC).isoformat(
            timespec="seconds"
        )
    return None


# -- places ----------------------------------------------------------------------------------------

_POINT = re.compile(r"([+-])(\d{2}|\d{4}|\d{6})(\.\d+)?([+-])(\d{3}|\d{5}|\d{7})(\.\d+)?(?=[+\-/C]|\Z)")


def parse_iso6709(text: str) -> tuple[float, float] | None:
    """Read a place as ISO 6709 writes it in one string.

    Parameters
    ----------
    text
        Latitude then longitude, each as degrees, degrees and minutes, or degrees, minutes and seconds, the
        last part with decimals: ``+51.46-000.30/``, ``+5127.6-00018.0/``. Height and reference system
        after them are passed over.

    Returns
    -------
    tuple or None
        Latitude and longitude in decimal degrees. None for anything else, a place off the globe, and
        exactly 0, 0, which is what a phone without a fix writes.
    """
    match = _POINT.match(text[:_MAX_TEXT].strip())
    if not match:
        return None
    latitude = _degrees(match[1], match[2], match[3], head=2)
    longitude = _degrees(match[4], match[5], match[6], head=3)
    if math.isnan(latitude + longitude) or abs(latitude) > 90 or abs(longitude) > 180:
        return None
    return None if latitude == longitude == 0 else (latitude, longitude)


def _degrees(sign: str, digits: str, fraction: str | None, *, head: int) -> float:
    parts = [float(digits[:head])] + [float(digits[i : i + 2]) for i in range(head, len(digits), 2)]
    parts[-1] += float(f"0{fraction}") if fraction else 0.0
    if any(part >= 60 for part in parts[1:]):
        return math.nan
    value = sum(part / 60.0**power for power, part in enumerate(parts))
    return -value if sign == "-" else value


# -- device ----------------------------------------------------------------------------------------

_MAKE_AND_MODEL = (
    ("com.apple.quicktime.make", "com.apple.quicktime.model"),
    ("com.android.manufacturer", "com.android.model"),
    ("make", "model"),
)


def _device(tags: Mapping[str, str], riff: Mapping[str, str]) -> str | None:
    for make, model in _MAKE_AND_MODEL:
        if tags.get(model):
            maker = "" if tags[model].startswith(tags.get(make, "")) else tags[make]
            return _tidy(f"{maker} {tags[model]}")
    sentence = _SENTENCE.search((riff.get("icmt") or tags.get("comment") or "")[:_MAX_TEXT])
    encoder = tags.get("encoder", "")
    return (
        _tidy(riff.get("bext originator", ""))
        or (_tidy(sentence[10]) if sentence and sentence[10] else None)
        or _tidy(riff.get("isft", ""))
        or (_tidy(encoder) if encoder.startswith("com.apple.") else None)
    )


def _tidy(text: str) -> str | None:
    """One printable line of at most 120 characters; None when nothing or only the writing library is left."""
    line = " ".join("".join(c if c.isprintable() else " " for c in text[:_MAX_TEXT]).split())[:120]
    return None if not line or line.startswith("Lavf") else line


# -- RIFF ------------------------------------------------------------------------------------------


def riff_texts(file: BinaryIO) -> dict[str, str]:
    """Read the texts of ``bext`` and ``LIST INFO`` from an open WAV, RF64 or BW64 file.

    Parameters
    ----------
    file
        Positioned anywhere. At most 1000 chunks are visited and 4 kB of each text kept.

    Returns
    -------
    dict
        ``bext description``, ``bext originator``, ``bext reference``, ``bext date``, ``bext time``, and the
        INFO keys in lower case (``icrd`` date, ``icmt`` comment, ``isft`` software, ``iart``...). Missing or
        empty ones are left out; a damaged file gives what lies before the damage.
    """
    found: dict[str, str] = {}
    for kind, at, length in itertools.islice(chunks_of(file, Container("wav", "wav")), _MAX_CHUNKS):
        file.seek(at)
        if kind == b"bext":
            found.update(_bext(file.read(min(length, 602))))
        elif kind == b"LIST":
            found.update(_info(file.read(min(length, 16 * _MAX_TEXT))))
    return {key: text for key, text in found.items() if text}


# EBU Tech 3285 v2, 2.3: description, originator, its reference, date, time, ...; 602 bytes before the history
_BEXT = struct.Struct("<256s32s32s10s8s")


def _bext(body: bytes) -> dict[str, str]:
    if len(body) < _BEXT.size:
        return {}
    names = ("bext description", "bext originator", "bext reference", "bext date", "bext time")
    found = {name: _text(raw) for name, raw in zip(names, _BEXT.unpack_from(body), strict=True)}
    # the standard allows - _ : space and . between the numbers
    for name, mark in (("bext date", "-"), ("bext time", ":")):
        found[name] = re.sub(r"[-_:. ]", mark, found[name])
    return found


def _info(body: bytes) -> dict[str, str]:
    if body[:4] != b"INFO":
        return {}
    found = {}
    at = 4
    while at + 8 <= len(body):
        kind, size = struct.unpack_from("<4sI", body, at)
        found[_text(kind).lower()] = _text(body[at + 8 : at + 8 + min(size, _MAX_TEXT)])
        at += 8 + size + size % 2
    return found


def _text(raw: bytes) -> str:
    raw = raw.split(b"\0", 1)[0]
    try:
        return raw.decode("utf-8").strip()
    except UnicodeDecodeError:
        return raw.decode("cp1252", "replace").strip()
