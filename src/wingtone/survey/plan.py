"""What there is to do: the pieces of each recording that have not been heard, and how long it may take.

- `pieces_for`: how a recording is cut.
- `unheard`: the pieces still to be heard, recording by recording.
- `forecast`: what a survey would do, for ``--dry-run``.
"""

from __future__ import annotations

import contextlib
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from wingtone.survey.joins import WHOLE, Piece, pieces_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from wingtone.survey.manifest import Manifest
    from wingtone.survey.places import Found
    from wingtone.survey.settings import Settings

__all__ = ["Forecast", "forecast", "pieces_for", "unheard"]

USUAL_RATE = 250.0
"""Times real time that one core is guessed to manage before a survey has measured it: measured by us on WAV
at 48 kHz with bees an eighth of the time, README, and something taken off."""

MOST_OPENED = 200
"""Recordings opened for a forecast; the length of the others is reckoned from theirs."""


def pieces_for(
    facts: Mapping[str, Any], settings: Settings, statuses: Mapping[int, str] | None = None
) -> list[Piece]:
    """Cut a recording.

    A recording that cannot be begun anywhere (compressed with loss), lies at a URL, or is judged by a model,
    which listens to the whole, stays in one piece: starting over for each would cost more than it gains.

    Parameters
    ----------
    statuses
        Of the pieces that were heard: one that was heard whole, at a URL, is not cut any more.
    """
    length_s = float(facts["stated_s"]) if facts["seeks"] and settings.model is None else 0.0
    pieces = pieces_of(length_s, piece_s=settings.piece_s, overlap_s=settings.overlap_s)
    if len(pieces) > 1 and (facts.get("remote") or (statuses or {}).get(WHOLE) == "done"):
        return [Piece(WHOLE, 0.0, math.inf, settings.overlap_s)]
    return pieces


def unheard(
    founds: Iterable[Found], manifest: Manifest, settings: Settings
) -> Iterator[tuple[Found, str, Piece, float]]:
    """Go through the pieces still to be heard.

    Yields
    ------
    tuple
        The recording, its checksum, the piece, and the length of its core by the stated length in seconds (0
        when that is not known). Of several copies of a recording the first.
    """
    seen: set[str] = set()
    for found in founds:
        known = manifest.looked_at(found, program=settings.program)
        if known is None or "fault" in known[1] or known[0] in seen:
            continue
        sha256, told = known
        seen.add(sha256)
        heard = manifest.heard(sha256, settings.key)
        for piece in pieces_for(told["facts"], settings, heard):
            if piece.number not in heard:
                yield found, sha256, piece, _core_s(told["facts"], piece)


def _core_s(facts: Mapping[str, Any], piece: Piece) -> float:
    return max(0.0, min(piece.end_s, float(facts["stated_s"])) - piece.start_s)


@dataclass(frozen=True)
class Forecast:
    """What a survey would do.

    Attributes
    ----------
    n_found, n_new, n_partly
        Recordings there are; those nobody has looked at, or that changed; and those not yet heard to the end.
    to_hear_s
        Sound still to be heard; None when none of the new ones tells its length here and now, as at a URL.
    reckoned
        Whether the length of some was reckoned from that of others.
    rate
        Times real time that a worker manages.
    measured
        Whether that was measured in this survey, and not guessed.
    """

    n_found: int
    n_new: int
    n_partly: int
    to_hear_s: float | None
    reckoned: bool
    rate: float
    measured: bool

    def needs_s(self, workers: int) -> float | None:
        """How long it may take, s; None when that cannot be said."""
        return None if self.to_hear_s is None else self.to_hear_s / self.rate / workers


def forecast(founds: Sequence[Found], manifest: Manifest | None, settings: Settings) -> Forecast:
    """Say what there is to do, without doing or writing anything.

    Parameters
    ----------
    founds
        The recordings there are.
    manifest
        What is known; None when there is no manifest yet.
    """
    new = [
        found
        for found in founds
        if manifest is None or manifest.looked_at(found, program=settings.program) is None
    ]
    waiting: dict[str, float] = {}
    if manifest is not None:
        for found, _, _, core_s in unheard(founds, manifest, settings):
            waiting[found.location] = waiting.get(found.location, 0.0) + core_s
    step = max(1, -(-len(new) // MOST_OPENED))
    opened = [(found, _stated_s(found)) for found in new[::step]]
    known = [(found.size_bytes, length) for found, length in opened if length > 0]
    new_s = sum(length for _, length in known)
    reckoned = len(known) < len(new)
    if reckoned and known:
        new_s *= sum(found.size_bytes for found in new) / sum(size for size, _ in known)
    measured = manifest.rate() if manifest is not None else None
    return Forecast(
        n_found=len(founds),
        n_new=len(new),
        n_partly=len(waiting),
        to_hear_s=new_s + sum(waiting.values()) if known or not new else None,
        reckoned=reckoned,
        rate=measured or USUAL_RATE,
        measured=bool(measured),
    )


def _stated_s(found: Found) -> float:
    """Length that a recording states; 0 when it cannot be opened here and now."""
    from wingtone.audio import open_recording
    from wingtone.errors import RecordingError

    if found.remote:
        return 0.0
    with contextlib.suppress(RecordingError), open_recording(found.location) as recording:
        return recording.declared_s
    return 0.0
