"""The same bout in every format comes back: tone, times, channels, date and place."""

from __future__ import annotations

import datetime as dt
import struct
from typing import TYPE_CHECKING

import numpy as np
import pytest
import soundfile
from scipy.io import wavfile

from wingtone.audio import read

from .bout import (
    DEVICE,
    DURATION_S,
    END_S,
    F0_HZ,
    FORMS,
    LATITUDE_DEG,
    LONGITUDE_DEG,
    RATE_HZ,
    START_S,
    WHEN,
    Form,
    edges_s,
    make_bout,
    spacing_hz,
)

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

every_form = pytest.mark.parametrize("form", FORMS, ids=lambda form: form.name)


def test_the_list_of_formats_covers_the_promise() -> None:
    promised = {"wav", "rf64", "flac", "mp3", "ogg", "m4a", "mp4", "mov", "3gp", "amr", "caf", "webm", "mkv"}
    assert promised <= {form.container for form in FORMS}
    assert {"pcm_u8", "pcm_s16le", "pcm_s24le", "pcm_s32le", "pcm_f32le", "pcm_mulaw", "vorbis", "opus"} <= {
        form.codec for form in FORMS
    }


@every_form
def test_the_bout_comes_back(bouts: Path, form: Form) -> None:
    samples, info = read(bouts / form.name)
    assert (info.container, info.codec) == (form.container, form.codec)
    assert (info.channels, info.sample_rate_hz) == (form.channels, form.rate_hz)
    assert samples.dtype == np.float32
    assert samples.shape == (form.channels, round(info.duration_s * form.rate_hz))
    assert info.duration_s == pytest.approx(DURATION_S, abs=0.06)
    _assert_times(samples[0], form.rate_hz, form)
    assert spacing_hz(samples[0], form.rate_hz) == pytest.approx(
        F0_HZ, rel=0.01 if "amr" in form.codec else 0.003
    )
    assert (info.damaged_packets, info.damaged_from_s) == (0, None)
    assert not info.silent
    assert info.clipped_fraction == 0


def _assert_times(samples: NDArray[np.float32], rate_hz: int, form: Form) -> None:
    """The edges lie where they lie in the sound that was written."""
    true_start_s, true_end_s = edges_s(make_bout(channels=1)[0], RATE_HZ)
    assert true_start_s == pytest.approx(START_S, abs=0.002)
    assert true_end_s == pytest.approx(END_S, abs=0.002)
    start_s, end_s = edges_s(samples, rate_hz)
    assert start_s == pytest.approx(true_start_s, abs=form.edge_s)
    assert end_s == pytest.approx(true_end_s, abs=form.edge_s)


@every_form
def test_times_hold_after_a_change_of_rate(bouts: Path, form: Form) -> None:
    samples, info = read(bouts / form.name, rate_hz=6000)
    assert info.sample_rate_hz == form.rate_hz  # the file's, not ours
    assert samples.shape[1] / 6000 == pytest.approx(info.duration_s, abs=2 / 6000)
    _assert_times(samples[0], 6000, form)


@pytest.mark.parametrize("form", [f for f in FORMS if f.channels == 2], ids=lambda form: form.name)
def test_channels_stay_apart(bouts: Path, form: Form) -> None:
    samples, _ = read(bouts / form.name)
    left, right = (np.sqrt(np.mean(np.square(c, dtype=np.float64))) for c in samples)
    assert left / right == pytest.approx(2.0, rel=0.05)


@every_form
def test_date_and_place_where_the_format_has_them(bouts: Path, form: Form) -> None:
    _, info = read(bouts / form.name)
    written = {
        "utc": (WHEN.astimezone(dt.UTC).isoformat(), "container"),
        "zone": (WHEN.isoformat(), "container"),
        "bext": ("2026-07-14T15:30:12", "bext"),  # local time, no zone
    }
    if form.date is None:
        assert info.recorded_at_source == "file time"
    else:
        assert (info.recorded_at, info.recorded_at_source) == written[form.date]
    if form.place:
        assert info.latitude_deg == pytest.approx(LATITUDE_DEG, abs=1e-4)
        assert info.longitude_deg == pytest.approx(LONGITUDE_DEG, abs=1e-4)
        assert info.place_source == "container"
    else:
        assert (info.latitude_deg, info.longitude_deg, info.place_source) == (None, None, None)
    assert info.device == (DEVICE if form.device else None)


@every_form
def test_the_name_of_a_file_does_not_matter(bouts: Path, form: Form, tmp_path: Path) -> None:
    renamed = tmp_path / "notes.txt"
    renamed.write_bytes((bouts / form.name).read_bytes())
    assert np.array_equal(read(renamed)[0], read(bouts / form.name)[0])


# -- against other decoders ------------------------------------------------------------------------

LIBSNDFILE = [
    f for f in FORMS if f.suffix in (".wav", ".rf64", ".flac", ".aiff") or f.name in ("vorbis.ogg", "mp3.mp3")
]


@pytest.mark.parametrize("form", LIBSNDFILE, ids=lambda form: form.name)
def test_samples_agree_with_libsndfile(bouts: Path, form: Form) -> None:
    theirs, rate_hz = soundfile.read(bouts / form.name, dtype="float32")
    ours, info = read(bouts / form.name)
    assert rate_hz == info.sample_rate_hz
    lossless = form.codec not in ("vorbis", "mp3")
    # two float decoders of a lossy codec differ by rounding; G.711 tables by nothing
    np.testing.assert_allclose(ours.T, theirs, rtol=0, atol=0 if lossless else 2e-5)


@pytest.mark.parametrize(
    ("codec", "scale", "middle"),
    [("pcm_u8", 128, 128), ("pcm_s16le", 2**15, 0), ("pcm_s32le", 2**31, 0), ("pcm_f32le", 1, 0)],
)
def test_samples_agree_with_scipy(bouts: Path, codec: str, scale: float, middle: float) -> None:
    with pytest.warns(wavfile.WavFileWarning, match="Chunk"):  # scipy says that it skips bext
        rate_hz, theirs = wavfile.read(bouts / f"{codec}.wav")
    ours, _ = read(bouts / f"{codec}.wav")
    assert rate_hz == RATE_HZ
    np.testing.assert_allclose(ours.T, (theirs.astype(np.float64) - middle) / scale, rtol=0, atol=2e-8)


@pytest.mark.parametrize("codec", ["pcm_s24le", "pcm_s32le", "pcm_f32le", "pcm_f64le"])
def test_fine_formats_keep_fine_samples(bouts: Path, codec: str) -> None:
    np.testing.assert_allclose(read(bouts / f"{codec}.wav")[0], make_bout(), rtol=0, atol=2**-23)


# -- formats nobody here can write -----------------------------------------------------------------


def test_24_bits_kept_in_32_are_read(tmp_path: Path) -> None:
    """As Windows hands on what many interfaces give; FFmpeg takes them for floats of another age."""
    sound = np.random.default_rng(2).integers(-(2**23), 2**23, 3000)
    kind = bytes.fromhex("0100000000001000800000aa00389b71")  # KSDATAFORMAT_SUBTYPE_PCM (memory)
    form = struct.pack("<HHIIHHHHI", 0xFFFE, 1, RATE_HZ, 4 * RATE_HZ, 4, 32, 22, 24, 4) + kind
    body = b"WAVEfmt " + struct.pack("<I", len(form)) + form
    body += b"data" + struct.pack("<I", 4 * len(sound)) + (sound << 8).astype("<i4").tobytes()
    (tmp_path / "x.wav").write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
    samples, info = read(tmp_path / "x.wav")
    np.testing.assert_array_equal(samples[0], (sound / 2**23).astype(np.float32))
    assert (info.codec, info.damaged_packets) == ("pcm_s32le", 0)


# bytes of speech in a frame of each mode of AMR-WB (RFC 4867, 4.3.3 and table 2; memory)
AMR_WB_BYTES = (17, 23, 32, 36, 40, 46, 50, 58, 60)


@pytest.mark.parametrize("mode", [0, 2, 8])
def test_amr_wideband_is_read(tmp_path: Path, mode: int) -> None:
    """There is no free AMR-WB encoder in FFmpeg's wheel: frames with random bits stand in for speech."""
    random = np.random.default_rng(mode)
    path = tmp_path / "bout.amr"
    frames = [
        bytes([mode << 3 | 4]) + random.integers(0, 256, AMR_WB_BYTES[mode], dtype=np.uint8).tobytes()
        for _ in range(150)
    ]
    path.write_bytes(b"#!AMR-WB\n" + b"".join(frames))
    samples, info = read(path)
    assert (info.container, info.codec, info.sample_rate_hz) == ("amr", "amr_wb", 16_000)
    assert info.duration_s == pytest.approx(3.0)  # 20 ms a frame (RFC 4867, 1; memory)
    assert samples.shape == (1, 48_000)
    assert info.damaged_packets == 0
