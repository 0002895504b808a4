"""Mains hum, taken out before a tone is looked for.

Transformers, pumps and long leads hum at multiples of 50 or 60 Hz, right where a wingbeat and its harmonics
lie. Mains keep their frequency to a few hundredths of a hertz, while a wingbeat wanders by a percent or so
within seconds, and each harmonic of it as well. So through a window of 4 s a partial of hum is one sharp
line, a bee's is a hump, even where both lie at the same place. Each partial is judged by itself.

- `without_hum`: a sound in, the same sound without hum out.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone import spectrum

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

WINDOW_S = 4
WINDOW = WINDOW_S * spectrum.RATE_HZ
STEP = WINDOW // 2
"""Hann windows of 4 s, 2 s apart: they add up to one, and tell lines 0.5 Hz wide from wider ones. Ours."""
MAINS_HZ = (50.0, 60.0)
MAINS_SHARE = 0.005
"""How far the frequency of the mains may be off. Grids keep to 0.2 to 0.4 % (common practice, no source); a
recorder's clock adds next to nothing."""
HIGHEST_HZ = 1500.0
"""Higher multiples are faint, and with 0.5 % either way would take up most of the spectrum. Ours."""
N_WINDOWS = 3
"""A line has to stand in so many windows in a row (8 s), in all of a sound that has fewer."""
RATIO = 30.0
"""Power of a line over the median of its neighbourhood: 15 dB. Ours. What noise does by chance in one window
is rarely repeated in the next at the same place: of 400 made-up noises of 5 s 7 lose a line, of 20 of 12 s
none."""
LOBE = 3
"""Bins to either side of a line's middle that belong to it: Hann's main lobe, and one for slow changes."""
SKIRT = 6
"""Bins to either side, from `LOBE` on, in which the neighbourhood is read: 0.75 to 1.5 Hz."""
PARTS = 4
LEAST_PART = 0.5
"""Each second of a window has to hold a line at this share of its median amplitude at least. A tone that
sounds for a part of the window only is no hum, and what is taken out on the mean of the window would be a
tone of its own where it is silent. Ours."""
LEAST_WEIGHT = 0.1
"""At the very ends one window alone stands; where it lets less than this through, less is taken out."""


def off_mains(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """How far frequencies, any shape, lie off the nearest multiple of a mains frequency, as a share of it."""
    hz = np.asarray(frequency_hz, np.float64)
    multiples = [np.maximum(1, np.rint(hz / mains)) * mains for mains in MAINS_HZ]
    off: NDArray[np.float64] = np.min([np.abs(hz - one) / one for one in multiples], axis=0)
    return off


@lru_cache(maxsize=1)
def _may_be_mains() -> NDArray[np.bool_]:
    """Whether a multiple of the mains may lie in a bin, shape (n,), up to the last in which one may."""
    near = off_mains(np.arange(round(HIGHEST_HZ * WINDOW_S) + 1) / WINDOW_S) < MAINS_SHARE
    return near[: np.flatnonzero(near)[-1] + 1]


def hum_lines(spectra: NDArray[np.complex64]) -> list[NDArray[np.int64]]:
    """Find lines at multiples of the mains that are as narrow as the window allows.

    Parameters
    ----------
    spectra : shape (n_windows, WINDOW // 2 + 1)
        Fourier transforms of windows. All are searched at once, which takes a third of one by one.

    Returns
    -------
    one array of shape (n,) for each window
        Bins (``1 / WINDOW_S`` Hz each) of their middles, ascending.
    """
    mains = _may_be_mains()
    low = spectra[:, : mains.size + SKIRT]
    power = low.real**2 + low.imag**2
    middle = slice(SKIRT, mains.size)
    highest = mains[middle] & np.logical_and.reduce(
        [power[:, middle] >= power[:, SKIRT + step : mains.size + step] for step in (-2, -1, 1, 2)]
    )
    window, peak = np.nonzero(highest)
    peak += SKIRT
    side = np.arange(LOBE, SKIRT + 1)
    skirts = np.sort(power[window[:, None], peak[:, None] + np.concatenate([-side, side])], axis=1)
    median = (skirts[:, side.size - 1] + skirts[:, side.size]) / 2
    sharp = power[window, peak] > RATIO * median
    return [peak[sharp & (window == one)] for one in range(len(spectra))]


def without_hum(samples: NDArray[np.float32]) -> NDArray[np.float32]:
    """Take the mains hum out of a sound.

    Parameters
    ----------
    samples : shape (n_channels, n)
        At `spectrum.RATE_HZ`.

    Returns
    -------
    shape (n_channels, n), float32
        The same array when there is none, and when it is shorter than `WINDOW_S` (with the half windows of
        silence at the ends of a recording, 3.9 s of sound): too short to know.
    """
    n = samples.shape[1]
    if n < WINDOW:
        return samples
    starts = [*range(0, n - WINDOW, STEP), n - WINDOW]
    found = [_hum_of(channel, starts) for channel in samples]
    if all(one is None for one in found):
        return samples
    weight = np.zeros(n, np.float32)
    for start in starts:
        weight[start : start + WINDOW] += spectrum.hann(WINDOW)
    np.maximum(weight, LEAST_WEIGHT, out=weight)
    return np.stack([c if one is None else c - one / weight for c, one in zip(samples, found, strict=True)])


def _hum_of(samples: NDArray[np.float32], starts: list[int]) -> NDArray[np.float32] | None:
    """The hum of one channel, as the windows weigh it; None when there is none."""
    from scipy.fft import irfft, rfft

    # Several windows at a time take a third of what one takes.
    cut = np.lib.stride_tricks.sliding_window_view(samples, WINDOW)[starts]
    spectra = rfft(cut * spectrum.hann(WINDOW), axis=1, workers=1)
    chosen = lasting(hum_lines(spectra))
    if not any(one.size for one in chosen):
        return None
    chosen = lasting([one[_is_steady(window, one)] for one, window in zip(chosen, cut, strict=True)])
    if not any(one.size for one in chosen):
        return None
    out = np.zeros_like(samples)
    for start, bins, whole in zip(starts, chosen, spectra, strict=True):
        if bins.size:
            at = bins[:, None] + np.arange(-LOBE, LOBE + 1)
            lines = np.zeros_like(whole)
            lines[at] = whole[at]
            out[start : start + WINDOW] += irfft(lines, WINDOW, workers=1)
    return out


def _is_steady(window: NDArray[np.float32], bins: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether lines sound all through a window, one value for each bin; see `LEAST_PART`."""
    from scipy.fft import rfft

    if bins.size == 0:
        return np.zeros(0, bool)
    parts = rfft(window.reshape(PARTS, -1), WINDOW, axis=1, workers=1)[:, bins]
    amplitude = np.abs(parts)
    steady: NDArray[np.bool_] = amplitude.min(axis=0) >= LEAST_PART * np.median(amplitude, axis=0)
    return steady


def lasting(found: list[NDArray[np.int64]]) -> list[NDArray[np.int64]]:
    """Keep the lines that stand in `N_WINDOWS` windows in a row, or in all when there are fewer.

    From one window to the next a line may move by one bin.
    """
    need = min(N_WINDOWS, len(found))
    before = _runs(found)
    after = _runs(found[::-1])[::-1]
    return [b[p + q - 1 >= need] for b, p, q in zip(found, before, after, strict=True)]


def _runs(found: list[NDArray[np.int64]]) -> list[NDArray[np.int64]]:
    """How many windows in a row, each line's own the last, it has stood in."""
    out: list[NDArray[np.int64]] = []
    for at, bins in enumerate(found):
        run = np.ones(bins.size, np.int64)
        if at and found[at - 1].size:
            near = np.abs(bins[:, None] - found[at - 1]) <= 1
            run += (near * out[-1]).max(axis=1)
        out.append(run)
    return out
