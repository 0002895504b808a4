"""The documents say what the results say, and the check that sees to it sees everything.

``benchmarks/figures.py`` has the rules. Nothing here measures bees.
"""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING, Any

import pytest

from benchmarks import cue, figures, kept
from benchmarks.figures import Claim, Run, Said, Table, Verdict

if TYPE_CHECKING:
    from pathlib import Path


def test_documents_say_what_the_results_say() -> None:
    verdict = figures.check(figures.read_table(), figures.documents(), kept.RESULTS)
    assert not verdict.faults, "\n".join(map(str, verdict.faults))
    assert verdict.held > 100


def test_every_run_has_its_script_and_every_sentence_its_run() -> None:
    table = figures.read_table()
    for run in table.runs.values():
        script = run.command.split()[0]
        assert script == "wingtone" or (kept.ROOT / script).is_file(), run.name
    for claim in table.claims:
        assert figures._results_of(claim) <= table.runs.keys(), claim.text
        assert claim.within >= 1
    assert all(said.reason for said in table.said)


# --- a document of our own -------------------------------------------------------------------------

SENTENCE = "Of {run.n:,} bees in a garden {run.found_percent:.1f} % were found, {run.wrong:none} wrongly."
CLAIM = Claim("README.md", SENTENCE)
TEXT = """# Bees

Of 1,234 bees in a
garden 56.7 % were found, none wrongly.

Since 2014 `x = 5`.

```
17 bees
```
"""
RESULTS = {"run": {"values": {"n": 1234, "found_percent": 56.72, "wrong": 0, "fold": [19, 20, 19]}}}
TABLE = Table(
    {"run": Run("run", "tests/benchmarks/run.py", 1)}, [CLAIM], [Said("Since 2014", "a year", "README.md")]
)


def looked_at(
    text: str, *, name: str = "README.md", remade: bool = False, table: Table = TABLE
) -> tuple[Verdict, list[str]]:
    verdict = Verdict()
    texts = {"README.md": TEXT, name: text}
    covered = figures.check_claims(table, texts, RESULTS, verdict, remade=remade)
    figures.check_numbers(table, texts, covered, verdict)
    return verdict, [str(fault) for fault in verdict.faults]


def test_a_true_text_passes() -> None:
    verdict, faults = looked_at(TEXT)
    assert faults == []
    assert verdict.held == 3


@pytest.mark.parametrize(
    ("old", "new", "where", "what"),
    [
        ("1,234", "1,235", "README.md:3:", "1,235 should be 1,234"),
        ("56.7", "56.72", "README.md:4:", "56.72 should be 56.7"),
        ("none wrongly", "2 wrongly", "README.md:4:", "2 should be none"),
        ("were found", "were heard", "README.md:3:", "does not say"),
        ("`x = 5`", "8 more", "README.md:6:", "8 comes from no result"),
        ("# Bees", "# Bees by 3.5 times", "README.md:1:", "3.5 comes from no result"),
        ("Since 2014", "Once", "figures.toml:", '"Since 2014" stands in no document'),
    ],
)
def test_what_is_not_so_is_named_with_its_line(old: str, new: str, where: str, what: str) -> None:
    assert old in TEXT
    _, faults = looked_at(TEXT.replace(old, new))
    assert any(fault.startswith(where) and what in fault for fault in faults), faults


def test_a_number_that_a_guide_shows_may_be_said_there_and_no_other() -> None:
    shown = "The answer is 146 Hz:\n\n```console\n$ wingtone identify\n146 Hz\n```\n\nThen wait {} s.\n"
    assert looked_at(shown.format("146"), name="guides/a.md")[1] == []
    _, faults = looked_at(shown.format("147"), name="guides/a.md")
    assert [fault.split(":")[:2] for fault in faults] == [["guides/a.md", "8"]]
    # Elsewhere a block is only code.
    assert len(looked_at(shown.format("146"), name="DEVELOPERS.md")[1]) == 2


@pytest.mark.parametrize(
    ("path", "form", "told"),
    [
        ("run.fold", "range", "19 to 20"),
        ("run.fold", "least.1f", "19.0"),
        ("run.fold", "most", "20"),
        ("run.n", ",.0f", "1,234"),
        ("run.n", "none", "1234"),
        ("run.wrong", "none", "none"),
    ],
)
def test_forms(path: str, form: str, told: str) -> None:
    assert figures.figure(RESULTS, path, form) == told


@pytest.mark.parametrize(
    ("path", "form"), [("run.fold", ".1f"), ("run.n", "range"), ("run.no", ""), ("run", "")]
)
def test_a_value_that_is_not_there_or_no_number_is_a_fault(path: str, form: str) -> None:
    with pytest.raises(LookupError, match=path):
        figures.figure(RESULTS, path, form)
    claim = Claim("README.md", CLAIM.text.replace("run.n:,", f"{path}:{form}"))
    assert looked_at(TEXT, table=Table(TABLE.runs, [claim], TABLE.said))[1]


def test_a_range_of_equal_values_is_one_number() -> None:
    assert figures.figure({"run": {"values": {"fold": [2, 2]}}}, "run.fold", "range") == "2"


def test_only_a_remake_may_differ_and_only_by_the_factor() -> None:
    clock = Table(TABLE.runs, [Claim(CLAIM.document, CLAIM.text, within=2)], TABLE.said)
    slower = TEXT.replace("56.7", "30.0")
    assert looked_at(slower, table=clock)[1]
    verdict, faults = looked_at(slower, table=clock, remade=True)
    assert faults == []
    assert [fault.line for fault in verdict.close] == [4]
    assert "56.7 now" in verdict.close[0].what
    assert looked_at(TEXT.replace("56.7", "28.0"), table=clock, remade=True)[1]
    assert looked_at(slower, remade=True)[1]


def test_new_numbers_are_put_in_and_nothing_else() -> None:
    old = TEXT.replace("1,234", "99").replace("56.7", "0.5").replace("none", "3")
    assert figures.rewritten(TABLE, {"README.md": old}, RESULTS) == {"README.md": TEXT}


# --- results ---------------------------------------------------------------------------------------


def kept_result(folder: Path, monkeypatch: pytest.MonkeyPatch, *arguments: str) -> dict[str, Any]:
    monkeypatch.setattr(sys, "argv", ["run.py", *arguments, "--out", str(folder)])
    kept.keep("run", "| a |", {"n": 3, "share": float("nan")}, out=folder, seed=5)
    result: dict[str, Any] = json.loads((folder / "run.json").read_text("utf-8"))
    return result


def faults_of_results(folder: Path) -> list[str]:
    verdict = Verdict()
    figures.check_results(TABLE, folder, figures.read_results(folder), verdict)
    return [str(fault) for fault in verdict.faults]


def test_a_result_says_how_it_was_made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    result = kept_result(tmp_path, monkeypatch, "--negatives", str(tmp_path), "--n", "4")
    assert result["command"] == "python tests/benchmarks/run.py --negatives FOLDER --n 4"
    assert result["values"] == {"n": 3, "share": None}
    assert result["seed"] == 5
    assert result["made_with"].keys() >= {"python", "wingtone", "numpy", "scipy"}
    assert (
        (tmp_path / "run.md")
        .read_text("utf-8")
        .startswith("| a |\n\nMade by `python tests/benchmarks/run.py")
    )
    assert str(tmp_path) not in (tmp_path / "run.json").read_text("utf-8")


def test_a_result_must_be_the_published_run_untouched(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert "is missing" in faults_of_results(tmp_path)[0]
    kept_result(tmp_path, monkeypatch)
    assert faults_of_results(tmp_path) == []
    kept_result(tmp_path, monkeypatch, "--quick")
    assert "was made by" in faults_of_results(tmp_path)[0]
    kept_result(tmp_path, monkeypatch)
    (tmp_path / "run.md").write_text("| better |\n", encoding="utf-8")
    assert "changed by hand" in faults_of_results(tmp_path)[0]
    kept_result(tmp_path, monkeypatch)
    (tmp_path / "old.md").write_text("", encoding="utf-8")
    assert faults_of_results(tmp_path) == ["old.md: no run makes it"]


@pytest.mark.parametrize("value", [{"A b": 1}, {"a": object()}, [{"5 %": 1}]])
def test_values_are_plain_with_plain_keys(value: Any) -> None:
    with pytest.raises(AssertionError):
        kept.plain(value)


def test_a_run_that_fails_or_lacks_something_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("WINGTONE_RECORDINGS", str(tmp_path))
    runs = [
        Run("well", "wingtone --version", 1),
        Run("broken", "wingtone no-such-command", 1),
        Run("lone", "wingtone no-such-command", 1, alone=True),
        Run("lacking", "wingtone --version", 1, needs=("recordings", "negatives", "no_such_module")),
    ]
    failed = figures.remake(runs, tmp_path, tmp_path / "pictures", None, jobs=2)
    assert sorted(failed) == ["broken", "lacking", "lone"]
    said = capsys.readouterr().out
    assert "lacking: NOT RUN" in said
    for what in ("WINGTONE_RECORDINGS", "--negatives", "no_such_module", "No such command", "well: done"):
        assert what in said


def test_a_small_run_writes_what_the_sentences_need(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    arguments = ["cue.py", "--records", "80", "--audio", "0", "--out", str(tmp_path)]
    monkeypatch.setattr(sys, "argv", arguments)
    cue.main()
    results = figures.read_results(tmp_path)
    claims = [claim for claim in figures.read_table().claims if figures._results_of(claim) == {"cue"}]
    assert claims
    assert [figures._figures(claim, results) for claim in claims] == [["80"]]
