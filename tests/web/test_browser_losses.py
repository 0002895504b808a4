"""What must not get lost, and what must not be said, when something goes wrong: in a real Chromium.

The program is stopped and started, answers are held back or never come, windows lie open beside each other,
and people leave in the middle of things.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import pytest
from playwright.sync_api import expect

from wingtone.web.desk import Limits

from .chromium import LET_IN, Visitors, answered, drop_files, launch, settled, until, waiting
from .conftest import live

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import APIResponse, Locator, Page, Playwright, Route

    from .conftest import LivePage

QUEEN, TOMATO = "1_march_big_queen.m4a", "4_july_tomato_flower.flac"


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
    page.stop()
    drop_files(opened, [("only copy.m4a", (demo_clip / QUEEN).read_bytes())])
    again = opened.get_by_role("button", name="Try again: only copy.m4a")
    expect(again).to_be_visible()
    page.start()
    again.click()
    expect(opened.locator(".clips .trouble")).to_contain_text("code")
    until(opened, lambda: waiting(opened) == ["only copy.m4a"])
    enter(opened, page)
    again.click()
    answered(opened, "only copy.m4a")
    until(opened, lambda: waiting(opened) == [])
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
        until(opened, lambda: waiting(opened) == ["only copy.m4a"])
        page.client.delete(f"/api/clips/{other['id']}").raise_for_status()
        again.click()
        answered(opened, "only copy.m4a")  # also that nothing is still loading when the program stops
        assert desk_of(page) == ["only copy.m4a"]


def test_a_recording_that_was_heard_while_the_program_was_silent_opens_later(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    opened = visit(page.url)
    begun(opened)
    asked: list[Route] = []

    def answer(route: Route) -> None:
        asked.append(route)
        if len(asked) == 1:  # still at it as the page opens
            route.fulfill(json={**route.fetch().json(), "status": "listening", "measurement": None})
        elif len(asked) == 2:
            route.abort()
        else:
            route.continue_()

    opened.route(f"**/api/clips/{clip['id']}", answer)
    opened.get_by_role("link", name=QUEEN).click()
    expect(opened.get_by_role("main").get_by_text("wingtone does not answer")).to_be_visible()
    page.bring(demo_clip / TOMATO)
    answered(opened, QUEEN)
    expect(opened.get_by_text("wingtone does not answer")).to_have_count(0)


def test_a_file_that_falls_onto_a_page_still_opening_is_brought(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    opened = visit(page.url)
    begun(opened)
    held = hold(opened, "**/api/state")
    opened.reload()
    until(opened, lambda: bool(held))
    drop_files(opened, [("early.m4a", (demo_clip / QUEEN).read_bytes())])
    until(opened, lambda: waiting(opened) == ["early.m4a"])
    held[0].continue_()
    opened.unroute("**/api/state")
    answered(opened, "early.m4a")
    until(opened, lambda: waiting(opened) == [])
    assert desk_of(page) == ["early.m4a"]


def test_a_late_answer_to_an_upload_takes_nothing_back(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    """A recording fails before the page hears news; what was answered as it came arrives after that."""
    opened = visit(page.url)
    begun(opened)
    streams = hold(opened, "**/api/events")
    opened.reload()
    until(opened, lambda: bool(streams))
    begun(opened)
    answers: list[tuple[Route, APIResponse]] = []
    opened.route("**/api/clips", lambda route: answers.append((route, route.fetch())))
    drop_files(opened, [("bee.m4a", (demo_clip / QUEEN).read_bytes()[:200])])
    until(opened, lambda: bool(answers))
    until(opened, lambda: page.client.get("/api/state").json()["clips"][0]["status"] == "failed")
    states = hold(opened, "**/api/state")
    streams[0].continue_()
    until(opened, lambda: bool(states))  # asked for as the news begin
    (route, answer) = answers[0]
    route.fulfill(response=answer)
    expect(opened.locator("#polite")).to_have_text("bringing bee.m4a")
    until(opened, lambda: waiting(opened) == [])
    states[0].continue_()
    expect(opened.get_by_role("main").get_by_role("alert")).to_be_visible()
    opened.get_by_role("link", name="← Desk").click()
    expect(opened.locator(".clip")).to_have_attribute("data-status", "failed")


def test_an_older_state_that_comes_late_takes_nothing_back(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    """The page is hidden and looked at again at once, so that the state is asked for twice."""
    opened = visit(page.url)
    begun(opened)
    asked = hold(opened, "**/api/state")
    for count in (1, 2):
        opened.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
        until(opened, partial(lambda count: len(asked) == count, count))
    without = asked[0].fetch()
    page.heard(page.bring(demo_clip / QUEEN)["id"])
    asked[1].continue_()
    expect(opened.locator(".clip")).to_have_attribute("data-status", "ready")
    with opened.expect_response("**/api/state") as late:
        asked[0].fulfill(response=without)
    late.value.finished()
    opened.evaluate("new Promise((done) => setTimeout(done, 200))")
    expect(opened.locator(".clip")).to_have_count(1)


def test_what_is_no_recording_is_not_tried_again(empty_page: LivePage, visit: Visitors) -> None:
    opened = visit(empty_page.url)
    begun(opened)
    drop_files(opened, [("shopping.txt", b"milk, honey")])
    expect(opened.get_by_role("button", name="Clear away: shopping.txt")).to_be_visible()
    expect(opened.get_by_role("button", name="Try again: shopping.txt")).to_be_hidden()
    until(opened, lambda: waiting(opened) == [])


def test_what_was_cleared_away_stays_away(empty_page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    opened = visit(empty_page.url)
    begun(opened)
    opened.context.set_offline(True)
    drop_files(opened, [("private.m4a", (demo_clip / QUEEN).read_bytes())])
    until(opened, lambda: waiting(opened) == ["private.m4a"])
    opened.get_by_role("button", name="Clear away: private.m4a").click()
    until(opened, lambda: waiting(opened) == [])
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


def field(opened: Page, name: str) -> Locator:
    return opened.locator(".seen").get_by_label(name, exact=True)


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
        until(opened, partial(bool, held))
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


# --- two windows on one recording ---------------------------------------------------------------------------


def queen(page: LivePage, demo_clip: Path) -> dict[str, Any]:
    """Bring the clip of a queen, heard."""
    return page.heard(page.bring(demo_clip / QUEEN)["id"])


def open_clip(opened: Page, page: LivePage, clip: dict[str, Any], times: int = 1) -> None:
    opened.goto(f"{page.url}#desk/{clip['id']}")
    expect(opened.locator(f".answer[data-answered='{times}']")).to_be_visible()


def kept_note(opened: Page) -> Locator:
    return opened.locator(".seen-status")


def test_a_window_that_knew_less_undoes_nothing(page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    """The second window hears nothing from the program, as one that lay in the background."""
    clip = queen(page, demo_clip)
    first, second = visit(page.url), visit(page.url)
    second.route("**/api/events", lambda route: route.abort())
    second.reload()
    for window in (first, second):
        open_clip(window, page, clip)
    mark(first, "tail", "buff")
    field(first, "Notes").fill("on the sallow")
    expect(kept_note(first)).to_have_text("Kept on the desk")
    until(first, lambda: seen_of(page, clip)["notes"] == "on the sallow")
    field(second, "Seen by").fill("Ann")
    mark(second, "collar", "yellow")
    until(second, lambda: seen_of(page, clip)["hints"] == {"tail": "buff", "collar": "yellow"})
    seen = seen_of(page, clip)
    assert (seen["notes"], seen["observer"]) == ("on the sallow", "Ann")
    # what the desk held comes onto the page with the answer, so that it shows what would be kept
    expect(field(second, "Notes")).to_have_value("on the sallow")
    expect(second.locator("button[data-part='tail']")).to_contain_text("buff")


def test_an_open_window_shows_what_is_said_in_another(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = queen(page, demo_clip)
    first, second = visit(page.url), visit(page.url)
    for window in (first, second):
        open_clip(window, page, clip)
    field(second, "Seen by").type("An")
    mark(first, "tail", "buff")
    field(first, "Notes").fill("on the sallow")
    left = first.locator(".bout-line").count() - 1
    first.locator(".bout-line").first.click()
    first.get_by_role("button", name="Drop this bout").click()
    expect(first.locator(".bout-line")).to_have_count(left)
    expect(field(second, "Notes")).to_have_value("on the sallow")
    expect(second.locator("button[data-part='tail']")).to_contain_text("buff")
    expect(second.locator(".bout-line")).to_have_count(left)
    expect(field(second, "Seen by")).to_have_value("An")  # what is being typed stays


def test_bouts_of_another_window_are_not_overwritten(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = page.heard(page.bring(demo_clip / TOMATO)["id"])
    first, second = visit(page.url), visit(page.url)
    second.route("**/api/events", lambda route: route.abort())
    second.reload()
    for window in (first, second):
        open_clip(window, page, clip)
    first.locator(".bout-line").first.click()
    first.get_by_role("button", name="Drop this bout").click()
    expect(first.locator(".bout-line")).to_have_count(3)
    expect(first.get_by_text("corrected by you")).to_be_visible()
    expect(second.locator(".bout-line")).to_have_count(4)
    second.locator(".bout-line").last.click()
    # Not check(): the list is drawn anew, and it would look for the new button and choose it a second time.
    second.get_by_role("radio", name="unsure").click()
    expect(second.get_by_role("alert")).to_contain_text("changed in another window")
    expect(second.locator(".bout-line")).to_have_count(3)
    corrected = page.client.get(f"/api/clips/{clip['id']}").json()["corrections"]
    assert [bout["kind"] for bout in corrected] == ["sonication", "sonication", "flight"]
    second.get_by_role("radio", name="unsure").click()
    expect(second.get_by_text("corrected by you")).to_be_visible()  # not before the answer
    expect(second.get_by_role("alert")).to_have_count(0)
    corrected = page.client.get(f"/api/clips/{clip['id']}").json()["corrections"]
    assert [bout["kind"] for bout in corrected] == ["sonication", "sonication", "uncertain"]


# --- what is kept is what is shown --------------------------------------------------------------------------


def keep(opened: Page) -> None:
    opened.get_by_role("button", name="Keep in the notebook").click()


def records(page: LivePage) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = page.client.get("/api/records").json()["records"]
    return rows


def test_that_nothing_was_kept_stays_told_when_an_answer_comes(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = queen(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    field(opened, "Notes").fill("a bell \x07")
    expect(kept_note(opened)).to_have_text("Kept on the desk, but for what is marked")
    held = hold(opened, "**/answer")
    mark(opened, "collar", "yellow")
    until(opened, lambda: bool(held))
    keep(opened)
    expect(opened.locator(".kept")).to_contain_text("It was not kept")
    held[0].continue_()
    expect(opened.locator(".answer[data-answered='2']")).to_be_visible()
    expect(opened.locator(".kept")).to_contain_text("It was not kept")
    opened.unroute("**/answer")
    field(opened, "Notes").fill("a bell")
    until(opened, lambda: seen_of(page, clip)["notes"] == "a bell")
    keep(opened)
    expect(opened.locator(".kept")).to_contain_text("Kept as record 1")
    expect(opened.locator(".kept")).not_to_contain_text("not kept")


def test_a_place_that_nobody_understands_is_not_kept_as_the_one_before(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = queen(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    field(opened, "Place").fill("Richmond Park")
    keep(opened)
    expect(opened.locator(".kept")).to_contain_text("It was not kept")
    expect(opened.locator("#seen-place-fault")).not_to_be_empty()
    assert records(page) == []
    field(opened, "Place").fill("TQ 18 75")
    keep(opened)
    expect(opened.locator(".kept")).to_have_text("Kept as record 1.")
    assert page.client.get("/api/records/1").json()["record"]["place"]["text"] == "TQ 18 75"


def test_notes_from_anywhere_are_kept_or_marked(page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    """Word processors put vertical tabs where a line was broken; bees may be drawn by the thousand."""
    clip = queen(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    notes = field(opened, "Notes")
    notes.fill("line one\x0bline two")
    mark(opened, "tail", "buff")
    until(opened, lambda: seen_of(page, clip)["notes"] == "line one\nline two")
    notes.fill("\U0001f41d" * 17_000)  # more than a request that outlives its page may hold
    until(opened, lambda: seen_of(page, clip)["notes"].startswith("\U0001f41d"))
    notes.fill("a bell \x07")
    expect(opened.locator("#seen-notes-fault")).to_contain_text("no text")
    mark(opened, "collar", "yellow")
    expect(kept_note(opened)).to_have_text("Kept on the desk, but for what is marked")
    until(opened, lambda: seen_of(page, clip)["hints"] == {"tail": "buff", "collar": "yellow"})
    keep(opened)
    expect(opened.locator(".kept")).to_contain_text("It was not kept")
    assert records(page) == []


def test_what_is_half_typed_is_marked(page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    clip = queen(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    field(opened, "Time").click()
    opened.keyboard.press("Delete")
    field(opened, "Notes").click()
    expect(opened.locator("#seen-time-fault")).to_contain_text("only half there")
    air = field(opened, "Air, °C")
    air.click()
    opened.keyboard.type("12e")
    field(opened, "Notes").click()
    expect(opened.locator("#seen-temperature_c-fault")).to_contain_text("only half there")
    expect(air).to_have_attribute("aria-invalid", "true")
    expect(kept_note(opened)).to_have_text("Kept on the desk, but for what is marked")
    seen = seen_of(page, clip)
    assert (seen["time"], seen["temperature_c"]) == ("11:40", None)
    keep(opened)
    expect(opened.locator(".kept")).to_contain_text("It was not kept")
    air.fill("12")
    field(opened, "Time").fill("11:45")
    keep(opened)
    expect(opened.locator(".kept")).to_have_text("Kept as record 1.")
    seen = seen_of(page, clip)
    assert (seen["time"], seen["temperature_c"]) == ("11:45", 12)


def test_a_correction_that_did_not_arrive_is_sent_again(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = page.heard(page.bring(demo_clip / TOMATO)["id"])
    opened = visit(page.url)
    open_clip(opened, page, clip)
    opened.route("**/bouts", lambda route: route.abort())
    opened.locator(".bout-line").first.click()
    opened.get_by_role("button", name="Drop this bout").click()
    again = opened.get_by_role("button", name="Send again")
    expect(again).to_be_visible()
    keep(opened)
    expect(opened.locator(".kept")).to_contain_text("It was not kept")
    assert records(page) == []
    opened.unroute("**/bouts")
    again.click()
    expect(again).to_have_count(0)
    expect(opened.locator(".bout-line")).to_have_count(3)
    keep(opened)
    expect(opened.locator(".kept")).to_contain_text("Kept as record 1.")
    bouts = [bout for bout in page.client.get(f"/api/clips/{clip['id']}").json()["measurement"]["bouts"]]
    flights = sum(bout["kind"] == "flight" for bout in bouts)
    assert page.client.get("/api/records/1").json()["record"]["tone"]["n_bouts"] == flights == 1


def test_put_back_can_be_undone(page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    clip = page.heard(page.bring(demo_clip / TOMATO)["id"])
    opened = visit(page.url)
    open_clip(opened, page, clip)
    lines = opened.locator(".bout-line")
    lines.nth(1).click()
    opened.get_by_role("radio", name="unsure").check()
    opened.get_by_role("button", name="Drop this bout").click()
    expect(lines).to_have_count(3)
    opened.get_by_role("button", name="Put the machine's back").click()
    expect(lines).to_have_count(4)
    undo = opened.get_by_role("button", name="Undo")
    undo.click()
    expect(lines).to_have_count(3)
    expect(opened.get_by_text("corrected by you")).to_be_visible()
    undo.click()
    expect(lines).to_have_count(4)
    expect(lines.nth(1)).to_contain_text("unsure")


# --- in the middle of something ---------------------------------------------------------------------------


def press(opened: Page, button: Locator) -> None:
    """Hold a button down, as a hand does for a tenth of a second."""
    button.hover()
    opened.mouse.down()


def test_a_press_counts_though_an_answer_comes_before_it_ends(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = queen(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    held = hold(opened, "**/answer")
    mark(opened, "tail", "buff")
    until(opened, lambda: bool(held))
    press(opened, opened.get_by_role("button", name="Keep in the notebook"))
    held[0].continue_()
    expect(opened.locator(".answer[data-answered='2']")).to_be_visible()
    opened.mouse.up()
    expect(opened.locator(".kept")).to_have_text("Kept as record 1.")
    assert page.client.get("/api/records/1").json()["record"]["hints"] == {"tail": "buff"}
    best = opened.locator(".candidate").first
    expect(best).to_contain_text("Bombus terrestris")  # what came meanwhile is drawn as well
    opened.unroute("**/answer")
    held = hold(opened, "**/bouts")
    opened.locator(".bout-line").first.click()
    opened.get_by_role("radio", name="unsure").check()
    until(opened, lambda: bool(held))
    press(opened, opened.get_by_role("button", name="Drop this bout"))
    held[0].continue_()
    expect(opened.get_by_text("corrected by you")).to_be_visible()
    opened.unroute("**/bouts")
    opened.mouse.up()
    expect(opened.locator(".bout-line")).to_have_count(2)


def test_a_time_that_was_typed_counts_and_so_does_the_button_after_it(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = page.heard(page.bring(demo_clip / TOMATO)["id"])
    opened = visit(page.url)
    open_clip(opened, page, clip)
    held = hold(opened, "**/bouts")
    opened.locator(".bout-line").first.click()
    opened.get_by_role("radio", name="unsure").check()
    until(opened, lambda: bool(held))
    start = opened.get_by_role("group", name="Correct bout 1").get_by_label("from")
    start.fill("1.2")
    held[0].continue_()
    opened.unroute("**/bouts")
    expect(opened.get_by_text("corrected by you")).to_be_visible()
    expect(start).to_have_value("1.2")
    press(opened, opened.get_by_role("radio", name="flower buzz"))
    opened.mouse.up()
    expect(opened.locator(".bout-line").first).to_contain_text("flower buzz")
    expect(opened.locator(".bout-line").first).to_contain_text("1.20 to")
    expect(opened.get_by_text("corrected by you")).to_be_visible()
    first = page.client.get(f"/api/clips/{clip['id']}").json()["corrections"][0]
    assert (first["start_s"], first["kind"]) == (1.2, "sonication")


def test_who_goes_on_before_all_stands_is_left_there(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = queen(page, demo_clip)
    opened = visit(page.url)
    begun(opened)
    held = hold(opened, "**/static/answer.js")
    opened.get_by_role("link", name=QUEEN).click()
    until(opened, lambda: bool(held))
    field(opened, "Notes").press_sequentially("on the ")
    there = opened.evaluate("window.scrollY")
    assert there > 0
    held[0].continue_()
    expect(opened.locator(".answer[data-answered='1']")).to_be_visible()
    opened.keyboard.type("sallow")
    assert opened.evaluate("window.scrollY") == pytest.approx(there, abs=200)  # a question is put in above
    until(opened, lambda: seen_of(page, clip)["notes"] == "on the sallow")
    opened.get_by_role("link", name="Notebook").click()
    expect(opened).to_have_title("Notebook · wingtone")
    expect(opened.get_by_role("main")).to_be_focused()


def test_a_name_that_was_chosen_outlives_an_answer(page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    clip = queen(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    opened.get_by_text("I know better").click()
    opened.get_by_label("Name", exact=True).select_option("Bombus lucorum")
    opened.get_by_label("Caste", exact=True).select_option("queen")
    mark(opened, "tail", "red")
    expect(opened.locator(".answer[data-answered='2']")).to_be_visible()
    expect(opened.get_by_label("Name", exact=True)).to_have_value("Bombus lucorum")
    keep(opened)
    expect(opened.locator(".kept p")).to_have_text("Kept as record 1.")
    record = page.client.get("/api/records/1").json()["record"]
    assert (record["taxon"], record["caste"], record["status"]) == ("Bombus lucorum", "queen", "decided")


# --- typed, and gone ----------------------------------------------------------------------------------------


def test_a_field_that_was_not_left_is_kept(page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    clip = queen(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    field(opened, "Seen by").press_sequentially("Ann")
    opened.go_back()
    begun(opened)
    until(opened, lambda: seen_of(page, clip)["observer"] == "Ann")
    opened.go_forward()
    field(opened, "Place").fill("")
    field(opened, "Place").press_sequentially("TQ 18 75")
    opened.reload()
    until(opened, lambda: seen_of(page, clip)["place"] == "TQ 18 75")


def test_what_is_said_without_a_recording_stays_until_it_is_kept(page: LivePage, visit: Visitors) -> None:
    opened = visit(f"{page.url}#desk/new")
    field(opened, "Notes").fill("a long story")
    mark(opened, "tail", "red")
    field(opened, "Seen by").press_sequentially("Ann")
    opened.get_by_role("link", name="Help").click()
    expect(opened).to_have_title("Help · wingtone")
    opened.go_back()
    expect(field(opened, "Notes")).to_have_value("a long story")
    expect(field(opened, "Seen by")).to_have_value("Ann")
    expect(opened.locator("button[data-part='tail']")).to_contain_text("red")
    opened.reload()
    expect(field(opened, "Notes")).to_have_value("a long story")
    keep(opened)
    expect(opened.locator(".kept")).to_have_text("Kept as record 1.")
    record = page.client.get("/api/records/1").json()["record"]
    assert (record["notes"], record["recorder"], record["hints"]) == ("a long story", "Ann", {"tail": "red"})
    opened.get_by_role("link", name="Help").click()
    expect(opened).to_have_title("Help · wingtone")
    opened.go_back()
    expect(field(opened, "Notes")).to_have_value("")


# --- one file, one recording --------------------------------------------------------------------------------


def test_a_second_window_does_not_bring_the_same_file(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    opened = visit(page.url)
    begun(opened)
    held = hold(opened, "**/api/clips")
    drop_files(opened, [("slow.m4a", (demo_clip / QUEEN).read_bytes())])
    until(opened, lambda: bool(held))
    second = opened.context.new_page()
    second.goto(page.url)
    begun(second)
    second.wait_for_timeout(1500)  # longer than the page waits before it takes up what is left
    held[0].continue_()
    answered(opened, "slow.m4a")
    assert desk_of(page) == ["slow.m4a"]


def arrived_unheard(opened: Page, name: str, content: bytes) -> None:
    """Bring a file that arrives, though the window never hears of it."""
    begun(opened)
    opened.route("**/api/clips", lambda route: (route.fetch(), route.abort()))
    drop_files(opened, [(name, content)])
    expect(opened.get_by_role("button", name=f"Try again: {name}")).to_be_visible()
    until(opened, lambda: waiting(opened) == [name])
    opened.unroute("**/api/clips")


def test_a_file_that_has_arrived_is_known_by_more_than_its_name(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    """macOS writes a narrow space before AM; the window was closed before it heard of the arrival."""
    opened = visit(page.url)
    arrived_unheard(opened, "Rec 10.32\u202fAM.m4a", (demo_clip / QUEEN).read_bytes())
    assert len(desk_of(page)) == 1
    other = opened.context.new_page()  # there the file is left alone, as this window has it
    other.goto(page.url)
    begun(other)
    opened.get_by_role("button", name="Try again").click()
    until(opened, lambda: waiting(opened) == [])
    assert desk_of(page) == ["Rec 10.32 AM.m4a"]


def test_a_file_that_arrived_just_before_a_reload_is_not_brought_again(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    opened = visit(page.url)
    arrived_unheard(opened, "x\u00a0y.m4a", (demo_clip / QUEEN).read_bytes())
    opened.reload()
    until(opened, lambda: waiting(opened) == [])
    assert desk_of(page) == ["x y.m4a"]


OTHER_WINDOW_IS_DONE = """() => {
    const getAllKeys = IDBObjectStore.prototype.getAllKeys;
    IDBObjectStore.prototype.getAllKeys = function () {
        IDBObjectStore.prototype.getAllKeys = getAllKeys;
        const {db} = this.transaction;
        const keys = getAllKeys.call(this);
        const first = db.transaction('waiting', 'readwrite').objectStore('waiting').openCursor();
        first.onsuccess = () => first.result.delete();
        return keys;
    };
}"""
"""Once the page has begun to look for what waits, the first of it goes: another window has brought it."""


def test_what_another_window_brings_meanwhile_takes_no_other_file_with_it(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    opened = visit(page.url)
    begun(opened)
    page.stop()
    for name in ("first.m4a", "second.m4a", "third.m4a"):
        drop_files(opened, [(name, (demo_clip / QUEEN).read_bytes())])
        until(opened, partial(lambda name: name in waiting(opened), name))
    page.start()
    enter(opened, page)
    opened.add_init_script(f"({OTHER_WINDOW_IS_DONE})()")
    opened.reload()
    expect(opened.get_by_role("link", name="third.m4a")).to_be_visible()
    until(opened, lambda: waiting(opened) == [])
    assert sorted(desk_of(page)) == ["second.m4a", "third.m4a"]


def test_a_file_that_comes_meanwhile_ends_no_recording(
    page: LivePage, demo_clip: Path, listening: Visitors
) -> None:
    opened = listening(page.url, permissions=["microphone"])
    opened.get_by_role("button", name="Record here").click()
    stop = opened.get_by_role("button", name="Stop and keep")
    expect(stop).to_be_visible()
    drop_files(opened, [("other.m4a", (demo_clip / QUEEN).read_bytes())])
    expect(opened.get_by_role("link", name="other.m4a")).to_be_visible()
    opened.wait_for_timeout(500)  # for the page to go there
    expect(stop).to_be_visible()
    opened.get_by_role("button", name="Throw away").click()


# --- the program goes, and a recording goes -----------------------------------------------------------------


def test_an_open_page_says_that_the_program_wants_its_code(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    opened = visit(page.url)
    begun(opened)
    page.restart()
    alert = opened.get_by_role("alert")
    expect(alert).to_contain_text("The code is needed first")
    opened.get_by_role("link", name="Notebook").click()
    expect(alert).to_have_count(2)  # the place says so too
    for each in alert.all():
        expect(each).to_contain_text("The code is needed first")
    enter(opened, page)
    expect(opened.get_by_role("heading", name="Records")).to_be_visible()
    expect(alert).to_have_count(0)
    opened.get_by_role("link", name="Desk", exact=True).click()
    page.bring(demo_clip / QUEEN)
    expect(opened.get_by_role("link", name=QUEEN)).to_be_visible()
    # What the browser itself says of the module that it got the door for.
    visit.faults[:] = [said for said in visit.faults if not said.startswith("Failed to load module script")]


def test_a_notebook_that_cannot_be_read_is_said(page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    clip = queen(page, demo_clip)
    page.notebook.write_text("milk, honey")
    opened = visit(page.url)
    alert = opened.get_by_role("alert")
    expect(alert).to_contain_text("The notebook (notebook.sqlite) cannot be used now.")
    expect(alert).to_contain_text("It is a text file, not a notebook")
    open_clip(opened, page, clip)
    keep(opened)
    expect(opened.locator(".kept")).to_contain_text("It is a text file, not a notebook")
    opened.get_by_role("link", name="Notebook").click()
    expect(alert).to_contain_text("It is a text file, not a notebook")
    page.notebook.unlink()
    opened.get_by_role("link", name="Desk", exact=True).click()
    opened.reload()
    expect(opened.get_by_role("link", name=QUEEN)).to_be_visible()
    expect(alert).to_have_count(0)


def test_a_recording_taken_away_elsewhere_is_said(page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    clip = queen(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    page.client.delete(f"/api/clips/{clip['id']}").raise_for_status()
    expect(opened.get_by_role("alert")).to_contain_text("taken off the desk")
    expect(opened.get_by_role("alert")).to_have_count(1)
    expect(opened.get_by_role("button", name="Keep in the notebook")).to_have_count(0)


def test_taking_off_what_was_kept_says_what_stays(page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    clip = queen(page, demo_clip)
    page.client.post(f"/api/clips/{clip['id']}/record", json={}).raise_for_status()
    opened = visit(page.url)
    told = opened.locator("#polite")
    opened.get_by_role("button", name=f"Remove {QUEEN} from the desk", exact=True).click()
    expect(told).to_contain_text(f"Really remove {QUEEN} from the desk? Its sound stays")
    really = opened.get_by_role("button", name=f"Really remove {QUEEN} from the desk?")
    expect(really).to_be_focused()
    opened.locator(".clips").get_by_text("Delete the sound too").click()
    expect(opened.get_by_role("checkbox", name="Delete the sound too")).to_be_checked()
    really.click()
    expect(opened.get_by_role("link", name=QUEEN)).to_have_count(0)
    until(opened, lambda: not (page.desk / clip["id"]).exists())


def test_a_sound_whose_record_was_removed_is_told_to_stay(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    """The record can be brought back; but whoever wants the sound gone can have that."""
    clip = queen(page, demo_clip)
    page.client.post(f"/api/clips/{clip['id']}/record", json={}).raise_for_status()
    page.client.delete("/api/records/1").raise_for_status()
    opened = visit(page.url)
    opened.get_by_role("button", name=f"Remove {QUEEN} from the desk", exact=True).click()
    expect(opened.locator("#polite")).to_contain_text("Its sound stays")
    opened.locator(".clips").get_by_text("Delete the sound too").click()
    opened.get_by_role("button", name=f"Really remove {QUEEN} from the desk?").click()
    expect(opened.get_by_role("link", name=QUEEN)).to_have_count(0)
    until(opened, lambda: not (page.desk / clip["id"]).exists())


@pytest.mark.parametrize("address", ["desk/%E0%A4%A", "constructor", "desk/nothing"])
def test_an_address_that_is_none_leads_somewhere(page: LivePage, visit: Visitors, address: str) -> None:
    opened = visit(f"{page.url}#{address}")
    if address.startswith("desk/"):
        expect(opened.get_by_role("alert")).to_contain_text("not on the desk")
    else:
        begun(opened)


def test_what_could_not_be_handed_on_is_said(page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    clip = queen(page, demo_clip)
    page.client.post(f"/api/clips/{clip['id']}/record", json={}).raise_for_status()
    opened = visit(f"{page.url}#notebook")
    opened.get_by_role("radio", name="Labels for training").check()
    with opened.expect_download():
        opened.get_by_role("button", name="Hand on").click()
    expect(opened.get_by_text("with 0 records; 1 record could not be in it")).to_be_visible()
