"""What must not get lost, and what must not be said, when something goes wrong: in a real Chromium.

The program is stopped and started, answers are held back or never come, windows lie open beside each other,
and people leave in the middle of things.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from playwright.sync_api import expect

from wingtone.web.desk import Limits

from .chromium import LET_IN, Visitors, answered, drop_files, until
from .conftest import live

if TYPE_CHECKING:
    from pathlib import Path

    from playwright.sync_api import Page

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
