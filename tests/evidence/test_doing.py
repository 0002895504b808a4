"""What it did, carried and went into, judged together: no fly has a nest, and pollen counts once."""

from __future__ import annotations

import datetime as dt
import math
from typing import TYPE_CHECKING

import numpy as np
import pytest

from wingtone.evidence import ToneCue, identify, parse_hints
from wingtone.evidence.case import answer_probabilities, posterior
from wingtone.evidence.doing import AT_NEST_STATES, behaviour_given_legs, going_in
from wingtone.evidence.engine import make_case
from wingtone.notebook.places import parse_place

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wingtone.evidence.lineup import Lineup
    from wingtone.fauna import Fauna

KEW = parse_place("51.46,-0.30")
FLIES_AND_MOTHS = (
    "Eristalis",
    "Volucella",
    "Merodon",
    "Episyrphus",
    "Criorhina",
    "Sericomyia",
    "Cheilosia",
    "Bombylius",
    "Hemaris",
)
"""Hoverflies, bee-flies and hawk-moths have no nest (common knowledge)."""


def is_fly(lineup: Lineup) -> NDArray[np.bool_]:
    genus = np.array([lineup.taxa[taxon].split()[0] for taxon in lineup.taxon_of])
    return np.isin(genus, FLIES_AND_MOTHS)


@pytest.mark.parametrize("day", ["2026-04-10", "2026-06-01", "2026-08-20"])
@pytest.mark.parametrize(
    "seen",
    [
        "",
        "tail=black antennae=short",
        "thorax=ginger tail=ginger size=small",
        "tail=white thorax=ginger behaviour=hovering",
        "tail=red behaviour=at-nest",
        "tail=buff behaviour=nest-searching",
        "behaviour=patrolling hind-leg=hairy",
        "tail=ginger hind-leg=pollen",
    ],
)
def test_no_nest_makes_a_fly_likelier(lineup: Lineup, day: str, seen: str) -> None:
    date, hints = dt.date.fromisoformat(day), parse_hints(seen.split())
    flies = is_fly(lineup)
    assert flies.sum() >= 15
    before = posterior(lineup, make_case(lineup, date=date, place=KEW, hints=hints))[flies]
    for state in lineup.traits["nest"].states:
        case = make_case(lineup, date=date, place=KEW, hints=hints | {"nest": state})
        assert (posterior(lineup, case)[flies] < before).all()


def test_a_fly_that_went_in_is_no_longer_the_likeliest(fauna: Fauna) -> None:
    hints = {"tail": "black", "antennae": "short"}
    day = dt.date(2026, 6, 1)
    seen, inside = (
        identify(fauna=fauna, date=day, place=KEW, hints=known).taxa[0].taxon
        for known in (hints, hints | {"nest": "underground"})
    )
    assert seen.startswith("Eristalis")
    assert not inside.startswith(FLIES_AND_MOTHS)


def test_a_swarm_of_males_before_a_box_is_the_tree_bumblebee(fauna: Fauna) -> None:
    """Males of *B. hypnorum* hover in numbers before a nest in a box or tree (guides; from memory)."""
    hints = "tail=white thorax=ginger behaviour=hovering nest=tree-or-box face-hair=black"
    answer = identify(
        fauna=fauna,
        date=dt.date(2026, 6, 1),
        place=KEW,
        tone=ToneCue(150.0, 148.5, 151.5),
        hints=parse_hints(hints.split()),
    )
    assert (answer.record_as.taxon, answer.record_as.rank) == ("Bombus hypnorum", "species")
    assert answer.candidates[0].caste == "male"
    assert next(piece for piece in answer.evidence if piece.name == "behaviour").weight_bits > 0


def test_whether_it_goes_in_is_a_chance_and_hangs_on_what_it_did(lineup: Lineup) -> None:
    chance = going_in(lineup)
    assert ((chance > 0) & (chance <= 1)).all()
    states = lineup.traits["behaviour"].states
    usual, told = chance[:, states.index("patrolling")], chance[:, states.index("at-nest")]
    assert (told >= usual).all()
    assert chance[is_fly(lineup)].max() < 0.02
    workers = np.array(lineup.castes) == "worker"
    assert told[workers & lineup.is_bumblebee].min() > 0.8
    assert usual[workers & lineup.is_bumblebee].max() < 0.2


def test_the_nest_is_answered_as_often_as_something_goes_in(lineup: Lineup) -> None:
    """Summed over all that it may have been seen doing: the law of total probability."""
    case = make_case(lineup, date=dt.date(2026, 6, 1))
    doing = answer_probabilities(lineup, case, "behaviour")
    answered = answer_probabilities(lineup, case, "nest").sum(axis=1)
    assert answered == pytest.approx((doing * going_in(lineup)).sum(axis=1))
    for state in AT_NEST_STATES:
        at_nest = make_case(lineup, hints={"behaviour": state})
        assert (answer_probabilities(lineup, at_nest, "nest").sum(axis=1) <= 1.0).all()


@pytest.mark.parametrize("taxon", ["Bombus terrestris", "Bombus pascuorum", "Bombus hypnorum"])
def test_pollen_on_the_legs_and_its_collecting_are_one_observation(lineup: Lineup, taxon: str) -> None:
    def queens_over_workers(hints: dict[str, str]) -> float:
        chance = posterior(lineup, make_case(lineup, date=dt.date(2026, 5, 1), place=KEW, hints=hints))
        of_taxon = lineup.taxon_of == lineup.taxa.index(taxon)
        caste = np.array(lineup.castes)
        return math.log2(
            chance[of_taxon & (caste == "queen")].sum() / chance[of_taxon & (caste == "worker")].sum()
        )

    pollen = {"hind-leg": "pollen"}
    alone, both = (
        queens_over_workers(pollen),
        queens_over_workers(pollen | {"behaviour": "collecting-pollen"}),
    )
    assert abs(both - alone) < 0.2


def test_what_was_reported_of_legs_and_behaviour_keeps_the_rates_of_the_tables(lineup: Lineup) -> None:
    """The rates of behaviour come out again, summed over what the legs looked like."""
    case = make_case(lineup)
    legs = answer_probabilities(lineup, case, "hind-leg")
    states = lineup.traits["hind-leg"].states
    together = sum(legs[:, [i]] * behaviour_given_legs(lineup, state) for i, state in enumerate(states))
    assert together == pytest.approx(answer_probabilities(lineup, case, "behaviour"))
    loaded = behaviour_given_legs(lineup, "pollen")
    bees = lineup.is_bumblebee & np.isin(lineup.castes, ("queen", "worker"))
    assert loaded[bees, lineup.traits["behaviour"].states.index("collecting-pollen")].min() > 0.7


def test_the_order_in_which_they_are_told_changes_nothing(lineup: Lineup) -> None:
    """P(legs) P(behaviour | legs) P(nest | behaviour), whichever was said first."""
    hints = {"nest": "underground", "behaviour": "at-nest", "hind-leg": "pollen"}
    forth = posterior(lineup, make_case(lineup, hints=hints))
    back = posterior(lineup, make_case(lineup, hints=dict(reversed(hints.items()))))
    assert forth == pytest.approx(back)
    for name in hints:
        rest = make_case(lineup, hints={other: state for other, state in hints.items() if other != name})
        state = lineup.traits[name].states.index(hints[name])
        weight = posterior(lineup, rest) * answer_probabilities(lineup, rest, name)[:, state]
        assert weight / weight.sum() == pytest.approx(forth)
