"""From labels and recordings to a table of described bouts.

Conventions
-----------
A flight bout takes the label that it shares most time with, if they share at least half of the shorter of
the two. A bout that shares that much with labels of two kinds is left out: it cannot be said which is right.

Recordings of equal checksum are one recording under several names: it is described once, takes the labels of
all of them, and is of one group. Else the same sound could stand on both sides of a test.

- `Dataset`: described and labelled bouts
- `collect`: measure, match and describe
- `labelled`: which label each bout takes
"""

from __future__ import annotations

import dataclasses
import hashlib
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wingtone.errors import InputError, RecordingError, how_many
from wingtone.learn.labels import behind_the_end, groups_of

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from wingtone.learn.labels import Label, Labels, Target
    from wingtone.tone.results import Bout, ToneResult

    Floats = NDArray[np.float64]

__all__ = ["Dataset", "Heard", "collect", "hear", "labelled"]

LEAST_SHARED = 0.5
"""Share of the shorter of bout and label that they must have in common. Ours: more than they have apart."""


@dataclass(frozen=True, eq=False)
class Dataset:
    """Described and labelled bouts, one a row.

    Attributes
    ----------
    target
        What ``y`` names: ``caste`` or ``taxon``.
    table : shape (n, m)
        Features in the order of ``features``; NaN where not known.
    y : shape (n,), str
    group : shape (n,), int
        Bouts of one group are alike and never split; numbered from 0 without holes.
    grouped_by
        ``individual``, ``site-day`` or ``file``.
    surroundings
        ``recorder`` and ``site`` of each bout, shape (n,) of str; empty where not known.
    f0_hz : shape (n,)
        Median tone, for the cues that know nothing else.
    recordings
        Checksums of the recordings that bouts came from, sorted.
    individuals
        Checksums of the names of the individuals, sorted: enough to see that two tables share names.
    notes
        What was left out and why, one sentence each.
    """

    target: Target
    features: tuple[str, ...]
    table: Floats
    y: NDArray[np.str_]
    group: NDArray[np.int_]
    grouped_by: str
    surroundings: Mapping[str, NDArray[np.str_]]
    f0_hz: Floats
    recordings: tuple[str, ...] = ()
    individuals: tuple[str, ...] = ()
    labels_sha256: str = ""
    notes: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.y)

    @property
    def classes(self) -> tuple[str, ...]:
        """The classes, sorted."""
        return tuple(str(one) for one in np.unique(self.y))


@dataclass(frozen=True, eq=False)
class Heard:
    """The flight bouts of a recording, their description, its checksum (empty: not taken) and its length."""

    flight: tuple[Bout, ...]
    table: Floats
    sha256: str = ""
    duration_s: float = math.inf


def hear(path: Path, *, tone: ToneResult | None = None, checksum: bool = True) -> Heard:
    """Measure one recording and describe its flight bouts.

    Parameters
    ----------
    tone
        What was found in it already; None to measure it now.
    checksum
        Whether to take the checksum of the file.

    Raises
    ------
    RecordingError
        The recording cannot be used.
    MissingExtraError
        librosa is not installed.
    """
    from wingtone import audio
    from wingtone import tone as tone_room
    from wingtone.learn.features import describe

    with audio.open_recording(path) as recording:
        band_hz = recording.sample_rate_hz / 2
        duration_s = math.inf
        if tone is None:
            blocks = recording.blocks(rate_hz=tone_room.RATE_HZ)
            tone = tone_room.measure(blocks, rate_hz=tone_room.RATE_HZ, band_hz=band_hz)
            duration_s = recording.info.duration_s
    flight = [i for i, bout in enumerate(tone.bouts) if bout.kind == "flight"]
    table = describe(path, tone, bouts=flight, band_hz=band_hz)
    sha256 = audio.sha256_of(path) if checksum else ""
    return Heard(tuple(tone.bouts[i] for i in flight), table, sha256, duration_s)


def _checksum_of(name: str) -> str:
    return hashlib.sha256(name.casefold().encode()).hexdigest()[:16]


def labelled(bouts: Sequence[Bout], rows: Sequence[Label], target: Target) -> list[Label | None]:
    """Return the label that each bout takes, or None; ``rows`` are those of one recording."""
    out: list[Label | None] = []
    for bout in bouts:
        shared = []
        for row in rows:
            if row.start_s is None or row.end_s is None:  # all flight
                shared.append((bout.duration_s, row))
                continue
            overlap = min(bout.end_s, row.end_s) - max(bout.start_s, row.start_s)
            if overlap > 0 and overlap >= LEAST_SHARED * min(bout.duration_s, row.end_s - row.start_s):
                shared.append((overlap, row))
        kinds = {(row.named(target), row.individual) for _, row in shared}
        out.append(max(shared, key=lambda item: item[0])[1] if len(kinds) == 1 else None)
    return out


def collect(
    labels: Labels,
    *,
    target: Target | None = None,
    listen: Callable[[Path], Heard] = hear,
    progress: Callable[[Path, int], None] | None = None,
    leave_out: frozenset[str] = frozenset(),
) -> tuple[Dataset, list[RecordingError]]:
    """Measure, match and describe all labelled recordings.

    Parameters
    ----------
    target
        What to learn; None for what the labels allow, see `Labels.target`.
    listen
        From a recording to its described bouts.
    progress
        Called before each recording with its path and number.
    leave_out
        Checksums of recordings to leave out, such as those a model was trained on.

    Returns
    -------
    Dataset
        Of all bouts that took a label.
    failed
        One error for each recording that cannot be used; the others are in the dataset.

    Raises
    ------
    InputError
        No bout took a label.
    MissingExtraError
        librosa is not installed.
    """
    from wingtone.learn.features import NAMES

    target = target or labels.target()
    rows = [row for row in labels.rows if row.named(target)]
    notes = []
    if len(rows) < len(labels.rows):
        notes.append(f"left out: {how_many(len(labels.rows) - len(rows), 'row')} without a {target}")
    heard_of: dict[Path, Heard] = {}
    first_of: dict[str, Path] = {}
    same_as: dict[Path, Path] = {}
    failed: list[RecordingError] = []
    known = 0
    for number, path in enumerate(dict.fromkeys(row.file for row in rows)):
        if progress is not None:
            progress(path, number)
        try:
            heard = listen(path)
        except RecordingError as error:
            failed.append(error)
            continue
        if heard.sha256 in leave_out:
            known += 1
            continue
        first = first_of.setdefault(heard.sha256 or str(path), path)
        if first == path:
            heard_of[path] = heard
        else:
            same_as[path] = first
    length_s = {path: heard_of[same_as.get(path, path)].duration_s for path in (*heard_of, *same_as)}
    late = behind_the_end(rows, length_s)
    rows = [dataclasses.replace(row, file=same_as.get(row.file, row.file)) for row in rows]
    groups = groups_of(rows)
    group_of = dict(zip(map(id, rows), groups.group, strict=True))
    tables, takes, checksums = [np.empty((0, len(NAMES)))], [], set()
    unlabelled, no_bout = 0, 0
    f0: list[float] = []
    rows_of: dict[Path, list[Label]] = {}
    for row in rows:
        rows_of.setdefault(row.file, []).append(row)
    for path, heard in heard_of.items():
        own = labelled(heard.flight, rows_of[path], target)
        keep = [i for i, row in enumerate(own) if row is not None]
        unlabelled += len(own) - len(keep)
        no_bout += not keep
        tables.append(heard.table[keep])
        takes += [row for row in own if row is not None]
        f0 += [heard.flight[i].f0_hz for i in keep]
        if keep:
            checksums.add(heard.sha256)
    if same_as:
        copies = how_many(len(same_as), "recording")
        notes.append(f"counted once: {copies} that the table has under another name too")
    if known:
        notes.append(f"left out: {how_many(known, 'recording')} that the model was trained on")
    if late:
        notes.append(late)
    if no_bout:
        notes.append(f"in {how_many(no_bout, 'recording')} no flight bout took a label")
    if unlabelled:
        notes.append(f"{how_many(unlabelled, 'flight bout')} took no label: none there, or two that differ")
    if not takes:
        raise InputError(
            "no labelled flight bout is left to go by",
            remedy="; ".join(notes) or "no recording could be used",
            where=labels.path,
        )
    _, group = np.unique([group_of[id(row)] for row in takes], return_inverse=True)
    dataset = Dataset(
        target=target,
        features=NAMES,
        table=np.concatenate(tables),
        y=np.array([row.named(target) for row in takes]),
        group=group,
        grouped_by=groups.rests_on,
        surroundings={
            name: np.array([getattr(row, name).casefold() for row in takes]) for name in ("recorder", "site")
        },
        f0_hz=np.array(f0),
        recordings=tuple(sorted(checksums)),
        individuals=tuple(sorted({_checksum_of(row.individual) for row in takes if row.individual})),
        labels_sha256=labels.sha256,
        notes=tuple(notes),
    )
    return dataset, failed
