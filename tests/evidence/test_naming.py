"""The name to record, rule by rule, from probabilities that are put in by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from wingtone.evidence import ToneCue
from wingtone.evidence.engine import make_case
from wingtone.evidence.naming import name_it

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wingtone.evidence.case import Case
    from wingtone.evidence.lineup import Lineup
    from wingtone.evidence.naming import Naming

TERRESTRIS, LUCORUM, MAGNUS = "Bombus terrestris", "Bombus lucorum", "Bombus magnus"
LAPIDARIUS, PASCUORUM = "Bombus lapidarius", "Bombus pascuorum"
VESTALIS, BOHEMICUS = "Bombus vestalis", "Bombus bohemicus"
HONEY_BEE = "Apis mellifera"

Shares = dict[tuple[str, str], float]


def shared_out(lineup: Lineup, shares: Shares) -> NDArray[np.float64]:
    """Probability of every candidate; that of a taxon and caste goes to its typical form."""
    probability = np.zeros(len(lineup))
    for (taxon, caste), share in shares.items():
        rows = (lineup.taxon_of == lineup.taxa.index(taxon)) & (np.array(lineup.castes) == caste)
        probability[np.flatnonzero(rows)[0]] = share
    assert probability.sum() == pytest.approx(1.0)
    return probability


def seen(lineup: Lineup) -> Case:
    return make_case(lineup, hints={"tail": "white"})


def named(lineup: Lineup, shares: Shares, case: Case, **more: str) -> Naming:
    return name_it(lineup, case, shared_out(lineup, shares), **more)


@pytest.mark.parametrize(
    ("shares", "rank", "taxon"),
    [
        # 90 % for a species, whatever the castes
        ({(LAPIDARIUS, "queen"): 0.91, (PASCUORUM, "queen"): 0.09}, "species", LAPIDARIUS),
        ({(LAPIDARIUS, "queen"): 0.89, (PASCUORUM, "queen"): 0.11}, "genus", "Bombus"),
        (
            {(LAPIDARIUS, "queen"): 0.5, (LAPIDARIUS, "worker"): 0.41, (PASCUORUM, "queen"): 0.09},
            "species",
            LAPIDARIUS,
        ),
        # a queen of the buff-tailed can be told, a worker cannot
        ({(TERRESTRIS, "queen"): 1.0}, "species", TERRESTRIS),
        ({(TERRESTRIS, "worker"): 1.0}, "aggregate", "Bombus terrestris/lucorum"),
        ({(TERRESTRIS, "queen"): 0.91, (TERRESTRIS, "worker"): 0.09}, "species", TERRESTRIS),
        (
            {(TERRESTRIS, "queen"): 0.85, (TERRESTRIS, "worker"): 0.15},
            "aggregate",
            "Bombus terrestris/lucorum",
        ),
        # the three that only DNA separates
        ({(LUCORUM, "queen"): 1.0}, "aggregate", "Bombus lucorum agg."),
        (
            {(LUCORUM, "queen"): 0.45, (MAGNUS, "queen"): 0.36, (PASCUORUM, "queen"): 0.19},
            "aggregate",
            "Bombus lucorum agg.",
        ),
        (
            {(LUCORUM, "queen"): 0.45, (MAGNUS, "queen"): 0.34, (PASCUORUM, "queen"): 0.21},
            "genus",
            "Bombus",
        ),
        # the smallest group that holds enough, in the castes it names if one does, else in any
        (
            {(LUCORUM, "worker"): 0.82, (TERRESTRIS, "worker"): 0.18},
            "aggregate",
            "Bombus lucorum agg.",
        ),
        (
            {(LUCORUM, "worker"): 0.5, (TERRESTRIS, "worker"): 0.5},
            "aggregate",
            "Bombus terrestris/lucorum",
        ),
        (
            {(LUCORUM, "queen"): 0.5, (TERRESTRIS, "queen"): 0.5},
            "aggregate",
            "Bombus terrestris/lucorum",
        ),
        ({(VESTALIS, "male"): 0.4, (BOHEMICUS, "male"): 0.6}, "aggregate", "Bombus vestalis/bohemicus"),
        # 80 % for the genus, and nothing when it is likelier no bumblebee than one
        (
            {(LAPIDARIUS, "queen"): 0.4, (PASCUORUM, "male"): 0.41, (HONEY_BEE, "worker"): 0.19},
            "genus",
            "Bombus",
        ),
        ({(LAPIDARIUS, "queen"): 0.4, (PASCUORUM, "male"): 0.39, (HONEY_BEE, "worker"): 0.21}, "none", ""),
        ({(LAPIDARIUS, "queen"): 0.51, (HONEY_BEE, "worker"): 0.49}, "none", ""),
        ({(HONEY_BEE, "worker"): 1.0}, "none", ""),
    ],
)
def test_the_name_by_the_rules(lineup: Lineup, shares: Shares, rank: str, taxon: str) -> None:
    record = named(lineup, shares, seen(lineup)).record_as
    assert (record.rank, record.taxon) == (rank, taxon)


@pytest.mark.parametrize(
    ("bumblebee", "reason"),
    [
        (0.49, "Probably not a bumblebee (51 %)."),
        (0.51, "The evidence is thin: the likeliest answer, Red-tailed bumblebee, has only 51 %."),
    ],
)
def test_from_half_on_it_is_a_bumblebee(lineup: Lineup, bumblebee: float, reason: str) -> None:
    shares = {(LAPIDARIUS, "queen"): bumblebee, (HONEY_BEE, "worker"): 1 - bumblebee}
    assert named(lineup, shares, seen(lineup)).record_as.reason == reason


def test_of_a_group_the_castes_are_those_that_hold_enough(lineup: Lineup) -> None:
    """Workers of the two cannot be told apart; of their queens only the evidence so far says not which."""
    castes = np.array(lineup.castes)
    of_both = np.isin(
        np.array(lineup.taxa)[lineup.taxon_of], [TERRESTRIS, LUCORUM, MAGNUS, "Bombus cryptarum"]
    )
    workers = named(lineup, {(LUCORUM, "worker"): 0.5, (TERRESTRIS, "worker"): 0.5}, seen(lineup))
    assert workers.leading.tolist() == (of_both & (castes == "worker")).tolist()
    assert workers.record_as.reason.startswith("over 99 % sure of the group: workers cannot be told apart")
    queens = named(lineup, {(LUCORUM, "queen"): 0.5, (TERRESTRIS, "queen"): 0.5}, seen(lineup))
    assert queens.leading.tolist() == of_both.tolist()
    assert "what is known so far does not say which" in queens.record_as.reason


def test_without_a_look_or_in_doubt_or_abroad_no_species_is_named(lineup: Lineup) -> None:
    sure: Shares = {(LAPIDARIUS, "queen"): 1.0}
    heard = make_case(lineup, tone=ToneCue(115.0, 114.0, 116.0))
    for naming in (
        named(lineup, sure, heard),
        named(lineup, sure, seen(lineup), doubt="the tone does not fit the rest"),
        named(lineup, sure, seen(lineup), outside="no figure is given"),
    ):
        assert (naming.record_as.rank, naming.record_as.taxon) == ("genus", "Bombus")
        assert naming.leading.tolist() == (lineup.taxon_of == lineup.taxa.index(LAPIDARIUS)).tolist()
    for hint in ("", "no figure is given"):
        assert named(lineup, sure, make_case(lineup), outside=hint).record_as.rank == "none"
    half: Shares = {(LAPIDARIUS, "queen"): 0.6, (HONEY_BEE, "worker"): 0.4}
    assert named(lineup, half, seen(lineup), outside="abroad").record_as.rank == "none"
