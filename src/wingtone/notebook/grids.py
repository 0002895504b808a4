"""The British and the Irish national grid: latitude and longitude to metres and back, and the letters.

Everything is worked out here with nothing but :mod:`math`; no network and no correction files.

Conventions
-----------
Latitude and longitude are degrees on WGS84, north and east positive. Eastings and northings are metres
from the false origin of a grid. Heights are taken as zero.

How good it is
--------------
The projections follow the series in the Ordnance Survey's *A guide to coordinate systems in Great
Britain*, annexe C (read), and repeat its worked example to the millimetre. The shift of datum is the
seven-parameter one, which the guide says is good to 3.5 metres in 95 % of places (read); against the 40
test points that the Ordnance Survey publishes with its exact transformation our worst error is under
5 metres (measured in ``tests/notebook/test_grids.py``). That is the size of ``CONVERSION_ERROR_M``.

Functions: `to_grid`, `from_grid`, `project`, `unproject`, `shift_datum`, `square_letters`,
`square_corner`, `grid_of`, `in_open_sea`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import atan2, cos, degrees, hypot, radians, sin, sqrt, tan

from wingtone.errors import PlaceError

__all__ = [
    "BRITISH",
    "CONVERSION_ERROR_M",
    "IRISH",
    "Grid",
    "from_grid",
    "grid_of",
    "in_open_sea",
    "project",
    "shift_datum",
    "square_corner",
    "square_letters",
    "to_grid",
    "unproject",
]

CONVERSION_ERROR_M = 5.0
"""Largest error of our shift of datum over the Ordnance Survey's 40 test points, rounded up (measured)."""

SQUARE_M = 100_000  # side of a lettered square of either grid
LETTERS = "ABCDEFGHJKLMNOPQRSTUVWXYZ"  # I is not used in either grid

_BRITISH_ROWS = {
    "H": "PTUWXYZ",
    "N": "ABCDFGHJKLMNORSTUWXYZ",
    "O": "V",
    "S": "CDEHJKMNOPRSTUVWXYZ",
    "T": "AFGLMQRV",
}
BRITISH_LAND = frozenset(first + second for first, row in _BRITISH_ROWS.items() for second in row)
"""The 56 lettered squares with land in them, Isle of Man included (number and extremes read; list from
memory, complete by its count)."""

IRISH_LAND = frozenset("BCDFGHJLMNOQRSTVWX")
"""The 18 lettered squares with land: all 25 but A, E, K, P, U, Y and Z (secondary, an encyclopaedia)."""


@dataclass(frozen=True)
class Grid:
    """A national grid: ellipsoid, transverse Mercator projection and shift of datum from WGS84.

    ``shift`` holds tx, ty, tz in metres, the scale in parts per million and rx, ry, rz in seconds of
    arc, position-vector convention, for WGS84 to the grid's own datum.
    """

    name: str
    a_m: float
    b_m: float
    latitude_0_deg: float
    longitude_0_deg: float
    scale_0: float
    easting_0_m: float
    northing_0_m: float
    shift: tuple[float, float, float, float, float, float, float]
    width_m: int
    height_m: int
    land: frozenset[str]


BRITISH = Grid(
    "British",
    # Airy 1830, National Grid and WGS84 to OSGB36: Ordnance Survey, A guide to coordinate systems in
    # Great Britain, annexes A and C and "Approximate WGS84 to OSGB36/ODN transformation" (read).
    a_m=6377563.396,
    b_m=6356256.909,
    latitude_0_deg=49.0,
    longitude_0_deg=-2.0,
    scale_0=0.9996012717,
    easting_0_m=400_000.0,
    northing_0_m=-100_000.0,
    shift=(-446.448, 125.157, -542.060, 20.4894, -0.1502, -0.2470, -0.8421),
    width_m=700_000,
    height_m=1_300_000,
    land=BRITISH_LAND,
)

IRISH = Grid(
    "Irish",
    # Airy Modified 1849 and TM75 / Irish Grid: EPSG 29903 (read). Shift: Ordnance Survey of Ireland and of
    # Northern Ireland, Making maps compatible with GPS (1999), level 2; numbers through EPSG 1954 and
    # stored copies (secondary), given there for TM75 to ETRS89 and turned round by their signs, which
    # costs less than a centimetre.
    a_m=6377340.189,
    b_m=6377340.189 * (1 - 1 / 299.3249646),
    latitude_0_deg=53.5,
    longitude_0_deg=-8.0,
    scale_0=1.000035,
    easting_0_m=200_000.0,
    northing_0_m=250_000.0,
    shift=(-482.530, 130.596, -564.557, -8.150, 1.042, 0.214, 0.631),
    width_m=500_000,
    height_m=500_000,
    land=IRISH_LAND,
)

_WGS84_A_M, _WGS84_B_M = 6378137.0, 6356752.3142  # the guide, annexe A (read)


def _meridian_m(grid: Grid, latitude: float) -> float:
    """Arc of the meridian from the true origin, metres (the guide, equation C3)."""
    n = (grid.a_m - grid.b_m) / (grid.a_m + grid.b_m)
    n2, n3 = n * n, n * n * n
    less, more = latitude - radians(grid.latitude_0_deg), latitude + radians(grid.latitude_0_deg)
    return (
        grid.b_m
        * grid.scale_0
        * (
            (1 + n + 1.25 * n2 + 1.25 * n3) * less
            - (3 * n + 3 * n2 + 21 / 8 * n3) * sin(less) * cos(more)
            + 15 / 8 * (n2 + n3) * sin(2 * less) * cos(2 * more)
            - 35 / 24 * n3 * sin(3 * less) * cos(3 * more)
        )
    )


def _radii(grid: Grid, latitude: float) -> tuple[float, float, float]:
    """Return the guide's nu and rho (metres, scaled) and eta squared (equation C2)."""
    e2 = 1 - (grid.b_m / grid.a_m) ** 2
    w = 1 - e2 * sin(latitude) ** 2
    nu = grid.a_m * grid.scale_0 / sqrt(w)
    rho = grid.a_m * grid.scale_0 * (1 - e2) * w**-1.5
    return nu, rho, nu / rho - 1


def project(grid: Grid, latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
    """Project latitude and longitude *on the grid's own datum* to easting and northing, metres.

    The series of the guide, annexe C. Within six degrees of the central meridian it is good to about a
    millimetre; both islands lie within that.
    """
    latitude = radians(latitude_deg)
    nu, rho, eta2 = _radii(grid, latitude)
    s, c, t2 = sin(latitude), cos(latitude), tan(latitude) ** 2
    p = radians(longitude_deg - grid.longitude_0_deg)
    i = _meridian_m(grid, latitude) + grid.northing_0_m
    ii = nu / 2 * s * c
    iii = nu / 24 * s * c**3 * (5 - t2 + 9 * eta2)
    iiia = nu / 720 * s * c**5 * (61 - 58 * t2 + t2 * t2)
    iv = nu * c
    v = nu / 6 * c**3 * (nu / rho - t2)
    vi = nu / 120 * c**5 * (5 - 18 * t2 + t2 * t2 + 14 * eta2 - 58 * t2 * eta2)
    return grid.easting_0_m + iv * p + v * p**3 + vi * p**5, i + ii * p**2 + iii * p**4 + iiia * p**6


def unproject(grid: Grid, easting_m: float, northing_m: float) -> tuple[float, float]:
    """Undo `project`: degrees on the grid's own datum (the guide, annexe C)."""
    latitude = radians(grid.latitude_0_deg)
    for _ in range(20):
        rest = northing_m - grid.northing_0_m - _meridian_m(grid, latitude)
        latitude += rest / (grid.a_m * grid.scale_0)
        if abs(rest) < 1e-5:
            break
    nu, rho, eta2 = _radii(grid, latitude)
    t = tan(latitude)
    t2, sec = t * t, 1 / cos(latitude)
    d = easting_m - grid.easting_0_m
    vii = t / (2 * rho * nu)
    viii = t / (24 * rho * nu**3) * (5 + 3 * t2 + eta2 - 9 * t2 * eta2)
    ix = t / (720 * rho * nu**5) * (61 + 90 * t2 + 45 * t2 * t2)
    x = sec / nu
    xi = sec / (6 * nu**3) * (nu / rho + 2 * t2)
    xii = sec / (120 * nu**5) * (5 + 28 * t2 + 24 * t2 * t2)
    xiia = sec / (5040 * nu**7) * (61 + 662 * t2 + 1320 * t2 * t2 + 720 * t2**3)
    longitude = radians(grid.longitude_0_deg) + x * d - xi * d**3 + xii * d**5 - xiia * d**7
    return degrees(latitude - vii * d**2 + viii * d**4 - ix * d**6), degrees(longitude)


def shift_datum(grid: Grid, xyz: tuple[float, float, float]) -> tuple[float, float, float]:
    """Move earth-centred WGS84 coordinates, metres, to the grid's datum (the guide, equation 3)."""
    tx, ty, tz, ppm, rx_s, ry_s, rz_s = grid.shift
    s = ppm * 1e-6
    rx, ry, rz = radians(rx_s / 3600), radians(ry_s / 3600), radians(rz_s / 3600)
    x, y, z = xyz
    return (
        tx + (1 + s) * x - rz * y + ry * z,
        ty + rz * x + (1 + s) * y - rx * z,
        tz - ry * x + rx * y + (1 + s) * z,
    )


def _unshift_datum(grid: Grid, xyz: tuple[float, float, float]) -> tuple[float, float, float]:
    """Undo `shift_datum` by repetition; each round brings it nearer by a factor of about 10**5."""
    guess = xyz
    for _ in range(3):
        back = shift_datum(grid, guess)
        guess = (guess[0] + xyz[0] - back[0], guess[1] + xyz[1] - back[1], guess[2] + xyz[2] - back[2])
    return guess


def _to_xyz(a_m: float, b_m: float, latitude_deg: float, longitude_deg: float) -> tuple[float, float, float]:
    e2 = 1 - (b_m / a_m) ** 2
    latitude, longitude = radians(latitude_deg), radians(longitude_deg)
    nu = a_m / sqrt(1 - e2 * sin(latitude) ** 2)
    return (
        nu * cos(latitude) * cos(longitude),
        nu * cos(latitude) * sin(longitude),
        nu * (1 - e2) * sin(latitude),
    )


def _from_xyz(a_m: float, b_m: float, xyz: tuple[float, float, float]) -> tuple[float, float]:
    x, y, z = xyz
    e2 = 1 - (b_m / a_m) ** 2
    p = hypot(x, y)
    latitude = atan2(z, p * (1 - e2))
    for _ in range(6):
        nu = a_m / sqrt(1 - e2 * sin(latitude) ** 2)
        latitude = atan2(z + e2 * nu * sin(latitude), p)
    return degrees(latitude), degrees(atan2(y, x))


def to_grid(grid: Grid, latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
    """Easting and northing in metres of a WGS84 point; also far outside the grid, where they mean little."""
    local = shift_datum(grid, _to_xyz(_WGS84_A_M, _WGS84_B_M, latitude_deg, longitude_deg))
    return project(grid, *_from_xyz(grid.a_m, grid.b_m, local))


def from_grid(grid: Grid, easting_m: float, northing_m: float) -> tuple[float, float]:
    """WGS84 latitude and longitude, degrees, of a point given in metres on the grid."""
    local = _to_xyz(grid.a_m, grid.b_m, *unproject(grid, easting_m, northing_m))
    return _from_xyz(_WGS84_A_M, _WGS84_B_M, _unshift_datum(grid, local))


def square_letters(grid: Grid, easting_m: float, northing_m: float) -> str | None:
    """Letters of the 100 km square of a point; None when it lies off the grid."""
    if not (0 <= easting_m < grid.width_m and 0 <= northing_m < grid.height_m):
        return None
    column, row = int(easting_m // SQUARE_M), int(northing_m // SQUARE_M)
    if grid is IRISH:
        return LETTERS[(4 - row) * 5 + column]
    # The British letters count squares of 500 km from a corner 1000 km west and 500 km south of the
    # origin, so that the origin is the corner of SV.
    column, row = column + 10, row + 5
    return LETTERS[(4 - row // 5) * 5 + column // 5] + LETTERS[(4 - row % 5) * 5 + column % 5]


def square_corner(letters: str) -> tuple[Grid, int, int]:
    """Grid, easting and northing of the south-west corner of a lettered square with land in it.

    One letter is Irish, two are British. ``I`` before an Irish letter is allowed: recorders' files often
    have it (common practice, no source), and no British square begins with I.

    Raises
    ------
    PlaceError
        When there is no such square, or only sea in it.
    """
    if len(letters) == 2 and letters[0] == "I":
        letters = letters[1]
    grid = IRISH if len(letters) == 1 else BRITISH
    if letters not in grid.land:
        raise PlaceError(
            f"the {grid.name} grid has no square {letters} with land in it", remedy=_other_letters(letters)
        )
    index = [LETTERS.index(letter) for letter in letters]
    easting, northing = index[-1] % 5 * SQUARE_M, (4 - index[-1] // 5) * SQUARE_M
    if grid is BRITISH:  # S, in the fourth row from the north and the third column, begins at the origin
        easting += (index[0] % 5 - 2) * 5 * SQUARE_M
        northing += (3 - index[0] // 5) * 5 * SQUARE_M
    return grid, easting, northing


def _other_letters(letters: str) -> str:
    if letters in ("WA", "WV"):
        return "for the Channel Islands give latitude and longitude, such as 49.19, -2.11"
    if letters[::-1] in BRITISH_LAND:
        return f"did you mean {letters[::-1]}?"
    if len(letters) == 1:
        return f"Irish squares with land are {', '.join(sorted(IRISH_LAND))}; British ones have two letters"
    near = [letters[0] + second for second in _BRITISH_ROWS.get(letters[0], "")]
    if not near:
        return "British squares begin with H, N, O, S or T"
    return f"squares with land are {', '.join(near)}"


# The sea between the islands as a line from south to north (latitude, longitude): west of it is Ireland.
# Drawn by us between the nearest capes (Carnsore and St David's, Donaghadee and Portpatrick, Torr Head
# and the Mull of Kintyre, Rathlin and Islay), whose positions are from memory.
_BETWEEN = ((51.3, -6.0), (53.5, -5.7), (54.2, -5.35), (55.0, -5.35), (55.25, -5.93), (55.5, -6.6))


def grid_of(latitude_deg: float, longitude_deg: float) -> Grid | None:
    """Tell which national grid serves a point; None when neither does (abroad, the Channel Islands)."""
    for (south, west), (north, east) in pairwise(_BETWEEN):
        if south <= latitude_deg < north:
            edge = west + (east - west) * (latitude_deg - south) / (north - south)
            if longitude_deg < edge:
                letters = square_letters(IRISH, *to_grid(IRISH, latitude_deg, longitude_deg))
                return IRISH if letters in IRISH_LAND else None
    if not (49 < latitude_deg < 62 and -11 < longitude_deg < 4):
        return None  # too far away for the series to mean anything
    letters = square_letters(BRITISH, *to_grid(BRITISH, latitude_deg, longitude_deg))
    return BRITISH if letters in BRITISH_LAND else None


def in_open_sea(latitude_deg: float, longitude_deg: float) -> bool:
    """Whether a point near the islands lies in a 100 km square without any land.

    Coarse on purpose: it catches a wrong sign or a slip of digits, not a bee on a beach. Points away from
    the islands are never called sea.
    """
    if 49 < latitude_deg < 61 and -25 < longitude_deg < -11:
        return True  # the Atlantic west of Ireland
    if not (49 < latitude_deg < 62 and -11 <= longitude_deg < 4):
        return False
    if square_letters(IRISH, *to_grid(IRISH, latitude_deg, longitude_deg)) in IRISH_LAND:
        return False
    letters = square_letters(BRITISH, *to_grid(BRITISH, latitude_deg, longitude_deg))
    if letters is None:
        return longitude_deg < -5  # north of 49° there is no land between there and Ireland's squares
    # TW lies in France; the only land in OV is a strip of foreshore.
    return letters not in BRITISH_LAND - {"OV"} | {"TW"}
