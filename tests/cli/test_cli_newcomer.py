"""What somebody meets who tries the program for the first time, slips of the pen and all."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from wingtone.cli import main

if TYPE_CHECKING:
    from click.testing import CliRunner


@pytest.fixture
def notebook(tmp_path: Path) -> list[str]:
    return ["notebook", "--notebook", str(tmp_path / "walks.sqlite")]


def test_a_mistyped_command_is_guessed(runner: CliRunner) -> None:
    slip = runner.invoke(main, ["mesure", "garden.m4a"])
    assert slip.exit_code == 2
    assert "No such command 'mesure'. Did you mean 'measure'?" in slip.stderr
    assert "Did you mean" not in runner.invoke(main, ["quince"]).stderr


@pytest.mark.parametrize("group", [[], ["notebook"], ["fauna"]])
def test_lists_of_commands_say_whole_what_each_does(runner: CliRunner, group: list[str]) -> None:
    told = runner.invoke(main, [*group, "--help"]).stdout.split("Commands:\n")[1].split("\nExamples:")[0]
    listed = re.findall(r"^  (\w+)  +((?:.+\n)(?:   .+\n)*)", told, re.MULTILINE)
    assert listed
    for name, words in listed:
        own = runner.invoke(main, [*group, name, "--help"]).stdout
        sentence = " ".join(words.split())
        assert sentence.endswith(".")
        assert not sentence.endswith("..."), name
        assert f" {sentence} " in " ".join(own.split())


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("Bombus terestris", "Bombus terrestris"),
        ("buff tialed bumblebee", "Buff-tailed bumblebee"),
        ("Quince", ""),
    ],
)
def test_a_mistyped_name_is_kept_and_the_right_one_offered(
    runner: CliRunner, notebook: list[str], typed: str, meant: str
) -> None:
    added = runner.invoke(main, [*notebook, "add", "--date", "2026-03-20", "--taxon", typed])
    assert added.exit_code == 0
    assert f"record 1 added: {typed}" in added.stdout
    assert "it is kept as it is written" in added.stderr
    assert ("; did you mean " in added.stderr) == bool(meant)
    assert meant in added.stderr


def test_a_photograph_that_is_not_there_is_told(
    runner: CliRunner, notebook: list[str], tmp_path: Path
) -> None:
    there, missing = tmp_path / "bee.jpg", tmp_path / "bea.jpg"
    there.write_bytes(b"a picture")
    kept = ["--taxon", "Bombus terrestris", "--photo", str(there), "--photo", str(missing)]
    added = runner.invoke(main, [*notebook, "add", "--date", "2019-03-20", *kept])
    assert added.exit_code == 0
    assert added.stderr == (
        f"wingtone: {missing}: note: there is no such photograph; its path is kept as it is written\n"
    )
    assert str(missing) in runner.invoke(main, [*notebook, "show", "1"]).stdout


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["identify", "--f0", "146", "--fauna", "here"], "here: is not a folder (give the folder that holds"),
        (
            ["train", "here.csv", "--check"],
            "here.csv: cannot be read: there is no such file (give a CSV file)",
        ),
    ],
)
def test_one_fault_of_a_table_and_its_remedy_stand_in_one_line(
    runner: CliRunner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: list[str], told: str
) -> None:
    monkeypatch.chdir(tmp_path)
    run = runner.invoke(main, arguments)
    assert run.exit_code == 1
    assert run.stderr.startswith(f"wingtone: {told}")
    assert run.stderr.count("\n") == 1


@pytest.mark.parametrize(
    "typed",
    [
        ["identify", "garden.m4a", "--place", "51.46", "-0.30"],
        ["identify", "garden.m4a", "--place", "51.46,", "-0.30"],
        ["notebook", "add", "--taxon", "Bombus", "terrestris"],
        ["notebook", "list", "--near", "TQ", "18", "75"],
    ],
)
def test_who_left_out_the_quotes_is_told_of_them(runner: CliRunner, typed: list[str]) -> None:
    slip = runner.invoke(main, typed)
    assert slip.exit_code == 2
    said = " ".join(slip.stderr.split())
    assert said.endswith('go in quotes, as "51.46, -0.30" or "Bombus terrestris".')
    assert "name of a file" not in said


@pytest.mark.parametrize(
    ("typed", "name"), [(["garden.m4a"], "garden.m4a"), (["my", "garden.WAV"], '"my garden.WAV"')]
)
def test_a_recording_that_is_added_without_its_option_is_told_of_that(
    runner: CliRunner, typed: list[str], name: str
) -> None:
    slip = runner.invoke(main, ["notebook", "add", *typed, "--hint", "tail=white"])
    assert slip.exit_code == 2
    assert " ".join(slip.stderr.split()).endswith(f"A recording is given with --recording {name}")


@pytest.mark.parametrize("command", ["measure", "identify"])
def test_a_name_that_the_shell_has_parted_is_told_whole(
    runner: CliRunner, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "New Recording 3.m4a").write_bytes(b"a phone names them so")
    slip = runner.invoke(main, [command, "gone.wav", "New", "Recording", "3.m4a"])
    assert slip.exit_code == 2
    assert "goes in quotes: 'New Recording 3.m4a'" in " ".join(slip.stderr.split())
    # What is not there under any name is told as such, each by itself.
    missing = runner.invoke(main, [command, "Old", "Recording", "3.m4a"])
    assert missing.exit_code == 1
    assert missing.stderr.count("there is no such file or folder") == 3


def test_a_name_that_looks_like_an_option_is_still_told_as_a_name(runner: CliRunner) -> None:
    assert "write ./-3.wav" in runner.invoke(main, ["measure", "-3.wav"]).stderr


def test_the_number_of_a_record_is_no_integer_to_people(runner: CliRunner, notebook: list[str]) -> None:
    for command in ("show", "remove", "amend"):
        assert "'last' is not a whole number" in runner.invoke(main, [*notebook, command, "last"]).stderr


def test_a_missing_part_is_not_sought_by_our_name() -> None:
    """Another's package may stand under that name in an index: only the folder that one has is ours."""
    from wingtone.errors import MissingExtraError

    told = str(MissingExtraError("a figure", "plot"))
    assert told.endswith("(in the folder of wingtone: pip install -c constraints.txt '.[plot]')")


def test_the_readme_makes_the_command_short_before_it_uses_it() -> None:
    readme = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
    lines = readme.splitlines()
    first = next(i for i, line in enumerate(lines) if line.startswith("wingtone "))
    assert ". .venv/bin/activate" in lines[:first]
    assert not [line for line in lines[first:] if "venv/bin/activate" in line], "said once"
