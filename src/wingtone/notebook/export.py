"""Records in files that others can read: Darwin Core Archive, flat CSV, GeoJSON.

All three go through the records one by one, so that memory stays bounded, and appear in one step: a reader
never sees half a file. Removed records are not given away.

- `write_archive`: Darwin Core Archive with Occurrence core and the extensions MeasurementOrFact, Audiovisual
  Core media and Audiovisual Core regions of interest.
- `write_csv`: one table with Darwin Core headings, safe to open in a spreadsheet.
- `write_geojson`: points, RFC 7946.
- `Dataset`: what the archive says of itself.
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import re
import tempfile
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree

from wingtone import __version__
from wingtone.csv_text import safe_for_spreadsheets
from wingtone.files import replacing
from wingtone.notebook import exchange, extensions, schema

if TYPE_CHECKING:
    import os
    from collections.abc import Iterable, Sequence

    from wingtone.notebook.exchange import Disclosure
    from wingtone.notebook.store import Entry

__all__ = ["Dataset", "write_archive", "write_csv", "write_geojson"]

DWC = "http://rs.tdwg.org/dwc/terms/"
AC = "http://rs.tdwg.org/ac/terms/"
DCTERMS = "http://purl.org/dc/terms/"
XMP = "http://ns.adobe.com/xap/1.0/"

CORE = tuple((name, (DCTERMS if name == "modified" else DWC) + name) for name in exchange.OCCURRENCE_TERMS)
MEASUREMENTS = tuple(
    (name, DWC + name)
    for name in (
        "measurementID",
        "measurementType",
        "measurementValue",
        "measurementUnit",
        "measurementAccuracy",
        "measurementMethod",
    )
)
MEDIA = (
    ("identifier", DCTERMS + "identifier"),
    ("type", DCTERMS + "type"),
    ("title", DCTERMS + "title"),
    ("format", DCTERMS + "format"),
    ("creator", DCTERMS + "creator"),
    ("CreateDate", XMP + "CreateDate"),
    ("mediaDuration", AC + "mediaDuration"),
    ("hashFunction", AC + "hashFunction"),
    ("hashValue", AC + "hashValue"),
    ("associatedObservationReference", AC + "associatedObservationReference"),
)
REGIONS = (
    ("identifier", DCTERMS + "identifier"),
    ("isROIOf", AC + "isROIOf"),
    ("title", DCTERMS + "title"),
    ("startTime", AC + "startTime"),
    ("endTime", AC + "endTime"),
    ("freqLow", AC + "freqLow"),
    ("freqHigh", AC + "freqHigh"),
    ("comments", AC + "comments"),
)
EXTENSIONS = (
    ("measurements.csv", DWC + "MeasurementOrFact", MEASUREMENTS),
    ("media.csv", AC + "Multimedia", MEDIA),
    ("regions.csv", AC + "RegionOfInterest", REGIONS),
)


def _extension_rows(entry: Entry, disclosure: Disclosure) -> tuple[list[dict[str, str]], ...]:
    """Give the rows of a record in each of `EXTENSIONS`."""
    media = extensions.media(entry, private=disclosure.is_private)
    return extensions.measurements(entry), media, extensions.regions(entry)


@dataclass(frozen=True)
class Dataset:
    """What an archive says of itself. ``licence`` is a name or an address; empty when nothing was decided."""

    title: str = "Bumblebee records"
    creator: str = ""
    licence: str = ""
    abstract: str = "Records of bumblebees from a notebook of wingtone, some with the tone of their flight."


def write_archive(
    entries: Iterable[Entry],
    path: str | os.PathLike[str],
    *,
    disclosure: Disclosure | None = None,
    dataset: Dataset | None = None,
) -> int:
    """Write a Darwin Core Archive; give the number of records in it.

    Raises
    ------
    OutputError
        The file could not be written.
    """
    shown = disclosure or exchange.Disclosure()
    count = 0
    with (
        replacing(path) as scratch,
        tempfile.TemporaryDirectory(dir=scratch.parent, prefix=".wingtone-") as folder,
    ):
        files = [Path(folder, name) for name in ("occurrence.csv", *(name for name, *_ in EXTENSIONS))]
        with contextlib.ExitStack() as stack:
            tables = [stack.enter_context(file.open("w", encoding="utf-8", newline="")) for file in files]
            # All cells in quotes: a lone carriage return in a note would else end its row for some readers.
            writers = [csv.writer(table, lineterminator="\n", quoting=csv.QUOTE_ALL) for table in tables]
            writers[0].writerow(name for name, _ in CORE)
            for writer, (_, _, fields) in zip(writers[1:], EXTENSIONS, strict=True):
                writer.writerow(["coreid", *(name for name, _ in fields)])
            for entry in entries:
                terms = exchange.to_terms(entry, shown)
                writers[0].writerow(terms.values())
                of_entry = _extension_rows(entry, shown)
                for writer, (_, _, fields), rows in zip(writers[1:], EXTENSIONS, of_entry, strict=True):
                    for row in rows:
                        writer.writerow([terms["occurrenceID"], *(row.get(name, "") for name, _ in fields)])
                count += 1
        with zipfile.ZipFile(scratch, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("meta.xml", _meta())
            archive.writestr("eml.xml", _eml(dataset or Dataset()))
            for file in files:
                archive.write(file, file.name)
    return count


def write_csv(
    entries: Iterable[Entry], path: str | os.PathLike[str], *, disclosure: Disclosure | None = None
) -> int:
    """Write one table with Darwin Core headings and a few of our own; give the number of records in it.

    UTF-8 with a byte order mark, commas, lines ended by CR LF (RFC 4180): what spreadsheets open best. Text
    that a spreadsheet would run as a formula has an apostrophe in front, which import takes off again.
    """
    shown = disclosure or exchange.Disclosure()
    count = 0
    with replacing(path) as scratch, scratch.open("w", encoding="utf-8-sig", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([*exchange.OCCURRENCE_TERMS, *extensions.FLAT_EXTRAS])
        for entry in entries:
            row = exchange.to_terms(entry, shown) | extensions.flat_extras(entry, shown)
            writer.writerow(safe_for_spreadsheets(cell) for cell in row.values())
            count += 1
    return count


def write_geojson(
    entries: Iterable[Entry], path: str | os.PathLike[str], *, disclosure: Disclosure | None = None
) -> int:
    """Write a FeatureCollection of points (RFC 7946); give the number of records in it.

    Coordinates are longitude, latitude on WGS84. A record without a place, or with its place withheld, has
    the geometry null, as the standard has it.
    """
    shown = disclosure or exchange.Disclosure()
    count = 0
    with replacing(path) as scratch, scratch.open("w", encoding="utf-8", newline="\n") as file:
        file.write('{"type": "FeatureCollection", "features": [')
        for entry in entries:
            file.write(",\n" if count else "\n")
            json.dump(_feature(entry, shown), file, ensure_ascii=False, allow_nan=False)
            count += 1
        file.write("\n]}\n")
    return count


def _feature(entry: Entry, disclosure: Disclosure) -> dict[str, object]:
    place = disclosure.shown(entry.record.place)
    terms = exchange.to_terms(entry, disclosure) | extensions.flat_extras(entry, disclosure)
    return {
        "type": "Feature",
        "id": terms["occurrenceID"],
        "geometry": place
        and {
            "type": "Point",
            # seven decimals are a centimetre
            "coordinates": [round(place.longitude_deg, 7), round(place.latitude_deg, 7)],
        },
        "properties": {name: text for name, text in terms.items() if text},
    }


# --- the archive's own papers ------------------------------------------------------------------------------


def _xml(root: ElementTree.Element) -> bytes:
    ElementTree.indent(root)
    out = io.BytesIO()
    ElementTree.ElementTree(root).write(out, encoding="utf-8", xml_declaration=True)
    return out.getvalue() + b"\n"


def _meta() -> bytes:
    """Describe the tables (Darwin Core text guide, namespace http://rs.tdwg.org/dwc/text/)."""
    archive = ElementTree.Element("archive", {"xmlns": "http://rs.tdwg.org/dwc/text/", "metadata": "eml.xml"})
    _table(archive, "core", "occurrence.csv", DWC + "Occurrence", CORE, first=0)
    for name, row_type, fields in EXTENSIONS:
        _table(archive, "extension", name, row_type, fields, first=1)
    return _xml(archive)


def _table(
    parent: ElementTree.Element,
    tag: str,
    name: str,
    row_type: str,
    fields: Sequence[tuple[str, str]],
    *,
    first: int,
) -> None:
    table = ElementTree.SubElement(
        parent,
        tag,
        {
            "encoding": "UTF-8",
            "fieldsTerminatedBy": ",",
            "linesTerminatedBy": "\\n",
            "fieldsEnclosedBy": '"',
            "ignoreHeaderLines": "1",
            "rowType": row_type,
        },
    )
    ElementTree.SubElement(ElementTree.SubElement(table, "files"), "location").text = name
    ElementTree.SubElement(table, "id" if tag == "core" else "coreid", {"index": "0"})
    for i, (_, term) in enumerate(fields, start=first):
        ElementTree.SubElement(table, "field", {"index": str(i), "term": term})


def _eml(dataset: Dataset) -> bytes:
    """Write a minimal Ecological Metadata Language 2.1.1 document: title, people, day, rights.

    Its schema has the elements in this order and no other: those of the group ``ResourceGroup`` of
    ``eml-resource.xsd`` 2.1.1 (read), and behind them what only a data set has, the contact.
    """
    root = ElementTree.Element(
        "eml:eml",
        {
            "xmlns:eml": "eml://ecoinformatics.org/eml-2.1.1",
            "packageId": f"wingtone-{schema.now()}",
            "system": "wingtone",
            "scope": "system",
            "xml:lang": "en",
        },
    )
    inside = ElementTree.SubElement(root, "dataset")

    def add(tag: str, text: str) -> None:
        ElementTree.SubElement(inside, tag).text = text

    def person(tag: str) -> None:
        name = ElementTree.SubElement(ElementTree.SubElement(inside, tag), "individualName")
        ElementTree.SubElement(name, "surName").text = _clean(dataset.creator) or "not stated"

    add("title", _clean(dataset.title))
    person("creator")
    person("metadataProvider")
    add("pubDate", schema.now()[:10])
    add("language", "en")
    abstract = ElementTree.SubElement(inside, "abstract")
    ElementTree.SubElement(abstract, "para").text = _clean(dataset.abstract)
    info = ElementTree.SubElement(inside, "additionalInfo")
    ElementTree.SubElement(info, "para").text = f"Written by wingtone {__version__}"
    rights = ElementTree.SubElement(inside, "intellectualRights")
    ElementTree.SubElement(rights, "para").text = _clean(dataset.licence) or "not stated"
    person("contact")
    return _xml(root)


def _clean(text: str) -> str:
    """Leave out what XML 1.0 cannot hold (its production 2, Char)."""
    return re.sub("[^\t\n\r -\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "", text)
