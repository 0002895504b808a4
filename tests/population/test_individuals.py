"""Individuals before statistics: the filter, the three steps, and what hangs on them."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest

from population.made_up import rows_of
from wingtone.notebook.doubts import is_same_flight
from wingtone.notebook.records import BoutNote
from wingtone.population.bouts import Heard, Located, read_heard
from wingtone.population.individuals import RULES, Quality, individuals_of, select


def heard(rows: list[dict[str, Any]]) -> list[Heard]:
    return read_heard([Located("t", i, row) for i, row in enumerate(rows)])


def at(rows: list[dict[str, Any]], *starts_s: float) -> list[Heard]:
    for row, start_s in zip(rows, starts_s, strict=True):
        row |= {"start_s": start_s, "end_s": start_s + 1}
    return heard(rows)


def test_the_filter_says_what_it_dropped_and_why() -> None:
    rows = rows_of([120.0] * 6)
    rows[0]["kind"] = "sonication"
    rows[1]["flags"] = "wind;many bees"
    rows[2]["snr_db"] = -3.0
    rows[3] |= {"f0_low_hz": 110.0, "f0_high_hz": 125.0}
    rows[4]["snr_db"] = None  # not stated: passes
    kept, told = select(heard(rows), Quality())
    assert (told.n_bouts, told.n_used, len(kept)) == (6, 2, 2)
    assert dict(told.dropped) == {
        "not flight but sonication": 1,
        "flag: many bees": 1,
        "signal-to-noise ratio below 0 dB": 1,
        "interval wider than 10 % of the tone": 1,
    }


def test_a_table_given_twice_counts_once() -> None:
    bouts = heard(rows_of([120.0, 180.0], bouts=2))
    kept, told = select([*bouts, *bouts], Quality())
    assert kept == bouts
    assert told.dropped == (("given twice", 4),)


def test_a_day_of_flights_is_compared_with_a_record_of_them_in_no_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    compared = 0

    def counted(one: BoutNote, other: BoutNote) -> bool:
        nonlocal compared
        compared += 1
        return is_same_flight(one, other)

    monkeypatch.setattr("wingtone.population.individuals.is_same_flight", counted)
    chance = np.random.default_rng(3)
    starts_s = np.sort(chance.uniform(0.0, 3600.0, 500))
    rows = rows_of([120.0] * 500, path="a.wav")
    table = at(rows, *starts_s)
    other = chance.uniform(0.0, 3600.0, 500)
    flights = tuple(BoutNote("flight", s, s + chance.choice([0.2, 1.0, 20.0]), 121.0) for s in other)
    record = dataclasses.replace(table[0], individual="x", rests_on=flights)
    kept, _ = select([*table, record], Quality())
    assert compared < 20 * len(table)
    left = [one for one in table if not any(is_same_flight(one.flights[0], flight) for flight in flights)]
    assert kept == [*left, record]
    assert 0 < len(left) < len(table)


def test_repeated_flights_of_one_bee_count_once() -> None:
    bouts = heard(rows_of([120.0, 180.0], bouts=4))
    assert [len(individuals_of(bouts, rule=rule)) for rule in RULES] == [8, 2, 2, 2]
    assert {bee.n_bouts for bee in individuals_of(bouts)} == {4}


def test_two_tones_in_a_clip_are_two_bees_and_a_silence_starts_another() -> None:
    bouts = at(rows_of([120.0, 180.0, 120.0], path="a.wav"), 0.0, 5.0, 100.0)
    assert [len(individuals_of(bouts, rule=rule)) for rule in RULES] == [3, 1, 2, 3]
    assert len(individuals_of(bouts, gap_s=200.0)) == 2


def test_recordings_that_follow_by_the_clock_can_hold_one_bee() -> None:
    rows = rows_of([120.0, 121.0], path="walk/{i}.wav")
    rows[0]["recorded_at"], rows[1]["recorded_at"] = "2026-05-03T10:00:00", "2026-05-03T10:00:12"
    assert len(individuals_of(heard(rows))) == 1
    rows[1]["path"] = "elsewhere/1.wav"
    assert len(individuals_of(heard(rows))) == 2
    rows[1] |= {"path": "walk/1.wav", "recorded_at": "2026-05-03T10:05:00"}
    assert len(individuals_of(heard(rows))) == 2


def test_a_silence_begins_where_the_last_flight_ends() -> None:
    """A long flight, another bee's within it, and 12 s after its end the first again: two bees, not three."""
    rows = rows_of([120.0, 180.0, 120.0], path="a.wav")
    for row, (start_s, end_s) in zip(rows, ((0.0, 50.0), (10.0, 12.0), (62.0, 65.0)), strict=True):
        row |= {"start_s": start_s, "end_s": end_s}
    assert len(individuals_of(heard(rows))) == 2
    assert len(individuals_of(heard([rows[0], rows[2]]))) == 1
    assert len(individuals_of(heard(rows), gap_s=11.0)) == 3


def test_clocks_of_two_zones_are_one_clock() -> None:
    """A phone that writes its zone, and one that writes UTC; without a zone nobody knows which was meant."""
    rows = rows_of([120.0, 121.0], path="walk/{i}.wav")
    rows[0]["recorded_at"] = "2026-05-03T10:00:00+01:00"
    for recorded_at, n in (
        ("2026-05-03T09:00:12+00:00", 1),
        ("2026-05-03T10:00:12+00:00", 2),
        ("2026-05-03T10:00:12", 2),
    ):
        rows[1]["recorded_at"] = recorded_at
        assert len(individuals_of(heard(rows))) == n


def test_flights_at_once_in_two_recordings_are_two_bees() -> None:
    """The second recorder was switched on 20 s before the first: its flight begins late in its file."""
    rows = rows_of([120.0, 120.0], path="walk/{i}.wav")
    rows[0] |= {"recorded_at": "2026-05-03T10:00:20", "start_s": 0.0, "end_s": 3.0}
    for start_s, n in ((21.0, 2), (24.0, 1)):
        rows[1] |= {"recorded_at": "2026-05-03T10:00:00", "start_s": start_s, "end_s": start_s + 3.0}
        assert len(individuals_of(heard(rows))) == n


def test_a_chain_without_a_gap_is_cut_after_a_while() -> None:
    starts = [10.0 * k for k in range(100)]
    bouts = at(rows_of([120.0] * 100, path="a.wav"), *starts)
    assert len(individuals_of(bouts)) == math.ceil(1000 / 310)


def test_who_is_named_is_taken_at_the_word() -> None:
    rows = rows_of([120.0, 180.0, 121.0])
    for row, name in zip(rows, ("Ann", "Ann", "Bea"), strict=True):
        row["individual"] = name
    assert [bee.n_bouts for bee in individuals_of(heard(rows))] == [2, 1]


def test_the_tone_of_a_bee_is_the_mean_by_precision() -> None:
    """Against the normal model solved as weighted least squares."""
    rows = rows_of([118.0, 122.0, 121.0], path="a.wav")
    for row, reach in zip(rows, (0.5, 4.0, 1.0), strict=True):
        row |= {"f0_low_hz": row["f0_hz"] - reach, "f0_high_hz": row["f0_hz"] + reach}
    (bee,) = individuals_of(at(rows, 0.0, 3.0, 6.0), within_ln=0.05)
    sds = np.array([math.log((t + r) / (t - r)) / 3.919928 for t, r in ((118, 0.5), (122, 4.0), (121, 1.0))])
    variance = 0.05**2 + np.maximum(sds, 0.004) ** 2
    design = np.ones((3, 1)) / np.sqrt(variance)[:, None]
    target = np.log([118.0, 122.0, 121.0]) / np.sqrt(variance)
    solved = np.linalg.lstsq(design, target, rcond=None)[0][0]
    assert bee.tone_hz == pytest.approx(math.exp(solved))
    assert bee.error_ln == pytest.approx(math.sqrt(1 / (1 / variance).sum()))


def test_bees_of_one_tone_are_equal_however_their_bouts_are_weighted() -> None:
    tones = set()
    for reach in range(1, 50):
        rows = rows_of([200.5, 200.5, 200.5], path="a.wav")
        rows[0] |= {"f0_low_hz": 200.5 - reach / 20, "f0_high_hz": 200.5 + reach / 20}
        tones |= {bee.tone_hz for bee in individuals_of(at(rows, 0.0, 3.0, 6.0))}
    assert tones == {200.5}


def test_many_bouts_do_not_make_a_bee_certain() -> None:
    (bee,) = individuals_of(heard(rows_of([120.0], bouts=10)), gap_s=100.0)
    assert bee.error_ln == pytest.approx(0.05 / math.sqrt(6))


def test_no_bouts_no_bees() -> None:
    assert individuals_of([]) == []
    with pytest.raises(ValueError, match="no such rule"):
        individuals_of(heard(rows_of([120.0])), rule="by colour")
