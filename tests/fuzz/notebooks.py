"""The notebook's functions, as targets: damaged notebooks, hostile records, and tables to take in.

- `notebook`, `kept`, `imported`: for `fuzz.functions`.
- `darwin_core`: a table that wingtone wrote, as text.
- `put_table`: a hostile table as an input.
"""

from __future__ import annotations

import csv
import functools
import io
import json
import tempfile
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fuzz import databases, tables, texts
from fuzz.case import need, safe_table
from fuzz.torn import with_nonsense
from wingtone.errors import WingtoneError

if TYPE_CHECKING:
    import random
    from collections.abc import Iterator, Sequence

    from fuzz.case import Place

__all__ = ["darwin_core", "imported", "kept", "notebook", "put_table"]


def notebook(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Open a damaged notebook; read, check, change and rescue it."""
    from wingtone.notebook.rescue import rescue
    from wingtone.notebook.store import Filter, Notebook

    data = databases.hostile_database(databases.notebook_bytes(), draw)
    name = texts.file_name(draw, ".sqlite") if draw.random() < 0.3 else "notebook.sqlite"
    path = place.put(name, data)
    changed = place.out / name
    changed.write_bytes(data)
    saved = "saved.sqlite"
    record = databases.hostile_record(draw)
    yield [name, saved]
    problems: list[WingtoneError] = []

    def tried(work: Any) -> None:
        try:
            work()
        except WingtoneError as error:
            problems.append(error)

    def read() -> None:
        with Notebook.open(path, write=False) as opened:
            rows = opened.rows(Filter(taxon="bombus"))
            need(all(isinstance(row.number, int) for row in rows), "rows without numbers")
            opened.check()
            opened.count()
            for row in opened.rows():
                tried(functools.partial(opened.get, row.number))
                tried(functools.partial(opened.history, row.number))
            list(opened.entries())

    def change() -> None:
        with Notebook.open(changed) as opened:
            entry = opened.add(record)
            opened.amend(entry.number, notes="more")
            opened.amend(1, notes="again")

    tried(read)
    tried(change)
    tried(functools.partial(rescue, path, place.out / saved))
    tried(functools.partial(_export_all, changed, place))
    if problems:
        raise problems[draw.randrange(len(problems))]


def _export_all(path: Path, place: Place) -> None:
    from wingtone.learn.label_rows import label_rows
    from wingtone.learn.labels import write_labels
    from wingtone.notebook.exchange import Disclosure
    from wingtone.notebook.export import write_archive, write_csv, write_geojson
    from wingtone.notebook.store import Notebook

    with Notebook.open(path, write=False) as opened:
        for number, disclosure in enumerate((None, Disclosure(blur_km=2), Disclosure(withhold_place=True))):
            target = place.out / f"{number}.csv"
            write_csv(opened.entries(), target, disclosure=disclosure)
            safe_table(target.read_bytes().decode("utf-8"))
            write_geojson(opened.entries(), place.out / "x.geojson", disclosure=disclosure)
            json.loads((place.out / "x.geojson").read_text("utf-8"))
        write_archive(opened.entries(), place.out / "x.zip")
        with zipfile.ZipFile(place.out / "x.zip") as archive:
            need(archive.testzip() is None, "a damaged archive")
        write_labels(
            place.out / "labels.csv", [row for entry in opened.entries() for row in label_rows(entry.record)]
        )
        safe_table((place.out / "labels.csv").read_text("utf-8"))


def kept(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Keep a record with hostile texts, hand it on in every form, and take it in again."""
    from wingtone.notebook.importing import carry_out, read_plan
    from wingtone.notebook.store import Notebook

    path = place.out / "notebook.sqlite"
    record = databases.hostile_record(draw)
    yield []
    with Notebook.open(path) as opened:
        entry = opened.add(record)
        need(entry.record == record, "a record comes back changed")
    _export_all(path, place)
    with Notebook.open(place.out / "other.sqlite") as other:
        done = carry_out(read_plan(place.out / "0.csv"), other)
        need(done.added == 1, "a record that was handed on was not taken in")
        back = other.get(1).record
        need(
            (back.taxon, back.notes, back.recorder) == (record.taxon, record.notes, record.recorder),
            "texts that changed on the way",
        )


@functools.cache
def darwin_core() -> str:
    """Give a table that wingtone wrote, as text."""
    from wingtone.notebook.export import write_csv
    from wingtone.notebook.store import Notebook

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "notebook.sqlite")
        path.write_bytes(databases.notebook_bytes())
        with Notebook.open(path, write=False) as opened:
            write_csv(opened.entries(), Path(folder, "out.csv"))
        return Path(folder, "out.csv").read_bytes().decode("utf-8-sig").replace("\r\n", "\n")


def put_table(
    draw: random.Random, place: Place, text: str, *, name: str = "table", suffix: str = ".csv"
) -> Path:
    given = texts.file_name(draw, suffix) if draw.random() < 0.3 else name + suffix
    return place.put(given, tables.hostile_table(text, draw))


def _ours_changed(draw: random.Random) -> bytes:
    """A table of ours whose JSON cell says something else."""
    rows = list(csv.reader(io.StringIO(darwin_core(), newline="")))
    at = rows[0].index("dynamicProperties")
    row = draw.choice(rows[1:])
    deep = '{"wingtone": ' + "[" * draw.choice((500, 100_000))
    row[at] = deep if draw.random() < 0.05 else json.dumps(with_nonsense(json.loads(row[at]), draw, times=2))
    if draw.random() < 0.5:
        row[draw.randrange(len(row))] = draw.choice(("nan", "", "1e999", "x", texts.day(draw)))
    return tables.written(rows).encode("utf-8", "surrogatepass")


def imported(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Take records in from a table of somebody's, or of ours."""
    from wingtone.notebook.importing import carry_out, read_plan
    from wingtone.notebook.store import Notebook

    how = draw.randrange(3)
    if how == 0:
        path = place.put("table.csv", _ours_changed(draw))
    else:
        path = put_table(draw, place, tables.RECORDS if how == 1 else darwin_core())
    mapping = (
        []
        if draw.random() < 0.8
        else [texts.anything(draw, most=2) + draw.choice(("=taxon", "=", "=nothing", "=date"))]
    )
    yield [] if mapping else [path.name]
    plan = read_plan(path, mapping=mapping)
    with Notebook.open(place.out / "notebook.sqlite") as opened:
        done = carry_out(plan, opened)
        again = carry_out(plan, opened)
        need(done.added + done.known == len(plan.records) and again.added == 0, "imported twice")
        need(opened.check() == [], "a damaged notebook")
    _export_all(place.out / "notebook.sqlite", place)
