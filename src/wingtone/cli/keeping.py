"""Making records of answers, for ``wingtone notebook add`` and ``wingtone identify --record``.

- `records_of_measurement`: records of a recording, one for each individual.
- `kept_in_a_line`: say what was kept, without the place that only the recording knew.
- `tell`: print what looks like a slip in them.
- `given_of`: what a record's own fields give to identify with.
"""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

from wingtone.cli.faults import warn
from wingtone.cli.notebook_reports import in_a_line

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from wingtone.clip import Measurement
    from wingtone.evidence import Answer
    from wingtone.fauna import Fauna
    from wingtone.learn.model import Model
    from wingtone.notebook.doubts import Doubt
    from wingtone.notebook.places import Place
    from wingtone.notebook.records import Record

__all__ = ["given_of", "kept_in_a_line", "records_of_measurement", "tell"]

MOST_TOLD = 20
"""Notes of one kind printed at once. Ours: a screenful."""


def given_of(known: Mapping[str, Any], *, fauna: Fauna) -> dict[str, Any]:
    """Give the arguments of `wingtone.evidence.identify` that the fields of a record hold."""
    from wingtone.notebook.events import middle_day

    return {
        "fauna": fauna,
        "date": middle_day(known.get("event_date", "")),
        "place": known.get("place"),
        "temperature_c": known.get("temperature_c"),
        "hints": known.get("hints", {}),
    }


def records_of_measurement(
    measurement: Measurement,
    answers: Sequence[Answer],
    *,
    fauna: Fauna,
    known: Mapping[str, Any],
    model: Model | None = None,
) -> list[Record]:
    """Make a record for each individual of a recording.

    The place is that of the recording when none is known. Where the day or place that is kept is clearly not
    the recording's own, that is told.
    """
    from wingtone.keeping import record_of_individual

    for advice in answers[0].warnings:
        if advice.code in ("date contradicts recording", "place contradicts recording"):
            warn(advice.text, where=measurement.recording.path)
    fields = dict(known)
    if fields.get("place") is None:
        fields["place"] = _place_of(measurement)
    return [
        record_of_individual(
            measurement, answer, individual=individual, fauna=fauna, known=fields, model=model
        )
        for individual, answer in enumerate(answers, start=1)
    ]


def kept_in_a_line(record: Record, *, given: Place | None) -> str:
    """Say in one line what was kept.

    A place that was not ``given`` is the recording's own, and may be private: only that it is kept is told.
    """
    if given is not None or record.place is None:
        return in_a_line(record)
    told = in_a_line(dataclasses.replace(record, place=None))
    return f"{told}; its place is that of the recording: blur or withhold it when you hand it on"


def tell(doubts: Sequence[Doubt], *, to_come: bool = False) -> None:
    """Print what looks like a slip, a line each, and of many how many more there are.

    Records that are ``to_come`` are named by their place in the table, and nothing can be mended there yet.
    """
    for doubt in doubts[:MOST_TOLD]:
        if to_come:
            warn(doubt.what, where=f"record {doubt.number} of the table")
        else:
            warn(f"{doubt.what} (to mend it: wingtone {doubt.command})", where=f"record {doubt.number}")
    if len(doubts) > MOST_TOLD:
        warn(f"{len(doubts) - MOST_TOLD} more such notes are not shown; mend these, and ask again")


def _place_of(measurement: Measurement) -> Place | None:
    from wingtone.clip import stated_place
    from wingtone.errors import PlaceError

    recording = measurement.recording
    try:
        return stated_place(recording)
    except PlaceError:
        # The figures stay out of the text: a recording's place may be private.
        warn("the place that the recording states makes no sense and was left out", where=recording.path)
        return None
