"""What the browser plays and the strip shows: stretches of the listening copy.

The copy is our own plain WAV: one channel of 16 bits at `COPY_RATE_HZ` after a heading of 44 bytes; while it
is still growing, the bytes that are there count.

- `copied_samples`, `read_copy`: what there is of a copy, and a stretch of it.
- `wav_of`: a stretch as a WAV, at half speed or with only the bouts' own harmonics.
"""

from __future__ import annotations

import io
import wave
from typing import TYPE_CHECKING

import numpy as np

from wingtone.files import replacing
from wingtone.web.worker import COPY_RATE_HZ

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from wingtone.clip import Measurement

__all__ = ["COPY_RATE_HZ", "HEADING_BYTES", "LONGEST_S", "copied_samples", "hold", "read_copy", "wav_of"]

HEADING_BYTES = 44
LONGEST_S = 300.0
FADE_S = 0.02
"""Edges of bouts are faded in and out, so that they do not click. Ours."""


def copied_samples(copy: Path) -> int:
    """How many samples of a copy are there."""
    return max(0, copy.stat().st_size - HEADING_BYTES) // 2


def read_copy(copy: Path, from_s: float, to_s: float, *, rate_hz: int) -> NDArray[np.float32] | None:
    """Read a stretch of a copy.

    Parameters
    ----------
    from_s, to_s
        Seconds; what lies before the start or after the end is silence.
    rate_hz
        Rate of the result.

    Returns
    -------
    ndarray of shape (n,), or None
        None when nothing of the stretch is there.
    """
    first, last = round(from_s * COPY_RATE_HZ), round(to_s * COPY_RATE_HZ)
    n = copied_samples(copy)
    begin, end = max(0, first), min(n, last)
    if begin >= end:
        return None
    with copy.open("rb") as file:
        file.seek(HEADING_BYTES + 2 * begin)
        raw = np.frombuffer(file.read(2 * (end - begin)), "<i2")
    samples = np.zeros(last - first, np.float32)
    samples[begin - first : begin - first + raw.size] = raw * np.float32(1 / 32767)
    if rate_hz == COPY_RATE_HZ:
        return samples
    import soxr

    changed: NDArray[np.float32] = soxr.resample(samples, COPY_RATE_HZ, rate_hz)
    return changed


def wav_of(
    copy: Path,
    measurement: Measurement | None,
    *,
    from_s: float,
    to_s: float,
    half_speed: bool = False,
) -> bytes:
    """Give a stretch as a WAV of 16 bits.

    Parameters
    ----------
    measurement
        With one, only the harmonics of its bouts are left in, and silence between the bouts.
    half_speed
        Twice as long and an octave lower.

    Raises
    ------
    IndexError
        Nothing of the stretch is there.
    """
    if measurement is None:
        samples = read_copy(copy, from_s, to_s, rate_hz=COPY_RATE_HZ)
    else:
        samples = _comb_only(copy, measurement, from_s, to_s)
    if samples is None:
        raise IndexError("nothing there")
    if half_speed:
        import soxr

        samples = soxr.resample(samples, COPY_RATE_HZ // 2, COPY_RATE_HZ)
    scaled = np.clip(np.rint(samples * 32767.0), -32768, 32767).astype("<i2")
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setparams((1, 2, COPY_RATE_HZ, scaled.size, "NONE", ""))
        file.writeframes(scaled.tobytes())
    return out.getvalue()


def _comb_only(
    copy: Path, measurement: Measurement, from_s: float, to_s: float
) -> NDArray[np.float32] | None:
    import soxr

    from wingtone.learn.comb_sound import RATE_HZ, comb_of

    whole = read_copy(copy, from_s, to_s, rate_hz=RATE_HZ)
    if whole is None:
        return None
    out = np.zeros_like(whole)
    track = measurement.tone.track
    for number, bout in enumerate(measurement.tone.bouts):
        a = max(0, round((bout.start_s - from_s) * RATE_HZ))
        b = min(whole.size, round((bout.end_s - from_s) * RATE_HZ))
        own = track.bout == number
        if b - a < RATE_HZ * FADE_S * 2 or not own.any():
            continue
        at_s = from_s + np.arange(a, b) / RATE_HZ
        line_hz = np.interp(at_s, track.time_s[own], track.f0_hz[own])
        sound = comb_of(whole[a:b], line_hz, band_hz=measurement.recording.sample_rate_hz / 2).sound
        fade = np.minimum(1.0, np.minimum(np.arange(b - a), np.arange(b - a)[::-1]) / (FADE_S * RATE_HZ))
        out[a:b] += sound * fade
    changed: NDArray[np.float32] = soxr.resample(out, RATE_HZ, COPY_RATE_HZ)
    return changed


def hold(target: Path, wav: bytes, *, most: int) -> None:
    """Keep a stretch on disk beside others like it, dropping the oldest beyond ``most``."""
    target.parent.mkdir(exist_ok=True)
    with replacing(target) as scratch:
        scratch.write_bytes(wav)
    others = sorted(target.parent.glob("*.wav"), key=lambda path: path.stat().st_mtime)
    for path in others[: max(0, len(others) - most)]:
        if path != target:
            path.unlink(missing_ok=True)
