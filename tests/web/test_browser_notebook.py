"""The notebook in a real Chromium: finding, drawing, changing with history, handing on, the sheet.

What is shown is held against the notebook itself, opened beside the page; an archive against the Darwin Core
text guidelines (TDWG: meta.xml names the core file and its columns); weeks against the calendar.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import re
import zipfile
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import pytest
from playwright.sync_api import expect

from wingtone.notebook.places import parse_place
from wingtone.notebook.records import Record
from wingtone.notebook.store import Notebook

from .chromium import TWO_FRAMES, Visitors, axe_faults, until, wide_content
from .conftest import live

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Page, Route

    from .conftest import LivePage

SCRIPT = '<img src=x onerror="window.caught=1"><script>window.caught=1</script>'
PHONE = {"width": 360, "height": 740}
KEW, OXFORD = "TQ 187 769", "SP 51 06"


def record(date: str, taxon: str, vernacular: str, **more: Any) -> Record:
    return Record(**{"event_date": date, "taxon": taxon, "rank": "species", "vernacular": vernacular, **more})


RECORDS = (
    record("2025-03-20", "Bombus terrestris", "Buff-tailed bumblebee", caste="queen", place=parse_place(KEW)),
    record("2026-03-22T10:32", "Bombus terrestris", "Buff-tailed bumblebee", caste="queen", status="decided"),
    record(
        "2026-06-11",
        "Bombus hortorum",
        "Garden bumblebee",
        caste="worker",
        status="confirmed",
        identified_by="B. Verifier",
        place=parse_place(OXFORD),
        hints={"tail": "white", "scutellum": "yellow"},
    ),
    record(
        "2026-07-01", "Bombus lapidarius", "Red-tailed bumblebee", status="rejected", recorder="A. Walker"
    ),
    Record(event_date="2026-08-05", notes=SCRIPT, recorder=SCRIPT),
)


@pytest.fixture
def kept(page: LivePage) -> LivePage:
    """A page whose notebook holds `RECORDS`, numbered from 1."""
    with Notebook.open(page.notebook) as notebook:
        for one in RECORDS:
            notebook.add(one)
    return page


@pytest.fixture(scope="module")
def lasting(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LivePage]:
    """The same, for tests that only look."""
    with live(tmp_path_factory.mktemp("notebook")) as running:
        with Notebook.open(running.notebook) as notebook:
            for one in RECORDS:
                notebook.add(one)
        yield running


def listed(tab: Page) -> list[int]:
    """Numbers of the records in the list, as they stand there."""
    links = tab.locator(".record-link").evaluate_all(
        "nodes => nodes.map((node) => node.getAttribute('href'))"
    )
    return [int(link.rpartition("/")[2]) for link in links]


def lists(tab: Page, numbers: list[int]) -> None:
    """Wait until the list holds these; as many others may stand there before."""
    expect(tab.locator(".record-link")).to_have_count(len(numbers))
    until(tab, lambda: listed(tab) == numbers)


def test_list_is_found_by_words_name_days_and_status(lasting: LivePage, visit: Visitors) -> None:
    tab = visit(f"{lasting.url}#notebook")
    lists(tab, [5, 4, 3, 2, 1])  # newest day first
    expect(tab.locator(".records-total")).to_have_text("5 records")
    rows = tab.locator(".record-line")
    expect(rows.nth(2)).to_contain_text("11 Jun 2026")
    expect(rows.nth(2)).to_contain_text("Garden bumblebee, worker")
    expect(rows.nth(2)).to_contain_text(OXFORD)
    expect(rows.nth(2)).to_contain_text("confirmed")
    for name, value, left in (
        ("Words", "garden", [3]),
        ("Words", "walker", [4]),
        ("Scientific name", "bombus t", [2, 1]),
        ("From", "2026-06-11", [5, 4, 3]),
        ("To", "2026-03-22", [2, 1]),
    ):
        tab.get_by_label(name, exact=True).fill(value)
        lists(tab, left)
        tab.get_by_role("button", name="Show all").click()
        lists(tab, [5, 4, 3, 2, 1])
    tab.get_by_label("The name is").select_option("decided")
    lists(tab, [2])
    tab.get_by_label("Words", exact=True).fill("nobody")
    expect(tab.locator(".records-total")).to_have_text("No record fits.")
    # and the filters are still there after a look elsewhere
    tab.goto(f"{lasting.url}#help")
    tab.goto(f"{lasting.url}#notebook")
    expect(tab.get_by_label("Words", exact=True)).to_have_value("nobody")


def test_long_list_comes_in_pieces(page: LivePage, visit: Visitors) -> None:
    day = dt.date(2026, 4, 1)
    with Notebook.open(page.notebook) as notebook:
        for _ in range(120):
            notebook.add(Record(event_date=day.isoformat(), taxon="Bombus", rank="genus"))
            day += dt.timedelta(days=1)
    tab = visit(f"{page.url}#notebook")
    lists(tab, list(range(120, 70, -1)))
    tab.get_by_role("button", name="Show more").click()
    expect(tab.locator(".record-link").nth(50)).to_be_focused()
    lists(tab, list(range(120, 20, -1)))
    tab.get_by_role("button", name="Show more").click()
    lists(tab, list(range(120, 0, -1)))
    expect(tab.get_by_role("button", name="Show more")).to_be_hidden()


def test_more_of_a_list_that_is_gone_is_not_added_to_the_next(page: LivePage, visit: Visitors) -> None:
    with Notebook.open(page.notebook) as notebook:
        for number in range(60):
            notebook.add(Record(event_date="2026-04-01", recorder="Ann" if number < 3 else "Ben"))
    tab = visit(f"{page.url}#notebook")
    lists(tab, list(range(60, 10, -1)))
    held: list[Route] = []
    tab.route("**/api/records?*after=*", lambda route: held.append(route))
    tab.get_by_role("button", name="Show more").click()
    until(tab, lambda: bool(held))
    tab.get_by_label("Words").fill("Ann")
    lists(tab, [3, 2, 1])
    with tab.expect_response("**/api/records?*after=*"):
        held[0].continue_()
    tab.evaluate(TWO_FRAMES)
    assert listed(tab) == [3, 2, 1]


def test_season_draws_a_bar_for_each_week(lasting: LivePage, visit: Visitors) -> None:
    tab = visit(f"{lasting.url}#notebook")
    rows = tab.locator(".season-row")
    expect(rows.filter(has_text="Buff-tailed bumblebee")).to_contain_text("2 records")
    expect(rows.filter(has_text="Red-tailed")).to_have_count(0)  # rejected
    row = rows.filter(has_text="Garden bumblebee")
    expect(row).to_contain_text("1 record, mid June")
    bars = row.locator(".week-fill").get_attribute("d") or ""
    # 11 June is day 162, in the 24th seven days of the year; one bar, at its place of 53
    starts = [float(x) for x in re.findall(r"M([0-9.]+) ", bars)]
    assert starts == [pytest.approx(23.12)]


def test_record_is_changed_and_its_past_kept(kept: LivePage, visit: Visitors) -> None:
    tab = visit(f"{kept.url}#notebook")
    tab.get_by_role("link", name="Garden bumblebee, worker").click()
    expect(tab.get_by_role("heading", level=1)).to_have_text("Garden bumblebee")
    expect(tab.locator(".facts").first).to_contain_text("11 Jun 2026")
    expect(tab.locator(".record-bee .hair-white")).to_have_count(1)
    tab.get_by_role("button", name="Change", exact=True).click()
    expect(tab.get_by_label("Name", exact=True)).to_be_focused()
    tab.get_by_label("Name", exact=True).fill("heath bumblebee")
    tab.get_by_label("Caste").select_option("queen")
    tab.get_by_label("Where").fill("the pond")
    tab.get_by_label("When").fill("31 June 2026")
    tab.get_by_role("button", name="Keep the changes").click()
    for field in ("When", "Where"):
        expect(tab.get_by_label(field)).to_have_attribute("aria-invalid", "true")
        expect(tab.get_by_label(field)).to_have_accessible_description(re.compile(r"\w+ .*\."))
    expect(tab.get_by_label("When")).to_be_focused()
    tab.get_by_label("Where").fill("TQ 18 75")
    tab.get_by_label("When").fill("12 June 2026")
    tab.locator(".edit summary").click()
    tab.locator(".edit").get_by_label("tail", exact=True).select_option("")
    tab.locator(".edit").get_by_label("collar", exact=True).select_option("yellow")
    tab.get_by_role("button", name="Keep the changes").click()
    expect(tab.get_by_role("heading", level=1)).to_have_text("Heath bumblebee")
    newest = tab.locator(".history > li").first
    for line in (
        "Bombus hortorum → Bombus jonellus",
        "worker → queen",
        "SP 51 06 → TQ 18 75",
        "11 Jun 2026 → 12 Jun 2026",
    ):
        expect(newest).to_contain_text(line)
    expect(tab.locator(".history > li")).to_have_count(2)
    with Notebook.open(kept.notebook, write=False) as notebook:
        before, after = notebook.history(3)
    assert before.record == RECORDS[2]
    now = after.record
    assert (now.taxon, now.caste, now.event_date) == ("Bombus jonellus", "queen", "2026-06-12")
    assert now.hints == {"collar": "yellow", "scutellum": "yellow"}
    assert now.place is not None
    assert now.place.grid_reference == "TQ 18 75"
    assert now.status == "confirmed"
    assert now.notes == RECORDS[2].notes


def test_change_of_nothing_adds_no_version(kept: LivePage, visit: Visitors) -> None:
    tab = visit(f"{kept.url}#notebook/3")
    tab.get_by_role("button", name="Change", exact=True).click()
    tab.get_by_role("button", name="Keep the changes").click()
    expect(tab.get_by_role("button", name="Change", exact=True)).to_be_focused()
    assert len(kept.client.get("/api/records/3").json()["history"]) == 1


def test_what_another_window_does_comes_into_the_notebook(kept: LivePage, visit: Visitors) -> None:
    """And what a command does, as soon as one looks at the window again."""
    first, second, third = (visit(f"{kept.url}#notebook{where}") for where in ("", "/3", "/3"))
    lists(first, [5, 4, 3, 2, 1])
    first.get_by_role("link", name="Garden bumblebee, worker").focus()
    third.get_by_role("button", name="Change", exact=True).click()
    third.get_by_label("Notes").fill("on clover")
    third.locator(".edit summary").click()
    third.locator(".edit").get_by_label("collar", exact=True).select_option("yellow")
    second.get_by_role("button", name="Change", exact=True).click()
    second.get_by_label("Caste").select_option("queen")
    second.locator(".edit summary").click()
    second.locator(".edit").get_by_label("tail", exact=True).select_option("")
    second.get_by_role("button", name="Keep the changes").click()
    expect(first.get_by_role("link", name="Garden bumblebee, queen")).to_be_focused()
    expect(third.get_by_label("Notes")).to_have_value("on clover")  # what is being changed stays
    third.get_by_role("button", name="Keep the changes").click()
    for window in (second, third):
        expect(window.locator(".history > li")).to_have_count(3)
        expect(window.locator(".notes")).to_have_text("on clover")
    with Notebook.open(kept.notebook) as notebook:
        now = notebook.get(3).record
        notebook.remove(2)
    assert (now.caste, now.hints) == ("queen", {"collar": "yellow", "scutellum": "yellow"})
    first.evaluate("document.dispatchEvent(new Event('visibilitychange'))")  # another window, and back
    lists(first, [5, 4, 3, 1])


def test_an_invasive_species_is_told_to_be_reported(kept: LivePage, visit: Visitors) -> None:
    tab = visit(f"{kept.url}#notebook/3")
    tab.get_by_role("button", name="Change", exact=True).click()
    tab.get_by_label("Name", exact=True).fill("Asian hornet")
    tab.get_by_role("button", name="Keep the changes").click()
    expect(tab.get_by_role("heading", level=1)).to_have_text("Asian hornet")
    expect(tab.locator(".record .cautions .grave")).to_contain_text("report it at once")
    tab.get_by_role("button", name="Change", exact=True).click()
    tab.get_by_label("Notes").fill("at the hives")
    tab.get_by_role("button", name="Keep the changes").click()
    expect(tab.locator(".notes")).to_have_text("at the hives")
    assert axe_faults(tab) == []


def test_removed_record_can_be_brought_back(kept: LivePage, visit: Visitors) -> None:
    tab = visit(f"{kept.url}#notebook/2")
    tab.get_by_role("button", name="Remove").click()
    expect(tab.get_by_text("This record was removed")).to_be_visible()
    tab.get_by_role("link", name="← Notebook").click()
    lists(tab, [5, 4, 3, 1])
    tab.go_back()
    tab.get_by_role("button", name="Bring it back").click()
    expect(tab.get_by_role("button", name="Remove")).to_be_visible()
    tab.get_by_role("link", name="← Notebook").click()
    lists(tab, [5, 4, 3, 2, 1])


def handed(tab: Page, layout: str, place: str = "") -> bytes:
    """Hand the records on; gives what the browser got."""
    tab.get_by_label(layout).check()
    tab.get_by_label("Give the place").select_option(place)
    with tab.expect_download() as coming:
        tab.get_by_role("button", name="Hand on").click()
    return coming.value.path().read_bytes()


def test_slips_are_told_when_records_are_handed_on(kept: LivePage, visit: Visitors) -> None:
    with Notebook.open(kept.notebook) as opened:
        slip = opened.add(Record(event_date="2199-05-01", taxon="Bombus vestalis", caste="worker")).number
    tab = visit(f"{kept.url}#notebook")
    expect(tab.locator(".record-link").first).to_be_visible()
    handed(tab, "CSV table")
    told = tab.locator(".hand-on .cautions li")
    expect(told).to_contain_text(["there is no worker of Bombus vestalis", "lies in the future"])
    expect(tab.locator(".hand-on")).to_contain_text("Look at these before you send it")
    assert axe_faults(tab) == []
    told.first.get_by_role("link", name=f"Record {slip}").click()
    expect(tab.get_by_role("button", name="Change", exact=True)).to_be_visible()


def test_archive_is_handed_on_with_blurred_places(lasting: LivePage, visit: Visitors) -> None:
    tab = visit(f"{lasting.url}#notebook")
    expect(tab.locator(".record-link").first).to_be_visible()
    with zipfile.ZipFile(io.BytesIO(handed(tab, "Darwin Core Archive", "10"))) as archive:
        core = ET.fromstring(archive.read("meta.xml")).find("{http://rs.tdwg.org/dwc/text/}core")
        assert core is not None
        name = core.findtext(".//{http://rs.tdwg.org/dwc/text/}location")
        assert name is not None
        between = core.attrib["fieldsTerminatedBy"].replace("\\t", "\t")
        rows = list(csv.DictReader(io.StringIO(archive.read(name).decode()), delimiter=between))
    assert {row["scientificName"] for row in rows} == {
        "",
        "Bombus hortorum",
        "Bombus terrestris",
    }  # none rejected
    assert not any(KEW.replace(" ", "") in json.dumps(row).replace(" ", "") for row in rows)
    [garden] = [row for row in rows if row["scientificName"] == "Bombus hortorum"]
    # SP 51 06 lies in the square of 10 km SP50, whose half diagonal is 7.07 km
    assert float(garden["coordinateUncertaintyInMeters"]) == pytest.approx(7071, abs=60)
    expect(tab.locator(".hand-on")).to_contain_text("Made: bees-darwin-core-")


def test_every_format_is_handed_on_and_filters_count(lasting: LivePage, visit: Visitors) -> None:
    tab = visit(f"{lasting.url}#notebook")
    tab.get_by_label("Scientific name").fill("Bombus")
    lists(tab, [4, 3, 2, 1])
    table = list(csv.DictReader(io.StringIO(handed(tab, "CSV table", "none").decode("utf-8-sig"))))
    assert len(table) == 3
    assert not any(row["decimalLatitude"] for row in table)
    features = json.loads(handed(tab, "GeoJSON"))["features"]
    assert sum(one["geometry"] is not None for one in features) == 2
    tab.get_by_label("Words", exact=True).fill("garden")
    lists(tab, [3])
    expect(tab.locator(".season-row")).to_have_count(1)
    assert len(handed(tab, "CSV table").splitlines()) == 2
    # no record has a sound here: clips and labels come out empty, and that is no fault
    assert handed(tab, "Labels for training").decode().count("\n") == 1
    assert handed(tab, "Bouts as Broadcast Wave")[:2] == b"PK"


def test_script_in_records_shows_as_text(lasting: LivePage, visit: Visitors) -> None:
    tab = visit(f"{lasting.url}#notebook/5")
    expect(tab.locator(".notes")).to_have_text(SCRIPT)
    tab.get_by_role("button", name="Change", exact=True).click()
    expect(tab.get_by_label("Seen by")).to_have_value(SCRIPT)
    tab.goto(f"{lasting.url}sheet/5")
    expect(tab.locator(".notes")).to_have_text(SCRIPT)
    assert tab.evaluate("window.caught === undefined")
    assert tab.locator("img[src=x]").count() == 0


def test_sheet_is_one_printed_page(lasting: LivePage, visit: Visitors) -> None:
    tab = visit(f"{lasting.url}sheet/3")
    expect(tab.get_by_role("heading", level=1)).to_have_text("Garden bumblebee")
    expect(tab.locator(".sheet-bee .hair-white")).to_have_count(1)
    expect(tab.get_by_role("button", name="Print")).to_be_visible()
    assert axe_faults(tab) == []
    printed = tab.pdf(prefer_css_page_size=True, print_background=True)
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", printed)) == 1
    tab.emulate_media(media="print")
    expect(tab.get_by_role("button", name="Print")).to_be_hidden()
    tab.emulate_media(media="screen")
    tab.get_by_role("link", name="← Back to the record").click()
    expect(tab.get_by_role("heading", level=1)).to_have_text("Garden bumblebee")


def test_keyboard_alone_finds_and_changes_a_record(kept: LivePage, visit: Visitors) -> None:
    tab = visit(f"{kept.url}#notebook")
    keys = tab.keyboard

    def tab_to(target: Any) -> None:
        expect(target).to_be_visible()
        for _ in range(40):
            keys.press("Tab")
            if target.evaluate("node => node === document.activeElement"):
                break
        expect(target).to_be_focused()

    expect(tab.locator(".record-link").first).to_be_visible()
    tab_to(tab.get_by_label("Words", exact=True))
    keys.type("garden")
    lists(tab, [3])
    tab_to(tab.get_by_role("link", name="Garden bumblebee, worker"))
    keys.press("Enter")
    expect(tab.get_by_role("heading", level=1)).to_have_text("Garden bumblebee")
    tab_to(tab.get_by_role("button", name="Change", exact=True))
    keys.press("Enter")
    expect(tab.get_by_label("Name", exact=True)).to_be_focused()
    tab_to(tab.get_by_label("Notes"))
    keys.type("on foxglove")
    tab_to(tab.get_by_role("button", name="Keep the changes"))
    keys.press("Enter")
    expect(tab.get_by_role("heading", level=1)).to_be_focused()
    expect(tab.locator(".notes")).to_have_text("on foxglove")
    expect(tab.locator("#polite")).to_contain_text("Changed; what it said before is kept")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(lasting: LivePage, visit: Visitors, scheme: str) -> None:
    tab = visit(f"{lasting.url}#notebook", color_scheme=scheme)
    lists(tab, [5, 4, 3, 2, 1])
    expect(tab.locator(".season-row").first).to_be_visible()
    assert axe_faults(tab) == []
    tab.get_by_role("link", name="Garden bumblebee, worker").click()
    tab.get_by_role("button", name="Change", exact=True).click()
    tab.locator(".edit summary").click()
    tab.get_by_label("Where").fill("the pond")
    tab.get_by_role("button", name="Keep the changes").click()
    expect(tab.get_by_label("Where")).to_have_attribute("aria-invalid", "true")
    assert axe_faults(tab) == []


def test_phone_shows_all_without_scrolling_sideways(lasting: LivePage, visit: Visitors) -> None:
    tab = visit(
        f"{lasting.url}#notebook", viewport=PHONE, has_touch=True, is_mobile=True, device_scale_factor=2
    )
    lists(tab, [5, 4, 3, 2, 1])
    assert wide_content(tab) == 0
    for number in (3, 5):
        tab.goto(f"{lasting.url}#notebook/{number}")
        expect(tab.get_by_role("button", name="Change", exact=True)).to_be_visible()
        tab.get_by_role("button", name="Change", exact=True).tap()
        assert wide_content(tab) == 0
    tab.goto(f"{lasting.url}sheet/5")
    expect(tab.get_by_role("button", name="Print")).to_be_visible()
    assert wide_content(tab) == 0
