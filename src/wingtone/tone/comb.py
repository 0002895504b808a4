"""How well a harmonic comb of each candidate spacing fits a levelled spectrum.

For each candidate f0 the contrast at its harmonics is added and the contrast half-way between them is
taken away. Half-way points settle the octave both ways: a comb at twice the true spacing finds the odd
harmonics standing in its gaps, a comb at half of it finds every other tooth missing. On a logarithmic
frequency axis every harmonic is a shift, so the whole sum is one thin matrix, mostly zeros.

Conventions
-----------
Salience has unit variance for noise of unit variance in each bin, whatever the candidate, so one
threshold serves all. Arrays are float32 of shape ``(n_frames, n_candidates)``, and lie candidate by candidate
in memory, as the spectra lie bin by bin.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone import spectrum

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray
    from scipy.sparse import csr_array

LOWEST_HZ = 60.0
HIGHEST_HZ = 460.0
"""Candidates reach below and above what a bee can do (flight 80-320 Hz, sonication up to 400 Hz: De Luca
et al. 2019, read), so that other sounds are tracked as what they are and not pressed into the range."""
STEP = 0.005
"""Spacing of candidates in ln f0: 0.5 %. Ours: two spectral bins at most at the tenth harmonic of 100 Hz."""
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
SEARCH_GAIN = np.float32(1.42)
"""Of `search_salience`: it brings noise back to where the tracker's threshold is. Ours. A line as strong as
the noise around it is told from none by 0.78 of the deviation of what is counted when heights alone are, by
0.60 when dips down to -2 nepers are, too (noise of exponential power: worked out). Of made-up clips of three
seeds 0.3, 3.0 and 12.9 % of the frames were tracked wrongly or not at all at 5, 0 and -5 dB with a gain of
1.35, and 0.9, 4.8 and 19.7 % with the dips; in hiss, wind and birds as little was tracked as before."""
_TOP_HZ = 2900.0


@lru_cache(maxsize=1)
def candidates_hz() -> NDArray[np.float64]:
    """Every candidate f0 in Hz, ascending, ``STEP`` apart in ln; shape (n_candidates,)."""
    return even_in_ln(LOWEST_HZ, HIGHEST_HZ, STEP)


def even_in_ln(lowest_hz: float, highest_hz: float, step: float) -> NDArray[np.float64]:
    """Frequencies in Hz from the lowest on, ``step`` apart in ln, shape (n,); not to be written to."""
    n = int(np.log(highest_hz / lowest_hz) / step) + 1
    grid: NDArray[np.float64] = lowest_hz * np.exp(step * np.arange(n))
    grid.setflags(write=False)
    return grid


@lru_cache(maxsize=8)
def _combs(band_hz: float, n_bins: int) -> tuple[csr_array, csr_array, NDArray[np.float32]]:
    """The comb as two matrices of shape (n_candidates, n_bins), and how the first joins the second.

    The first gives the salience of the few lowest harmonics alone; the second, with the first times the third
    (n_candidates, 1), that of all. Sparse products stay on one processor, which OpenBLAS's do not: waking
    the others takes longer than the sums.
    """
    from scipy.sparse import csr_array

    # On the log axis candidate k lies ``zero`` steps up from the start, and every harmonic is a shift.
    low = LOWEST_HZ / 2
    top = int(np.log(min(band_hz, _TOP_HZ) / low) / STEP)
    position = low * np.exp(STEP * np.arange(top)) / spectrum.bin_hz(n_bins)
    index = np.minimum(position.astype(np.int64), n_bins - 2)
    weight = position - index
    zero = round(np.log(2.0) / STEP)
    shape = candidates_hz().size, n_bins

    def comb_of(harmonics: range) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Teeth and gaps, and the sum of their squares for each candidate."""
        teeth, energy = np.zeros(shape), np.zeros((shape[0], 1))
        for h in harmonics:
            for place, tooth in ((h, h**-DECAY), (h - 0.5, -GAP_WEIGHT * h**-DECAY)):
                at = zero + round(np.log(place) / STEP) + np.arange(shape[0])
                row = np.flatnonzero(at < top)
                at = at[row]
                np.add.at(teeth, (row, index[at]), tooth * (1 - weight[at]))
                np.add.at(teeth, (row, index[at] + 1), tooth * weight[at])
                energy[row] += tooth**2
        return teeth, energy

    few, few_energy = comb_of(range(1, FEW_HARMONICS + 1))
    more, more_energy = comb_of(range(FEW_HARMONICS + 1, N_HARMONICS + 1))
    size, all_size = np.sqrt(few_energy), np.sqrt(few_energy + more_energy)
    return (
        csr_array((few / size).astype(np.float32)),
        csr_array((more / all_size).astype(np.float32)),
        (size / all_size).astype(np.float32),
    )


def salience(contrast: NDArray[np.float32], *, band_hz: float = _TOP_HZ) -> NDArray[np.float32]:
    """Salience of every candidate in every frame.

    Parameters
    ----------
    contrast : shape (n_frames, n_bins)
        From `wingtone.tone.spectrum.contrast`.
    band_hz
        Upper edge of what the recording carries; teeth above it do not count.

    Returns
    -------
    shape (n_frames, n_candidates), float32
    """
    return _fit(np.ascontiguousarray(contrast.T), band_hz).T


def search_salience(contrast: NDArray[np.float32], *, band_hz: float = _TOP_HZ) -> NDArray[np.float32]:
    """`salience` for finding a tone: what lies below the floor counts as nothing.

    Noise dips further below its mean level than it rises above it, on a logarithmic scale, and the dips say
    little of a line. Where a tone was found they tell how well the comb fits it: it is described with them.
    """
    return SEARCH_GAIN * _fit(np.maximum(contrast.T, np.float32(0.0), order="C"), band_hz).T


def _fit(by_bin: NDArray[np.float32], band_hz: float) -> NDArray[np.float32]:
    few_teeth, more_teeth, share = _combs(min(band_hz, _TOP_HZ), by_bin.shape[0])
    few, total = few_teeth @ by_bin, more_teeth @ by_bin
    total += few * share
    np.maximum(total, few, out=total)
    return total


def combine_channels(per_channel: Sequence[NDArray[np.float32]]) -> NDArray[np.float32]:
    """Join the salience of several channels, each of shape (n_frames, n_candidates).

    Wind and handling differ between channels, the bee does not: the sum keeps unit variance for
    independent noise and gains where both channels hear the bee. Channels that hear the same noise have to
    be left out before (`wingtone.tone.listen.distinct`): they would count it twice.
    """
    joined = per_channel[0]
    for another in per_channel[1:]:
        joined = joined + another
    return joined / np.float32(np.sqrt(len(per_channel))) if len(per_channel) > 1 else joined
