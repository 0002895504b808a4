"""The whole of the tone room: blocks of sound in, bouts out.

`wingtone.tone.listen` hands over what was heard part by part, so memory grows with the bouts that are
found, not with the recording.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone import spectrum
from wingtone.tone.bouts import fine_line_hz, line_of, scraps, to_bout
from wingtone.tone.decision import (
    FLIGHT_THRESHOLD,
    decide,
    doubted,
    join,
    judge,
    second_flights,
)
from wingtone.tone.gate import Gate, load_gate
from wingtone.tone.listen import Heard, listen
from wingtone.tone.pieces import Piece, cut, features
from wingtone.tone.results import Bout, ToneResult, Track
from wingtone.tone.swarm import swarm_frames

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    # Frame, f0 and number of the bout of every frame in a bout.
    _Line = tuple[NDArray[np.int32], NDArray[np.float32], NDArray[np.int32]]

MANY_BEES = "many bees"
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
    return measure_heard(listen(blocks, band_hz=band_hz), flight_threshold=flight_threshold, gate=gate)


def measure_heard(
    parts: Iterable[Heard], *, flight_threshold: float = FLIGHT_THRESHOLD, gate: Gate | None = None
) -> ToneResult:
    """Decide and measure what `wingtone.tone.listen` has heard; see `measure`.

    Apart, so that one hearing can be decided on again and again, as benchmarks do.
    """
    gate = gate or load_gate()
    bouts: list[Bout] = []
    lines: list[_Line] = []
    peak = 0.0
    swarm_s = 0.0
    for heard in parts:
        peak = max(peak, heard.peak)
        found, line = _bouts(heard, gate, flight_threshold, n_before=len(bouts))
        swarm = swarm_frames(heard.rows, heard.second_rows)
        swarm_s += swarm.size * spectrum.HOP_S
        bouts += _without_single_bees(found, swarm)
        lines.append(line)
    flags = ("silent",) if peak < SILENT_PEAK else _shared_flags(bouts)
    if swarm_s > sum(bout.duration_s for bout in bouts if bout.kind == "flight"):
        flags = (*flags, MANY_BEES)
    return ToneResult(bouts=tuple(bouts), track=_track(lines), flags=flags)


def piece_features(
    blocks: Iterable[NDArray[np.float32]], *, band_hz: float | None = None, keep_motors: bool = False
) -> tuple[list[Piece], list[dict[str, float]]]:
    """All tracked pieces of a recording and their features, before any decision (for training).

    ``keep_motors``: see `wingtone.tone.listen.listen`.
    """
    pieces: list[Piece] = []
    described: list[dict[str, float]] = []
    for heard in listen(blocks, band_hz=band_hz, keep_motors=keep_motors):
        own = cut(heard.rows, heard.refined, first_stretch=pieces[-1].stretch + 1 if pieces else 0)
        pieces += own
        described += features(own)
    return pieces, described


def _bouts(heard: Heard, gate: Gate, threshold: float, *, n_before: int) -> tuple[list[Bout], _Line]:
    """Decide on one part of a recording: its bouts, in order of time, and their line.

    ``n_before``: how many bouts the parts before it hold.
    """
    judged = judge(cut(heard.rows, heard.refined), gate)
    second_judged = judge(cut(heard.second_rows, heard.second_refined), gate)
    kinds = decide(judged, threshold=threshold)
    others = [item for item, kind in zip(judged, kinds, strict=True) if kind is None]
    groups = join(judged, kinds)
    under = second_flights(second_judged, groups, threshold=threshold)
    left, second_left = scraps(heard.rows, judged), scraps(heard.second_rows, second_judged)
    found = [(*group, heard.refined, left) for group in groups]
    found += [(*group, heard.second_refined, second_left) for group in under]
    found.sort(key=lambda one: one[1][0].piece.start_s)
    bouts = [
        doubted(to_bout(kind, items, refined, others), items, threshold=threshold)
        for kind, items, refined, _ in found
    ]
    frame, f0_hz, bout = [np.zeros(0, np.int64)], [np.zeros(0)], [np.zeros(0, np.int64)]
    for number, (_, items, refined, beside) in enumerate(found, start=n_before):
        rows = line_of(items, beside)
        frame.append(rows["frame"])
        f0_hz.append(fine_line_hz(rows, refined[np.isin(refined["frame"], rows["frame"])]))
        bout.append(np.full(rows.size, number))
    at, value, whose = (np.concatenate(parts) for parts in (frame, f0_hz, bout))
    order = np.lexsort((whose, at))
    return bouts, (
        at[order].astype(np.int32),
        value[order].astype(np.float32),
        whose[order].astype(np.int32),
    )


def _track(lines: list[_Line]) -> Track:
    """The tone line of all bouts. ``lines`` is used up on the way: a day may hold 8.6 million frames."""
    at = sum(frame.size for frame, _, _ in lines)
    track = Track(np.empty(at), np.empty(at, np.float32), np.empty(at, np.int32))
    while lines:
        frame, f0_hz, bout = lines.pop()
        part = slice(at - frame.size, at)
        track.time_s[part], track.f0_hz[part], track.bout[part] = frame * spectrum.HOP_S, f0_hz, bout
        at = part.start
    return track


def _without_single_bees(bouts: list[Bout], swarm: NDArray[np.int64]) -> list[Bout]:
    """Call no bout the flight of one bee that lies mostly in a swarm's frames."""
    if swarm.size == 0:
        return bouts

    def seen(bout: Bout) -> Bout:
        first, last = np.searchsorted(swarm, np.array([bout.start_s, bout.end_s]) / spectrum.HOP_S)
        if bout.kind != "flight" or (last - first) * spectrum.HOP_S < bout.duration_s / 2:
            return bout
        return replace(bout, kind="uncertain", flyby=None, flags=(*bout.flags, MANY_BEES))

    return [seen(bout) for bout in bouts]


def _shared_flags(bouts: list[Bout]) -> tuple[str, ...]:
    """Flags that most of the flight bouts carry hold for the recording."""
    flight = [b for b in bouts if b.kind == "flight"]
    names = {name for b in flight for name in b.flags}
    return tuple(sorted(n for n in names if 2 * sum(n in b.flags for b in flight) > len(flight)))
