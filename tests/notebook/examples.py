"""Records for the notebook's tests: made up, and hypothesis strategies for any record at all."""

from __future__ import annotations

import datetime as dt
from typing import Any

from hypothesis import strategies as st

from wingtone.errors import PlaceError
from wingtone.notebook.places import Place, parse_place
from wingtone.notebook.records import (
    CASTES,
    SEXES,
    STATUSES,
    BoutNote,
    Record,
    RecordingNote,
    Tone,
    sex_of,
)

ANSWER: dict[str, Any] = {
    "schema": "wingtone/identify/1",
    "individual": 1,
    "recording": {
        "path": "/home/someone/clips/kew 12.m4a",
        "sha256": "ab" * 32,
        "duration_s": 12.5,
        "sample_rate_hz": 48000,
        "channels": 1,
        "codec": "aac",
        "recorded_at": "2026-03-20T10:32:05+00:00",
        "recorded_at_source": "container",
    },
    "bouts": [
        {
            "kind": "flight",
            "start_s": 1.25,
            "end_s": 3.5,
            "f0_hz": 146.2,
            "f0_low_hz": 144.9,
            "f0_high_hz": 147.5,
            "f0_spread_hz": 3.1,
            "snr_db": 18.0,
            "harmonics_db": [-6.0, 0.0, None],
            "flyby": None,
            "flags": [],
        },
        {"kind": "sonication", "start_s": 5.0, "end_s": 5.5, "f0_hz": 301.0, "f0_low_hz": None},
    ],
    "flags": [],
    "castes": [
        {"caste": "queen", "probability": 0.93},
        {"caste": "worker", "probability": 0.04},
        {"caste": "not a bumblebee", "probability": 0.03},
    ],
    "size": {"itd_mm": 5.6, "itd_low_mm": 4.9, "itd_high_mm": 6.4, "level": 0.9, "words": "very large"},
    "candidates": [{"taxon": "Bombus terrestris", "caste": "queen", "probability": 0.8}],
    "taxa": [{"taxon": "Bombus terrestris", "vernacular": "buff-tailed bumblebee", "probability": 0.84}],
    "credible_set": {"level": 0.9, "taxa": ["Bombus terrestris", "Bombus lucorum"]},
    "record_as": {"taxon": "Bombus terrestris", "rank": "species", "reason": "a queen with a buff tail"},
    "evidence": [
        {"kind": "date", "name": "date", "weight_bits": 1.5, "summary": "queens fly in March"},
        {"kind": "tone", "name": "tone", "weight_bits": 2.25, "summary": "146 Hz is the tone of a large bee"},
    ],
    "look_next": [],
    "warnings": [],
}

TONE = Tone(f0_hz=146.2, f0_low_hz=144.9, f0_high_hz=147.5, n_bouts=1, duration_s=2.25)


def example(**changes: Any) -> Record:
    """A full record, with changes."""
    known: dict[str, Any] = {
        "event_date": "2026-03-20T10:32:05+00:00",
        "place": parse_place("TQ 187 753"),
        "recorder": "A. Recorder",
        "taxon": "Bombus terrestris",
        "rank": "species",
        "vernacular": "buff-tailed bumblebee",
        "caste": "queen",
        "sex": "female",
        "status": "decided",
        "identified_by": "A. Recorder",
        "temperature_c": 12.5,
        "hints": {"tail": "buff", "collar": "yellow"},
        "recording": RecordingNote(
            path="clips/kew 12.m4a",
            sha256="ab" * 32,
            duration_s=12.5,
            sample_rate_hz=48000,
            recorded_at="2026-03-20T10:32:05+00:00",
            bouts=(
                BoutNote("flight", 1.25, 3.5, 146.2, 144.9, 147.5),
                BoutNote("sonication", 5.0, 5.5, 301.0),
            ),
        ),
        "tone": TONE,
        "answer": ANSWER,
        "made_with": {"program": "wingtone 0.1.0", "fauna": "british_isles 1", "model": ""},
        "notes": "on winter heather\nby the gate",
        "photographs": ("kew 12.jpg",),
        "other": {"weather": "sunny"},
    }
    return Record(**{**known, **changes})


def _place(latitude: float, longitude: float) -> Place | None:
    try:
        return parse_place(f"{latitude:.5f}, {longitude:.5f}")
    except PlaceError:
        return None


def grid_references() -> st.SearchStrategy[Place]:
    """Any British or Irish grid reference of 1 m to 10 km."""
    letters = st.sampled_from(["TQ", "NH", "SV", "HU", "O", "W", "C"])
    metres = st.integers(0, 99_999).map(lambda metres: f"{metres:05d}")
    return st.builds(
        lambda name, east, north, n: parse_place(f"{name} {east[:n]} {north[:n]}"),
        letters,
        metres,
        metres,
        st.integers(1, 5),
    )


def places() -> st.SearchStrategy[Place | None]:
    """Any place: none, a grid reference, or degrees anywhere on earth."""
    degrees = st.builds(_place, st.floats(-89, 89), st.floats(-179, 179))
    return st.one_of(st.none(), grid_references(), degrees)


def event_dates() -> st.SearchStrategy[str]:
    """Any event date in its tidy form."""
    days = st.dates(dt.date(1700, 1, 1), dt.date(2100, 1, 1))
    zones = st.sampled_from(["", "Z", "+01:00", "-03:30"])
    moments = st.builds(
        lambda day, time, zone: f"{day.isoformat()}T{time.replace(microsecond=0).isoformat()}{zone}",
        days,
        st.times(),
        zones,
    )
    intervals = st.tuples(days, days).map(lambda pair: "/".join(day.isoformat() for day in sorted(pair)))
    months = days.map(lambda day: day.isoformat()[:7])
    return st.one_of(st.just(""), days.map(str), moments, intervals, months)


def texts(**limits: Any) -> st.SearchStrategy[str]:
    """Any text a file can hold, with what breaks careless writers made likely."""
    awkward = ['"', ",", "\t", "\n", "\r\n", "=1+1", "@x", "+44", "-1", "'", "'=", "''", " a ", "é€𝄞", ";"]
    return st.one_of(st.sampled_from(awkward), st.text(max_size=30, **limits))


def records() -> st.SearchStrategy[Record]:
    """Any record."""
    castes = st.sampled_from(["", *CASTES])
    return st.builds(
        lambda caste, **known: Record(
            caste=caste,
            sex=sex_of(caste) or known.pop("sex"),
            **{key: value for key, value in known.items() if key != "sex"},
        ),
        caste=castes,
        sex=st.sampled_from(["", *SEXES]),
        event_date=event_dates(),
        place=places(),
        recorder=texts(),
        taxon=texts(),
        rank=st.sampled_from(["", "species", "aggregate", "genus"]),
        vernacular=texts(),
        status=st.sampled_from(STATUSES),
        identified_by=texts(),
        temperature_c=st.one_of(st.none(), st.floats(-20, 45).map(lambda x: round(x, 1))),
        hints=st.dictionaries(texts(), texts(), max_size=3),
        recording=st.one_of(st.none(), st.just(example().recording)),
        tone=st.one_of(st.none(), st.just(TONE)),
        answer=st.one_of(st.none(), st.just(ANSWER)),
        notes=texts(),
        photographs=st.lists(texts(), max_size=2).map(tuple),
        other=st.dictionaries(texts(), texts(), max_size=2),
    )
