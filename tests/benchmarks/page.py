"""How quick the page is, and what it does with a thousand hostile files.

    python tests/benchmarks/page.py                       speed, about two minutes
    python tests/benchmarks/page.py --hostile 1000        and files that are broken, lying or something else

The page runs as ``wingtone page`` does, in a process of its own, and is asked over the loopback as its script
asks it. *Drop to answer*: a made-up clip of 10 s is sent, the event that it is ready is waited for, and an
answer is fetched; the workers are warm, every clip is another one. *Answer*: a changed hint, with the
measurement at hand. *First tiles*: an hour of WAV (48 kHz, 16 bits, one channel) is sent, and the time is
taken until the first tile of the finest and of the coarsest level with sound in it have come, and until that
of the coarsest level is complete; meanwhile the page goes on being asked for its state. *First view*: the
bytes that come over the line for the page, every file that it needs, and the state.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import re
import statistics
import subprocess
import sys
import tempfile
import time
import wave
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import httpx
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # run as a script: the tests' own helpers

from benchmarks.kept import add_out, keep
from fuzz.recordings import hostile_files

if TYPE_CHECKING:
    from collections.abc import Iterator

DEMO = Path(__file__).resolve().parents[2] / "demo_audio"
Figure = tuple[str, str, dict[str, float]]
"""What it is, as words, and as values."""

STARTS = "the page is at "


@contextlib.contextmanager
def running(folder: Path) -> Iterator[httpx.Client]:
    """Start the page in a process of its own; gives a client that has the token."""
    command = "from wingtone.cli.page_command import page; page()"
    options = ["--desk", str(folder / "desk"), "--notebook", str(folder / "notebook.sqlite"), "--no-browser"]
    process = subprocess.Popen(
        [sys.executable, "-c", command, *options, "--port", "0"],
        stderr=subprocess.PIPE,
        text=True,
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
    )
    assert process.stderr is not None
    try:
        line = process.stderr.readline()
        url = line.removeprefix(STARTS).split()[0]
        with httpx.Client(base_url=httpx.URL(url).join("/"), timeout=300) as client:
            assert client.get(url).status_code == 303  # lets it in
            client.headers["X-Wingtone-Token"] = client.get("/api/state").json()["token"]
            yield client
    finally:
        process.terminate()
        process.wait(30)
        process.stderr.close()


def send(client: httpx.Client, content: Any, name: str) -> httpx.Response:
    return client.post("/api/clips", content=content, headers={"X-File-Name": quote(name)})


def wait_ready(client: httpx.Client, clip_id: str) -> dict[str, Any]:
    """Wait for the event that says a clip is ready or has failed."""
    with client.stream("GET", "/api/events") as stream:
        # The stream begins with what is not ready; a clip that is ready by then shows in its own answer.
        clip: dict[str, Any] = client.get(f"/api/clips/{clip_id}").json()
        if clip["status"] in ("ready", "failed"):
            return clip
        for line in stream.iter_lines():
            if line.startswith("data: "):
                clip = json.loads(line.removeprefix("data: "))
                if clip.get("id") == clip_id and clip.get("status") in ("ready", "failed"):
                    return clip
    raise AssertionError("the stream ended")


def made_up(number: int) -> bytes:
    """A clip of 10 s with flights, as a phone would write it."""
    from wingtone.audio.encode import write_encoded
    from wingtone.simulate import make_scene

    clip = make_scene(900 + number, condition="hover", snr_db=8, duration_s=10.0, rate_hz=44_100)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "clip.m4a")
        write_encoded(path, clip.samples, rate_hz=clip.rate_hz)
        return path.read_bytes()


def speed(client: httpx.Client, n: int) -> Iterator[Figure]:
    send(client, made_up(999), "warm.m4a")
    time.sleep(5)
    whole, answers = [], []
    for number in range(n):
        content = made_up(number)
        start = time.perf_counter()
        clip_id = send(client, content, f"clip {number}.m4a").json()["id"]
        clip = wait_ready(client, clip_id)
        told = client.post(f"/api/clips/{clip_id}/answer", json={})
        whole.append(time.perf_counter() - start)
        assert clip["status"] == "ready", clip
        assert told.status_code == 200
        seen = client.get(f"/api/clips/{clip_id}").json()["seen"]
        for tail in ("white", "buff", "red"):
            start = time.perf_counter()
            client.post(f"/api/clips/{clip_id}/answer", json={"seen": {**seen, "hints": {"tail": tail}}})
            answers.append(time.perf_counter() - start)
    yield (
        f"drop to answer, 10 s clip, {n} clips",
        f"median {statistics.median(whole):.2f} s, most {max(whole):.2f} s",
        {"drop_to_answer_s": statistics.median(whole), "drop_to_answer_most_s": max(whole)},
    )
    yield (
        "answer to a changed hint",
        f"median {1000 * statistics.median(answers):.0f} ms, most {1000 * max(answers):.0f} ms",
        {"changed_hint_ms": 1000 * statistics.median(answers)},
    )


def an_hour(path: Path) -> None:
    """Write an hour of WAV: wind-like noise, and a buzz now and then."""
    from wingtone.simulate import make_scene

    rate = 48_000
    scene = make_scene(4, condition="gusts", snr_db=8, duration_s=60.0, rate_hz=rate).samples[0]
    frames = (np.clip(scene, -1, 1) * 32767).astype("<i2").tobytes()
    with wave.open(str(path), "wb") as file:
        file.setparams((1, 2, rate, 0, "NONE", ""))
        for _ in range(60):
            file.writeframesraw(frames)


def first_tiles(client: httpx.Client, path: Path) -> Iterator[Figure]:
    start = time.perf_counter()
    with path.open("rb") as file:
        clip_id = send(client, file, "an hour.wav").json()["id"]
    sent = time.perf_counter() - start
    fine = coarse = complete = 0.0
    states = []
    empty = None
    while not complete:
        asked = time.perf_counter()
        assert client.get("/api/state").status_code == 200
        states.append(time.perf_counter() - asked)
        layout = client.get(f"/api/clips/{clip_id}/strip")
        if layout.status_code != 200:
            time.sleep(0.02)
            continue
        levels = layout.json()["levels"]
        if not fine and layout.json()["ready_s"] >= 8:
            assert client.get(f"/api/clips/{clip_id}/tiles/0/0.png").status_code == 200
            fine = time.perf_counter() - start
        top = levels[-1]["level"]
        tile = client.get(f"/api/clips/{clip_id}/tiles/{top}/0.png")
        empty = empty or len(tile.content)
        if not coarse and tile.status_code == 200:
            coarse = time.perf_counter() - start
        if layout.json()["complete"] and "immutable" in tile.headers.get("cache-control", ""):
            complete = time.perf_counter() - start
    clip = wait_ready(client, clip_id)
    heard = time.perf_counter() - start
    yield "an hour of WAV: sent whole", f"{sent:.1f} s", {"hour_sent_s": sent}
    yield (
        "first tile of 8 s / first tile of the whole hour, begun / complete",
        f"{fine:.1f} / {coarse:.1f} / {complete:.1f} s",
        {"hour_first_tile_s": fine, "hour_whole_tile_s": coarse, "hour_complete_s": complete},
    )
    yield (
        "state meanwhile",
        f"median {1000 * statistics.median(states):.0f} ms, most {1000 * max(states):.0f} ms",
        {"state_meanwhile_ms": 1000 * statistics.median(states)},
    )
    yield f"measured whole ({clip['flights']} flights)", f"{heard:.1f} s", {"hour_measured_s": heard}


def first_view(client: httpx.Client) -> Iterator[Figure]:
    """Fetch the page and whatever its files name, as a browser does."""
    seen: dict[str, int] = {}
    todo = ["/", "/api/state"]
    while todo:
        path = todo.pop()
        if path in seen:
            continue
        with client.stream("GET", path, headers={"Accept-Encoding": "gzip"}) as answer:
            raw = b"".join(answer.iter_raw())
            head = sum(len(name) + len(value) + 4 for name, value in answer.headers.raw)
            coded = answer.headers.get("content-encoding")
            kind = answer.headers["content-type"]
        seen[path] = len(raw) + head
        import gzip

        text = (gzip.decompress(raw) if coded == "gzip" else raw).decode("utf-8", "replace")
        base = httpx.URL(path)
        if "json" not in kind:
            for found in re.findall(
                r"""(?:src=|href=|from |import\(?|import )["']([^"']+\.(?:js|css|svg))["']""", text
            ):
                todo.append(str(base.join(found)))
    size_kb = sum(seen.values()) / 1000
    values = {"first_view_files": len(seen), "first_view_kb": size_kb}
    yield f"first view, {len(seen)} files", f"{size_kb:.0f} kB over the line", values


def hostile(client: httpx.Client, n: int) -> Iterator[Figure]:
    refused, failed, ready = 0, 0, 0
    slowest = 0.0
    reasons: dict[str, int] = {}
    for name, content in hostile_files(n):
        answer = send(client, content, name)
        assert answer.status_code in (201, 415), answer.text
        if answer.status_code == 415:
            refused += 1
            continue
        clip_id = answer.json()["id"]
        start = time.perf_counter()
        clip = wait_ready(client, clip_id)
        slowest = max(slowest, time.perf_counter() - start)
        if clip["status"] == "failed":
            failed += 1
            what = clip["error"]["what"]
            reasons[what] = reasons.get(what, 0) + 1
        else:
            ready += 1
        client.delete(f"/api/clips/{clip_id}")
    assert client.get("/api/state").json()["clips"] == []
    good = send(client, (DEMO / "1_march_big_queen.m4a").read_bytes(), "good.m4a").json()["id"]
    assert wait_ready(client, good)["flights"] == 3
    yield (
        f"{n} hostile files",
        f"{refused} refused at once, {failed} failed with a reason, {ready} held sound that could be used",
        {"hostile": n, "refused": refused, "failed": failed, "held_sound": ready},
    )
    yield "slowest of them, and still answering after all", f"{slowest:.1f} s; yes", {"slowest_s": slowest}
    for what, count in sorted(reasons.items(), key=lambda item: -item[1])[:8]:
        yield f"reason: {what}", str(count), {}


def main() -> None:
    """Measure, print, and perhaps write."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--clips", type=int, default=21)
    parser.add_argument("--hostile", type=int, default=0, metavar="N")
    add_out(parser)
    asked = parser.parse_args()
    rows: list[Figure] = []
    with tempfile.TemporaryDirectory() as name, running(Path(name)) as client:
        folder = Path(name)
        rows += first_view(client)
        rows += speed(client, asked.clips)
        an_hour(folder / "an hour.wav")
        rows += first_tiles(client, folder / "an hour.wav")
        for clip in client.get("/api/state").json()["clips"]:
            client.delete(f"/api/clips/{clip['id']}")
        if asked.hostile:
            rows += hostile(client, asked.hostile)
    lines = ["| what | |", "| --- | --- |", *(f"| {what} | {told} |" for what, told, _ in rows)]
    values = {key: value for _, _, part in rows for key, value in part.items()}
    keep("page", "\n".join(lines), {"clips": asked.clips, **values}, out=asked.out)


if __name__ == "__main__":
    main()
