"""Dates, times and intervals; the forms are those of ISO 8601-1:2019 and Darwin Core's eventDate."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from notebook.examples import event_dates
from wingtone.errors import DateError
from wingtone.evidence.dates import parse_date
from wingtone.notebook.events import day_range, parse_event_date
from wingtone.notebook.records import Record


@pytest.mark.parametrize(
    ("text", "tidy"),
    [
        ("2026-03-20", "2026-03-20"),
        ("20260320", "2026-03-20"),
        ("20/03/2026", "2026-03-20"),
        ("20.3.2026", "2026-03-20"),
        ("20-03-2026", "2026-03-20"),
        ("20 March 2026", "2026-03-20"),
        ("1st Sept 2026", "2026-09-01"),
        ("3 Jan. 2026, 09:30", "2026-01-03T09:30"),
        ("20/03/2026 10:32", "2026-03-20T10:32"),
        ("2026-03-20 10:32:05", "2026-03-20T10:32:05"),
        ("2026-03-20T10:32:05+01", "2026-03-20T10:32:05+01:00"),
        ("2026-03-20T10:32:05+0100", "2026-03-20T10:32:05+01:00"),
        ("2026/3/20", "2026-03-20"),
        ("2026/03/20 10:32", "2026-03-20T10:32"),
        ("March 2026", "2026-03"),
        ("Sept-2026", "2026-09"),
        ("20/03/2026 - 22/03/2026", "2026-03-20/2026-03-22"),
        ("20/03/2026-22/03/2026", "2026-03-20/2026-03-22"),
        ("20 March 2026 to 22 March 2026", "2026-03-20/2026-03-22"),
        ("2026-03-20\N{EN DASH}2026-03-22", "2026-03-20/2026-03-22"),
        ("2026-03-20 10:32 - 11:00", "2026-03-20T10:32/2026-03-20T11:00"),
        # Examples of the Darwin Core term eventDate (term list, read)
        ("1963-03-08T14:07-06:00", "1963-03-08T14:07-06:00"),
        ("2009-02-20T08:40Z", "2009-02-20T08:40Z"),
        ("2018-08-29T15:19", "2018-08-29T15:19"),
        ("1809-02-12", "1809-02-12"),
        ("1906-06", "1906-06"),
        ("1971", "1971"),
        ("2007-03-01T13:00:00Z/2008-05-11T15:30:00Z", "2007-03-01T13:00:00Z/2008-05-11T15:30:00Z"),
        ("1900/1909", "1900/1909"),
        ("2007-11-13/15", "2007-11-13/2007-11-15"),
        ("2026-06-14T10:00/11:30", "2026-06-14T10:00/2026-06-14T11:30"),
        ("2026-06-28/07-03", "2026-06-28/2026-07-03"),
        ("2026-W24", "2026-W24"),
    ],
)
def test_dates_as_people_write_them(text: str, tidy: str) -> None:
    assert parse_event_date(text) == tidy
    assert parse_event_date(tidy) == tidy


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "no date"),
        ("yesterday", "not understood"),
        ("2026-02-30", "no day 2026-02-30"),
        ("2026-13-01", "no day 2026-13-01"),
        ("03/20/2026", "no month 20"),
        ("20 Marz 2026", "no month Marz"),
        ("20 Ju 2026", "not understood"),
        ("2026-03-20T25:00", "no time 25:00"),
        ("2026-03-20T10:61", "no time 10:61"),
        ("2026-03-20T10:00+20:00", "no offset"),
        ("0026-03-20", "outside 1600-2199"),
        ("2026-W54", "no week 54"),
        ("2026-03-22/2026-03-20", "ends before it starts"),
        ("1/2/3/4", "not understood"),
        ("20/03/26", "the year has two digits only"),
        ("20.3.26", "the year has two digits only"),
        ("12-Jun-21", "the year has two digits only"),
        ("12 June '21", "the year has two digits only"),
        ("2026/13/01", "no day 2026-13-01"),
        ("20 - 22 March 2026", "not understood"),
        ("20/03/2026 - 19/03/2026", "ends before it starts"),
        ("2" * 200, "too long"),
    ],
)
def test_each_mistake_is_named(text: str, what: str) -> None:
    with pytest.raises(DateError, match=what):
        parse_event_date(text)


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("2026-03-20T10:32+01:00", "2026-03-20", "2026-03-20"),
        ("2024-02", "2024-02-01", "2024-02-29"),
        ("2026", "2026-01-01", "2026-12-31"),
        ("2026-W24", "2026-06-08", "2026-06-14"),  # ISO 8601 week 24 of 2026: Monday 8 June (calendar)
        ("2026-03-20/2026-04", "2026-03-20", "2026-04-30"),
    ],
)
def test_days_that_an_event_date_spans(text: str, first: str, last: str) -> None:
    assert day_range(text) == (dt.date.fromisoformat(first), dt.date.fromisoformat(last))


@given(event_dates().filter(bool))
def test_tidy_dates_stay_as_they_are(text: str) -> None:
    assert parse_event_date(text) == text
    first, last = day_range(text)
    assert first <= last


@given(st.text(max_size=30) | st.text(alphabet="0123456789-/T:W+Z. ", max_size=25))
def test_any_text_is_a_date_or_a_date_error(text: str) -> None:
    try:
        tidy = parse_event_date(text)
    except DateError:
        return
    assert parse_event_date(tidy) == tidy
    assert day_range(tidy)[0].year >= 1600


@pytest.mark.parametrize(
    "text",
    [
        "2026-3-20",
        "20 / 3 / 2026",
        "20th of March 2026",
        "March 20, 2026",
        "20 Sept 2026",
        "20.03.2026",
        "20260320",
    ],
)
def test_a_day_is_read_as_identify_reads_it(text: str) -> None:
    assert parse_event_date(text) == parse_date(text).isoformat()


@pytest.mark.parametrize(
    "text",
    ["2026-03-20T10:00/09:00", "2026-03-20T10:00+01:00/2026-03-20T08:59Z", "2026-03-20 10:00/09:59:59"],
)
def test_an_interval_that_ends_earlier_that_day_is_refused_but_can_be_read(text: str) -> None:
    with pytest.raises(DateError, match="ends before it starts"):
        parse_event_date(text)
    kept = parse_event_date(text, was_kept=True)
    assert Record(event_date=kept).event_date == kept


def test_times_that_cannot_be_compared_are_left_alone() -> None:
    for text in ("2026-03-20T10:00+01:00/2026-03-20T09:30Z", "2026-03-20T10:00/2026-03-20T09:30Z"):
        assert parse_event_date(text) == text
