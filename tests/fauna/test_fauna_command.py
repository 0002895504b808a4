"""``wingtone fauna``: list, show, check."""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner, Result

from fauna.tiny import change, write_fauna
from wingtone.cli import main
from wingtone.fauna import SHIPPED, load
from wingtone.fauna.sheet import BLOCKS, PLAIN_BLOCKS, months_on_the_wing, season_bar, sheet

if TYPE_CHECKING:
    from pathlib import Path


def run(*words: str) -> Result:
    return CliRunner().invoke(main, ["fauna", *words])


def test_list() -> None:
    result = run("list")
    assert result.exit_code == 0
    groups = Counter(taxon.group for taxon in load().taxa)
    assert f"Social bumblebees ({groups['social']})" in result.stdout
    assert str(SHIPPED) in "".join(result.stdout.split()), "where to copy it from"
    assert f"Cuckoo bumblebees ({groups['cuckoo']})" in result.stdout
    for name in ("Bombus distinguendus", "Asian hornet", "Short-haired bumblebee"):
        assert name in result.stdout


def test_list_for_programs() -> None:
    lines = [json.loads(line) for line in run("list", "--format", "json").stdout.splitlines()]
    assert len(lines) == len(load().taxa)
    hypnorum = next(line for line in lines if line["taxon"] == "Bombus hypnorum")
    assert hypnorum["castes"] == ["queen", "worker", "male"]
    assert hypnorum["abundance"]["south"] > hypnorum["abundance"]["ireland"] > 0
    assert hypnorum["how_known"] in ("read", "secondary", "derived", "memory")


def test_show() -> None:
    result = run("show", "garden", "bumblebee")
    assert result.exit_code == 0
    text = result.stdout
    assert text.splitlines()[:2] == ["Garden bumblebee", "Bombus hortorum (social bumblebee; species)"]
    assert "5.8 ± 0.5 mm, n = 7" in text  # Kendall et al. 2019: 5.83 ± 0.45 mm
    assert "face:        mostly long" in text
    assert "Heath bumblebee: A long face" in text
    assert "Kendall et al. 2019" in text
    assert "secondary" in text
    assert max(len(line) for line in text.splitlines()) <= 80


@pytest.mark.parametrize("taxon", [taxon.taxon for taxon in load().taxa])
def test_every_taxon_has_a_sheet(taxon: str) -> None:
    fauna = load()
    text = sheet(fauna, fauna.taxon(taxon), width=60)
    assert text.startswith(fauna.taxon(taxon).vernacular)
    assert "SOURCES" in text
    assert ("SEASON" in text) == bool(fauna.taxon(taxon).castes)
    assert not any(line != line.rstrip() for line in text.splitlines())


def test_record_as() -> None:
    assert "Record as: Bombus terrestris/lucorum (worker)" in run("show", "terrestris").stdout
    assert "Record as: Bombus lucorum agg. (all castes)" in run("show", "cryptic").stdout


def test_season_bar_shows_when() -> None:
    """Twelve months of three marks; terrestris queens peak in spring, soroeensis males in autumn (guides)."""
    fauna = load()
    at = {(entry.taxon.split()[-1], entry.caste): index for index, entry in enumerate(fauna.entries)}
    bar = season_bar(fauna, at["terrestris", "queen"]).split("|")
    assert [len(month) for month in bar] == [3] * 12
    assert BLOCKS[-1] in bar[2] + bar[3]
    assert BLOCKS[-1] in season_bar(fauna, at["soroeensis", "male"]).split("|")[8]
    plain = season_bar(fauna, at["terrestris", "queen"], blocks=PLAIN_BLOCKS)
    assert plain.isascii()


def test_months_on_the_wing(tmp_path: Path) -> None:
    fauna = load()
    assert months_on_the_wing(fauna, fauna.taxon("ivy bee")) == "Aug-Nov"
    assert months_on_the_wing(fauna, fauna.taxon("terrestris")).endswith("a few all year")
    assert months_on_the_wing(fauna, fauna.taxon("subterraneus")) == ""
    # a season over New Year, as south of the equator: the bee of the tiny fauna moved by half a year
    weeks = [("first_week", 40), ("full_week", 44), ("fade_week", 50), ("last_week", 53)]
    text = change("season", 5, "soft_weeks", 4)
    rows = text.splitlines()
    cells = rows[4].split(",")
    for name, week in weeks:
        cells[rows[0].split(",").index(name)] = str(week)
    rows[4] = ",".join(cells)
    southern = load(write_fauna(tmp_path / "f", tables={"season.csv": "\n".join(rows) + "\n"}))
    first, last = months_on_the_wing(southern, southern.taxon("False bee")).split("-")
    assert first in ("Aug", "Sep")
    assert last in ("Jan", "Feb")


def test_unknown_taxon_names_the_nearest() -> None:
    result = run("show", "Bombus hortrum")
    assert result.exit_code == 2
    assert "Bombus hortorum (Garden bumblebee)" in result.stderr
    assert result.stdout == ""


def test_own_fauna(tmp_path: Path) -> None:
    folder = str(write_fauna(tmp_path / "pebbles"))
    assert "Pebble bee" in run("list", "--fauna", folder).stdout
    assert "black form (about 25 in 100): all black" in run("show", "pebble", "--fauna", folder).stdout
    result = run("check", folder)
    assert result.exit_code == 0
    assert result.stdout.startswith("pebble_island: no faults; 3 taxa, 5 candidates")


def test_check_tells_all_faults(tmp_path: Path) -> None:
    tables = {
        "size.csv": change("size", 4, "itd_mm_sd", "?"),
        "season.csv": change("season", 3, "last_week", 3),
    }
    folder = str(write_fauna(tmp_path / "f", tables=tables))
    result = run("check", folder)
    assert result.exit_code == 1
    assert [line.split(":")[0] for line in result.stdout.splitlines()] == [
        "season.csv, line 3, column last_week",
        "size.csv, line 4, column itd_mm_sd",
    ]
    assert "2 faults" in result.stderr
    faulty = run("show", "pebble", "--fauna", folder)
    assert faulty.exit_code == 1
    assert "size.csv, line 4" in faulty.stderr
    assert run("check", str(tmp_path / "nowhere")).exit_code == 1


@pytest.mark.parametrize("command", ["list", "show", "check"])
def test_help_has_examples(command: str) -> None:
    result = run(command, "--help")
    assert result.exit_code == 0
    assert f"wingtone fauna {command}" in result.stdout


def test_help_does_not_load_the_science() -> None:
    code = "import sys; from wingtone.cli import fauna_command; print('numpy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_narrow_output_encoding_gets_plain_bars() -> None:
    code = "from wingtone.cli import main; main(['fauna', 'show', 'hortorum'])"
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        check=True,
        env={"PYTHONIOENCODING": "latin-1", "PATH": ""},
    )
    assert "█".encode() not in done.stdout
    assert b"#" in done.stdout or b"@" in done.stdout
