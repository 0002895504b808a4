"""Which clip belongs to which record: by the file name that the record gives, or by the time.

Rules
-----
- A record that names a file is matched by that name, capitals, folders and the kind of file apart when that
  leaves one clip; never by time, since a wrong clip is worse than none.
- Other records are matched by time. Among all pairs of a record and a clip that are left, and no further
  apart than the tolerance, the nearest pair is taken first; each clip goes to one record.
- Whatever finds no clip is told why.

- `match`: do it.
- `Match`, `ClipTime`: what comes out, and what is needed of a clip.
"""

from __future__ import annotations

import bisect
from dataclasses import dataclass
from pathlib import PurePosixPath
from typing import TYPE_CHECKING

import numpy as np

from wingtone.cue.clock import Offset, estimated_offset, offset_of_pairs

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

__all__ = ["ClipTime", "Match", "match"]


@dataclass(frozen=True)
class ClipTime:
    """A clip and the moment it states of itself, seconds in UTC; None when it states none."""

    path: Path
    at_s: float | None


@dataclass(frozen=True)
class Match:
    """What was found for one record.

    Attributes
    ----------
    clip
        Index of the clip, or None.
    how
        ``file name``, ``time``, or empty.
    gap_s
        Time of the record less that of the clip, clock offset taken off; None when one is not known.
    note
        Why there is no clip, or what to mind about it; may be empty.
    reason
        Why there is no clip in a few words that are the same for like records; empty when there is one.
    """

    clip: int | None
    how: str = ""
    gap_s: float | None = None
    note: str = ""
    reason: str = ""


def match(
    named: Sequence[str],
    times_s: Sequence[float | None],
    clips: Sequence[ClipTime],
    *,
    tolerance_s: float,
    offset_s: float | None = None,
) -> tuple[list[Match], Offset]:
    """Match records with clips.

    Parameters
    ----------
    named, times_s
        For each record the file it names (or empty), and its moment (or None).
    clips
        What there is to match with.
    tolerance_s
        How far apart record and clip may lie, at most.
    offset_s
        The clock offset; None finds it out, from the pairs known by name if there are enough of them, else
        from the times alone.

    Returns
    -------
    matches, offset
        One match a record, in order.
    """
    by_name = _by_name(named, [clip.path for clip in clips])
    taken = {found.clip for found in by_name if found is not None and found.clip is not None}
    free = [i for i, clip in enumerate(clips) if clip.at_s is not None and i not in taken]
    open_records = [
        i for i, found in enumerate(by_name) if found is None and times_s[i] is not None and not named[i]
    ]
    if offset_s is None:
        pairs = [
            record - clip
            for found, record in zip(by_name, times_s, strict=True)
            if found is not None and found.clip is not None and record is not None
            for clip in [clips[found.clip].at_s]
            if clip is not None
        ]
        offset = offset_of_pairs(pairs) or estimated_offset(
            np.array([times_s[i] for i in open_records], dtype=np.float64),
            np.array([clips[i].at_s for i in free], dtype=np.float64),
        )
    else:
        offset = Offset(offset_s, 0, float("nan"), "given")
    by_time = _by_time(
        {i: _known(times_s[i]) - offset.offset_s for i in open_records},
        {i: _known(clips[i].at_s) for i in free},
        [clip.path for clip in clips],
        tolerance_s=tolerance_s,
    )
    matches = []
    for i, found in enumerate(by_name):
        if found is None:
            why = _without_time(clips, free)
            found = by_time.get(i) or Match(None, note=why, reason=why)
        elif found.clip is not None:
            clip_s, record_s = clips[found.clip].at_s, times_s[i]
            if clip_s is not None and record_s is not None:
                found = Match(found.clip, found.how, record_s - offset.offset_s - clip_s, found.note)
        matches.append(found)
    return matches, offset


def _known(value: float | None) -> float:
    assert value is not None
    return value


def _without_time(clips: Sequence[ClipTime], free: Sequence[int]) -> str:
    if not free:
        stated = any(clip.at_s is not None for clip in clips)
        return "no clip is left" if stated else "no clip states when it was recorded"
    return "the record names no clip and has no time of day"


# --- by name ---------------------------------------------------------------------------------------------


def _by_name(named: Sequence[str], paths: Sequence[Path]) -> list[Match | None]:
    """None for records that name nothing."""
    by_file: dict[str, list[int]] = {}
    by_stem: dict[str, list[int]] = {}
    for i, path in enumerate(paths):
        by_file.setdefault(path.name.casefold(), []).append(i)
        by_stem.setdefault(path.stem.casefold(), []).append(i)
    found: list[Match | None] = []
    for name in named:
        if not name:
            found.append(None)
            continue
        wanted = PurePosixPath(name.replace("\\", "/").casefold())
        fits = by_file.get(wanted.name) or by_stem.get(wanted.name) or by_stem.get(wanted.stem) or []
        fits = _longest_agreement(wanted, fits, paths)
        if len(fits) == 1:
            found.append(Match(fits[0], "file name"))
        elif fits:
            found.append(
                Match(
                    None, note=f"{len(fits)} clips go by the name {name}", reason="several clips of its name"
                )
            )
        else:
            found.append(Match(None, note=f"there is no clip {name}", reason="no clip of its name"))
    users: dict[int, int] = {}
    for one in found:
        if one is not None and one.clip is not None:
            users[one.clip] = users.get(one.clip, 0) + 1
    return [
        Match(one.clip, one.how, note=f"{users[one.clip]} records name this clip")
        if one is not None and one.clip is not None and users[one.clip] > 1
        else one
        for one in found
    ]


def _longest_agreement(wanted: PurePosixPath, fits: Sequence[int], paths: Sequence[Path]) -> list[int]:
    """Of several clips with one name keep those in folders that are named too."""
    agreement = []
    for i in fits:
        n = 0
        for asked, there in zip(reversed(wanted.parts[:-1]), reversed(paths[i].parts[:-1]), strict=False):
            if asked != there.casefold():
                break
            n += 1
        agreement.append(n)
    return [i for i, n in zip(fits, agreement, strict=True) if n == max(agreement)]


# --- by time ---------------------------------------------------------------------------------------------


def _by_time(
    records_s: dict[int, float], clips_s: dict[int, float], paths: Sequence[Path], *, tolerance_s: float
) -> dict[int, Match]:
    order = sorted(clips_s, key=lambda i: (clips_s[i], i))
    times = [clips_s[i] for i in order]
    near: list[tuple[float, int, int]] = []
    for record, at_s in records_s.items():
        first = bisect.bisect_left(times, at_s - tolerance_s)
        last = bisect.bisect_right(times, at_s + tolerance_s)
        near += [(abs(at_s - clips_s[clip]), record, clip) for clip in order[first:last]]
    found: dict[int, Match] = {}
    owner: dict[int, int] = {}
    for _, record, clip in sorted(near):
        if record not in found and clip not in owner:
            found[record] = Match(clip, "time", records_s[record] - clips_s[clip])
            owner[clip] = record
    for record, at_s in records_s.items():
        if record not in found and times:
            i = bisect.bisect_left(times, at_s)
            nearest = min(order[max(i - 1, 0) : i + 1], key=lambda clip: abs(at_s - clips_s[clip]))
            gap_s = at_s - clips_s[nearest]
            if abs(gap_s) <= tolerance_s:
                reason = "the nearest clip lies nearer to another record"
                note = f"{reason}: {paths[nearest].name}"
            else:
                reason = f"no clip within {tolerance_s / 60:g} min"
                note = f"{reason}; the nearest lies {apart(gap_s)} away"
            found[record] = Match(None, note=note, reason=reason)
    return found


def apart(gap_s: float) -> str:
    """Write a distance in time as people say it."""
    size = abs(gap_s)
    for unit_s, name, below in ((1.0, "s", 90.0), (60.0, "min", 5400.0), (3600.0, "h", 172800.0)):
        if size < below:
            return f"{size / unit_s:.0f} {name}"
    return f"{size / 86400:.0f} days"
