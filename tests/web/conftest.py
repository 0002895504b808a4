"""A real page for tests: a server on a free loopback port with a desk and a notebook of its own.

- `page`: a fresh one for each test.
- `shared_page`: one for the whole run, for tests that do not mind what is on the desk.
- `empty_page`: that one, with nothing on its desk.
- `demo_clip`: where the bundled clips lie.
- `comes_to_hold`: waiting for anything.
- `chromium`, `visit`: a real browser, see `web.chromium`.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import httpx
import pytest

from wingtone.web.page import Settings
from wingtone.web.server import Running, prepare

from .chromium import LET_IN, chromium, driver, visit

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

__all__ = [
    "LivePage",
    "chromium",
    "comes_to_hold",
    "demo_clip",
    "driver",
    "empty_page",
    "live",
    "page",
    "shared_page",
    "visit",
]

DEMO = Path(__file__).resolve().parents[2] / "demo_audio"
START_S = 60.0


def comes_to_hold(
    holds: Callable[[], object], *, what: str = "what is waited for", within_s: float = 60.0
) -> None:
    """Wait until something holds, ``what`` in words; the bound is for a busy machine, no measure of speed."""
    deadline = time.monotonic() + within_s
    while not holds():
        assert time.monotonic() < deadline, f"{what} did not come to hold within {within_s} s"
        time.sleep(0.02)


@dataclass
class LivePage:
    """A running page.

    ``url`` is its address with a slash at the end; ``client`` asks it as the page's own script does, let in
    by the code and with the token, and `visit` has the same cookie; ``address`` lets the next browser in.
    ``restart`` stops it and starts another on the same desk, notebook and port, which nobody else gets
    meanwhile: a second socket that never listens has it too, as Linux lets them share it.
    """

    settings: Settings
    url: str = ""
    client: httpx.Client = field(default_factory=httpx.Client)
    _running: Running | None = None
    _thread: threading.Thread | None = None
    _port: socket.socket = field(default_factory=socket.socket)

    def __post_init__(self) -> None:
        self._port.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        self._port.bind(("127.0.0.1", 0))

    def start(self) -> None:
        port = self._port.getsockname()[1]
        self._running = prepare(self.settings, port=port, announce=lambda _: None)
        self.url = self._running.url
        self._thread = threading.Thread(target=self._running.run, name="page under test")
        self._thread.start()
        deadline = time.monotonic() + START_S
        while not self._running.started:
            assert self._thread.is_alive(), "the page did not start"
            assert time.monotonic() < deadline, "the page did not start in time"
            time.sleep(0.02)
        self.client.close()
        self.client = httpx.Client(base_url=self.url, timeout=60.0)
        assert self.client.get(self._running.address).status_code == 303
        LET_IN[self.url.split("/")[2]] = dict(self.client.cookies)
        token = self.client.get("/api/state").json()["token"]
        self.client.headers["X-Wingtone-Token"] = token

    def stop(self) -> None:
        self.client.close()
        if self._running is not None and self._thread is not None:
            self._running.stop()
            self._thread.join(START_S)
            assert not self._thread.is_alive(), "the page did not stop"
        self._running = self._thread = None

    def restart(self) -> None:
        self.stop()
        self.start()

    def close(self) -> None:
        """Stop it for good."""
        self.stop()
        self._port.close()

    @property
    def address(self) -> str:
        assert self._running is not None
        return self._running.address

    @property
    def desk(self) -> Path:
        return self.settings.desk

    @property
    def notebook(self) -> Path:
        assert self.settings.notebook is not None
        return self.settings.notebook

    def bring(self, path: Path, *, name: str | None = None) -> dict[str, Any]:
        """Put a recording on the desk; gives its brief."""
        from urllib.parse import quote

        header = {"X-File-Name": quote(path.name if name is None else name)}
        answer = self.client.post("/api/clips", content=path.read_bytes(), headers=header)
        assert answer.status_code == 201, answer.text
        brief: dict[str, Any] = answer.json()
        return brief

    def heard(self, clip_id: str, *, within_s: float = 120.0) -> dict[str, Any]:
        """Wait until a recording has been listened to; gives all that is known of it."""
        deadline = time.monotonic() + within_s
        while True:
            clip: dict[str, Any] = self.client.get(f"/api/clips/{clip_id}").json()
            if clip["status"] in ("ready", "failed"):
                return clip
            assert time.monotonic() < deadline, f"still {clip['status']} after {within_s} s"
            time.sleep(0.05)


@contextlib.contextmanager
def live(folder: Path, **changes: Any) -> Iterator[LivePage]:
    """Run a page with its files in a folder; ``changes`` are fields of `Settings`."""
    page = LivePage(Settings(**{"desk": folder / "desk", "notebook": folder / "notebook.sqlite", **changes}))
    try:
        page.start()  # one that does not start is stopped too: its thread would keep the tests from ending
        yield page
    finally:
        page.close()


@pytest.fixture
def page(tmp_path: Path) -> Iterator[LivePage]:
    with live(tmp_path) as running:
        yield running


@pytest.fixture(scope="session")
def shared_page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LivePage]:
    with live(tmp_path_factory.mktemp("page")) as running:
        yield running


@pytest.fixture(scope="session")
def demo_clip() -> Path:
    """The bundled clips: short flights with known truth, made by computer."""
    return DEMO


@pytest.fixture
def empty_page(shared_page: LivePage) -> LivePage:
    for clip in shared_page.client.get("/api/state").json()["clips"]:
        shared_page.client.delete(f"/api/clips/{clip['id']}").raise_for_status()
    return shared_page
