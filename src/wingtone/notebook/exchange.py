"""A record in the terms of the open standards, and back.

Conventions
-----------
Darwin Core terms are given by their names without a prefix (``eventDate``); everything is text, empty where
nothing is known. What the terms have no place for travels as JSON in ``dynamicProperties`` under the key
``wingtone``, so that a record comes back as it was, except for three things that stay at home: the identify
JSON (its evidence goes along in words), the folders of files, and, when a place is blurred or withheld,
everything that could tell it.

Sources: Darwin Core and Audiovisual Core term lists of TDWG (read).

- `Disclosure`: how much of the place is given away.
- `to_terms`, `from_terms`: a record as an Occurrence, and back.
- `is_ours`: whether a row was written here.
- `record_id`: what a record is called outside.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, replace
from pathlib import PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING, Any

from wingtone.errors import RequestError
from wingtone.notebook.places import (
    Place,
    blur,
    is_grid_reference,
    names_spot,
    parse_place,
    place_from_degrees,
)
from wingtone.notebook.records import (
    GIVEN_ID,
    QUALIFIER,
    VERBATIM,
    Record,
    Tone,
    check_kinds,
    doubt_of,
    is_global,
    is_plain,
    is_scientific,
    part_of,
    recording_note,
    sex_of,
    uuid_of,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from wingtone.notebook.store import Entry

__all__ = [
    "AS_WRITTEN",
    "OCCURRENCE_TERMS",
    "STATUS_WORDS",
    "Disclosure",
    "file_name",
    "files_of",
    "from_terms",
    "is_ours",
    "number_text",
    "record_id",
    "to_terms",
]

OCCURRENCE_TERMS = (
    "occurrenceID",
    "basisOfRecord",
    "occurrenceStatus",
    "eventDate",
    "recordedBy",
    "scientificName",
    "taxonRank",
    "vernacularName",
    "verbatimIdentification",
    "identificationQualifier",
    "identifiedBy",
    "identificationVerificationStatus",
    "identificationRemarks",
    "kingdom",
    "phylum",
    "class",
    "order",
    "family",
    "genus",
    "caste",
    "sex",
    "lifeStage",
    "decimalLatitude",
    "decimalLongitude",
    "geodeticDatum",
    "coordinateUncertaintyInMeters",
    "verbatimCoordinates",
    "dataGeneralizations",
    "informationWithheld",
    "samplingProtocol",
    "associatedMedia",
    "occurrenceRemarks",
    "dynamicProperties",
    "modified",
    "otherCatalogNumbers",
)

AS_WRITTEN = {
    "basis": ("basisOfRecord", ("humanobservation",)),
    "life stage": ("lifeStage", ("adult", "adults", "imago")),
    "qualifier": (QUALIFIER, ()),
}
"""Fields of imported tables that are kept, and handed on, as they were written: the term of Darwin Core that
``other`` keeps them under, and the words (letters only) that say what we would anyway."""

STATUS_WORDS = {
    "hint": "not verified, a hint of the program",
    "decided": "decided by the recorder",
    "confirmed": "confirmed",
    "rejected": "rejected",
}

_BOMBUS = {
    "phylum": "Arthropoda",
    "class": "Insecta",
    "order": "Hymenoptera",
    "family": "Apidae",
    "genus": "Bombus",
}
_RANK_WORDS = {"species": "species", "aggregate": "genus", "genus": "genus"}
_DWC_CASTES = ("queen", "worker", "male")
_OURS = "wingtone"


@dataclass(frozen=True)
class Disclosure:
    """How much of a place is given away: all, a square of ``blur_km`` (1, 2 or 10), or nothing."""

    blur_km: int | None = None
    withhold_place: bool = False

    def __post_init__(self) -> None:
        if self.blur_km not in (None, 1, 2, 10):
            raise RequestError(f"a place can be blurred to 1, 2 or 10 km, not {self.blur_km}")

    @property
    def is_private(self) -> bool:
        """Whether anything of the place is kept back."""
        return self.withhold_place or self.blur_km is not None

    def shown(self, place: Place | None) -> Place | None:
        """Give the place as it may be shown."""
        if place is None or self.withhold_place:
            return None
        return place if self.blur_km is None else blur(place, self.blur_km)


def to_terms(entry: Entry, disclosure: Disclosure | None = None) -> dict[str, str]:
    """Give a record as Darwin Core terms, in the order of `OCCURRENCE_TERMS`."""
    shown = disclosure or Disclosure()
    record, place = entry.record, shown.shown(entry.record.place)
    terms = dict.fromkeys(OCCURRENCE_TERMS, "")
    given_id = record.other.get(GIVEN_ID, "")
    terms |= {
        "occurrenceID": record_id(entry, private=shown.is_private),
        "occurrenceStatus": "present",
        "eventDate": record.event_date,
        "recordedBy": record.recorder,
        **_name_terms(record.taxon, record.rank, record.vernacular),
        "verbatimIdentification": _as_written(record),
        "identifiedBy": record.identified_by,
        "identificationVerificationStatus": STATUS_WORDS[record.status],
        "identificationRemarks": _remarks(record, private=shown.is_private),
        "kingdom": "Animalia",
        "caste": record.caste if record.caste in _DWC_CASTES else "",
        "sex": record.sex or sex_of(record.caste),
        "samplingProtocol": _protocol(record),
        "associatedMedia": " | ".join(file_name(path) for path in files_of(record)),
        "occurrenceRemarks": record.notes,
        "dynamicProperties": _properties(record, place, private=shown.is_private),
        "modified": entry.changed_at,
        "otherCatalogNumbers": "" if is_global(given_id) or shown.is_private else given_id,
        **_usual(record),
        **{term: record.other[term] for term, _ in AS_WRITTEN.values() if record.other.get(term)},
    }
    if record.taxon.partition(" ")[0] == "Bombus":
        terms |= _BOMBUS
    elif terms["taxonRank"]:
        terms["genus"] = record.taxon.split()[0]
    if place is not None:
        terms |= {
            "decimalLatitude": number_text(place.latitude_deg),
            "decimalLongitude": number_text(place.longitude_deg),
            "geodeticDatum": "EPSG:4326",
            "coordinateUncertaintyInMeters": number_text(place.uncertainty_m),
            "verbatimCoordinates": place.text,
        }
    if record.place is not None and shown.withhold_place:
        terms["informationWithheld"] = "the place is withheld at the wish of the recorder"
    elif record.place is not None and shown.blur_km is not None:
        terms["dataGeneralizations"] = f"the place is given as a square of {shown.blur_km} km or larger"
    return terms


def record_id(entry: Entry, *, private: bool = False) -> str:
    """Give the identifier that a record goes by outside.

    Who has the record from us and from where we have it must not count it twice, so that one that is unique
    everywhere stays as it was given. Where the place is private only a UUID does: an address leads to a page
    that may show the place, and any other text may name it.
    """
    given = entry.record.other.get(GIVEN_ID, "")
    stays = uuid_of(given) is not None if private else is_global(given)
    return given if stays else f"urn:uuid:{entry.id}"


def _usual(record: Record) -> dict[str, str]:
    """Give the terms that an imported table may have filled in another way, see `AS_WRITTEN`."""
    return {
        "basisOfRecord": "MachineObservation" if _by_machine(record) else "HumanObservation",
        "lifeStage": "adult",
        QUALIFIER: _qualifier(record),
    }


def from_terms(terms: Mapping[str, str]) -> Record:
    """Make a record of the terms that `to_terms` wrote.

    Raises
    ------
    RequestError, DateError, PlaceError
        A term cannot be right.
    """
    given = {name: terms.get(name, "") for name in OCCURRENCE_TERMS}
    ours = _ours(given["dynamicProperties"])
    said = given["identificationVerificationStatus"]
    status = {words: status for status, words in STATUS_WORDS.items()}.get(said)
    if status is None:
        remedy = f"one of: {'; '.join(STATUS_WORDS.values())}"
        where = "identificationVerificationStatus"
        raise RequestError(f"{said[:60]!r} is no status of ours", remedy=remedy, where=where)
    taxon, rank, vernacular = _name_of(given, ours)
    caste = given["caste"] or ours.get("caste", "")
    place = _place_of(given, ours) if given["decimalLatitude"] else None
    try:
        heard = _of_ours(ours, place)
        if place is not None and (written := given["verbatimCoordinates"]) not in ("", place.text):
            heard["other"] = {"verbatimCoordinates": written, **heard["other"]}
        if (written := given["verbatimIdentification"]) not in ("", taxon):
            heard["other"] = {**heard["other"], VERBATIM: written}
        record = Record(
            event_date=given["eventDate"],
            recorder=given["recordedBy"],
            taxon=taxon,
            rank=rank,
            vernacular=vernacular,
            caste=caste,
            sex="" if ours.get("sex") == "" else given["sex"],
            status=status,
            identified_by=given["identifiedBy"],
            notes=given["occurrenceRemarks"],
            **heard,
        )
    except RequestError as error:
        if error.where in _FROM_OURS:  # say in which column it stands
            raise RequestError(f"{error.where}: {error.what}", where="dynamicProperties") from None
        raise
    return replace(record, other={**_as_given(given, record), **record.other})


def _place_of(given: Mapping[str, str], ours: Mapping[str, Any]) -> Place:
    """Give the place at the coordinates; its reference and text only while they are still of that spot."""
    latitude_deg, longitude_deg = _number(given, "decimalLatitude"), _number(given, "decimalLongitude")
    uncertainty_m = _number(given, "coordinateUncertaintyInMeters")
    text, reference = given["verbatimCoordinates"], ours.get("grid_reference")
    if isinstance(reference, str) and not names_spot(reference, latitude_deg, longitude_deg):
        moved_with_it = is_grid_reference(text) and names_spot(text, latitude_deg, longitude_deg)
        reference = parse_place(text).grid_reference if moved_with_it else None
    if not reference:  # else its centre may lie in the sea: such squares have a strip of land
        place_from_degrees(latitude_deg, longitude_deg, uncertainty_m=uncertainty_m)
    if not (text and names_spot(text, latitude_deg, longitude_deg)):
        text = reference or f"{number_text(latitude_deg)}, {number_text(longitude_deg)}"
    return Place(latitude_deg, longitude_deg, uncertainty_m, reference, text)


def _as_given(given: Mapping[str, str], record: Record) -> dict[str, str]:
    """Give what the terms say otherwise than we would: it is kept where ``other`` was not handed on."""
    kept = {term: given[term] for term, usual in _usual(record).items() if given[term] not in ("", usual)}
    epithet = re.search(r"(?<!\S)[a-z-]+$", kept.get(QUALIFIER, "").strip())
    if epithet and epithet[0] != record.taxon.rpartition(" ")[2]:
        del kept[QUALIFIER]  # the doubt was about another name
    if not given["occurrenceID"].startswith("urn:uuid:"):
        kept[GIVEN_ID] = given["occurrenceID"]
    if given["otherCatalogNumbers"]:
        kept[GIVEN_ID] = given["otherCatalogNumbers"]
    return {term: text for term, text in kept.items() if text}


_FROM_OURS = ("hints", "made_with", "other", "photographs", "recording", "tone", "temperature_c", "place")


def _of_ours(ours: Mapping[str, Any], place: Place | None) -> dict[str, Any]:
    """Give the fields of a record that the terms have no place for."""
    photographs = ours.get("photographs", [])
    fields: dict[str, Any] = {
        "place": place,
        "recording": recording_note(ours["recording"]) if ours.get("recording") is not None else None,
        "tone": part_of(Tone, ours["tone"], "tone") if "tone" in ours else None,
        "photographs": tuple(photographs) if isinstance(photographs, list) else (photographs,),
        "temperature_c": ours.get("temperature_c"),
        **{name: ours.get(name, {}) for name in ("hints", "made_with", "other")},
    }
    check_kinds(fields)
    return fields


def _number(terms: Mapping[str, str], term: str) -> float:
    try:
        return float(terms[term])
    except ValueError:
        raise RequestError(f"{terms[term][:40]!r} is not a number", where=term) from None


def is_ours(terms: Mapping[str, str]) -> bool:
    """Whether a row was written by `to_terms`."""
    return bool(_ours(terms.get("dynamicProperties", "")))


def number_text(value: float) -> str:
    """Write a number so that it reads back equal, without an exponent where that is possible."""
    text = f"{value:.7f}".rstrip("0").rstrip(".")
    text = "0" if text == "-0" else text
    return text if float(text) == value else repr(value)


def file_name(path: str) -> str:
    """Give the last part of a path of either kind of system: the folders are nobody's business."""
    return PureWindowsPath(path).name or PurePosixPath(path).name or path


def _by_machine(record: Record) -> bool:
    return record.recording is not None and record.status == "hint" and not record.hints


def _name_terms(taxon: str, rank: str, vernacular: str) -> dict[str, str]:
    """Give the terms for a name. Darwin Core has names of everyday language in a term of their own.

    What is neither stays out of both: it is given as it was written. A scientific name holds no doubt, which
    has a term of its own; what is sure beside a doubt is the genus.
    """
    rank = "genus" if doubt_of(taxon) else rank
    names = {"scientificName": taxon, "taxonRank": _RANK_WORDS.get(rank, ""), "vernacularName": vernacular}
    if not is_scientific(taxon):
        plain = vernacular or (taxon if is_plain(taxon) else "")
        return dict.fromkeys(names, "") | {"vernacularName": plain}
    if rank in ("aggregate", "genus"):  # without its "agg." or "sp."
        names["scientificName"] = taxon.split()[0]
    return names


def _name_of(given: Mapping[str, str], ours: Mapping[str, Any]) -> tuple[str, str, str]:
    """Give taxon, rank and plain name; those that travel along only while the terms are still theirs."""
    name = ours.get("name")
    if isinstance(name, list) and len(name) == 3 and all(isinstance(text, str) for text in name):
        taxon, rank, vernacular = name
        if all(given[term] == text for term, text in _name_terms(taxon, rank, vernacular).items()):
            return taxon, rank, vernacular
    taxon, rank, written = given["scientificName"], given["taxonRank"], given["verbatimIdentification"]
    if rank == "genus" and given["identificationQualifier"] == "agg." and written.split()[:1] == [taxon]:
        taxon, rank = written, "aggregate"  # as it was written before names travelled along
    return taxon, rank, given["vernacularName"]


def _as_written(record: Record) -> str:
    """Give the name as somebody wrote it, where the terms for names do not say it."""
    terms = _name_terms(record.taxon, record.rank, record.vernacular)
    return record.other.get(VERBATIM, "") or (record.taxon if terms["scientificName"] != record.taxon else "")


def _qualifier(record: Record) -> str:
    if not is_scientific(record.taxon):
        return ""
    if doubt := doubt_of(record.taxon):
        return doubt
    if record.rank == "aggregate":
        return "agg."
    _, _, epithet = record.taxon.partition(" ")
    return f"cf. {epithet}" if record.status == "hint" and record.rank == "species" and epithet else ""


def _protocol(record: Record) -> str:
    if record.recording is None and record.tone is None:
        return "seen"
    return "seen, and flight tone recorded" if record.hints else "flight tone recorded"


def files_of(record: Record) -> list[str]:
    """Give the paths of the recording (first, when there is one) and the photographs."""
    sound = [record.recording.path] if record.recording is not None and record.recording.path else []
    return [*sound, *record.photographs]


def _remarks(record: Record, *, private: bool) -> str:
    """Put the evidence in words; what speaks of the place is left out when that is private.

    The program's reasons are for the name that it gave. Where the record goes by another name they are called
    what they are, so that nobody takes them for reasons of whoever decided.
    """
    answer = record.answer or {}
    record_as = answer.get("record_as") or {}
    hinted, reason = record_as.get("taxon") or "", record_as.get("reason") or ""
    sentences = [reason.rstrip(".")] if reason and not private else []
    for piece in answer.get("evidence") or ():
        if piece.get("summary") and not (private and piece.get("kind") == "place"):
            weight = piece.get("weight_bits")
            bits = "" if weight is None else f" ({weight:+z.1f} bits)"
            sentences.append(f"{piece['summary'].rstrip('.')}{bits}")
    made_with = [version for version in record.made_with.values() if version]
    if made_with and answer:
        sentences.append(f"worked out with {', '.join(made_with)}")
    if sentences and record.taxon != hinted:
        said = f"the program had hinted at {hinted or 'no name'}, not at this one"
        sentences[0] = f"{said}; its reasons: {sentences[0]}"
    if record.hints:
        seen = ", ".join(f"{character} {state}" for character, state in sorted(record.hints.items()))
        sentences.insert(0, f"seen: {seen}")
    return "; ".join(sentences)


def _properties(record: Record, place: Place | None, *, private: bool) -> str:
    ours: dict[str, Any] = {"layout": 1}
    full_name = (record.taxon, record.rank, record.vernacular)
    if tuple(_name_terms(*full_name).values()) != full_name:
        ours["name"] = full_name
    if place is not None and place.grid_reference is not None:
        ours["grid_reference"] = place.grid_reference
    if record.caste and record.caste not in _DWC_CASTES:
        ours["caste"] = record.caste
    if not record.sex and sex_of(record.caste):
        ours["sex"] = ""
    if record.temperature_c is not None:
        ours["temperature_c"] = record.temperature_c
    for name in ("hints", "made_with"):
        if getattr(record, name):
            ours[name] = dict(getattr(record, name))
    if record.tone is not None:
        ours["tone"] = vars(record.tone)
    if record.recording is not None:
        recording = record.recording
        bouts = [vars(bout) for bout in recording.bouts]
        ours["recording"] = {**vars(recording), "path": file_name(recording.path), "bouts": bouts}
    if record.photographs:
        ours["photographs"] = [file_name(path) for path in record.photographs]
    if record.other and not private:  # imported columns may name the place
        ours["other"] = dict(record.other)
    return json.dumps({_OURS: ours}, ensure_ascii=False, sort_keys=True)


def _ours(dynamic_properties: str) -> dict[str, Any]:
    try:
        parsed = json.loads(dynamic_properties) if dynamic_properties else {}
    except (ValueError, RecursionError):
        return {}
    ours = parsed.get(_OURS) if isinstance(parsed, dict) else None
    return ours if isinstance(ours, dict) else {}
