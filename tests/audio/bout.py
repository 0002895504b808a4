"""A simulated bout with known onset, end and tone, and every format it is written in.

A harmonic series on 150 Hz sounds from 1 s to 2 s of 3 s, with sharp edges; the second channel has it at half
the level. Its phases are such that no cycle is much stronger than another, so the onset can be read off.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

RATE_HZ = 48_000
F0_HZ = 150.0
START_S, END_S, DURATION_S = 1.0, 2.0, 3.0
ZONE = dt.timezone(dt.timedelta(hours=1))
WHEN = dt.datetime(2026, 7, 14, 15, 30, 12, tzinfo=ZONE)
LATITUDE_DEG, LONGITUDE_DEG = 51.46, -0.3
DEVICE = "Recorder One"


def make_bout(rate_hz: int = RATE_HZ, *, channels: int = 2) -> NDArray[np.float32]:
    """The bout, ``(channels, 3 s)``."""
    time_s = np.arange(round(DURATION_S * rate_hz)) / rate_hz
    tone = sum(np.cos(2 * np.pi * F0_HZ * k * time_s + k * k) / k for k in range(1, 9))
    sound = np.where((time_s >= START_S) & (time_s < END_S), tone, 0.0)
    sound *= 0.5 / np.abs(sound).max()
    return np.stack([sound / 2**c for c in range(channels)]).astype(np.float32)


def edges_s(samples: NDArray[np.float32], rate_hz: int) -> tuple[float, float]:
    """First and last time at which the sound stands at a quarter of its peak."""
    loud = np.nonzero(np.abs(samples) > 0.25 * np.abs(samples).max())[0]
    return float(loud[0] / rate_hz), float((loud[-1] + 1) / rate_hz)


def spacing_hz(samples: NDArray[np.float32], rate_hz: int) -> float:
    """Spacing of the harmonic comb: strongest peak near the second to fourth harmonic, over its number."""
    part = samples[round(1.1 * rate_hz) : round(1.9 * rate_hz)].astype(np.float64)
    n = 1 << 18
    power = np.abs(np.fft.rfft(part * np.hanning(len(part)), n))
    found = []
    for k in (2, 3, 4):
        low, high = (round(f * n / rate_hz) for f in ((k - 0.3) * F0_HZ, (k + 0.3) * F0_HZ))
        found.append((low + int(np.argmax(power[low:high]))) * rate_hz / n / k)
    return float(np.median(found))


@dataclass(frozen=True)
class Form:
    """One way to write the bout, and what must come back."""

    suffix: str
    codec: str
    container: str
    channels: int = 2
    rate_hz: int = RATE_HZ
    date: str | None = "utc"  # "utc", "zone", "bext", "name": where the date is, in which form
    place: bool = True
    device: bool = True
    edge_s: float = 0.005  # how exactly the onset must come back
    video: bool = False

    @property
    def name(self) -> str:
        return f"{self.codec}{'-video' if self.video else ''}{self.suffix}"


def _wav(codec: str, suffix: str = ".wav") -> Form:
    return Form(suffix, codec, suffix[1:], date="bext", place=False)


# Bare streams say nothing of their encoder's delay: 60 ms is the promise there, 5 ms everywhere else, but
# that AMR, a speech codec, needs two cycles to follow a sudden onset.
BARE_S = 0.06
FORMS = (
    *(_wav(c) for c in ("pcm_u8", "pcm_s16le", "pcm_s24le", "pcm_s32le", "pcm_f32le", "pcm_f64le")),
    *(_wav(c) for c in ("pcm_mulaw", "pcm_alaw")),
    _wav("pcm_s16le", ".rf64"),
    _wav("pcm_s24le", ".rf64"),
    Form(".flac", "flac", "flac"),
    Form(".mp3", "mp3", "mp3"),
    Form(".ogg", "vorbis", "ogg", place=False, device=False),
    Form(".ogg", "opus", "ogg"),
    Form(".ogg", "flac", "ogg"),
    Form(".opus", "opus", "ogg"),
    Form(".m4a", "aac", "m4a", device=False),
    Form(".m4a", "alac", "m4a", device=False),
    Form(".mp4", "aac", "mp4", device=False),
    Form(".mp4", "aac", "mp4", device=False, video=True),
    Form(".mov", "aac", "mov", date="zone"),
    Form(".mov", "aac", "mov", date="zone", video=True),
    Form(".mov", "alac", "mov", date="zone"),
    Form(".mov", "pcm_s16le", "mov", date="zone"),
    Form(".mov", "pcm_s24le", "mov", date="zone", video=True),
    Form(".3gp", "aac", "3gp", device=False),
    Form(".3gp", "aac", "3gp", device=False, video=True),
    Form(".3gp", "amr_nb", "3gp", channels=1, rate_hz=8000, device=False, edge_s=0.02),
    Form(
        ".amr", "amr_nb", "amr", channels=1, rate_hz=8000, date=None, place=False, device=False, edge_s=BARE_S
    ),
    Form(".aac", "aac", "aac", date=None, place=False, device=False, edge_s=BARE_S),
    Form(".caf", "alac", "caf"),
    Form(".caf", "pcm_s16be", "caf"),
    Form(".webm", "opus", "webm"),
    Form(".webm", "opus", "webm", video=True),
    Form(".mkv", "aac", "mkv"),
    Form(".mkv", "aac", "mkv", video=True),
    Form(".mkv", "opus", "mkv"),
    Form(".mkv", "flac", "mkv", video=True),
    Form(".aiff", "pcm_s16be", "aiff", date=None, place=False, device=False),
    Form(".avi", "pcm_s16le", "avi", date=None, place=False, device=False, video=True),
    Form(".wma", "wmav2", "wma", date=None, edge_s=BARE_S),
    Form(".mts", "aac", "mts", date=None, place=False, device=False, edge_s=BARE_S, video=True),
)
