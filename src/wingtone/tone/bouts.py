"""From judged pieces to bouts: decide, join, measure, flag."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone.flyby import fit_pass
from wingtone.tone.gate import KINDS, SOURCES, Gate
from wingtone.tone.pieces import CONTEXT_S, Piece, features
from wingtone.tone.refine import WINDOW_S
from wingtone.tone.results import Z_95, Bout, Kind
from wingtone.tone.second import SHORTEST_S, is_own_tone

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

FLIGHT_THRESHOLD = 0.49
"""Ours, from the trade-off between bees missed and false bouts on real recordings (README)."""
SHORT_S = 0.4
SHORT_EXTRA = 0.33
"""A tone of under 0.4 s has to be surer by 0.33. Ours: about as strict as before the threshold was last
lowered."""
HIGH_HZ = 250.0
HIGH_EXTRA = 0.1
"""A tone above 250 Hz has to be surer by 0.1: hardly a bumblebee flies there, while sonication and many a
machine sound there. Ours, as tried before hum was taken out: of the four to six false bouts in the labelled
recordings it took one to three."""
FLIGHT_ODDS = 4 / 3
"""A tone is flight only when that is likelier than sonication by 4 to 3. Ours: sonication taken for flight is
the worst error there is."""
COMPANY_S = 0.6
COMPANY_EXTRA = 0.43
COMPANY = frozenset({"engine", "voice"})
"""A bout of under 0.6 s among the tones of an engine or a voice has to be surer by 0.43, or it stays
uncertain. Ours: about as strict as before the threshold was lowered."""
SECOND_EXTRA = 0.1
"""A tone under another one has to be surer by 0.1 to be a second bee. Ours: see `wingtone.tone.second`."""
EXTEND_SHARE = 0.4
"""Ours: low enough that a fluttering flight is not torn up, and of use only beside a sure piece."""
SUPPORT_LESS = 0.15
"""A tone near an accepted flight of the same tone may be less sure by 0.15. Ours: made-up clips gain by it,
and false bouts in voices hardly grow."""
JOIN_GAP_S = 0.3
JOIN_LN = 0.12
"""Bouts of one kind closer than 0.3 s and 12 % of tone are one bout: a bee turning away and back."""
END_S = 0.03
WANDER_SHARE = 0.022
LINE_SHARE = 0.0005
"""What the bend of the likelihood does not see: where exactly a bout ends (30 ms), the smoothing of wander
within a window (2.2 % of how far the tone moves), the grid and the joining of runs (0.05 %). Ours, set on
the simulator's clips at 10, 5 and 0 dB so that the 95 % interval covers 95 % of bouts;
``tests/benchmarks/simulated.py`` repeats it on other seeds."""
LOWEST_SONICATION_HZ = 150.0
"""Sonication lies at about 200-400 Hz (De Luca et al. 2019, read); a margin for big bees (ours)."""
LOW_SONICATION_WEIGHT = 0.5
"""A tone below that is sonication only if it was followed an octave low, so the gate's probability of it
counts half. Ours, as tried before hum was taken out: of made-up frames at 0 and -5 dB it found 1.8 and 1.4 %
more, and one labelled tone more in four of six shufflings; in one a sonication that was followed an octave
low passed for flight."""
LOWEST_FLIGHT_HZ, HIGHEST_FLIGHT_HZ = 75.0, 330.0
"""Flight lies within 80-320 Hz; a margin for Doppler and measurement. Nothing outside is called flight."""


@dataclass(frozen=True)
class Judged:
    """A piece with the probabilities of `KINDS` for the stretch it belongs to, and what else it may be."""

    piece: Piece
    kinds: NDArray[np.float64]
    sources: NDArray[np.float64]
    stretch_s: float


def judge(pieces: Sequence[Piece], gate: Gate) -> list[Judged]:
    """Judge every piece; parts of one unbroken stretch share their evidence.

    The log probabilities of a stretch's parts are averaged, weighted by their lengths: parts of one tone
    are far from independent, so their evidence is pooled, not added up.
    """
    if not pieces:
        return []
    described = features(pieces)
    kinds = _at_their_pitch(gate.kinds(described), np.array([p.ln_f0 for p in pieces]))
    sources = gate.sources(described)
    stretch = np.array([p.stretch for p in pieces])
    length = np.array([p.duration_s for p in pieces])
    out: list[Judged] = []
    for i, piece in enumerate(pieces):
        same = stretch == stretch[i]
        pooled = _pooled(kinds[same], length[same])
        out.append(Judged(piece, pooled, sources[i], float(length[same].sum())))
    return out


def _at_their_pitch(kinds: NDArray[np.float64], ln_f0: NDArray[np.float64]) -> NDArray[np.float64]:
    """Probabilities of `KINDS`, shape (n_pieces, 3), sonication less likely where the tone is too low."""
    weights = np.ones_like(kinds)
    weights[ln_f0 < np.log(LOWEST_SONICATION_HZ), KINDS.index("sonication")] = LOW_SONICATION_WEIGHT
    weighted = kinds * weights
    out: NDArray[np.float64] = weighted / weighted.sum(axis=1, keepdims=True)
    return out


def _pooled(kinds: NDArray[np.float64], length_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Probabilities of `KINDS` of several pieces together, weighted by their lengths."""
    pooled = np.exp(np.average(np.log(np.clip(kinds, 1e-4, 1.0)), axis=0, weights=length_s))
    out: NDArray[np.float64] = pooled / pooled.sum()
    return out


def _is_flight(
    kinds: NDArray[np.float64], pieces: Sequence[Piece], *, length_s: float, threshold: float
) -> bool:
    """Whether pieces of one tone with these probabilities, of this length together, are flight."""
    f0_hz = np.exp([piece.ln_f0 for piece in pieces])
    extra = (SHORT_EXTRA if length_s < SHORT_S else 0.0) + (HIGH_EXTRA if np.mean(f0_hz) > HIGH_HZ else 0.0)
    flight, sonication, _ = kinds
    return bool(flight >= min(threshold + extra, 0.99) and flight > FLIGHT_ODDS * sonication) and all(
        map(_at_flight_pitch, pieces)
    )


def _at_flight_pitch(piece: Piece) -> bool:
    return LOWEST_FLIGHT_HZ <= float(np.exp(piece.ln_f0)) <= HIGHEST_FLIGHT_HZ


def kind_of(judged: Judged, *, threshold: float) -> Kind | None:
    """Decide; None when it is more likely something else than any bee."""
    flight, sonication, _ = judged.kinds
    f0_hz = float(np.exp(judged.piece.ln_f0))
    if _is_flight(judged.kinds, [judged.piece], length_s=judged.stretch_s, threshold=threshold):
        return "flight"
    if sonication >= 0.5 and f0_hz >= LOWEST_SONICATION_HZ:
        return "sonication"
    return "uncertain" if flight + sonication > 0.5 and f0_hz >= LOWEST_FLIGHT_HZ else None


def _close(one: Piece, other: Piece) -> bool:
    """Whether two pieces, in order of time, may belong to one bout."""
    return one.gap_s(other) < JOIN_GAP_S and abs(one.ln_f0 - other.ln_f0) < JOIN_LN


def decide(judged: Sequence[Judged], *, threshold: float) -> list[Kind | None]:
    """The kind of every piece, with hysteresis.

    A flight needs one sure piece to begin with; from there it reaches over neighbours of the same tone
    that are at least `EXTEND_SHARE` as sure. Such neighbours without a sure one among them are judged as
    the one bout they would be, and last of all what is heard beside a flight of the same tone.
    """
    kinds = [kind_of(item, threshold=threshold) for item in judged]
    order = range(len(judged))
    likely = [item.kinds[0] >= EXTEND_SHARE * threshold for item in judged]
    for sweep, step in ((order[1:], -1), (reversed(order[:-1]), 1)):
        for i in sweep:
            neighbour = i + step
            first, last = sorted((i, neighbour))
            if (
                kinds[neighbour] == "flight"
                and kinds[i] in (None, "uncertain")
                and likely[i]
                and _close(judged[first].piece, judged[last].piece)
            ):
                kinds[i] = "flight"
    for run in _runs(
        judged, [sure and kind != "sonication" for sure, kind in zip(likely, kinds, strict=True)]
    ):
        if _flight_together([judged[i] for i in run], threshold=threshold):
            for i in run:
                kinds[i] = "flight"
    accepted = [kind == "flight" for kind in kinds]
    for i, item in enumerate(judged):
        if (
            kinds[i] in (None, "uncertain")
            and item.kinds[0] >= threshold - SUPPORT_LESS
            and _at_flight_pitch(item.piece)
            and _has_support(judged, accepted, i)
        ):
            kinds[i] = "flight"
    return kinds


def _runs(judged: Sequence[Judged], wanted: Sequence[bool]) -> list[list[int]]:
    """Numbers of the wanted pieces, those together that follow each other closely at the same tone."""
    runs: list[list[int]] = []
    for i, item in enumerate(judged):
        if not wanted[i]:
            continue
        if i and wanted[i - 1] and _close(judged[i - 1].piece, item.piece):
            runs[-1].append(i)
        else:
            runs.append([i])
    return runs


def _flight_together(items: Sequence[Judged], *, threshold: float) -> bool:
    """Whether pieces are flight when their evidence is pooled as that of a stretch's parts is."""
    if len(items) < 2:
        return False
    lengths = np.array([item.piece.duration_s for item in items])
    pooled = _pooled(np.array([item.kinds for item in items]), lengths)
    pieces = [item.piece for item in items]
    return _is_flight(pooled, pieces, length_s=float(lengths.sum()), threshold=threshold)


def _has_support(judged: Sequence[Judged], accepted: Sequence[bool], at: int) -> bool:
    """Whether an accepted flight lies within `CONTEXT_S` and `JOIN_LN` of a piece."""
    piece = judged[at].piece
    for others in (range(at - 1, -1, -1), range(at + 1, len(judged))):
        for i in others:
            other = judged[i].piece
            if (other.gap_s(piece) if i < at else piece.gap_s(other)) > CONTEXT_S:
                break
            if accepted[i] and abs(other.ln_f0 - piece.ln_f0) < JOIN_LN:
                return True
    return False


def join(judged: Sequence[Judged], kinds: Sequence[Kind | None]) -> list[tuple[Kind, list[Judged]]]:
    """Join neighbouring pieces of one kind and tone into bouts; pieces of no kind are left out."""
    groups: list[tuple[Kind, list[Judged]]] = []
    for item, kind in zip(judged, kinds, strict=True):
        if kind is None:
            continue
        if groups and kind == groups[-1][0] and _close(groups[-1][1][-1].piece, item.piece):
            groups[-1][1].append(item)
        else:
            groups.append((kind, [item]))
    return groups


def second_flights(
    judged: Sequence[Judged], groups: Sequence[tuple[Kind, list[Judged]]], *, threshold: float
) -> list[tuple[Kind, list[Judged]]]:
    """Bouts of a second bee: flight of its own tone under accepted flights.

    Parameters
    ----------
    judged
        Pieces of the second line.
    groups
        Bouts of the first line, from `join`.
    """
    flights = [item.piece.rows for kind, items in groups if kind == "flight" for item in items]
    if not flights or not judged:
        return []
    first = np.concatenate(flights)
    kinds: list[Kind | None] = [
        "flight"
        if item.stretch_s >= SHORTEST_S
        and kind_of(item, threshold=threshold + SECOND_EXTRA) == "flight"
        and is_own_tone(item.piece.rows, first)
        else None
        for item in judged
    ]
    return join(judged, kinds)


def doubted(bout: Bout, *, threshold: float) -> Bout:
    """Call a short flight in bad company uncertain, unless it is sure."""
    short = (
        bout.kind == "flight" and round(bout.duration_s, 3) < COMPANY_S and not COMPANY.isdisjoint(bout.flags)
    )
    if short and bout.flight_probability < min(threshold + COMPANY_EXTRA, 0.99):
        return replace(bout, kind="uncertain", flyby=None)
    return bout


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
    with np.errstate(divide="ignore", invalid="ignore"):
        clear = tone > 0.5 * noise
        level = np.where(clear, 10 * np.log10(tone / np.nanmax(tone)), np.nan)
    known = np.isfinite(tone)
    if not known.any():
        return (), float("nan")
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
one at a multiple of 50 Hz is flagged ``hum``. Ours."""


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
    mains = f0_hz / 50.0
    steady = f0_hz.size > 10 and float(np.std(np.log(f0_hz))) < STEADY_LN
    if steady and abs(np.median(mains) % 1 - 0.5) > 0.49:
        flags.append("hum")
    return flags


def _neighbour_flags(start_s: float, end_s: float, others: Sequence[Judged]) -> list[str]:
    """Name voices and engines heard within `CONTEXT_S` of a bout."""
    heard = dict.fromkeys(SOURCES, 0.0)
    for item in others:
        if item.piece.end_s > start_s - CONTEXT_S and item.piece.start_s < end_s + CONTEXT_S:
            heard[SOURCES[int(item.sources.argmax())]] += item.piece.duration_s
    return [name for name in SOURCES[:-1] if heard[name] > 0.3]
