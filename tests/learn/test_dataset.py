"""Which bout takes which label, and what happens to recordings that cannot be used."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from cli.made_up import bout
from learn.made_up import Population, population
from wingtone.errors import InputError, MissingExtraError, RecordingError
from wingtone.evidence import Likelihood
from wingtone.learn.classifier import BoutClassifier
from wingtone.learn.dataset import Heard, collect, labelled
from wingtone.learn.features import NAMES
from wingtone.learn.labels import Label, read_labels
from wingtone.learn.model import Model, word_of
from wingtone.learn.training import assess, check_extras, train

if TYPE_CHECKING:
    from collections.abc import Callable

A = Path("a.wav")


def takes(bouts: list[tuple[float, float]], *rows: tuple[float, float, str]) -> list[str | None]:
    found = labelled(
        [bout(150.0, start_s=a, end_s=b) for a, b in bouts],
        [Label(A, a, b, caste) for a, b, caste in rows],
        "caste",
    )
    return [None if row is None else row.caste for row in found]


def test_a_bout_takes_the_label_that_covers_it() -> None:
    assert takes([(1, 2), (4, 5)], (0.9, 2.1, "queen"), (3.5, 5.5, "worker")) == ["queen", "worker"]


def test_half_of_the_shorter_is_enough_and_less_is_not() -> None:
    assert takes([(1, 2)], (1.5, 9, "queen")) == ["queen"]
    assert takes([(1, 2)], (1.6, 9, "queen")) == [None]
    assert takes([(1, 9)], (4, 5, "queen")) == ["queen"]
    assert takes([(1, 2)], (2, 3, "queen")) == [None]


def test_two_labels_that_differ_leave_a_bout_out_and_two_that_agree_do_not() -> None:
    assert takes([(0, 4)], (0, 2, "queen"), (2, 4, "worker")) == [None]
    assert takes([(0, 4)], (0, 2, "queen"), (2, 4, "queen")) == ["queen"]


def test_a_label_without_times_takes_all_flight() -> None:
    rows = [Label(A, caste="male")]
    assert labelled([bout(150.0), bout(160.0, start_s=7, end_s=8)], rows, "caste") == [rows[0], rows[0]]


def heard(path: Path) -> Heard:
    """A perfect ear: two bouts in every recording, none in those called empty, and some are broken."""
    if "broken" in path.name:
        raise RecordingError("no sound in it", where=path)
    if "empty" in path.name:
        return Heard((), np.empty((0, len(NAMES))), path.name)
    bouts = (bout(150.0, start_s=1, end_s=2), bout(155.0, start_s=5, end_s=6))
    return Heard(bouts, np.arange(2.0)[:, None] + np.zeros(len(NAMES)), path.name)


def test_recordings_are_collected_and_faults_are_kept_apart(tmp_path: Path) -> None:
    for name in ("a.wav", "b.wav", "broken.wav", "empty.wav", "known.wav"):
        (tmp_path / name).write_bytes(b"")
    (tmp_path / "labels.csv").write_text(
        "file,start_s,end_s,caste,individual,recorder\n"
        "a.wav,1,2,queen,1,P\nb.wav,,,worker,2,p\nbroken.wav,,,worker,3,\nempty.wav,,,worker,4,\n"
        "known.wav,,,worker,5,\n",
        encoding="utf-8",
    )
    told: list[int] = []
    dataset, failed = collect(
        read_labels(tmp_path / "labels.csv"),
        listen=heard,
        progress=lambda _, number: told.append(number),
        leave_out=frozenset({"known.wav"}),
    )
    assert dataset.y.tolist() == ["queen", "worker", "worker"]
    assert dataset.table[:, 0].tolist() == [0.0, 0.0, 1.0]
    assert dataset.group.tolist() == [0, 1, 1]
    assert dataset.surroundings["recorder"].tolist() == ["p", "p", "p"]
    assert dataset.recordings == ("a.wav", "b.wav")
    assert len(dataset.individuals) == 2
    assert [str(error.where) for error in failed] == [str(tmp_path / "broken.wav")]
    assert told == [0, 1, 2, 3, 4]
    assert dataset.notes == (
        "left out: 1 recording that the model was trained on",
        "in 1 recording no flight bout took a label",
        "1 flight bout took no label: none there, or two that differ",
    )


def test_stretches_behind_the_end_of_their_recording_are_named(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(b"")
    (tmp_path / "labels.csv").write_text(
        "file,start_s,end_s,caste\na.wav,1,2,queen\na.wav,5000,6000,queen\na.wav,7000,8000,queen\n",
        encoding="utf-8",
    )
    dataset, _ = collect(
        read_labels(tmp_path / "labels.csv"), listen=lambda path: replace(heard(path), duration_s=9.0)
    )
    assert dataset.notes[0].startswith("lines 3, 4: the stretch begins behind the end of its recording")


def all_alike_but(name: str) -> Callable[[Path], Heard]:
    """Hear recordings of which all but one hold the same."""

    def hear(path: Path) -> Heard:
        told = heard(path)
        return told if path.name == name else Heard(told.flight, told.table, "sum")

    return hear


def test_copies_of_a_recording_are_heard_once_and_never_parted(tmp_path: Path) -> None:
    for name in ("a.wav", "copy.wav", "part.wav", "b.wav"):
        (tmp_path / name).write_bytes(b"")
    (tmp_path / "labels.csv").write_text(
        "file,start_s,end_s,caste,individual\n"
        "b.wav,,,worker,1\na.wav,,,queen,2\ncopy.wav,,,queen,2\npart.wav,4,7,worker,3\n",
        encoding="utf-8",
    )
    dataset, _ = collect(read_labels(tmp_path / "labels.csv"), listen=all_alike_but("b.wav"))
    # The first bout of the copies is a queen by each, the second a worker by one: that cannot be.
    assert dataset.y.tolist() == ["worker", "worker", "queen"]
    assert dataset.group.tolist() == [0, 0, 1]
    assert dataset.recordings == ("b.wav", "sum")
    assert dataset.notes == (
        "counted once: 2 recordings that the table has under another name too",
        "1 flight bout took no label: none there, or two that differ",
    )


def test_copies_under_two_individuals_are_of_one_group(tmp_path: Path) -> None:
    for name in ("a.wav", "b.wav", "c.wav"):
        (tmp_path / name).write_bytes(b"")
    (tmp_path / "labels.csv").write_text(
        "file,start_s,end_s,caste,individual\na.wav,0,3,queen,1\nb.wav,4,7,queen,2\nc.wav,,,queen,2\n",
        encoding="utf-8",
    )
    dataset, _ = collect(read_labels(tmp_path / "labels.csv"), listen=all_alike_but("c.wav"))
    assert dataset.group.tolist() == [0, 0, 0, 0]


def test_nothing_to_learn_from_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "empty.wav").write_bytes(b"")
    (tmp_path / "labels.csv").write_text("file,caste\nempty.wav,queen\n", encoding="utf-8")
    with pytest.raises(InputError, match="no labelled flight bout is left"):
        collect(read_labels(tmp_path / "labels.csv"), listen=heard)


# --- a model's word ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def bees() -> Population:
    return population(31, animals=60, clips=3)


@pytest.fixture(scope="module")
def model(bees: Population) -> Model:
    return train(bees.dataset(), kind="discriminant", name="garden")


def one_bee(bees: Population, animal: int) -> Heard:
    rows = bees.table[bees.animal == animal]
    return Heard(tuple(bout(150.0, start_s=2 * i, end_s=2 * i + 1) for i in range(len(rows))), rows)


def test_a_models_word_is_a_likelihood_with_the_prior_taken_away(bees: Population, model: Model) -> None:
    word = word_of(model, one_bee(bees, 0))
    assert isinstance(word.likelihood, Likelihood)
    assert word.likelihood.classes == ("queen", "worker")
    rows = bees.table[bees.animal == 0]
    each = model.numbers.log_posterior(rows) - np.log(model.numbers.prior)
    expected = each.mean(axis=0)
    got = word.likelihood.log_likelihood
    assert got[1] - got[0] == pytest.approx(expected[1] - expected[0])
    assert max(got) == 0.0


def test_many_bouts_of_one_bee_are_no_more_evidence_than_one(bees: Population, model: Model) -> None:
    one = one_bee(bees, 0)
    many = Heard(one.flight * 5, np.tile(one.table, (5, 1)))
    first, second = word_of(model, one).likelihood, word_of(model, many).likelihood
    assert first is not None
    assert second is not None
    assert first.log_likelihood == pytest.approx(second.log_likelihood)


def test_bouts_unlike_the_training_fall_back_to_the_built_in_cue(bees: Population, model: Model) -> None:
    far = one_bee(bees, 0)
    wild = Heard(far.flight, far.table + 100.0)
    word = word_of(model, wild)
    assert word.likelihood is None
    assert word.warnings[0][1].endswith(": the built-in cue was used instead.")
    mixed = word_of(model, Heard(far.flight, np.concatenate([far.table[:2], wild.table[2:]])))
    assert mixed.likelihood is not None
    assert mixed.n_out_of_range == 1
    assert mixed.warnings[0][0] == "out of range"
    assert mixed.warnings[0][1].endswith(
        " bouts are unlike anything the model was trained on and were left out of its judgement."
    )
    silent = word_of(model, Heard((), np.empty((0, len(NAMES)))))
    assert silent.likelihood is None
    assert silent.warnings == ()


def test_names_that_the_training_has_too_are_told(bees: Population) -> None:
    known = train(bees.dataset(individuals=("a" * 16, "b" * 16)), kind="discriminant")
    others = population(32, animals=40, clips=1)
    shared = dict(assess(known, others.dataset(individuals=("b" * 16, "c" * 16))).warnings)
    assert "the names of 1 individual too" in shared["individuals shared"]
    assert "individuals shared" not in dict(assess(known, others.dataset()).warnings)


def test_a_missing_part_is_told_before_anything_is_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    import importlib.util

    check_extras("forest")
    there = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None if name == "skops" else there(name))
    check_extras("logistic")
    with pytest.raises(MissingExtraError, match="skops"):
        check_extras("forest")


def test_a_trained_model_is_the_estimator_fitted_on_everything(bees: Population, model: Model) -> None:
    fitted = BoutClassifier("discriminant").fit(bees.table, bees.caste, groups=bees.animal)
    assert np.exp(model.numbers.log_posterior(bees.table)) == pytest.approx(fitted.predict_proba(bees.table))
    assert model.training["n_bouts"] == 180
    assert model.training["grouped_by"] == "individual"
