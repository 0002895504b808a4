"""The lines of an engine, taken out before a tone is looked for.

A four-stroke engine fires once in two turns of its shaft (textbook), so its lines lie at multiples of the
turns a second over 2: in the analysis window they run into one another, and a bee's harmonics stand among
them like grass. Through a window of half a second they are apart, dozens of them, one at every multiple; a
bee has one at every fifth or so. Where an engine runs, what every round of it repeats is the mean of the
rounds about it, and that is taken off (time domain averaging: Braun 1975, Acustica 32, 69-77, from memory).

- `without_motor`: a sound in, the same sound without engines out.
- `frames_changed`: where there were any.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone import comb, spectrum, track

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray
    from scipy.sparse import csr_array

LOWEST_HZ, HIGHEST_HZ = 12.0, 49.0
"""Rounds a second: 1440 to 5880 turns a minute. Ours: above it lie the mains, and up to 60 Hz a bee that
shook a flower was taken for an engine in one labelled recording."""
STEP = 0.002
"""Spacing of candidates in ln Hz: a quarter of the window's main lobe at the highest tooth. Ours."""
WINDOW = 3072
FFT_SIZE = 4096
"""Samples. Hann windows of 0.5 s, whose main lobe (8 Hz) tells lines 12 Hz apart. Ours: 0.34 to 0.68 s made
little difference."""
LOOK = 6000
HOP = 300
"""Samples from one window to the next: one a second to know whether there is an engine, one every 50 ms to
follow it. Ours; 100 ms lost a little."""
TEETH = slice(2, 41)
HIGHEST_TOOTH_HZ = 900.0
DECAY = 0.2
GAP_WEIGHT = 0.7
"""Which multiples count, up to where, and with what weight: order ** -DECAY, half-way between them the
negative. Ours, as `wingtone.tone.comb` has them but flatter: an engine's lines are many and alike."""
FLOOR_WIDTH_HZ = 150.0
LEAST_CONTRAST, MOST_CONTRAST = -2.0, 1.5
"""Width of the mean that stands for the floor, and limits of what one line counts above it, in nepers: none
for more than one that stands out just clearly, or a few lines of a bee would do. Ours."""
THRESHOLD = 5.0
"""Salience of an engine. Ours: of made-up clips with a mower 10 dB below a bee 99 windows of 100 have more
than 6.0; of bees, voices and roads 999 of 1000 less than 5.1. In 132 minutes of voices it is passed, for as
long as counts, nowhere; in the labelled recordings in four of the 18 with an engine and in no other; of 149
engines of games in 18, of 43 pieces of music in two, for 1.5 s each."""
SHORTEST_FRAMES = 20
WIDEN_FRAMES = 40
"""An engine runs for 1 s at least, and 2 s around a window that holds one are followed. Ours."""
BLOCK = 60 * spectrum.RATE_HZ
"""So much is followed at once, to bound the memory."""
AVERAGE_S = 0.17
"""Rounds that lie within so much of time are averaged, three at least. Ours: of 0.09 to 0.26 s the best, flat
from 0.13 to 0.17; over less a bee is taken for a part of the engine, over more the engine runs away."""
FINER = 4
"""Between samples the sound is read from one four times as fine. Ours: with 2 and 8 it made no difference."""


def frames_changed(before: NDArray[np.float32], after: NDArray[np.float32]) -> NDArray[np.bool_]:
    """In which frames of a sound an engine was taken out; shape (n_frames,).

    Parameters
    ----------
    before, after : shape (n_channels, n)
        What `without_motor` took and gave; at least `spectrum.WINDOW` samples.
    """
    middle = slice(spectrum.WINDOW // 2, before.shape[1] - spectrum.WINDOW // 2 + 1, spectrum.HOP)
    if after is before:
        return np.zeros(len(range(*middle.indices(before.shape[1]))), bool)
    changed: NDArray[np.bool_] = (before[:, middle] != after[:, middle]).any(axis=0)
    return changed


@dataclass(frozen=True)
class _Line:
    """An engine: the sample it begins at, and its rounds a second at every sample from there on."""

    start: int
    hz: NDArray[np.float64]


@lru_cache(maxsize=1)
def candidates_hz() -> NDArray[np.float64]:
    """Every candidate in Hz, ascending, `STEP` apart in ln; shape (n_candidates,)."""
    return comb.even_in_ln(LOWEST_HZ, HIGHEST_HZ, STEP)


@lru_cache(maxsize=1)
def _combs() -> csr_array:
    """Teeth and gaps of every candidate, of unit energy each; shape (n_candidates, n_bins)."""
    from scipy.sparse import csr_array

    bin_hz = spectrum.RATE_HZ / FFT_SIZE
    teeth = np.zeros((candidates_hz().size, int(HIGHEST_TOOTH_HZ / bin_hz) + 2))
    for row, line_hz in zip(teeth, candidates_hz(), strict=True):
        order = np.arange(int(HIGHEST_TOOTH_HZ / line_hz) + 1)[TEETH]
        weight = order**-DECAY
        for place, height in ((order, weight), (order - 0.5, -GAP_WEIGHT * weight)):
            at = place * line_hz / bin_hz
            low = at.astype(np.int64)
            np.add.at(row, low, height * (1 - at + low))
            np.add.at(row, low + 1, height * (at - low))
        row /= np.sqrt((1 + GAP_WEIGHT**2) * np.sum(weight**2))
    return csr_array(teeth.astype(np.float32))


def salience(samples: NDArray[np.float32], *, hop: int) -> NDArray[np.float32]:
    """How clearly the lines of each candidate stand out in windows ``hop`` samples apart.

    Parameters
    ----------
    samples : shape (n_channels, n)
        At least `WINDOW` of them.

    Returns
    -------
    shape (n_windows, n_candidates), float32
        Of all channels together.
    """
    from scipy.fft import rfft

    combs = _combs()
    half = round(FLOOR_WIDTH_HZ / 2 * FFT_SIZE / spectrum.RATE_HZ)
    n_bins = combs.shape[1]
    found = np.zeros((combs.shape[0], (samples.shape[1] - WINDOW) // hop + 1), np.float32)
    for channel in samples:
        windows = np.lib.stride_tricks.sliding_window_view(channel, WINDOW)[::hop]
        parts = rfft(windows * spectrum.hann(WINDOW), FFT_SIZE, axis=1, workers=1)[:, : n_bins + half]
        level: NDArray[np.float32] = np.log(parts.real**2 + parts.imag**2 + np.float32(1e-12))
        contrast = (level - spectrum.running_mean(level, half))[:, :n_bins]
        np.clip(contrast, LEAST_CONTRAST, MOST_CONTRAST, out=contrast)
        found += combs @ contrast.T
    joined: NDArray[np.float32] = (found.T / np.sqrt(samples.shape[0])).astype(np.float32)
    return joined


def without_motor(samples: NDArray[np.float32]) -> NDArray[np.float32]:
    """Take the engines out of a sound.

    Parameters
    ----------
    samples : shape (n_channels, n)
        At `spectrum.RATE_HZ`.

    Returns
    -------
    shape (n_channels, n), float32
        The same array when there is none, and when it is shorter than `WINDOW`.
    """
    left = samples
    for first in range(0, samples.shape[1] - WINDOW + 1, BLOCK):
        for line in _lines(samples[:, first : first + BLOCK]):
            if left is samples:
                left = samples.copy()
            here = slice(first + line.start, first + line.start + line.hz.size)
            left[:, here] -= repeated(samples[:, here], line.hz)
    return left


def _lines(samples: NDArray[np.float32]) -> Iterator[_Line]:
    """Follow the engines in a block; no two of them share a sample."""
    looks = np.flatnonzero(salience(samples, hop=LOOK).max(axis=1) > THRESHOLD)
    if looks.size == 0:
        return
    frame = np.arange((samples.shape[1] - WINDOW) // HOP + 1)
    near = np.abs(frame - looks[:, None] * (LOOK // HOP)).min(axis=0) <= WIDEN_FRAMES
    free = 0
    for part in track.unbroken(frame[near]):
        found = salience(samples[:, part[0] * HOP : part[-1] * HOP + WINDOW], hop=HOP)
        # The tracker's own threshold is for the salience of bees.
        path = track.best_path(found - np.float32(THRESHOLD - track.THRESHOLD))
        for run in track.unbroken(np.flatnonzero(path != track.NO_BEE)):
            if run.size < SHORTEST_FRAMES:
                continue
            begin = (int(part[0]) + run) * HOP
            start, free = max(free, int(begin[0])), int(begin[-1]) + WINDOW
            ln_hz = _tops(found[run], path[run])
            yield _Line(start, np.exp(np.interp(np.arange(start, free), begin + WINDOW // 2, ln_hz)))


def _tops(found: NDArray[np.float32], path: NDArray[np.int64]) -> NDArray[np.float64]:
    """Where between the candidates the salience is highest, by a parabola; ln Hz, one for each frame."""
    at = np.clip(path, 1, found.shape[1] - 2)
    low, here, high = (found[np.arange(at.size), at + side] for side in (-1, 0, 1))
    bend = np.minimum(low + high - 2 * here, -1e-3)
    top: NDArray[np.float64] = np.log(candidates_hz()[at]) + STEP * np.clip(0.5 * (low - high) / bend, -1, 1)
    return top


def repeated(samples: NDArray[np.float32], line_hz: NDArray[np.float64]) -> NDArray[np.float32]:
    """What is the same in the rounds about each sample: their mean, its own among them.

    Parameters
    ----------
    samples : shape (n_channels, n)
    line_hz : shape (n,)
        Rounds a second.

    Returns
    -------
    shape (n_channels, n), float32
        Near the ends there are fewer rounds to one side.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    n = samples.shape[1]
    whole = next_fast_len(n, real=True)
    fine = FINER * irfft(rfft(samples, whole, axis=1, workers=1), FINER * whole, axis=1, workers=1)
    rounds, time = np.cumsum(line_hz) / spectrum.RATE_HZ, np.arange(n)
    # Rounds hardly change within 10 ms.
    coarse = np.append(time[: -1 : spectrum.HOP], n - 1)
    each_way = max(1, round((AVERAGE_S * float(np.median(line_hz)) - 1) / 2))
    total, count = samples.copy(), np.ones(n, np.float32)
    for step in (*range(-each_way, 0), *range(1, each_way + 1)):
        first, end = np.searchsorted(rounds, (rounds[0] - step, rounds[-1] - step))
        known = slice(int(first), int(end))
        at = FINER * np.interp(time[known], coarse, np.interp(rounds[coarse] + step, rounds, time))
        low = at.astype(np.int64)
        share = (at - low).astype(np.float32)
        total[:, known] += fine[:, low] * (1 - share) + fine[:, low + 1] * share
        count[known] += 1
    return total / count
