"""The page, as a target: a real server on the loopback, asked as its own script asks it, and otherwise.

What must hold: every answer is no server error; what is refused says what is wrong, in JSON, without a
traceback and without a path of this computer; the page goes on answering.

- `served`: run a page whose targets these are.
"""

from __future__ import annotations

import contextlib
import json
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from fuzz import recordings, texts
from fuzz.case import BARE, Refused, Target, need, safe_table
from fuzz.torn import nonsense, torn, with_nonsense

if TYPE_CHECKING:
    import random
    from collections.abc import Iterator, Sequence

    import httpx

    from fuzz.case import Place
    from web.conftest import LivePage

__all__ = ["TARGETS", "close"]

_RUNNING: list[tuple[LivePage, contextlib.ExitStack]] = []


def _page() -> LivePage:
    """Give the page of this process; it is started when it is first asked for, with a clip on its desk."""
    if not _RUNNING:
        from web.conftest import live

        stack = contextlib.ExitStack()
        folder = stack.enter_context(
            tempfile.TemporaryDirectory(dir=Path(tempfile.gettempdir()).parent.parent, prefix="page ")
        )
        page = stack.enter_context(live(Path(folder)))
        page.heard(page.bring(recordings.DEMO / "2_april_small_queen.3gp")["id"])
        _RUNNING.append((page, stack))
    return _RUNNING[0][0]


def close() -> None:
    """Stop the page of this process."""
    while _RUNNING:
        _RUNNING.pop()[1].close()


def judged(page: LivePage, answer: httpx.Response) -> None:
    """Hold an answer to what must hold; a refusal ends the case."""
    text = answer.text if "json" in answer.headers.get("content-type", "") else ""
    need(answer.status_code < 500 or answer.status_code == 507, f"{answer.status_code}: {answer.text[:500]}")
    need("Traceback" not in answer.text[:100_000], answer.text[:1500])
    need(str(page.desk.parent) not in text, f"a path of this computer: {text[:300]}")
    if answer.status_code < 400:
        return
    need(
        bool(text) or answer.request.method == "HEAD" or answer.status_code in (404, 405),
        f"{answer.status_code} without a word: {answer.text[:200]}",
    )
    if text:
        error = json.loads(text)["error"]
        told = json.dumps(error, ensure_ascii=False)
        need(bool(error.get("what") or error.get("fields")), f"nothing is said: {told[:300]}")
        need(not BARE.search(told), f"bare text of an exception: {told[:300]}")
    raise Refused(f"{answer.status_code} {text[:300]}")


def upload(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Bring a hostile file under a hostile name, and wait for what comes of it."""
    page = _page()
    plain, data = recordings.hostile_recording(draw)
    name = draw.choice((plain, texts.file_name(draw, plain[-4:]), texts.anything(draw)))
    header = quote(name.encode("utf-8", "surrogatepass"))[:6000] if draw.random() < 0.9 else "%ff%00%zz"
    yield []
    answer = page.client.post("/api/clips", content=data, headers={"X-File-Name": header})
    judged(page, answer)
    clip_id = answer.json()["id"]
    try:
        clip = page.heard(clip_id, within_s=100.0)
        if clip["status"] == "failed":
            told = json.dumps(clip["error"], ensure_ascii=False)
            need(bool(clip["error"]["what"]) and not BARE.search(told), told[:300])
            need(str(page.desk.parent) not in told, f"a path of this computer: {told[:300]}")
            raise Refused(clip["error"]["what"])
        for path in (
            "strip",
            "tiles/0/0.png",
            "whole.png",
            "line?from=0&to=2&points=50",
            "sound.wav?from=0&to=1",
        ):
            got = page.client.get(f"/api/clips/{clip_id}/{path}")
            need(got.status_code < 500, f"{path}: {got.status_code} {got.text[:300]}")
        judged(page, page.client.post(f"/api/clips/{clip_id}/answer", json={}))
    finally:
        page.client.delete(f"/api/clips/{clip_id}")
        need(page.client.get("/api/state").status_code == 200, "the page does not answer any more")


def bodies(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Send nonsense to every route that takes JSON."""
    page = _page()
    client = page.client
    clip_id = client.get("/api/state").json()["clips"][0]["id"]
    seen: dict[str, Any] = {
        "date": draw.choice(("2026-03-20", texts.day(draw))),
        "time": "10:32",
        "place": draw.choice(("TQ 18 75", texts.place(draw))),
        "temperature_c": 12.5,
        "hints": {"tail": "white"},
        "notes": texts.anything(draw),
        "observer": "A. Recorder",
    }
    where = {"taxon": "Bombus", "since": texts.day(draw), "place": texts.place(draw), "status": "hint"}
    bout = {"start_s": 0.5, "end_s": 1.5, "kind": "flight", "octave": 0}
    method, path, body = draw.choice(
        (
            ("POST", "/api/answer", {"seen": seen, "f0_hz": 150}),
            ("POST", f"/api/clips/{clip_id}/answer", {"seen": seen}),
            ("PUT", f"/api/clips/{clip_id}/seen", seen),
            ("PUT", f"/api/clips/{clip_id}/bouts", {"bouts": [bout]}),
            (
                "POST",
                f"/api/clips/{clip_id}/record",
                {"seen": seen, "individual": 1, "taxon": texts.anything(draw)},
            ),
            ("POST", "/api/records", {"seen": seen, "taxon": texts.anything(draw), "caste": "queen"}),
            ("PATCH", "/api/records/1", {"notes": texts.anything(draw), "taxon": texts.anything(draw)}),
            (
                "POST",
                "/api/export",
                {"format": draw.choice(("csv", "geojson", "darwin-core", "labels")), **where},
            ),
        )
    )
    data = json.dumps(
        with_nonsense(body, draw, times=draw.choice((0, 0, 0, 1, 1, 3))), ensure_ascii=draw.random() < 0.5
    )
    content = data.encode("utf-8", "surrogatepass")
    if draw.random() < 0.15:
        content = torn(content, draw)
    if draw.random() < 0.05:
        content = draw.choice((b"[" * 100_000, b"x" * 300_000, b"", json.dumps(nonsense(draw)).encode()))
    yield []
    answer = client.request(method, path, content=content, headers={"Content-Type": "application/json"})
    if path == "/api/export" and answer.status_code == 200 and "csv" in answer.headers["content-type"]:
        safe_table(answer.content.decode("utf-8"))
    judged(page, answer)


def addresses(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Ask for what is not there, with queries of every kind."""
    page = _page()
    clip_id = page.client.get("/api/state").json()["clips"][0]["id"]
    number = draw.choice(("0", "1", "-1", "99999999999999999999", "nan", "1e9", "x", ""))
    odd = quote(texts.anything(draw).encode("utf-8", "surrogatepass"))[:3000]
    path = draw.choice(
        (
            f"/api/clips/{odd}",
            f"/api/clips/{clip_id}/tiles/{number}/0.png",
            f"/api/clips/{clip_id}/tiles/0/{number}.png",
            f"/api/clips/{clip_id}/line?from={number}&to={odd}&points={number}",
            f"/api/clips/{clip_id}/sound.wav?from={odd}&to={number}&speed={odd}",
            f"/api/clips/{clip_id}/whole.png?width={number}",
            f"/api/records?since={odd}&place={odd}&limit={number}&text={odd}&within_km={number}",
            f"/api/records/season?taxon={odd}&since={odd}",
            f"/api/records/{number}",
            f"/sheet/{number}",
            f"/static/{odd}",
            f"/{odd}",
            "/static/../../../../etc/passwd",
            f"/api/clips/..%2f..%2f{odd}",
            f"/api/clips/{clip_id}/{odd}",
        )
    )
    yield []
    judged(page, page.client.get(path))


TARGETS = (
    Target("files for the page", 100, upload, spawns=True),
    Target("bodies for the page", 70, bodies, spawns=True),
    Target("addresses of the page", 30, addresses, spawns=True),
)
