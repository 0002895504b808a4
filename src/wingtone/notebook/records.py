"""What a record holds: plain frozen values, their checks and their JSON.

Conventions
-----------
Text that is not known is empty, a number or part that is not known is None. Times in a recording are
seconds from its start; ``event_date`` is text as `wingtone.notebook.events` describes. ``answer`` is the
identify JSON (``wingtone/identify/1``) exactly as it was given; the notebook reads a few of its parts and
changes none.

- `Record`: one observation, without its place in a notebook.
- `RecordingNote`, `BoutNote`, `Tone`: the parts that come from sound.
- `record_from_answer`: fill a record from an identify JSON.
- `to_json`, `from_json`: the layout ``wingtone/record/1``, loss-free.
- `sex_of`, `rank_of_name`: the sex that a caste implies, the rank that a name shows; `doubt_of`: what it
  leaves open.
- `is_scientific`, `is_plain`: what kind of name it is by its form.
- `is_global`, `uuid_of`: what kind of identifier it is.
"""

from __future__ import annotations

import dataclasses
import json
import math
import re
import uuid
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeVar

from wingtone.errors import RequestError
from wingtone.notebook.events import parse_event_date
from wingtone.notebook.numbers import is_known, is_number
from wingtone.notebook.places import Place, is_grid_reference

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = [
    "CASTES",
    "COLDEST_C",
    "GIVEN_ID",
    "QUALIFIER",
    "RANKS",
    "SEXES",
    "STATUSES",
    "VERBATIM",
    "WARMEST_C",
    "BoutNote",
    "Record",
    "RecordingNote",
    "Tone",
    "doubt_of",
    "dumps",
    "from_json",
    "is_global",
    "is_plain",
    "is_scientific",
    "new_id",
    "rank_of_name",
    "record_from_answer",
    "sex_of",
    "to_json",
    "uuid_of",
]

SCHEMA = "wingtone/record/1"

STATUSES = ("hint", "decided", "confirmed", "rejected")
"""What the name rests on: the program's hint; the recorder's decision; a competent other's agreement; or
found to be wrong."""

CASTES = ("queen", "worker", "male", "cuckoo female", "female", "not a bumblebee")
SEXES = ("female", "male")
RANKS = ("species", "aggregate", "genus")

VERBATIM = "verbatimIdentification"
"""Under this heading, that of Darwin Core, ``other`` keeps a name as it was written."""

QUALIFIER = "identificationQualifier"
"""Under this heading ``other`` keeps the doubt that an imported table has of the name, as it was written."""

GIVEN_ID = "occurrenceID"
"""Under this heading ``other`` keeps the identifier that an imported table has for the record."""

COLDEST_C, WARMEST_C = -40.0, 60.0
"""Air temperatures that are taken wherever one is given, degrees Celsius. Ours: wider than any weather that
bees fly in, so that only slips are refused."""

MOST_CHARACTERS = 100_000
"""Longest text a record takes. Ours: a page of notes has 3000, and a runaway paste is caught."""


@dataclass(frozen=True)
class BoutNote:
    """One bout of a recording, as far as a record needs it.

    ``kind`` is ``flight``, ``sonication`` or ``uncertain``; the tone and its 95 % interval are in Hz.
    """

    kind: str
    start_s: float
    end_s: float
    f0_hz: float | None = None
    f0_low_hz: float | None = None
    f0_high_hz: float | None = None


@dataclass(frozen=True)
class RecordingNote:
    """Which recording a record rests on. ``sha256`` finds it again when it was moved.

    ``recorded_at`` is what the recording states of itself, empty where only the file has a time.
    """

    path: str
    sha256: str = ""
    duration_s: float | None = None
    sample_rate_hz: int | None = None
    recorded_at: str = ""
    bouts: tuple[BoutNote, ...] = ()


@dataclass(frozen=True)
class Tone:
    """The flight tone of the individual: median over its bouts and the 95 % interval of measurement."""

    f0_hz: float
    f0_low_hz: float
    f0_high_hz: float
    n_bouts: int = 1
    duration_s: float | None = None


@dataclass(frozen=True)
class Record:
    """One observation: what, when, where, who, and how it is known.

    Attributes
    ----------
    event_date
        ISO 8601 text, see `wingtone.notebook.events`; empty when not known.
    place
        Where; None when not known.
    recorder
        Who saw or recorded it.
    taxon, rank, vernacular
        The name to write down. ``rank`` is ``species``, ``aggregate``, ``genus`` or empty; without a name
        it is dropped.
    caste, sex
        ``caste`` is one of `CASTES` or empty, ``sex`` one of `SEXES` or empty.
    status, identified_by
        One of `STATUSES`, and who decided or confirmed it.
    temperature_c
        Air temperature, degrees Celsius.
    hints
        What was seen, character to state, as given.
    recording, tone
        What was heard; None for a record by eye alone.
    answer
        The identify JSON as computed, or None.
    made_with
        Versions behind ``answer``: ``program``, ``fauna``, ``model``.
    photographs
        Paths of photographs.
    other
        What an imported table had besides, heading to text, so that nothing is lost.

    Raises
    ------
    RequestError
        On construction, when a part cannot be right. A part's name stands in ``where``.
    """

    event_date: str = ""
    place: Place | None = None
    recorder: str = ""
    taxon: str = ""
    rank: str = ""
    vernacular: str = ""
    caste: str = ""
    sex: str = ""
    status: str = "hint"
    identified_by: str = ""
    temperature_c: float | None = None
    hints: Mapping[str, str] = field(default_factory=dict)
    recording: RecordingNote | None = None
    tone: Tone | None = None
    answer: Mapping[str, Any] | None = None
    made_with: Mapping[str, str] = field(default_factory=dict)
    notes: str = ""
    photographs: tuple[str, ...] = ()
    other: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in _TEXTS:
            if not isinstance(getattr(self, name), str):
                raise RequestError("this must be a text", where=name)
        if self.event_date:
            object.__setattr__(self, "event_date", parse_event_date(self.event_date, was_kept=True))
        _one_of("caste", self.caste, CASTES)
        _one_of("sex", self.sex, SEXES)
        _one_of("rank", self.rank, RANKS)
        if not self.taxon:
            object.__setattr__(self, "rank", "")
        if self.status not in STATUSES:
            _one_of("status", self.status or " ", STATUSES)
        for name, text in _texts(self):
            try:
                text.encode()
            except UnicodeEncodeError:
                raise RequestError("this text holds half a character", where=name) from None
            if len(text) > MOST_CHARACTERS:
                raise RequestError(f"this text is longer than {MOST_CHARACTERS} characters", where=name)
        for name, number in (("temperature_c", self.temperature_c), *_tone_numbers(self.tone)):
            if number is not None and not math.isfinite(number):
                raise RequestError("this must be a number", where=name)


_TEXTS = tuple(item.name for item in dataclasses.fields(Record) if item.default == "")


def _one_of(name: str, value: str, allowed: tuple[str, ...]) -> None:
    if value and value not in allowed:
        raise RequestError(f"{value!r} is not a {name}", remedy=f"one of {', '.join(allowed)}", where=name)


def _texts(record: Record) -> list[tuple[str, str]]:
    plain = [
        (item.name, value)
        for item in dataclasses.fields(record)
        if isinstance(value := getattr(record, item.name), str)
    ]
    for name in ("hints", "made_with", "other"):
        plain += [(name, f"{key}{value}") for key, value in getattr(record, name).items()]
    plain += [("photographs", path) for path in record.photographs]
    if record.recording is not None:
        plain.append(("recording", record.recording.path))
    if record.place is not None:
        plain.append(("place", record.place.text))
    return plain


def _tone_numbers(tone: Tone | None) -> list[tuple[str, float]]:
    if tone is None:
        return []
    return [("tone", value) for value in (tone.f0_hz, tone.f0_low_hz, tone.f0_high_hz)]


def new_id() -> str:
    """Return a fresh identifier for a record: a random UUID (RFC 9562, version 4)."""
    return str(uuid.uuid4())


_URI = re.compile(r"(https?://|urn:|doi:|ark:|tag:|info:)\S+", re.IGNORECASE)


def uuid_of(identifier: str) -> str | None:
    """Give the UUID that an identifier is, tidied; None when it is none."""
    try:
        return str(uuid.UUID(identifier.removeprefix("urn:uuid:")))
    except ValueError:
        return None


def is_global(identifier: str) -> bool:
    """Whether an identifier means one record everywhere: a UUID or a URI. Others are a table's own."""
    return uuid_of(identifier) is not None or _URI.fullmatch(identifier) is not None


def sex_of(caste: str) -> str:
    """Return the sex a caste implies: queens and workers are female, males male; else empty."""
    if caste == "male":
        return "male"
    return "female" if caste in ("queen", "worker", "cuckoo female", "female") else ""


_EVERYDAY = re.compile(
    r"(bumble|humble|honey)?bees?|bumbles?|wasps?|(hover|bee)?fl(y|ies)|hornets?|moths?|cuckoos?|carders?|drones?|queens?"
    r"|workers?|(fe)?males?|tails?|(tail|band|belt|shank|hair|foot|leg)ed",
    re.IGNORECASE,
)
"""Words of plain English names that no scientific name has (ours, after the names in our fauna)."""


def is_scientific(taxon: str) -> bool:
    """Whether a name has the form of a scientific one: a genus first, and no word of a plain name."""
    return bool(re.match(r"([A-Z][a-z]+|bombus)\b(?!-)", taxon)) and not is_plain(taxon)


def is_plain(taxon: str) -> bool:
    """Whether a name is plainly one of everyday language, such as "Honey bee" or "buff tailed"."""
    return any(_EVERYDAY.fullmatch(word) for word in re.split(r"[\s-]+", taxon))


_DOUBTFUL = re.compile(r"[A-Z][a-z]+(?: *\([A-Za-z.]+\))? +((?:cf|aff)\b\.? *[a-z].*|[a-z].*\?)")


def doubt_of(taxon: str) -> str:
    """Return what a scientific name leaves open: ``cf. hortorum``, ``hortorum?``; else empty."""
    doubtful = _DOUBTFUL.fullmatch(taxon) if is_scientific(taxon) else None
    return doubtful[1] if doubtful else ""


def rank_of_name(taxon: str) -> str:
    """Return the rank that the form of a scientific name shows, or empty.

    ``Bombus hortorum`` is a species, a name with ``agg.``, ``s.l.`` or a slash an aggregate; ``Bombus``,
    ``Bombus sp.`` and what leaves the species open, as ``Bombus cf. hortorum`` does, say the genus.
    """
    if not is_scientific(taxon):
        return ""
    if doubt_of(taxon):
        return "genus"
    if re.search(r"\bagg\b|/|\bs\.?\s?l\.?(\s|$)", taxon):
        return "aggregate"
    words = taxon.split()
    if len(words) == 2 and re.fullmatch(r"[a-z-]+", words[1]) and words[1] not in ("sp", "spp"):
        return "species"
    return "genus" if words[0] == "Bombus" and len(words) <= 2 else ""


def record_from_answer(answer: Mapping[str, Any], *, tone: Tone | None = None, **known: Any) -> Record:
    """Fill a record from an identify JSON.

    Parameters
    ----------
    answer
        ``wingtone/identify/1``, with or without a recording in it. Kept whole.
    tone
        The tone of the individual, taken together over its bouts by whoever measured it.
    known
        Any other field of `Record`; it goes before what the answer says.

    Returns
    -------
    Record
        Name and rank as the answer's ``record_as`` advises, with status ``hint``; the likeliest caste when
        it has at least three quarters of the probability (ours: below that a recorder would leave it open).
    """
    filled: dict[str, Any] = {"answer": dict(answer), "tone": tone}
    record_as = answer.get("record_as") or {}
    if record_as.get("taxon"):
        filled["taxon"] = record_as["taxon"]
        filled["rank"] = record_as["rank"] if record_as.get("rank") in RANKS else ""
        named = [taxon for taxon in answer.get("taxa") or () if taxon.get("taxon") == record_as["taxon"]]
        filled["vernacular"] = (named[0].get("vernacular") or "") if named else ""
    castes = answer.get("castes") or ()
    if castes and (castes[0].get("probability") or 0) >= 0.75 and castes[0].get("caste") in CASTES:
        filled["caste"] = castes[0]["caste"]
        filled["sex"] = sex_of(filled["caste"])
    heard = answer.get("recording")
    if heard:
        # The file's own time is that of its last copy: it stays with the answer, and is never told as a fact.
        states_it = heard.get("recorded_at_source") != "file time"
        recorded_at = (heard.get("recorded_at") or "") if states_it else ""
        filled["recording"] = RecordingNote(
            path=heard.get("path") or "",
            sha256=heard.get("sha256") or "",
            duration_s=heard.get("duration_s"),
            sample_rate_hz=heard.get("sample_rate_hz"),
            recorded_at=recorded_at,
            bouts=tuple(
                BoutNote(
                    kind=bout.get("kind") or "uncertain",
                    start_s=bout["start_s"],
                    end_s=bout["end_s"],
                    f0_hz=bout.get("f0_hz"),
                    f0_low_hz=bout.get("f0_low_hz"),
                    f0_high_hz=bout.get("f0_high_hz"),
                )
                for bout in answer.get("bouts") or ()
            ),
        )
        if recorded_at:
            filled["event_date"] = recorded_at
    return Record(**{**filled, **known})


def to_json(record: Record) -> dict[str, Any]:
    """Lay a record out as ``wingtone/record/1``: plain types, ``None`` for unknown."""
    body: dict[str, Any] = {item.name: getattr(record, item.name) for item in dataclasses.fields(record)}
    for name in ("place", "tone", "recording"):
        if body[name] is not None:
            body[name] = dict(vars(body[name]))
    if record.recording is not None:
        body["recording"]["bouts"] = [dict(vars(bout)) for bout in record.recording.bouts]
    for name in ("hints", "made_with", "other"):
        body[name] = dict(body[name])
    return {"schema": SCHEMA, **body, "photographs": list(record.photographs)}


def from_json(body: Any) -> Record:
    """Read what `to_json` wrote. Unknown keys of a later layout are refused.

    Raises
    ------
    RequestError
        Not this layout, or a part that cannot be right.
    """
    if not isinstance(body, dict) or body.get("schema") != SCHEMA:
        raise RequestError(f"this is not a record of the layout {SCHEMA}")
    parts = {key: value for key, value in body.items() if key != "schema"}
    if parts.get("place") is not None:
        parts["place"] = part_of(Place, parts["place"], "place")
    if parts.get("tone") is not None:
        parts["tone"] = part_of(Tone, parts["tone"], "tone")
    if parts.get("recording") is not None:
        parts["recording"] = recording_note(parts["recording"])
    if not isinstance(parts.get("photographs", []), list):
        raise _not_understood("photographs")
    parts["photographs"] = tuple(parts.get("photographs", ()))
    check_kinds(parts)
    return part_of(Record, parts, "")


# --- what stands in a file need not be what was written there ---------------------------------------------

_Part = TypeVar("_Part")


def part_of(kind: type[_Part], fields: Any, where: str) -> _Part:
    """Make a part of a record of the fields that were read from somewhere.

    Raises
    ------
    RequestError
        They are not the fields of this part.
    """
    if not isinstance(fields, dict):
        raise _not_understood(where)
    needed, known = _NAMES[kind]
    if not needed <= fields.keys() <= known:
        raise _not_understood(where)
    return kind(**fields)


def _names_of(kind: type[Any]) -> tuple[frozenset[str], frozenset[str]]:
    """Give the names of the fields that a part must have, and of all that it can have."""
    items = dataclasses.fields(kind)
    missing = dataclasses.MISSING
    needed = [item.name for item in items if item.default is missing and item.default_factory is missing]
    return frozenset(needed), frozenset(item.name for item in items)


_NAMES: dict[type[Any], tuple[frozenset[str], frozenset[str]]] = {
    kind: _names_of(kind) for kind in (Place, Tone, BoutNote, RecordingNote, Record)
}


def recording_note(fields: Any) -> RecordingNote:
    """Make the note on a recording of the fields that were read from somewhere.

    Raises
    ------
    RequestError
        They are not its fields.
    """
    bouts = fields.get("bouts") if isinstance(fields, dict) else None
    if not isinstance(bouts, list):
        raise _not_understood("recording")
    notes = tuple(part_of(BoutNote, bout, "recording") for bout in bouts)
    return part_of(RecordingNote, {**fields, "bouts": notes}, "recording")


def check_kinds(parts: Mapping[str, Any]) -> None:
    """Refuse parts of a record that are not of the kinds that they should be, as those from elsewhere may be.

    Texts and unknown names are left to `Record`.

    Raises
    ------
    RequestError
        Names the part.
    """
    for name in ("hints", "made_with", "other"):
        _need(_all_texts(parts.get(name, {})), name)
    _need(all(isinstance(path, str) for path in parts["photographs"]), "photographs")
    _need(_is_answer(parts.get("answer") or {}), "answer")
    _need(is_known(parts.get("temperature_c")), "temperature_c")
    place, tone, recording = (parts.get(name) for name in ("place", "tone", "recording"))
    if place is not None:
        _need(isinstance(place.text, str) and isinstance(place.grid_reference, str | None), "place")
        _need(all(map(is_number, (place.latitude_deg, place.longitude_deg, place.uncertainty_m))), "place")
        on_the_globe = abs(place.latitude_deg) <= 90 and abs(place.longitude_deg) <= 180
        _need(on_the_globe and place.uncertainty_m > 0, "place")
        _need(place.grid_reference is None or is_grid_reference(place.grid_reference), "place")
    if tone is not None:
        _need(all(map(is_number, (tone.f0_hz, tone.f0_low_hz, tone.f0_high_hz, tone.n_bouts))), "tone")
        _need(is_known(tone.duration_s), "tone")
    if recording is not None:
        texts = (recording.path, recording.sha256, recording.recorded_at)
        _need(all(isinstance(text, str) for text in texts), "recording")
        _need(is_known(recording.duration_s) and is_known(recording.sample_rate_hz), "recording")
        for bout in recording.bouts:
            _need(
                isinstance(bout.kind, str) and is_number(bout.start_s) and is_number(bout.end_s),
                "recording",
            )
            _need(all(map(is_known, (bout.f0_hz, bout.f0_low_hz, bout.f0_high_hz))), "recording")


def _is_answer(answer: Any) -> bool:
    """Whether the parts of an identify JSON that are shown again are of their kinds; others are only kept."""
    if not isinstance(answer, dict):
        return False
    size, written, heard = (answer.get(name) or {} for name in ("size", "record_as", "recording"))
    taxa, evidence = (answer.get(name) or [] for name in ("taxa", "evidence"))
    return (
        all(isinstance(part, dict) for part in (size, written, heard))
        and _all_dicts(taxa)
        and _all_dicts(evidence)
        and all(is_known(size.get(name)) for name in ("itd_mm", "itd_low_mm", "itd_high_mm", "level"))
        and all(isinstance(written.get(name), str | None) for name in ("taxon", "reason"))
        and isinstance(heard.get("path"), str | None)
        and all(isinstance(one.get(name), str | None) for one in taxa for name in ("taxon", "vernacular"))
        and all(is_known(one.get("probability")) for one in taxa)
        and all(isinstance(one.get(name), str | None) for one in evidence for name in ("kind", "summary"))
        and all(is_known(one.get("weight_bits")) for one in evidence)
    )


def _all_dicts(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(one, dict) for one in value)


def _need(holds: bool, where: str) -> None:
    if not holds:
        raise _not_understood(where)


def _not_understood(where: str) -> RequestError:
    return RequestError("this part of the record was not understood", where=where)


def _all_texts(value: Any) -> bool:
    return isinstance(value, dict) and all(isinstance(text, str) for pair in value.items() for text in pair)


def dumps(record: Record) -> str:
    """Write a record as compact JSON text, the same text for equal records.

    Raises
    ------
    RequestError
        The answer holds something that JSON cannot.
    """
    try:
        return json.dumps(to_json(record), sort_keys=True, allow_nan=False, separators=(",", ":"))
    except (TypeError, ValueError) as error:
        raise RequestError(f"the answer is not plain JSON: {error}", where="answer") from error
