"""Date and place: one season in odds, warnings and words, and what is said of the odd and the rare."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import numpy as np
import pytest

from wingtone.evidence import ToneCue, identify
from wingtone.evidence.answer import percent
from wingtone.evidence.engine import doubt_words, make_case
from wingtone.evidence.naming import name_it
from wingtone.evidence.prior import activity, in_season, log_prior, weeks
from wingtone.evidence.weigh import misfits
from wingtone.fauna import SEASON_FLOOR, week_of
from wingtone.notebook.places import parse_place

if TYPE_CHECKING:
    from wingtone.evidence import Answer
    from wingtone.evidence.lineup import Lineup
    from wingtone.fauna import Fauna

LONDON, SHETLAND, LOFOTEN = (parse_place(at) for at in ("51.46,-0.30", "60.3,-1.2", "68.0,15.0"))
BROWN_QUEEN = {"tail": "ginger", "thorax": "ginger", "abdomen": "mixed", "behaviour": "nest-searching"}


def look(
    fauna: Fauna, hints: str, *, date: str | None = None, place: str | None = None, f0_hz: float | None = None
) -> Answer:
    return identify(
        fauna=fauna,
        tone=None if f0_hz is None else ToneCue(f0_hz, f0_hz * 0.99, f0_hz * 1.01, n_bouts=2, duration_s=3.0),
        date=None if date is None else dt.date.fromisoformat(date),
        place=None if place is None else parse_place(place),
        hints=dict(hint.split("=") for hint in hints.split()),
    )


def sentence(answer: Answer, kind: str) -> tuple[str, float]:
    """What is said of a piece of evidence, and its weight."""
    (piece,) = (piece for piece in answer.evidence if piece.kind == kind)
    return piece.summary, piece.weight_bits


def warned(answer: Answer, code: str) -> str:
    """The text of a warning; empty when there is none."""
    return " ".join(warning.text for warning in answer.warnings if warning.code == code)


def test_a_bee_that_is_early_for_the_north_is_told_though_the_south_has_it(lineup: Lineup) -> None:
    day = dt.date(2026, 4, 6)
    assert misfits(lineup, make_case(lineup, date=day, place=LONDON, hints=BROWN_QUEEN)) == ()
    (odd,) = misfits(lineup, make_case(lineup, date=day, place=SHETLAND, hints=BROWN_QUEEN))
    assert (odd.kind, odd.side) == ("date", "early")


def test_the_words_of_the_date_keep_to_the_season_of_the_place(fauna: Fauna, lineup: Lineup) -> None:
    brown = "tail=ginger thorax=ginger abdomen=mixed behaviour=nest-searching"
    text, weight_bits = sentence(look(fauna, brown, date="2026-04-06", place="60.3,-1.2"), "date")
    assert "Common carder bee queens are hardly ever seen then" in text
    assert weight_bits > 0.3
    assert text.endswith("but others it could be are scarcer still.")
    workers = [
        number
        for number, caste in enumerate(lineup.castes[:-1])
        if caste == "worker" and lineup.taxa[lineup.taxon_of[number]] == "Bombus terrestris"
    ]
    may = dt.date(2026, 5, 1)
    # Outside its area the fauna's seasons are those of no place, in the odds as in the words.
    np.testing.assert_array_equal(in_season(lineup, may, LOFOTEN), in_season(lineup, may, None))
    assert (in_season(lineup, may, SHETLAND)[workers] < in_season(lineup, may, LOFOTEN)[workers]).all()
    abroad = look(fauna, "tail=white collar=yellow", date="2026-05-01", place="68.0,15.0", f0_hz=125)
    assert (abroad.candidates[0].taxon, abroad.candidates[0].caste) == ("Bombus terrestris", "worker")
    assert "hardly ever" not in sentence(abroad, "date")[0]


@pytest.mark.parametrize(
    ("at", "by"),
    [(None, 0.1), ("60.5,-1.2", 1e-6), ("51.5,-0.3", 1e-6)],
    ids=["nowhere", "Shetland", "London"],
)
def test_weeks_are_those_that_the_odds_go_by(lineup: Lineup, at: str | None, by: float) -> None:
    """Bayes: the odds on a day, against those without one, are how often a bee is met in its week.

    Exactly in the middle of a week and at a half degree; without a place the regions lie in between.
    """
    place = None if at is None else parse_place(at)
    share = weeks(lineup, place)
    assert share.shape == (52, len(lineup))
    np.testing.assert_allclose(share.sum(axis=0), 1.0)
    middle = dt.date(2026, 5, 17)
    assert week_of(middle) == pytest.approx(20.5)
    expected = (np.exp(log_prior(lineup, None, place)) * share[20 - 1])[:-1]
    met = np.exp(log_prior(lineup, middle, place))[:-1]
    np.testing.assert_allclose(met / met.sum(), expected / expected.sum(), rtol=by)
    assert 0.0 < activity(lineup, middle, place) <= 1.0


TREE = "tail=white thorax=ginger collar=ginger abdomen=black"


@pytest.mark.parametrize("day", ["2026-10-15", "2026-11-10"])
def test_a_bee_that_only_the_date_speaks_against_is_named(fauna: Fauna, day: str) -> None:
    undated = look(fauna, TREE, place="51.46,-0.30")
    assert undated.taxa[0].taxon == "Bombus hypnorum"
    late = look(fauna, TREE, date=day, place="51.46,-0.30")
    assert late.taxa[0].taxon != "Bombus hypnorum"
    text = warned(late, "out of season")
    assert "But for the date it would be Tree bumblebee, Bombus hypnorum" in text
    assert f"({100 * undated.taxa[0].probability:.0f} %)" in text
    assert late.record_as.rank in ("genus", "none")
    assert "out of season" not in {warning.code for warning in undated.warnings}
    assert not warned(look(fauna, TREE, date="2026-05-10", place="51.46,-0.30"), "out of season")


def test_a_name_that_the_date_alone_gives_is_doubtful() -> None:
    assert "hardly ever met then" in doubt_words((), absent=False, unseasonal=True)
    assert doubt_words((), absent=False, unseasonal=False) == ""


def test_out_of_season_no_caste_gains_on_the_others(fauna: Fauna) -> None:
    """With a floor alike for all, the males and queens of a tree bumblebee led at Christmas."""
    winter = look(fauna, TREE, date="2026-12-20", place="51.46,-0.30")
    assert (winter.candidates[0].taxon, winter.candidates[0].caste) == ("Bombus hypnorum", "worker")
    season = fauna.season(week_of(dt.date(2026, 12, 20)))
    level = season / fauna.season_floor
    assert (season >= fauna.season_floor).all()
    assert level.min() == 1.0
    # reference checks: hypnorum on 15 October is low but not zero
    at = [n for n, e in enumerate(fauna.entries) if (e.taxon, e.caste) == ("Bombus hypnorum", "worker")]
    assert (fauna.season(week_of(dt.date(2026, 10, 15)))[at] >= SEASON_FLOOR).all()


def test_a_brood_however_small_is_not_out_of_season(fauna: Fauna) -> None:
    """Stelzer et al. 2010 (read): workers of *terrestris* fly all winter in London; not so in the north."""

    def winter(place: str) -> Answer:
        return look(fauna, "tail=white collar=yellow bands=2", date="2026-12-20", place=place, f0_hz=165)

    london = winter("51.46,-0.30")
    assert london.taxa[0].taxon == "Bombus terrestris"
    assert not warned(london, "date does not fit")
    for place in ("57.5,-4.2", "60.3,-1.2"):
        assert "unusually late" in warned(winter(place), "date does not fit")
    red = look(fauna, "tail=red collar=none thorax=black", place="51.46,-0.30", date="2026-12-20")
    assert "unusually late" in warned(red, "date does not fit")


@pytest.mark.parametrize(
    ("place", "date", "f0_hz", "hints", "name"),
    [
        # shrill carder on the Gwent Levels, ruderal bumblebee in the Fens: strongholds of both (memory)
        (
            "51.5,-2.9",
            "2026-07-15",
            210,
            "collar=grey thorax=banded scutellum=grey tail=orange abdomen=banded",
            "Shrill carder bee",
        ),
        (
            "52.2,0.1",
            "2026-05-20",
            105,
            "tail=black bands=0 face=long hind-leg=basket size=very-large",
            "Ruderal bumblebee",
        ),
    ],
)
def test_a_rare_bee_is_not_called_rare_here_alone(
    fauna: Fauna, place: str, date: str, f0_hz: float, hints: str, name: str
) -> None:
    answer = look(fauna, hints, place=place, date=date, f0_hz=f0_hz)
    assert answer.taxa[0].vernacular == name
    text, weight_bits = sentence(answer, "place")
    assert weight_bits > 0.0
    assert "hardly ever" not in text


def test_hardly_ever_met_here_is_said_where_it_is_so(fauna: Fauna) -> None:
    orange = "collar=grey thorax=banded scutellum=grey tail=orange abdomen=banded"
    rare = look(fauna, orange, place="51.5,-2.9", date="2026-07-15")
    assert sentence(rare, "place")[0] == "Shrill carder bees are rare everywhere, and no rarer here."
    yellow = "tail=yellow thorax=banded abdomen=pale scutellum=yellow collar=yellow bands=3 shade=lemon"
    there, here = (
        look(fauna, yellow, place=place, date="2026-07-05") for place in ("55.0,-2.5", "57.7,-7.3")
    )
    assert there.taxa[0].taxon == here.taxa[0].taxon == "Bombus distinguendus"
    text, weight_bits = sentence(there, "place")
    assert text == "Great yellow bumblebees are hardly ever met here."
    assert weight_bits < 0.0
    assert "a larger part of what flies here" in sentence(here, "place")[0]  # the Hebrides: its stronghold


def test_the_north_coast_has_its_own_bee(fauna: Fauna) -> None:
    """Status in taxa.csv (species account): north coast of Scotland, Orkney, Hebrides, western Ireland."""
    yellow = "thorax=banded abdomen=pale tail=yellow"
    bettyhill, inverness = (
        look(fauna, yellow, date="2026-07-10", place=place, f0_hz=160) for place in ("58.5,-4.2", "57.5,-4.2")
    )
    assert bettyhill.taxa[0].taxon == "Bombus distinguendus"
    assert bettyhill.taxa[0].probability > 0.5
    assert inverness.taxa[0].taxon != "Bombus distinguendus"


@pytest.mark.parametrize("hints", ["tail=white collar=yellow bands=2", "tail=ginger thorax=ginger"])
def test_in_winter_the_words_name_only_what_flies(fauna: Fauna, hints: str) -> None:
    """Phenology of the reference: winter males rare, winter workers and queens in the south."""
    told = {
        place: sentence(look(fauna, hints, date="2026-12-20", place=place), "date")[0]
        for place in ("51.46,-0.30", "57.5,-4.2", "60.3,-1.2")
    }
    for text in told.values():
        assert "males" not in text.split(" fly ")[0]
        assert "third week of December" in text
    assert told["51.46,-0.30"].lower().startswith(("queens and workers fly", "among bumblebees, queens and"))
    for north in ("57.5,-4.2", "60.3,-1.2"):
        assert told[north].startswith("Hardly any bumblebee flies in the third week of December;")


@pytest.mark.parametrize("place", ["0.5,20", "19.4,-99.1", "-1.3,36.8"])
def test_in_the_tropics_no_date_counts(fauna: Fauna, place: str) -> None:
    january, july = (
        look(fauna, "tail=white collar=yellow", date=date, place=place, f0_hz=150)
        for date in ("2026-01-15", "2026-07-15")
    )
    assert january.taxa == july.taxa
    assert "the date was left out" in warned(january, "outside")
    paris = look(fauna, "tail=white collar=yellow", date="2026-01-15", place="48.86,2.35", f0_hz=150)
    assert {piece.kind for piece in paris.evidence} >= {"date"}


@pytest.mark.parametrize("place", ["0,20", "90,0", "-90,180"])
def test_where_the_fauna_does_not_reach_nothing_is_sure(fauna: Fauna, place: str) -> None:
    answer = look(fauna, "tail=white collar=yellow", date="2026-07-15", place=place, f0_hz=150)
    assert answer.record_as.rank in ("genus", "none")
    assert "%" not in answer.record_as.reason
    assert "sure" not in answer.record_as.reason
    assert "or whether any do" in answer.record_as.reason
    # A bumblebee of another continent, black all over, fits none of ours.
    foreign = look(fauna, "tail=black", place=place, f0_hz=107)
    assert foreign.record_as.rank == "none"
    assert "fits well" in foreign.record_as.reason
    assert "%" not in foreign.record_as.reason
    assert foreign.size.summary.startswith("Perhaps no bumblebee")


RICHMOND, SYDNEY, NAIROBI, TOKYO = "37.54,-77.44", "-33.87,151.21", "-1.29,36.82", "35.68,139.69"


@pytest.mark.parametrize("place", [RICHMOND, SYDNEY, NAIROBI, TOKYO, "48.86,2.35"])
@pytest.mark.parametrize("hints", ["", "tail=white", "tail=black thorax=ginger", "tail=white thorax=ginger"])
@pytest.mark.parametrize("f0_hz", [None, 140.0, 200.0])
def test_elsewhere_no_sentence_gives_a_figure_beside_a_name(
    fauna: Fauna, place: str, hints: str, f0_hz: float | None
) -> None:
    """Whatever comes first, a bee, another insect, something else or nothing; in winter too."""
    for date in ("2026-06-20", "2026-01-10"):
        answer = look(fauna, hints, date=date, place=place, f0_hz=f0_hz)
        said = [answer.record_as.reason, answer.size.summary, *(advice.text for advice in answer.warnings)]
        assert not [text for text in said if "%" in text]
        assert "does not know which species live there" in answer.record_as.reason
        if f0_hz is not None:
            assert answer.size.summary.startswith(("If it is like the bumblebees of this", "Perhaps no"))
        dated = [piece.summary for piece in answer.evidence if piece.kind == "date"]
        assert all(text.startswith("In the area of this fauna, ") for text in dated)
        assert {"out of season", "date does not fit"}.isdisjoint(advice.code for advice in answer.warnings)


def test_elsewhere_a_bee_is_rare_or_invasive_in_the_area_of_the_fauna(fauna: Fauna) -> None:
    """*Vespa velutina* is at home in south-east Asia (from memory)."""
    hornet = "tail=yellow thorax=black abdomen=black bands=1 collar=none front-band=yellow"
    here, there = (
        warned(look(fauna, hornet, date="2026-09-20", place=place, f0_hz=105), "report it")
        for place in ("50.9,-1.4", "48.86,2.35")
    )
    assert here.startswith("Asian hornet: ")
    assert there.startswith("Asian hornet, in the area of this fauna: ")


def test_elsewhere_what_does_not_fit_may_be_a_species_not_known(fauna: Fauna) -> None:
    brown = "tail=ginger thorax=ginger collar=ginger scutellum=ginger abdomen=red hind-leg=pollen"
    here, there = (
        warned(look(fauna, brown, date="2026-06-20", place=place), "hint does not fit")
        for place in ("51.46,-0.30", RICHMOND)
    )
    assert here.endswith("Look again, or leave it out.")
    assert there.endswith("a species that this fauna does not know may well be so.")


def test_only_is_not_said_of_what_is_not_all(fauna: Fauna) -> None:
    text, _ = sentence(look(fauna, "tail=white", date="2026-04-06", place="60.3,-1.2"), "date")
    assert text.startswith("Hardly any but queens fly in the first week of April")


def test_what_is_not_enough_is_not_written_as_what_would_be(lineup: Lineup) -> None:
    """A species needs 90 %: 89.7 % is not "only 90 %"."""
    case = make_case(lineup, hints={"tail": "red"})
    probability = np.zeros(len(lineup))
    first = {name: int(np.flatnonzero(lineup.taxon_of == at)[0]) for at, name in enumerate(lineup.taxa)}
    probability[first["Bombus lapidarius"]], probability[first["Bombus pratorum"]] = 0.897, 0.103
    reason = name_it(lineup, case, probability).record_as.reason
    assert "has just under 90 %" in reason
    probability[first["Bombus lapidarius"]], probability[first["Bombus pratorum"]] = 0.894, 0.106
    assert "has only 89 %" in name_it(lineup, case, probability).record_as.reason


@pytest.mark.parametrize("f0_hz", [125.0, 131.0, 137.0])
def test_a_leader_that_stands_in_several_lines_of_the_list_is_said_to(fauna: Fauna, f0_hz: float) -> None:
    """The list parts the castes of a name: its lines may each stand below that of another name."""
    answer = look(fauna, "", date="2026-04-09", f0_hz=f0_hz)
    leader = answer.taxa[0]
    assert answer.candidates[0].taxon != leader.taxon
    assert f"the likeliest answer, {leader.vernacular}, has only " in answer.record_as.reason
    assert answer.record_as.reason.endswith(" %, all castes together.")
    alone = look(fauna, "tail=orange", date="2026-04-09", f0_hz=f0_hz)
    assert "castes" not in alone.record_as.reason


@pytest.mark.parametrize(
    ("hints", "f0_hz", "rank"),
    [("tail=white", 139.5, "genus"), ("tail=red", 108.9, "none"), ("flower=deep", 250.0, "none")],
)
def test_a_short_lead_agrees_with_the_list_whatever_is_recorded(
    fauna: Fauna, hints: str, f0_hz: float, rank: str
) -> None:
    """The percentage of the sentence stands in a line of the list, or is said to be that of several."""
    answer = look(fauna, hints, date="2026-07-10", f0_hz=f0_hz)
    record, leader = answer.record_as, answer.taxa[0]
    lines = {f"{100 * c.probability:.0f} %" for c in answer.candidates if c.taxon == leader.taxon}
    assert record.rank == rank
    short, _, together = record.reason.partition(f"{leader.vernacular}, has only ")[2].partition(",")
    assert (short.rstrip(".") in lines) is (not together)
    assert together in ("", " all castes together.")


@pytest.mark.parametrize(
    ("hints", "date", "parted"),
    [
        ("tail=white bands=3 face=long", "2026-06-01", True),
        (
            "tail=buff behaviour=nest-searching size=very-large collar=yellow shade=golden",
            "2026-03-12",
            False,
        ),
    ],
)
def test_a_species_that_is_sure_in_several_castes_is_said_to_be(
    fauna: Fauna, hints: str, date: str, parted: bool
) -> None:
    answer = look(fauna, hints, date=date)
    record = answer.record_as
    lines = {percent(c.probability) for c in answer.candidates if c.taxon == record.taxon}
    assert record.rank == "species"
    sure, _, rest = record.reason.partition(" sure, ")
    assert (sure not in lines) is parted
    assert rest == ("all castes together, " if parted else "") + "and this one can be told in the field."


def test_castes_of_wasps_are_parted_in_the_list_as_those_of_bumblebees(lineup: Lineup) -> None:
    wasp = lineup.taxa.index("Vespula")
    queen, worker = np.flatnonzero(lineup.taxon_of == wasp)
    probability = np.zeros(len(lineup))
    probability[[queen, worker]] = 0.1, 0.3
    for name, share in (("Bombus lapidarius", 0.25), ("Bombus pascuorum", 0.35)):
        probability[np.flatnonzero(lineup.taxon_of == lineup.taxa.index(name))[0]] = share
    reason = name_it(lineup, make_case(lineup, hints={"size": "medium"}), probability).record_as.reason
    assert reason.endswith(
        f": the likeliest answer, {lineup.vernaculars[wasp]}, has only 40 %, all castes together."
    )


def test_what_is_all_but_sure_is_told_alike_in_the_sentence_and_in_the_list(fauna: Fauna) -> None:
    told = [percent(share) for share in (0.0, 0.004, 0.005, 0.43, 0.994, 0.996, 1.0)]
    assert told == ["under 1 %", "under 1 %", "under 1 %", "43 %", "99 %", "over 99 %", "over 99 %"]
    answer = look(fauna, "behaviour=patrolling tail=ginger", date="2026-03-20", f0_hz=200.0)
    assert answer.castes[0].probability > 0.995
    assert answer.record_as.reason == "Probably not a bumblebee (over 99 %)."


def test_what_is_not_in_the_fauna_leads_without_a_capital(lineup: Lineup) -> None:
    probability = np.zeros(len(lineup))
    probability[[0, 10, -1]] = 0.27, 0.33, 0.4
    reason = name_it(lineup, make_case(lineup, hints={"size": "tiny"}), probability).record_as.reason
    assert reason.endswith("the likeliest answer, something not in the fauna, has only 40 %.")


def test_how_worn_its_hair_is_says_nothing_of_the_insect(fauna: Fauna) -> None:
    """By itself it is no look at the bee, so no date is odd for it."""
    worn = look(fauna, "condition=fresh", date="2026-01-15", place="57,-4")
    unseen = look(fauna, "", date="2026-01-15", place="57,-4")
    assert worn.warnings == unseen.warnings
    assert worn.record_as == unseen.record_as
    assert "date does not fit" in {
        w.code for w in look(fauna, "tail=red condition=fresh", date="2026-01-15").warnings
    }
