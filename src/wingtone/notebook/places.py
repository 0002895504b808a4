"""Places as people write them: latitude and longitude, British and Irish grid references.

Conventions
-----------
A `Place` is a WGS84 point with the radius of a circle that holds the spot. A grid reference names a
square: the point is its centre and the radius half its diagonal. Latitude and longitude are taken to be
rounded in their last digit (of the finer of the two): the radius is half the diagonal of the box that
rounds to them. No radius is
below 5 m, the size of our conversion error and about the best a phone's position does (memory).

Understood
----------
* grid references, with or without spaces, in capitals or not: ``TQ``, ``TQ17``, ``TQ 18 75``,
  ``TQ 187 753``, ... to 1 m; tetrads ``TQ17T`` (2 km) and quarters ``TQ17NW`` (5 km); Irish ones with
  one letter, ``O 15 34``
* ``51.46, -0.30``; ``51.46N 0.30W``; ``N51.46 W0.30``; ``lat 51.46 long -0.30``; decimal commas when the
  two numbers are apart: ``51,46 -0,30``
* degrees, minutes and seconds: ``51°27'36"N 0°18'0"W``, ``51 27.6 N, 0 18 W``
* with brackets round them, or ``geo:`` in front
* ISO 6709: ``+51.46-000.30/``, ``+5127.6-00018.0/``, ``+512736-0001800/``

Functions: `parse_place`, `place_from_degrees`, `is_grid_reference`, `is_place_name`, `to_grid_reference`,
`names_spot`, `blur`, `site_of`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from math import cos, floor, hypot, isfinite, radians, sqrt

from wingtone.errors import PlaceError
from wingtone.notebook.degrees import HOW, Angle, read_degrees
from wingtone.notebook.grids import (
    BRITISH,
    CONVERSION_ERROR_M,
    IRISH,
    Grid,
    from_grid,
    grid_of,
    in_open_sea,
    square_corner,
    square_letters,
    to_grid,
)

__all__ = [
    "NAME_NOT_UNDERSTOOD",
    "SITE_KM",
    "Place",
    "blur",
    "is_grid_reference",
    "is_place_name",
    "names_spot",
    "parse_place",
    "place_from_degrees",
    "site_of",
    "to_grid_reference",
]

SITE_KM = 1
"""Places of one square count as one site. Ours: bees of one garden stay together however its place was
written, so that learning never has them on both sides of a test, and no comparison takes them apart."""

NAME_NOT_UNDERSTOOD = "this place was not understood: names are not looked up"
"""What is wrong with words alone where a place is wanted."""

MIN_UNCERTAINTY_M = CONVERSION_ERROR_M
TETRADS = "ABCDEFGHIJKLMNPQRSTUVWXYZ"
"""2 km squares of a 10 km square from its south-west corner, northwards, column by column, without O:
the DINTY system (read: a county record centre's guide to grid references)."""
QUARTERS = {"SW": (0, 0), "SE": (5000, 0), "NW": (0, 5000), "NE": (5000, 5000)}
METRES_PER_DEGREE = 111_320.0  # of latitude, WGS84 mean rounded; used for uncertainties only

_SAME_DEG = 1e-5
"""Degrees that differ by less are the same, however they are rounded. Ours: about a metre."""


@dataclass(frozen=True)
class Place:
    """A spot on the earth and how well it is known.

    Attributes
    ----------
    latitude_deg, longitude_deg
        WGS84, north and east positive.
    uncertainty_m
        Radius of the circle that holds the spot, metres; at least 5.
    grid_reference
        The grid reference when the place was given as one, tidied (``TQ 18 75``); else None.
    text
        What was written, without the spaces around it.
    """

    latitude_deg: float
    longitude_deg: float
    uncertainty_m: float
    grid_reference: str | None
    text: str


@dataclass(frozen=True)
class _Square:
    grid: Grid
    easting_m: int
    northing_m: int
    size_m: int


def parse_place(text: str) -> Place:
    """Read a place as people write it.

    Parameters
    ----------
    text
        See the module's list.

    Raises
    ------
    PlaceError
        When it was not understood, or cannot be right: no such square, latitude beyond 90°, latitude and
        longitude the wrong way round, a spot in the open sea near the islands. The remedy says what to try.
    """
    text = text.strip()
    if not text:
        raise PlaceError("no place was given", remedy=HOW)
    if len(text) > 200:
        raise PlaceError("this is too long for a place", remedy=HOW, where=text[:40] + "...")
    try:
        if _looks_like_grid_reference(text):
            return _place_of(_read_square(text), text)
        if is_place_name(text):
            raise PlaceError(NAME_NOT_UNDERSTOOD, remedy=HOW)
        latitude, longitude = read_degrees(text)
        return place_from_degrees(
            latitude.degrees, longitude.degrees, uncertainty_m=_rounding_m(latitude, longitude), text=text
        )
    except PlaceError as error:
        raise PlaceError(error.what, remedy=error.remedy, where=text) from None


def place_from_degrees(
    latitude_deg: float, longitude_deg: float, *, uncertainty_m: float | None = None, text: str = ""
) -> Place:
    """Make a checked `Place` from WGS84 degrees, as a phone or another program gives them.

    Parameters
    ----------
    latitude_deg, longitude_deg
        Degrees, north and east positive.
    uncertainty_m
        Metres; None means not known, which is taken as 100 m (ours: a phone's worst ordinary error).

    Raises
    ------
    PlaceError
        As `parse_place`.
    """
    if not (isfinite(latitude_deg) and isfinite(longitude_deg)):
        raise PlaceError("latitude and longitude must be numbers", remedy=HOW, where=text)
    swapped = 49 <= longitude_deg <= 61.5 and -11 <= latitude_deg <= 2.5 and not 49 <= latitude_deg <= 61.5
    if swapped:
        raise PlaceError(
            f"latitude {latitude_deg:g} and longitude {longitude_deg:g} seem the wrong way round",
            remedy=f"latitude comes first: {longitude_deg:g}, {latitude_deg:g}",
            where=text,
        )
    if abs(latitude_deg) > 90:
        raise PlaceError(
            f"latitude {latitude_deg:g} is not between -90 and 90",
            remedy=_metres_hint(latitude_deg, longitude_deg)
            or ("latitude comes first, then longitude" if abs(longitude_deg) <= 90 else HOW),
            where=text,
        )
    if abs(longitude_deg) > 180:
        raise PlaceError(f"longitude {longitude_deg:g} is not between -180 and 180", remedy=HOW, where=text)
    if in_open_sea(latitude_deg, longitude_deg):
        raise PlaceError(
            "this spot is in the open sea",
            remedy="check the digits and the sign: longitudes west of Greenwich are negative or end in W",
            where=text,
        )
    radius_m = 100.0 if uncertainty_m is None else uncertainty_m
    if not (isfinite(radius_m) and radius_m > 0):
        raise PlaceError("the uncertainty of a place must be more than 0 m", where=text)
    return Place(
        latitude_deg,
        longitude_deg,
        max(MIN_UNCERTAINTY_M, radius_m),
        None,
        text or f"{latitude_deg:.6f}, {longitude_deg:.6f}",
    )


def to_grid_reference(place: Place, *, square_m: int | None = None) -> str | None:
    """Name the grid square a place lies in.

    Parameters
    ----------
    square_m
        Side of the square: 100 000, 10 000, 5000, 2000 (tetrad), 1000, 100, 10 or 1 metres. None: the
        reference the place was given as, or else the smallest square, of a power of ten, no finer than
        the place is known.

    Returns
    -------
    str or None
        None where neither grid serves (abroad, the Channel Islands).
    """
    if square_m is None:
        if place.grid_reference is not None:
            return place.grid_reference
        square_m = _natural_size_m(place)
    square = _square_at(place, square_m)
    return None if square is None else _name(square)


def blur(place: Place, km: int) -> Place:
    """Replace a place by the centre of its 1, 2 or 10 km grid square.

    The result keeps no trace of the exact spot: its text is the square's reference. Where no grid serves,
    latitude and longitude are put on a raster of about that size. A place already known only to a larger
    square comes back with nothing finer than it had.

    Raises
    ------
    PlaceError
        When ``km`` is none of 1, 2 and 10.
    """
    if km not in (1, 2, 10):
        raise PlaceError(f"a place can be blurred to 1, 2 or 10 km, not {km}")
    given = None if place.grid_reference is None else _read_square(place.grid_reference)
    if given is not None:
        square = given if given.size_m >= km * 1000 else _enclosing(given, km * 1000)
        blurred = _place_of(square, _name(square))
        # A place that is known less well than its square lies outside by as much at most.
        beyond = max(0.0, place.uncertainty_m - _place_of(given, "").uncertainty_m)
        return replace(blurred, uncertainty_m=round(blurred.uncertainty_m + beyond, 1))
    around = _square_at(place, max(km * 1000, _natural_size_m(place)))
    if around is not None:
        blurred = _place_of(around, _name(around))
        # A point known to u metres may lie over the square's edge by as much.
        radius = round(blurred.uncertainty_m + place.uncertainty_m, 1)
        return replace(blurred, uncertainty_m=radius)
    step = km * 1000 / METRES_PER_DEGREE
    latitude = min(89.9, max(-89.9, (floor(place.latitude_deg / step) + 0.5) * step))
    step /= cos(radians(latitude))
    longitude = min(180.0, max(-180.0, (floor(place.longitude_deg / step) + 0.5) * step))
    return Place(
        round(latitude, 4),
        round(longitude, 4),
        round(km * 1000 / sqrt(2) + 10 + place.uncertainty_m, 1),  # 10 m for the rounding above
        None,
        f"{latitude:.4f}, {longitude:.4f}",
    )


def site_of(place: Place | None, square_km: int = SITE_KM) -> str:
    """Name the site that a place belongs to: the square, empty for None."""
    if place is None:
        return ""
    square = blur(place, square_km)
    return square.grid_reference or f"{square.latitude_deg:.2f},{square.longitude_deg:.2f}"


def _rounding_m(latitude: Angle, longitude: Angle) -> float:
    """Half the diagonal of the box of positions that round to the digits given, metres."""
    step = min(latitude.step, longitude.step)  # people and programs drop noughts at the end of one number
    north = step / 2 * METRES_PER_DEGREE
    east = step / 2 * METRES_PER_DEGREE * cos(radians(min(90.0, abs(latitude.degrees))))
    return round(max(MIN_UNCERTAINTY_M, hypot(north, east)), 1)


# --- grid references ---------------------------------------------------------------------------------


def is_grid_reference(text: str) -> bool:
    """Whether a text is a grid reference that `parse_place` reads."""
    try:
        _read_square(text)
    except PlaceError:
        return False
    return True


def is_place_name(text: str) -> bool:
    """Whether a text is words alone, such as "Kew Gardens", so that it is neither degrees nor a square."""
    return not re.search(r"\d", text) and not _looks_like_grid_reference(text)


def names_spot(text: str, latitude_deg: float, longitude_deg: float) -> bool:
    """Whether a text is that of a spot: a grid reference whose square holds it, or its degrees.

    So is a text that is no place, as nobody can tell.
    """
    try:
        written = parse_place(text)
    except PlaceError:
        return True
    if not (isfinite(latitude_deg) and isfinite(longitude_deg)):
        return False
    if written.grid_reference is None:
        away = (written.latitude_deg - latitude_deg, written.longitude_deg - longitude_deg)
        return max(map(abs, away)) < _SAME_DEG
    square = _read_square(written.grid_reference)
    easting, northing = to_grid(square.grid, latitude_deg, longitude_deg)
    beyond = (easting - square.easting_m, northing - square.northing_m)
    return all(-CONVERSION_ERROR_M <= metres <= square.size_m + CONVERSION_ERROR_M for metres in beyond)


def _looks_like_grid_reference(text: str) -> bool:
    """One or two letters, perhaps digits and an ending; no degrees with compass letters, and no name."""
    pattern = r"[A-Za-z]{1,2}[\s,/.-]*(\d[\dOo\s,/.-]*[A-Za-z]{0,2})?"
    return re.fullmatch(pattern, text, re.ASCII) is not None


def _read_square(text: str) -> _Square:
    tidy = re.sub(r"[\s,/-]+", " ", text.upper())
    match = re.fullmatch(r"([A-Z]{1,2}) ?([\d ]*?) ?([A-Z]{0,2})", tidy)
    if match is None:
        if re.search(r"\d ?O|O ?\d", tidy[1:]):
            raise PlaceError("there is a letter O among the digits", remedy="write 0 for nought")
        raise PlaceError("this grid reference was not understood", remedy="write it like TQ 187 753, O 15 34")
    letters, digits, suffix = match.groups()
    halves = digits.split()
    if len(halves) == 2 and len(halves[0]) != len(halves[1]):
        raise PlaceError(
            f"the two halves {halves[0]} and {halves[1]} differ in length",
            remedy="give as many digits to the east as to the north",
        )
    digits = "".join(halves)
    if len(digits) % 2:
        raise PlaceError(
            f"a grid reference has an even number of digits, this one {len(digits)}",
            remedy="give as many digits to the east as to the north",
        )
    if len(digits) > 10:
        raise PlaceError("this grid reference is finer than 1 m", remedy="give at most 10 digits")
    grid, easting, northing = square_corner(letters)
    n = len(digits) // 2
    size = 10 ** (5 - n)
    easting += int(digits[:n] or 0) * size
    northing += int(digits[n:] or 0) * size
    if suffix:
        if n != 1:
            raise PlaceError(
                f"the ending {suffix} belongs to a 10 km square",
                remedy="a tetrad looks like TQ17T, a quarter like TQ17NW",
            )
        if suffix in QUARTERS:
            size = 5000
            easting, northing = easting + QUARTERS[suffix][0], northing + QUARTERS[suffix][1]
        elif len(suffix) == 1 and suffix in TETRADS:
            size = 2000
            column, row = divmod(TETRADS.index(suffix), 5)
            easting, northing = easting + column * size, northing + row * size
        else:
            raise PlaceError(
                f"the ending {suffix} is neither a tetrad nor a quarter",
                remedy="tetrads are A to Z without O; quarters are NW, NE, SW, SE",
            )
    return _Square(grid, easting, northing, size)


def _name(square: _Square) -> str:
    """Write a square the usual way: ``TQ 18 75``, ``TQ17T``, ``TQ17NW``, ``TQ``."""
    letters = square_letters(square.grid, square.easting_m, square.northing_m)
    if letters is None:
        raise AssertionError("a square is always on its grid")
    e, n = square.easting_m % 100_000, square.northing_m % 100_000
    if square.size_m == 100_000:
        return letters
    if square.size_m in (5000, 2000):
        ten_km = f"{letters}{e // 10_000}{n // 10_000}"
        e, n = e % 10_000, n % 10_000
        if square.size_m == 2000:
            return ten_km + TETRADS[e // 2000 * 5 + n // 2000]
        return ten_km + next(name for name, corner in QUARTERS.items() if corner == (e, n))
    width = 6 - len(str(square.size_m))
    return f"{letters} {e // square.size_m:0{width}d} {n // square.size_m:0{width}d}"


def _place_of(square: _Square, text: str) -> Place:
    half = square.size_m / 2
    latitude, longitude = from_grid(square.grid, square.easting_m + half, square.northing_m + half)
    radius = max(MIN_UNCERTAINTY_M, square.size_m / sqrt(2))
    return Place(round(latitude, 7), round(longitude, 7), round(radius, 1), _name(square), text)


def _square_at(place: Place, size_m: int) -> _Square | None:
    grid = grid_of(place.latitude_deg, place.longitude_deg)
    if place.grid_reference is not None:  # stay on the grid that was used
        grid = _read_square(place.grid_reference).grid
    if grid is None:
        return None
    easting, northing = to_grid(grid, place.latitude_deg, place.longitude_deg)
    square = _Square(grid, int(easting // size_m) * size_m, int(northing // size_m) * size_m, size_m)
    return square if square_letters(grid, square.easting_m, square.northing_m) in grid.land else None


def _natural_size_m(place: Place) -> int:
    """Side of the smallest square, of a power of ten, that is no finer than the place is known."""
    size = 1
    while size < 100_000 and size / sqrt(2) < place.uncertainty_m * 0.999:
        size *= 10
    return size


def _enclosing(square: _Square, size_m: int) -> _Square:
    return _Square(
        square.grid, square.easting_m // size_m * size_m, square.northing_m // size_m * size_m, size_m
    )


def _metres_hint(first: float, second: float) -> str:
    """For two numbers that look like metres on a grid: the same place with letters."""
    named = [
        f"{_name(_Square(grid, int(first), int(second), 1))} ({grid.name})"
        for grid in (BRITISH, IRISH)
        if square_letters(grid, first, second) in grid.land
    ]
    if not named or max(first, second) < 1000:
        return ""
    return "these look like metres on a grid: write " + " or ".join(named)
