"""Archives, tables and maps that others can read, and nothing in them that should stay at home."""

from __future__ import annotations

import csv
import json
import re
import zipfile
from dataclasses import replace
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import pytest
from dwca.darwincore.utils import qualname as qn
from dwca.read import DwCAReader
from hypothesis import HealthCheck, given, settings

from notebook.examples import ANSWER, example, records
from notebook.term_lists import AUDIOVISUAL_CORE, DARWIN_CORE, DUBLIN_CORE
from wingtone.csv_text import from_spreadsheet
from wingtone.errors import OutputError, RequestError
from wingtone.notebook import exchange, export, extensions
from wingtone.notebook.exchange import Disclosure, file_name, from_terms, to_terms
from wingtone.notebook.places import blur, parse_place
from wingtone.notebook.records import VERBATIM, Tone
from wingtone.notebook.store import Entry, Notebook

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from wingtone.notebook.records import Record

DWC = "http://rs.tdwg.org/dwc/terms/"


def entries(*made: Record) -> list[Entry]:
    return [
        Entry(i, f"00000000-0000-4000-8000-{i:012d}", 1, False, "2026-03-21T08:00:00+00:00", record)
        for i, record in enumerate(made, start=1)
    ]


def at_home(record: Record) -> Record:
    """What a record is without the parts that stay at home."""
    recording = record.recording
    if recording is not None:
        recording = replace(recording, path=file_name(recording.path))
    return replace(
        record, answer=None, recording=recording, photographs=tuple(map(file_name, record.photographs))
    )


class TestTerms:
    def test_every_term_is_in_the_published_lists(self) -> None:
        known = {
            DWC: DARWIN_CORE,
            "http://rs.tdwg.org/ac/terms/": AUDIOVISUAL_CORE,
            "http://purl.org/dc/terms/": DUBLIN_CORE,
            "http://ns.adobe.com/xap/1.0/": {"CreateDate"},
        }
        tables = [export.CORE, *(fields for _, _, fields in export.EXTENSIONS)]
        for iri in [iri for table in tables for _, iri in table]:
            parts = re.fullmatch(r"(.*/)(\w+)", iri)
            assert parts is not None, iri
            space, name = parts.groups()
            assert name in known[space], iri
        row_types = [row_type for _, row_type, _ in export.EXTENSIONS]
        # Row types registered for archives; the class RegionOfInterest is in the Audiovisual Core list.
        assert row_types == [
            DWC + "MeasurementOrFact",
            "http://rs.tdwg.org/ac/terms/Multimedia",
            "http://rs.tdwg.org/ac/terms/RegionOfInterest",
        ]

    def test_a_full_record(self) -> None:
        (entry,) = entries(example())
        terms = to_terms(entry)
        assert list(terms) == list(exchange.OCCURRENCE_TERMS)
        assert terms["occurrenceID"] == "urn:uuid:00000000-0000-4000-8000-000000000001"
        assert terms["eventDate"] == "2026-03-20T10:32:05+00:00"
        assert (terms["scientificName"], terms["taxonRank"]) == ("Bombus terrestris", "species")
        assert (terms["caste"], terms["sex"], terms["lifeStage"]) == ("queen", "female", "adult")
        assert (terms["family"], terms["genus"]) == ("Apidae", "Bombus")
        assert float(terms["coordinateUncertaintyInMeters"]) == 70.7
        assert terms["geodeticDatum"] == "EPSG:4326"
        assert terms["verbatimCoordinates"] == "TQ 187 753"
        assert terms["basisOfRecord"] == "HumanObservation"
        assert terms["associatedMedia"] == "kew 12.m4a | kew 12.jpg"
        assert "146 Hz is the tone of a large bee (+2.2 bits)" in terms["identificationRemarks"]
        assert "british_isles 1" in terms["identificationRemarks"]
        assert terms["dataGeneralizations"] == terms["informationWithheld"] == ""

    def test_figures_are_no_finer_than_they_can_be_meant_and_remarks_read_as_one(self) -> None:
        size = {"itd_mm": 4.95595904542661, "itd_low_mm": 4.3740912515, "itd_high_mm": 6.0085, "level": 0.9}
        evidence = [{"kind": "date", "name": "date", "weight_bits": -0.01, "summary": "Queens fly in March."}]
        record_as = {"taxon": "Bombus terrestris", "reason": "93 % sure."}
        tone = Tone(136.58670806884766, 136.39489561940655, 136.77852051828876, duration_s=5.470000000000001)
        answer = {**ANSWER, "size": size, "evidence": evidence, "record_as": record_as}
        (entry,) = entries(example(answer=answer, tone=tone, hints={}, made_with={}))
        told = {row["measurementType"]: row for row in extensions.measurements(entry)}
        heard, itd = (told[kind] for kind in told if "flight tone" in kind)
        assert (heard["measurementValue"], told["duration of flight heard"]["measurementValue"]) == (
            "136.6",
            "5.47",
        )
        assert (itd["measurementValue"], itd["measurementAccuracy"]) == ("4.96", "90 % interval 4.37 to 6.01")
        assert extensions.flat_extras(entry, Disclosure())["flightToneHz"] == "136.6"
        assert to_terms(entry)["identificationRemarks"] == "93 % sure; Queens fly in March (+0.0 bits)"

    def test_reasons_for_another_name_are_told_as_such(self) -> None:
        reason = "146 Hz is the tone of a large bee (+2.2 bits)"
        (same, other, unnamed) = entries(
            example(), example(taxon="Bombus lucorum", status="confirmed"), example(taxon="", status="hint")
        )
        assert "hinted" not in to_terms(same)["identificationRemarks"]
        for entry in (other, unnamed):
            seen, told, *rest = to_terms(entry)["identificationRemarks"].split("; ")
            assert seen == "seen: collar yellow, tail buff"
            assert told == "the program had hinted at Bombus terrestris, not at this one"
            assert rest[0].startswith("its reasons: ")
            assert reason in rest
        (without,) = entries(example(taxon="Bombus lucorum", hints={}, answer=None))
        assert to_terms(without)["identificationRemarks"] == ""
        (nameless,) = entries(example(answer={**ANSWER, "record_as": {"taxon": None, "reason": "thin"}}))
        assert (
            "the program had hinted at no name, not at this one"
            in (to_terms(nameless)["identificationRemarks"])
        )

    def test_sound_alone_is_a_machine_observation(self) -> None:
        (alone,) = entries(example(hints={}, status="hint"))
        assert to_terms(alone)["basisOfRecord"] == "MachineObservation"
        assert to_terms(alone)["identificationQualifier"] == "cf. terrestris"
        (decided,) = entries(example(hints={}, status="decided"))
        assert to_terms(decided)["basisOfRecord"] == "HumanObservation"
        assert to_terms(decided)["identificationQualifier"] == ""

    def test_an_aggregate_goes_by_its_genus_and_keeps_its_name(self) -> None:
        (entry,) = entries(example(taxon="Bombus terrestris/lucorum agg.", rank="aggregate", caste="worker"))
        terms = to_terms(entry)
        assert (terms["scientificName"], terms["taxonRank"]) == ("Bombus", "genus")
        assert terms["verbatimIdentification"] == "Bombus terrestris/lucorum agg."
        assert from_terms(terms).taxon == "Bombus terrestris/lucorum agg."

    @pytest.mark.parametrize(
        ("taxon", "terms"),
        [
            ("Honey bee", ("", "", "", "Honey bee", "Honey bee")),
            ("buff tailed", ("", "", "", "buff tailed", "buff tailed")),
            ("Red-tailed", ("", "", "", "Red-tailed", "Red-tailed")),
            ("dunno", ("", "", "", "", "dunno")),
            ("B. foo", ("", "", "", "", "B. foo")),
            ("Bombus sp.", ("Bombus", "genus", "Bombus", "", "Bombus sp.")),
            ("Bombus foo", ("Bombus foo", "species", "Bombus", "", "")),
            ("Apis mellifera", ("Apis mellifera", "species", "Apis", "", "")),
        ],
    )
    def test_only_a_scientific_name_is_given_as_one(self, taxon: str, terms: tuple[str, ...]) -> None:
        """Also where an older program kept a plain name with the rank of a species."""
        rank = "genus" if "sp." in taxon else "species"
        (entry,) = entries(example(taxon=taxon, rank=rank, vernacular="", status="hint"))
        given = to_terms(entry)
        names = ("scientificName", "taxonRank", "genus", "vernacularName", "verbatimIdentification")
        assert tuple(given[name] for name in names) == terms
        assert (from_terms(given).taxon, from_terms(given).rank) == (taxon, rank)
        assert from_terms(given).vernacular == ""
        edited = from_terms(given | {"scientificName": "Bombus hortorum", "taxonRank": "species"})
        assert (edited.taxon, edited.rank) == ("Bombus hortorum", "species")

    @pytest.mark.parametrize(
        ("taxon", "doubt"),
        [
            ("Bombus cf. vestalis", "cf. vestalis"),
            ("Bombus aff vestalis", "aff vestalis"),
            ("Bombus vestalis?", "vestalis?"),
            ("Bombus vestalis ?", "vestalis ?"),
            ("Bombus (Psithyrus) cf. vestalis", "cf. vestalis"),
        ],
    )
    @pytest.mark.parametrize("rank", ["", "genus"])
    def test_a_scientific_name_holds_no_doubt(self, taxon: str, doubt: str, rank: str) -> None:
        """As its term has it: "should not contain identification qualifications" (term list, read)."""
        (entry,) = entries(example(taxon=taxon, rank=rank, vernacular="", other={}))
        for disclosure in (Disclosure(), Disclosure(withhold_place=True)):
            terms = to_terms(entry, disclosure)
            assert (terms["scientificName"], terms["taxonRank"]) == ("Bombus", "genus")
            assert (terms["identificationQualifier"], terms["verbatimIdentification"]) == (doubt, taxon)
            back = from_terms(terms)
            assert (back.taxon, back.rank, back.other) == (taxon, rank, {})

    def test_a_name_as_it_was_written_has_a_term_of_its_own(self) -> None:
        for taxon, rank in (("Bombus terrestris", "species"), ("Bombus lucorum agg.", "aggregate")):
            record = example(taxon=taxon, rank=rank, other={VERBATIM: "white tailed?"})
            (entry,) = entries(record)
            for disclosure in (Disclosure(), Disclosure(withhold_place=True)):
                terms = to_terms(entry, disclosure)
                assert terms["verbatimIdentification"] == "white tailed?"
                back = from_terms(terms)
                assert (back.taxon, back.rank, back.other) == (taxon, rank, record.other)

    def test_an_aggregate_from_an_earlier_export_is_still_one(self) -> None:
        (entry,) = entries(example(taxon="Bombus lucorum agg.", rank="aggregate"))
        terms = to_terms(entry)
        ours = json.loads(terms["dynamicProperties"])
        del ours["wingtone"]["name"]
        back = from_terms(terms | {"dynamicProperties": json.dumps(ours)})
        assert (back.taxon, back.rank) == ("Bombus lucorum agg.", "aggregate")

    @pytest.mark.parametrize(
        ("caste", "dwc_caste", "sex"),
        [("queen", "queen", "female"), ("male", "male", "male"), ("cuckoo female", "", "female")],
    )
    def test_castes_and_sexes(self, caste: str, dwc_caste: str, sex: str) -> None:
        (entry,) = entries(example(caste=caste, sex=sex))
        terms = to_terms(entry)
        assert (terms["caste"], terms["sex"]) == (dwc_caste, sex)
        assert from_terms(terms).caste == caste

    def test_what_was_edited_outside_goes_before_what_travels_along(self) -> None:
        (entry,) = entries(example(caste="cuckoo female"))
        edited = to_terms(entry) | {"caste": "worker", "scientificName": "Bombus hortorum"}
        assert (from_terms(edited).caste, from_terms(edited).taxon) == ("worker", "Bombus hortorum")

    @pytest.mark.parametrize(
        ("given", "edits", "reference", "text", "square"),
        [
            ("TQ 18 75", {}, "TQ 18 75", "TQ 18 75", "TQ 1 7"),
            ("TQ 18 75", {"decimalLatitude": "52.2", "decimalLongitude": "0.1"}, None, "52.2, 0.1", "TL 4 5"),
            ("TQ 18 75", {"decimalLatitude": "51.465"}, "TQ 18 75", "TQ 18 75", "TQ 1 7"),  # the same square
            (
                "TQ 18 75",
                {"decimalLatitude": "52.2", "decimalLongitude": "0.1", "verbatimCoordinates": "TL 43 57"},
                "TL 43 57",
                "TL 43 57",
                "TL 4 5",
            ),
            ("TQ 18 75", {"verbatimCoordinates": ""}, "TQ 18 75", "TQ 18 75", "TQ 1 7"),
            ("51.46, -0.30", {"decimalLatitude": "52.2"}, None, "52.2, -0.3", "TL 1 5"),
            ("51.46, -0.30", {"decimalLatitude": "51.460000"}, None, "51.46, -0.30", "TQ 1 7"),
        ],
    )
    def test_a_place_that_was_moved_keeps_no_reference_to_the_old_one(
        self, given: str, edits: dict[str, str], reference: str | None, text: str, square: str
    ) -> None:
        (entry,) = entries(example(place=parse_place(given)))
        back = from_terms(to_terms(entry) | edits)
        assert back.place is not None
        assert (back.place.grid_reference, back.place.text) == (reference, text)
        assert blur(back.place, 10).grid_reference == square
        moved = edits.get("verbatimCoordinates", given) not in ("", text)
        assert back.other.get("verbatimCoordinates", "") == (given if moved else "")

    def test_uncertainty_is_never_zero(self) -> None:
        (entry,) = entries(example(place=parse_place("TQ 18712 75345")))
        assert float(to_terms(entry)["coordinateUncertaintyInMeters"]) == 5

    @given(records())
    def test_any_record_comes_back(self, record: Record) -> None:
        (entry,) = entries(record)
        assert from_terms(to_terms(entry)) == at_home(record)


class TestPrivacy:
    @pytest.mark.parametrize("km", [1, 2, 10])
    def test_a_blurred_place_leaves_no_trace_of_the_spot(self, km: int) -> None:
        secret = parse_place("51.468712, -0.291134")
        told = {**ANSWER, "evidence": [{"kind": "place", "summary": "at 51.468712, -0.291134 in the south"}]}
        (entry,) = entries(example(place=secret, answer=told, other={"site": "51.468712"}))
        terms = to_terms(entry, Disclosure(blur_km=km))
        written = json.dumps(terms) + json.dumps(extensions.flat_extras(entry, Disclosure(blur_km=km)))
        for trace in ("51.4687", "0.2911", "291134", "in the south"):
            assert trace not in written
        assert f"{km} km" in terms["dataGeneralizations"]
        assert float(terms["coordinateUncertaintyInMeters"]) >= km * 1000 / 2**0.5

    def test_a_withheld_place_is_nowhere(self) -> None:
        (entry,) = entries(example(other={"site": "TQ 187 753"}))
        hidden = Disclosure(withhold_place=True)
        terms = to_terms(entry, hidden) | extensions.flat_extras(entry, hidden)
        assert "TQ" not in json.dumps(terms)
        assert terms["decimalLatitude"] == terms["coordinateUncertaintyInMeters"] == ""
        assert "withheld" in terms["informationWithheld"]

    def test_folders_are_nobodys_business(self) -> None:
        (entry,) = entries(example(photographs=("/home/someone/secret/a.jpg", "C:\\Users\\someone\\b.jpg")))
        everything = json.dumps([to_terms(entry), extensions.media(entry), extensions.regions(entry)])
        assert "someone" not in everything
        assert "a.jpg" in everything
        assert "b.jpg" in everything

    def test_three_sizes_only(self) -> None:
        with pytest.raises(RequestError, match="1, 2 or 10 km"):
            Disclosure(blur_km=5)


_EML = """
    alternateIdentifier shortName title creator metadataProvider associatedParty pubDate language series
    abstract keywordSet additionalInfo intellectualRights distribution coverage purpose maintenance contact
"""
EML_ORDER = _EML.split()
"""The order in the schema: ``ResourceGroup`` of ``eml-resource.xsd`` 2.1.1 as far as ``distribution`` (read),
the rest of it and ``DatasetType`` of ``eml-dataset.xsd`` (memory)."""


class TestArchive:
    @pytest.fixture
    def path(self, tmp_path: Path) -> Path:
        return tmp_path / "bees.zip"

    def test_read_back_whole_by_another_library(self, path: Path) -> None:
        given = entries(example(), example(taxon="Bombus hortorum", place=None, tone=None, recording=None))
        assert export.write_archive(given, path) == 2
        with DwCAReader(str(path)) as archive:
            assert archive.descriptor.core.type == DWC + "Occurrence"
            rows = archive.rows
            names = [row.data[qn("scientificName")] for row in rows]
            assert names == ["Bombus terrestris", "Bombus hortorum"]
            first = rows[0]
            assert first.id == first.data[qn("occurrenceID")] == f"urn:uuid:{given[0].id}"
            assert first.data[DWC + "caste"] == "queen"
            assert first.data[qn("eventDate")] == "2026-03-20T10:32:05+00:00"
            assert float(first.data[qn("coordinateUncertaintyInMeters")]) == 70.7
            assert first.data[qn("occurrenceRemarks")] == "on winter heather\nby the gate"
            by_type: dict[str, list[dict[str, str]]] = {}
            for row in first.extensions:
                by_type.setdefault(row.rowtype, []).append(row.data)
            tone = by_type[DWC + "MeasurementOrFact"][0]
            assert tone[DWC + "measurementValue"] == "146.2"
            assert tone[DWC + "measurementUnit"] == "Hz"
            assert tone[DWC + "measurementAccuracy"].startswith("±1.3")
            kinds = [row[DWC + "measurementType"] for row in by_type[DWC + "MeasurementOrFact"]]
            assert "air temperature" in kinds
            assert "tail, as seen" in kinds
            sound = by_type["http://rs.tdwg.org/ac/terms/Multimedia"][0]
            assert sound["http://purl.org/dc/terms/type"] == "http://purl.org/dc/dcmitype/Sound"
            assert sound["http://rs.tdwg.org/ac/terms/hashValue"] == "ab" * 32
            bout = by_type["http://rs.tdwg.org/ac/terms/RegionOfInterest"][0]
            assert bout["http://rs.tdwg.org/ac/terms/startTime"] == "1.25"
            assert bout["http://rs.tdwg.org/ac/terms/isROIOf"] == sound["http://purl.org/dc/terms/identifier"]
            assert [row.data[DWC + "measurementType"] for row in rows[1].extensions[:1]] == [
                "intertegular distance, inferred from the flight tone"
            ]
            assert archive.metadata is not None

    @settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30)
    @given(record=records())
    def test_any_record_survives_the_archive(self, path: Path, record: Record) -> None:
        export.write_archive(entries(record), path)
        with DwCAReader(str(path)) as archive:
            (row,) = archive.rows
            terms = {iri.rpartition("/")[2]: value for iri, value in row.data.items()}
        assert from_terms(terms) == at_home(record)

    def test_the_papers_are_well_formed_and_sufficient(self, path: Path) -> None:
        dataset = export.Dataset(title="Bees of <Kew> & \x00around", creator="A. Recorder", licence="CC0-1.0")
        export.write_archive(entries(example()), path, dataset=dataset)
        with zipfile.ZipFile(path) as archive:
            assert archive.testzip() is None
            meta = ElementTree.fromstring(archive.read("meta.xml"))
            eml = ElementTree.fromstring(archive.read("eml.xml"))
            names = set(archive.namelist())
            heads = {
                name: next(csv.reader(archive.read(name).decode().splitlines()))
                for name in names
                if name.endswith(".csv")
            }
        text = "{http://rs.tdwg.org/dwc/text/}"
        assert meta.tag == text + "archive"
        located = {table.findtext(f"{text}files/{text}location"): table for table in meta}
        assert set(located) | {"meta.xml", "eml.xml"} == names
        for name, table in located.items():
            assert name is not None
            for field in table.iter(text + "field"):
                assert heads[name][int(field.attrib["index"])] == field.attrib["term"].rpartition("/")[2]
        assert eml.tag == "{eml://ecoinformatics.org/eml-2.1.1}eml"
        assert eml.findtext("dataset/title") == "Bees of <Kew> & around"
        assert eml.findtext("dataset/creator/individualName/surName") == "A. Recorder"
        assert eml.findtext("dataset/intellectualRights/para") == "CC0-1.0"
        inside = eml.find("dataset")
        assert inside is not None
        assert [one.tag for one in inside] == sorted((one.tag for one in inside), key=EML_ORDER.index)

    def test_an_archive_of_nothing_can_be_read(self, path: Path) -> None:
        assert export.write_archive([], path) == 0
        with DwCAReader(str(path)) as archive:
            assert archive.rows == []

    def test_a_failure_leaves_what_was_there(self, path: Path) -> None:
        path.write_text("the old one")

        def broken() -> Iterator[Entry]:
            yield from entries(example())
            raise OSError(28, "No space left on device")

        with pytest.raises(OutputError, match="No space left"):
            export.write_archive(broken(), path)
        assert path.read_text() == "the old one"
        assert [child.name for child in path.parent.iterdir()] == [path.name]


class TestTable:
    @settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
    @given(record=records())
    def test_any_record_survives_the_table(self, tmp_path: Path, record: Record) -> None:
        path = tmp_path / "bees.csv"
        export.write_csv(entries(record), path)
        with path.open(encoding="utf-8-sig", newline="") as file:
            (row,) = csv.DictReader(file)
        assert from_terms({name: from_spreadsheet(cell) for name, cell in row.items()}) == at_home(record)
        for cell in row.values():
            assert not re.match(r"[=+\-@\t\r]", cell) or re.fullmatch(r"[+-]?\d+(\.\d+)?", cell)


class TestMap:
    def test_coordinates_are_longitude_then_latitude(self, tmp_path: Path) -> None:
        path = tmp_path / "bees.geojson"
        assert export.write_geojson(entries(example(), example(place=None)), path) == 2
        made = json.loads(path.read_text(encoding="utf-8"))
        assert made["type"] == "FeatureCollection"
        first, second = made["features"]
        longitude, latitude = first["geometry"]["coordinates"]
        assert first["geometry"]["type"] == "Point"
        # Kew lies at about 51.47 N, 0.30 W
        assert latitude == pytest.approx(51.47, abs=0.01)
        assert longitude == pytest.approx(-0.29, abs=0.01)
        assert second["geometry"] is None  # RFC 7946 section 3.2: an unlocated Feature
        assert set(first) == {"type", "id", "geometry", "properties"}
        assert first["properties"]["caste"] == "queen"
        assert first["properties"]["flightToneHz"] == "146.2"

    def test_nothing_is_still_a_collection(self, tmp_path: Path) -> None:
        path = tmp_path / "none.geojson"
        export.write_geojson([], path)
        assert json.loads(path.read_text()) == {"type": "FeatureCollection", "features": []}

    def test_withheld_and_blurred_points(self, tmp_path: Path) -> None:
        path = tmp_path / "bees.geojson"
        export.write_geojson(entries(example()), path, disclosure=Disclosure(withhold_place=True))
        assert json.loads(path.read_text())["features"][0]["geometry"] is None
        export.write_geojson(entries(example()), path, disclosure=Disclosure(blur_km=10))
        longitude, latitude = json.loads(path.read_text())["features"][0]["geometry"]["coordinates"]
        centre = parse_place("TQ17")
        assert (latitude, longitude) == (centre.latitude_deg, centre.longitude_deg)


def test_removed_records_stay_at_home(tmp_path: Path) -> None:
    with Notebook.open(tmp_path / "bees.sqlite") as notebook:
        notebook.add(example())
        notebook.add(example(taxon="Bombus hortorum"))
        notebook.remove(1)
        assert export.write_csv(notebook.entries(), tmp_path / "bees.csv") == 1
    with (tmp_path / "bees.csv").open(encoding="utf-8-sig", newline="") as file:
        assert [row["scientificName"] for row in csv.DictReader(file)] == ["Bombus hortorum"]
