"""Writing: what is refused, and that nothing half-written is left."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
import soundfile

from wingtone.audio import read
from wingtone.audio.encode import FORMATS, write_encoded
from wingtone.errors import OutputError

from .bout import FORMS, RATE_HZ, make_bout

if TYPE_CHECKING:
    from pathlib import Path


def test_every_suffix_is_tested() -> None:
    assert set(FORMATS) == {form.suffix for form in FORMS}


@pytest.mark.parametrize(
    ("name", "options", "what"),
    [
        ("x.xyz", {}, "unknown sound format"),
        ("x.wav", {"codec": "aac"}, "cannot hold aac"),
        ("x.wav", {"video": True}, "cannot hold video"),
        ("gone/x.wav", {}, "No such file"),
    ],
)
def test_refusals(tmp_path: Path, name: str, options: dict[str, Any], what: str) -> None:
    with pytest.raises(OutputError, match=what) as caught:
        write_encoded(tmp_path / name, make_bout(), rate_hz=RATE_HZ, **options)
    assert caught.value.remedy
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("shape", [(0,), (2, 0), (1, 2, 3)])
def test_shapes(tmp_path: Path, shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="n_channels"):
        write_encoded(tmp_path / "x.wav", np.zeros(shape, np.float32), rate_hz=8000)


def test_a_failed_write_leaves_what_was_there(tmp_path: Path) -> None:
    path = tmp_path / "x.m4a"
    path.write_text("precious")
    with pytest.raises(OutputError, match="could not be written"):
        write_encoded(
            path, np.zeros((1, 8000), np.float32), rate_hz=12_345, codec="aac"
        )  # AAC has no such rate
    assert path.read_text() == "precious"
    assert list(tmp_path.iterdir()) == [path]


def test_full_scale_is_clipped_not_wrapped(tmp_path: Path) -> None:
    write_encoded(tmp_path / "x.wav", np.array([[1.5, -1.5, 1.0, 0.0]], np.float32), rate_hz=8000)
    theirs, _ = soundfile.read(tmp_path / "x.wav", dtype="int16")
    assert theirs.tolist() == [32_767, -32_768, 32_767, 0]


def test_one_dimension_is_one_channel(tmp_path: Path) -> None:
    write_encoded(tmp_path / "x.wav", make_bout(channels=1)[0], rate_hz=RATE_HZ)
    assert soundfile.info(tmp_path / "x.wav").channels == 1


@pytest.mark.parametrize("name", ["x.wav", "x.flac"])
def test_many_channels(tmp_path: Path, name: str) -> None:
    sound = np.random.default_rng(0).uniform(-0.5, 0.5, (6, 4000)).astype(np.float32)
    write_encoded(tmp_path / name, sound, rate_hz=8000)
    theirs, _ = soundfile.read(tmp_path / name, dtype="float32")
    np.testing.assert_allclose(theirs.T, sound, rtol=0, atol=0.51 / 32_768)


def test_bit_rate_is_kept(tmp_path: Path) -> None:
    noise = np.random.default_rng(0).normal(0, 0.1, (1, 10 * RATE_HZ)).astype(np.float32)
    sizes = []
    for bit_rate in (32_000, 128_000):
        write_encoded(tmp_path / "x.mp3", noise, rate_hz=RATE_HZ, bit_rate=bit_rate)
        sizes.append((tmp_path / "x.mp3").stat().st_size)
    assert sizes == [pytest.approx(40_000, rel=0.05), pytest.approx(160_000, rel=0.05)]


def test_a_date_without_zone_stays_without(tmp_path: Path) -> None:
    write_encoded(
        tmp_path / "x.flac", make_bout(), rate_hz=RATE_HZ, creation=dt.datetime(2026, 7, 14, 15, 30)
    )
    assert read(tmp_path / "x.flac")[1].recorded_at == "2026-07-14T15:30:00"


def test_nothing_is_written_that_was_not_given(tmp_path: Path) -> None:
    for suffix in FORMATS:
        path = tmp_path / f"x{suffix}"
        write_encoded(path, make_bout(), rate_hz=RATE_HZ)
        info = read(path)[1]
        assert (info.recorded_at_source, info.latitude_deg, info.device) == ("file time", None, None)
