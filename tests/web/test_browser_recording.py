"""Bringing, seeing, hearing and correcting recordings in a real Chromium.

Recordings are the bundled clips and sounds from `wingtone.simulate`, whose truth is known.
"""

from __future__ import annotations

import io
import re
import wave
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pytest
from playwright.sync_api import expect

from wingtone.simulate import make_scene

from .chromium import (
    PATIENCE_MS,
    Visitors,
    answered,
    axe_faults,
    drawn,
    drop_files,
    launch,
    settled,
    until,
    waiting,
)

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Page, Playwright, Route

    from .conftest import LivePage

TOMATO = "4_july_tomato_flower.flac"
RATE_HZ = 16_000


def wav_bytes(samples: np.ndarray[Any, np.dtype[np.float32]], rate_hz: int = RATE_HZ) -> bytes:
    """One channel as a WAV of 16 bits, by the standard library."""
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setparams((1, 2, rate_hz, 0, "NONE", ""))
        file.writeframes(np.clip(np.rint(samples * 32767), -32768, 32767).astype("<i2").tobytes())
    return out.getvalue()


def flight(seconds: float, *, seed: int = 1, f0_hz: float = 150.0) -> np.ndarray[Any, np.dtype[np.float32]]:
    """A made-up bee, clear to hear."""
    clip = make_scene(seed, condition="hover", snr_db=20.0, duration_s=seconds, rate_hz=RATE_HZ, f0_hz=f0_hz)
    return np.asarray(clip.samples[0] / max(1.0, float(np.abs(clip.samples[0]).max())), np.float32)


def saved(page: LivePage, opened: Page) -> dict[str, Any]:
    """What the program holds of the open recording, once all changes have arrived."""
    expect(opened.get_by_text("Measuring again")).to_have_count(0)
    clip: dict[str, Any] = page.client.get(f"/api/clips/{opened.url.rpartition('/')[2]}").json()
    return clip


@pytest.fixture
def tomato(empty_page: LivePage, demo_clip: Path, visit: Visitors) -> Page:
    """The clip of a bee at a tomato flower, open: flight, two flower buzzes, flight."""
    empty_page.heard(empty_page.bring(demo_clip / TOMATO)["id"])
    opened = visit(empty_page.url)
    settled(opened, TOMATO)
    return opened


# --- correcting -------------------------------------------------------------------------------------------


def test_an_end_is_dragged_and_measured_again(empty_page: LivePage, tomato: Page) -> None:
    before = saved(empty_page, tomato)["machine_bouts"][0]
    lines = tomato.locator(".bout-line")
    lines.first.click()
    end = tomato.get_by_role("slider", name="End of bout 1")
    sheet = tomato.locator(".sheet").bounding_box()
    grip = end.bounding_box()
    assert sheet is not None
    assert grip is not None
    x, y = grip["x"] + grip["width"] / 2, grip["y"] + grip["height"] / 2
    with tomato.expect_response(lambda answer: answer.request.method == "PUT"):
        tomato.mouse.move(x, y)
        tomato.mouse.down()
        for share in (0.3, 0.6, 1.0):
            tomato.mouse.move(x - share * sheet["width"] / 9, y)  # the clip lasts 9 s: one second back
        tomato.mouse.up()
    clip = saved(empty_page, tomato)
    moved = clip["measurement"]["bouts"][0]
    assert moved["end_s"] == pytest.approx(before["end_s"] - 1.0, abs=0.03)
    assert moved["start_s"] == before["start_s"]
    # Ours: the tone of the shorter stretch is that of the same bee, within a semitone's third.
    assert moved["f0_hz"] == pytest.approx(before["f0_hz"], rel=0.02)
    assert clip["machine_bouts"][0] == before
    expect(lines.first).to_contain_text(f"to {moved['end_s']:.2f} s")
    tomato.reload()
    expect(lines.first).to_contain_text(f"to {moved['end_s']:.2f} s")
    tomato.get_by_role("button", name="Put the machine's back").click()
    expect(lines.first).to_contain_text(f"to {before['end_s']:.2f} s")
    assert saved(empty_page, tomato)["corrections"] is None


def test_kind_octave_and_drop_are_the_users_word(empty_page: LivePage, tomato: Page) -> None:
    lines = tomato.locator(".bout-line")
    lines.nth(1).click()
    tomato.get_by_role("radio", name="unsure").check()
    expect(lines.nth(1)).to_contain_text("unsure")
    octave = tomato.get_by_label("Its tone is")
    tone = saved(empty_page, tomato)["measurement"]["bouts"][1]["f0_hz"]
    with tomato.expect_response(lambda answer: answer.request.method == "PUT"):
        octave.select_option("an octave lower")
    clip = saved(empty_page, tomato)
    assert clip["measurement"]["bouts"][1]["kind"] == "uncertain"
    assert clip["measurement"]["bouts"][1]["f0_hz"] == pytest.approx(tone / 2, rel=0.02)
    tomato.get_by_role("button", name="Drop this bout").click()
    expect(lines).to_have_count(3)
    expect(tomato.get_by_text("2 flights, 1 flower buzz, corrected by you")).to_be_visible()
    assert [bout["kind"] for bout in saved(empty_page, tomato)["corrections"]] == [
        "flight",
        "sonication",
        "flight",
    ]
    tomato.get_by_role("button", name="Undo").click()
    expect(lines).to_have_count(4)
    assert saved(empty_page, tomato)["measurement"]["bouts"][1]["kind"] == "uncertain"


def test_a_bout_is_added_by_drawing_it(empty_page: LivePage, tomato: Page) -> None:
    """In the band above the strip, or anywhere on it after 'Add a bout'."""
    for number, (place, from_s, to_s) in enumerate([(".lane", 0.1, 0.4), (".sheet", 8.5, 8.9)]):
        if place == ".sheet":
            tomato.get_by_role("button", name="Add a bout").click()
        box = tomato.locator(place).bounding_box()
        assert box is not None
        y = box["y"] + box["height"] / 3
        tomato.mouse.move(box["x"] + box["width"] * from_s / 9, y)
        tomato.mouse.down()
        tomato.mouse.move(box["x"] + box["width"] * (from_s + to_s) / 2 / 9, y)
        tomato.mouse.move(box["x"] + box["width"] * to_s / 9, y)
        tomato.mouse.up()
        expect(tomato.locator(".bout-line")).to_have_count(5 + number)
    asked = saved(empty_page, tomato)["corrections"]
    assert [asked[0]["start_s"], asked[0]["end_s"]] == pytest.approx([0.1, 0.4], abs=0.02)
    assert [asked[-1]["start_s"], asked[-1]["end_s"]] == pytest.approx([8.5, 8.9], abs=0.02)


def test_a_wrong_time_is_refused_where_it_stands(empty_page: LivePage, tomato: Page) -> None:
    tomato.locator(".bout-line").first.click()
    start = tomato.get_by_role("group", name="Correct bout 1").get_by_label("from")
    start.fill("7")
    start.press("Enter")
    expect(start).to_have_js_property("validity.valid", False)
    assert saved(empty_page, tomato)["corrections"] is None


# --- seeing -----------------------------------------------------------------------------------------------


def dark_share(opened: Page) -> list[float]:
    """Share of pixels far from the ground colour, in the lower half of each ninth of the strip."""
    shares: list[float] = opened.evaluate(
        """() => {
            const canvas = document.querySelector('.sheet canvas');
            const brush = canvas.getContext('2d');
            const high = Math.floor(canvas.height * 0.45), wide = Math.floor(canvas.width / 9);
            const ground = getComputedStyle(document.documentElement).getPropertyValue('--sound-0').trim();
            const want = [1, 3, 5].map((i) => parseInt(ground.slice(i, i + 2), 16));
            return Array.from({length: 9}, (_, i) => {
                const {data} = brush.getImageData(i * wide, high, wide, high);
                let far = 0;
                for (let p = 0; p < data.length; p += 4) {
                    const apart = want.reduce((sum, value, k) => sum + Math.abs(data[p + k] - value), 0);
                    if (apart > 150) far += 1;
                }
                return far / (wide * high);
            });
        }"""
    )
    return shares


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_strip_shows_where_the_bee_flies(tomato: Page, scheme: Literal["light", "dark"]) -> None:
    """The clip's truth: flight from 1 to 2.5 s, nothing from 6 to 6.7 s, flight from 7 to 8.3 s."""
    tomato.emulate_media(color_scheme=scheme)
    expect(tomato.locator("html")).to_have_attribute("data-theme", scheme)
    drawn(tomato)
    shares = dark_share(tomato)
    assert min(shares[1], shares[7]) > 2 * shares[6]
    assert shares[6] < 0.1


def test_an_hour_costs_only_what_is_looked_at(empty_page: LivePage, visit: Visitors, tmp_path: Path) -> None:
    """Ten minutes stand for it; tiles come by zoom, few at a time, and none twice."""
    rng = np.random.default_rng(3)
    long = rng.normal(0, 0.01, RATE_HZ * 600).astype(np.float32)
    bee = flight(10.0)
    for at_s in (30, 400):
        long[at_s * RATE_HZ : at_s * RATE_HZ + bee.size] += 0.7 * bee
    source = tmp_path / "long.wav"
    source.write_bytes(wav_bytes(long))
    brief = empty_page.bring(source)
    opened = visit(empty_page.url)
    tiles: list[str] = []
    opened.on("request", lambda request: tiles.append(request.url) if "/tiles/" in request.url else None)
    # Looked at while it is still being listened to: the strip is there before the bouts are.
    opened.goto(f"{empty_page.url}#desk/{brief['id']}")
    expect(opened.locator(".sheet")).to_be_visible()
    empty_page.heard(brief["id"])
    expect(opened.get_by_role("list", name="Bouts")).to_be_visible()
    drawn(opened)  # nothing is asked for any more
    tiles.clear()
    opened.reload()
    expect(opened.get_by_role("list", name="Bouts")).to_be_visible()
    drawn(opened)
    assert 2 <= len(tiles) <= 12  # of the 75 of the finest level; those of the overview among them
    place = opened.get_by_role("slider", name="Place in the recording")
    place.press("0")
    until(opened, lambda: opened.locator(".chip").count() >= 2)
    drawn(opened)
    levels = {int(url.split("/tiles/")[1].split("/")[0]) for url in tiles}
    assert max(levels) > min(levels)
    assert len(tiles) == len(set(tiles))
    # The wheel looks closer where it is turned, once the strip has been clicked on.
    box = place.bounding_box()
    assert box is not None
    opened.mouse.move(box["x"] + box["width"] * 400 / 600, box["y"] + 20)
    for _ in range(12):
        opened.mouse.wheel(0, -200)
    expect(opened.locator(".chip")).to_have_count(1)
    drawn(opened)
    assert len(tiles) < 60


def test_what_needs_the_bouts_waits_until_they_are_there(
    page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    """A bout that was drawn while it is still listened to vanished, and its tone could not be played."""
    clip = page.heard(page.bring(demo_clip / TOMATO)["id"])
    assert page._running is not None
    listening = page._running._server.page.desk.clips[clip["id"]]
    listening.status = "listening"
    opened = visit(f"{page.url}#desk/{clip['id']}")
    asked: list[str] = []
    opened.on("request", lambda request: asked.append(request.url))
    expect(opened.get_by_role("button", name="Half speed")).to_be_visible()
    late = [opened.get_by_role("button", name=name) for name in ("Add a bout", "Only the tone")]
    for button in late:
        expect(button).to_be_hidden()
    lane = opened.locator(".lane").bounding_box()
    assert lane is not None
    opened.mouse.move(lane["x"] + 100, lane["y"] + 8)
    opened.mouse.down()
    opened.mouse.move(lane["x"] + 200, lane["y"] + 8, steps=4)
    opened.mouse.up()
    place = opened.get_by_role("slider", name="Place in the recording")
    place.press("b")
    expect(opened.locator("#polite")).to_have_text(
        "bouts can be added as soon as the recording has been heard"
    )
    drawn(opened)
    api = f"/api/clips/{clip['id']}"
    assert [url for url in asked if f"{api}/bouts" in url or f"{api}/line" in url] == []
    listening.status = "ready"
    page.client.patch(f"/api/clips/{clip['id']}/seen", json={"notes": "on tomato"}).raise_for_status()
    expect(opened.get_by_role("list", name="Bouts")).to_be_visible()
    for button in late:
        expect(button).to_be_visible()
    drawn(opened)
    assert sum(f"{api}/line" in url for url in asked) >= 1


# --- hearing ----------------------------------------------------------------------------------------------


def test_hearing_whole_bout_half_speed_and_only_the_tone(tomato: Page) -> None:
    asked: list[str] = []
    tomato.on("request", lambda request: asked.append(request.url) if "sound.wav" in request.url else None)
    place = tomato.get_by_role("slider", name="Place in the recording")
    tomato.get_by_role("button", name="Play", exact=True).click()
    expect(tomato.get_by_role("button", name="Pause")).to_be_visible()
    expect(tomato.locator(".player .time")).to_have_text(re.compile(r"0:0(0\.[2-9]|[1-9]\.\d) of 0:09\.0"))
    tomato.get_by_role("button", name="Pause").click()
    tomato.get_by_role("button", name="Half speed").click()
    tomato.get_by_role("button", name="Only the tone").click()
    tomato.get_by_role("button", name="Play bout 2").click()
    # The bout's end: it stops there. The program loads much for the first of these sounds.
    expect(place).to_have_attribute("aria-valuenow", "4.25", timeout=3 * PATIENCE_MS)
    expect(tomato.get_by_role("button", name="Play", exact=True)).to_be_visible()
    assert "from_s=0.000" in asked[0]
    assert "speed=1" in asked[0]
    assert "only=all" in asked[0]
    last = asked[-1]
    assert "from_s=3.06" in last
    assert "to_s=4.25" in last
    assert "speed=0.5" in last
    assert "only=comb" in last


# --- bringing ---------------------------------------------------------------------------------------------


def test_forty_files_at_once_with_two_broken(empty_page: LivePage, visit: Visitors) -> None:
    opened = visit(empty_page.url)
    good = wav_bytes(flight(2.0))
    files = [(f"bee {number:02}.wav", good + bytes(number)) for number in range(38)]
    files[10:10] = [
        ("not a sound.wav", b"RIFF" + bytes(300)),
        ("<img src=x onerror=alert(1)>.mp3", b"shopping list\n" * 9),
    ]
    drop_files(opened, files)
    expect(opened.locator("[data-status=ready]")).to_have_count(38, timeout=120_000)
    failed = opened.locator("[data-status=failed]")
    expect(failed).to_have_count(2)
    for row in failed.all():
        expect(row.locator(".trouble")).not_to_be_empty()
    expect(opened.get_by_text("<img src=x onerror=alert(1)>.mp3")).to_be_visible()
    assert opened.locator(".clip img").count() == 0
    expect(opened.locator("#tally")).to_have_text("38 recordings heard, 2 could not be used.")


def test_a_recording_that_could_not_be_used_is_tried_again_or_saved(
    empty_page: LivePage, visit: Visitors
) -> None:
    whole = wav_bytes(flight(2.0))
    opened = visit(empty_page.url)
    drop_files(opened, [("bee.wav", whole[:20])])
    opened.get_by_role("link", name="← Desk").click()
    row = opened.locator(".clip[data-status=failed]")
    expect(row.get_by_role("button", name="Try again: bee.wav")).to_be_visible()
    with opened.expect_download() as saving:
        row.get_by_role("link", name="Save the file").click()
    assert saving.value.suggested_filename == "bee.wav"
    assert saving.value.path().read_bytes() == whole[:20]
    [clip] = empty_page.client.get("/api/state").json()["clips"]
    (empty_page.desk / clip["id"] / "sound-bee.wav").write_bytes(whole)  # as when a disk is there again
    row.get_by_role("button", name="Try again: bee.wav").click()
    expect(opened.locator(".clip[data-status=ready]").get_by_role("link", name="bee.wav")).to_be_visible()
    expect(opened.get_by_role("button", name="Try again: bee.wav")).to_be_hidden()


def test_a_file_that_found_nobody_is_tried_again(empty_page: LivePage, visit: Visitors) -> None:
    opened = visit(empty_page.url)
    expect(opened.get_by_text("Bring the sound")).to_be_visible()
    opened.context.set_offline(True)
    drop_files(opened, [("bee.wav", wav_bytes(flight(2.0)))])
    # In the page's main part: the live region says the same to who listens, a moment later.
    expect(opened.get_by_role("main").get_by_text("wingtone does not answer")).to_be_visible()
    opened.context.set_offline(False)
    opened.get_by_role("button", name="Try again: bee.wav").click()
    answered(opened, "bee.wav")


def test_a_reload_in_the_middle_loses_nothing(empty_page: LivePage, visit: Visitors) -> None:
    """Files already sent, files being listened to, files still waiting in the browser, and corrections."""
    opened = visit(empty_page.url)
    asked: list[Route] = []

    def only_three(route: Route) -> None:
        asked.append(route)
        if len(asked) <= 3:
            route.continue_()

    opened.route("**/api/clips", only_three)
    drop_files(opened, [(f"bee {n}.wav", wav_bytes(flight(2.0, seed=n))) for n in range(8)])
    expect(opened.locator("[data-status=ready]")).to_have_count(3)
    expect(opened.locator("[data-status=sending]")).to_have_count(5)
    until(opened, lambda: len(waiting(opened)) == 5)
    opened.unroute("**/api/clips")
    opened.reload()
    expect(opened.locator("[data-status=ready]")).to_have_count(8)
    names = sorted(clip["name"] for clip in empty_page.client.get("/api/state").json()["clips"])
    assert names == [f"bee {n}.wav" for n in range(8)]
    opened.reload()
    expect(opened.locator("[data-status=ready]")).to_have_count(8)
    empty_page.restart()  # and the program itself, which prints another address
    opened.goto(empty_page.address)
    expect(opened.locator("[data-status=ready]")).to_have_count(8)


def test_taking_a_recording_off_the_desk_asks_first(
    empty_page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    empty_page.heard(empty_page.bring(demo_clip / TOMATO)["id"])
    opened = visit(empty_page.url)
    other = visit(empty_page.url)
    remove = opened.get_by_role("button", name=f"Remove {TOMATO} from the desk")
    expect(other.get_by_role("link", name=TOMATO)).to_be_visible()
    remove.click()
    expect(remove).to_have_text("Really remove?")
    expect(opened.get_by_role("link", name=TOMATO)).to_be_visible()
    remove.click()
    for window in (opened, other):  # another window is told
        expect(window.get_by_role("link", name=TOMATO)).to_have_count(0)
    assert empty_page.client.get("/api/state").json()["clips"] == []


# --- recording with the microphone --------------------------------------------------------------------------


@pytest.fixture
def microphone(tmp_path: Path, driver: Playwright) -> Iterator[Visitors]:
    """A Chromium whose microphone hears a file, over and over: a bee, then wind, then a clipped shout."""
    rng = np.random.default_rng(5)
    bee = 0.5 * flight(4.0)
    wind = np.cumsum(rng.normal(0, 1, RATE_HZ * 3))
    wind = (0.4 * wind / np.abs(wind).max()).astype(np.float32)
    shout = np.clip(3 * np.sin(2 * np.pi * 500 * np.arange(RATE_HZ * 2) / RATE_HZ), -1, 1).astype(np.float32)
    heard = tmp_path / "heard.wav"
    heard.write_bytes(wav_bytes(np.concatenate([bee, wind, shout])))
    browser = launch(
        driver,
        "--use-fake-device-for-media-stream",
        "--use-fake-ui-for-media-stream",
        f"--use-file-for-fake-audio-capture={heard}",
    )
    visitors = Visitors(browser)
    yield visitors
    visitors.leave()
    browser.close()


def test_recording_in_the_page(empty_page: LivePage, microphone: Visitors) -> None:
    opened = microphone(empty_page.url, permissions=["microphone"])
    opened.get_by_role("button", name="Record here").click()
    meter = opened.get_by_role("meter", name="Level of the microphone")
    expect(meter).to_have_attribute("data-state", "good")
    expect(opened.get_by_text("Voice processing is off")).to_be_visible()
    assert axe_faults(opened) == []
    expect(meter).to_have_attribute("data-state", "wind")
    expect(opened.locator(".level-word")).to_contain_text("A rough warning")
    expect(meter).to_have_attribute("data-state", "clipped")
    opened.get_by_role("button", name="Stop and keep").click()
    answered(opened, re.compile(r"recorded \d{4}-\d\d-\d\d \d\d\.\d\d\.\d\d\.wav"))
    [brief] = empty_page.client.get("/api/state").json()["clips"]
    clip = empty_page.client.get(f"/api/clips/{brief['id']}").json()
    recording = clip["measurement"]["recording"]
    assert recording["codec"] == "pcm_s16le"
    assert recording["channels"] == 1
    assert recording["recorded_at_source"] == "file name"
    assert recording["duration_s"] > 5
    tones = [bout["f0_hz"] for bout in clip["measurement"]["bouts"] if bout["kind"] == "flight"]
    assert tones
    assert tones[0] == pytest.approx(150.0, rel=0.06)  # what the microphone heard


def test_a_refused_microphone_is_said(empty_page: LivePage, visit: Visitors) -> None:
    opened = visit(empty_page.url)  # this browser has no microphone, and nobody to allow one
    opened.get_by_role("button", name="Record here").click()
    expect(opened.locator(".record-panel").get_by_role("alert")).to_contain_text("icrophone")
    expect(opened.get_by_role("button", name="Record here")).to_be_enabled()


# --- fingers ------------------------------------------------------------------------------------------------


def test_two_fingers_look_closer_and_one_moves_along(
    empty_page: LivePage, demo_clip: Path, visit: Visitors
) -> None:
    clip = empty_page.bring(demo_clip / TOMATO)
    empty_page.heard(clip["id"])
    phone = visit(
        f"{empty_page.url}#desk/{clip['id']}",
        viewport={"width": 390, "height": 800},
        has_touch=True,
        is_mobile=True,
    )
    answered(phone, TOMATO)
    fingers = phone.context.new_cdp_session(phone)
    box = phone.locator(".sheet").bounding_box()
    assert box is not None
    y = box["y"] + box["height"] / 2

    def touch(kind: str, *shares: float) -> None:
        assert box is not None
        points = [{"x": box["x"] + share * box["width"], "y": y, "id": n} for n, share in enumerate(shares)]
        fingers.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    def chip() -> tuple[float, float]:
        found = phone.locator(".chip[data-kind=sonication]").first.bounding_box()
        assert found is not None
        return found["x"], found["width"]

    _, wide = chip()
    touch("touchStart", 0.3, 0.5)
    for spread in (0.05, 0.1):
        touch("touchMove", 0.3 - spread, 0.5 + spread)
    touch("touchEnd")
    until(phone, lambda: chip()[1] == pytest.approx(2 * wide, rel=0.15))
    at, closer = chip()
    touch("touchStart", 0.5)
    for share in (0.45, 0.4):
        touch("touchMove", share)
    touch("touchEnd")
    until(phone, lambda: chip()[0] == pytest.approx(at - 0.1 * box["width"], abs=12))
    assert chip()[1] == pytest.approx(closer, abs=1)


def test_a_recording_that_lost_its_corrections_says_so(
    page: LivePage, visit: Visitors, demo_clip: Path
) -> None:
    clip = page.heard(page.bring(demo_clip / "1_march_big_queen.m4a")["id"])
    (page.desk / clip["id"] / "clip.json").write_bytes(b"")
    page.restart()
    page.heard(clip["id"])
    opened = visit(page.url)
    said = "What was noted of this recording could not be read and was set aside, corrections too"
    expect(opened.get_by_role("list", name="Recordings on the desk")).to_contain_text(said)
    opened.goto(f"{page.url}#desk/{clip['id']}")
    expect(opened.locator(".recording-head .warnings")).to_contain_text(said)
