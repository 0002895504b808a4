"""The tracker against a slow, obvious second implementation."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wingtone.tone import track


def path_value(salience: np.ndarray, path: tuple[int, ...]) -> float:
    """What a path earns, summed straight from the definition; -inf for a move that is not allowed."""
    total = 0.0
    for t, state in enumerate(path):
        before = path[t - 1] if t else state
        if state != track.NO_BEE:
            total += float(salience[t, state]) - track.THRESHOLD
            if before == track.NO_BEE:
                total -= track.SWITCH_COST / 2
            elif abs(state - before) > track.REACH:
                return -np.inf
            else:
                total -= track.SLEW_COST * abs(state - before)
        elif before != track.NO_BEE:
            total -= track.SWITCH_COST / 2
    return total


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 5), st.integers(1, 6), st.integers(0, 2**31))
def test_best_path_is_the_best_of_all_paths(n_frames: int, n: int, seed: int) -> None:
    salience = np.random.default_rng(seed).uniform(-5, 25, (n_frames, n)).astype(np.float32)
    found = tuple(int(s) for s in track.best_path(salience))
    states = range(track.NO_BEE, n)
    best = max(path_value(salience, p) for p in itertools.product(states, repeat=n_frames))
    assert path_value(salience, found) == pytest.approx(best, abs=1e-3)


@pytest.mark.parametrize(
    ("start", "worth", "tracked"),
    [
        (0, 12.0, True),
        (45, 12.0, True),
        (20, 18.0, False),
        (20, 22.0, True),
        (0, 8.0, False),
        (45, 8.0, False),
    ],
)
def test_a_tone_pays_for_its_start_and_end_but_at_those_of_the_sound(
    start: int, worth: float, tracked: bool
) -> None:
    """Five frames of a tone in fifty: 10 for entering, 10 for leaving."""
    salience = np.full((50, 9), -9.0, np.float32)
    salience[start : start + 5, 4] = track.THRESHOLD + worth / 5
    expected = np.full(50, track.NO_BEE)
    if tracked:
        expected[start : start + 5] = 4
    assert track.best_path(salience).tolist() == expected.tolist()
    assert track.best_path(salience[::-1]).tolist() == expected[::-1].tolist()


def test_no_frames_and_noise_give_no_bee() -> None:
    assert track.best_path(np.zeros((0, 5), np.float32)).size == 0
    noise = np.random.default_rng(0).standard_normal((300, 50)).astype(np.float32)
    assert (track.best_path(noise) == track.NO_BEE).all()


def test_a_long_path_stays_exact() -> None:
    salience = np.full((20_000, 12), -1.0, np.float32)
    salience[1000:19_000, 7] = 4.0
    path = track.best_path(salience)
    assert (path[1000:19_000] == 7).all()
    assert (path[:1000] == track.NO_BEE).all()
    assert (path[19_000:] == track.NO_BEE).all()


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(0, 60), max_size=8), st.integers(0, 2**31))
def test_paths_side_by_side_are_those_one_by_one(lengths: list[int], seed: int) -> None:
    rng = np.random.default_rng(seed)
    saliences = [rng.uniform(-5, 8, (n, 30)).astype(np.float32) for n in lengths]
    together = track.best_paths(saliences)
    assert len(together) == len(saliences)
    for salience, path in zip(saliences, together, strict=True):
        assert path.tolist() == track.best_path(salience).tolist()


def test_a_long_stretch_does_not_make_many_short_ones_long() -> None:
    """Counted: frames computed side by side, beside those there are."""
    lengths = [4000, *[40] * 100, 30, 0]
    together = list(track._alike(lengths))
    assert sorted(i for batch in together for i in batch) == list(range(102))
    assert all(lengths[i] >= lengths[batch[0]] / 2 for batch in together for i in batch)
    assert sum(lengths[batch[0]] * len(batch) for batch in together) < 2 * sum(lengths)
