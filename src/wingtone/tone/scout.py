"""A quick first look: which stretches of a sound could hold a tone at all.

Most of a garden recording holds none. Every fifth frame is enough to know: the tracker's own search is
made on these frames with everything easier than it really is, and where even that earns too little,
the tracker need not look.

Conventions
-----------
The easier search: candidates are taken together in bands, each as good as its best member. Bands
overlap by half, so a tone that moves from band to band passes `BAND` candidates on the way; moving from
a band to the next, one band a look, costs what that many steps cost the tracker. Entering costs nothing,
and of what was earned no more than `wingtone.tone.track.SWITCH_COST` counts, for at that price the
tracker would leave. What is earned is counted in full frames.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone import track

if TYPE_CHECKING:
    from numpy.typing import NDArray

STEP_FRAMES = 5
"""50 ms: less than half a window, so no sound falls between. Ours; with 6, one of 1593 tones fell through
when it was tried."""
FFT_SIZE = 1024
"""A look reads the spectrum half as finely: nearly half the work. Ours."""
BAND = 6
"""Candidates (3 %) from the start of one band to the next; each is two of these wide. Ours."""
LEAST = 16.0
WIDEN_FRAMES = 20
"""What the easier search must earn; entering and leaving alone cost the true path 20. And how many frames
around each such look are tracked. Ours: in 741 tracked tones (270 of the labelled recordings, 471 made up, in
all conditions at 10, 5, 0, -3 and -6 dB), with the looks at each of their five phases, no tracked frame lay
further than 7 from a look that earned 16; with 18 a labelled tone fell through in one phase. Of the wind,
hiss and birds of ``tests/benchmarks/speed.py`` one frame in twenty-one passes. To be measured again when
`wingtone.tone.comb` or the tracker's costs change."""
PART_LOOKS = 50
OVERLAP_LOOKS = 20
"""The search runs over so many looks at a time, side by side with its other parts. A part begins this much
earlier (1 s) as if the best had gone before in every band, which noise has forgotten by then. Ours; it costs
a few looks too many and loses none."""


def spans(salience: NDArray[np.float32], *, n_frames: int) -> list[tuple[int, int]]:
    """Find the stretches that could hold a tone.

    Parameters
    ----------
    salience : shape (n_looks, n_candidates)
        Of frames 0, `STEP_FRAMES`, 2 `STEP_FRAMES`, ...
    n_frames
        Number of all frames.

    Returns
    -------
    list of (first, end)
        Frames, ascending, apart from each other; ``end`` is not included. Empty when no tone is possible.
    """
    if salience.shape[0] == 0:
        return []
    looks = np.flatnonzero(_earned(salience) > LEAST) * STEP_FRAMES
    if looks.size == 0:
        return []
    apart = np.flatnonzero(np.diff(looks) > 2 * WIDEN_FRAMES) + 1
    return [
        (max(0, int(near[0]) - WIDEN_FRAMES), min(n_frames, int(near[-1]) + WIDEN_FRAMES + 1))
        for near in np.split(looks, apart)
    ]


def _earned(salience: NDArray[np.float32]) -> NDArray[np.float32]:
    """What the best easy path through each look earns, in full frames; shape (n_looks,)."""
    # A path may end anywhere, so bands at the top that lack a few candidates are filled from below.
    by_candidate = salience.T
    starts = np.minimum(np.arange(0, by_candidate.shape[0], BAND), by_candidate.shape[0] - BAND)
    cell = by_candidate[starts]
    for more in range(1, BAND):
        np.maximum(cell, by_candidate[starts + more], out=cell)
    gain = np.maximum(cell[:-1], cell[1:]).T - np.float32(track.THRESHOLD)
    both = np.stack([gain, gain[::-1]])
    # At the ends of the sound nothing is paid for entering or leaving.
    both[:, 0] += np.float32(track.SWITCH_COST / 2 / STEP_FRAMES)
    ahead, back = _running(both)
    back = back[::-1]
    through = np.where((ahead > 0) & (back > 0), ahead + back - gain, 0.0)
    best_through: NDArray[np.float32] = STEP_FRAMES * through.max(axis=1)
    return best_through


def _running(gain: NDArray[np.float32]) -> NDArray[np.float32]:
    """What the best easy path up to each look earns in each band, all parts side by side.

    Parameters
    ----------
    gain : shape (n_rows, n_looks, n_bands)
        Each row by itself.
    """
    n_rows, n_looks, n_bands = gain.shape
    n_parts = -(-n_looks // PART_LOOKS)
    # Before the first look nothing is earned.
    long = np.full((n_rows, OVERLAP_LOOKS + n_parts * PART_LOOKS, n_bands), -99.0, np.float32)
    long[:, OVERLAP_LOOKS : OVERLAP_LOOKS + n_looks] = gain
    parts = np.lib.stride_tricks.sliding_window_view(long, OVERLAP_LOOKS + PART_LOOKS, axis=1)
    by_look = np.ascontiguousarray(parts[:, ::PART_LOOKS].transpose(3, 0, 1, 2))
    crossing = np.float32(track.SLEW_COST * BAND / STEP_FRAMES)
    most = np.float32(track.SWITCH_COST / STEP_FRAMES)
    earned = np.zeros((*by_look.shape[:3], n_bands + 2), np.float32)
    inner = earned[..., 1:-1]
    before = np.zeros((n_rows, n_parts, n_bands + 2), np.float32)
    before[..., 1:-1] = most
    for t, here in enumerate(by_look):
        best = np.maximum(before[..., :-2], before[..., 2:])
        best -= crossing
        np.maximum(best, before[..., 1:-1], out=best)
        np.minimum(best, most, out=best)
        best += here
        np.maximum(best, 0.0, out=inner[t])
        before = earned[t]
    kept = inner[OVERLAP_LOOKS:].transpose(1, 2, 0, 3)
    return kept.reshape(n_rows, n_parts * PART_LOOKS, n_bands)[:, :n_looks]
