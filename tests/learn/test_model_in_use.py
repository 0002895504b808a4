"""A model's word in an identification: bee by bee, and among taxa."""

from __future__ import annotations

import datetime
import math
from typing import TYPE_CHECKING

import numpy as np
import pytest

from cli.made_up import bout, tone_of
from learn.made_up import Population, population
from wingtone.audio.encode import write_encoded
from wingtone.clip import identify_measurement, measure_recording
from wingtone.errors import InputError, RequestError
from wingtone.evidence import Likelihood, ToneCue, identify
from wingtone.evidence.case import Case, log_likelihood, posterior
from wingtone.evidence.lineup import line_up
from wingtone.evidence.prior import log_prior
from wingtone.fauna import load
from wingtone.learn import dataset as dataset_room
from wingtone.learn.dataset import Heard
from wingtone.learn.model import Model, check_usable, model_words, word_of
from wingtone.learn.model_file import load_model
from wingtone.learn.training import assess, train
from wingtone.notebook.places import parse_place
from wingtone.simulate import make_scene

if TYPE_CHECKING:
    from pathlib import Path

    from wingtone.evidence import Answer
    from wingtone.tone.results import Bout, ToneResult

FAUNA = load()
LINEUP = line_up(FAUNA)
DAY = datetime.date(2026, 6, 15)
TONE = ToneCue(150.0, 149.0, 151.0)


@pytest.fixture(scope="module")
def bees() -> Population:
    return population(31, animals=60, clips=3)


@pytest.fixture(scope="module")
def model(bees: Population) -> Model:
    return train(bees.dataset(), kind="discriminant", name="garden")


def taxon_model(bees: Population, first: str, second: str) -> Model:
    names = np.where(bees.caste == 0, first, second)
    return train(bees.dataset(target="taxon", y=names), kind="discriminant", name="species")


# --- several bees -----------------------------------------------------------------------------------


def test_each_bee_of_a_recording_gets_its_own_word(tmp_path: Path) -> None:
    """A big bee and then a small one, well apart in time and tone, whole way; truth by the simulator."""
    parts = [
        make_scene(3, condition="hover", snr_db=20.0, duration_s=4.0, f0_hz=hz).samples
        for hz in (105.0, 170.0)
    ]
    path = tmp_path / "two.wav"
    write_encoded(path, np.concatenate(parts, axis=1), rate_hz=16_000)
    answers = identify_measurement(
        measure_recording(path), fauna=FAUNA, date=DAY, hints={}, model=load_model("demonstration")
    )
    assert len(answers) == 2
    said = [next(e.summary for e in answer.evidence if e.kind == "model") for answer in answers]
    assert "hears a queen" in said[0]
    assert "hears a worker" in said[1]


def heard_as(bees: Population, monkeypatch: pytest.MonkeyPatch, *bouts: Bout) -> ToneResult:
    """Let the flights of a recording be described by the first bouts of a queen."""
    tone = tone_of(*bouts)
    flights = tuple(one for one in bouts if one.kind == "flight")
    heard = Heard(flights, bees.table[bees.caste == 0][: len(flights)])
    monkeypatch.setattr(dataset_room, "hear", lambda path, **_: heard)
    return tone


def test_flights_during_which_another_bee_is_heard_are_left_out(
    bees: Population, model: Model, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, both = bout(140.0, end_s=1.0), bout(141.0, start_s=2.0, end_s=4.0)
    other = bout(190.0, start_s=2.1, end_s=3.9)
    tone = heard_as(bees, monkeypatch, first, both, other)
    one, two = model_words(model, "unheard.wav", tone, bees=[(first, both), (other,)])
    assert (one.n_bouts, one.n_overlapped) == (2, 1)
    alone = word_of(model, Heard((first,), bees.table[bees.caste == 0][:1])).likelihood
    assert one.likelihood == alone
    assert one.warnings == ()
    assert two.likelihood is None
    assert two.warnings[0][0] == "model not used"


def test_touching_flights_and_other_buzzes_do_not_count_as_two_at_once(
    bees: Population, model: Model, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, shaking = bout(140.0, end_s=2.0), bout(300.0, start_s=0.5, end_s=1.5, kind="sonication")
    other = bout(190.0, start_s=1.9, end_s=4.0)
    tone = heard_as(bees, monkeypatch, first, shaking, other)
    words = model_words(model, "unheard.wav", tone, bees=[(first,), (other, shaking)])
    assert [word.n_overlapped for word in words] == [0, 0]
    assert all(word.likelihood is not None for word in words)


# --- taxa -------------------------------------------------------------------------------------------


def test_classes_of_taxa_are_found_in_the_fauna_by_any_name(bees: Population) -> None:
    found = check_usable(taxon_model(bees, "buff-tailed bumblebee", "Apis mellifera"), fauna=FAUNA)
    assert found == (("Apis mellifera",), ("Bombus terrestris",))
    aggregate = FAUNA.aggregates[0]
    found = check_usable(taxon_model(bees, aggregate.aggregate, "Apis mellifera"), fauna=FAUNA)
    assert aggregate.members in found


def test_what_is_no_taxon_or_is_named_twice_is_refused(bees: Population) -> None:
    with pytest.raises(RequestError, match="only castes can enter here"):
        check_usable(taxon_model(bees, "Bombus terrestris", "Apis mellifera"))
    with pytest.raises(RequestError, match="tells bees from a box, but"):
        check_usable(taxon_model(bees, "bees from a box", "Apis mellifera"), fauna=FAUNA)
    with pytest.raises(RequestError, match="stand for Apis mellifera"):
        check_usable(taxon_model(bees, "Honey bee", "Apis mellifera"), fauna=FAUNA)
    taxa = taxon_model(bees, "Bombus terrestris", "Apis mellifera")
    assert "built-in cue" not in taxa.assessment.baselines
    with pytest.raises(InputError, match="the model tells the taxon"):
        assess(taxa, bees.dataset())


@pytest.mark.parametrize("tone", [TONE, None])
@pytest.mark.parametrize("date", [DAY, None, datetime.date(2026, 1, 10)])
def test_a_likelihood_over_taxa_worked_out_entry_by_entry(
    tone: ToneCue | None, date: datetime.date | None
) -> None:
    """The slow, obvious way: enumerate candidates, and apply the rule of probability as it is stated."""
    taxa, values = ("Bombus terrestris", "Bombus lapidarius", "Apis mellifera"), (0.0, -1.5, -4.0)
    said = Likelihood(("a", "b", "c"), values, "m", tuple((name,) for name in taxa))
    case = Case(date=date, tone=tone)
    built_in = posterior(LINEUP, case)
    prior = np.exp(log_prior(LINEUP, date, None))
    weight = built_in.copy()
    names = [LINEUP.taxa[i] for i in LINEUP.taxon_of]
    kept = sum(built_in[i] for i, name in enumerate(names) if name in taxa)
    share = {
        name: math.exp(value) * sum(prior[i] for i, other in enumerate(names) if other == name)
        for name, value in zip(taxa, values, strict=True)
    }
    for name in taxa:
        own = [i for i, other in enumerate(names) if other == name]
        before = sum(built_in[i] for i in own)
        for i in own:
            weight[i] = kept * share[name] / sum(share.values()) * (built_in[i] / before if before else 0.0)
    found = posterior(LINEUP, Case(date=date, tone=tone, model=said))
    assert found == pytest.approx(weight, rel=1e-9, abs=1e-12)


def test_a_taxon_never_met_there_keeps_a_finite_likelihood() -> None:
    """*Bombus ruderatus* is not known from Ireland (the fauna's own table)."""
    middle_of_ireland = parse_place("53.3,-7.5")
    prior = log_prior(LINEUP, DAY, middle_of_ireland)
    assert np.isinf(prior[LINEUP.taxon_of == LINEUP.taxa.index("Bombus ruderatus")]).all()
    for taxa in ((("Bombus ruderatus",),), (("Bombus ruderatus",), ("Apis mellifera",))):
        said = Likelihood(("x", "y")[: len(taxa)], (0.0, -1.0)[: len(taxa)], "m", taxa)
        case = Case(date=DAY, place=middle_of_ireland, tone=TONE, model=said)
        assert np.isfinite(log_likelihood(LINEUP, case)).all()
        assert posterior(LINEUP, case).sum() == pytest.approx(1.0)


def test_a_model_of_taxa_says_the_taxon_and_leaves_the_castes_to_the_tone() -> None:
    said = Likelihood(
        ("red tails", "hive bees"), (0.0, -3.0), "m", (("Bombus lapidarius",), ("Apis mellifera",))
    )
    deep = ToneCue(118.0, 117.0, 119.0)
    with_model = identify(fauna=FAUNA, tone=deep, date=DAY, model=said)
    without = identify(fauna=FAUNA, tone=deep, date=DAY)

    def castes(answer: Answer, taxon: str) -> list[float]:
        rows = [c for c in answer.candidates if c.taxon == taxon]
        total = sum(c.probability for c in rows)
        return [c.probability / total for c in sorted(rows, key=lambda c: c.caste)]

    for taxon in ("Bombus lapidarius", "Bombus terrestris"):
        assert castes(with_model, taxon) == pytest.approx(castes(without, taxon))
    (piece,) = [e for e in with_model.evidence if e.kind == "model"]
    assert piece.summary.startswith("The trained model m hears red tails (95 %")


@pytest.mark.parametrize("taxa", [(("Bombus terrestris",),), ((), ("Apis mellifera",))])
def test_a_likelihood_needs_a_taxon_for_each_class(taxa: tuple[tuple[str, ...], ...]) -> None:
    with pytest.raises(ValueError, match="needs the taxa"):
        Likelihood(("a", "b"), (0.0, -1.0), "m", taxa)
