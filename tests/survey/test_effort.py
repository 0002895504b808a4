"""Listening effort: seconds heard, seconds lost to wind."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest

from wingtone.audio.resample import resampled
from wingtone.simulate import negative_scene
from wingtone.survey.effort import Effort, EffortMeter
from wingtone.tone.spectrum import RATE_HZ

if TYPE_CHECKING:
    from numpy.typing import NDArray


def told(
    sound: NDArray[np.float32], *, block: int = 10 * RATE_HZ, first_s: float = 0.0, start_s: float = 0.0,
    end_s: float = math.inf,
) -> list[Effort]:  # fmt: skip
    meter = EffortMeter(first_s=first_s, start_s=start_s, end_s=end_s)
    blocks = [sound[:, i : i + block] for i in range(0, sound.shape[1], block)]
    passed = list(meter.watch(blocks))
    assert np.array_equal(np.concatenate(passed, axis=1), sound)
    return meter.told()


def hiss(seconds: float, *, seed: int = 1) -> NDArray[np.float32]:
    n = round(seconds * RATE_HZ)
    return (0.01 * np.random.default_rng(seed).standard_normal((1, n))).astype(np.float32)


def gust(seconds: float, *, level: float = 3.0) -> NDArray[np.float32]:
    """Noise that falls with frequency by 6 dB an octave: wind at a microphone."""
    white = np.random.default_rng(2).standard_normal(round(seconds * RATE_HZ))
    spectrum = np.fft.rfft(white)
    hz = np.fft.rfftfreq(white.size, 1 / RATE_HZ)
    red = np.fft.irfft(spectrum / np.maximum(hz / 100.0, 0.1), white.size)
    return np.asarray(level * 0.1 * red / np.std(red), np.float32)[None]


def made(kind: str, *, seed: int = 1) -> NDArray[np.float32]:
    scene = negative_scene(seed, kind=kind, duration_s=20.0, rate_hz=16_000)
    chunks = resampled([scene.samples[:1]], from_hz=16_000, to_hz=RATE_HZ, channels=1)
    return np.concatenate(list(chunks), axis=1)


def test_all_of_a_calm_recording_is_heard_and_none_lost() -> None:
    assert told(hiss(30.5)) == [Effort(0, 30.5, 0)]


def test_gusts_are_counted_second_by_second() -> None:
    sound = hiss(60)
    sound[:, 20 * RATE_HZ : 27 * RATE_HZ] += gust(7)
    (effort,) = told(sound)
    assert effort == Effort(0, 60.0, 7)


def test_an_even_strong_wind_is_seen_by_its_rumble() -> None:
    """Noise below 60 Hz alone, 30 dB over the rest: no gust stands out, the tone room's own mark tells."""
    white = np.random.default_rng(3).standard_normal(30 * RATE_HZ)
    spectrum = np.fft.rfft(white)
    spectrum[np.fft.rfftfreq(white.size, 1 / RATE_HZ) > 60.0] *= 10 ** (-30 / 20)
    (effort,) = told(np.asarray(0.01 * np.fft.irfft(spectrum, white.size), np.float32)[None])
    assert effort.wind_lost_s == 30


@pytest.mark.parametrize("kind", ["birds", "hiss", "crickets", "voices", "rain", "leaves", "siren"])
def test_other_sounds_are_no_wind(kind: str) -> None:
    (effort,) = told(made(kind))
    assert effort.heard_s == 20.0
    assert effort.wind_lost_s <= 2


def test_made_up_gusts_are_wind() -> None:
    """The simulator's own gusts, after a calm of a microphone's own noise."""
    for seed in range(3):
        (effort,) = told(np.concatenate([0.05 * hiss(20), made("gusts", seed=seed)], axis=1))
        assert 10 <= effort.wind_lost_s <= 20


def test_silence_is_not_listening() -> None:
    sound = hiss(40)
    sound[:, 10 * RATE_HZ : 25 * RATE_HZ] = 0.0
    (effort,) = told(sound)
    assert effort.heard_s == 25.0
    assert told(np.zeros((2, 5 * RATE_HZ), np.float32)) == []


def test_rows_are_ten_minutes_and_only_the_core_counts() -> None:
    rows = told(hiss(1300), first_s=480.0, start_s=600.0, end_s=1500.0)
    assert [(row.start_s, row.heard_s) for row in rows] == [(600, 600.0), (1200, 300.0)]


def test_the_length_of_blocks_makes_no_difference() -> None:
    sound = np.concatenate([hiss(20), gust(5), hiss(7.3)], axis=1)
    assert told(sound) == told(sound, block=4321) == told(sound, block=10**9)
