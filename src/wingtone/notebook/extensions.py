"""What a record has beside the Occurrence: measurements, media, the bouts in them.

Terms are given by their names without a prefix; everything is text, empty where nothing is known. Sources:
Darwin Core and Audiovisual Core term lists of TDWG (read).

- `measurements`, `media`, `regions`: rows of MeasurementOrFact, of Audiovisual Core media and regions.
- `flat_extras`: the few of them that people look for in a flat table.
"""

from __future__ import annotations

import mimetypes
from typing import TYPE_CHECKING

from wingtone.notebook.exchange import file_name, files_of, number_text, record_id
from wingtone.notebook.places import to_grid_reference

if TYPE_CHECKING:
    from wingtone.notebook.exchange import Disclosure
    from wingtone.notebook.store import Entry

__all__ = ["FLAT_EXTRAS", "flat_extras", "measurements", "media", "regions"]

FLAT_EXTRAS = ("gridReference", "flightToneHz", "temperatureCelsius", "hints")


def measurements(entry: Entry) -> list[dict[str, str]]:
    """Rows of MeasurementOrFact: the flight tone, the size it speaks for, the weather, what was seen."""
    record = entry.record
    rows: list[dict[str, str]] = []

    def add(kind: str, value: str, unit: str = "", accuracy: str = "", method: str = "") -> None:
        rows.append(
            {
                "measurementID": f"urn:uuid:{entry.id}#{len(rows) + 1}",
                "measurementType": kind,
                "measurementValue": value,
                "measurementUnit": unit,
                "measurementAccuracy": accuracy,
                "measurementMethod": method,
            }
        )

    if record.tone is not None:
        tone = record.tone
        half = max(tone.f0_hz - tone.f0_low_hz, tone.f0_high_hz - tone.f0_hz)
        add(
            "fundamental frequency of the flight tone",
            number_text(round(tone.f0_hz, 1)),
            "Hz",
            f"±{half:.2g} (95 % interval {tone.f0_low_hz:.1f} to {tone.f0_high_hz:.1f})",
            "spacing of the harmonics in a sound recording of free flight, median over the flight bouts",
        )
        add("number of flight bouts", str(tone.n_bouts), "1")
        if tone.duration_s is not None:
            add("duration of flight heard", _hundredths(tone.duration_s), "s")
    size = (record.answer or {}).get("size") or {}
    if size.get("itd_mm") is not None:
        level = size.get("level")
        interval = f"{_hundredths(size.get('itd_low_mm'))} to {_hundredths(size.get('itd_high_mm'))}"
        add(
            "intertegular distance, inferred from the flight tone",
            _hundredths(size["itd_mm"]),
            "mm",
            f"{100 * level:.0f} % interval {interval}" if level else f"interval {interval}",
            "allometry of wingbeat frequency between species; not measured on the bee",
        )
    if record.temperature_c is not None:
        add("air temperature", number_text(record.temperature_c), "°C")
    for character, state in sorted(record.hints.items()):
        add(f"{character}, as seen", state)
    return rows


def _hundredths(number: float | None) -> str:
    """Write a figure no finer than it can be meant; empty where there is none."""
    return "" if number is None else number_text(round(number, 2))


_TYPES = {"audio": "Sound", "video": "MovingImage", "image": "StillImage"}


def media(entry: Entry, *, private: bool = False) -> list[dict[str, str]]:
    """Rows of Audiovisual Core: the recording and the photographs, by their names.

    Parameters
    ----------
    private
        Whether the place is kept back, see `wingtone.notebook.exchange.record_id`.
    """
    record = entry.record
    rows = []
    for i, path in enumerate(files_of(record)):
        kind = mimetypes.guess_type(file_name(path))[0] or ""
        sound = record.recording if i == 0 else None
        heard = sound if sound is not None and sound.path else None
        what = _TYPES.get(kind.partition("/")[0], "Sound" if heard else "StillImage")
        row = {
            "identifier": f"urn:uuid:{entry.id}#media{i + 1}",
            "type": f"http://purl.org/dc/dcmitype/{what}",
            "title": file_name(path),
            "format": kind,
            "associatedObservationReference": record_id(entry, private=private),
            "creator": record.recorder,
        }
        if heard is not None:
            row |= {
                "CreateDate": heard.recorded_at,
                "mediaDuration": "" if heard.duration_s is None else number_text(heard.duration_s),
                "hashFunction": "SHA-256" if heard.sha256 else "",
                "hashValue": heard.sha256,
            }
        rows.append(row)
    return rows


def regions(entry: Entry) -> list[dict[str, str]]:
    """Rows of Audiovisual Core regions of interest: the bouts of the recording.

    Times are seconds from its start; the frequency bounds are the 95 % interval of the fundamental.
    """
    recording = entry.record.recording
    if recording is None or not recording.path:
        return []
    return [
        {
            "identifier": f"urn:uuid:{entry.id}#bout{i}",
            "isROIOf": f"urn:uuid:{entry.id}#media1",
            "title": bout.kind,
            "startTime": number_text(bout.start_s),
            "endTime": number_text(bout.end_s),
            "freqLow": "" if bout.f0_low_hz is None else number_text(bout.f0_low_hz),
            "freqHigh": "" if bout.f0_high_hz is None else number_text(bout.f0_high_hz),
            "comments": "frequency bounds are those of the fundamental; harmonics lie above",
        }
        for i, bout in enumerate(recording.bouts, start=1)
    ]


def flat_extras(entry: Entry, disclosure: Disclosure) -> dict[str, str]:
    """Columns beside the Darwin Core terms that people look for in a flat table."""
    record, place = entry.record, disclosure.shown(entry.record.place)
    return {
        "gridReference": (to_grid_reference(place) or "") if place is not None else "",
        "flightToneHz": number_text(round(record.tone.f0_hz, 1)) if record.tone is not None else "",
        "temperatureCelsius": number_text(record.temperature_c) if record.temperature_c is not None else "",
        "hints": "; ".join(f"{character}={state}" for character, state in sorted(record.hints.items())),
    }
