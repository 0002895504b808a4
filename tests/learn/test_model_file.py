"""The model file: comes back as it was, and a damaged, foreign or hostile one is refused and runs nothing."""

from __future__ import annotations

import dataclasses
import io
import json
import pickle
import random
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from fuzz.archives import header_mutated, rewritten
from fuzz.torn import torn
from learn.made_up import population
from wingtone.errors import InputError, OutputError
from wingtone.learn import classifier, model_file
from wingtone.learn.model_file import load_model, save_model, shipped_model
from wingtone.learn.training import DEMONSTRATION_NOTICE, train

if TYPE_CHECKING:
    from wingtone.learn.model import Model

BEES = population(21, animals=24, clips=3)


@pytest.fixture(scope="module")
def model() -> Model:
    return train(
        BEES.dataset(recordings=("ab" * 32,)), kind="discriminant", name="garden", card={"title": "T"}
    )


@pytest.fixture(scope="module")
def file(model: Model, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("models") / "garden.wingtone"
    save_model(model, path)
    return path


def alike(one: Model, other: Model) -> bool:
    """Whether two models say the same of every bout."""
    table = np.concatenate([BEES.table, np.full((1, BEES.table.shape[1]), np.nan)])
    return (
        one.classes == other.classes
        and np.array_equal(one.numbers.log_likelihood(table), other.numbers.log_likelihood(table))
        and np.array_equal(one.numbers.in_range(table), other.numbers.in_range(table))
    )


def test_a_model_comes_back_as_it_was(model: Model, file: Path) -> None:
    back = load_model(file)
    assert alike(model, back)
    assert back.name == "garden"
    assert back.card == {"title": "T"}
    assert back.training["recordings_sha256"] == ("ab" * 32,)
    assert back.training["individuals_sha256"] == ()
    assert back.assessment.to_json() == model.assessment.to_json()


def test_the_same_model_gives_the_same_bytes(model: Model, file: Path, tmp_path: Path) -> None:
    again = train(
        BEES.dataset(recordings=("ab" * 32,)), kind="discriminant", name="garden", card={"title": "T"}
    )
    save_model(again, tmp_path / "again.wingtone")
    assert (tmp_path / "again.wingtone").read_bytes() == file.read_bytes()
    save_model(load_model(file), tmp_path / "copy.wingtone")
    assert (tmp_path / "copy.wingtone").read_bytes() == file.read_bytes()


def of_trees(model: Model, kind: str, monkeypatch: pytest.MonkeyPatch) -> Model:
    """The model with a few trees in place of its plane."""
    monkeypatch.setattr(classifier, "N_TREES", 5)
    monkeypatch.setattr(classifier, "N_ROUNDS", 5)
    fitted = classifier.BoutClassifier(kind).fit(BEES.table, BEES.caste, groups=BEES.animal)
    return dataclasses.replace(model, numbers=fitted.numbers_)


@pytest.mark.parametrize("kind", ["forest", "boosting"])
def test_trees_come_back_as_they_were(
    kind: str, model: Model, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    trees = of_trees(model, kind, monkeypatch)
    save_model(trees, tmp_path / "trees.wingtone")
    assert alike(trees, load_model(tmp_path / "trees.wingtone"))


def test_a_header_can_be_read_with_any_tool(file: Path) -> None:
    with zipfile.ZipFile(file) as archive:
        header = json.loads(archive.read("header.json"))
        arrays = {
            name: np.load(io.BytesIO(archive.read(name))) for name in archive.namelist() if "npy" in name
        }
    assert header["schema"] == "wingtone/model/1"
    assert arrays["coefficients.npy"].shape == (2, len(header["features"]))


def test_nothing_is_written_where_it_cannot_be(model: Model, tmp_path: Path) -> None:
    with pytest.raises(OutputError):
        save_model(model, tmp_path / "none" / "model.wingtone")


# --- hostile files ----------------------------------------------------------------------------------


def refused_or(path: Path, data: bytes) -> Model | None:
    path.write_bytes(data)
    try:
        return load_model(path)
    except InputError:
        return None


def test_mutated_files_are_refused_or_the_same(model: Model, file: Path, tmp_path: Path) -> None:
    """Sixty of them; `tests/benchmarks/learn_hostile.py` does five hundred and watches the memory."""
    rng, data = random.Random(1), file.read_bytes()
    refused = 0
    for _ in range(60):
        found = refused_or(tmp_path / "m.wingtone", torn(data, rng))
        refused += found is None
        assert found is None or alike(found, model)
    assert refused > 40


def test_a_well_packed_header_with_nonsense_is_refused_or_still_a_model(file: Path, tmp_path: Path) -> None:
    rng, data = random.Random(2), file.read_bytes()
    refused = 0
    for _ in range(60):
        found = refused_or(tmp_path / "m.wingtone", header_mutated(data, rng))
        refused += found is None
        if found is not None:
            probability = np.exp(found.numbers.log_posterior(BEES.table))
            assert probability.sum(axis=1) == pytest.approx(1.0)
    assert refused > 20


class Bomb:
    """Unpickling this would run a command."""

    def __reduce__(self) -> tuple[Any, ...]:
        return Path.touch, (Path("run-by-a-model"),)


def test_pickles_are_not_run(file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    hidden = io.BytesIO()
    np.save(hidden, np.array([Bomb()], dtype=object), allow_pickle=True)

    def plant(members: dict[str, bytes]) -> None:
        members["centre.npy"] = hidden.getvalue()
        header = json.loads(members.pop("header.json"))
        header["sha256"] = model_file._checksum(header, members)
        members["header.json"] = json.dumps(header).encode()

    for data in (pickle.dumps(Bomb()), rewritten(file.read_bytes(), plant)):
        assert refused_or(tmp_path / "m.wingtone", data) is None
    assert not (tmp_path / "run-by-a-model").exists()


def test_an_array_that_claims_to_be_huge_asks_for_no_memory(file: Path, tmp_path: Path) -> None:
    huge = io.BytesIO()
    np.lib.format.write_array_header_1_0(huge, {"descr": "<f8", "fortran_order": False, "shape": (10**12,)})

    def plant(members: dict[str, bytes]) -> None:
        members["centre.npy"] = huge.getvalue()
        header = json.loads(members.pop("header.json"))
        header["sha256"] = model_file._checksum(header, members)
        members["header.json"] = json.dumps(header).encode()

    assert refused_or(tmp_path / "m.wingtone", rewritten(file.read_bytes(), plant)) is None


def test_packed_members_are_refused_before_they_unpack(file: Path, tmp_path: Path) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("header.json", b"\0" * 50_000_000)
    assert len(out.getvalue()) < 100_000
    (tmp_path / "m.wingtone").write_bytes(out.getvalue())
    with pytest.raises(InputError, match="its parts are packed"):
        load_model(tmp_path / "m.wingtone")


def test_trees_with_a_foreign_type_are_refused(
    model: Model, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from sklearn.preprocessing import FunctionTransformer

    path = tmp_path / "m.wingtone"
    save_model(of_trees(model, "forest", monkeypatch), path)
    data = path.read_bytes()
    for evil in (FunctionTransformer(eval), FunctionTransformer(), Path("x").touch):

        def plant(members: dict[str, bytes], evil: object = evil) -> None:
            members["forest.skops"] = model_file._skops().dumps(evil)
            header = json.loads(members.pop("header.json"))
            header["sha256"] = model_file._checksum(header, members)
            members["header.json"] = json.dumps(header).encode()

        assert refused_or(path, rewritten(data, plant)) is None


@pytest.mark.parametrize(
    ("data", "what"),
    [
        (b"", "not an archive"),
        (b"RIFF0000WAVE", "not an archive"),
        (b"PK\x05\x06" + b"\0" * 18, "has not the parts"),
    ],
)
def test_foreign_files_say_what_they_are_not(data: bytes, what: str, tmp_path: Path) -> None:
    (tmp_path / "m.wingtone").write_bytes(data)
    with pytest.raises(InputError, match=what):
        load_model(tmp_path / "m.wingtone")


def test_a_folder_and_nothing_are_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="it is a folder"):
        load_model(tmp_path)
    with pytest.raises(InputError, match="there is no such file"):
        load_model(tmp_path / "none.wingtone")


def test_another_schema_or_other_features_are_told(file: Path, tmp_path: Path) -> None:
    for key, value, what in (
        ("schema", "wingtone/model/9", "this program reads wingtone/model/1"),
        ("features_version", 99, "other features than this program has"),
    ):

        def change(members: dict[str, bytes], key: str = key, value: object = value) -> None:
            header = json.loads(members.pop("header.json"))
            header[key] = value
            header["sha256"] = model_file._checksum(header, members)
            members["header.json"] = json.dumps(header).encode()

        (tmp_path / "m.wingtone").write_bytes(rewritten(file.read_bytes(), change))
        with pytest.raises(InputError, match=what):
            load_model(tmp_path / "m.wingtone")


def test_the_shipped_model_says_that_it_is_synthetic() -> None:
    shipped = load_model("demonstration")
    assert shipped_model().name == "demonstration.wingtone"
    assert shipped.notice == DEMONSTRATION_NOTICE
    assert DEMONSTRATION_NOTICE in shipped.card["text"]
    assert shipped.target == "caste"
    assert shipped.assessment.grouped_by == "individual"
