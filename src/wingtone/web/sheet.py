"""One printable page of a record: plain HTML made here, every value escaped.

- `sheet_html`: the page. Its look is in ``static/sheet.css``.
"""

from __future__ import annotations

import json
from html import escape
from typing import TYPE_CHECKING, Any

from wingtone import __version__
from wingtone.notebook.exchange import file_name

if TYPE_CHECKING:
    from collections.abc import Iterable

    from wingtone.fauna import Fauna
    from wingtone.notebook.records import Record
    from wingtone.notebook.store import Entry
    from wingtone.web.clips import Clip

__all__ = ["sheet_html"]

STATUS_WORDS = {
    "hint": "a hint of the program, not yet looked at",
    "decided": "decided by the recorder",
    "confirmed": "confirmed by a competent recorder",
    "rejected": "found to be wrong",
}
MOST_CANDIDATES = 6
LEAST_SHARE = 0.01
"""Names on the sheet, and the probability from which one is named. Ours: what fits on a page."""


def sheet_html(entry: Entry, fauna: Fauna, clip: Clip | None) -> str:
    """Lay a record out on one page.

    Parameters
    ----------
    clip
        The recording, when it is still on the desk: its strip is shown.
    """
    record = entry.record
    name = record.vernacular or record.taxon or "A bee without a name yet"
    scientific = record.taxon if record.vernacular else ""
    parts = [
        '<!doctype html><html lang="en"><head><meta charset="utf-8">',
        f"<title>{escape(f'Record {entry.number}: {name}')}</title>",
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        '<link rel="icon" href="/static/bee.svg" type="image/svg+xml">',
        '<link rel="stylesheet" href="/static/answer.css">',  # the drawing of the bee
        '<link rel="stylesheet" href="/static/sheet.css">',
        '<script type="module" src="/static/sheet.js"></script></head><body><main class="sheet">',
        f'<header><p class="number">Record {entry.number}</p><h1>{escape(name)}</h1>',
        f'<p class="scientific"><i>{escape(scientific)}</i></p>' if scientific else "",
        "</header>",
        _bee(record),
        _table("facts", _facts(entry)),
        _strip(clip),
        _section("What was seen", _table("seen", _seen(record, fauna)) if record.hints else ""),
        _section("What was heard", _table("heard", _heard(record, clip))),
        _section("What it may have been", _candidates(record)),
        _section("Why", _evidence(record)),
        _section("Notes", f'<p class="notes">{escape(record.notes)}</p>' if record.notes else ""),
        _small_print(entry),
        "</main></body></html>",
    ]
    return "".join(parts)


def _bee(record: Record) -> str:
    """Leave a place for the drawing, which the script of the sheet makes of the hints."""
    if not record.hints:
        return ""
    return f'<div class="sheet-bee" data-hints="{escape(json.dumps(dict(record.hints)))}"></div>'


def _section(title: str, inside: str) -> str:
    return f"<section><h2>{escape(title)}</h2>{inside}</section>" if inside else ""


def _table(name: str, rows: Iterable[tuple[str, str]]) -> str:
    told = [
        f'<tr><th scope="row">{escape(label)}</th><td>{escape(text)}</td></tr>'
        for label, text in rows
        if text
    ]
    return f'<table class="{name}"><tbody>{"".join(told)}</tbody></table>' if told else ""


def _facts(entry: Entry) -> list[tuple[str, str]]:
    record, place = entry.record, entry.record.place
    where = ""
    if place is not None:
        where = f"{place.grid_reference or place.text} (to within {place.uncertainty_m:.0f} m)"
    status = STATUS_WORDS.get(record.status, record.status)
    return [
        ("Caste", record.caste or record.sex),
        ("Date", record.event_date.replace("T", " ")),
        ("Place", where),
        ("Recorder", record.recorder),
        ("Temperature", "" if record.temperature_c is None else f"{record.temperature_c:g} °C"),
        ("The name is", status + (f", by {record.identified_by}" if record.identified_by else "")),
    ]


def _strip(clip: Clip | None) -> str:
    if clip is None or clip.status != "ready" or not clip.duration_s:
        return ""
    held = f"/api/clips/{clip.id}/whole.png"
    told = f"Spectrogram of the recording: {clip.duration_s:.1f} s, 50 to 2000 Hz"
    return f'<figure class="strip"><img src="{escape(held)}" alt="{escape(told)}"></figure>'


def _seen(record: Record, fauna: Fauna) -> list[tuple[str, str]]:
    rows = []
    for character, state in record.hints.items():
        known = fauna.characters.get(character)
        rows.append((known.question if known else character, state.replace("-", " ")))
    return rows


def _heard(record: Record, clip: Clip | None) -> list[tuple[str, str]]:
    tone, recording, answer = record.tone, record.recording, record.answer or {}
    name = "" if recording is None else file_name(recording.path)
    size = answer.get("size") or {}
    return [
        (
            "Tone of the flight",
            ""
            if tone is None
            else f"{tone.f0_hz:.1f} Hz ({tone.f0_low_hz:.1f} to {tone.f0_high_hz:.1f}), from {tone.n_bouts} "
            f"flight{'s' if tone.n_bouts != 1 else ''}",
        ),
        ("Size", str(size.get("summary") or "") if tone is not None else ""),
        ("Recording", name if clip is None else clip.name),
    ]


def _candidates(record: Record) -> str:
    from wingtone.evidence.answer import percent

    taxa = [one for one in (record.answer or {}).get("taxa") or () if isinstance(one, dict)]
    rows = []
    for one in taxa[:MOST_CANDIDATES]:
        share = one.get("probability")
        if isinstance(share, int | float) and share >= LEAST_SHARE:
            name = str(one.get("vernacular") or one.get("taxon") or "")
            rows.append(
                f'<tr><th scope="row">{escape(name)} <i>{escape(str(one.get("taxon") or ""))}</i></th>'
                f"<td>{percent(share)}</td>"
                f'<td><meter min="0" max="1" value="{share:.3f}"></meter></td></tr>'
            )
    reason = ((record.answer or {}).get("record_as") or {}).get("reason")
    told = f"<p>{escape(str(reason))}</p>" if reason else ""
    return f'<table class="candidates"><tbody>{"".join(rows)}</tbody></table>{told}' if rows else ""


def _evidence(record: Record) -> str:
    found: list[Any] = list((record.answer or {}).get("evidence") or ())
    lines = [
        f"<li>{escape(str(one.get('summary')))}</li>"
        for one in found
        if isinstance(one, dict) and one.get("summary")
    ]
    return f'<ul class="evidence">{"".join(lines)}</ul>' if lines else ""


def _small_print(entry: Entry) -> str:
    versions = ", ".join(entry.record.made_with.values()) or f"wingtone {__version__}"
    text = (
        f"Made with {versions}. Version {entry.version} of this record, {entry.changed_at}. A name given by "
        "sound is a hint: have rare or surprising finds confirmed by a competent recorder, with a photograph."
    )
    return f'<footer class="small-print"><p>{escape(text)}</p></footer>'
