"""Making records of answers, for ``wingtone notebook add`` and ``wingtone identify --record``.

- `made_with`: the versions behind an answer.
- `record_of_answer`: a record of an answer without a recording.
- `records_of_measurement`: records of a recording, one for each individual.
- `given_of`: what a record's own fields give to identify with.
"""

from __future__ import annotations

import dataclasses
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wingtone import __version__
from wingtone.cli.faults import warn

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from wingtone.clip import Measurement
    from wingtone.evidence import Answer, ToneCue
    from wingtone.fauna import Fauna
    from wingtone.learn.model import Model
    from wingtone.notebook.places import Place
    from wingtone.notebook.records import Record, Tone

__all__ = ["given_of", "made_with", "record_of_answer", "records_of_measurement"]


def made_with(fauna: Fauna, *, model: Model | None = None) -> dict[str, str]:
    """Name the versions behind an answer."""
    versions = {"program": f"wingtone {__version__}", "fauna": f"{fauna.id} {fauna.version}"}
    if model is not None:
        versions["model"] = f"{model.name} (wingtone {model.wingtone_version})"
    return versions


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


def record_of_answer(
    answer: Answer, *, tone: ToneCue | None, fauna: Fauna, known: Mapping[str, Any]
) -> Record:
    """Make a record of an answer; the ``known`` fields go before what the answer says."""
    from wingtone.notebook.records import record_from_answer

    return record_from_answer(answer.to_json(), tone=_tone(tone), made_with=made_with(fauna), **known)


def records_of_measurement(
    measurement: Measurement,
    answers: Sequence[Answer],
    *,
    fauna: Fauna,
    known: Mapping[str, Any],
    model: Model | None = None,
) -> list[Record]:
    """Make a record for each individual of a recording.

    The place is that of the recording when none is known; the recording is kept by its full path.
    """
    from wingtone.clip import flight_cue, flights_by_individual, identify_json
    from wingtone.notebook.records import record_from_answer

    fields = dict(known)
    if fields.get("place") is None:
        fields["place"] = _place_of(measurement)
    many = "many bees" in measurement.flags
    records = []
    shared = zip(answers, flights_by_individual(measurement), strict=True)
    for individual, (answer, bouts) in enumerate(shared, start=1):
        tone = None if many else flight_cue(bouts)
        laid_out = identify_json(measurement, answer, individual=individual)
        versions = made_with(fauna, model=model)
        record = record_from_answer(laid_out, tone=_tone(tone), made_with=versions, **fields)
        if record.recording is not None:
            # A name that is no valid text (Linux allows any bytes) is kept with escapes.
            full = os.fsencode(Path(measurement.recording.path).resolve()).decode("utf-8", "backslashreplace")
            note = dataclasses.replace(record.recording, path=full)
            record = dataclasses.replace(record, recording=note)
        records.append(record)
    return records


def _tone(cue: ToneCue | None) -> Tone | None:
    from wingtone.notebook.records import Tone

    if cue is None:
        return None
    duration_s = cue.duration_s if cue.duration_s > 0 else None  # a tone given by hand has no length
    return Tone(cue.f0_hz, cue.f0_low_hz, cue.f0_high_hz, cue.n_bouts, duration_s)


def _place_of(measurement: Measurement) -> Place | None:
    from wingtone.errors import PlaceError
    from wingtone.notebook.places import place_from_degrees

    recording = measurement.recording
    if recording.latitude_deg is None or recording.longitude_deg is None:
        return None
    try:
        return place_from_degrees(recording.latitude_deg, recording.longitude_deg)
    except PlaceError:
        # The figures stay out of the text: a recording's place may be private.
        warn("the place that the recording states makes no sense and was left out", where=recording.path)
        return None
