"""The whole tone room on made-up sounds, and against other estimators on clean ones."""

from __future__ import annotations

import warnings
from itertools import pairwise

import numpy as np
import pytest

from tone.sounds import RATE, harmonic_sound
from wingtone.simulate import make_scene, negative_scene
from wingtone.tone import ToneResult, measure
from wingtone.tone.listen import CHUNK_FRAMES
from wingtone.tone.pieces import cut, features
from wingtone.tone.rows import ROW


def at_rate(samples: np.ndarray, rate_hz: int) -> np.ndarray:
    import soxr

    return np.stack([soxr.resample(c, rate_hz, RATE, "HQ") for c in samples])


def heard(condition: str, seed: int, snr_db: float = 10.0) -> tuple[ToneResult, np.ndarray, np.ndarray]:
    """Result, true f0 and measured f0 on the 10 ms grid (NaN where there is none)."""
    clip = make_scene(seed, condition=condition, snr_db=snr_db, duration_s=8.0, rate_hz=16000)
    result = measure([at_rate(clip.samples, clip.rate_hz)])
    estimate = np.full(clip.truth.f0_hz.size, np.nan)
    flight = [i for i, b in enumerate(result.bouts) if b.kind == "flight"]
    chosen = np.isin(result.track.bout, flight)
    at = np.round(result.track.time_s[chosen] * 100).astype(int)
    inside = at < estimate.size
    estimate[at[inside]] = result.track.f0_hz[chosen][inside]
    return result, clip.truth.f0_hz, estimate


@pytest.mark.parametrize("condition", ["hover", "glide", "strong second harmonic", "missing fundamental"])
def test_made_up_flights_are_measured(condition: str) -> None:
    _, truth, estimate = heard(condition, seed=41)
    both = np.isfinite(truth) & np.isfinite(estimate)
    assert both.sum() > 0.7 * np.isfinite(truth).sum()
    assert np.mean(np.abs(estimate[both] / truth[both] - 1) < 0.05) > 0.995
    assert np.median(np.abs(estimate[both] / truth[both] - 1)) < 0.005


@pytest.mark.parametrize("kind", ["wind", "hum", "voices", "crickets"])
def test_other_sounds_give_no_flight(kind: str) -> None:
    clip = negative_scene(77, kind=kind, duration_s=8.0, rate_hz=16000)
    result = measure([at_rate(clip.samples, clip.rate_hz)])
    assert not [b for b in result.bouts if b.kind == "flight"]


@pytest.mark.parametrize("f0_hz", [100.0, 120.0, 150.0, 180.0])
def test_a_dead_steady_tone_of_the_mains_is_flagged(f0_hz: float) -> None:
    """Mains keep to 50 or 60 Hz: common knowledge. The labelled insects scatter by 1.2 % and more."""
    time_s = np.arange(3 * RATE) / RATE
    wander = 1 + 0.015 * np.sin(2 * np.pi * time_s)
    for tone_hz, flagged in ((f0_hz, True), (f0_hz - 3.0, False), (f0_hz * wander, False)):
        (bout,) = measure([harmonic_sound(tone_hz, duration_s=3.0)[None]], flight_threshold=0.0).bouts
        assert ("hum" in bout.flags) == flagged


def test_intervals_cover_the_truth() -> None:
    """Seeds other than those the shares in `bouts` were set on; binomial 99 % bound for 95 %."""
    inside = total = 0
    for condition in ("hover", "wander", "steady wind", "traffic", "short bouts"):
        for seed in range(9000, 9004):
            result, truth, _ = heard(condition, seed)
            time_s = np.arange(truth.size) * 0.01
            for bout in result.bouts:
                here = (time_s >= bout.start_s) & (time_s < bout.end_s) & np.isfinite(truth)
                if bout.kind == "flight" and here.sum() > 5:
                    total += 1
                    inside += bout.f0_low_hz <= np.median(truth[here]) <= bout.f0_high_hz
    assert total >= 30
    assert inside / total >= 0.95 - 2.6 * np.sqrt(0.95 * 0.05 / total)


def test_blocks_of_any_size_give_the_same_answer() -> None:
    clip = make_scene(5, condition="gusts", snr_db=10.0, duration_s=6.0, rate_hz=16000)
    samples = at_rate(clip.samples, clip.rate_hz)
    whole = measure([samples])
    cuts = np.sort(np.random.default_rng(2).integers(0, samples.shape[1], 23))
    pieces = measure(np.split(samples, cuts, axis=1))
    assert whole.bouts
    assert pieces.bouts == whole.bouts
    assert pieces.track.f0_hz == pytest.approx(whole.track.f0_hz)


def test_joins_between_chunks_leave_no_trace() -> None:
    """A hover that runs over the end of a chunk is one bout, with the tone it has."""
    join_s = CHUNK_FRAMES / 100
    amplitudes = (0.5, 1.0, 0.6, 0.4, 0.3, 0.2)
    n = round(8.0 * RATE)
    line = 140.0 * np.exp(0.02 * np.sin(2 * np.pi * 0.4 * np.arange(n) / RATE))
    tone = harmonic_sound(line, duration_s=8.0, amplitudes=amplitudes, snr_db=3, quiet_s=join_s - 4.0)
    over_join = [b for b in measure([tone[None]]).bouts if b.kind == "flight"]
    alone = harmonic_sound(line, duration_s=8.0, amplitudes=amplitudes, snr_db=3, quiet_s=2.0)
    elsewhere = [b for b in measure([alone[None]]).bouts if b.kind == "flight"]
    assert len(over_join) == len(elsewhere) == 1
    assert over_join[0].f0_hz == pytest.approx(elsewhere[0].f0_hz, rel=0.003)
    assert over_join[0].start_s == pytest.approx(join_s - 4.0, abs=0.1)
    assert over_join[0].end_s == pytest.approx(join_s + 4.0, abs=0.1)


def test_nothing_and_silence() -> None:
    assert measure([]).bouts == ()
    silent = measure([np.zeros((2, 3 * RATE), np.float32)])
    assert silent.bouts == ()
    assert silent.flags == ("silent",)
    assert measure([np.ones((1, 10), np.float32)]).bouts == ()


def test_wrong_requests_are_refused() -> None:
    with pytest.raises(ValueError, match="6000 Hz"):
        measure([], rate_hz=48000)
    with pytest.raises(ValueError, match="flight_threshold"):
        measure([], flight_threshold=1.5)


def clean_line() -> tuple[np.ndarray, np.ndarray]:
    """A clean gliding flight and its true line, one value a sample."""
    n = 4 * RATE
    t = np.arange(n) / RATE
    line = 150.0 * np.exp(0.05 * np.sin(2 * np.pi * 0.5 * t) - 0.01 * t)
    return harmonic_sound(line, duration_s=4.0, snr_db=25), line


def test_agreement_with_other_estimators_on_a_clean_clip() -> None:
    """librosa's YIN (de Cheveigne & Kawahara 2002) and Praat's autocorrelation (Boersma 1993)."""
    import librosa
    import parselmouth

    samples, line = clean_line()
    track = measure([samples[None]]).track
    assert track.time_s.size > 300
    truth = np.interp(track.time_s, np.arange(line.size) / RATE, line)
    assert np.median(np.abs(track.f0_hz / truth - 1)) < 0.001

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yin = librosa.yin(samples, fmin=80, fmax=400, sr=RATE, frame_length=1024, hop_length=60)
    yin_line = np.interp(track.time_s, np.arange(yin.size) * 0.01, yin)
    assert np.median(np.abs(track.f0_hz / yin_line - 1)) < 0.01

    pitch = parselmouth.Sound(samples.astype(float), RATE).to_pitch_ac(0.01, 75.0, pitch_ceiling=400.0)
    praat = pitch.selected_array["frequency"]
    praat_line = np.interp(track.time_s, pitch.xs(), praat)
    assert np.median(np.abs(track.f0_hz / praat_line - 1)) < 0.005


def test_melody_scores_of_the_track() -> None:
    """mir_eval's melody measures (Salamon et al. 2014; Raffel et al. 2014)."""
    import mir_eval

    _, truth, estimate = heard("hover", seed=8)
    time_s = np.arange(truth.size) * 0.01
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        scores = mir_eval.melody.evaluate(time_s, np.nan_to_num(truth), time_s, np.nan_to_num(estimate))
    assert scores["Raw Pitch Accuracy"] > 0.9
    assert scores["Raw Chroma Accuracy"] - scores["Raw Pitch Accuracy"] < 0.01, "octave errors"
    assert scores["Voicing False Alarm"] < 0.15


def test_a_piece_is_described_alike_wherever_it_lies() -> None:
    """Times that are not whole in binary must not tip a comparison a day into a recording."""
    rows = np.zeros(400, ROW)
    rows["frame"], rows["tracked"], rows["ln_f0"] = np.arange(400), True, np.log(150.0)
    rows["tracked"][100:130] = rows["tracked"][250:280] = False
    rows["salience"] = 5.0
    here = cut(rows)
    for later in (7, 359_993, 8_639_977):
        there = rows.copy()
        there["frame"] += later
        moved = cut(there)
        assert [a.gap_s(b) for a, b in pairwise(moved)] == [a.gap_s(b) for a, b in pairwise(here)]
        assert [p.duration_s for p in moved] == [p.duration_s for p in here]
        np.testing.assert_equal(features(moved), features(here))
