"""What hostile inputs found, one test each: none of it may come back."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import json
import sqlite3
import struct
import tracemalloc
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from click.testing import CliRunner

import wingtone
from fauna.tiny import write_fauna
from fuzz.archives import model_bytes, resealed, rewritten
from fuzz.databases import notebook_bytes
from fuzz.recordings import DEMO, wav
from wingtone.audio import open_recording
from wingtone.audio.metadata import riff_texts
from wingtone.cli import main
from wingtone.errors import (
    Fault,
    HintError,
    InputError,
    RecordingError,
    RequestError,
    TableError,
    WingtoneError,
)

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

BOUT = {
    "path": "a.wav",
    "kind": "flight",
    "start_s": "0",
    "end_s": "1",
    "f0_hz": "150",
    "f0_low_hz": "149",
    "f0_high_hz": "151",
}


# --- tables that spreadsheets open --------------------------------------------------------------------------


def test_a_table_of_bouts_is_safe_to_open_and_reads_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The name of a recording may be a formula, in ``measure --format csv`` and in the tables of a survey."""
    from wingtone.population.sources import read_sources

    monkeypatch.chdir(tmp_path)
    name = "=1+1.3gp"
    (tmp_path / name).write_bytes((DEMO / "2_april_small_queen.3gp").read_bytes())
    run = CliRunner().invoke(main, ["measure", "--format", "csv", name])
    assert run.exit_code == 0
    rows = list(csv.DictReader(io.StringIO(run.stdout)))
    assert rows
    assert {row["path"] for row in rows} == {f"'{name}"}
    (tmp_path / "bouts.csv").write_text(run.stdout)
    source = read_sources(["bouts.csv"])
    assert {row.values["path"] for row in source.bouts} == {name}


def test_the_tables_of_a_survey_are_safe_to_open(tmp_path: Path) -> None:
    from survey.test_run import Here
    from wingtone.survey import run_survey

    clips = tmp_path / "clips"
    clips.mkdir()
    (clips / "bee.3gp").write_bytes((DEMO / "2_april_small_queen.3gp").read_bytes())
    with contextlib.chdir(tmp_path):
        clips.rename("=clips")
        run_survey("=clips", tmp_path / "out", workers=Here())
    for name in ("bouts", "recordings", "effort"):
        rows = list(csv.DictReader(io.StringIO((tmp_path / "out" / f"{name}.csv").read_text("utf-8"))))
        assert {row["path"] for row in rows} == {"'=clips/bee.3gp"}


# --- messages ---------------------------------------------------------------------------------------------


def test_a_message_is_a_paragraph_whatever_was_put_in() -> None:
    long = "x" * 1_000_000
    for error in (
        InputError(long, remedy=long, where=long),
        TableError([Fault(long, 1, long, long)], where=long),
    ):
        assert len(str(error)) < 6000
    assert len(str(Fault("t.csv", 1, "a", long))) < 600
    assert (
        str(InputError("is empty", remedy="copy it again", where="bee.wav"))
        == "bee.wav: is empty (copy it again)"
    )
    name = "b" * 255 + "/" + "c" * 255
    assert str(InputError("is empty", where=name)) == f"{name}: is empty"


def test_a_wrong_table_tells_a_bounded_number_of_faults(tmp_path: Path) -> None:
    from wingtone.notebook.importing import read_plan

    (tmp_path / "t.csv").write_text("Species,Date\n" + "Bombus,no day\n" * 5000)
    with pytest.raises(TableError) as caught:
        read_plan(tmp_path / "t.csv")
    assert len(caught.value.faults) == 1001
    assert sum("the rest of the table was not read" in fault.what for fault in caught.value.faults) == 1


# --- notebooks ----------------------------------------------------------------------------------------------


def _changed_notebook(path: Path, change: Callable[[Any], Any]) -> Path:
    """A notebook whose third record says something else, with a right checksum."""
    path.write_bytes(notebook_bytes())
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as plain:
        plain.execute("DROP TRIGGER history_stays")
        ((body,),) = plain.execute("SELECT body FROM history WHERE number = 3").fetchall()
        text = change(json.loads(body))
        text = text if isinstance(text, str) else json.dumps(text)
        digest = hashlib.sha256(text.encode()).hexdigest()
        plain.execute("UPDATE history SET body = ?, checksum = ? WHERE number = 3", (text, digest))
    return path


@pytest.mark.parametrize(
    "change",
    [
        lambda body: "null",
        lambda body: "",
        lambda body: "[" * 100_000,
        lambda body: {**body, "schema": "wingtone/record/9"},
        lambda body: {**body, "unknown": 1},
        lambda body: {**body, "taxon": 1.5},
        lambda body: {**body, "event_date": 2026},
        lambda body: {**body, "temperature_c": "warm"},
        lambda body: {**body, "hints": "tail"},
        lambda body: {**body, "photographs": 1},
        lambda body: {**body, "recording": {**body["recording"], "bouts": [None]}},
        lambda body: {**body, "tone": {**body["tone"], "f0_hz": {}}},
        lambda body: {**body, "place": {**body["place"], "longitude_deg": "east"}},
        lambda body: {**body, "place": {**body["place"], "grid_reference": "nowhere"}},
        lambda body: {**body, "answer": [1]},
        lambda body: {**body, "answer": {**body["answer"], "record_as": [1]}},
        lambda body: {**body, "answer": {**body["answer"], "evidence": [5]}},
        lambda body: {**body, "answer": {**body["answer"], "size": {"itd_mm": "large"}}},
    ],
)
def test_a_record_that_no_program_of_ours_wrote_is_told_as_damage(
    change: Callable[[Any], Any], tmp_path: Path
) -> None:
    from wingtone.notebook.rescue import rescue
    from wingtone.notebook.store import Notebook

    path = _changed_notebook(tmp_path / "bees.sqlite", change)
    with Notebook.open(path, write=False) as opened:
        for read in (lambda: opened.get(3), lambda: list(opened.entries()), lambda: opened.history(3)):
            with pytest.raises(InputError, match=r"bees\.sqlite: this notebook is damaged: .*record 3"):
                read()
        opened.get(4)
    assert rescue(path, tmp_path / "saved.sqlite").records == 5


def test_a_record_whose_states_are_gone_is_told_as_damage(tmp_path: Path) -> None:
    from wingtone.notebook.store import Notebook

    path = tmp_path / "bees.sqlite"
    path.write_bytes(notebook_bytes())
    with contextlib.closing(sqlite3.connect(path, isolation_level=None)) as plain:
        plain.execute("DROP TRIGGER history_is_kept")
        plain.execute("DELETE FROM history WHERE number = 3")
    with Notebook.open(path, write=False) as opened, pytest.raises(InputError, match="record 3 is missing"):
        list(opened.entries())


def test_names_of_tables_that_are_no_text_are_told_as_damage(tmp_path: Path) -> None:
    """SQLite puts them into its message as they are, and Python then fails over the message."""
    from wingtone.notebook.store import Notebook

    path = tmp_path / "bees.sqlite"
    data = notebook_bytes()
    assert data.count(b"CREATE TABLE history") == 1
    path.write_bytes(data.replace(b"CREATE TABLE history", b"CREATE TABL\xe5 history"))
    with pytest.raises(InputError, match=r"bees\.sqlite: this notebook is damaged: it holds what is no text"):
        Notebook.open(path, write=False)


@pytest.mark.parametrize(
    ("change", "what"),
    [
        (lambda ours: {**ours, "recording": "a.wav"}, "recording"),
        (lambda ours: {**ours, "recording": {"bouts": []}}, "recording"),
        (lambda ours: {**ours, "tone": {"pitch": 1}}, "tone"),
        (lambda ours: {**ours, "hints": "tail"}, "hints"),
        (lambda ours: {**ours, "temperature_c": "warm"}, "temperature_c"),
        (lambda ours: {**ours, "grid_reference": "ZZ 99"}, "place"),
        (lambda ours: {**ours, "photographs": [5]}, "photographs"),
    ],
)
def test_a_row_of_ours_with_other_json_is_a_fault_of_its_column(
    change: Callable[[Any], Any], what: str, tmp_path: Path
) -> None:
    from fuzz.notebooks import darwin_core
    from wingtone.notebook.importing import read_plan

    rows = list(csv.DictReader(io.StringIO(darwin_core(), newline="")))
    given = json.loads(rows[0]["dynamicProperties"])
    rows[0]["dynamicProperties"] = json.dumps({**given, "wingtone": change(given["wingtone"])})
    with (tmp_path / "t.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    with pytest.raises(TableError) as caught:
        read_plan(tmp_path / "t.csv")
    (fault,) = caught.value.faults
    assert (fault.line, fault.column) == (2, "dynamicProperties")
    assert fault.what.startswith(f"{what}: this part of the record was not understood")


def test_json_nested_too_deep_is_none_of_ours(tmp_path: Path) -> None:
    from wingtone.notebook.exchange import is_ours

    assert not is_ours({"dynamicProperties": '{"wingtone": ' + "[" * 100_000})


# --- tables of bouts, models, faunas, the page ------------------------------------------------------------


def test_a_number_too_large_for_a_float_is_a_fault() -> None:
    with pytest.raises(TableError, match=r"snr_db: .* is not a number"):
        wingtone.sizes([BOUT | {"snr_db": 10**400}])


def test_parquet_that_holds_no_text_is_refused(tmp_path: Path) -> None:
    import pyarrow
    import pyarrow.parquet

    pyarrow.parquet.write_table(
        pyarrow.Table.from_pylist([BOUT | {"site": "the old garden"}]),
        tmp_path / "b.parquet",
        compression="none",
        use_dictionary=False,
    )
    data = (tmp_path / "b.parquet").read_bytes()
    (tmp_path / "b.parquet").write_bytes(data.replace(b"the old garden", b"the \xff\xfe\xff\xffgarden"))
    with pytest.raises(InputError, match=r"b\.parquet: this is no Parquet file that can be read"):
        wingtone.sizes(tmp_path / "b.parquet")


def test_a_model_with_a_huge_whole_number_is_refused(tmp_path: Path) -> None:
    from wingtone.learn.model_file import load_model

    def plant(members: dict[str, bytes]) -> None:
        header = json.loads(members.pop("header.json"))
        header["training"]["n_bouts"] = 10**400
        resealed(members, header)

    (tmp_path / "m.wingtone").write_bytes(rewritten(model_bytes(), plant))
    with pytest.raises(InputError, match=r"m\.wingtone: not a usable model"):
        load_model(tmp_path / "m.wingtone")


def test_facts_of_a_fauna_that_are_no_text_say_where(tmp_path: Path) -> None:
    from wingtone.fauna.load import check

    write_fauna(tmp_path)
    facts = tmp_path / "fauna.toml"
    facts.write_bytes(facts.read_bytes().replace(b"Two bees", b"Two b\xe9es"))
    (fault,) = check(tmp_path)
    assert str(fault) == "fauna.toml, line 2: is not UTF-8 text; save it as UTF-8"


@pytest.mark.parametrize(
    "options", [{"f0_hz": "x"}, {"f0_hz": 150, "temperature_c": "warm"}, {"f0_hz": 10**400}]
)
def test_numbers_that_are_none_are_refused(options: dict[str, Any]) -> None:
    with pytest.raises(RequestError, match="give a number from"):
        wingtone.identify(**options)


@pytest.mark.parametrize("huge", [10**400, -(10**5000), Fraction(10**5000, 3)], ids=["a", "b", "c"])
@pytest.mark.parametrize(
    "options",
    [
        lambda huge: {"hints": {"bands": huge}},
        lambda huge: {"hints": {huge: "white"}},
        lambda huge: {"hints": [huge]},
        lambda huge: {"f0_hz": huge},
        lambda huge: {"date": huge},
        lambda huge: {"place": (huge, 0)},
        lambda huge: {"f0_hz": 150, "fauna": huge},
        lambda huge: {"recording": [huge]},
        lambda huge: {"recording": DEMO / "2_april_small_queen.3gp", "model": huge},
    ],
)
def test_numbers_that_python_cannot_reckon_with_or_write_are_refused(
    options: Callable[[Any], dict[str, Any]], huge: Any
) -> None:
    with pytest.raises(RequestError):
        wingtone.identify(**options(huge))


@pytest.mark.parametrize("huge", [-(10**400), -(10**5000), [10**5000]], ids=["a", "b", "c"])
@pytest.mark.parametrize("option", ["gap_s", "seed", "taxa", "group_by", "sites", "quality"])
def test_options_of_sizes_that_are_none_are_refused(option: str, huge: Any) -> None:
    with pytest.raises(RequestError):
        wingtone.sizes([BOUT], **{option: huge})


@pytest.mark.parametrize("column", ["kind", "start_s", "f0_hz", "recorded_at", "snr_db"])
def test_a_number_that_python_does_not_write_is_a_fault_of_its_column(column: str) -> None:
    with pytest.raises(TableError, match=f"{column}: 'a number too long to show' is no"):
        wingtone.sizes([BOUT | {column: 10**5000}])


@pytest.mark.parametrize("hints", [5, 1.5, True])
def test_hints_that_are_none_are_refused(hints: Any) -> None:
    with pytest.raises(HintError, match="is no hint"):
        wingtone.identify(f0_hz=150, hints=hints)


def test_what_the_page_keeps_is_checked_for_figures_that_cannot_be(tmp_path: Path) -> None:
    from wingtone.clip import measure_recording
    from wingtone.web import stored

    source = DEMO / "2_april_small_queen.3gp"
    stored.save(measure_recording(source), tmp_path)
    head = json.loads((tmp_path / stored.HEAD).read_text())
    head["bouts"][0]["f0_low_hz"] = 1e300
    (tmp_path / stored.HEAD).write_text(json.dumps(head))
    with pytest.raises(InputError, match="the measurement on the desk is damaged"):
        stored.load(tmp_path, source)


@pytest.mark.parametrize("heading", [b"{'descr': '<f8', \0\n", b"{'descr': (((\n", b"\n  x\n y\n", b"9" * 60])
def test_headings_of_arrays_that_are_none_are_told_as_damage(heading: bytes, tmp_path: Path) -> None:
    from wingtone.clip import measure_recording
    from wingtone.web import stored

    source = DEMO / "2_april_small_queen.3gp"
    stored.save(measure_recording(source), tmp_path)

    def plant(members: dict[str, bytes]) -> None:
        members["time_s.npy"] = b"\x93NUMPY\x01\x00" + struct.pack("<H", len(heading)) + heading

    (tmp_path / stored.LINE).write_bytes(rewritten((tmp_path / stored.LINE).read_bytes(), plant))
    with pytest.raises(InputError, match="the measurement on the desk is damaged"):
        stored.load(tmp_path, source)


def test_what_the_page_keeps_cannot_ask_for_all_memory(tmp_path: Path) -> None:
    from wingtone.clip import measure_recording
    from wingtone.web import stored

    source = DEMO / "2_april_small_queen.3gp"
    stored.save(measure_recording(source), tmp_path)
    huge = io.BytesIO()
    np.lib.format.write_array_header_1_0(huge, {"descr": "<f8", "fortran_order": False, "shape": (10**14,)})

    def plant(members: dict[str, bytes]) -> None:
        members["time_s.npy"] = huge.getvalue()

    (tmp_path / stored.LINE).write_bytes(rewritten((tmp_path / stored.LINE).read_bytes(), plant))
    with pytest.raises(WingtoneError, match="the measurement on the desk is damaged"):
        stored.load(tmp_path, source)


def test_lines_of_json_end_where_json_lines_do(tmp_path: Path) -> None:
    """The name of a recording may hold what Python takes for the end of a line."""
    bout = {name: float(BOUT[name]) for name in ("start_s", "end_s", "f0_hz", "f0_low_hz", "f0_high_hz")}
    one = {"recording": {"path": "a\u2028b\x85.wav"}, "bouts": [{**bout, "kind": "flight"}]}
    line = json.dumps(one, ensure_ascii=False)
    (tmp_path / "bouts.jsonl").write_text(f"{line}\n{line}\n", encoding="utf-8")
    assert wingtone.sizes(tmp_path / "bouts.jsonl").selection.n_bouts == 2


def test_flags_that_are_no_list_are_a_fault(tmp_path: Path) -> None:
    one = {"recording": {"path": "a.wav"}, "bouts": [], "flags": True}
    (tmp_path / "bouts.jsonl").write_text(json.dumps(one))
    with pytest.raises(TableError, match=r"bouts\.jsonl, line 1"):
        wingtone.sizes(tmp_path / "bouts.jsonl")


def test_a_carriage_return_in_a_name_ends_no_row(tmp_path: Path) -> None:
    """Python before 3.13 leaves it without quotation marks; what follows then began a row, and a formula."""
    name = "bee\r=1+1.3gp"
    (tmp_path / name).write_bytes((DEMO / "2_april_small_queen.3gp").read_bytes())
    run = CliRunner().invoke(main, ["measure", "--format", "csv", str(tmp_path / name)])
    rows = list(csv.reader(io.StringIO(run.stdout, newline="")))
    assert {len(row) for row in rows} == {len(rows[0])}
    assert {row[0] for row in rows[1:]} == {str(tmp_path / name)}
    assert not any("\r" in line.replace(name, "") for line in run.stdout.split("\n"))


def _rf64(sound: bytes, *, claimed: int) -> bytes:
    sizes = b"ds64" + struct.pack("<IQQQI", 28, claimed, claimed, claimed // 2, 0)
    return b"RF64\xff\xff\xff\xffWAVE" + sizes + wav(sound, claimed=0xFFFFFFFF)[12:]


def _flac_of_weeks() -> bytes:
    import soundfile

    out = io.BytesIO()
    soundfile.write(out, np.zeros(80_000, np.int16), 8000, format="FLAC")
    data = bytearray(out.getvalue())
    data[21] |= 0x0F  # the number of samples, 36 bits
    data[22:26] = b"\xff" * 4
    return bytes(data)


@pytest.mark.parametrize(
    ("name", "data"), [("long.wav", _rf64(bytes(16_000), claimed=2**40)), ("long.flac", _flac_of_weeks())]
)
def test_a_heading_of_weeks_on_a_small_file_makes_no_work(name: str, data: bytes, tmp_path: Path) -> None:
    """A survey cut such a file into millions of pieces, each of which was then listened for."""
    from wingtone.survey import jobs
    from wingtone.survey.places import Found
    from wingtone.survey.plan import pieces_for
    from wingtone.survey.settings import Settings

    path = tmp_path / name
    path.write_bytes(data)
    told = jobs.look(Found(name, str(path), "1", len(data)))
    assert len(pieces_for(told["facts"], Settings())) == 1
    with open_recording(path) as recording:
        assert recording.declared_s < 3600.0
        assert sum(block.shape[1] for block in recording.blocks()) in (8000, 80_000)
        assert recording.info.damaged_packets == 1  # that the rest is missing is told all the same


def test_a_rate_that_cannot_be_is_damage_and_no_matter_of_rights(tmp_path: Path) -> None:
    described = struct.pack(">hIh", 1, 0xFFFFFFFF, 16) + b"\x40\x0b\xfa" + bytes(7)
    body = (
        b"AIFFCOMM"
        + struct.pack(">I", 18)
        + described
        + b"SSND"
        + struct.pack(">III", 4008, 0, 0)
        + bytes(4000)
    )
    (tmp_path / "bee.aiff").write_bytes(b"FORM" + struct.pack(">I", len(body)) + body)
    with pytest.raises(RecordingError, match="is damaged so that no sound can be got out"):
        open_recording(tmp_path / "bee.aiff")


def test_a_table_of_empty_lines_takes_no_memory(tmp_path: Path) -> None:
    """Each line end was a list."""
    from wingtone.learn.labels import read_labels

    (tmp_path / "labels.csv").write_bytes(b"file,caste" + b"\n" * 400_000)
    tracemalloc.start()
    try:
        with pytest.raises(TableError, match="has a heading but no rows"):
            read_labels(tmp_path / "labels.csv")
        assert tracemalloc.get_traced_memory()[1] < 25e6  # of which 20 are the room to read it
    finally:
        tracemalloc.stop()


def test_texts_of_a_wav_are_read_whatever_its_lengths_claim() -> None:
    """The place behind a chunk of 2**64 bytes is none that a file can be moved to."""
    texts = b"LIST" + struct.pack("<I", 22) + b"INFOICRD" + struct.pack("<I", 10) + b"2026-03-20"
    sizes = b"ds64" + struct.pack("<IQQQI", 28, 2**64 - 1, 2**64 - 1, 0, 0)
    data = b"RF64\xff\xff\xff\xffWAVE" + sizes + wav(bytes(100), claimed=0xFFFFFFFF, before=texts)[12:]
    assert riff_texts(io.BytesIO(data)) == {"icrd": "2026-03-20"}
