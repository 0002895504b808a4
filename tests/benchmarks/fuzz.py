"""What the program does with ten thousand hostile inputs, and the commands and the page with a thousand.

    python tests/benchmarks/fuzz.py                                   all of it, about an hour
    python tests/benchmarks/fuzz.py --out tests/benchmarks/results    and write fuzz.md and fuzz.json there
    python tests/benchmarks/fuzz.py --cases 200 --only labels         some of it
    python tests/benchmarks/fuzz.py --repeat labels 17                one case again, with all that is told

The inputs are made from seeds, see `tests/fuzz`: recordings, tables, models, notebooks, manifests and texts
that are cut, turned, spliced, lying, huge, or well packed around something that does not belong there, under
names that no honest file has. Each goes to the public functions, the commands, or the page. It must be used
or refused with a message that names it, within 30 s of processor time and 900 MB of memory; nothing outside
the folder for output may change, nothing may be run. Exit status 1 when anything did not hold.
"""

from __future__ import annotations

import argparse
import statistics
import sys
from collections import Counter
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # run as a script: the tests' own helpers

from benchmarks.kept import add_out, keep, slug
from fuzz.runner import LONGEST_CASE_S, MOST_MEMORY_MB, MOST_PROCESSOR_S, Told, run_cases, targets_of

KINDS = ("functions", "commands", "pages")
FUNCTIONS, OUTSIDE = 10_000, 1_000
"""Cases of the public functions, and of commands and page together."""


def cases_of(kind: str, share: float, only: str) -> list[tuple[str, int]]:
    """Give the cases of a kind: target and number."""
    return [
        (target.name, number)
        for target in targets_of(kind).values()
        if only in target.name
        for number in range(max(1, round(target.share * share)))
    ]


def row(target: str, told: list[Told]) -> tuple[str, dict[str, Any]]:
    """Give a line of the table, and its values."""
    counted = Counter(one.what for one in told)
    slowest, peak = max(one.spent_s for one in told), max(one.peak_mb for one in told)
    middle = statistics.median(one.spent_s for one in told)
    values = {
        "cases": len(told),
        "worked": counted["worked"],
        "refused": counted["refused"],
        "broken": counted["broken"],
        "median_ms": 1000 * middle,
        "slowest_s": slowest,
        "peak_mb": peak,
    }
    line = (
        f"| {target} | {len(told):,} | {counted['worked']:,} | {counted['refused']:,} | "
        f"{counted['broken']} | {1000 * middle:.1f} ms | {slowest:.1f} s | {peak:.0f} MB |"
    )
    return line, values


def main() -> int:
    """Run, report, and perhaps write."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--cases", type=int, default=FUNCTIONS, help="of the functions; of the others a tenth"
    )
    parser.add_argument("--only", default="", metavar="TEXT", help="targets whose name holds this")
    parser.add_argument("--kind", choices=KINDS, action="append", help="instead of all three")
    parser.add_argument("--repeat", nargs=2, metavar=("TARGET", "NUMBER"), help="one case")
    add_out(parser)
    asked = parser.parse_args()
    if asked.repeat:
        return repeat(asked.repeat[0], int(asked.repeat[1]))
    lines = [
        "| target | cases | worked | refused | broken | median | slowest | peak |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    values: dict[str, Any] = {
        "limits": {"processor_s": MOST_PROCESSOR_S, "memory_mb": MOST_MEMORY_MB, "clock_s": LONGEST_CASE_S}
    }
    broken: list[Told] = []
    everything: list[Told] = []
    for kind in asked.kind or KINDS:
        by_target: dict[str, list[Told]] = {}
        for told in run_cases(kind, cases_of(kind, asked.cases / FUNCTIONS, asked.only)):
            by_target.setdefault(told.target, []).append(told)
            if len(by_target[told.target]) == 1:  # the first of another target: say how far it is
                print(f"{kind}: {told.target}", file=sys.stderr, flush=True)
            if told.what == "broken":
                broken.append(told)
                print(f"*** {told.target} {told.number}: {told.told}", flush=True)
        values[kind] = {}
        for target, of_target in by_target.items():
            line, found = row(target, of_target)
            print(line, file=sys.stderr)
            lines.append(line)
            values[kind][slug(target)] = found
            everything += of_target
    if everything:
        line, found = row("**all**", everything)
        lines.append(line)
        values["all"] = found
    lines += [
        "",
        "*Worked*: the input could be used after all. *Refused*: with a message that names the file. "
        "*Broken*: anything else, such as a traceback, an unprintable message, a file touched outside the "
        f"output, something run. Time is that of the processor ({MOST_PROCESSOR_S:.0f} s allowed; what "
        "programs and the page take in processes of their own is not in it), memory the peak of the process "
        f"with all libraries ({MOST_MEMORY_MB:.0f} MB allowed).",
    ]
    keep("fuzz", "# Hostile inputs\n\n" + "\n".join(lines), values, out=asked.out, packages=("av", "soxr"))
    return int(bool(broken))


def repeat(target: str, number: int) -> int:
    """Run one case again, and tell all."""
    kind = next((kind for kind in KINDS if target in targets_of(kind)), None)
    if kind is None:
        print(f"there is no target {target!r}", file=sys.stderr)
        return 2
    (told,) = run_cases(kind, [(target, number)])
    print(f"{told.what}, {told.spent_s:.2f} s, {told.peak_mb:.0f} MB\n{told.told}")
    return int(told.what == "broken")


if __name__ == "__main__":
    sys.exit(main())
