"""When a record was made and when a clip, and how far the two clocks lie apart.

Conventions
-----------
Moments are seconds since 1970 in UTC. A time without an offset is local time: of the zone given, or of this
computer. The *clock offset* is what has to be added to the time of a clip to get that of its record.

- `moment`: a time as text to a moment.
- `zone_named`: a time zone by its name.
- `Offset`, `offset_of_pairs`, `estimated_offset`: the clock offset.
"""

from __future__ import annotations

import datetime as dt
import zoneinfo
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wingtone.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["Offset", "estimated_offset", "moment", "offset_of_pairs", "zone_named"]

LEAST_PAIRS = 3
"""Pairs known by file name from which the offset is taken. Ours: the median of three outvotes one slip."""

MOST_OFFSET_S = 3 * 3600.0
"""Largest offset looked for. Ours: summer time, a zone of travel, and a clock set carelessly."""

WINDOW_S = 120.0
"""Width within which differences between records and clips count as equal. Ours: records are kept to the
minute, and a clip begins within a minute of the note."""

LEAST_PEAK = 5
PEAK_SDS = 6.0
"""An offset is believed when at least five differences agree, and when they are more by six standard
deviations than chance (Poisson) would bring together. Ours: some 180 windows are looked at, so that five
agree by chance in about one table of twenty where half a pair a window is expected, and far less often with
fewer."""


@dataclass(frozen=True)
class Offset:
    """How far two clocks lie apart.

    Attributes
    ----------
    offset_s
        To be added to the times of the clips.
    pairs
        Pairs it rests on; 0 when it was given, or when there was too little to tell.
    spread_s
        Median distance of these pairs from it; NaN without pairs.
    how
        ``given``, ``file names``, ``times`` or ``not found``.
    """

    offset_s: float
    pairs: int
    spread_s: float
    how: str


def zone_named(name: str | None) -> dt.tzinfo | None:
    """Give a zone of the IANA time zone database, such as ``Europe/London``; None for None.

    Raises
    ------
    RequestError
        There is no such zone on this computer.
    """
    if name is None:
        return None
    try:
        return zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        raise RequestError(
            "no such time zone is known here", remedy="write it as Europe/London or UTC", where=name
        ) from None


def moment(text: str | None, *, zone: dt.tzinfo | None) -> float | None:
    """Give the moment of an event date (`wingtone.notebook.events`); of an interval its middle.

    None when it has no time of day: a day is too wide to match by.
    """
    if not text or "T" not in text:
        return None
    start, _, end = text.partition("/")
    moments = []
    for single in (start, end or start):
        if "T" not in single:
            return None
        time = dt.datetime.fromisoformat(single)
        if time.tzinfo is None:
            time = time.astimezone() if zone is None else time.replace(tzinfo=zone)
        moments.append(time.timestamp())
    return sum(moments) / 2


def offset_of_pairs(differences_s: Sequence[float]) -> Offset | None:
    """Give the median of known differences, record minus clip; None for fewer than `LEAST_PAIRS`."""
    if len(differences_s) < LEAST_PAIRS:
        return None
    return _median(np.array(differences_s), "file names")


def estimated_offset(records_s: Floats, clips_s: Floats) -> Offset:
    """Find the offset at which most records and clips fall together.

    All differences up to `MOST_OFFSET_S` are laid on one line. Those of pairs that belong together pile up
    at the offset, the others lie scattered; the fullest `WINDOW_S` is taken when it is fuller than chance
    makes it, and the median within it.

    Parameters
    ----------
    records_s, clips_s : shape (n,), (m,)
        Moments. May be empty.
    """
    clips = np.sort(clips_s)
    first = np.searchsorted(clips, records_s - MOST_OFFSET_S, side="left")
    last = np.searchsorted(clips, records_s + MOST_OFFSET_S, side="right")
    near = [record - clips[a:b] for record, a, b in zip(records_s, first, last, strict=True)]
    differences = np.sort(np.concatenate([np.empty(0), *near]))
    if differences.size:
        counts = np.searchsorted(differences, differences + WINDOW_S, side="right")
        counts = counts - np.arange(differences.size)
        peak = int(counts.argmax())
        by_chance = differences.size * WINDOW_S / (2 * MOST_OFFSET_S)
        if counts[peak] >= max(LEAST_PEAK, by_chance + PEAK_SDS * by_chance**0.5):
            middle = np.median(differences[peak : peak + counts[peak]])
            return _median(differences[np.abs(differences - middle) <= WINDOW_S], "times")
    return Offset(0.0, 0, float("nan"), "not found")


def _median(differences_s: Floats, how: str) -> Offset:
    middle = float(np.median(differences_s))
    spread = float(np.median(np.abs(differences_s - middle)))
    return Offset(middle, int(differences_s.size), spread, how)
