"""Our own parsers as functions of bytes: plain functions, which any fuzzer guided by coverage can call.

Each takes bytes, lets a parser make of them what it can, and returns nothing; it raises only when something
is wrong. ``tests/benchmarks/fuzz_parsers.py`` drives them with atheris, ``test_fuzz.py`` with `corpus` and
some seeded changes of it.

- `PARSERS`: name to function.
- `CORPUS`: name to a few inputs to begin with.
- `changed`: an input changed at random.
"""

from __future__ import annotations

import datetime as dt
import io
import json
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from fuzz import archives, recordings, tables
from fuzz.case import message_faults
from fuzz.notebooks import darwin_core
from fuzz.torn import torn
from wingtone.errors import WingtoneError

if TYPE_CHECKING:
    import random
    from collections.abc import Callable

    from wingtone.notebook.records import Record

__all__ = ["CORPUS", "PARSERS", "changed", "corpus"]

PATH = Path("a file.x")


def _ours(error: WingtoneError) -> None:
    faults = message_faults(error, ())
    assert not faults, faults


def chunks(data: bytes) -> None:
    """The container by its first bytes, its chunks and boxes, the texts of a WAV, the last page of an Ogg."""
    from wingtone.audio.metadata import provenance, riff_texts
    from wingtone.audio.sniff import container_of
    from wingtone.audio.structure import check_sizes, corrections_of, last_page_whole

    file = io.BytesIO(data)
    try:
        container = container_of(file, path=PATH)
        check_sizes(file, container, path=PATH)
    except WingtoneError as error:
        _ours(error)
        return
    if container.demuxer == "wav":
        assert all(0 <= at < len(data) for at in corrections_of(file, container))
        texts = riff_texts(file)
        assert all(isinstance(text, str) and text for text in texts.values())
        found = provenance(PATH, tags={}, riff=texts)
        if found.recorded_at:
            dt.datetime.fromisoformat(found.recorded_at)
    elif container.demuxer == "ogg":
        last_page_whole(file)


def tags(data: bytes) -> None:
    """Days and places in tags and names of files."""
    from wingtone.audio.metadata import date_from_name, parse_date, parse_iso6709, provenance

    text = data.decode("utf-8", "surrogateescape")
    for found in (parse_date(text), date_from_name(text)):
        if found is not None:
            dt.datetime.fromisoformat(found)
    spot = parse_iso6709(text)
    assert spot is None or (abs(spot[0]) <= 90 and abs(spot[1]) <= 180)
    names = ("comment", "date", "location", "creation_time", "make", "model", "encoder")
    device = provenance(PATH, tags=dict.fromkeys(names, text)).device
    assert device is None or device.isprintable()


def places(data: bytes) -> None:
    """Places and grid references, and what becomes of them when they are blurred."""
    from wingtone.notebook.places import blur, is_grid_reference, parse_place

    text = data.decode("utf-8", "replace")
    is_grid_reference(text)
    try:
        spot = parse_place(text)
    except WingtoneError as error:
        _ours(error)
        return
    assert abs(spot.latitude_deg) <= 90
    assert abs(spot.longitude_deg) <= 180
    assert (
        spot.grid_reference is None or parse_place(spot.grid_reference).grid_reference == spot.grid_reference
    )
    for km in (1, 2, 10):
        blurred = blur(spot, km)
        assert abs(blurred.latitude_deg) <= 90
        assert abs(blurred.longitude_deg) <= 180


def days(data: bytes) -> None:
    """Days, times and intervals."""
    from wingtone.evidence import parse_date
    from wingtone.notebook.events import day_range, parse_event_date

    text = data.decode("utf-8", "replace")
    try:
        parse_date(text)
    except WingtoneError as error:
        _ours(error)
    try:
        event = parse_event_date(text)
    except WingtoneError as error:
        _ours(error)
        return
    assert parse_event_date(event) == event
    first, last = day_range(event)
    assert first <= last


def hints(data: bytes) -> None:
    """Hints."""
    from wingtone.evidence import parse_hints

    try:
        parse_hints(data.decode("utf-8", "replace").split("\n"))
    except WingtoneError as error:
        _ours(error)


def labels(data: bytes) -> None:
    """A table of labels."""
    from wingtone.learn.labels import groups_of, read_labels

    _read_file(data, "labels.csv", lambda path: groups_of(read_labels(path).rows))


def records(data: bytes) -> None:
    """A table of records, and its bytes with columns added."""
    from wingtone.cue.table import read_table
    from wingtone.notebook.importing import read_plan

    def read(path: Path) -> None:
        table = read_table(path)
        assert table.head + table.text.encode(table.encoding, table.errors) == data
        table.extended(["new"], [["=1"]] * len(table.rows))

    _read_file(data, "records.csv", read)
    _read_file(data, "records.csv", read_plan)


def terms(data: bytes) -> None:
    """Darwin Core terms that wingtone wrote, and a record as JSON."""
    from wingtone.notebook.exchange import from_terms, is_ours
    from wingtone.notebook.records import dumps, from_json

    text = data.decode("utf-8", "replace")
    try:
        value = json.loads(text)
    except (ValueError, RecursionError):
        value = None
    given = {
        "dynamicProperties": text,
        "identificationVerificationStatus": "confirmed",
        "eventDate": "2026-03-20",
    }
    is_ours(given)
    readers: tuple[Callable[[], Record], ...] = (lambda: from_terms(given), lambda: from_json(value))
    for read in readers:
        try:
            dumps(read())
        except WingtoneError as error:
            _ours(error)


def models(data: bytes) -> None:
    """A model file: an archive, its header, its arrays."""
    from wingtone.learn.model_file import load_model

    _read_file(data, "model.wingtone", load_model)


def told(data: bytes) -> None:
    """What a manifest keeps as JSON."""
    from wingtone.survey.told import file_told, part_told

    text = data.decode("utf-8", "replace")
    readers: tuple[Callable[[str], object], ...] = (
        file_told,
        lambda text: part_told(text, done=True),
        lambda text: part_told(text, done=False),
    )
    for read in readers:
        try:
            read(text)
        except ValueError:
            continue


def _read_file(data: bytes, name: str, read: Callable[[Path], object]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, name)
        path.write_bytes(data)
        try:
            read(path)
        except WingtoneError as error:
            _ours(error)


PARSERS: dict[str, Callable[[bytes], None]] = {
    one.__name__: one for one in (chunks, tags, places, days, hints, labels, records, terms, models, told)
}


def corpus(name: str) -> list[bytes]:
    """Give honest inputs of a parser to begin with."""
    if name == "chunks":
        return [data[:20_000] for data in recordings.honest_recordings().values()]
    if name == "models":
        return [archives.model_bytes()]
    if name == "labels":
        return [tables.LABELS.encode()]
    if name == "records":
        return [tables.RECORDS.encode(), darwin_core().encode(), tables.RECORDS.encode("utf-16")]
    if name == "terms":
        return _term_seeds()
    if name == "told":
        return _told_seeds()
    return [text.encode() for text in CORPUS[name]]


def _term_seeds() -> list[bytes]:
    from notebook.examples import example
    from wingtone.notebook.exchange import to_terms
    from wingtone.notebook.records import dumps
    from wingtone.notebook.store import Entry

    record = example()
    entry = Entry(1, "0" * 8, 1, False, "2026-03-20T10:00:00+00:00", record)
    return [to_terms(entry)["dynamicProperties"].encode(), dumps(record).encode()]


def _told_seeds() -> list[bytes]:
    import contextlib
    import sqlite3

    from fuzz.databases import manifest_bytes

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "m.sqlite")
        path.write_bytes(manifest_bytes())
        with contextlib.closing(sqlite3.connect(path)) as plain:
            rows = plain.execute("SELECT told FROM file UNION ALL SELECT told FROM part").fetchall()
    return [text.encode() for (text,) in rows]


CORPUS: dict[str, tuple[str, ...]] = {
    "tags": (
        "2026-07-14T15:30:12+01:00",
        "PXL_20260714_153012345.mp4",
        "+51.46-000.30/",
        "Recorded at 15:30:12 14/07/2026 (UTC+1) by X",
    ),
    "places": (
        "TQ 187 753",
        "O 15 34",
        "TQ17NW",
        "51°27'36\"N 0°18'0\"W",
        "+5127.6-00018.0/",
        "51,46 -0,30",
        "geo:51.46,-0.30",
    ),
    "days": (
        "2026-03-20T10:32:05.5+01:00",
        "20/03/2026",
        "20th of March 2026",
        "2026-W24",
        "2026-03-20/22",
        "2026-03-20T10:00/11:30",
    ),
    "hints": ("tail=white\ncollar=yellow", "face-hair = ?", "Front Band=grey"),
}


def changed(data: bytes, draw: random.Random) -> bytes:
    """Change an input at random, as a fuzzer would that knows nothing."""
    return torn(data, draw)
