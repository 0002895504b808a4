"""A stretch that somebody points to, measured as if the tracker had found it.

A person hears what the decision stage misses: that a bout begins earlier, that it is flight after all, that
the tone is an octave off. The limits and the kind are then theirs; the tone inside is tracked, refined
and given its error by the same functions as everywhere, with two differences: the tracker may not call a
frame silent, and it keeps within `REACH_LN` of the tone that is asked for, if one is. How sure the decision
stage would have been stays in the result.

- `Stretch`: what is pointed to.
- `measure_stretches`: blocks of sound and stretches to bouts and their lines.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone import comb, hum, spectrum, track
from wingtone.tone.bouts import fine_line_hz, to_bout
from wingtone.tone.decision import judge
from wingtone.tone.gate import Gate, load_gate
from wingtone.tone.listen import level, salience_of, undisturbed
from wingtone.tone.pieces import SHORTEST_FRAMES, Piece, cut
from wingtone.tone.refine import REFINED, refine_tracked
from wingtone.tone.rows import ROW, SHOULDER, frame_rows

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import NDArray

    from wingtone.tone.results import Bout, Kind

__all__ = ["SHORTEST_S", "MeasuredStretch", "Stretch", "measure_stretches"]

LEAST_FRAMES = SHORTEST_FRAMES + 2
SHORTEST_S = LEAST_FRAMES * spectrum.HOP_S
"""Shorter stretches are refused: they would hold less than one analysis window. 0.1 s."""
REACH_LN = 0.2
"""How far the line may lie from the tone asked for: 22 % up, 18 % down. Ours: wider than a bout is joined
over, narrower than the step from 3:2 to the octave, so that the octave asked for is the one measured."""
PART_FRAMES = 2000
"""A long stretch is tracked in parts of 20 s, to bound the memory. Ours."""
AROUND = hum.WINDOW
"""Sound to either side of a stretch in which its hum is looked for: 4 s, with the stretch enough to know."""
FORCE = 100.0
"""Added to the salience inside the stretch, so that the silent state never wins; only differences between
tones then decide."""


@dataclass(frozen=True)
class Stretch:
    """A stretch of a recording, what it is said to be, and about where its tone lies.

    ``near_hz`` is None when the tone is not known: then the best anywhere is taken.
    """

    start_s: float
    end_s: float
    kind: Kind
    near_hz: float | None = None

    def __post_init__(self) -> None:
        # Counted in frames: 0.6 - 0.5 is a little less than 0.1.
        if not 0.0 <= self.start_s < self.end_s < float("inf") or np.diff(self.frames) < LEAST_FRAMES:
            raise ValueError(f"a stretch needs 0 <= start_s and at least {SHORTEST_S:g} s")
        if self.near_hz is not None and not comb.LOWEST_HZ <= self.near_hz <= comb.HIGHEST_HZ:
            raise ValueError(f"near_hz must lie in {comb.LOWEST_HZ:g} to {comb.HIGHEST_HZ:g} Hz")

    @property
    def frames(self) -> tuple[int, int]:
        """First frame and the one after the last, on the grid of `spectrum.HOP_S`."""
        return round(self.start_s / spectrum.HOP_S), round(self.end_s / spectrum.HOP_S)


@dataclass(frozen=True, eq=False)
class MeasuredStretch:
    """A bout and its tone line: ``time_s`` and ``f0_hz`` of shape (n,), every 10 ms."""

    bout: Bout
    time_s: NDArray[np.float64]
    f0_hz: NDArray[np.float64]


def measure_stretches(
    blocks: Iterable[NDArray[np.float32]],
    stretches: Sequence[Stretch],
    *,
    rate_hz: int = spectrum.RATE_HZ,
    band_hz: float | None = None,
    gate: Gate | None = None,
    progress: Callable[[int], None] = lambda _: None,
) -> list[MeasuredStretch]:
    """Measure stretches of one recording; sound more than 4 s after the last of them is not read.

    Parameters
    ----------
    blocks
        The recording in order, each of shape (n_channels, n_samples), any length, all finite.
    stretches
        In any order; they may overlap.
    rate_hz, band_hz, gate
        As for `wingtone.tone.measure`.
    progress
        Called after each stretch with how many are measured.

    Returns
    -------
    list of MeasuredStretch
        One for each stretch, in their order. Bouts carry the limits and the kind asked for, on the 10 ms
        grid; one in which no tone stands out carries the flag ``low level``.

    Raises
    ------
    ValueError
        Wrong rate, or a stretch that reaches beyond the end of the recording.
    """
    if rate_hz != spectrum.RATE_HZ:
        raise ValueError(f"blocks must be at {spectrum.RATE_HZ} Hz, not {rate_hz}")
    gate = gate or load_gate()
    top_hz = spectrum.RATE_HZ / 2
    band = min(top_hz, 0.95 * band_hz) if band_hz else top_hz
    out = []
    for stretch, samples in zip(stretches, _sounds(blocks, stretches), strict=True):
        out.append(_measured(stretch, samples, gate, band))
        progress(len(out))
    return out


def _edges(stretch: Stretch) -> tuple[int, int]:
    """Samples that the frames of a stretch and its shoulders need; the first may be negative."""
    first, end = stretch.frames
    half = spectrum.WINDOW // 2
    return (first - SHOULDER) * spectrum.HOP - half, (end - 1 + SHOULDER) * spectrum.HOP + half


def _sounds(blocks: Iterable[NDArray[np.float32]], stretches: Sequence[Stretch]) -> list[NDArray[np.float32]]:
    """Cut the sound of each stretch out without mains hum, silence where the recording has none."""
    edges = [_edges(stretch) for stretch in stretches]
    until = max((last + AROUND for _, last in edges), default=0)
    parts: list[list[NDArray[np.float32]]] = [[] for _ in stretches]
    done = 0
    for block in level(blocks):
        for (first, last), own in zip(edges, parts, strict=True):
            own.append(block[:, max(0, first - AROUND - done) : max(0, last + AROUND - done)])
        done += block.shape[1]
        if done >= until:
            break
    out = []
    for stretch, (first, last), own in zip(stretches, edges, parts, strict=True):
        if stretch.frames[1] * spectrum.HOP > done + spectrum.HOP:
            raise ValueError(f"the stretch ends at {stretch.end_s:g} s, after the recording")
        begin = max(0, first - AROUND)
        around, _ = undisturbed(np.concatenate(own, axis=1))
        found = around[:, max(0, first) - begin : last - begin]
        sound = np.zeros((found.shape[0], last - first), np.float32)
        before = max(0, -first)
        sound[:, before : before + found.shape[1]] = found
        out.append(sound)
    return out


def _measured(stretch: Stretch, samples: NDArray[np.float32], gate: Gate, band_hz: float) -> MeasuredStretch:
    first, end = stretch.frames
    rows, refined = [np.zeros(0, ROW)], [np.zeros(0, REFINED)]
    for start in range(first, end, PART_FRAMES):
        part = _part(stretch, samples, (start, min(start + PART_FRAMES, end)), band_hz)
        rows.append(part)
    joined = np.concatenate(rows)
    # Parts bring shoulders of their own: where they meet, what is tracked stands.
    inside = joined["tracked"] | (joined["frame"] < first) | (joined["frame"] >= end)
    joined = joined[inside]
    origin = first - SHOULDER
    refined.append(refine_tracked(samples, joined[joined["tracked"]], first_frame=origin, band_hz=band_hz))
    fine = np.concatenate(refined)
    tracked = joined[joined["tracked"]]
    # A short glide falls into scraps too short to judge; here somebody has said that it is one sound.
    before, after = joined[joined["frame"] < first], joined[joined["frame"] >= end]
    length_s = tracked.size * spectrum.HOP_S
    pieces = cut(joined, fine) or [Piece(tracked, before, after, fine, 0, thread=0, thread_s=length_s)]
    bout = to_bout(stretch.kind, judge(pieces, gate), fine, ())
    flags = bout.flags
    if float(tracked["salience"].mean()) < track.THRESHOLD and "low level" not in flags:
        flags = (*flags, "low level")
    return MeasuredStretch(
        bout=dataclasses.replace(
            bout,
            start_s=round(first * spectrum.HOP_S, 3),
            end_s=round(end * spectrum.HOP_S, 3),
            flags=flags,
        ),
        time_s=tracked["frame"] * spectrum.HOP_S,
        f0_hz=fine_line_hz(tracked, fine),
    )


def _part(
    stretch: Stretch, samples: NDArray[np.float32], frames: tuple[int, int], band_hz: float
) -> NDArray[np.void]:
    """Track one part of a stretch: its rows and their shoulders."""
    origin = stretch.frames[0] - SHOULDER
    a, b = frames[0] - SHOULDER - origin, frames[1] + SHOULDER - origin
    sound = samples[:, a * spectrum.HOP : (b - 1) * spectrum.HOP + spectrum.WINDOW]
    n = b - a
    shape = (samples.shape[0], spectrum.N_BINS, n)
    levels, marks = np.empty(shape, np.float32), np.empty(shape, np.float32)
    salience = salience_of(sound, band_hz=band_hz, keep=(levels, marks))
    low, high = _reach(stretch.near_hz)
    path = np.full(n, track.NO_BEE, np.int64)
    inner = salience[SHOULDER : n - SHOULDER, low:high]
    path[SHOULDER : n - SHOULDER] = low + track.best_path(inner + np.float32(FORCE))
    return frame_rows(
        levels.transpose(0, 2, 1),
        marks.transpose(0, 2, 1),
        path,
        first_frame=frames[0] - SHOULDER,
        band_hz=band_hz,
    )


def _reach(near_hz: float | None) -> tuple[int, int]:
    """Candidates that may be taken."""
    grid = comb.candidates_hz()
    if near_hz is None:
        return 0, grid.size
    near = np.abs(np.log(grid / near_hz)) <= REACH_LN
    inside = np.flatnonzero(near)
    return int(inside[0]), int(inside[-1]) + 1
