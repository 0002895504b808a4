"""The answer: its layout, its words, and what it does with little, odd or contradictory evidence."""

from __future__ import annotations

import datetime as dt
import json
import math
import shutil
from collections import Counter
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from fauna.tiny import write_fauna
from wingtone.errors import HintError
from wingtone.evidence import Likelihood, ToneCue, identify
from wingtone.evidence.answer import TaxonShare
from wingtone.evidence.case import posterior
from wingtone.evidence.engine import credible_set, make_case
from wingtone.evidence.lineup import CASTES, SOMETHING_ELSE, line_up
from wingtone.evidence.prior import ELSE_OUTSIDE, ELSE_SHARE, log_prior
from wingtone.evidence.weigh import misfits, stranger
from wingtone.evidence.words import plural_name, who
from wingtone.fauna import SHIPPED, load
from wingtone.notebook.places import parse_place

if TYPE_CHECKING:
    from pathlib import Path

    from wingtone.evidence import Answer
    from wingtone.evidence.lineup import Lineup
    from wingtone.fauna import Fauna

MARCH, JULY = dt.date(2026, 3, 12), dt.date(2026, 7, 12)
LONDON = parse_place("51.5,-0.1")


def tone(f0_hz: float) -> ToneCue:
    return ToneCue(f0_hz, f0_hz * 0.99, f0_hz * 1.01, n_bouts=2, duration_s=3.0)


def codes(answer: Answer) -> set[str]:
    return {warning.code for warning in answer.warnings}


def test_json_has_exactly_the_published_parts(fauna: Fauna) -> None:
    answer = identify(
        fauna=fauna, tone=tone(150), date=JULY, place=LONDON, hints={"tail": "white"}, temperature_c=19
    )
    laid_out = json.loads(json.dumps(answer.to_json(), allow_nan=False))
    assert laid_out["schema"] == "wingtone/identify/1"
    assert set(laid_out) == {
        "schema", "castes", "size", "candidates", "taxa",
        "credible_set", "record_as", "evidence", "look_next", "warnings",
    }  # fmt: skip
    assert {"itd_mm", "itd_low_mm", "itd_high_mm", "level"} <= set(laid_out["size"])
    assert set(laid_out["candidates"][0]) == {"taxon", "vernacular", "caste", "probability"}
    assert set(laid_out["taxa"][0]) == {"taxon", "vernacular", "probability"}
    assert set(laid_out["castes"][0]) == {"caste", "probability"}
    assert {row["caste"] for row in laid_out["castes"]} == set(CASTES)
    assert set(laid_out["credible_set"]) == {"level", "taxa"}
    assert set(laid_out["record_as"]) == {"taxon", "rank", "reason"}
    assert set(laid_out["evidence"][0]) == {"kind", "name", "weight_bits", "summary"}
    assert set(laid_out["look_next"][0]) == {"character", "expected_bits", "question"}
    assert {row["kind"] for row in laid_out["evidence"]} == {"date", "place", "tone", "hint"}
    for part in ("castes", "candidates", "taxa"):
        values = [row["probability"] for row in laid_out[part]]
        assert values == sorted(values, reverse=True)
        assert sum(values) == pytest.approx(1.0, abs=1e-9)


def test_credible_set_is_the_fewest_taxa_that_hold_it(fauna: Fauna) -> None:
    answer = identify(fauna=fauna, tone=tone(160), date=JULY)
    values = {row.taxon: row.probability for row in answer.taxa}
    held = [values[taxon] for taxon in answer.credible_set.taxa]
    assert sum(held) >= 0.9 > sum(held[:-1])
    assert answer.credible_set.taxa == tuple(row.taxon for row in answer.taxa[: len(held)])


def test_nothing_known_is_no_error(fauna: Fauna) -> None:
    answer = identify(fauna=fauna)
    assert answer.evidence == ()
    assert answer.record_as.rank == "none"
    assert {"no date", "no place"} <= codes(answer)
    assert answer.to_json()["size"]["itd_mm"] is None
    assert math.isnan(answer.size.itd_mm)


@pytest.mark.parametrize("day", [(2026, 3, 20), (2026, 6, 20), (2026, 8, 20)])
def test_date_and_place_alone_name_nothing(fauna: Fauna, day: tuple[int, int, int]) -> None:
    """A record is of an animal that somebody met with: common practice, no source."""
    known: dict[str, Any] = {"fauna": fauna, "date": dt.date(*day), "place": LONDON}
    nothing = "Nothing was heard or seen"
    for hints in ({}, {"condition": "bald"}):
        answer = identify(**known, hints=hints)
        assert answer.record_as.rank == "none"
        assert answer.record_as.reason.startswith(nothing)
    assert nothing not in identify(**known, tone=tone(120)).record_as.reason
    assert nothing not in identify(**known, hints={"tail": "white"}).record_as.reason


def test_the_size_is_given_with_its_interval(fauna: Fauna) -> None:
    low, high = (identify(fauna=fauna, tone=tone(hz), date=JULY).size for hz in (110, 190))
    assert high.itd_low_mm < high.itd_mm < high.itd_high_mm
    assert low.itd_mm > high.itd_mm
    assert (low.level, high.words) == (0.9, "small")
    assert "mm" in high.summary


def test_no_size_for_what_is_probably_not_a_bumblebee(fauna: Fauna) -> None:
    answer = identify(
        fauna=fauna,
        tone=tone(157),
        date=JULY,
        hints={"behaviour": "hovering", "collar": "none", "thorax": "banded"},
    )
    assert next(c.probability for c in answer.castes if c.caste == "not a bumblebee") > 0.5
    assert math.isnan(answer.size.itd_mm)
    assert "no size" in codes(answer)
    assert answer.record_as.rank == "none"


def test_sound_date_and_place_never_name_a_species(fauna: Fauna) -> None:
    for hz in (100, 120, 150):
        answer = identify(fauna=fauna, tone=tone(hz), date=dt.date(2026, 4, 5), place=LONDON)
        assert answer.record_as.rank in ("genus", "none")
        assert "sound only" in codes(answer)


def test_a_missing_date_or_place_widens(lineup: Lineup) -> None:
    def entropy(**known: Any) -> float:
        p = posterior(lineup, make_case(lineup, tone=tone(125), **known))
        return float(-(p[p > 0] * np.log2(p[p > 0])).sum())

    assert entropy(date=MARCH, place=LONDON) < entropy(place=LONDON)
    london, anywhere = (np.exp(log_prior(lineup, JULY, place)) for place in (LONDON, None))
    assert (anywhere > 0).all()
    absent = {lineup.taxa[taxon] for taxon in lineup.taxon_of[london == 0]}
    assert absent == {"Bombus distinguendus"}


def test_somewhere_else_is_said_and_leaves_the_world_open(fauna: Fauna, lineup: Lineup) -> None:
    quito = parse_place("-0.2,-78.5")
    answer = identify(fauna=fauna, tone=tone(150), date=JULY, place=quito)
    assert "outside" in codes(answer)
    assert math.exp(log_prior(lineup, JULY, quito)[-1]) == pytest.approx(ELSE_OUTSIDE)
    assert math.exp(log_prior(lineup, JULY, LONDON)[-1]) == pytest.approx(ELSE_SHARE)


def test_the_year_is_round(lineup: Lineup) -> None:
    last, first = (
        np.exp(log_prior(lineup, day, None)) for day in (dt.date(2025, 12, 31), dt.date(2026, 1, 1))
    )
    assert np.abs(last - first).sum() < 0.1
    leap, after = (np.exp(log_prior(lineup, dt.date(2028, 2, day), None)) for day in (28, 29))
    assert np.abs(leap - after).sum() < 0.1


def test_season_has_no_vetoes(lineup: Lineup) -> None:
    # the one for Bombus hypnorum on 15 October: low but not zero
    prior = lineup.by_taxon(np.exp(log_prior(lineup, dt.date(2026, 10, 15), LONDON)))
    assert 0 < prior[lineup.taxa.index("Bombus hypnorum")] < 0.01


def test_an_unknown_hint_is_refused(fauna: Fauna) -> None:
    with pytest.raises(HintError, match="its states are"):
        identify(fauna=fauna, hints={"tail": "blue"})


def test_a_contradicting_hint_is_named_and_the_record_is_held_back(fauna: Fauna) -> None:
    fitting = {"tail": "red", "collar": "none", "abdomen": "black", "bands": "0"}
    good = identify(fauna=fauna, date=JULY, hints=fitting)
    assert good.record_as.taxon == "Bombus lapidarius"
    assert "hint does not fit" not in codes(good)
    bad = identify(fauna=fauna, date=JULY, hints=fitting | {"thorax": "ginger"})
    texts = [warning.text for warning in bad.warnings if warning.code == "hint does not fit"]
    assert len(texts) == 1
    assert "thorax=ginger" in texts[0]
    assert bad.record_as.rank in ("genus", "none")
    weights = {row.name: row.weight_bits for row in bad.evidence}
    assert weights["thorax"] < 0 < weights["tail"]


def test_a_count_of_bands_that_contradicts_its_parts_is_named(fauna: Fauna) -> None:
    hints = {"tail": "red", "collar": "none", "scutellum": "none", "front-band": "none", "bands": "3"}
    answer = identify(fauna=fauna, date=JULY, hints=hints)
    assert any(
        "bands=3" in warning.text for warning in answer.warnings if warning.code == "hint does not fit"
    )


def test_a_tone_that_cannot_be_is_named(fauna: Fauna) -> None:
    answer = identify(
        fauna=fauna, date=JULY, tone=tone(330), hints={"tail": "red", "collar": "none", "thorax": "black"}
    )
    assert any(
        "too high" in warning.text for warning in answer.warnings if warning.code == "tone does not fit"
    )


def test_counting_bands_already_told_adds_little(lineup: Lineup) -> None:
    parts = {"collar": "yellow", "scutellum": "yellow", "front-band": "yellow"}

    def bits(**hints: str) -> float:
        p = lineup.by_taxon(posterior(lineup, make_case(lineup, date=JULY, hints=hints)))
        hortorum, terrestris = (p[lineup.taxa.index(f"Bombus {name}")] for name in ("hortorum", "terrestris"))
        return math.log2(hortorum / terrestris)

    alone = bits(bands="3") - bits()
    again = bits(**parts, bands="3") - bits(**parts)
    assert alone > 3
    assert abs(again) < alone / 3


def test_the_table_of_bands_holds_when_nothing_else_was_said(lineup: Lineup) -> None:
    """Summed over what the three parts may look like, the joint gives back the fauna's bands."""
    from wingtone.evidence.bands import bands_given_parts

    total = bands_given_parts(lineup, {}, fading=0.1, bald=0.0)
    assert total == pytest.approx(lineup.reports("bands", fading=0.1, bald=0.0), abs=1e-6)


def test_bands_and_parts_are_one_joint_distribution(lineup: Lineup) -> None:
    """Summed over every answer to both, the likelihoods of collar and bands make one."""
    from wingtone.evidence.case import log_likelihood

    total = np.zeros(len(lineup))
    for collar in lineup.traits["collar"].states:
        for bands in lineup.traits["bands"].states:
            case = make_case(lineup, date=JULY, hints={"collar": collar, "bands": bands})
            total += np.exp(log_likelihood(lineup, case))
    assert total == pytest.approx(np.ones(len(lineup)))


def test_the_model_replaces_the_tone(lineup: Lineup, fauna: Fauna) -> None:
    word = Likelihood(("queen", "worker", "male", "not a bumblebee"), (0.0, -4.0, -4.0, -4.0), "garden 1")
    with_tone = posterior(lineup, make_case(lineup, date=JULY, tone=tone(200), model=word))
    without = posterior(lineup, make_case(lineup, date=JULY, model=word))
    assert with_tone == pytest.approx(without)
    plain = posterior(lineup, make_case(lineup, date=JULY))
    assert lineup.by_caste(without)[0] > 5 * lineup.by_caste(plain)[0]
    answer = identify(fauna=fauna, date=JULY, tone=tone(140), model=word, hints={"collar": "yellow"})
    kinds = [row.kind for row in answer.evidence]
    assert "model" in kinds
    assert "tone" not in kinds
    assert "garden 1" in next(row.summary for row in answer.evidence if row.kind == "model")
    assert math.isfinite(answer.size.itd_mm), "the size still comes from the tone"


def test_a_model_without_a_caste_says_nothing_of_it(lineup: Lineup) -> None:
    even = Likelihood(("queen", "worker"), (1.5, 1.5))
    assert posterior(lineup, make_case(lineup, date=JULY, model=even)) == pytest.approx(
        posterior(lineup, make_case(lineup, date=JULY))
    )
    with pytest.raises(ValueError, match="no such caste"):
        Likelihood(("drone",), (0.0,))
    with pytest.raises(ValueError, match="finite"):
        Likelihood(("queen",), (math.nan,))


def test_evidence_is_told_in_plain_sentences(fauna: Fauna) -> None:
    answer = identify(
        fauna=fauna,
        tone=tone(160),
        date=MARCH,
        place=LONDON,
        hints={"tail": "buff", "thorax": "black", "collar": "yellow", "condition": "faded"},
    )
    told = {row.name: row.summary for row in answer.evidence}
    assert set(told) == {"date", "place", "tone", "tail", "thorax", "collar", "condition"}
    assert "queens fly in the second week of March" in told["date"]
    assert "160 Hz is high for Buff-tailed bumblebee queens" in told["tone"]
    assert told["tail"].startswith('People say "tail buff" of ')
    assert "in 100 Buff-tailed bumblebees, and of " in told["tail"]
    for sentence in told.values():
        assert sentence.endswith(".")
        assert sentence[0].isupper()
        assert "nan" not in sentence


def summaries(answer: Answer) -> dict[str, str]:
    return {row.name: row.summary for row in answer.evidence}


def test_few_fly_in_winter_and_the_sentence_says_so(fauna: Fauna) -> None:
    # Stelzer et al. 2010 PLoS ONE 5:e9559 (read): terrestris workers and queens all winter in London
    hints = {"tail": "white", "collar": "yellow"}
    winter = identify(fauna=fauna, date=dt.date(2026, 1, 10), place=LONDON, hints=hints)
    assert "Workers and queens fly in the second week of January, but few;" in summaries(winter)["date"]
    assert winter.candidates[0].taxon == "Bombus terrestris"
    assert "but few" not in summaries(identify(fauna=fauna, date=JULY, place=LONDON, hints=hints))["date"]


def test_a_date_alone_is_never_odd(fauna: Fauna) -> None:
    christmas = dt.date(2026, 12, 24)
    assert "date does not fit" not in codes(identify(fauna=fauna, date=christmas, place=LONDON))
    seen = identify(fauna=fauna, date=christmas, place=LONDON, hints={"tail": "red", "collar": "none"})
    assert "date does not fit" in codes(seen)


def test_castes_in_the_date_sentence_are_those_of_bumblebees(fauna: Fauna) -> None:
    answer = identify(fauna=fauna, tone=tone(235), date=JULY, place=LONDON)
    assert answer.taxa[0].taxon == "Apis mellifera"
    told = summaries(answer)["date"]
    assert told.startswith("Among bumblebees, ")
    assert "Honey bee workers are in season" in told


def test_of_something_unknown_no_figures_are_told(fauna: Fauna) -> None:
    hints = {"tail": "yellow", "thorax": "banded", "abdomen": "pale", "bands": "3"}
    answer = identify(fauna=fauna, date=dt.date(2026, 6, 10), place=LONDON, hints=hints)
    assert answer.taxa[0].taxon == SOMETHING_ELSE
    assert "of the known insects it could be" in summaries(answer)["abdomen"]
    assert "turn up anywhere" in summaries(answer)["place"]
    assert all("insects not in the fauna," not in text for text in summaries(answer).values())


def test_names_in_the_plural(fauna: Fauna) -> None:
    lineup = line_up(fauna)

    def names(taxon: str, caste: str) -> tuple[str, str]:
        at = next(i for i, e in enumerate(fauna.entries) if (e.taxon, e.caste, e.form) == (taxon, caste, ""))
        return plural_name(lineup, at), who(lineup, at)

    assert names("Bombus hypnorum", "queen") == ("Tree bumblebees", "Tree bumblebee queens")
    assert names("Bombus vestalis", "cuckoo female")[1] == "Southern cuckoo bumblebee females"
    assert names("Eristalis tenax", "male") == ("Drone-flies", "Drone-fly males")
    assert names("Vespula", "worker")[1] == "workers of Common and German wasps"
    assert names("Bombylius", "adult") == ("Bee-flies", "Bee-flies")


@pytest.mark.parametrize(
    ("day", "place", "hints", "name", "known"),
    [
        # sylvarum is not in the Highlands, hypnorum hardly on Lewis (fauna tables)
        (
            "2026-07-20",
            "56.9,-3.8",
            "tail=orange collar=grey thorax=banded abdomen=banded scutellum=grey",
            "Shrill carder bee",
            "not known",
        ),
        (
            "2026-06-10",
            "58.2,-6.4",
            "tail=white thorax=ginger abdomen=black",
            "Tree bumblebee",
            "hardly known",
        ),
    ],
)
def test_a_species_not_known_from_the_place_is_told(
    fauna: Fauna, day: str, place: str, hints: str, name: str, known: str
) -> None:
    answer = identify(
        fauna=fauna,
        date=dt.date.fromisoformat(day),
        place=parse_place(place),
        hints=dict(hint.split("=") for hint in hints.split()),
    )
    (text,) = (warning.text for warning in answer.warnings if warning.code == "not known from here")
    assert name in text
    assert f"{known} from here" in text
    assert answer.record_as.rank in ("genus", "none")


def test_common_bees_and_places_abroad_are_no_strangers(fauna: Fauna) -> None:
    lineup = line_up(fauna)
    brown = {"tail": "ginger", "thorax": "ginger", "abdomen": "mixed"}
    abroad = parse_place("48.86,2.35")
    for place in (None, LONDON, parse_place("57.7,-7.3"), abroad):
        assert stranger(lineup, make_case(lineup, date=JULY, place=place, hints=brown)) is None
    answer = identify(fauna=fauna, date=JULY, place=abroad, hints=brown)
    assert "outside" in codes(answer)
    assert "outside the area" in summaries(answer)["place"]


@pytest.mark.parametrize("place", ["35.68,139.69", "48.86,2.35", "-36.85,174.76"])
def test_outside_the_fauna_no_species_is_named_however_clear_it_looks(fauna: Fauna, place: str) -> None:
    brown = {"tail": "ginger", "thorax": "ginger", "abdomen": "mixed", "collar": "ginger"}
    at_home = identify(fauna=fauna, tone=tone(150), date=JULY, place=LONDON, hints=brown)
    assert at_home.record_as.rank == "species"
    abroad = identify(fauna=fauna, tone=tone(150), date=JULY, place=parse_place(place), hints=brown)
    assert abroad.taxa[0].probability > 0.8
    assert abroad.record_as.rank == "genus"
    assert "does not know which species live there" in abroad.record_as.reason
    assert "%" not in abroad.record_as.reason


def test_beyond_the_equator_the_date_is_left_out_and_that_is_said(fauna: Fauna) -> None:
    auckland, tokyo = parse_place("-36.85,174.76"), parse_place("35.68,139.69")
    winter, summer = (
        identify(fauna=fauna, tone=tone(150), date=dt.date(2026, month, 20), place=auckland)
        for month in (7, 1)
    )
    assert winter.castes == summer.castes
    assert "date" not in summaries(winter)
    (text,) = (warning.text for warning in winter.warnings if warning.code == "outside")
    assert "the date was left out" in text
    assert "no date" not in codes(winter)
    north = identify(fauna=fauna, tone=tone(150), date=dt.date(2026, 7, 20), place=tokyo)
    assert "date" in summaries(north)


def test_a_tone_as_high_as_a_flower_buzz_is_told(fauna: Fauna) -> None:
    """Sonication of bumblebees lies at 200 to 400 Hz: De Luca et al. 2019."""
    assert "may be a flower buzz" in codes(identify(fauna=fauna, tone=tone(300), date=JULY))
    assert "may be a flower buzz" not in codes(identify(fauna=fauna, tone=tone(150), date=JULY))


def test_no_flower_buzz_is_suspected_of_a_honey_bee(fauna: Fauna) -> None:
    """Honey bees do not sonicate, and fly at about 230 Hz (literature, read)."""
    hints = {"abdomen": "banded", "hind-leg": "basket"}
    honey = identify(fauna=fauna, tone=tone(232), date=dt.date(2026, 5, 1), hints=hints)
    assert honey.taxa[0].taxon == "Apis mellifera"
    assert honey.taxa[0].probability > 0.8
    assert "may be a flower buzz" not in codes(honey)
    bumblebee = identify(fauna=fauna, tone=tone(232), date=JULY, hints={"tail": "red"})
    assert "may be a flower buzz" in codes(bumblebee)


@pytest.mark.parametrize(("air_c", "told"), [(-40, True), (9, True), (10, False), (29, False), (60, True)])
def test_air_in_which_the_tone_was_not_tried_is_told(fauna: Fauna, air_c: float, told: bool) -> None:
    """No effect at 10-29 degrees Celsius: Joos, Young & Casey 1991."""
    heard = identify(fauna=fauna, tone=tone(150), date=JULY, temperature_c=air_c)
    assert ("temperature" in codes(heard)) is told
    assert heard.size.itd_mm > 0
    assert "temperature" not in codes(identify(fauna=fauna, date=JULY, temperature_c=air_c))
    fly = identify(fauna=fauna, tone=tone(150), date=JULY, temperature_c=air_c, hints={"antennae": "short"})
    assert math.isnan(fly.size.itd_mm)
    assert "temperature" not in codes(fly), "there is no size to trust the less"


def test_a_sentence_does_not_speak_for_what_its_weight_speaks_against(fauna: Fauna) -> None:
    """Of places: four, with three looks each; of tones: that of what no fauna lists."""
    seen = 0
    for latitude_deg, longitude_deg in ((60.3, -1.2), (50.8, -0.3), (57.7, -7.3), (54.0, -2.0)):
        for hints in ({"tail": "white", "bands": "3"}, {"tail": "red"}, {"tail": "ginger"}):
            place = parse_place(f"{latitude_deg},{longitude_deg}")
            answer = identify(fauna=fauna, date=JULY, place=place, hints=hints)
            (piece,) = (piece for piece in answer.evidence if piece.kind == "place")
            larger = "larger part" in piece.summary
            smaller = "smaller part" in piece.summary
            if larger and piece.weight_bits < -0.3:
                assert "less so than others it could be" in piece.summary
                seen += 1
            if smaller and piece.weight_bits > 0.3:
                assert "scarcer still" in piece.summary
                seen += 1
    assert seen
    elsewhere = identify(fauna=fauna, tone=tone(130), date=MARCH, place=parse_place("-22.9,-47.1"))
    assert elsewhere.taxa[0].taxon == SOMETHING_ELSE
    (piece,) = (piece for piece in elsewhere.evidence if piece.kind == "tone")
    assert piece.weight_bits < 0
    assert "fits what is in the fauna" in piece.summary


@pytest.mark.parametrize(
    ("f0_hz", "when", "place", "hints", "how", "clause"),
    [
        (77.0, "2026-12-17", "53.3,-6.3", {"collar": "ginger"}, " is low for ", "speaks still more against"),
        (250.0, "2026-07-01", "51.5,-0.1", {"flower": "deep"}, " is high for ", "speaks still more against"),
        (195.0, "2026-01-10", "51.5,-0.1", {"bands": "2"}, " fits ", "speaks more for"),
        (105.0, "2026-03-12", "51.5,-0.1", {"tail": "buff"}, " fits ", ""),
        (109.0, "2026-07-10", "51.5,-0.1", {"tail": "red"}, " is low for ", ""),
    ],
)
def test_how_a_tone_fits_is_told_beside_what_it_weighs(
    fauna: Fauna, f0_hz: float, when: str, place: str, hints: dict[str, str], how: str, clause: str
) -> None:
    """A tone that is low for a bee may still speak for it, where it is lower still for all others."""
    day = dt.date.fromisoformat(when)
    answer = identify(fauna=fauna, tone=tone(f0_hz), date=day, place=parse_place(place), hints=hints)
    (piece,) = (piece for piece in answer.evidence if piece.kind == "tone")
    assert how in piece.summary
    assert (", but " in piece.summary) is bool(clause)
    assert clause in piece.summary
    assert (piece.weight_bits > 0) is (("fits" in how) is not bool(clause))


def test_a_size_that_rests_on_sight_too_says_so(fauna: Fauna) -> None:
    by_ear = identify(fauna=fauna, tone=tone(130), date=dt.date(2026, 4, 5))
    by_both = identify(fauna=fauna, tone=tone(130), date=dt.date(2026, 4, 5), hints={"tail": "ginger"})
    assert by_ear.size.summary.startswith("Sounds like")
    assert by_both.size.summary.startswith("By sound and sight")


def test_an_aggregate_gives_its_reason_only_for_the_castes_it_names(fauna: Fauna) -> None:
    hints = {"tail": "white", "collar": "yellow", "bands": "2", "scutellum": "none"}
    workers = identify(fauna=fauna, date=JULY, place=LONDON, hints=hints | {"hind-leg": "pollen"})
    assert "workers cannot be told apart" in workers.record_as.reason
    queens = identify(fauna=fauna, date=MARCH, place=LONDON, hints=hints)
    assert queens.record_as.rank == "aggregate"
    assert queens.castes[0].caste == "queen"
    assert "workers" not in queens.record_as.reason


def test_an_invasive_hornet_goes_to_the_authority(fauna: Fauna) -> None:
    answer = identify(
        fauna=fauna,
        date=dt.date(2026, 9, 1),
        place=parse_place("49.2,-2.1"),
        tone=tone(125),
        hints={
            "tail": "orange",
            "collar": "none",
            "thorax": "black",
            "front-band": "yellow",
            "behaviour": "hovering",
        },
    )
    assert "report it" in codes(answer)


def test_nests_are_left_alone(fauna: Fauna) -> None:
    assert "nest" in codes(identify(fauna=fauna, date=JULY, hints={"nest": "underground"}))


def test_another_fauna_needs_no_code(tmp_path: Path) -> None:
    fauna = load(write_fauna(tmp_path / "pebble"))
    answer = identify(
        fauna=fauna, tone=tone(110), date=dt.date(2026, 4, 10), hints={"tail": "white", "size": "large"}
    )
    assert answer.candidates[0].taxon == "Bombus lapillus"
    assert answer.candidates[0].caste == "queen"
    assert {row.taxon for row in answer.taxa} == {"Bombus lapillus", "Musca apiformis", SOMETHING_ELSE}
    assert sum(row.probability for row in answer.candidates) == pytest.approx(1.0)
    assert answer.record_as.rank in ("species", "aggregate")
    json.dumps(answer.to_json(), allow_nan=False)


def test_a_copy_of_the_shipped_fauna_answers_alike(fauna: Fauna, tmp_path: Path) -> None:
    shutil.copytree(SHIPPED, tmp_path / "copy")
    known: dict[str, Any] = {"tone": tone(140), "date": JULY, "hints": {"tail": "red"}}
    ours = identify(fauna=fauna, **known).to_json()
    assert identify(fauna=load(tmp_path / "copy"), **known).to_json() == ours


def test_line_up_is_made_once(fauna: Fauna) -> None:
    assert line_up(fauna) is line_up(fauna)


GRID = [
    (day, f0_hz, dict(hint.split("=") for hint in hints.split()))
    for day in ("2026-03-12", "2026-05-20", "2026-07-12", "2026-09-20")
    for f0_hz in (None, 115.0, 160.0, 229.0, 231.0, 260.0)
    for hints in (
        "",
        "tail=white",
        "tail=red collar=none thorax=black",
        "tail=ginger thorax=ginger",
        "tail=orange collar=none thorax=black front-band=yellow",
        "antennae=short",
        "condition=bald",
        "behaviour=at-nest",
        "nest=underground",
    )
]


def test_advice_is_given_exactly_where_it_belongs(fauna: Fauna) -> None:
    """Of 216 cases, each by the figures of its own answer; the limits are those the module gives."""
    advised = {taxon.taxon: taxon for taxon in fauna.taxa if taxon.advice}
    shakers = ("Bombus", "Anthophora", "Andrena", "Colletes", "Xylocopa")
    told: Counter[str] = Counter()
    for day, f0_hz, hints in GRID:
        cue = None if f0_hz is None else tone(f0_hz)
        answer = identify(fauna=fauna, tone=cue, date=dt.date.fromisoformat(day), place=LONDON, hints=hints)
        share = {row.taxon: row.probability for row in answer.taxa}
        bumblebee = 1.0 - next(c.probability for c in answer.castes if c.caste == "not a bumblebee")
        weights = {piece.kind: piece.weight_bits for piece in answer.evidence if piece.kind != "hint"}
        shaking = sum(p for taxon, p in share.items() if taxon.split()[0] in shakers)
        expected = {
            "sound only": f0_hz is not None and not hints.keys() - {"condition"},
            "no size": f0_hz is not None and bumblebee < 0.5,
            "may be a flower buzz": f0_hz is not None and f0_hz >= 230 and shaking >= 0.25,
            "tone says little": abs(weights.get("tone", 9.0)) < 0.3,
            "confirm": answer.record_as.rank in ("species", "aggregate"),
            "nest": "nest" in hints or hints.get("behaviour") == "at-nest",
        }
        for code, due in expected.items():
            assert (code in codes(answer)) is due, (code, day, f0_hz, hints)
            told[code] += due
        assert math.isnan(answer.size.itd_mm) is (bumblebee < 0.5 or not weights.keys() & {"tone"}), hints
        due_texts = [
            f"{taxon.vernacular}: {taxon.advice}"
            for name in sorted(share, key=lambda name: -share[name])
            if (taxon := advised.get(name)) and share[name] >= (0.005 if taxon.is_invasive else 0.2)
        ]
        told["taxa"] += len(due_texts)
        given = [w.text for w in answer.warnings if w.code in ("advice", "report it")]
        assert given == due_texts, (day, f0_hz, hints)
    assert all(10 < told[code] < len(GRID) for code in told), told


def test_candidates_taxa_and_castes_are_one_table(fauna: Fauna, lineup: Lineup) -> None:
    for day, f0_hz, hints in GRID[::5]:
        cue, date = None if f0_hz is None else tone(f0_hz), dt.date.fromisoformat(day)
        answer = identify(fauna=fauna, tone=cue, date=date, hints=hints)
        names = [(row.taxon, row.caste) for row in answer.candidates]
        assert (
            len(set(names))
            == len(names)
            == len(set(zip(lineup.taxon_of.tolist(), lineup.castes, strict=True)))
        )
        for taxon in answer.taxa:
            rows = [row.probability for row in answer.candidates if row.taxon == taxon.taxon]
            assert math.fsum(rows) == pytest.approx(taxon.probability, abs=1e-12)
        bumblebees = {taxon.taxon for taxon in fauna.taxa if taxon.is_bumblebee}
        for caste in answer.castes:
            rows = [
                row.probability
                for row in answer.candidates
                if (row.caste if row.taxon in bumblebees else "not a bumblebee") == caste.caste
            ]
            assert math.fsum(rows) == pytest.approx(caste.probability, abs=1e-12)


def test_a_credible_set_by_hand() -> None:
    taxa = tuple(TaxonShare(name, name, share) for name, share in (("a", 0.5), ("b", 0.4), ("c", 0.1)))
    for level, names in (
        (0.45, ("a",)),
        (0.5, ("a",)),
        (0.51, ("a", "b")),
        (0.9, ("a", "b")),
        (0.95, ("a", "b", "c")),
    ):
        assert credible_set(taxa, level).taxa == names


def test_what_does_not_fit_is_said_not_to_fit_a_date_only_where_there_is_one(fauna: Fauna) -> None:
    odd = {"tail": "ginger", "thorax": "ginger", "abdomen": "red", "collar": "ginger"}
    for date, rest in ((JULY, "the date and the rest"), (None, "the rest")):
        answer = identify(fauna=fauna, date=date, hints=odd)
        (text,) = (warning.text for warning in answer.warnings if warning.code == "hint does not fit")
        assert text.startswith(
            f"The hint abdomen=red does not fit {rest}: so odd an answer comes up in at most "
        )


def test_how_seldom_what_does_not_fit_comes_up_is_never_told_too_low(fauna: Fauna, lineup: Lineup) -> None:
    """Of 1000 cases, rounded up, and at least one."""
    red = {"tail": "red", "collar": "none", "thorax": "black", "abdomen": "black"}
    told = set()
    for f0_hz in (60.0, 80.0, 84.0, 290.0):
        (odd, *_) = misfits(lineup, make_case(lineup, date=JULY, tone=tone(f0_hz), hints=red))
        answer = identify(fauna=fauna, date=JULY, tone=tone(f0_hz), hints=red)
        (text,) = (warning.text for warning in answer.warnings if warning.code == "tone does not fit")
        seldom = int(text.partition("in at most ")[2].split()[0])
        assert seldom - 1 < 1000 * odd.probability <= seldom
        told.add(seldom)
    assert 1 in told
    assert len(told) > 1
