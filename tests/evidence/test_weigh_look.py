"""Weights of evidence, misfits and the next look, against brute force and limit cases."""

from __future__ import annotations

import datetime as dt
import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy import stats

from wingtone.evidence import ToneCue, parse_hints
from wingtone.evidence.case import answer_probabilities, posterior
from wingtone.evidence.engine import make_case
from wingtone.evidence.look_next import LEAST_BITS, expected_bits, look_next
from wingtone.evidence.weigh import misfits, weigh

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wingtone.evidence.lineup import Lineup
    from wingtone.fauna import Fauna

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
    # of two either may be the wrong one
    two = make_case(lineup, tone=ToneCue(60.0, 59.0, 61.0), hints={"tail": "red"})
    assert len(misfits(lineup, two)) == 1


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


def test_the_tail_of_an_odd_tone_is_that_of_both_sides(lineup: Lineup) -> None:
    """Twice the chance of a tone as low or as high, given the rest: every candidate is normal in ln Hz."""
    red = {"tail": "red", "collar": "none", "thorax": "black", "abdomen": "black"}
    for f0_hz, side in ((70.0, "low"), (330.0, "high")):
        cue = ToneCue(f0_hz, 0.99 * f0_hz, 1.01 * f0_hz, n_bouts=3)
        case = make_case(lineup, date=dt.date(2026, 7, 20), tone=cue, hints=red)
        odd = misfits(lineup, case)[0]
        assert (odd.kind, odd.side) == ("tone", side)
        rest = posterior(lineup, case.without("tone"))
        line, below = lineup.tone, 0.0
        degrees = 5.0  # spread of the air temperature when it was not given
        for k, candidate in enumerate(line.candidate):
            variance = line.own_var[k] + line.exponent[k] ** 2 * line.itd_var[k] + line.within_sd**2 / 3
            variance += (line.temperature_sd_hz_per_c * degrees / f0_hz) ** 2 + (0.01 / 1.96) ** 2
            chance = stats.norm.cdf(math.log(f0_hz), line.mean_ln_hz[k], math.sqrt(variance))
            below += rest[candidate] * line.weight[k] * float(chance)
        below += (
            rest[-1] * math.log(f0_hz / 50) / math.log(1000 / 50)
        )  # something else: evenly, 50 to 1000 Hz
        assert odd.probability == pytest.approx(2 * min(below, 1 - below), rel=1e-3)


@pytest.mark.parametrize("day", ["2026-02-10", "2026-11-28"])
def test_the_tail_of_an_odd_date_is_that_of_all_weeks_as_rare(fauna: Fauna, lineup: Lineup, day: str) -> None:
    """Each candidate is met in a week as the season says, region by region."""
    red = {"tail": "red", "collar": "none", "thorax": "black", "abdomen": "black"}
    date = dt.date.fromisoformat(day)
    case = make_case(lineup, date=date, hints=red)
    (odd,) = misfits(lineup, case)
    rest = posterior(lineup, case.without("date"))
    regions = fauna.region_of(None, None).items()
    met = np.array(
        [
            sum(
                share * fauna.abundance(region) * fauna.season(week + 0.5, lineup.latitude_deg[region])
                for region, share in regions
            )
            for week in range(1, 53)
        ]
    )
    by_week = met / met.sum(axis=0) @ rest[:-1] + rest[-1] / 52
    index = (date - dt.date(2026, 1, 1)).days // 7
    assert odd.probability == pytest.approx(by_week[by_week <= by_week[index] * 1.0001].sum(), rel=0.01)


def test_the_tail_of_an_odd_hint_is_that_of_all_answers_as_rare(lineup: Lineup) -> None:
    brown = {"tail": "ginger", "thorax": "ginger", "abdomen": "red", "collar": "ginger"}
    case = make_case(lineup, date=JUNE, hints=brown)
    (odd,) = misfits(lineup, case)
    assert (odd.kind, odd.name, odd.side) == ("hint", "abdomen", "")
    rest = posterior(lineup, case.without("hint", "abdomen"))
    chances = {}
    for state in lineup.traits["abdomen"].states:
        told = posterior(lineup, make_case(lineup, date=JUNE, hints=brown | {"abdomen": state}))
        best = int(told.argmax())  # by Bayes' rule, prior times chance over posterior is one over a constant
        says = answer_probabilities(lineup, case, "abdomen")[
            best, lineup.traits["abdomen"].states.index(state)
        ]
        chances[state] = rest[best] * says / told[best]
    assert sum(chances.values()) == pytest.approx(1.0)
    as_rare = [chance for chance in chances.values() if chance <= chances["red"] * 1.0001]
    assert odd.probability == pytest.approx(sum(as_rare))


def test_several_misfits_are_told_the_worst_first_and_each_without_the_others(lineup: Lineup) -> None:
    """A carder bee in February, of half its tone, with a red abdomen."""
    brown = {"tail": "ginger", "thorax": "ginger", "abdomen": "red", "collar": "ginger"}
    case = make_case(lineup, date=dt.date(2026, 1, 20), tone=ToneCue(62.0, 61.5, 62.5), hints=brown)
    told = misfits(lineup, case)
    assert len(told) == 3
    for misfit in told:
        (alone, *_) = misfits(lineup, case)
        assert (alone.kind, alone.name) == (misfit.kind, misfit.name)
        assert alone.probability == pytest.approx(misfit.probability)
        case = case.without(misfit.kind, misfit.name)
