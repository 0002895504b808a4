"""Other people's tables: read with care, all faults at once, never twice."""

from __future__ import annotations

import codecs
import contextlib
import csv
import random
import zipfile
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from notebook.examples import example, records
from notebook.test_export import at_home, entries
from wingtone.errors import InputError, RequestError, TableError
from wingtone.fauna import load
from wingtone.keeping import with_names
from wingtone.notebook import export
from wingtone.notebook.cells import is_wgs84
from wingtone.notebook.columns import corrected, propose
from wingtone.notebook.exchange import Disclosure, from_terms, to_terms
from wingtone.notebook.importing import Plan, carry_out, read_plan
from wingtone.notebook.places import parse_place
from wingtone.notebook.records import BoutNote, RecordingNote, sex_of
from wingtone.notebook.store import Notebook

if TYPE_CHECKING:
    from pathlib import Path

    from wingtone.notebook.records import Record


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "table.csv"


def plan_of(path: Path, text: str, *mapping: str) -> Plan:
    path.write_text(text, encoding="utf-8")
    return read_plan(path, mapping=mapping)


def only(plan: Plan) -> Record:
    ((_, _, record),) = plan.records
    return record


def faults_of(path: Path, text: str) -> list[tuple[int, str, str]]:
    with pytest.raises(TableError) as caught:
        plan_of(path, text)
    return [(fault.line, fault.column, fault.what) for fault in caught.value.faults]


class TestDarwinCore:
    def test_a_simple_table_from_elsewhere(self, path: Path) -> None:
        record = only(
            plan_of(
                path,
                "occurrenceID,eventDate,scientificName,decimalLatitude,decimalLongitude,"
                "coordinateUncertaintyInMeters,recordedBy,sex,caste,locality,basisOfRecord\n"
                "NBR:1,2026-06-14T10:32+01:00,Bombus hortorum,51.4712,-0.2953,50,A. Recorder,female,worker,"
                "Walled garden,HumanObservation\n",
            )
        )
        assert record.event_date == "2026-06-14T10:32+01:00"
        assert (record.taxon, record.rank) == ("Bombus hortorum", "species")
        assert (record.caste, record.sex, record.status) == ("worker", "female", "decided")
        assert record.place is not None
        assert (record.place.latitude_deg, record.place.longitude_deg) == (51.4712, -0.2953)
        assert record.place.uncertainty_m == 50
        assert record.other == {"locality": "Walled garden", "occurrenceID": "NBR:1"}

    def test_a_date_in_three_columns(self, path: Path) -> None:
        assert only(plan_of(path, "year,month,day,species\n2026,6,4,Bombus\n")).event_date == "2026-06-04"
        assert only(plan_of(path, "year,month,species\n2026,6,Bombus\n")).event_date == "2026-06"

    @settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
    @given(made=st.lists(records(), min_size=1, max_size=4))
    def test_our_own_tables_come_back_as_they_were(self, path: Path, made: list[Record]) -> None:
        given_entries = entries(*made)
        export.write_csv(given_entries, path)
        plan = read_plan(path)
        assert [record for _, _, record in plan.records] == [at_home(record) for record in made]
        assert [record_id for _, record_id, _ in plan.records] == [entry.id for entry in given_entries]
        assert plan.mapping == {}

    def test_a_record_with_very_many_bouts_comes_back(self, path: Path) -> None:
        bouts = tuple(BoutNote("flight", i / 7, i / 7 + 0.1, 151.3, 150.2, 152.4) for i in range(3000))
        record = example(recording=RecordingNote(path="hive.wav", bouts=bouts))
        export.write_csv(entries(record), path)
        assert only(read_plan(path)) == at_home(record)

    @pytest.mark.parametrize("reference", ["OV 00 05", "F05", "F 05 93"])
    def test_squares_on_the_edge_of_the_sea_come_back(self, path: Path, reference: str) -> None:
        record = example(place=parse_place(reference))
        export.write_csv(entries(record), path)
        assert only(read_plan(path)) == at_home(record)

    def test_the_table_of_an_archive_is_taken_too(self, path: Path) -> None:
        import zipfile

        export.write_archive(entries(example()), path.with_suffix(".zip"))
        with pytest.raises(InputError, match="archive or a spreadsheet"):
            read_plan(path.with_suffix(".zip"))
        for made in (example(), example(notes="'=1 stands on the label", recorder="'-' ")):
            export.write_archive(entries(made), path.with_suffix(".zip"))
            with zipfile.ZipFile(path.with_suffix(".zip")) as archive:
                path.write_bytes(archive.read("occurrence.csv"))
            assert only(read_plan(path)) == at_home(made)  # nothing is marked there, so nothing comes off

    def test_what_a_table_says_of_a_record_is_not_lost(self, path: Path) -> None:
        record = only(
            plan_of(
                path,
                "scientificName,occurrenceStatus,basisOfRecord,lifeStage,kingdom,family,taxonRank,"
                "individualCount,identificationVerificationStatus,identificationQualifier\n"
                "Bombus terrestris,present,PreservedSpecimen,larva,Animalia,Megachilidae,subspecies,"
                "3,Rejected,cf. terrestris\n",
            )
        )
        assert record.status == "rejected"
        assert record.other == {
            "basisOfRecord": "PreservedSpecimen",
            "lifeStage": "larva",
            "family": "Megachilidae",
            "taxonRank": "subspecies",
            "individualCount": "3",
            "identificationVerificationStatus": "Rejected",
            "identificationQualifier": "cf. terrestris",
        }
        (entry,) = entries(record)
        terms = to_terms(entry)
        assert terms["basisOfRecord"] == "PreservedSpecimen"
        assert terms["lifeStage"] == "larva"
        assert terms["identificationQualifier"] == "cf. terrestris"
        assert from_terms(terms) == record
        told = from_terms(to_terms(entry, Disclosure(blur_km=2))).other
        assert told == {name: record.other[name] for name in sorted(told)}
        assert {*told} == {"basisOfRecord", "lifeStage", "identificationQualifier"}

    def test_what_every_record_says_is_not_kept(self, path: Path) -> None:
        text = (
            "scientificName,occurrenceStatus,basisOfRecord,lifeStage,kingdom,phylum,class,order,family,genus,"
            "identificationVerificationStatus,decimalLatitude,decimalLongitude,geodeticDatum\n"
            "Bombus terrestris,present,HumanObservation,adult,Animalia,Arthropoda,Insecta,Hymenoptera,Apidae,"
            "Bombus,confirmed,51.4712,-0.2953,WGS84\n"
        )
        record = only(plan_of(path, text))
        assert (dict(record.other), record.status) == ({}, "confirmed")

    @pytest.mark.parametrize(
        ("words", "status"),
        [
            ("Accepted - considered correct", "confirmed"),
            ("Not accepted - unable to verify", "rejected"),
            ("Unconfirmed - plausible", "decided"),
            ("not verified, a hint of the program", "hint"),
            ("who knows", "decided"),
            ("Correct?", "decided"),
            ("", "decided"),
        ],
    )
    def test_words_of_verifiers(self, path: Path, words: str, status: str) -> None:
        assert only(plan_of(path, f'species,verification status\nBombus,"{words}"\n')).status == status

    @pytest.mark.parametrize(
        ("heading", "cell"),
        [
            ("occurrenceStatus", "absent"),
            ("occurrenceStatus", "Not found"),
            ("individualCount", "0"),
            ("Count", "0.0"),
            ("abundance", "none"),
        ],
    )
    def test_where_no_bee_was_is_no_record(self, path: Path, heading: str, cell: str) -> None:
        plan = plan_of(path, f"species,{heading}\nBombus hortorum,2\nBombus pratorum,{cell}\n,{cell}\n")
        assert only(plan).taxon == "Bombus hortorum"
        assert plan.absent == (3, 4)

    def test_degrees_of_another_datum_are_refused(self, path: Path) -> None:
        text = "species,lat,lon,geodeticDatum\nBombus,51.4712,-0.2953,EPSG:4277\n"
        ((line, column, what),) = faults_of(path, text)
        assert (line, column) == (2, "geodeticDatum")
        assert "not on WGS84" in what
        assert only(plan_of(path, text, "geodeticDatum=skip")).place == parse_place("51.4712, -0.2953")

    @pytest.mark.parametrize(
        ("datum", "taken"),
        [
            *((datum, True) for datum in ("ETRS89", "EPSG:4326", "WGS 84", "4326", "unknown", "N/A", "GPS")),
            ("WGS 84 (EPSG:4326)", True),
            ("World Geodetic System 1984", True),
            ("urn:ogc:def:crs:EPSG::4326", True),
            ("not recorded (forced WGS84)", True),
            ("OSGB36", False),
            ("WGS72", False),
            ("WGS84 or OSGB36", False),
            ("EPSG:14326", False),
        ],
    )
    def test_names_of_the_datum(self, datum: str, taken: bool) -> None:
        assert is_wgs84(datum) is taken


class TestAnyTable:
    def test_a_recorders_table(self, path: Path) -> None:
        plan = plan_of(
            path,
            "Species;Date seen;Time;Grid Ref;Recorder;Sex/caste;Temp;Comments;Site;Hint tail\n"
            "Bombus terrestris;20/03/2026;9:30;TQ 187 753;A. Recorder;Queen;12,5 °C;on heather;Kew;buff\n",
        )
        assert plan.mapping == {
            "Species": "taxon",
            "Date seen": "date",
            "Time": "time",
            "Grid Ref": "place",
            "Recorder": "recorder",
            "Sex/caste": "caste",
            "Temp": "temperature",
            "Comments": "notes",
            "Site": "other",
            "Hint tail": "hint:tail",
        }
        record = only(plan)
        assert record.event_date == "2026-03-20T09:30"
        assert record.place == parse_place("TQ 187 753")
        assert (record.caste, record.sex, record.temperature_c) == ("queen", "female", 12.5)
        assert (record.notes, record.hints, record.other) == ("on heather", {"tail": "buff"}, {"Site": "Kew"})

    @pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
    @pytest.mark.parametrize("separator", [",", ";", "\t"])
    def test_what_spreadsheets_save(self, path: Path, encoding: str, separator: str) -> None:
        table = f"species{separator}recorder\r\nBombus{separator}Zoë Müller\r\n"
        path.write_bytes(table.encode(encoding))
        assert only(read_plan(path)).recorder == "Zoë Müller"

    def test_the_user_corrects_the_proposal(self, path: Path) -> None:
        text = "name,what,when\nAnn,Bombus lapidarius,2026-06-01\n"
        assert only(plan_of(path, text)).taxon == "Ann"
        record = only(plan_of(path, text, "name=recorder", "what=taxon", "when=date"))
        assert (record.taxon, record.recorder) == ("Bombus lapidarius", "Ann")
        assert record.event_date == "2026-06-01"

    @pytest.mark.parametrize(
        ("texts", "what"),
        [
            (["what"], "HEADING=FIELD"),
            (["spcies=taxon"], "no column"),
            (["species=bee"], "cannot mean"),
            (["species=date", "when=date"], "cannot both mean date"),
        ],
    )
    def test_a_wrong_correction_is_refused(self, texts: list[str], what: str) -> None:
        with pytest.raises(RequestError, match=what):
            corrected({"species": "taxon", "when": "other"}, texts)

    def test_a_correction_takes_the_field_from_another_column(self) -> None:
        proposal = {"species": "taxon", "bee": "other", "a=b": "other"}
        assert corrected(proposal, ["bee=taxon"]) == {"species": "other", "bee": "taxon", "a=b": "other"}
        assert corrected(proposal, ["a=b=notes"])["a=b"] == "notes"
        assert corrected(proposal, ["bee=skip", "species=skip"])["a=b"] == "other"

    def test_a_table_without_a_column_for_the_name_is_told_once(self, path: Path) -> None:
        ((line, column, what),) = faults_of(path, "bee,weather\nBombus,sun\nBombus,rain\n")
        assert (line, column) == (1, "")
        assert "no column is known to hold the name" in what
        with pytest.raises(
            TableError, match="say which of these does: 'Datum', 'Art', as in --map 'HEADING="
        ):
            plan_of(path, "Datum;Art;;\n3.4.2022;Bombus terrestris;;\n")

    def test_no_field_is_given_twice(self) -> None:
        assert propose(["species", "scientific name", "", "basisOfRecord"]) == {
            "species": "taxon",
            "scientific name": "other",
            "": "skip",
            "basisOfRecord": "basis",
        }

    @pytest.mark.parametrize(
        ("name", "rank"),
        [
            ("Bombus hortorum", "species"),
            ("Bombus lucorum agg.", "aggregate"),
            ("Bombus terrestris/lucorum", "aggregate"),
            ("Bombus lucorum s.l.", "aggregate"),
            ("Bombus", "genus"),
            ("Bombus sp.", "genus"),
            ("bumblebee", ""),
        ],
    )
    def test_the_form_of_a_name_shows_its_rank(self, path: Path, name: str, rank: str) -> None:
        assert only(plan_of(path, f"species\n{name}\n")).rank == rank

    @pytest.mark.parametrize(
        ("word", "caste", "sex"),
        [
            ("Workers", "worker", "female"),
            ("drone", "male", "male"),
            ("♀", "female", "female"),
            ("Q", "queen", "female"),
            ("adult", "", ""),
            ("unknown", "", ""),
        ],
    )
    def test_words_for_castes(self, path: Path, word: str, caste: str, sex: str) -> None:
        record = only(plan_of(path, f"species,caste\nBombus,{word}\n"))
        assert (record.caste, record.sex) == (caste, sex)

    @pytest.mark.parametrize(("word", "caste"), [("M", "male"), ("female", "female"), ("worker", "worker")])
    def test_a_sex_without_a_caste_is_one_that_lists_and_charts_know(
        self, path: Path, word: str, caste: str
    ) -> None:
        record = only(plan_of(path, f"species,sex,caste\nBombus,{word},\n"))
        assert (record.caste, record.sex) == (caste, sex_of(caste))

    @pytest.mark.parametrize(
        ("time", "tidy"),
        [
            ("9:30:15", "09:30:15"),
            ("2:30 pm", "14:30"),
            ("12.05 a.m.", "00:05"),
            ("3 PM", "15:00"),
            ("9:30-10.15", "09:30/2026-06-01T10:15"),
            ("10:32 \N{EN DASH} 11:00", "10:32/2026-06-01T11:00"),
            ("10:32+01:00", "10:32+01:00"),
            ("14:07-06:00", "14:07-06:00"),
        ],
    )
    def test_times_as_people_write_them(self, path: Path, time: str, tidy: str) -> None:
        record = only(plan_of(path, f"species,date,time\nBombus,2026-06-01,{time}\n"))
        assert record.event_date == f"2026-06-01T{tidy}"

    def test_an_offset_of_darwin_core_is_no_time_to(self, path: Path) -> None:
        record = only(plan_of(path, "scientificName,eventDate,eventTime\nBombus,2026-06-01,05:30-06:00\n"))
        assert record.event_date == "2026-06-01T05:30-06:00"

    @pytest.mark.parametrize(
        "midnight", ["01/06/2026 00:00", "2026-06-01T00:00:00", "2026-06-01 00:00:00.000"]
    )
    def test_a_day_as_databases_write_it_is_no_midnight(self, path: Path, midnight: str) -> None:
        assert only(plan_of(path, f"species,date,time\nBombus,{midnight},\n")).event_date == "2026-06-01"
        record = only(plan_of(path, f"species,date,time\nBombus,{midnight},10:32\n"))
        assert (record.event_date, record.other) == ("2026-06-01T10:32", {})

    def test_a_second_time_is_kept_where_it_says_something_else(self, path: Path) -> None:
        record = only(plan_of(path, "species,date,time\nBombus,01/06/2026 09:00,10:32\n"))
        assert (record.event_date, record.other) == ("2026-06-01T09:00", {"time": "10:32"})
        record = only(plan_of(path, "species,date,time\nBombus,01/06/2026 09:00,9.00\n"))
        assert (record.event_date, record.other) == ("2026-06-01T09:00", {})

    @pytest.mark.parametrize(
        ("time", "what"),
        [("0.439", "'0.439' is no time of day"), ("am", "'am' is"), ("24:00", "there is no time 24:00")],
    )
    def test_a_time_that_is_none_is_not_called_a_date(self, path: Path, time: str, what: str) -> None:
        with pytest.raises(TableError) as caught:
            plan_of(path, f"species,date,time\nBombus,2026-06-01,{time}\n")
        (fault,) = caught.value.faults
        assert (fault.column, "date" in fault.what) == ("time", False)
        assert fault.what.startswith(what)

    def test_a_time_of_no_single_day_is_kept(self, path: Path) -> None:
        record = only(plan_of(path, "species,date,time\nBombus,2026-06,9:30\n"))
        assert (record.event_date, record.other) == ("2026-06", {"time": "9:30"})

    @pytest.mark.parametrize(
        ("row", "taxon"),
        [
            ("Bombus,terrestris,", "Bombus terrestris"),
            ("Bombus,terrestris,audax", "Bombus terrestris audax"),
            ("Bombus,,", "Bombus"),
        ],
    )
    def test_a_name_in_several_columns(self, path: Path, row: str, taxon: str) -> None:
        headings = "genus,specificEpithet,infraspecificEpithet"
        assert only(plan_of(path, f"{headings}\n{row}\n")).taxon == taxon

    @pytest.mark.parametrize(
        ("genus", "species", "taxon"),
        [
            ("Bombus", "hortorum", "Bombus hortorum"),
            ("Bombus", "sp.", "Bombus sp."),
            ("Bombus", "cf. lucorum", "Bombus cf. lucorum"),
            ("Bombus", "B. hortorum", "B. hortorum"),
            ("Bombus", "buff-tailed", "buff-tailed"),
            ("Apis", "honeybee", "honeybee"),
        ],
    )
    def test_a_species_may_be_the_epithet(self, path: Path, genus: str, species: str, taxon: str) -> None:
        assert only(plan_of(path, f"genus,species\n{genus},{species}\n")).taxon == taxon

    def test_a_plain_name_says_more_than_its_genus(self, path: Path) -> None:
        rows = "Bombus,Buff-tailed bumblebee\nBombus,Bumblebee\nApis,Buff-tailed bumblebee\n"
        plan = plan_of(path, f"genus,vernacularName\n{rows}")
        taxa = [record.taxon for _, _, record in with_names(plan, load())[0].records]
        assert taxa == ["Bombus terrestris", "Bombus", "Apis"]
        plan = plan_of(path, "scientificName,vernacularName\nBombus,Buff-tailed bumblebee\n")
        assert only(with_names(plan, load())[0]).taxon == "Bombus"

    def test_words_that_the_name_does_not_have_are_kept(self, path: Path) -> None:
        record = only(
            plan_of(path, "scientificName,genus,specificEpithet\nBombus lucorum,Bombus,terrestris\n")
        )
        assert (record.taxon, record.other) == ("Bombus lucorum", {"specificEpithet": "terrestris"})

    @pytest.mark.parametrize("separator", [",", ";", "\t", "|"])
    def test_the_line_of_a_spreadsheet_that_names_the_separator(self, path: Path, separator: str) -> None:
        text = f"sep={separator}\nspecies,date\nBombus,2026-06-01\nBombus,soon\n"
        start, _, rest = text.partition("\n")
        plan = plan_of(path, "\n".join([start, rest.replace(",", separator).replace("soon", "")]))
        assert [record.event_date for _, _, record in plan.records] == ["2026-06-01", ""]
        ((line, column, _),) = faults_of(path, "\n".join([start, rest.replace(",", separator)]))
        assert (line, column) == (4, "date")

    def test_a_file_may_be_a_photograph(self, path: Path) -> None:
        rows = "Bombus,a.wav,\nBombus,IMG_1.JPG,b.png\nBombus,,b.png\n"
        plan = plan_of(path, f"species,file name,photo\n{rows}")
        found = [
            (record.recording and record.recording.path, record.photographs) for *_, record in plan.records
        ]
        assert found == [("a.wav", ()), (None, ("IMG_1.JPG", "b.png")), (None, ("b.png",))]
        assert faults_of(path, "species,file\n,IMG_1.JPG\n")[0][2].startswith("there is neither a name")

    def test_decimal_commas_in_two_columns(self, path: Path) -> None:
        record = only(plan_of(path, "species;lat;long\nBombus;51,4712;-0,2953\n"))
        assert record.place is not None
        assert (record.place.latitude_deg, record.place.longitude_deg) == (51.4712, -0.2953)

    @pytest.mark.parametrize(
        ("place", "stated", "metres"),
        [
            ("51.4712 -0.2953", '"10,000"', 10_000),
            ("51.4712 -0.2953", '"1,250,000 m"', 1_250_000),
            ("51.4712 -0.2953", '"12,5"', 12.5),
            ("TQ17", "10", 7071.1),
            ("TQ 187 753", "250 metres", 250),
        ],
    )
    def test_an_uncertainty_is_never_understated(
        self, path: Path, place: str, stated: str, metres: float
    ) -> None:
        record = only(plan_of(path, f"species,place,accuracy\nBombus,{place},{stated}\n"))
        assert record.place is not None
        assert record.place.uncertainty_m == metres

    def test_a_row_of_ours_among_others_is_a_row_of_ours_alone(self, path: Path) -> None:
        export.write_csv(entries(example()), path)
        with path.open(encoding="utf-8-sig", newline="") as file:
            ours, *_ = csv.DictReader(file)
        other = dict.fromkeys(ours, "") | {"scientificName": "terrestris", "eventDate": "2026-06-01"}
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(ours))
            writer.writeheader()
            writer.writerows([ours, other])
        fauna = load()
        plan, names = with_names(read_plan(path), fauna)
        assert [record.taxon for _, _, record in plan.records] == ["Bombus terrestris"] * 2
        assert plan.records[0][2] == at_home(example())
        assert names.read == {("terrestris", "Bombus terrestris"): 1}
        assert plan.mapping["scientificName"] == "taxon"

    def test_empty_rows_and_short_rows_are_no_fault(self, path: Path) -> None:
        plan = plan_of(path, "species,date,notes\nBombus\n,,\n\nBombus,2026-06-01\n")
        assert len(plan.records) == 2

    def test_a_formula_mark_comes_off(self, path: Path) -> None:
        assert only(plan_of(path, "species,notes\nBombus,'=1+1\n")).notes == "=1+1"


class TestFaults:
    def test_every_fault_at_once_with_line_and_column(self, path: Path) -> None:
        found = faults_of(
            path,
            "species,date,grid ref,caste,temp,occurrenceID\n"
            "Bombus,2026-02-30,TQ 18 75,worker,12,a\n"
            'Bombus,"2026-03-01",QT 18 75,wurker,warm,b\n'
            ",2026-03-01,TQ 18 75,,,c\n"
            "Bombus,2199-01-01,TQ 18 753,,99,a\n"
            "Bombus,,,,,d,one too many\n",
        )
        assert [(line, column) for line, column, _ in found] == [
            (2, "date"),
            (3, "grid ref"),
            (3, "caste"),
            (3, "temp"),
            (4, ""),
            (5, "grid ref"),
            (5, "temp"),
            (5, "occurrenceID"),
            (6, ""),
        ]
        words = " ".join(what for _, _, what in found)
        assert "no day 2026-02-30" in words
        assert "did you mean TQ" in words
        assert "'wurker' is not a caste" in words
        assert "'warm' is not a number" in words
        assert "neither a name nor" in words
        assert "differ in length" in words
        assert "the same as in line 2" in words

    def test_names_of_places_are_told_with_the_way_to_keep_them(self, path: Path) -> None:
        text = "species,place\nBombus,Kew Gardens\nBombus,Bath\nBombus,TQ 18 75\n"
        found = faults_of(path, text)
        assert [(line, column) for line, column, _ in found] == [(2, "place"), (3, "place")]
        assert all("names are not looked up" in what and "--map 'place=other'" in what for *_, what in found)
        kept = plan_of(path, text, "place=other")
        assert [record.other["place"] for _, _, record in kept.records] == ["Kew Gardens", "Bath", "TQ 18 75"]

    def test_lines_are_counted_over_cells_with_line_breaks(self, path: Path) -> None:
        text = 'species,notes,date\nBombus,"two\nlines",2026-06-01\nBombus,,soon\n'
        ((line, column, _),) = faults_of(path, text)
        assert (line, column) == (4, "date")

    @pytest.mark.parametrize(
        ("rows", "what"),
        [
            ('Bombus,2026-06-01,"saw it by the gate\nBombus,2026-06-02,\n', "opened here and never closed"),
            ('Bombus,2026-06-01,"saw it\nBombus,2026-06-02,"and again\n', "not closed in it"),
            ('Bombus,"2026-06-01,saw it\nBombus,2026-06-02,12"\n', "2 cells under 3 headings"),
            ('"Bombus\nBombus"\n', "1 cell under 3 headings"),
        ],
    )
    def test_a_quotation_mark_swallows_no_records(self, path: Path, rows: str, what: str) -> None:
        found = faults_of(path, f"species,date,notes\nBombus,soon,\n{rows}Bombus,2026-06-03,\n")
        assert [(line, column) for line, column, _ in found] == [(2, "date"), (3, "")]
        assert what in found[1][2]

    @pytest.mark.parametrize(
        ("text", "column", "what"),
        [
            ("species,lat,lon\nBombus,51.4,\n", "lat", "both be there"),
            ("species,lat,lon\nBombus,-0.3,51.4\n", "lat", "wrong way round"),
            ("species,lat,lon,accuracy\nBombus,51.4,-0.3,0\n", "accuracy", "more than 0 m"),
            ("species,lat,lon,accuracy\nBombus,51.4,-0.3,near\n", "accuracy", "not a number"),
            ("species,hints\nBombus,tail\n", "hints", "character=state"),
            ("species,date,time\nBombus,2026-06-01,25:00\n", "time", "no time 25:00"),
            ("species,sex,caste\nBombus,male,queen\n", "caste", "a queen is not male"),
            ("species,Stage\nBombus,2 queens\n", "Stage", "--map 'Stage=other'"),
            ("species,year,month,day\nBombus,2026,,7\n", "day", "a day but no month"),
            ("species,year,month,day\nBombus,,6,7\n", "month", "a month but no year"),
        ],
    )
    def test_a_fault_names_its_column(self, path: Path, text: str, column: str, what: str) -> None:
        ((line, found_column, found),) = faults_of(path, text)
        assert (line, found_column) == (2, column)
        assert what in found

    def test_a_heading_twice(self, path: Path) -> None:
        ((line, column, what),) = faults_of(path, "species,date,date\nBombus,,\n")
        assert (line, column, what) == (1, "date", "this heading stands there twice")

    @pytest.mark.parametrize("content", [b"", b"\n\n", b",,,\n1,2,3\n"])
    def test_a_table_without_headings(self, path: Path, content: bytes) -> None:
        path.write_bytes(content)
        with pytest.raises(InputError, match="no heading"):
            read_plan(path)

    def test_what_is_no_table(self, path: Path) -> None:
        with pytest.raises(InputError, match="cannot be read"):
            read_plan(path)
        path.write_bytes(codecs.BOM_UTF16_LE + b"\x00\xd8x")
        with pytest.raises(InputError, match="not a table of text"):
            read_plan(path)

    @settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(content=st.binary(max_size=300) | st.text(max_size=200).map(str.encode))
    def test_any_bytes_are_a_table_or_told(self, path: Path, content: bytes) -> None:
        path.write_bytes(content)
        with contextlib.suppress(InputError):  # anything else is a fault of ours
            for _, _, record in read_plan(path).records:
                assert record.taxon or record.vernacular or record.recording

    def test_a_damaged_row_of_our_own_is_told(self, path: Path) -> None:
        export.write_csv(entries(example()), path)
        text = path.read_text(encoding="utf-8-sig").replace("decided by the recorder", "who knows")
        ((line, _, what),) = faults_of(path, text)
        assert (line, "who knows" in what) == (2, True)


class TestCarryingOut:
    def test_importing_twice_adds_nothing_twice(self, path: Path, tmp_path: Path) -> None:
        text = "species,date\nBombus,2026-06-01\nBombus,2026-06-01\nBombus hortorum,2026-06-02\n"
        with Notebook.open(tmp_path / "bees.sqlite") as notebook:
            first = carry_out(plan_of(path, text), notebook)
            assert (first.added, first.known) == (3, 0)  # two equal rows are two bees
            again = carry_out(plan_of(path, text), notebook)
            assert (again.added, again.known) == (0, 3)
            more = carry_out(plan_of(path, text + "Bombus,2026-06-01\nBombus pratorum,\n"), notebook)
            assert (more.added, more.known) == (2, 3)

    def test_the_order_of_rows_and_columns_does_not_matter(self, path: Path, tmp_path: Path) -> None:
        rows = [{"species": f"Bombus {i % 7}", "date": f"2026-06-{i % 28 + 1:02d}"} for i in range(40)]

        def write(columns: list[str]) -> Plan:
            with path.open("w", newline="") as file:
                writer = csv.DictWriter(file, columns)
                writer.writeheader()
                writer.writerows(rows)
            return read_plan(path)

        with Notebook.open(tmp_path / "bees.sqlite") as notebook:
            assert carry_out(write(["species", "date"]), notebook).added == 40
            random.Random(3).shuffle(rows)
            assert carry_out(write(["date", "species"]), notebook).added == 0

    def test_an_export_imported_at_home_adds_nothing(self, path: Path, tmp_path: Path) -> None:
        with Notebook.open(tmp_path / "bees.sqlite") as notebook:
            notebook.add(example())
            notebook.add(example(taxon="Bombus hortorum"))
            export.write_csv(notebook.entries(), path)
            assert carry_out(read_plan(path), notebook).added == 0
            with Notebook.open(tmp_path / "friend.sqlite") as friend:
                assert carry_out(read_plan(path), friend).added == 2
                assert friend.get(1).id == notebook.get(1).id
                assert friend.history(1)[0].action == "imported"

    def test_running_numbers_of_two_tables_are_other_bees(self, path: Path, tmp_path: Path) -> None:
        first = "No,species\n1,Bombus hortorum\n2,Bombus pratorum\n"
        second = "No,species\n1,Bombus lapidarius\n2,Bombus pratorum\n3,Bombus hypnorum\n"
        with Notebook.open(tmp_path / "bees.sqlite") as notebook:
            assert carry_out(plan_of(path, first, "No=id"), notebook).added == 2
            done = carry_out(plan_of(path, second, "No=id"), notebook)
            assert (done.added, done.known, done.alike) == (2, 1, ((3, 1),))
            assert notebook.get(3).record.taxon == "Bombus lapidarius"
            assert carry_out(plan_of(path, second, "No=id"), notebook).added == 0

    def test_a_row_that_changed_again_is_told_beside_the_latest(self, path: Path, tmp_path: Path) -> None:
        def done(count: int) -> tuple[tuple[int, int], ...]:
            text = f"No,species,count\n1,Bombus hortorum,{count}\n"
            return carry_out(plan_of(path, text, "No=id"), notebook).alike

        with Notebook.open(tmp_path / "bees.sqlite") as notebook:
            assert done(1) == ()
            assert done(2) == ((2, 1),)
            notebook.remove(1)
            assert done(3) == ((3, 2),)
            notebook.remove(2)
            notebook.remove(3)
            assert done(4) == ()

    @pytest.mark.parametrize(
        ("given_id", "shown", "catalogue"),
        [
            ("a-1", "urn:uuid:", "a-1"),
            ("https://records.example/17", "https://records.example/17", ""),
            ("6F9619FF-8B86-D011-B42D-00CF4FC964FF", "6F9619FF-8B86-D011-B42D-00CF4FC964FF", ""),
        ],
    )
    def test_an_identifier_goes_out_as_it_came_in(
        self, path: Path, tmp_path: Path, given_id: str, shown: str, catalogue: str
    ) -> None:
        with Notebook.open(tmp_path / "bees.sqlite") as notebook:
            text = f"occurrenceID,species\n{given_id},Bombus hortorum\n"
            carry_out(plan_of(path, text), notebook)
            assert carry_out(plan_of(path, text), notebook).known == 1
            entry = notebook.get(1)
            terms = to_terms(entry)
            assert terms["occurrenceID"].startswith(shown)
            assert terms["otherCatalogNumbers"] == catalogue
            assert from_terms(terms) == entry.record
            assert to_terms(entry, Disclosure(withhold_place=True))["otherCatalogNumbers"] == ""
            export.write_csv(notebook.entries(), path)
            assert carry_out(read_plan(path), notebook).added == 0

    @pytest.mark.parametrize("disclosure", [Disclosure(blur_km=10), Disclosure(withhold_place=True)])
    def test_an_address_stays_at_home_with_the_place(
        self, path: Path, tmp_path: Path, disclosure: Disclosure
    ) -> None:
        known = "6f9619ff-8b86-d011-b42d-00cf4fc964ff"
        text = "occurrenceID,species,place,recording\n"
        text += f"https://records.example/TQ1875/3,Bombus,TQ 18 75,a.wav\n{known},Bombus,TQ 18 75,b.wav\n"
        with Notebook.open(tmp_path / "bees.sqlite") as notebook:
            carry_out(plan_of(path, text), notebook)
            mine = f"urn:uuid:{notebook.get(1).id}"
            assert [to_terms(entry, disclosure)["occurrenceID"] for entry in notebook.entries()] == [
                mine,
                known,
            ]
            export.write_archive(notebook.entries(), tmp_path / "a.zip", disclosure=disclosure)
            with zipfile.ZipFile(tmp_path / "a.zip") as archive:
                assert not any(b"records.example" in archive.read(name) for name in archive.namelist())
                assert f'"{mine}"' in archive.read("media.csv").decode()
            export.write_csv(notebook.entries(), path, disclosure=disclosure)
            assert carry_out(read_plan(path), notebook).known == 2

    def test_what_was_removed_is_told(self, path: Path, tmp_path: Path) -> None:
        text = "species,date\nBombus,2026-06-01\nBombus,2026-06-02\n"
        with Notebook.open(tmp_path / "bees.sqlite") as notebook:
            carry_out(plan_of(path, text), notebook)
            notebook.remove(2)
            done = carry_out(plan_of(path, text), notebook)
            assert (done.added, done.known, done.removed) == (0, 2, (2,))

    def test_a_new_decision_ends_the_doubt_of_the_table(self, path: Path, tmp_path: Path) -> None:
        text = "species,identificationQualifier,site\nBombus terrestris,cf. terrestris,Kew\n"
        with Notebook.open(tmp_path / "bees.sqlite") as notebook:
            carry_out(plan_of(path, text), notebook)
            assert notebook.amend(1, notes="seen again").record.other["identificationQualifier"]
            assert notebook.amend(1, taxon="Bombus lucorum").record.other == {"site": "Kew"}

    @pytest.mark.parametrize("doubt", ["cf.", "?", "cf. terrestris", "aff. terrestris"])
    def test_a_doubt_is_handed_on_without_the_place(self, path: Path, tmp_path: Path, doubt: str) -> None:
        text = f"species,identificationQualifier,site\nBombus terrestris,{doubt},Kew\n"
        with Notebook.open(tmp_path / "bees.sqlite") as notebook:
            carry_out(plan_of(path, text), notebook)
            export.write_csv(notebook.entries(), path, disclosure=Disclosure(withhold_place=True))
        assert only(read_plan(path)).other == {"identificationQualifier": doubt}

    def test_one_identifier_written_in_two_ways_is_one(self, path: Path) -> None:
        known = "6f9619ff-8b86-d011-b42d-00cf4fc964ff"
        rows = f"{known},Bombus hortorum\nurn:uuid:{known.upper()},Bombus lucorum\n"
        told = faults_of(path, f"occurrenceID,species\n{rows}")
        assert told == [(3, "occurrenceID", "the same as in line 2")]

    def test_reading_a_plan_touches_no_notebook(self, path: Path, tmp_path: Path) -> None:
        plan_of(path, "species\nBombus\n")
        assert [child.name for child in tmp_path.iterdir()] == ["table.csv"]
