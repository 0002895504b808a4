"""The two national grids against published worked examples, published test points and PROJ."""

from __future__ import annotations

import warnings
from math import cos, hypot, radians
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj.network import set_network_enabled  # type: ignore[attr-defined]
from pyproj.transformer import TransformerGroup

from wingtone.errors import PlaceError
from wingtone.notebook import grids
from wingtone.notebook.grids import (
    BRITISH,
    CONVERSION_ERROR_M,
    IRISH,
    Grid,
    from_grid,
    grid_of,
    in_open_sea,
    project,
    shift_datum,
    square_corner,
    square_letters,
    to_grid,
    unproject,
)

if TYPE_CHECKING:
    import pyproj

# Ordnance Survey, A guide to coordinate systems in Great Britain, annexe C: Caister water tower (read).
CAISTER_DEG = (52 + 39 / 60 + 27.2531 / 3600, 1 + 43 / 60 + 4.5177 / 3600)
CAISTER_M = (651409.903, 313177.270)

# The Ordnance Survey's own test points for its exact transformation (OSTN15 developer pack, files
# OSTN15_OSGM15_TestInput/TestOutput_ETRStoOSGB; through a stored copy, so secondary). Latitude, longitude,
# easting, northing. Contains OS data © Crown copyright and database rights 2016.
OSTN15 = """
49.92226394 -6.29977752 91492.146 11318.804
49.96006138 -5.20304610 170370.718 11572.405
50.43885826 -4.10864564 250359.811 62016.569
50.57563665 -1.29782277 449816.371 75335.861
50.93127938 -1.45051434 438710.920 114792.250
51.40078220 -3.55128349 292184.870 168003.465
51.37447026 1.44454730 639821.835 169565.858
51.42754743 -2.54407618 362269.991 169978.690
51.48936565 -0.11992557 530624.974 178388.464
51.85890896 -4.30852477 241124.584 220332.641
51.89436637 0.89724327 599445.590 225722.826
52.25529382 -2.15458614 389544.190 261912.153
52.25160951 -0.91248957 474335.969 262047.755
52.75136687 0.40153547 562180.547 319784.995
52.96219109 -1.19747656 454002.834 340834.943
53.34480280 -2.64049321 357455.843 383290.436
53.41628516 -4.28918070 247958.971 393492.909
53.41630925 -4.28917793 247959.241 393495.583
53.77911026 -3.04045491 331534.564 431920.794
53.80021520 -1.66379168 422242.186 433818.701
54.08666318 -4.63452168 227778.330 468847.388
54.11685144 -0.07773133 525745.670 470703.214
54.32919541 -4.38849118 244780.636 495254.887
54.89542340 -2.93827741 339921.145 556034.761
54.97912274 -1.61657685 424639.355 565012.703
55.85399953 -4.29649016 256340.925 664697.269
55.92478266 -3.29479219 319188.434 670947.534
57.00606696 -5.82836692 167634.202 797067.144
57.13902519 -2.04856031 397160.491 805349.736
57.48625001 -4.21926399 267056.768 846176.972
57.81351838 -8.57854456 9587.909 899448.996
58.21262247 -7.59255561 71713.132 938516.404
58.51560361 -6.26091456 151968.652 966483.780
58.58120461 -3.72631022 299721.891 967202.992
59.03743871 -3.21454001 330398.323 1017347.016
59.09335035 -4.41757675 261596.778 1025447.602
59.09671617 -5.82799340 180862.461 1029604.114
59.53470794 -1.62516966 421300.525 1072147.239
59.85409914 -1.27486910 440725.073 1107878.448
60.13308092 -2.07382823 395999.668 1138728.951
"""


def test_projection_repeats_the_ordnance_surveys_worked_example_to_the_millimetre() -> None:
    assert project(BRITISH, *CAISTER_DEG) == pytest.approx(CAISTER_M, abs=1e-3)


def test_projection_repeats_the_intermediate_values_of_the_worked_example() -> None:
    # The guide, annexe C: nu, rho, eta squared and M (read).
    nu, rho, eta2 = grids._radii(BRITISH, radians(CAISTER_DEG[0]))
    assert nu == pytest.approx(6.3885023339e6, abs=1e-3)
    assert rho == pytest.approx(6.3727564398e6, abs=1e-3)
    assert eta2 == pytest.approx(2.4708137334e-3, abs=1e-12)
    assert grids._meridian_m(BRITISH, radians(CAISTER_DEG[0])) == pytest.approx(4.0668829595e5, abs=1e-4)


def test_inverse_repeats_the_worked_example() -> None:
    # Given to 0.0001 seconds of arc, 3 mm.
    assert unproject(BRITISH, *CAISTER_M) == pytest.approx(CAISTER_DEG, abs=0.00005 / 3600)


def test_projection_repeats_the_example_of_the_geodetic_registry() -> None:
    # EPSG Guidance Note 7-2, Transverse Mercator: 50°30'N 0°30'E on the National Grid (secondary).
    assert project(BRITISH, 50.5, 0.5) == pytest.approx((577274.99, 69740.50), abs=0.011)


def test_datum_shift_repeats_the_ordnance_surveys_worked_example() -> None:
    # The guide, "Helmert transformation worked example" (read). It rounds its matrix product to 0.1 mm.
    shifted = shift_datum(BRITISH, (3790644.900, -110149.210, 5111482.970))
    assert shifted == pytest.approx((3790269.549, -110038.064, 5111050.261), abs=0.002)


def test_irish_grid_at_a_published_point() -> None:
    # The Spire of Dublin, O 15904 34671, stands at 53.34979 N, 6.26026 W (an encyclopaedia, secondary).
    latitude, longitude = from_grid(IRISH, 315904, 234671)
    assert latitude == pytest.approx(53.34979, abs=2e-5)
    assert longitude == pytest.approx(-6.26026, abs=3e-5)


def test_every_published_test_point_is_met_within_the_stated_error() -> None:
    points = [[float(word) for word in line.split()] for line in OSTN15.split("\n") if line]
    assert len(points) == 40
    errors, back = [], []
    for latitude, longitude, easting, northing in points:
        e, n = to_grid(BRITISH, latitude, longitude)
        errors.append(hypot(e - easting, n - northing))
        la, lo = from_grid(BRITISH, easting, northing)
        back.append(hypot(la - latitude, (lo - longitude) * cos(radians(latitude))) * 111_320)
    print(f"\nagainst the exact transformation: worst {max(errors):.2f} m, mean {sum(errors) / 40:.2f} m")
    assert max(errors) < CONVERSION_ERROR_M
    assert max(back) < CONVERSION_ERROR_M
    # The guide: 3.5 m in 95 % of places. The points sit on capes and islands; 36 of the 40 keep to it.
    assert sum(error <= 3.5 for error in errors) >= 36


def _proj(code: int, name: str) -> pyproj.Transformer:
    """PROJ's own seven-parameter transformation, without the network and without correction files."""
    set_network_enabled(False)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # PROJ says that its best file is missing: that is intended
        group = TransformerGroup(f"EPSG:{code}", "EPSG:4326", always_xy=True)
    (found,) = [t for t in group.transformers if name in t.description]
    return found


@pytest.mark.parametrize(
    ("grid", "code", "name"),
    [(BRITISH, 27700, "OSGB36 to WGS 84 (6)"), (IRISH, 29903, "TM75 to WGS 84 (2)")],
    ids=["British", "Irish"],
)
def test_whole_grid_agrees_with_proj(grid: Grid, code: int, name: str) -> None:
    transformer = _proj(code, name)
    there, back, count = 0.0, 0.0, 0
    for easting in range(5_000, grid.width_m, 10_000):
        for northing in range(5_000, grid.height_m, 10_000):
            if square_letters(grid, easting, northing) not in grid.land:
                continue
            count += 1
            longitude, latitude = transformer.transform(easting, northing)
            e, n = to_grid(grid, latitude, longitude)
            there = max(there, hypot(e - easting, n - northing))
            la, lo = from_grid(grid, easting, northing)
            back = max(back, hypot(la - latitude, (lo - longitude) * cos(radians(latitude))) * 111_320)
    print(f"\n{grid.name} grid, {count} points: worst {there:.3f} m to the grid, {back:.3f} m from it")
    assert count == 100 * len(grid.land)
    # PROJ rounds the shift to 0.01 m and 0.001"; on the Irish grid the two turn the parameters differently.
    assert max(there, back) < 0.06


@pytest.mark.parametrize("grid", [BRITISH, IRISH], ids=["British", "Irish"])
@given(x=st.floats(0, 1), y=st.floats(0, 1))
def test_there_and_back_is_the_same_spot(grid: Grid, x: float, y: float) -> None:
    easting, northing = x * grid.width_m, y * grid.height_m
    e, n = to_grid(grid, *from_grid(grid, easting, northing))
    assert hypot(e - easting, n - northing) < 0.05  # the series are cut off: cm at the far corners


def test_lettering_follows_the_published_chart() -> None:
    # Rows of the chart from north to south (an encyclopaedia's table, secondary).
    chart = (
        "HL HM HN HO HP JL JM/HQ HR HS HT HU JQ JR/HV HW HX HY HZ JV JW/NA NB NC ND NE OA OB/"
        "NF NG NH NJ NK OF OG/NL NM NN NO NP OL OM/NQ NR NS NT NU OQ OR/NV NW NX NY NZ OV OW/"
        "SA SB SC SD SE TA TB/SF SG SH SJ SK TF TG/SL SM SN SO SP TL TM/SQ SR SS ST SU TQ TR/"
        "SV SW SX SY SZ TV TW"
    )
    for row, names in enumerate(chart.split("/")):
        for column, name in enumerate(names.split()):
            assert square_letters(BRITISH, column * 1e5, (12 - row) * 1e5 + 99_999.9) == name
    irish = ["ABCDE", "FGHJK", "LMNOP", "QRSTU", "VWXYZ"]
    for row, names in enumerate(irish):
        for column, name in enumerate(names):
            assert square_letters(IRISH, column * 1e5 + 99_999.9, (4 - row) * 1e5) == name


def test_there_are_56_british_and_18_irish_squares_with_land() -> None:
    assert (len(BRITISH.land), len(IRISH.land)) == (56, 18)
    for grid in (BRITISH, IRISH):
        for letters in grid.land:
            found, easting, northing = square_corner(letters)
            assert found is grid
            assert square_letters(grid, easting, northing) == letters


@pytest.mark.parametrize(("easting", "northing"), [(-1, 0), (0, -1), (700_000, 0), (0, 1_300_000)])
def test_off_the_grid_has_no_letters(easting: int, northing: int) -> None:
    assert square_letters(BRITISH, easting, northing) is None


# Towns and capes on both sides of the narrow sea; rough positions from memory.
@pytest.mark.parametrize(
    ("latitude", "longitude", "grid"),
    [
        (53.35, -6.26, IRISH),  # Dublin
        (54.60, -5.93, IRISH),  # Belfast
        (54.64, -5.54, IRISH),  # Donaghadee
        (54.84, -5.80, IRISH),  # Larne
        (55.29, -6.20, IRISH),  # Rathlin
        (55.38, -7.37, IRISH),  # Malin Head
        (52.18, -6.37, IRISH),  # Carnsore Point
        (51.48, -9.70, IRISH),  # Mizen Head
        (54.84, -5.11, BRITISH),  # Portpatrick
        (54.90, -5.03, BRITISH),  # Stranraer
        (55.43, -5.61, BRITISH),  # Campbeltown
        (55.32, -5.80, BRITISH),  # Mull of Kintyre
        (55.63, -6.19, BRITISH),  # Port Ellen
        (54.15, -4.48, BRITISH),  # Douglas
        (53.31, -4.63, BRITISH),  # Holyhead
        (51.88, -5.27, BRITISH),  # St David's
        (49.91, -6.32, BRITISH),  # Isles of Scilly
        (51.46, -0.30, BRITISH),  # Kew
        (60.15, -1.15, BRITISH),  # Lerwick
        (57.81, -8.58, BRITISH),  # St Kilda
        (49.19, -2.11, None),  # Jersey
        (48.86, 2.35, None),  # Paris
        (40.71, -74.01, None),  # New York
    ],
)
def test_the_grid_that_serves_a_place(latitude: float, longitude: float, grid: Grid | None) -> None:
    assert grid_of(latitude, longitude) is grid
    assert not in_open_sea(latitude, longitude)


@pytest.mark.parametrize(("latitude", "longitude"), [(55.0, 1.5), (53.0, -15.0), (58.5, -10.0), (50.5, -8.0)])
def test_open_sea_near_the_islands(latitude: float, longitude: float) -> None:
    assert in_open_sea(latitude, longitude)


@pytest.mark.parametrize(
    ("letters", "remedy"),
    [
        ("QT", "did you mean TQ"),
        ("TX", "TA, TF, TG"),
        ("ZZ", "begin with H, N, O, S or T"),
        ("A", "Irish squares with land are B, C"),
        ("WV", "Channel Islands"),
        ("I", "Irish squares"),
    ],
)
def test_wrong_letters_are_refused_with_a_hint(letters: str, remedy: str) -> None:
    with pytest.raises(PlaceError, match="with land in it") as caught:
        square_corner(letters)
    assert remedy in caught.value.remedy
