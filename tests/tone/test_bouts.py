"""From decided pieces to a bout: what is flagged beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from tone.test_decision import judged
from wingtone.tone.bouts import COMPANY_SALIENCE, line_of, scraps, to_bout
from wingtone.tone.decision import Judged, second_flights
from wingtone.tone.gate import SOURCES
from wingtone.tone.refine import REFINED

if TYPE_CHECKING:
    from wingtone.tone.results import Kind

NONE_REFINED = np.zeros(0, REFINED)


def of_source(name: str, start: int, n: int) -> Judged:
    """A piece that is no bee but, likelier than not, of that source."""
    item = judged(start, n, 0.1)
    item.piece.rows["salience"] = COMPANY_SALIENCE + 0.1
    sources = np.array([0.6 if source == name else 0.2 for source in SOURCES])
    return Judged(item.piece, item.kinds, sources, item.stretch_s)


def flags(item: Judged, *others: Judged) -> set[str]:
    return set(to_bout("flight", [item], NONE_REFINED, others).flags)


@pytest.mark.parametrize("name", ["voice", "engine"])
@pytest.mark.parametrize("start", [100, 700])
def test_voices_and_engines_near_a_bout_are_told(name: str, start: int) -> None:
    """A bout from 3 to 5 s; 1.5 s to either side count, and 0.3 s of them in all."""
    bout = judged(300, 200, 0.9)
    before = start < 300
    touching = start + 51 if before else start - 51
    assert flags(bout, of_source(name, touching, 50)) >= {name}
    far = 100 if before else 651
    assert name not in flags(bout, of_source(name, far, 50))
    assert name not in flags(bout, of_source(name, touching, 30))
    assert name in flags(bout, of_source(name, 310, 16), of_source(name, 330, 16))


@pytest.mark.parametrize("name", ["voice", "engine"])
def test_what_is_too_faint_to_be_named_is_no_company(name: str) -> None:
    other = of_source(name, 310, 50)
    other.piece.rows["salience"] = COMPANY_SALIENCE - 0.1
    assert name not in flags(judged(300, 200, 0.9), other)


def test_what_else_there_is_near_a_bout_is_no_flag() -> None:
    assert not flags(judged(300, 200, 0.9), of_source("other", 310, 50)) & set(SOURCES)


@pytest.mark.parametrize(
    ("other", "share", "flagged"), [(7.1, 0.51, True), (7.1, 0.49, False), (6.9, 1.0, False)]
)
def test_another_tone_that_stands_out_most_of_the_time_is_told(
    other: float, share: float, flagged: bool
) -> None:
    item = judged(0, 100, 0.9)
    rows = item.piece.rows
    rows["salience"] = 10.0
    rows["salience_other"][: round(share * 100)] = other
    assert ("two tones" in flags(item)) == flagged
    # Beside a faint tone all that is loud is noise.
    rows["salience"], rows["salience_other"] = 5.0, 5.9
    assert "two tones" not in flags(item)


def test_a_second_bee_has_to_be_surer_than_a_lone_one() -> None:
    first = judged(0, 100, 0.9, f0_hz=143.0)
    groups: list[tuple[Kind, list[Judged]]] = [("flight", [first])]

    def second(probability: float, n: int = 60) -> Judged:
        item = judged(10, n, probability, f0_hz=170.0)
        item.piece.rows["salience"] = 7.0
        item.piece.rows["ln_f0"] += 0.02 * np.sin(np.arange(n) / 8)
        return item

    def found(item: Judged) -> int:
        return len(second_flights([item], groups, threshold=0.6))

    assert found(second(0.71)) == 1
    assert found(second(0.69)) == 0
    assert found(second(0.99, n=39)) == 0, "shorter than 0.4 s"
    assert len(second_flights([second(0.9)], [("sonication", [first])], threshold=0.6)) == 0


def test_the_line_of_a_bout_has_no_holes_where_its_tone_was_cut_too_short_to_be_judged() -> None:
    """Frames 40 to 44 between two pieces were tracked, but are in neither; 45 to 49 were not tracked."""
    first, last = judged(0, 40, 0.9), judged(50, 40, 0.9, f0_hz=165.0)
    rows = judged(0, 200, 0.9).piece.rows
    rows["tracked"][45:50] = False
    left = scraps(rows, [first, last])
    assert left["frame"].tolist() == [*range(40, 45), *range(90, 200)]
    assert line_of([first, last], left)["frame"].tolist() == [*range(45), *range(50, 90)]
    # Another tone there is not the bout's, nor is what another piece is made of.
    rows["ln_f0"][40:45] = np.log(190.0)
    assert line_of([first, last], scraps(rows, [first, last]))["frame"].tolist() == [
        *range(40),
        *range(50, 90),
    ]
    assert not np.isin(scraps(rows, [first, last, judged(40, 5, 0.1)])["frame"], range(40, 45)).any()
