"""Tables as text: rows and the lines they begin on, coding, headings, and formulas made plain."""

from __future__ import annotations

import csv
import io
import tracemalloc
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from wingtone.csv_text import (
    check_headings,
    encoding_of,
    from_spreadsheet,
    numbered_rows,
    row_writer,
    rows_of_file,
    safe_for_spreadsheets,
    separator_of,
)
from wingtone.errors import InputError, TableError

if TYPE_CHECKING:
    from pathlib import Path

CELLS = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=12)
TABLES = st.lists(st.lists(CELLS, min_size=2, max_size=4), max_size=6)


@given(table=TABLES, separator=st.sampled_from(",;\t"))
def test_rows_come_back_as_the_writer_of_the_standard_library_wrote_them(
    table: list[list[str]], separator: str
) -> None:
    file = io.StringIO(newline="")
    csv.writer(file, delimiter=separator, quoting=csv.QUOTE_ALL).writerows(table)
    rows = list(numbered_rows(io.StringIO(file.getvalue(), newline=""), "t.csv", separator=separator))
    assert [cells for _, cells in rows] == table


@given(table=TABLES)
def test_rows_come_back_as_ours_wrote_them(table: list[list[str]]) -> None:
    file = io.StringIO(newline="")
    row_writer(file).writerows(table)
    rows = list(numbered_rows(io.StringIO(file.getvalue(), newline=""), "t.csv"))
    assert [cells for _, cells in rows] == table


def test_rows_know_the_line_that_they_begin_on() -> None:
    text = 'name,notes\r\na,"two\r\nlines"\r\n\r\nb,c\r\n'
    rows = list(numbered_rows(io.StringIO(text, newline=""), "t.csv"))
    assert rows == [(1, ["name", "notes"]), (2, ["a", "two\r\nlines"]), (4, []), (5, ["b", "c"])]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize(
    ("before", "separator", "at"),
    [("sep=;\r\n", ";", 2), ("", ",", 1), (" \r\n\r\n", "\t", 3), ("SEP=|\r\n", "|", 2)],
)
def test_a_file_is_cut_by_what_it_says_or_has_between_its_cells(
    tmp_path: Path, encoding: str, before: str, separator: str, at: int
) -> None:
    """Spreadsheets write their separator into a first line of its own, and read it there."""
    path = tmp_path / "bees.csv"
    text = f'{before}name{separator}notes\r\n\r\nB\u00e4r{separator}"two\r\nlines"\r\n'
    path.write_bytes(text.encode(encoding))
    assert list(rows_of_file(path)) == [(at, ["name", "notes"]), (at + 2, ["B\u00e4r", "two\r\nlines"])]


def test_a_file_is_not_kept_whole_in_memory(tmp_path: Path) -> None:
    path = tmp_path / "many.csv"
    path.write_text("name,notes\n" + f"Bombus,{'x' * 990}\n" * 20_000)
    tracemalloc.start()
    n_rows = sum(1 for _ in rows_of_file(path))
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert n_rows == 20_001
    assert most < 0.2 * path.stat().st_size


def test_a_row_that_cannot_be_cut_is_named_after_those_before_it() -> None:
    rows = numbered_rows(io.StringIO('a,b\n1,2\n3,"4\n5,6\n', newline=""), "bees.csv")
    assert [next(rows), next(rows)] == [(1, ["a", "b"]), (2, ["1", "2"])]
    with pytest.raises(TableError) as raised:
        next(rows)
    [fault] = raised.value.faults
    assert (fault.file, fault.line) == ("bees.csv", 3)


def test_old_tables_may_have_inches_in_them() -> None:
    rows = list(numbered_rows(io.StringIO('a\n5" long\n', newline=""), "t.csv", strict=False))
    assert rows[1] == (2, ['5" long'])


@pytest.mark.parametrize("strict", [True, False])
@pytest.mark.parametrize(
    ("text", "line", "what"),
    [
        ('a,b\n1,"2\n3,4\n', 2, "opened here and never closed"),
        ('a,b\n1,"2', 2, "opened here and never closed"),
        ('a,b\n1,2\n3,"', 3, "opened here and never closed"),
        ('a,b\n1,"2\n3,"4\n5,6\n', 2, "'\"'|not closed in it"),  # two marks that are both never closed
        ('a,b\n1,"2\n3,4" long\n5,6\n', 2, "'\"'|not closed in it"),
    ],
)
def test_a_quotation_mark_swallows_no_rows(text: str, line: int, what: str, strict: bool) -> None:
    with pytest.raises(TableError, match=what) as raised:
        list(numbered_rows(io.StringIO(text, newline=""), "t.csv", strict=strict))
    assert [fault.line for fault in raised.value.faults] == [line]


def test_the_line_of_an_open_quotation_mark_is_counted_behind_the_lines_of_other_cells() -> None:
    text = 'a,b,c\n1,"two\nlines","and\nopen\n'
    with pytest.raises(TableError) as raised:
        list(numbered_rows(io.StringIO(text, newline=""), "t.csv", strict=False))
    assert [fault.line for fault in raised.value.faults] == [3]


@pytest.mark.parametrize("cell", ['5" long', '"red" tailed', 'the "big" one', '12"'])
def test_a_quotation_mark_within_a_line_may_pass(cell: str) -> None:
    text = f"a,b\n{cell},2\n3,4\n"
    rows = list(numbered_rows(io.StringIO(text, newline=""), "t.csv", strict=False))
    assert [line for line, _ in rows] == [1, 2, 3]
    assert [len(cells) for _, cells in rows] == [2, 2, 2]


@pytest.mark.parametrize(("line", "separator"), [("a,b;c,d", ","), ("a;b", ";"), ("a\tb", "\t"), ("a", ",")])
def test_the_separator_is_the_mark_that_stands_most_often(line: str, separator: str) -> None:
    assert separator_of(line) == separator


@pytest.mark.parametrize(
    ("data", "encoding"),
    [
        (b"a,b\n", "utf-8-sig"),
        ("\ufeffé".encode(), "utf-8-sig"),
        ("é".encode("cp1252"), "cp1252"),
        ("é".encode("utf-16"), "utf-16"),
    ],
)
def test_the_coding_is_found(tmp_path: Path, data: bytes, encoding: str) -> None:
    path = tmp_path / "bees.csv"
    path.write_bytes(data)
    assert encoding_of(path) == encoding


@pytest.mark.parametrize("data", [b"PK\x03\x04 and so on", b"\x81\x8d\x9d"])
def test_what_is_no_text_is_refused(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "bees.csv"
    path.write_bytes(data)
    with pytest.raises(InputError):
        encoding_of(path)


def test_headings_are_there_and_each_once(tmp_path: Path) -> None:
    path = tmp_path / "bees.csv"
    check_headings(["date", "", "", "place"], path)
    with pytest.raises(InputError, match="no heading"):
        check_headings(["", ""], path)
    with pytest.raises(TableError) as raised:
        check_headings(["b", "a", "b", "a"], path, line=3)
    assert [(fault.line, fault.column) for fault in raised.value.faults] == [(3, "a"), (3, "b")]


@given(text=st.text(st.sampled_from("'=+-@\t\r1.a "), max_size=8))
def test_the_apostrophe_comes_off_again(text: str) -> None:
    assert from_spreadsheet(safe_for_spreadsheets(text)) == text


@pytest.mark.parametrize(
    ("text", "safe"),
    [("=1+1", "'=1+1"), ("-0.3", "-0.3"), ("+4 2", "'+4 2"), ("'=x", "''=x"), ("'tis", "'tis"), ("", "")],
)
def test_formulas_are_made_plain(text: str, safe: str) -> None:
    assert safe_for_spreadsheets(text) == safe
