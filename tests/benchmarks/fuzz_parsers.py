"""Our own parsers under a fuzzer that is guided by coverage.

    pip install atheris
    python tests/benchmarks/fuzz_parsers.py --seconds 60                  each parser for so long
    python tests/benchmarks/fuzz_parsers.py --seconds 600 --only chunks
    python tests/benchmarks/fuzz_parsers.py --again chunks FILE           an input that was found, once more

atheris is no part of the project: it is needed for this alone. The parsers are those of `fuzz.parsers`:
chunks of recordings, tags, places and grid references, days, hints, labels, tables of records, terms, model
files, and what a survey keeps. Exit status 1 when one raised what it should not; the input is then kept.
"""

from __future__ import annotations

import argparse
import importlib
import importlib.util
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # run as a script: the tests' own helpers

from benchmarks.kept import add_out, keep

NAMES = ("chunks", "tags", "places", "days", "hints", "labels", "records", "terms", "models", "told")
HINT = "this needs atheris, which is no part of the project: pip install atheris"


def fuzz(name: str, folder: Path, seconds: int) -> None:
    """Fuzz one parser in this process; ends the process."""
    atheris: Any = importlib.import_module("atheris")
    with atheris.instrument_imports(include=["wingtone"]):
        import wingtone.audio.metadata
        import wingtone.audio.sniff
        import wingtone.audio.structure
        import wingtone.cue.table
        import wingtone.evidence.dates
        import wingtone.evidence.hints
        import wingtone.learn.labels
        import wingtone.learn.model_file
        import wingtone.notebook.importing
        import wingtone.notebook.places
        import wingtone.survey.told  # noqa: F401  # all of them only to be watched
    from fuzz.parsers import PARSERS, corpus

    seeds = folder / "corpus"
    seeds.mkdir()
    for number, data in enumerate(corpus(name)):
        (seeds / f"seed {number}").write_bytes(data)
    options = [
        f"-max_total_time={seconds}",
        f"-artifact_prefix={folder}/",
        "-timeout=30",
        "-rss_limit_mb=2000",
        "-max_len=100000",
    ]
    atheris.Setup([sys.argv[0], *options, str(seeds)], PARSERS[name])
    atheris.Fuzz()


def run(name: str, seconds: int, kept: Path) -> dict[str, Any]:
    """Fuzz one parser in a process of its own; gives what came of it."""
    with tempfile.TemporaryDirectory(prefix="fuzz ") as folder:
        began = time.monotonic()
        command = [sys.executable, __file__, "--one", name, "--folder", folder, "--seconds", str(seconds)]
        done = subprocess.run(command, capture_output=True, text=True, errors="replace")
        took = time.monotonic() - began
        runs = [int(n) for n in re.findall(r"^#(\d+)", done.stderr, re.MULTILINE)]
        edges = [int(n) for n in re.findall(r"cov: (\d+)", done.stderr)]
        found = [path for path in Path(folder).iterdir() if path.is_file()]
        for path in found:
            (kept / f"{name} {path.name}").write_bytes(path.read_bytes())
        if found or done.returncode:
            print(done.stderr[-3000:])
        return {
            "runs": max(runs, default=0),
            "edges": max(edges, default=0),
            "seconds": round(took),
            "found": len(found),
            "status": done.returncode,
        }


def main() -> int:
    """Fuzz each parser, report, and perhaps write."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seconds", type=int, default=60, help="for each parser")
    parser.add_argument("--only", choices=NAMES)
    parser.add_argument("--again", nargs=2, metavar=("PARSER", "FILE"))
    parser.add_argument(
        "--found", type=Path, default=Path.cwd(), metavar="FOLDER", help="where inputs go that broke a parser"
    )
    add_out(parser)
    parser.add_argument("--one", choices=NAMES, help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.again:
        from fuzz.parsers import PARSERS

        PARSERS[asked.again[0]](Path(asked.again[1]).read_bytes())
        return 0
    if importlib.util.find_spec("atheris") is None:
        print(HINT, file=sys.stderr)
        return 2
    if asked.one:
        fuzz(asked.one, asked.folder, asked.seconds)
        return 0
    values = {name: run(name, asked.seconds, asked.found) for name in ([asked.only] if asked.only else NAMES)}
    lines = ["| parser | inputs | edges reached | found |", "| --- | --- | --- | --- |"]
    lines += [
        f"| {name} | {one['runs']:,} | {one['edges']:,} | {one['found']} |" for name, one in values.items()
    ]
    text = "# Parsers under a fuzzer guided by coverage\n\n" + "\n".join(lines)
    keep(
        "fuzz_parsers",
        f"{text}\n\n{asked.seconds} s for each parser.",
        values,
        out=asked.out,
        packages=("atheris",),
    )
    return int(any(one["found"] or one["status"] for one in values.values()))


if __name__ == "__main__":
    sys.exit(main())
