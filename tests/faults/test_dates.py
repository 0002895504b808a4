"""Clocks that are set back, time zones, leap days, nights when the clocks change, the turn of the year."""

from __future__ import annotations

import datetime as dt
import os
import time
from typing import TYPE_CHECKING

import numpy as np
import pytest

from wingtone.audio import open_recording
from wingtone.audio.encode import write_encoded
from wingtone.cue.clock import moment, zone_named
from wingtone.errors import DateError
from wingtone.evidence import identify
from wingtone.evidence.dates import parse_date, week_words
from wingtone.fauna import load
from wingtone.fauna.season import week_of
from wingtone.figures.season import draw_season, season_counts
from wingtone.notebook import schema
from wingtone.notebook.events import day_range, middle_day, parse_event_date
from wingtone.notebook.records import Record
from wingtone.notebook.store import Filter, Notebook
from wingtone.survey import tables
from wingtone.web.desk import Desk

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

LONDON = zone_named("Europe/London")


@pytest.fixture
def in_zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], None]]:
    """Put this computer into a time zone."""

    def move(name: str) -> None:
        monkeypatch.setenv("TZ", name)
        time.tzset()

    yield move
    monkeypatch.undo()
    time.tzset()


# --- the clock of this computer ---------------------------------------------------------------------------


def test_history_keeps_its_order_when_the_clock_is_set_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    today = "2026-05-01T10:00:00+00:00"
    jumps = ["1970-01-01T00:00:05+00:00", "2038-01-19T03:14:08+00:00", "9999-12-31T23:59:59+00:00"]
    moments = iter([today] * 3 + [*jumps, "2026-05-01T09:00:00+00:00"])
    path = tmp_path / "bees.sqlite"
    monkeypatch.setattr(schema, "now", lambda: next(moments))
    with Notebook.open(path) as notebook:
        for i in range(2):
            notebook.add(Record(notes=f"{i}"))
        for i in range(4):
            notebook.amend(1, notes=f"changed {i}")
        assert [state.version for state in notebook.history(1)] == [1, 2, 3, 4, 5]
        assert notebook.get(1).record.notes == "changed 3"
        assert notebook.get(1).changed_at == "2026-05-01T09:00:00+00:00"
        assert [row.number for row in notebook.rows()] == [2, 1]
        assert notebook.check() == []


def test_a_desk_of_a_computer_without_a_clock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Recordings that came in while the clock stood at 1970 are all still there, in some order."""

    class Clock(dt.datetime):
        year_now = 2026

        @classmethod
        def now(cls, tz: dt.tzinfo | None = None) -> Clock:
            return cls(cls.year_now, 1, 1, tzinfo=tz)

    monkeypatch.setattr("wingtone.web.clips.dt.datetime", Clock)
    desk = Desk(tmp_path)
    for year in (2026, 1970, 9999, 2039):
        Clock.year_now = year
        clip, file = desk.begin(f"{year}.wav")
        file.close()
        desk.keep(clip)
    desk.close()
    again = Desk(tmp_path)
    assert [clip.name for clip in again.clips.values()] == ["1970.wav", "2026.wav", "2039.wav", "9999.wav"]
    again.close()


def test_file_times_that_cannot_be_are_no_dates(tmp_path: Path) -> None:
    path = tmp_path / "bee.wav"
    write_encoded(path, np.zeros((1, 8000), np.float32), rate_hz=8000)
    for seconds in (0, -1, -(2**31), 2**32 + 5, 253402300799, 253402300800):
        try:
            os.utime(path, (seconds, seconds))
        except (OSError, OverflowError):
            continue  # not every file system holds such times
        with open_recording(path) as recording:
            assert recording.info.recorded_at is None, seconds
    os.utime(path, (2**31, 2**31))  # one second after the end of 32 bits
    with open_recording(path) as recording:
        assert (recording.info.recorded_at or "")[:10] in ("2038-01-18", "2038-01-19", "2038-01-20")


# --- days -------------------------------------------------------------------------------------------------


def test_the_leap_day_is_one_where_there_is_one() -> None:
    assert parse_date("2028-02-29") == dt.date(2028, 2, 29)
    assert parse_event_date("29 February 2000") == "2000-02-29"
    for wrong in ("2026-02-29", "29/02/2100"):
        with pytest.raises(DateError):
            parse_date(wrong)
        with pytest.raises(DateError):
            parse_event_date(wrong)
    assert day_range("2028-02") == (dt.date(2028, 2, 1), dt.date(2028, 2, 29))
    assert day_range("2026-02") == (dt.date(2026, 2, 1), dt.date(2026, 2, 28))
    assert middle_day("2028-02-28/2028-03-01") == dt.date(2028, 2, 29)


def test_every_day_of_a_leap_year_has_a_season_a_week_and_a_bar(tmp_path: Path) -> None:
    days = [dt.date(2028, 1, 1) + dt.timedelta(days=i) for i in range(366)]
    assert all(1.0 < week_of(day) < 53.3 for day in days)
    assert all(week_words(day) for day in days)
    records = [Record(taxon="Bombus terrestris", caste="queen", event_date=str(day)) for day in days]
    counts, years, left_out = season_counts(records)
    assert (years, left_out) == ([2028], 0)
    weeks = counts["Bombus terrestris"]["queen"]
    assert sum(weeks.values()) == 366
    assert min(weeks) == 0
    assert max(weeks) == 52
    assert draw_season([records[0], records[59], records[365]], tmp_path / "season.svg") == 0


def test_the_turn_of_the_year_is_one_season() -> None:
    """A bee of 31 December, which is 1 January elsewhere, gets nearly the same answer on either day."""
    days = (dt.date(2026, 12, 31), dt.date(2027, 1, 1))
    last, first = (identify(date=day, fauna=load()) for day in days)
    shares = [{c.caste: c.probability for c in answer.castes} for answer in (last, first)]
    for caste, share in shares[0].items():
        assert abs(share - shares[1][caste]) < 0.03, caste
    assert middle_day("2026-12-28/2027-01-04") in (dt.date(2026, 12, 31), dt.date(2027, 1, 1))


def test_filters_across_the_turn_of_the_year(tmp_path: Path) -> None:
    with Notebook.open(tmp_path / "bees.sqlite") as notebook:
        for event in ("2026-12-31T23:30+00:00", "2027-01-01T00:10+01:00", "2026", "2099-06-01"):
            notebook.add(Record(event_date=event))
        since, until = dt.date(2027, 1, 1), dt.date(2026, 12, 31)
        assert [row.number for row in notebook.rows(Filter(since=since))] == [4, 2]
        assert sorted(row.number for row in notebook.rows(Filter(until=until))) == [1, 3]


# --- nights in which the clocks change --------------------------------------------------------------------


def test_the_hour_that_is_missing_and_the_hour_that_comes_twice() -> None:
    """Europe/London: 29 March 2026, 01:30 does not exist; 25 October 2026, 01:30 comes twice."""
    before, gap, after = (moment(f"2026-03-29T{t}", zone=LONDON) for t in ("00:59", "01:30", "02:01"))
    assert before is not None
    assert gap is not None
    assert after is not None
    assert after - before == 120.0
    assert abs(gap - before) <= 3600.0
    twice = moment("2026-10-25T01:30", zone=LONDON)
    summer, winter = (moment(f"2026-10-25T01:30+0{i}:00", zone=LONDON) for i in (1, 0))
    assert twice in (summer, winter)
    night = moment("2026-10-25T00:30/2026-10-25T02:30", zone=LONDON)
    assert night == moment("2026-10-25T01:00Z", zone=None)  # the middle of three hours, from 23:30 UTC
    midnight = moment("2026-05-01T23:59/2026-05-02T00:01", zone=LONDON)
    assert midnight == moment("2026-05-02T00:00", zone=LONDON)


@pytest.mark.parametrize("zone", ["UTC", "Europe/London", "Pacific/Apia", "Asia/Kathmandu", "nonsense/zone"])
def test_this_computers_zone_does_not_move_what_says_its_own(
    zone: str, in_zone: Callable[[str], None], tmp_path: Path
) -> None:
    in_zone(zone)
    path = tmp_path / "bee_20260101_003000.wav"
    write_encoded(path, np.zeros((1, 8000), np.float32), rate_hz=8000)
    with open_recording(path) as recording:
        assert recording.info.recorded_at == "2026-01-01T00:30:00"
    assert moment("2026-03-29T01:30+01:00", zone=None) == 1774744200.0
    for year in (1899, 1969, 2038, 2199):  # local times long ago and far ahead
        assert moment(f"{year}-07-01T12:00", zone=None) is not None


def test_a_survey_of_the_long_night_has_no_moment_twice() -> None:
    """Bouts and effort are told on the clock that the recording began by, which does not jump in it."""
    for begins in ("2026-10-25T00:00:00+01:00", "2026-10-25T00:00:00", "2028-02-28T22:00:00"):
        clock = tables._clock({"recorded_at": begins, "recorded_at_source": "container"})
        told = [tables._at(clock, 600.0 * i) for i in range(6 * 4)]
        assert len(set(told)) == 24
        assert told == sorted(told, key=str)
    assert told[-1] == "2028-02-29T01:50:00.000"
