"""Tables that somebody's spreadsheet, script, or ill will made.

- `hostile_table`: a well-made CSV text to the bytes of a damaged one, by the random numbers of its case.
- `BOUTS`, `RECORDINGS`, `SITES`, `RECORDS`, `LABELS`: made-up tables to begin with, as CSV text.
- `hostile_json`: lines of JSON, damaged.
"""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING, Any

from fuzz.texts import FORMULAS, anything, day, hint, place
from fuzz.torn import torn, with_nonsense
from wingtone.learn import labels

if TYPE_CHECKING:
    import random
    from collections.abc import Callable

__all__ = ["BOUTS", "LABELS", "RECORDINGS", "RECORDS", "SITES", "hostile_json", "hostile_table", "written"]

Rows = list[list[str]]


def written(rows: Rows, *, separator: str = ",", end: str = "\n") -> str:
    """Write rows as CSV."""
    out = io.StringIO()
    csv.writer(out, delimiter=separator, lineterminator=end).writerows(rows)
    return out.getvalue()


def _bouts() -> Rows:
    rows = [
        [
            "path",
            "sha256",
            "recorded_at",
            "recorded_at_source",
            "kind",
            "start_s",
            "end_s",
            "f0_hz",
            "f0_low_hz",
            "f0_high_hz",
            "snr_db",
            "flags",
            "flight_probability",
            "site",
            "individual",
        ]
    ]
    for i in range(8):
        tone = 120 + 9 * i
        rows.append(
            [
                f"garden/bee {i}.wav",
                f"{i:064x}",
                f"2026-06-{10 + i}T10:15:00+01:00",
                "container",
                "flight",
                "1.2",
                "4.5",
                f"{tone}",
                f"{tone - 1}",
                f"{tone + 1}",
                "12",
                "wind;voice",
                "0.98",
                "garden",
                "",
            ]
        )
    return rows


BOUTS = written(_bouts())
RECORDINGS = written(
    [
        ["path", "recorded_at", "heard_s", "flags", "status"],
        *([f"garden/bee {i}.wav", f"2026-06-{10 + i}T10:15:00+01:00", "60", "", "done"] for i in range(8)),
    ]
)
SITES = written([["path", "site"], ["garden/", "garden"], ["wood/bee 2.wav", "the wood"]])
RECORDS = written(
    [
        [
            "Date",
            "Time",
            "Grid ref",
            "Species",
            "Caste",
            "Recorder",
            "Sound",
            "Tail",
            "Temperature",
            "Notes",
            "Weather",
        ],
        [
            "2026-06-15",
            "10:15",
            "TQ 18 75",
            "Bombus terrestris",
            "queen",
            "A. Recorder",
            "bee 0.wav",
            "buff",
            "12.5",
            "on heather",
            "dry",
        ],
        [
            "20/06/2026",
            "",
            "51.46,-0.30",
            "Bombus pascuorum",
            "worker",
            "B. Recorder",
            "bee 1.wav",
            "",
            "",
            "",
            "",
        ],
        ["2026-07", "", "O 15 34", "Bombus lucorum agg.", "", "", "", "white", "18", "two of them", "windy"],
    ]
)
LABELS = written(
    [
        list(labels.COLUMNS),
        ["bee 0.wav", "0.1", "0.9", "queen", "Bombus terrestris", "a", "garden", "2026-06-15", "phone", "12"],
        ["bee 0.wav", "1.0", "1.5", "queen", "Bombus terrestris", "a", "garden", "2026-06-15", "phone", "12"],
        ["bee 1.wav", "", "", "worker", "", "b", "garden", "16 June 2026", "", ""],
    ]
)


def _cell(draw: random.Random) -> str:
    how = draw.randrange(8)
    if how == 0:
        return draw.choice(FORMULAS)
    if how == 1:
        numbers = (
            "nan",
            "inf",
            "-inf",
            "1e308",
            "1e309",
            "-1",
            "0",
            "1e-320",
            "9" * 400,
            "٣",
            "1_000",
            "0x10",
            "1,5",
            "--1",
            "1e300",
        )
        return draw.choice(numbers)
    if how == 2:
        return day(draw)
    if how == 3:
        return place(draw)
    if how == 4:
        return hint(draw)
    if how == 5 and draw.random() < 0.15:
        return draw.choice("x=é\n") * draw.choice((131_071, 131_073, 600_000))
    return anything(draw)


def _mild(rows: Rows, draw: random.Random, separator: str) -> str:
    """Change a table so that it stays one: other numbers, cells of other rows, rows in another order."""
    for _ in range(draw.choice((1, 2, 5))):
        row = draw.choice(rows[1:])
        at = draw.randrange(len(row))
        try:
            row[at] = f"{float(row[at]) * draw.choice((0, 0.5, 0.999, 1.001, 2, -1, 1e6)):g}"
        except ValueError:
            row[at] = draw.choice((draw.choice(rows[1:])[at], draw.choice(FORMULAS), "", row[at].upper()))
    if draw.random() < 0.3:
        rest = rows[1:]
        draw.shuffle(rest)
        rows = [rows[0], *rest]
    return written(rows, separator=separator, end=draw.choice(("\n", "\r\n")))


def hostile_table(text: str, draw: random.Random) -> bytes:
    """Damage a table: its cells, its headings, its shape, its letters, or its bytes."""
    separator = max(",;\t", key=text.split("\n", 1)[0].count)
    rows = [list(row) for row in csv.reader(io.StringIO(text, newline=""), delimiter=separator)]
    if draw.random() < 0.3:
        return _mild(rows, draw, separator).encode()
    for _ in range(draw.choice((1, 1, 2, 3, 6))):
        if not rows:
            break
        row = draw.choice(rows)
        how = draw.randrange(10)
        if how < 5 and row:
            row[draw.randrange(len(row))] = _cell(draw)
        elif how == 5 and row:
            del row[draw.randrange(len(row))]
        elif how == 6:
            row.insert(draw.randrange(len(row) + 1), _cell(draw))
        elif how == 7:
            rows.remove(row)
        elif how == 8:
            rows.insert(draw.randrange(len(rows) + 1), list(row))
        elif rows[0]:
            rows[0][draw.randrange(len(rows[0]))] = draw.choice(
                ("", "path", "file", "caste", "date", "eventDate", anything(draw, most=2))
            )
    out = written(
        rows,
        separator=draw.choice((separator, separator, ",", ";", "\t", "|")),
        end=draw.choice(("\n", "\n", "\r\n", "\r")),
    )
    coding = draw.choice(
        (
            "utf-8",
            "utf-8",
            "utf-8",
            "utf-8-sig",
            "utf-16",
            "utf-16-le",
            "utf-32",
            "cp1252",
            "latin-1",
            "utf-7",
        )
    )
    data = out.encode(
        coding, "surrogatepass" if coding.startswith("utf") and coding != "utf-7" else "replace"
    )
    how = draw.randrange(12)
    if how == 0:
        return torn(data, draw)
    if how == 1:  # a quotation mark that is never closed, perhaps with much behind it
        at = draw.randrange(len(data) + 1)
        return data[:at] + b'"' + data[at:] + b"x,\n" * draw.choice((0, 100, 50_000))
    if how == 2 and draw.random() < 0.08:  # one cell of ten million bytes
        return data + b"\n" + draw.choice((b"x", b'"', b",", b"\n", b"\xc3\xa9")) * (10_000_000 // 2)
    if how == 3:
        at = draw.randrange(len(data) + 1)
        return data[:at] + draw.choice((b"\0", b"\xff", b"\xc3\x28", b"\x1a", b"\xed\xa0\x80")) + data[at:]
    if how == 4 and draw.random() < 0.3:
        return draw.choice(
            (b"", b"\n\n\n", b"\xef\xbb\xbf", b"\xff\xfe", b"PK\x03\x04", b",,,,\n,,,\n", b'"', b"\0" * 1000)
        )
    return data


def hostile_json(
    objects: list[Any], draw: random.Random, *, more: Callable[[random.Random], Any] | None = None
) -> bytes:
    """Damage lines of JSON in their values, or in their bytes."""
    lines = []
    for one in objects:
        value = with_nonsense(one, draw, times=draw.choice((0, 1, 1, 2))) if more is None else more(draw)
        lines.append(json.dumps(value, ensure_ascii=draw.random() < 0.5))
    text = draw.choice(("\n", "\n", "\n\n", "\r\n", ",", " ")).join(lines)
    if draw.random() < 0.1:
        text = "[" * draw.choice((10, 5000, 200_000)) + text
    data = text.encode("utf-8", "surrogatepass")
    return torn(data, draw) if draw.random() < 0.25 else data
