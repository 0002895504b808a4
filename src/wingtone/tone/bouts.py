"""From decided pieces to bouts: measure, bound, flag."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone.decision import JOIN_LN
from wingtone.tone.flyby import fit_pass
from wingtone.tone.gate import SOURCES
from wingtone.tone.hum import MAINS_SHARE, off_mains
from wingtone.tone.pieces import CONTEXT_S
from wingtone.tone.refine import WINDOW_S
from wingtone.tone.results import Z_95, Bout, Kind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from wingtone.tone.decision import Judged

END_S = 0.06
WANDER_SHARE = 0.022
LINE_SHARE = 0.0005
"""What the bend of the likelihood does not see: where exactly a bout ends (60 ms), the smoothing of wander
within a window (2.2 % of how far the tone moves), the grid and the joining of runs (0.05 %). Ours, set on
the simulator's clips so that the 95 % interval covers 95 % of bouts: of 1,497 of six seeds at 10 to -5 dB
95.7 % with 60 ms, 93.5 % with 30; ``tests/benchmarks/simulated.py`` repeats it on other seeds."""


def scraps(rows: NDArray[np.void], judged: Sequence[Judged]) -> NDArray[np.void]:
    """Tracked rows, dtype `wingtone.tone.rows.ROW`, that were too few in a row to be judged."""
    tracked = rows[rows["tracked"]]
    in_pieces = np.concatenate([np.zeros(0, int), *(item.piece.rows["frame"] for item in judged)])
    left: NDArray[np.void] = tracked[~np.isin(tracked["frame"], in_pieces)]
    return left


def line_of(items: Sequence[Judged], left: NDArray[np.void]) -> NDArray[np.void]:
    """Rows of a bout: those of its pieces, and of the scraps ``left`` between them that lie on their line."""
    rows = np.concatenate([item.piece.rows for item in items])
    between = left[(left["frame"] > rows["frame"][0]) & (left["frame"] < rows["frame"][-1])]
    off = between["ln_f0"] - np.interp(between["frame"], rows["frame"], rows["ln_f0"])
    rows = np.concatenate([rows, between[np.abs(off) < JOIN_LN]])
    return rows[np.argsort(rows["frame"])]


def fine_line_hz(rows: NDArray[np.void], refined: NDArray[np.void]) -> NDArray[np.float64]:
    """The tone line of a bout on the 10 ms grid: through the refined values, or as tracked without any.

    Parameters
    ----------
    rows : shape (n,), dtype `wingtone.tone.rows.ROW`
    refined
        Those refined values that lie in these rows.
    """
    if refined.size == 0:
        return np.exp(rows["ln_f0"].astype(np.float64))
    line: NDArray[np.float64] = np.interp(
        rows["frame"], refined["frame"], refined["f0_hz"].astype(np.float64)
    )
    return line


def f0_interval(refined: NDArray[np.void], line_hz: NDArray[np.float64], duration_s: float) -> float:
    """Half-width of the 95 % interval of the median of a bout's line, Hz.

    The windows overlap, so only one in each `WINDOW_S` is independent; a median is sqrt(pi/2) less
    efficient than a mean (textbook statistics). To the measurement's own error comes what the uncertain
    ends of the bout, the smoothing within a window and the grid add.
    """
    low, high = np.percentile(line_hz, [10, 90])
    spread = float(high - low)
    centre = float(np.median(line_hz))
    independent = max(1.0, duration_s / WINDOW_S)
    f0_hz = refined["f0_hz"].astype(np.float64)
    measurement = float(np.median(refined["variance_hz2"])) if f0_hz.size else (0.01 * centre) ** 2
    # Where windows scatter more than the likelihood says, the scatter is believed. Third differences
    # leave slow wander out; for white noise of variance v theirs is 20 v.
    if f0_hz.size > 4:
        measurement = max(measurement, float(np.mean(np.diff(f0_hz, 3) ** 2)) / 20.0)
    own = np.pi / 2 * measurement / independent
    # Ends that are off by a share of the bout shift the median by as much of the order of its values.
    share = min(0.5, END_S / duration_s)
    before, after = np.quantile(line_hz, [0.5 - share, 0.5 + share])
    ends = float(after - before) ** 2 / 4
    rest = (WANDER_SHARE * spread) ** 2 + (LINE_SHARE * centre) ** 2
    return Z_95 * float(np.sqrt(own + ends + rest))


def to_bout(kind: Kind, items: Sequence[Judged], refined: NDArray[np.void], others: Sequence[Judged]) -> Bout:
    """Measure one bout.

    Parameters
    ----------
    items
        Its pieces, in order.
    refined
        The recording's refined values, dtype `wingtone.tone.refine.REFINED`.
    others
        Pieces that were judged to be no bee, for the flags.
    """
    rows = np.concatenate([item.piece.rows for item in items])
    here = refined[np.isin(refined["frame"], rows["frame"])]
    line_hz = fine_line_hz(rows, here)
    start_s, end_s = items[0].piece.start_s, items[-1].piece.end_s
    lengths = np.array([item.piece.duration_s for item in items])
    low, high = np.percentile(line_hz, [10, 90])
    half = f0_interval(here, line_hz, float(lengths.sum()))
    if here.size:
        tone, noise = here["tone_power"].mean(axis=0), here["noise_power"].mean(axis=0)
    else:
        tone = noise = np.full(rows["teeth"].shape[1], np.nan)
    f0_hz = float(np.median(line_hz))
    harmonics_db, snr_db = _levels(tone, noise, f0_hz)
    flags = _flags(rows, line_hz, harmonics_db, snr_db)
    flags += _neighbour_flags(start_s, end_s, others)
    return Bout(
        kind=kind,
        start_s=round(start_s, 3),
        end_s=round(end_s, 3),
        f0_hz=f0_hz,
        f0_low_hz=f0_hz - half,
        f0_high_hz=f0_hz + half,
        f0_spread_hz=float(high - low),
        snr_db=snr_db,
        harmonics_db=harmonics_db,
        flight_probability=float(np.average([i.kinds[0] for i in items], weights=lengths)),
        flyby=fit_pass(here) if kind == "flight" else None,
        flags=tuple(dict.fromkeys(flags)),
    )


def _levels(
    tone: NDArray[np.float32], noise: NDArray[np.float32], f0_hz: float
) -> tuple[tuple[float, ...], float]:
    """Harmonic levels re the strongest, and the SNR in the band of the comb; dB."""
    known = np.isfinite(tone)
    if not known.any():
        return (), float("nan")
    with np.errstate(divide="ignore", invalid="ignore"):
        clear = tone > 0.5 * noise
        level = np.where(clear, 10 * np.log10(tone / np.nanmax(tone)), np.nan)
    # One Fourier cell of the window holds 1 / WINDOW_S of bandwidth; between two teeth lie f0 * WINDOW_S.
    floor = float(noise[known].sum()) * f0_hz * WINDOW_S
    total = float(tone[known].sum())
    snr = 10 * np.log10(max(total, 1e-20) / max(floor, 1e-20))
    return tuple(float(v) for v in level[known]), float(snr)


WIND_NEPERS = 5.0
"""Rumble (20-60 Hz) over the gaps of the comb from which wind is flagged: 22 dB. Ours."""
LOW_LEVEL_DB = -6.0
STEADY_LN = 0.0015
"""Signal to noise below which a bout is flagged ``low level``; scatter of ln tone (0.15 %) below which
one at a multiple of a mains frequency is flagged ``hum``. Ours."""


def _flags(
    rows: NDArray[np.void], f0_hz: NDArray[np.float64], harmonics_db: tuple[float, ...], snr_db: float
) -> list[str]:
    flags = []
    if float(np.median(rows["rumble"] - rows["gap_level"])) > WIND_NEPERS:
        flags.append("wind")
    if harmonics_db and not harmonics_db[0] > -25.0:
        flags.append("fundamental missing")
    if snr_db < LOW_LEVEL_DB:
        flags.append("low level")
    other = rows["salience_other"]
    if float(np.mean((other > 6.0) & (other > 0.7 * rows["salience"]))) > 0.5:
        flags.append("two tones")
    steady = f0_hz.size > 10 and float(np.std(np.log(f0_hz))) < STEADY_LN
    if steady and off_mains(np.median(f0_hz)) < MAINS_SHARE:
        flags.append("hum")
    return flags


COMPANY_SALIENCE = 4.5
"""What stands out less is too faint to be known for a voice or an engine: nine in ten of the pieces that are
taught as no bee stand out more than 4.2. Ours: as tried, with less than 4 a *Bombus* among scraps of noise
was in such company in each of three shufflings; of what was never trained on one false bout more came with
4.5."""


def _neighbour_flags(start_s: float, end_s: float, others: Sequence[Judged]) -> list[str]:
    """Name voices and engines heard within `CONTEXT_S` of a bout."""
    heard = dict.fromkeys(SOURCES, 0.0)
    for item in others:
        near = item.piece.end_s > start_s - CONTEXT_S and item.piece.start_s < end_s + CONTEXT_S
        if near and float(item.piece.rows["salience"].mean()) >= COMPANY_SALIENCE:
            heard[SOURCES[int(item.sources.argmax())]] += item.piece.duration_s
    return [name for name in SOURCES[:-1] if heard[name] > 0.3]
