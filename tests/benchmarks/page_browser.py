"""How quick the page feels in a real Chromium: what a person sees, not what the server answers.

    python tests/benchmarks/page_browser.py

*Drop to answer*: a made-up clip of 10 s is dropped on the page, each time another one; the time ends when
candidates stand on the page. *An hour*: a WAV of an hour (16 kHz, 16 bits, one channel; a bee for 24 s of
every minute) is chosen; the times end when the strip stands, and when the first tile has come. Afterwards
the strip is dragged and zoomed without a pause, and the browser is asked how far apart its frames came. Times
are of the clock, in the browser; the load of the machine is stated.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import wave
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from playwright.sync_api import expect, sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # run as a script: the tests' own helpers

from benchmarks.kept import add_out, keep
from web.chromium import Visitors, answered, drop_files, launch
from web.conftest import LivePage, live
from web.test_browser_recording import RATE_HZ, flight, wav_bytes

if TYPE_CHECKING:
    from playwright.sync_api import Page

MINUTES = 60
DONE = ".answer[data-answered]"
WATCH = """() => {
    window.timed = {};
    const dropped = () => { timed.dropped = performance.now(); };
    window.addEventListener('drop', dropped, {once: true, capture: true});
    const watch = new MutationObserver(() => {
        if (!document.querySelector('.answer[data-answered]')) return;
        timed.answered = performance.now();
        watch.disconnect();
    });
    watch.observe(document.body, {subtree: true, childList: true, attributes: true});
}"""
FRAMES = """() => {
    window.apart = [];
    let last = performance.now();
    const frame = (now) => { apart.push(now - last); last = now; requestAnimationFrame(frame); };
    requestAnimationFrame(frame);
}"""


def drop_to_answer(page: LivePage, tab: Page, times: int) -> list[float]:
    """Seconds from the drop to candidates on the page, for each of so many clips."""
    taken = []
    for seed in range(times + 1):
        tab.goto(f"{page.url}#desk")
        expect(tab.get_by_role("button", name="Choose recordings")).to_be_visible()
        tab.evaluate(WATCH)
        drop_files(tab, [(f"bee {seed}.wav", wav_bytes(flight(10.0, seed=seed)))])
        expect(tab.locator(DONE)).to_be_visible(timeout=120_000)
        taken.append(tab.evaluate("(timed.answered - timed.dropped) / 1000"))
    return taken[1:]  # the first also loads the page's parts


def write_hour(target: Path) -> None:
    rng = np.random.default_rng(0)
    bee = 0.6 * flight(8.0)
    with wave.open(str(target), "wb") as file:
        file.setparams((1, 2, RATE_HZ, 0, "NONE", ""))
        for _ in range(MINUTES):
            sound = rng.normal(0, 0.01, 60 * RATE_HZ).astype(np.float32)
            for at_s in (5, 25, 45):
                sound[at_s * RATE_HZ : at_s * RATE_HZ + bee.size] += bee
            file.writeframes(np.clip(sound * 32767, -32768, 32767).astype("<i2").tobytes())


def an_hour(page: LivePage, tab: Page, source: Path) -> dict[str, float]:
    """Seconds until the strip and its first tile, and milliseconds between frames while it is moved about."""
    tab.goto(f"{page.url}#desk")
    tab.evaluate("window.chosen = performance.now()")
    tab.set_input_files("#chooser", source)
    expect(tab.locator(".sheet")).to_be_visible()
    strip_s = tab.evaluate("(performance.now() - chosen) / 1000")
    seen = "performance.getEntriesByType('resource').filter((r) => r.startTime > chosen)"
    tiles = f"{seen}.filter((r) => r.name.includes('/tiles/'))"
    for _ in range(1200):
        if tab.evaluate(f"{tiles}.length"):
            break
        tab.wait_for_timeout(50)
    first_s = tab.evaluate(f"({tiles}[0].responseEnd - chosen) / 1000")
    page.heard(tab.url.rpartition("/")[2], within_s=600)
    answered(tab, source.name)
    tab.wait_for_timeout(3000)
    tab.evaluate(FRAMES)
    box = tab.locator(".sheet").bounding_box()
    assert box is not None
    y = box["y"] + 40
    tab.mouse.click(box["x"] + 300, y)
    for _ in range(4):
        tab.mouse.move(box["x"] + 900, y)
        tab.mouse.down()
        for step in range(30):
            tab.mouse.move(box["x"] + 900 - 25 * step, y)
        tab.mouse.up()
        for _ in range(10):
            tab.mouse.wheel(0, 120)
    apart = np.asarray(tab.evaluate("apart"))
    return {
        "strip_s": strip_s,
        "first_tile_s": first_s,
        "frame_median_ms": float(np.median(apart)),
        "frame_95_ms": float(np.quantile(apart, 0.95)),
    }


def report(answers: list[float], hour: dict[str, float]) -> str:
    rows = [
        ("drop to answer, 10 s clip, median", f"{statistics.median(answers):.2f} s"),
        (f"the slowest of {len(answers)}", f"{max(answers):.2f} s"),
        ("an hour of WAV: until the strip stands", f"{hour['strip_s']:.1f} s"),
        ("until its first tile has come", f"{hour['first_tile_s']:.1f} s"),
        ("between frames while it is dragged and zoomed, median", f"{hour['frame_median_ms']:.0f} ms"),
        ("95 % of them within", f"{hour['frame_95_ms']:.0f} ms"),
    ]
    lines = [
        "| what | how long |",
        "| --- | --- |",
        *(f"| {what} | {how} |" for what, how in rows),
    ]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--times", type=int, default=12, help="clips dropped")
    add_out(parser)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as driver, live(Path(scratch)) as page:
        source = Path(scratch) / "hour.wav"
        write_hour(source)
        browser = launch(driver)
        visitors = Visitors(browser)
        tab = visitors(page.url)
        answers = drop_to_answer(page, tab, asked.times)
        hour = an_hour(page, tab, source)
        visitors.leave()
        browser.close()
    values = {"clips": len(answers), "drop_to_answer_s": statistics.median(answers), **hour}
    keep("page_browser", report(answers, hour), values, out=asked.out, packages=("playwright",))


if __name__ == "__main__":
    main()
