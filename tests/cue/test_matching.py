"""Records find their clips, by name and by time, through a clock that is wrong."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wingtone.cue.clock import estimated_offset, moment, offset_of_pairs, zone_named
from wingtone.cue.matching import ClipTime, match
from wingtone.errors import RequestError

LONDON = ZoneInfo("Europe/London")


def clips(*times_s: float | None, names: list[str] | None = None) -> list[ClipTime]:
    named = names or [f"{i}.wav" for i in range(len(times_s))]
    return [ClipTime(Path("clips") / name, time) for name, time in zip(named, times_s, strict=True)]


# --- moments ---------------------------------------------------------------------------------------------


def test_moments_are_those_of_the_standard_library() -> None:
    summer = dt.datetime(2026, 6, 14, 9, 32, tzinfo=dt.UTC).timestamp()
    assert moment("2026-06-14T10:32+01:00", zone=None) == summer
    assert moment("2026-06-14T10:32", zone=LONDON) == summer  # British summer time
    assert moment("2026-06-14T09:32Z", zone=LONDON) == summer
    assert moment("2026-06-14T10:30/2026-06-14T10:34", zone=LONDON) == summer
    winter = dt.datetime(2026, 3, 20, 10, 32, tzinfo=dt.UTC).timestamp()
    assert moment("2026-03-20T10:32", zone=LONDON) == winter
    assert moment("2026-03-20T10:32", zone=None) == dt.datetime(2026, 3, 20, 10, 32).astimezone().timestamp()


@pytest.mark.parametrize("text", [None, "", "2026", "2026-03-20", "2026-03-20/2026-03-22"])
def test_a_day_is_no_moment(text: str | None) -> None:
    assert moment(text, zone=None) is None


def test_a_zone_nobody_has_is_refused() -> None:
    assert zone_named(None) is None
    assert zone_named("Europe/London") == LONDON
    for name in ("Europe/Nowhere", "../etc/passwd", ""):
        with pytest.raises(RequestError, match="time zone"):
            zone_named(name)


# --- the clock -------------------------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(-9000, 9000), st.integers(15, 60))
def test_the_offset_is_found_among_strangers(seed: int, true_s: float, n: int) -> None:
    """Half of the records have no clip, and as many clips have no record."""
    rng = np.random.default_rng(seed)
    records = np.sort(rng.uniform(0, 30 * 86400, n))
    own = records[: max(n // 2, 10)] - true_s + rng.normal(0, 15, max(n // 2, 10))
    others = rng.uniform(0, 30 * 86400, n // 2)
    offset = estimated_offset(records, np.concatenate([own, others]))
    assert offset.how == "times"
    assert offset.offset_s == pytest.approx(true_s, abs=25)


def test_no_offset_is_made_up_where_nothing_fits() -> None:
    rng = np.random.default_rng(4)
    found = 0
    for _ in range(100):
        records, others = rng.uniform(0, 20 * 86400, 60), rng.uniform(0, 20 * 86400, 60)
        found += estimated_offset(records, others).how == "times"
    assert found <= 10  # about one in twenty by the rule's own reckoning, often less
    assert estimated_offset(np.empty(0), np.empty(0)).how == "not found"


def test_names_give_the_offset_and_one_slip_does_not_bend_it() -> None:
    assert offset_of_pairs([60.0, 61.0]) is None
    three = offset_of_pairs([60.0, 61.0, 86_460.0])
    assert three is not None
    assert three.offset_s == 61.0
    offset = offset_of_pairs([60.0, 62.0, 61.0, 86_460.0])
    assert offset is not None
    assert offset.offset_s == pytest.approx(61.5)
    assert offset.spread_s == pytest.approx(1.0)  # distances 1.5, 0.5, 0.5 and a day
    assert offset.how == "file names"


# --- matching --------------------------------------------------------------------------------------------


def test_by_name_whatever_the_folder_the_capitals_and_the_kind_of_file() -> None:
    there = clips(None, None, names=["a one.WAV", "b.flac"])
    matches, _ = match(
        ["A One.wav", "C:\\Phone\\a one.wav", "x/b.wav", "b", "", "gone.wav"],
        [None] * 6,
        there,
        tolerance_s=60,
    )
    assert [found.clip for found in matches] == [0, 0, 1, 1, None, None]
    assert "2 records name this clip" in matches[0].note
    assert "gone.wav" in matches[5].note
    assert "no clip states when" in matches[4].note


def test_the_kind_of_file_decides_where_it_is_named() -> None:
    there = clips(None, None, names=["1.wav", "1.m4a"])
    matches, _ = match(["1.m4a", "1.mp3"], [None, None], there, tolerance_s=60)
    assert [found.clip for found in matches] == [1, None]
    assert "2 clips go by the name" in matches[1].note


def test_folders_decide_between_clips_of_one_name() -> None:
    there = [ClipTime(Path("clips/may/1.wav"), None), ClipTime(Path("clips/june/1.wav"), None)]
    matches, _ = match(["june/1.wav", "1.wav"], [None, None], there, tolerance_s=60)
    assert [found.clip for found in matches] == [1, None]
    assert "2 clips go by the name" in matches[1].note


def test_a_clip_that_one_record_names_goes_to_no_other_by_its_time() -> None:
    """Nor does a day without a time of day come between a record and the clip that it names."""
    matches, _ = match(["0.wav", ""], [None, 100.0], clips(100.0, 130.0), tolerance_s=60, offset_s=0.0)
    assert [found.clip for found in matches] == [0, 1]
    assert [found.gap_s for found in matches] == [None, -30.0]
    matches, _ = match(["0.wav", ""], [None, 100.0], clips(100.0), tolerance_s=60, offset_s=0.0)
    assert matches[1].clip is None


def test_a_record_that_names_a_clip_is_never_matched_by_time() -> None:
    matches, _ = match(["gone.wav"], [100.0], clips(100.0), tolerance_s=60, offset_s=0.0)
    assert matches[0].clip is None


def test_each_clip_goes_to_the_record_that_is_nearest() -> None:
    matches, _ = match(
        [""] * 4, [0.0, 100.0, 130.0, 5000.0], clips(110.0, 900.0), tolerance_s=120, offset_s=0.0
    )
    assert [found.clip for found in matches] == [None, 0, None, None]
    assert matches[1].gap_s == -10.0
    assert "nearer to another record" in matches[2].note
    assert "no clip within 2 min; the nearest lies 68 min away" in matches[3].note


def test_the_nearest_clip_is_named_on_whichever_side_it_lies() -> None:
    for at_s, minutes in ((1600.0, 10), (2400.0, 10), (5000.0, 33)):
        matches, _ = match([""], [at_s], clips(1000.0, 3000.0), tolerance_s=60, offset_s=0.0)
        assert f"the nearest lies {minutes} min away" in matches[0].note


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.one_of(st.none(), st.floats(0, 3000)), max_size=12),
    st.lists(st.one_of(st.none(), st.floats(0, 3000)), max_size=12),
    st.floats(0, 600),
)
def test_nothing_is_matched_beyond_the_tolerance_or_twice(
    records: list[float | None], recorded: list[float | None], tolerance_s: float
) -> None:
    matches, _ = match([""] * len(records), records, clips(*recorded), tolerance_s=tolerance_s, offset_s=0.0)
    used = [found.clip for found in matches if found.clip is not None]
    assert len(used) == len(set(used))
    for found, record in zip(matches, records, strict=True):
        if found.clip is None:
            assert found.note
            assert found.reason
            continue
        assert found.gap_s is not None
        assert abs(found.gap_s) <= tolerance_s
        assert record is not None
        # No free clip lies nearer: it would have been taken.
        free = [at for i, at in enumerate(recorded) if at is not None and i not in used]
        assert all(abs(record - at) >= abs(found.gap_s) for at in free)


def test_a_slow_clock_is_found_through_the_names_and_used_for_the_times() -> None:
    times = [86400.0 * i for i in range(6)]
    there = clips(*(time - 444.0 for time in times))
    matches, offset = match(["0.wav", "1.wav", "2.wav", "", "", ""], list(times), there, tolerance_s=60)
    assert offset.offset_s == pytest.approx(444.0)
    assert [found.clip for found in matches] == [0, 1, 2, 3, 4, 5]
    assert [found.how for found in matches] == ["file name"] * 3 + ["time"] * 3
    assert all(found.gap_s == pytest.approx(0.0) for found in matches)
