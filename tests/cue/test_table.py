"""Tables that gain columns: nothing that was in them changes, and the new columns stand where they belong."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from wingtone.cue.table import read_table, split
from wingtone.errors import InputError, TableError

if TYPE_CHECKING:
    from pathlib import Path

NEW = ("tone", "note")

SEPARATORS = st.sampled_from([",", ";", "\t"])
LINE_ENDS = st.sampled_from(["\r\n", "\n", "\r"])
ENCODINGS = st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"])


def cells(separator: str, *, letters: str) -> st.SearchStrategy[str]:
    """One cell as it may stand in a file: plain, quoted with need, quoted without."""
    plain = st.text(alphabet=letters, max_size=8)
    inside = st.text(alphabet=letters + separator + '\r\n"', max_size=8)
    quoted = inside.map(lambda text: '"' + text.replace('"', '""') + '"')
    return st.one_of(plain, quoted, st.sampled_from(["", '""', "=1+1", " a ", "'", "-3.5", "a'b"]))


@st.composite
def tables(draw: st.DrawFn) -> tuple[bytes, str, str, list[int]]:
    """Bytes of a table, its encoding, its separator, and how many cells each row has; rows may be ragged."""
    separator, encoding = draw(SEPARATORS), draw(ENCODINGS)
    letters = "abc 'é=+-@0.€" + ("" if encoding == "cp1252" else "蜂𝄞")
    headings = draw(
        st.lists(st.text(alphabet="abcdef", min_size=1, max_size=4), min_size=2, max_size=5, unique=True)
    )
    rows = draw(st.lists(st.lists(cells(separator, letters=letters), min_size=2, max_size=6), max_size=5))
    ends = [draw(LINE_ENDS) for _ in range(len(rows) + 1)]
    blank = draw(st.lists(st.booleans(), min_size=len(rows) + 1, max_size=len(rows) + 1))
    if draw(st.booleans()):
        ends[-1] = ""  # the last line may have no end
    text = ""
    for row, end, empty in zip([headings, *rows], ends, blank, strict=True):
        text += separator.join(row) + end + (end if empty else "")
    return text.encode(encoding), encoding, separator, [len(row) for row in rows]


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(tables())
def test_every_byte_that_was_there_is_still_there(
    tmp_path: Path, made: tuple[bytes, str, str, list[int]]
) -> None:
    data, encoding, separator, widths = made
    path = tmp_path / "records.csv"
    path.write_bytes(data)
    table = read_table(path)
    assert table.separator == separator
    new = [[f"{i}", 'a "note", odd; one'] for i in range(len(table.rows))]
    out = table.extended(NEW, new)

    # Taking out what was put in front of each line end gives the file again, byte for byte.
    text = out[len(table.head) :].decode(table.encoding, table.errors)
    lines, _ = split(text, separator)
    added = [line for line in lines if line.cells]
    kept, done = "", 0
    for line, before in zip(added, (table.headings_line, *table.rows), strict=True):
        padding = separator * (table.width - len(before.cells))
        ours = line.cells[-2:]
        tail = padding + "".join(separator + _as_written(cell, separator) for cell in ours)
        whole = text[done : line.end]
        assert whole.endswith(tail)
        kept += whole[: -len(tail)]
        done = line.end
    kept += text[done:]
    assert table.head + kept.encode(table.encoding, table.errors) == data

    # Another reader sees the old cells, then the new ones under their headings.
    seen = [
        row for row in csv.reader(io.StringIO(out.decode(encoding), newline=""), delimiter=separator) if row
    ]
    old = [
        row for row in csv.reader(io.StringIO(data.decode(encoding), newline=""), delimiter=separator) if row
    ]
    assert len(seen) == len(old) == len(widths) + 1
    assert {len(row) for row in seen} == {table.width + 2}
    for row, before_row, cells_ in zip(seen, old, [list(NEW), *new], strict=True):
        assert row[: len(before_row)] == before_row
        assert row[-2:] == cells_


def _as_written(cell: str, separator: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if {separator, '"'} & set(cell) else cell


@settings(max_examples=200, deadline=None)
@given(st.text(alphabet='ab",;\r\n', max_size=30), SEPARATORS)
def test_rows_and_cells_are_those_of_the_standard_reader(text: str, separator: str) -> None:
    """Python's `csv` is the outside check, with quotation marks in all the wrong places too."""
    lines, open_from = split(text, separator)
    assume(not open_from)
    expected = list(csv.reader(io.StringIO(text, newline=""), delimiter=separator))
    assert [list(line.cells) for line in lines] == expected


def test_a_quotation_mark_that_never_closes_is_named_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "records.csv"
    path.write_bytes(b'Date,Species\n"a\nb",x\n2026-03-20,"Bombus\n2026-03-21,Bombus\n')
    with pytest.raises(TableError) as caught:
        read_table(path)
    assert caught.value.faults[0].line == 4


def test_headings_that_are_taken_get_a_number(tmp_path: Path) -> None:
    path = tmp_path / "records.csv"
    path.write_bytes(b"Date,Tone,tone_2\n2026-03-20,x,y\n")
    table = read_table(path)
    assert table.free_headings(NEW) == ["tone_3", "note"]
    assert table.extended(NEW, [["1", "2"]]) == b"Date,Tone,tone_2,tone_3,note\n2026-03-20,x,y,1,2\n"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_a_line_that_names_the_separator_stays_where_it_is(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "records.csv"
    path.write_text("sep=;\r\na,b;c\r\n1,5;2\r\n", encoding=encoding, newline="")
    table = read_table(path)
    assert (table.separator, table.headings, table.headings_line.number) == (";", ("a,b", "c"), 2)
    assert [(row.number, row.cells) for row in table.rows] == [(3, ("1,5", "2"))]
    out = table.extended(NEW, [["x", ""]]).decode(encoding)
    assert out == "sep=;\r\na,b;c;tone;note\r\n1,5;2;x;\r\n"


def test_what_a_spreadsheet_would_run_is_made_harmless_in_our_cells_only(tmp_path: Path) -> None:
    path = tmp_path / "records.csv"
    path.write_bytes(b"a,b\n=1+1,x\n")
    assert read_table(path).extended(NEW, [["=2+2", "-1.5"]]) == b"a,b,tone,note\n=1+1,x,'=2+2,-1.5\n"


def test_letters_that_the_encoding_lacks_do_not_stop_it(tmp_path: Path) -> None:
    path = tmp_path / "records.csv"
    path.write_bytes("Ort;Name\nK\xf6ln;x\n".encode("cp1252"))
    assert read_table(path).extended(["clip"], [["蜂.wav"]]) == "Ort;Name;clip\nK\xf6ln;x;?.wav\n".encode(
        "cp1252"
    )


@pytest.mark.parametrize(
    ("data", "error"),
    [(b"", InputError), (b"\n\n", InputError), (b"a,b,a\n", TableError), (b"PK\x03\x04rest", InputError)],
)
def test_no_table(tmp_path: Path, data: bytes, error: type[Exception]) -> None:
    path = tmp_path / "records.csv"
    path.write_bytes(data)
    with pytest.raises(error):
        read_table(path)
