"""Many insects at once, as at a hive or a nest: no single wingbeat is to be found there.

One insect is a narrow line at any moment, two are two narrow lines. Dozens at flight pitch add up to a hum
that never stops, whose lines are blurred into humps, and in which the tracker finds now this tone and now
that, most often two of them side by side. Only all of it together, for `LEAST_S` on end, is taken for a
swarm: machines have narrow lines and hold one note, and a lone bee pauses.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone import spectrum

if TYPE_CHECKING:
    from numpy.typing import NDArray

LEAST_S = 8.0
"""Shorter hums are left to be judged as bouts: a bee that circles can fill some seconds. Ours."""
COVERAGE = 0.9
"""Share of that time in which a tone within `LOWEST_HZ` and `HIGHEST_HZ` is tracked."""
BESIDE_SHARE = 0.35
BESIDE_LN = 0.25
"""Share of the tracked time in which a second tone lies beside it, within 25 %."""
MOST_SHARPNESS = 2.5
"""Height of the two lowest lines over their flanks, nepers, from which they are lines."""
MOST_DWELL = 0.28
DWELL_LN = 0.02
"""Share of the tracked time that may be spent within one 2 % of pitch; a machine under a bee holds its note
longer. This one was set on a real recording with machine tones and on made-up hives; the three before it on
made-up hives of 30 bees against the other made-up sounds. Ours. ``tests/tone/test_swarm.py`` tries other
seeds, and the real hive, on which nothing was set."""
LOWEST_HZ, HIGHEST_HZ = 75.0, 460.0
LEAST_SALIENCE = 2.0
"""Rows in which a tone stands out less do not count: the tracker strings together what is hardly there, in
noise and in voices, too. Ours: with all of them a labelled *Bombus* of 20 s was taken for a swarm, and so
were 67 s of voices; of eight made-up hives and the real one nothing was lost up to 2, with 3 one hive."""
STEP_S = 1.0
MARGIN_S = 4.0
"""A swarm does not begin or end at once: so much before and after it is doubted too. Ours."""


def swarm_frames(rows: NDArray[np.void], second_rows: NDArray[np.void]) -> NDArray[np.int64]:
    """Frames in which many insects hum at once.

    Parameters
    ----------
    rows, second_rows
        Evidence of the tracked tone and of a second one under it, dtype `wingtone.tone.rows.ROW`.

    Returns
    -------
    shape (n,), ascending
        Numbers of the frames; empty when there is no swarm.
    """
    hz = np.exp(rows["ln_f0"])
    rows = rows[_heard(rows) & (hz > LOWEST_HZ) & (hz < HIGHEST_HZ)]
    frame, tone = rows["frame"], rows["ln_f0"]
    sharpness = np.nan_to_num(rows["tooth_level"][:, :2] - rows["flank_level"][:, :2]).mean(axis=1)
    second = second_rows[_heard(second_rows)]
    _, own, other = np.intersect1d(frame, second["frame"], return_indices=True)
    beside = np.zeros(rows.size, bool)
    beside[own] = np.abs(tone[own] - second["ln_f0"][other]) < BESIDE_LN

    length, margin, step = (round(s / spectrum.HOP_S) for s in (LEAST_S, MARGIN_S, STEP_S))
    found = [np.zeros(0, np.int64)]
    # A window that begins at a tracked frame, at most one a second.
    start = 0
    while start < rows.size:
        first = int(frame[start])
        inside = slice(start, int(np.searchsorted(frame, first + length)))
        n = inside.stop - start
        if (
            n >= COVERAGE * length
            and beside[inside].mean() >= BESIDE_SHARE
            and sharpness[inside].mean() < MOST_SHARPNESS
            and _dwell(tone[inside]) < MOST_DWELL
        ):
            found.append(np.arange(max(0, first - margin), first + length + margin))
        start = int(np.searchsorted(frame, first + step))
    return np.unique(np.concatenate(found))


def _heard(rows: NDArray[np.void]) -> NDArray[np.bool_]:
    heard: NDArray[np.bool_] = rows["tracked"] & (rows["salience"] > LEAST_SALIENCE)
    return heard


def _dwell(tone: NDArray[np.float32]) -> float:
    """Largest share of values within one `DWELL_LN`."""
    ordered = np.sort(tone)
    return float(
        (np.searchsorted(ordered, ordered + DWELL_LN) - np.arange(ordered.size)).max() / ordered.size
    )
