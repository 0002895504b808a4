"""Mains hum is taken out, and nothing of a bee is.

Outside facts: mains keep to 50 or 60 Hz; real insects, labelled by those who recorded them (see
``benchmarks/labelled.py``), do not keep to any frequency for seconds.
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
from wingtone.tone import measure
from wingtone.tone.hum import (
    HIGHEST_HZ,
    LOBE,
    MAINS_SHARE,
    RATIO,
    SKIRT,
    WINDOW,
    WINDOW_S,
    hum_lines,
    lasting,
    off_mains,
    without_hum,
)
from wingtone.tone.stretch import Stretch, measure_stretches

if TYPE_CHECKING:
    from numpy.typing import NDArray

LENGTH_S = 12.0


def hum(mains_hz: float, *, length_s: float = LENGTH_S, level: float = 0.05) -> NDArray[np.float32]:
    """Mains and five multiples, all of one level, one channel."""
    time_s = np.arange(round(length_s * RATE)) / RATE
    total = sum(np.cos(2 * np.pi * k * mains_hz * time_s + k) for k in range(1, 7))
    return (level * np.asarray(total)).astype(np.float32)


def noise(seed: int, *, length_s: float = LENGTH_S, level: float = 0.05) -> NDArray[np.float32]:
    values = level * np.random.default_rng(seed).standard_normal(round(length_s * RATE))
    return values.astype(np.float32)


def wandering_bee(seed: int, *, f0_hz: float = 170.0, wander: float = 0.01) -> NDArray[np.float32]:
    """A comb that wanders slowly by about that share."""
    rng = np.random.default_rng(seed)
    knots = wander * rng.standard_normal(int(2 * LENGTH_S) + 2)
    n = round(LENGTH_S * RATE)
    line = f0_hz * np.exp(np.interp(np.arange(n) / RATE, np.arange(knots.size) / 2, knots))
    return harmonic_sound(line, duration_s=LENGTH_S, snr_db=30, seed=seed)


def power(samples: NDArray[np.float32]) -> float:
    """Mean square away from the ends, where only one window stands."""
    inner = samples[..., RATE:-RATE].astype(np.float64)
    return float(np.mean(inner**2))


@pytest.mark.parametrize(
    ("frequency_hz", "off"),
    [(50.0, 0.0), (60.0, 0.0), (180.0, 0.0), (101.0, 0.01), (118.8, 0.01), (55.0, 5 / 60), (10.0, 0.8)],
)
def test_how_far_a_tone_is_off_the_mains(frequency_hz: float, off: float) -> None:
    assert off_mains(frequency_hz) == pytest.approx(off)
    assert off_mains([frequency_hz, 50.0]) == pytest.approx([off, 0.0])


@settings(max_examples=15, deadline=None)
@given(st.sampled_from([50.0, 60.0]), st.floats(-0.001, 0.001), st.integers(0, 1000))
def test_hum_is_taken_out_and_what_else_is_heard_stays(nominal_hz: float, off: float, seed: int) -> None:
    bee = wandering_bee(seed)
    mixed = bee + hum(nominal_hz * (1 + off))
    left = without_hum(mixed[None])[0]
    assert power(left - bee) < 0.001 * power(mixed - bee)


@pytest.mark.parametrize("f0_hz", [100.0, 150.0, 173.0, 240.0])
@pytest.mark.parametrize("wander", [0.01, 0.03])
def test_a_bee_that_hovers_is_left_alone(wander: float, f0_hz: float) -> None:
    """Even where its tone is a multiple of the mains.

    The labelled tones of 2 s and more scatter by 1.2 to 4.5 %.
    """
    for seed in range(5):
        bee = wandering_bee(seed, f0_hz=f0_hz, wander=wander)
        assert power(without_hum(bee[None])[0] - bee) < 0.001 * power(bee)


def test_noise_is_left_alone() -> None:
    for seed in range(20):
        alone = noise(seed)[None]
        assert without_hum(alone) is alone


def test_too_short_to_know() -> None:
    short = hum(50.0)[None, : WINDOW - 1]
    assert without_hum(short) is short
    assert without_hum(np.zeros((2, 0), np.float32)).shape == (2, 0)


def test_channels_are_cleaned_each_by_itself() -> None:
    both = np.stack([noise(1), noise(2) + hum(50.0)])
    left = without_hum(both)
    np.testing.assert_array_equal(left[0], both[0])
    assert power(left[1]) < 1.05 * power(noise(2))


def test_lines_of_many_windows_are_those_of_the_definition() -> None:
    """Bin by bin: near the mains, highest of five, and so much over the median of its skirts."""
    rng = np.random.default_rng(9)
    spectra = rng.standard_normal((3, WINDOW // 2 + 1)) + 1j * rng.standard_normal((3, WINDOW // 2 + 1))
    for row, line_hz in ((0, 50.0), (0, 299.75), (1, 1200.25), (1, HIGHEST_HZ), (2, 82.5), (2, 1560.0)):
        spectra[row, round(line_hz * WINDOW_S)] *= 12.0
    spectra = spectra.astype(np.complex64)
    plain = []
    for power in np.abs(spectra) ** 2:
        lines = []
        for at in range(SKIRT, round(HIGHEST_HZ * WINDOW_S) + 1):
            skirts = [power[at + side * step] for side in (-1, 1) for step in range(LOBE, SKIRT + 1)]
            highest = power[at] >= power[at - 2 : at + 3].max()
            if off_mains(at / WINDOW_S) < MAINS_SHARE and highest and power[at] > RATIO * np.median(skirts):
                lines.append(at)
        plain.append(lines)
    assert [found.tolist() for found in hum_lines(spectra)] == plain
    assert sum(map(len, plain)) >= 4


@pytest.mark.parametrize(("start_s", "end_s", "length_s"), [(1, 4, 5), (0, 6, 12), (6, 12, 12), (3, 8, 12)])
def test_hum_that_comes_or_goes_leaves_no_tone_where_there_was_none(
    start_s: float, end_s: float, length_s: float
) -> None:
    """Taking out what a window holds on the mean would put a tone into its silent part."""
    quiet = noise(4, length_s=length_s, level=0.01)
    time_s = np.arange(quiet.size) / RATE
    sounding = np.clip(np.minimum((time_s - start_s) / 0.05, (end_s - time_s) / 0.05), 0, 1)
    sound = quiet + sounding.astype(np.float32) * hum(50.0, length_s=length_s)
    cleaned = without_hum(sound[None])[0]
    silent = (time_s < start_s - 0.1) | (time_s > end_s + 0.1)
    assert np.mean(cleaned[silent] ** 2) < 1.05 * np.mean(quiet[silent] ** 2)


def test_hum_is_still_taken_out_well_within_the_time_that_it_sounds() -> None:
    quiet = noise(5, length_s=24, level=0.01)
    time_s = np.arange(quiet.size) / RATE
    sound = quiet + (time_s > 7).astype(np.float32) * hum(50.0, length_s=24)
    cleaned = without_hum(sound[None])[0]
    assert power(cleaned[time_s > 14]) < 1.1 * power(quiet)


def test_a_line_has_to_last() -> None:
    """Three windows in a row, moving by one bin at most; in all of them when there are fewer."""

    def kept(*found: list[int]) -> list[list[int]]:
        return [bins.tolist() for bins in lasting([np.array(bins, np.int64) for bins in found])]

    assert kept([200, 400], [201], [202, 401], [400]) == [[200], [201], [202], []]
    assert kept([200, 400], [400]) == [[400], [400]]
    assert kept([200]) == [[200]]
    assert kept([], [], []) == [[], [], []]
    assert kept([200], [], [200], [200]) == [[], [], [], []]


@pytest.mark.parametrize("hum_hz", [50.0, 100.0])
def test_a_bee_is_measured_through_hum_as_without_it(hum_hz: float) -> None:
    """Mains, or as a transformer hums at twice that, each partial as strong as the bee's strongest."""
    bee = wandering_bee(3, f0_hz=172.0)
    alone = measure([bee[None]]).track.f0_hz
    through = measure([(bee + hum(hum_hz))[None]]).track.f0_hz
    assert through.size > 0.9 * alone.size > 500
    assert np.median(through) == pytest.approx(np.median(alone), rel=0.002)


def test_a_stretch_is_measured_without_hum_too() -> None:
    """A second of a long recording, pointed to by hand; as a transformer hums, at twice the mains."""
    bee = wandering_bee(3, f0_hz=172.0)
    stretch = Stretch(5.0, 6.0, "flight")
    (alone,) = measure_stretches([bee[None]], [stretch])
    (through,) = measure_stretches([(bee + hum(100.0, level=0.15))[None]], [stretch])
    assert through.bout.f0_hz == pytest.approx(alone.bout.f0_hz, rel=0.002)


def test_real_insects_are_left_alone() -> None:
    """Of what lies near the harmonics of a labelled tone nothing to speak of is taken out."""
    folder = recordings_folder()
    if folder is None:
        pytest.skip("the labelled recordings are not here (WINGTONE_RECORDINGS): real insects are not tried")
    tried = 0
    for file, events in read_labels(folder).items():
        known = [e for e in events if e.f0_hz is not None]
        samples, _ = read(folder / file, rate_hz=RATE) if known else (np.zeros((1, 0), np.float32), None)
        taken = samples - without_hum(samples)
        for event in known:
            assert event.f0_hz is not None
            span = slice(round(event.f0_start_s * RATE), round(event.f0_end_s * RATE))
            near = [
                _near_harmonics(sound[0, span].astype(np.float64), event.f0_hz, event.tolerance_hz)
                for sound in (taken, samples)
            ]
            assert near[0] < 0.001 * near[1], f"{file} {event.f0_hz:g} Hz"
            tried += 1
    assert tried == 25


def _near_harmonics(samples: NDArray[np.float64], f0_hz: float, tolerance_hz: float) -> float:
    """Power within the tolerance of the lowest six harmonics."""
    density = np.abs(np.fft.rfft(samples * np.hanning(samples.size))) ** 2
    ratio = np.fft.rfftfreq(samples.size, 1 / RATE) / f0_hz
    order = np.rint(ratio)
    inside = (order >= 1) & (order <= 6) & (np.abs(ratio - order) < order * tolerance_hz / f0_hz)
    return float(density[inside].sum())
