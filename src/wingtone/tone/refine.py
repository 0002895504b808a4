"""f0 to the statistical limit: harmonic least squares along the tracked line.

Each harmonic of the tracked line is brought to rest (the sound is multiplied by the conjugate of the
line's own phase, so glides and wander drop out), and in short windows the small common offset is
found that explains all harmonics at once. Amplitudes and phases are nuisance; every harmonic counts by
how far it stands over the noise measured half-way to its neighbours. For well separated harmonics this is
the maximum-likelihood estimate in coloured noise (Quinn & Hannan 2001, The Estimation and Tracking of
Frequency, ch. 2-4, from memory), and the bend of the likelihood at its top is the error.

Conventions
-----------
Windows are `WINDOW_S` long and `HOP_FRAMES` frames apart. Powers are those of one window's Fourier sum
at the harmonic, in arbitrary units common to a recording.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone import spectrum
from wingtone.tone.rows import N_TEETH

if TYPE_CHECKING:
    from numpy.typing import NDArray

HOP_FRAMES = 4
DECIMATION = 15
"""Harmonics at rest are averaged to 400 samples a second: the offsets looked for are below 40 Hz."""
RATE_AT_REST_HZ = spectrum.RATE_HZ / DECIMATION
LENGTH = 52
"""Samples at rest in one window: 130 ms, the tracker's own window."""
WINDOW_S = LENGTH / RATE_AT_REST_HZ
TAPER = 0.25
"""Share of the window that is tapered (Tukey): costs 5 % of the information and keeps the neighbouring
harmonics 40 dB down. Ours."""
SMOOTH_FRAMES = 4
"""Half-width of the running mean over the tracked line: 90 ms in all, less than a window."""
OFFSETS_HZ = np.arange(-3.0, 3.01, 0.25)
"""The tracker reads its line to about 0.5 %, so 3 Hz is ample."""

REFINED = np.dtype(
    [
        ("frame", np.int64),
        ("f0_hz", np.float32),
        ("variance_hz2", np.float32),
        ("tone_power", np.float32, (N_TEETH,)),
        ("noise_power", np.float32, (N_TEETH,)),
    ]
)
"""NaN in the powers: the harmonic lies beyond the recording's band."""


@lru_cache(maxsize=1)
def _window() -> NDArray[np.float32]:
    from scipy.signal.windows import tukey

    return np.asarray(tukey(LENGTH, TAPER), np.float32)


@lru_cache(maxsize=1)
def _kernel() -> NDArray[np.complex64]:
    """Tapered Fourier kernels, shape (n_harmonics, n_offsets, LENGTH)."""
    time_s = (np.arange(LENGTH) - (LENGTH - 1) / 2) / RATE_AT_REST_HZ
    turns = np.arange(1, N_TEETH + 1)[:, None, None] * OFFSETS_HZ[None, :, None] * time_s
    kernel: NDArray[np.complex64] = (_window() * np.exp(-2j * np.pi * turns)).astype(np.complex64)
    return kernel


def _at_rest(samples: NDArray[np.float32], unit: NDArray[np.complex64], n: int) -> NDArray[np.complex64]:
    """Bring one line to rest and average, shape (n_channels, n)."""
    turned = samples[:, : n * DECIMATION] * unit[: n * DECIMATION]
    rest: NDArray[np.complex64] = turned.reshape(samples.shape[0], n, DECIMATION).mean(axis=2)
    return rest


def refine_run(
    samples: NDArray[np.float32],
    ln_f0: NDArray[np.float32],
    *,
    first_centre: int,
    first_frame: int,
    band_hz: float = spectrum.RATE_HZ / 2,
) -> NDArray[np.void]:
    """Refine one unbroken run of tracked frames.

    Parameters
    ----------
    samples : shape (n_channels, n)
        At `spectrum.RATE_HZ`; must reach at least half a window beyond the run where there is sound.
    ln_f0 : shape (n_frames,)
        The tracked line, one value every `spectrum.HOP` samples.
    first_centre
        Index in ``samples`` of the first frame's centre.
    first_frame
        The run's first frame in the recording.

    Returns
    -------
    structured array of dtype `REFINED`, one entry every `HOP_FRAMES` frames, at least one.
    """
    # The tracked line steps on its grid; smoothed, its phase is that of a wing.
    ln_f0 = spectrum.running_mean(ln_f0.astype(np.float32), SMOOTH_FRAMES)
    half = LENGTH * DECIMATION // 2
    begin = max(0, first_centre - half)
    end = min(samples.shape[1], first_centre + (ln_f0.size - 1) * spectrum.HOP + half + DECIMATION)
    part = samples[:, begin:end]
    n = part.shape[1] // DECIMATION
    at = np.arange(part.shape[1]) + begin - first_centre
    line_hz = np.exp(np.interp(at / spectrum.HOP, np.arange(ln_f0.size), ln_f0))
    turns = np.cumsum(line_hz) / spectrum.RATE_HZ
    half_turn = np.exp(-1j * np.pi * (turns - turns[0])).astype(np.complex64)

    frames = np.arange(0, ln_f0.size, HOP_FRAMES)
    centre = (first_centre - begin + frames * spectrum.HOP) / DECIMATION
    start = np.clip(np.round(centre - LENGTH / 2).astype(int), 0, max(0, n - LENGTH))
    picks = start[:, None] + np.arange(min(LENGTH, n))

    n_channels, n_windows, n_offsets = samples.shape[0], frames.size, OFFSETS_HZ.size
    power = np.zeros((n_channels, n_windows, N_TEETH, n_offsets), np.float32)
    noise = np.zeros((n_channels, n_windows, N_TEETH + 1), np.float32)
    kernel, taper = _kernel()[:, :, : picks.shape[1]], _window()[: picks.shape[1]]
    lowest = float(np.exp(ln_f0.max()))
    harmonics = int(min(N_TEETH, (min(band_hz, spectrum.RATE_HZ / 2) - 30.0) // lowest))
    unit = np.ones(part.shape[1], np.complex64)
    for step in range(2 * harmonics + 1):
        unit = unit * half_turn
        h, between = divmod(step + 1, 2)
        windows = _at_rest(part, unit, n)[:, picks]
        if between:
            # Half-way between harmonics h and h + 1: nothing but noise. A few cells make it steadier.
            for shift in (-0.15, 0.0, 0.15):
                swing = np.exp(2j * np.pi * shift * lowest * np.arange(picks.shape[1]) / RATE_AT_REST_HZ)
                cell = np.abs((windows * (taper * swing)).sum(axis=-1)) ** 2
                noise[:, :, h] += (cell / 3).astype(np.float32)
        else:
            sums = np.einsum("cwl,ol->cwo", windows, kernel[h - 1], optimize=True)
            power[:, :, h - 1] = np.abs(sums) ** 2
    return _solve(power, noise, harmonics, np.exp(ln_f0[frames]), frames + first_frame)


def _solve(
    power: NDArray[np.float32],
    noise: NDArray[np.float32],
    harmonics: int,
    line_hz: NDArray[np.float32],
    frame: NDArray[np.int64],
) -> NDArray[np.void]:
    """The best common offset of every window, its variance, and the harmonics' powers."""
    out = np.zeros(frame.size, REFINED)
    out["frame"] = frame
    out["tone_power"], out["noise_power"] = np.nan, np.nan
    # Noise at a harmonic: mean of the gaps either side, steadied over seven windows.
    width = min(7, frame.size)
    ones = np.ones(width) / width
    gaps = np.apply_along_axis(lambda v: _edge_mean(v, ones), 1, noise)
    floor = 0.5 * (gaps[:, :, :harmonics] + gaps[:, :, 1 : harmonics + 1]) + 1e-20
    power = power[:, :, :harmonics]
    ratio = power / floor[..., None]
    middle = OFFSETS_HZ.size // 2
    strength = np.apply_along_axis(lambda v: _edge_mean(v, ones), 1, ratio.max(axis=3))
    # A harmonic that is only noise still reaches 2 to 3 at its best offset; weigh it down to nothing.
    gain = np.maximum(strength - 3.0, 0.05)
    likelihood = (ratio * (gain / (1 + gain))[..., None]).sum(axis=(0, 2))
    best = np.clip(likelihood.argmax(axis=1), 1, OFFSETS_HZ.size - 2)
    rows = np.arange(frame.size)
    left, top, right = (likelihood[rows, best + d] for d in (-1, 0, 1))
    step = OFFSETS_HZ[1] - OFFSETS_HZ[0]
    bend = np.minimum(left - 2 * top + right, -1e-6)
    offset = OFFSETS_HZ[best] + step * np.clip(0.5 * (left - right) / bend, -1, 1)
    out["f0_hz"] = line_hz + offset
    out["variance_hz2"] = np.minimum(step**2 / -bend, OFFSETS_HZ[-1] ** 2)
    at_best = np.take_along_axis(power, best[None, :, None, None], axis=3)[..., 0]
    at_best = np.where(best[None, :, None] == middle, at_best, np.maximum(at_best, power[..., middle]))
    out["tone_power"][:, :harmonics] = np.maximum(at_best - floor, 0.0).mean(axis=0)
    out["noise_power"][:, :harmonics] = floor.mean(axis=0)
    return out


def _edge_mean(values: NDArray[np.float32], kernel: NDArray[np.float64]) -> NDArray[np.float64]:
    """Running mean that keeps the length and shortens at the edges."""
    weight = np.convolve(np.ones(values.size), kernel, "same")
    mean: NDArray[np.float64] = np.convolve(values, kernel, "same") / weight
    return mean
