"""Individuals before statistics: which bouts count, and which of them are one bee's.

**Quality.** Only bouts of the kinds, flags, signal-to-noise ratio and width of interval that `Quality` states
take part; how many were left out, and why, is told (`Selection`). A bout is counted under the first reason
that holds.

**Individuals.** Repeated bouts of one bee count once. The choice, made in three steps:

clip   bouts of different recordings are different bees, unless the clock says that the recordings of one
       folder follow one another within the gap
gap    a silence of more than `GAP_S`, or `LONGEST_VISIT_S` since the visit began, starts a new visit:
       whoever is heard then is taken for another bee
tone   within a visit, flights that overlap or whose tones lie too far apart are different bees, by the model
       of `wingtone.tone.individuals`

It errs on the side of too few bees where many of one size come in turn, and counts a bee that comes back
after the gap again: sound cannot know it. So the same counts under other choices are given beside it
(`RULES`). Rows that say who it was (``individual``, a record of a notebook) are taken at their word.

The tone of an individual is the mean of ln f0 over its bouts, weighted by the inverse of the variance
``within^2 + measurement^2``, so its own error is ``1 / sum of weights``, but never less than that of
`MOST_BOUTS` bouts without error of measurement.

- `Quality`, `Selection`, `select`
- `Individual`, `individuals_of`
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
from bisect import bisect_left, bisect_right
from collections import Counter
from dataclasses import dataclass
from itertools import accumulate
from typing import TYPE_CHECKING

import numpy as np

from wingtone.evidence.lineup import NOT_A_BUMBLEBEE
from wingtone.evidence.tone_size import INTERVAL_95, LEAST_MEASUREMENT_SD, MOST_BOUTS
from wingtone.notebook.doubts import is_same_flight
from wingtone.tone.individuals import WITHIN_LN, individuals

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from wingtone.notebook.records import BoutNote
    from wingtone.population.bouts import Heard
    from wingtone.tone.results import Bout

__all__ = ["GAP_S", "RULES", "Individual", "Quality", "Selection", "individuals_of", "select"]

GAP_S = 30.0
"""Silence after which whoever is heard is taken for another bee. Ours: flights between flowers of one patch
follow within seconds."""

LONGEST_VISIT_S = 300.0
"""No visit is longer than this: where bees follow each other without a gap, a chain of visits is not one bee.
Ours."""

RULES = ("bout", "clip", "clip, tone", "clip, gap, tone")
"""How individuals can be counted; the last is the rule used, the others show what hangs on it."""


@dataclass(frozen=True)
class Quality:
    """Which bouts take part. Those of what is known to be no bumblebee never do.

    Attributes
    ----------
    kinds
        Only flight says anything about size.
    least_snr_db
        Least signal-to-noise ratio in dB. Bouts that state none pass. Ours: 0 dB, where comb and noise are
        equally strong.
    most_width
        Widest 95 % interval, as a share of the tone. Ours: 0.1, which is 5 % to either side, as much as one
        bee wanders from bout to bout.
    refused_flags
        ``many bees`` (no single bee can be followed), ``damaged`` (times cannot be trusted), ``hum`` (mains).
    """

    kinds: tuple[str, ...] = ("flight",)
    least_snr_db: float = 0.0
    most_width: float = 0.1
    refused_flags: tuple[str, ...] = ("many bees", "damaged", "hum")

    def reason(self, heard: Heard) -> str:
        """Say why a bout is left out; empty when it takes part."""
        bout = heard.bout
        if heard.caste == NOT_A_BUMBLEBEE:
            return NOT_A_BUMBLEBEE
        if bout.kind not in self.kinds:
            return f"not flight but {bout.kind}"
        for flag in self.refused_flags:
            if flag in bout.flags:
                return f"flag: {flag}"
        if bout.snr_db < self.least_snr_db:
            return f"signal-to-noise ratio below {self.least_snr_db:g} dB"
        if bout.f0_high_hz - bout.f0_low_hz > self.most_width * bout.f0_hz:
            return f"interval wider than {100 * self.most_width:g} % of the tone"
        return ""


@dataclass(frozen=True)
class Selection:
    """What the quality filter did: bouts given, bouts used, and the others by reason, most frequent first."""

    n_bouts: int
    n_used: int
    dropped: tuple[tuple[str, int], ...]
    quality: Quality


def select(heard: Sequence[Heard], quality: Quality) -> tuple[list[Heard], Selection]:
    """Keep the bouts that are good enough, each once: two tables may hold the same recording.

    Where one of them is a notebook, or says who it was in another way, its word goes before the others'.
    """
    reasons = []
    seen = set()
    told_of: dict[str, list[BoutNote]] = {}
    for one in heard:
        if one.individual:
            for name in {one.recording, one.path}:
                told_of.setdefault(name, []).extend(one.flights)
    told = {name: _Told(flights) for name, flights in told_of.items()}
    for one in heard:
        key = (one.recording, one.individual, one.bout.start_s, one.bout.end_s, one.bout.f0_hz)
        twice = key in seen or (not one.individual and one.recording in told and told[one.recording].has(one))
        reasons.append("given twice" if twice else quality.reason(one))
        seen.add(key)
    kept = [one for one, reason in zip(heard, reasons, strict=True) if not reason]
    counted = Counter(reason for reason in reasons if reason)
    return kept, Selection(len(heard), len(kept), tuple(counted.most_common()), quality)


class _Told:
    """The flights of a recording that somebody told of. Only those near a bout are compared with it."""

    def __init__(self, flights: Sequence[BoutNote]) -> None:
        # What goes on for ever, as where a record does not say on which flights it rests, is near to all.
        self._endless = [flight for flight in flights if flight.end_s == math.inf]
        ending = (flight for flight in flights if flight.end_s < math.inf)
        self._ending = sorted(ending, key=lambda flight: flight.start_s)
        self._starts_s = [flight.start_s for flight in self._ending]
        self._latest_end_s = [*accumulate((flight.end_s for flight in self._ending), max)]

    def has(self, one: Heard) -> bool:
        """Whether a bout is one of them."""
        if one.bout.kind != "flight":
            return False
        first = bisect_left(self._latest_end_s, one.bout.start_s)
        last = bisect_right(self._starts_s, one.bout.end_s)
        near = (*self._endless, *self._ending[first:last])
        return any(is_same_flight(one.flights[0], flight) for flight in near)


@dataclass(frozen=True)
class Individual:
    """One bee as far as sound can tell.

    Attributes
    ----------
    tone_hz
        Its wingbeat frequency, the weighted geometric mean of its bouts.
    error_ln
        Standard deviation of ln tone as a measure of the bee's own: measurement and the bee's moments.
    n_bouts
        Bouts behind it.
    recording, path
        Of its first bout.
    moment, day
        When first heard; None when not known.
    group
        Site or period; empty when not grouped.
    caste
        Written down by the recorder; empty otherwise. Not used in any estimate.
    """

    tone_hz: float
    error_ln: float
    n_bouts: int
    recording: str
    path: str
    moment: dt.datetime | None = None
    day: dt.date | None = None
    group: str = ""
    caste: str = ""


def individuals_of(
    heard: Sequence[Heard],
    *,
    rule: str = "clip, gap, tone",
    gap_s: float = GAP_S,
    within_ln: float = WITHIN_LN,
    group_of: Callable[[Heard], str] = lambda _: "",
) -> list[Individual]:
    """Share bouts out among bees.

    Parameters
    ----------
    heard
        Bouts that passed `select`.
    rule
        One of `RULES`.
    gap_s
        See `GAP_S`.
    within_ln
        Spread of ln f0 between bouts of one bee.
    group_of
        Site or period of a bout.

    Returns
    -------
    list of Individual
        In the order in which they are first heard, recording by recording.
    """
    named: dict[str, list[Heard]] = {}
    unnamed: list[Heard] = []
    for one in heard:
        if one.individual:
            named.setdefault(one.individual, []).append(one)
        else:
            unnamed.append(one)
    shares = [*named.values(), *_shares(unnamed, rule, gap_s, within_ln)]
    return [_individual(share, within_ln, group_of) for share in shares]


def _shares(heard: Sequence[Heard], rule: str, gap_s: float, within_ln: float) -> list[list[Heard]]:
    if rule == "bout":
        return [[one] for one in heard]
    clips: dict[str, list[Heard]] = {}
    for one in heard:
        clips.setdefault(one.recording, []).append(one)
    if rule == "clip":
        return list(clips.values())
    if rule == "clip, tone":
        return [share for clip in clips.values() for share in _by_tone(clip, within_ln)]
    if rule != "clip, gap, tone":
        raise ValueError(f"no such rule: {rule}")
    return [share for visit in _visits(heard, gap_s) for share in _by_tone(visit, within_ln)]


def _by_tone(visit: Sequence[Heard], within_ln: float) -> list[list[Heard]]:
    """Share the bouts of a visit out by overlap and tone; times of several recordings by the clock."""
    first = visit[0]
    placed = []
    for one in visit:
        offset_s = 0.0
        if one.recording != first.recording and one.moment is not None and first.moment is not None:
            offset_s = (one.moment - first.moment).total_seconds() + first.bout.start_s - one.bout.start_s
        placed.append((one.bout.start_s + offset_s, one.bout.end_s + offset_s, one))
    placed.sort(key=lambda entry: entry[0])
    bouts = [_at(one, start_s, end_s) for start_s, end_s, one in placed]
    return [[placed[i][2] for i in group] for group in individuals(bouts, within_ln=within_ln).groups]


def _at(one: Heard, start_s: float, end_s: float) -> Bout:
    # A bout without length would weigh nothing in the mean tone of its bee.
    return dataclasses.replace(one.bout, start_s=start_s, end_s=max(end_s, start_s + 1e-3))


def _visits(heard: Iterable[Heard], gap_s: float) -> list[list[Heard]]:
    """Cut the bouts at silences: on the clock of each folder where there is one, else within recordings."""
    lines: dict[tuple[str, str], list[tuple[float, float, Heard]]] = {}
    for one in heard:
        if one.moment is None:
            key, start_s = ("recording", one.recording), one.bout.start_s
        else:
            # Clocks with and without an offset cannot be compared, so they make lines of their own.
            key = ("folder", f"{one.folder} {one.moment.tzinfo is None}")
            naive = one.moment.tzinfo is None
            moment = one.moment.replace(tzinfo=dt.UTC) if naive else one.moment
            start_s = moment.timestamp()
        lines.setdefault(key, []).append((start_s, start_s + one.bout.duration_s, one))
    visits: list[list[Heard]] = []
    for line in lines.values():
        line.sort(key=lambda entry: entry[0])
        began = ended = -math.inf
        for start_s, end_s, one in line:
            if start_s - ended > gap_s or start_s - began > LONGEST_VISIT_S:
                visits.append([])
                began, ended = start_s, end_s
            visits[-1].append(one)
            ended = max(ended, end_s)
    return visits


def _individual(share: Sequence[Heard], within_ln: float, group_of: Callable[[Heard], str]) -> Individual:
    first = min(share, key=lambda one: (one.recording != share[0].recording, one.bout.start_s))
    tones = np.log([one.bout.f0_hz for one in share])
    errors = np.array([_measurement_sd(one) for one in share])
    weights = 1.0 / (within_ln**2 + errors**2)
    variance = max(1.0 / float(weights.sum()), within_ln**2 / MOST_BOUTS)
    mean_hz = math.exp(float(np.average(tones, weights=weights)))
    return Individual(
        tone_hz=round(mean_hz, 6),  # bees of one tone are equal, however their bouts are weighted
        error_ln=math.sqrt(variance),
        n_bouts=len(share),
        recording=first.recording,
        path=first.path,
        moment=first.moment,
        day=first.day,
        group=group_of(first),
        caste=first.caste,
    )


def _measurement_sd(one: Heard) -> float:
    bout = one.bout
    return max(math.log(bout.f0_high_hz / bout.f0_low_hz) / INTERVAL_95, LEAST_MEASUREMENT_SD)
