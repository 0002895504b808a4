"""Reading label tables: every fault at once, and who belongs together."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wingtone.errors import InputError, TableError
from wingtone.learn.labels import COLUMNS, Label, counts, groups_of, read_labels, write_labels

if TYPE_CHECKING:
    from pathlib import Path


def table(folder: Path, text: str) -> Path:
    for name in ("a.wav", "b.wav", "c.wav"):
        (folder / name).write_bytes(b"not looked into")
    path = folder / "labels.csv"
    path.write_text(text, encoding="utf-8")
    return path


def faults(path: Path) -> list[tuple[int, str, str]]:
    with pytest.raises(TableError) as caught:
        read_labels(path)
    return [(fault.line, fault.column, fault.what) for fault in caught.value.faults]


def test_a_table_is_read(tmp_path: Path) -> None:
    path = table(
        tmp_path,
        "file,start_s,end_s,caste,taxon,individual,site,date,recorder,temperature_c,weather\n"
        "a.wav,1,2.5,Queen,Bombus terrestris,red 7,park,20/03/2026,phone A,11.5,fine\n"
        "\n"
        "b.wav,,,worker,,,park,2026-03-21,,,\n",
    )
    labels = read_labels(path)
    assert labels.rows[0] == Label(
        tmp_path / "a.wav",
        1.0,
        2.5,
        "queen",
        "Bombus terrestris",
        "red 7",
        "park",
        dt.date(2026, 3, 20),
        "phone A",
        11.5,
        2,
    )
    assert labels.rows[1].start_s is None
    assert labels.rows[1].line == 4
    assert labels.ignored == ("weather",)
    assert labels.target() == "caste"
    assert counts(labels.rows, "taxon") == {"Bombus terrestris": (1, 1)}


def test_semicolons_tabs_and_decimal_commas_are_read(tmp_path: Path) -> None:
    for mark in (";", "\t"):
        text = f"\ufefffile{mark}start_s{mark}end_s{mark}caste\na.wav{mark}0,5{mark}1,25{mark}male\n"
        row = read_labels(table(tmp_path, text)).rows[0]
        assert (row.start_s, row.end_s, row.caste) == (0.5, 1.25, "male")


def test_all_faults_come_at_once_with_line_and_column(tmp_path: Path) -> None:
    path = table(
        tmp_path,
        "file,start_s,end_s,caste,date,temperature_c,individual\n"
        "a.wav,2,1,queen,,,x\n"
        "gone.wav,soon,3,drone,yesterday,99,\n"
        "b.wav,1,,,,,\n"
        "c.wav,1,2,worker,,,X\n"
        "a.wav,1,2,queen,,,y,9\n",
    )
    found = faults(path)
    assert [(line, column) for line, column, _ in found] == [
        (2, "end_s"),
        (3, "file"),
        (3, "start_s"),
        (3, "caste"),
        (3, "date"),
        (3, "temperature_c"),
        (4, "end_s"),
        (4, "caste"),
        (5, "caste"),
        (6, ""),
    ]
    assert found[3][2].startswith("'drone' is not one of: queen")
    assert found[8][2] == "the individual X is queen in line 2"


def test_empty_cells_that_a_spreadsheet_left_out_are_empty(tmp_path: Path) -> None:
    labels = read_labels(table(tmp_path, "file,caste,individual,site,,\na.wav,queen\nb.wav,queen,,park,,\n"))
    assert [(row.caste, row.individual, row.site) for row in labels.rows] == [
        ("queen", "", ""),
        ("queen", "", "park"),
    ]
    assert labels.ignored == ()


def test_empty_cells_beyond_the_headings_are_nothing(tmp_path: Path) -> None:
    path = table(tmp_path, "file,caste\na.wav,queen,, ,\nb.wav,worker,\n")
    assert [row.caste for row in read_labels(path).rows] == ["queen", "worker"]


def test_a_taxon_is_one_in_small_and_capital_letters(tmp_path: Path) -> None:
    path = table(
        tmp_path,
        "file,taxon,individual\n"
        "a.wav,Bombus terrestris,1\nb.wav,bombus Terrestris,1\nc.wav,BOMBUS TERRESTRIS,2\n",
    )
    assert {row.taxon for row in read_labels(path).rows} == {"Bombus terrestris"}


@pytest.mark.parametrize(
    ("rows", "target"),
    [
        (["queen,A", "worker,A"], "caste"),
        (["queen,A", "worker,A", ",A"], "caste"),  # one taxon throughout cannot be told from another
        (["queen,A", "queen,B", ",B"], "taxon"),
        (["queen,A", "queen,B", "queen,"], "taxon"),
        (["queen,A", "worker,B", ",B"], "taxon"),
        (["queen,A", "queen,A"], "caste"),
        ([",A", "queen,A"], "taxon"),
    ],
)
def test_what_differs_is_learnt(tmp_path: Path, rows: list[str], target: str) -> None:
    lines = [f"{'abc'[i]}.wav,{row}\n" for i, row in enumerate(rows)]
    assert read_labels(table(tmp_path, "file,caste,taxon\n" + "".join(lines))).target() == target


def test_a_path_as_windows_writes_it_is_found(tmp_path: Path) -> None:
    (tmp_path / "clips").mkdir()
    (tmp_path / "clips" / "d.wav").write_bytes(b"not looked into")
    labels = read_labels(table(tmp_path, "file,caste\nclips\\d.wav,queen\n.\\a.wav,queen\n"))
    assert labels.files == (tmp_path / "clips" / "d.wav", tmp_path / "a.wav")


def test_a_misspelt_heading_is_a_fault_not_a_loss(tmp_path: Path) -> None:
    assert faults(table(tmp_path, "file,caste,indivdual\na.wav,queen,1\n")) == [
        (1, "indivdual", "no such column; did you mean individual?")
    ]


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "is empty"),
        ("file,caste\n", "has a heading but no rows"),
        ("caste\nqueen\n", "this column is missing"),
        ("file\na.wav\n", "there is neither a column caste nor a column taxon"),
        ("file,caste,caste\na.wav,queen,queen\n", "this column stands twice"),
        ('file,caste\n"a.wav,queen\n', "is not a readable table"),
        ("file,caste\n\0,queen\n", "holds a line break or an unprintable character"),
        ("file,caste\na.wav,queen\na.wav,worker\n", "labels the same recording"),
        (
            "file,caste,start_s,end_s\na.wav,queen,1,3\na.wav,worker,2,4\n",
            "overlaps with line 2, which says something else",
        ),
    ],
)
def test_unusable_tables_say_why(tmp_path: Path, text: str, what: str) -> None:
    assert any(what in fault for _, _, fault in faults(table(tmp_path, text)))


def test_a_table_that_is_no_text_or_not_there(tmp_path: Path) -> None:
    (tmp_path / "labels.csv").write_bytes(b"file,caste\n\x81\xfe,queen\n")
    for path, what in (
        (tmp_path / "labels.csv", "this is not a table of text"),
        (tmp_path / "none.csv", "there is no such file"),
        (tmp_path, "it is a folder"),
    ):
        with pytest.raises(InputError, match=what):
            read_labels(path)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_letters_are_read_however_a_spreadsheet_codes_them(tmp_path: Path, encoding: str) -> None:
    path = table(tmp_path, "")
    path.write_text("\nfile,caste,individual\na.wav,queen,Ünal\n", encoding=encoding)
    (row,) = read_labels(path).rows
    assert (row.individual, row.line) == ("Ünal", 3)
    path.write_text("\nfile,cast\na.wav,Ünal\n", encoding=encoding)
    assert {line for line, _, _ in faults(path)} == {2}


def test_groups_hold_everything_that_belongs_together(tmp_path: Path) -> None:
    day = dt.date(2026, 6, 1)
    a, b, c, d = (tmp_path / name for name in "abcd")
    rows = [
        Label(a, individual="1"),
        Label(b, individual="2"),
        Label(b, individual="3"),
        Label(c, individual="1"),
        Label(d, site="park", date=day),
        Label(tmp_path / "e", site="Park", date=day),
        Label(tmp_path / "f", site="park"),
    ]
    assert groups_of(rows).group == (0, 1, 1, 0, 2, 2, 3)
    assert groups_of(rows).rests_on == "file"
    assert groups_of(rows[:6]).rests_on == "site-day"
    assert groups_of(rows[:4]).rests_on == "individual"


def test_one_recording_is_one_however_its_path_is_spelt(tmp_path: Path) -> None:
    (tmp_path / "sub").mkdir()
    (tmp_path / "link.wav").symlink_to("a.wav")
    path = table(
        tmp_path,
        "file,start_s,end_s,caste\na.wav,1,2,queen\nsub/../a.wav,3,4,queen\nb.wav,,,queen\nlink.wav,5,6,queen\n"
        f"{tmp_path / 'a.wav'},7,8,queen\n",
    )
    read = read_labels(path)
    assert groups_of(read.rows).group == (0, 0, 1, 0, 0)
    assert read.files == (tmp_path / "a.wav", tmp_path / "b.wav")
    twice = faults(table(tmp_path, "file,caste\na.wav,queen\n./sub/../a.wav,worker\n"))
    assert twice == [(3, "start_s", "line 2 labels the same recording: give times to both")]


TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), max_size=12)


@settings(max_examples=60, deadline=None)
@given(TEXTS, TEXTS, st.one_of(st.none(), st.floats(-30, 60)), st.floats(0, 1000), st.floats(0.1, 10))
def test_what_is_written_comes_back(
    tmp_path_factory: pytest.TempPathFactory,
    site: str,
    individual: str,
    temperature_c: float | None,
    start_s: float,
    length_s: float,
) -> None:
    folder = tmp_path_factory.mktemp("labels")
    (folder / "a.wav").write_bytes(b"")
    # Numbers are written in full decimals: a table made by a person has no exponents.
    start_s, end_s = round(start_s, 3), round(start_s + length_s, 3)
    temperature_c = None if temperature_c is None else round(temperature_c, 1) + 0.0
    row = Label(
        folder / "a.wav",
        start_s,
        end_s,
        "queen",
        "Bombus pratorum",
        individual,
        site,
        dt.date(2026, 4, 1),
        "-1 phone",
        temperature_c,
        2,
    )
    write_labels(folder / "labels.csv", [row])
    assert (folder / "labels.csv").read_text(encoding="utf-8").splitlines()[0] == ",".join(COLUMNS)
    (back,) = read_labels(folder / "labels.csv").rows
    assert back == row
