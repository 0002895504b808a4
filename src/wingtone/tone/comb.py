"""How well a harmonic comb of each candidate spacing fits a levelled spectrum.

For each candidate f0 the contrast at its harmonics is added and the contrast half-way between them is
taken away. Half-way points settle the octave both ways: a comb at twice the true spacing finds the odd
harmonics standing in its gaps, a comb at half of it finds every other tooth missing. On a logarithmic
frequency axis every harmonic is a shift, so the whole sum is a few added slices.

Conventions
-----------
Salience has unit variance for noise of unit variance in each bin, whatever the candidate, so one
threshold serves all. Arrays are float32 of shape ``(n_frames, n_candidates)``.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone import spectrum

if TYPE_CHECKING:
    from numpy.typing import NDArray

LOWEST_HZ = 60.0
HIGHEST_HZ = 460.0
"""Candidates reach below and above what a bee can do (flight 80-320 Hz, sonication up to 400 Hz: De Luca
et al. 2019, read), so that other sounds are tracked as what they are and not pressed into the range."""
STEP = 0.005
"""Spacing of candidates in ln f0: 0.5 %. Ours; finer than one bin at the tenth harmonic of 100 Hz."""
N_HARMONICS = 12
FEW_HARMONICS = 5
"""A comb of the lowest harmonics alone is tried as well, and the better of the two counts: under hiss the
high teeth hold nothing but noise. Ours: on made-up clips at 5 dB in eight hard conditions, with the
threshold of `wingtone.tone.track`, it took the frames missed from 21 to 4 %; 25 of 25 real tones are tracked
as before."""
DECAY = 0.4
"""Harmonic h weighs h ** -DECAY. Ours, flat optimum on real recordings (8 to 14 harmonics, 0.3 to 0.5)."""
GAP_WEIGHT = 0.7
"""Weight of a gap against its tooth. Ours: flat optimum between 0.5 and 1."""
_TOP_HZ = 2900.0


@lru_cache(maxsize=1)
def candidates_hz() -> NDArray[np.float64]:
    """Every candidate f0 in Hz, ascending, ``STEP`` apart in ln; shape (n_candidates,)."""
    n = int(np.log(HIGHEST_HZ / LOWEST_HZ) / STEP) + 1
    grid: NDArray[np.float64] = LOWEST_HZ * np.exp(STEP * np.arange(n))
    grid.setflags(write=False)
    return grid


@lru_cache(maxsize=1)
def _log_axis() -> tuple[NDArray[np.int64], NDArray[np.float32], int]:
    """Bins and weights that interpolate a spectrum on the log axis, and the index of LOWEST_HZ on it."""
    low = LOWEST_HZ / 2
    n = int(np.log(_TOP_HZ / low) / STEP) + 1
    position = low * np.exp(STEP * np.arange(n)) / spectrum.BIN_HZ
    index = np.minimum(position.astype(np.int64), spectrum.N_BINS - 2)
    return index, (position - index).astype(np.float32), round(np.log(2.0) / STEP)


@lru_cache(maxsize=1)
def _teeth() -> tuple[tuple[int, float], ...]:
    """Shift on the log axis and signed weight of every tooth and gap."""
    out = []
    for h in range(1, N_HARMONICS + 1):
        weight = h**-DECAY
        out.append((round(np.log(h) / STEP), weight))
        out.append((round(np.log(h - 0.5) / STEP), -GAP_WEIGHT * weight))
    return tuple(out)


def salience(contrast: NDArray[np.float32], *, band_hz: float = _TOP_HZ) -> NDArray[np.float32]:
    """Salience of every candidate in every frame.

    Parameters
    ----------
    contrast : shape (n_frames, N_BINS)
        From `wingtone.tone.spectrum.contrast`.
    band_hz
        Upper edge of what the recording carries; teeth above it do not count.

    Returns
    -------
    shape (n_frames, n_candidates), float32
    """
    from scipy.linalg.blas import saxpy

    index, weight, zero = _log_axis()
    by_bin = np.ascontiguousarray(contrast.T)
    on_log = by_bin[index]
    upper = by_bin[index + 1]
    upper -= on_log
    upper *= weight[:, None]
    on_log += upper
    top = min(index.size, int(np.log(min(band_hz, _TOP_HZ) / (LOWEST_HZ / 2)) / STEP))
    n, n_frames = candidates_hz().size, contrast.shape[0]
    total = np.zeros((n, n_frames), np.float32)
    energy = np.zeros(n, np.float32)
    few: NDArray[np.float32] = total
    for number, (shift, tooth) in enumerate(_teeth()):
        if number == 2 * FEW_HARMONICS:
            few = (total / np.sqrt(energy)[:, None]).astype(np.float32)
        start = zero + shift
        reach = min(n, top - start)
        if reach > 0 and n_frames:
            # total[:reach] += tooth * on_log[start : start + reach], without a temporary array
            saxpy(on_log.ravel(), total.ravel(), n=reach * n_frames, a=tooth, offx=start * n_frames)
            energy[:reach] += np.float32(tooth**2)
    total /= np.sqrt(energy)[:, None]
    np.maximum(total, few, out=total)
    return np.ascontiguousarray(total.T)


def combine_channels(per_channel: NDArray[np.float32]) -> NDArray[np.float32]:
    """Join the salience of several channels, shape (n_channels, n_frames, n_candidates).

    Wind and handling differ between channels, the bee does not: the sum keeps unit variance for
    independent noise and gains where both channels hear the bee.
    """
    joined: NDArray[np.float32] = per_channel.sum(axis=0) / np.float32(np.sqrt(per_channel.shape[0]))
    return joined
