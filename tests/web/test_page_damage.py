"""What a start makes of a desk that was damaged: no recording is ever lost by it.

Power cuts leave files empty or torn, other programs write into them, another version of wingtone keeps what
this one does not know.
"""

from __future__ import annotations

import io
import json
import os
import shutil
import threading
import time
import zipfile
from typing import TYPE_CHECKING, Any

import httpx
import pytest

from fuzz.recordings import wav
from web.conftest import comes_to_hold
from wingtone.errors import OutputError
from wingtone.web import clips, stored
from wingtone.web.desk import PART, Desk
from wingtone.web.workers import WorkerFailed, Workers

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from web.conftest import LivePage
    from wingtone.clip import Measurement

QUEEN = "1_march_big_queen.m4a"
STATE = "clip.json"
BOUTS = [{"start_s": 1.0, "end_s": 2.0, "kind": "flight", "octave": 0}]


def changed(**fields: Any) -> Callable[[bytes], bytes]:
    """Give a damage: the state with other fields; ``...`` takes one away."""

    def change(raw: bytes) -> bytes:
        state = json.loads(raw) | fields
        return json.dumps({name: value for name, value in state.items() if value is not ...}).encode()

    return change


DAMAGES: dict[str, Callable[[bytes], bytes]] = {
    "empty": lambda _: b"",
    "torn": lambda raw: raw[: len(raw) // 2],
    "zeros": lambda raw: b"\0" * len(raw),
    "no object": lambda _: b"[1, 2]",
    "a key is missing": changed(added_at=...),
    "unknown status": changed(status="dreaming"),
    "wrong kinds": changed(added_at=5, kept={"1": "one"}, seen=[]),
    "another file": changed(file="../../../etc/passwd"),
}
KEPT_ANYWAY = ("a key is missing", "unknown status", "another file")
"""Damages that leave what is said of records readable."""
STILL_AWAY = (*KEPT_ANYWAY, "wrong kinds")
"""Damages that leave it readable that a recording was taken off the desk."""


def listed(page: LivePage) -> list[dict[str, Any]]:
    clips: list[dict[str, Any]] = page.client.get("/api/state").json()["clips"]
    return clips


def clips_cut(page: LivePage) -> int:
    """How many bouts can be cut out of the recordings that records point to."""
    sent = page.client.post("/api/export", json={"format": "bwf"})
    with zipfile.ZipFile(io.BytesIO(sent.content)) as archive:
        return len([name for name in archive.namelist() if name.endswith(".wav")])


def corrected_and_kept(page: LivePage, demo_clip: Path) -> dict[str, Any]:
    """Bring a recording, correct it and keep a record of it."""
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    at = f"/api/clips/{clip['id']}"
    bouts = [{"start_s": 1.0, "end_s": 2.0, "kind": "flight"}]
    assert page.client.put(f"{at}/bouts", json={"bouts": bouts}).status_code == 200
    wish = {"taxon": "Bombus terrestris", "again": True}  # the same sound is brought several times
    assert page.client.post(f"{at}/record", json=wish).status_code == 201
    found: dict[str, Any] = page.client.get(at).json()
    assert found["flights"] == 1
    return found


def damage(page: LivePage, clip_id: str, name: str) -> bytes:
    """Damage the state of a recording; gives what the file holds then."""
    state = page.desk / clip_id / STATE
    state.write_bytes(DAMAGES[name](state.read_bytes()))
    return state.read_bytes()


def test_a_recording_whose_state_cannot_be_read_is_heard_anew(page: LivePage, demo_clip: Path) -> None:
    brought = {name: corrected_and_kept(page, demo_clip) for name in DAMAGES}
    damaged = {name: damage(page, before["id"], name) for name, before in brought.items()}
    page.restart()
    heard = {name: page.heard(before["id"]) for name, before in brought.items()}
    for name, clip in heard.items():
        before, folder = brought[name], page.desk / clip["id"]
        assert clip["status"] == "ready", name
        assert clip["measurement"]["bouts"] == before["machine_bouts"], name
        assert (clip["flights"], clip["corrections"]) == (3, None), name
        assert "could not be read" in clip["notice"], name
        assert clip["bytes"] == (demo_clip / QUEEN).stat().st_size, name
        assert clip["recorded"], name
        kept = json.loads((folder / STATE).read_bytes())["kept"]
        assert kept == (before["records"] if name in KEPT_ANYWAY else {}), name
        assert (folder / f"{STATE}.unread-1").read_bytes() == damaged[name], name
    # the next start reads them as any other, and a second damage does not take the place of the first
    twice = page.desk / brought["torn"]["id"]
    (twice / STATE).write_bytes(b"again")
    page.restart()
    for name, clip in heard.items():
        assert {**page.heard(clip["id"]), "added_at": ""} == {**clip, "added_at": ""}, name
    assert (twice / f"{STATE}.unread-1").read_bytes() == damaged["torn"]
    assert (twice / f"{STATE}.unread-2").read_bytes() == b"again"
    # whether a record points to one cannot be known for certain, so its sound outlives the desk
    for clip in heard.values():
        page.client.delete(f"/api/clips/{clip['id']}").raise_for_status()
    page.restart()
    assert listed(page) == []
    assert (twice / f"{STATE}.unread-2").read_bytes() == b"again"
    assert clips_cut(page) == len(DAMAGES)


def limits(bouts: list[dict[str, Any]]) -> list[tuple[float, float]]:
    return [(bout["start_s"], bout["end_s"]) for bout in bouts]


@pytest.mark.parametrize(
    "harm", ["half written", "not named yet", "of an earlier version", "gone", "no sense"]
)
def test_the_bouts_said_are_the_bouts_measured(page: LivePage, demo_clip: Path, harm: str) -> None:
    """Whatever was lost of a corrected measurement: power goes, or the page is killed, at any moment."""
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    folder, at = page.desk / clip["id"], f"/api/clips/{clip['id']}/bouts"
    first = BOUTS
    told = page.client.put(at, json={"bouts": first}).json()
    before = (folder / STATE).read_bytes()
    (measured,) = folder.glob("corrected*")
    if harm == "not named yet":  # the worker was done, the page not
        page.client.put(at, json={"bouts": [{**first[0], "end_s": 2.5}]}).raise_for_status()
    page.stop()
    if harm == "half written":
        (measured / "line.npz").write_bytes(b"PK")
    elif harm == "gone":
        shutil.rmtree(measured)
    elif harm == "of an earlier version":
        measured.rename(folder / "corrected")
        before = changed(corrected=...)(before)
    elif harm == "no sense":
        (measured / "measurement.json").unlink()
        before = changed(corrections=[{"begin": 1.0}])(before)
    (folder / STATE).write_bytes(before)
    page.start()
    now = page.heard(clip["id"])
    if harm == "no sense":  # nobody can know what was asked for
        assert (now["corrections"], now["measurement"]) == (None, clip["measurement"])
    else:
        assert now["corrections"] == first
        assert now["measurement"] == told["measurement"]
    again = page.client.put(at, json={"bouts": [{**first[0], "end_s": 2.5}]}).json()
    assert limits(again["measurement"]["bouts"]) == limits(again["corrections"]) == [(1.0, 2.5)]
    assert len(list(folder.glob("corrected*"))) == 1, "what does not count is cleared away"
    back = page.client.delete(at).json()
    assert (back["corrections"], back["measurement"]) == (None, clip["measurement"])
    assert not list(folder.glob("corrected*"))


def test_a_recording_that_could_not_be_used_is_no_dead_end(page: LivePage, demo_clip: Path) -> None:
    """A killed worker, a full disk, a damaged measurement: the sound is as good as before."""
    clip = page.heard(page.bring(demo_clip / QUEEN, name="my \u201cqueen\u201d.m4a")["id"])
    at = f"/api/clips/{clip['id']}"
    seen = {**clip["seen"], "notes": "on crocus"}
    page.client.put(f"{at}/seen", json=seen).raise_for_status()
    assert page.client.post(f"{at}/listen", json={}).status_code == 400, "it was heard well"
    bouts = BOUTS
    corrected = page.client.put(f"{at}/bouts", json={"bouts": bouts}).json()
    page.stop()
    (page.desk / clip["id"] / "measurement.json").write_text("{}")
    page.start()
    refused = page.client.get(at)
    assert refused.status_code == 409
    assert "damaged" in refused.json()["error"]["what"]
    (brief,) = listed(page)
    assert (brief["status"], bool(brief["error"]["what"])) == ("failed", True)
    page.restart()
    assert [one["status"] for one in listed(page)] == ["failed"]
    back = page.client.get(f"{at}/original")
    assert back.content == (demo_clip / QUEEN).read_bytes()
    assert back.headers["content-disposition"].startswith("attachment")
    assert "my%20%E2%80%9Cqueen" in back.headers["content-disposition"]
    again = page.client.post(f"{at}/listen", json={})
    assert (again.status_code, again.json()["status"], again.json()["error"]) == (202, "waiting", None)
    now = page.heard(clip["id"])
    assert (now["machine_bouts"], now["seen"]) == (clip["machine_bouts"], seen)
    until = time.monotonic() + 60
    while now["corrections"] is None:  # what was corrected before is measured again
        assert time.monotonic() < until, "what was corrected before was not measured again"
        time.sleep(0.05)
        now = page.client.get(at).json()
    assert (now["corrections"], now["measurement"]) == (bouts, corrected["measurement"])


def heard_again(page: LivePage, clip: dict[str, Any]) -> dict[str, Any]:
    """Have a recording listened to again as its measurement was damaged; gives its brief at the end."""
    comes_to_rest(page, clip)
    page.stop()
    (page.desk / clip["id"] / "measurement.json").write_text("{", encoding="utf-8")
    page.start()
    assert page.client.get(f"/api/clips/{clip['id']}").status_code == 409
    return tried_again(page, clip)


def tried_again(page: LivePage, clip: dict[str, Any]) -> dict[str, Any]:
    """Try a recording again; gives its brief once it has come to an end, its corrections included."""
    page.client.post(f"/api/clips/{clip['id']}/listen", json={}).raise_for_status()
    comes_to_hold(
        lambda: listed(page)[0]["status"] in ("ready", "failed") and at_rest(page, clip),
        what="the end of its hearing",
    )
    return listed(page)[0]


def at_rest(page: LivePage, clip: dict[str, Any]) -> bool:
    """Whether what the page shows of a recording stands on the disk as well."""
    state = json.loads((page.desk / clip["id"] / STATE).read_bytes())
    return state["status"] in ("ready", "failed")


def comes_to_rest(page: LivePage, clip: dict[str, Any]) -> None:
    """Wait until it does: it is told as ready a moment earlier."""
    comes_to_hold(lambda: at_rest(page, clip), what="the recording at rest on the disk")


def test_what_was_emptied_stays_empty_when_it_is_heard_again(page: LivePage, demo_clip: Path) -> None:
    """The day that a phone wrote may be wrong; and a queen flies in March at the freezing point."""
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    assert clip["seen"]["date"]
    at = f"/api/clips/{clip['id']}"
    said = {"date": "", "time": "", "temperature_c": 0}
    seen = page.client.patch(f"{at}/seen", json=said).json()["seen"]
    assert heard_again(page, clip)["status"] == "ready"
    assert page.client.get(at).json()["seen"] == seen


def with_correction(page: LivePage, demo_clip: Path) -> tuple[dict[str, Any], str]:
    """Bring a recording and correct it to `BOUTS`; gives it as it was before, and its address."""
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    at = f"/api/clips/{clip['id']}"
    page.client.put(f"{at}/bouts", json={"bouts": BOUTS}).raise_for_status()
    return clip, at


def test_corrections_outlive_a_try_that_fails(
    page: LivePage, demo_clip: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clip, at = with_correction(page, demo_clip)
    write = clips.write

    def full(clip: clips.Clip, folder: Path) -> None:
        if clip.status == "ready":
            raise OutputError("no room is left")
        write(clip, folder)

    with monkeypatch.context() as patched:
        patched.setattr(clips, "write", full)
        failed = heard_again(page, clip)
    assert (failed["status"], failed["error"]["what"]) == ("failed", "no room is left")
    assert tried_again(page, clip)["status"] == "ready"
    assert page.client.get(at).json()["corrections"] == BOUTS


def test_corrections_that_cannot_be_measured_again_are_told(
    page: LivePage, demo_clip: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clip, at = with_correction(page, demo_clip)
    do = Workers.do

    async def stuck(self: Workers, job: dict[str, Any], **more: Any) -> dict[str, Any]:
        if job["do"] == "correct":
            raise WorkerFailed("it got stuck and was stopped")
        return await do(self, job, **more)

    with monkeypatch.context() as patched:
        patched.setattr(Workers, "do", stuck)
        assert heard_again(page, clip)["status"] == "ready"
    page.restart()
    now = page.client.get(at).json()
    assert (now["corrections"], now["measurement"]) == (None, clip["measurement"])
    assert "could not be measured again" in now["notice"]
    assert "it got stuck" in now["notice"]
    assert page.client.put(f"{at}/bouts", json={"bouts": BOUTS}).json()["notice"] is None


def test_another_try_outlives_the_end_of_the_page(page: LivePage, demo_clip: Path) -> None:
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    page.stop()
    state = page.desk / clip["id"] / STATE
    state.write_bytes(
        changed(status="failed", error={"what": "it stopped", "remedy": ""})(state.read_bytes())
    )
    page.start()
    page.client.post(f"/api/clips/{clip['id']}/listen", json={}).raise_for_status()
    page.restart()  # in the middle of it, or just after
    assert page.heard(clip["id"])["status"] == "ready"


def test_a_slow_reader_does_not_bring_old_bouts_back(
    page: LivePage, demo_clip: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    at = f"/api/clips/{clip['id']}"
    first, second = ({"start_s": 1.0, "end_s": end_s, "kind": "flight"} for end_s in (2.0, 2.5))
    page.client.put(f"{at}/bouts", json={"bouts": [first]}).raise_for_status()
    page.restart()  # nothing is held ready
    read, go_on = threading.Event(), threading.Event()
    whole = stored.load

    def slow(folder: Path, source: Path) -> Measurement:
        measurement = whole(folder, source)
        if folder.name.startswith("corrected") and not read.is_set():
            read.set()
            assert go_on.wait(60)
        return measurement

    monkeypatch.setattr(stored, "load", slow)
    with httpx.Client(base_url=page.url, cookies=page.client.cookies, timeout=60.0) as other:
        reader = threading.Thread(target=other.get, args=(f"{at}/line",))
        reader.start()
        assert read.wait(60)
        page.client.put(f"{at}/bouts", json={"bouts": [second]}).raise_for_status()
        go_on.set()
        reader.join(60)
    now = page.client.get(at).json()
    assert limits(now["measurement"]["bouts"]) == limits(now["corrections"]) == [(1.0, 2.5)]


def test_the_proof_of_a_record_outlives_its_state(page: LivePage, demo_clip: Path) -> None:
    """It was taken off the desk, and only its file stays, for the record alone."""
    ids = {name: corrected_and_kept(page, demo_clip)["id"] for name in DAMAGES}
    damaged = {}
    for name, clip_id in ids.items():
        page.client.delete(f"/api/clips/{clip_id}").raise_for_status()
        assert json.loads((page.desk / clip_id / STATE).read_bytes())["away"] is True
        damaged[name] = damage(page, clip_id, name)
    page.restart()
    assert clips_cut(page) == len(DAMAGES)
    back = {clip["id"] for clip in listed(page)}
    assert back == {clip_id for name, clip_id in ids.items() if name not in STILL_AWAY}
    for name, clip_id in ids.items():
        if name in STILL_AWAY:  # nothing is to be done, so nothing is touched
            assert (page.desk / clip_id / STATE).read_bytes() == damaged[name], name
        else:
            assert page.heard(clip_id)["flights"] == 3, name
            assert (page.desk / clip_id / f"{STATE}.unread-1").read_bytes() == damaged[name], name


NOTEBOOKS: dict[str, Callable[[bytes], bytes]] = {
    "no notebook": lambda _: b"milk, honey\n",
    "another file": lambda _: wav(b"\0" * 1000),
    "pages overwritten": lambda raw: raw[:4096] + b"\xa5" * (len(raw) - 4096),
}


@pytest.mark.parametrize("harm", [*NOTEBOOKS, "out of reach"])
def test_a_notebook_that_cannot_be_read_keeps_nobody_from_their_recordings(
    page: LivePage, demo_clip: Path, monkeypatch: pytest.MonkeyPatch, harm: str
) -> None:
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    at = f"/api/clips/{clip['id']}"
    page.client.post(f"{at}/record", json={}).raise_for_status()
    assert page.client.get("/api/state").json()["notebook"]["error"] is None
    page.stop()
    if harm == "out of reach":  # its folder may not be entered
        exists = type(page.notebook).exists

        def denied(path: Path) -> bool:
            if path == page.notebook:
                raise PermissionError(13, os.strerror(13), str(path))
            return exists(path)

        monkeypatch.setattr("pathlib.Path.exists", denied)
    else:
        page.notebook.write_bytes(NOTEBOOKS[harm](page.notebook.read_bytes()))
    page.start()
    state = page.client.get("/api/state").json()
    assert state["notebook"]["mark"] is None
    refused = page.client.get("/api/records")
    assert refused.status_code in (409, 507)
    assert state["notebook"]["error"] == refused.json()["error"], "as every other route tells it"
    assert [one["id"] for one in state["clips"]] == [clip["id"]]
    assert page.client.get(at).json()["measurement"] == clip["measurement"]
    assert page.client.post(f"{at}/answer", json={}).status_code == 200
    second = page.heard(page.bring(demo_clip / QUEEN)["id"])
    assert second["status"] == "ready"
    assert page.client.post(f"/api/clips/{second['id']}/record", json={}).status_code in (409, 507)


def test_what_a_newer_version_adds_is_kept(page: LivePage, demo_clip: Path) -> None:
    clip = page.heard(page.bring(demo_clip / QUEEN)["id"])
    state = page.desk / clip["id"] / STATE
    state.write_bytes(changed(weather={"wind": 3})(state.read_bytes()))
    page.restart()
    seen = {**clip["seen"], "notes": "on sallow"}
    page.client.put(f"/api/clips/{clip['id']}/seen", json=seen).raise_for_status()
    now = json.loads(state.read_bytes())
    assert (now["weather"], now["seen"]["notes"]) == ({"wind": 3}, "on sallow")
    assert page.heard(clip["id"])["notice"] is None


def test_only_what_never_ended_is_cleared_away(tmp_path: Path) -> None:
    """What an earlier version left half brought cannot be told from a recording, so it is taken for one."""
    desk = Desk(tmp_path)
    clip, file = desk.begin("walk 2026-05-01.wav")
    with file:
        file.write(wav(b"\0" * 1000))
    assert [path.name for path in tmp_path.iterdir()] == [clip.id + PART]
    desk.close()  # as the end of the process does
    older = tmp_path / "00112233445566ff"
    older.mkdir()
    (older / "sound-walk.wav").write_bytes(wav(b"\0" * 1000))
    (tmp_path / "0000000000000000").mkdir()
    theirs = ["export-holidays", "a.part", "0011223344556677.parts", f"export-x{PART}"]
    for name in theirs:
        (tmp_path / name).mkdir()
        (tmp_path / name / "sound.wav").write_bytes(b"mine")
    (tmp_path / f"export-abcd_123{PART}").mkdir()
    again = Desk(tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([older.name, *theirs])
    (taken,) = again.clips.values()
    assert (taken.name, taken.status, taken.recovered) == ("walk.wav", "waiting", True)
    assert again.notices == []
    again.close()


def test_what_is_removed_does_not_come_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also when the power goes while its files are being deleted, whichever went first."""
    desk = Desk(tmp_path)
    clip, file = desk.begin("walk.wav")
    with file:
        file.write(wav(b"\0" * 1000))
    desk.keep(clip)
    monkeypatch.setattr("wingtone.web.desk.shutil.rmtree", lambda folder, **_: (folder / STATE).unlink())
    desk.remove(clip)
    desk.close()
    monkeypatch.undo()
    again = Desk(tmp_path)
    assert (again.clips, again.notices, list(tmp_path.iterdir())) == ({}, [], [])
    again.close()


def test_what_cannot_be_recovered_is_left_and_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    names = {"00000000000000aa": ["sound-a.wav", "sound-b.wav"], "00000000000000bb": ["notes.txt"]}
    for folder, inside in names.items():
        (tmp_path / folder).mkdir()
        for name in inside:
            (tmp_path / folder / name).write_bytes(b"mine")
    full = tmp_path / "00000000000000cc"
    full.mkdir()
    (full / "sound-c.wav").write_bytes(wav(b"\0" * 1000))
    (full / STATE).write_bytes(b"")

    def no_room(*_: object) -> None:
        raise OSError(28, os.strerror(28))

    with monkeypatch.context() as patch:
        patch.setattr("pathlib.Path.rename", no_room)
        desk = Desk(tmp_path)
        desk.close()
    assert desk.clips == {}
    for folder in (*names, full.name):
        (told,) = [notice for notice in desk.notices if folder in notice]
        assert "left as it is" in told or "was left" in told
    left = {path.name: sorted(one.name for one in path.iterdir()) for path in tmp_path.iterdir()}
    assert left == {**names, full.name: [STATE, "sound-c.wav"]}
    again = Desk(tmp_path)  # there is room again
    assert list(again.clips) == [full.name]
    again.close()
