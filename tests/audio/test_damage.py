"""Damage is counted, decoding goes on, later times are flagged; levels, silence and clipping are told."""

from __future__ import annotations

import dataclasses
import struct
from pathlib import Path

import numpy as np
import pytest
import soundfile

from wingtone.audio import RecordingInfo, open_recording, read
from wingtone.audio.encode import write_encoded

RATE_HZ = 48_000
SECONDS = 10.0


def _hum(
    seconds: float = SECONDS, rate_hz: int = RATE_HZ
) -> np.ndarray[tuple[int, int], np.dtype[np.float32]]:
    """Harmonics of a tone that rises, so that no two seconds are alike, in a little noise."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    phase = 2 * np.pi * (140 * time_s + time_s**2)
    tone = sum(np.sin(k * phase) / k for k in range(1, 6)) * 0.2
    noise = np.random.default_rng(5).normal(0, 0.003, time_s.size)
    return (tone + noise)[None].astype(np.float32)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("whole")
    for name in ("x.m4a", "x.aac", "x.mp3", "x.flac", "x.ogg", "x.opus", "x.webm", "x.mkv", "x.wav", "x.mov"):
        write_encoded(folder / name, _hum(), rate_hz=RATE_HZ)
    for name, codec in (
        ("alac.m4a", "alac"),
        ("amr_nb.3gp", "amr_nb"),
        ("amr_nb.amr", "amr_nb"),
        ("alac.caf", "alac"),
    ):
        write_encoded(folder / name, _hum(), rate_hz=RATE_HZ, codec=codec)
    return folder


# AMR: any byte is a valid frame head, so a hole may be read as silence; CAF has no checks inside its packets
NOTICED = ["x.m4a", "x.aac", "x.mp3", "x.flac", "x.ogg", "x.opus", "x.webm", "x.mkv", "alac.m4a"]


@pytest.mark.parametrize("name", NOTICED)
def test_a_hole(whole: Path, tmp_path: Path, name: str) -> None:
    good, _ = read(whole / name)
    content = bytearray((whole / name).read_bytes())
    at = len(content) * 3 // 10
    content[at : at + 4000] = bytes(4000)
    (tmp_path / name).write_bytes(content)
    samples, info = read(tmp_path / name)
    assert info.damaged_packets >= 1
    assert info.damaged_from_s is not None
    assert 2 < info.damaged_from_s < 4  # three tenths of the bytes are about three tenths of the time
    assert info.duration_s > 7  # it went on: Matroska starts again at its next cluster, every 5 s
    assert info.duration_s == samples.shape[1] / RATE_HZ  # what was decoded, not what the header says
    until = round((info.damaged_from_s - 0.1) * RATE_HZ)
    np.testing.assert_array_equal(samples[:, :until], good[:, :until])
    remark = info.remarks[0]
    assert remark.code == "damaged"
    assert f"after {info.damaged_from_s:.1f} s" in remark.text


@pytest.mark.parametrize("name", ["x.aac", "x.m4a", "amr_nb.amr", "amr_nb.3gp"])
def test_noise_over_2000_bytes_as_a_bad_card_leaves_it(whole: Path, tmp_path: Path, name: str) -> None:
    content = bytearray((whole / name).read_bytes())
    at = len(content) * 2 // 5
    content[at : at + 2000] = np.random.default_rng(2).integers(0, 256, 2000, dtype=np.uint8).tobytes()
    (tmp_path / name).write_bytes(content)
    _, info = read(tmp_path / name)
    assert info.damaged_packets >= 1
    assert info.damaged_from_s == pytest.approx(0.4 * SECONDS, abs=0.8)
    assert info.duration_s > 0.6 * SECONDS


CUT = ["x.aac", "x.mp3", "x.flac", "x.ogg", "x.opus", "x.webm", "x.mkv", "x.wav", "amr_nb.amr"]


@pytest.mark.parametrize("name", CUT)
def test_cut_off_but_readable(whole: Path, tmp_path: Path, name: str) -> None:
    good, _ = read(whole / name)
    content = (whole / name).read_bytes()
    (tmp_path / name).write_bytes(content[: len(content) // 2 + 123])
    samples, info = read(tmp_path / name)
    assert 3 < info.duration_s < 6
    assert info.damaged_packets == 1
    assert info.damaged_from_s == pytest.approx(info.duration_s, abs=0.05)
    assert info.remarks[0].code == "cut short"
    until = samples.shape[1] - info.sample_rate_hz // 10
    np.testing.assert_array_equal(samples[:, :until], good[:, :until])


@pytest.mark.parametrize("name", [*NOTICED, "x.wav", "x.mov", "amr_nb.3gp", "amr_nb.amr", "alac.caf"])
def test_whole_files_raise_no_alarm(whole: Path, name: str) -> None:
    _, info = read(whole / name)
    assert (info.damaged_packets, info.damaged_from_s) == (0, None)
    assert info.duration_s == pytest.approx(SECONDS, abs=0.06)
    assert [remark.code for remark in info.remarks] == ["weak date"]


@pytest.mark.parametrize("claim", [0, 0xFFFFFFFF])
def test_a_recorder_that_died_before_closing_its_file(whole: Path, tmp_path: Path, claim: int) -> None:
    """The length of the sound is still 0, or "to the end", in the header; libsndfile reads nothing for 0."""
    content = (whole / "x.wav").read_bytes()
    at = content.index(b"data") + 4
    (tmp_path / "x.wav").write_bytes(content[:at] + struct.pack("<I", claim) + content[at + 4 :])
    samples, info = read(tmp_path / "x.wav")
    np.testing.assert_array_equal(samples, read(whole / "x.wav")[0])
    assert info.remarks[0].code == "cut short"


@pytest.mark.parametrize("claim_s", [0.5, 7.0])
def test_a_recorder_that_died_since_it_last_corrected_the_length(
    whole: Path, tmp_path: Path, claim_s: float
) -> None:
    content = (whole / "x.wav").read_bytes()
    at = content.index(b"data") + 4
    stale = struct.pack("<I", round(claim_s * RATE_HZ) * 2)
    (tmp_path / "x.wav").write_bytes(content[:at] + stale + content[at + 4 :])
    good, _ = read(whole / "x.wav")
    samples, info = read(tmp_path / "x.wav")
    np.testing.assert_array_equal(samples, good)
    assert info.remarks[0].code == "cut short"
    with open_recording(tmp_path / "x.wav") as recording:
        assert recording.declared_s == pytest.approx(SECONDS, abs=0.01)
        part = np.concatenate(list(recording.blocks(start_s=8.0)), axis=1)
    np.testing.assert_array_equal(part, good[:, round(8.0 * RATE_HZ) :])


@pytest.mark.parametrize(
    "rest",
    [
        bytes(4000),  # the rest of a block of the card
        b"LIST\x12\0\0\0INFOICMT\x05\0\0\0abcd\0\0",
        b"\0LIST\x12\0\0\0INFOICMT\x05\0\0\0abcd\0\0",
    ],
    ids=["zeros", "not filled up to an even length", "filled up"],
)
def test_what_belongs_behind_a_sound_is_none(tmp_path: Path, rest: bytes) -> None:
    sound = np.random.default_rng(3).integers(0, 256, 3 * 1001, np.uint8).tobytes()
    form = struct.pack("<HHIIHH", 1, 1, RATE_HZ, 3 * RATE_HZ, 3, 24)
    body = b"WAVEfmt " + struct.pack("<I", 16) + form + b"data" + struct.pack("<I", len(sound)) + sound + rest
    (tmp_path / "x.wav").write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    samples, info = read(tmp_path / "x.wav")
    assert samples.shape == (1, 1001)
    assert info.damaged_packets == 0


@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf, 1e30, -1e30])
def test_impossible_values_are_silenced_and_counted(tmp_path: Path, subtype: str, bad: float) -> None:
    sound = _hum(3.0)[0].astype(np.float64)
    sound[60_000] = bad
    soundfile.write(tmp_path / "x.wav", sound, RATE_HZ, subtype=subtype)
    samples, info = read(tmp_path / "x.wav")
    assert np.isfinite(samples).all()
    assert samples[0, 60_000] == 0
    np.testing.assert_array_equal(np.delete(samples[0], 60_000), np.delete(sound, 60_000).astype(np.float32))
    assert info.damaged_packets == 1
    assert info.damaged_from_s == pytest.approx(60_000 / RATE_HZ)


def test_integers_stored_as_floats_are_left_alone(tmp_path: Path) -> None:
    sound = np.round(_hum(1.0)[0] * 32_768)
    soundfile.write(tmp_path / "x.wav", sound, RATE_HZ, subtype="FLOAT")
    samples, info = read(tmp_path / "x.wav")
    np.testing.assert_array_equal(samples[0], sound)
    assert info.damaged_packets == 0


# -- levels ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["x.wav", "x.flac", "x.m4a", "x.mp3", "x.opus", "x.amr", "x.ogg"])
@pytest.mark.parametrize("level", [0.0, 0.5 / 32768])
def test_a_silent_recording_says_so(tmp_path: Path, name: str, level: float) -> None:
    sound = level * np.sin(np.arange(96_000) / 50)
    write_encoded(tmp_path / name, sound.astype(np.float32), rate_hz=RATE_HZ)
    _, info = read(tmp_path / name)
    assert info.silent
    assert info.remarks[0].code == "silent"
    assert "microphone" in info.remarks[0].text


def test_silence_with_an_offset_is_silence(tmp_path: Path) -> None:
    write_encoded(tmp_path / "x.wav", np.full((1, 8000), 0.25, np.float32), rate_hz=8000)
    assert read(tmp_path / "x.wav")[1].silent


def test_one_live_channel_is_not_silence(tmp_path: Path) -> None:
    write_encoded(tmp_path / "x.wav", np.concatenate([_hum(1.0) * 0, _hum(1.0)]), rate_hz=RATE_HZ)
    assert not read(tmp_path / "x.wav")[1].silent


@pytest.mark.parametrize("codec", ["pcm_s24le", "pcm_f32le"])
def test_a_quiet_fine_recording_is_not_silent(tmp_path: Path, codec: str) -> None:
    """A float recorder at low gain: 100 dB below full scale is below 16 bits but not below 24."""
    write_encoded(tmp_path / "x.wav", _hum(1.0) * 1e-5, rate_hz=RATE_HZ, codec=codec)
    assert not read(tmp_path / "x.wav")[1].silent


@pytest.mark.parametrize("codec", ["pcm_s16le", "pcm_u8", "pcm_s24le", "pcm_f32le", "pcm_mulaw", "pcm_alaw"])
def test_clipping(tmp_path: Path, codec: str) -> None:
    """A sine of amplitude A stands beyond 1 for a part 1 - 2/pi asin(1/A) of the time: 2/3 for A = 2."""
    time_s = np.arange(RATE_HZ) / RATE_HZ
    tone = np.sin(2 * np.pi * 150 * time_s, dtype=np.float64)[None]
    loud = np.clip(2 * tone, -1, 1).astype(np.float32)
    write_encoded(tmp_path / "x.wav", loud, rate_hz=RATE_HZ, codec=codec)
    _, info = read(tmp_path / "x.wav")
    assert info.clipped_fraction == pytest.approx(2 / 3, abs=0.02)
    assert info.remarks[0].code == "clipped"
    write_encoded(tmp_path / "y.wav", (0.9 * tone).astype(np.float32), rate_hz=RATE_HZ, codec=codec)
    assert read(tmp_path / "y.wav")[1].clipped_fraction == 0


@pytest.mark.parametrize("codec", ["pcm_f32le", "pcm_f64le"])
def test_what_a_float_holds_beyond_full_scale_is_not_clipped(tmp_path: Path, codec: str) -> None:
    """Recorders that keep 32 bits of float let loud sound pass full scale, with its peaks whole."""
    write_encoded(tmp_path / "x.wav", 20 * _hum(2.0), rate_hz=RATE_HZ, codec=codec)
    samples, info = read(tmp_path / "x.wav")
    assert samples.max() > 2
    assert info.clipped_fraction < 0.001
    assert "clipped" not in [remark.code for remark in info.remarks]


def test_a_single_touch_of_full_scale_is_not_clipping(tmp_path: Path) -> None:
    sound = np.zeros((1, 8000), np.float32)
    sound[0, 4000] = 1.0
    write_encoded(tmp_path / "x.wav", sound, rate_hz=8000)
    assert read(tmp_path / "x.wav")[1].clipped_fraction == 0


def test_remarks_of_a_good_recording() -> None:
    info = RecordingInfo(
        path=Path("x.wav"),
        duration_s=10.0,
        sample_rate_hz=8000,
        channels=1,
        codec="pcm_s16le",
        container="wav",
        recorded_at="2026-07-14",
        recorded_at_source="file name",
        latitude_deg=None,
        longitude_deg=None,
        place_source=None,
        device=None,
        damaged_packets=0,
        damaged_from_s=None,
        clipped_fraction=0.0005,
        silent=False,
    )
    assert info.remarks == ()
    worst = dataclasses.replace(
        info,
        silent=True,
        damaged_packets=3,
        damaged_from_s=4.0,
        clipped_fraction=0.5,
        recorded_at_source="file time",
    )
    assert [r.code for r in worst.remarks] == ["silent", "damaged", "clipped", "weak date"]
    assert all("\n" not in r.text for r in worst.remarks)
