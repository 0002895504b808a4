"""Places as people write them."""

from __future__ import annotations

import dataclasses
from math import cos, hypot, radians, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wingtone.errors import PlaceError
from wingtone.notebook.grids import BRITISH, IRISH, from_grid
from wingtone.notebook.places import Place, blur, parse_place, place_from_degrees, to_grid_reference


def metres_between(a: Place, b: Place) -> float:
    north = (a.latitude_deg - b.latitude_deg) * 111_320
    return hypot(north, (a.longitude_deg - b.longitude_deg) * 111_320 * cos(radians(a.latitude_deg)))


@pytest.mark.parametrize(
    "text",
    [
        "51.46,-0.30",
        "51.46, -0.30",
        "51.46 -0.30",
        "51.46-0.30",
        "51.46;-0.30",
        "51.46 / -0.30",
        "  +51.46 , -0.30  ",
        "51.46−0.30",  # minus sign
        "51.46°, –0.30°",  # dash
        "51,46 -0,30",
        "51,46; -0,30",
        "51.46N 0.30W",
        "51.46 N, 0.30 W",
        "51.46n, 0.30w",
        "51.46° North, 0.30° West",
        "N51.46 W0.30",
        "N 51.46, W 0.30",
        "0.30W 51.46N",
        "W0.30, N51.46",
        "lat 51.46 long -0.30",
        "Latitude: 51.46, Longitude: -0.30",
        "lon -0.30, lat 51.46",
        "-0.30 longitude, 51.46 latitude",
        "(51.46, -0.30)",
        "geo:51.46,-0.30",
        "51°27'36\"N 0°18'0\"W",
        "51°27′36″N, 0°18′0″W",
        "51º27’36”N 0º18’0”W",
        "51° 27' 36'' N, 0° 18' 0'' W",
        "51 27 36 N 0 18 0 W",
        "51 27 36, -0 18 0",
        "51 27 36 -0 18 0",
        "N51 27 36 W0 18 0",
        "51 27.6 N, 0 18.0 W",
        "51 deg 27 min 36 sec N, 0 deg 18 min 0 sec W",
        "+51.46-000.30/",
        "+51.46-000.30",
        "+51.4600-000.3000+012.5/",
        "+51.46-000.30CRSWGS_84/",
        "+5127.6-00018.0/",
        "+512736-0001800/",
    ],
)
def test_latitude_and_longitude_as_people_write_them(text: str) -> None:
    place = parse_place(text)
    assert place.latitude_deg == pytest.approx(51.46, abs=1e-9)
    assert place.longitude_deg == pytest.approx(-0.30, abs=1e-9)
    assert place.grid_reference is None
    assert place.text == text.strip()


def test_southern_and_eastern_places() -> None:
    place = parse_place("41°17'11\"S 174°46'34\"E")
    assert (place.latitude_deg, place.longitude_deg) == pytest.approx((-41.28639, 174.77611), abs=1e-5)


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        # half a unit of the last digit north and east; a degree of latitude is 111.3 km (handbook value)
        ("51,0", hypot(0.5, 0.5 * cos(radians(51))) * 111_320),
        ("51.46, -0.30", hypot(0.005, 0.005 * cos(radians(51.46))) * 111_320),
        ("51.46, -0.3", hypot(0.005, 0.005 * cos(radians(51.46))) * 111_320),
        ("51 27 N 0 18 W", hypot(0.5, 0.5 * cos(radians(51.45))) * 111_320 / 60),
        ("51.4612345, -0.3012345", 5.0),
    ],
)
def test_uncertainty_follows_the_digits_given(text: str, metres: float) -> None:
    assert parse_place(text).uncertainty_m == pytest.approx(metres, abs=0.06)


@pytest.mark.parametrize(
    ("text", "tidy", "easting", "northing", "size"),
    [
        ("TQ", "TQ", 500_000, 100_000, 100_000),
        ("tq17", "TQ 1 7", 510_000, 170_000, 10_000),
        ("TQ17NW", "TQ17NW", 510_000, 175_000, 5000),
        ("TQ17T", "TQ17T", 516_000, 176_000, 2000),
        ("TQ17 t", "TQ17T", 516_000, 176_000, 2000),
        ("TQ75G", "TQ75G", 572_000, 152_000, 2000),  # a county record centre's example of a tetrad (read)
        ("TQ 18 75", "TQ 18 75", 518_000, 175_000, 1000),
        ("TQ1875", "TQ 18 75", 518_000, 175_000, 1000),
        ("TQ 1875", "TQ 18 75", 518_000, 175_000, 1000),
        ("TQ 18, 75", "TQ 18 75", 518_000, 175_000, 1000),
        ("NN166712", "NN 166 712", 216_600, 771_200, 100),  # Ben Nevis (encyclopaedia, read)
        ("NN 1665 7125", "NN 1665 7125", 216_650, 771_250, 10),
        ("NN 16650 71250", "NN 16650 71250", 216_650, 771_250, 1),
        ("HP 62 16", "HP 62 16", 462_000, 1_216_000, 1000),
    ],
)
def test_british_grid_references(text: str, tidy: str, easting: int, northing: int, size: int) -> None:
    place = parse_place(text)
    assert place.grid_reference == tidy
    centre = from_grid(BRITISH, easting + size / 2, northing + size / 2)
    assert (place.latitude_deg, place.longitude_deg) == pytest.approx(centre, abs=1e-7)
    assert place.uncertainty_m == pytest.approx(max(5.0, size * sqrt(2) / 2), abs=0.06)


@pytest.mark.parametrize(
    ("text", "tidy", "easting", "northing", "size"),
    [
        ("O", "O", 300_000, 200_000, 100_000),
        ("O13", "O 1 3", 310_000, 230_000, 10_000),
        ("O13M", "O13M", 314_000, 234_000, 2000),
        ("o1534", "O 15 34", 315_000, 234_000, 1000),
        ("IO 15 34", "O 15 34", 315_000, 234_000, 1000),
        ("J 025 744", "J 025 744", 302_500, 374_400, 100),
        ("O 15904 34671", "O 15904 34671", 315_904, 234_671, 1),
    ],
)
def test_irish_grid_references(text: str, tidy: str, easting: int, northing: int, size: int) -> None:
    place = parse_place(text)
    assert place.grid_reference == tidy
    centre = from_grid(IRISH, easting + size / 2, northing + size / 2)
    assert (place.latitude_deg, place.longitude_deg) == pytest.approx(centre, abs=1e-7)


def test_tetrads_follow_the_published_scheme() -> None:
    # The chart read from north to south; its second row spells DINTY.
    for row, letters in enumerate(["EJPUZ", "DINTY", "CHMSX", "BGLRW", "AFKQV"]):
        for column, letter in enumerate(letters):
            inside = f"TQ {10 + 2 * column} {70 + 2 * (4 - row)}"
            assert to_grid_reference(parse_place(inside), square_m=2000) == f"TQ17{letter}"


@pytest.mark.parametrize(
    ("text", "what", "remedy"),
    [
        ("", "no place", "latitude, longitude"),
        ("x" * 300, "too long", "latitude"),
        ("the garden", "not understood", "TQ 18 75"),
        ("Kew", "names are not looked up", "TQ 18 75"),
        ("Stow", "names are not looked up", "TQ 18 75"),
        ("home", "names are not looked up", "TQ 18 75"),
        ("51.46", "not found", "latitude"),
        ("1 2 3", "not found", "latitude"),
        ("1,2,3", "too many commas", "latitude"),
        ("51.46, -0.30, 12", "too many commas", "latitude"),
        ("51.46, abc", "not understood", "latitude"),
        ("QT 12 34", "no square QT", "TQ"),
        ("TX 12 34", "no square TX", "TQ"),
        ("A 12 34", "no square A", "Irish"),
        ("WV 65 48", "no square WV", "Channel Islands"),
        ("TQ 123", "even number of digits", "as many digits to the east"),
        ("TQ 18 753", "differ in length", "as many digits"),
        ("TQ 123456 123456", "finer than 1 m", "10 digits"),
        ("TQ 1O 75", "letter O", "nought"),
        ("TQ 18.5 75.2", "not understood", "TQ 187 753"),
        ("TQ 12 34 T", "10 km square", "TQ17T"),
        ("TQ17O", "neither a tetrad", "without O"),
        ("TQ17XX", "neither a tetrad", "quarters"),
        ("-0.30, 51.46", "wrong way round", "51.46, -0.3"),
        ("-7.5, 53.4", "wrong way round", "53.4, -7.5"),
        ("91, 0", "not between -90 and 90", "latitude comes first"),
        ("120, 200", "not between -90 and 90", "latitude"),
        ("10, 200", "not between -180 and 180", "latitude"),
        ("518700 175300", "not between -90 and 90", "TQ 18700 75300 (British)"),
        ("315904, 234671", "not between -90 and 90", "O 15904 34671 (Irish)"),
        ("55.0, 1.0", "open sea", "west of Greenwich are negative"),
        ("53.3, -16.2", "open sea", "sign"),
        ("51 70 N, 0 18 W", "70 minutes", "latitude"),
        ("51 27 61 N, 0 18 0 W", "61 seconds", "latitude"),
        ("51.46N, 0.30N", "both numbers are given as latitude", "latitude"),
        ("-51.46S, 0.30E", "both a minus sign and S", "one of the two"),
        ('51.46", 0.30', "wrong place", "latitude"),
        ("lat 51.46E, long 0.30", "does not go with", "latitude"),
        ("51 27.5 36, 0 18 0", "not found", "latitude"),
        ("+514-000/", "wrong number of digits", "latitude"),
        ("+51234-0001800/", "wrong number of digits", "latitude"),
    ],
)
def test_each_mistake_is_named_with_a_remedy(text: str, what: str, remedy: str) -> None:
    with pytest.raises(PlaceError) as caught:
        parse_place(text)
    assert what in caught.value.what
    assert remedy in caught.value.remedy
    assert "\n" not in str(caught.value)


def test_the_message_quotes_what_was_written() -> None:
    """Not what is left of it once a compass letter was read off its front."""
    with pytest.raises(PlaceError) as caught:
        parse_place("nowhere 5")
    assert str(caught.value).startswith("nowhere 5: this place was not understood (")


@given(st.text(max_size=40))
def test_any_text_is_a_place_or_a_place_error(text: str) -> None:
    try:
        place = parse_place(text)
    except PlaceError:
        return
    assert abs(place.latitude_deg) <= 90
    assert abs(place.longitude_deg) <= 180
    assert place.uncertainty_m >= 5


@given(st.text(alphabet="TQNSEWOI0123456789.,+-°'\" /", max_size=24))
def test_nearly_right_texts_are_places_or_place_errors(text: str) -> None:
    try:
        place = parse_place(text)
    except PlaceError:
        return
    assert abs(place.latitude_deg) <= 90


latitudes = st.floats(-89, 89).map(lambda x: round(x, 6))
longitudes = st.floats(-179, 179).map(lambda x: round(x, 6))


@given(latitudes, longitudes)
def test_degrees_come_back_as_written(latitude: float, longitude: float) -> None:
    try:
        made = place_from_degrees(latitude, longitude)
    except PlaceError:
        with pytest.raises(PlaceError):
            parse_place(f"{latitude:.6f}, {longitude:.6f}")
        return
    read = parse_place(f"{latitude:.6f}, {longitude:.6f}")
    assert (read.latitude_deg, read.longitude_deg) == (latitude, longitude)
    assert parse_place(made.text).latitude_deg == pytest.approx(latitude, abs=1e-6)
    ns, ew = ("N" if latitude >= 0 else "S"), ("E" if longitude >= 0 else "W")
    dms = f"{_dms(latitude)}{ns} {_dms(longitude)}{ew}"
    again = parse_place(dms)
    assert again.latitude_deg == pytest.approx(latitude, abs=1e-7)
    assert again.longitude_deg == pytest.approx(longitude, abs=1e-7)


def _dms(value: float) -> str:
    total = round(abs(value) * 3600, 4)
    minutes, seconds = divmod(total, 60)
    degrees, minutes = divmod(int(minutes), 60)
    return f"{degrees}°{minutes}'{seconds:.4f}\""


squares = st.sampled_from(sorted(BRITISH.land | IRISH.land))


@given(squares, st.integers(0, 5), st.data())
def test_a_grid_reference_comes_back_from_its_point(letters: str, digits: int, data: st.DataObject) -> None:
    e, n = (data.draw(st.integers(0, 10**digits - 1)) for _ in range(2))
    text = f"{letters} {e:0{digits}d} {n:0{digits}d}" if digits else letters
    place = parse_place(text)
    assert place.grid_reference == text
    assert to_grid_reference(place) == text
    assert to_grid_reference(place, square_m=10 ** (5 - digits)) == text
    assert parse_place(text.replace(" ", "").lower()).grid_reference == text


@given(squares, st.integers(0, 99_999), st.integers(0, 99_999), st.sampled_from([1, 2, 10]))
def test_blurring_a_reference_gives_the_square_around_it(letters: str, e: int, n: int, km: int) -> None:
    place = parse_place(f"{letters} {e:05d} {n:05d}")
    coarse = blur(place, km)
    assert coarse.uncertainty_m == pytest.approx(km * 1000 / sqrt(2), abs=0.06)
    assert metres_between(place, coarse) <= coarse.uncertainty_m * 1.002  # the sphere used here is rough
    assert coarse.text == coarse.grid_reference
    assert f"{e:05d}" not in coarse.text
    assert blur(coarse, km) == coarse


@given(latitudes, longitudes, st.floats(5, 5000), st.sampled_from([1, 2, 10]))
def test_blurring_degrees_still_holds_the_spot(latitude: float, longitude: float, u: float, km: int) -> None:
    try:
        place = place_from_degrees(latitude, longitude, uncertainty_m=u)
    except PlaceError:
        return
    coarse = blur(place, km)
    assert metres_between(place, coarse) + u <= coarse.uncertainty_m * 1.01 + u * 0.01
    assert coarse.uncertainty_m >= km * 1000 / sqrt(2)
    assert place.text not in coarse.text


@pytest.mark.parametrize("longitude", [-180.0, -179.9999, 179.9999, 180.0])
def test_blurring_at_the_date_line_stays_on_the_map(longitude: float) -> None:
    for km in (1, 2, 10):
        assert abs(blur(place_from_degrees(51.46, longitude), km).longitude_deg) <= 180


@given(st.floats(50.2, 58.4), st.floats(-9.9, 1.5), st.floats(0, 1), st.floats(0, 1))
def test_blurring_tells_nothing_of_the_spot_inside(lat: float, lon: float, x: float, y: float) -> None:
    """Two spots in one tetrad give the same blurred place, so nothing finer can be worked out from it."""
    try:
        first = place_from_degrees(lat, lon, uncertainty_m=10)
    except PlaceError:
        return
    tetrad = to_grid_reference(first, square_m=2000)
    if tetrad is None:
        return
    corner = parse_place(tetrad)
    second = place_from_degrees(
        corner.latitude_deg + (x - 0.5) * 0.01, corner.longitude_deg + (y - 0.5) * 0.01, uncertainty_m=10
    )
    if to_grid_reference(second, square_m=2000) == tetrad:
        assert blur(first, 2) == blur(second, 2)


def test_a_place_known_only_coarsely_is_never_named_finer() -> None:
    assert blur(parse_place("TQ17"), 1).grid_reference == "TQ 1 7"
    assert blur(parse_place("TQ17T"), 1).grid_reference == "TQ17T"
    assert to_grid_reference(parse_place("51.5, -0.3")) == "TQ 1 7"
    assert blur(parse_place("51.5, -0.3"), 1).grid_reference == "TQ 1 7"


def test_abroad_has_no_grid_reference_but_can_be_blurred() -> None:
    place = parse_place("48.8566, 2.3522")
    assert to_grid_reference(place) is None
    assert blur(place, 10).grid_reference is None
    assert metres_between(place, blur(place, 10)) < 7100


@pytest.mark.parametrize(("reference", "radius_m"), [("TQ 187 753", 1414.2 + 500 - 70.7), ("TQ17", 20_000)])
def test_blurring_a_reference_keeps_a_larger_uncertainty(reference: str, radius_m: float) -> None:
    stated_m = 500 if reference == "TQ 187 753" else 20_000
    place = dataclasses.replace(parse_place(reference), uncertainty_m=stated_m)
    assert blur(place, 2).uncertainty_m == pytest.approx(radius_m, abs=0.1)


def test_blur_takes_three_sizes_only() -> None:
    with pytest.raises(PlaceError, match="1, 2 or 10 km, not 5"):
        blur(parse_place("TQ 18 75"), 5)


@pytest.mark.parametrize("bad", [float("nan"), float("inf")])
def test_numbers_that_are_none_are_refused(bad: float) -> None:
    with pytest.raises(PlaceError, match="must be numbers"):
        place_from_degrees(bad, 0.0)
    with pytest.raises(PlaceError, match="more than 0 m"):
        place_from_degrees(51.46, -0.3, uncertainty_m=bad)


def test_uncertainty_is_never_zero() -> None:
    assert place_from_degrees(51.46, -0.3, uncertainty_m=0.1).uncertainty_m == 5.0
    assert place_from_degrees(51.46, -0.3).uncertainty_m == 100.0
    with pytest.raises(PlaceError, match="more than 0 m"):
        place_from_degrees(51.46, -0.3, uncertainty_m=0)
