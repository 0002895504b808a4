"""Weights of evidence, misfits and the next look, against brute force and limit cases."""

from __future__ import annotations

import datetime as dt
import math
from typing import TYPE_CHECKING

import pytest

from wingtone.evidence import ToneCue, parse_hints
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


@pytest.mark.parametrize(
    "character", ["tail", "size", "bands", "collar", "face", "hind-leg", "behaviour", "nest"]
)
@pytest.mark.parametrize(
    "hints",
    [
        {},
        {"tail": "white", "scutellum": "yellow"},
        {"bands": "3"},
        {"behaviour": "at-nest"},
        {"hind-leg": "pollen", "nest": "surface"},
    ],
)
def test_expected_information_is_the_mean_drop_of_entropy(
    lineup: Lineup, character: str, hints: dict[str, str]
) -> None:
    """Brute force: ask, hear every answer, identify again, average."""
    hints = {name: state for name, state in hints.items() if name != character}
    case = make_case(lineup, date=JUNE, tone=TONE, hints=hints)
    now = posterior(lineup, case)
    chances = now @ answer_probabilities(lineup, case, character)
    # where it went in can only be told of what goes in; else nothing was learnt
    assert chances.sum() < 0.9 if character == "nest" else chances.sum() == pytest.approx(1.0)
    after = (1.0 - chances.sum()) * entropy(lineup.by_taxon(now))
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


@pytest.mark.parametrize(
    ("day", "f0_hz", "hints"),
    [
        ("2026-08-05", 150.0, "tail=red collar=yellow face-hair=yellow flower=shallow"),
        ("2026-08-05", 150.0, "tail=white behaviour=patrolling"),
        ("2026-07-05", 170.0, "tail=white behaviour=collecting-pollen flower=deep"),
        ("2026-07-05", 170.0, "tail=white behaviour=collecting-pollen"),
    ],
)
def test_nobody_is_asked_where_it_went_in_of_what_went_nowhere(
    lineup: Lineup, day: str, f0_hz: float, hints: str
) -> None:
    """Males do not go back to a nest, and a bee on a flower is not on its way in (common knowledge)."""
    tone = ToneCue(f0_hz, 0.99 * f0_hz, 1.01 * f0_hz)
    case = make_case(lineup, date=dt.date.fromisoformat(day), tone=tone, hints=parse_hints(hints.split()))
    looks = look_next(lineup, case)
    assert looks
    assert "nest" not in {look.character for look in looks}


@pytest.mark.parametrize("behaviour", ["nest-searching", "at-nest"])
def test_where_it_went_in_is_asked_of_what_is_at_a_nest(lineup: Lineup, behaviour: str) -> None:
    case = make_case(lineup, date=JUNE, hints={"tail": "white", "behaviour": behaviour})
    assert "nest" in {look.character for look in look_next(lineup, case)}


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
