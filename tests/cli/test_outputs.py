"""No result takes the place of what cannot be made again."""

from __future__ import annotations

import os
import shutil
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner

from wingtone.cli import main
from wingtone.cli.outputs import check_figure, check_output
from wingtone.errors import OutputError, RequestError
from wingtone.notebook.records import Record
from wingtone.notebook.store import Notebook

DEMO = Path(__file__).parents[2] / "demo_audio"


@pytest.fixture
def bees(tmp_path: Path) -> Path:
    path = tmp_path / "bees.sqlite"
    with Notebook.open(path) as opened:
        opened.add(Record(taxon="Bombus hortorum"))
    return path


def linked(bees: Path, kind: str) -> Path:
    """The notebook under another name."""
    other = bees.with_name("other")
    if kind == "symbolic link":
        other.symlink_to(bees)
    elif kind == "hard link":
        os.link(bees, other)
    elif kind == "dots":
        (bees.parent / "folder").mkdir()
        other = bees.parent / "folder" / ".." / bees.name
    else:
        other = bees
    return other


@pytest.mark.parametrize("kind", ["itself", "symbolic link", "hard link", "dots"])
@pytest.mark.parametrize("layout", ["csv", "darwin-core", "geojson", "labels"])
def test_an_export_never_replaces_the_notebook(bees: Path, kind: str, layout: str) -> None:
    before = bees.read_bytes()
    out = linked(bees, kind)
    command = ["notebook", "--notebook", str(bees), "export", "--format", layout, "--out", str(out)]
    result = CliRunner().invoke(main, command)
    assert result.exit_code == 2
    assert str(out) in result.stderr
    assert "read by this command" in result.stderr
    assert "give the name of a new file" in result.stderr
    assert bees.read_bytes() == before


def test_the_default_notebook_is_guarded_too(
    bees: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "data"
    monkeypatch.setattr("wingtone.notebook.store.default_path", lambda: folder / "notebook.sqlite")
    folder.mkdir()
    shutil.copy(bees, folder / "notebook.sqlite")
    command = ["notebook", "export", "--format", "csv", "--out", str(folder / "notebook.sqlite")]
    assert CliRunner().invoke(main, command).exit_code == 2
    with Notebook.open(folder / "notebook.sqlite", write=False) as opened:
        assert opened.count() == 1


def test_another_notebook_is_no_place_for_a_result(bees: Path, tmp_path: Path) -> None:
    other = tmp_path / "renamed.csv"
    shutil.copy(bees, other)
    with pytest.raises(RequestError, match="holds a database"):
        check_output(other, inputs=[bees])


@pytest.mark.parametrize("end", ["-wal", "-shm", "-journal"])
@pytest.mark.parametrize("there", [True, False])
def test_what_belongs_to_a_database_is_left_alone(bees: Path, end: str, there: bool) -> None:
    beside = bees.with_name(bees.name + end)
    if there:
        beside.write_bytes(b"")
    with pytest.raises(RequestError, match=r"belongs to the database bees\.sqlite"):
        check_output(beside)


def test_the_log_of_a_database_is_known_under_any_name(bees: Path) -> None:
    other = bees.with_name("other.csv")
    connection = sqlite3.connect(bees)
    try:
        connection.execute("PRAGMA journal_mode = wal")
        connection.execute("CREATE TABLE more (number)")
        os.link(f"{bees}-wal", other)
        with pytest.raises(RequestError, match="log of a database"):
            check_output(other)
    finally:
        connection.close()


@pytest.mark.parametrize("name", ["garden.m4a", "garden.csv", "garden"])
@pytest.mark.parametrize("clip", ["1_march_big_queen.m4a", "5_july_worker.ogg", "4_july_tomato_flower.flac"])
def test_a_recording_is_known_by_what_it_holds(tmp_path: Path, clip: str, name: str) -> None:
    shutil.copy(DEMO / clip, tmp_path / name)
    with pytest.raises(RequestError, match="holds a recording"):
        check_output(tmp_path / name)


@pytest.mark.parametrize(
    "head",
    [b"\xff\xd8\xff\xe1....Exif", b"\0\0\0\x24ftypheic\0\0\0\0mif1heic", b"II*\0", b"\0\0\0\x18ftypcrx "],
)
def test_a_photograph_is_known_too(tmp_path: Path, head: bytes) -> None:
    (tmp_path / "bee.csv").write_bytes(head + bytes(500))
    with pytest.raises(RequestError, match="is a photograph"):
        check_output(tmp_path / "bee.csv")


def a_png(path: Path, *, drawn_here: bool) -> bytes:
    """A picture of a few pixels, drawn by us or by a camera or another program."""
    from matplotlib.figure import Figure

    if drawn_here:
        from wingtone.figures.style import save_figure

        save_figure(Figure(figsize=(0.3, 0.3)), path)
    else:
        Figure(figsize=(0.3, 0.3)).savefig(path)
    return path.read_bytes()


def test_a_png_is_replaced_by_a_figure_only_and_only_where_it_is_one_of_ours(tmp_path: Path) -> None:
    a_png(tmp_path / "ours.png", drawn_here=True)
    a_png(tmp_path / "photo.png", drawn_here=False)
    check_figure(tmp_path / "ours.png")
    with pytest.raises(RequestError, match="is a picture"):
        check_output(tmp_path / "ours.png")
    for check in (check_figure, check_output):
        with pytest.raises(RequestError, match="photograph or a figure of an earlier wingtone") as caught:
            check(tmp_path / "photo.png")
        assert "remove it yourself" in caught.value.remedy


@pytest.mark.parametrize(
    "command", [["export", "--format", "csv"], ["export", "--format", "bwf"], ["chart", "--kind", "season"]]
)
@pytest.mark.parametrize("name", ["bee.png", "bee.svg"])
def test_the_photographs_of_records_stay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: list[str], name: str
) -> None:
    """Even one that we drew, or that nobody would take for a photograph, and of a removed record."""
    monkeypatch.chdir(tmp_path)
    before = a_png(tmp_path / name, drawn_here=True)
    with Notebook.open(tmp_path / "bees.sqlite") as opened:
        entry = opened.add(Record(taxon="Bombus hortorum", photographs=(name, "gone.png")))
        opened.remove(entry.number)
    result = CliRunner().invoke(main, ["notebook", "--notebook", "bees.sqlite", *command, "--out", name])
    assert result.exit_code == 2, result.output
    assert f"{name}: this file" in result.stderr
    assert (tmp_path / name).read_bytes() == before


@pytest.mark.parametrize("content", [b"", b"occurrenceID\r\n1\r\n", b"PK\x03\x04", b"{}"])
def test_results_can_be_made_again(bees: Path, tmp_path: Path, content: bytes) -> None:
    (tmp_path / "result").write_bytes(content)
    check_output(tmp_path / "result", inputs=[bees, tmp_path / "not there", "a\0b"])
    check_output(tmp_path / "new", inputs=[bees])
    check_output(tmp_path, inputs=[bees])
    check_output(tmp_path / "new-wal", inputs=[bees])
    check_output(tmp_path / "-wal", inputs=[bees])


def test_any_input_is_guarded_even_a_table(tmp_path: Path) -> None:
    (tmp_path / "records.csv").write_text("taxon\n")
    with pytest.raises(RequestError, match="read by this command"):
        check_output(tmp_path / "records.csv", inputs=[tmp_path / "." / "records.csv"])


def test_every_command_that_draws_guards_what_is_there(tmp_path: Path) -> None:
    """Each is asked before it reads anything."""
    photo = tmp_path / "bee.pdf"
    photo.write_bytes(b"\xff\xd8\xff\xe1....Exif" + bytes(500))
    with Notebook.open(tmp_path / "bees.sqlite"):
        pass
    for command in every_drawing_command(tmp_path):
        result = CliRunner().invoke(main, [*command, str(photo)])
        assert result.exit_code == 2, command
        assert "is a photograph" in result.stderr, command
    assert photo.read_bytes().startswith(b"\xff\xd8")


def every_drawing_command(folder: Path) -> tuple[list[str], ...]:
    table = folder / "labels.csv"
    table.write_text("file,caste\n")
    model = DEMO.parent / "models" / "demonstration.wingtone"
    return (
        ["measure", str(DEMO / "5_july_worker.ogg"), "--figure"],
        ["sizes", str(table), "--figure"],
        ["survey", str(DEMO), "--out", str(folder / "out"), "--figure"],
        ["train", str(table), "--out", str(folder / "model.wingtone"), "--figure"],
        ["assess", str(model), str(table), "--figure"],
        ["notebook", "--notebook", str(folder / "bees.sqlite"), "chart", "--kind", "season", "--out"],
    )


def test_a_figure_that_has_no_folder_is_refused_before_the_work(tmp_path: Path) -> None:
    for command in every_drawing_command(tmp_path):
        result = CliRunner().invoke(main, [*command, str(tmp_path / "nowhere" / "a.png")])
        assert result.exit_code == 1, command
        assert "nowhere: there is no such folder (make it first)" in result.stderr, command
        assert not result.stdout, command


def test_a_figure_that_may_not_be_written_is_refused_before_the_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("wingtone.cli.outputs.os.access", lambda path, _: path != tmp_path)
    with pytest.raises(OutputError, match="nothing may be written in this folder"):
        check_figure(tmp_path / "a.png")
    a_png(tmp_path / "a.png", drawn_here=True)
    monkeypatch.setattr("wingtone.cli.outputs.os.access", lambda path, _: path == tmp_path)
    with pytest.raises(OutputError, match="write-protected"):
        check_figure(tmp_path / "a.png")


def test_a_figure_may_go_into_a_folder_that_the_command_makes(tmp_path: Path) -> None:
    check_figure(tmp_path / "out" / "a.png", to_come=tmp_path / "out")
    with pytest.raises(OutputError, match="no such folder"):
        check_figure(tmp_path / "other" / "a.png", to_come=tmp_path / "out")
    tracks = str(tmp_path / "tracks")
    command = ["measure", str(DEMO / "5_july_worker.ogg"), "--tracks", tracks, "--figure", f"{tracks}/a.png"]
    assert CliRunner().invoke(main, command).exit_code == 0


def test_what_was_found_is_printed_even_when_its_figure_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on a disk that is full by then."""
    from types import SimpleNamespace

    from wingtone.learn.model_file import load_model

    model = DEMO.parent / "models" / "demonstration.wingtone"
    loaded = load_model(model)
    (tmp_path / "labels.csv").write_text("file,caste\nbee.wav,queen\n")
    (tmp_path / "bee.wav").write_bytes(b"")

    def full(*_: object, **__: object) -> None:
        raise OutputError("writing failed")

    nothing = SimpleNamespace(notes=())
    for command in ("assess", "train"):
        monkeypatch.setattr(f"wingtone.cli.{command}_command.gathered", lambda *_, **__: (nothing, []))
    monkeypatch.setattr("wingtone.learn.training.assess", lambda *_: loaded.assessment)
    monkeypatch.setattr("wingtone.learn.training.train", lambda *_, **__: loaded)
    monkeypatch.setattr("wingtone.figures.assessment.draw_assessment", full)
    labels, figure = str(tmp_path / "labels.csv"), str(tmp_path / "a.png")
    out = str(tmp_path / "model.wingtone")
    for arguments in (["assess", str(model), labels], ["train", labels, "--out", out]):
        result = CliRunner().invoke(main, [*arguments, "--figure", figure])
        assert "writing failed" in result.stderr, result.output
        assert result.exit_code == 1
        assert result.stdout.count("\n") > 5


@pytest.mark.parametrize("name", ["o.xlsx", "o.XLS", "o.ods"])
def test_no_result_is_named_as_what_it_is_not(bees: Path, tmp_path: Path, name: str) -> None:
    records = tmp_path / "records.csv"
    records.write_text("taxon,date,recording\nBombus hortorum,2026-06-01,a.wav\n")
    out = str(tmp_path / name)
    for command in (
        ["notebook", "--notebook", str(bees), "export", "--out", out],
        ["notebook", "--notebook", str(bees), "export", "--format", "csv", "--out", out],
        ["cue", str(records), "--clips", str(DEMO), "--out", out],
    ):
        result = CliRunner().invoke(main, command)
        assert result.exit_code == 2, command
        assert "ends in .csv" in result.stderr
        assert not Path(out).exists()
