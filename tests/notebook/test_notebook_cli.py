"""``wingtone notebook``: what people type and what comes back."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner
from dwca.read import DwCAReader

import wingtone.cli
from wingtone.cli.command import Command
from wingtone.cli.notebook_command import notebook as group
from wingtone.learn.labels import read_labels
from wingtone.notebook.records import BoutNote, Record, RecordingNote
from wingtone.notebook.store import Entry, Notebook

DEMO = Path(__file__).parents[2] / "demo_audio"


class Shell:
    """Call ``wingtone notebook`` on a notebook of its own."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def __call__(self, *arguments: str, status: int = 0) -> str:
        result = CliRunner().invoke(
            wingtone.cli.main, ["notebook", "--notebook", str(self.path), *arguments], prog_name="wingtone"
        )
        assert result.exit_code == status, result.output
        self.said = result.stderr
        return result.stdout

    def json(self, *arguments: str) -> list[dict[str, Any]]:
        def refuse(name: str) -> None:
            pytest.fail(f"{name} in JSON")

        out = self(*arguments, "--format", "json")
        return [json.loads(line, parse_constant=refuse) for line in out.splitlines()]


@pytest.fixture
def shell(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shell:
    monkeypatch.setenv("COLUMNS", "100")
    return Shell(tmp_path / "bees.sqlite")


def test_a_sighting_by_eye(shell: Shell) -> None:
    out = shell("add", "--date", "20/03/2026", "--place", "TQ 18 75", "--taxon", "buff-tailed bumblebee")
    assert out == "record 1 added: Bombus terrestris, 2026-03-20, TQ 18 75, decided\n"
    (record,) = shell.json("list")
    assert (record["taxon"], record["rank"]) == ("Bombus terrestris", "species")
    assert record["vernacular"] == "Buff-tailed bumblebee"
    assert record["place"]["grid_reference"] == "TQ 18 75"
    assert record["number"] == record["version"] == 1
    assert record["schema"] == "wingtone/record/1"


def test_hints_alone_bring_the_programs_own_answer(shell: Shell) -> None:
    shell("add", "--date", "2026-06-14T10:32+01:00", "--place", "51.46,-0.30", "--hint", "tail=red")
    (record,) = shell.json("list")
    assert record["status"] == "hint"
    assert record["answer"]["schema"] == "wingtone/identify/1"
    assert record["hints"] == {"tail": "red"}
    assert record["event_date"] == "2026-06-14T10:32+01:00"
    assert record["made_with"]["fauna"].startswith("british_isles")
    assert {piece["kind"] for piece in record["answer"]["evidence"]} >= {"date", "hint"}


def test_a_recording_is_measured_and_kept(shell: Shell) -> None:
    clip = DEMO / "1_march_big_queen.m4a"
    shell("add", "--recording", str(clip), "--hint", "tail=buff", "--date", "2026-03-21")
    (record,) = shell.json("show", "1")
    assert record["recording"]["path"] == str(clip.resolve())
    assert len(record["recording"]["sha256"]) == 64
    assert record["recording"]["bouts"]
    assert record["tone"]["f0_low_hz"] < record["tone"]["f0_hz"] < record["tone"]["f0_high_hz"]
    assert record["event_date"] == "2026-03-21"
    assert record["answer"]["recording"]["sha256"] == record["recording"]["sha256"]
    table = shell("show", "1")
    assert f"hint          {record['answer']['record_as']['taxon']}, " in table
    for reason in record["answer"]["evidence"]:
        bits = f"{round(reason['weight_bits'], 1) + 0.0:+.1f} bits  "
        assert f"{bits}{reason['summary'][:40]}" in table
    assert f"worked out by {', '.join(record['made_with'].values())}" in table
    assert f"{record['tone']['f0_hz']:.1f} Hz" in table


def test_a_name_nobody_knows_is_kept_and_told(shell: Shell) -> None:
    shell("add", "--taxon", "Bombus imaginarius")
    assert "not a name in the fauna british_isles" in shell.said
    assert shell.json("list")[0]["taxon"] == "Bombus imaginarius"


def test_what_must_be_reported_at_once_is_said_of_its_record(shell: Shell) -> None:
    shell("add", "--taxon", "Asian hornet", "--date", "2026-09-01")
    assert "Asian hornet: note: An invasive species: report it at once" in shell.said
    shell("add", "--taxon", "European hornet", "--date", "2026-09-01")
    assert "report it" not in shell.said
    shell("amend", "2", "--taxon", "Vespa velutina")
    assert "report it at once" in shell.said


def test_amending_keeps_what_was_there(shell: Shell) -> None:
    seen = ("--caste", "worker", "--notes", "fast", "--hint", "tail=white")
    shell("add", "--taxon", "Bombus hortorum", *seen)
    out = shell(
        "amend", "1", "--taxon", "Bombus ruderatus", "--status", "confirmed", "--identified-by", "B. V."
    )
    assert out.startswith("record 1, version 2: Bombus ruderatus, worker")
    shell("amend", "1", "--hint", "collar=yellow", "--hint", "tail=", "--caste", "male", "--notes", "")
    (record,) = shell.json("show", "1", "--history")
    assert (record["caste"], record["sex"], record["notes"]) == ("male", "male", "")
    assert record["hints"] == {"collar": "yellow"}
    assert record["identified_by"] == "B. V."
    states = record["history"]
    assert [state["record"]["taxon"] for state in states] == ["Bombus hortorum", *["Bombus ruderatus"] * 2]
    assert states[0]["record"]["notes"] == "fast"
    _, first, second = shell("show", "1", "--history").split("  version 1, added ")[1].split("  version ")
    assert first.startswith("2, amended ")
    assert "    name before: Bombus hortorum (Garden bumblebee)\n    status before: decided\n" in first
    for told in ("caste before: worker", "seen before: tail white", "notes before: fast"):
        assert f"\n    {told}\n" in second
        assert told not in first
    shell("amend", "1", "--place", "TQ 18 75")
    shell("amend", "1", "--place", "")
    assert shell.json("show", "1")[0]["place"] is None


def test_a_hint_is_added_to_what_another_program_has_just_written(
    shell: Shell, monkeypatch: pytest.MonkeyPatch
) -> None:
    shell("add", "--taxon", "Bombus hortorum", "--hint", "tail=white", "--date", "2026-06-01")
    amend = Notebook.amend

    def late(self: Notebook, number: int, **changes: Any) -> Entry:
        monkeypatch.setattr(Notebook, "amend", amend)
        with Notebook.open(shell.path) as other:
            other.amend(1, hints={"tail": "white", "collar": "yellow"})
        return self.amend(number, **changes)

    monkeypatch.setattr(Notebook, "amend", late)
    shell("amend", "1", "--hint", "bands=3")
    (record,) = shell.json("show", "1")
    assert record["hints"] == {"tail": "white", "collar": "yellow", "bands": "3"}


def test_an_empty_text_clears_every_field(shell: Shell, tmp_path: Path) -> None:
    photo = tmp_path / "bee.jpg"
    photo.touch()
    shell(
        "add", "--taxon", "Bombus hortorum", "--temperature", "12.5", "--photo", str(photo), "--date", "2026"
    )
    shell("amend", "1", "--temperature", "", "--photo", "")
    (record,) = shell.json("show", "1")
    assert (record["temperature_c"], record["photographs"]) == (None, [])
    shell("amend", "1", "--temperature", "99", status=2)


def test_a_recording_that_is_gone_fails_an_export_of_clips(shell: Shell, tmp_path: Path) -> None:
    recording = RecordingNote(str(tmp_path / "gone.wav"), bouts=(BoutNote("flight", 1.0, 2.0),))
    with Notebook.open(shell.path) as opened:
        opened.add(Record(taxon="Bombus hortorum"))
    out = str(tmp_path / "clips")
    assert shell("export", "--format", "bwf", "--out", out) == f"0 clips written to {out}\n"
    with Notebook.open(shell.path) as opened:
        opened.add(Record(taxon="Bombus hortorum", recording=recording))
    shell("export", "--format", "bwf", "--out", out, status=1)
    assert "record 2: " in shell.said
    assert "the recording is not there any more" in shell.said
    # Five years of records by eye are no hundred lines.
    assert "1 record is not in it: without a flight in a recording\n" in shell.said
    assert "record 1: " not in shell.said


def test_one_name_for_two_bees_of_a_recording_is_told(shell: Shell, monkeypatch: pytest.MonkeyPatch) -> None:
    from wingtone.cli import notebook_command

    bees = [Record(taxon="Bombus hortorum", status="confirmed", event_date="2026-06-01")] * 2
    monkeypatch.setattr(notebook_command, "_answered", lambda *_: bees)
    shell("add", "--recording", "two.wav", "--taxon", "Bombus hortorum", "--status", "confirmed")
    assert "2 bees were told apart in it, and what you gave stands in the record of each" in shell.said


def test_removing_and_bringing_back(shell: Shell) -> None:
    shell("add", "--taxon", "Bombus hortorum")
    shell("add", "--taxon", "Bombus pratorum")
    assert "bring it back with --undo" in shell("remove", "1")
    assert "hortorum" not in shell("list")
    assert "hortorum" in shell("list", "--removed")
    assert "is back" in shell("remove", "1", "--undo")
    assert [record["number"] for record in shell.json("list")] == [2, 1]


def test_lists_are_chosen_by_day_place_name_and_status(shell: Shell) -> None:
    shell("add", "--taxon", "Bombus terrestris", "--date", "2026-03-20", "--place", "TQ 187 753")
    shell(
        "add", "--taxon", "Bombus hortorum", "--date", "2026-06", "--place", "NN 166 712", "--recorder", "Ann"
    )
    shell("add", "--hint", "tail=red")

    def numbers(*arguments: str) -> list[int]:
        return [record["number"] for record in shell.json("list", *arguments)]

    assert numbers("--since", "2026-04-01") == [2]
    assert numbers("--until", "2026-03") == [1]
    assert numbers("--near", "TQ17") == [1]
    assert numbers("--near", "TQ17", "--within", "900") == [2, 1]
    assert numbers("--taxon", "bombus hort") == [2]
    assert numbers("--status", "hint") == [3]
    assert numbers("--recorder", "ann") == [2]
    assert numbers("--limit", "1") == [2]
    table = shell("list")
    assert table.splitlines()[0].split() == ["no.", "day", "name", "status", "place"]
    rows = list(csv.DictReader(io.StringIO(shell("list", "--format", "csv"))))
    assert [row["taxon"] for row in rows[:2]] == ["Bombus hortorum", "Bombus terrestris"]


def test_a_cell_that_a_spreadsheet_would_run_is_made_plain(shell: Shell) -> None:
    shell("add", "--taxon", "=1+1")
    (row,) = csv.DictReader(io.StringIO(shell("list", "--format", "csv")))
    assert row["taxon"] == "'=1+1"


def test_odd_letters_do_not_reach_the_terminal(shell: Shell) -> None:
    out = shell("add", "--taxon", "Bombus \x1b[31mred", "--notes", "a\x1b[2Jb")
    assert "\x1b" not in out + shell("list") + shell("show", "1") + shell.said


def test_exports_of_every_kind(shell: Shell, tmp_path: Path) -> None:
    clip = DEMO / "1_march_big_queen.m4a"
    shell("add", "--recording", str(clip), "--taxon", "Bombus terrestris", "--place", "51.46872,-0.29113")
    shell("add", "--taxon", "Bombus hortorum", "--status", "rejected")
    archive = tmp_path / "bees.zip"
    out = shell("export", "--out", str(archive), "--blur", "2", "--title", "Bees", "--creator", "A. R.")
    assert out == f"1 record written to {archive}\n"
    with DwCAReader(str(archive)) as read:
        (row,) = read.rows
        assert "2 km" in row.data["http://rs.tdwg.org/dwc/terms/dataGeneralizations"]
    shell("export", "--format", "csv", "--out", str(tmp_path / "bees.csv"), "--withhold-place")
    assert "51.4687" not in (tmp_path / "bees.csv").read_text(encoding="utf-8-sig")
    shell("export", "--format", "geojson", "--out", str(tmp_path / "bees.geojson"))
    (feature,) = json.loads((tmp_path / "bees.geojson").read_text(encoding="utf-8"))["features"]
    assert feature["geometry"]["coordinates"] == [-0.29113, 51.46872]
    assert "clips written" in shell("export", "--format", "bwf", "--out", str(tmp_path / "clips"))
    assert list((tmp_path / "clips").glob("00001-1-*.wav"))
    shell("export", "--format", "csv", "--out", str(tmp_path / "rejected.csv"), "--status", "rejected")
    assert "hortorum" in (tmp_path / "rejected.csv").read_text(encoding="utf-8-sig")


@pytest.mark.parametrize(
    ("name", "given", "begin"),
    [
        ("bees.csv", (), b"\xef\xbb\xbfoccurrenceID"),
        ("BEES.CSV", (), b"\xef\xbb\xbfoccurrenceID"),
        ("bees.geojson", (), b'{"type"'),
        ("bees.json", (), b'{"type"'),
        ("bees.zip", (), b"PK"),
        ("bees", (), b"PK"),
        ("bees.txt", ("--format", "csv"), b"\xef\xbb\xbfoccurrenceID"),
        ("bees.csv", ("--format", "labels"), b"file,"),
    ],
)
def test_the_ending_says_the_format(
    shell: Shell, tmp_path: Path, name: str, given: tuple[str, ...], begin: bytes
) -> None:
    shell("add", "--taxon", "Bombus hortorum", "--date", "2026-06-01")
    shell("export", *given, "--out", str(tmp_path / name))
    assert (tmp_path / name).read_bytes().startswith(begin)


@pytest.mark.parametrize(
    ("name", "layout", "remedy"),
    [("bees.csv", "darwin-core", "csv"), ("bees.zip", "csv", "darwin-core"), ("b.json", "bwf", "geojson")],
)
def test_an_ending_of_another_format_is_refused(
    shell: Shell, tmp_path: Path, name: str, layout: str, remedy: str
) -> None:
    shell("add", "--taxon", "Bombus hortorum", "--date", "2026-06-01")
    shell("export", "--format", layout, "--out", str(tmp_path / name), status=2)
    assert f"is no {layout} (give --format {remedy}, or another name)" in shell.said
    assert not (tmp_path / name).exists()


@pytest.mark.parametrize("layout", ["darwin-core", "csv", "geojson", "labels", "bwf"])
def test_an_export_without_records_says_so(shell: Shell, tmp_path: Path, layout: str) -> None:
    shell("add", "--taxon", "Bombus hortorum", "--date", "2026-06-01")
    out = tmp_path / "out"
    told = shell("export", "--format", layout, "--out", str(out), "--taxon", "Bombus pratorum")
    assert told.startswith("0 ")
    assert "no record of the notebook is what you asked for" in shell.said
    assert out.exists()


def test_lists_are_chosen_by_plain_names_and_epithets_too(shell: Shell) -> None:
    for name in ("Bombus lucorum", "Bombus lucorum agg.", "Bombus hortorum", "White bee"):
        shell("add", "--date", "2026-06-01", "--taxon", name)
    assert {r["taxon"] for r in shell.json("list", "--taxon", "lucorum")} == {"Bombus lucorum"}
    white = {"Bombus lucorum", "Bombus lucorum agg.", "White bee"}
    assert {r["taxon"] for r in shell.json("list", "--taxon", "White")} == white
    assert {r["taxon"] for r in shell.json("list", "--taxon", "garden bumblebee")} == {"Bombus hortorum"}
    assert shell.json("list", "--taxon", "-") == []


def test_a_word_for_a_kind_finds_all_of_it(shell: Shell) -> None:
    for name in ("Asian hornet", "Hornet hoverfly", "Bombus", "Garden bumblebee", "Common carder bee"):
        shell("add", "--taxon", name)

    def found(asked: str) -> set[str]:
        return {record["taxon"] for record in shell.json("list", "--taxon", asked)}

    assert found("hornet") == {"Vespa velutina", "Volucella zonaria"}
    assert found("carder bee") == {"Bombus pascuorum"}
    assert found("bumblebee") == found("Bombus") == {"Bombus", "Bombus hortorum", "Bombus pascuorum"}


def test_a_choice_offers_no_empty_word(shell: Shell) -> None:
    shell("add", "--taxon", "Bombus", "--caste", "bogus", status=2)
    assert "'bogus' is not one of 'queen', " in shell.said
    shell("list", "--status", "bogus", status=2)
    assert "'bogus' is not one of 'hint', " in shell.said
    shell("add", "--taxon", "Bombus", "--caste", "Queen")
    assert shell.json("list", "--caste", "QUEEN")[0]["caste"] == "queen"
    shell("amend", "1", "--status", "Rejected")
    assert shell.json("list", "--status", "REJECTED")[0]["status"] == "rejected"
    shell("amend", "1", "--caste", "")
    assert shell.json("list", "--caste", "")[0]["caste"] == ""


def test_one_is_told_as_one(shell: Shell, tmp_path: Path) -> None:
    shell("add", "--taxon", "Bombus hortorum", "--date", "2026-06-01")
    assert shell("check") == f"{shell.path}: 1 record, all sound\n"
    saved = tmp_path / "saved.sqlite"
    assert shell("rescue", "--out", str(saved)) == f"1 record with 1 state saved to {saved}\n"


def test_labels_for_training_are_of_what_was_seen_not_of_hints(shell: Shell, tmp_path: Path) -> None:
    clip = DEMO / "1_march_big_queen.m4a"
    place = ("--place", "TQ 187 753", "--date", "2026-03-21")
    shell("add", "--recording", str(clip), "--taxon", "Bombus terrestris", "--caste", "queen", *place)
    shell("add", "--recording", str(DEMO / "4_july_tomato_flower.flac"), "--hint", "tail=buff")
    shell("add", "--taxon", "Bombus hortorum", "--caste", "worker")
    bouts = [b for b in shell.json("show", "1")[0]["recording"]["bouts"] if b["kind"] == "flight"]
    table = tmp_path / "labels.csv"
    out = shell("export", "--format", "labels", "--out", str(table))
    assert out == f"{len(bouts)} labels written to {table}\n"
    assert "2 records are not in it" in shell.said
    rows = read_labels(table).rows
    assert [row.start_s for row in rows] == [pytest.approx(b["start_s"], abs=1e-3) for b in bouts]
    said = (rows[0].caste, rows[0].taxon, rows[0].individual, rows[0].site, str(rows[0].date))
    assert said == ("queen", "Bombus terrestris", "", "TQ 18 75", "2026-03-21")
    assert rows[0].file == clip.resolve()
    shell("export", "--format", "labels", "--out", str(table), "--withhold-place")
    assert read_labels(table).rows[0].site == ""


def test_import_proposes_runs_dry_and_adds_once(shell: Shell, tmp_path: Path) -> None:
    table = tmp_path / "old.csv"
    table.write_text("Bee,Seen on,Grid Ref\nBombus hortorum,1 June 2026,TQ 18 75\n", encoding="utf-8")
    mapping = ("--map", "Bee=taxon", "--map", "Seen on=date")
    assert "1 record could be imported" in shell("import", str(table), *mapping, "--dry-run")
    assert not shell.path.exists()
    assert "Grid Ref" in shell.said
    assert shell("import", str(table), *mapping) == "1 record imported\n"
    assert shell("import", str(table), *mapping) == "0 records imported, 1 was there already\n"
    (record,) = shell.json("list")
    assert (record["event_date"], record["status"]) == ("2026-06-01", "decided")


def test_what_a_table_adds_nothing_for_is_told(shell: Shell, tmp_path: Path) -> None:
    table = tmp_path / "old.csv"
    table.write_text("No,species,count\n1,Bombus hortorum,1\n2,Bombus pratorum,0\n")
    shell("import", str(table), "--map", "No=id")
    assert "the row in line 3 says that no bee was there" in shell.said
    assert "\n  occurrenceID  1\n" in shell("show", "1")
    shell("remove", "1")
    out = shell("import", str(table), "--map", "No=id")
    assert "0 records imported, 1 was there already" in out
    assert "was removed: 1 (to have them back: wingtone notebook remove 1 --undo)" in shell.said
    shell("remove", "1", "--undo")
    table.write_text("No,species,individualCount\n1,Bombus lapidarius,2\n")
    out = shell("import", str(table), "--map", "No=id")
    assert "1 record imported" in out
    assert "an earlier one that says something else: 2 that of 1" in shell.said
    assert "\n  individualCount 2\n" in shell("show", "2")


OLD = "Date,Species,Caste,Grid Ref,Recorder\n" + "".join(
    f"{day}/06/2025,Bombus terrestris,worker,TQ 18 75,A. Recorder\n" for day in ("01", "02", "02")
)


def test_rows_that_come_again_in_another_form_are_told(shell: Shell, tmp_path: Path) -> None:
    """As when a column was added, or when two notebooks that hold one table are put together."""
    table, more = tmp_path / "old.csv", tmp_path / "more.csv"
    table.write_text(OLD)
    more.write_text("Weather," + OLD.replace("\n0", "\ndry,0"))
    shell("import", str(table))
    assert "earlier one" not in shell.said  # two alike of one table are two bees
    shell("remove", "1")
    assert shell("import", str(more), "--dry-run").startswith("3 records could be imported; nothing")
    assert (
        "2 records of the table are of the day, place, name, caste and recorder of an earlier" in shell.said
    )
    assert "earlier one: 2 as 2, 3 as 3 (they may be the same bees)\n" in shell.said
    shell("import", str(more))
    assert (
        "earlier one: 5 as 2, 6 as 3 (if they are the same bees: wingtone notebook remove 5 6)" in shell.said
    )
    other = ["--notebook", str(tmp_path / "other.sqlite")]
    shell("import", str(table), *other)
    out = tmp_path / "out.csv"
    shell("export", "--out", str(out), *other)
    shell("remove", "4", "5", "6")
    assert shell("import", str(out), "--dry-run").startswith("3 records could be imported; nothing")
    shell("import", str(out))
    assert "2 new records are of the day" in shell.said
    assert shell("import", str(out), "--dry-run").startswith(
        "0 records could be imported, 3 are there already;"
    )
    assert shell("import", str(table), "--dry-run").startswith(
        "0 records could be imported, 3 are there already;"
    )
    assert "one that was there already was removed: 1" in shell.said


def test_what_a_table_says_else_of_a_record_that_is_there_is_told(shell: Shell, tmp_path: Path) -> None:
    """As when a verifier hands the records back, confirmed: what is there stays, but not without a word."""
    out = tmp_path / "out.csv"
    other = ["--notebook", str(tmp_path / "verifier.sqlite")]
    for taxon in ("Bombus hortorum", "Bombus pratorum", "Bombus hypnorum"):
        shell("add", "--taxon", taxon, "--date", "2025-06-01", "--caste", "worker")
    shell("export", "--out", str(out))
    shell("import", str(out))
    assert "something else" not in shell.said
    shell("import", str(out), *other)
    shell("amend", "1", "--status", "confirmed", "--identified-by", "B. Verifier", *other)
    shell("amend", "2", "--taxon", "Bombus jonellus", *other)
    shell("export", "--out", str(out), *other)
    told = "2 that were there already say something else in the table, and they stay as they are: "
    told += "1 (status, who decided), 2 (name)\n"
    shell("import", str(out), "--dry-run")
    assert told in shell.said
    assert shell("import", str(out)) == "0 records imported, 3 were there already\n"
    assert told in shell.said
    assert shell.json("show", "1")[0]["status"] == "decided"


def test_a_flight_that_a_notebook_holds_is_told_when_it_is_imported(shell: Shell, tmp_path: Path) -> None:
    """Two people kept the same flight of the same recording, each in their own notebook."""
    other, out = tmp_path / "other.sqlite", tmp_path / "out.csv"
    heard = RecordingNote("a.wav", "ab" * 32, bouts=(BoutNote("flight", 1.0, 3.0, 150.0),))
    record = Record(event_date="2025-06-01", taxon="Bombus terrestris", status="decided", recording=heard)
    for path in (other, tmp_path / "bees.sqlite"):
        with Notebook.open(path) as opened:
            opened.add(record)
    shell("export", "--out", str(out), "--notebook", str(other))
    shell("import", str(out), "--dry-run")
    told = "it may be the bee of record 1, which rests on the same part of the same recording"
    assert f"record 1 of the table: note: {told}" in shell.said
    shell("import", str(out))
    assert f"record 2: note: {told} (to mend it: wingtone notebook remove 2)" in shell.said
    shell("import", str(out))
    assert told not in shell.said


def test_imported_names_are_those_of_the_fauna(shell: Shell, tmp_path: Path) -> None:
    table = tmp_path / "old.csv"
    written = [
        "Buff-tailed bumblebee",
        "buff tailed",
        "B. terrestris",
        "BOMBUS TERRESTRIS",
        "Bombus terrestris",
    ]
    unknown = ["Bombus foo", "Bombus foo", "Hairy bee", "Bombus hortorum?"]
    table.write_text(
        "\n".join(["species", *written, "Honey bee", "Bombus sp.", *unknown, ""]), encoding="utf-8"
    )
    assert shell("import", str(table), "--dry-run").startswith("11 records could be imported")
    noted = "4 records have names that the fauna british_isles does not have, kept as written: "
    assert f"{noted}'Bombus foo' (2), 'Hairy bee' (1), 'Bombus hortorum?' (1)\n" in shell.said
    assert re.search(r"buff tailed +Bombus terrestris +1\n", shell.said)
    shell("import", str(table))
    assert noted in shell.said
    records = shell.json("list", "--taxon", "Bombus terrestris")
    assert [record["other"].get("verbatimIdentification") for record in records] == [None, *written[3::-1]]
    assert {(r["rank"], r["vernacular"]) for r in records} == {("species", "Buff-tailed bumblebee")}
    out = tmp_path / "out.csv"
    shell("export", "--format", "csv", "--out", str(out))
    rows = list(csv.DictReader(out.read_text(encoding="utf-8-sig").splitlines()))
    names = [(row["scientificName"], row["verbatimIdentification"], row["vernacularName"]) for row in rows]
    buff = "Buff-tailed bumblebee"
    assert names[:5] == [("Bombus terrestris", name, buff) for name in [*written[:4], ""]]
    assert names[5:7] == [("Apis mellifera", "Honey bee", "Honey bee"), ("Bombus", "Bombus sp.", "")]
    assert names[7:10] == [*[("Bombus foo", "", "")] * 2, ("", "Hairy bee", "Hairy bee")]
    assert names[10:] == [("Bombus", "Bombus hortorum?", "")]
    shell("import", str(table))
    assert shell("import", str(out)).endswith("11 were there already\n")


def test_a_plain_name_in_a_column_of_its_own_is_looked_up(shell: Shell, tmp_path: Path) -> None:
    table = tmp_path / "old.csv"
    text = "scientificName,common name\n,Tree bumblebee\nBombus pratorum,early bumble\n,Mystery bee\n"
    table.write_text(text, encoding="utf-8")
    shell("import", str(table))
    assert "'Mystery bee' (1)" in shell.said
    tree, early, mystery = reversed(shell.json("list"))
    assert (tree["taxon"], tree["rank"], tree["vernacular"]) == (
        "Bombus hypnorum",
        "species",
        "Tree bumblebee",
    )
    assert (early["taxon"], early["vernacular"], early["other"]) == ("Bombus pratorum", "early bumble", {})
    assert (mystery["taxon"], mystery["vernacular"]) == ("", "Mystery bee")


def test_all_faults_of_a_table_are_told(shell: Shell, tmp_path: Path) -> None:
    table = tmp_path / "old.csv"
    table.write_text("species,date\nBombus,soon\nBombus,later\n", encoding="utf-8")
    shell("import", str(table), status=1)
    assert "line 2, column date" in shell.said
    assert "line 3, column date" in shell.said
    assert "nothing was imported" in shell.said


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (("list",), 1, "no notebook here yet"),
        (("show", "7"), 1, "no notebook here yet"),
        (("add",), 2, "nothing to record"),
        (("add", "--hint", "tail=pink"), 2, "tail"),
        (("add", "--taxon", "Bombus", "--date", "soon"), 2, "not understood"),
        (("add", "--taxon", "Bombus", "--place", "QT 12 34"), 2, "did you mean TQ"),
        (("add", "--taxon", "Bombus", "--temperature", "warm"), 2, "is not a number"),
        (("add", "--recording", "missing.m4a"), 1, "missing.m4a"),
        (("list", "--within", "5"), 2, "--within needs --near"),
        (("export", "--out", "x.zip", "--blur", "5"), 2, "not one of"),
        (("import", "missing.csv"), 1, "cannot be read"),
        (("rescue", "--out", "x.sqlite"), 1, "no notebook here"),
    ],
)
def test_each_mistake_is_told_in_a_line(
    shell: Shell,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    arguments: tuple[str, ...],
    status: int,
    said: str,
) -> None:
    monkeypatch.chdir(tmp_path)
    shell(*arguments, status=status)
    assert said in shell.said
    assert list(tmp_path.iterdir()) == []


def test_mistakes_about_records_that_are_there(shell: Shell) -> None:
    shell("add", "--taxon", "Bombus hortorum")
    shell("show", "7", status=2)
    assert "no record 7" in shell.said
    shell("amend", "1", status=2)
    assert "nothing to change" in shell.said
    shell("remove", "1")
    shell("amend", "1", "--notes", "x", status=2)
    assert "restore it first" in shell.said or "removed" in shell.said


def test_the_notebook_may_be_named_after_the_command_and_the_later_name_counts(tmp_path: Path) -> None:
    first, second = str(tmp_path / "first.sqlite"), str(tmp_path / "second.sqlite")

    def run(*arguments: str) -> str:
        result = CliRunner().invoke(wingtone.cli.main, ["notebook", *arguments])
        assert result.exit_code == 0, result.output
        return result.stdout

    run("add", "--taxon", "Bombus hortorum", "--notebook", first)
    run("--notebook", first, "add", "--taxon", "Bombus pratorum", "--notebook", second)
    assert "hortorum" in run("--notebook", first, "list")
    assert "pratorum" in run("--notebook", first, "list", "--notebook", second)
    assert "pratorum" not in run("--notebook", second, "list", "--notebook", first)
    assert isinstance(group, click.Group)
    for name in group.commands:
        assert "--notebook FILE" in run(name, "--help"), name


def test_damage_is_told_and_what_is_sound_is_saved(shell: Shell, tmp_path: Path) -> None:
    for i in range(3):
        shell("add", "--taxon", "Bombus hortorum", "--notes", f"note {i}")
    assert shell("check") == f"{shell.path}: 3 records, all sound\n"
    content = bytearray(shell.path.read_bytes())
    content[content.index(b"note 1")] ^= 1
    shell.path.write_bytes(content)
    shell("check", status=1)
    assert "record 2 does not agree" in shell.said
    assert "rescue --out" in shell.said
    saved = tmp_path / "saved.sqlite"
    assert shell("rescue", "--out", str(saved)) == f"2 records with 2 states saved to {saved}\n"
    assert shell.path.read_bytes() == bytes(content)


def test_help_has_real_examples(shell: Shell, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every example of the help runs as it stands, given the files and the record it names."""
    import shlex

    monkeypatch.chdir(tmp_path)
    (tmp_path / "garden.m4a").write_bytes((DEMO / "1_march_big_queen.m4a").read_bytes())
    (tmp_path / "old_records.csv").write_text(
        "Species,Bee,Weather\nBombus,Bombus hortorum,sunny\n", encoding="utf-8"
    )
    for _ in range(12):
        shell("add", "--taxon", "Bombus hypnorum", "--date", "2026-05-01", "--place", "TQ 18 75")
    (tmp_path / "damaged.sqlite").write_bytes(shell.path.read_bytes())
    ran = 0
    assert isinstance(group, click.Group)
    for name, command in group.commands.items():
        assert isinstance(command, Command)
        for example in command.examples:
            program, word, *rest = shlex.split(example.partition(" > ")[0])
            assert (program, word) == ("wingtone", "notebook")
            (tmp_path / "saved.sqlite").unlink(missing_ok=True)
            assert name in rest
            shell(*rest)
            ran += 1
    assert ran > 15


def test_listing_loads_no_science(tmp_path: Path) -> None:
    """``notebook list`` is called often: it must not wait for numpy."""
    code = (
        "import sys, wingtone.cli as c;"
        "c.main(['notebook', 'list'], standalone_mode=False);"
        "print([m for m in ('numpy', 'scipy', 'av', 'soundfile') if m in sys.modules])"
    )
    environment = {**os.environ, "XDG_DATA_HOME": str(tmp_path), "HOME": str(tmp_path)}
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=False
    )
    assert done.stdout.splitlines()[-1:] in ([], ["[]"]), done.stdout
    assert "no notebook here yet" in done.stderr


# --- slips ------------------------------------------------------------------------------------------------


def test_a_date_in_the_future_is_told_when_added_amended_and_handed_on(shell: Shell, tmp_path: Path) -> None:
    shell("add", "--date", "2190-06-01", "--taxon", "Bombus")
    told = "wingtone: record 1: note: the date, 2190-06-01, lies in the future"
    assert f"{told} (to mend it: wingtone notebook amend 1 --date DATE)\n" == shell.said
    for layout in ("darwin-core", "csv", "geojson"):
        shell("export", "--format", layout, "--out", str(tmp_path / "out"))
        assert told in shell.said
    shell("amend", "1", "--notes", "on sallow")
    assert shell.said == ""
    shell("amend", "1", "--date", "2191-06")
    assert "the date, 2191-06, lies in the future" in shell.said
    shell("amend", "1", "--date", "2019-03-20")
    assert shell.said == ""
    shell("export", "--format", "csv", "--out", str(tmp_path / "out"))
    assert shell.said == ""


def test_what_cannot_be_so_is_told_everywhere(shell: Shell, tmp_path: Path) -> None:
    table, out = tmp_path / "old.csv", str(tmp_path / "out.csv")
    where = ("--date", "2026-06-01", "--place", "TQ 18 75")
    told = "there is no worker of Bombus vestalis, only cuckoo female, male"
    shell("add", *where, "--taxon", "vestalis", "--caste", "worker")
    assert f"record 1: note: {told} (to mend it: wingtone notebook amend 1 --taxon NAME" in shell.said
    shell("amend", "1", "--notes", "no news")
    assert shell.said == ""
    shell("amend", "1", "--caste", "male")
    assert shell.said == ""
    shell("amend", "1", "--caste", "worker")
    assert told in shell.said
    shell("export", "--format", "csv", "--out", out)
    assert told in shell.said
    table.write_text("species,caste,date\nBombus vestalis,worker,2190-06-01\n", encoding="utf-8")
    shell("import", str(table), "--dry-run")
    assert f"record 1 of the table: note: {told}\n" in shell.said
    shell("import", str(table))
    assert f"record 2: note: {told} (" in shell.said
    assert "record 2: note: the date, 2190-06-01, lies in the future" in shell.said
    shell("import", str(table))
    assert "vestalis" not in shell.said  # it was there already


def test_a_record_whose_name_is_taken_away_is_decided_no_longer(shell: Shell) -> None:
    shell("add", "--date", "2026-06-01", "--taxon", "Bombus hortorum")
    assert shell("amend", "1", "--taxon", "") == "record 1, version 2: no name yet, 2026-06-01, hint\n"
    shell("amend", "1", "--status", "confirmed")
    assert "it is confirmed, but has no name" in shell.said
    assert "it is confirmed, but nobody stands for that" in shell.said


def test_a_flood_of_notes_is_held_back(shell: Shell, tmp_path: Path) -> None:
    with Notebook.open(shell.path) as opened:
        for _ in range(25):
            opened.add(Record(taxon="Bombus", event_date="2190-06-01"))
    shell("export", "--format", "csv", "--out", str(tmp_path / "out.csv"))
    assert shell.said.count("lies in the future") == 20
    assert "5 more such notes are not shown" in shell.said


def test_a_recording_added_twice_is_told(shell: Shell, tmp_path: Path) -> None:
    queen = str(DEMO / "1_march_big_queen.m4a")
    shell("add", "--recording", queen)
    assert "may be the bee" not in shell.said
    shell("add", "--recording", queen, "--hint", "tail=buff")
    told = "record 2: note: it may be the bee of record 1, which rests on the same part of the same recording"
    assert told in shell.said
    shell("export", "--format", "csv", "--out", str(tmp_path / "out.csv"))
    assert told in shell.said
    shell("remove", "1")
    shell("export", "--format", "csv", "--out", str(tmp_path / "out.csv"))
    assert "may be the bee" not in shell.said


def test_a_genus_of_the_fauna_is_a_name(shell: Shell) -> None:
    shell("add", "--date", "2019-06-01", "--taxon", "bombus")
    assert shell.said == ""
    shell("add", "--date", "2019-06-01", "--taxon", "Bombas")
    assert "is not a name in the fauna" in shell.said


def test_of_several_records_one_that_is_not_there_keeps_the_others_from_nothing(shell: Shell) -> None:
    """README, exit status 1: named with the reason, and the rest is still done."""
    for taxon in ("Bombus hortorum", "Bombus pratorum"):
        shell("add", "--taxon", taxon)
    shown = shell("show", "99", "1", "2", status=1)
    assert "hortorum" in shown
    assert "pratorum" in shown
    assert shell.said.count("there is no record 99") == 1
    removed = shell("remove", "1", "99", "2", status=1)
    assert removed.count("removed; bring it back") == 2
    assert "there is no record 99" in shell.said
    back = shell("remove", "--undo", "99", "98", "2", status=1)
    assert "record 2 is back" in back
    assert "there is no record 98" in shell.said
    for command in ("show", "remove"):
        assert shell(command, "99", status=2) == ""


def test_a_file_that_is_no_notebook_is_called_what_it_is(tmp_path: Path) -> None:
    """And no remedy sends to a command that sends back."""
    (tmp_path / "notes.txt").write_text("bees at the gate, Tuesday\n")
    (tmp_path / "bee.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 20)
    for path, what in (
        (DEMO / "1_march_big_queen.m4a", "is a recording, not a notebook"),
        (tmp_path / "notes.txt", "is a text file, not a notebook"),
        (tmp_path / "bee.png", "is a picture, not a notebook"),
    ):
        shell = Shell(path)
        for command in (
            ["list"],
            ["add", "--taxon", "Bombus hortorum"],
            ["rescue", "--out", str(tmp_path / "new")],
        ):
            shell(*command, status=1)
            assert what in shell.said, command
            assert "damaged" not in shell.said
            assert "rescue" not in shell.said
            assert shell.said.startswith(f"wingtone: {path}: ")


def test_what_may_have_been_a_notebook_is_told_how_to_be_rescued(tmp_path: Path) -> None:
    path = tmp_path / "my bees.sqlite"
    path.write_bytes(bytes(5000))
    shell = Shell(path)
    shell("list", status=1)
    assert f"wingtone notebook --notebook '{path}' rescue --out NEW" in shell.said
    shell("rescue", "--out", str(tmp_path / "new.sqlite"), status=1)
    assert "no record in it can be read" in shell.said
    assert "--out NEW" not in shell.said
    assert not (tmp_path / "new.sqlite").exists()


def test_a_search_that_finds_nothing_says_what_may_be_wrong(shell: Shell) -> None:
    shell("add", "--taxon", "Bombus hortorum", "--date", "2026-06-01", "--place", "51.46,-0.30")
    assert "hortorum" in shell("list", "--taxon", "Bombus hort")
    assert shell.said == ""
    shell("list", "--near", "51.47,-0.31")
    assert "--within KM looks around it" in shell.said
    shell("list", "--since", "2026-07-01", "--until", "2026-06-01")
    assert "no day is both since 2026-07-01 and until 2026-06-01" in shell.said
    shell("list", "--taxon", "Bombus hortorm")
    assert "did you mean Bombus hortorum" in shell.said
    out = shell.path.with_name("none.csv")
    shell("export", "--out", str(out), "--taxon", "Bombus hortorm")
    assert "did you mean Bombus hortorum" in shell.said
    out = shell.path.with_name("none.png")
    shell("chart", "--kind", "season", "--out", str(out), "--taxon", "Bombus hortorm", status=1)
    assert "did you mean Bombus hortorum" in shell.said
    assert "no record of the notebook is what you asked for" in shell.said


def test_a_folder_is_no_photograph(shell: Shell) -> None:
    shell("add", "--taxon", "Bombus hortorum", "--photo", str(shell.path.parent))
    assert "this is a folder, no photograph; its path is kept" in shell.said
