"""What a tone says of a stated bee: the arithmetic, the words, and whom a name means."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pytest
from scipy import stats

from wingtone.cue.agreement import AGREES_BITS, DISAGREES_BITS, judge, stated_bee
from wingtone.evidence import ToneCue
from wingtone.evidence.lineup import line_up
from wingtone.evidence.prior import log_prior
from wingtone.evidence.tone_size import tone_terms
from wingtone.fauna import Fauna, load
from wingtone.notebook.places import parse_place

KEW = parse_place("TQ 18 75")
JUNE = dt.date(2026, 6, 10)


@pytest.fixture(scope="module")
def fauna() -> Fauna:
    return load()


def cue(f0_hz: float) -> ToneCue:
    return ToneCue(f0_hz, 0.995 * f0_hz, 1.005 * f0_hz)


@pytest.mark.parametrize(
    ("taxon", "caste", "f0_hz", "expected"),
    [
        ("Bombus terrestris", "queen", 115, "agrees"),
        ("Bombus terrestris", "queen", 190, "disagrees"),
        ("Bombus terrestris", "worker", 165, "says little"),
        ("Bombus lapidarius", "worker", 110, "disagrees"),
        ("Bombus pratorum", "worker", 185, "says little"),
    ],
)
def test_big_queens_and_small_workers_are_told_apart(
    fauna: Fauna, taxon: str, caste: str, f0_hz: float, expected: str
) -> None:
    """Queens sound deeper than workers: the tone falls with size (Casey, May and Morgan 1985)."""
    verdict = judge(fauna, stated_bee(fauna, taxon=taxon, caste=caste), cue(f0_hz), date=JUNE, place=KEW)
    assert verdict.agreement == expected
    assert taxon in verdict.sentence
    assert f"{f0_hz:.0f} Hz" in verdict.sentence
    assert verdict.itd_low_mm < verdict.itd_mm < verdict.itd_high_mm


def test_the_weight_is_the_ratio_of_two_mixtures(fauna: Fauna) -> None:
    """Worked out again with scipy's normal density, over the components of the tone model."""
    tone = cue(150.0)
    stated = stated_bee(fauna, taxon="Bombus hortorum", caste="worker")
    verdict = judge(fauna, stated, tone, date=JUNE, place=KEW, temperature_c=15.0)
    model = line_up(fauna).tone
    warm = model.temperature_sd_hz_per_c * (15.0 - model.reference_temperature_c) / 150.0
    noise = model.within_sd**2 + warm**2 + tone.measurement_sd**2
    sd = np.sqrt(model.own_var + np.where(model.exponent != 0, model.exponent**2 * model.itd_var, 0) + noise)
    density = np.zeros(model.n_candidates)
    np.add.at(density, model.candidate, model.weight * stats.norm.pdf(math.log(150.0), model.mean_ln_hz, sd))
    density[-1] = 1 / math.log(20)  # something else: even from 50 to 1000 Hz
    prior = np.exp(log_prior(line_up(fauna), JUNE, KEW))
    mine, rest = stated.candidates, ~stated.candidates
    expected = math.log2(
        np.average(density[mine], weights=prior[mine]) / np.average(density[rest], weights=prior[rest])
    )
    assert verdict.weight_bits == pytest.approx(expected, abs=1e-6)


def test_the_bits_change_the_odds_as_bits_do(fauna: Fauna) -> None:
    """I. J. Good's weight of evidence: posterior odds = prior odds times two to the weight."""
    stated = stated_bee(fauna, taxon="Bombus terrestris", caste="queen")
    verdict = judge(fauna, stated, cue(120.0), date=JUNE, place=KEW)
    prior = np.exp(log_prior(line_up(fauna), JUNE, KEW))
    posterior = prior * np.exp(tone_terms(line_up(fauna).tone, cue(120.0)).log_likelihood)
    odds = [p[stated.candidates].sum() / p[~stated.candidates].sum() for p in (prior, posterior)]
    assert odds[1] / odds[0] == pytest.approx(2**verdict.weight_bits)


def test_few_right_records_are_called_into_question(fauna: Fauna) -> None:
    """Markov's inequality bounds them by 2**-1.5 (35 %) if the model is right; draws stay far below."""
    rng = np.random.default_rng(5)
    model = line_up(fauna).tone
    for taxon, caste in (("Bombus terrestris", "queen"), ("Bombus pascuorum", "worker")):
        stated = stated_bee(fauna, taxon=taxon, caste=caste)
        i = np.flatnonzero(stated.candidates)[0]
        (row,) = np.flatnonzero(model.candidate == i)
        sd = math.sqrt(
            model.own_var[row] + model.exponent[row] ** 2 * model.itd_var[row] + model.within_sd**2
        )
        tones = np.exp(rng.normal(model.mean_ln_hz[row], sd, 120))
        against = sum(
            judge(fauna, stated, cue(hz), date=JUNE, place=KEW).agreement == "disagrees" for hz in tones
        )
        assert against / 120 <= 2**DISAGREES_BITS
        assert against / 120 < 0.1


def test_the_words_change_where_it_is_said_that_they_do(fauna: Fauna) -> None:
    stated = stated_bee(fauna, taxon="Bombus terrestris", caste="queen")
    seen = set()
    for f0_hz in range(90, 230, 2):
        verdict = judge(fauna, stated, cue(f0_hz), date=JUNE, place=KEW)
        seen.add(verdict.agreement)
        if verdict.agreement == "agrees":
            assert verdict.weight_bits >= AGREES_BITS
        elif verdict.agreement == "disagrees":
            assert verdict.weight_bits <= DISAGREES_BITS
            assert "less likely" in verdict.sentence
        else:
            assert DISAGREES_BITS < verdict.weight_bits < AGREES_BITS
    assert seen == {"agrees", "says little", "disagrees"}


def test_without_a_caste_those_in_season_count(fauna: Fauna) -> None:
    """In March nearly all are queens, so the name alone is as good as name and caste; in July it is not."""
    name = stated_bee(fauna, taxon="Bombus terrestris")
    queen = stated_bee(fauna, taxon="Bombus terrestris", caste="queen")
    march, july = dt.date(2026, 3, 15), dt.date(2026, 7, 15)
    weights = {
        (day, who): judge(fauna, stated, cue(185.0), date=day, place=KEW).weight_bits
        for day in (march, july)
        for who, stated in (("name", name), ("queen", queen))
    }
    assert weights[march, "name"] < -1
    assert weights[july, "name"] > -1
    assert weights[july, "queen"] < -4


@pytest.mark.parametrize(
    ("taxon", "caste", "words"),
    [
        ("Bombus terrestris", "queen", "queens of Bombus terrestris"),
        ("B. terrestris", "worker", "workers of Bombus terrestris"),
        ("buff-tailed bumblebee", "male", "males of Bombus terrestris"),
        ("Bombus terrestris (Linnaeus, 1758)", "queen", "queens of Bombus terrestris"),
        ("Bombus lucorum s.s.", "queen", "queens of Bombus lucorum"),
        ("Bombus lucorum s.l.", "queen", "queens of Bombus lucorum agg."),
        ("Bombus lucorum/terrestris", "worker", "workers of Bombus terrestris/lucorum"),
        ("Bombus lucorum sens. lat.", "queen", "queens of Bombus lucorum agg."),
        ("Bombus terrestris/lucorum agg.", "worker", "workers of Bombus terrestris/lucorum"),
        ("Buff tailed bumble bee", "worker", "workers of Bombus terrestris"),
        ("Tree Bumble Bee", "male", "males of Bombus hypnorum"),
        ("Buff-tailed Bumble-bee", "queen", "queens of Bombus terrestris"),
        ("Common carder bumblebee", "worker", "workers of Bombus pascuorum"),
        ("Bombus agrorum", "worker", "workers of Bombus pascuorum"),
        ("Psithyrus vestalis", "female", "females of Bombus vestalis"),
        ("Bombus (Psithyrus) vestalis", "cuckoo female", "females of Bombus vestalis"),
        ("Vestal cuckoo bumblebee", "male", "males of Bombus vestalis"),
        ("Bombus (Bombus) terrestris", "queen", "queens of Bombus terrestris"),
        ("Bombus cf. terrestris", "queen", "queens of Bombus terrestris"),
        ("Bombus terrestris?", "queen", "queens of Bombus terrestris"),
        ("? Bombus terrestris", "queen", "queens of Bombus terrestris"),
        ("Bombus terrestris audax", "queen", "queens of Bombus terrestris"),
        ("Honeybee", "worker", "workers of Apis mellifera"),
        ("Osmia rufa", "female", "females of Osmia bicornis"),
        ("Volucella zonaria", "female", "females of Volucella zonaria"),
        ("Bumble-bee sp.", "queen", "bumblebee queens"),
        ("Bombus", "queen", "bumblebee queens"),
        ("Bombus sp.", "", "bumblebees"),
        ("bumble bee", "male", "bumblebee males"),
        ("", "worker", "bumblebee workers"),
        ("Bombus vestalis", "queen", "queens of Bombus vestalis"),
        ("Apis mellifera", "worker", "workers of Apis mellifera"),
        ("", "not a bumblebee", "other insects"),
    ],
)
def test_whom_a_name_means(fauna: Fauna, taxon: str, caste: str, words: str) -> None:
    stated = stated_bee(fauna, taxon=taxon, caste=caste)
    assert stated.words == words
    assert stated.candidates.any()
    assert not stated.note


@pytest.mark.parametrize(
    ("taxon", "caste", "note"),
    [
        ("Bombus imaginarius", "female", "is not in the fauna british_isles"),
        ("Psithyrus imaginarius", "", "is not in the fauna british_isles"),
        ("Spotted bumble bee", "queen", "is not in the fauna british_isles"),
        ("cuckoo bumblebee", "female", "may be more than one of the fauna british_isles"),
        ("Bombus vestalis", "worker", "there are no workers of Bombus vestalis"),
        ("Bombus terrestris", "cuckoo female", "there are no cuckoo females of Bombus terrestris"),
        ("Bombus cullumanus", "worker", "no longer found"),
        ("", "", "neither a name nor a caste"),
    ],
)
def test_what_cannot_be_compared_is_said_and_the_size_still_given(
    fauna: Fauna, taxon: str, caste: str, note: str
) -> None:
    stated = stated_bee(fauna, taxon=taxon, caste=caste)
    verdict = judge(fauna, stated, cue(120.0), date=JUNE, place=None)
    assert note in verdict.note
    assert verdict.agreement == ""
    assert math.isnan(verdict.weight_bits)
    assert verdict.itd_mm > 4
    assert verdict.caste


@pytest.mark.parametrize(
    ("taxon", "caste"),
    [
        ("Eristalis tenax", ""),
        ("Apis mellifera", "worker"),
        ("Melitta leporina", "female"),
        ("", "not a bumblebee"),
    ],
)
def test_of_what_is_no_bumblebee_no_size_or_caste_is_given(fauna: Fauna, taxon: str, caste: str) -> None:
    """The pitch of a fly says nothing about its size (the fauna's own tables: no such relation is known)."""
    verdict = judge(fauna, stated_bee(fauna, taxon=taxon, caste=caste), cue(130.0), date=JUNE, place=KEW)
    assert math.isnan(verdict.itd_mm)
    assert math.isnan(verdict.itd_low_mm)
    assert verdict.caste == ""
    assert math.isnan(verdict.caste_probability)


@pytest.mark.parametrize(("taxon", "caste"), [("Apis mellifera", "queen"), ("Volucella zonaria", "worker")])
def test_a_caste_that_the_fauna_lacks_is_not_compared_with_the_others(
    fauna: Fauna, taxon: str, caste: str
) -> None:
    stated = stated_bee(fauna, taxon=taxon, caste=caste)
    verdict = judge(fauna, stated, cue(232.0), date=JUNE, place=KEW)
    assert verdict.agreement == ""
    assert f"has no {caste}s of {taxon}" in verdict.note


@pytest.mark.parametrize(
    ("taxon", "caste", "f0_hz", "day", "agreement", "sounds_like"),
    [
        ("Bombus terrestris", "queen", 190.0, JUNE, "disagrees", "worker"),
        ("Bombus lapidarius", "female", 110.0, dt.date(2026, 7, 15), "disagrees", "male"),
        ("Bombus lapidarius", "worker", 110.0, dt.date(2026, 4, 20), "disagrees", "queen"),
        ("Bombus terrestris", "queen", 115.0, JUNE, "agrees", ""),
        ("Bombus terrestris", "worker", 165.0, JUNE, "says little", ""),
        ("Osmia bicornis", "", 120.0, JUNE, "disagrees", ""),  # of no bumblebee a caste is given
    ],
)
def test_the_caste_it_sounds_like_is_told_where_another_was_stated(
    fauna: Fauna, taxon: str, caste: str, f0_hz: float, day: dt.date, agreement: str, sounds_like: str
) -> None:
    verdict = judge(fauna, stated_bee(fauna, taxon=taxon, caste=caste), cue(f0_hz), date=day, place=KEW)
    assert verdict.agreement == agreement
    assert ("it sounds like" in verdict.sentence) is bool(sounds_like)
    if sounds_like:
        assert verdict.caste == sounds_like
        percent = f"{verdict.caste_probability:.0%}".replace("%", " %").replace("100 %", "over 99 %")
        assert f"it sounds like a {sounds_like} ({percent})" in verdict.sentence


def test_the_caste_is_bayes_rule_over_whom_the_record_may_mean(fauna: Fauna) -> None:
    """Worked out again from prior and likelihood: within the name where one is stated, else over all."""
    lineup = line_up(fauna)
    july = dt.date(2026, 7, 15)
    names = np.array([lineup.taxa[i] for i in lineup.taxon_of])
    castes = np.where(lineup.is_bumblebee, lineup.castes, "not a bumblebee")
    for taxon, meant, f0_hz, expected in (
        ("Bombus lapidarius", names == "Bombus lapidarius", 130.0, "male"),
        ("Bombus", lineup.is_bumblebee, 220.0, "worker"),
        ("", names != "", 130.0, "worker"),
        ("", names != "", 255.0, "not a bumblebee"),
    ):
        verdict = judge(fauna, stated_bee(fauna, taxon=taxon), cue(f0_hz), date=july, place=KEW)
        weight = np.exp(log_prior(lineup, july, KEW) + tone_terms(lineup.tone, cue(f0_hz)).log_likelihood)
        shares = {caste: weight[meant & (castes == caste)].sum() / weight[meant].sum() for caste in castes}
        assert verdict.caste == max(shares, key=lambda caste: shares[caste]) == expected
        assert verdict.caste_probability == pytest.approx(shares[expected])
        assert math.isnan(verdict.itd_mm) == (expected == "not a bumblebee")


def test_a_bumblebee_that_cannot_be_compared_is_still_one(fauna: Fauna) -> None:
    """Its size is told however high it sounds, as that of any bumblebee is."""
    for taxon, caste in (("Bombus imaginarius", ""), ("Bombus vestalis", "worker"), ("Bombus", "")):
        verdict = judge(fauna, stated_bee(fauna, taxon=taxon, caste=caste), cue(255.0), date=JUNE, place=KEW)
        assert verdict.itd_mm < 4
        assert verdict.caste != "not a bumblebee"


def test_a_name_that_nobody_knows_is_not_called_another_insect(fauna: Fauna) -> None:
    stated = stated_bee(fauna, taxon="Melitta leporina", caste="female")
    assert not stated.taxa.any()
    assert "nor is it known to be a bumblebee" in stated.note


def test_without_a_name_a_size_is_given_only_to_what_is_likely_a_bumblebee(fauna: Fauna) -> None:
    nobody = stated_bee(fauna, taxon="")
    assert judge(fauna, nobody, cue(130.0), date=JUNE, place=KEW).itd_mm > 4
    high = judge(fauna, nobody, cue(255.0), date=JUNE, place=KEW)
    assert math.isnan(high.itd_mm)


def test_outside_the_area_of_the_fauna_nothing_is_compared(fauna: Fauna) -> None:
    stated = stated_bee(fauna, taxon="Bombus terrestris", caste="queen")
    sydney = parse_place("-33.87,151.21")
    summer, winter = (
        judge(fauna, stated, cue(130.0), date=dt.date(2025, month, 9), place=sydney) for month in (12, 6)
    )
    assert summer.agreement == ""
    assert "outside the area of the fauna british_isles" in summer.note
    assert summer.itd_mm == winter.itd_mm  # the seasons of the north do not hold there


def test_a_bee_out_of_season_is_said_to_be_so_beside_what_the_sound_says(fauna: Fauna) -> None:
    stated = stated_bee(fauna, taxon="Bombus pascuorum", caste="male")
    early, late = (
        judge(fauna, stated, cue(150.0), date=date, place=KEW)
        for date in (dt.date(2024, 2, 29), dt.date(2024, 9, 9))
    )
    assert "males of Bombus pascuorum are hardly ever met at that time of the year" in early.note
    assert early.agreement
    assert late.note == ""


@pytest.mark.parametrize(
    ("taxon", "caste", "day", "told"),
    [
        ("Bombus pascuorum", "worker", dt.date(2024, 1, 5), True),
        ("Bombus hortorum", "worker", dt.date(2024, 12, 5), True),
        ("Bombus hortorum", "worker", dt.date(2024, 4, 1), True),
        ("Bombus terrestris", "worker", dt.date(2024, 1, 5), False),  # Stelzer et al. 2010, London
        ("Apis mellifera", "worker", dt.date(2024, 1, 5), False),
        ("Apis mellifera", "", None, False),
    ],
)
def test_the_depth_of_winter_is_out_of_season_for_all_but_the_last_that_fly(
    fauna: Fauna, taxon: str, caste: str, day: dt.date | None, told: bool
) -> None:
    stated = stated_bee(fauna, taxon=taxon, caste=caste)
    verdict = judge(fauna, stated, cue(164.0), date=day, place=KEW)
    assert ("hardly ever met" in verdict.note) is told


def test_the_plain_name_counts_where_the_other_is_not_known(fauna: Fauna) -> None:
    stated = stated_bee(fauna, taxon="Bombus imaginarius", vernacular="Tree bumblebee", caste="queen")
    assert stated.words == "queens of Bombus hypnorum"


def test_a_bee_that_is_not_known_from_there_is_judged_all_the_same(fauna: Fauna) -> None:
    """*B. distinguendus* lives in the far north and west only (fauna tables)."""
    stated = stated_bee(fauna, taxon="Bombus distinguendus", caste="queen")
    verdict = judge(fauna, stated, cue(120.0), date=JUNE, place=KEW)
    assert verdict.agreement
    assert "not known from there" in verdict.note
