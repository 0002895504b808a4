"""The sound of a bout with only its own harmonics left in.

Each harmonic of the bout's tone line is brought to rest (multiplied by the conjugate of the line's phase) and
smoothed over four wingbeats with a Hann window, whose nulls then lie on the neighbouring harmonics; turned
back and added up, the harmonics are the bout without what lies between them. Wind, voices and hiss are
taken away except for what falls into the teeth themselves: about a third of the noise stays.

Conventions
-----------
Samples at `RATE_HZ`. Harmonic ``h`` is in row ``h - 1``. Envelopes are complex amplitudes: a harmonic of
amplitude 1 (a cosine) has an envelope of modulus 1.

- `Comb`, `comb_of`: envelopes and sound of one channel of a bout
- `bout_sounds`: the sound of each bout of a recording, in one pass
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone.spectrum import RATE_HZ

if TYPE_CHECKING:
    import os
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from wingtone.tone.results import Bout

    Floats = NDArray[np.float64]

__all__ = ["MOST_HARMONICS", "RATE_HZ", "Comb", "bout_sounds", "comb_of"]

MOST_HARMONICS = 16
TOP_HZ = 2850.0
"""Highest harmonic taken: the tooth and its skirts lie below half of `RATE_HZ`."""
BEATS = 4
"""Length of the smoothing window in wingbeats: the shortest Hann window whose null is on the neighbour."""
LONGEST_S = 30.0
"""Of a longer bout the middle is heard: enough for every figure, and memory stays bounded. Ours."""


@dataclass(frozen=True, eq=False)
class Comb:
    """One channel of a bout, taken apart.

    Attributes
    ----------
    envelope : shape (n_harmonics, n), complex
    sound : shape (n,)
        The harmonics added up again.
    share : float
        Power of the comb over the power of the channel, 0..1.
    """

    envelope: NDArray[np.complex128]
    sound: Floats
    share: float


def comb_of(samples: NDArray[np.float32], f0_hz: Floats, *, band_hz: float = RATE_HZ / 2) -> Comb:
    """Take the comb out of one channel.

    Parameters
    ----------
    samples : shape (n,)
    f0_hz : shape (n,)
        The tone line, sample by sample.
    band_hz
        Upper edge of what the recording carries.

    Returns
    -------
    Comb
        With no harmonics (zero rows, silent sound) when none lies within the band.
    """
    from scipy.signal import oaconvolve

    n = samples.shape[0]
    phase = np.cumsum(f0_hz) * (2.0 * np.pi / RATE_HZ)
    top = min(TOP_HZ, band_hz - 50.0)
    n_harmonics = int(np.clip(top // float(f0_hz.max()), 0, MOST_HARMONICS))
    length = max(8, round(BEATS * RATE_HZ / float(np.median(f0_hz))))
    window = np.hanning(length + 2)[1:-1]
    # Near the ends the window hangs over; dividing by what of it lies inside keeps the level right.
    inside = oaconvolve(np.ones(n), window, "same")
    unit = np.exp(-1j * phase)
    turn = np.ones(n, complex)
    envelope = np.zeros((n_harmonics, n), complex)
    sound = np.zeros(n)
    for h in range(n_harmonics):
        turn = turn * unit
        envelope[h] = 2.0 * oaconvolve(samples * turn, window, "same") / inside
        sound += (envelope[h] * turn.conj()).real
    whole = float(np.mean(samples.astype(np.float64) ** 2))
    share = float(np.mean(sound**2)) / whole if whole > 0 else 0.0
    return Comb(envelope, sound, min(share, 1.0))


def bout_sounds(
    path: str | os.PathLike[str], bouts: Sequence[Bout]
) -> Iterator[tuple[int, float, NDArray[np.float32]]]:
    """Give the sound of each bout, in one pass over the recording.

    Parameters
    ----------
    bouts
        In any order; they may overlap.

    Yields
    ------
    index, start_s, samples
        Index into ``bouts``, the time of the first sample, and the sound, shape (n_channels, n). Of a bout
        longer than `LONGEST_S` only the middle. A bout beyond the end of the recording is left out.

    Raises
    ------
    RecordingError
        The recording cannot be read.
    """
    from wingtone import audio

    waiting = []
    for index, bout in enumerate(bouts):
        spare = max(0.0, bout.duration_s - LONGEST_S) / 2
        first = max(0, round((bout.start_s + spare) * RATE_HZ))
        waiting.append((first, round((bout.end_s - spare) * RATE_HZ), index))
    waiting.sort(reverse=True)
    open_bouts: list[tuple[int, int, int, list[NDArray[np.float32]]]] = []
    done = 0
    with audio.open_recording(path) as recording:
        for block in recording.blocks(rate_hz=RATE_HZ):
            until = done + block.shape[1]
            while waiting and waiting[-1][0] < until:
                open_bouts.append((*waiting.pop(), []))
            still = []
            for first, last, index, parts in open_bouts:
                parts.append(block[:, max(first - done, 0) : max(last - done, 0)])
                if last <= until:
                    yield index, first / RATE_HZ, np.concatenate(parts, axis=1)
                else:
                    still.append((first, last, index, parts))
            open_bouts = still
            done = until
            if not waiting and not open_bouts:
                return
    for first, _, index, parts in open_bouts:
        yield index, first / RATE_HZ, np.concatenate(parts, axis=1)
