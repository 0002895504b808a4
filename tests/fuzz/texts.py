"""Hostile texts: names of files, hints, days, places, and whatever somebody types or pastes.

- `file_name`: a name that a file can have, and that no honest file has.
- `anything`: a text of any kind.
- `hint`, `day`, `place`, `grid_reference`: nearly right ones, and others.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import random

__all__ = ["FORMULAS", "anything", "day", "file_name", "grid_reference", "hint", "place"]

FORMULAS = (
    "=1+1",
    '=HYPERLINK("http://example.invalid/","look")',
    "+44 20",
    "-2+3",
    "@SUM(A1)",
    "\t=1",
    "\r=1",
    "'=1",
    "=cmd|' /C calc'!A0",
)

PIECES = (
    "bee",
    "garden 12",
    "\n",
    "\r",
    "\t",
    '"',
    "'",
    "`",
    "$(touch ran)",
    "..",
    "../..",
    "~",
    "%2e%2e%2f",
    "%n%s",
    "{0}",
    "\x1b[2J",
    "\x1b]0;title\x07",
    "\x07",
    "\x7f",
    "\u202e",
    "\u2066",
    "\u200f",
    "\u2028",
    "\u0085",
    "\ufeff",
    "\U0001f41d",
    "🐝🏳️‍🌈",
    "é",
    "e\u0301",
    "ß",
    "İ",
    "中文",
    "עברית",
    "\\",
    "C:\\con",
    "nul",
    " ",
    ".",
    "-",
    "--help",
    "-rf",
    "*",
    "?",
    "|",
    "&&",
    ";",
    "<script>alert(1)</script>",
    "&amp;",
    "20260315_101500",
    "=1+1",
    "@x",
    "#",
    "\x01",
    "\x9b31m",
    "a" * 60,
)

NOT_IN_NAMES = ("/", "\0")


def file_name(draw: random.Random, suffix: str = "") -> str:
    """Give a name for a file, without folders, at most 255 bytes."""
    text = "".join(draw.choice(PIECES) for _ in range(draw.randrange(1, 6)))
    if draw.random() < 0.05:
        text = draw.choice(("x", "é", "🐝")) * 300
    if draw.random() < 0.05:
        text += "\udcff"  # a byte that is no letter: Linux allows any
    for mark in NOT_IN_NAMES:
        text = text.replace(mark, "_")
    text = text.lstrip(".") or "bee"  # a leading dot hides a file, which folders are then right to pass over
    encoded = text.encode("utf-8", "surrogateescape")[: 240 - len(suffix)]
    return encoded.decode("utf-8", "surrogateescape") + suffix


def anything(draw: random.Random, *, most: int = 6) -> str:
    """Give a text made of pieces that break careless readers."""
    if draw.random() < 0.03:
        return draw.choice(("9" * 5000, "x" * 100_000, "\0" * 10, "(" * 3000, "é" * 40_000))
    return "".join(
        draw.choice((*PIECES, *FORMULAS, "\0", "/", "\ud800")) for _ in range(draw.randrange(most + 1))
    )


def _mixed(draw: random.Random, honest: tuple[str, ...]) -> str:
    """Give an honest text with some characters changed, or something else altogether."""
    if draw.random() < 0.2:
        return anything(draw)
    text = list(draw.choice(honest))
    if draw.random() < 0.4:  # other digits only: the form stays, the meaning may not
        places = [i for i, mark in enumerate(text) if mark in "0123456789"]
        for at in draw.sample(places, min(len(places), draw.choice((0, 1, 2)))):
            text[at] = draw.choice("0123456789")
        return "".join(text)
    for _ in range(draw.choice((0, 1, 1, 2, 4))):
        at = draw.randrange(len(text) + 1)
        odd = draw.choice("0123456789.,-+/:;°'\"NSEWTOZQ =eE\n\t\0٣²½−–" + "\u202e" + "🐝")
        how = draw.randrange(3)
        if how == 0:
            text.insert(at, odd)
        elif how == 1 and at < len(text):
            text[at] = odd
        elif at < len(text):
            del text[at]
    return "".join(text)


def hint(draw: random.Random) -> str:
    """Give a hint or what may be taken for one."""
    honest = (
        "tail=white",
        "collar=yellow",
        "face-hair = black",
        "Front Band=grey",
        "size=tiny",
        "tail=?",
        "tail=",
    )
    return _mixed(draw, honest)


def day(draw: random.Random) -> str:
    """Give a day, a time or an interval, or what may be taken for one."""
    honest = (
        "2026-03-20",
        "20260320",
        "20/03/2026",
        "20.3.2026",
        "20 March 2026",
        "March 20th, 2026",
        "20th of sept 2026",
        "2026-03",
        "2026",
        "2026-W24",
        "2026-03-20T10:32",
        "2026-03-20T10:32:05.25+01:00",
        "2026-03-20/22",
        "2026-03-20/2026-04-01",
        "2026-03-20T10:00/11:30",
        "2024-02-29",
        "2023-02-29",
        "0000-00-00",
        "9999-12-31",
        "2026-13-45",
        "31/04/2026",
        "2026-W53",
        "2026-03-20T24:00",
        "2026-03-20T23:59:60Z",
        "1600-01-01",
        "2199-12-31",
    )
    return _mixed(draw, honest)


def grid_reference(draw: random.Random) -> str:
    """Give a grid reference, British or Irish, or what may be taken for one."""
    letters = draw.choice(
        ("TQ", "NH", "SV", "HU", "O", "W", "C", "A", "ZZ", "II", "OV", "TQ", "tq", "Tq", "K")
    )
    n = draw.choice((0, 1, 2, 3, 4, 5, 5, 6, 9))
    space = draw.choice(("", " ", "  ", "-", ",", "\u00a0"))
    east, north = ("".join(draw.choice("0123456789") for _ in range(n)) for _ in range(2))
    ending = draw.choice(("", "", "", "T", "NW", "O", "Q", "XX"))
    return _mixed(draw, (f"{letters}{space}{east}{space}{north}{ending}",))


def place(draw: random.Random) -> str:
    """Give a place, or what may be taken for one."""
    if draw.random() < 0.5:
        return grid_reference(draw)
    honest = (
        "51.46, -0.30",
        "51.46N 0.30W",
        "N51.46 W0.30",
        "lat 51.46 long -0.30",
        "51,46 -0,30",
        "51°27'36\"N 0°18'0\"W",
        "51 27.6 N, 0 18 W",
        "(51.46, -0.30)",
        "geo:51.46,-0.30",
        "+51.46-000.30/",
        "+5127.6-00018.0/",
        "+512736-0001800/",
        "91, 0",
        "-90, 180",
        "0,0",
        "90,0",
        "nan, nan",
        "inf,1",
        "1e3, 2",
        "51.46,-0.30,12",
        "518700 175300",
        "99999999999, 1",
        "51.46",
    )
    return _mixed(draw, honest)
