"""What callers may write for paths, days, places, hints and faunas, brought to what the rooms below take.

- `paths_given`, `are_paths`, `listed`: recordings, tables and folders.
- `date_given`, `place_given`, `hints_given`, `number_within`, `fauna_given`: what is known besides the sound.
"""

from __future__ import annotations

import datetime
import os
from collections.abc import Collection, Iterable, Iterator, Mapping
from numbers import Real
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeGuard

from wingtone.errors import DateError, HintError, PlaceError, RequestError, shown_value

if TYPE_CHECKING:
    from wingtone.fauna import Fauna
    from wingtone.notebook.places import Place

    PathLike = str | os.PathLike[str]

__all__ = [
    "are_paths",
    "date_given",
    "fauna_given",
    "hints_given",
    "listed",
    "number_within",
    "paths_given",
    "place_given",
]


def paths_given(given: PathLike | Iterable[PathLike]) -> list[PathLike]:
    """Give one or several paths as a list.

    Raises
    ------
    RequestError
        Something among them is no path, or they are a table, of which only the headings would be read.
    """
    if isinstance(given, (str, os.PathLike)):
        return [given]
    if isinstance(given, Mapping) or hasattr(given, "columns"):
        raise RequestError("a table is no path", remedy="give its column of paths, such as table['path']")
    paths = list(given) if isinstance(given, Iterable) else [given]
    for path in paths:
        if not isinstance(path, (str, os.PathLike)):
            raise RequestError(
                f"{shown_value(path)} is no path", remedy="give the path of a recording or folder"
            )
    return paths


def listed(given: Any) -> Any:
    """Give what can be gone through only once, as what ``Path.glob`` gives, as a list; the rest as it is."""
    return list(given) if isinstance(given, Iterator) else given


def are_paths(given: object) -> TypeGuard[PathLike | Iterable[PathLike]]:
    """Tell a path, or a collection of them, from tables of any kind."""
    if isinstance(given, (str, os.PathLike)):
        return True
    if isinstance(given, Mapping) or hasattr(given, "columns") or not isinstance(given, Collection):
        return False
    return len(given) > 0 and all(isinstance(one, (str, os.PathLike)) for one in given)


def date_given(given: str | datetime.date | None) -> datetime.date | None:
    """Read a day; None stays None.

    Raises
    ------
    DateError
        A text that was not understood, a data frame's missing time, or something else.
    """
    if given is None:
        return None
    if isinstance(given, str):
        from wingtone.evidence import parse_date

        return parse_date(given)
    # A data frame's missing time is called a datetime too, but is not equal to itself.
    if isinstance(given, datetime.date) and given == given:
        return given.date() if isinstance(given, datetime.datetime) else given
    remedy = "give a datetime.date or a text as 2026-03-20, or None"
    raise DateError(f"{shown_value(given)} is no date", remedy=remedy)


def place_given(given: str | tuple[float, float] | Place | None) -> Place | None:
    """Read a place: text, latitude and longitude in degrees, or a `Place`; None stays None.

    Raises
    ------
    PlaceError
        It was not understood, or cannot be.
    """
    from wingtone.notebook.places import Place, parse_place, place_from_degrees

    if given is None or isinstance(given, Place):
        return given
    if isinstance(given, str):
        return parse_place(given)
    try:
        latitude_deg, longitude_deg = (float(number) for number in given)
    except (TypeError, ValueError, OverflowError) as error:
        remedy = 'give (latitude, longitude) in degrees, or a text as "51.46,-0.30" or "TQ 18 75"'
        raise PlaceError(f"{shown_value(given)} is no place", remedy=remedy) from error
    return place_from_degrees(latitude_deg, longitude_deg)


def number_within(given: Any, least: float, most: float, name: str) -> float | None:
    """Refuse a number that is outside a range, or NaN, and what is no number; None stays None.

    Raises
    ------
    RequestError
        It is outside; ``name`` says what.
    """
    if given is None:
        return None
    remedy = f"give a number from {least:g} to {most:g}"
    if not _is_number(given) or not least <= given <= most:  # NaN is not within either
        raise RequestError(f"{name} is {shown_value(given)}", remedy=remedy)
    return float(given)


def hints_given(hints: object) -> list[str]:
    """Give hints as texts ``character=state``; what a mapping leaves open (None, NaN) is left out.

    A mapping is whatever has ``items()``, as the row of a data frame has, which is none by its class. A whole
    number is one however it is kept: a column with a missing value holds 2 as 2.0.

    Raises
    ------
    HintError
        Something among them is no text.
    """
    if hints is None:
        return []
    if isinstance(hints, str):
        return [hints]
    if hasattr(hints, "items"):
        from wingtone.population.bouts import is_missing

        return [
            f"{_word(character)}={_word(state)}"
            for character, state in hints.items()
            if not is_missing(state)
        ]
    if not isinstance(hints, Iterable):
        remedy = 'give {"tail": "white"} or ["tail=white"]'
        raise HintError(f"{shown_value(hints)} is no hint", remedy=remedy)
    texts: list[str] = []
    for text in hints:
        if not isinstance(text, str):
            remedy = 'give {"tail": "white"} or ["tail=white"]'
            raise HintError(f"{shown_value(text)} is no hint", remedy=remedy)
        texts.append(text)
    return texts


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, Real) and not isinstance(value, bool)


def _word(given: object) -> str:
    """Write a character or state; a whole number without the point that a column may have given it."""
    try:
        if _is_number(given) and given == int(given):
            given = int(given)
    except (ValueError, OverflowError):  # NaN, infinite
        pass
    try:
        return str(given)
    except ValueError:
        return shown_value(given)


def fauna_given(given: PathLike | Fauna | None) -> Fauna:
    """Load the fauna of a folder, or the one that ships for None.

    Raises
    ------
    TableError
        See `wingtone.fauna.load`.
    RequestError
        It is neither.
    """
    from wingtone.fauna import Fauna, load

    if isinstance(given, Fauna):
        return given
    if not isinstance(given, (str, os.PathLike, type(None))):
        raise RequestError(f"{shown_value(given)} is no fauna", remedy="give the folder of its tables")
    return load(None if given is None else Path(given))
