"""What the user says was seen: read from the page, checked field by field, turned into what the rooms take.

- `Seen`: the checked values.
- `read_seen`: from the page's JSON.
- `known_to`: what the desk holds, as far as a fauna knows it.
- `prefilled`: what the recording says of itself.
- `characters_json`: the characters of a fauna in head-to-tail order, with the part of the bee each is on.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from wingtone.errors import WingtoneError, one_line
from wingtone.notebook.records import COLDEST_C, WARMEST_C
from wingtone.web.fields import Faults, number_of, record_of, text_of

if TYPE_CHECKING:
    import datetime as dt

    from wingtone.audio import RecordingInfo
    from wingtone.fauna import Fauna
    from wingtone.notebook.places import Place
    from wingtone.web.clips import Clip

__all__ = ["EMPTY", "Seen", "characters_json", "known_to", "prefilled", "read_seen"]

EMPTY: dict[str, Any] = {
    "date": "",
    "time": "",
    "place": "",
    "temperature_c": None,
    "hints": {},
    "notes": "",
    "observer": "",
}

PARTS = {
    "collar": "collar",
    "thorax": "thorax",
    "scutellum": "scutellum",
    "front-band": "front-band",
    "belt": "front-band",
    "abdomen": "abdomen",
    "tail": "tail",
    "tail-detail": "tail",
    "face": "face",
    "face-hair": "face",
    "hind-leg": "legs",
    "leg-hair": "legs",
    "wings": "wings",
    "antennae": "antennae",
    "size": "size",
    "behaviour": "behaviour",
    "nest": "behaviour",
    "flower": "behaviour",
    "bands": "other",
    "shade": "other",
    "coat": "other",
    "condition": "other",
}
"""Where on the bee each character is, head to tail and then the rest; the order is that of the page. A
character that another fauna has besides comes last, under ``other``."""


@dataclass(frozen=True)
class Seen:
    """What was seen, checked.

    Attributes
    ----------
    event_date
        ISO 8601 text, see `wingtone.notebook.events`; empty when not known.
    date
        Its day, or None.
    body
        The page's own JSON, tidied, to be kept.
    """

    date: dt.date | None = None
    event_date: str = ""
    place: Place | None = None
    temperature_c: float | None = None
    hints: dict[str, str] = field(default_factory=dict)
    notes: str = ""
    observer: str = ""
    body: dict[str, Any] = field(default_factory=dict)


def read_seen(body: Any, *, fauna: Fauna, recording: RecordingInfo | None = None) -> Seen:
    """Check what a page sent.

    Parameters
    ----------
    recording
        Its time of day and zone are kept when the day and the minute are the same.

    Raises
    ------
    FieldFaults
        With a sentence for every field that cannot be right.
    """
    from wingtone.notebook.events import day_range, middle_day, parse_event_date
    from wingtone.notebook.places import parse_place

    faults = Faults()
    fields = record_of(body, faults)
    texts = {name: text_of(fields, name, faults) for name in ("date", "time", "place", "observer")}
    notes = text_of(fields, "notes", faults, most=20_000, lines=True)
    temperature_c = number_of(fields, "temperature_c", faults, low=COLDEST_C, high=WARMEST_C)
    event_date, date, place = "", None, None
    if texts["date"]:
        try:
            event_date = parse_event_date(texts["date"])
            date = middle_day(event_date)
            if texts["time"]:
                first, last = day_range(event_date)
                if first != last:
                    faults.add("time", "goes with one day only")
                else:
                    event_date = _with_time(first.isoformat(), texts["time"], recording, faults)
        except WingtoneError as error:
            faults.add_error("date", error)
    elif texts["time"]:
        faults.add("date", "a time needs a date")
    if texts["place"]:
        try:
            place = parse_place(texts["place"])
        except WingtoneError as error:
            faults.add_error("place", error)
    hints = _hints(fields.get("hints"), fauna, faults)
    faults.stop()
    tidy = {**texts, "temperature_c": temperature_c, "hints": hints, "notes": notes}
    return Seen(date, event_date, place, temperature_c, hints, notes, texts["observer"], tidy)


def known_to(fauna: Fauna, clip: Clip) -> dict[str, Any]:
    """Give what the desk holds of what was seen, without the hints that this fauna does not know.

    They were said to a page that was started with another one, and count again with that.
    """
    hints = {
        character: state
        for character, state in clip.hints.items()
        if character in fauna.characters and state in fauna.characters[character].states
    }
    return {**EMPTY, **clip.seen, "hints": hints}


def _with_time(day: str, time: str, recording: RecordingInfo | None, faults: Faults) -> str:
    from wingtone.notebook.events import parse_event_date

    known = (recording.recorded_at or "") if recording is not None else ""
    if known.startswith(f"{day}T{time[:5]}") and len(time) >= 5:
        return parse_event_date(known)
    try:
        return parse_event_date(f"{day}T{time}")
    except WingtoneError as error:
        faults.add("time", f"{error.what} (write it as 10:32)")
        return day


def _hints(given: Any, fauna: Fauna, faults: Faults) -> dict[str, str]:
    from wingtone.evidence.hints import check_hints

    if given is None:
        return {}
    out: dict[str, str] = {}
    for character, state in record_of(given, faults, where="hints").items():
        if not isinstance(state, str):
            faults.add(f"hints.{one_line(character[:60])}", "must be a text")
        elif state:
            try:
                out |= check_hints({character: state}, fauna=fauna)
            except WingtoneError as error:
                faults.add_error(f"hints.{one_line(character[:60])}", error)
    return out


def prefilled(recording: RecordingInfo) -> tuple[dict[str, Any], dict[str, str | None]]:
    """Give what a recording says of itself as fields, and the source of date and place.

    Phones write UTC into what they record, and nothing about where they were; so the time stays as it is, and
    the page says that it is UTC.
    """
    from wingtone.notebook.places import place_from_degrees

    fields: dict[str, Any] = {}
    sources: dict[str, str | None] = {"date": None, "place": None}
    if recording.recorded_at:
        fields["date"], _, time = recording.recorded_at.partition("T")
        fields["time"] = time[:5]
        sources["date"] = recording.recorded_at_source
    if recording.latitude_deg is not None and recording.longitude_deg is not None:
        try:
            place_from_degrees(recording.latitude_deg, recording.longitude_deg)
        except WingtoneError:
            pass  # what makes no sense is left to the user to give
        else:
            fields["place"] = f"{recording.latitude_deg:.5f}, {recording.longitude_deg:.5f}"
            sources["place"] = recording.place_source or "container"
    return fields, sources


def characters_json(fauna: Fauna) -> list[dict[str, Any]]:
    """Lay the characters out for the page, head to tail."""
    order = {name: place for place, name in enumerate(PARTS)}
    names = sorted(fauna.characters, key=lambda name: order.get(name, len(order)))
    return [
        {
            "name": name,
            "question": fauna.characters[name].question,
            "ease": fauna.characters[name].ease,
            "part": PARTS.get(name, "other"),
            "states": [
                {"state": state, "words": state.replace("-", " ")} for state in fauna.characters[name].states
            ],
        }
        for name in names
    ]
