"""The rules of the decision: from how likely each piece of tone is flight to what is called flight.

`wingtone.tone.gate` judges every piece by itself. Here parts of one tone are judged together, flights reach
over what belongs to them, and what stands in doubt has to be surer.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone.gate import SOURCES
from wingtone.tone.pieces import CONTEXT_S, Piece, features
from wingtone.tone.second import SHORTEST_S, is_own_tone

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from wingtone.tone.gate import Gate
    from wingtone.tone.results import Bout, Kind

FLIGHT_THRESHOLD = 0.5
"""Likelier than not. Ours, and borne out by the trade-off between bees missed and false bouts on real
recordings (README)."""
SHORT_S = 0.4
SHORT_EXTRA = 0.33
"""A tone of under 0.4 s has to be surer by 0.33: a syllable is as short. Ours: as tried, with 0.25 nothing
changed in the labelled recordings, and one false bout came in what was never trained on."""
HIGH_HZ = 250.0
HIGH_EXTRA = 0.2
"""A tone above 250 Hz has to be surer by 0.2: hardly a bumblebee flies there, while sonication and many a
machine sound there. Ours: as tried, with 0.1 an engine at 283 Hz was flight in five of six shufflings of the
labelled recordings and a drone at 304 Hz in three, and no tone more was found. Only one labelled bee flies so
high, at 269 Hz, and no made-up one, so what it costs is hardly known."""
FLIGHT_ODDS = 1.2
"""A tone is flight only when that is likelier than sonication by 6 to 5: sonication taken for flight is the
worst error there is. Ours: as tried on one shuffling and with a campaign left out, with 2 to 1 as many
sonications were called flight, and of made-up clips of six seeds 1.5 and 8.3 % of the frames were missed at
10 and 0 dB, not 1.4 and 7.2; no labelled tone more or less was found with either."""
COMPANY_S = 0.6
COMPANY_EXTRA = 0.43
COMPANY = frozenset({"engine", "voice"})
"""A bout of under 0.6 s among the tones of an engine or a voice has to be surer by 0.43, or it stays
uncertain: most syllables are as short. Ours: as tried, with 0.35 no labelled tone more was found, and sounds
that were never trained on gave 42 false bouts, not 38. With 0.5 s one or two labelled tones more were found
in two of six shufflings, and of what was never trained on 44 bouts were false, not 37."""
MOTOR_S = 1.0
"""Where an engine was taken out, that holds for bouts of under 1 s whatever else is heard: the judges do not
know what is left of a voice there. Ours: as tried in 30 minutes of made-up talk beside mowers and other
engines, with 0.6 s 96 bouts were false, with 1 s 26, with 1.2 s 17, with the engines left in 48; at 0 dB
10.4, 10.5 and 10.9 % of the frames of made-up bees were missed."""
BUZZ_EXTRA = 0.28
"""A flower buzz of under 0.4 s has to be surer by 0.28, and among the tones of an engine or a voice one of
under 0.6 s stays uncertain: most syllables are as short. Ours: as tried, with neither sounds that were never
trained on gave 162 flower buzzes, not 50."""
FAINTEST_BUZZ_DB = -34.0
"""A flower buzz that lies further below the noise stays uncertain. Ours: as tried on one shuffling, with -30
one labelled one less was recognised, and in what was never trained on there were as many false ones."""
SECOND_EXTRA = 0.1
"""A tone under another one has to be surer by 0.1 to be a second bee. Ours: see `wingtone.tone.second`."""
EXTEND_SHARE = 0.4
"""Ours: low enough that a fluttering flight is not torn up, and of use only beside a sure piece."""
SUPPORT_LESS = 0.2
"""A tone near an accepted flight of the same tone may be less sure by 0.2. Ours: with 0.15 made-up clips of
other seeds than the benchmark's lost 4.5 % of their frames at 5 dB, with 0.2 they lose 3.3 %; of the labelled
tones and false bouts none changed, in what was never trained on one false bout came."""
SAME_S = 6.0
SAME_LN = 0.05
"""A bee keeps its tone: further away than `CONTEXT_S`, up to 6 s, a flight supports tones within 5 % of its
own. Ours: of made-up clips of six seeds 1.3, 2.6 and 10.4 % of the frames were missed at 10, 5 and 0 dB,
and not 1.7, 3.3 and 10.9; of the labelled recordings nothing changed in three shufflings, in what was never
trained on 44 bouts were false, not 40. With 8 % there were 50, over 10 s 47, with 3 % 44 and less was
gained."""
LEAST_BETWEEN = 0.2
"""What was taken for sonication is flight when it lies between two flights of its tone and flight is as
likely as 0.2: a flower buzz is higher than the flight before and after it (De Luca et al. 2019, read).
Ours: it gave 0.2 % of the frames at 10 and 5 dB; of the labelled sonications, of 30 made-up ones at each of
25, 10 and 0 dB, and of what was never trained on nothing changed."""
JOIN_GAP_S = 0.3
JOIN_LN = 0.12
EDGE_FRAMES = 5
"""Bouts of one kind closer than 0.3 s and 12 % of tone are one bout: a bee turning away and back. The tones
are those of the 50 ms where they meet. Ours: as tried, with those of whole pieces, what slides was torn
up: of made-up clips 0.1 % more of the frames were missed at 10 and 5 dB, and an engine was one false bout
more in each of six shufflings of the labelled recordings."""
SONICATION_THRESHOLD = 0.38
"""Lower than for flight, as nothing is concluded from it. Ours: as tried on one shuffling, with 0.42 one
labelled flower buzz less was recognised, and in what was never trained on 53 bouts were false flower buzzes,
not 61; of the tones found none changed."""
BUZZ_S = 1.6
LONGER_LN_ODDS = 1.5
"""Flower buzzes are short: of 31 labelled ones that are tracked the longest unbroken tone lasts 1.6 s, while
of 100 labelled flights 11 go on for more than 2 s. So with each second beyond 1.6 s it is e^1.5 (4.5)
times as likely that an unbroken tone is flight and not sonication. Ours: as tried, with e^1 the labelled
recordings gave the same, with e^2 one flower buzz less was recognised in two of six shufflings; of made-
up clips of twelve seeds 2.1 % of the frames at 10 dB were missed, with nothing but a limit of 3 s between
the two 3.1 %."""
HELD_S = 0.6
HELD_LN_ODDS = 0.5
"""Syllables and notes are short: of 16,709 unbroken tones tracked in voices that were never trained on 3 in
100 last more than 0.6 s, of 2,327 in music 24, of 102 in labelled flights 39. So with each second beyond
0.6 s it is e^0.5 times as likely that a tone is a bee's and not one of those. An engine hums on: the share of
what may be one is left as it is. Ours: as tried, with e^1 made-up bees in noise as strong as they are were
missed less, but two more of the sonications of the campaign that was left out were called flight."""
LOWEST_SONICATION_HZ, HIGHEST_SONICATION_HZ = 150.0, 420.0
"""Sonication lies at about 200-400 Hz (De Luca et al. 2019, read); a margin for big bees and for measurement
(ours). What lies higher is no bee."""
LOWEST_FLIGHT_HZ, HIGHEST_FLIGHT_HZ = 75.0, 330.0
"""Flight lies within 80-320 Hz; a margin for Doppler and measurement. Nothing outside is called flight."""


@dataclass(frozen=True)
class Judged:
    """A piece, the probabilities of `wingtone.tone.gate.KINDS` for its stretch, and what else it may be."""

    piece: Piece
    kinds: NDArray[np.float64]
    sources: NDArray[np.float64]
    stretch_s: float


def judge(pieces: Sequence[Piece], gate: Gate) -> list[Judged]:
    """Judge every piece; parts of one unbroken stretch share their evidence.

    The log probabilities of a stretch's parts are averaged, weighted by their lengths: parts of one tone
    are far from independent, so their evidence is pooled, not added up. Then its length counts
    (`_by_length`).
    """
    if not pieces:
        return []
    described = features(pieces)
    kinds = gate.kinds(described)
    sources = gate.sources(described)
    stretch = np.array([p.stretch for p in pieces])
    length = np.array([p.duration_s for p in pieces])
    out: list[Judged] = []
    for i, piece in enumerate(pieces):
        same = stretch == stretch[i]
        stretch_s = float(length[same].sum())
        source = np.average(sources[same], axis=0, weights=length[same])
        together = _by_length(_pooled(kinds[same], length[same]), source, stretch_s=stretch_s)
        out.append(Judged(piece, together, sources[i], stretch_s))
    return out


def _by_length(
    kinds: NDArray[np.float64], sources: NDArray[np.float64], *, stretch_s: float
) -> NDArray[np.float64]:
    """Probabilities of `wingtone.tone.gate.KINDS` when it counts, too, how long a tone goes on unbroken.

    It tells flight from sonication (`LONGER_LN_ODDS`), and a bee from what is no engine (`HELD_LN_ODDS`).
    """
    flight, sonication, other = kinds
    ln_odds = np.log(flight / sonication) + LONGER_LN_ODDS * max(0.0, stretch_s - BUZZ_S)
    share, bee = 1 / (1 + np.exp(-ln_odds)), flight + sonication
    engine = sources[SOURCES.index("engine")]
    other *= engine + (1 - engine) * np.exp(-HELD_LN_ODDS * max(0.0, stretch_s - HELD_S))
    out: NDArray[np.float64] = np.array([bee * share, bee * (1 - share), other]) / (bee + other)
    return out


def _pooled(kinds: NDArray[np.float64], length_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Probabilities of `wingtone.tone.gate.KINDS` of several pieces together, weighted by their lengths."""
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
    if sonication >= SONICATION_THRESHOLD and LOWEST_SONICATION_HZ <= f0_hz <= HIGHEST_SONICATION_HZ:
        return "sonication"
    bee = flight + sonication > 0.5 and LOWEST_FLIGHT_HZ <= f0_hz <= HIGHEST_SONICATION_HZ
    return "uncertain" if bee else None


def _close(one: Piece, other: Piece) -> bool:
    """Whether two pieces, in order of time, may belong to one bout."""
    step = np.median(other.rows["ln_f0"][:EDGE_FRAMES]) - np.median(one.rows["ln_f0"][-EDGE_FRAMES:])
    return one.gap_s(other) < JOIN_GAP_S and bool(abs(step) < JOIN_LN)


def decide(judged: Sequence[Judged], *, threshold: float) -> list[Kind | None]:
    """The kind of every piece, with hysteresis.

    What lies between two sonications of the same tone is sonication too when all together are likelier that:
    a bee that takes off changes its tone. A flight then needs one sure piece to begin with; from there it
    reaches over neighbours of the same tone that are at least `EXTEND_SHARE` as sure. Such neighbours without
    a sure one among them are judged as the one bout they would be, and last of all what is heard beside a
    flight of the same tone, with all of the unbroken stretch it belongs to.
    """
    kinds = [kind_of(item, threshold=threshold) for item in judged]
    _fill_sonication(judged, kinds)
    likely = [item.kinds[0] >= EXTEND_SHARE * threshold for item in judged]
    _reach_over_neighbours(judged, kinds, likely)
    for run in _runs(
        judged, [sure and kind != "sonication" for sure, kind in zip(likely, kinds, strict=True)]
    ):
        if _flight_together([judged[i] for i in run], threshold=threshold):
            for i in run:
                kinds[i] = "flight"
    _support(judged, kinds, threshold=threshold)
    return kinds


def _fill_sonication(judged: Sequence[Judged], kinds: list[Kind | None]) -> None:
    """Call sonication what lies between two sonications of one tone, unless all together are rather flight.

    Ours: as tried, without it one sonication more was called flight in three of six shufflings, and no tone
    more was found.
    """
    bees = [item.kinds[:2].sum() > 0.5 for item in judged]
    for run in _runs(judged, bees):
        buzzes = [i for i in run if kinds[i] == "sonication"]
        if not buzzes:
            continue
        between = slice(buzzes[0], buzzes[-1] + 1)
        flight, sonication, _ = _together(judged[between])
        if sonication > flight:
            kinds[between] = ["sonication"] * len(kinds[between])


def _reach_over_neighbours(
    judged: Sequence[Judged], kinds: list[Kind | None], likely: Sequence[np.bool_]
) -> None:
    """Let flight spread, both ways in time, over close neighbours that are likely enough."""
    order = range(len(judged))
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


def _support(judged: Sequence[Judged], kinds: list[Kind | None], *, threshold: float) -> None:
    """Call flight what has a flight of its tone nearby, all of an unbroken stretch.

    Beside one it has to be nearly sure enough; between two, one before it and one after, no surer than what
    a flight reaches over: a bee that was further away for a while. Sonication is called flight between two
    only.
    """
    accepted = [kind == "flight" for kind in kinds]
    needed = (np.inf, threshold - SUPPORT_LESS, min(threshold - SUPPORT_LESS, EXTEND_SHARE * threshold))
    for _, group in groupby(range(len(judged)), key=lambda i: judged[i].piece.stretch):
        stretch = list(group)
        before = _has_support(judged, accepted, stretch[0], -1)
        sides = before + _has_support(judged, accepted, stretch[-1], 1)
        for i in stretch:
            flight = judged[i].kinds[0]
            if kinds[i] == "sonication":
                supported = sides == 2 and flight >= LEAST_BETWEEN
            else:
                supported = flight >= needed[sides]
            if supported and _at_flight_pitch(judged[i].piece):
                kinds[i] = "flight"


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
    pieces = [item.piece for item in items]
    length_s = sum(piece.duration_s for piece in pieces)
    return _is_flight(_together(items), pieces, length_s=length_s, threshold=threshold)


def _together(items: Sequence[Judged]) -> NDArray[np.float64]:
    """Probabilities of `wingtone.tone.gate.KINDS` of several pieces together."""
    lengths = np.array([item.piece.duration_s for item in items])
    return _pooled(np.array([item.kinds for item in items]), lengths)


def _has_support(judged: Sequence[Judged], accepted: Sequence[bool], at: int, step: int) -> bool:
    """Whether a flight of its tone was accepted near a piece, after it, or before (step -1).

    Near is `CONTEXT_S` for `JOIN_LN`, `SAME_S` for `SAME_LN`.
    """
    piece = judged[at].piece
    i = at + step
    while 0 <= i < len(judged):
        other = judged[i].piece
        gap_s = piece.gap_s(other) if step > 0 else other.gap_s(piece)
        if gap_s > SAME_S:
            return False
        if accepted[i] and abs(other.ln_f0 - piece.ln_f0) < (JOIN_LN if gap_s <= CONTEXT_S else SAME_LN):
            return True
        i += step
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


def doubted(bout: Bout, items: Sequence[Judged], *, threshold: float) -> Bout:
    """Call a bout uncertain that is too short or too faint for what it is said to be.

    Short flights in bad company or where an engine was taken out, unless they are sure; short flower buzzes
    in bad company; the shortest of those anywhere, unless they are sure; and the faintest. ``items`` are
    the bout's pieces.
    """
    length_s = round(bout.duration_s, 3)
    company = length_s < COMPANY_S and not COMPANY.isdisjoint(bout.flags)
    if bout.kind == "flight":
        motor = np.concatenate([item.piece.rows["motor"] for item in items]).mean() > 0.5
        company |= bool(motor) and length_s < MOTOR_S
        doubtful = company and bout.flight_probability < min(threshold + COMPANY_EXTRA, 0.99)
    elif bout.kind == "sonication":
        lengths = [item.piece.duration_s for item in items]
        sonication = float(np.average([item.kinds[1] for item in items], weights=lengths))
        unsure = length_s < SHORT_S and sonication < SONICATION_THRESHOLD + BUZZ_EXTRA
        doubtful = company or unsure or bout.snr_db < FAINTEST_BUZZ_DB
    else:
        doubtful = False
    return replace(bout, kind="uncertain", flyby=None) if doubtful else bout
