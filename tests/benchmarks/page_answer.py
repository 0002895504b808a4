"""How soon the answer on the page follows a changed hint.

    python tests/benchmarks/page_answer.py
    python tests/benchmarks/page_answer.py --n 100

A recording of ten seconds is open in the system's Chromium, headless. A state of the tail is chosen again and
again, and two times are taken, each as median and as what nine in ten keep to:

* from the change in the page until the new answer has been built into it and a frame has been drawn;
* from asking the program to having its answer, over the loopback, without a browser.

What is left between the two is the work of the page itself. Times are on the clock, so say what else the
machine was doing.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # run as a script: the tests' own helpers

from benchmarks.kept import add_out, keep
from web.chromium import launch
from web.conftest import DEMO, live

if TYPE_CHECKING:
    from playwright.sync_api import Page

CLIP = "1_march_big_queen.m4a"
STATES = ("white", "buff", "red", "ginger")

CHANGE = """async (value) => {
    const panel = document.querySelector('.answer');
    const input = document.querySelector(`input[name='state-tail'][value='${value}']`);
    const before = performance.now();
    const shown = new Promise((done) => {
        new MutationObserver((_, watching) => {
            watching.disconnect();
            requestAnimationFrame(() => setTimeout(() => done(performance.now() - before)));
        }).observe(panel, {attributeFilter: ['data-answered']});
    });
    input.click();
    return shown;
}"""


def shown_ms(tab: Page, n: int) -> list[float]:
    return [tab.evaluate(CHANGE, STATES[i % len(STATES)]) for i in range(n)]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--n", type=int, default=60)
    add_out(parser)
    options = parser.parse_args()
    program: list[float] = []
    with tempfile.TemporaryDirectory() as folder, live(Path(folder)) as page:
        clip = page.heard(page.bring(DEMO / CLIP)["id"])
        with sync_playwright() as driver:
            tab = launch(driver).new_page(viewport={"width": 1280, "height": 900})
            tab.goto(page.address)  # lets it in
            tab.goto(f"{page.url}#desk/{clip['id']}")
            tab.locator(".answer[data-answered]").wait_for()
            tab.locator("button[data-part=tail]").click()
            shown_ms(tab, 8)  # caches fill, scripts are compiled
            shown = shown_ms(tab, options.n)
        for i in range(options.n):
            seen = {**clip["seen"], "hints": {"tail": STATES[i % len(STATES)]}}
            start = time.perf_counter()
            page.client.post(f"/api/clips/{clip['id']}/answer", json={"seen": seen}).raise_for_status()
            program.append(1000.0 * (time.perf_counter() - start))
    lines = ["| from a changed hint | median | nine in ten within |", "| --- | --- | --- |"]
    for name, times in (("answer shown on the page", shown), ("of it, the program's answer", program)):
        within = statistics.quantiles(times, n=10)[-1]
        lines.append(f"| {name} | {statistics.median(times):.0f} ms | {within:.0f} ms |")
    drawing = statistics.median(shown) - statistics.median(program)
    lines += ["", f"{options.n} changes; the rest, {drawing:.0f} ms, is the page's own work."]
    values = {
        "changes": options.n,
        "shown_ms": statistics.median(shown),
        "program_ms": statistics.median(program),
        "own_work_ms": drawing,
    }
    keep("page_answer", "\n".join(lines), values, out=options.out, packages=("playwright",))


if __name__ == "__main__":
    main()
