"""``wingtone train`` and ``wingtone assess``, from recordings to figures."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pytest

from wingtone.audio.encode import write_encoded
from wingtone.cli.assess_command import assess
from wingtone.cli.train_command import train
from wingtone.errors import InputError, OutputError, TableError
from wingtone.learn.labels import Label, write_labels
from wingtone.simulate import make_scene

if TYPE_CHECKING:
    from pathlib import Path

    from click.testing import CliRunner

TONES_HZ = {"queen": 122.0, "worker": 178.0}


def draw(folder: Path, *, animals: int, seed: int) -> Path:
    """Made-up clips of queens and workers, half of each, one clip an animal, and their labels."""
    rng = np.random.default_rng(seed)
    rows = []
    for n in range(animals):
        caste = ("queen", "worker")[n % 2]
        tone = float(TONES_HZ[caste] * np.exp(0.06 * rng.standard_normal()))
        clip = make_scene(
            int(rng.integers(2**31)), condition="hover", snr_db=18.0, duration_s=2.5, f0_hz=tone
        )
        file = folder / f"{seed}-{n:02d}.wav"
        write_encoded(file, clip.samples, rate_hz=clip.rate_hz)
        rows.append(Label(file, caste=caste, individual=f"{seed}-{n}", recorder="simulator"))
    write_labels(folder / "labels.csv", rows)
    return folder / "labels.csv"


@pytest.fixture(scope="module")
def labels(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return draw(tmp_path_factory.mktemp("train"), animals=20, seed=1)


@pytest.fixture(scope="module")
def others(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return draw(tmp_path_factory.mktemp("others"), animals=8, seed=2)


def test_the_whole_way_from_recordings_to_a_model_and_its_figures(
    labels: Path, others: Path, tmp_path: Path, runner: CliRunner
) -> None:
    model, figure = tmp_path / "garden.wingtone", tmp_path / "garden.svg"
    trained = runner.invoke(
        train,
        [str(labels), "--out", str(model), "--kind", "discriminant", "--figure", str(figure)],
        catch_exceptions=False,
    )
    assert trained.exit_code == 0
    lines = trained.stdout.splitlines()
    assert lines[0] == "garden: on bees it has not heard, by cross-validation"
    assert any(line.startswith("  balanced accuracy") for line in lines)
    assert any(line.startswith("    built-in cue") for line in lines)
    assert any("queen rests on only 10 individual animals" in line for line in lines)
    assert figure.read_text(encoding="utf-8").count("<svg") == 1
    # 122 and 178 Hz lie six standard deviations apart: hardly an error is possible.
    judged = runner.invoke(assess, [str(model), str(others), "--format", "json"], catch_exceptions=False)
    assert judged.exit_code == 0
    found = json.loads(judged.stdout)
    assert found["schema"] == "wingtone/assess/1"
    assert found["of"] == "other recordings"
    assert found["classes"] == ["queen", "worker"]
    assert found["measures"]["balanced_accuracy"]["value"] > 0.85
    assert found["n_groups"] == 8
    assert found["temperature"] is not None
    with pytest.raises(InputError, match="that the model was trained on"):
        runner.invoke(assess, [str(model), str(labels)], catch_exceptions=False)
    drawn = tmp_path / "others.png"
    table = runner.invoke(assess, [str(model), str(others), "--figure", str(drawn)], catch_exceptions=False)
    assert "softening that would fit" in table.stdout
    assert drawn.read_bytes().startswith(b"\x89PNG")


def test_check_only_looks(labels: Path, runner: CliRunner) -> None:
    before = sorted(labels.parent.iterdir())
    found = runner.invoke(train, [str(labels), "--check"], catch_exceptions=False)
    assert found.exit_code == 0
    assert found.stdout.splitlines() == [
        "  20 rows, 20 recordings; kept apart by individual animals.",
        "  caste   rows  groups",
        "  queen     10      10  few",
        "  worker    10      10  few",
        "  Each class needs 5 groups at least, and 20 or more for a steady figure.",
    ]
    assert sorted(labels.parent.iterdir()) == before


def test_check_names_what_no_recording_holds(labels: Path, tmp_path: Path, runner: CliRunner) -> None:
    rows = "".join(f"{labels.parent / '1-00.wav'},{n},{n + 1},queen\n" for n in range(10))  # of 2.5 s
    (tmp_path / "labels.csv").write_text(f"file,start_s,end_s,caste\n{rows}", encoding="utf-8")
    found = runner.invoke(train, [str(tmp_path / "labels.csv"), "--check"], catch_exceptions=False)
    assert "lines 5, 6, 7, 8, 9 and 2 more: the stretch begins behind the end" in found.stderr


def test_a_look_at_the_labels_is_not_promised_as_json(labels: Path, runner: CliRunner) -> None:
    found = runner.invoke(train, [str(labels), "--check", "--format", "json"], catch_exceptions=False)
    assert (found.exit_code, found.stdout) == (2, "")
    assert "leave --format json out" in found.stderr


def test_check_names_recordings_that_are_none(tmp_path: Path, runner: CliRunner) -> None:
    (tmp_path / "a.wav").write_bytes(b"no sound")
    (tmp_path / "labels.csv").write_text("file,taxon,colour\na.wav,Bombus,red\n", encoding="utf-8")
    found = runner.invoke(train, [str(tmp_path / "labels.csv"), "--check"], catch_exceptions=False)
    assert found.exit_code == 1
    assert "a.wav" in found.stderr
    assert "too few: would be refused" in found.stdout
    assert "There is only one class" in found.stdout
    assert "Columns that mean nothing here: colour" in found.stdout
    assert "1 row does not name the individual" in found.stdout


def test_faults_and_too_little_write_nothing(labels: Path, tmp_path: Path, runner: CliRunner) -> None:
    bad = labels.parent / "bad.csv"
    bad.write_text("file,caste\nnone.wav,drone\n", encoding="utf-8")
    model = tmp_path / "m.wingtone"
    with pytest.raises(TableError):
        runner.invoke(train, [str(bad), "--out", str(model)], catch_exceptions=False)
    few = labels.parent / "few.csv"
    few.write_text("file,caste\n1-00.wav,queen\n1-01.wav,worker\n", encoding="utf-8")
    with pytest.raises(InputError, match="every class needs bouts of at least 5 different recordings"):
        runner.invoke(train, [str(few), "--out", str(model)], catch_exceptions=False)
    assert not model.exists()
    with pytest.raises(OutputError, match="there is no such folder"):
        runner.invoke(train, [str(labels), "--out", str(tmp_path / "no" / "m")], catch_exceptions=False)


def test_a_model_must_be_written_somewhere(labels: Path, runner: CliRunner) -> None:
    found = runner.invoke(train, [str(labels)])
    assert found.exit_code == 2
    assert "--out" in found.stderr


def test_the_shipped_model_tells_what_it_is(others: Path, runner: CliRunner) -> None:
    judged = runner.invoke(assess, ["demonstration", str(others)], catch_exceptions=False)
    assert "demonstration: note: synthetic; for trying the commands; not for real bees" in judged.stderr
    assert judged.exit_code == 0
