"""Cutting a long recording into pieces that can be heard apart, and joining what was heard in them.

A piece answers for its *core*; the cores meet without gap or overlap. It listens to a *window* that reaches
further on both sides, so that at its ends it hears what one pass over the recording would have heard. A bout
belongs to the piece in whose core it begins. Only a bout that goes on for almost as long as the window
reaches beyond a join is cut there, and the later part belongs to the later piece: both pieces hear that it
is so long, so nothing is told twice and nothing is lost.

- `Piece`, `pieces_of`: the plan, which depends on length and settings alone.
- `kept`: the bouts of a window that its piece answers for.

Conventions
-----------
Seconds from the start of the recording. The last core is open to the end, as a stated length may be wrong.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from wingtone.tone.results import Bout

__all__ = ["WHOLE", "Piece", "kept", "pieces_of"]

WHOLE = -1
"""Number of the one piece of a recording that is heard whole where it would otherwise be cut. What was heard
in it must neither stand beside what was heard in pieces nor for the first of them."""

EDGE_S = 2.0
"""What goes on to this near the end of a window may go on beyond it. Ours: more than the tone room looks
ahead (1.5 s)."""


@dataclass(frozen=True)
class Piece:
    """One piece of a recording.

    Attributes
    ----------
    number
        From 0; or `WHOLE`.
    start_s, end_s
        The core; ``end_s`` is infinite for the last piece.
    overlap_s
        How far the window reaches beyond the core.
    """

    number: int
    start_s: float
    end_s: float
    overlap_s: float

    @property
    def window_start_s(self) -> float:
        """Where listening begins."""
        return max(0.0, self.start_s - self.overlap_s)

    @property
    def window_end_s(self) -> float:
        """Where listening ends; infinite for the last piece."""
        return self.end_s + self.overlap_s


def pieces_of(length_s: float, *, piece_s: float, overlap_s: float) -> list[Piece]:
    """Plan the pieces of a recording.

    Parameters
    ----------
    length_s
        Its stated length; 0 or less where none is known, which gives one piece.
    piece_s, overlap_s
        Length of a core, and how far a window reaches beyond it. A rest shorter than the overlap is added to
        the piece before it.
    """
    n = max(1, math.ceil((length_s - overlap_s) / piece_s))
    return [Piece(i, i * piece_s, (i + 1) * piece_s if i < n - 1 else math.inf, overlap_s) for i in range(n)]


def kept(bouts: Iterable[Bout], piece: Piece) -> list[Bout]:
    """Choose the bouts that a piece answers for.

    Parameters
    ----------
    bouts
        What was found in its window, in times of the recording.

    Returns
    -------
    list of Bout
        Those that begin in the core, and the later part of those so long that they are cut at its start.
    """
    far_s = piece.overlap_s - EDGE_S
    out = []
    for bout in bouts:
        begins = piece.start_s <= bout.start_s < piece.end_s
        goes_on = bout.start_s < piece.start_s and bout.end_s > piece.start_s + far_s
        if begins or goes_on:
            start_s = max(bout.start_s, piece.start_s)
            end_s = piece.end_s if bout.end_s > piece.end_s + far_s else bout.end_s
            out.append(dataclasses.replace(bout, start_s=start_s, end_s=end_s))
    return out
