"""Where a tracked line is cut into pieces."""

from __future__ import annotations

import numpy as np
import pytest

from tone.sounds import RATE, harmonic_sound
from wingtone.tone.listen import listen
from wingtone.tone.pieces import cut, features
from wingtone.tone.refine import REFINED
from wingtone.tone.rows import ROW

NOTHING = np.zeros(0, REFINED)


def line(ln_f0: np.ndarray) -> np.ndarray:
    """Rows of an unbroken line."""
    rows = np.zeros(ln_f0.size, ROW)
    rows["frame"], rows["tracked"], rows["ln_f0"] = np.arange(ln_f0.size), True, ln_f0
    return rows


@pytest.mark.parametrize(("step", "n_pieces"), [(0.075, 2), (-0.075, 2), (0.045, 1), (-0.045, 1)])
def test_a_line_is_cut_where_it_steps(step: float, n_pieces: int) -> None:
    """By more than 6 % within 60 ms, here evenly over these."""
    at = np.clip((np.arange(60) - 27) / 6, 0.0, 1.0)
    pieces = cut(line(np.log(150.0) + step * at), NOTHING)
    assert len(pieces) == len({piece.stretch for piece in pieces}) == n_pieces
    assert sum(piece.rows.size for piece in pieces) == 60
    if n_pieces == 2:
        assert pieces[1].rows["frame"][0] == pytest.approx(30, abs=2)
        assert pieces[1].ln_f0 - pieces[0].ln_f0 == pytest.approx(step, abs=0.01)


def test_a_slow_glide_is_not_cut() -> None:
    """As far as those steps together, within a third of a second."""
    assert len(cut(line(np.log(150.0) + np.linspace(0.0, 0.15, 35)), NOTHING)) == 1


def test_a_line_is_cut_at_gaps_and_scraps_are_dropped() -> None:
    rows = line(np.full(60, np.log(150.0)))
    rows["tracked"][30] = False
    assert [piece.rows.size for piece in cut(rows, NOTHING)] == [30, 29]
    rows["tracked"][23:30] = False
    assert [piece.rows.size for piece in cut(rows, NOTHING)] == [23, 29]
    rows["tracked"][:16] = False
    assert [piece.rows.size for piece in cut(rows, NOTHING)] == [29], "seven frames are too few to judge"


def test_a_long_line_is_judged_in_even_parts_of_one_stretch() -> None:
    pieces = cut(line(np.full(170, np.log(150.0))), NOTHING, first_stretch=5)
    assert [piece.rows.size for piece in pieces] == [57, 56, 57]
    assert {piece.stretch for piece in pieces} == {5}


def test_a_thread_runs_on_over_steps_and_ends_at_gaps() -> None:
    rows = line(np.log(150.0) + 0.1 * (np.arange(120) // 30 % 2))
    rows["tracked"][75:78] = False
    pieces = cut(rows, NOTHING, first_stretch=2)
    assert [piece.rows.size for piece in pieces] == pytest.approx([30, 30, 15, 12, 30], abs=3)
    assert [piece.stretch for piece in pieces] == [2, 3, 4, 5, 6]
    assert [piece.thread for piece in pieces] == [2, 2, 2, 5, 5]
    assert [piece.thread_s for piece in pieces] == pytest.approx([0.75, 0.75, 0.75, 0.42, 0.42])


def test_a_bee_that_turns_about_is_told_from_a_row_of_syllables() -> None:
    """The same pieces of tone, with and without gaps of 50 ms between them."""

    def told(*, gap: int) -> dict[str, float]:
        rows = line(np.log(110.0) + 0.1 * (np.arange(150) // 25 % 2))
        rows["level"] = np.arange(150) // 25
        rows["tracked"] = np.arange(150) % 25 >= gap
        one = features(cut(rows, NOTHING))[3]
        return {name: value for name, value in one.items() if "thread" in name}

    assert told(gap=0) == {
        "thread_ln_duration": pytest.approx(np.log(1.5)),
        "thread_spread": pytest.approx(0.1, abs=1e-6),
        "thread_level_spread": pytest.approx(5.0, abs=0.1),  # it is cut two frames late
        "near_threads": 0.0,
        "near_threads_duration": 0.0,
        "near_threads_short": 0.0,
    }
    assert told(gap=5) == pytest.approx(
        {
            "thread_ln_duration": np.log(0.2),
            "thread_spread": 0.0,
            "thread_level_spread": 0.0,
            "near_threads": 5.0,
            "near_threads_duration": 1.0,
            "near_threads_short": 1.0,
        }
    )


def test_where_the_sound_lies_is_told_in_hertz_whatever_the_tone() -> None:
    """Two lines of equal power at 300 and 600 Hz, of tones of 150 and 300 Hz; the others far below."""
    for f0_hz, orders in ((150.0, (2, 4)), (300.0, (1, 2))):
        rows = line(np.full(30, np.log(f0_hz)))
        rows["tooth_level"] = -30.0
        for order, level in zip(orders, (0.001, 0.0), strict=True):
            rows["tooth_level"][:, order - 1] = level
        (one,) = features(cut(rows, NOTHING))
        assert np.exp(one["centroid"]) == pytest.approx(450.0, rel=0.001)
        assert np.exp(one["strongest"]) == pytest.approx(300.0)


def test_a_shape_that_falls_evenly_is_not_rough() -> None:
    rows = line(np.full(30, np.log(150.0)))
    for jump, rough in ((0.0, 0.0), (1.5, 6.0)):
        order = np.arange(rows["tooth_level"].shape[1])
        rows["tooth_level"] = -0.5 * order + jump * (-1.0) ** order
        assert features(cut(rows, NOTHING))[0]["shape_rough"] == pytest.approx(rough, abs=1e-5)


def refined_line(relative: np.ndarray, *, error: float, ratio: float = 10.0) -> np.ndarray:
    """Refined values of a tone of 150 Hz, whose three lines stand ``ratio`` over the noise."""
    refined = np.zeros(relative.size, REFINED)
    refined["frame"] = 4 * np.arange(relative.size)
    refined["f0_hz"], refined["variance_hz2"] = 150.0 * relative, (150.0 * error) ** 2
    refined["noise_power"] = np.where(np.arange(refined["noise_power"].shape[1]) < 3, 1.0, np.nan)
    refined["tone_power"] = refined["noise_power"] * ratio
    return refined


def fine(refined: np.ndarray) -> dict[str, float]:
    (piece,) = cut(line(np.full(4 * max(refined.size, 5), np.log(150.0))), refined)
    return {name: value for name, value in features([piece])[0].items() if name.startswith("fine_")}


@pytest.mark.parametrize("scatter", [0.003, 0.02])
def test_scatter_of_the_refined_tone_is_told_as_it_is(scatter: float) -> None:
    """White scatter: second differences have six times its variance; a line takes two of 20 values' worth."""
    told = []
    for seed in range(40):
        white = np.random.default_rng(seed).standard_normal(20) * scatter
        told.append(fine(refined_line(1 + white + np.linspace(-0.03, 0.03, 20), error=scatter / 2)))
    variance = {name: np.mean([np.exp(2 * one[name]) for one in told]) / scatter**2 for name in told[0]}
    assert variance["fine_jitter"] == pytest.approx(1.0, rel=0.15)
    assert variance["fine_spread"] == pytest.approx(18 / 20, rel=0.1)
    assert variance["fine_wander"] == pytest.approx(18 / 20 - 1 / 4, rel=0.15)
    assert told[0]["fine_error"] == pytest.approx(np.log(scatter / 2), abs=0.02)


def test_flutter_is_what_a_smooth_glide_leaves() -> None:
    """A cubic takes four of 18 values' worth of white scatter, and all of a glide that bends twice."""
    time = np.linspace(-1.0, 1.0, 18)
    glide = 1 + 0.05 * time**3 - 0.03 * time**2
    told = []
    for seed in range(40):
        white = np.random.default_rng(seed).standard_normal(18) * 0.01
        told.append(np.exp(2 * fine(refined_line(glide + white, error=0.005))["fine_flutter"]) / 0.01**2)
    assert np.mean(told) == pytest.approx(14 / 18 - 1 / 4, rel=0.15)
    smooth = fine(refined_line(glide, error=0.0001))
    assert np.exp(smooth["fine_flutter"]) < 0.0005 < 0.01 < np.exp(smooth["fine_wander"])


def test_what_is_no_more_than_the_error_is_no_wander() -> None:
    steady = np.random.default_rng(1).standard_normal(20) * 0.003
    assert np.exp(fine(refined_line(1 + steady, error=0.006))["fine_wander"]) < 0.0005


def test_clear_lines_are_counted_and_their_strength_is_told() -> None:
    clear, faint = (fine(refined_line(np.ones(20), error=0.001, ratio=ratio)) for ratio in (10.0, 3.0))
    assert (clear["fine_clear_lines"], faint["fine_clear_lines"]) == (3, 0)
    assert clear["fine_over_noise"] - faint["fine_over_noise"] == pytest.approx(np.log(10 / 3), abs=0.01)
    # The same error where less signal explains it is a narrower line.
    assert clear["fine_line_width"] - faint["fine_line_width"] == pytest.approx(np.log(10 / 3), abs=0.01)
    assert clear["fine_stuck"] == 0.0
    assert fine(refined_line(np.ones(20), error=0.02))["fine_stuck"] == 1.0


def test_what_too_few_values_tell_is_unknown() -> None:
    assert np.isnan(list(fine(refined_line(np.ones(0), error=0.001)).values())).all()
    unknown = {name for name, value in fine(refined_line(np.ones(4), error=0.001)).items() if np.isnan(value)}
    assert unknown == {"fine_jitter", "fine_spread", "fine_wander", "fine_flutter"}
    assert np.isnan(fine(refined_line(np.ones(11), error=0.001))["fine_flutter"])


def test_an_engine_is_told_from_a_wing_by_its_steadiness_even_in_noise() -> None:
    """Six lines, 0 dB; a wing whose tone wanders by 1.5 %, and a machine that keeps it to 0.1 %."""
    wander = {}
    for name, share in (("wing", 0.015), ("machine", 0.001)):
        told = []
        for seed in range(6):
            rng = np.random.default_rng(seed)
            knots = np.arange(0, 2 * RATE + 1, RATE // 8)
            ln_hz = np.interp(np.arange(2 * RATE), knots, share * rng.standard_normal(knots.size))
            sound = harmonic_sound(
                140.0 * np.exp(ln_hz), amplitudes=(1, 1, 0.7, 0.5, 0.4, 0.3), snr_db=0, seed=seed
            )
            for heard in listen([sound[None]]):
                told += [one["fine_wander"] for one in features(cut(heard.rows, heard.refined))]
        wander[name] = np.sort(told)
    assert min(map(len, wander.values())) >= 10
    assert np.quantile(wander["machine"], 0.9) < np.quantile(wander["wing"], 0.1) - 1.0


def tones(*parts: tuple[float, float, float, float]) -> list[dict[str, float]]:
    """What is told of the far tones of steady tones: start and end in seconds, Hz and salience of each."""
    rows = []
    for start_s, end_s, f0_hz, salience in parts:
        one = line(np.full(round((end_s - start_s) * 100), np.log(f0_hz)))
        one["frame"] += round(start_s * 100)
        one["salience"] = salience
        rows.append(one)
    pieces = cut(np.concatenate(rows), NOTHING)
    assert len(pieces) == len(parts)
    return [{k[4:]: v for k, v in one.items() if k.startswith("far_")} for one in features(pieces)]


def test_a_buzz_between_two_flights_is_told_to_be_higher_than_they_are() -> None:
    """By half, as flower buzzes are (De Luca et al. 2019: 1.45 to 2 times the flight tone, read)."""
    before, buzz, after = tones((0.0, 0.6, 150.0, 6.0), (0.8, 1.2, 225.0, 6.0), (1.4, 2.0, 150.0, 6.0))
    assert buzz == pytest.approx(
        {"lower": 0.75, "same": 0.0, "higher": 0.0, "step_down": np.log(150 / 225), "step_up": 0.0}, abs=1e-6
    )
    assert before == pytest.approx(after)
    assert after == pytest.approx(
        {"lower": 0.0, "same": 0.375, "higher": 0.25, "step_down": 0.0, "step_up": np.log(1.5)}, abs=1e-6
    )


@pytest.mark.parametrize(
    ("start_s", "f0_hz", "salience"),
    [(7.0, 150.0, 6.0), (1.0, 150.0, 3.0), (1.0, 75.0, 6.0), (1.0, 205.0, 6.0)],
    ids=["far away", "a scrap", "a hum an octave and a half below", "hardly lower"],
)
def test_what_cannot_be_the_flight_of_a_bee_that_buzzes_is_not_told(
    start_s: float, f0_hz: float, salience: float
) -> None:
    buzz, _ = tones((0.0, 0.5, 225.0, 6.0), (start_s, start_s + 0.5, f0_hz, salience))
    assert buzz == dict.fromkeys(buzz, 0.0)


def test_a_tone_alone_has_no_far_tones() -> None:
    assert set(tones((0.0, 0.5, 150.0, 6.0))[0].values()) == {0.0}
