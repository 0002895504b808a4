"""What was seen and what it may be, in a real Chromium: the strip of the bee, the answer, keeping it.

What the page shows is held against what the program says when it is asked directly; the anatomy against the
order of parts in any bumblebee (head, collar, thorax with the wing bases, scutellum, abdomen: textbook
knowledge); the keys against the ARIA Authoring Practices (W3C), radio groups and tabs.
"""

from __future__ import annotations

import json
import re
import wave
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from playwright.sync_api import expect

from wingtone.evidence.answer import percent

from .chromium import Visitors, axe_faults, until, wide_content
from .conftest import live

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Page, Route

    from .conftest import LivePage

QUEEN = "1_march_big_queen.m4a"
HEAD_TO_TAIL = ["collar", "thorax", "scutellum", "front-band", "abdomen", "tail"]
THE_REST = ["face", "legs", "wings", "antennae", "size", "behaviour", "other"]
SCRIPT = '<img src=x onerror="window.caught=1"><script>window.caught=1</script>'
PHONE = {"width": 360, "height": 740}


@pytest.fixture(scope="module")
def heard(tmp_path_factory: pytest.TempPathFactory, demo_clip: Path) -> Iterator[tuple[LivePage, str]]:
    """A page of this module alone, and the clip of a big queen heard on it."""
    with live(tmp_path_factory.mktemp("answer")) as running:
        clip = running.heard(running.bring(demo_clip / QUEEN)["id"])
        yield running, clip["id"]


@pytest.fixture
def fresh(heard: tuple[LivePage, str]) -> tuple[LivePage, str]:
    """The same with nothing said of the bee."""
    running, clip = heard
    seen = stored(running, clip)
    put = running.client.put(f"/api/clips/{clip}/seen", json={**seen, "hints": {}, "notes": ""})
    assert put.status_code == 200, put.text
    return heard


def opened(visit: Visitors, running: LivePage, clip: str, **options: Any) -> Page:
    tab = visit(f"{running.url}#desk/{clip}", **options)
    answered(tab, 1)
    return tab


def answered(tab: Page, times: int) -> None:
    """Wait until the answer has been given so many times since the recording was opened."""
    expect(tab.locator(f".answer[data-answered='{times}']")).to_be_visible()


def part(tab: Page, name: str) -> Any:
    return tab.locator(f"button[data-part='{name}']")


def state(tab: Page, character: str, value: str) -> Any:
    return tab.locator(f"input[name='state-{character}'][value='{value}']")


def field(tab: Page, name: str) -> Any:
    return tab.locator(".seen").get_by_label(name, exact=True)


def stored(running: LivePage, clip: str) -> dict[str, Any]:
    """What the desk holds of what was seen."""
    seen: dict[str, Any] = running.client.get(f"/api/clips/{clip}").json()["seen"]
    return seen


def arrived(tab: Page, running: LivePage, clip: str, hints: dict[str, str]) -> None:
    """Wait until the desk holds what was said: the answer does not wait for it."""
    until(tab, lambda: stored(running, clip)["hints"] == hints)


def told(running: LivePage, clip: str) -> dict[str, Any]:
    """What the program answers when it is asked directly."""
    seen = stored(running, clip)
    [answer] = running.client.post(f"/api/clips/{clip}/answer", json={"seen": seen}).json()["answers"]
    return dict(answer)


# --- the bee --------------------------------------------------------------------------------------------


def test_elsewhere_the_answer_is_said_to_be_of_the_fauna(
    fresh: tuple[LivePage, str], visit: Visitors
) -> None:
    running, clip = fresh
    tab = opened(visit, running, clip)
    place, castes = field(tab, "Place"), tab.locator(".castes")
    expect(tab.locator(".candidates")).to_contain_text("With 90 % it is")
    before = place.input_value()
    place.fill("-1.29,36.82")
    place.blur()
    expect(tab.locator(".candidates")).to_contain_text("By a fauna that does not reach there.")
    expect(tab.locator(".candidates")).not_to_contain_text("With 90 %")
    expect(castes).to_contain_text("no bumblebee of this fauna")
    place.fill(before)
    place.blur()
    expect(castes).not_to_contain_text("of this fauna")


def test_day_and_place_come_from_the_file_and_say_so(fresh: tuple[LivePage, str], visit: Visitors) -> None:
    running, clip = fresh
    tab = opened(visit, running, clip)
    # demo_audio/README.md and scenario.json: 12 March 2026, 11:40, and a made-up place
    expect(field(tab, "Day")).to_have_value("2026-03-12")
    expect(field(tab, "Time")).to_have_value("11:40")
    expect(field(tab, "Place")).to_have_value(re.compile(r"^51\.1"))
    for name, said in (("Day", ", in UTC"), ("Time", ", in UTC"), ("Place", "")):
        expect(field(tab, name)).to_have_accessible_description(f"filled in from the recording{said}")
    expect(tab.locator(".recording-head")).to_contain_text("recorded 2026-03-12 11:40 UTC (says the file)")
    place = field(tab, "Place")
    place.fill("TQ 18 75")  # what somebody types is not from the recording any more
    expect(place).not_to_have_accessible_description(re.compile("filled in"))
    place.fill(running.client.get(f"/api/clips/{clip}").json()["filled"]["place"])
    expect(place).to_have_accessible_description("filled in from the recording")


def test_the_zone_of_a_time_is_named(fresh: tuple[LivePage, str], visit: Visitors) -> None:
    times = ["23:30:00+00:00", "23:30Z", "23:30:00.5+01:00", "23:30:00-0330", "23:30:00", ""]
    told = visit(fresh[0].url).evaluate(
        """(times) => import("/static/record_words.js").then(({zoneWords}) =>
            times.map((time) => zoneWords(`2026-03-12T${time}`)))""",
        times,
    )
    assert told == [" UTC", " UTC", " UTC+01:00", " UTC-0330", "", ""]


def test_every_part_opens_its_states_not_seen_first(fresh: tuple[LivePage, str], visit: Visitors) -> None:
    running, clip = fresh
    tab = opened(visit, running, clip)
    parts = tab.locator("button.part").evaluate_all("nodes => nodes.map((node) => node.dataset.part)")
    assert parts == [*HEAD_TO_TAIL, *THE_REST]
    characters = running.client.get("/api/state").json()["characters"]
    shown: list[str] = []
    for name in parts:
        part(tab, name).click()
        expect(part(tab, name)).to_have_attribute("aria-expanded", "true")
        for one in (one for one in characters if one["part"] == name):
            group = tab.get_by_role("group", name=one["question"], exact=True)
            values = group.get_by_role("radio").evaluate_all("nodes => nodes.map((node) => node.value)")
            assert values == ["", *[known["state"] for known in one["states"]]]
            expect(group.get_by_role("radio").first).to_be_checked()
            expect(group.locator(".tile-words").first).to_have_text("not seen")
            words = group.locator(".tile-words").all_inner_texts()
            assert all(word.strip() for word in words)
            assert len(set(words)) == len(words)
            # each state is drawn, and no two of one character alike
            drawings = group.locator(".tile:not(.tile-unseen) .tile-picture svg").evaluate_all(
                "nodes => nodes.map((node) => node.innerHTML)"
            )
            assert len(drawings) == len(set(drawings)) == len(one["states"])
            shown.append(one["name"])
    assert sorted(shown) == sorted(one["name"] for one in characters)


def test_unknown_characters_of_another_fauna_are_asked_in_words(
    fresh: tuple[LivePage, str], visit: Visitors
) -> None:
    running, clip = fresh
    tab = visit(running.url)

    def with_one_more(route: Route) -> None:
        body = route.fetch().json()
        states = [{"state": "hooked", "words": "hooked"}, {"state": "constructor", "words": "straight"}]
        more = {
            "name": "spur",
            "question": "Is the spur hooked?",
            "ease": 3,
            "part": "heel",
            "states": states,
        }
        body["characters"].append(more)
        [tail] = [one for one in body["characters"] if one["name"] == "tail"]
        tail["states"] += [{"state": "violet", "words": "violet"}]
        route.fulfill(json=body)

    tab.route("**/api/state", with_one_more)
    tab.goto(f"{running.url}#desk/{clip}")
    tab.reload()
    answered(tab, 1)
    part(tab, "other").click()
    group = tab.get_by_role("group", name="Is the spur hooked?")
    expect(group.locator(".tile-words")).to_have_text(["not seen", "hooked", "straight"])
    expect(group.locator("svg")).to_have_count(0)
    part(tab, "tail").click()
    violet = tab.locator(".tile", has_text="violet")
    expect(violet.get_by_role("radio")).to_be_visible()
    expect(violet.locator("svg")).to_have_count(0)


def test_bee_is_drawn_as_described_from_head_to_tail(fresh: tuple[LivePage, str], visit: Visitors) -> None:
    running, clip = fresh
    tab = opened(visit, running, clip)
    strip = tab.locator(".strip-bee")
    expect(strip).to_have_accessible_name("The bee as described: nothing yet")
    expect(strip.locator(".hair")).to_have_count(0)  # pencil only
    said = [
        ("collar", "yellow"),
        ("thorax", "black"),
        ("scutellum", "grey"),
        ("front-band", "ginger"),
        ("abdomen", "red"),
        ("tail", "white"),
    ]
    for character, value in said:
        part(tab, character).click()
        state(tab, character, value).check()
    for _, value in said:
        expect(strip.locator(f".hair-{value}")).to_have_count(1)
    middles = [
        strip.locator(f".hair-{value} path:nth-child(2)").evaluate(
            "node => { const box = node.getBBox(); return box.x + box.width / 2; }"
        )
        for _, value in said
    ]
    head = strip.locator(".skull").evaluate("node => node.getBBox().x")
    assert [head, *middles] == sorted([head, *middles])
    wing_base = strip.locator(".tegula").first.evaluate("node => node.getBBox().x")
    assert middles[0] < wing_base < middles[2]  # wings grow from the thorax
    # Colour is never the only mark: all but the plain white and black coats carry strokes of their own.
    marks = {value: strip.locator(f".hair-{value} .mark").count() for _, value in said}
    assert marks == {"yellow": 1, "black": 0, "grey": 1, "ginger": 1, "red": 1, "white": 0}
    expect(strip).to_have_accessible_name(re.compile("collar yellow.*tail white"))
    expect(part(tab, "tail")).to_contain_text("white")
    tab.get_by_role("button", name="Forget what was seen").click()
    expect(strip.locator(".hair")).to_have_count(0)


def test_next_question_is_offered_and_never_forced(fresh: tuple[LivePage, str], visit: Visitors) -> None:
    running, clip = fresh
    tab = opened(visit, running, clip)
    best, second = told(running, clip)["look_next"][:2]
    offer = tab.locator(".look-next")
    expect(offer).to_contain_text(best["question"])
    expect(tab.locator(".part-states")).to_be_hidden()
    offer.get_by_role("button", name="Not seen: ask another").click()
    expect(offer).to_contain_text(second["question"])
    offer.get_by_role("button", name="Say it").click()
    group = tab.get_by_role("group", name=second["question"], exact=True)
    expect(group.get_by_role("radio").first).to_be_focused()
    group.get_by_role("radio").nth(1).check()
    answered(tab, 2)
    expect(offer).not_to_contain_text(second["question"])
    expect(group.get_by_role("radio").nth(1)).to_be_focused()  # the new answer took nobody away
    expect(tab.locator(".seen-status")).to_have_text("Kept on the desk")


# --- the answer -----------------------------------------------------------------------------------------


def test_answer_shows_what_the_program_says(fresh: tuple[LivePage, str], visit: Visitors) -> None:
    running, clip = fresh
    tab = opened(visit, running, clip)
    for character, value in (("tail", "buff"), ("collar", "yellow")):
        part(tab, character).click()
        state(tab, character, value).check()
    answered(tab, 3)
    arrived(tab, running, clip, {"tail": "buff", "collar": "yellow"})
    expect(tab.locator(".seen-status")).to_have_text("Kept on the desk")
    answer = told(running, clip)
    panel = tab.locator(".answer")
    named = answer["record_as"]
    expect(panel.locator(".record-as")).to_contain_text(named["taxon"])
    expect(panel.locator(".record-as")).to_contain_text(named["reason"].rstrip(".")[1:])
    likely = [one for one in answer["taxa"][:6] if one["probability"] >= 0.01]
    rows = panel.locator(".candidate > summary")
    expect(rows).to_have_count(len(likely))
    for row, one in zip(rows.all(), likely, strict=True):
        expect(row).to_contain_text(one["vernacular"])
        expect(row).to_contain_text(percent(one["probability"]))
    shares = [0.0, 0.003, 0.007, 0.42, 0.992, 0.997, 1.0]
    written = tab.evaluate("async (all) => all.map((await import('/static/charts.js')).percent)", shares)
    assert written == [percent(share) for share in shares]
    rows.first.click()
    evidence = panel.locator(".candidate").first.locator(".evidence > li")
    expect(evidence).to_have_count(len(answer["evidence"]))
    by_weight = sorted(answer["evidence"], key=lambda one: -abs(one["weight_bits"]))
    for line, one in zip(evidence.all(), by_weight, strict=True):
        expect(line).to_contain_text(one["summary"].rstrip(".")[1:])
        if abs(one["weight_bits"]) >= 0.05:
            expect(line).to_contain_text(f"{abs(one['weight_bits']):.1f} bits")
    # every warning once, wherever it belongs
    for one in answer["warnings"]:
        expect(panel.locator(".cautions li", has_text=one["text"].rstrip(".")[1:])).to_have_count(1)


def test_every_likely_name_unfolds_to_its_own_evidence(fresh: tuple[LivePage, str], visit: Visitors) -> None:
    running, clip = fresh
    tab = opened(visit, running, clip)
    why = {one["taxon"]: one["evidence"] for one in told(running, clip)["pictures"]["why"]}
    folds = tab.locator(".candidate")
    assert folds.count() > 2
    for fold in folds.all():
        fold.locator("summary").click()
        taxon = fold.get_attribute("data-taxon")
        assert taxon is not None
        expect(fold.locator(".evidence > li")).to_have_count(len(why[taxon]))


def test_size_and_season_are_drawn_beside_their_kin(fresh: tuple[LivePage, str], visit: Visitors) -> None:
    running, clip = fresh
    tab = opened(visit, running, clip)
    pictures = told(running, clip)["pictures"]
    size = pictures["size"]
    rows = tab.locator(".size-row")
    expect(rows).to_have_count(1 + len(size["beside"]))
    between = f"{size['itd_low_mm']:.1f} to {size['itd_high_mm']:.1f} mm"
    expect(rows.first).to_contain_text(between)
    expect(tab.locator(".size figcaption")).to_contain_text(between)
    assert {"queen", "worker"} <= {one["caste"] for one in size["beside"]}
    # On one scale: a bee is drawn the longer the wider she is between the wing bases.
    bodies = tab.locator(".size-other .silhouette-body").evaluate_all(
        "nodes => nodes.map((node) => node.getBoundingClientRect().width)"
    )
    widths = [one["itd_mm"] for one in size["beside"]]
    by_width = sorted(range(len(widths)), key=lambda i: widths[i])
    assert [bodies[i] for i in by_width] == sorted(bodies)
    ends = tab.locator(".size-this .silhouette-body").evaluate_all(
        "nodes => nodes.map((node) => node.getBoundingClientRect().width)"
    )
    assert ends[0] > ends[1]  # the largest she may be, and inside it the smallest
    season = tab.locator(".season-row")
    expect(season).to_have_count(len(pictures["season"]))
    # 12 March is day 71, in the eleventh seven days of the year.
    expect(tab.locator(".week-mark")).to_have_text("This record: mid March, week 11")
    field(tab, "Day").fill("")  # refused as long as there is a time, and taken with it
    expect(tab.locator("#seen-date-fault")).to_have_text("A time needs a date.")
    field(tab, "Time").fill("")
    field(tab, "Time").blur()
    expect(tab.locator(".week-mark")).to_contain_text("Today (no day was given)")
    expect(tab.locator(".season .cautions")).to_contain_text("Without a date")
    field(tab, "Day").fill("2026-03-12")
    field(tab, "Day").blur()
    expect(tab.locator(".week-mark")).to_contain_text("This record")


def test_recording_without_a_bee_gives_no_size(
    heard: tuple[LivePage, str], tmp_path: Path, visit: Visitors
) -> None:
    running, _ = heard
    hiss = np.random.default_rng(3).normal(0.0, 300.0, 2 * 16_000).astype("<i2")
    with wave.open(str(tmp_path / "hiss.wav"), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(16_000)
        file.writeframes(hiss.tobytes())
    clip = running.heard(running.bring(tmp_path / "hiss.wav")["id"])["id"]
    tab = opened(visit, running, clip)
    expect(tab.locator(".size-row")).to_have_count(0)
    expect(tab.locator(".size .cautions")).to_contain_text("no bee was heard flying", ignore_case=True)


def test_one_request_under_way_and_the_latest_wins(fresh: tuple[LivePage, str], visit: Visitors) -> None:
    running, clip = fresh
    tab = opened(visit, running, clip)
    part(tab, "tail").click()
    asked: list[dict[str, str]] = []
    held: list[Route] = []

    def hold(route: Route) -> None:
        asked.append(json.loads(route.request.post_data or "{}")["seen"]["hints"])
        if len(asked) == 1:
            held.append(route)
        else:
            route.continue_()

    tab.route("**/answer", hold)
    with tab.expect_request("**/answer"):
        state(tab, "tail", "white").check()
    for value in ("red", "ginger", "buff"):
        state(tab, "tail", value).check()
    expect(tab.locator(".seen-status")).to_have_text("Kept on the desk")
    assert asked == [{"tail": "white"}]
    held[0].continue_()
    answered(tab, 3)
    assert asked == [{"tail": "white"}, {"tail": "buff"}]
    expect(tab.locator(".candidate-name").first).to_contain_text("Bombus terrestris")  # buff tail, in March
    arrived(tab, running, clip, {"tail": "buff"})


def test_several_bees_are_tabs(fresh: tuple[LivePage, str], visit: Visitors) -> None:
    running, clip = fresh
    tab = visit(running.url)

    def doubled(route: Route) -> None:
        [answer] = route.fetch().json()["answers"]
        other = json.loads(json.dumps(answer)) | {"individual": 2, "taxa": answer["taxa"][1:]}
        told = {"code": "several bees", "text": "2 bees are told apart"}
        route.fulfill(json={"answers": [answer | {"warnings": [told]}, other]})

    tab.route("**/answer", doubled)
    tab.goto(f"{running.url}#desk/{clip}")
    answered(tab, 1)
    tabs = tab.get_by_role("tablist", name="Bees in this recording").get_by_role("tab")
    expect(tabs).to_have_count(2)
    expect(tab.locator(".record-as")).to_contain_text("2 bees are told apart")
    first = tab.locator(".candidate-name").first.inner_text()
    tabs.first.focus()
    tab.keyboard.press("ArrowRight")
    expect(tabs.nth(1)).to_be_focused()
    expect(tabs.nth(1)).to_have_attribute("aria-selected", "true")
    expect(tab.get_by_role("tabpanel")).to_have_accessible_name(re.compile("Bee 2"))
    assert tab.locator(".candidate-name").first.inner_text() != first
    assert axe_faults(tab) == []


# --- keeping, faults, text ------------------------------------------------------------------------------


def test_answer_is_kept_once_and_reload_loses_nothing(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])["id"]
    tab = opened(visit, page, clip)
    part(tab, "tail").click()
    state(tab, "tail", "buff").check()
    field(tab, "Notes").fill("on the sallow")
    expect(tab.locator(".seen-status")).to_have_text("Kept on the desk")
    tab.reload()
    answered(tab, 1)
    expect(part(tab, "tail")).to_contain_text("buff")
    expect(field(tab, "Notes")).to_have_value("on the sallow")
    tab.get_by_role("button", name="Keep in the notebook").click()
    expect(tab.locator(".kept")).to_have_text("Kept as record 1.")
    tab.reload()
    answered(tab, 1)
    expect(tab.locator(".kept")).to_have_text("Kept as record 1.")
    tab.get_by_text("I know better").click()
    tab.get_by_label("Name", exact=True).select_option("Bombus lucorum")
    tab.get_by_label("Caste", exact=True).select_option("queen")
    tab.get_by_role("button", name="Keep it once more").click()
    expect(tab.locator(".kept p")).to_have_text("Kept as record 2.")
    expect(tab.locator(".kept li")).to_contain_text("It may be the bee of record 1")
    records = [page.client.get(f"/api/records/{n}").json()["record"] for n in (1, 2)]
    assert [one["status"] for one in records] == ["hint", "decided"]
    assert records[1]["taxon"] == "Bombus lucorum"
    assert records[1]["caste"] == "queen"
    assert records[0]["hints"] == {"tail": "buff"}
    assert records[0]["notes"] == "on the sallow"
    tab.get_by_role("link", name="record 2").click()
    expect(tab.get_by_role("heading", level=1)).to_have_text("White-tailed bumblebee")


def test_what_was_kept_is_not_said_of_other_bouts(page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])["id"]
    tab = opened(visit, page, clip)
    answered(tab, 1)
    tab.get_by_role("button", name="Keep in the notebook").click()
    expect(tab.locator(".kept")).to_have_text("Kept as record 1.")
    tab.locator(".bout-line").first.click()
    tab.get_by_role("button", name="Drop this bout").click()
    answered(tab, 2)
    expect(tab.get_by_role("button", name="Keep in the notebook")).to_be_visible()
    expect(tab.locator(".kept")).to_be_empty()
    tab.get_by_role("button", name="Undo").click()
    expect(tab.get_by_role("button", name="Keep it once more")).to_be_visible()
    expect(tab.locator(".kept")).to_have_text("Kept as record 1.")


def test_bee_that_was_only_seen(page: LivePage, visit: Visitors) -> None:
    tab = visit(f"{page.url}#desk/new")
    answered(tab, 1)
    part(tab, "tail").click()
    state(tab, "tail", "red").check()
    field(tab, "Day").fill("2026-06-20")
    field(tab, "Day").blur()
    answered(tab, 3)
    expect(tab.locator(".candidate-name").first).to_contain_text("Bombus lapidarius")
    tab.get_by_role("button", name="Keep in the notebook").click()
    expect(tab.locator(".kept")).to_have_text("Kept as record 1.")
    record = page.client.get("/api/records/1").json()["record"]
    assert (record["event_date"], record["hints"], record["recording"]) == (
        "2026-06-20",
        {"tail": "red"},
        None,
    )


def test_fault_stands_at_its_field_and_spoils_nothing(fresh: tuple[LivePage, str], visit: Visitors) -> None:
    running, clip = fresh
    tab = opened(visit, running, clip)
    place = field(tab, "Place")
    before = place.input_value()
    place.fill(SCRIPT)
    place.blur()
    expect(place).to_have_attribute("aria-invalid", "true")
    expect(tab.locator("#seen-place-fault")).not_to_be_empty()
    part(tab, "tail").click()
    state(tab, "tail", "buff").check()
    answered(tab, 2)
    arrived(tab, running, clip, {"tail": "buff"})
    expect(tab.locator(".seen-status")).to_have_text("Kept on the desk, but for what is marked")
    assert stored(running, clip)["place"] == before
    place.fill(before)
    place.blur()
    expect(place).not_to_have_attribute("aria-invalid", "true")


def test_script_in_notes_and_names_shows_as_text(page: LivePage, demo_clip: Path, visit: Visitors) -> None:
    clip = page.heard(page.bring(demo_clip / QUEEN, name=f"{SCRIPT}.m4a")["id"])["id"]
    tab = opened(visit, page, clip)
    field(tab, "Notes").fill(SCRIPT)
    field(tab, "Seen by").fill(SCRIPT)
    field(tab, "Seen by").blur()
    expect(tab.locator(".seen-status")).to_have_text("Kept on the desk")
    tab.get_by_role("button", name="Keep in the notebook").click()
    tab.get_by_role("link", name="record 1").click()
    expect(tab.locator(".notes")).to_have_text(SCRIPT)
    expect(tab.locator(".facts")).to_contain_text(SCRIPT)
    tab.goto(f"{page.url}sheet/1")
    expect(tab.locator(".notes")).to_have_text(SCRIPT)
    assert tab.evaluate("window.caught === undefined")
    assert tab.locator("main img[src=x]").count() == 0


# --- for everybody --------------------------------------------------------------------------------------


def test_keyboard_alone_describes_a_bee(fresh: tuple[LivePage, str], visit: Visitors) -> None:
    tab = opened(visit, *fresh)
    keys = tab.keyboard
    part(tab, "collar").focus()
    for _ in range(5):
        keys.press("ArrowRight")
    expect(part(tab, "tail")).to_be_focused()
    keys.press("Enter")
    unseen = (
        tab.get_by_role("group", name="What colour is the tip of the abdomen (the tail)?")
        .get_by_role("radio")
        .first
    )
    for _ in range(15):
        keys.press("Tab")
        if unseen.evaluate("node => node === document.activeElement"):
            break
    expect(unseen).to_be_focused()
    keys.press("ArrowDown")
    expect(state(tab, "tail", "white")).to_be_checked()
    expect(state(tab, "tail", "white")).to_be_focused()
    keys.press("ArrowDown")
    expect(state(tab, "tail", "buff")).to_be_checked()
    expect(part(tab, "tail")).to_contain_text("buff")
    arrived(tab, *fresh, {"tail": "buff"})
    expect(tab.locator("#polite")).to_contain_text("Likeliest: Buff-tailed bumblebee")
    name = tab.locator(".candidate > summary").first
    name.focus()
    keys.press("Enter")
    expect(tab.locator(".candidate").first.locator(".evidence")).to_be_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(fresh: tuple[LivePage, str], visit: Visitors, scheme: str) -> None:
    tab = opened(visit, *fresh, color_scheme=scheme)
    for name in ("behaviour", "face", "collar", "tail"):
        part(tab, name).click()
    state(tab, "tail", "buff").check()
    answered(tab, 2)
    arrived(tab, *fresh, {"tail": "buff"})
    field(tab, "Place").fill("nowhere")
    field(tab, "Place").blur()
    expect(tab.locator("#seen-place-fault")).not_to_be_empty()
    for fold in tab.locator(".answer summary").all():
        fold.click()
    assert axe_faults(tab) == []
    field(tab, "Place").fill("")
    field(tab, "Place").blur()
    expect(tab.locator(".seen-status")).to_have_text("Kept on the desk")


def test_phone_shows_all_without_scrolling_sideways(fresh: tuple[LivePage, str], visit: Visitors) -> None:
    tab = opened(visit, *fresh, viewport=PHONE, has_touch=True, is_mobile=True, device_scale_factor=2)
    part(tab, "tail").tap()
    state(tab, "tail", "buff").check()
    answered(tab, 2)
    arrived(tab, *fresh, {"tail": "buff"})
    for fold in tab.locator(".answer summary").all():
        fold.tap()
    assert wide_content(tab) == 0
    # WCAG 2.2, success criterion 2.5.8: targets of at least 24 by 24 CSS pixels.
    small = tab.evaluate(
        """[...document.querySelectorAll('.seen button, .seen label.tile, .answer button, .answer summary')]
            .filter((node) => node.checkVisibility())
            .map((node) => [node.outerHTML.slice(0, 80), node.getBoundingClientRect()])
            .filter(([, box]) => box.width < 24 || box.height < 24)"""
    )
    assert small == []
    # The bee stands upright here, and the lines go from her parts to their buttons.
    spots = tab.locator(".leader circle").evaluate_all(
        "nodes => nodes.map((node) => node.getBoundingClientRect().y)"
    )
    assert spots == sorted(spots)
