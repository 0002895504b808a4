"""A second bee under the first: its tone is looked for where the first one's comb has been taken away.

Where a flight is tracked and another tone stands out that is no fraction or multiple of it, the spectrum is
looked at once more with the first bee's harmonics filled in level with their surroundings, by the same comb
and the same tracker. The first bee's sound is then taken off before the second tone is refined.

A second bee that is not there is worse than one that is missed, so this is strict: a second tone counts only
beside an accepted flight, at least `LEAST_LN` away from it, at none of its simple fractions, for `SHORTEST_S`
at least, and judged surer to be flight than a lone one needs to be (`wingtone.tone.decision`).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone import comb, spectrum, track
from wingtone.tone.hum import off_mains
from wingtone.tone.refine import REFINED, SMOOTH_FRAMES, refine_tracked
from wingtone.tone.rows import N_TEETH, ROW, frame_rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

SUSPECT = 4.2
"""Mean salience over 0.2 s of the best tone that is no relative of the tracked one, from which a second look
is taken. In made-up clips of one bee it stays below in 98 frames of 100, with two bees it is above in half of
them. Ours."""
SUSPECT_FRAMES = 10
PAD_FRAMES = 20
SHORTEST_FRAMES = 20
SHORTEST_S = 0.4
LEAST_SALIENCE = 3.7
MAINS_LN = 0.015
MAINS_SALIENCE = 6.0
MAINS_STEADY_LN = 0.008
"""A second tone lasts 0.4 s (syllables do not) and stands out this far. Within 1.5 % of a multiple of 50 or
60 Hz it is taken for mains hum unless it stands out clearly and moves by more than 0.8 %. Ours, from made-up
clips of one bee with voices and hum."""
LEAP_LN = 0.03
"""What a tone may move in 10 ms without a break, as in `wingtone.tone.refine`."""
LOBE_BINS = 5
"""Half-width of what is filled in at each harmonic, 14.6 Hz: most of the window's main lobe (15.6 Hz)."""
REST_SAMPLES = spectrum.WINDOW
"""The first bee's harmonics are taken off as they are on average over 128 ms."""
LEAST_LN = 0.077
"""ln of 1.08: nearer tones cannot be told apart in one window (ours)."""
GHOSTS = (1 / 3, 1 / 2, 2 / 3, 3 / 2, 2.0, 3.0)
GHOST_LN = 0.03
"""Within 3 % of these ratios the second tone may be made of the first one's teeth, and is refused. Ours."""


def _stretches(rows: NDArray[np.void]) -> list[NDArray[np.void]]:
    """Unbroken stretches of rows in which a second tone may lie."""
    if rows.size < SHORTEST_FRAMES:
        return []
    other = spectrum.running_mean(np.where(rows["tracked"], rows["salience_other"], 0.0), SUSPECT_FRAMES)
    wanted = (other > SUSPECT) & _flowing(rows)
    spread = spectrum.running_mean(wanted.astype(np.float32), PAD_FRAMES) > 0
    runs = np.split(np.arange(rows.size), np.flatnonzero(np.diff(rows["frame"]) > 1) + 1)
    out = []
    for run in runs:
        inside = run[spread[run]]
        for part in track.unbroken(inside):
            if part.size >= SHORTEST_FRAMES and wanted[part].any():
                out.append(rows[part])
    return out


def _flowing(rows: NDArray[np.void]) -> NDArray[np.bool_]:
    """Rows in which the tracked tone runs on for `SHORTEST_S` without a gap or leap: few syllables do."""
    broken = ~rows["tracked"]
    broken[1:] |= (np.diff(rows["frame"]) > 1) | (np.abs(np.diff(rows["ln_f0"])) > LEAP_LN)
    run = np.cumsum(broken)
    flowing: NDArray[np.bool_] = rows["tracked"] & (np.bincount(run)[run] * spectrum.HOP_S >= SHORTEST_S)
    return flowing


def fill_in(log_spectrum: NDArray[np.float32], ln_f0: NDArray[np.float32]) -> NDArray[np.float32]:
    """Lay a straight line over every tooth of a comb.

    Parameters
    ----------
    log_spectrum : shape (n_frames, N_BINS)
    ln_f0 : shape (n_frames,)
        The comb's line.

    Returns
    -------
    shape (n_frames, N_BINS)
        A copy; harmonics up to the top of the spectrum are filled in. Teeth must lie apart by more than
        twice what is filled in.
    """
    filled = log_spectrum.copy(order="K")
    orders = np.arange(1, int(spectrum.RATE_HZ / 2 / np.exp(ln_f0.min())) + 1, dtype=np.float32)
    middle = np.rint(orders * np.exp(ln_f0)[:, None] / spectrum.BIN_HZ).astype(int)
    width = LOBE_BINS + 1
    frame, order = np.nonzero((middle > LOBE_BINS) & (middle + width < spectrum.N_BINS))
    at = middle[frame, order]
    low, high = filled[frame, at - width], filled[frame, at + width]
    for step in range(-LOBE_BINS, width):
        filled[frame, at + step] = low + np.float32((step + width) / (2 * width)) * (high - low)
    return filled


def take_off(samples: NDArray[np.float32], line_hz: NDArray[np.float64]) -> NDArray[np.float32]:
    """Take a harmonic series off a sound.

    Parameters
    ----------
    samples : shape (n_channels, n)
    line_hz : shape (n,)
        Its fundamental.

    Returns
    -------
    shape (n_channels, n), float32
        Each harmonic is brought to rest, averaged over `REST_SAMPLES` and subtracted.
    """
    from scipy.ndimage import uniform_filter1d

    phase = 2 * np.pi * np.cumsum(line_hz) / spectrum.RATE_HZ
    unit = np.exp(-1j * phase).astype(np.complex64)
    turn = np.ones_like(unit)
    rest = samples.copy()
    for _ in range(min(2 * N_TEETH, int(spectrum.RATE_HZ / 2 / line_hz.max()))):
        turn = turn * unit
        slow = uniform_filter1d(samples * turn, REST_SAMPLES, axis=1, mode="constant")
        rest -= 2 * (slow * turn.conj()).real
    return rest


def second_line(
    samples: NDArray[np.float32], rows: NDArray[np.void], *, first_frame: int, band_hz: float
) -> tuple[NDArray[np.void], NDArray[np.void]]:
    """Look for a second tone beside a tracked one.

    Parameters
    ----------
    samples : shape (n_channels, n)
        At `spectrum.RATE_HZ`; its first whole window belongs to ``first_frame``.
    rows : dtype `wingtone.tone.rows.ROW`
        What was tracked in them, with shoulders.

    Returns
    -------
    tuple of structured arrays
        Rows and refined values (dtype `wingtone.tone.refine.REFINED`) of the second tone; ascending, empty
        when there is none.
    """
    found, refined = [np.zeros(0, ROW)], [np.zeros(0, REFINED)]
    for part in _stretches(rows):
        a, b = int(part["frame"][0]) - first_frame, int(part["frame"][-1]) - first_frame
        sound = samples[:, a * spectrum.HOP : b * spectrum.HOP + spectrum.WINDOW]
        filled, marks, salience = _without(sound, part["ln_f0"], band_hz)
        # Nobody looked before: a second tone has to pay for its start.
        before = np.full((1, salience.shape[1]), track.UNHEARD, np.float32)
        path = track.best_path(np.concatenate([before, salience]))[1:]
        start = int(part["frame"][0])
        second = frame_rows(filled, marks, path, first_frame=start, band_hz=band_hz)
        tracked = second[second["tracked"]]
        apart = np.abs(tracked["ln_f0"] - part["ln_f0"][tracked["frame"] - start])
        if np.sum(apart > LEAST_LN) < SHORTEST_FRAMES:
            continue
        found.append(second)
        centre = np.arange(part.size) * spectrum.HOP + spectrum.WINDOW // 2
        smooth = spectrum.running_mean(part["ln_f0"], SMOOTH_FRAMES)
        line_hz = np.exp(np.interp(np.arange(sound.shape[1]), centre, smooth))
        refined.append(refine_tracked(take_off(sound, line_hz), tracked, first_frame=start, band_hz=band_hz))
    return np.concatenate(found), np.concatenate(refined)


def _without(
    samples: NDArray[np.float32], ln_f0: NDArray[np.float32], band_hz: float
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Log power, contrast (n_channels, n_frames, N_BINS) and salience where a comb has been filled in."""
    shape = (samples.shape[0], spectrum.N_BINS, ln_f0.size)
    levels, marks = np.empty(shape, np.float32), np.empty(shape, np.float32)
    salience = np.empty((ln_f0.size, comb.candidates_hz().size), np.float32)
    for a in range(0, ln_f0.size, spectrum.BLOCK_FRAMES):
        block = slice(a, min(a + spectrum.BLOCK_FRAMES, ln_f0.size))
        sound = samples[:, a * spectrum.HOP : (block.stop - 1) * spectrum.HOP + spectrum.WINDOW]
        filled = [fill_in(spectrum.log_power(channel), ln_f0[block]) for channel in sound]
        lines = [spectrum.contrast(one, band_hz=band_hz) for one in filled]
        for c in range(len(filled)):
            levels[c, :, block], marks[c, :, block] = filled[c].T, lines[c].T
        salience[block] = comb.combine_channels([comb.search_salience(one, band_hz=band_hz) for one in lines])
    return levels.transpose(0, 2, 1), marks.transpose(0, 2, 1), salience


def is_own_tone(second: NDArray[np.void], first: NDArray[np.void]) -> bool:
    """Whether a second line is a tone of its own: far enough from the first, none of its relatives, no hum.

    Parameters
    ----------
    second, first
        Tracked rows; compared where they share frames. Without half of ``second`` shared the answer is False.
    """
    _, one, other = np.intersect1d(second["frame"], first["frame"], return_indices=True)
    if one.size < 0.5 * second.size or float(second["salience"].mean()) < LEAST_SALIENCE:
        return False
    apart = float(np.median(second["ln_f0"][one] - first["ln_f0"][other]))
    if abs(apart) < LEAST_LN or any(abs(apart - np.log(ratio)) < GHOST_LN for ratio in GHOSTS):
        return False
    return not _may_be_hum(second)


def _may_be_hum(line: NDArray[np.void]) -> bool:
    near = bool(off_mains(np.exp(np.median(line["ln_f0"]))) < MAINS_LN)
    clear = float(line["salience"].mean()) >= MAINS_SALIENCE
    return near and not (clear and float(np.std(line["ln_f0"])) > MAINS_STEADY_LN)
