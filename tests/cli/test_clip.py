"""One recording all the way: the cue of several bouts, the date and place used, the published layouts."""

from __future__ import annotations

import dataclasses
import datetime
import json
import math
import re
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cli.made_up import bout, tone_of
from wingtone.audio.encode import write_encoded
from wingtone.clip import (
    flight_cue,
    flights_by_individual,
    identify_json,
    identify_measurement,
    measure_json,
    measure_recording,
    track_rows,
)
from wingtone.fauna import load
from wingtone.notebook.places import parse_place

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from wingtone.clip import Measurement
    from wingtone.tone.results import Bout, ToneResult

# --- the cue ----------------------------------------------------------------------------------------


def test_no_flight_gives_no_cue() -> None:
    assert flight_cue([]) is None
    assert flight_cue([bout(300, kind="sonication"), bout(150, kind="uncertain")]) is None


def test_one_bout_keeps_its_own_interval() -> None:
    cue = flight_cue([dataclasses.replace(bout(150), f0_low_hz=148.0, f0_high_hz=151.0)])
    assert cue is not None
    assert (cue.f0_low_hz, cue.f0_hz, cue.f0_high_hz) == pytest.approx((148.0, 150.0, 151.0))
    assert (cue.n_bouts, cue.duration_s) == (1, 1.0)


def test_buzzes_that_are_not_flight_do_not_count() -> None:
    alone = flight_cue([bout(150)])
    among = flight_cue([bout(300, kind="sonication", end_s=9.0), bout(150), bout(90, kind="uncertain")])
    assert alone == among


def test_long_bouts_weigh_more() -> None:
    """By hand: 1 s at 140 Hz, 1 s at 150 Hz, 3 s at 160 Hz; half of the 5 s is reached at 160 Hz."""
    cue = flight_cue([bout(160, end_s=3.0), bout(140), bout(150)])
    assert cue is not None
    assert cue.f0_hz == 160
    assert cue.duration_s == 5.0


def test_two_equal_bouts_meet_in_the_middle() -> None:
    """By hand: errors of 2 Hz each, mean of two independent ones: 2 / sqrt(2)."""
    cue = flight_cue([bout(140, half_width_hz=2.0), bout(150, half_width_hz=2.0)])
    assert cue is not None
    assert cue.f0_hz == 145
    assert cue.f0_high_hz - 145 == pytest.approx(math.sqrt(2))


def test_interval_holds_the_truth_as_often_as_it_says() -> None:
    """Simulated: the same tone measured seven times with known normal errors; 95 % intervals must hold it."""
    rng = np.random.default_rng(1)
    sds = rng.uniform(0.5, 1.5, 7)
    held = 0
    for values in 150 + sds * rng.standard_normal((2000, 7)):
        cue = flight_cue([bout(f, half_width_hz=1.96 * sd) for f, sd in zip(values, sds, strict=True)])
        assert cue is not None
        held += cue.f0_low_hz <= 150 <= cue.f0_high_hz
    # Wider is allowed (the factor for medians is that of many values), narrower is not.
    assert 0.94 <= held / 2000 <= 0.99


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.floats(80, 250), st.floats(0.2, 30), st.floats(0.01, 5)), min_size=1, max_size=12)
)
def test_cue_lies_among_its_bouts(parts: list[tuple[float, float, float]]) -> None:
    bouts = [bout(f, end_s=length, half_width_hz=half) for f, length, half in parts]
    cue = flight_cue(bouts)
    assert cue is not None
    assert min(f for f, _, _ in parts) <= cue.f0_hz <= max(f for f, _, _ in parts)
    assert cue.f0_low_hz < cue.f0_hz < cue.f0_high_hz
    assert cue == flight_cue(bouts[::-1])


# --- measuring --------------------------------------------------------------------------------------


@pytest.fixture
def quiet_wav(tmp_path: Path) -> Path:
    """Two seconds of faint noise: a recording, but no bee."""
    path = tmp_path / "quiet.wav"
    noise = np.random.default_rng(5).standard_normal((1, 32000)) * 0.01
    write_encoded(path, noise.astype(np.float32), rate_hz=16000)
    return path


def test_measures_a_file(
    hover_wav: Path, hover_truth: Measurement, perfect_ear: Callable[[ToneResult], None]
) -> None:
    heard: list[float] = []
    measurement = measure_recording(hover_wav, progress=heard.append)
    assert [b.kind for b in measurement.flight] == ["flight"] * len(hover_truth.tone.bouts)
    assert measurement.recording.duration_s == pytest.approx(6.0)
    assert heard[-1] == pytest.approx(6.0, abs=0.01)
    assert len(measurement.sha256) == 64
    assert measurement.warnings == ()


@pytest.mark.parametrize(
    ("tone", "code", "says"),
    [
        (tone_of(), "no bee heard", "closer|within"),
        (tone_of(bout(150, kind="uncertain")), "no bee heard", "within"),
        (tone_of(bout(300, kind="sonication")), "no bee heard", "flower buzz"),
        (tone_of(flags=("many bees",)), "many bees", "no single bee"),
    ],
)
def test_what_was_not_heard_is_said_once(
    tone: ToneResult, code: str, says: str, quiet_wav: Path, perfect_ear: Callable[[ToneResult], None]
) -> None:
    perfect_ear(tone)
    ((got, text),) = measure_recording(quiet_wav).warnings
    assert got == code
    assert re.search(says, text)


@pytest.mark.parametrize(("second_hz", "warned"), [(150, False), (170, False), (195, True), (300, True)])
def test_tones_too_far_apart_for_one_bee_are_told(
    second_hz: float, warned: bool, quiet_wav: Path, perfect_ear: Callable[[ToneResult], None]
) -> None:
    buzz = bout(310, start_s=1.4, end_s=1.6, kind="sonication")  # does not count
    perfect_ear(tone_of(bout(150), bout(second_hz, start_s=1.0, end_s=1.3), buzz))
    warnings = dict(measure_recording(quiet_wav).warnings)
    assert list(warnings) == (["tones differ"] if warned else [])
    assert not warned or f"150 to {second_hz} Hz" in warnings["tones differ"]


@pytest.mark.parametrize(
    ("others", "says"),
    [
        ([bout(190, start_s=2.0, end_s=3.0)], ": it may be two animals, or another sound among them;"),
        ([bout(210, start_s=2.0, end_s=3.0)], ": 2 bees are told apart, unless one is another sound;"),
        (  # the other, which sounds at once, is still one bee by the odds, and too wide for one
            [bout(240, start_s=0.5, end_s=1.5), bout(188, start_s=2.0, end_s=3.0)],
            ": 2 bees are told apart, and there may be more, or another sound among them;",
        ),
    ],
)
def test_tones_far_apart_and_the_number_of_bees_are_told_alike(
    others: list[Bout], says: str, quiet_wav: Path, perfect_ear: Callable[[ToneResult], None]
) -> None:
    perfect_ear(tone_of(bout(150), *others))
    measured = measure_recording(quiet_wav)
    ((code, text),) = measured.warnings
    assert code == "tones differ"
    assert says in text
    told = [w.code for w in identify_measurement(measured, fauna=load(), hints={})[0].warnings]
    assert ("several bees" in told) == ("are told apart" in text)


def test_tones_of_many_bees_are_not_called_two_animals(
    quiet_wav: Path, perfect_ear: Callable[[ToneResult], None]
) -> None:
    perfect_ear(tone_of(bout(150), bout(210, start_s=2.0, end_s=3.0), flags=("many bees",)))
    assert [code for code, _ in measure_recording(quiet_wav).warnings] == ["many bees"]


def test_the_tone_room_s_own_words_stand(quiet_wav: Path, perfect_ear: Callable[[ToneResult], None]) -> None:
    perfect_ear(dataclasses.replace(tone_of(), warnings=(("no bee heard", "its own words"),)))
    assert measure_recording(quiet_wav).warnings == (("no bee heard", "its own words"),)


def test_silence_is_flagged_and_said(tmp_path: Path, perfect_ear: Callable[[ToneResult], None]) -> None:
    perfect_ear(tone_of())
    path = tmp_path / "silent.wav"
    write_encoded(path, np.zeros((1, 32000), np.float32), rate_hz=16000)
    measurement = measure_recording(path)
    assert measurement.flags == ("silent",)
    assert [code for code, _ in measurement.warnings] == ["silent"]


def test_clipping_is_flagged(tmp_path: Path, perfect_ear: Callable[[ToneResult], None]) -> None:
    path = tmp_path / "loud.wav"
    tone = np.clip(4 * np.sin(2 * np.pi * 150 * np.arange(32000) / 16000), -1, 1)
    write_encoded(path, tone.astype(np.float32), rate_hz=16000)
    measurement = measure_recording(path)
    assert "clipped" in measurement.flags
    assert "clipped" in dict(measurement.warnings)


def test_bouts_after_a_damaged_place_are_marked(
    tmp_path: Path, hover_wav: Path, perfect_ear: Callable[[ToneResult], None]
) -> None:
    """A recording cut off at two thirds: what the ear still claims beyond the cut cannot be trusted."""
    path = tmp_path / "cut.wav"
    whole = hover_wav.read_bytes()
    path.write_bytes(whole[: len(whole) * 2 // 3])
    perfect_ear(tone_of(bout(150, start_s=1.0, end_s=2.0), bout(150, start_s=3.5, end_s=5.0)))
    measurement = measure_recording(path)
    assert "cut short" in dict(measurement.warnings), "codes are words, as flags are"
    assert measurement.flags == ("damaged",)
    assert [b.flags for b in measurement.tone.bouts] == [(), ("damaged",)]


# --- narrowing --------------------------------------------------------------------------------------


def with_recording(measurement: Measurement, **changes: Any) -> Measurement:
    return dataclasses.replace(
        measurement,
        recording=dataclasses.replace(measurement.recording, **changes),
    )


def test_date_of_the_recording_counts_like_one_given(hover_truth: Measurement) -> None:
    assert hover_truth.recording.recorded_at_source == "file name"
    (by_itself,) = identify_measurement(hover_truth, fauna=load(), hints={})
    (given_date,) = identify_measurement(hover_truth, fauna=load(), hints={}, date=datetime.date(2019, 6, 15))
    assert by_itself.to_json() == given_date.to_json()


def test_date_given_goes_before_that_of_the_recording(hover_truth: Measurement) -> None:
    day = datetime.date(2026, 3, 20)
    (answer,) = identify_measurement(hover_truth, fauna=load(), hints={}, date=day)
    undated = with_recording(hover_truth, recorded_at=None, recorded_at_source=None)
    (undated_answer,) = identify_measurement(undated, fauna=load(), hints={}, date=day)
    told = answer.warnings[-1]
    assert told.code == "date contradicts recording"
    assert "2026-03-20" in told.text
    assert "2019-06-15 at 10:15" in told.text
    rest = dataclasses.replace(answer, warnings=answer.warnings[:-1])
    assert repr(rest) == repr(undated_answer)  # an unknown size is NaN, which equals nothing


@pytest.mark.parametrize(
    ("day", "told"),
    [("2019-06-14", False), ("2019-06-15", False), ("2019-06-16", False), ("2019-06-17", True)],
)
def test_a_date_contradicts_the_recording_from_two_days_on(
    hover_truth: Measurement, day: str, told: bool
) -> None:
    """One day may be the time zone."""
    date = datetime.date.fromisoformat(day)
    (answer,) = identify_measurement(hover_truth, fauna=load(), hints={}, date=date)
    assert ("date contradicts recording" in {w.code for w in answer.warnings}) is told
    weak = with_recording(hover_truth, recorded_at_source="file time")
    (by_file,) = identify_measurement(weak, fauna=load(), hints={}, date=date)
    assert "date contradicts recording" not in {w.code for w in by_file.warnings}


@pytest.mark.parametrize(
    ("place", "told"),
    [
        ("51.46,-0.30", ""),
        ("51.49,-0.30", ""),
        ("TQ18", ""),
        ("TQ", ""),
        ("51.55,-0.30", "at least 9 km from there"),
    ],
)
def test_a_place_contradicts_the_recording_some_kilometres_off(
    hover_truth: Measurement, place: str, told: str
) -> None:
    """Its own place, which may be private, is not told."""
    placed = with_recording(hover_truth, latitude_deg=51.46, longitude_deg=-0.30, place_source="container")
    (answer,) = identify_measurement(placed, fauna=load(), hints={}, place=parse_place(place))
    texts = {w.code: w.text for w in answer.warnings}
    assert told in texts.get("place contradicts recording", "")
    assert bool(told) is ("place contradicts recording" in texts)
    assert not any("51.46" in text for text in texts.values())


def test_time_of_the_file_is_not_taken_for_a_date(hover_truth: Measurement) -> None:
    undated = with_recording(hover_truth, recorded_at=None, recorded_at_source=None)
    weak = with_recording(hover_truth, recorded_at_source="file time")
    (without,) = identify_measurement(undated, fauna=load(), hints={})
    (answer,) = identify_measurement(weak, fauna=load(), hints={})
    assert answer.candidates == without.candidates
    # One sentence asks for the date, in the place of the one that is said where nothing hints at the day.
    (told,) = [w.text for w in answer.warnings if w not in without.warnings]
    assert told.startswith("Only the file's own time (")
    assert told.endswith("give the date yourself.")
    assert len(answer.warnings) == len(without.warnings)
    assert sum("give" in w.text and "date" in w.text for w in answer.warnings) == 1
    # Not said when the date is given.
    (dated,) = identify_measurement(weak, fauna=load(), hints={}, date=datetime.date(2019, 6, 15))
    assert "file time weak" not in {w.code for w in dated.warnings}


def test_place_of_the_recording_counts(hover_truth: Measurement) -> None:
    """57.2 N in the Cairngorms against the Thames: the northern list weighs other bees."""
    fauna = load()
    placed = with_recording(hover_truth, latitude_deg=57.2, longitude_deg=-3.8, place_source="container")
    (north,) = identify_measurement(placed, fauna=fauna, hints={})
    (south,) = identify_measurement(hover_truth, fauna=fauna, hints={}, place=parse_place("51.46,-0.30"))
    (north_given,) = identify_measurement(hover_truth, fauna=fauna, hints={}, place=parse_place("57.2,-3.8"))
    assert north.taxa != south.taxa
    shares = {taxon.taxon: taxon.probability for taxon in north_given.taxa}
    assert {taxon.taxon: taxon.probability for taxon in north.taxa} == pytest.approx(shares, abs=0.01)


def test_place_that_makes_no_sense_is_told_and_left_out(hover_truth: Measurement) -> None:
    """A phone that writes longitude first."""
    swapped = with_recording(hover_truth, latitude_deg=-0.30, longitude_deg=51.46, place_source="container")
    (answer,) = identify_measurement(swapped, fauna=load(), hints={})
    (without,) = identify_measurement(hover_truth, fauna=load(), hints={})
    assert answer.candidates == without.candidates
    assert "The place that the recording states makes no sense: give the place yourself." in {
        w.text for w in answer.warnings
    }


def test_many_bees_are_not_sized(hover_truth: Measurement) -> None:
    many = dataclasses.replace(hover_truth, flags=("many bees",))
    (answer,) = identify_measurement(many, fauna=load(), hints={})
    assert math.isnan(answer.size.itd_mm)


# --- several bees -----------------------------------------------------------------------------------


def with_bouts(measurement: Measurement, *bouts: Bout, flags: tuple[str, ...] = ()) -> Measurement:
    return dataclasses.replace(measurement, tone=tone_of(*bouts), flags=flags)


def test_one_bee_has_all_bouts_whatever_their_kind(hover_truth: Measurement) -> None:
    bouts = (bout(150), bout(300, start_s=1.2, end_s=1.5, kind="sonication"), bout(160, start_s=2, end_s=3))
    one = with_bouts(hover_truth, *bouts)
    assert flights_by_individual(one) == [bouts]
    (answer,) = identify_measurement(one, fauna=load(), hints={})
    assert len(identify_json(one, answer, individual=1)["bouts"]) == 3
    assert not {"several bees", "maybe several bees"} & {w.code for w in answer.warnings}


@pytest.mark.parametrize(
    ("second", "at_once"),
    [(bout(210, start_s=2.0, end_s=3.0), False), (bout(165, start_s=0.5, end_s=1.5), True)],
)
def test_two_bees_get_two_answers(hover_truth: Measurement, second: Bout, at_once: bool) -> None:
    shake = bout(300, start_s=4.0, end_s=4.5, kind="sonication")
    two = with_bouts(hover_truth, bout(150), second, shake)
    answers = identify_measurement(two, fauna=load(), hints={"tail": "white"})
    assert len(answers) == 2
    for number, (answer, own) in enumerate(zip(answers, two.flight, strict=True), start=1):
        laid_out = identify_json(two, answer, individual=number)
        assert laid_out["individual"] == number
        assert [b["f0_hz"] for b in laid_out["bouts"]] == [own.f0_hz]
        (told,) = [w["text"] for w in laid_out["warnings"] if w["code"] == "several bees"]
        assert f"number {number}" in told
        assert f"{own.f0_hz:.0f} Hz" in told
        assert "counted for each" in told
        assert ("sound at once" in told) == at_once
        assert ("chance that it is one bee after all" in told) != at_once
        assert told.endswith(", so look at one bee at a time.")
    # Each is sized by its own tone: the higher one is the smaller.
    assert answers[0].size.itd_mm > answers[1].size.itd_mm
    assert len(measure_json(two)["bouts"]) == 3


def test_tones_an_octave_apart_leave_no_certainty_that_they_are_two_bees(hover_truth: Measurement) -> None:
    two = with_bouts(hover_truth, bout(105), bout(210, start_s=2.0, end_s=3.0))
    for answer in identify_measurement(two, fauna=load(), hints={}):
        (told,) = [w.text for w in answer.warnings if w.code == "several bees"]
        assert "(chance that it is one bee after all: under 1 %)" in told


def test_doubt_about_one_bee_is_told(hover_truth: Measurement) -> None:
    doubtful = with_bouts(hover_truth, bout(150), bout(184, start_s=2.0, end_s=3.0))
    (answer,) = identify_measurement(doubtful, fauna=load(), hints={})
    (told,) = [w.text for w in answer.warnings if w.code == "maybe several bees"]
    share = re.fullmatch(r"The flights are taken .* (\d+) %\.", told)
    assert share is not None
    assert 20 <= int(share[1]) < 91


def test_many_bees_are_not_told_apart(hover_truth: Measurement) -> None:
    many = with_bouts(hover_truth, bout(150), bout(165, start_s=0.5, end_s=1.5), flags=("many bees",))
    assert len(identify_measurement(many, fauna=load(), hints={})) == 1


# --- the published layouts --------------------------------------------------------------------------

RECORDING_KEYS = [
    "path",
    "sha256",
    "duration_s",
    "sample_rate_hz",
    "channels",
    "codec",
    "recorded_at",
    "recorded_at_source",
]
BOUT_KEYS = [
    "kind",
    "start_s",
    "end_s",
    "f0_hz",
    "f0_low_hz",
    "f0_high_hz",
    "f0_spread_hz",
    "snr_db",
    "harmonics_db",
    "flyby",
    "flags",
]


def test_measure_layout(hover_truth: Measurement) -> None:
    """Names as published; more may be added, none of these may go."""
    laid_out = json.loads(json.dumps(measure_json(hover_truth), allow_nan=False))
    assert laid_out["schema"] == "wingtone/measure/1"
    assert list(laid_out) == ["schema", "recording", "bouts", "flags", "warnings"]
    assert set(RECORDING_KEYS) <= set(laid_out["recording"])
    first = laid_out["bouts"][0]
    assert set(BOUT_KEYS) <= set(first)
    assert first["harmonics_db"] == [-3.0, 0.0, None]  # NaN is not known, and null says so
    published = {"f0_source_hz": 150.0, "speed_m_s": 3.1, "closest_m": 0.4, "at_s": 1.5}
    assert published.items() <= first["flyby"].items()
    assert (first["flyby"]["speed_low_m_s"], first["flyby"]["speed_high_m_s"]) == (2.5, 3.9)
    assert first["flags"] == ["wind"]
    assert laid_out["recording"]["recorded_at"].startswith("2019-06-15T10:15")
    assert laid_out["recording"]["recorded_at_source"] == "file name"


def test_identify_layout(hover_truth: Measurement) -> None:
    day = datetime.date(2026, 3, 20)
    (answer,) = identify_measurement(hover_truth, fauna=load(), hints={"tail": "white"}, date=day)
    laid_out = json.loads(
        json.dumps(identify_json(hover_truth, answer, individual=1, given_date=day), allow_nan=False)
    )
    assert laid_out["schema"] == "wingtone/identify/1"
    assert laid_out["individual"] == 1
    assert laid_out["bouts"] == json.loads(json.dumps(measure_json(hover_truth)))["bouts"]
    assert laid_out["recording"]["recorded_at"] == "2026-03-20"
    assert laid_out["recording"]["recorded_at_source"] == "given"
    assert "date contradicts recording" in {warning["code"] for warning in laid_out["warnings"]}
    same_day = identify_json(hover_truth, answer, individual=1, given_date=datetime.date(2019, 6, 15))
    assert same_day["recording"]["recorded_at"].startswith("2019-06-15T10:15"), "the time of day stays"
    assert same_day["recording"]["recorded_at_source"] == "file name"
    parts = (
        "castes",
        "size",
        "candidates",
        "taxa",
        "credible_set",
        "record_as",
        "evidence",
        "look_next",
        "warnings",
    )
    assert set(parts) <= set(laid_out)
    assert math.fsum(c["probability"] for c in laid_out["candidates"]) == pytest.approx(1.0)


def test_warnings_of_both_halves_come_together(hover_truth: Measurement) -> None:
    warned = dataclasses.replace(
        with_recording(hover_truth, recorded_at_source="file time"), warnings=(("clipped", "too loud"),)
    )
    (answer,) = identify_measurement(warned, fauna=load(), hints={})
    codes = [w["code"] for w in identify_json(warned, answer, individual=1)["warnings"]]
    assert codes[0] == "clipped"
    assert "file time weak" in codes


# --- the tone line ----------------------------------------------------------------------------------


def test_track_covers_the_recording_every_10_ms(hover_truth: Measurement) -> None:
    rows = list(track_rows(hover_truth))
    assert [row[0] for row in rows] == [round(k / 100, 2) for k in range(601)]
    line = hover_truth.tone.track
    heard = {row[0]: row[1] for row in rows if row[1] is not None}
    assert heard == pytest.approx(
        dict(zip(np.round(line.time_s, 2).tolist(), line.f0_hz.tolist(), strict=True)), abs=1e-3
    )
    assert all((row[1] is None) == (row[2] is None) for row in rows)


def test_two_tones_at_once_give_a_first_and_a_second(hover_truth: Measurement) -> None:
    strong = dataclasses.replace(bout(180, start_s=1.0, end_s=2.0), snr_db=20.0)
    both = dataclasses.replace(hover_truth, tone=tone_of(bout(140, start_s=0.5, end_s=1.5), strong))
    rows: dict[float, tuple[object, ...]] = {row[0]: row[1:] for row in track_rows(both)}
    assert rows[0.2] == (None, None, None)
    assert rows[0.7] == (140, "flight", None)
    assert rows[1.2] == (180, "flight", 140)
    assert rows[1.8] == (180, "flight", None)
