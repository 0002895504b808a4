"""Where a tracked line is cut into pieces."""

from __future__ import annotations

import numpy as np
import pytest

from wingtone.tone.pieces import cut
from wingtone.tone.rows import ROW


def line(ln_f0: np.ndarray) -> np.ndarray:
    """Rows of an unbroken line."""
    rows = np.zeros(ln_f0.size, ROW)
    rows["frame"], rows["tracked"], rows["ln_f0"] = np.arange(ln_f0.size), True, ln_f0
    return rows


@pytest.mark.parametrize(("step", "n_pieces"), [(0.075, 2), (-0.075, 2), (0.045, 1), (-0.045, 1)])
def test_a_line_is_cut_where_it_steps(step: float, n_pieces: int) -> None:
    """By more than 6 % within 60 ms, here evenly over these."""
    at = np.clip((np.arange(60) - 27) / 6, 0.0, 1.0)
    pieces = cut(line(np.log(150.0) + step * at))
    assert len(pieces) == len({piece.stretch for piece in pieces}) == n_pieces
    assert sum(piece.rows.size for piece in pieces) == 60
    if n_pieces == 2:
        assert pieces[1].rows["frame"][0] == pytest.approx(30, abs=2)
        assert pieces[1].ln_f0 - pieces[0].ln_f0 == pytest.approx(step, abs=0.01)


def test_a_slow_glide_is_not_cut() -> None:
    """As far as those steps together, within a third of a second."""
    assert len(cut(line(np.log(150.0) + np.linspace(0.0, 0.15, 35)))) == 1


def test_a_line_is_cut_at_gaps_and_scraps_are_dropped() -> None:
    rows = line(np.full(60, np.log(150.0)))
    rows["tracked"][30] = False
    assert [piece.rows.size for piece in cut(rows)] == [30, 29]
    rows["tracked"][23:30] = False
    assert [piece.rows.size for piece in cut(rows)] == [23, 29]
    rows["tracked"][:16] = False
    assert [piece.rows.size for piece in cut(rows)] == [29], "seven frames are too few to judge"


def test_a_long_line_is_judged_in_even_parts_of_one_stretch() -> None:
    pieces = cut(line(np.full(170, np.log(150.0))), first_stretch=5)
    assert [piece.rows.size for piece in pieces] == [57, 56, 57]
    assert {piece.stretch for piece in pieces} == {5}
