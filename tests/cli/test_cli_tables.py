"""Plain text for the terminal: alignment, wrapping, nothing that could steer a terminal."""

from __future__ import annotations

import os

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wingtone.cli import tables
from wingtone.errors import how_many, one_line


@pytest.fixture(autouse=True)
def eighty_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


def test_columns_line_up_under_their_headings() -> None:
    lines = tables.columns([("1.0", "flight"), ("12.5", "unsure")], align="rl", headings=("from", "what"))
    assert lines == ["  from  what", "   1.0  flight", "  12.5  unsure"]


def test_a_column_without_text_is_left_out() -> None:
    lines = tables.columns([("a", "", "x"), ("b", "", "y")], align="lll", headings=("one", "two", "three"))
    assert lines == ["  one  three", "  a    x", "  b    y"]


def test_nothing_gives_nothing() -> None:
    assert tables.columns([], align="ll") == []
    assert tables.columns([("", "")], align="ll", headings=("one", "two")) == []


def test_the_last_column_is_wrapped_under_itself() -> None:
    lines = tables.columns([("tail", "word " * 40)], align="ll")
    assert len(lines) > 2
    assert all(len(line) <= 80 for line in lines)
    assert lines[0].startswith("  tail  word")
    assert all(line.startswith("        word") for line in lines[1:])


@pytest.mark.parametrize(("columns", "expected"), [("30", 40), ("50", 50), ("80", 80), ("400", 100)])
def test_width_follows_the_terminal_within_reason(
    columns: str, expected: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    assert tables.width() == expected


@settings(deadline=None)
@given(st.text(), st.text())
def test_no_control_character_reaches_the_terminal(first: str, second: str) -> None:
    """Cells may come from files by others; an escape sequence in them is shown, not obeyed."""
    for line in [*tables.columns([(first, second)], align="ll"), *tables.paragraph(first, label="- ")]:
        assert line.isprintable()


def test_a_byte_that_is_no_text_is_shown_as_in_json() -> None:
    """Linux allows any in a name; Python holds it as a lone surrogate."""
    name = os.fsdecode(b"b\xffe\xcc.wav")
    assert one_line(name) == os.fsencode(name).decode("utf-8", "backslashreplace") == r"b\xffe\xcc.wav"
    assert one_line("\ud800\x1b") == r"\ud800\x1b"


def test_bar_shows_every_share_that_is_not_nothing() -> None:
    assert tables.bar(0.0) == ""
    assert tables.bar(0.001) == "#"
    assert tables.bar(0.5, size=20) == "#" * 10
    assert tables.bar(1.0, size=20) == "#" * 20


def test_one_of_something_is_no_plural() -> None:
    assert [how_many(n, "record") for n in (0, 1, 2)] == ["0 records", "1 record", "2 records"]
    assert how_many(2, "other buzz") == "2 other buzzes"
