"""What must not get lost, and what must not be said, when something goes wrong: in a real Chromium.

The program is stopped and started, answers are held back or never come, windows lie open beside each other,
and people leave in the middle of things.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from playwright.sync_api import expect

from wingtone.web.desk import Limits

from .chromium import LET_IN, Visitors, answered, drop_files, launch, settled, until
from .conftest import live

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Page, Playwright, Route

    from .conftest import LivePage

QUEEN, TOMATO = "1_march_big_queen.m4a", "4_july_tomato_flower.flac"
WAITING = """() => new Promise((resolve) => {
    const ask = indexedDB.open('wingtone', 1);
    ask.onupgradeneeded = () => ask.result.createObjectStore('waiting', {autoIncrement: true});
    ask.onsuccess = () => {
        const all = ask.result.transaction('waiting').objectStore('waiting').getAll();
        all.onsuccess = () => { ask.result.close(); resolve(all.result.map(({name}) => name)); };
    };
})"""


def desk_of(page: LivePage) -> list[str]:
    """Names of the recordings on the desk."""
    return [clip["name"] for clip in page.client.get("/api/state").json()["clips"]]


def enter(opened: Page, page: LivePage) -> None:
    """Let a browser in to a page that was started anew, as entering its code would."""
    home = page.url.split("/")[2]
    cookies: list[Any] = [
        {"name": name, "value": value, "url": f"http://{home}/"} for name, value in LET_IN[home].items()
    ]
    opened.context.add_cookies(cookies)


def begun(opened: Page) -> None:
    """Wait until the desk stands."""
    expect(opened.get_by_role("button", name="Choose recordings")).to_be_visible()


# --- files that wait to be brought ------------------------------------------------------------------------


def test_a_waiting_file_outlives_a_refusal(page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    """The program is stopped, and started again, which wants another code and another token."""
    opened = visit(page.url)
    begun(opened)
    port = int(page.url.rstrip("/").rpartition(":")[2])
    page.stop()
    drop_files(opened, [("only copy.m4a", (demo_clip / QUEEN).read_bytes())])
    again = opened.get_by_role("button", name="Try again: only copy.m4a")
    expect(again).to_be_visible()
    page.start(port=port)
    again.click()
    expect(opened.locator(".clips .trouble")).to_contain_text("code")
    assert opened.evaluate(WAITING) == ["only copy.m4a"]
    enter(opened, page)
    again.click()
    answered(opened, "only copy.m4a")
    until(opened, lambda: opened.evaluate(WAITING) == [])
    assert desk_of(page) == ["only copy.m4a"]


def test_a_recording_that_finds_no_room_can_be_brought_later(
    tmp_path: Path, demo_clip: Path, visit: Visitors
) -> None:
    with live(tmp_path, limits=Limits(files=1)) as page:
        other = page.bring(demo_clip / TOMATO)
        opened = visit(page.url)
        begun(opened)
        drop_files(opened, [("only copy.m4a", (demo_clip / QUEEN).read_bytes())])
        again = opened.get_by_role("button", name="Try again: only copy.m4a")
        expect(again).to_be_visible()
        assert opened.evaluate(WAITING) == ["only copy.m4a"]
        page.client.delete(f"/api/clips/{other['id']}").raise_for_status()
        again.click()
        expect(opened.get_by_role("heading", level=1, name="only copy.m4a")).to_be_visible()
        assert desk_of(page) == ["only copy.m4a"]


def test_what_is_no_recording_is_not_tried_again(empty_page: LivePage, visit: Visitors) -> None:
    opened = visit(empty_page.url)
    begun(opened)
    drop_files(opened, [("shopping.txt", b"milk, honey")])
    expect(opened.get_by_role("button", name="Clear away: shopping.txt")).to_be_visible()
    expect(opened.get_by_role("button", name="Try again: shopping.txt")).to_be_hidden()
    until(opened, lambda: opened.evaluate(WAITING) == [])


def test_what_was_cleared_away_stays_away(empty_page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    opened = visit(empty_page.url)
    begun(opened)
    opened.context.set_offline(True)
    drop_files(opened, [("private.m4a", (demo_clip / QUEEN).read_bytes())])
    opened.get_by_role("button", name="Clear away: private.m4a").click()
    until(opened, lambda: opened.evaluate(WAITING) == [])
    opened.context.set_offline(False)
    opened.reload()
    begun(opened)
    opened.wait_for_timeout(1500)  # longer than the page waits before it takes up what is left
    assert desk_of(empty_page) == []


# --- leaving in the middle --------------------------------------------------------------------------------

HELD_TRACKS = """() => {
    const ask = navigator.mediaDevices.getUserMedia.bind(navigator.mediaDevices);
    window.tracks = [];
    navigator.mediaDevices.getUserMedia = async (wish) => {
        if (window.slow) await window.slow;
        const stream = await ask(wish);
        window.tracks.push(...stream.getTracks());
        return stream;
    };
}"""


@pytest.fixture
def listening(driver: Playwright) -> Iterator[Visitors]:
    """A Chromium with a microphone, which it gives to whoever asks."""
    browser = launch(driver, "--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream")
    visitors = Visitors(browser)
    yield visitors
    visitors.leave()
    browser.close()


def hold(opened: Page, address: str) -> list[Route]:
    """Let answers to an address wait; gives them."""
    held: list[Route] = []
    opened.route(address, lambda route: held.append(route))
    return held


def mark(opened: Page, character: str, state: str) -> None:
    """Say one thing of the bee."""
    opened.locator(f"button[data-part='{character}']").click()
    opened.locator(f"input[name='state-{character}'][value='{state}']").check()


def seen_of(page: LivePage, clip: dict[str, Any]) -> dict[str, Any]:
    """What the desk holds of what was seen."""
    seen: dict[str, Any] = page.client.get(f"/api/clips/{clip['id']}").json()["seen"]
    return seen


def microphones(opened: Page) -> list[str]:
    states: list[str] = opened.evaluate("window.tracks.map((track) => track.readyState)")
    return states


def test_a_recording_that_opens_too_late_takes_nothing_with_it(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    """One was left before it had opened; what is said of the next is kept there."""
    slow, clip = page.bring(demo_clip / QUEEN), page.bring(demo_clip / TOMATO)
    page.heard(slow["id"])
    page.heard(clip["id"])
    opened = visit(page.url)
    for address in (f"**/api/clips/{slow['id']}", f"**/api/clips/{slow['id']}/strip"):
        held = hold(opened, address)
        opened.get_by_role("link", name=QUEEN).click()
        until(opened, lambda held=held: bool(held))  # type: ignore[misc]
        opened.get_by_role("link", name="Desk", exact=True).click()
        settled(opened, TOMATO)
        with opened.expect_response(lambda answer: slow["id"] in answer.url):
            held[0].continue_()
        opened.unroute(address)
        opened.wait_for_timeout(500)  # for what the late one would do
        assert opened.title().startswith(TOMATO)
        state = "red" if address.endswith("strip") else "white"
        mark(opened, "tail", state)
        expect(opened.locator(".seen-status")).to_have_text("Kept on the desk")
        assert seen_of(page, clip)["hints"] == {"tail": state}
        assert seen_of(page, slow)["hints"] == {}
        opened.get_by_role("link", name="Desk", exact=True).click()


def test_the_desk_still_ends_a_recording_after_one_opened_late(
    page: LivePage, demo_clip: Path, listening: Visitors
) -> None:
    slow = page.bring(demo_clip / QUEEN)
    page.heard(slow["id"])
    opened = listening(page.url, permissions=["microphone"])
    opened.evaluate(HELD_TRACKS)
    held = hold(opened, f"**/api/clips/{slow['id']}")
    opened.get_by_role("link", name=QUEEN).click()
    until(opened, lambda: bool(held))
    opened.get_by_role("link", name="Desk", exact=True).click()
    begun(opened)
    with opened.expect_response(lambda answer: slow["id"] in answer.url):
        held[0].continue_()
    opened.wait_for_timeout(500)
    opened.get_by_role("button", name="Record here").click()
    expect(opened.get_by_role("button", name="Stop and keep")).to_be_visible()
    opened.get_by_role("link", name="Notebook").click()
    until(opened, lambda: microphones(opened) == ["ended"])


def test_a_microphone_that_is_allowed_too_late_is_let_go(page: LivePage, listening: Visitors) -> None:
    opened = listening(page.url, permissions=["microphone"])
    opened.evaluate(HELD_TRACKS)
    opened.evaluate("() => { window.slow = new Promise((allow) => { window.allow = allow; }); }")
    opened.get_by_role("button", name="Record here").click()
    opened.get_by_role("link", name="Notebook").click()
    expect(opened).to_have_title("Notebook · wingtone")
    opened.evaluate("window.allow()")
    until(opened, lambda: microphones(opened) == ["ended"])
