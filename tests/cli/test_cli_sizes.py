"""``wingtone sizes``: tables in, a summary, JSON, CSV and a figure out."""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from population.made_up import rows_of
from wingtone.cli import main

if TYPE_CHECKING:
    from pathlib import Path

    from click.testing import Result


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Thirty bees in three folders, the third much higher, as a table of ``wingtone measure``."""
    tones = (
        [112.0 + k for k in range(10)] + [114.0 + k for k in range(10)] + [175.0 + 2 * k for k in range(10)]
    )
    rows = [
        row | {"path": f"{'abc'[i // 10]}/{row['path']}"}
        for i, row in enumerate(rows_of(tones, recorded_at="2026-05-20"))
    ]
    path = tmp_path_factory.mktemp("sizes") / "bouts.csv"
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    return path


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["sizes", *map(str, arguments)])


def test_a_persons_summary_comes_first(table: Path) -> None:
    result = run(table, "--group-by", "folder")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert lines[0].strip() == "30 bees, from 30 of 30 bouts."
    assert "Keep in mind" in result.stdout
    assert "as there is no table of how long was listened" in " ".join(result.stdout.split())
    assert max(len(line) for line in lines) <= 80


def test_json_and_csv(table: Path) -> None:
    found = json.loads(run(table, "--format", "json", "--taxon", "Bombus lapidarius").stdout)
    assert found["schema"] == "wingtone/sizes/1"
    assert found["settings"]["taxa"] == ["Bombus lapidarius"]
    assert len(found["individuals"]) == 30
    rows = list(csv.DictReader(io.StringIO(run(table, "--format", "csv").stdout)))
    assert {row["part"] for row in rows} >= {"selection", "tone", "ITD", "castes", "power"}


def test_where_no_bee_is_left_it_says_so_and_why(tmp_path: Path) -> None:
    path = tmp_path / "buzzes.csv"
    rows = [*rows_of([250.0, 260.0], kind="sonication"), *rows_of([150.0], snr_db=-3.0, path="far.wav")]
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    result = run(path)
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    assert text.startswith("No bee is left of 3 bouts, so nothing can be said about size. Left out: ")
    assert "not flight but sonication (2), signal-to-noise ratio below 0 dB (1)." in text
    assert "nan" not in text.lower()
    assert "How many bees" not in text
    assert "NaN" not in run(path, "--format", "json").stdout
    assert "nan" not in run(path, "--format", "csv").stdout.lower()


def test_sites_figure_and_effort(table: Path, tmp_path: Path) -> None:
    sites, effort, figure = tmp_path / "sites.csv", tmp_path / "effort.csv", tmp_path / "out.svg"
    sites.write_text("path,site\na,Low meadow\nb,Low meadow\nc,High meadow\n")
    effort.write_text("path,heard_s,wind_lost_s,recorded_at\n" + "".join(
        f"{'abc'[i // 10]}/{i}.wav,600,0,2026-05-20T{8 + i % 8:02d}:00:00\n" for i in range(30)
    ))  # fmt: skip
    result = run(table, effort, "--sites", sites, "--figure", figure)
    assert result.exit_code == 0, result.output
    text = " ".join(result.stdout.split())
    assert "Low meadow sounds" in text
    assert "lower than High meadow" in text
    assert "bees an hour of listening" in text
    assert figure.read_text().startswith("<?xml")


def test_faults_are_told_one_by_one(tmp_path: Path) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(
        "path,kind,start_s,end_s,f0_hz,f0_low_hz,f0_high_hz\na.wav,flight,0,1,x,119,121\nb.wav,song,0,1,,,\n"
    )
    result = run(path)
    assert result.exit_code == 1
    assert result.stdout == ""
    assert "bad.csv, line 2, column f0_hz" in result.stderr
    assert "bad.csv, line 3, column kind" in result.stderr


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--taxon", "unicorn"], "not in the fauna"),
        (["--gap", "0"], "--gap"),
        (["--group-by", "site"], "no bout has a site"),
        (["--figure", "x.gif"], ".png, .svg or .pdf"),
        (["--group-by", "month", "--sites", "s.csv"], "--sites is for"),
        (["--date", "soon"], "date"),
    ],
)
def test_wrong_requests_end_with_status_2(table: Path, arguments: list[str], told: str) -> None:
    result = run(table, *arguments)
    assert result.exit_code == 2, result.output
    assert told in result.stderr


def test_a_site_that_no_recording_lies_in_is_told(table: Path, tmp_path: Path) -> None:
    sites = tmp_path / "sites.csv"
    sites.write_text("path,site\na,Low meadow\n./b/,Low meadow\nc,High meadow\nd,Wood\nab,Heath\n")
    result = run(table, "--sites", sites)
    assert result.exit_code == 0
    assert "note: no recording fits the path d and 1 more" in result.stderr
    sites.write_text("path,site\na,Low meadow\n.,High meadow\n")
    assert "no recording fits" not in run(table, "--sites", sites).stderr


@pytest.mark.parametrize(("heading", "missing"), [("path,place", "site"), ("where,period", "path")])
def test_the_column_of_sites_that_is_asked_for_is_the_documented_one(
    table: Path, tmp_path: Path, heading: str, missing: str
) -> None:
    sites = tmp_path / "sites.csv"
    sites.write_text(f"{heading}\na,b\n")
    result = run(table, "--sites", sites)
    assert result.exit_code == 1
    assert f"column {missing}: this column is missing" in result.stderr
    assert result.stderr.count("this column is missing") == 1
