"""``wingtone page`` as it is started from a terminal."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import httpx
import numpy as np
import pytest

from fuzz.recordings import wav
from web.conftest import comes_to_hold
from wingtone.errors import RequestError
from wingtone.web import server
from wingtone.web.door import own_addresses
from wingtone.web.page import Settings
from wingtone.web.server import prepare

COMMAND = "from wingtone.cli.page_command import page; page()"


def started(folder: Path, *options: str, own_group: bool = False) -> subprocess.Popen[str]:
    files = ["--desk", str(folder / "desk"), "--notebook", str(folder / "notebook.sqlite")]
    return subprocess.Popen(
        [sys.executable, "-W", "error::ResourceWarning", "-c", COMMAND, *files, "--no-browser", *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=own_group,
        env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
    )


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such signals")
@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM])
def test_it_starts_answers_and_ends(tmp_path: Path, end: signal.Signals) -> None:
    with started(tmp_path, "--port", "0") as process:
        assert process.stderr is not None
        line = process.stderr.readline()
        found = re.fullmatch(
            r"the page is at (http://127\.0\.0\.1:\d+/)(enter\?code=[A-Z2-9]{8}) \(Ctrl-C ends it\)\n", line
        )
        assert found, line + process.stderr.read()
        kept = process.stderr.readline()  # here, as `communicate` would lose what came with the first line
        assert kept == f"recordings that you bring are kept in {tmp_path / 'desk'}\n"
        with httpx.Client(base_url=found[1], timeout=60) as client:
            assert client.get("/api/state").status_code == 401
            assert client.get(found[2], follow_redirects=True).url.path == "/"
            assert client.get("/api/state").status_code == 200
            assert client.get("/").status_code == 200
            with client.stream("GET", "/api/events"):  # a page that is still open must not hold it up
                process.send_signal(end)
                told, errors = process.communicate(timeout=60)
    assert told == ""
    assert re.fullmatch(r"code for the next browser: [A-Z2-9]{4} [A-Z2-9]{4}\n", errors)
    assert process.returncode in (0, -end)
    assert (tmp_path / "desk").is_dir()
    assert not (tmp_path / "notebook.sqlite").exists(), "looking makes no notebook"


def listening(process: subprocess.Popen[str]) -> str:
    """Bring a long recording, and wait until it is being listened to; gives its id."""
    noise = np.random.default_rng(5).integers(-900, 900, 8000 * 2400).astype("<i2")  # time to strike
    assert process.stderr is not None
    found = re.search(r"(http://\S+?/)(enter\S+)", process.stderr.readline())
    assert found
    with httpx.Client(base_url=found[1], timeout=60) as client:
        assert client.get(found[2]).status_code == 303
        token = {"X-Wingtone-Token": client.get("/api/state").json()["token"]}
        brought = client.post("/api/clips", content=wav(noise.tobytes(), rate_hz=8000), headers=token)
        at = f"/api/clips/{brought.json()['id']}"
        deadline = time.monotonic() + 60
        while (clip := client.get(at).json())["progress"] == 0.0:
            assert clip["status"] in ("waiting", "listening")
            assert time.monotonic() < deadline, "nobody began to listen to it"
            time.sleep(0.01)
        assert clip["status"] == "listening"
    return str(clip["id"])


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such signals")
@pytest.mark.parametrize("to", ["the group of the terminal", "every process"])
def test_what_is_being_heard_outlives_the_end(tmp_path: Path, to: str) -> None:
    """A terminal sends Ctrl-C to all that it started, a service manager SIGTERM to all of the service."""
    end = signal.SIGINT if to == "the group of the terminal" else signal.SIGTERM
    with started(tmp_path, "--port", "0", own_group=True) as process:
        clip_id = listening(process)
        os.kill(process.pid, signal.SIGSTOP)  # the page is slow to notice, as on a busy computer
        if end == signal.SIGTERM:
            for worker in children_of(process.pid):
                os.kill(worker, end)
        os.killpg(process.pid, end)
        time.sleep(0.5)
        os.kill(process.pid, signal.SIGCONT)
        process.communicate(timeout=60)
    state = json.loads((tmp_path / "desk" / clip_id / "clip.json").read_text())
    assert (state["status"], state["error"]) == ("waiting", None)


@pytest.mark.skipif(not Path(f"/proc/self/task/{os.getpid()}/children").is_file(), reason="needs Linux")
def test_no_worker_outlives_a_page_that_was_killed(tmp_path: Path) -> None:
    """They have a session of their own, so nobody else ends them."""
    with started(tmp_path, "--port", "0") as process:
        listening(process)
        workers = children_of(process.pid)
        assert workers
        process.kill()
        process.communicate(timeout=60)
    deadline = time.monotonic() + 60
    while any(running(worker) for worker in workers):
        assert time.monotonic() < deadline, "a worker lives on"
        time.sleep(0.05)


def running(pid: int) -> bool:
    """Whether a process lives; one that ended and that nobody has asked after yet does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def children_of(pid: int) -> list[int]:
    """Process ids of the children of a process; none where there is no /proc."""
    told = Path(f"/proc/{pid}/task/{pid}/children")
    return [int(child) for child in told.read_text().split()] if told.is_file() else []


def test_what_cannot_be_started_says_why(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        with pytest.raises(RequestError, match="port is in use"):
            prepare(Settings(desk=tmp_path / "desk"), port=taken.getsockname()[1])
    from wingtone.errors import InputError, OutputError, TableError

    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputError, match="cannot make this folder"):
        prepare(Settings(desk=tmp_path / "file" / "desk"), port=0)
    with pytest.raises(TableError):
        prepare(Settings(desk=tmp_path / "desk", fauna=tmp_path), port=0)
    with pytest.raises(InputError):
        prepare(Settings(desk=tmp_path / "desk", model=tmp_path / "file"), port=0)


def test_the_next_free_port_is_taken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        monkeypatch.setattr(server, "PORT", taken.getsockname()[1])
        running = prepare(Settings(desk=tmp_path / "desk"))
        try:
            assert running.url != f"http://127.0.0.1:{taken.getsockname()[1]}/"
        finally:
            running.close()


def test_everybody_needs_the_code(tmp_path: Path) -> None:
    """The real server on all addresses; a request to the network's own address counts as from outside."""
    codes: list[str] = []
    settings = Settings(desk=tmp_path / "desk", notebook=tmp_path / "notebook.sqlite")
    running = prepare(settings, port=0, lan=True, announce=codes.append)
    thread = threading.Thread(target=running.run)
    thread.start()
    try:
        comes_to_hold(lambda: running.started or not thread.is_alive(), what="that the page starts")
        assert thread.is_alive()
        assert len(running.lan_urls) == len(own_addresses())
        codes.append(running.code)
        for url in (
            running.url,
            *running.lan_urls,
        ):  # none where there is no network, as in some build machines
            with httpx.Client(base_url=url, headers={"Origin": url.rstrip("/")}, timeout=60) as phone:
                assert phone.get("/api/state").status_code == 401
                assert phone.get("/").headers["location"] == "/enter"
                assert phone.post("/enter", data={"code": "WRONG"}).status_code == 403
                assert phone.post("/enter", data={"code": codes[-1]}).status_code == 303
                assert phone.get("/api/state").status_code == 200
    finally:
        running.stop()
        thread.join(60)
    assert not thread.is_alive()
    assert len(codes) == 2 + len(running.lan_urls)
