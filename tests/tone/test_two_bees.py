"""Two tones at once, and which bouts are one bee's."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tone.sounds import RATE, harmonic_sound
from tone.test_measure import heard
from wingtone.simulate import make_scene
from wingtone.tone import spectrum
from wingtone.tone.individuals import WITHIN_LN, individuals
from wingtone.tone.listen import listen
from wingtone.tone.results import Bout
from wingtone.tone.rows import ROW
from wingtone.tone.second import GHOSTS, fill_in, is_own_tone, take_off

if TYPE_CHECKING:
    from wingtone.tone import Kind

# --- taking the first bee away ----------------------------------------------------------------------


def test_a_comb_is_filled_in_and_the_rest_is_kept() -> None:
    log_spectrum = spectrum.log_power(harmonic_sound(150.0, snr_db=10))
    filled = fill_in(log_spectrum, np.full(log_spectrum.shape[0], np.log(150.0), np.float32))
    tooth = round(300 / spectrum.BIN_HZ)
    between = round(225 / spectrum.BIN_HZ)
    assert (log_spectrum[:, tooth] - log_spectrum[:, between]).mean() > 5
    assert np.abs(filled[:, tooth] - filled[:, between]).mean() < 2
    assert filled[:, between] == pytest.approx(log_spectrum[:, between])


def test_a_series_is_taken_off_and_another_stays() -> None:
    line = 150.0 * np.exp(0.03 * np.sin(2 * np.pi * 0.7 * np.arange(2 * RATE) / RATE))
    one = harmonic_sound(line, snr_db=60, seed=1)
    other = harmonic_sound(171.0, amplitudes=(0.5, 0.5, 0.3), snr_db=60, seed=2)
    rest = take_off((one + other)[None], line)[0]
    inside = slice(RATE // 4, -RATE // 4)
    assert np.sum((rest - other)[inside] ** 2) < 0.05 * np.sum(one[inside] ** 2)
    assert np.corrcoef(rest[inside], other[inside])[0, 1] > 0.95


def line_rows(f0_hz: float, *, salience: float = 7.0, spread: float = 0.02) -> np.ndarray:
    rows = np.zeros(100, ROW)
    rows["frame"] = np.arange(100)
    rows["tracked"] = True
    rows["ln_f0"] = np.log(f0_hz) + spread * np.sin(np.arange(100) / 8)
    rows["salience"] = salience
    return rows


def test_relatives_and_near_tones_and_hum_are_refused() -> None:
    first = line_rows(143.0)
    assert is_own_tone(line_rows(170.0), first)
    for ratio in GHOSTS:
        assert not is_own_tone(line_rows(143.0 * ratio * 1.01), first)
    assert not is_own_tone(line_rows(143.0 * 1.06), first)
    assert not is_own_tone(line_rows(170.0, salience=3.5), first)
    assert not is_own_tone(line_rows(180.5, spread=0.003), first), "60 Hz x 3"
    late = line_rows(170.0)
    late["frame"] += 80
    assert not is_own_tone(late, first), "not at the same time"


def test_a_second_tone_is_tracked_and_refined() -> None:
    """Two tones of equal power, 23 % apart, both moving: closed form."""
    n = 3 * RATE
    t = np.arange(n) / RATE
    lines = [
        140.0 * np.exp(0.02 * np.sin(2 * np.pi * 0.6 * t)),
        172.0 * np.exp(0.02 * np.sin(2 * np.pi * 0.8 * t + 2)),
    ]
    sounds = [
        harmonic_sound(line, duration_s=3.0, amplitudes=(0.5, 1.0, 0.6, 0.4, 0.3, 0.2), seed=k, quiet_s=1.0)
        for k, line in enumerate(lines)
    ]
    (found,) = listen([(sounds[0] + sounds[1])[None]])
    refined = found.second_refined
    assert refined.size > 40
    true = np.stack([np.interp(refined["frame"] * spectrum.HOP_S - 1.0, t, line) for line in lines])
    error = np.abs(refined["f0_hz"] / true - 1)
    assert np.median(error.min(axis=0)) < 0.004
    assert np.mean(error.min(axis=0) < 0.03) > 0.9
    # The first line holds the other one.
    at = np.searchsorted(found.refined["frame"], refined["frame"]).clip(max=found.refined.size - 1)
    apart = np.log(found.refined["f0_hz"][at] / refined["f0_hz"])
    assert np.mean(np.abs(apart) > 0.1) > 0.9


def test_two_bees_at_once_are_two_bouts() -> None:
    """The whole room, at 15 dB: where two tones are given, both are true; how often is the room's own bar."""
    together = given = 0
    errors = []
    for seed in range(7000, 7008):
        result, _, _ = heard("two bees", seed, snr_db=15.0)
        truth = make_scene(seed, condition="two bees", snr_db=15.0, duration_s=8.0, rate_hz=16000).truth
        frames = np.rint(result.track.time_s / spectrum.HOP_S).astype(int)
        assert (np.diff(frames) >= 0).all()
        both = np.isfinite(truth.f0_hz) & np.isfinite(truth.second_f0_hz)
        together += int(both.sum())
        twice = np.flatnonzero(np.bincount(frames) == 2)
        twice = twice[both[twice]]
        given += twice.size
        got = np.array([np.sort(result.track.f0_hz[frames == f]) for f in twice]).reshape(-1, 2)
        true = np.sort(np.stack([truth.f0_hz[twice], truth.second_f0_hz[twice]], axis=1), axis=1)
        errors.append(np.abs(got / true - 1).ravel())
        assert individuals(result.bouts).at_once == (2 if twice.size else 1)
    error = np.concatenate(errors)
    assert given > 0.3 * together
    assert np.mean(error < 0.05) > 0.98
    assert np.median(error) < 0.005


@pytest.mark.parametrize("condition", ["wander", "hum", "gusts"])
def test_one_bee_is_one_bee(condition: str) -> None:
    result, _, _ = heard(condition, seed=7007, snr_db=15.0)
    frames = np.rint(result.track.time_s * 100).astype(int)
    assert frames.size > 100
    assert np.bincount(frames).max() == 1


# --- sharing out ------------------------------------------------------------------------------------


def flight(f0_hz: float, start_s: float, end_s: float, kind: Kind = "flight") -> Bout:
    return Bout(kind, start_s, end_s, f0_hz, f0_hz - 0.5, f0_hz + 0.5, 2.0, 10.0, (), 0.9)


def in_turn(*tones: float) -> list[Bout]:
    return [flight(f, 2.0 * i, 2.0 * i + 1.0) for i, f in enumerate(tones)]


def test_no_flight_no_individual() -> None:
    assert individuals([]).groups == ()
    assert individuals([flight(300, 0, 1, "sonication")]).groups == ()


def test_bouts_in_turn_are_one_bee_unless_far_apart() -> None:
    assert individuals(in_turn(150)).groups == ((0,),)
    assert individuals(in_turn(150, 150 * 1.149)).groups == ((0, 1),)
    assert individuals(in_turn(*[150.0] * 30, *[168.0] * 30)).groups == (tuple(range(60)),)
    assert individuals(in_turn(120, 190, 121, 188)).groups == ((0, 2), (1, 3))
    assert len(individuals(in_turn(100, 140, 200, 101, 141, 201)).groups) == 3


def test_odds_are_those_of_the_model() -> None:
    """Two bouts against a bivariate normal written out: scipy's density (outside check)."""
    from scipy.stats import multivariate_normal

    from wingtone.tone.individuals import BETWEEN_LN, MIDDLE_LN, ONE_BEE_ODDS

    tones = np.log([130.0, 165.0])
    error = np.array([0.5 / 1.96 / 130.0, 0.5 / 1.96 / 165.0])
    own = np.diag(WITHIN_LN**2 + error**2)
    one = multivariate_normal([MIDDLE_LN] * 2, own + BETWEEN_LN**2).pdf(tones)
    two = multivariate_normal([MIDDLE_LN] * 2, own + BETWEEN_LN**2 * np.eye(2)).pdf(tones)
    # Of four ways to name two bees in two bouts, two keep both in use.
    expected = two / one / ONE_BEE_ODDS * 2 / 4
    assert individuals(in_turn(130.0, 165.0)).more_odds == pytest.approx(expected, rel=1e-6)


def test_bouts_at_once_are_different_bees_and_keep_their_later_bouts() -> None:
    bouts = [flight(140, 0, 3), flight(158, 1, 2), flight(157, 5, 6), flight(141, 7, 8)]
    shared = individuals(bouts)
    assert shared.groups == ((0, 3), (1, 2))
    assert shared.at_once == 2
    touching = [flight(140, 0, 3), flight(150, 2.95, 5)]
    assert individuals(touching).groups == ((0, 1),)


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.floats(85, 310), st.floats(0, 20), st.floats(0.2, 3)), min_size=1, max_size=15))
def test_every_flight_has_one_bee_and_no_bee_two_places(parts: list[tuple[float, float, float]]) -> None:
    bouts = sorted((flight(f, a, a + n) for f, a, n in parts), key=lambda b: b.start_s)
    shared = individuals(bouts)
    assert sorted(i for group in shared.groups for i in group) == list(range(len(bouts)))
    for group in shared.groups:
        for i in group:
            for j in group:
                if i < j:
                    assert min(bouts[i].end_s, bouts[j].end_s) - bouts[j].start_s <= 0.1 + 1e-9
    assert len(shared.groups) >= shared.at_once >= 1


def test_one_bee_is_hardly_ever_split() -> None:
    """Bees drawn from the model itself: more than one is answered in well under one clip of 40."""
    rng = np.random.default_rng(5)
    split = 0
    for _ in range(400):
        own = rng.uniform(math.log(100), math.log(220))
        n = int(rng.integers(2, 9))
        split += len(individuals(in_turn(*np.exp(own + WITHIN_LN * rng.standard_normal(n)))).groups) > 1
    assert split <= 10


def test_the_spread_within_a_bee_is_that_of_the_shipped_fauna() -> None:
    from wingtone.fauna import load

    assert load().tone_model["sd_within"][0] == pytest.approx(WITHIN_LN)
