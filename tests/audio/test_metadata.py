"""When, where and with what: each source, its rank, and what must not be taken for one."""

from __future__ import annotations

import datetime as dt
import io
import os
import struct
from typing import TYPE_CHECKING

import av
import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from wingtone.audio import open_recording
from wingtone.audio.encode import write_encoded
from wingtone.audio.metadata import date_from_name, parse_date, parse_iso6709, provenance, riff_texts

if TYPE_CHECKING:
    from pathlib import Path


# -- places: the examples of ISO 6709:2008, Annex H (from memory), all the same point ---------------


@pytest.mark.parametrize(
    "text",
    [
        "+40.20361-075.00417CRSxxxx/",
        "+4012.22-07500.25CRSxxxx/",
        "+401213.1-0750015.1+2.79CRSxxxx/",
        "+40.20361-075.00417+350.517CRSxxxx/",
        "+40.20361-075.00417/",
        "+40.20361-075.00417",
    ],
)
def test_examples_of_the_standard(text: str) -> None:
    assert parse_iso6709(text) == pytest.approx((40.2036, -75.0042), abs=1e-4)


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("+40-075CRSxxxx/", (40.0, -75.0)),
        ("+00-025/", (0.0, -25.0)),
        ("+90+000/", (90.0, 0.0)),
        ("-33.8688+151.2093+058.000/", (-33.8688, 151.2093)),
        ("-0030-00030/", (-0.5, -0.5)),
    ],
)
def test_other_places(text: str, place: tuple[float, float]) -> None:
    assert parse_iso6709(text) == pytest.approx(place)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "a garden",
        "+00.0000+000.0000/",  # a phone without a fix
        "+91+000/",
        "+45+181/",
        "+4060-00000/",  # sixty minutes
        "+51.46-0.30/",  # longitude needs three digits
        "51.46,-0.30",
        "+51.46",
        "+99999999999-1/",
    ],
)
def test_no_place(text: str) -> None:
    assert parse_iso6709(text) is None


@given(st.floats(-90, 90), st.floats(-180, 180))
def test_decimal_degrees_round_trip(latitude_deg: float, longitude_deg: float) -> None:
    text = f"{latitude_deg:+010.6f}{longitude_deg:+011.6f}/"
    place = parse_iso6709(text)
    if place is None:
        assert abs(latitude_deg) < 1e-6
        assert abs(longitude_deg) < 1e-6
    else:
        assert place == pytest.approx((latitude_deg, longitude_deg), abs=1e-6)


# -- dates in tags ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "date"),
    [
        ("2026-07-14T15:30:12+0100", "2026-07-14T15:30:12+01:00"),  # Apple's creation date
        ("2026-07-14T15:30:12.000000Z", "2026-07-14T15:30:12+00:00"),
        ("2026-07-14 15:30:12", "2026-07-14T15:30:12"),
        ("2026:07:14 15:30:12", "2026-07-14T15:30:12"),
        ("2026-07-14T15:30-03:30", "2026-07-14T15:30:00-03:30"),
        ("2026-07-14", "2026-07-14"),
        ("  2026-07-14\0", "2026-07-14"),
        ("1904-01-01T00:00:00Z", None),  # the zeros of MP4 and of Unix
        ("1970-01-01T00:00:00.000000Z", None),
        ("0000-00-00 00:00:00", None),
        ("2026", None),
        ("2026-02-30", None),
        ("2026-07-14T25:00:00", None),
        ("2026-07-14T15:30:12+99:00", None),
        ("14 July 2026", None),
        ("", None),
    ],
)
def test_dates_in_tags(text: str, date: str | None) -> None:
    assert parse_date(text) == date


@given(st.datetimes(dt.datetime(1990, 1, 1), dt.datetime(2099, 12, 31)), st.integers(-12 * 4, 14 * 4))
def test_what_the_standard_library_writes_is_read(moment: dt.datetime, quarters: int) -> None:
    zoned = moment.replace(microsecond=0, tzinfo=dt.timezone(dt.timedelta(minutes=15 * quarters)))
    read_back = parse_date(zoned.isoformat())
    assert read_back is not None
    assert dt.datetime.fromisoformat(read_back) == zoned


# -- dates in file names: common practice of phones and recorders, no source -------------------------

AT = "2026-07-14T15:30:12"


@pytest.mark.parametrize(
    ("name", "date"),
    [
        ("20260714_153012.wav", AT),
        ("VID_20260714_153012.3gp", AT),
        ("PXL_20260714_153012345.mp4", AT),
        ("PXL_20260714_153012345.LS.mp4", AT),
        ("2026-07-14 15.30.12.m4a", AT),
        ("2026-07-14T15-30-12.wav", AT),
        ("2026-07-14T153012.wav", AT),
        ("Screen 2026-07-14 at 15.30.12.mov", AT),
        ("WhatsApp Video 2026-07-14 at 15.30.12.mp4", AT),
        ("WhatsApp Audio 2026-07-14 at 3.30.12 PM.ogg", AT),
        ("WhatsApp Audio 2026-07-14 at 12.05.00 AM.ogg", "2026-07-14T00:05:00"),
        ("Voice 260714_153012.m4a", AT),
        ("260714-153012.WAV", AT),
        ("20260714153012.amr", AT),
        ("REC20260714153012.mp3", AT),
        ("garden_2026_07_14_15_30_12.wav", AT),
        ("2026-07-14-15h30m12s.wav", AT),
        ("20260714T153012Z.wav", AT + "+00:00"),
        ("20260714T153012+0100.wav", AT + "+01:00"),
        ("20260714T153012-0500.wav", AT + "-05:00"),
        ("20260714_153012-0001.wav", AT),  # a running number, not a zone
        ("A1234_20260714_153012.wav", AT),
        ("A1234_20260714$153012.wav", AT),  # as some recorders have it (memory)
        ("1784043012345.m4a", AT + "+00:00"),
        ("2026-07-14 15.30.wav", "2026-07-14T15:30:00"),
        ("AUD-20260714-WA0012.opus", "2026-07-14"),
        ("2026-07-14_0012.wav", "2026-07-14"),  # a running number, not a time
        ("IMG_20260714.mov", "2026-07-14"),
        ("2026.07.14.wav", "2026-07-14"),
        ("14-07-2026.wav", "2026-07-14"),
        ("19991231_235959.wav", "1999-12-31T23:59:59"),
    ],
)
def test_dates_in_names(name: str, date: str) -> None:
    assert date_from_name(name) == date


@pytest.mark.parametrize(
    "name",
    [
        "Recording (3).m4a",
        "New Recording 12.m4a",
        "DJI_0001.mp4",
        "ZOOM0001.WAV",
        "Flor23.flac",
        "1-100210-A-36.flac",
        "456440__robin-single-13.ogg",
        "198-209-0000.ogg",
        "12345678.wav",
        "99999999_999999.wav",
        "20261399_999999.wav",
        "2026-13-14.wav",
        "07-14-2026.wav",  # month first
        "12-07-2026.wav",  # could be either
        "5012345678900.mp3",  # a bar code
        "07700900123.m4a",  # a telephone number kept for fiction
        "18991231.wav",
        "1202607141.wav",  # more digits around it
        "sample44100_48000.wav",
        "",
    ],
)
def test_no_dates_in_names(name: str) -> None:
    assert date_from_name(name) is None


@given(st.text(max_size=60))
def test_any_name_gives_a_date_or_nothing(name: str) -> None:
    date = date_from_name(name)
    assert date is None or dt.datetime.fromisoformat(date).year >= 1990


# -- rank ------------------------------------------------------------------------------------------


def test_the_order_of_trust(tmp_path: Path) -> None:
    path = tmp_path / "20260714_153012.wav"
    path.touch()
    os.utime(path, (1_000_000_000, 1_000_000_000))  # 2001-09-09
    bext = {"bext date": "2026-07-12", "bext time": "09:00:00"}
    dated, bare = {"creation_time": "2026-07-11T08:00:00Z"}, {"icrd": "2026-07-10"}

    def origin(tags: dict[str, str], riff: dict[str, str]) -> tuple[str | None, str | None]:
        found = provenance(path, tags=tags, riff=riff)
        return found.recorded_at, found.recorded_at_source

    assert origin(dated, bext | bare) == ("2026-07-11T08:00:00+00:00", "container")
    assert origin({}, bext | bare) == ("2026-07-12T09:00:00", "bext")
    assert origin({}, bare) == ("2026-07-10", "container")
    assert origin({}, {}) == ("2026-07-14T15:30:12", "file name")
    plain = path.rename(tmp_path / "bee.wav")
    found = provenance(plain, tags={})
    assert found.recorded_at_source == "file time"
    assert dt.datetime.fromisoformat(found.recorded_at or "").timestamp() == 1_000_000_000
    assert provenance(tmp_path / "gone.wav", tags={}).recorded_at is None


def test_a_clock_never_set_is_passed_over(tmp_path: Path) -> None:
    tags = {"creation_time": "1970-01-01T00:00:00.000000Z", "date": "2026-07-14"}
    assert provenance(tmp_path / "x.mp4", tags=tags).recorded_at == "2026-07-14"


def test_the_zone_goes_before_utc(tmp_path: Path) -> None:
    tags = {
        "creation_time": "2026-07-14T14:30:12.000000Z",
        "com.apple.quicktime.creationdate": "2026-07-14T15:30:12+0100",
    }
    assert provenance(tmp_path / "x.mov", tags=tags).recorded_at == "2026-07-14T15:30:12+01:00"


@pytest.mark.parametrize(
    ("comment", "date", "device"),
    [
        (
            "Recorded at 15:30:12 14/07/2026 (UTC) by Logger 24F3190 at medium gain",
            AT + "+00:00",
            "Logger 24F3190",
        ),
        ("Recorded at 15:30:12 14/07/2026 (UTC+1) by Logger 7 with a low battery", AT + "+01:00", "Logger 7"),
        ("Recorded at 15:30:12 14/07/2026 (UTC-3:30)", AT + "-03:30", None),
    ],
)
def test_recorders_that_write_a_sentence(tmp_path: Path, comment: str, date: str, device: str | None) -> None:
    found = provenance(tmp_path / "x.wav", tags={}, riff={"icmt": comment})
    assert (found.recorded_at, found.recorded_at_source, found.device) == (date, "container", device)


@pytest.mark.parametrize(
    ("tags", "device"),
    [
        ({"com.apple.quicktime.make": "Maker", "com.apple.quicktime.model": "Phone 9"}, "Maker Phone 9"),
        ({"com.android.manufacturer": "Maker", "com.android.model": "Maker Phone"}, "Maker Phone"),
        ({"encoder": "com.apple.VoiceMemos (Phone 9)"}, "com.apple.VoiceMemos (Phone 9)"),
        ({"encoder": "Lavf62.12.102"}, None),
        ({"make": "x\x1b[31m\n\u202e", "model": "y" * 500}, "x [31m " + "y" * 113),
        ({}, None),
    ],
)
def test_devices(tmp_path: Path, tags: dict[str, str], device: str | None) -> None:
    assert provenance(tmp_path / "x.mp4", tags=tags).device == device


# -- bext and LIST INFO ------------------------------------------------------------------------------


def _chunk(kind: bytes, body: bytes) -> bytes:
    return kind + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def _wav(*before: bytes, after: bytes = b"") -> bytes:
    form = _chunk(b"fmt ", struct.pack("<HHIIHH", 1, 1, 8000, 16_000, 2, 16))
    body = b"WAVE" + form + b"".join(before) + _chunk(b"data", b"\1\2" * 500) + after
    return _chunk(b"RIFF", body)


# EBU Tech 3285 version 2, 2.3 (secondary): field lengths, in order; 602 bytes before the coding history
BEXT_FIELDS = {
    "Description": 256,
    "Originator": 32,
    "OriginatorReference": 32,
    "OriginationDate": 10,
    "OriginationTime": 8,
    "TimeReference": 8,
    "Version": 2,
    "UMID": 64,
    "Loudness": 10,
    "Reserved": 180,
}


def _bext(date: bytes, time: bytes, history: bytes = b"") -> bytes:
    values = {
        "Description": b"bees",
        "Originator": b"Recorder One",
        "OriginationDate": date,
        "OriginationTime": time,
    }
    body = b"".join(values.get(name, b"").ljust(n, b"\0") for name, n in BEXT_FIELDS.items())
    assert len(body) == 602
    return _chunk(b"bext", body + history)


@pytest.mark.parametrize(
    ("date", "time"),
    [
        (b"2026-07-14", b"15:30:12"),
        (b"2026:07:14", b"15-30-12"),
        (b"2026_07_14", b"15.30.12"),
        (b"2026 07 14", b"15 30 12"),
    ],
)
@pytest.mark.parametrize("where", ["before", "after"])
def test_bext(tmp_path: Path, date: bytes, time: bytes, where: str) -> None:
    """The standard recommends hyphen, underscore, colon, space or stop between the numbers."""
    chunk = _bext(date, time, b"A=PCM,F=8000,W=16,M=mono\r\n")
    path = tmp_path / "x.wav"
    path.write_bytes(_wav(chunk) if where == "before" else _wav(after=chunk))
    with open_recording(path) as recording:
        info = recording.info
    assert (info.recorded_at, info.recorded_at_source, info.device) == (AT, "bext", "Recorder One")


def test_bext_as_ffmpeg_writes_and_reads_it(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    write_encoded(
        path,
        np.zeros((1, 8000), np.float32) + 0.1,
        rate_hz=8000,
        creation=dt.datetime(2026, 7, 14, 15, 30, 12),
    )
    with path.open("rb") as file:
        ours = riff_texts(file)
    with av.open(str(path)) as container:
        theirs = dict(container.metadata)
    assert ours["bext date"] == theirs["date"] == "2026-07-14"
    assert ours["bext time"] == theirs["creation_time"] == "15:30:12"


def test_list_info_as_libsndfile_writes_it(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    with soundfile.SoundFile(path, "w", 8000, 1) as file:
        file.date, file.comment, file.software = "2026-07-14", "in the garden", "Editor"
        file.write(np.full(800, 0.1))
    with path.open("rb") as raw:
        found = riff_texts(raw)
    assert found["icrd"] == "2026-07-14"
    assert found["icmt"] == "in the garden"
    with open_recording(path) as recording:
        assert (recording.info.recorded_at, recording.info.recorded_at_source) == ("2026-07-14", "container")


def test_chunks_that_lie(tmp_path: Path) -> None:
    assert riff_texts(io.BytesIO(b"")) == {}
    assert riff_texts(io.BytesIO(b"RIFF\0\0\0\0WAVEbext\xff\xff\xff\xff" + b"x" * 50)) == {}
    assert riff_texts(io.BytesIO(b"RIFF\0\0\0\0WAVELIST\xff\xff\xff\x7fINFOICMT\xff\xff\xff\x7fhello")) == {
        "icmt": "hello"
    }
    endless = b"RIFF\0\0\0\0WAVE" + _chunk(b"junk", b"") * 5000 + _bext(b"2026-07-14", b"15:30:12")
    assert riff_texts(io.BytesIO(endless)) == {}
    long = _chunk(b"LIST", b"INFO" + _chunk(b"ICMT", b"a" * 1_000_000))
    assert len(riff_texts(io.BytesIO(b"RIFF\0\0\0\0WAVE" + long))["icmt"]) <= 4096
    latin = _chunk(b"LIST", b"INFO" + _chunk(b"IART", b"jard\xedn"))
    assert riff_texts(io.BytesIO(b"RIFF\0\0\0\0WAVE" + latin))["iart"] == "jardín"


@given(st.binary(max_size=400))
def test_any_bytes_give_texts_or_nothing(body: bytes) -> None:
    assert all(isinstance(text, str) for text in riff_texts(io.BytesIO(b"RIFF\0\0\0\0WAVE" + body)).values())


def test_rf64_chunks_behind_a_long_sound() -> None:
    """ds64 gives the true length of data, whose own says only "see there" (EBU Tech 3306; memory)."""
    sound = b"\0" * 1001
    ds64 = _chunk(b"ds64", struct.pack("<QQQI", 0, len(sound), 0, 0))
    body = (
        b"RF64\xff\xff\xff\xffWAVE"
        + ds64
        + b"data\xff\xff\xff\xff"
        + sound
        + b"\0"
        + _bext(b"2026-07-14", b"15:30:12")
    )
    assert riff_texts(io.BytesIO(body))["bext date"] == "2026-07-14"
