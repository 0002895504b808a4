"""Beginning in the middle of a recording: the same samples as from the start, in every kind of file."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile

from wingtone.audio import open_recording
from wingtone.audio.encode import write_encoded

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

RATE_HZ = 16_000


def sound(seconds: float = 20.0, channels: int = 2) -> NDArray[np.float32]:
    """Noise: no two stretches of it are alike, so a wrong place cannot pass for the right one."""
    rng = np.random.default_rng(5)
    return (0.2 * rng.standard_normal((channels, round(seconds * RATE_HZ)))).clip(-1, 1).astype(np.float32)


def heard(path: Path, *, start_s: float = 0.0, rate_hz: int | None = None) -> NDArray[np.float32]:
    with open_recording(path) as recording:
        blocks = list(recording.blocks(start_s=start_s, rate_hz=rate_hz))
        channels = recording.channels
    return np.concatenate([np.zeros((channels, 0), np.float32), *blocks], axis=1)


KINDS = [
    ("a.wav", None, True),
    ("a.wav", "pcm_s24le", True),
    ("a.wav", "pcm_f32le", True),
    ("a.rf64", None, True),
    ("a.flac", None, True),
    ("a.m4a", "aac", False),
    ("a.mp3", None, False),
    ("a.ogg", "vorbis", False),
]


@pytest.mark.parametrize(("name", "codec", "seeks"), KINDS)
@pytest.mark.parametrize("start_s", [0.0, 3.0, 7.77, 19.999])
def test_from_the_middle_is_the_rest_of_the_whole(
    tmp_path: Path, name: str, codec: str | None, seeks: bool, start_s: float
) -> None:
    path = tmp_path / name
    write_encoded(path, sound(), rate_hz=RATE_HZ, codec=codec)
    whole = heard(path)
    rest = heard(path, start_s=start_s)
    np.testing.assert_array_equal(rest, whole[:, round(start_s * RATE_HZ) :])
    with open_recording(path) as recording:
        assert recording.seeks is seeks
        list(recording.blocks(start_s=start_s))
        info = recording.info
    assert info.duration_s == pytest.approx(whole.shape[1] / RATE_HZ)
    assert info.damaged_packets == 0


@pytest.mark.parametrize("name", ["a.wav", "a.flac"])
def test_an_independent_reader_finds_the_same_place(tmp_path: Path, name: str) -> None:
    """libsndfile, which seeks by itself."""
    path = tmp_path / name
    write_encoded(path, sound(), rate_hz=RATE_HZ)
    other, _ = soundfile.read(path, start=12 * RATE_HZ + 17, dtype="float32")
    np.testing.assert_allclose(heard(path, start_s=12 + 17 / RATE_HZ), other.T, atol=1e-7)


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.m4a"])
def test_a_start_after_the_end_gives_nothing(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    write_encoded(path, sound(2.0), rate_hz=RATE_HZ)
    assert heard(path, start_s=60.0).shape == (2, 0)


def test_another_rate_agrees_but_for_the_edge_of_the_filter(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    write_encoded(path, sound(), rate_hz=RATE_HZ)
    whole, rest = heard(path, rate_hz=6000), heard(path, start_s=10.0, rate_hz=6000)
    assert rest.shape[1] == whole.shape[1] - 60_000
    np.testing.assert_allclose(rest[:, 600:], whole[:, 60_600:], atol=1e-6)


def test_damage_after_the_start_is_told_at_its_true_time(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    write_encoded(path, sound(), rate_hz=RATE_HZ)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) * 3 // 4])
    with open_recording(path) as recording:
        assert recording.declared_s == pytest.approx(15.0, abs=0.01)  # what is there
        list(recording.blocks(start_s=10.0))
        info = recording.info
    assert info.damaged_from_s == pytest.approx(15.0, abs=0.01)
    assert info.duration_s == pytest.approx(15.0, abs=0.01)


def test_a_negative_start_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    write_encoded(path, sound(1.0), rate_hz=RATE_HZ)
    with open_recording(path) as recording, pytest.raises(ValueError, match="negative"):
        recording.blocks(start_s=-1.0)
