"""What cannot be read says so in one line with a remedy, and nothing of the libraries below leaks."""

from __future__ import annotations

import errno
import io
import os
import re
import struct
from contextlib import suppress
from typing import TYPE_CHECKING

import av
import numpy as np
import pytest

from wingtone.audio import decode, open_recording, read, sha256_of
from wingtone.audio.decode import Decoder, foreign_errors
from wingtone.audio.encode import write_encoded
from wingtone.audio.sniff import Container
from wingtone.audio.structure import check_sizes
from wingtone.errors import RecordingError

from .bout import FORMS, Form, make_bout

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from av.audio.frame import AudioFrame


def refusal(path: Path) -> RecordingError:
    """The error that opening gives; it must be one line with a place and a remedy."""
    with pytest.raises(RecordingError) as caught:
        read(path)
    error = caught.value
    assert str(error).count("\n") == 0
    assert error.where == str(path)
    assert error.remedy
    return error


def test_missing_file_and_folder(tmp_path: Path) -> None:
    assert "no such file" in refusal(tmp_path / "gone.m4a").what
    assert "is a folder" in refusal(tmp_path).what
    with pytest.raises(RecordingError, match="check the name"):
        sha256_of(tmp_path / "gone.m4a")


def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.wav")
    assert "not an ordinary file" in refusal(tmp_path / "pipe.wav").what


@pytest.mark.parametrize(
    ("content", "what", "remedy"),
    [
        (b"", "is empty", "copy it again"),
        (b"\0" * 5000, "only zeros", "copy it again"),
        (b"Bees in the lavender, 14 July.\n", "is a text file", "reads WAV"),
        ("Bienen im Lavendel: über 20\n".encode() * 500, "is a text file", "reads WAV"),
        ("\ufeffbees".encode("utf-16"), "is a text file", "reads WAV"),
        (b"  <!DOCTYPE html>\n<html>", "is a web page", "fetch the file itself"),
        (b"#EXTM3U\n#EXTINF:9,\nhttp://127.0.0.1:9/a.ts\n", "is a text file", "reads WAV"),
        (b"ffconcat version 1.0\nfile other.wav\n", "is a text file", "reads WAV"),
        (b"v=0\r\no=- 0 0 IN IP4 127.0.0.1\r\n", "is a text file", "reads WAV"),
        (b'<?xml version="1.0"?><MPD></MPD>', "is a text file", "reads WAV"),
        (b"PK\x03\x04" + bytes(range(200)), "is a zip archive", "unpack"),
        (b"\xff\xd8\xff\xe0" + bytes(range(200)), "is a picture", "reads WAV"),
        (b"\0\0\0\x18ftypheic" + bytes(range(200)), "is a picture", "reads WAV"),
        (b"%PDF-1.7 ...", "is a PDF", "reads WAV"),
        (b"bplist00" + bytes(range(100)), "still in the cloud", "fetch it"),
        (bytes(range(1, 256)) * 40, "of an unknown kind", "reads WAV"),
        (b"ID3\4\0\0\x7f\x7f\x7f\x7f" + b"x" * 100, "of an unknown kind", "reads WAV"),
        (b"RIFF\x24\0\0\0WAVEfmt ", "no sound can be got out", "copy it again"),
        (b"#!AMR\n", "no sound in it", "copy it again"),
    ],
)
@pytest.mark.parametrize("name", ["bee.m4a", "bee.wav", "bee"])
def test_what_is_not_a_recording(tmp_path: Path, content: bytes, what: str, remedy: str, name: str) -> None:
    (tmp_path / name).write_bytes(content)
    error = refusal(tmp_path / name)
    assert what in error.what
    assert remedy in error.remedy


def test_video_without_sound(tmp_path: Path) -> None:
    path = tmp_path / "silent film.mp4"
    with av.open(str(path), "w") as container:
        picture = container.add_stream("mpeg4", rate=5)
        picture.width = picture.height = 64
        picture.pix_fmt = "yuv420p"
        for k in range(5):
            frame = av.VideoFrame.from_ndarray(np.zeros((64, 64, 3), np.uint8), format="rgb24")
            frame.pts = k
            container.mux(picture.encode(frame))
        container.mux(picture.encode(None))
    assert "video but no sound" in refusal(path).what


def test_a_track_that_cannot_be_decoded(tmp_path: Path) -> None:
    """Some phones add a track in a format of their own: the next one is taken, or the error says so."""
    path = tmp_path / "x.mkv"
    with av.open(str(path), "w") as container:
        streams = [container.add_stream(c, rate=8000, layout="mono") for c in ("pcm_u8", "pcm_s16le")]
        for stream, kind in zip(streams, (np.uint8, np.int16), strict=True):
            ramp = np.arange(8000).astype(kind)[None]
            name = "u8" if kind is np.uint8 else "s16"
            frame = av.AudioFrame.from_ndarray(ramp, format=name, layout="mono")
            frame.sample_rate, frame.pts = 8000, 0
            container.mux(stream.encode(frame))
    whole = path.read_bytes()
    assert whole.count(b"A_PCM/INT/LIT") == 2
    first = whole.replace(b"A_PCM/INT/LIT", b"A_XYZ/INT/LIT", 1)
    path.write_bytes(first)
    assert read(path)[1].codec == "pcm_s16le"
    path.write_bytes(first.replace(b"A_PCM/INT/LIT", b"A_XYZ/INT/LIT"))
    assert "in a format that cannot be decoded" in refusal(path).what


@pytest.mark.parametrize("suffix", [".m4a", ".3gp", ".mov"])
def test_cut_off_before_the_index(bouts: Path, tmp_path: Path, suffix: str) -> None:
    whole = (bouts / f"aac{suffix}").read_bytes()
    path = tmp_path / f"cut{suffix}"
    path.write_bytes(whole[: len(whole) // 2])
    error = refusal(path)
    assert "index is missing" in error.what
    assert "copy it again from the phone" in error.remedy


# -- headers that lie --------------------------------------------------------------------------------


def wav(
    channels: int, rate_hz: int, sound: bytes, *, bits: int = 16, kind: int = 1, claim: int | None = None
) -> bytes:
    """A WAV file with any header (EBU Tech 3285, 2; memory)."""
    step = channels * bits // 8
    form = struct.pack("<HHIIHH", 1, channels, rate_hz, rate_hz * step & 0xFFFFFFFF, step & 0xFFFF, bits)
    head = b"RIFF" + struct.pack("<I", 36 + len(sound)) + b"WAVEfmt " + struct.pack("<I", 16) + form
    return head + b"data" + struct.pack("<I", len(sound) if claim is None else claim) + sound


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (wav(33, 48_000, b"\1\2" * 33_000), "33 channels"),
        (wav(64, 48_000, b"\1\2" * 64_000), "64 channels"),
        (wav(65_535, 48_000, b"\1\2" * 65_535), "no sound in it"),
        (wav(0, 48_000, b"\1\2" * 1000), "no sound in it"),
        (wav(1, 999, b"\1\2" * 1000), "999 samples a second"),
        (wav(1, 768_001, b"\1\2" * 1000), "768001 samples a second"),
        (wav(1, 4_000_000_000, b"\1\2" * 1000), "no sound can be got out"),
        (wav(1, 0, b"\1\2" * 1000), "no sound can be got out"),
        (wav(1, 48_000, b"\0" * 8000, bits=64), "no sound can be got out"),
        (wav(1, 48_000, b""), "no sound in it"),
    ],
)
def test_impossible_headers(tmp_path: Path, content: bytes, what: str) -> None:
    (tmp_path / "x.wav").write_bytes(content)
    assert what in refusal(tmp_path / "x.wav").what


@pytest.mark.parametrize(("channels", "rate_hz"), [(32, 48_000), (1, 1000), (1, 768_000)])
def test_the_limits_themselves_are_read(tmp_path: Path, channels: int, rate_hz: int) -> None:
    (tmp_path / "x.wav").write_bytes(wav(channels, rate_hz, b"\1\2" * channels * 2000))
    samples, info = read(tmp_path / "x.wav")
    assert samples.shape == (channels, 2000)
    assert info.sample_rate_hz == rate_hz


def _swap(content: bytes, tag: bytes, offset: int, new: bytes) -> bytes:
    at = content.index(tag) + offset
    return content[:at] + new + content[at + len(new) :]


@pytest.mark.parametrize(
    ("name", "change"),
    [
        # stsz: 2**26 samples of one byte each; without our check FFmpeg took 2.4 GB for these 40 kB
        ("aac.m4a", lambda b: _swap(b, b"stsz", 8, struct.pack(">II", 1, 1 << 26))),
        ("aac.mov", lambda b: _swap(b, b"keys", 8, b"\x0f\xff\xff\xff")),
        ("aac.3gp", lambda b: _swap(b, b"moov", -4, b"\x7f\xff\xff\xff")),
        # LIST of 2 GB: FFmpeg took 2.1 GB and six seconds
        ("pcm_s16le.wav", lambda b: _swap(b, b"data", 0, b"LIST\xf0\xff\xff\x7fINFOICMT\0\xff\xff\x7f")),
        # the same behind the sound, whose length only ds64 knows
        ("pcm_s16le.rf64", lambda b: b + b"LIST\xf0\xff\xff\x7fINFOICMT\0\xff\xff\x7f"),
        ("pcm_s16be.aiff", lambda b: _swap(b, b"COMM", 0, b"NAME\x7f\xff\xff\xff")),
        ("alac.caf", lambda b: _swap(b, b"kuki", 4, struct.pack(">Q", 1 << 40))),
    ],
)
def test_claims_beyond_the_file_are_refused(
    bouts: Path, tmp_path: Path, name: str, change: Callable[[bytes], bytes]
) -> None:
    (tmp_path / name).write_bytes(change((bouts / name).read_bytes()))
    assert "more than the file can hold" in refusal(tmp_path / name).what


def test_a_false_table_deep_in_a_long_index_is_found(tmp_path: Path) -> None:
    """An index is searched a megabyte at a time: the table may lie across the seam."""
    table = b"stsz" + struct.pack(">III", 0, 1, 1 << 30)
    for lead in (10, (1 << 20) - 10, (1 << 20) - 4, 3 << 20):
        body = b"\0" * lead + table + b"\0" * 100
        box = struct.pack(">I", len(body) + 8) + b"moov" + body
        with pytest.raises(RecordingError, match="its index claims"):
            check_sizes(io.BytesIO(box), Container("mp4", "mov"), path=tmp_path)
        honest = box.replace(table, b"stsz" + struct.pack(">III", 0, 1, lead))
        check_sizes(io.BytesIO(honest), Container("mp4", "mov"), path=tmp_path)


def test_words_that_look_like_tables_are_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "x.m4a"
    comment = "donkeys and monkeys\nby the trunk of a turkeys\nkeys for\nthe shed"
    with av.open(str(path), "w", format="ipod") as container:
        container.metadata["comment"] = comment
        stream = container.add_stream("aac", rate=48_000, layout="mono")
        frame = av.AudioFrame.from_ndarray(
            np.full((1, 48_000), 0.1, np.float32), format="fltp", layout="mono"
        )
        frame.sample_rate = 48_000
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    assert comment.encode() in path.read_bytes()
    assert read(path)[1].duration_s == pytest.approx(1.0, abs=0.06)


def test_a_week_in_the_header_of_a_second(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    path.write_bytes(wav(1, 3550, b"\1\2\3\4" * 1775, claim=0xFFFFFFF0))
    samples, info = read(path)
    assert samples.shape == (1, 3550)
    assert (info.duration_s, info.damaged_packets, info.damaged_from_s) == (1.0, 1, 1.0)
    assert [remark.code for remark in info.remarks] == ["cut short", "weak date"]


# -- foreign errors ----------------------------------------------------------------------------------


def _every_kind(kind: type[av.FFmpegError]) -> set[type[av.FFmpegError]]:
    return {kind}.union(*(_every_kind(narrower) for narrower in kind.__subclasses__()))


@pytest.mark.parametrize("kind", sorted(_every_kind(av.FFmpegError), key=str))
def test_every_error_of_ffmpeg_is_mapped(tmp_path: Path, kind: type[av.FFmpegError]) -> None:
    with pytest.raises(RecordingError) as caught, foreign_errors(tmp_path / "x"):
        raise kind(errno.EIO, "message", "file")
    assert caught.value.remedy
    assert isinstance(caught.value.__cause__, kind)


@pytest.mark.parametrize(
    ("error", "what"),
    [
        (FileNotFoundError(errno.ENOENT, "no"), "no such file"),
        (PermissionError(errno.EACCES, "no"), "may not be read"),
        (IsADirectoryError(errno.EISDIR, "no"), "is a folder"),
        (OSError(errno.EIO, "Input/output error"), "Input/output error"),
        (MemoryError(), "more memory"),
        (ValueError("embedded null byte"), "damaged"),
        (RuntimeError("soxr"), "damaged"),
        (KeyError("x"), "damaged"),
        (UnicodeDecodeError("utf-8", b"\xff", 0, 1, "no"), "damaged"),
    ],
)
def test_errors_of_the_system_are_mapped(tmp_path: Path, error: Exception, what: str) -> None:
    with pytest.raises(RecordingError, match=what), foreign_errors(tmp_path / "x"):
        raise error


def test_our_own_errors_and_a_users_stop_pass_through(tmp_path: Path) -> None:
    own = RecordingError("x", where="y")
    with pytest.raises(RecordingError) as caught, foreign_errors(tmp_path / "x"):
        raise own
    assert caught.value is own
    with pytest.raises(KeyboardInterrupt), foreign_errors(tmp_path / "x"):
        raise KeyboardInterrupt


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.name)
def test_random_damage_never_leaks(
    bouts: Path, tmp_path: Path, form: Form, capfd: pytest.CaptureFixture[str]
) -> None:
    """Bytes changed, cut out and overwritten anywhere: sound or one of our errors, and silence on stderr."""
    whole = (bouts / form.name).read_bytes()
    random = np.random.default_rng(len(whole))
    path = tmp_path / form.name
    read_well = 0
    for _ in range(15):
        content = bytearray(whole)
        for _ in range(int(random.integers(1, 4))):
            at = int(random.choice([random.integers(0, 700), random.integers(len(whole))]))
            n = int(random.integers(1, 300))
            match random.integers(3):
                case 0:
                    content[at : at + 4] = random.choice(
                        [b"\x7f\xff\xff\xff", b"\0\0\0\0", b"\xff\xff\xff\x7f"]
                    )
                case 1:
                    content[at : at + n] = random.integers(0, 256, n, dtype=np.uint8).tobytes()
                case _:
                    del content[at : at + n]
        path.write_bytes(content)
        with suppress(RecordingError), open_recording(path) as recording:
            for block in recording.blocks(rate_hz=6000):
                assert np.isfinite(block).all()
            assert recording.info.duration_s < 60
            read_well += 1
    assert capfd.readouterr().err == ""
    assert read_well or form.container in ("ogg", "3gp", "m4a", "mov", "mp4")  # others always give something


def test_a_file_is_closed_when_opening_fails(bouts: Path, tmp_path: Path) -> None:
    """ResourceWarning would be an error here."""
    for content in (b"text", (bouts / "aac.m4a").read_bytes()[:5000], wav(64, 8000, b"\0" * 64_000)):
        (tmp_path / "x").write_bytes(content)
        refusal(tmp_path / "x")


def test_a_recording_dropped_half_way_is_closed(bouts: Path) -> None:
    with open_recording(bouts / "aac.m4a") as recording:
        next(recording.blocks(block_s=0.1))
    recording.close()  # again: harmless


@pytest.mark.parametrize("good", [0, 2])
def test_a_disk_that_fails_while_reading(bouts: Path, monkeypatch: pytest.MonkeyPatch, good: int) -> None:
    """From the beginning or half-way: what could be read is not all there is, and no damage to the file."""

    class Failing(decode._QuietFile):
        def read(self, size: int) -> bytes:
            nonlocal good
            good -= 1
            if good < 0:
                self._file = _Broken()  # type: ignore[assignment]
            return super().read(size)

    class _Broken:
        def read(self, size: int) -> bytes:
            raise OSError(errno.EIO, "Input/output error")

        def seek(self, offset: int, whence: int = 0) -> int:
            raise OSError(errno.EIO, "Input/output error")

        def tell(self) -> int:
            return 0

    monkeypatch.setattr(decode, "_QuietFile", Failing)
    found = refusal(bouts / "pcm_s32le.wav")
    assert found.what == "could not be read: Input/output error"
    assert "is the disk or card in order?" in found.remedy


@pytest.mark.parametrize(("failures", "damaged"), [(1, 1), (16, 16), (1000, 17)])
def test_failing_reads_are_counted_and_end(bouts: Path, failures: int, damaged: int) -> None:
    """A reader that fails goes on, but not for ever."""
    decoder = Decoder(bouts / "pcm_s16le.wav")

    class Failing:
        def demux(self, stream: object) -> Iterator[str]:
            nonlocal failures
            failures -= 1
            if failures >= 0:
                raise av.InvalidDataError(errno.EINVAL, "bad", "file")
            yield "packet"

    packets = list(decoder._packets(Failing()))  # type: ignore[arg-type]
    assert len(packets) == (1 if damaged < 17 else 0)
    assert decoder.damaged_packets == damaged
    decoder.close()


def test_a_change_of_rate_in_mid_stream_is_damage(tmp_path: Path) -> None:
    """Two ADTS streams in one file, as a failed join leaves behind."""
    parts = []
    for rate_hz in (48_000, 24_000):
        write_encoded(tmp_path / "part.aac", make_bout(rate_hz), rate_hz=rate_hz)
        parts.append((tmp_path / "part.aac").read_bytes())
    (tmp_path / "joined.aac").write_bytes(parts[0] + parts[1])
    samples, info = read(tmp_path / "joined.aac")
    assert info.sample_rate_hz == 48_000
    assert info.duration_s == pytest.approx(3.0, abs=0.06)
    assert samples.shape[1] == round(info.duration_s * 48_000)
    assert info.damaged_packets > 10
    assert info.damaged_from_s == pytest.approx(3.0, abs=0.06)


def test_frames_of_a_kind_we_cannot_turn_to_float(bouts: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self: Decoder, frame: AudioFrame, *, start: int) -> None:
        raise ValueError("Conversion from numpy array with format `s64` not supported")

    monkeypatch.setattr(Decoder, "_as_float", refuse)
    assert "no sound can be got out" in refusal(bouts / "flac.flac").what


def test_the_list_of_what_is_read_names_every_container(tmp_path: Path) -> None:
    """Those that the documentation of `Container` names; RF64 is a WAV for people."""
    from wingtone.audio.sniff import container_of

    (tmp_path / "notes.txt").write_text("no sound")
    with (tmp_path / "notes.txt").open("rb") as file, pytest.raises(RecordingError) as caught:
        container_of(file, path=tmp_path / "notes.txt")
    named = re.findall(r"``(\w+)``", (Container.__doc__ or "").split("name\n")[1].split("demuxer")[0])
    assert len(named) > 15
    told = re.findall(r"\w+", caught.value.remedy.casefold())
    assert [name for name in named if name not in told] == ["rf64"]
