"""Bouts as Broadcast Wave files: fields at the published offsets, sound untouched, read by others."""

from __future__ import annotations

import datetime as dt
import hashlib
import struct
from dataclasses import replace
from typing import TYPE_CHECKING

import av
import numpy as np
import pytest
import soundfile

from notebook.examples import example
from wingtone.errors import OutputError
from wingtone.notebook.clips import bext_chunk, write_clips
from wingtone.notebook.records import BoutNote, RecordingNote
from wingtone.notebook.store import Entry

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    Sound = tuple[Path, NDArray[np.int16]]

RATE_HZ = 8000


def chunks_of(path: Path) -> dict[str, bytes]:
    """A slow and obvious reader of RIFF chunks, after the standard."""
    data = path.read_bytes()
    assert data[:4] == b"RIFF"
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8
    assert data[8:12] == b"WAVE"
    found, at = {}, 12
    while at < len(data):
        size = struct.unpack("<I", data[at + 4 : at + 8])[0]
        found[data[at : at + 4].decode()] = data[at + 8 : at + 8 + size]
        at += 8 + size + size % 2
    assert at == len(data)
    return found


@pytest.fixture
def sound(tmp_path: Path) -> Sound:
    chance = np.random.default_rng(7)
    samples = chance.integers(-20_000, 20_000, size=(RATE_HZ * 25, 2), dtype=np.int16)
    path = tmp_path / "kew 12.wav"
    soundfile.write(path, samples, RATE_HZ, subtype="PCM_16")
    return path, samples


def entry_for(path: Path, *bouts: BoutNote, recorded_at: str = "2026-03-20T10:32:05+01:00") -> Entry:
    recording = RecordingNote(
        path=str(path),
        sha256=hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "",
        duration_s=25.0,
        sample_rate_hz=RATE_HZ,
        recorded_at=recorded_at,
        bouts=bouts,
    )
    record = example(recording=recording)
    return Entry(7, "12345678-1234-4123-8123-123456789abc", 1, False, "2026-03-21T00:00:00+00:00", record)


FLIGHT = BoutNote("flight", 1.25, 3.5, 146.2, 144.9, 147.5)


def test_the_sound_is_only_cut(tmp_path: Path, sound: Sound) -> None:
    path, samples = sound
    later = (BoutNote("sonication", 5.0, 6.0), BoutNote("flight", 9.5, 12.0), BoutNote("flight", 24.0, 25.0))
    written = write_clips([entry_for(path, FLIGHT, *later)], tmp_path / "out")
    assert [file.name for file in written.files] == [f"00007-{i}-Bombus-terrestris.wav" for i in (1, 2, 3)]
    assert written.missing == ()
    for file, (start_s, end_s) in zip(written.files, [(0.75, 4.0), (9.0, 12.5), (23.5, 25.0)], strict=True):
        read, rate_hz = soundfile.read(file, dtype="int16")
        assert rate_hz == RATE_HZ
        np.testing.assert_array_equal(read, samples[round(start_s * RATE_HZ) : round(end_s * RATE_HZ)])


def test_bext_fields_stand_at_the_published_offsets(tmp_path: Path, sound: Sound) -> None:
    # EBU Tech 3285 v2: 256 Description, 32 Originator, 32 OriginatorReference, 10 OriginationDate,
    # 8 OriginationTime, 8 TimeReference, 2 Version, 64 UMID, 10 loudness, 180 reserved = 602 (secondary).
    (file,) = write_clips([entry_for(sound[0], FLIGHT)], tmp_path).files
    bext = chunks_of(file)["bext"]
    assert bext[:256].rstrip(b"\0") == (
        b"Bombus terrestris, queen, decided; flight 146.2 Hz; 2026-03-20T10:32:05+00:00; A. Recorder"
    )
    assert bext[256:288].rstrip(b"\0").startswith(b"wingtone ")
    assert bext[288:320] == b"12345678123441238123123456789abc"
    assert bext[320:330] == b"2026-03-20"
    assert bext[330:338] == b"10:32:05"
    since_midnight_s = 10 * 3600 + 32 * 60 + 5 + 0.75
    assert struct.unpack("<Q", bext[338:346])[0] == round(since_midnight_s * RATE_HZ)
    assert struct.unpack("<H", bext[346:348])[0] == 2
    assert bext[348:412] == bytes(64)
    assert struct.unpack("<5h", bext[412:422]) == (0x7FFF,) * 5
    assert bext[422:602] == bytes(180)
    assert bext[602:].startswith(b"A=PCM,F=8000,W=16,M=stereo,T=wingtone")
    assert bext.endswith(b"\r\n")


def test_another_library_reads_the_fields_and_the_labels(tmp_path: Path, sound: Sound) -> None:
    (file,) = write_clips([entry_for(sound[0], FLIGHT)], tmp_path).files
    with av.open(str(file)) as container:
        tags = container.metadata
        chapters = [(chapter["start"], chapter["metadata"]["title"]) for chapter in container.chapters()]
    assert tags["date"] == "2026-03-20"
    assert tags["creation_time"] == "10:32:05"
    assert tags["encoded_by"].startswith("wingtone")  # its name for the originator
    assert int(tags["time_reference"]) == round((37925 + 0.75) * RATE_HZ)
    assert tags["comment"].startswith("Bombus terrestris, queen")
    # The bout starts half a second into the clip and lasts 2.25 s.
    assert chapters == [(round(0.5 * RATE_HZ), "flight 146.2 Hz"), (round(2.75 * RATE_HZ), "end")]


def test_the_length_of_the_bout_is_marked(tmp_path: Path, sound: Sound) -> None:
    (file,) = write_clips([entry_for(sound[0], FLIGHT)], tmp_path).files
    found = chunks_of(file)
    assert list(found) == ["bext", "fmt ", "data", "cue ", "LIST"]
    at = found["LIST"].index(b"ltxt")
    assert struct.unpack("<II4s", found["LIST"][at + 8 : at + 20]) == (1, round(2.25 * RATE_HZ), b"rgn ")


@pytest.mark.parametrize(
    ("start", "day", "clock"),
    [
        (dt.date(2026, 3, 20), b"2026-03-20", bytes(8)),
        (None, bytes(10), bytes(8)),
        (dt.datetime(2026, 3, 20, 23, 59, 59, 600_000), b"2026-03-20", b"23:59:59"),
    ],
)
def test_what_is_not_known_stays_empty(start: dt.date | None, day: bytes, clock: bytes) -> None:
    chunk = bext_chunk(description="é" * 300, reference="", start=start, rate_hz=48_000, channels=1)
    assert chunk[8:264] == b"?" * 256
    assert chunk[8 + 320 : 8 + 330] == day
    assert chunk[8 + 330 : 8 + 338] == clock
    size = struct.unpack("<I", chunk[4:8])[0]
    assert chunk[8 + size - 2 : 8 + size] == b"\r\n"
    assert len(chunk) == 8 + size + size % 2  # chunks are padded to an even length


def test_a_time_that_was_not_understood_stays_empty(tmp_path: Path, sound: Sound) -> None:
    (file,) = write_clips([entry_for(sound[0], FLIGHT, recorded_at="")], tmp_path).files
    assert chunks_of(file)["bext"][320:346] == bytes(26)


def test_what_cannot_be_cut_is_told_and_the_rest_is_done(tmp_path: Path, sound: Sound) -> None:
    path, _ = sound
    good = entry_for(path, FLIGHT)
    gone = entry_for(tmp_path / "gone.wav", FLIGHT)
    silent = entry_for(path, BoutNote("sonication", 1.0, 2.0))
    by_eye = Entry(9, good.id, 1, False, "", example(recording=None))
    written = write_clips([by_eye, gone, silent, good], tmp_path / "out")
    assert len(written.files) == 1
    reasons = [reason for _, reason in written.missing]
    assert "no recording" in reasons[0]
    assert "not there any more" in reasons[1]
    assert "no flight" in reasons[2]


def test_a_moved_recording_is_found_by_name_and_proved_by_checksum(tmp_path: Path, sound: Sound) -> None:
    entry = entry_for(sound[0], FLIGHT)
    moved = tmp_path / "elsewhere"
    moved.mkdir()
    sound[0].rename(moved / sound[0].name)
    ((_, reason),) = write_clips([entry], tmp_path / "out").missing
    assert reason.endswith("(give the folder it now lies in with --clips)")
    assert len(write_clips([entry], tmp_path / "out", recordings=moved).files) == 1
    soundfile.write(moved / sound[0].name, np.zeros(RATE_HZ), RATE_HZ)
    ((_, reason),) = write_clips([entry], tmp_path / "out", recordings=moved).missing
    assert "no longer the recording" in reason


def test_names_of_files_hold_nothing_odd(tmp_path: Path, sound: Sound) -> None:
    entry = entry_for(sound[0], FLIGHT)
    record = example(taxon="../../etc/Bombus\n*?", recording=entry.record.recording)
    (file,) = write_clips([replace(entry, record=record)], tmp_path / "out").files
    assert file.parent == tmp_path / "out"
    assert file.name == "00007-1-etc-Bombus.wav"


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(OutputError, match="cannot make this folder"):
        write_clips([], tmp_path / "file" / "out")


def test_a_clip_is_written_anew_but_never_over_another_file(sound: Sound, tmp_path: Path) -> None:
    entry = entry_for(sound[0], FLIGHT)
    (file,) = write_clips([entry], tmp_path / "out").files
    first = file.read_bytes()
    assert write_clips([entry], tmp_path / "out").files == (file,)
    assert file.read_bytes() == first
    elsewhere = replace(entry, id="0" * 8 + entry.id[8:])  # the same number in another notebook
    ((number, reason),) = write_clips([elsewhere], tmp_path / "out").missing
    assert number == entry.number
    assert "another file has this name already" in reason
    assert file.read_bytes() == first


def test_a_bout_that_is_cut_off_has_no_end_in_its_clip(tmp_path: Path, sound: Sound) -> None:
    (file,) = write_clips([entry_for(sound[0], BoutNote("flight", 2.0, 30.0))], tmp_path).files
    found = chunks_of(file)
    samples = len(found["data"]) // 4
    assert samples == round((25.0 - 1.5) * RATE_HZ)
    assert struct.unpack("<III", found["cue "][:12])[:3] == (1, 1, round(0.5 * RATE_HZ))
    at = found["LIST"].index(b"ltxt")
    assert struct.unpack("<II", found["LIST"][at + 8 : at + 16]) == (1, samples - round(0.5 * RATE_HZ))
    assert b"end\0" not in found["LIST"]


def test_a_bout_behind_the_end_is_told(tmp_path: Path, sound: Sound) -> None:
    entry = entry_for(sound[0], FLIGHT, BoutNote("flight", 25.2, 27.0), BoutNote("flight", 90.0, 91.0))
    written = write_clips([entry], tmp_path / "out")
    assert len(written.files) == 1
    ((number, why),) = written.missing
    assert number == 7
    assert "its flight at 25.2 s lies behind the end of the recording" in why
    assert written.failed == (7,)


@pytest.mark.parametrize(("start_s", "end_s"), [(3.0, 1.0), (-5.0, -4.0)])
def test_a_bout_that_cannot_be_is_told(tmp_path: Path, sound: Sound, start_s: float, end_s: float) -> None:
    wrong = entry_for(sound[0], BoutNote("flight", start_s, end_s))
    written = write_clips([wrong, entry_for(sound[0], FLIGHT)], tmp_path / "out")
    assert (len(written.files), written.failed) == (1, (7,))
    assert f"its flight from {start_s:g} to {end_s:g} s is none" in written.missing[0][1]


def test_memory_holds_the_bout_not_the_recording(tmp_path: Path) -> None:
    import tracemalloc

    path = tmp_path / "long.wav"
    soundfile.write(path, np.zeros((RATE_HZ * 300, 2), np.int16), RATE_HZ, subtype="PCM_16")
    entry = entry_for(path, BoutNote("flight", 298.0, 299.0))
    write_clips([entry], tmp_path / "first")  # what is imported is not counted
    tracemalloc.start()
    try:
        (file,) = write_clips([entry], tmp_path / "out").files
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert file.stat().st_size > RATE_HZ * 4
    assert most < RATE_HZ * 300 * 2 * 4 / 2  # half of the recording as it is decoded
