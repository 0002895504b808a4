"""The observer model: every matrix worked out by hand or held to what it must obey."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pytest

from wingtone.evidence import observe

if TYPE_CHECKING:
    from wingtone.evidence.lineup import Lineup


def test_error_matrix_by_hand() -> None:
    states = ("red", "orange", "black")
    matrix = observe.error_matrix(states, (0.1, 0.3, 0.0), (("orange",), (), ()))
    # red: 0.9 right; of the 0.1, four fifths to its look-alike, the rest evenly over both others
    assert matrix[0] == pytest.approx([0.9, 0.08 + 0.01, 0.01])
    # no look-alike: everything evenly
    assert matrix[1] == pytest.approx([0.15, 0.7, 0.15])
    assert matrix[2] == pytest.approx([0.0, 0.0, 1.0])


def test_fading_and_baldness_by_hand() -> None:
    errors = np.eye(2)
    assert observe.report_matrix(errors, (1, -1), fading=0.25, bald=0.0) == pytest.approx(
        np.array([[0.75, 0.25], [0.0, 1.0]])
    )
    assert observe.report_matrix(errors, (1, -1), fading=0.0, bald=0.5) == pytest.approx(
        np.array([[0.75, 0.25], [0.25, 0.75]])
    )


def test_colours_fade_with_the_season_and_the_condition() -> None:
    spring, summer, autumn = (observe.fading_chance(week, None) for week in (15.0, 33.0, 40.0))
    assert spring < summer < autumn
    assert spring < observe.fading_chance(None, None) < autumn
    assert observe.fading_chance(40.0, "fresh") < autumn < observe.fading_chance(40.0, "faded")


def test_every_report_matrix_of_the_fauna_is_a_distribution(lineup: Lineup) -> None:
    checked = 0
    for name, traits in lineup.traits.items():
        assert traits.errors.sum(axis=1) == pytest.approx(np.ones(len(traits.states)))
        assert (traits.frequency is None) == (name in (observe.SIZE, observe.CONDITION))
        if traits.frequency is not None:
            assert (traits.errors > 0).all(), f"something said of {name} would be impossible"
            reports = lineup.reports(name, fading=0.2, bald=0.3)
            assert reports.sum(axis=1) == pytest.approx(np.ones(len(lineup)))
            checked += 1
    assert checked >= 20


def test_size_by_eye() -> None:
    sizes = np.log(np.array([2.9, 4.2, 6.1]))
    reports = observe.size_by_eye(np.append(sizes, np.nan), np.append(np.full(3, 0.01), np.nan))
    assert reports.sum(axis=1) == pytest.approx(np.ones(4))
    assert [observe.SIZE_STATES[i] for i in reports[:3].argmax(axis=1)] == ["tiny", "medium", "very-large"]
    assert reports[3] == pytest.approx(np.full(5, 0.2))
    # a judgement without error of a known size, by the bounds alone: 25 % of ln ITD is one z
    exact = observe.size_by_eye(np.array([math.log(3.2)]), np.array([0.0]))
    assert exact[0, 0] == pytest.approx(0.5)
