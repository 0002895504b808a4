"""Engines are taken out, and nothing of a bee is where there is none.

Outside facts: a four-stroke engine has lines at multiples of its turns a minute over 120 (textbook); labelled
recordings of insects, voices, birds and wind (see ``benchmarks/labelled.py``) hold no engine.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmarks.labelled import read_labels, recordings_folder
from tone.sounds import RATE, harmonic_sound
from wingtone.audio import read
from wingtone.simulate import make_scene, negative_scene
from wingtone.tone import measure
from wingtone.tone.hum import without_hum
from wingtone.tone.listen import distinct, listen
from wingtone.tone.motor import BLOCK, WINDOW, frames_changed, repeated, salience, without_motor
from wingtone.tone.stretch import Stretch, measure_stretches

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

LENGTH_S = 8.0
BEE_HZ = 171.0


def drifting(middle_hz: float, *, seed: int, share: float, length_s: float = LENGTH_S) -> NDArray[np.float64]:
    """A frequency for every sample that wanders by about that share from one half second to the next."""
    knots = share * np.random.default_rng(seed).standard_normal(int(2 * length_s) + 2)
    time_s = np.arange(round(length_s * RATE)) / RATE
    line: NDArray[np.float64] = middle_hz * np.exp(np.interp(time_s, np.arange(knots.size) / 2, knots))
    return line


def engine(
    turns_a_minute: float, *, seed: int = 0, length_s: float = LENGTH_S, level: float = 0.1
) -> NDArray[np.float32]:
    """Lines up to 2 kHz at multiples of the turns a minute over 120, of random levels, drifting by 0.3 %."""
    rng = np.random.default_rng(seed)
    line = drifting(turns_a_minute / 120, seed=seed, share=0.003, length_s=length_s)
    phase = 2 * np.pi * np.cumsum(line) / RATE
    total = np.zeros(line.size)
    for order in range(1, int(2000 / line.max())):
        total += np.exp(0.4 * rng.standard_normal()) * np.cos(order * phase + rng.uniform(0, 2 * np.pi))
    sound: NDArray[np.float32] = (level * total / total.std()).astype(np.float32)
    return sound


def bee(*, seed: int = 0, length_s: float = LENGTH_S, snr_db: float = 20.0) -> NDArray[np.float32]:
    line = drifting(BEE_HZ, seed=seed + 50, share=0.012, length_s=length_s)
    return harmonic_sound(line, duration_s=length_s, snr_db=snr_db, seed=seed)


def power(samples: NDArray[np.float32]) -> float:
    return float(np.mean(samples[..., RATE // 2 : -RATE // 2].astype(np.float64) ** 2))


@settings(max_examples=15, deadline=None)
@given(st.floats(1500, 5800), st.integers(0, 1000))
def test_an_engine_is_taken_out(turns_a_minute: float, seed: int) -> None:
    alone = engine(turns_a_minute, seed=seed)
    noise = 0.01 * np.random.default_rng(seed).standard_normal(alone.size).astype(np.float32)
    left = without_motor((alone + noise)[None])[0]
    assert power(left) < 0.25 * power(alone)


@settings(max_examples=10, deadline=None)
@given(st.floats(1500, 4000), st.integers(0, 1000))
def test_the_bee_beside_it_is_measured(turns_a_minute: float, seed: int) -> None:
    """An engine of twice the bee's amplitude."""
    flying = bee(seed=seed)
    both = flying + engine(turns_a_minute, seed=seed, level=2 * float(flying.std()))
    assert _right([both], keep_motors=False) > 0.9


def _right(channels: Sequence[NDArray[np.float32]], *, keep_motors: bool) -> float:
    """Share of the frames in which the tracked tone lies within 6 % of the bee's."""
    n_frames = channels[0].size // 60
    right = 0
    for heard in listen([np.stack(channels)], keep_motors=keep_motors):
        rows = heard.rows[heard.rows["tracked"]]
        right += int(np.sum(np.abs(np.exp(rows["ln_f0"]) / BEE_HZ - 1) < 0.06))
    return right / n_frames


def test_without_it_the_engine_is_what_is_heard() -> None:
    """The checks above can fail: of a bee of a third of the amplitude next to nothing is tracked."""
    flying = bee()
    both = flying + engine(3600, level=3 * float(flying.std()))
    assert _right([both], keep_motors=True) < 0.1
    assert _right([both], keep_motors=False) > 0.9


@pytest.mark.parametrize("f0_hz", [84.0, 97.0, 120.0, 150.0, 171.0, 240.0])
@pytest.mark.parametrize("wander", [0.0, 0.002, 0.02])
def test_a_bee_is_left_alone(f0_hz: float, wander: float) -> None:
    """However steady, and though its tone is a multiple of some engine's."""
    for seed in range(4):
        line = drifting(f0_hz, seed=seed, share=wander)
        alone = harmonic_sound(line, duration_s=LENGTH_S, snr_db=30, seed=seed)[None]
        assert without_motor(alone) is alone


@pytest.mark.parametrize("kind", ["wind", "voices", "music", "birds", "rain", "hiss", "hive"])
def test_what_is_no_engine_is_left_alone(kind: str) -> None:
    for seed in range(4):
        alone = negative_scene(500 + seed, kind=kind, duration_s=10.0, rate_hz=RATE).samples
        assert without_motor(alone) is alone


def test_labelled_recordings_hold_engines_where_the_labels_say_so() -> None:
    folder = recordings_folder()
    if folder is None:
        pytest.skip("the labelled recordings are not here (WINGTONE_RECORDINGS)")
    labels = {
        file: events[0].label
        for file, events in read_labels(folder).items()
        if events[0].label not in ("other", "hive")
    }
    changed = []
    for file in labels:
        sound = without_hum(distinct(read(folder / file, rate_hz=RATE)[0]))
        if without_motor(sound) is not sound:
            changed.append(file)
    assert {labels[file] for file in changed} == {"engine"}
    assert len(changed) >= 4


def test_the_mean_of_the_rounds_by_hand() -> None:
    """0.17 s are 4.08 rounds of 24 Hz: two to either side are averaged with its own."""
    period = 250
    samples = np.random.default_rng(3).standard_normal((2, 40 * period)).astype(np.float32)
    mean = repeated(samples, np.full(samples.shape[1], RATE / period))
    middle = 20 * period
    for at in (middle, middle + 17, middle + 249):
        rounds = samples[:, at - 2 * period : at + 2 * period + 1 : period]
        assert rounds.shape == (2, 5)
        np.testing.assert_allclose(mean[:, at], rounds.mean(axis=1), atol=0.02)
    # At the start there are none before.
    np.testing.assert_allclose(mean[:, 5], samples[:, 5 : 2 * period + 6 : period].mean(axis=1), atol=0.02)


def test_both_channels_are_cleaned_by_one_line() -> None:
    machine = engine(2900)
    both = np.stack([machine, 0.7 * machine + 0.02 * np.random.default_rng(1).standard_normal(machine.size)])
    left = without_motor(both.astype(np.float32))
    assert power(left[0]) < 0.05 * power(both[0])


def test_a_long_sound_is_cleaned_block_by_block() -> None:
    long = engine(2900, length_s=2 * BLOCK / RATE)[None]
    left = without_motor(long)
    for start in (0, BLOCK // 2, BLOCK - RATE, BLOCK + RATE, long.shape[1] - 2 * RATE):
        part = slice(start, start + RATE)
        assert np.mean(left[:, part] ** 2) < 0.2 * np.mean(long[:, part] ** 2)


def test_only_the_time_it_runs_is_touched() -> None:
    quiet = 0.01 * np.random.default_rng(2).standard_normal(30 * RATE).astype(np.float32)
    runs = slice(12 * RATE, 20 * RATE)
    sound = quiet.copy()
    sound[runs] += engine(2900)
    left = without_motor(sound[None])[0]
    np.testing.assert_array_equal(left[: 11 * RATE], sound[: 11 * RATE])
    np.testing.assert_array_equal(left[21 * RATE :], sound[21 * RATE :])
    assert power(left[runs]) < 0.1 * power(sound[runs])


def test_the_frames_in_which_it_ran_are_told() -> None:
    """In the rows of what is tracked there too, so that the decision knows."""
    flying = bee(length_s=30.0)
    runs = slice(12 * RATE, 20 * RATE)
    flying[runs] += engine(2900, level=float(flying.std()))
    before = flying[None]
    changed = frames_changed(before, without_motor(before))
    assert changed.size == (before.shape[1] - 768) // 60 + 1
    assert changed[1250:1950].all()
    assert not changed[:1100].any()
    assert not changed[2100:].any()
    assert not frames_changed(before, before).any()
    (heard,) = listen([before])
    frame, told = heard.rows["frame"], heard.rows["motor"]
    assert told[(frame > 1260) & (frame < 1940)].all()
    assert not told[(frame < 1100) | (frame > 2100)].any()
    (heard,) = listen([before], keep_motors=True)
    assert not heard.rows["motor"].any()


@pytest.mark.parametrize("n", [0, 1, WINDOW - 1])
def test_too_short_to_know(n: int) -> None:
    short = engine(2900)[None, :n]
    assert without_motor(short) is short


def test_silence_holds_no_engine() -> None:
    silent = np.zeros((1, 5 * RATE), np.float32)
    assert without_motor(silent) is silent
    assert np.isfinite(salience(silent, hop=300)).all()


def test_a_stretch_somebody_points_to_is_cleaned_too() -> None:
    flying = bee()
    both = (flying + engine(2900, level=3 * float(flying.std())))[None]
    (found,) = measure_stretches([both], [Stretch(2.0, 6.0, "flight", near_hz=BEE_HZ)])
    assert found.bout.f0_hz == pytest.approx(BEE_HZ, rel=0.02)


def test_a_mower_of_the_simulator() -> None:
    """At 0 dB most of the bee is measured; seeds on which nothing was set."""
    clips = [
        make_scene(31000 + k, condition="mower", snr_db=0.0, duration_s=10.0, rate_hz=RATE) for k in range(3)
    ]
    for clip in clips:
        result = measure([clip.samples])
        assert any(
            abs(bout.f0_hz / np.nanmedian(clip.truth.f0_hz) - 1) < 0.05 and bout.kind == "flight"
            for bout in result.bouts
        )
