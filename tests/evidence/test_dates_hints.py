"""Dates and hints as people write them."""

from __future__ import annotations

import contextlib
import datetime as dt
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wingtone.errors import DateError, HintError
from wingtone.evidence import parse_date, parse_hints
from wingtone.evidence.dates import week_words

if TYPE_CHECKING:
    from wingtone.fauna import Fauna

DAY = dt.date(2026, 3, 20)


@pytest.mark.parametrize(
    "text",
    [
        "2026-03-20",
        "20260320",
        "2026-03-20T10:32:05+01:00",
        "2026-03-20 in the afternoon",
        "20/03/2026 10:32",
        "2026-03-20T10:00/11:30",
        "20/03/2026",
        "20.3.2026",
        "20 March 2026",
        "20th of march, 2026",
        "20 Mar 2026",
        "20-Mar-2026",
        "March 20, 2026",
        "  2026-3-20 ",
    ],
)
def test_dates_that_are_read(text: str) -> None:
    assert parse_date(text) == DAY


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "no date was given"),
        ("March 2026", "more than one day"),
        ("2026-03", "'2026-03' cannot be read as a day: it is more than one day"),
        ("2026-03-20/2026-03-22", "more than one day"),
        ("2026-03-20 / 2026-03-22", "more than one day"),
        ("yesterday", "'yesterday' cannot be read as a day: this date was not understood"),
        ("20 Ju 2026", "not understood"),
        ("20/03/26", "two digits only"),
        ("2026-02-30", "no day 2026-02-30"),
        ("29/02/2025", "no day 2025-02-29"),
        ("03/20/2026", "no month 20.*day comes first"),
        ("0099-01-01", "outside 1600-2199"),
        ("٢٠٢٦-٠٣-٢٠", "not understood"),
    ],
)
def test_dates_that_are_refused(text: str, what: str) -> None:
    with pytest.raises(DateError, match=what):
        parse_date(text)


def test_leap_day() -> None:
    assert parse_date("29/02/2028") == dt.date(2028, 2, 29)


@given(st.dates(dt.date(1800, 1, 1), dt.date(2199, 12, 31)))
def test_iso_dates_come_back(date: dt.date) -> None:
    assert parse_date(date.isoformat()) == date
    assert parse_date(f"{date.day} {date.strftime('%B')} {date.year}") == date


@given(st.text(max_size=80))
def test_any_text_is_a_date_or_refused(text: str) -> None:
    with contextlib.suppress(DateError):
        assert 1600 <= parse_date(text).year <= 2199


@pytest.mark.parametrize(
    ("day", "words"), [(1, "first"), (7, "first"), (8, "second"), (20, "third"), (28, "fourth"), (31, "last")]
)
def test_week_words(day: int, words: str) -> None:
    assert week_words(dt.date(2026, 3, day)) == f"the {words} week of March"


def test_hints() -> None:
    assert parse_hints(
        ["tail=white", " Collar = Yellow", "front band=none", "size=very_large", "wings=?"]
    ) == {
        "tail": "white",
        "collar": "yellow",
        "front-band": "none",
        "size": "very-large",
    }
    assert parse_hints([]) == {}
    assert parse_hints(["tail="]) == {}
    assert parse_hints(["tail=red", "tail=RED"]) == {"tail": "red"}


@pytest.mark.parametrize(
    ("hint", "what"),
    [
        ("tail", "CHARACTER=STATE"),
        ("tail=blue", "white, buff, red, orange, ginger, yellow, black"),
        ("tongue=long", "the characters are tail"),
        ("bands=4", "0, 1, 2, 3"),
        ("=", "the characters are"),
        ("tail=\x1b[31m", "no state"),
    ],
)
def test_hints_that_are_refused(hint: str, what: str) -> None:
    with pytest.raises(HintError, match=what) as caught:
        parse_hints([hint])
    assert str(caught.value).isprintable()


def test_two_states_of_one_character_are_refused() -> None:
    with pytest.raises(HintError, match="both red and white"):
        parse_hints(["tail=red", "tail=white"])


def test_every_state_of_the_table_is_read(fauna: Fauna) -> None:
    # the hint table of the published commands, copied by hand
    table = {
        "collar": "none yellow ginger grey",
        "shade": "lemon golden",
        "thorax": "black ginger banded",
        "scutellum": "none yellow ginger grey",
        "front-band": "none yellow ginger grey",
        "abdomen": "black mixed pale red banded",
        "tail": "white buff red orange ginger yellow black",
        "bands": "0 1 2 3",
        "face": "short medium long",
        "face-hair": "black yellow",
        "hind-leg": "basket pollen hairy",
        "wings": "clear dark",
        "size": "tiny small medium large very-large",
        "behaviour": "nest-searching collecting-pollen patrolling hovering at-nest",
        "nest": "underground tree-or-box surface",
        "flower": "deep shallow",
        "condition": "fresh faded bald",
    }
    for character, states in table.items():
        for state in states.split():
            assert parse_hints([f"{character}={state}"], fauna=fauna) == {character: state}
        assert sorted(fauna.characters[character].states) == sorted(states.split())
    assert set(fauna.characters) > set(table)  # a fauna may ask for more, never for less


@pytest.mark.parametrize("between", [",", ";", " ", ", "])
def test_several_hints_in_one_are_told_as_that(between: str) -> None:
    with pytest.raises(HintError, match="is more than one hint") as caught:
        parse_hints([f"tail=white{between}collar=yellow"])
    assert "--hint tail=white --hint collar=yellow" in caught.value.remedy


def test_all_faults_of_hints_are_told_at_once_with_what_was_meant() -> None:
    with pytest.raises(HintError) as caught:
        parse_hints(["tial=buff", "tail=wite", "bands=9"])
    said = str(caught.value)
    assert "there is no character 'tial' (did you mean tail?)" in said
    assert "tail has no state 'wite' (did you mean white?)" in said
    assert "bands has no state '9'" in said
    assert "the characters are tail" in said
    assert "of bands, its states are 0, 1, 2, 3" in said


def test_hints_without_a_state_or_with_two_are_told_with_the_others() -> None:
    with pytest.raises(HintError) as caught:
        parse_hints(["tail", "collar", "tail", "bands=9", "wings=dark", "wings=clear"])
    said = str(caught.value)
    assert said.count("'tail' is not a hint") == 1
    assert "'collar' is not a hint" in said
    assert "bands has no state '9'" in said
    assert "wings is given as both dark and clear" in said
    assert said.count("write CHARACTER=STATE") == 1
