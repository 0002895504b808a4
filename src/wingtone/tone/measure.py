"""The whole of the tone room: blocks of sound in, bouts out.

Sound passes once, in chunks that overlap by `MARGIN_S` on either side; the tracker forgets much faster
than that, so the joins leave no trace. Of each chunk only rows of tracked frames stay behind, so memory
grows with the time bees are heard, not with the recording.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone import comb, spectrum, track
from wingtone.tone.bouts import FLIGHT_THRESHOLD, decide, fine_line_hz, join, judge, to_bout
from wingtone.tone.gate import Gate, load_gate
from wingtone.tone.pieces import Piece, cut, features
from wingtone.tone.refine import REFINED, refine_run
from wingtone.tone.results import Bout, ToneResult, Track
from wingtone.tone.rows import ROW, frame_rows

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from numpy.typing import NDArray

CHUNK_FRAMES = 2000
MARGIN_FRAMES = 200
MARGIN_S = MARGIN_FRAMES * spectrum.HOP_S
SILENT_PEAK = 1e-4
"""-80 dB of full scale: below it a recording holds nothing a microphone heard. Ours."""


def measure(
    blocks: Iterable[NDArray[np.float32]],
    *,
    rate_hz: int = spectrum.RATE_HZ,
    band_hz: float | None = None,
    flight_threshold: float = FLIGHT_THRESHOLD,
    gate: Gate | None = None,
) -> ToneResult:
    """Find and measure the bouts of one recording.

    Parameters
    ----------
    blocks
        The recording in order, each of shape (n_channels, n_samples), any length, all finite.
    rate_hz
        Must be `spectrum.RATE_HZ`; stated so that a wrong rate cannot pass unseen.
    band_hz
        Upper edge of what the recording carries, half its own sample rate; None for all of the band.
    flight_threshold
        Probability from which a piece is called flight, 0..1. Higher: fewer false bouts, fewer bees.
    gate
        The decision to use; None for the one that ships.

    Returns
    -------
    ToneResult
        Without bouts when nothing was heard.

    Raises
    ------
    ValueError
        Wrong rate, or a threshold outside 0..1.
    """
    if rate_hz != spectrum.RATE_HZ:
        raise ValueError(f"blocks must be at {spectrum.RATE_HZ} Hz, not {rate_hz}")
    if not 0.0 <= flight_threshold <= 1.0:
        raise ValueError(f"flight_threshold must lie in 0..1, not {flight_threshold}")
    heard = _listen(blocks, band_hz)
    judged = judge(cut(heard.rows), gate or load_gate())
    kinds = decide(judged, threshold=flight_threshold)
    others = [item for item, kind in zip(judged, kinds, strict=True) if kind is None]
    groups = join(judged, kinds)
    bouts = tuple(to_bout(kind, items, heard.refined, others) for kind, items in groups)
    lines = [np.concatenate([i.piece.rows for i in items]) for _, items in groups]
    return ToneResult(
        bouts=bouts,
        track=_track(lines, heard.refined),
        flags=("silent",) if heard.peak < SILENT_PEAK else _shared_flags(bouts),
    )


def piece_features(
    blocks: Iterable[NDArray[np.float32]], *, band_hz: float | None = None
) -> tuple[list[Piece], list[dict[str, float]]]:
    """All tracked pieces of a recording and their features, before any decision (for training)."""
    pieces = cut(_listen(blocks, band_hz).rows)
    return pieces, features(pieces)


@dataclass(frozen=True)
class _Heard:
    """What stays behind of a recording once its sound has passed."""

    rows: NDArray[np.void]
    refined: NDArray[np.void]
    peak: float


def _listen(blocks: Iterable[NDArray[np.float32]], band_hz: float | None) -> _Heard:
    top_hz = spectrum.RATE_HZ / 2
    band = min(top_hz, 0.95 * band_hz) if band_hz else top_hz
    all_rows = [np.zeros(0, ROW)]
    all_refined = [np.zeros(0, REFINED)]
    peak = 0.0
    for chunk, first, core in _chunks(blocks):
        peak = max(peak, float(np.abs(chunk).max(initial=0.0)))
        rows, refined = _chunk_rows(chunk, first, core, band)
        all_rows.append(rows)
        all_refined.append(refined)
    return _Heard(np.concatenate(all_rows), np.concatenate(all_refined), peak)


def _shared_flags(bouts: tuple[Bout, ...]) -> tuple[str, ...]:
    """Flags that most of the flight bouts carry hold for the recording."""
    flight = [b for b in bouts if b.kind == "flight"]
    names = {name for b in flight for name in b.flags}
    return tuple(sorted(n for n in names if 2 * sum(n in b.flags for b in flight) > len(flight)))


def _chunks(
    blocks: Iterable[NDArray[np.float32]],
) -> Iterator[tuple[NDArray[np.float32], int, tuple[int, int]]]:
    """Cut the stream into overlapping chunks.

    Yields the samples, the frame that is centred half a window into them, and the range of frames this
    chunk answers for. Half a window of silence is put before the start and after the end, so that frame
    k is centred on sample ``k * HOP``.
    """
    half = spectrum.WINDOW // 2
    pending: list[NDArray[np.float32]] = []
    held = 0
    first = 0
    done = 0
    need = (CHUNK_FRAMES + 2 * MARGIN_FRAMES) * spectrum.HOP + spectrum.WINDOW
    for block in blocks:
        if block.shape[1] == 0:
            continue
        if not pending:
            pending.append(np.zeros((block.shape[0], half), np.float32))
            held = half
        pending.append(np.asarray(block, np.float32))
        held += block.shape[1]
        while held >= need:
            joined = np.concatenate(pending, axis=1)
            yield joined[:, :need], first, (done, done + CHUNK_FRAMES)
            done += CHUNK_FRAMES
            skip = max(0, done - MARGIN_FRAMES - first)
            pending = [joined[:, skip * spectrum.HOP :]]
            first += skip
            held = pending[0].shape[1]
    if pending:
        end = np.zeros((pending[0].shape[0], half), np.float32)
        joined = np.concatenate([*pending, end], axis=1)
        if joined.shape[1] >= spectrum.WINDOW:
            last = first + (joined.shape[1] - spectrum.WINDOW) // spectrum.HOP + 1
            yield joined, first, (done, last)


def _chunk_rows(
    chunk: NDArray[np.float32], first: int, core: tuple[int, int], band_hz: float
) -> tuple[NDArray[np.void], NDArray[np.void]]:
    """Track one chunk; rows and refined values of its core."""
    log_spectrum = np.stack([spectrum.log_power(channel) for channel in chunk])
    marks = np.stack([spectrum.contrast(one, band_hz=band_hz) for one in log_spectrum])
    salience = comb.combine_channels(np.stack([comb.salience(one, band_hz=band_hz) for one in marks]))
    path = track.best_path(salience)
    rows = frame_rows(log_spectrum, marks, salience, path, first_frame=first, band_hz=band_hz)
    rows = rows[(rows["frame"] >= core[0]) & (rows["frame"] < core[1])]
    tracked = rows[rows["tracked"]]
    refined = [np.zeros(0, REFINED)]
    if tracked.size:
        # Runs break at gaps and where the line jumps: a window must not straddle two tones.
        leaps = (np.diff(tracked["frame"]) > 1) | (np.abs(np.diff(tracked["ln_f0"])) > 0.03)
        for run in np.split(tracked, np.flatnonzero(leaps) + 1):
            centre = (int(run["frame"][0]) - first) * spectrum.HOP + spectrum.WINDOW // 2
            refined.append(
                refine_run(
                    chunk,
                    run["ln_f0"],
                    first_centre=centre,
                    first_frame=int(run["frame"][0]),
                    band_hz=band_hz,
                )
            )
    return rows, np.concatenate(refined)


def _track(lines: list[NDArray[np.void]], refined: NDArray[np.void]) -> Track:
    """The tone line of all bouts, pulled onto the refined values."""
    if not lines:
        return Track(np.zeros(0), np.zeros(0), np.zeros(0, np.int64))
    rows = np.concatenate(lines)
    bout = np.repeat(np.arange(len(lines)), [line.size for line in lines])
    f0 = [fine_line_hz(line, refined[np.isin(refined["frame"], line["frame"])]) for line in lines]
    return Track(time_s=rows["frame"] * spectrum.HOP_S, f0_hz=np.concatenate(f0), bout=bout.astype(np.int64))
