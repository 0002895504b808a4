"""A newcomer's whole path in a real Chromium, from an M4A dropped on the page to an archive to hand on."""

from __future__ import annotations

import csv
import datetime as dt
import io
import zipfile
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import pytest
from playwright.sync_api import expect

from wingtone.audio.encode import write_encoded
from wingtone.simulate import make_scene

from .chromium import Visitors, answered, drop_files

if TYPE_CHECKING:
    from pathlib import Path

    from .conftest import LivePage

DWC_TEXT = "{http://rs.tdwg.org/dwc/text/}"
F0_HZ = 150.0
WHEN = dt.datetime(2026, 3, 20, 11, 4, tzinfo=dt.UTC)


def test_from_dropping_an_m4a_to_an_exported_archive(page: LivePage, visit: Visitors, tmp_path: Path) -> None:
    scene = make_scene(4, condition="hover", snr_db=20.0, duration_s=6.0, rate_hz=44_100, f0_hz=F0_HZ)
    source = tmp_path / "my garden.m4a"
    write_encoded(
        source, scene.samples, rate_hz=44_100, creation=WHEN, latitude_deg=51.46, longitude_deg=-0.30
    )
    opened = visit(page.url, accept_downloads=True)
    expect(opened.get_by_text("Bring the sound")).to_be_visible()  # the empty desk says what to do
    drop_files(opened, [(source.name, source.read_bytes())])
    answered(opened, source.name)  # one that comes alone is opened by itself
    line = opened.locator(".bout-line").first
    expect(line).to_contain_text("flight")
    tone = float((line.locator(".bout-tone").text_content() or "").split()[0])
    assert tone == pytest.approx(F0_HZ, rel=0.05)  # what the simulator put in, and how far it lets it wander

    # What the recording knows is filled in; what was seen is said by pressing a part of the bee.
    seen = opened.locator(".seen-place")
    expect(seen.get_by_label("Day", exact=True)).to_have_value("2026-03-20")
    expect(seen.get_by_label("Place", exact=True)).not_to_have_value("")
    seen.get_by_role("button", name="tail").click()
    group = opened.get_by_role("group", name="What colour is the tip of the abdomen (the tail)?", exact=True)
    group.get_by_role("radio", name="buff").check()
    candidates = opened.locator(".answer-place")
    named = candidates.get_by_role("listitem").filter(has_text="Buff-tailed bumblebee").first
    expect(named).to_be_visible()
    opened.get_by_text("I know better").click()
    opened.get_by_label("Name", exact=True).select_option("Bombus terrestris")
    opened.get_by_role("button", name="Keep in the notebook").click()
    expect(opened.get_by_role("link", name="record 1")).to_be_visible()

    opened.get_by_role("navigation", name="Places").get_by_role("link", name="Notebook").click()
    opened.get_by_label("Darwin Core Archive").check()
    opened.get_by_label("Give the place").select_option("2")
    with opened.expect_download() as handed:
        opened.get_by_role("button", name="Hand on").click()
    # Darwin Core text guide (TDWG): meta.xml names the core file and what stands between its fields.
    with zipfile.ZipFile(handed.value.path()) as archive:
        core = ElementTree.fromstring(archive.read("meta.xml")).find(f"{DWC_TEXT}core")
        assert core is not None
        table = archive.read(core.findtext(f".//{DWC_TEXT}location") or "").decode()
    between = core.attrib["fieldsTerminatedBy"].replace("\\t", "\t")
    [row] = csv.DictReader(io.StringIO(table), delimiter=between)
    assert row["scientificName"] == "Bombus terrestris"
    assert row["eventDate"].startswith("2026-03-20")
    opened.get_by_role("link", name="Desk").first.click()
    expect(opened.get_by_text("in the notebook")).to_be_visible()
