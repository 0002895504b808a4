"""Clips through real encoders."""

from __future__ import annotations

import numpy as np
import pytest

from wingtone.simulate import Clip, make_scene
from wingtone.simulate.codec import through_codec


def share_above(clip: Clip, hz: float) -> float:
    power = np.abs(np.fft.rfft(clip.samples[0])) ** 2
    return float(power[np.fft.rfftfreq(clip.samples.shape[1], 1 / clip.rate_hz) > hz].sum() / power.sum())


def test_amr_cuts_the_band_and_keeps_the_tone() -> None:
    """AMR narrow band samples at 8 kHz (3GPP TS 26.071; memory): nothing can remain above 4 kHz."""
    import parselmouth

    clip = make_scene(3, condition="hover", snr_db=30.0, duration_s=4.0)
    coded = through_codec(clip)
    assert coded.samples.shape == clip.samples.shape
    assert coded.truth is clip.truth
    assert share_above(clip, 4000.0) > 10 * share_above(coded, 4000.0)
    bout = clip.truth.bouts[0]
    sound = parselmouth.Sound(coded.samples[0].astype(float), coded.rate_hz)
    pitch = sound.extract_part(bout.start_s, bout.end_s).to_pitch_ac(pitch_floor=75.0, pitch_ceiling=300.0)
    hz = pitch.selected_array["frequency"]
    assert np.median(hz[hz > 0]) == pytest.approx(bout.f0_hz, rel=0.01)


@pytest.mark.parametrize(
    ("suffix", "codec", "bit_rate"),
    [(".m4a", "aac", 96000), (".ogg", "libopus", 48000), (".mp3", "mp3", 96000)],
)
def test_music_codecs_shift_nothing(suffix: str, codec: str, bit_rate: int) -> None:
    clip = make_scene(3, condition="hover", snr_db=20.0, duration_s=2.0)
    coded = through_codec(clip, suffix=suffix, codec=codec, bit_rate=bit_rate)
    before, after = clip.samples[0][8000:24000], coded.samples[0]
    match = [np.corrcoef(before, after[8000 + lag : 24000 + lag])[0, 1] for lag in range(-40, 41)]
    assert int(np.argmax(match)) - 40 == 0
    assert max(match) > 0.98
