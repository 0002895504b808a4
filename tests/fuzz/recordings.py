"""Recordings that no honest phone makes.

- `honest_recordings`: short sound in the common formats, to be damaged; made once a process.
- `hostile_recording`: one, by the random numbers of its case.
- `wav`: a WAV whose heading may claim anything.
"""

from __future__ import annotations

import functools
import gzip
import io
import struct
import tempfile
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from fuzz.torn import chance, torn

if TYPE_CHECKING:
    import random

__all__ = ["DEMO", "honest_recordings", "hostile_files", "hostile_recording", "wav"]

DEMO = Path(__file__).resolve().parents[2] / "demo_audio"
SECONDS = 2.0
FORMS = (
    (".wav", None),
    (".wav", "pcm_f32le"),
    (".wav", "pcm_s24le"),
    (".wav", "pcm_mulaw"),
    (".rf64", None),
    (".flac", None),
    (".mp3", None),
    (".ogg", None),
    (".opus", None),
    (".m4a", None),
    (".m4a", "alac"),
    (".mov", "pcm_s16le"),
    (".3gp", None),
    (".aac", None),
    (".caf", None),
    (".webm", None),
    (".mkv", None),
    (".aiff", None),
    (".avi", None),
    (".wma", None),
    (".mts", None),
)
RATES_HZ = (0, 1, 7, 999, 1000, 8000, 44_100, 768_000, 768_001, 10_000_000, 0x7FFFFFFF, 0xFFFFFFFF)
CHANNELS = (0, 1, 2, 6, 32, 33, 64, 255, 65_535)


@functools.cache
def honest_recordings() -> dict[str, bytes]:
    """Give sound by file name: the bundled clips, and a made-up bee in every format that is written here."""
    from wingtone.audio.encode import write_encoded
    from wingtone.simulate import make_scene

    found = {
        path.name: path.read_bytes()
        for path in sorted(DEMO.iterdir())
        if path.suffix in (".m4a", ".3gp", ".ogg")
    }
    scene = make_scene(3, condition="hover", snr_db=20.0, duration_s=SECONDS, rate_hz=16_000, f0_hz=150.0)
    with tempfile.TemporaryDirectory() as folder:
        for number, (suffix, codec) in enumerate(FORMS):
            path = Path(folder, f"bee {number}_20260615_101500{suffix}")
            rate = 44_100 if suffix in (".mp3", ".m4a", ".mts", ".wma") else 16_000
            samples = scene.samples if rate == 16_000 else np.repeat(scene.samples, 2, axis=1)
            write_encoded(path, samples, rate_hz=rate, codec=codec, latitude_deg=51.46, longitude_deg=-0.3)
            found[path.name] = path.read_bytes()
    return found


def wav(
    sound: bytes,
    *,
    rate_hz: int = 8000,
    channels: int = 1,
    bits: int = 16,
    coding: int = 1,
    claimed: int | None = None,
    before: bytes = b"",
) -> bytes:
    """Give a WAV whose heading may claim anything; ``before`` are chunks before the sound."""
    layout = struct.pack(
        "<HHIIHH",
        coding,
        channels & 0xFFFF,
        rate_hz & 0xFFFFFFFF,
        (rate_hz * channels * bits // 8) & 0xFFFFFFFF,
        (channels * bits // 8) & 0xFFFF,
        bits,
    )
    size = len(sound) if claimed is None else claimed
    body = b"WAVEfmt " + struct.pack("<I", 16) + layout + before + b"data" + struct.pack("<I", size) + sound
    return b"RIFF" + struct.pack("<I", min(len(body), 0xFFFFFFFF)) + body


def hostile_recording(draw: random.Random) -> tuple[str, bytes]:
    """Give a plain file name and the bytes under it; the name's ending is that of what it pretends to be."""
    seeds = honest_recordings()
    names = sorted(seeds)
    name = draw.choice(names)
    suffix = Path(name).suffix
    how = draw.randrange(20)
    if how < 8:
        return f"torn{suffix}", torn(seeds[name], draw, others=[seeds[draw.choice(names)]])
    if how == 8:  # a heading, then noise
        head = seeds[name][: draw.randrange(8, 400)]
        return f"noise{suffix}", head + draw.randbytes(draw.randrange(50_000))
    if how == 9:
        return "noise.wav", draw.randbytes(draw.randrange(1, 20_000))
    if how in (10, 11):
        return "lies.wav", _lying_wav(draw)
    if how == 12:
        return "floats.wav", _odd_floats(draw)
    if how == 13:
        return "chunks.wav", _lying_chunks(draw)
    if how == 14:
        return f"something{draw.choice(('.mp3', '.wav', '.m4a', ''))}", _something_else(draw)
    if how == 15:
        return "bomb.flac", _flac_silence(draw)
    if how == 16:
        return f"boxes{draw.choice(('.mp4', '.m4a', '.mov'))}", _lying_boxes(draw, seeds)
    if how == 17:
        return "odd.caf", _lying_caf(draw)
    if how == 18:
        return f"whole{suffix}", seeds[name]
    return draw.choice(
        (("empty.ogg", b""), ("zeros.wav", bytes(draw.randrange(1, 100_000))), ("one.mp3", b"\xff"))
    )


def hostile_files(n: int) -> list[tuple[str, bytes]]:
    """Give ``n`` hostile recordings with the same names and bytes each time, each name once."""
    made = (hostile_recording(chance("file", number)) for number in range(n))
    return [(f"{number}-{name}", data) for number, (name, data) in enumerate(made)]


def _lying_wav(draw: random.Random) -> bytes:
    sound = draw.randbytes(draw.choice((0, 1, 100, 1000, 8000)))
    claimed = draw.choice((None, 0, 1, len(sound) + 1, 0x7FFFFFFF, 0xFFFFFFFF))  # a week in a few bytes
    bits = draw.choice((0, 1, 7, 8, 16, 24, 32, 64, 65_535))
    coding = draw.choice((1, 1, 1, 0, 2, 3, 6, 7, 0x11, 0x55, 0xFFFE, 0xFFFF))
    return wav(
        sound,
        rate_hz=draw.choice(RATES_HZ),
        channels=draw.choice(CHANNELS),
        bits=bits,
        coding=coding,
        claimed=claimed,
    )


def _odd_floats(draw: random.Random) -> bytes:
    """Samples that no microphone gives: not a number, infinite, and as large as floats go."""
    rate_hz = draw.choice((8000, 44_100))
    rng = np.random.default_rng(draw.randrange(2**32))
    samples = (0.1 * rng.standard_normal(rate_hz)).astype(np.float32)
    odd = draw.choice((np.nan, np.inf, -np.inf, 3e38, -3e38, 1e-45, 1e9))
    if draw.random() < 0.2:
        samples[:] = odd
    else:
        samples[rng.integers(0, samples.size, draw.randrange(1, 2000))] = odd
    kind = draw.choice(("<f4", "<f8"))
    return wav(samples.astype(kind).tobytes(), rate_hz=rate_hz, bits=8 * int(kind[-1]), coding=3)


def _lying_chunks(draw: random.Random) -> bytes:
    """Chunks before and after the sound, with texts and lengths of every kind."""
    parts = b""
    for _ in range(draw.randrange(1, 6)):
        kind = draw.choice(
            (b"bext", b"LIST", b"ds64", b"fmt ", b"id3 ", b"iXML", b"fact", b"\0\0\0\0", b"data", b"cue ")
        )
        body = draw.choice(
            (
                b"",
                draw.randbytes(draw.randrange(700)),
                b"INFOICRD" + struct.pack("<I", draw.choice((0, 10, 0xFFFFFFFF))) + b"2026-03-20\0",
                b"A" * 256
                + b"\xff" * 64
                + draw.choice((b"2026-03-2010:32:05", b"9999:99:9999:99:99", bytes(18)))
                + bytes(400),
                struct.pack("<QQQI", *(draw.choice((0, 2**40, 2**63 - 1, 2**64 - 1)) for _ in range(3)), 0),
            )
        )
        length = draw.choice((len(body), len(body), len(body), 0, 0xFFFFFFFF, 0x7FFFFFFF, len(body) + 1))
        parts += kind + struct.pack("<I", length) + body + b"\0" * (len(body) % 2)
    sound = np.zeros(4000, "<i2").tobytes()
    claimed = draw.choice((None, None, 0, 0xFFFFFFFF))
    data = wav(sound, before=parts, claimed=claimed)
    return (draw.choice((b"RIFF", b"RF64", b"BW64", b"RIFX")) + data[4:]) if draw.random() < 0.5 else data


def _something_else(draw: random.Random) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(zipfile.ZipInfo("bee.wav"), bytes(2_000_000), zipfile.ZIP_DEFLATED)
    return draw.choice(
        (
            b"<script>alert(1)</script>",
            b"#EXTM3U\n/etc/passwd\nhttp://example.invalid/x\n",
            b"\x89PNG\r\n\x1a\n" + bytes(50),
            b"ffconcat version 1.0\nfile '/etc/passwd'\n",
            packed.getvalue(),
            gzip.compress(bytes(3_000_000), mtime=0),
            b"SQLite format 3\0" + bytes(100),
            b"ID3\4\0\0\x7f\x7f\x7f\x7f",
            b"ID3\4\0\0\0\0\0\0" * 5,
            b"RIFF\xff\xff\xff\xffAVI LIST",
            b"\x1a\x45\xdf\xa3" + draw.randbytes(300),
            b"OggS" + draw.randbytes(300),
            b"#!AMR\n" + draw.randbytes(300),
            b"fLaC" + draw.randbytes(300),
            b"\x47" * 188 * 8,
        )
    )


@functools.cache
def _silent_flac(minutes: int) -> bytes:
    """Silence packs a thousandfold: this is a bomb made of sound."""
    import soundfile

    out = io.BytesIO()
    with soundfile.SoundFile(out, "w", 48_000, 1, "PCM_16", format="FLAC") as file:
        for _ in range(minutes):
            file.write(np.zeros(60 * 48_000, np.int16))
    return out.getvalue()


def _flac_silence(draw: random.Random) -> bytes:
    data = bytearray(_silent_flac(draw.choice((1, 1, 1, 5))))
    if draw.random() < 0.5:  # the number of samples, 36 bits from the end of byte 21 on: a week and more
        data[21] |= 0x0F
        data[22:26] = draw.choice((b"\xff\xff\xff\xff", b"\0\0\0\1"))
    return bytes(data)


def _lying_boxes(draw: random.Random, seeds: dict[str, bytes]) -> bytes:
    """Tables of the MP4 family that announce other counts and lengths."""
    names = [name for name in sorted(seeds) if Path(name).suffix in (".m4a", ".mov", ".3gp")]
    out = bytearray(seeds[draw.choice(names)])
    for _ in range(draw.randrange(1, 4)):
        tag = draw.choice(
            (
                b"stsz",
                b"stsc",
                b"stco",
                b"stts",
                b"mdhd",
                b"mvhd",
                b"moov",
                b"trak",
                b"stsd",
                b"elst",
                b"udta",
                b"keys",
                b"mp4a",
            )
        )
        at = out.find(tag)
        if at < 4:
            continue
        where = at + draw.choice((-4, 4, 8, 12, 16, 20, 24))
        field = struct.pack(
            ">I", draw.choice((0, 1, 0x00FFFFFF, 0x7FFFFFFF, 0xFFFFFFFF, draw.randrange(2**32)))
        )
        out[where : where + 4] = field
    return bytes(out)


def _lying_caf(draw: random.Random) -> bytes:
    """A CAF whose rate is any float, and whose lengths are any of 64 bits."""
    rate = draw.choice((0.0, 1.0, 8000.0, 44_100.0, 1e7, 1e300, -1.0, float("nan"), float("inf"), 5e-324))
    coding = draw.choice((b"lpcm", b"lpcm", b"alac", b"aac ", b"ulaw", b"\0\0\0\0"))
    channels, bits = draw.choice(CHANNELS), draw.choice((0, 8, 16, 24, 32, 64, 0xFFFFFFFF))
    frame = draw.choice((0, 2, (channels * bits // 8) & 0xFFFFFFFF))
    described = struct.pack(
        ">d4sIIIII", rate, coding, draw.choice((0, 1, 2)), frame, draw.choice((0, 1)), channels, bits
    )
    length = draw.choice((-1, 0, 4, 4004, 2**62, 2**63 - 1, -(2**63)))
    data = b"caff\0\1\0\0desc" + struct.pack(">q", draw.choice((32, 32, 32, 0, 2**40))) + described
    if draw.random() < 0.5:
        data += b"kuki" + struct.pack(">q", draw.choice((0, 8, 2**33, 2**63 - 1))) + bytes(8)
    return data + b"data" + struct.pack(">q", length) + bytes(4) + draw.randbytes(4000)
