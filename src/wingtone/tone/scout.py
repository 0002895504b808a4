"""A quick first look: which stretches of a sound could hold a tone at all.

Most of a garden recording holds none. Every fourth frame is enough to know: the tracker's own search is
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

STEP_FRAMES = 4
"""40 ms: less than a third of a window, so no sound falls between. Ours."""
BAND = 6
"""Candidates (3 %) from the start of one band to the next; each is two of these wide. Ours."""
LEAST = 11.5
"""What the easier search must earn; entering and leaving alone cost the true path 20. Ours: in 457 tracked
tones of the labelled recordings and of made-up clips (10, 0 and -6 dB), with the looks at each of their four
phases, it never earned less than 11.9; of white noise it lets about a fifth through. To be measured again
when `wingtone.tone.comb` or the tracker's costs change."""
WIDEN_FRAMES = 50
"""Around what may hold a tone: room for the shoulders (`wingtone.tone.rows.SHOULDER`) and a look."""


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
    n_looks, n = salience.shape
    pad = -n % BAND
    if pad:
        salience = np.concatenate([salience, salience[:, -1:].repeat(pad, axis=1)], axis=1)
    cell = salience.reshape(n_looks, -1, BAND).max(axis=2)
    gain = np.maximum(cell[:, :-1], cell[:, 1:]) - np.float32(track.THRESHOLD)
    crossing = np.float32(track.SLEW_COST * BAND / STEP_FRAMES)
    most = np.float32(track.SWITCH_COST / STEP_FRAMES)
    # Forwards and backwards at once: axis 1.
    both = np.stack([gain, gain[::-1]], axis=1)
    earned = np.zeros((n_looks + 1, 2, gain.shape[1] + 2), np.float32)
    for t in range(n_looks):
        before = earned[t]
        best = np.maximum(before[:, :-2], before[:, 2:])
        best -= crossing
        np.maximum(best, before[:, 1:-1], out=best)
        np.minimum(best, most, out=best)
        best += both[t]
        np.maximum(best, 0.0, out=earned[t + 1, :, 1:-1])
    ahead, back = earned[1:, 0, 1:-1], earned[:0:-1, 1, 1:-1]
    through = np.where((ahead > 0) & (back > 0), ahead + back - gain, 0.0)
    best_through: NDArray[np.float32] = STEP_FRAMES * through.max(axis=1)
    return best_through
