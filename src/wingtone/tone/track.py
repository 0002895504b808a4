"""The most likely tone line through the salience, with an explicit "no bee" state.

Dynamic programming (Viterbi 1967) over the candidates and one silent state. Staying in a tone earns its
salience above `THRESHOLD`; moving costs `SLEW_COST` a step; entering and leaving a tone each cost half
of `SWITCH_COST`, which is what keeps noise from being strung together.

What is there at the first frame or at the last is there for nothing: a recording may begin or end in a
flight. Nothing tells forwards from backwards, so the search runs from both ends at once and meets in the
middle: the same path in half as many steps, and it is the number of steps that takes the time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

NO_BEE = -1
THRESHOLD = 2.5
SWITCH_COST = 20.0
"""Ours. Neighbouring frames share nine tenths of their sound, so evidence adds up about ten times over:
20 is what noise earns by chance and a real flight of 0.2 s earns easily. Chosen on real recordings:
25 of 25 known tones tracked from 2.5/20 to 3/20; 24 at 3/40."""
SLEW_COST = 0.5
UNHEARD = -99.0
"""Salience of a frame nobody looked at: no tone reaches over it, and one that lies beside it has to pay."""
REACH = 3
"""Steps of 0.5 % a tone may move in 10 ms: 150 % a second. Real flights slew that fast when a bee starts."""

_COST = (SLEW_COST * np.abs(np.arange(-REACH, REACH + 1))).astype(np.float32)
_SHORTEST_FIRST = sorted(range(-REACH, REACH + 1), key=abs)
"""Of moves that earn the same the shortest is taken."""
_HALF = np.float32(SWITCH_COST / 2)


def unbroken(numbers: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Split ascending numbers, shape (n,), where one or more are left out; an empty list for none."""
    return np.split(numbers, np.flatnonzero(np.diff(numbers) > 1) + 1) if numbers.size else []


def best_path(salience: NDArray[np.float32]) -> NDArray[np.int64]:
    """Trace the best path.

    Parameters
    ----------
    salience : shape (n_frames, n_candidates)

    Returns
    -------
    shape (n_frames,), int
        Index of the candidate in each frame, or `NO_BEE`. Empty for no frames.
    """
    (path,) = best_paths([salience])
    return path


def best_paths(saliences: Sequence[NDArray[np.float32]]) -> list[NDArray[np.int64]]:
    """Trace the best path through each of several stretches, each by itself: `best_path` of them all.

    Those of like length go side by side, for it is the number of steps that takes the time.
    """
    paths = [np.full(salience.shape[0], NO_BEE, np.int64) for salience in saliences]
    for together in _alike([path.size for path in paths]):
        middles = [paths[i].size // 2 for i in together]
        steps, n = paths[together[0]].size - middles[0], saliences[together[0]].shape[1]
        # Side 0 goes from the start to the middle, side 1 from the end; an odd frame is side 1's.
        gain = np.zeros((steps, len(together), 2, n), np.float32)
        for k, (i, middle) in enumerate(zip(together, middles, strict=True)):
            salience, back = saliences[i], saliences[i][: middle - 1 if middle else None : -1]
            np.subtract(salience[:middle], np.float32(THRESHOLD), out=gain[:middle, k, 0])
            np.subtract(back, np.float32(THRESHOLD), out=gain[: back.shape[0], k, 1])
        padded, silence_rises = _earned(gain.reshape(steps, -1, n))
        for k, i in enumerate(together):
            sides = slice(2 * k, 2 * k + 2)
            _trace(padded[:, sides], silence_rises[:, sides], paths[i])
    return paths


def _alike(lengths: list[int]) -> Iterator[list[int]]:
    """Numbers of the stretches that go together, the longest first; none is under half as long as that.

    So what is computed past the end of the shorter ones is never more than the rest. Empty ones are left out.
    """
    together: list[int] = []
    for i in sorted(range(len(lengths)), key=lengths.__getitem__, reverse=True):
        if together and 2 * lengths[i] < lengths[together[0]]:
            yield together
            together = []
        if lengths[i]:
            together.append(i)
    if together:
        yield together


def _trace(padded: NDArray[np.float32], silence_rises: NDArray[np.float32], path: NDArray[np.int64]) -> None:
    """Fill in the path of one stretch from what both its sides have earned, as `_earned` gives it."""
    n = padded.shape[2] - 2 * REACH
    middle = path.size // 2
    ahead, back = padded[middle, 0], padded[path.size - middle, 1]
    arriving = np.lib.stride_tricks.sliding_window_view(ahead, n) - _COST[:, None]
    through = np.maximum(arriving.max(axis=0), -_HALF) + back[REACH : REACH + n]
    leaving = max(0.0, ahead.max() - _HALF)
    state = int(through.argmax())
    if through[state] <= leaving:
        state = NO_BEE
    path[middle] = state
    rises = [*silence_rises[:middle, 0].tolist(), leaving]
    _walk(padded[: middle + 1, 0], rises, state, path[:middle])
    _walk(padded[: path.size - middle, 1], silence_rises[:, 1].tolist(), state, path[:middle:-1])


def _earned(gain: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """What each state has earned over what silence has earned, from both sides of every stretch.

    Only differences matter, and they stay small, so float32 is exact over hours.

    Parameters
    ----------
    gain : shape (n_steps, n_sides, n_candidates)
        Each begins in whatever is best.

    Returns
    -------
    padded : shape (n_steps + 1, n_sides, n_candidates + 2 * REACH)
        After so many steps, with room at either end for moves that lead nowhere.
    silence_rises : shape (n_steps, n_sides)
        By how much leaving the best tone after so many steps is better than having been silent.
    """
    n_steps, n_sides, n = gain.shape
    width = n + 2 * REACH
    padded = np.full((n_steps + 1, n_sides * width), -1e9, np.float32)
    earned = padded.reshape(n_steps + 1, n_sides, width)[:, :, REACH : REACH + n]
    earned[0] = 0.0
    silence_rises = np.zeros((n_steps, n_sides), np.float32)
    # All sides lie in one row, the room between them keeps them apart. Ways to arrive: by each move, and
    # (the last) from silence.
    long = n_sides * width - 2 * REACH
    reachable = np.lib.stride_tricks.sliding_window_view(padded, long, axis=1)
    ways = np.full((_COST.size + 1, long), -_HALF, np.float32)
    moved, by_step = ways[:-1], _COST[:, None]
    row = np.empty(n_sides * width, np.float32)
    best, sides = row[:long], row.reshape(n_sides, width)[:, :n]
    for t in range(n_steps):
        np.subtract(reachable[t], by_step, out=moved)
        np.maximum.reduce(ways, axis=0, out=best)
        top = np.maximum.reduce(earned[t], axis=1)
        if np.maximum.reduce(top) > _HALF:
            rise = np.maximum(top - _HALF, 0.0, out=silence_rises[t])
            sides -= rise[:, None]
        np.add(sides, gain[t], out=earned[t + 1])
    return padded.reshape(n_steps + 1, n_sides, width), silence_rises


def _walk(
    padded: NDArray[np.float32], silence_rises: list[float], state: int, path: NDArray[np.int64]
) -> None:
    """Fill in one side's path from the middle outwards; where a state came from is asked only along the way.

    ``state`` is that of the frame just past ``path``.
    """
    n = padded.shape[1] - 2 * REACH
    for t in range(path.size, 0, -1):
        if state == NO_BEE:
            if silence_rises[t] > 0.0:
                state = int(padded[t, REACH : REACH + n].argmax())
        else:
            earned = padded[t, state : state + 2 * REACH + 1].tolist()
            best = max(earned)
            if earned[REACH] >= best - SLEW_COST:  # no move is worth its cost
                best = earned[REACH]
            else:
                came = [earned[REACH + move] - SLEW_COST * abs(move) for move in _SHORTEST_FIRST]
                best = max(came)
                state += _SHORTEST_FIRST[came.index(best)]
            if best < -SWITCH_COST / 2:
                state = NO_BEE
        path[t - 1] = state
