"""Which column of somebody's table means what.

- `FIELDS`: what a column can mean, with the headings that are taken to mean it.
- `propose`: a mapping for the headings of a table.
- `corrected`: a proposal with what the user says, ``HEADING=FIELD``.
- `goes_without_saying`: whether a cell need not be kept.
"""

from __future__ import annotations

import difflib
import re
from typing import TYPE_CHECKING

from wingtone.errors import RequestError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

__all__ = ["FIELDS", "OTHER", "SKIP", "corrected", "goes_without_saying", "propose"]

OTHER = "other"
"""Kept with the record as it stands."""

SKIP = "skip"
"""Left out."""

FIELDS: Mapping[str, tuple[str, ...]] = {
    "id": ("occurrenceID",),
    "date": ("eventDate", "date", "date seen", "record date", "observation date", "obs date"),
    "time": ("eventTime", "time", "start time"),
    "year": ("year",),
    "month": ("month",),
    "day": ("day",),
    "latitude": ("decimalLatitude", "latitude", "lat", "y coordinate wgs84"),
    "longitude": ("decimalLongitude", "longitude", "long", "lon", "lng", "x coordinate wgs84"),
    "uncertainty": (
        "coordinateUncertaintyInMeters",
        "uncertainty",
        "accuracy",
        "precision m",
        "coordinate accuracy",
    ),
    "place": (
        "gridReference",
        "grid ref",
        "gr",
        "os grid ref",
        "osgr",
        "spatial reference",
        "place",
        "coordinates",
        "verbatimCoordinates",
    ),
    "recorder": ("recordedBy", "recorder", "recorders", "observer", "seen by", "recorder name"),
    "taxon": ("scientificName", "species", "taxon", "scientific name", "latin name", "species name", "name"),
    "rank": ("taxonRank", "rank"),
    "vernacular": ("vernacularName", "common name", "english name", "vernacular"),
    "caste": ("caste", "sex or caste", "sex caste", "stage", "sex stage"),
    "sex": ("sex",),
    "identified by": ("identifiedBy", "determiner", "determined by", "identifier", "det"),
    "temperature": ("temperatureCelsius", "temperature", "temp", "air temperature", "temperature c"),
    "notes": ("occurrenceRemarks", "notes", "comment", "comments", "remarks"),
    "recording": (
        "recording",
        "sound file",
        "audio file",
        "audio",
        "clip",
        "sound",
        "recording file",
        "clip name",
        "file",
        "file name",
    ),
    "photograph": ("photograph", "photo", "image", "picture", "photo file"),
    "hints": ("hints",),
    "genus": ("genus",),
    "epithet": ("specificEpithet", "species epithet", "epithet"),
    "infraspecific": ("infraspecificEpithet",),
    "verification": (
        "identificationVerificationStatus",
        "verification status",
        "verification",
        "record status",
    ),
    "qualifier": ("identificationQualifier", "qualifier"),
    "presence": ("occurrenceStatus", "presence"),
    "count": ("individualCount", "count", "abundance", "quantity", "organismQuantity", "number seen"),
    "basis": ("basisOfRecord",),
    "life stage": ("lifeStage",),
    "datum": ("geodeticDatum",),
}
"""Field to headings, capitals and punctuation apart. Darwin Core terms stand first; the rest is common
practice in recorders' tables, no source."""


def _plain(heading: str) -> str:
    return re.sub(r"[^a-z0-9]", "", heading.lower())


_BY_HEADING = {_plain(name): field for field, names in FIELDS.items() for name in names}
_ABOVE_GENUS = {
    "kingdom": "animalia",
    "phylum": "arthropoda",
    "class": "insecta",
    "order": "hymenoptera",
    "family": "apidae",
}
"""What a record of a bee says by itself in these terms of Darwin Core."""


def goes_without_saying(heading: str, cell: str) -> bool:
    """Whether a cell says no more than every record of a bee does, so that it need not be kept."""
    return _ABOVE_GENUS.get(_plain(heading)) == cell.strip().lower()


def propose(headings: Sequence[str]) -> dict[str, str]:
    """Guess what each heading means: a field, ``hint:CHARACTER``, `OTHER` or `SKIP`.

    No field is given twice: the first heading that fits takes it, later ones become `OTHER`. Of a column for
    sex that also holds castes nothing special is made; both are read with the same words.
    """
    mapping: dict[str, str] = {}
    taken: set[str] = set()
    for heading in headings:
        plain = _plain(heading)
        field = _BY_HEADING.get(plain, OTHER)
        if match := re.fullmatch(r"hint[ :_-]+([a-z-]+)", heading.strip().lower()):
            field = f"hint:{match[1]}"
        if not plain:
            field = SKIP
        if field not in (OTHER, SKIP) and field in taken:
            field = OTHER
        taken.add(field)
        mapping[heading] = field
    return mapping


def corrected(proposal: Mapping[str, str], texts: Iterable[str]) -> dict[str, str]:
    """Correct a proposal by texts of the form ``HEADING=FIELD``.

    A column that had the field before the correction becomes `OTHER`.

    Raises
    ------
    RequestError
        A heading that the table does not have, or a field that does not exist; says the near ones.
    """
    allowed = [*FIELDS, OTHER, SKIP]
    given: dict[str, str] = {}
    for text in texts:
        heading, equals, field = (part.strip() for part in text.rpartition("="))
        if not equals:
            raise RequestError("a mapping looks like HEADING=FIELD", where=text)
        if heading not in proposal:
            near = difflib.get_close_matches(heading, proposal) or list(proposal)[:10]
            remedy = f"there is {', '.join(near)}"
            raise RequestError(f"there is no column {heading!r}", remedy=remedy, where=text)
        if field not in allowed and not re.fullmatch(r"hint:[a-z-]+", field):
            remedy = f"one of {', '.join(allowed)}, hint:CHARACTER"
            raise RequestError(f"a column cannot mean {field!r}", remedy=remedy, where=text)
        if field not in (OTHER, SKIP) and field in given.values():
            raise RequestError(f"two columns cannot both mean {field}", where=text)
        given[heading] = field
    kept = {h: OTHER if field in given.values() and field != SKIP else field for h, field in proposal.items()}
    return kept | given
