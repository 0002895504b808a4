"""Records as people read them, and as programs do.

- `in_a_line`, `record_lines`, `changed_lines`, `row_lines`: for people.
- `names_lines`, `unknown_names`: what became of the names of an imported table.
- `absent_rows`, `removed_records`, `alike_records`, `doubled_records`, `differing_records`: what else is to
  be told of such a table.
- `entry_json`, `record_json`: for programs.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from wingtone.cli.tables import columns, paragraph
from wingtone.errors import one_line

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wingtone.keeping import Names
    from wingtone.notebook.records import Record
    from wingtone.notebook.store import Entry, Row

__all__ = [
    "absent_rows",
    "alike_records",
    "changed_lines",
    "differing_records",
    "doubled_records",
    "entry_json",
    "in_a_line",
    "names_lines",
    "record_json",
    "record_lines",
    "removed_records",
    "row_lines",
    "unknown_names",
]

MOST_NAMES = 20
"""Names of a table shown. Ours: a screenful."""
FIELD_WORDS = {
    "event_date": "date",
    "taxon": "name",
    "caste": "caste",
    "status": "status",
    "identified_by": "who decided",
}
"""What the fields are called that are compared with those of a table."""


def record_json(record: Record) -> dict[str, Any]:
    """Lay a record out as ``wingtone/record/1``."""
    from wingtone.notebook.records import to_json

    return to_json(record)


def entry_json(entry: Entry) -> dict[str, Any]:
    """Lay a stored record out: the record, and its number, id and version."""
    own = {"number": entry.number, "id": entry.id, "version": entry.version, "removed": entry.removed}
    return {**record_json(entry.record), **own, "changed_at": entry.changed_at}


def in_a_line(record: Record) -> str:
    """Say in one line what a record is of."""
    place = "" if record.place is None else record.place.grid_reference or record.place.text
    name = record.taxon or record.vernacular or "no name yet"
    parts = (name, record.caste, record.event_date, place, record.status)
    return one_line(", ".join(part for part in parts if part))


def record_lines(record: Record) -> list[str]:
    """Tell all that a record holds, a line or more for each part."""
    return [
        line
        for label, text in _parts(record)
        if text
        for line in paragraph(text, label=f"{one_line(label):<13} ")
    ]


def changed_lines(before: Record, after: Record) -> list[str]:
    """Tell what each part of a record that was changed said before; of an answer only the name it gave."""
    now = _parts(after)
    return [
        line
        for label, text in _parts(before)
        if (label, text) not in now and label not in ("", "why", "worked out by")
        for line in paragraph(text or "not noted", label=f"{one_line(label)} before: ", indent=4)
    ]


def _parts(record: Record) -> list[tuple[str, str]]:
    """What each part of a record is called, and its text; empty where there is none."""
    tone, place, recording = record.tone, record.place, record.recording
    return [
        ("name", " ".join(filter(None, (record.taxon, record.vernacular and f"({record.vernacular})")))),
        ("caste", record.caste or record.sex),
        ("status", record.status + (f", by {record.identified_by}" if record.identified_by else "")),
        ("date", record.event_date),
        ("place", "" if place is None else f"{place.text} (to within {place.uncertainty_m:.0f} m)"),
        ("recorder", record.recorder),
        ("temperature", "" if record.temperature_c is None else f"{record.temperature_c:g} °C"),
        ("seen", ", ".join(f"{character} {state}" for character, state in record.hints.items())),
        ("recording", "" if recording is None else f"{recording.path}, {len(recording.bouts)} bouts"),
        (
            "tone",
            "" if tone is None else f"{tone.f0_hz:.1f} Hz ({tone.f0_low_hz:.1f} to {tone.f0_high_hz:.1f})",
        ),
        *_hint(record),
        ("photographs", ", ".join(record.photographs)),
        ("notes", record.notes),
        *record.other.items(),
    ]


def _hint(record: Record) -> list[tuple[str, str]]:
    """What the program made of it: the name it would write down, reasons and their weights, versions."""
    answer = record.answer or {}
    written = answer.get("record_as") or {}
    parts = [("hint", ", ".join(filter(None, (written.get("taxon"), written.get("reason")))))]
    for piece in answer.get("evidence") or ():
        weight = piece.get("weight_bits")
        bits = "" if weight is None else f"{weight:+z.1f} bits  "
        parts.append(("" if len(parts) > 1 else "why", f"{bits}{piece.get('summary') or ''}"))
    if answer:
        parts.append(("worked out by", ", ".join(filter(None, record.made_with.values()))))
    return parts


def row_lines(rows: Sequence[Row]) -> list[str]:
    """Lay a list out as a table."""
    if not rows:
        return ["no records"]
    table = [
        (
            str(row.number),
            row.first_day if row.last_day in ("", row.first_day) else f"{row.first_day} to {row.last_day}",
            row.taxon,
            row.caste,
            row.status,
            "" if row.f0_hz is None else f"{row.f0_hz:.0f} Hz",
            row.place,
        )
        for row in rows
    ]
    headings = ("no.", "day", "name", "caste", "status", "tone", "place")
    return columns(table, align="rllllrl", headings=headings)


def names_lines(names: Names) -> list[str]:
    """Lay out the names of a table that were taken for another one, the commonest first."""
    rows = [(written, taken, str(n)) for (written, taken), n in names.read.most_common(MOST_NAMES)]
    lines = columns(rows, align="llr", headings=("name", "taken as", "records")) if rows else []
    more = len(names.read) - len(rows)
    return [*lines, f"  ... and {more} more"] if more else lines


def unknown_names(names: Names, fauna: str) -> str:
    """Say which names of a table the fauna does not have, and how many records have each."""
    shown = [f"{written!r} ({n})" for written, n in names.unknown.most_common(MOST_NAMES)]
    if more := len(names.unknown) - len(shown):
        shown.append(f"and {more} more")
    total = names.unknown.total()
    whose = "1 record has a name" if total == 1 else f"{total} records have names"
    kept = f"that the fauna {fauna} does not have, kept as written"
    return f"{whose} {kept}: {', '.join(shown)}"


def _first(shown: Sequence[str]) -> str:
    """Put the first of many things in words."""
    return ", ".join(
        [*shown[:MOST_NAMES], *([f"and {len(shown) - MOST_NAMES} more"] * (len(shown) > MOST_NAMES))]
    )


def absent_rows(lines: Sequence[int]) -> str:
    """Say which rows of a table say that no bee was there."""
    which = f"the row in line {lines[0]} says" if len(lines) == 1 else f"{len(lines)} rows say"
    where = "" if len(lines) == 1 else f" (lines {_first([str(line) for line in lines])})"
    return f"{which} that no bee was there, and no record is made of that{where}"


def removed_records(numbers: Sequence[int]) -> str:
    """Say which records of a table are there already but were removed, and how to have them back."""
    if not numbers:
        return ""
    was = (
        "one that was there already was"
        if len(numbers) == 1
        else f"{len(numbers)} that were there already were"
    )
    shown = [str(number) for number in numbers]
    back = f"wingtone notebook remove {' '.join(shown[:MOST_NAMES])} --undo"
    return f"{was} removed: {_first(shown)} (to have them back: {back})"


def _new_records(pairs: Sequence[tuple[int, int]], verb: str, verbs: str, *, to_come: bool) -> str:
    """Begin a sentence about new records: those that are ``to_come`` are counted by their places."""
    where = "record{} of the table" if to_come else "new record{}"
    return f"1 {where.format('')} {verb}" if len(pairs) == 1 else f"{len(pairs)} {where.format('s')} {verbs}"


def alike_records(pairs: Sequence[tuple[int, int]], *, to_come: bool = False) -> str:
    """Say which new records have an identifier that another record has, with other contents."""
    if not pairs:
        return ""
    shown = _first([f"{number} that of {other}" for number, other in pairs])
    have = _new_records(pairs, "has", "have", to_come=to_come)
    what = f"{have} the identifier of an earlier one that says something else: {shown}"
    if to_come:
        return what
    return f"{what} (if it is the same bee, remove the earlier one: wingtone notebook remove NUMBER)"


def doubled_records(pairs: Sequence[tuple[int, int]], *, to_come: bool = False) -> str:
    """Say which new records may be of bees that were in the notebook already."""
    if not pairs:
        return ""
    shown = _first([f"{number} as {other}" for number, other in pairs])
    are = _new_records(pairs, "is", "are", to_come=to_come)
    what = f"{are} of the day, place, name, caste and recorder of an earlier one: {shown}"
    if to_come:
        return f"{what} (they may be the same bees)"
    numbers = " ".join(str(number) for number, _ in pairs[:MOST_NAMES])
    more = " ..." if len(pairs) > MOST_NAMES else ""
    return f"{what} (if they are the same bees: wingtone notebook remove {numbers}{more})"


def differing_records(records: Sequence[tuple[int, tuple[str, ...]]]) -> str:
    """Say of which records that were there already the table says something else."""
    if not records:
        return ""
    shown = _first([f"{n} ({', '.join(FIELD_WORDS[name] for name in fields)})" for n, fields in records])
    says, stay = ("1 that was there already says", "it stays as it is")
    if len(records) > 1:
        says, stay = f"{len(records)} that were there already say", "they stay as they are"
    return f"{says} something else in the table, and {stay}: {shown}"
