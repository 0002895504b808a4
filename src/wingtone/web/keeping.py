"""Records made of answers, and what the page may change in one.

- `record_for`, `record_without`: a record of one bee of a recording, and of one that was only seen.
- `records_of_bees`: which record is of which bee of a recording.
- `changes_of`: what a page sent, checked, as changes of a record.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

from wingtone.clip import flights_by_individual
from wingtone.errors import WingtoneError
from wingtone.evidence.hints import check_hints
from wingtone.keeping import named, record_of_answer, record_of_individual
from wingtone.notebook.events import parse_event_date
from wingtone.notebook.places import parse_place
from wingtone.notebook.records import CASTES, COLDEST_C, STATUSES, WARMEST_C, sex_of
from wingtone.web.corrections import SAME_S
from wingtone.web.fields import Faults, number_of, record_of, text_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from wingtone.clip import Measurement
    from wingtone.evidence import Answer, ToneCue
    from wingtone.fauna import Fauna
    from wingtone.learn.model import Model
    from wingtone.notebook.records import BoutNote, Record
    from wingtone.notebook.store import Entry
    from wingtone.tone.results import Bout
    from wingtone.web.seen import Seen

__all__ = ["Choice", "changes_of", "read_choice", "record_for", "record_without", "records_of_bees"]

SAME_HZ = 0.1
"""Tones nearer than this are one. Ours: the last digit shown."""


@dataclasses.dataclass(frozen=True)
class Choice:
    """What the user chose to keep: the bee, and perhaps a name of their own."""

    individual: int = 1
    taxon: str = ""
    caste: str = ""
    status: str = "hint"
    again: bool = False


def read_choice(body: Any) -> Choice:
    """Check what a page sent.

    Raises
    ------
    FieldFaults
        With every fault.
    """
    faults = Faults()
    fields = record_of(body, faults)
    taxon, caste = text_of(fields, "taxon", faults), text_of(fields, "caste", faults)
    status = text_of(fields, "status", faults) or ("decided" if taxon else "hint")
    individual = number_of(fields, "individual", faults, low=1, high=1000) or 1.0
    _one_of("caste", caste, CASTES, faults)
    _one_of("status", status, ("hint", "decided"), faults)
    again = fields.get("again", False)
    if not isinstance(again, bool):
        faults.add("again", "must be true or false")
    faults.stop()
    return Choice(int(individual), taxon, caste, status, bool(again))


def _one_of(name: str, value: str, allowed: tuple[str, ...], faults: Faults) -> None:
    if value and value not in allowed:
        faults.add(name, f"must be one of {', '.join(allowed)}")


def record_for(
    measurement: Measurement,
    answer: Answer,
    choice: Choice,
    *,
    seen: Seen,
    fauna: Fauna,
    model: Model | None = None,
) -> Record:
    """Make a record of one bee of a recording.

    The form that the user saw decides on date and place, also where it is empty; the recording is kept by its
    full path.
    """
    return record_of_individual(
        measurement,
        answer,
        individual=choice.individual,
        fauna=fauna,
        known=_known(choice, seen=seen, fauna=fauna),
        model=model,
    )


def record_without(
    answer: Answer, cue: ToneCue | None, choice: Choice, *, seen: Seen, fauna: Fauna
) -> Record:
    """Make a record of a bee that was not recorded."""
    return record_of_answer(answer, tone=cue, fauna=fauna, known=_known(choice, seen=seen, fauna=fauna))


def records_of_bees(entries: Iterable[Entry], measurement: Measurement) -> dict[str, int]:
    """Say which record is of which bee of a recording, as its bouts stand now.

    The number of a bee depends on the bouts, so a record is known by those that it holds: one that was made
    before a correction is of none of these bees, unless its own bouts stayed as they were.

    Parameters
    ----------
    entries
        The records of the recording, in the order of their numbers.

    Returns
    -------
    dict
        Individual, from 1, as text -> number of its newest record.
    """
    found = {}
    bees = flights_by_individual(measurement)
    for entry in entries:
        notes = entry.record.recording.bouts if entry.record.recording is not None else ()
        for individual, bouts in enumerate(bees, start=1):
            if len(notes) == len(bouts) and all(map(_is_same, notes, bouts)):
                found[str(individual)] = entry.number
    return found


def _is_same(note: BoutNote, bout: Bout) -> bool:
    tone_stayed = note.f0_hz is None or abs(note.f0_hz - bout.f0_hz) < SAME_HZ
    apart_s = max(abs(note.start_s - bout.start_s), abs(note.end_s - bout.end_s))
    return note.kind == bout.kind and tone_stayed and apart_s < SAME_S


def _known(choice: Choice, *, seen: Seen, fauna: Fauna) -> dict[str, Any]:
    """Fields of a record that the user gave."""
    known: dict[str, Any] = {
        "event_date": seen.event_date,
        "place": seen.place,
        "temperature_c": seen.temperature_c,
        "hints": seen.hints,
        "notes": seen.notes,
        "recorder": seen.observer,
        "status": choice.status,
    }
    if choice.taxon:
        known |= named(choice.taxon, fauna)
    if choice.caste:
        known |= {"caste": choice.caste, "sex": sex_of(choice.caste)}
    return known


TEXTS = {"recorder": 200, "identified_by": 200, "notes": 20_000}


def changes_of(body: Any, fauna: Fauna) -> dict[str, Any]:
    """Check what shall be changed in a record; a field or hint that is not sent stays.

    A hint without a state is taken back.

    Raises
    ------
    FieldFaults
        With every fault.
    """
    faults = Faults()
    fields = record_of(body, faults)
    changes: dict[str, Any] = {}
    for name in fields:
        if name not in ("event_date", "place", "taxon", "caste", "status", "temperature_c", "hints", *TEXTS):
            faults.add(name[:60], "cannot be changed here")
    for name, most in TEXTS.items():
        if name in fields:
            changes[name] = text_of(fields, name, faults, most=most, lines=name == "notes")
    if "event_date" in fields and (text := text_of(fields, "event_date", faults)):
        _tried(changes, "event_date", lambda: parse_event_date(text), faults)
    elif "event_date" in fields:
        changes["event_date"] = ""
    if "place" in fields and (where := text_of(fields, "place", faults)):
        _tried(changes, "place", lambda: parse_place(where), faults)
    elif "place" in fields:
        changes["place"] = None
    if "taxon" in fields:
        name = text_of(fields, "taxon", faults)
        changes |= named(name, fauna)
        changes["status"] = "decided" if name else "hint"
    for name, allowed in (("caste", CASTES), ("status", STATUSES)):
        if name in fields:
            changes[name] = text_of(fields, name, faults)
            _one_of(name, changes[name], allowed, faults)
    if "caste" in fields:
        changes["sex"] = sex_of(changes["caste"])
    if "temperature_c" in fields:
        changes["temperature_c"] = number_of(fields, "temperature_c", faults, low=COLDEST_C, high=WARMEST_C)
    if "hints" in fields:
        hints = record_of(fields["hints"], faults, where="hints")
        if all(isinstance(state, str) for state in hints.values()):
            said = {character: state for character, state in hints.items() if state}
            none = dict.fromkeys(hints, "")
            _tried(changes, "hints", lambda: none | check_hints(said, fauna=fauna), faults)
        else:
            faults.add("hints", "every state must be a text")
    faults.stop()
    return changes


def _tried(changes: dict[str, Any], name: str, read: Any, faults: Faults) -> None:
    try:
        changes[name] = read()
    except WingtoneError as error:
        faults.add_error(name, error)
