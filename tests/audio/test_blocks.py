"""Blocks: length, rate, alignment, bounded memory."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile
from scipy.signal import resample_poly

from wingtone.audio import open_recording, read
from wingtone.audio.recording import MAX_BLOCK_VALUES
from wingtone.audio.resample import blocks_of, resampled

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray


def _write(path: Path, sound: NDArray[np.floating], rate_hz: int) -> Path:
    soundfile.write(path, np.atleast_2d(sound).T, rate_hz, subtype="FLOAT")
    return path


def _hum(rate_hz: int, seconds: float = 3.0) -> NDArray[np.float64]:
    """Three steady tones below 2 kHz under a smooth hump."""
    time_s = np.arange(round(rate_hz * seconds)) / rate_hz
    return _hum_at(time_s)


def _hum_at(time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    tone = sum(np.sin(2 * np.pi * f * time_s + f) for f in (140.0, 431.0, 1973.0))
    return np.asarray(0.2 * tone * np.exp(-(((time_s - 1.5) / 0.4) ** 2)))


@pytest.mark.parametrize("rate_hz", [None, 6000, 48_000, 44_100, 96_000])
def test_put_end_to_end_blocks_do_not_depend_on_their_length(tmp_path: Path, rate_hz: int | None) -> None:
    noise = np.random.default_rng(7).normal(0, 0.1, (2, 150_001))
    path = _write(tmp_path / "noise.wav", noise, 48_000)
    whole, _ = read(path, rate_hz=rate_hz)
    for block_s in (0.013, 0.5, 1.0, 3.0, 1000.0):
        with open_recording(path) as recording:
            blocks = list(recording.blocks(rate_hz=rate_hz, block_s=block_s))
        length = round(block_s * (rate_hz or 48_000))
        assert {b.shape[1] for b in blocks[:-1]} <= {length}
        assert 0 < blocks[-1].shape[1] <= length
        assert np.array_equal(np.concatenate(blocks, axis=1), whole)


@pytest.mark.parametrize("from_hz", [8000, 11_025, 16_000, 22_050, 44_100, 48_000, 96_000, 384_000])
def test_resampling_agrees_with_the_closed_form_and_with_scipy(tmp_path: Path, from_hz: int) -> None:
    """The closed form tells alignment too: one sample late at 6 kHz would be an error of 0.3."""
    sound = _hum(from_hz)
    ours, info = read(_write(tmp_path / "hum.wav", sound, from_hz), rate_hz=6000)
    assert info.duration_s == 3.0
    assert ours.shape == (1, 18_000)
    np.testing.assert_allclose(ours[0], _hum_at(np.arange(18_000) / 6000), rtol=0, atol=2e-5)
    factor = np.gcd(from_hz, 6000)
    theirs = resample_poly(sound, 6000 // factor, from_hz // factor)
    np.testing.assert_allclose(ours[0], theirs[:18_000], rtol=0, atol=3e-3)  # scipy's filter ripples


def test_what_lies_above_the_new_band_is_gone(tmp_path: Path) -> None:
    """A tone at 4.9 kHz would fold to 1.1 kHz at a rate of 6 kHz."""
    time_s = np.arange(96_000) / 48_000
    path = _write(tmp_path / "high.wav", 0.5 * np.sin(2 * np.pi * 4900 * time_s), 48_000)
    out, _ = read(path, rate_hz=6000)
    assert np.abs(out[0, 1000:-1000]).max() < 0.5 * 10 ** (-100 / 20)


@pytest.mark.parametrize("click_s", [0.25, 1.0, 1.7310625])
@pytest.mark.parametrize("rate_hz", [6000, 44_100])
def test_a_click_stays_where_it_was(tmp_path: Path, click_s: float, rate_hz: int) -> None:
    sound = np.zeros(96_000)
    sound[round(click_s * 48_000)] = 0.9
    out, _ = read(_write(tmp_path / "click.wav", sound, 48_000), rate_hz=rate_hz)
    power = np.square(out[0], dtype=np.float64)
    middle_s = float(np.sum(power * np.arange(power.size)) / power.sum() / rate_hz)
    assert middle_s == pytest.approx(click_s, abs=1e-5)


def test_channels_are_resampled_alone(tmp_path: Path) -> None:
    noise = np.random.default_rng(3).normal(0, 0.1, (3, 70_000))
    together, _ = read(_write(tmp_path / "three.wav", noise, 44_100), rate_hz=6000)
    for k in range(3):
        alone, _ = read(_write(tmp_path / f"{k}.wav", noise[k], 44_100), rate_hz=6000)
        assert np.array_equal(alone[0], together[k])


def test_duration_and_counts_grow_while_reading(tmp_path: Path) -> None:
    path = _write(tmp_path / "hum.wav", _hum(48_000, 30.0), 48_000)
    with open_recording(path) as recording:
        before = recording.info
        seen = [recording.info.duration_s for _ in recording.blocks(block_s=5.0)]
        after = recording.info
    assert (before.duration_s, before.silent) == (0.0, True)
    assert (after.duration_s, after.silent) == (30.0, False)
    assert seen == sorted(seen)
    assert seen[0] < 10


def test_a_recording_is_read_once(tmp_path: Path) -> None:
    with open_recording(_write(tmp_path / "hum.wav", _hum(8000), 8000)) as recording:
        list(recording.blocks())
        with pytest.raises(RuntimeError, match="open it again"):
            recording.blocks()


@pytest.mark.parametrize(
    "wrong", [{"rate_hz": 0}, {"rate_hz": 10**7}, {"block_s": 0.0}, {"block_s": float("nan")}]
)
def test_impossible_requests_are_refused(tmp_path: Path, wrong: dict[str, Any]) -> None:
    with (
        open_recording(_write(tmp_path / "hum.wav", _hum(8000), 8000)) as recording,
        pytest.raises(ValueError, match="must be"),
    ):
        recording.blocks(**wrong)


def test_a_file_of_no_samples_has_no_blocks_left(tmp_path: Path) -> None:
    path = _write(tmp_path / "one.wav", np.array([0.5]), 8000)
    samples, info = read(path)
    assert samples.tolist() == [[0.5]]
    assert info.duration_s == 1 / 8000


def test_many_channels_make_shorter_blocks(tmp_path: Path) -> None:
    """32 channels at 768 kHz: ten seconds would be a gigabyte."""
    path = _write(tmp_path / "wide.wav", np.full((32, 2_000), 0.1), 768_000)
    with open_recording(path) as recording:
        assert [b.shape for b in recording.blocks(block_s=1e6)] == [(32, 2000)]
    chunks = (np.zeros((2, 1 << 23), np.float32) for _ in range(2))
    assert [b.shape[1] for b in blocks_of(chunks, samples=MAX_BLOCK_VALUES // 2)] == [1 << 24]


def test_the_parts_alone() -> None:
    def chunks() -> Iterator[NDArray[np.float32]]:
        for n in (5, 1, 0, 7, 20, 2):
            yield np.arange(n, dtype=np.float32)[None]

    assert [b.shape[1] for b in blocks_of(chunks(), samples=10)] == [10, 10, 10, 5]
    assert list(blocks_of(iter(()), samples=10)) == []
    assert list(resampled(iter(()), from_hz=8000, to_hz=6000, channels=2)) == []
    untouched = list(resampled(chunks(), from_hz=8000, to_hz=8000, channels=1))
    assert [b.shape[1] for b in untouched] == [5, 1, 0, 7, 20, 2]


PEAK = r"""
import pathlib, re, sys
from wingtone.audio import open_recording
with open_recording(sys.argv[1]) as recording:
    for block in recording.blocks(rate_hz=6000):
        pass
status = pathlib.Path("/proc/self/status").read_text()
print(round(recording.info.duration_s), re.search(r"VmHWM:\s+(\d+) kB", status)[1])
"""


def test_memory_does_not_grow_with_length(tmp_path: Path) -> None:
    """Highest resident memory of a whole process, FFmpeg's included, as Linux tells it (proc(5), VmHWM)."""
    minute = np.random.default_rng(1).normal(0, 0.1, 60 * 48_000).astype(np.float32)
    peaks_kb = []
    for minutes in (1, 20):
        path = tmp_path / f"{minutes}.wav"
        with soundfile.SoundFile(path, "w", 48_000, 1, subtype="PCM_16") as file:
            for _ in range(minutes):
                file.write(minute)
        done = subprocess.run(
            [sys.executable, "-c", PEAK, str(path)], check=True, capture_output=True, text=True
        ).stdout.split()
        assert int(done[0]) == 60 * minutes
        peaks_kb.append(int(done[1]))
    assert peaks_kb[1] - peaks_kb[0] < 8_000  # the longer file alone is 115 MB
    assert peaks_kb[1] < 200_000


def test_the_room_opens_without_loading_decoders() -> None:
    code = "import sys, wingtone.audio; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    loaded = set(done.stdout.split())
    assert "wingtone.audio" in loaded
    assert not loaded & {"av", "soxr", "soundfile", "scipy"}
