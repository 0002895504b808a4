"""What the page must refuse, on a real server: strangers, tricks with names, hostile files, lost workers.

Sources: the ways in are those of the common lists (DNS rebinding, cross-site request forgery, path traversal,
script injection, decompression and header bombs); common practice, no source.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast
from urllib.parse import quote

import httpx
import pytest

from fuzz.recordings import hostile_files, wav
from web.conftest import LivePage, comes_to_hold, live
from wingtone.web.desk import Limits
from wingtone.web.door import CHANGE_AFTER, COOKIE, TRIES_ALL, TRIES_EACH, WITHIN_S, Doorkeeper
from wingtone.web.workers import Workers

if TYPE_CHECKING:
    from starlette.applications import Starlette
    from starlette.types import Message, Scope

PROC = Path("/proc")


def alive(page: LivePage) -> None:
    """The page still answers whom it should."""
    assert page.client.get("/api/state").status_code == 200


def cookie_of(page: LivePage) -> str:
    """The cookie that lets the page's own client in, as a header."""
    return "; ".join(f"{name}={value}" for name, value in page.client.cookies.items())


# --- who asks ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["/", "/api/state", "/static/page.css", "/api/clips/0/sound.wav"])
@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "evil.example:{port}",
        "127.0.0.1.evil.example:{port}",
        "localhost.evil.example:{port}",
        "127.0.0.1:1",
        "127.0.0.1",
        "0.0.0.0:{port}",
        "[::ffff:127.0.0.1]:{port}",
        "127.0.0.1:{port}@evil.example",
        "",
    ],
)
def test_a_foreign_name_that_points_here_gets_nothing(shared_page: LivePage, host: str, path: str) -> None:
    """DNS rebinding: the browser believes it talks to the site, so Host is all that tells."""
    port = httpx.URL(shared_page.url).port
    answer = shared_page.client.get(path, headers={"Host": host.format(port=port)})
    assert answer.status_code == 421
    assert "token" not in answer.text
    alive(shared_page)


def test_our_own_names_are_served(shared_page: LivePage) -> None:
    port = httpx.URL(shared_page.url).port
    for host in (f"127.0.0.1:{port}", f"localhost:{port}", f"LOCALHOST:{port}"):
        assert shared_page.client.get("/api/state", headers={"Host": host}).status_code == 200


CHANGING = [
    ("POST", "/api/clips"),
    ("DELETE", "/api/clips/0123456789abcdef"),
    ("PUT", "/api/clips/0123456789abcdef/bouts"),
    ("PUT", "/api/clips/0123456789abcdef/seen"),
    ("POST", "/api/clips/0123456789abcdef/record"),
    ("POST", "/api/answer"),
    ("PATCH", "/api/records/1"),
    ("DELETE", "/api/records/1"),
    ("POST", "/api/export"),
]


@pytest.mark.parametrize(("method", "path"), CHANGING)
@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "https://127.0.0.1:{port}"},
        {"Origin": "http://127.0.0.1:1"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"X-Wingtone-Token": ""},
        {"X-Wingtone-Token": "guess"},
        {"X-Wingtone-Token": "gu\u00e9ss"},
    ],
)
def test_no_other_site_can_change_anything(
    shared_page: LivePage, method: str, path: str, headers: dict[str, str]
) -> None:
    port = httpx.URL(shared_page.url).port
    sent = {b"X-File-Name": b"a.wav"}
    sent |= {name.encode(): text.format(port=port).encode("latin-1") for name, text in headers.items()}
    before = sorted(shared_page.desk.iterdir())
    answer = shared_page.client.request(method, path, content=b"{}", headers=sent)
    assert answer.status_code == 403
    assert sorted(shared_page.desk.iterdir()) == before
    alive(shared_page)


def test_a_form_of_another_site_without_any_telling_header_lacks_the_token(shared_page: LivePage) -> None:
    """Old browsers send neither Origin nor Sec-Fetch-Site; the token stands alone."""
    with httpx.Client(base_url=shared_page.url, cookies=shared_page.client.cookies, timeout=60) as stranger:
        assert stranger.get("/api/state").status_code == 200
        assert stranger.post("/api/clips", content=wav(b"\0" * 100)).status_code == 403


def test_another_account_of_this_machine_gets_nothing(shared_page: LivePage) -> None:
    """The address of this machine is open to all who use it; what they lack is the code."""
    token = {"X-Wingtone-Token": shared_page.client.headers["X-Wingtone-Token"]}
    with httpx.Client(base_url=shared_page.url, timeout=60) as other:
        for path in ("/api/state", "/api/records", "/api/events", "/api/clips/0123456789abcdef/sound.wav"):
            answer = other.get(path)
            assert answer.status_code == 401, path
            assert "token" not in answer.text
        for method, path in CHANGING:
            assert other.request(method, path, content=b"{}", headers=token).status_code == 401, path
        for path in ("/", "/sheet/1", "/static/main.js", "/nothing"):
            answer = other.get(path, follow_redirects=True)
            assert (answer.status_code, answer.url.path) == (200, "/enter"), path
            assert answer.headers["content-type"].startswith("text/html")
            assert "Open the address that it printed there" in answer.text
            assert "default-src 'none'" in answer.headers["content-security-policy"]
        assert not other.cookies
    alive(shared_page)


def test_the_printed_address_lets_one_browser_in_and_knows_it_again(shared_page: LivePage) -> None:
    address = shared_page.address
    assert shared_page.client.head(address).status_code == 303, "who is in is sent on, and uses no code up"
    browser = partial(httpx.Client, base_url=shared_page.url, timeout=60)
    with browser() as own, browser() as other:
        assert other.head(address).status_code == 200, "looking at what an address is does not use it up"
        entered = own.get(address)
        assert (entered.status_code, entered.headers["location"]) == (303, "/")
        cookie = entered.headers["set-cookie"]
        port = httpx.URL(shared_page.url).port
        assert cookie.startswith(f"{COOKIE}_{port}="), "a page on another port has a cookie of its own"
        assert "HttpOnly" in cookie
        assert "SameSite=strict" in cookie
        assert shared_page.address != address, "the code was used up"
        for _ in range(2):
            again = own.get(address, follow_redirects=True)
            assert (again.status_code, again.url.path) == (200, "/")
        assert own.get("/api/state").status_code == 200
        late = other.get(address)
        assert late.status_code == 403
        assert "each serves once" in late.text
        assert not other.cookies
        assert other.get("/api/state").status_code == 401
        foreign = other.get(shared_page.address, headers={"Host": "evil.example"})
        assert foreign.status_code == 421
        sent = {"Origin": "http://evil.example"}
        assert other.post("/enter", data={"code": "x"}, headers=sent).status_code == 403
    alive(shared_page)


@pytest.mark.parametrize("path", ["/api/state", "/api/records", "/api/events"])
def test_no_other_site_can_read(shared_page: LivePage, path: str) -> None:
    answer = shared_page.client.get(path, headers={"Origin": "http://evil.example"})
    assert answer.status_code == 403
    assert "access-control-allow-origin" not in answer.headers


def test_every_answer_says_what_may_be_done_with_it(shared_page: LivePage) -> None:
    paths = [
        "/",
        "/api/state",
        "/static/main.js",
        "/static/nothing.js",
        "/nothing",
        "/sheet/1",
        "/api/clips/x",
    ]
    for path in paths:
        headers = shared_page.client.get(path).headers
        assert headers["x-content-type-options"] == "nosniff", path
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert headers["cross-origin-resource-policy"] == "same-origin"
    foreign = shared_page.client.get("/", headers={"Host": "evil.example"})
    assert foreign.headers["x-content-type-options"] == "nosniff"


def test_requests_that_are_no_requests_do_not_stop_it(shared_page: LivePage) -> None:
    port = httpx.URL(shared_page.url).port
    host = f"Host: 127.0.0.1:{port}\r\nCookie: {cookie_of(shared_page)}\r\n".encode()
    lines = [
        b"\0\1\2\3\r\n\r\n",
        b"GET / HTTP/1.1\r\n\r\n",
        b"GET / HTTP/1.1\r\n" + host + b"Host: evil.example\r\n\r\n",
        b"GET /" + b"a" * 70_000 + b" HTTP/1.1\r\n" + host + b"\r\n",
        b"POST /api/clips HTTP/1.1\r\n" + host + b"Content-Length: -5\r\n\r\n",
        b"POST /api/clips HTTP/1.1\r\n" + host + b"Content-Length: 99999999999999999999\r\n\r\n",
        b"POST /api/clips HTTP/1.1\r\n" + host + b"Transfer-Encoding: chunked\r\n\r\nZZ\r\n",
        b"GET http://evil.example/api/state HTTP/1.1\r\n" + host + b"\r\n",
    ]
    for line in lines:
        with socket.create_connection(("127.0.0.1", port), timeout=60) as link:
            link.sendall(line)
            link.shutdown(socket.SHUT_WR)
            told = b""
            while piece := link.recv(65_536):
                told += piece
        assert not re.match(rb"HTTP/1\.1 2", told) or line.startswith(b"GET http://"), line[:60]
        assert b"passwd" not in told
    alive(shared_page)


def test_what_nobody_foresaw_is_told_as_everything_else(
    page: LivePage, monkeypatch: pytest.MonkeyPatch, demo_clip: Path
) -> None:
    clip = page.heard(page.bring(demo_clip / "1_march_big_queen.m4a")["id"])

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr("wingtone.web.clip_routes._line", broken)
    answer = page.client.get(f"/api/clips/{clip['id']}/line")
    assert answer.status_code == 500
    assert "went wrong" in answer.json()["error"]["what"]
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["connection"] == "close", "the server hangs up after what it did not foresee"
    alive(page)
    for number in ("9" * 15, "9" * 400, "9" * 5000):
        for path in (
            f"/api/clips/{clip['id']}/tiles/0/{number}.png",
            f"/sheet/{number}",
            f"/api/records/{number}",
        ):
            assert page.client.get(path).status_code == 404, path[:60]
        assert page.client.get(f"/api/clips/{clip['id']}/tiles/{number}/0.png").status_code == 404
    many = [{"start_s": 1234.567, "end_s": 1234.987, "kind": "sonication", "octave": -1}] * 5000
    told = page.client.put(f"/api/clips/{clip['id']}/bouts", json={"bouts": many})
    assert told.status_code == 400, "as many as are allowed are read, and then found to lie beyond the end"
    assert "bouts.4999.start_s" in told.json()["error"]["fields"]


# --- names ------------------------------------------------------------------------------------------------

NAMES = [
    "../../../etc/passwd",
    "..\\..\\windows\\system32\\evil.wav",
    "/etc/passwd",
    "C:\\evil.wav",
    "CON",
    "NUL.wav",
    "a\0b.wav",
    "%2e%2e%2fevil.wav",
    ".",
    "..",
    "",
    "\u202egnp.wav",
    "x" * 5000 + ".wav",
    "clip.json",
    "a.wav:stream",
    "<img src=x onerror=alert(1)>.wav",
    '"><script>alert(1)</script>.wav',
    "caf\u00e9 \U0001f41d.wav",
    "\ud800.wav",
    "line\nbreak\r\nX-Header: 1.wav",
]


def test_no_name_becomes_a_path_or_markup(page: LivePage) -> None:
    sound = wav(b"\0\0" * 8000)
    outside = {path for path in page.desk.parent.rglob("*") if not path.is_relative_to(page.desk)}
    for name in NAMES:
        header = {"X-File-Name": quote(name.encode("utf-8", "surrogatepass"))}
        answer = page.client.post("/api/clips", content=sound, headers=header)
        assert answer.status_code == 201, (name, answer.text)
        brief = answer.json()
        assert brief["name"]
        assert brief["name"].isprintable()
        assert answer.headers["content-type"] == "application/json"
        folder = page.desk / brief["id"]
        inside = [path.name for path in folder.iterdir() if path.name.startswith("sound")]
        assert len(inside) == 1
        assert re.fullmatch(r"sound-[A-Za-z0-9_-]{0,80}\.[a-z0-9]{1,5}", inside[0]), inside
    for clip in page.client.get("/api/state").json()["clips"]:
        page.heard(clip["id"])
    now = {path for path in page.desk.parent.rglob("*") if not path.is_relative_to(page.desk)}
    assert {path.name for path in now - outside} <= {"notebook.sqlite", "notebook.sqlite-wal"}
    assert all(re.fullmatch("[0-9a-f]{16}", path.name) for path in page.desk.iterdir())


@pytest.mark.parametrize(
    "path",
    [
        "/static/../application.py",
        "/static/%2e%2e/application.py",
        "/static/..%2f..%2fclip.py",
        "/static/..%5c..%5cclip.py",
        "/static//etc/passwd",
        "/static/%00",
        "/api/clips/..%2f..%2fetc%2fpasswd",
        "/api/clips/..",
        "/api/clips/%00",
        "/api/clips/0123456789ABCDEF",
        "/api/clips/0123456789abcdef/tiles/0/../../clip.json",
        "/api/clips/0123456789abcdef/tiles/0/0.png%00",
        "/api/clips/0123456789abcdef/tiles/-1/0.png",
        "/sheet/1%2f..",
        "/sheet/99999999999999999999999999",
        "/api/records/99999999999999999999999999",
        "/../../etc/passwd",
    ],
)
def test_no_address_leaves_the_page(shared_page: LivePage, path: str) -> None:
    port = httpx.URL(shared_page.url).port
    assert port is not None
    with socket.create_connection(("127.0.0.1", port), timeout=60) as link:  # clients would tidy the path
        head = f"Host: 127.0.0.1:{port}\r\nCookie: {cookie_of(shared_page)}\r\nConnection: close"
        link.sendall(f"GET {path} HTTP/1.1\r\n{head}\r\n\r\n".encode())
        told = b""
        while piece := link.recv(65_536):
            told += piece
    assert re.match(rb"HTTP/1\.1 (404|400|405)", told), told[:200]
    assert b"root:" not in told
    assert b"import annotations" not in told
    alive(shared_page)


def test_script_in_notes_and_names_is_only_text(page: LivePage, demo_clip: Path) -> None:
    script = '<script>alert("x")</script><img src=x onerror=alert(1)>'
    clip = page.heard(page.bring(demo_clip / "1_march_big_queen.m4a", name=f"{script}.m4a")["id"])
    assert script in clip["name"]
    seen = {"date": "2026-03-12", "notes": script, "observer": script, "hints": {}}
    assert page.client.put(f"/api/clips/{clip['id']}/seen", json=seen).status_code == 200
    kept = page.client.post(f"/api/clips/{clip['id']}/record", json={"taxon": script})
    assert kept.status_code == 201
    assert kept.headers["content-type"] == "application/json"
    sheet = page.client.get("/sheet/1")
    assert re.findall("<script[^>]*>", sheet.text) == ['<script type="module" src="/static/sheet.js">']
    assert "<img src=x" not in sheet.text
    assert "&lt;script&gt;" in sheet.text
    assert "default-src 'none'" in sheet.headers["content-security-policy"]
    listed = page.client.get("/api/records", params={"text": "<script"})
    assert listed.json()["total"] == 1
    assert listed.headers["x-content-type-options"] == "nosniff"


def test_where_files_lie_is_not_told(page: LivePage, demo_clip: Path) -> None:
    clip = page.heard(page.bring(demo_clip / "1_march_big_queen.m4a")["id"])
    page.client.post(f"/api/clips/{clip['id']}/record", json={})
    told = [
        page.client.get(f"/api/clips/{clip['id']}"),
        page.client.post(f"/api/clips/{clip['id']}/answer", json={}),
        page.client.get("/api/records/1"),
        page.client.get("/sheet/1"),
        page.client.get("/api/state"),
        page.client.put(f"/api/clips/{clip['id']}/seen", json={"date": "nonsense"}),
    ]
    missing = page.notebook.with_name("gone.sqlite")
    page.notebook.rename(missing)
    page.notebook.mkdir()
    told += [page.client.get("/api/records"), page.client.post(f"/api/clips/{clip['id']}/record", json={})]
    page.stop()
    page.notebook.rmdir()
    missing.rename(page.notebook)
    (page.desk / clip["id"] / "measurement.json").write_text("{}")
    page.start()
    told.append(page.client.get(f"/api/clips/{clip['id']}"))
    assert [answer.status_code >= 400 for answer in told[-3:]] == [True] * 3
    for answer in told:
        assert str(page.desk.parent) not in answer.text


# --- hostile files ----------------------------------------------------------------------------------------


def test_broken_and_lying_files_fail_one_by_one(page: LivePage, demo_clip: Path) -> None:
    """The short version of ``tests/benchmarks/page.py --hostile 1000``."""
    good = page.bring(demo_clip / "2_april_small_queen.3gp")
    briefs = []
    for name, content in hostile_files(56):
        answer = page.client.post("/api/clips", content=content, headers={"X-File-Name": quote(name)})
        assert answer.status_code in (201, 415), answer.text
        body = answer.json()
        if answer.status_code == 201:
            briefs.append(body)
        else:
            assert body["error"]["what"]
    assert briefs
    for brief in briefs:
        clip = page.heard(brief["id"])
        if clip["status"] == "failed":
            assert clip["error"]["what"]
            assert str(page.desk) not in json.dumps(clip["error"])
    assert page.heard(good["id"])["status"] == "ready"
    left = {path.name for path in page.desk.iterdir()}
    assert left == {clip["id"] for clip in page.client.get("/api/state").json()["clips"]}


def test_uploads_are_bounded(tmp_path: Path) -> None:
    limits = Limits(file_bytes=100_000, files=3, total_bytes=150_000)
    with live(tmp_path, limits=limits) as page:
        post = page.client.post
        assert post("/api/clips", content=wav(b"\0" * 100_001)).status_code == 413

        def endless() -> Any:  # no length is declared, and it never ends by itself
            yield wav(b"\0" * 50_000)
            for _ in range(200):
                yield b"\0" * 10_000

        with contextlib.suppress(httpx.TransportError):  # the server may close while the client still sends
            assert post("/api/clips", content=endless()).status_code == 413
        assert post("/api/clips", content=b"").status_code == 415
        assert not list(page.desk.iterdir())
        assert post("/api/clips", content=wav(b"\0" * 90_000)).status_code == 201
        assert post("/api/clips", content=wav(b"\0" * 90_000)).status_code == 507
        assert post("/api/clips", content=wav(b"\0" * 1000)).status_code == 201
        assert post("/api/clips", content=wav(b"\0" * 1000)).status_code == 201
        full = post("/api/clips", content=wav(b"\0" * 1000))
        assert full.status_code == 507
        assert "remove" in full.json()["error"]["remedy"]
        alive(page)


def test_an_upload_that_breaks_off_leaves_nothing(page: LivePage) -> None:
    port = httpx.URL(page.url).port
    token = page.client.headers["X-Wingtone-Token"]
    lines = (
        "POST /api/clips HTTP/1.1",
        f"Host: 127.0.0.1:{port}",
        f"X-Wingtone-Token: {token}",
        f"Cookie: {cookie_of(page)}",
        "Content-Length: 900000",
    )
    head = "\r\n".join(lines) + "\r\n\r\n"
    with socket.create_connection(("127.0.0.1", port), timeout=60) as link:
        link.sendall(head.encode() + wav(b"\0" * 1000))
        # What has not begun yet leaves nothing either: the desk would look clean too early.
        comes_to_hold(lambda: list(page.desk.iterdir()))
    comes_to_hold(lambda: not list(page.desk.iterdir()))
    assert page.client.get("/api/state").json()["clips"] == []


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"[" * 100_000,
        b"null",
        b"[]",
        b'"text"',
        b'{"bouts": 7}',
        b'{"bouts": [null, 3, "x", {}]}',
        b'{"bouts": [{"start_s": NaN, "end_s": Infinity, "kind": "flight"}]}',
        b'{"bouts": [{"start_s": -1, "end_s": 1e308, "kind": "flight", "octave": 9}]}',
        b'{"bouts": [{"start_s": 1' + b"0" * 5000 + b', "end_s": 2, "kind": []}]}',
        b'{"seen": {"hints": {"tail": {"a": 1}}, "date": ["x"], "temperature_c": true}}',
        b'{"seen": {"place": "\\ud800", "notes": "\\u0000"}, "f0_hz": "loud"}',
        b"x" * 400_000,
    ],
)
def test_bodies_that_make_no_sense_are_told_so(shared_page: LivePage, demo_clip: Path, body: bytes) -> None:
    clips = shared_page.client.get("/api/state").json()["clips"]
    ready = [clip for clip in clips if clip["status"] == "ready"]
    clip_id = ready[0]["id"] if ready else shared_page.bring(demo_clip / "6_august_honey_bee.wav")["id"]
    before = shared_page.heard(clip_id)
    for method, path in (
        ("PUT", f"/api/clips/{clip_id}/bouts"),
        ("PUT", f"/api/clips/{clip_id}/seen"),
        ("POST", f"/api/clips/{clip_id}/answer"),
        ("POST", f"/api/clips/{clip_id}/record"),
        ("POST", "/api/answer"),
        ("PATCH", "/api/records/1"),
        ("POST", "/api/export"),
    ):
        answer = shared_page.client.request(method, path, content=body)
        assert answer.status_code < 500, (method, path, answer.text)
        if answer.status_code >= 400:
            assert answer.json()["error"]["what"]
    assert shared_page.heard(clip_id)["measurement"] == before["measurement"]


# --- workers that are lost --------------------------------------------------------------------------------


def workers_of(page: LivePage) -> list[int]:
    """Process ids of the workers: children of this process that run the worker module."""
    found = []
    for status in PROC.glob("[0-9]*/stat"):
        try:
            parent = int(status.read_text().rpartition(")")[2].split()[1])
            line = (status.parent / "cmdline").read_bytes()
        except OSError:
            continue
        if parent == os.getpid() and b"wingtone.web.worker" in line:
            found.append(int(status.parent.name))
    return found


@pytest.mark.skipif(not PROC.is_dir(), reason="finding the workers needs /proc")
def test_a_killed_or_stuck_worker_is_only_a_message(
    page: LivePage, demo_clip: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    talk, usual_s = Workers._talk, page.settings.silence_s
    patience_s = usual_s

    async def talking(workers: Workers, process: Any, job: Any, tell: Any, _: float) -> dict[str, Any]:
        return await talk(workers, process, job, tell, patience_s)

    monkeypatch.setattr(Workers, "_talk", talking)
    long = wav((b"\0\1" * 4000) * 8000, rate_hz=8000)  # an hour and some: time to strike
    for blow, word, within_s in ((signal.SIGKILL, "stopped", usual_s), (signal.SIGSTOP, "stuck", 3.0)):
        patience_s = within_s
        clip_id = page.client.post("/api/clips", content=long).json()["id"]
        clip: dict[str, Any] = {}
        for _ in range(3000):
            clip = page.client.get(f"/api/clips/{clip_id}").json()
            if clip["progress"] > 0 or clip["status"] in ("ready", "failed"):
                break
            time.sleep(0.01)
        assert clip["status"] == "listening", "the strike came too late to mean anything"
        for pid in workers_of(page):
            os.kill(pid, blow)
        failed = page.heard(clip_id)
        assert failed["status"] == "failed"
        assert word in failed["error"]["what"]
        assert failed["error"]["remedy"]
        alive(page)
    # the one that was idle when it was stopped too is found out the same way; then all is well again
    page.heard(page.bring(demo_clip / "1_march_big_queen.m4a")["id"])
    patience_s = usual_s  # three seconds are little for an honest worker on a busy machine
    last = page.heard(page.bring(demo_clip / "1_march_big_queen.m4a")["id"])
    assert last["flights"] == 3


SERVES_WITHOUT_DECODER = """
import sys
from pathlib import Path

sys.path.insert(0, sys.argv[1])
from web.conftest import live

with live(Path(sys.argv[2])) as page:
    clip = page.heard(page.bring(Path(sys.argv[3]))["id"])
    at = f"/api/clips/{clip['id']}"
    assert clip["flights"] == 3
    one = {"start_s": 1.0, "end_s": 2.0, "kind": "flight"}
    assert page.client.put(f"{at}/bouts", json={"bouts": [one]}).status_code == 200
    assert page.client.post(f"{at}/answer", json={}).status_code == 200
    assert page.client.post(f"{at}/record", json={"taxon": "Bombus"}).status_code == 201
    for path in ("tiles/0/0.png", "whole.png", "sound.wav", "sound.wav?only=comb", "line"):
        assert page.client.get(f"{at}/{path}").status_code == 200
    assert page.client.post("/api/export", json={"format": "bwf"}).headers["x-wingtone-records"] == "1"
print(sorted({"av", "soundfile", "librosa"} & set(sys.modules)))
"""


def test_the_serving_process_never_decodes(tmp_path: Path, demo_clip: Path) -> None:
    """The whole way from a file to its clips, and the decoder was never even loaded."""
    tests = str(Path(__file__).resolve().parents[1])
    clip = str(demo_clip / "1_march_big_queen.m4a")
    run = subprocess.run(
        [sys.executable, "-c", SERVES_WITHOUT_DECODER, tests, str(tmp_path), clip],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (run.returncode, run.stdout) == (0, "[]\n"), run.stderr


@pytest.mark.skipif(not PROC.is_dir(), reason="other systems do not bound the memory of a process")
def test_a_worker_cannot_take_all_memory() -> None:
    code = (
        "import numpy as np\n"
        "from wingtone.web import worker\n"
        "worker._bound()\n"
        "try:\n"
        "    np.ones(worker.MEMORY_BYTES // 8)\n"
        "except MemoryError:\n"
        "    print('refused')\n"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout == "refused\n"


def test_a_desk_that_was_tampered_with_does_not_stop_it(page: LivePage, demo_clip: Path) -> None:
    clip = page.heard(page.bring(demo_clip / "1_march_big_queen.m4a")["id"])
    folder = page.desk / clip["id"]
    (page.desk / "0123456789abcdef").mkdir()
    (page.desk / "0123456789abcdef" / "clip.json").write_text("[" * 100_000)
    (page.desk / "stranger").write_text("mine")
    (folder / "measurement.json").write_text('{"recording": {}}')
    page.restart()
    answer = page.client.get(f"/api/clips/{clip['id']}")
    assert answer.status_code == 409
    assert "damaged" in answer.json()["error"]["what"]
    (folder / "clip.json").write_text(
        (folder / "clip.json").read_text().replace('"file": "', '"file": "../../../etc/')
    )
    page.restart()
    (taken,) = page.client.get("/api/state").json()["clips"]
    assert (taken["id"], taken["name"]) == (clip["id"], clip["name"])
    assert taken["bytes"] == (demo_clip / "1_march_big_queen.m4a").stat().st_size, (
        "its own sound, no other file"
    )
    assert (page.desk / "stranger").read_text() == "mine"


# --- the code -------------------------------------------------------------------------------------------


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


class LanPage:
    """The page as another machine of the network sees it, without a network."""

    HOST = "192.168.7.2:8765"

    def __init__(self, folder: Path) -> None:
        from wingtone.web.application import make_application
        from wingtone.web.page import Settings

        self.codes: list[str] = []
        self.clock = Clock()
        self.door = Doorkeeper(self.codes.append, port=8765, clock=self.clock)
        self.codes.append(self.door.code)
        self._folder, self._make, self._settings = folder, make_application, Settings

    async def ask(self, *requests: Asked) -> list[httpx.Response]:
        """Send requests (see `Asked`) inside one event loop."""
        settings = self._settings(desk=self._folder / "desk", notebook=self._folder / "n.sqlite")
        hosts = {self.HOST, "127.0.0.1:8765"}
        application, page = self._make(settings, hosts=hosts, door=self.door)
        cast("Starlette", application._app).state.page = page
        out = []
        for method, path, headers, body, client, *query in requests:
            sent: list[Message] = []

            async def receive(content: bytes = body) -> Message:
                return {"type": "http.request", "body": content, "more_body": False}

            async def send(message: Message, into: list[Message] = sent) -> None:
                into.append(message)

            scope: Scope = {
                "type": "http",
                "method": method,
                "path": path,
                "raw_path": path.encode(),
                "query_string": "".join(query).encode(),
                "headers": [
                    (name.lower().encode(), text.encode())
                    for name, text in {"Host": self.HOST, **headers}.items()
                ],
                "client": (client, 5000),
                "server": ("192.168.7.2", 8765),
                "scheme": "http",
                "http_version": "1.1",
                "root_path": "",
            }
            await application(scope, receive, send)
            start = sent[0]
            content = b"".join(part.get("body", b"") for part in sent[1:])
            out.append(httpx.Response(start["status"], headers=start["headers"], content=content))
        page.desk.close()
        return out


Asked = tuple[str, str, dict[str, str], bytes, str] | tuple[str, str, dict[str, str], bytes, str, str]
"""Method, path, headers, body, from where, and what follows the question mark."""
PHONE, OTHER = "192.168.7.30", "192.168.7.66"


def entering(code: str, client: str = PHONE) -> Asked:
    return ("POST", "/enter", {"Origin": f"http://{LanPage.HOST}"}, f"code={quote(code)}".encode(), client)


def ask(lan: LanPage, *requests: Asked) -> list[httpx.Response]:
    import asyncio
    from concurrent.futures import ThreadPoolExecutor

    # In a thread of its own: the driver of the browser tests keeps a loop running in this one.
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(lambda: asyncio.run(lan.ask(*requests))).result()


def test_without_the_code_nothing_is_served(tmp_path: Path) -> None:
    lan = LanPage(tmp_path)
    reading: list[Asked] = [
        ("GET", path, {}, b"", PHONE)
        for path in (
            "/",
            "/static/main.js",
            "/static/page.css",
            "/sheet/1",
            "/api/state",
            "/api/records",
            "/api/events",
        )
    ]
    for (_, path, *_), answer in zip(reading, ask(lan, *reading), strict=True):
        assert answer.status_code == (401 if path.startswith("/api/") else 303), path
        assert answer.content == b"" or "error" in answer.json()
    (changing,) = ask(lan, ("POST", "/api/clips", {}, wav(b"\0" * 10), PHONE))
    assert changing.status_code == 401
    (form,) = ask(lan, ("GET", "/enter", {}, b"", PHONE))
    assert form.status_code == 200
    assert lan.codes[0] not in form.text
    # a loopback Host from another machine is a lie, and a foreign one is refused before anything else
    lying = ask(
        lan,
        ("GET", "/api/state", {"Host": "127.0.0.1:8765"}, b"", PHONE),
        ("GET", "/enter", {"Host": "evil.example"}, b"", PHONE),
        ("POST", "/enter", {"Origin": "http://evil.example"}, f"code={lan.codes[0]}".encode(), PHONE),
    )
    assert [answer.status_code for answer in lying] == [401, 421, 403]
    (own,) = ask(lan, ("GET", "/api/state", {"Host": "127.0.0.1:8765"}, b"", "127.0.0.1"))
    assert own.status_code == 401, "another account of this machine would get as far"


def test_the_code_serves_once_and_its_cookie_opens(tmp_path: Path) -> None:
    lan = LanPage(tmp_path)
    assert re.fullmatch(r"[A-Z2-9]{8}", lan.codes[0])
    typed = f" {lan.codes[0][:4].lower()} {lan.codes[0][4:]}"  # as a person types it
    (entered,) = ask(lan, entering(typed))
    assert entered.status_code == 303
    cookie = entered.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    held = {"Cookie": cookie.partition(";")[0]}
    (state,) = ask(lan, ("GET", "/api/state", held, b"", PHONE))
    assert state.status_code == 200
    # the used code is worth nothing, a made-up cookie neither, and the cookie does not replace the token
    assert len(lan.codes) == 2
    refused = ask(
        lan,
        entering(lan.codes[0], OTHER),
        ("GET", "/api/state", {"Cookie": f"{COOKIE}_8765=guess"}, b"", OTHER),
        ("GET", "/api/state", {"Cookie": "\x01=;;;,=" * 50}, b"", OTHER),
        ("POST", "/api/clips", held, b"", PHONE),
    )
    assert [answer.status_code for answer in refused] == [403, 401, 401, 403]
    # by its address too, and this machine, to which the cookie comes over no network, keeps it for longer
    here = {"Host": "127.0.0.1:8765"}
    (own,) = ask(lan, ("GET", "/enter", here, b"", "127.0.0.1", f"code={lan.codes[-1]}"))
    assert own.status_code == 303
    here["Cookie"] = own.headers["set-cookie"].partition(";")[0]
    lan.clock.now += 13 * 3600
    late, still = ask(
        lan, ("GET", "/api/state", held, b"", PHONE), ("GET", "/api/state", here, b"", "127.0.0.1")
    )
    assert (late.status_code, still.status_code) == (401, 200)


def test_a_form_that_is_not_ours_is_asked_for_the_code(page: LivePage) -> None:
    sent = "&".join(f"field{number}=1" for number in range(9)) + f"&code={page.address[-8:]}"
    kind = {"content-type": "application/x-www-form-urlencoded"}
    with httpx.Client(base_url=page.url, timeout=60) as stranger:
        answer = stranger.post("/enter", content=sent, headers=kind)
        assert (answer.status_code, "<form" in answer.text) == (200, True)
        assert stranger.get("/api/state").status_code == 401


def test_another_site_cannot_close_the_door(tmp_path: Path) -> None:
    """Any page that the user looks at can make their browser ask for addresses here."""
    lan = LanPage(tmp_path)
    code = lan.codes[0]
    here = {"Host": "127.0.0.1:8765"}
    for site in ("cross-site", "same-site"):
        lure: Asked = ("GET", "/enter", here | {"Sec-Fetch-Site": site}, b"", "127.0.0.1", "code=AAAAAAAA")
        answers = ask(lan, *[lure] * (2 * CHANGE_AFTER))
        assert {answer.status_code for answer in answers} == {200}
        assert "<form" in answers[0].text
    assert lan.codes == [code]
    for site in ("none", "same-origin"):
        told: Asked = (
            "GET",
            "/enter",
            here | {"Sec-Fetch-Site": site},
            b"",
            "127.0.0.1",
            f"code={lan.codes[-1]}",
        )
        assert ask(lan, told)[0].status_code == 303


def test_cookies_of_others_keep_nobody_out(tmp_path: Path) -> None:
    """A browser sends those of every server that ever ran on this machine."""
    lan = LanPage(tmp_path)
    (entered,) = ask(lan, entering(lan.codes[0]))
    own = entered.headers["set-cookie"].partition(";")[0]
    theirs = (
        'prefs={"a":1}',
        "a=b=c",
        "=",
        "no sign",
        'open="',
        "x\x01=1",
        f"{COOKIE}_1=other",
        f"x{COOKIE}_8765=no",
    )
    for other in theirs:
        for cookie in (f"{other}; {own}", f"{own}; {other}", f"{other};{own};{other}"):
            asked: Asked = ("GET", "/api/state", {"Cookie": cookie}, b"", PHONE)
            assert ask(lan, asked)[0].status_code == 200, cookie
    assert ask(lan, ("GET", "/api/state", {"Cookie": "; ".join(theirs)}, b"", PHONE))[0].status_code == 401


def test_wrong_codes_are_slowed_down(tmp_path: Path) -> None:
    lan = LanPage(tmp_path)
    first = lan.codes[0]
    tries = ask(lan, *[entering(f"WRONG{number}") for number in range(TRIES_EACH + 3)])
    assert [answer.status_code for answer in tries] == [403] * TRIES_EACH + [429] * 3
    assert int(tries[-1].headers["retry-after"]) > 0
    # even the right code waits for an address that guesses; somebody else's does not
    assert ask(lan, entering(first))[0].status_code == 429
    assert ask(lan, entering("WRONG", OTHER))[0].status_code == 403
    lan.clock.now += WITHIN_S + 1
    assert ask(lan, entering(lan.codes[-1]))[0].status_code == 303
    # many addresses guessing together are slowed down in all, and the code changes under their hands
    lan.clock.now += WITHIN_S + 1
    codes = len(lan.codes)
    crowd = ask(lan, *[entering("GUESS", f"192.168.7.{100 + number}") for number in range(TRIES_ALL + 5)])
    assert [answer.status_code for answer in crowd].count(403) == TRIES_ALL
    assert crowd[-1].status_code == 429
    assert len(lan.codes) - codes == TRIES_ALL // CHANGE_AFTER
