"""One row of evidence for every frame that carries a tone, and for its shoulders.

A row holds all that later stages need of a frame, so spectra can be forgotten block by block. Shoulder
rows (up to `SHOULDER` frames before and after a tone) hold the tone's last pitch: they tell how the
comb begins and ends, and whether it was there before.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone import comb, spectrum
from wingtone.tone.track import NO_BEE

if TYPE_CHECKING:
    from numpy.typing import NDArray

SHOULDER = 40
"""0.4 s each side."""
N_TEETH = comb.N_HARMONICS
N_FLANKED = 4
N_THIRDED = 3
"""Below each of the lowest three lines, one and two thirds of the way from the line before, an engine that
is followed at its third line has lines of its own, and an insect has none. Ours, as tried on six shufflings
of the labelled recordings, both at a threshold of 0.47: without it an engine beside a bee that shook a flower
was called flight in all of them, with it in none."""
FLANK_HZ = 24.0
"""Beside each of the lowest lines, this far off, the level of its flanks is read: just outside the main
lobe of the analysis window (16 Hz), and inside the gaps of the lowest comb (80 Hz). One insect is a narrow
line at any moment; a swarm is a hump. Ours."""

ROW = np.dtype(
    [
        ("frame", np.int64),
        ("tracked", np.bool_),
        ("motor", np.bool_),
        ("ln_f0", np.float32),
        ("salience", np.float32),
        ("salience_double", np.float32),
        ("salience_half", np.float32),
        ("salience_third", np.float32),
        ("salience_other", np.float32),
        ("level", np.float32),
        ("gap_level", np.float32),
        ("rumble", np.float32),
        ("thirds", np.float32, (2 * N_THIRDED,)),
        ("teeth", np.float32, (N_TEETH,)),
        ("gaps", np.float32, (N_TEETH,)),
        ("tooth_level", np.float32, (N_TEETH,)),
        ("flank_level", np.float32, (N_FLANKED,)),
    ]
)
"""Levels in nepers of power; contrast (teeth, gaps, thirds) over the local floor; NaN beyond the band.
``motor``: an engine was taken out here (`wingtone.tone.listen` knows)."""


RELATIVES = (1.0, 2.0, 0.5, 1.5, 2 / 3, 3.0, 1 / 3)
RELATIVE_LN = 0.06
"""Within 6 % of these ratios to the tone, another candidate is fed by the same harmonics. Ours."""


def _at(
    values: NDArray[np.float32], frame: NDArray[np.int64], bins: NDArray[np.float64]
) -> NDArray[np.float32]:
    """Read (n_channels, n_frames, n_bins) at fractional bins (n_rows, n_teeth); mean over channels."""
    low = np.minimum(bins.astype(np.int64), spectrum.N_BINS - 2)
    weight = (bins - low).astype(np.float32)
    at = frame[:, None]
    read: NDArray[np.float32] = (values[:, at, low] * (1 - weight) + values[:, at, low + 1] * weight).mean(
        axis=0
    )
    return read


def _mean_power(level: NDArray[np.float32]) -> NDArray[np.float32]:
    """Level of the mean power along the last axis; NaN are left out."""
    known = np.isfinite(level)
    total = np.exp(level, where=known, out=np.zeros_like(level)).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean: NDArray[np.float32] = np.log(total / known.sum(axis=1, dtype=np.float32))
    return mean


@lru_cache(maxsize=1)
def _unrelated() -> NDArray[np.float32]:
    """0 for every candidate that is no relative of the one a row belongs to, else far below any salience.

    Shape (n_candidates, n_candidates), a view: which candidates are relatives depends on the distance alone.
    """
    n = comb.candidates_hz().size
    distance = np.abs(np.arange(1 - n, n)) * comb.STEP
    related = [np.abs(distance - abs(np.log(ratio))) < RELATIVE_LN for ratio in RELATIVES]
    penalty = np.where(np.any(related, axis=0), -1000.0, 0.0).astype(np.float32)
    return np.lib.stride_tricks.sliding_window_view(penalty, n)[::-1]


def _held(path: NDArray[np.int64]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Frames that get a row, and the candidate each of them holds."""
    tracked = np.flatnonzero(path != NO_BEE)
    if tracked.size == 0:
        return tracked, tracked
    frame = np.arange(path.size)
    after = np.searchsorted(tracked, frame)
    right = tracked[np.minimum(after, tracked.size - 1)]
    left = tracked[np.maximum(after - 1, 0)]
    nearest = np.where(np.abs(right - frame) < np.abs(frame - left), right, left)
    keep = np.abs(nearest - frame) <= SHOULDER
    return frame[keep], path[nearest[keep]]


def frame_rows(
    log_spectrum: NDArray[np.float32],
    contrast: NDArray[np.float32],
    path: NDArray[np.int64],
    *,
    first_frame: int = 0,
    band_hz: float = spectrum.RATE_HZ / 2,
) -> NDArray[np.void]:
    """Collect the rows of one block.

    Parameters
    ----------
    log_spectrum, contrast : shape (n_channels, n_frames, N_BINS)
    path : shape (n_frames,)
    first_frame
        Number of the block's first frame in the recording.

    Returns
    -------
    structured array of dtype `ROW`, ascending in ``frame``; empty when nothing is tracked.
    """
    frame, candidate = _held(path)
    rows = np.zeros(frame.size, ROW)
    if frame.size == 0:
        return rows
    here = comb.combine_channels([comb.salience(one.T[:, frame].T, band_hz=band_hz) for one in contrast])
    n = here.shape[1]
    at = np.arange(frame.size)

    def shifted(ratio: float) -> NDArray[np.float32]:
        index = candidate + round(np.log(ratio) / comb.STEP)
        value = here[at, np.clip(index, 0, n - 1)]
        return np.where((index >= 0) & (index < n), value, 0.0).astype(np.float32)

    # A parabola through three candidates reads f0 finer than the grid.
    middle = np.clip(candidate, 1, n - 2)
    left, centre, right = here[at, middle - 1], here[at, middle], here[at, middle + 1]
    bend = left - 2 * centre + right
    offset = np.where(bend < -1e-6, 0.5 * (left - right) / np.where(bend < -1e-6, bend, 1.0), 0.0)
    ln_f0 = np.log(comb.candidates_hz()[middle]) + comb.STEP * np.clip(offset, -1.0, 1.0)

    f0_bins = np.exp(ln_f0)[:, None] / spectrum.BIN_HZ
    harmonic = np.arange(1, N_TEETH + 1)
    tooth_bins, gap_bins = f0_bins * harmonic, f0_bins * (harmonic - 0.5)
    inside = tooth_bins * spectrum.BIN_HZ < min(band_hz, spectrum.RATE_HZ / 2) - 30.0
    tooth_level = np.where(inside, _at(log_spectrum, frame, tooth_bins), np.float32(np.nan))
    gap_level = np.where(inside, _at(log_spectrum, frame, gap_bins), np.float32(np.nan))
    third_bins = f0_bins * (harmonic[:N_THIRDED, None] - np.array([2, 1]) / 3).ravel()
    inside_thirds = np.repeat(inside[:, :N_THIRDED], 2, axis=1)
    near_bins = tooth_bins[:, :N_FLANKED]
    flanks = [_at(log_spectrum, frame, near_bins + side * FLANK_HZ / spectrum.BIN_HZ) for side in (-1, 1)]
    other = (here + _unrelated()[candidate]).max(axis=1)

    rows["frame"] = frame + first_frame
    rows["tracked"] = path[frame] != NO_BEE
    rows["ln_f0"] = ln_f0
    rows["salience"] = here[at, candidate]
    rows["salience_double"] = shifted(2.0)
    rows["salience_half"] = shifted(0.5)
    rows["salience_third"] = np.maximum(shifted(1.5), shifted(2 / 3))
    rows["salience_other"] = np.maximum(other, -9.0)
    rows["level"] = _mean_power(tooth_level)
    rows["gap_level"] = _mean_power(gap_level)
    low, high = round(20 / spectrum.BIN_HZ), round(60 / spectrum.BIN_HZ)
    rows["rumble"] = log_spectrum[:, :, low:high].mean(axis=(0, 2))[frame]
    rows["teeth"] = np.where(inside, _at(contrast, frame, tooth_bins), np.float32(np.nan))
    rows["gaps"] = np.where(inside, _at(contrast, frame, gap_bins), np.float32(np.nan))
    rows["thirds"] = np.where(inside_thirds, _at(contrast, frame, third_bins), np.float32(np.nan))
    rows["tooth_level"] = tooth_level
    rows["flank_level"] = np.where(inside[:, :N_FLANKED], (flanks[0] + flanks[1]) / 2, np.float32(np.nan))
    return rows
