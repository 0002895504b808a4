"""Weights of evidence, misfits and the next look, against brute force and limit cases."""

from __future__ import annotations

import datetime as dt
import math
from typing import TYPE_CHECKING

import pytest

from wingtone.evidence import ToneCue
from wingtone.evidence.case import answer_probabilities, posterior
from wingtone.evidence.engine import make_case
from wingtone.evidence.look_next import LEAST_BITS, expected_bits, look_next
from wingtone.evidence.weigh import misfits, weigh

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from wingtone.evidence.lineup import Lineup

JUNE = dt.date(2026, 6, 10)
TONE = ToneCue(150.0, 148.0, 152.0)


def entropy(probability: NDArray[np.float64]) -> float:
    return math.fsum(-p * math.log2(p) for p in probability.tolist() if p > 0)


@pytest.mark.parametrize("character", ["tail", "size", "bands", "collar", "face"])
@pytest.mark.parametrize("hints", [{}, {"tail": "white", "scutellum": "yellow"}, {"bands": "3"}])
def test_expected_information_is_the_mean_drop_of_entropy(
    lineup: Lineup, character: str, hints: dict[str, str]
) -> None:
    """Brute force: ask, hear every answer, identify again, average."""
    hints = {name: state for name, state in hints.items() if name != character}
    case = make_case(lineup, date=JUNE, tone=TONE, hints=hints)
    now = posterior(lineup, case)
    chances = now @ answer_probabilities(lineup, case, character)
    assert chances.sum() == pytest.approx(1.0)
    after = 0.0
    for state, chance in zip(lineup.traits[character].states, chances, strict=True):
        told = make_case(lineup, date=JUNE, tone=TONE, hints=hints | {character: state})
        after += chance * entropy(lineup.by_taxon(posterior(lineup, told)))
    drop = entropy(lineup.by_taxon(now)) - after
    assert expected_bits(lineup, case, character) == pytest.approx(drop, abs=1e-9)


def test_a_question_that_was_answered_by_its_parts_tells_little(lineup: Lineup) -> None:
    parts = {"collar": "yellow", "scutellum": "none", "front-band": "yellow"}
    told, untold = (make_case(lineup, date=JUNE, hints=hints) for hints in (parts, {}))
    assert expected_bits(lineup, told, "bands") < expected_bits(lineup, untold, "bands") / 4


@pytest.mark.parametrize("hints", [{}, {"tail": "white"}, {"tail": "red", "collar": "none"}])
def test_what_is_seen_in_flight_is_asked_first(lineup: Lineup, hints: dict[str, str]) -> None:
    looks = look_next(lineup, make_case(lineup, date=JUNE, hints=hints))
    assert looks
    eases = [lineup.traits[look.character].ease for look in looks]
    assert eases == sorted(eases)
    for ease in set(eases):
        bits = [look.expected_bits for look, e in zip(looks, eases, strict=True) if e == ease]
        assert bits == sorted(bits, reverse=True)
    for look in looks:
        assert look.character not in hints
        assert look.character != "condition"
        assert look.expected_bits >= LEAST_BITS
        assert look.question.endswith("?")


def test_the_first_question_is_the_tail(lineup: Lineup) -> None:
    # common practice, no source: keys to garden bumblebees begin with the colour of the tail
    assert look_next(lineup, make_case(lineup, date=JUNE))[0].character == "tail"


def test_weight_of_a_hint_is_its_likelihood_ratio(lineup: Lineup) -> None:
    case = make_case(lineup, date=JUNE, hints={"tail": "red", "collar": "none"})
    leading = lineup.taxon_of == lineup.taxa.index("Bombus lapidarius")
    weight = next(piece for piece in weigh(lineup, case, leading) if piece.name == "tail")
    rest = posterior(lineup, case.without("hint", "tail"))
    says = answer_probabilities(lineup, case, "tail")[:, lineup.traits["tail"].states.index("red")]
    ours = (rest[leading] @ says[leading]) / rest[leading].sum()
    others = (rest[~leading] @ says[~leading]) / rest[~leading].sum()
    assert weight.weight_bits == pytest.approx(math.log2(ours / others))
    assert weight.rest == pytest.approx(rest)


def test_one_piece_alone_cannot_be_a_misfit(lineup: Lineup) -> None:
    assert misfits(lineup, make_case(lineup, tone=ToneCue(330.0, 329.0, 331.0))) == ()
    assert misfits(lineup, make_case(lineup)) == ()


def test_a_misfit_says_its_side(lineup: Lineup) -> None:
    red = {"tail": "red", "collar": "none", "thorax": "black", "abdomen": "black"}
    (early,) = misfits(lineup, make_case(lineup, date=dt.date(2026, 2, 10), hints=red))
    assert (early.kind, early.side) == ("date", "early")
    (late,) = misfits(lineup, make_case(lineup, date=dt.date(2026, 11, 28), hints=red))
    assert (late.kind, late.side) == ("date", "late")
    (low,) = misfits(
        lineup, make_case(lineup, date=dt.date(2026, 7, 20), tone=ToneCue(70.0, 69.0, 71.0), hints=red)
    )
    assert (low.kind, low.side) == ("tone", "low")
