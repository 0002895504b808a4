"""How fast a notebook of 100,000 records is, and how much memory an export takes.

``python tests/benchmarks/notebook_speed.py [--records 100000] [--answer-kb 2]``

The promises: a list with a filter in under 0.3 s, the archive in under 30 s, memory bounded. Figures are of
this machine; nothing is asserted about time.
"""

from __future__ import annotations

import argparse
import datetime as dt
import random
import resource
import sys
import tempfile
import time
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.kept import add_out, keep, slug
from wingtone.notebook import export
from wingtone.notebook.importing import carry_out, read_plan
from wingtone.notebook.places import parse_place
from wingtone.notebook.records import BoutNote, Record, RecordingNote, Tone, sex_of
from wingtone.notebook.store import Filter, Notebook

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

NAMES = ("terrestris", "lucorum", "lapidarius", "pascuorum", "pratorum", "hortorum", "hypnorum")


def made_up(count: int, answer_kb: int) -> Iterator[tuple[str, None, Record]]:
    """Records as a busy recording scheme has them; half with sound."""
    chance = random.Random(1)
    filler = [{"taxon": f"Bombus {name}", "probability": 1 / 7, "summary": "x" * 40} for name in NAMES]
    answer: dict[str, Any] = {
        "schema": "wingtone/identify/1",
        "size": {"itd_mm": 4.2, "itd_low_mm": 3.6, "itd_high_mm": 5.0, "level": 0.9},
        "record_as": {"taxon": "Bombus", "rank": "genus", "reason": "several fit"},
        "evidence": [{"kind": "tone", "name": "tone", "weight_bits": 1.2, "summary": "a middling tone"}],
        "candidates": filler * max(1, answer_kb * 1024 // 700),
    }
    for i in range(count):
        day = dt.date(2015, 3, 1) + dt.timedelta(days=chance.randrange(4000))
        caste = chance.choice(("queen", "worker", "worker", "male"))
        place = parse_place(f"TQ {chance.randrange(1000):03d} {chance.randrange(1000):03d}")
        f0_hz = round(chance.uniform(110, 210), 1)
        heard = i % 2 == 0
        yield (
            f"made up {i}",
            None,
            Record(
                event_date=f"{day.isoformat()}T{chance.randrange(8, 20):02d}:15+01:00",
                place=place,
                recorder=f"Recorder {chance.randrange(200)}",
                taxon=f"Bombus {chance.choice(NAMES)}",
                rank="species",
                caste=caste,
                sex=sex_of(caste),
                status="decided",
                hints={"tail": "white"},
                recording=RecordingNote(
                    f"clips/{i}.m4a", "ab" * 32, 20.0, 48000, "", (BoutNote("flight", 1.0, 3.0, f0_hz),)
                )
                if heard
                else None,
                tone=Tone(f0_hz, f0_hz - 1, f0_hz + 1) if heard else None,
                answer=answer if heard else None,
                notes="on the lavender by the wall",
            ),
        )


class Clock:
    """Times work, and notes the most memory the program ever had by then."""

    def __init__(self) -> None:
        self.lines = ["| what | seconds | records | peak memory, MB |", "| --- | --- | --- | --- |"]
        self.values: dict[str, dict[str, float]] = {}

    def __call__(self, what: str, work: Callable[[], Any]) -> Any:
        """Run something and note how long it took."""
        started = time.monotonic()
        result = work()
        took = time.monotonic() - started
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        given = len(result) if isinstance(result, list) and what.startswith("list") else ""
        self.lines.append(f"| {what} | {took:.2f} | {given} | {peak_mb:.0f} |")
        self.values[slug(what)] = {"seconds": took, "peak_mb": peak_mb}
        return result


def main() -> None:
    """Make a large notebook and use it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--records", type=int, default=100_000)
    parser.add_argument("--answer-kb", type=int, default=2)
    add_out(parser)
    wanted = parser.parse_args()
    timed = Clock()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with Notebook.open(folder / "bees.sqlite") as notebook:
            timed(
                "records added in one go",
                lambda: notebook.add_imported(made_up(wanted.records, wanted.answer_kb)),
            )
            size_mb = (folder / "bees.sqlite").stat().st_size / 1e6
            count = notebook.count()
            week = Filter(since=dt.date(2020, 6, 1), until=dt.date(2020, 6, 7))
            near = Filter(near=parse_place("TQ17"), taxon="Bombus hortorum")
            for what, where in (
                ("list of a week", week),
                ("list of a name near a place", near),
                ("list of a name", Filter(taxon="Bombus hypnorum")),
                ("list of a caste and status", Filter(caste="queen", status="decided")),
                ("list of one recorder", Filter(recorder="Recorder 7")),
                ("list of all", Filter()),
            ):
                timed(what, partial(notebook.rows, where))
            timed("newest 20", lambda: notebook.rows(limit=20))
            timed("archive", lambda: export.write_archive(notebook.entries(), folder / "bees.zip"))
            timed("GeoJSON", lambda: export.write_geojson(notebook.entries(), folder / "bees.geojson"))
            timed("CSV", lambda: export.write_csv(notebook.entries(), folder / "bees.csv"))
            timed("check of the whole file", notebook.check)
        plan = timed("table read for import", lambda: read_plan(folder / "bees.csv"))
        with Notebook.open(folder / "again.sqlite") as again:
            timed("and imported", lambda: carry_out(plan, again))
            timed("and imported again", lambda: carry_out(plan, again))
    lists = [row["seconds"] for what, row in timed.values.items() if what.startswith("list_of")]
    values = {**timed.values, "records": count, "file_mb": size_mb, "slowest_list_s": max(lists)}
    lines = [f"A notebook of {count:,} records, {size_mb:.0f} MB:", "", *timed.lines]
    keep("notebook_speed", "\n".join(lines), values, out=wanted.out)


if __name__ == "__main__":
    main()
