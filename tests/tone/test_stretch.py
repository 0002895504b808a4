"""Stretches that somebody points to, against sounds whose tone is known by construction."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from tone.sounds import RATE, harmonic_sound
from wingtone.tone import measure
from wingtone.tone.stretch import SHORTEST_S, Stretch, measure_stretches

if TYPE_CHECKING:
    from wingtone.tone.results import Kind

GLIDE = np.linspace(160.0, 140.0, 3 * RATE)
"""A tone falling evenly over 3 s; it begins after 2 s of quiet."""


@pytest.fixture(scope="module")
def glide() -> np.ndarray:
    return harmonic_sound(GLIDE, duration_s=3.0, snr_db=10.0, quiet_s=2.0)[None]


def blocks_of(sound: np.ndarray, n: int = 7001) -> list[np.ndarray]:
    return [sound[:, start : start + n] for start in range(0, sound.shape[1], n)]


@pytest.mark.parametrize(("start_s", "end_s"), [(2.1, 4.9), (2.5, 3.0), (4.0, 4.8), (3.0, 3.2)])
def test_the_median_of_any_part_of_a_glide_is_the_tone_at_its_middle(
    glide: np.ndarray, start_s: float, end_s: float
) -> None:
    """An even fall: the median of a part is its value half-way (closed form)."""
    (found,) = measure_stretches(blocks_of(glide), [Stretch(start_s, end_s, "flight")])
    true_hz = 160.0 - 20.0 * ((start_s + end_s) / 2 - 2.0) / 3.0
    bout = found.bout
    assert bout.f0_hz == pytest.approx(true_hz, rel=0.003)
    assert bout.f0_low_hz <= true_hz <= bout.f0_high_hz
    assert (bout.start_s, bout.end_s, bout.kind) == (start_s, end_s, "flight")
    assert found.time_s.size == round((end_s - start_s) * 100)
    assert np.all(np.abs(found.f0_hz / (160.0 - 20.0 * (found.time_s - 2.0) / 3.0) - 1) < 0.02)


def test_with_the_machines_own_limits_it_finds_what_the_machine_found(glide: np.ndarray) -> None:
    whole = measure(blocks_of(glide))
    (bout,) = whole.bouts
    (found,) = measure_stretches(blocks_of(glide), [Stretch(bout.start_s, bout.end_s, bout.kind, bout.f0_hz)])
    assert found.bout.f0_hz == pytest.approx(bout.f0_hz, rel=0.002)
    assert found.bout.snr_db == pytest.approx(bout.snr_db, abs=0.5)
    assert found.bout.flight_probability == pytest.approx(bout.flight_probability, abs=0.2)


def test_the_octave_asked_for_is_the_one_measured() -> None:
    """A tone of 220 Hz whose odd harmonics are weak: half, same and double are all a comb of it."""
    sound = harmonic_sound(110.0, amplitudes=(0.1, 1.0, 0.1, 0.8, 0.1, 0.5, 0.05, 0.3), snr_db=20.0)[None]
    for near_hz, true_hz in ((110.0, 110.0), (220.0, 220.0), (105.0, 110.0), (235.0, 220.0)):
        (found,) = measure_stretches([sound], [Stretch(0.2, 1.8, "flight", near_hz)])
        assert found.bout.f0_hz == pytest.approx(true_hz, rel=0.003)


def test_of_two_tones_the_one_that_is_asked_for() -> None:
    one = harmonic_sound(120.0, snr_db=30.0)
    other = 0.7 * harmonic_sound(171.0, snr_db=30.0, seed=3)
    sound = (one + other)[None]
    for near_hz in (120.0, 171.0):
        (found,) = measure_stretches([sound], [Stretch(0.3, 1.7, "flight", near_hz * 1.05)])
        assert found.bout.f0_hz == pytest.approx(near_hz, rel=0.005)


def test_several_stretches_in_any_order_are_those_taken_one_by_one(glide: np.ndarray) -> None:
    kinds: tuple[Kind, ...] = ("flight", "sonication", "uncertain")
    spans = ((4.0, 4.5), (2.2, 2.9), (2.5, 4.2))
    stretches = [Stretch(*span, kind) for span, kind in zip(spans, kinds, strict=True)]
    together = measure_stretches(blocks_of(glide), stretches)
    for stretch, found in zip(stretches, together, strict=True):
        (alone,) = measure_stretches([glide], [stretch])
        assert repr(found.bout) == repr(alone.bout)  # NaN is not equal to itself
        assert np.array_equal(found.f0_hz, alone.f0_hz)
    assert together[1].bout.flyby is None


def test_a_long_stretch_is_tracked_in_parts_that_fit_together() -> None:
    n = 45 * RATE
    line_hz = 150.0 + 10.0 * np.sin(2 * np.pi * np.arange(n) / (9 * RATE))
    sound = harmonic_sound(line_hz, duration_s=45.0, snr_db=10.0)[None]
    (found,) = measure_stretches(blocks_of(sound), [Stretch(0.5, 44.5, "flight")])
    true_hz = np.interp(found.time_s, np.arange(n) / RATE, line_hz)
    assert found.time_s.size == 4400
    assert np.all(np.diff(found.time_s) > 0)
    assert np.max(np.abs(found.f0_hz / true_hz - 1)) < 0.02


def test_where_no_tone_stands_out_it_says_so() -> None:
    noise = (0.01 * np.random.default_rng(5).standard_normal((1, 3 * RATE))).astype(np.float32)
    for sound in (noise, np.zeros((1, 3 * RATE), np.float32)):
        (found,) = measure_stretches([sound], [Stretch(0.5, 2.0, "flight")])
        assert "low level" in found.bout.flags
        assert found.bout.flight_probability < 0.6


def test_both_channels_are_heard() -> None:
    """The bee is in one of them only, the other holds noise."""
    bee = harmonic_sound(150.0, snr_db=10.0, seed=1)
    hiss = 0.02 * np.random.default_rng(2).standard_normal(bee.size).astype(np.float32)
    for channels in ([bee, hiss], [hiss, bee]):
        (found,) = measure_stretches(blocks_of(np.stack(channels)), [Stretch(0.2, 1.8, "flight")])
        assert found.bout.f0_hz == pytest.approx(150.0, rel=0.003)


@pytest.mark.parametrize("start_s", [0.2, 0.25, 0.31])
@pytest.mark.parametrize("length_s", [0.1, 0.12, 0.15])
def test_a_short_part_of_a_steep_glide_is_one_sound_when_somebody_says_so(
    start_s: float, length_s: float
) -> None:
    """The tracker would cut it into scraps that are too short to judge."""
    glide = harmonic_sound(np.linspace(140.0, 255.0, RATE // 2), duration_s=0.5, snr_db=20, quiet_s=0.2)
    (found,) = measure_stretches([glide[None]], [Stretch(start_s, start_s + length_s, "flight")])
    assert 140 < found.bout.f0_hz < 255
    assert found.time_s.size == round(length_s * 100)


def test_edges_of_the_recording(glide: np.ndarray) -> None:
    end_s = glide.shape[1] / RATE
    for stretch in (Stretch(0.0, 0.5, "uncertain"), Stretch(end_s - 0.5, end_s, "uncertain")):
        (found,) = measure_stretches(blocks_of(glide), [stretch])
        assert np.isfinite(found.bout.f0_hz)
    with pytest.raises(ValueError, match="after the recording"):
        measure_stretches(blocks_of(glide), [Stretch(1.0, end_s + 0.5, "flight")])


def test_the_shortest_stretch_is_counted_in_frames() -> None:
    """0.6 - 0.5 is a little less than 0.1 in floating point."""
    assert SHORTEST_S > 0.6 - 0.5
    assert Stretch(0.5, 0.6, "flight").frames == (50, 60)


@pytest.mark.parametrize(
    ("start_s", "end_s", "near_hz"),
    [(1.0, 1.0 + SHORTEST_S - 0.02, None), (2.0, 1.0, None), (-1.0, 1.0, None), (0.0, float("nan"), None),
     (0.0, float("inf"), None), (0.0, 1.0, 30.0), (0.0, 1.0, 900.0)],
)  # fmt: skip
def test_what_cannot_be_measured_is_refused(start_s: float, end_s: float, near_hz: float | None) -> None:
    with pytest.raises(ValueError, match=r"must lie|needs"):
        Stretch(start_s, end_s, "flight", near_hz)


def test_a_wrong_rate_is_refused(glide: np.ndarray) -> None:
    with pytest.raises(ValueError, match="6000"):
        measure_stretches([glide], [Stretch(2.0, 3.0, "flight")], rate_hz=8000)
