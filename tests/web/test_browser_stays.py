"""What stays while the page changes under one's hands, in a real Chromium: typing, choices, focus, lines.

Answers come while somebody types, other windows say other things, and buttons go when they were pressed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest
from playwright.sync_api import Error, expect

from .chromium import Visitors, answered, drop_files, until
from .test_browser_losses import (
    QUEEN,
    TOMATO,
    begun,
    enter,
    field,
    hold,
    keep,
    kept_note,
    mark,
    open_clip,
    queen,
    records,
    seen_of,
)
from .test_page_damage import comes_to_rest

if TYPE_CHECKING:
    from pathlib import Path

    from playwright.sync_api import Page, Route

    from .conftest import LivePage


def tomato(page: LivePage, demo_clip: Path) -> dict[str, Any]:
    """Bring the clip with four bouts, heard."""
    return page.heard(page.bring(demo_clip / TOMATO)["id"])


def bouts_of(page: LivePage, clip: dict[str, Any]) -> list[dict[str, Any]]:
    """Bouts as the desk holds them."""
    bouts: list[dict[str, Any]] = page.client.get(f"/api/clips/{clip['id']}").json()["measurement"]["bouts"]
    return bouts


def corrections(page: LivePage, clip: dict[str, Any]) -> list[str] | None:
    """Kinds of the bouts as they were corrected, or None."""
    said = page.client.get(f"/api/clips/{clip['id']}").json()["corrections"]
    return None if said is None else [bout["kind"] for bout in said]


# --- what the program could not be told ---------------------------------------------------------------------


def test_what_the_program_missed_is_due_as_soon_as_it_answers(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = tomato(page, demo_clip)
    opened, other = visit(page.url), visit(page.url)
    open_clip(opened, page, clip)
    begun(other)
    page.stop()
    mark(opened, "tail", "buff")
    field(opened, "Notes").fill("on the sallow")
    opened.locator(".bout-line").nth(1).click()
    opened.get_by_role("button", name="Drop this bout").click()
    for place in (
        kept_note(opened),
        opened.locator(".answer-fault"),
        opened.get_by_role("region", name="Bouts"),
    ):
        expect(place).to_contain_text("wingtone does not answer.")
    other.get_by_role("link", name="Notebook").click()
    expect(other.get_by_role("main")).to_contain_text("wingtone does not answer")
    page.start()
    for window in (opened, other):
        enter(window, page)
    expect(kept_note(opened)).to_have_text("Kept on the desk")
    expect(opened.get_by_text("wingtone does not answer")).to_have_count(0)
    assert (seen_of(page, clip)["notes"], seen_of(page, clip)["hints"]) == ("on the sallow", {"tail": "buff"})
    until(opened, lambda: corrections(page, clip) == ["flight", "sonication", "flight"])
    expect(other.get_by_role("heading", name="Records")).to_be_visible()


def test_what_goes_to_a_program_started_anew_before_its_token_is_known_is_sent_again(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    """No news of the new program comes to the page, so only the refusal tells it of another token."""
    clip = tomato(page, demo_clip)
    opened = visit(page.url)
    opened.route("**/api/events", lambda route: route.abort())
    open_clip(opened, page, clip)
    page.stop()
    page.start()
    enter(opened, page)
    with opened.expect_response(lambda response: response.status == 403):
        mark(opened, "tail", "buff")
    expect(kept_note(opened)).to_have_text("Kept on the desk")
    assert seen_of(page, clip)["hints"] == {"tail": "buff"}


@pytest.mark.parametrize("way", ["desk", "reload"])
def test_what_the_program_missed_outlives_leaving(
    page: LivePage, demo_clip: Path, visit: Visitors, way: str
) -> None:
    clip = tomato(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    page.stop()
    mark(opened, "tail", "buff")
    field(opened, "Notes").fill("on the sallow")
    field(opened, "Place").fill("TQ 18 75")
    opened.locator(".bout-line").nth(1).click()
    opened.get_by_role("button", name="Drop this bout").click()
    expect(opened.get_by_role("button", name="Send again")).to_be_visible()
    expect(kept_note(opened)).to_contain_text("Not kept yet")
    if way == "desk":
        opened.get_by_role("link", name="Desk", exact=True).click()
        begun(opened)
    else:
        with pytest.raises(Error, match="ERR_CONNECTION_REFUSED"):
            opened.reload()
    page.start()
    enter(opened, page)
    # Another window is quicker in one of it, which stands.
    page.client.patch(f"/api/clips/{clip['id']}/seen", json={"place": "SU 1 1"}).raise_for_status()
    opened.goto(f"{page.url}#desk/{clip['id']}")
    expect(opened.locator(".bout-line")).to_have_count(3)
    expect(kept_note(opened)).to_have_text("Kept on the desk")
    expect(opened.locator("button[data-part='tail']")).to_contain_text("buff")
    until(opened, lambda: corrections(page, clip) == ["flight", "sonication", "flight"])
    seen = seen_of(page, clip)
    assert (seen["notes"], seen["place"], seen["hints"]) == ("on the sallow", "SU 1 1", {"tail": "buff"})
    opened.get_by_role("button", name="Undo").click()
    until(opened, lambda: len(bouts_of(page, clip)) == 4)


# --- bouts --------------------------------------------------------------------------------------------------


def test_what_was_refused_is_not_there_to_be_undone(page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    clip = tomato(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    refused = {"error": {"what": "that cannot be measured", "remedy": "move the ends of the bout"}}
    opened.route("**/bouts", lambda route: route.fulfill(status=422, json=refused))
    opened.locator(".bout-line").nth(1).click()
    opened.get_by_role("radio", name="unsure").click()
    expect(opened.get_by_role("alert")).to_contain_text("That cannot be measured")
    expect(opened.get_by_role("radio", name="flower buzz")).to_be_checked()
    expect(opened.get_by_role("button", name="Undo")).to_be_hidden()
    assert corrections(page, clip) is None


def test_what_was_taken_stays_when_the_change_after_it_is_refused(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    """Both are made before the first is answered, and no news comes to put it right."""
    clip = tomato(page, demo_clip)
    opened = visit(page.url)
    opened.route("**/api/events", lambda route: route.abort())
    opened.reload()
    open_clip(opened, page, clip)
    held = hold(opened, "**/bouts")
    for count in (3, 2):
        opened.locator(".bout-line").first.click()
        opened.get_by_role("button", name="Drop this bout").click()
        expect(opened.locator(".bout-line")).to_have_count(count)
    until(opened, lambda: bool(held))
    held[0].continue_()
    until(opened, lambda: len(held) == 2)
    refused = {"error": {"what": "that cannot be measured", "remedy": "move the ends of the bout"}}
    held[1].fulfill(status=422, json=refused)
    expect(opened.get_by_role("alert")).to_contain_text("That cannot be measured")
    expect(opened.locator(".bout-line")).to_have_count(3)
    opened.unroute("**/bouts")
    undo = opened.get_by_role("button", name="Undo")
    undo.click()
    expect(opened.locator(".bout-line")).to_have_count(4)
    expect(undo).to_be_hidden()
    until(opened, lambda: len(corrections(page, clip) or []) == 4)


def test_undo_takes_nothing_back_that_another_window_did(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = tomato(page, demo_clip)
    first, second = visit(page.url), visit(page.url)
    for window in (first, second):
        open_clip(window, page, clip)
    first.locator(".bout-line").first.click()
    first.get_by_role("radio", name="unsure").click()
    expect(first.get_by_role("button", name="Undo")).to_be_visible()
    expect(second.get_by_text("corrected by you")).to_be_visible()
    second.locator(".bout-line").nth(2).click()
    second.get_by_role("button", name="Drop this bout").click()
    expect(first.locator(".bout-line")).to_have_count(3)
    expect(first.get_by_role("button", name="Undo")).to_be_hidden()
    second.get_by_role("button", name="Undo").click()  # its own
    expect(first.locator(".bout-line")).to_have_count(4)
    until(first, lambda: corrections(page, clip) == ["uncertain", "sonication", "sonication", "flight"])


def test_a_correction_waits_for_the_code(page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    """The program was started anew: what was corrected stays on the page, and is sent once that can be."""
    clip = tomato(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    page.restart()
    opened.locator(".bout-line").nth(1).click()
    opened.get_by_role("button", name="Drop this bout").click()
    again = opened.get_by_role("button", name="Send again")
    expect(again).to_be_visible()
    expect(opened.locator(".bout-line")).to_have_count(3)
    beside = opened.context.new_page()
    beside.goto(page.address)
    begun(beside)
    expect(opened.locator(".lost")).to_be_hidden()  # the line stands again
    expect(again).to_have_count(0)
    until(opened, lambda: corrections(page, clip) == ["flight", "sonication", "flight"])


def test_a_time_that_is_being_typed_is_not_drawn_over(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    """A measurement arrives in the middle of it; then the list waits until the field was left."""
    clip = tomato(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    opened.locator(".bout-line").nth(1).click()
    held = hold(opened, "**/bouts")
    opened.get_by_role("radio", name="unsure").click()
    until(opened, lambda: bool(held))
    end = opened.locator("[data-keep^=end_s]")
    end.press("Control+a")
    end.press_sequentially("4.4")
    held[0].continue_()
    expect(opened.get_by_text("corrected by you")).to_be_visible()
    opened.unroute("**/bouts")
    expect(end).to_have_value("4.4")
    expect(end).to_be_focused()
    end.press("Tab")
    expect(opened.locator("[data-keep^=octave]")).to_be_focused()
    expect(end).to_have_value("4.40")
    until(opened, lambda: bouts_of(page, clip)[1]["end_s"] == 4.4)


def test_a_bout_that_is_changed_while_the_machines_are_put_back_stays_changed(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = tomato(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    lines = opened.locator(".bout-line")
    lines.first.click()
    opened.get_by_role("button", name="Drop this bout").click()
    expect(opened.get_by_text("corrected by you")).to_be_visible()
    held: list[Route] = []
    opened.route(
        "**/bouts",
        lambda route: held.append(route) if route.request.method == "DELETE" else route.continue_(),
    )
    opened.get_by_role("button", name="Put the machine's back").click()
    until(opened, lambda: bool(held))
    lines.first.click()
    opened.get_by_role("radio", name="unsure").click()
    held[0].continue_()
    kinds = ["uncertain", "sonication", "flight"]
    until(opened, lambda: corrections(page, clip) == kinds)
    expect(opened.get_by_text("corrected by you")).to_be_visible()
    expect(lines).to_have_count(3)
    opened.get_by_role("button", name="Undo").click()
    until(opened, lambda: corrections(page, clip) == ["sonication", *kinds[1:]])


# --- what was seen ------------------------------------------------------------------------------------------


def test_an_open_part_shows_what_another_window_says(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = queen(page, demo_clip)
    first, second = visit(page.url), visit(page.url)
    for window in (first, second):
        open_clip(window, page, clip)
    first.locator("button[data-part='tail']").click()
    mark(second, "tail", "buff")
    expect(first.locator("input[name='state-tail'][value='buff']")).to_be_checked()


def test_a_time_without_a_day_keeps_nothing_else_from_the_desk(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = queen(page, demo_clip)
    page.client.patch(f"/api/clips/{clip['id']}/seen", json={"date": "", "time": ""}).raise_for_status()
    opened = visit(page.url)
    open_clip(opened, page, clip)
    field(opened, "Time").fill("10:00")
    field(opened, "Notes").fill("on the sallow")
    mark(opened, "tail", "buff")
    expect(opened.locator("#seen-date-fault")).to_have_text("A time needs a date.")
    until(opened, lambda: seen_of(page, clip)["hints"] == {"tail": "buff"})
    assert seen_of(page, clip)["notes"] == "on the sallow"
    expect(kept_note(opened)).to_have_text("Kept on the desk, but for what is marked")
    field(opened, "Day").fill("2026-03-12")
    until(
        opened, lambda: (seen_of(page, clip)["date"], seen_of(page, clip)["time"]) == ("2026-03-12", "10:00")
    )
    expect(kept_note(opened)).to_have_text("Kept on the desk")


def test_what_is_marked_takes_nothing_with_it_when_one_leaves(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = queen(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    field(opened, "Place").fill("Richmond Park")
    field(opened, "Seen by").focus()
    expect(opened.locator("#seen-place-fault")).not_to_be_empty()
    field(opened, "Seen by").press_sequentially("Ann")  # and not left
    opened.reload()
    until(opened, lambda: seen_of(page, clip)["observer"] == "Ann")


def test_what_arrives_at_last_is_no_longer_called_not_kept(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = queen(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    opened.route("**/seen", lambda route: route.abort())
    field(opened, "Notes").fill("on the sallow")
    expect(kept_note(opened)).to_contain_text("Not kept yet")
    opened.unroute("**/seen")
    opened.evaluate("document.dispatchEvent(new Event('visibilitychange'))")  # another window, and back
    expect(kept_note(opened)).to_have_text("Kept on the desk")
    assert seen_of(page, clip)["notes"] == "on the sallow"


def test_what_was_kept_without_a_recording_is_no_draft_any_more(page: LivePage, visit: Visitors) -> None:
    opened = visit(f"{page.url}#desk/new")
    mark(opened, "tail", "red")
    keep(opened)
    expect(opened.locator(".kept")).to_contain_text("Kept as record 1")
    opened.reload()
    expect(opened.locator("button[data-part='tail']")).to_contain_text("not seen")


# --- the name for a record ----------------------------------------------------------------------------------


def test_a_name_that_was_chosen_outlives_the_next_answer(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = queen(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    opened.get_by_text("I know better").click()
    opened.locator("#keep-name").select_option("Bombus hortorum")
    opened.locator("#keep-caste").select_option("queen")
    mark(opened, "tail", "buff")
    expect(opened.locator(".answer[data-answered='2']")).to_be_visible()
    expect(opened.locator("#keep-name")).to_have_value("Bombus hortorum")
    expect(opened.locator("#keep-caste")).to_have_value("queen")
    keep(opened)
    expect(opened.locator(".kept")).to_contain_text("Kept as record 1")
    (row,) = records(page)
    assert (row["taxon"], row["caste"], row["status"]) == ("Bombus hortorum", "queen", "decided")


def test_what_was_kept_before_is_not_called_kept_now(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    """Another window kept this bee; what this one says of it is in no record."""
    clip = queen(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    page.client.post(f"/api/clips/{clip['id']}/record", json={}).raise_for_status()
    mark(opened, "tail", "buff")
    keep(opened)
    expect(opened.locator(".kept")).to_contain_text("It was kept before, as record 1, which stays as it was.")
    opened.get_by_role("button", name="Keep it once more").click()
    expect(opened.locator(".kept")).to_contain_text("Kept as record 2.")
    assert page.client.get("/api/records/2").json()["record"]["hints"] == {"tail": "buff"}


def test_what_another_window_keeps_meanwhile_is_not_kept_twice(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    """The button still says that it would be kept, not that it would be once more."""
    clip = queen(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    held = hold(opened, "**/answer")
    page.client.post(f"/api/clips/{clip['id']}/record", json={}).raise_for_status()
    page.client.patch(f"/api/clips/{clip['id']}/seen", json={"hints": {"tail": "buff"}}).raise_for_status()
    until(opened, lambda: bool(held))
    keep(opened)
    expect(opened.locator(".kept")).to_contain_text("It was kept before, as record 1, which stays as it was.")
    assert len(records(page)) == 1


@pytest.mark.parametrize("way", ["click", "key"])
def test_a_list_that_is_open_stays_open_when_an_answer_comes(
    page: LivePage, demo_clip: Path, visit: Visitors, way: str
) -> None:
    """What is drawn anew closes it; the answer is shown once something was chosen."""
    clip = queen(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    opened.get_by_text("I know better").click()
    name = opened.locator("#keep-name")
    node = name.element_handle()
    assert node is not None
    if way == "click":
        name.click()
    else:
        name.press(" ")
    said = {"hints": {"tail": "red", "thorax": "black"}}
    page.client.patch(f"/api/clips/{clip['id']}/seen", json=said).raise_for_status()
    expect(opened.locator(".answer[data-answered='2']")).to_be_visible()
    assert node.evaluate("node => node.isConnected")
    leading = opened.locator(".candidate").first
    expect(leading).to_contain_text("Buff-tailed")
    name.select_option("Bombus hortorum")
    expect(leading).to_contain_text("Early bumblebee")
    expect(name).to_have_value("Bombus hortorum")


# --- focus --------------------------------------------------------------------------------------------------


def test_keeping_and_handing_on_leave_the_focus(page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    clip = queen(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    opened.get_by_role("button", name="Keep in the notebook").press("Enter")
    expect(opened.locator(".kept")).to_contain_text("Kept as record 1")
    opened.wait_for_timeout(200)  # for a browser that takes it from what cannot be pressed
    expect(opened.get_by_role("button", name="Keep it once more")).to_be_focused()
    opened.get_by_role("link", name="Notebook").click()
    hand = opened.get_by_role("button", name="Hand on")
    hand.press("Enter")
    expect(opened.get_by_text("Made: ")).to_be_visible()
    opened.wait_for_timeout(200)
    expect(hand).to_be_focused()


def test_a_file_that_is_tried_again_or_cleared_away_leaves_the_focus(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    opened = visit(page.url)
    begun(opened)
    content = (demo_clip / QUEEN).read_bytes()
    full = {"error": {"what": "there is no room for this recording", "remedy": "remove some"}}
    held: list[Route] = []
    opened.route("**/api/clips", lambda route: route.fulfill(status=507, json=full))
    drop_files(opened, [("first.m4a", content), ("second.m4a", content)])
    again = opened.get_by_role("button", name="Try again: first.m4a")
    expect(again).to_be_visible()
    opened.unroute("**/api/clips")
    opened.route("**/api/clips", lambda route: held.append(route))
    again.press("Enter")
    until(opened, lambda: bool(held))
    expect(opened.locator(".clip[data-status=sending]")).to_be_focused()
    held[0].fulfill(status=507, json=full)
    opened.get_by_role("button", name="Clear away: first.m4a").press("Enter")
    expect(opened.locator("#main")).to_be_focused()


def broken(page: LivePage, demo_clip: Path) -> dict[str, Any]:
    """Bring a recording of which the measurement was damaged."""
    clip = queen(page, demo_clip)
    comes_to_rest(page, clip)
    (page.desk / clip["id"] / "measurement.json").write_text("{", encoding="utf-8")
    page.restart()
    assert page.client.get(f"/api/clips/{clip['id']}").status_code == 409
    return clip


def test_a_recording_that_is_tried_again_keeps_the_focus(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    broken(page, demo_clip)
    opened = visit(page.url)
    opened.get_by_role("button", name=f"Try again: {QUEEN}").press("Enter")
    expect(opened.locator(".clip[data-status=ready]")).to_be_visible()
    expect(opened.get_by_role("link", name=QUEEN)).to_be_focused()


def test_an_open_recording_that_could_not_be_used_is_tried_again_there(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = broken(page, demo_clip)
    opened = visit(f"{page.url}#desk/{clip['id']}")
    expect(opened.get_by_role("alert")).to_contain_text("damaged")
    expect(opened.get_by_role("link", name="Save the file")).to_be_visible()
    opened.get_by_role("button", name="Try again").press("Enter")
    answered(opened, QUEEN)
    expect(opened.get_by_role("alert")).to_have_count(0)


# --- said once ----------------------------------------------------------------------------------------------


def test_what_stands_already_is_not_read_out_again(page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    clip = tomato(page, demo_clip)
    opened = visit(page.url)
    open_clip(opened, page, clip)
    field(opened, "Notes").fill("on")
    expect(kept_note(opened)).to_have_text("Kept on the desk")
    opened.evaluate("""() => {
        window.said = [];
        for (const place of document.querySelectorAll('.room [role=status]')) {
            const heard = () => window.said.push(place.textContent);
            new MutationObserver(heard).observe(place, {childList: true, characterData: true, subtree: true});
        }
    }""")
    field(opened, "Notes").press_sequentially(" the sallow")
    until(opened, lambda: len(seen_of(page, clip)["notes"]) == len("on the sallow"))
    for number in range(3):
        opened.locator(".bout-line").nth(number).click()
    expect(opened.locator(".bout-editor")).to_be_visible()
    assert opened.evaluate("window.said") == []
    opened.route("**/bouts", lambda route: route.abort())
    opened.get_by_role("button", name="Drop this bout").click()
    expect(opened.get_by_role("alert")).to_contain_text("wingtone does not answer")
    opened.evaluate("window.told = document.querySelector('[role=alert]')")
    opened.locator(".bout-line").first.click()
    expect(opened.locator(".bout-editor")).to_be_visible()
    assert opened.evaluate("window.told.isConnected")


# --- lines to the program -----------------------------------------------------------------------------------


def test_windows_behind_others_leave_room_for_this_one(page: LivePage, visit: Visitors) -> None:
    """As many as a browser has lines to one program, opened but not yet looked at."""
    opened = visit(page.url)
    begun(opened)
    behind: list[Page] = []
    for _ in range(6):
        behind.append(opened.context.new_page())
        behind[-1].add_init_script("Object.defineProperty(document, 'hidden', {get: () => true})")
        behind[-1].goto(page.url)
    opened.reload()
    begun(opened)
