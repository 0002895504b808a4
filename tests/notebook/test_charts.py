"""Charts of a notebook: the numbers behind them, whole files, and what is left out is said."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer

from wingtone.cli import main
from wingtone.errors import InputError
from wingtone.figures.places import draw_places, square_counts
from wingtone.figures.season import MOST_TAXA, OTHERS, draw_season, season_counts
from wingtone.notebook.grids import BRITISH, IRISH
from wingtone.notebook.places import parse_place, to_grid_reference
from wingtone.notebook.records import Record
from wingtone.notebook.store import Notebook

if TYPE_CHECKING:
    from pathlib import Path


def seen(day: str, taxon: str = "Bombus terrestris", caste: str = "queen", place: str = "") -> Record:
    return Record(event_date=day, taxon=taxon, caste=caste, place=parse_place(place) if place else None)


def test_weeks_years_and_what_has_no_day() -> None:
    records = [
        seen("2025-01-01"),
        seen("2026-01-07T10:00"),
        seen("2026-01-08"),
        seen("2026-12-31", caste="worker"),
        seen("2026-06-01/2026-06-07", caste=""),
        seen("2026"),
        seen(""),
    ]
    counts, years, left_out = season_counts(records)
    assert counts == {
        "Bombus terrestris": {
            "queen": Counter({0: 2, 1: 1}),
            "worker": Counter({52: 1}),
            "": Counter({22: 1}),  # its middle, 4 June, is day 155,
        }
    }
    assert years == [2025, 2026]
    assert left_out == 2


@settings(max_examples=50, deadline=None)
@given(
    st.lists(
        st.tuples(st.dates(dt.date(2000, 1, 1), dt.date(2030, 1, 1)), st.sampled_from("abcdefghijklmnopq"))
    )
)
def test_nothing_is_counted_twice_or_lost(drawn: list[tuple[dt.date, str]]) -> None:
    counts, _, left_out = season_counts(seen(day.isoformat(), taxon) for day, taxon in drawn)
    assert sum(weeks.total() for by_caste in counts.values() for weeks in by_caste.values()) == len(drawn)
    assert left_out == 0
    assert len(counts) <= MOST_TAXA + 1
    names = Counter(taxon for _, taxon in drawn)
    assert [*counts][:3] == sorted(names, key=lambda taxon: (-names[taxon], taxon))[:3]
    assert (OTHERS in counts) == (len(names) > MOST_TAXA)


def test_squares_are_those_of_another_library() -> None:
    """pyproj's transformation to the British grid (EPSG:27700), for points well inside their squares."""
    outside = Transformer.from_crs("EPSG:4326", "EPSG:27700", always_xy=True)
    places = [parse_place(text) for text in ("51.4613, -0.3011", "55.9533, -3.1883", "50.2660, -5.0527")]
    grid, counts, left_out = square_counts(Record(place=place, taxon="x") for place in [*places, None])
    expected = Counter(
        tuple(int(metres // 10_000) for metres in outside.transform(p.longitude_deg, p.latitude_deg))
        for p in places
    )
    assert grid is BRITISH
    assert counts == expected
    assert left_out == 1


def test_a_grid_reference_falls_into_its_own_square() -> None:
    for text in ("TQ 18 75", "TQ 187 753", "HU 39 75", "SV 91 12"):
        place = parse_place(text)
        _, counts, _ = square_counts([Record(place=place, taxon="x")])
        ((column, row),) = counts
        square = to_grid_reference(place, square_m=10_000)
        assert square is not None
        assert square.replace(" ", "")[-2:] == f"{column % 10}{row % 10}"


def test_ireland_has_its_own_grid_and_rough_places_are_left_out() -> None:
    records = [
        Record(place=parse_place(text), taxon="x") for text in ("O 15 34", "O 16 34", "TQ 18 75", "O", "TQ")
    ]
    grid, counts, left_out = square_counts(records)
    assert grid is IRISH
    assert counts.total() == 3
    assert left_out == 2


def test_files_are_whole_and_the_same_again(tmp_path: Path) -> None:
    records = [
        seen("2026-04-01", place="TQ 18 75"),
        seen("2026-07-01", "$x_1$ 蜂", "", place="TQ 28 75"),
        seen("2026-07-09", caste="not a bumblebee"),
    ]
    heads = {".png": b"\x89PNG\r\n\x1a\n", ".svg": b"<?xml", ".pdf": b"%PDF-"}
    for draw, left_out in ((draw_season, 0), (draw_places, 1)):
        for suffix, head in heads.items():
            path = tmp_path / f"chart{suffix}"
            assert draw(records, path) == left_out
            first = path.read_bytes()
            assert first.startswith(head)
            if suffix == ".svg":
                draw(records, path)
                assert path.read_bytes() == first
        with pytest.raises(InputError, match="no record here"):
            draw([seen("")], tmp_path / "none.png")
    assert not (tmp_path / "none.png").exists()


def test_the_command(tmp_path: Path) -> None:
    book = tmp_path / "bees.sqlite"
    with Notebook.open(book) as opened:
        opened.add(seen("2026-04-01", place="TQ 18 75"))
        opened.add(seen("", taxon="Bombus hortorum"))

    def chart(*arguments: str) -> tuple[int, str, str]:
        result = CliRunner().invoke(main, ["notebook", "--notebook", str(book), "chart", *arguments])
        return result.exit_code, result.stdout, result.stderr

    for kind in ("season", "places"):
        out = tmp_path / f"{kind}.svg"
        status, told, noted = chart("--kind", kind, "--out", str(out))
        assert (status, told) == (0, f"{kind} chart written to {out}\n")
        assert "1 record is not in it" in noted
        assert b"<svg" in out.read_bytes()
    assert chart("--kind", "season", "--out", str(tmp_path / "x.doc"))[0] == 2
    status, _, noted = chart(
        "--kind", "season", "--taxon", "Bombus hortorum", "--out", str(tmp_path / "y.png")
    )
    assert status == 1
    assert "no record here has a day" in noted
