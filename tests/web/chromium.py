"""A real Chromium for the tests of the page, and what is true of every visit.

The browser of the system is used (``apt-get install chromium``), never one that is fetched. It is told to
talk to nobody, and every visit watches over that: a request that leaves the page's own address fails the
test, and so does an error in the page's console.

- `driver`, `launch`: playwright, and browsers with switches of their own.
- `chromium`: the browser, one for all tests of this folder.
- `visit`: opens the page as a visitor would, as often as a test wants.
- `axe_faults`: what axe-core, Deque's checker of accessibility rules, finds on the page as it stands.
- `drawn`, `until`: waiting for the strip, and for anything.
- `drop_files`, `waiting`: dropping files on the page, and those that the browser keeps meanwhile.
- `listened`: all that the page says to who listens to it.
- `settled`, `answered`: waiting until a recording is open and still.
"""

from __future__ import annotations

import base64
import importlib.resources
import shutil
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import expect, sync_playwright

if TYPE_CHECKING:
    import re
    from collections.abc import Callable, Iterator, Sequence

    from playwright.sync_api import Browser, Page, Playwright

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
QUIET = (
    "--no-sandbox",  # the build machine runs as root
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--mute-audio",
    "--autoplay-policy=no-user-gesture-required",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
)
LET_IN: dict[str, dict[str, str]] = {}
"""Cookies of the pages under test, by host and port: who visits one has entered its code before."""
WAITING = """() => new Promise((resolve) => {
    const ask = indexedDB.open('wingtone', 1);
    ask.onupgradeneeded = () => ask.result.createObjectStore('waiting', {autoIncrement: true});
    ask.onsuccess = () => {
        const all = ask.result.transaction('waiting').objectStore('waiting').getAll();
        all.onsuccess = () => { ask.result.close(); resolve(all.result.map(({name}) => name)); };
    };
})"""
TWO_FRAMES = "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
LISTEN = """() => {
    const polite = document.getElementById('polite');
    window.told = [];
    new MutationObserver(() => window.told.push(polite.textContent)).observe(polite, {childList: true});
}"""
PATIENCE_MS = 30_000
"""How long anything may take; a bound for a busy machine, no measure of speed."""


def launch(driver: Playwright, *more: str) -> Browser:
    """Start the system's Chromium, with more switches if a test needs them."""
    path = next((found for name in NAMES if (found := shutil.which(name))), None)
    assert path, "the tests of the page need Chromium: apt-get install chromium"
    return driver.chromium.launch(executable_path=path, headless=True, args=[*QUIET, *more])


@pytest.fixture(scope="package")
def driver() -> Iterator[Playwright]:
    """Give the one driver; a second cannot be started beside it."""
    expect.set_options(timeout=PATIENCE_MS)
    own = sync_playwright()
    try:
        playwright = own.start()
    except Exception as error:  # all that comes through is that the driver went away
        raise RuntimeError("the driver of the browser did not start: apt-get install libatomic1") from error
    yield playwright
    playwright.stop()


@pytest.fixture(scope="package")
def chromium(driver: Playwright) -> Iterator[Browser]:
    """Give the one browser."""
    browser = launch(driver)
    yield browser
    browser.close()


class Visitors:
    """Pages opened in one test, and what they did that they must not do."""

    def __init__(self, browser: Browser) -> None:
        self._browser = browser
        self.outside: list[str] = []
        self.faults: list[str] = []

    def __call__(self, url: str, **options: Any) -> Page:
        """Open the page in a fresh profile; ``options`` as of ``Browser.new_context``."""
        context = self._browser.new_context(**{"viewport": {"width": 1280, "height": 860}, **options})
        context.set_default_timeout(PATIENCE_MS)
        home = urlsplit(url).netloc
        for name, value in LET_IN.get(home, {}).items():
            context.add_cookies([{"name": name, "value": value, "url": f"http://{home}/"}])

        def asked(address: str) -> None:
            parts = urlsplit(address)
            if parts.scheme not in ("data", "blob") and parts.netloc != home:
                self.outside.append(address)

        context.on("request", lambda request: asked(request.url))
        page = context.new_page()
        page.on("websocket", lambda socket: self.outside.append(socket.url))
        page.on("pageerror", lambda error: self.faults.append(str(error)))

        def said(kind: str, text: str) -> None:
            # An answer of 4xx is also written to the console; tests look at what the page makes of it.
            if kind == "error" and not text.startswith("Failed to load resource"):
                self.faults.append(text)

        page.on("console", lambda message: said(message.type, message.text))
        page.goto(url)
        return page

    def leave(self) -> None:
        """Close all; nothing may have left the machine and nothing may have gone wrong."""
        for context in self._browser.contexts:
            context.close()
        assert (self.outside, self.faults) == ([], [])


@pytest.fixture
def visit(chromium: Browser) -> Iterator[Visitors]:
    """Open the page; see `Visitors.leave` for what is asked afterwards."""
    visitors = Visitors(chromium)
    yield visitors
    visitors.leave()


def axe_faults(page: Page) -> list[str]:
    """Check the page as it stands with axe-core (all its default rules); one line a fault."""
    source = importlib.resources.files("axe_playwright_python").joinpath("axe.min.js").read_text("utf-8")
    if not page.evaluate("typeof axe === 'object'"):
        page.evaluate(source)
    found = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    assert found["passes"], "axe-core looked at nothing"
    return [
        f"{fault['id']}: {node['html'][:160]} ({node['failureSummary']})"
        for fault in found["violations"]
        for node in fault["nodes"]
    ]


def drop_files(page: Page, files: Sequence[tuple[str, bytes]]) -> None:
    """Let files fall onto the page, as from the desktop: (name, content)."""
    coded = [[name, base64.b64encode(content).decode()] for name, content in files]
    carried = page.evaluate_handle(
        """(coded) => {
            const carried = new DataTransfer();
            for (const [name, text] of coded) {
                const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
                carried.items.add(new File([bytes], name));
            }
            return carried;
        }""",
        coded,
    )
    for event in ("dragenter", "dragover", "drop"):
        page.dispatch_event("main", event, {"dataTransfer": carried})


def settled(page: Page, name: str) -> None:
    """Open a recording of the desk and wait until its bouts and its answer stand."""
    page.get_by_role("link", name=name).click()
    answered(page, name)


def answered(page: Page, name: str | re.Pattern[str]) -> None:
    """Wait until a recording is open, and its bouts and its answer stand."""
    expect(page.get_by_role("heading", level=1, name=name)).to_be_visible()
    expect(page.get_by_role("list", name="Bouts")).to_be_visible()
    expect(page.locator(".answer[data-answered]")).to_be_visible()


def waiting(page: Page) -> list[str]:
    """Names of the files that the browser keeps until they have arrived."""
    names: list[str] = page.evaluate(WAITING)
    return names


def listened(page: Page) -> Callable[[str], None]:
    """Begin to listen; gives how to wait until something was said since, whatever was said after it."""
    page.evaluate(LISTEN)
    return lambda words: until(page, lambda: any(words in told for told in page.evaluate("window.told")))


def drawn(page: Page) -> None:
    """Wait until all tiles and the tone line of the strip stand."""
    page.evaluate(TWO_FRAMES)  # what was done just now is drawn in the next one, and asks for tiles then
    expect(page.locator(".strip-field")).to_have_attribute("data-busy", "false")


def until(page: Page, holds: Callable[[], bool]) -> None:
    """Wait until something holds that no locator can say."""
    for _ in range(PATIENCE_MS // 100):
        if holds():
            return
        page.wait_for_timeout(100)
    raise AssertionError("it never came to hold")


def wide_content(page: Page) -> int:
    """How many pixels the page is wider than the window: 0, or one would have to scroll sideways."""
    wider: int = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    return wider


__all__ = [
    "PATIENCE_MS",
    "Visitors",
    "answered",
    "axe_faults",
    "chromium",
    "drawn",
    "driver",
    "drop_files",
    "launch",
    "listened",
    "settled",
    "until",
    "visit",
    "waiting",
    "wide_content",
]
