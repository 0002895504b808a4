"""The assessment does not fool its user: against a known limit, against leakage, against too little."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import numpy as np
import pytest
from matplotlib.text import Text

from learn.made_up import Population, population
from wingtone.errors import InputError
from wingtone.fauna import load
from wingtone.figures import assessment as figure_of_assessment
from wingtone.learn import scores
from wingtone.learn.assessment import LEAST_GROUPS, cross_validate, judge, refuse_too_little
from wingtone.learn.baselines import published_cue
from wingtone.learn.classifier import BoutClassifier
from wingtone.learn.features import FAMILIES

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.figure import Figure

CLASSES = ("queen", "worker")

QUICK = BoutClassifier("discriminant")


@pytest.fixture(scope="module")
def bees() -> Population:
    return population(11)


def test_the_grouped_score_is_near_the_bayes_limit(bees: Population) -> None:
    """One population, and one kind; `tests/benchmarks/learn_population.py` repeats it on many."""
    assessment = cross_validate(BoutClassifier(families=FAMILIES), bees.dataset())
    score = assessment.measures["balanced_accuracy"]
    reached = scores.balanced_accuracy(scores.confusion(bees.caste, bees.bayes_calls, 2))
    # Three standard errors of a share of 0.88 among 60 animals. What is learnt is compared on the same bees.
    assert reached == pytest.approx(bees.bayes_accuracy, abs=0.125)
    assert score.value == pytest.approx(reached, abs=0.045)
    assert score.low < reached < score.high
    by_chance = assessment.measures["calibration_error_by_chance"]
    assert 0.0 < assessment.measures["calibration_error"].value < by_chance.high < 0.2
    assert "probabilities doubtful" not in dict(assessment.warnings)
    assert assessment.baselines["commonest class"] == scores.Interval(
        0.5, 0.5, 0.5
    )  # nothing is left to chance
    assert np.sum(assessment.confusion) == assessment.n_bouts == 480
    assert assessment.importance[0][0] == "ln_f0"
    assert [n for n, *_ in assessment.learning_curve] == [12, 24, 36, 48]
    assert assessment.out_of_range < 0.06


def test_labels_shuffled_by_animal_are_seen_through(bees: Population) -> None:
    rng = np.random.default_rng(3)
    labels = rng.permutation(np.arange(60) % 2)[bees.animal]
    shuffled = dataclasses.replace(bees, caste=labels)
    assessment = cross_validate(QUICK, shuffled.dataset())
    score = assessment.measures["balanced_accuracy"]
    assert score.low < 0.5 < score.high
    assert assessment.ungrouped is not None
    assert assessment.ungrouped.low > 0.5
    assert "leakage" in dict(assessment.warnings)


def test_no_word_of_the_figure_is_cut_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[Figure] = []
    monkeypatch.setattr(figure_of_assessment, "save_figure", lambda figure, _: drawn.append(figure))
    assessment = cross_validate(QUICK, population(11, animals=20, clips=2).dataset())
    figure_of_assessment.draw_assessment(assessment, CLASSES, title="garden", out=tmp_path / "bees.png")
    (figure,) = drawn
    figure.draw_without_rendering()
    labels = [text for axes in figure.axes for text in (axes.title, axes.xaxis.label, axes.yaxis.label)]
    sheet = figure.bbox
    for label in filter(Text.get_text, labels):
        box = label.get_window_extent()
        assert sheet.x0 <= box.x0 <= box.x1 <= sheet.x1, label
        assert sheet.y0 <= box.y0 <= box.y1 <= sheet.y1, label


def test_long_names_stand_under_their_own_columns(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    drawn: list[Figure] = []
    monkeypatch.setattr(figure_of_assessment, "save_figure", lambda figure, _: drawn.append(figure))
    few = cross_validate(QUICK, population(11, animals=10, clips=2).dataset())
    names = ("Bombus terrestris/lucorum, as written", "Bombus $x_{$ lapidarius")  # no formula for matplotlib
    for assessment in (few, dataclasses.replace(few, learning_curve=())):
        figure_of_assessment.draw_assessment(assessment, names, title="$_{$", out=tmp_path / "x.png")
    figure, without_curve = drawn
    figure.draw_without_rendering()
    table = figure.axes[1]
    width = table.transData.transform((1, 0))[0] - table.transData.transform((0, 0))[0]
    for place, label in enumerate(table.get_xticklabels()):
        assert label.get_text() == names[place]
        end = label.get_window_extent().x1
        assert end == pytest.approx(table.transData.transform((place, 0))[0], abs=width / 4)
    assert [axes.axison for axes in without_curve.axes] == [True, True, True, False]


def test_no_point_of_the_learning_curve_stands_there_twice() -> None:
    """Of four animals a class a quarter and half are both two, as fewer tell nothing."""
    curve = cross_validate(QUICK, population(11, animals=10, clips=2).dataset()).learning_curve
    assert [n for n, *_ in curve] == [4, 6, 8]


def test_animals_that_are_all_recorded_once_leak_nothing() -> None:
    assessment = cross_validate(QUICK, population(12, animals=120, clips=1).dataset())
    assert "leakage" not in dict(assessment.warnings)


def test_a_recorder_that_predicts_the_caste_is_told(bees: Population) -> None:
    told = np.where(bees.caste == 0, "phone a", "phone b")
    dataset = bees.dataset(surroundings={"recorder": told, "site": np.full(480, "park")})
    assert "recorder predicts the class" in dict(cross_validate(QUICK, dataset).warnings)
    mixed = dict(cross_validate(QUICK, bees.dataset()).warnings)
    assert "recorder predicts the class" not in mixed
    assert "site predicts the class" not in mixed


def test_missing_individuals_and_few_groups_are_told() -> None:
    small = population(13, animals=16, clips=3)
    warnings = dict(cross_validate(QUICK, small.dataset(grouped_by="file")).warnings)
    assert "individuals not named" in warnings
    assert "queen rests on only 8 recordings" in " ".join(
        text for code, text in cross_validate(QUICK, small.dataset(grouped_by="file")).warnings
    )


def test_too_little_is_refused_with_the_reason() -> None:
    few = population(14, animals=2 * LEAST_GROUPS - 2, clips=10)
    with pytest.raises(InputError, match=r"at least 5 different individual animals \(queen: 4, worker: 4\)"):
        refuse_too_little(few.dataset())
    with pytest.raises(InputError, match="all bouts are queen"):
        refuse_too_little(few.dataset(y=np.full(len(few.caste), "queen")))
    refuse_too_little(population(14, animals=2 * LEAST_GROUPS, clips=1).dataset())


def test_a_kept_model_is_calibrated_where_it_was_trained_and_not_elsewhere() -> None:
    known = population(17, animals=240, clips=2)
    fitted = BoutClassifier(families=FAMILIES).fit(known.table, known.caste, groups=known.animal)
    classes = ("queen", "worker")
    others = population(15, animals=1500, clips=1)
    fair = judge(fitted.numbers_, others.dataset(), classes, published=None)
    assert fair.measures["calibration_error"].value < 0.06
    assert "not calibrated" not in dict(fair.warnings)
    assert fair.out_of_range < 0.06
    # Bees that differ less than those it knows: it is too sure of itself, and this is told.
    alike = population(16, animals=300, clips=1, tone=0.8)
    wrong = judge(fitted.numbers_, alike.dataset(), classes, published=None)
    assert wrong.temperature is not None
    assert wrong.temperature.low > 1.0
    assert "not calibrated" in dict(wrong.warnings)
    far = dataclasses.replace(others, table=others.table + 200.0)
    assert judge(fitted.numbers_, far.dataset(), classes, published=None).out_of_range == 1.0


def test_judging_needs_known_classes_and_enough(bees: Population) -> None:
    fitted = QUICK.fit(bees.table, bees.caste)
    few = population(1, animals=4, clips=2)
    for dataset, classes, what in (
        (bees.dataset(), ("queen", "male"), "does not know worker"),
        (few.dataset(), ("queen", "worker"), "too little to judge by: queen"),
        (few.dataset(y=np.full(8, "queen")), ("queen", "worker"), "all bouts are of one class"),
    ):
        with pytest.raises(InputError, match=what):
            judge(fitted.numbers_, dataset, classes, published=None)


def test_the_published_cue_calls_deep_tones_queens() -> None:
    cue = published_cue(np.array([115.0, 190.0]), ("queen", "worker"), fauna=load())
    assert cue is not None
    assert cue.argmax(axis=1).tolist() == [0, 1]
    assert published_cue(np.array([115.0]), ("Bombus", "Apis"), fauna=load()) is None


def test_the_published_cue_is_what_identify_says(bees: Population) -> None:
    """Between grid points too, against `identify` itself with even odds taken out."""
    from wingtone.evidence import ToneCue, identify

    fauna = load()
    without = {share.caste: share.probability for share in identify(fauna=fauna).castes}
    for f0_hz in (121.7, 163.3):
        tone = ToneCue(f0_hz, f0_hz * 0.99, f0_hz * 1.01, 1, 1.0)
        answer = {share.caste: share.probability for share in identify(fauna=fauna, tone=tone).castes}
        expected = np.log(answer["queen"] / without["queen"]) - np.log(answer["worker"] / without["worker"])
        cue = published_cue(np.array([f0_hz]), ("queen", "worker"), fauna=fauna)
        assert cue is not None
        assert cue[0, 0] - cue[0, 1] == pytest.approx(expected, abs=0.02)
