"""The worked examples of DEVELOPERS.md: followed word for word in a copy of the project.

In the paragraphs "Add a ..." ``csv PATH`` holds rows for the end of a table, ``diff PATH`` a change, and
``python PATH`` a new file; ``sh``, ``console`` and ``python`` without a path are run, in order.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from guides.following import ROOT, Fence, environment, fences

if TYPE_CHECKING:
    from pathlib import Path

DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
FAUNA = "src/wingtone/fauna/british_isles"


class Copy:
    """A copy of the program with the clips, in which an example is followed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        shutil.copytree(
            ROOT / "src" / "wingtone",
            folder / "src" / "wingtone",
            ignore=shutil.ignore_patterns("__pycache__"),
        )
        shutil.copytree(ROOT / "demo_audio", folder / "demo_audio", ignore=shutil.ignore_patterns("pictures"))
        (folder / "home").mkdir()

    def run(self, *command: str, status: int = 0) -> str:
        """Run something with the copy in place of the program; return what it printed."""
        places = os.pathsep.join((str(self.folder / "src"), str(ROOT / "tests")))
        done = subprocess.run(
            command,
            cwd=self.folder,
            env=environment(self.folder) | {"PYTHONPATH": places, "PYTHONDONTWRITEBYTECODE": "1"},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            encoding="utf-8",
            check=False,
        )
        assert done.returncode == status, f"{command[-1]}\n{done.stdout}"
        return done.stdout

    def python(self, text: str) -> str:
        return self.run(sys.executable, "-c", text)

    def follow(self, title: str) -> list[str]:
        """Do what the paragraph says; return what each command printed."""
        printed = []
        for fence in paragraph(title):
            if fence.path:
                self.change(fence)
            elif fence.language == "python":
                printed.append(self.python(fence.text))
            else:
                assert fence.language in ("sh", "console")
                printed += [self.run("sh", "-e", "-c", line) for line in fence.text.splitlines()]
        return printed

    def change(self, fence: Fence) -> None:
        path = self.folder / fence.path
        if fence.language == "python":
            assert not path.exists()
            path.write_text(fence.text, encoding="utf-8")
            return
        text = path.read_text(encoding="utf-8")
        if fence.language == "csv":
            assert text.endswith("\n")
            path.write_text(text + fence.text, encoding="utf-8")
            return
        assert fence.language == "diff"
        lines = fence.text.splitlines()
        before = "".join(f"{line[1:]}\n" for line in lines if line[0] in " -")
        after = "".join(f"{line[1:]}\n" for line in lines if line[0] in " +")
        assert text.count(before) == 1, f"line {fence.line} of DEVELOPERS.md: {fence.path} has changed"
        path.write_text(text.replace(before, after), encoding="utf-8")


def paragraph(title: str) -> list[Fence]:
    """Fences from the words in bold to the next such words at the start of a line."""
    (found,) = re.finditer(rf"^\*\*{title}\.\*\*.*?(?=^\*\*|^## )", DEVELOPERS, re.MULTILINE | re.DOTALL)
    inside = fences(found[0])
    assert inside, title
    return inside


@pytest.fixture
def copy(tmp_path: Path) -> Copy:
    return Copy(tmp_path)


def test_a_species(copy: Copy) -> None:
    checked, sheet, answer = copy.follow("Add a species")
    assert "no faults" in checked
    assert "Bombus exemplaris" in sheet
    assert re.search(r"^ *\d+ %.* Bombus exemplaris", answer, re.MULTILINE)


def test_a_hint(copy: Copy) -> None:
    checked, before, after = copy.follow("Add a hint")
    assert "no faults" in checked

    def share(answer: str) -> int:
        found = re.search(r"(\d+) %.*Bombus terrestris +worker", answer)
        return int(found[1]) if found else 0

    assert "(feet: dark, pale)" in " ".join(before.split())
    assert 3 * share(after) < share(before)
    assert '"feet dark"' in after
    refused = copy.run("wingtone", "identify", "--f0", "165", "--hint", "feet=green", status=2)
    assert "its states are dark, pale," in refused


def test_a_command(copy: Copy) -> None:
    overall, own, said = copy.follow("Add a command")
    assert re.search(r"^  longest +\S", overall, re.MULTILINE)
    assert "wingtone longest garden.m4a" in own
    assert re.fullmatch(r"demo_audio/5_july_worker.ogg: \d\.\d s at 16\d Hz\n", said)


def test_a_file_format(copy: Copy, tmp_path_factory: pytest.TempPathFactory) -> None:
    _, said = copy.follow("Add a file format")
    original = copy.run("wingtone", "measure", "demo_audio/4_july_tomato_flower.flac")

    def bouts(printed: str) -> list[str]:
        return [line for line in printed.splitlines() if " Hz " in line]

    assert len(bouts(original)) >= 4
    assert bouts(said) == bouts(original)
    unchanged = Copy(tmp_path_factory.mktemp("unchanged"))
    shutil.copy(copy.folder / "flower.au", unchanged.folder)
    assert "not a recording" in unchanged.run("wingtone", "measure", "flower.au", status=1)


def test_a_model_kind(copy: Copy) -> None:
    copy.follow("Add a model kind")
    assert "|nearest|" in copy.run("wingtone", "train", "--help").replace("\n", "").replace(" ", "")
    accuracy, limit, same = copy.python(USE_THE_KIND).splitlines()[-1].split()
    assert same == "True"
    assert float(limit) - 0.1 < float(accuracy) <= 1.0


USE_THE_KIND = """\
from pathlib import Path

import numpy as np
from sklearn.utils.estimator_checks import check_estimator

from learn.made_up import CASTES, population
from learn.test_classifier import EXCEPTIONS
from wingtone.learn import scores
from wingtone.learn.classifier import BoutClassifier
from wingtone.learn.model_file import load_model, save_model
from wingtone.learn.training import train

scores.BOOTSTRAPS = 100
check_estimator(BoutClassifier("nearest"), expected_failed_checks=EXCEPTIONS)
model = train(population(1, animals=30, clips=4).dataset(), kind="nearest")
save_model(model, Path("nearest.wingtone"))
again = load_model(Path("nearest.wingtone"))
new = population(2)
called = again.numbers.log_posterior(new.table).argmax(axis=1)
same = np.array_equal(again.numbers.log_posterior(new.table), model.numbers.log_posterior(new.table))
assert tuple(again.classes) == tuple(CASTES) and again.numbers.kind == "nearest"
print((called == new.caste).mean(), new.bayes_accuracy, same)
"""
