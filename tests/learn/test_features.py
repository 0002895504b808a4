"""Features against closed forms: a comb whose every figure is known beforehand."""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import librosa
import numpy as np
import pytest

from wingtone.audio.encode import write_encoded
from wingtone.learn import comb_sound
from wingtone.learn.comb_sound import RATE_HZ, bout_sounds, comb_of
from wingtone.learn.features import CEPSTRAL, FEATURES, NAMES, describe, describe_one
from wingtone.tone.results import Bout, FlyBy, ToneResult, Track

if TYPE_CHECKING:
    from pathlib import Path

F0_HZ = 150.0
LEVELS_DB = np.array([-3.0, 0.0, -6.0, -12.0, -9.0, -20.0, -15.0, -30.0])


def comb_sound_of(
    f0_hz: np.ndarray, levels_db: np.ndarray, *, am: float = 0.0, am_hz: float = 8.0
) -> np.ndarray:
    """Harmonics with random phases; ``am`` is the depth of a sinusoidal amplitude modulation."""
    rng = np.random.default_rng(0)
    phase = 2 * np.pi * np.cumsum(f0_hz) / RATE_HZ
    parts = [
        10 ** (level / 20) * np.cos(h * phase + rng.uniform(0, 2 * np.pi))
        for h, level in enumerate(levels_db, start=1)
    ]
    time_s = np.arange(f0_hz.size) / RATE_HZ
    return np.asarray(np.sum(parts, axis=0) * (1 + am * np.sin(2 * np.pi * am_hz * time_s)))


def bout_of(duration_s: float, *, flyby: FlyBy | None = None, start_s: float = 0.0) -> Bout:
    return Bout(
        kind="flight",
        start_s=start_s,
        end_s=start_s + duration_s,
        f0_hz=F0_HZ,
        f0_low_hz=F0_HZ - 1,
        f0_high_hz=F0_HZ + 1,
        f0_spread_hz=6.0,
        snr_db=20.0,
        harmonics_db=(-3.0, 0.0, math.nan),
        flight_probability=1.0,
        flyby=flyby,
    )


def described(
    samples: np.ndarray, *, f0_hz: np.ndarray | None = None, flyby: FlyBy | None = None
) -> dict[str, float]:
    duration_s = samples.shape[-1] / RATE_HZ
    time_s = np.arange(0.0, duration_s, 0.01)
    line = (
        np.full(time_s.size, F0_HZ)
        if f0_hz is None
        else np.interp(time_s, np.arange(f0_hz.size) / RATE_HZ, f0_hz)
    )
    values = describe_one(
        bout_of(duration_s, flyby=flyby),
        np.atleast_2d(samples).astype(np.float32),
        start_s=0.0,
        time_s=time_s,
        f0_hz=line,
    )
    return dict(zip(NAMES, values, strict=True))


def flyby_at(f0_source_hz: float) -> FlyBy:
    """A fly-by with this tone; nothing else of it is used here."""
    return FlyBy(**{one.name: 1.0 for one in dataclasses.fields(FlyBy)} | {"f0_source_hz": f0_source_hz})


STEADY = np.full(2 * RATE_HZ, F0_HZ)


def test_every_figure_is_told_with_what_disturbs_it() -> None:
    assert len(set(NAMES)) == len(NAMES) == len(FEATURES)
    assert all(one.meaning and one.disturbed_by for one in FEATURES)


def test_the_comb_gives_back_amplitudes_and_sound() -> None:
    samples = comb_sound_of(STEADY, LEVELS_DB).astype(np.float32)
    comb = comb_of(samples, STEADY)
    middle = slice(RATE_HZ // 2, -RATE_HZ // 2)
    measured = 20 * np.log10(np.abs(comb.envelope[: LEVELS_DB.size, middle]).mean(axis=1))
    assert measured == pytest.approx(LEVELS_DB, abs=0.05)
    assert comb.sound[middle] == pytest.approx(samples[middle], abs=0.02)
    assert comb.share == pytest.approx(1.0, abs=0.01)


def test_the_comb_follows_a_glide_and_drops_what_lies_between() -> None:
    glide = F0_HZ * np.exp(np.linspace(-0.1, 0.1, 2 * RATE_HZ))
    samples = comb_sound_of(glide, LEVELS_DB)
    other = np.cos(2 * np.pi * 2.5 * np.cumsum(glide) / RATE_HZ)
    comb = comb_of((samples + other).astype(np.float32), glide)
    middle = slice(RATE_HZ // 2, -RATE_HZ // 2)
    left = comb.sound[middle] - samples[middle]
    # Half-way between two teeth the Hann window of four periods lets through its null: nothing but ripple.
    assert np.sqrt(np.mean(left**2)) < 0.03 * np.sqrt(np.mean(other**2))


def test_shape_figures_equal_their_definitions() -> None:
    found = described(comb_sound_of(STEADY, LEVELS_DB))
    # Beyond the eighth harmonic there is silence; the shape is that of the first eight and of -60 dB.
    power = 10 ** (LEVELS_DB / 10)
    assert found["comb_centroid"] == pytest.approx(math.log(power @ np.arange(1, 9) / power.sum()), abs=0.01)
    odd_even = 10 * math.log10(power[[2, 4, 6]].sum() / power[[1, 3, 5]].sum())
    assert found["odd_even_db"] == pytest.approx(odd_even, abs=0.1)
    flat = LEVELS_DB[1:].mean() - 10 * math.log10(power[1:].mean())
    assert found["comb_flatness_db"] == pytest.approx(flat, abs=0.1)
    assert found["ln_f0"] == pytest.approx(math.log(F0_HZ))
    assert found["f0_spread"] == pytest.approx(6.0 / F0_HZ)
    assert found["harmonic_2_db"] == 0.0
    assert math.isnan(found["harmonic_3_db"])


def test_a_fall_with_frequency_is_read_as_its_slope() -> None:
    levels = -7.0 * np.log2(np.arange(1, 17))
    assert described(comb_sound_of(STEADY, levels))["comb_slope_db"] == pytest.approx(-7.0, abs=0.3)


def test_modulation_is_read_in_depth_and_rate() -> None:
    """Depth d swings the level by 20 log10(1 + d sin): for small d an rms of 8.69 d / sqrt(2)."""
    found = described(comb_sound_of(STEADY, LEVELS_DB, am=0.2, am_hz=8.0))
    assert found["am_rate_hz"] == pytest.approx(8.0, abs=0.5)
    assert found["am_depth_db"] == pytest.approx(8.686 * 0.2 / math.sqrt(2), rel=0.15)
    assert found["shimmer_db"] < 0.2
    assert described(comb_sound_of(STEADY, LEVELS_DB))["am_depth_db"] < 0.2


def test_the_tone_line_is_read_in_slope_and_flutter() -> None:
    glide = F0_HZ * np.exp(np.linspace(0.0, 0.1, 2 * RATE_HZ))
    found = described(comb_sound_of(glide, LEVELS_DB), f0_hz=glide)
    assert found["f0_slope"] == pytest.approx(0.05, rel=0.02)
    assert found["f0_flutter"] < 0.002


def test_the_flyby_shift_is_known_only_with_a_flyby() -> None:
    samples = comb_sound_of(STEADY, LEVELS_DB)
    assert math.isnan(described(samples)["flyby_shift"])
    found = described(samples, flyby=flyby_at(147.0))
    assert found["ln_f0"] + found["flyby_shift"] == pytest.approx(math.log(147.0))


def test_cepstrum_follows_the_definition_of_a_cosine_transform() -> None:
    """Orthonormal DCT-II of the mel levels in dB, written out (Davis & Mermelstein 1980; memory)."""
    samples = comb_sound_of(STEADY, LEVELS_DB)
    sound = comb_of(samples.astype(np.float32), STEADY).sound
    mel = librosa.feature.melspectrogram(
        y=sound / np.sqrt(np.mean(sound**2)), sr=RATE_HZ, n_fft=512, hop_length=128, n_mels=12
    )
    level = 10 * np.log10(np.maximum(mel, 1e-10))
    level = np.maximum(level, level.max(axis=0) - 50.0)
    n = np.arange(12)
    found = described(samples)
    for k in range(1, CEPSTRAL + 1):
        basis = math.sqrt(2 / 12) * np.cos(np.pi * k * (2 * n + 1) / 24)
        assert found[f"cepstral_{k}"] == pytest.approx((basis @ level).mean(), abs=0.02)


def test_loudness_is_no_feature() -> None:
    samples = comb_sound_of(STEADY, LEVELS_DB)
    loud, soft = described(samples), described(0.001 * samples)
    assert list(loud.values()) == pytest.approx(list(soft.values()), abs=0.01, nan_ok=True)


def test_the_better_microphone_is_heard() -> None:
    samples = comb_sound_of(STEADY, LEVELS_DB)
    noise = 5.0 * np.random.default_rng(1).standard_normal(samples.size)
    found = described(np.stack([noise, samples]))
    alone = described(samples)
    assert list(found.values()) == pytest.approx(list(alone.values()), nan_ok=True)


def test_a_scrap_of_sound_leaves_its_figures_unknown() -> None:
    found = described(np.zeros(200))
    assert math.isnan(found["comb_slope_db"])
    assert found["ln_f0"] == pytest.approx(math.log(F0_HZ))
    silent = described(np.zeros(RATE_HZ))
    assert math.isnan(silent["cepstral_1"])


def test_bouts_are_cut_from_a_recording_in_one_pass(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    ramp = (np.arange(12 * RATE_HZ) / (12 * RATE_HZ)).astype(np.float32)
    write_encoded(tmp_path / "ramp.wav", ramp, rate_hz=RATE_HZ)
    bouts = [bout_of(1.0, start_s=9.5), bout_of(2.0, start_s=1.0), bout_of(3.0, start_s=11.0)]
    monkeypatch.setattr(comb_sound, "LONGEST_S", 1.5)
    found = {
        index: (start_s, samples) for index, start_s, samples in bout_sounds(tmp_path / "ramp.wav", bouts)
    }
    assert sorted(found) == [0, 1, 2]
    for index, (start_s, length_s) in enumerate(((9.5, 1.0), (1.25, 1.5), (11.75, 0.25))):
        assert found[index][0] == pytest.approx(start_s)
        first = round(start_s * RATE_HZ)
        expected = ramp[first : first + round(length_s * RATE_HZ)]
        assert found[index][1][0] == pytest.approx(expected, abs=1e-4)


def test_only_the_bouts_asked_for_are_described(tmp_path: Path) -> None:
    samples = 0.05 * comb_sound_of(np.full(4 * RATE_HZ, F0_HZ), LEVELS_DB)
    write_encoded(tmp_path / "a.wav", samples.astype(np.float32), rate_hz=RATE_HZ)
    bouts = (bout_of(1.0), bout_of(1.0, start_s=2.0))
    time_s = np.concatenate([np.arange(0, 1, 0.01), np.arange(2, 3, 0.01)])
    track = Track(time_s, np.full(time_s.size, F0_HZ), np.repeat([0, 1], 100))
    tone = ToneResult(bouts, track)
    table = describe(tmp_path / "a.wav", tone)
    assert table.shape == (2, len(NAMES))
    assert describe(tmp_path / "a.wav", tone, bouts=[1]) == pytest.approx(table[1:], nan_ok=True)
    assert describe(tmp_path / "a.wav", tone, bouts=[]).shape == (0, len(NAMES))
