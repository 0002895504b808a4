"""The routes from a recording to its export, on a real server, against what is known from elsewhere.

What is known: the truth of the bundled clips (made by computer), what the commands give for the same file,
and independent readers of PNG, WAV and Darwin Core archives.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import math
import re
import shutil
import socket
import threading
import wave
import zipfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

import httpx
import numpy as np
import pytest

from web.conftest import comes_to_hold, live
from wingtone import fauna
from wingtone.clip import identify_measurement, measure_json, measure_recording
from wingtone.evidence import parse_hints
from wingtone.fauna import load
from wingtone.notebook.records import Record
from wingtone.notebook.store import Notebook
from wingtone.tone.comb import HIGHEST_HZ, LOWEST_HZ
from wingtone.tone.stretch import REACH_LN
from wingtone.web import clip_routes, stored, worker
from wingtone.web.desk import Desk
from wingtone.web.page import Page
from wingtone.web.sounds import COPY_RATE_HZ
from wingtone.web.strip import FINEST_S, HEIGHT_PX, HIGH_HZ, LOW_HZ, TILE_PX

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from web.conftest import LivePage
    from wingtone.clip import Measurement
    from wingtone.web.clips import Clip

SHIPPED = Path(fauna.__file__).with_name("british_isles")
WINGS = re.compile(r"(^|,)wings,")
QUEEN, FLOWER = "1_march_big_queen.m4a", "4_july_tomato_flower.flac"


@pytest.fixture
def queen(shared_page: LivePage, demo_clip: Path) -> Iterator[dict[str, Any]]:
    """A clip with three flights of one queen, listened to."""
    clip = shared_page.heard(shared_page.bring(demo_clip / QUEEN)["id"])
    assert clip["status"] == "ready", clip["error"]
    yield clip
    shared_page.client.delete(f"/api/clips/{clip['id']}?sound=too")


def put_bouts(page: LivePage, clip: dict[str, Any], bouts: list[dict[str, Any]]) -> dict[str, Any]:
    answer = page.client.put(f"/api/clips/{clip['id']}/bouts", json={"bouts": bouts})
    assert answer.status_code == 200, answer.text
    body: dict[str, Any] = answer.json()
    return body


# --- state and lists --------------------------------------------------------------------------------------


def test_the_state_has_what_a_page_begins_with(shared_page: LivePage) -> None:
    state = shared_page.client.get("/api/state").json()
    assert state["fauna"]["id"] == load().id
    assert state["model"] is None
    assert dt.date.fromisoformat(state["today"])
    assert {".m4a", ".wav", ".3gp"} <= set(state["formats"])
    characters = state["characters"]
    assert {one["name"] for one in characters} == set(load().characters)
    parts = [one["part"] for one in characters]
    head_to_tail = ["collar", "thorax", "scutellum", "front-band", "abdomen", "tail", "face", "legs", "wings"]
    places = [parts.index(part) for part in head_to_tail]
    assert places == sorted(places)
    for one in characters:
        assert one["question"]
        assert tuple(state["state"] for state in one["states"]) == load().characters[one["name"]].states


def test_the_page_and_its_files_are_served(shared_page: LivePage) -> None:
    index = shared_page.client.get("/")
    assert index.status_code == 200
    assert index.headers["content-type"].startswith("text/html")
    script = shared_page.client.get("/static/main.js")
    assert script.headers["content-type"].startswith(("text/javascript", "application/javascript"))


def test_no_piece_of_an_answer_is_held_back(shared_page: LivePage) -> None:
    """Else its body waits until the browser has acknowledged its head, 40 ms and more."""
    running = shared_page._running
    assert running is not None
    shared_page.client.get("/api/state").raise_for_status()
    lines = [one.transport.get_extra_info("socket") for one in running._server.server_state.connections]
    assert lines
    assert all(line.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) for line in lines)


# --- bring ------------------------------------------------------------------------------------------------


def test_the_measurement_is_that_of_the_command(
    shared_page: LivePage, queen: dict[str, Any], demo_clip: Path
) -> None:
    own = measure_json(measure_recording(demo_clip / QUEEN))
    assert queen["measurement"]["bouts"] == own["bouts"] == queen["machine_bouts"]
    assert queen["measurement"]["recording"]["sha256"] == own["recording"]["sha256"]
    assert queen["measurement"]["warnings"] == own["warnings"]
    assert queen["flights"] == 3
    assert queen["individuals"] == [[0, 1, 2]]
    assert queen["corrections"] is None


def test_the_form_is_filled_in_from_the_file(queen: dict[str, Any], demo_clip: Path) -> None:
    scenario = json.loads((demo_clip / "scenario.json").read_text(encoding="utf-8"))
    told = json.dumps(scenario)
    assert queen["seen"]["date"] in told
    assert queen["prefilled"] == {"date": "container", "place": "container"}
    assert queen["seen"]["time"] == "11:40"
    assert queen["seen"]["hints"] == {}


def test_the_time_of_an_upload_is_no_date(shared_page: LivePage, tmp_path: Path) -> None:
    """A file without a date of its own: the desk's copy was written today, which means nothing."""
    path = tmp_path / "plain.wav"
    with wave.open(str(path), "wb") as file:
        file.setparams((1, 2, 8000, 0, "NONE", ""))
        file.writeframes(b"\1\0\2\0" * 8000)
    clip = shared_page.heard(shared_page.bring(path)["id"])
    assert clip["seen"]["date"] == ""
    assert clip["prefilled"]["date"] is None
    assert clip["measurement"]["recording"]["recorded_at"] is None
    named = shared_page.heard(shared_page.bring(path, name="REC_20260714_153012.wav")["id"])
    assert named["seen"]["date"] == "2026-07-14"
    assert named["seen"]["time"] == "15:30"
    assert named["prefilled"]["date"] == "file name"


def test_each_of_many_fails_by_itself(page: LivePage, demo_clip: Path) -> None:
    whole = (demo_clip / QUEEN).read_bytes()
    broken = page.client.post("/api/clips", content=whole[:5000], headers={"X-File-Name": "broken.m4a"})
    text = page.client.post("/api/clips", content=b"Dear diary", headers={"X-File-Name": "diary.wav"})
    good = [page.bring(demo_clip / QUEEN) for _ in range(3)]
    assert text.status_code == 415
    assert "not a recording" in text.json()["error"]["what"]
    failed = page.heard(broken.json()["id"])
    assert failed["status"] == "failed"
    assert failed["error"]["what"]
    assert failed["error"]["remedy"]
    assert [page.heard(brief["id"])["flights"] for brief in good] == [3, 3, 3]


def test_changes_are_told_as_they_happen(page: LivePage, demo_clip: Path) -> None:
    told: list[tuple[str, dict[str, Any]]] = []
    ready = threading.Event()

    def read() -> None:
        with page.client.stream("GET", "/api/events") as stream:
            assert stream.headers["content-type"].startswith("text/event-stream")
            event = ""
            for line in stream.iter_lines():
                if line.startswith("event: "):
                    event = line.removeprefix("event: ")
                elif line.startswith("data: "):
                    told.append((event, json.loads(line.removeprefix("data: "))))
                elif line.startswith("retry"):
                    ready.set()
                if event == "removed" and told and told[-1][0] == "removed":
                    return

    reader = threading.Thread(target=read)
    reader.start()
    assert ready.wait(30)
    brief = page.bring(demo_clip / QUEEN)
    page.heard(brief["id"])
    page.client.delete(f"/api/clips/{brief['id']}")
    reader.join(30)
    assert not reader.is_alive()
    clips = [data for event, data in told if event == "clip"]
    assert [told[-1]] == [("removed", {"id": brief["id"]})]
    assert clips[-1]["status"] == "ready"
    assert clips[-1]["flights"] == 3
    progress = [clip["progress"] for clip in clips]
    assert progress == sorted(progress)
    assert {"waiting", "listening", "ready"} >= {clip["status"] for clip in clips} >= {"listening", "ready"}


def test_nothing_is_lost_when_the_page_is_stopped(page: LivePage, demo_clip: Path) -> None:
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    bout = clip["machine_bouts"][0]
    put_bouts(page, clip, [{"start_s": 1.0, "end_s": 2.5, "kind": "flight"}])
    seen = {**clip["seen"], "hints": {"tail": "white"}, "notes": "on crocus"}
    page.client.put(f"/api/clips/{clip['id']}/seen", json=seen)
    before = page.client.get(f"/api/clips/{clip['id']}").json()
    waiting = page.bring(demo_clip / FLOWER)  # stopped in the middle of it, or just after
    page.restart()
    assert page.client.get(f"/api/clips/{clip['id']}").json() == before
    assert before["seen"]["notes"] == "on crocus"
    assert before["machine_bouts"][0] == bout
    assert page.heard(waiting["id"])["status"] == "ready"


# --- see --------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def steady(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """20 s of stereo: a line of 1000 Hz from 10 s to 12 s, else a little noise."""
    path = tmp_path_factory.mktemp("sounds") / "line.wav"
    rate = 22_050
    t = np.arange(20 * rate) / rate
    sound = 0.001 * np.random.default_rng(1).standard_normal(t.size)
    sound += np.where((t >= 10) & (t < 12), 0.2 * np.sin(2 * np.pi * 1000 * t), 0.0)
    frames = np.repeat((sound * 32767).astype("<i2")[:, None], 2, axis=1)
    with wave.open(str(path), "wb") as file:
        file.setparams((2, 2, rate, 0, "NONE", ""))
        file.writeframes(frames.tobytes())
    return path


def picture(png: bytes) -> np.ndarray:
    """Read a PNG with another program's reader."""
    from PIL import Image

    with Image.open(io.BytesIO(png)) as image:
        assert image.mode == "L"
        return np.asarray(image)


def test_a_line_stands_in_the_strip_where_it_sounds(shared_page: LivePage, steady: Path) -> None:
    clip = shared_page.heard(shared_page.bring(steady)["id"])
    layout = shared_page.client.get(f"/api/clips/{clip['id']}/strip").json()
    assert layout["complete"]
    assert layout["duration_s"] == pytest.approx(20.0, abs=0.01)
    assert [level["seconds_per_tile"] for level in layout["levels"]] == [8.0, 16.0, 32.0]
    assert (layout["tile_px"], layout["height_px"]) == (TILE_PX, HEIGHT_PX)
    for level in layout["levels"]:
        span_s = level["seconds_per_tile"]
        tiles = []
        for number in range(math.ceil(20.0 / span_s)):
            answer = shared_page.client.get(f"/api/clips/{clip['id']}/tiles/{level['level']}/{number}.png")
            assert answer.status_code == 200
            assert answer.headers["content-type"] == "image/png"
            assert "immutable" in answer.headers["cache-control"]
            tiles.append(picture(answer.content))
            again = shared_page.client.get(f"/api/clips/{clip['id']}/tiles/{level['level']}/{number}.png")
            assert again.content == answer.content
        whole = np.concatenate(tiles, axis=1)
        assert whole.shape == (HEIGHT_PX, TILE_PX * len(tiles))
        loud = whole > 200
        column_s = span_s / TILE_PX
        columns = np.flatnonzero(loud.any(axis=0)) * column_s
        assert columns.min() == pytest.approx(10.0, abs=0.1 + column_s)
        assert columns.max() == pytest.approx(12.0, abs=0.1 + column_s)
        rows = np.flatnonzero(loud[:, round(11.0 / column_s)])
        hz = HIGH_HZ - (rows.mean() + 0.5) * (HIGH_HZ - LOW_HZ) / HEIGHT_PX
        assert hz == pytest.approx(1000.0, abs=10.0)
    whole = picture(shared_page.client.get(f"/api/clips/{clip['id']}/whole.png").content)
    assert whole.shape == (HEIGHT_PX, TILE_PX)
    columns = np.flatnonzero((whole > 200).any(axis=0)) * 20.0 / TILE_PX
    assert (columns.min(), columns.max()) == (pytest.approx(10.0, abs=0.15), pytest.approx(12.0, abs=0.15))
    for path in ("3/0.png", "0/3.png", "0/99.png", "99/0.png"):
        assert shared_page.client.get(f"/api/clips/{clip['id']}/tiles/{path}").status_code == 404
    assert FINEST_S == 8.0


def test_the_tone_line_lies_in_its_bouts(shared_page: LivePage, queen: dict[str, Any]) -> None:
    line = shared_page.client.get(f"/api/clips/{queen['id']}/line").json()
    bouts = queen["measurement"]["bouts"]
    assert len({len(values) for values in line.values()}) == 1
    for time_s, f0_hz, kind, number in zip(
        line["time_s"], line["f0_hz"], line["kind"], line["bout"], strict=True
    ):
        if number is None:
            assert f0_hz is kind is None
            continue
        bout = bouts[number]
        assert bout["start_s"] - 0.01 <= time_s <= bout["end_s"] + 0.01
        assert abs(f0_hz / bout["f0_hz"] - 1) < 0.1
    assert line["bout"].count(None) == len(bouts) - 1
    few = shared_page.client.get(f"/api/clips/{queen['id']}/line", params={"points": 30, "to_s": 4}).json()
    assert 10 <= len(few["time_s"]) <= 32
    assert max(few["time_s"]) <= 4.0


# --- hear -------------------------------------------------------------------------------------------------


def hear(page: LivePage, clip_id: str, **asked: Any) -> np.ndarray:
    answer = page.client.get(f"/api/clips/{clip_id}/sound.wav", params=asked)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "audio/wav"
    with wave.open(io.BytesIO(answer.content)) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, COPY_RATE_HZ)
        return np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32768


def strongest_hz(sound: np.ndarray) -> float:
    return float(np.argmax(np.abs(np.fft.rfft(sound * np.hanning(sound.size))))) * COPY_RATE_HZ / sound.size


def test_what_is_heard_is_what_was_recorded(shared_page: LivePage, steady: Path) -> None:
    clip_id = shared_page.heard(shared_page.bring(steady)["id"])["id"]
    whole = hear(shared_page, clip_id)
    assert whole.size == pytest.approx(20 * COPY_RATE_HZ, abs=3)
    part = hear(shared_page, clip_id, from_s=10.5, to_s=11.5)
    assert part.size == COPY_RATE_HZ
    assert strongest_hz(part) == pytest.approx(1000.0, abs=1.5)
    assert np.sqrt(np.mean(part**2)) == pytest.approx(0.2 / math.sqrt(2), rel=0.02)
    slow = hear(shared_page, clip_id, from_s=10.5, to_s=11.5, speed=0.5)
    assert slow.size == pytest.approx(2 * COPY_RATE_HZ, abs=3)
    assert strongest_hz(slow) == pytest.approx(500.0, abs=1.5)


def test_players_can_ask_for_parts(shared_page: LivePage, queen: dict[str, Any]) -> None:
    """RFC 9110, 14: byte ranges, as the media elements of browsers use them."""
    path = f"/api/clips/{queen['id']}/sound.wav"
    whole = shared_page.client.get(path)
    assert whole.headers["accept-ranges"] == "bytes"
    part = shared_page.client.get(path, headers={"Range": "bytes=100-199"})
    assert part.status_code == 206
    assert part.headers["content-range"] == f"bytes 100-199/{len(whole.content)}"
    assert part.content == whole.content[100:200]
    assert shared_page.client.get(path, headers={"Range": "bytes=99999999-"}).status_code == 416


def test_the_comb_alone_is_quiet_where_no_bee_flies(shared_page: LivePage, queen: dict[str, Any]) -> None:
    bouts = queen["measurement"]["bouts"]
    whole, comb = (hear(shared_page, queen["id"], only=only) for only in ("all", "comb"))
    assert comb.size == pytest.approx(whole.size, abs=3)
    first = bouts[0]
    gap = slice(
        round((first["end_s"] + 0.05) * COPY_RATE_HZ), round((bouts[1]["start_s"] - 0.05) * COPY_RATE_HZ)
    )
    assert np.max(np.abs(comb[gap])) < 1e-3
    inside = slice(
        round((first["start_s"] + 0.1) * COPY_RATE_HZ), round((first["end_s"] - 0.1) * COPY_RATE_HZ)
    )
    assert np.corrcoef(comb[inside], whole[inside])[0, 1] > 0.6
    # what lies half-way between the harmonics is gone
    spectra = [np.abs(np.fft.rfft(one[inside])) ** 2 for one in (whole, comb)]
    hz = np.fft.rfftfreq(inside.stop - inside.start, 1 / COPY_RATE_HZ)
    between = (np.abs(hz / first["f0_hz"] % 1 - 0.5) < 0.1) & (hz > 150) & (hz < 1000)
    assert spectra[1][between].sum() < 0.1 * spectra[0][between].sum()


@pytest.mark.parametrize(
    "asked",
    [
        {"from_s": "x"},
        {"from_s": 5, "to_s": 4},
        {"speed": 3},
        {"only": "bees"},
        {"from_s": "nan"},
        {"from_s": 50},
    ],
)
def test_sound_that_cannot_be(shared_page: LivePage, queen: dict[str, Any], asked: dict[str, Any]) -> None:
    answer = shared_page.client.get(f"/api/clips/{queen['id']}/sound.wav", params=asked)
    assert answer.status_code == 400
    assert answer.json()["error"]["what"]


# --- correct ----------------------------------------------------------------------------------------------


def test_a_moved_end_is_measured_again_and_the_rest_stays(
    shared_page: LivePage, queen: dict[str, Any]
) -> None:
    found = queen["machine_bouts"]
    asked = [{"start_s": b["start_s"], "end_s": b["end_s"], "kind": b["kind"], "octave": 0} for b in found]
    asked[1] |= {"start_s": found[1]["start_s"] + 0.3}
    clip = put_bouts(shared_page, queen, asked)
    bouts = clip["measurement"]["bouts"]
    assert bouts[0] == found[0]
    assert bouts[2] == found[2]
    assert bouts[1]["start_s"] == pytest.approx(found[1]["start_s"] + 0.3, abs=0.006)
    assert bouts[1]["f0_hz"] == pytest.approx(found[1]["f0_hz"], rel=0.01)
    assert bouts[1] != found[1]
    assert clip["machine_bouts"] == found
    assert clip["corrections"] == asked
    back = shared_page.client.delete(f"/api/clips/{queen['id']}/bouts").json()
    assert back["measurement"] == queen["measurement"]
    assert back["corrections"] is None


def test_the_octave_counts_where_the_machine_heard_nothing(
    shared_page: LivePage, queen: dict[str, Any]
) -> None:
    at = f"/api/clips/{queen['id']}/bouts"
    own = {"start_s": 0.1, "end_s": 0.5, "kind": "flight"}
    assert all(bout["start_s"] > 0.5 for bout in queen["machine_bouts"])
    plain = put_bouts(shared_page, queen, [own])["measurement"]["bouts"][0]["f0_hz"]
    for octave in (-1, 1):
        told = shared_page.client.put(at, json={"bouts": [{**own, "octave": octave}]})
        if LOWEST_HZ <= plain * 2.0**octave <= HIGHEST_HZ:
            heard = told.json()["measurement"]["bouts"][0]["f0_hz"]
            assert abs(math.log(heard / plain / 2.0**octave)) < 1.1 * REACH_LN
        else:
            assert told.status_code == 422
            assert "that octave would be at" in told.json()["error"]["what"]
    assert LOWEST_HZ <= plain * 2 <= HIGHEST_HZ, "one of them at least was measured"


def test_dropped_bouts_and_other_kinds_count_for_the_answer(
    shared_page: LivePage, queen: dict[str, Any]
) -> None:
    found = queen["machine_bouts"][0]
    one = {"start_s": found["start_s"], "end_s": found["end_s"], "kind": "sonication"}
    clip = put_bouts(shared_page, queen, [one])
    assert clip["flights"] == 0
    assert [bout["kind"] for bout in clip["measurement"]["bouts"]] == ["sonication"]
    assert clip["measurement"]["bouts"][0]["f0_hz"] == found["f0_hz"]
    (told,) = shared_page.client.post(f"/api/clips/{queen['id']}/answer", json={}).json()["answers"]
    assert told["size"]["itd_mm"] is None
    assert told["pictures"]["size"] is None
    none = put_bouts(shared_page, queen, [])
    assert none["measurement"]["bouts"] == []
    assert none["flights"] == 0


def test_the_octave_is_counted_from_the_machines_tone(shared_page: LivePage, queen: dict[str, Any]) -> None:
    found = queen["machine_bouts"][0]
    same = {"start_s": found["start_s"], "end_s": found["end_s"], "kind": "flight"}
    up = put_bouts(shared_page, queen, [{**same, "octave": 1}])["measurement"]["bouts"][0]
    assert up["f0_hz"] == pytest.approx(2 * found["f0_hz"], rel=0.02)
    again = put_bouts(shared_page, queen, [{**same, "octave": 1}])["measurement"]["bouts"][0]
    assert again == up
    refused = shared_page.client.put(
        f"/api/clips/{queen['id']}/bouts", json={"bouts": [{**same, "octave": -1}]}
    )
    assert refused.status_code == 400
    assert "60 to 460 Hz" in refused.json()["error"]["fields"]["bouts.0.octave"]


def test_faults_of_a_correction_are_told_by_field(shared_page: LivePage, queen: dict[str, Any]) -> None:
    bouts = [
        {"start_s": 1, "end_s": 1.05, "kind": "flight"},
        {"start_s": 50, "end_s": 51, "kind": "hover"},
        {"start_s": "1", "end_s": None, "octave": 2},
    ]
    answer = shared_page.client.put(f"/api/clips/{queen['id']}/bouts", json={"bouts": bouts})
    assert answer.status_code == 400
    assert set(answer.json()["error"]["fields"]) == {
        "bouts.0.end_s", "bouts.1.start_s", "bouts.1.end_s", "bouts.1.kind",
        "bouts.2.start_s", "bouts.2.end_s", "bouts.2.kind", "bouts.2.octave",
    }  # fmt: skip


# --- seen and answered ------------------------------------------------------------------------------------


def test_the_answer_is_that_of_the_command(
    shared_page: LivePage, queen: dict[str, Any], demo_clip: Path
) -> None:
    seen = {**queen["seen"], "hints": {"tail": "buff", "collar": "yellow"}}
    (told,) = shared_page.client.post(f"/api/clips/{queen['id']}/answer", json={"seen": seen}).json()[
        "answers"
    ]
    fauna = load()
    hints = parse_hints(["tail=buff", "collar=yellow"], fauna=fauna)
    (own,) = identify_measurement(measure_recording(demo_clip / QUEEN), fauna=fauna, hints=hints)
    expected = own.to_json()
    for name in ("castes", "size", "candidates", "taxa", "record_as", "evidence", "look_next"):
        assert told[name] == expected[name], name
    assert told["recording"]["path"] == QUEEN
    assert told["pictures"]["week"] == 11
    unchanged = shared_page.client.get(f"/api/clips/{queen['id']}").json()
    assert unchanged["seen"]["hints"] == {}, "a draft is not kept"


def test_the_pictures_show_the_numbers_of_the_fauna(shared_page: LivePage, queen: dict[str, Any]) -> None:
    (told,) = shared_page.client.post(f"/api/clips/{queen['id']}/answer", json={}).json()["answers"]
    size = told["pictures"]["size"]
    assert size["itd_low_mm"] < size["itd_mm"] < size["itd_high_mm"]
    for name in ("itd_mm", "itd_low_mm", "itd_high_mm"):
        assert size[name] == told["size"][name], "in full digits: shown in fewer, both say the same"
    # Kendall et al. 2019, specimen table, as in the fauna's size.csv: queens of B. terrestris
    beside = {(one["taxon"], one["caste"]): one for one in size["beside"]}
    assert beside["Bombus terrestris", "queen"]["itd_mm"] == 6.07
    why = told["pictures"]["why"]
    assert [one["taxon"] for one in why] == [share["taxon"] for share in told["taxa"]][:6]
    assert why[0]["evidence"] == told["evidence"], "of the leading name the answer says the same"
    season = told["pictures"]["season"]
    assert [one["taxon"] for one in season] == [
        share["taxon"] for share in told["taxa"] if share["taxon"] != "something else"
    ][:5]
    for one in season:
        assert len(one["weeks"]) == 53
        assert max(one["weeks"]) == 1.0
        assert min(one["weeks"]) >= 0.0


def test_an_answer_without_a_recording(shared_page: LivePage) -> None:
    seen = {"date": "2026-03-20", "hints": {"tail": "buff"}}
    (told,) = shared_page.client.post("/api/answer", json={"f0_hz": 130, "seen": seen}).json()["answers"]
    assert told["castes"][0]["caste"] == "queen"
    assert told["pictures"]["week"] == 12
    (bare,) = shared_page.client.post("/api/answer", json={"seen": {}, "f0_hz": None}).json()["answers"]
    assert bare["pictures"]["size"] is None
    refused = shared_page.client.post("/api/answer", json={"f0_hz": 9000})
    assert refused.json()["error"]["fields"] == {"f0_hz": "must lie between 40 and 500"}


def test_what_becomes_ready_while_it_is_told_is_not_told_as_ready_without_its_bouts(
    page: LivePage, demo_clip: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = f"/api/clips/{page.heard(page.bring(demo_clip / QUEEN)['id'])['id']}"
    clip_of, clip_json = clip_routes.clip_of, clip_routes.clip_json

    def before(request: Any) -> Any:
        clip = clip_of(request)
        clip.status = "listening"
        return clip

    def after(page: Any, clip: Any, *rest: Any) -> dict[str, Any]:
        clip.status = "ready"
        return clip_json(page, clip, *rest)

    with monkeypatch.context() as patch:
        patch.setattr(clip_routes, "clip_of", before)
        patch.setattr(clip_routes, "clip_json", after)
        told = page.client.get(at).json()
    assert (told["status"], told["measurement"]) == ("listening", None)
    told = page.client.get(at).json()
    assert told["status"] == "ready"
    assert told["measurement"]["bouts"]


def test_a_clip_is_ready_only_with_its_form_filled_in(
    page: LivePage, demo_clip: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else who looks at once keeps a record without the day that the recording states."""
    whole, statuses = stored.load, list[str]()

    def watched(*places: Path) -> Measurement:
        if not statuses:
            statuses.extend(clip["status"] for clip in page.client.get("/api/state").json()["clips"])
        return whole(*places)

    monkeypatch.setattr(stored, "load", watched)
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    assert statuses == ["listening"]
    assert (clip["seen"]["date"], clip["seen"]["time"]) == ("2026-03-12", "11:40")


def test_a_clip_is_ready_only_when_the_disk_knows_it(
    page: LivePage, demo_clip: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else what is said of it at once could be overwritten, and would be lost if the power went."""
    recordings, statuses = Page._recordings, list[str]()

    def watched(of: Page) -> set[str]:
        statuses.extend(clip.status for clip in of.desk.clips.values())
        return recordings(of)

    monkeypatch.setattr(Page, "_recordings", watched)
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    assert statuses == ["listening"]
    assert json.loads((page.desk / clip["id"] / "clip.json").read_bytes())["status"] == "ready"


def test_faults_of_the_form_are_told_by_field(shared_page: LivePage, queen: dict[str, Any]) -> None:
    seen = {
        "date": "2026-02-30",
        "place": "nowhere",
        "temperature_c": 99,
        "hints": {"tail": "blue", "horn": "red"},
    }
    answer = shared_page.client.put(f"/api/clips/{queen['id']}/seen", json=seen)
    assert answer.status_code == 400
    fields = answer.json()["error"]["fields"]
    assert set(fields) == {"date", "place", "temperature_c", "hints.tail", "hints.horn"}
    assert "white, buff" in fields["hints.tail"]
    time = shared_page.client.put(f"/api/clips/{queen['id']}/seen", json={"time": "11:40"})
    assert set(time.json()["error"]["fields"]) == {"date"}


# --- the notebook -----------------------------------------------------------------------------------------


def test_from_a_recording_to_a_record_and_its_history(page: LivePage, demo_clip: Path) -> None:
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    seen = {**clip["seen"], "hints": {"tail": "buff"}, "observer": "A. Recorder", "notes": "on sallow"}
    page.client.put(f"/api/clips/{clip['id']}/seen", json=seen)
    kept = page.client.post(f"/api/clips/{clip['id']}/record", json={})
    assert kept.status_code == 201
    assert kept.json()["cautions"] == []
    record = kept.json()["record"]
    assert record["status"] == "hint"
    assert record["event_date"] == "2026-03-12T11:40:05+00:00"
    assert record["recorder"] == "A. Recorder"
    assert page.client.post(f"/api/clips/{clip['id']}/record", json={}).json()["already"]
    again = {"again": True, "taxon": "buff-tailed bumblebee", "caste": "queen"}
    answer = page.client.post(f"/api/clips/{clip['id']}/record", json=again).json()
    (doubt,) = answer["cautions"]
    assert "the bee of record 1" in doubt["text"]
    second = answer["record"]
    assert (second["number"], second["taxon"], second["status"], second["sex"]) == (
        2, "Bombus terrestris", "decided", "female",
    )  # fmt: skip
    assert page.client.get(f"/api/clips/{clip['id']}").json()["recorded"]

    changed = page.client.patch("/api/records/2", json={"notes": "on crocus", "status": "confirmed"})
    assert changed.json()["record"]["version"] == 2
    shown = page.client.get("/api/records/2").json()
    assert [state["record"]["notes"] for state in shown["history"]] == ["on sallow", "on crocus"]
    assert shown["record"]["clip"] == clip["id"]
    assert shown["record"]["recording"]["path"] == QUEEN, "as it came, not as the desk calls its file"
    assert f"<td>{QUEEN}</td>" in page.client.get("/sheet/2").text
    wrong = page.client.patch("/api/records/2", json={"status": "sure", "event_date": "soon", "version": 7})
    assert set(wrong.json()["error"]["fields"]) == {"status", "event_date", "version"}

    page.client.delete("/api/records/1")
    assert [row["number"] for row in page.client.get("/api/records").json()["records"]] == [2]
    page.client.post("/api/records/1/restore")
    assert page.client.get("/api/records").json()["total"] == 2
    with Notebook.open(page.notebook, write=False) as opened:
        stored = opened.get(2).record
        assert opened.check() == []
    assert stored.recording is not None
    assert stored.recording.path == str(next((page.desk / clip["id"]).glob("sound-*")).resolve())
    assert stored.tone is not None
    assert stored.tone.n_bouts == 3


def test_hints_of_a_record_are_changed_one_by_one(page: LivePage) -> None:
    """So that what another window has said meanwhile stays, and what this fauna does not know."""
    seen = {"hints": {"tail": "buff", "collar": "yellow"}}
    page.client.post("/api/records", json={"seen": seen}).raise_for_status()
    with Notebook.open(page.notebook) as opened:
        opened.amend(1, change=lambda record: {"hints": {**record.hints, "horn": "long"}})
    page.client.patch("/api/records/1", json={"hints": {"tail": "white"}}).raise_for_status()
    said = page.client.patch("/api/records/1", json={"hints": {"collar": "", "face": "?"}}).json()["record"]
    assert said["hints"] == {"tail": "white", "horn": "long"}
    wrong = page.client.patch("/api/records/1", json={"hints": {"tail": "blue"}})
    assert set(wrong.json()["error"]["fields"]) == {"hints"}


def test_a_record_says_what_is_to_be_minded_of_it(page: LivePage) -> None:
    """An invasive species must be reported, whoever named it; a record in a notebook reaches nobody."""
    choice = {"taxon": "Asian hornet", "seen": {"date": "2100-06-01"}}
    kept = page.client.post("/api/records", json=choice).json()
    report, future = kept["cautions"]
    assert report["code"] == "report it"
    assert report["text"].startswith("Asian hornet: An invasive species: report it at once")
    assert future == {"code": "slip", "text": "the date, 2100-06-01, lies in the future"}
    assert page.client.get("/api/records/1").json()["cautions"] == [report, future]
    page.client.patch("/api/records/1", json={"event_date": "2026-06-01"}).raise_for_status()
    assert page.client.get("/api/records/1").json()["cautions"] == [report]
    page.client.patch("/api/records/1", json={"taxon": "hornet"}).raise_for_status()
    assert page.client.get("/api/records/1").json()["cautions"] == []


def test_the_state_tells_whether_the_notebook_was_changed(
    page: LivePage, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks: list[Notebook] = []
    recordings = Notebook.recordings

    def counted(opened: Notebook) -> set[str]:
        looks.append(opened)
        return recordings(opened)

    monkeypatch.setattr(Notebook, "recordings", counted)

    def mark() -> str:
        told: str = page.client.get("/api/state").json()["notebook"]["mark"]
        return told

    marks = [mark()]
    steps: list[Callable[[], httpx.Response]] = [
        lambda: page.client.post("/api/records", json={"taxon": "Bombus hortorum"}),
        lambda: page.client.patch("/api/records/1", json={"notes": "on clover"}),
        lambda: page.client.delete("/api/records/1"),
        lambda: page.client.post("/api/records/1/restore"),
    ]
    for step in steps:
        step().raise_for_status()
        marks.append(mark())
    assert len(set(marks)) == len(marks)
    looked = len(looks)
    assert mark() == marks[-1]
    assert len(looks) == looked, "every record is looked into only when something changed"


def test_a_corrected_measurement_is_what_the_record_holds(page: LivePage, demo_clip: Path) -> None:
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    put_bouts(page, clip, [{"start_s": 1.0, "end_s": 2.0, "kind": "flight"}])
    record = page.client.post(f"/api/clips/{clip['id']}/record", json={}).json()["record"]
    assert [(bout["start_s"], bout["end_s"]) for bout in record["recording"]["bouts"]] == [(1.0, 2.0)]
    assert record["tone"]["n_bouts"] == 1


def test_a_record_is_known_by_its_recording_and_its_bouts(page: LivePage, demo_clip: Path) -> None:
    """Not by a number, which another notebook and another bee have too."""
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    at = f"/api/clips/{clip['id']}"

    def stands() -> tuple[bool, dict[str, int]]:
        (listed,) = page.client.get("/api/state").json()["clips"]
        whole = page.client.get(at).json()
        assert whole["recorded"] == listed["recorded"]
        return listed["recorded"], whole["records"]

    assert stands() == (False, {})
    assert page.client.post(f"{at}/record", json={}).status_code == 201
    assert stands() == (True, {"1": 1})
    # what the bee was then is not what it is now
    one = {"start_s": 1.0, "end_s": 2.0, "kind": "flight"}
    assert put_bouts(page, clip, [one])["records"] == {}
    assert page.client.post(f"{at}/record", json={}).json()["record"]["number"] == 2
    assert stands() == (True, {"1": 2})
    assert page.client.delete(f"{at}/bouts").json()["records"] == {"1": 1}
    again = page.client.post(f"{at}/record", json={})
    assert (again.status_code, again.json()["already"], again.json()["record"]["number"]) == (200, True, 1)
    # once more: the earlier one keeps its recording and its strip
    assert page.client.post(f"{at}/record", json={"again": True}).json()["record"]["number"] == 3
    assert stands() == (True, {"1": 3})
    for number in (1, 2, 3):
        assert page.client.get(f"/api/records/{number}").json()["record"]["clip"] == clip["id"]
        assert f"{clip['id']}/whole.png" in page.client.get(f"/sheet/{number}").text
    # removed records are no records
    page.client.delete("/api/records/3").raise_for_status()
    assert stands() == (True, {"1": 1})
    for number in (1, 2):
        page.client.delete(f"/api/records/{number}").raise_for_status()
    assert stands() == (False, {})
    page.client.post("/api/records/2/restore").raise_for_status()
    assert stands() == (True, {})


def test_another_notebook_knows_nothing_of_the_recordings(tmp_path: Path, demo_clip: Path) -> None:
    with live(tmp_path) as page:
        clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
        assert page.client.post(f"/api/clips/{clip['id']}/record", json={}).status_code == 201
    with live(tmp_path, notebook=tmp_path / "other.sqlite") as page:
        (listed,) = page.client.get("/api/state").json()["clips"]
        assert listed["recorded"] is False
        page.client.post("/api/records", json={"taxon": "tree bumblebee", "seen": {}}).raise_for_status()
        assert page.client.get("/api/records/1").json()["record"]["clip"] is None
        assert "whole.png" not in page.client.get("/sheet/1").text
        kept = page.client.post(f"/api/clips/{clip['id']}/record", json={})
        assert (kept.status_code, kept.json()["record"]["number"]) == (201, 2)


def test_a_record_keeps_its_proof_though_the_desk_knows_nothing_of_it(
    page: LivePage, demo_clip: Path
) -> None:
    """The page was killed with the record in the notebook and the state of the recording not yet saved."""
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    twin = page.heard(page.bring(demo_clip / QUEEN, name="twin.m4a")["id"])
    state = page.desk / clip["id"] / "clip.json"
    before = state.read_bytes()
    page.client.post(f"/api/clips/{clip['id']}/record", json={}).raise_for_status()
    page.stop()
    state.write_bytes(before)
    page.start()
    assert page.client.post(f"/api/clips/{clip['id']}/record", json={}).json()["already"]
    for one in (clip, twin):
        page.client.delete(f"/api/clips/{one['id']}").raise_for_status()
    assert {path.name for path in page.desk.iterdir()} == {clip["id"]}, "the record has its own file"
    sent = page.client.post("/api/export", json={"format": "bwf"})
    with zipfile.ZipFile(io.BytesIO(sent.content)) as archive:
        assert len(archive.namelist()) == 3


def test_a_bee_that_was_only_seen(page: LivePage) -> None:
    seen = {"date": "2026-03-20", "time": "10:05", "place": "TQ 18 75", "hints": {"tail": "white"}}
    kept = page.client.post("/api/records", json={"seen": seen, "f0_hz": 140})
    assert kept.status_code == 201
    record = kept.json()["record"]
    assert record["event_date"] == "2026-03-20T10:05"
    assert record["recording"] is None
    assert record["tone"]["f0_hz"] == 140
    assert record["tone"]["duration_s"] is None
    assert record["status"] == "hint"
    named = page.client.post("/api/records", json={"seen": {}, "taxon": "tree bumblebee"}).json()["record"]
    assert (named["taxon"], named["status"]) == ("Bombus hypnorum", "decided")
    assert page.client.post("/api/records", json={"seen": {}}).status_code == 400
    assert page.client.get("/api/records").json()["total"] == 2


def fill(path: Path, n: int) -> None:
    from wingtone.notebook.places import parse_place
    from wingtone.notebook.records import Record

    taxa = ("Bombus terrestris", "Bombus hortorum", "Apis mellifera")
    with Notebook.open(path) as opened:
        for number in range(n):
            opened.add(
                Record(
                    event_date=f"2026-{3 + number % 6:02d}-{1 + number % 28:02d}",
                    place=parse_place("TQ 18 75" if number % 2 else "SU 50 50"),
                    taxon=taxa[number % 3],
                    caste="worker" if number % 3 == 1 else "",
                    status="rejected" if number == 5 else "decided",
                    recorder=f"R{number % 4}",
                )
            )


def test_lists_are_filtered_and_come_in_pages(tmp_path: Path) -> None:
    fill(tmp_path / "notebook.sqlite", 30)
    with live(tmp_path) as page:
        everything = page.client.get("/api/records").json()
        assert everything["total"] == 30
        days = [row["first_day"] for row in everything["records"]]
        assert days == sorted(days, reverse=True)
        got: list[int] = []
        after = 0
        while True:
            some = page.client.get("/api/records", params={"limit": 7, "after": after}).json()["records"]
            if not some:
                break
            got += [row["number"] for row in some]
            assert len(got) <= 30, "the pages do not come to an end"
            after = got[-1]
        assert got == [row["number"] for row in everything["records"]]

        def total(**asked: Any) -> int:
            return int(page.client.get("/api/records", params=asked).json()["total"])

        assert total(taxon="Bombus") == 20
        assert total(text="garden bumblebee") == 10
        assert total(since="2026-04-01", until="2026-04-30") == 5
        assert total(place="TQ17") == 15
        assert total(status="rejected") == 1
        assert total(recorder="r1") == 8
        wrong = page.client.get("/api/records", params={"since": "soon", "status": "sure", "place": "?"})
        assert set(wrong.json()["error"]["fields"]) == {"since", "status", "place"}

        season = page.client.get("/api/records/season").json()
        assert sum(sum(taxon["weeks"]) for taxon in season["taxa"]) == 29, "the rejected one does not count"
        garden = next(one for one in season["taxa"] if one["taxon"] == "Bombus hortorum")
        assert garden["vernacular"] == "Garden bumblebee"
        assert garden["weeks"] == garden["castes"]["worker"]
        some = page.client.get("/api/records/season", params={"text": "garden bumblebee"}).json()
        assert [one["taxon"] for one in some["taxa"]] == ["Bombus hortorum"]
        export = {"format": "csv", "filters": {"text": "garden bumblebee", "since": "2026-04-01"}}
        exported = page.client.post("/api/export", json=export).content.decode("utf-8-sig")
        names = {row["scientificName"] for row in csv.DictReader(io.StringIO(exported))}
        assert names == {"Bombus hortorum"}


def test_exports_are_those_of_the_notebook(page: LivePage, demo_clip: Path) -> None:
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    page.client.put(f"/api/clips/{clip['id']}/seen", json={**clip["seen"], "place": "TQ 187 753"})
    choice = {"taxon": "Bombus terrestris", "caste": "queen"}
    page.client.post(f"/api/clips/{clip['id']}/record", json=choice)

    def export(**asked: Any) -> httpx.Response:
        answer = page.client.post("/api/export", json=asked)
        assert answer.status_code == 200, answer.text
        assert answer.headers["content-disposition"].startswith("attachment; filename=")
        assert answer.headers["x-wingtone-records"] == "1"
        return answer

    with zipfile.ZipFile(io.BytesIO(export(format="darwin-core", blur_km=2).content)) as archive:
        assert {"meta.xml", "eml.xml", "occurrence.csv"} <= set(archive.namelist())
        row = next(csv.DictReader(io.StringIO(archive.read("occurrence.csv").decode())))
        assert row["scientificName"] == "Bombus terrestris"
        assert "187" not in row["verbatimCoordinates"]
        assert float(row["coordinateUncertaintyInMeters"]) > 1000
    table = next(csv.DictReader(io.StringIO(export(format="csv").content.decode("utf-8-sig"))))
    assert table["caste"] == "queen"
    point = json.loads(export(format="geojson", withhold_place=True).content)
    assert point["features"][0]["geometry"] is None
    with zipfile.ZipFile(io.BytesIO(export(format="bwf").content)) as archive:
        names = [name for name in archive.namelist() if name.endswith(".wav")]
        assert len(names) == 3
        with wave.open(io.BytesIO(archive.read(names[0]))) as file:
            assert file.getframerate() == 44_100
    labels = list(csv.DictReader(io.StringIO(export(format="labels").content.decode())))
    assert [row["caste"] for row in labels] == ["queen"] * 3
    refused = page.client.post("/api/export", json={"format": "pdf", "blur_km": 3, "withhold_place": 1})
    assert set(refused.json()["error"]["fields"]) == {"format", "blur_km", "withhold_place"}
    # Cleared away once the answer has gone out; nothing is left lying about.
    comes_to_hold(lambda: [path.name for path in page.desk.iterdir()] == [clip["id"]])


def test_an_export_says_what_looks_like_a_slip(page: LivePage, monkeypatch: pytest.MonkeyPatch) -> None:
    """As ``wingtone notebook export`` does."""
    with Notebook.open(page.notebook) as opened:
        opened.add(Record(event_date="2026-05-01", taxon="Bombus vestalis", caste="worker"))
        opened.add(Record(event_date="2026-05-01", taxon="Bombus hortorum"))
        opened.add(Record(event_date="2199-05-01", taxon="Bombus hortorum"))
        opened.add(Record(event_date="2026-05-01", taxon="Bombus \u00b5", caste="not a bumblebee"))
    for layout in ("darwin-core", "csv", "geojson"):
        sent = page.client.post("/api/export", json={"format": layout})
        slips = json.loads(sent.headers["x-wingtone-slips"])
        assert slips["more"] == 0
        assert [(one["number"], one["text"].split(",")[0]) for one in slips["told"]] == [
            (1, "there is no worker of Bombus vestalis"),
            (3, "the date"),
            (4, "it is called Bombus \u00b5 and not a bumblebee at once"),
        ]
    for layout in ("labels", "bwf"):
        sent = page.client.post("/api/export", json={"format": layout})
        assert json.loads(sent.headers["x-wingtone-slips"]) == {"told": [], "more": 0}
    monkeypatch.setattr("wingtone.web.export.MOST_TOLD", 2)
    slips = json.loads(page.client.post("/api/export", json={"format": "csv"}).headers["x-wingtone-slips"])
    assert (len(slips["told"]), slips["more"]) == (2, 1)


def test_an_export_says_what_it_leaves_out(
    page: LivePage, demo_clip: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("wingtone.web.export.MOST_CLIP_RECORDS", 1)
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    for _ in range(3):
        page.client.post(f"/api/clips/{clip['id']}/record", json={"again": True}).raise_for_status()
    sent = page.client.post("/api/export", json={"format": "bwf"})
    assert (sent.headers["x-wingtone-records"], sent.headers["x-wingtone-left-out"]) == ("1", "2")
    with zipfile.ZipFile(io.BytesIO(sent.content)) as archive:
        told = archive.read("left out.txt").decode().splitlines()
    assert [line.partition(":")[0] for line in told] == ["record 2", "record 3"]
    assert "wingtone notebook export" in told[0]


def test_work_is_told_of_as_it_goes_on(page: LivePage, demo_clip: Path, tmp_path: Path) -> None:
    """A worker that says nothing for a minute is taken for stuck."""
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    page.client.post(f"/api/clips/{clip['id']}/record", json={}).raise_for_status()
    told: list[dict[str, Any]] = []
    worker.cut_clips(str(page.notebook), [1], tmp_path / "clips", told.append)
    assert len(told) >= 2, "with the record, and with each block of its recording"
    assert {one["cutting"] for one in told} == {1}
    told.clear()
    folder = page.desk / clip["id"]
    asked = [{"start_s": 1.0, "end_s": end_s, "kind": "flight"} for end_s in (2.0, 2.5, 3.0)]
    worker.correct(next(folder.glob("sound-*")), folder, asked, "corrected-test", told.append)
    assert len(told) >= 1 + len(asked), "with each block of the recording, and with each bout"


def test_a_recording_that_a_record_points_to_stays(page: LivePage, demo_clip: Path) -> None:
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    page.client.post(f"/api/clips/{clip['id']}/record", json={"taxon": "Bombus terrestris"})
    page.client.delete(f"/api/clips/{clip['id']}")
    assert page.client.get("/api/state").json()["clips"] == []
    page.restart()
    assert page.client.get("/api/state").json()["clips"] == []
    with zipfile.ZipFile(
        io.BytesIO(page.client.post("/api/export", json={"format": "bwf"}).content)
    ) as archive:
        assert len(archive.namelist()) == 3
    gone = page.heard(page.bring(demo_clip / QUEEN)["id"])
    page.client.post(f"/api/clips/{gone['id']}/record", json={"taxon": "Bombus terrestris"})
    page.client.delete(f"/api/clips/{gone['id']}", params={"sound": "too"})
    assert not (page.desk / gone["id"]).exists()


def test_before_there_is_a_notebook(shared_page: LivePage) -> None:
    assert shared_page.client.get("/api/records/season").status_code == 200
    if not shared_page.notebook.exists():
        assert shared_page.client.get("/api/records").json() == {"records": [], "total": 0}
    assert shared_page.client.get("/api/records/77").status_code == 404
    assert shared_page.client.get("/sheet/77").status_code == 404


def test_what_another_fauna_knew_keeps_nobody_from_an_answer(
    page: LivePage, demo_clip: Path, tmp_path: Path
) -> None:
    """It was refused with all that was said after it, and is there again with the other fauna."""
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    at = f"/api/clips/{clip['id']}"
    page.client.patch(f"{at}/seen", json={"hints": {"tail": "buff", "wings": "dark"}}).raise_for_status()
    shutil.copytree(SHIPPED, tmp_path / "other")
    for name in ("characters", "appearance"):
        table = tmp_path / "other" / f"{name}.csv"
        lines = table.read_text(encoding="utf-8").splitlines(keepends=True)
        table.write_text("".join(line for line in lines if not WINGS.search(line)), encoding="utf-8")
    page.stop()
    with live(tmp_path, fauna=tmp_path / "other", notebook=page.notebook, desk=page.desk) as other:
        assert other.client.get(at).json()["seen"]["hints"] == {"tail": "buff"}
        (told,) = other.client.post(f"{at}/answer", json={}).json()["answers"]
        assert "tail" in {piece["name"] for piece in told["evidence"]}
        other.client.patch(
            f"{at}/seen", json={"notes": "on sallow", "hints": {"tail": "white"}}
        ).raise_for_status()
        kept = other.client.post(f"{at}/record", json={})
        assert kept.json()["record"]["hints"] == {"tail": "white"}
    page.start()
    seen = page.client.get(at).json()["seen"]
    assert (seen["notes"], seen["hints"]) == ("on sallow", {"tail": "white", "wings": "dark"})


# --- a model of one's own ---------------------------------------------------------------------------------


def test_a_trained_model_gives_its_word(tmp_path: Path, demo_clip: Path) -> None:
    from wingtone.learn.model_file import load_model, shipped_model

    path = shipped_model()
    with live(tmp_path, model=path) as page:
        state = page.client.get("/api/state").json()
        model = load_model(path)
        assert state["model"] == model.name
        assert state["model_notice"] == model.notice
        clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
        (told,) = page.client.post(f"/api/clips/{clip['id']}/answer", json={}).json()["answers"]
        own = identify_measurement(measure_recording(demo_clip / QUEEN), fauna=load(), hints={}, model=model)
        expected = own[0].to_json()["taxa"]
        assert [share["taxon"] for share in told["taxa"]][:10] == [share["taxon"] for share in expected][:10]
        # another process adds up in another order: the last digits may differ
        shares = [share["probability"] for share in told["taxa"]]
        assert shares == pytest.approx([share["probability"] for share in expected], rel=1e-5, abs=1e-9)
        assert "model" in {piece["kind"] for piece in told["evidence"]}
        page.restart()
        (again,) = page.client.post(f"/api/clips/{clip['id']}/answer", json={}).json()["answers"]
        assert [share["probability"] for share in again["taxa"]] == pytest.approx(shares, rel=1e-5, abs=1e-9)
        record = page.client.post(f"/api/clips/{clip['id']}/record", json={}).json()["record"]
        assert model.name in record["made_with"]["model"]


def test_a_window_changes_what_it_says_and_nothing_else(page: LivePage, demo_clip: Path) -> None:
    clip = page.heard(page.bring(demo_clip / "1_march_big_queen.m4a")["id"])
    address = f"/api/clips/{clip['id']}/seen"
    first = page.client.patch(address, json={"notes": "on the sallow", "hints": {"tail": "buff"}}).json()
    assert first["seen"] == {**clip["seen"], "notes": "on the sallow", "hints": {"tail": "buff"}}
    assert first["seen_version"] != clip["seen_version"]
    then = page.client.patch(address, json={"observer": "Ann", "hints": {"collar": "yellow"}}).json()["seen"]
    assert then["hints"] == {"tail": "buff", "collar": "yellow"}
    assert (then["notes"], then["observer"], then["date"]) == ("on the sallow", "Ann", "2026-03-12")
    last = page.client.patch(address, json={"hints": {"tail": ""}}).json()
    assert last["seen"]["hints"] == {"collar": "yellow"}
    for wrong in ({"date": ""}, {"hints": "tail"}, {"hints": {"tail": 3}}, {"place": "nowhere"}):
        refused = page.client.patch(address, json=wrong)
        assert refused.status_code == 400, wrong
    [brief] = page.client.get("/api/state").json()["clips"]
    assert brief["seen_version"] == last["seen_version"]


def test_bouts_made_from_older_ones_are_refused(page: LivePage, demo_clip: Path) -> None:
    clip = page.heard(page.bring(demo_clip / "4_july_tomato_flower.flac")["id"])
    address = f"/api/clips/{clip['id']}/bouts"
    bouts = [{name: bout[name] for name in ("start_s", "end_s", "kind")} for bout in clip["machine_bouts"]]
    wish = {"bouts": bouts[1:], "bouts_version": clip["bouts_version"]}
    newer = page.client.put(address, json=wish)
    assert newer.status_code == 200, newer.text
    refused = page.client.put(address, json={"bouts": bouts, "bouts_version": clip["bouts_version"]})
    assert refused.status_code == 409
    assert "another window" in refused.json()["error"]["what"]
    assert len(page.client.get(f"/api/clips/{clip['id']}").json()["corrections"]) == len(bouts) - 1
    wish = {"bouts": bouts, "bouts_version": newer.json()["bouts_version"]}
    assert page.client.put(address, json=wish).status_code == 200


def test_of_two_changes_in_one_instant_one_is_refused(
    page: LivePage, demo_clip: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both were made from the same bouts, and neither is kept yet when the other is looked at."""
    clip = page.heard(page.bring(demo_clip / FLOWER)["id"])
    bouts = [{name: bout[name] for name in ("start_s", "end_s", "kind")} for bout in clip["machine_bouts"]]
    wishes = [{"bouts": left, "bouts_version": clip["bouts_version"]} for left in (bouts[1:], bouts[:-1])]
    both, found, asked = threading.Barrier(2, timeout=60), Desk.found, []

    def together(desk: Desk, of: Clip) -> Measurement:
        asked.append(of.id)
        if len(asked) <= 2:
            both.wait()
        return found(desk, of)

    def put(wish: dict[str, Any]) -> httpx.Response:
        with httpx.Client(
            base_url=page.url, cookies=page.client.cookies, headers=page.client.headers, timeout=60.0
        ) as window:
            return window.put(f"/api/clips/{clip['id']}/bouts", json=wish)

    monkeypatch.setattr(Desk, "found", together)
    with ThreadPoolExecutor(2) as windows:
        answers = list(windows.map(put, wishes))
    assert sorted(answer.status_code for answer in answers) == [200, 409]
    ((taken, wish),) = [pair for pair in zip(answers, wishes, strict=True) if pair[0].status_code == 200]
    now = page.client.get(f"/api/clips/{clip['id']}").json()
    assert [{name: bout[name] for name in bouts[0]} for bout in now["corrections"]] == wish["bouts"]
    assert now["bouts_version"] == taken.json()["bouts_version"]
