"""Latitude and longitude as people write them.

See `wingtone.notebook.places` for the forms.

- `read_degrees`: text to two `Angle`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from wingtone.errors import PlaceError

__all__ = ["HOW", "Angle", "read_degrees"]

HOW = "write latitude, longitude such as 51.46, -0.30, or a grid reference such as TQ 18 75"
"""The remedy for most places that were not understood."""


@dataclass(frozen=True)
class Angle:
    """An angle in degrees, north and east positive; ``step`` is one unit of the last digit given, degrees."""

    degrees: float
    step: float


_MARKS = str.maketrans(
    {
        "−": "-", "–": "-", "—": "-", "﹣": "-", "－": "-",  # minus signs and dashes
        "º": "°", "˚": "°", "∘": "°",  # look like the degree sign
        "′": "'", "’": "'", "‘": "'", "ʹ": "'", "´": "'", "`": "'",
        "″": '"', "”": '"', "“": '"', "ʺ": '"',
        "\u00a0": " ", "\u2009": " ", "\u202f": " ", "\t": " ", "\n": " ",
    }
)  # fmt: skip
_WORDS = (
    (r"\b(?:LATITUDE|LAT)\b[.:=]?", "φ"),
    (r"\b(?:LONGITUDE|LONG|LON|LNG)\b[.:=]?", "λ"),
    (r"NORTH", "N"),
    (r"SOUTH", "S"),
    (r"EAST", "E"),
    (r"WEST", "W"),
    (r"\bDEGREES?\b|\bDEG\b\.?", "°"),
    (r"\bMINUTES?\b|\bMIN\b\.?", "'"),
    (r"\bSECONDS?\b|\bSEC\b\.?", '"'),
)
_TOKEN = re.compile(r"\s*(?:(\d+(?:\.\d*)?|\.\d+)|([+\-°'\"NSEWφλ,;/]))\s*", re.ASCII)
_ISO_6709 = re.compile(
    r"([+-]\d{2,6}(?:\.\d+)?)([+-]\d{3,7}(?:\.\d+)?)(?:[+-]\d+(?:\.\d+)?)?(?:CRS\w+)?/?", re.ASCII
)


def read_degrees(text: str) -> tuple[Angle, Angle]:
    """Read latitude and longitude, in this order whatever the order in the text.

    Raises
    ------
    PlaceError
        It was not understood, or an angle cannot be right.
    """
    tidy = text.translate(_MARKS).upper().replace("''", '"').strip("()[] ").removeprefix("GEO:")
    for pattern, mark in _WORDS:
        tidy = re.sub(pattern, mark, tidy)
    iso = _ISO_6709.fullmatch(tidy.replace(" ", ""))
    if iso:
        return _iso_angle(iso[1], 2), _iso_angle(iso[2], 3)
    commas = re.fullmatch(r"([+-]?\d+),(\d+)(?:\s*;\s*|\s+)([+-]?\d+),(\d+)", tidy)
    if commas:
        tidy = f"{commas[1]}.{commas[2]};{commas[3]}.{commas[4]}"
    parts: list[str] = []
    position = 0
    while position < len(tidy):
        match = _TOKEN.match(tidy, position)
        if match is None:
            # what was written stands in front, see `parse_place`; of the tidied text a letter may be eaten
            raise PlaceError("this place was not understood", remedy=HOW)
        parts.append(match[1] or match[2])
        position = match.end()
    first, second = _halves(parts)
    (angle_1, axis_1), (angle_2, axis_2) = _angle(first), _angle(second)
    if axis_1 and axis_1 == axis_2:
        raise PlaceError(f"both numbers are given as {axis_1}", remedy=HOW)
    if axis_1 == "longitude" or axis_2 == "latitude":
        return angle_2, angle_1
    return angle_1, angle_2


def _halves(parts: list[str]) -> tuple[list[str], list[str]]:
    """Split where latitude ends: at a separator, between compass letters or labels, or in the middle."""
    separators = [i for i, part in enumerate(parts) if part in ",;/"]
    if len(separators) == 1:
        cut = separators[0]
        return parts[:cut], parts[cut + 1 :]
    if separators:
        raise PlaceError("there are too many commas", remedy=HOW)
    for marks in ("φλ", "NSEW"):
        places = [i for i, part in enumerate(parts) if part in marks]
        if len(places) == 2:
            cut = places[1] if places[0] == 0 else places[0] + 1
            return parts[:cut], parts[cut:]
    numbers = [i for i, part in enumerate(parts) if part[0] in ".0123456789"]
    if len(numbers) not in (2, 4, 6):
        raise PlaceError("latitude and longitude were not found in this", remedy=HOW)
    cut = numbers[len(numbers) // 2]
    if parts[cut - 1] in "+-NSEW" and not (parts[cut - 1] in "NSEW" and parts[0] not in "NSEW"):
        cut -= 1
    return parts[:cut], parts[cut:]


def _angle(parts: list[str]) -> tuple[Angle, str]:
    """One angle of 1 to 3 numbers with its marks; also the axis named by a letter or label, or ''."""
    rest = [part for part in parts if part not in "φλ"]
    axis = "latitude" if "φ" in parts else "longitude" if "λ" in parts else ""
    letter = ""
    if rest and rest[0] in "NSEW":
        letter = rest.pop(0)
    elif rest and rest[-1] in "NSEW":
        letter = rest.pop()
    sign = rest.pop(0) if rest and rest[0] in "+-" else ""
    if letter and sign == "-":
        raise PlaceError(f"there is both a minus sign and {letter}", remedy="give one of the two")
    numbers: list[str] = []
    for part in rest:
        if part[0] in ".0123456789":
            numbers.append(part)
        elif part not in "°'\"" or not numbers or "°'\"".index(part) != len(numbers) - 1:
            raise PlaceError(f"{part} stands in the wrong place", remedy=HOW)
    if not 1 <= len(numbers) <= 3 or any("." in number for number in numbers[:-1]):
        raise PlaceError("latitude and longitude were not found in this", remedy=HOW)
    values = [float(number) for number in numbers]
    for name, value in zip(("minutes", "seconds"), values[1:], strict=False):
        if value >= 60:
            raise PlaceError(f"{value:g} {name} is 60 or more", remedy=HOW)
    degrees = sum(value / 60**i for i, value in enumerate(values))
    decimals = len(numbers[-1].partition(".")[2])
    if letter:
        named = "latitude" if letter in "NS" else "longitude"
        if axis and axis != named:
            raise PlaceError(f"{letter} does not go with a {axis}", remedy=HOW)
        axis = named
    negative = sign == "-" or letter in ("S", "W")
    return Angle(-degrees if negative else degrees, 10.0**-decimals / 60 ** (len(numbers) - 1)), axis


def _iso_angle(text: str, width: int) -> Angle:
    """ISO 6709, annexe H: ±DD.D, ±DDMM.M or ±DDMMSS.S; longitude with three digits of degrees."""
    whole, _, decimals = text[1:].partition(".")
    parts = (len(whole) - width) // 2
    if len(whole) != width + 2 * parts or parts > 2:
        raise PlaceError(f"{text} has the wrong number of digits for ISO 6709", remedy=HOW)
    numbers = [whole[:width]] + [whole[width + 2 * i : width + 2 * i + 2] for i in range(parts)]
    numbers[-1] += f".{decimals}" if decimals else ""
    return _angle([text[0], *numbers])[0]
