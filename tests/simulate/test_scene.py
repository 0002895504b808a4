"""Whole scenes: truth, signal-to-noise ratio, seeds, conditions."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest

from wingtone.simulate import CONDITIONS, NEGATIVES, SOUNDS, Clip, Pass, make_scene, negative_scene


def praat_pitch(clip: Clip, *, channel: int = 0) -> np.ndarray:
    """Pitch on the truth's grid by Praat's autocorrelation method (Boersma 1993), NaN where unvoiced."""
    import parselmouth

    sound = parselmouth.Sound(clip.samples[channel].astype(float), clip.rate_hz)
    pitch = sound.to_pitch_ac(time_step=0.005, pitch_floor=75.0, pitch_ceiling=300.0)
    hz = pitch.selected_array["frequency"]
    at = np.rint(np.interp(clip.truth.time_s, pitch.xs(), np.arange(hz.size))).astype(int)
    hz = hz[at]
    return np.where(hz > 0, hz, np.nan)


@pytest.mark.parametrize("condition", ["hover", "wander", "glide", "fly-by", "short bouts"])
@pytest.mark.parametrize("seed", [11, 12])
def test_praat_finds_the_truth_in_clean_clips(condition: str, seed: int) -> None:
    clip = make_scene(seed, condition=condition, snr_db=40.0, duration_s=5.0)
    truth, found = clip.truth.f0_hz, praat_pitch(clip)
    both = np.isfinite(truth) & np.isfinite(found)
    assert both.sum() > 0.75 * np.isfinite(truth).sum()
    error = np.abs(found[both] / truth[both] - 1.0)
    assert np.median(error) < 0.004
    assert np.mean(error < 0.05) > 0.95


@pytest.mark.parametrize(
    "condition", ["hover", "steady wind", "stereo wind", "mower", "fly-by", "narrow band"]
)
@pytest.mark.parametrize("snr_db", [10.0, -5.0])
def test_signal_to_noise_ratio_is_as_defined(condition: str, snr_db: float) -> None:
    """Measured again with another filter (Butterworth) on the parts, over the frames of flight."""
    from scipy.signal import butter, sosfiltfilt

    clip = make_scene(3, condition=condition, snr_db=snr_db, duration_s=6.0)
    sos = butter(8, [90.0, 2000.0], "bandpass", fs=clip.rate_hz, output="sos")
    frame_of_sample = np.rint(np.arange(clip.flight.shape[1]) / clip.rate_hz / 0.01).astype(int)
    flying = np.isfinite(clip.truth.f0_hz)[np.minimum(frame_of_sample, clip.truth.f0_hz.size - 1)]
    power = [
        np.mean(sosfiltfilt(sos, part.astype(float), axis=-1)[:, flying] ** 2)
        for part in (clip.flight, clip.rest)
    ]
    assert 10 * np.log10(power[0] / power[1]) == pytest.approx(snr_db, abs=0.4)
    if condition != "narrow band":
        # nothing but these two parts (and 16-bit steps) is in the samples
        assert np.max(np.abs(clip.samples - clip.flight - clip.rest)) < 2**-15


@pytest.mark.parametrize("condition", CONDITIONS)
def test_every_condition_is_sound_and_repeats_bit_for_bit(condition: str) -> None:
    clip = make_scene(42, condition=condition, snr_db=0.0, duration_s=4.0)
    again = make_scene(42, condition=condition, snr_db=0.0, duration_s=4.0)
    other = make_scene(43, condition=condition, snr_db=0.0, duration_s=4.0)
    assert clip.samples.tobytes() == again.samples.tobytes()
    assert clip.truth.f0_hz.tobytes() == again.truth.f0_hz.tobytes()
    assert clip.samples.tobytes() != other.samples.tobytes()

    truth = clip.truth
    assert clip.samples.dtype == np.float32
    assert clip.samples.shape == (2 if condition == "stereo wind" else 1, 64000)
    assert np.all(np.isfinite(clip.samples))
    assert np.max(np.abs(clip.samples)) <= 1.0
    assert truth.time_s.shape == truth.f0_hz.shape == truth.second_f0_hz.shape == (400,)
    tone = truth.f0_hz[np.isfinite(truth.f0_hz)]
    assert 0.1 < tone.size / 400 < 0.98
    assert tone.min() > 75.0
    assert tone.max() < 270.0
    assert np.isfinite(truth.second_f0_hz).any() == (condition == "two bees")
    assert np.isfinite(truth.sonication_hz).any() == (condition == "sonication")
    flights = [bout for bout in truth.bouts if bout.kind == "flight"]
    assert flights
    for bout in truth.bouts:
        assert 0.0 <= bout.start_s < bout.end_s < 4.0
    inside = np.any([(truth.time_s >= b.start_s) & (truth.time_s <= b.end_s) for b in flights], axis=0)
    assert np.all(inside[np.isfinite(truth.f0_hz)])


def test_each_condition_keeps_its_promise() -> None:
    def make(condition: str) -> Clip:
        return make_scene(7, condition=condition, snr_db=10.0, duration_s=6.0)

    assert np.mean(np.abs(make("clipping").samples) > 0.999) > 0.01
    assert np.mean(np.abs(make("hover").samples) > 0.999) == 0.0
    assert all(isinstance(bout.path, Pass) for bout in make("fly-by").truth.bouts)
    assert all(bout.end_s - bout.start_s < 0.6 for bout in make("short bouts").truth.bouts)
    assert {bout.individual for bout in make("two bees").truth.bouts} == {1, 2}
    wander = make("wander").truth.f0_hz
    assert np.nanstd(np.log(wander)) > 1.5 * np.nanstd(np.log(make("fly-by").truth.f0_hz))

    def level_db(clip: Clip, low_hz: float, high_hz: float) -> float:
        power = np.abs(np.fft.rfft(clip.samples[0])) ** 2
        hz = np.fft.rfftfreq(clip.samples.shape[1], 1 / clip.rate_hz)
        return float(10 * np.log10(power[(hz > low_hz) & (hz < high_hz)].sum() / power.sum()))

    assert level_db(make("narrow band"), 0.0, 120.0) < -25.0
    assert level_db(make("narrow band"), 4500.0, 8000.0) < -25.0
    missing = make("missing fundamental")
    f0_hz = missing.truth.bouts[0].f0_hz
    assert level_db(missing, 0.85 * f0_hz, 1.15 * f0_hz) < level_db(missing, 1.7 * f0_hz, 2.3 * f0_hz) - 15.0


@pytest.mark.parametrize("seed", range(6))
def test_sonication_is_higher_than_flight_and_never_above_400_hz(seed: int) -> None:
    # De Luca et al. 2019 (read): floral buzzes higher than flight, never above 400 Hz
    truth = make_scene(seed, condition="sonication").truth
    shaking = truth.sonication_hz[np.isfinite(truth.sonication_hz)]
    assert shaking.min() > 1.2 * np.nanmedian(truth.f0_hz)
    assert shaking.min() > 190.0
    assert shaking.max() < 400.0
    assert not np.any(np.isfinite(truth.f0_hz) & np.isfinite(truth.sonication_hz))


def test_the_same_seed_at_another_level_is_the_same_bee() -> None:
    loud = make_scene(9, condition="gusts", snr_db=20.0, duration_s=3.0)
    faint = make_scene(9, condition="gusts", snr_db=-5.0, duration_s=3.0)
    assert loud.truth.f0_hz.tobytes() == faint.truth.f0_hz.tobytes()
    for part in ("flight", "rest"):
        a, b = getattr(loud, part)[0], getattr(faint, part)[0]
        assert np.corrcoef(a, b)[0, 1] == pytest.approx(1.0, abs=1e-6)


def test_a_given_tone_is_used_and_other_rates_work() -> None:
    for rate_hz in (8000, 22050, 44100):
        clip = make_scene(1, f0_hz=135.0, duration_s=2.0, rate_hz=rate_hz)
        assert clip.samples.shape == (1, 2 * rate_hz)
        assert np.nanmedian(clip.truth.f0_hz) == pytest.approx(135.0, rel=0.06)


def test_a_generator_moves_on() -> None:
    rng = np.random.default_rng(0)
    first, second = (make_scene(rng, duration_s=2.0) for _ in range(2))
    assert first.truth.bouts[0].f0_hz != second.truth.bouts[0].f0_hz


@pytest.mark.parametrize("kind", NEGATIVES)
def test_negative_scenes_hold_no_bee(kind: str) -> None:
    clip = negative_scene(1, kind=kind, duration_s=2.0)
    assert clip.samples.tobytes() == negative_scene(1, kind=kind, duration_s=2.0).samples.tobytes()
    assert clip.truth.bouts == ()
    assert np.all(np.isnan(clip.truth.f0_hz))
    assert not clip.flight.any()
    assert np.std(clip.samples) > 1e-3


def test_names_are_complete() -> None:
    assert len(CONDITIONS) == len(set(CONDITIONS)) >= 20
    assert set(NEGATIVES) == {*SOUNDS, "mixed"}


def test_wrong_requests_are_refused() -> None:
    with pytest.raises(ValueError, match="no condition 'fog'"):
        make_scene(0, condition="fog")
    with pytest.raises(ValueError, match="at least 2 s"):
        make_scene(0, duration_s=1.0)
    with pytest.raises(ValueError, match="no kind 'fog'"):
        negative_scene(0, kind="fog")


def test_the_import_is_light() -> None:
    code = "import sys, wingtone.simulate; sys.exit('scipy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
