"""The shell of the page in a real Chromium: the first view, the places, keyboard, phone, dusk, axe-core."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import pytest
from playwright.sync_api import expect

from .chromium import Visitors, answered, axe_faults, listened, settled, wide_content

if TYPE_CHECKING:
    from pathlib import Path

    from playwright.sync_api import Browser

    from .conftest import LivePage

FIRST_VIEW_BYTES = 300_000
TOMATO, QUEEN = "4_july_tomato_flower.flac", "1_march_big_queen.m4a"
PHONE = {"width": 360, "height": 740}


@pytest.fixture
def furnished(shared_page: LivePage, demo_clip: Path) -> LivePage:
    """A page with two recordings heard; what a test before corrected in them is put back."""
    held = {clip["name"]: clip["id"] for clip in shared_page.client.get("/api/state").json()["clips"]}
    for name in (TOMATO, QUEEN):
        clip_id = held.get(name) or shared_page.bring(demo_clip / name)["id"]
        shared_page.heard(clip_id)
        shared_page.client.delete(f"/api/clips/{clip_id}/bouts").raise_for_status()
    return shared_page


def test_first_view_is_light(empty_page: LivePage, visit: Visitors) -> None:
    opened = visit(empty_page.url)
    expect(opened.get_by_role("heading", level=1)).to_have_text("Which bumblebee was that?")
    expect(opened.get_by_text("Bring the sound")).to_be_visible()
    transferred = opened.evaluate(
        "performance.getEntriesByType('resource').concat(performance.getEntriesByType('navigation'))"
        ".reduce((sum, entry) => sum + entry.transferSize, 0)"
    )
    assert 10_000 < transferred <= FIRST_VIEW_BYTES


def test_every_place_is_reached_and_titled(furnished: LivePage, visit: Visitors) -> None:
    opened = visit(furnished.url)
    places = opened.get_by_role("navigation", name="Places")
    for name in ("Notebook", "Help", "Desk"):
        places.get_by_role("link", name=name).click()
        expect(opened).to_have_title(f"{name} · wingtone")
        expect(places.get_by_role("link", name=name)).to_have_attribute("aria-current", "page")
        expect(opened.get_by_role("heading", level=1)).to_have_count(1)
    opened.go_back()
    expect(opened).to_have_title("Help · wingtone")
    opened.get_by_role("link", name="To the page").press("Enter")
    expect(opened.get_by_role("main")).to_be_focused()
    opened.reload()
    expect(opened).to_have_title("Help · wingtone")
    opened.goto(f"{furnished.url}#desk/ffffffffffffffff")  # a recording that is not there any more
    expect(opened.get_by_role("alert")).to_be_visible()


def test_dusk_follows_the_device_until_chosen_here(furnished: LivePage, visit: Visitors) -> None:
    opened = visit(furnished.url, color_scheme="dark")
    html = opened.locator("html")
    ground = "getComputedStyle(document.body).backgroundColor"
    dark = opened.evaluate(ground)
    opened.emulate_media(color_scheme="light")
    expect(html).to_have_attribute("data-theme", "light")
    light = opened.evaluate(ground)
    assert dark != light
    opened.get_by_role("button", name="Dusk").click()
    assert opened.evaluate(ground) == dark
    opened.reload()
    assert opened.evaluate(ground) == dark
    opened.get_by_role("button", name="Light").click()
    assert opened.evaluate(ground) == light


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(furnished: LivePage, visit: Visitors, scheme: str) -> None:
    opened = visit(furnished.url, color_scheme=scheme)
    opened.set_input_files(
        "#chooser", {"name": "shopping.txt", "mimeType": "text/plain", "buffer": b"milk, honey"}
    )
    expect(opened.get_by_text("not brought")).to_be_visible()
    assert axe_faults(opened) == []
    settled(opened, TOMATO)
    opened.get_by_role("button", name="flower buzz").first.click()
    expect(opened.get_by_role("group", name="Correct bout 2")).to_be_visible()
    assert axe_faults(opened) == []
    opened.goto(f"{furnished.url}#desk/new")
    expect(opened.locator(".answer-place h2").first).to_be_visible()
    assert axe_faults(opened) == []
    opened.goto(f"{furnished.url}#help")
    expect(opened.get_by_role("heading", name="Take care")).to_be_visible()
    assert axe_faults(opened) == []


@pytest.mark.parametrize("width", [PHONE["width"], 320])
def test_narrow_phone(furnished: LivePage, visit: Visitors, width: int) -> None:
    """320 pixels: a window 1280 wide looked at four times as large (WCAG 2.2, success criterion 1.4.10)."""
    opened = visit(
        furnished.url,
        viewport={**PHONE, "width": width},
        has_touch=True,
        is_mobile=True,
        device_scale_factor=2,
    )
    expect(opened.get_by_role("link", name=TOMATO)).to_be_visible()
    assert wide_content(opened) == 0
    settled(opened, TOMATO)
    opened.get_by_role("button", name="flower buzz").first.tap()
    expect(opened.get_by_role("slider", name="Start of bout 2")).to_be_visible()
    assert wide_content(opened) == 0
    # WCAG 2.2, success criterion 2.5.8: targets of at least 24 by 24 CSS pixels.
    small = opened.evaluate(
        """['header a, header button', '.strip-paper button, .strip-paper [role=slider]', '.bouts button']
            .flatMap((which) => [...document.querySelectorAll(which)])
            .filter((node) => node.checkVisibility())
            .map((node) => [node.outerHTML.slice(0, 80), node.getBoundingClientRect()])
            .filter(([, box]) => box.width < 24 || box.height < 24)"""
    )
    assert small == []
    cut = opened.locator(".bar-number").evaluate_all(
        "nodes => nodes.filter((node) => node.scrollWidth > node.clientWidth).map((node) => node.textContent)"
    )
    assert cut == []
    for place in ("help", "notebook"):
        opened.goto(f"{furnished.url}#{place}")
        expect(opened.get_by_role("heading", level=1, name=place.title())).to_be_visible()
        assert wide_content(opened) == 0


def test_rows_of_the_desk_on_a_phone(page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    """What was heard stands below the name, and what is left to do with a broken one looks alike."""
    page.heard(page.bring(demo_clip / TOMATO)["id"])
    headers = {"X-File-Name": "broken.wav"}
    broken = page.client.post("/api/clips", content=b"RIFF\0\0\0\0WAVEfmt ", headers=headers).json()
    page.heard(broken["id"])
    opened = visit(page.url, viewport=PHONE, has_touch=True, is_mobile=True)
    row = opened.locator(".clip[data-status=ready]")
    name, words = (row.locator(which).bounding_box() for which in (".clip-name", ".number"))
    assert name is not None
    assert words is not None
    assert (words["x"], words["y"] >= name["y"] + name["height"] - 1) == (name["x"], True)
    sizes = opened.locator(".clip[data-status=failed] .row > *").evaluate_all(
        "(each) => each.map((one) => [getComputedStyle(one).fontSize, getComputedStyle(one).color])"
    )
    assert len(sizes) == 2
    assert sizes[0] == sizes[1]


def test_keyboard_only(empty_page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    """From the first key to a corrected bout without a pointer; the page tells what happens."""
    opened = visit(empty_page.url)
    keys = opened.keyboard
    told = listened(opened)  # what is said may be followed at once by an answer

    def tab_to(role: Literal["button", "link", "slider"], name: str) -> None:
        target = opened.get_by_role(role, name=name, exact=True)
        for _ in range(40):
            keys.press("Tab")
            if target.evaluate("node => node === document.activeElement"):
                break
        expect(target).to_be_focused()

    opened.on("filechooser", lambda _: None)  # so that the browser hands over the first one too
    keys.press("Tab")
    expect(opened.get_by_role("link", name="To the page")).to_be_focused()
    tab_to("button", "Choose recordings")
    with opened.expect_file_chooser() as choosing:
        keys.press("Enter")
    choosing.value.set_files(demo_clip / TOMATO)
    answered(opened, TOMATO)
    tab_to("link", "← Desk")
    keys.press("Enter")
    tab_to("link", TOMATO)
    keys.press("Enter")
    answered(opened, TOMATO)
    tab_to("slider", "Place in the recording")
    place = opened.get_by_role("slider", name="Place in the recording")
    keys.press("n")
    keys.press("n")
    told("bout 2 of 4, flower buzz")
    expect(place).to_have_attribute("aria-valuetext", "0:03.1 of 0:09.0, in bout 2, flower buzz")
    tab_to("slider", "Start of bout 2")
    start = opened.get_by_role("slider", name="Start of bout 2")
    before = float(start.get_attribute("aria-valuenow") or "nan")
    for _ in range(5):
        keys.press("ArrowRight")
    expect(start).to_have_attribute("aria-valuenow", f"{before + 0.1:.2f}")
    expect(opened.get_by_text("corrected by you")).to_be_visible()
    keys.press("3")
    expect(opened.get_by_role("button", name="unsure")).to_have_count(1)
    keys.press("Delete")
    told("bout 2 dropped")
    expect(opened.locator(".bout-line")).to_have_count(3)
    place.focus()
    keys.press("Control+z")
    expect(opened.locator(".bout-line")).to_have_count(4)
    keys.press("Home")
    keys.press("b")
    keys.press("Shift+ArrowRight")
    keys.press("b")
    expect(opened.locator(".bout-line")).to_have_count(5)
    [clip] = empty_page.client.get("/api/state").json()["clips"]
    expect(opened.get_by_text("Measuring again")).to_have_count(0)
    corrected = empty_page.client.get(f"/api/clips/{clip['id']}").json()["corrections"]
    assert [bout["kind"] for bout in corrected] == ["flight", "flight", "uncertain", "sonication", "flight"]


def test_program_that_has_stopped_is_said(furnished: LivePage, visit: Visitors) -> None:
    opened = visit(furnished.url)
    expect(opened.get_by_role("link", name=TOMATO)).to_be_visible()
    opened.context.set_offline(True)
    opened.get_by_role("link", name=TOMATO).click()
    expect(opened.get_by_role("alert").first).to_contain_text("wingtone does not answer")


def test_the_printed_address_opens_the_page_and_no_other_does(
    empty_page: LivePage, chromium: Browser, visit: Visitors
) -> None:
    address = empty_page.address
    own = chromium.new_context().new_page()
    own.goto(address)
    expect(own.get_by_role("heading", level=1)).to_have_text("Which bumblebee was that?")
    assert own.url == empty_page.url, "the code does not stay in sight"
    own.goto("about:blank")
    own.goto(address)
    expect(own.get_by_role("heading", level=1)).to_have_text("Which bumblebee was that?")
    stranger = chromium.new_context().new_page()
    stranger.goto(f"{empty_page.url}#notebook")
    expect(stranger.get_by_role("main")).to_contain_text("Open the address that it printed there")
    stranger.goto(address)
    expect(stranger.get_by_role("alert")).to_contain_text("each serves once")
    assert axe_faults(stranger) == []
    code = empty_page.address.rpartition("=")[2]
    stranger.get_by_label("Code").fill(f"{code[:4]} {code[4:].lower()}")
    stranger.get_by_role("button", name="Enter").click()
    expect(stranger.get_by_role("heading", level=1)).to_have_text("Which bumblebee was that?")
