"""What looks like a slip in a record: a day that has not come, one bee kept twice."""

from __future__ import annotations

import dataclasses
import datetime as dt
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings

from notebook.examples import records
from wingtone.notebook.doubts import Watch, doubts_about
from wingtone.notebook.events import is_in_future
from wingtone.notebook.records import BoutNote, Record, RecordingNote
from wingtone.notebook.store import Entry, Notebook

if TYPE_CHECKING:
    from pathlib import Path

TODAY = dt.date(2026, 3, 20)


def entry(number: int, record: Record) -> Entry:
    return Entry(number, str(number), 1, False, "2026-03-20T12:00:00+00:00", record)


def heard(*bouts: BoutNote, sha256: str = "ab" * 32) -> Record:
    return Record(recording=RecordingNote("garden.wav", sha256, bouts=bouts))


def flight(start_s: float, end_s: float, f0_hz: float | None = 150.0) -> BoutNote:
    return BoutNote("flight", start_s, end_s, f0_hz)


@pytest.mark.parametrize(
    ("event_date", "ahead"),
    [
        ("", False),
        ("2026-03-20", False),
        ("2026-03-21T00:30:00+13:00", False),  # tomorrow already, where it was made
        ("2026-03-22", True),
        ("2026-03", False),
        ("2026", False),
        ("2026-03-19/2026-03-30", False),
        ("2026-04", True),
        ("2027-03-20", True),
    ],
)
def test_a_day_that_has_not_come(event_date: str, ahead: bool) -> None:
    record = Record(event_date=event_date)
    assert is_in_future(event_date, today=TODAY) is ahead
    told = doubts_about(entry(7, record), (), today=TODAY)
    assert [doubt.command for doubt in told] == (["notebook amend 7 --date DATE"] if ahead else [])


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        (heard(flight(1, 3)), heard(flight(1, 3)), True),
        (heard(flight(1, 3)), heard(flight(1.2, 3.1, 149)), True),  # the same with another threshold
        (heard(flight(1, 3)), heard(flight(1, 3), flight(8, 9, 210)), True),
        (heard(flight(1, 3)), heard(flight(1, 3, None)), True),
        (heard(flight(1, 3)), heard(flight(5, 7)), False),
        (heard(flight(1, 3)), heard(flight(1, 3, 190)), False),  # two bees at once
        (heard(flight(1, 3)), heard(), False),
        (heard(), heard(), True),
        (heard(), heard(BoutNote("sonication", 1, 2)), True),
        (heard(flight(1, 3)), heard(flight(1, 3), sha256="cd" * 32), False),
        (heard(flight(1, 3), sha256=""), heard(flight(1, 3), sha256=""), False),  # nobody knows
        (Record(taxon="Bombus"), Record(taxon="Bombus"), False),
    ],
)
def test_one_bee_kept_twice(one: Record, other: Record, same: bool) -> None:
    for first, second in ((one, other), (other, one)):
        told = doubts_about(entry(5, second), [entry(2, first)], today=TODAY)
        assert [doubt.command for doubt in told] == (["notebook remove 5"] if same else [])
        assert all("record 2" in doubt.what for doubt in told)


def test_a_rejected_record_is_no_rival() -> None:
    rejected = dataclasses.replace(heard(flight(1, 3)), status="rejected")
    assert doubts_about(entry(5, heard(flight(1, 3))), [entry(2, rejected)], today=TODAY) == []


@settings(max_examples=50)
@given(record=records())
def test_records_pass_a_watch_unchanged(record: Record) -> None:
    watch = Watch(TODAY)
    entries = [entry(1, record), entry(2, record)]
    assert list(watch.passing(entries)) == entries
    twice = record.recording is not None and record.recording.sha256 != ""
    assert sum(doubt.command == "notebook remove 2" for doubt in watch.told) == twice
    assert not any(doubt.command == "notebook remove 1" for doubt in watch.told)


def test_a_notebook_finds_the_records_of_a_recording(tmp_path: Path) -> None:
    with Notebook.open(tmp_path / "bees.sqlite") as opened:
        mine = opened.add(heard(flight(1, 3)))
        opened.add(heard(flight(1, 3), sha256="cd" * 32))
        opened.add(
            Record(taxon="Bombus", notes=f"like {'ab' * 32}")
        )  # the text stands there, the recording is none
        gone = opened.add(heard(flight(5, 6)))
        opened.remove(gone.number)
        assert [found.number for found in opened.of_recording("ab" * 32)] == [mine.number]
        assert opened.of_recording("") == []
        assert opened.recordings() == {"ab" * 32, "cd" * 32}
        opened.amend(mine.number, recording=None)
        assert opened.of_recording("ab" * 32) == []
        assert opened.recordings() == {"cd" * 32}


CASTES = {"Bombus vestalis": ("cuckoo female", "male"), "Bombus terrestris": ("queen", "worker", "male")}
HERE = {"event_date": "2026-03-20", "status": "decided"}


@pytest.mark.parametrize(
    ("fields", "what"),
    [
        (
            {"taxon": "Bombus vestalis", "caste": "worker"},
            "there is no worker of Bombus vestalis, only cu",
        ),
        ({"taxon": "Bombus terrestris", "caste": "cuckoo female"}, "there is no cuckoo female of Bombus t"),
        ({"taxon": "Bombus terrestris", "caste": "not a bumblebee"}, "not a bumblebee at once"),
        ({"taxon": "Bombus sp.", "caste": "not a bumblebee"}, "not a bumblebee at once"),
        ({"taxon": "Bombus", "status": "confirmed"}, "nobody stands for that"),
        ({"taxon": "Bombus", "event_date": ""}, "neither date nor place"),
        ({}, "decided, but has no name"),
        (
            {"taxon": "Bombus", "event_date": "2026-03-20T10:00/2026-03-20T09:00"},
            "09:00, ends before it starts",
        ),
        ({"taxon": "Bombus", "event_date": "2026-03-20T09:00/2026-03-20T10:00"}, ""),
        ({"taxon": "Bombus vestalis", "caste": "female"}, ""),
        ({"taxon": "Bombus vestalis", "caste": "male"}, ""),
        ({"taxon": "Apis mellifera", "caste": "not a bumblebee"}, ""),
        ({"taxon": "Apis mellifera", "caste": "queen"}, ""),
        ({"taxon": "Bombus elsewhere", "caste": "worker"}, ""),
        ({"vernacular": "Mystery bee"}, ""),
        ({"taxon": "Bombus", "status": "confirmed", "identified_by": "B. V."}, ""),
        ({"status": "hint", "event_date": ""}, ""),
    ],
)
def test_what_cannot_be_so(fields: dict[str, Any], what: str) -> None:
    told = doubts_about(entry(3, Record(**{**HERE, **fields})), (), today=TODAY, castes=CASTES)
    assert [what in doubt.what for doubt in told] == ([True] if what else [])
    assert all(doubt.command.startswith("notebook amend 3 --") for doubt in told)
