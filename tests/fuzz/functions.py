"""The public functions of the rooms, as targets.

Each target makes its input, yields the names that an error has to name, and calls the functions as the
commands, the page and notebooks do. See `fuzz.case.Target`.
"""

from __future__ import annotations

import csv
import datetime as dt
import functools
import io
import json
import math
import os
import sys
from typing import TYPE_CHECKING, Any

from fuzz import archives, databases, recordings, tables, texts
from fuzz.case import Place, Target, need, runs, safe_table, text_faults
from fuzz.notebooks import imported, kept, notebook, put_table
from fuzz.torn import nonsense, torn, with_nonsense
from wingtone.errors import DateError

if TYPE_CHECKING:
    import random
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from wingtone.clip import Measurement

__all__ = ["TARGETS", "fauna_files", "measured_json"]


# --- recordings -------------------------------------------------------------------------------------------


def _put_recording(draw: random.Random, place: Place) -> Path:
    plain, data = recordings.hostile_recording(draw)
    _, dot, suffix = plain.rpartition(".")
    name = texts.file_name(draw, dot + suffix) if draw.random() < 0.5 else plain
    return place.put(name, data)


def opened(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Open, read to the end, look at all that is said of it."""
    import numpy as np

    from wingtone.audio import open_recording

    path = _put_recording(draw, place)
    rate_hz = draw.choice((None, 8000, 12_000, 100))
    start_s = draw.choice((0.0, 0.0, 0.0, 0.5, 1e6))
    yield [path.name]
    with open_recording(path) as recording:
        seconds = 0.0
        for block in recording.blocks(rate_hz=rate_hz, block_s=draw.choice((0.01, 10.0)), start_s=start_s):
            need(bool(np.isfinite(block).all()), "a block holds what is no number")
            need(block.size > 0 and block.shape[0] == recording.channels, "a block of another shape")
            seconds += block.shape[1] / (rate_hz or recording.sample_rate_hz)
            if seconds > 700:  # a bomb: the rest is more of the same
                break
        info = recording.info
    said = (info.device, info.recorded_at, info.codec, *(remark.text for remark in info.remarks))
    need(
        not [fault for text in said if text for fault in text_faults(text)],
        "what is said of it is unprintable",
    )
    if info.recorded_at:
        dt.datetime.fromisoformat(info.recorded_at)


def measured(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Measure, identify, and lay it out in every way."""
    import wingtone
    from wingtone.bout_table import COLUMNS, bout_rows, csv_values

    path = _put_recording(draw, place)
    yield [path.name]
    heard = wingtone.measure(path)
    json.dumps(heard.to_json(), allow_nan=False)
    need(not text_faults(repr(heard)), "its repr is unprintable")
    answers = wingtone.identify(heard)
    json.dumps(answers.to_json(), allow_nan=False)
    need(not text_faults(repr(answers)), "the repr of its answer is unprintable")
    for row in bout_rows(heard[0]):
        out = io.StringIO()
        csv.writer(out).writerow(csv_values(row))
        safe_table(out.getvalue())
        need(set(row) == set(COLUMNS), "a row of other columns")
    _stored_again(heard[0], place)


def _stored_again(measurement: Measurement, place: Place) -> None:
    from wingtone.web import stored

    stored.save(measurement, place.out)
    back = stored.load(place.out, measurement.recording.path)
    need(repr(back.tone.bouts) == repr(measurement.tone.bouts), "the page keeps other bouts")


def found(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Find recordings by paths of every kind, and in folders with names of every kind."""
    from wingtone.audio import find_recordings, sha256_of

    name = texts.file_name(draw, draw.choice((".wav", "")))
    folder = place.given / texts.file_name(draw)
    folder.mkdir(exist_ok=True)
    (folder / name).write_bytes(recordings.wav(bytes(100)))
    if draw.random() < 0.2:
        (folder / "loop").symlink_to(folder)
    if draw.random() < 0.2:
        (folder / "nowhere.wav").symlink_to(folder / "gone.wav")
    if draw.random() < 0.2:
        os.mkfifo(folder / "pipe.wav")
    if draw.random() < 0.5:
        yield []
        for path in find_recordings([folder]):
            need(path.is_relative_to(folder), "a recording from elsewhere")
            sha256_of(path)
        return
    asked = draw.choice(
        (
            texts.anything(draw),
            texts.anything(draw),
            str(folder / ("x" * 300)),
            "x" * 5000,
            f"{folder}/\udcff",
            "a\0b",
        )
    )
    yield []
    find_recordings([asked])


def names(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Days and places as names of files and tags say them."""
    from wingtone.audio.metadata import date_from_name, parse_date, parse_iso6709

    text = draw.choice((texts.file_name, texts.day, texts.place, texts.anything))(draw)
    yield []
    for found_date in (date_from_name(text), parse_date(text)):
        if found_date is not None:
            dt.datetime.fromisoformat(found_date)
    spot = parse_iso6709(text)
    need(spot is None or (abs(spot[0]) <= 90 and abs(spot[1]) <= 180), "a spot off the globe")


# --- what somebody types ----------------------------------------------------------------------------------


def hints(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Hints as texts, and as mappings of anything."""
    from wingtone.evidence import parse_hints
    from wingtone.evidence.hints import check_hints

    given = [texts.hint(draw) for _ in range(draw.choice((1, 1, 2, 5)))]
    yield []
    known = parse_hints(given)
    need(check_hints(known) == known, "what was read is not taken")


def days(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Days, times and intervals."""
    from wingtone.evidence import parse_date
    from wingtone.notebook.events import day_range, middle_day, parse_event_date

    text = texts.day(draw)
    yield []
    try:
        event = parse_event_date(text)
    except DateError as error:
        need(not text_faults(str(error)), "an unprintable message")
    else:
        need(parse_event_date(event) == event, "a tidy day is tidied again")
        first, last = day_range(event)
        middle = middle_day(event)
        need(first <= last and (middle is None or first <= middle <= last), "a day outside its interval")
    parse_date(text)


def places(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Places and grid references, there and back, and blurred."""
    from wingtone.notebook.places import blur, parse_place, to_grid_reference

    text = texts.place(draw)
    yield []
    spot = parse_place(text)
    need(
        abs(spot.latitude_deg) <= 90 and abs(spot.longitude_deg) <= 180 and spot.uncertainty_m >= 5,
        f"no spot: {spot}",
    )
    for km in (1, 2, 10):
        square = blur(spot, km)
        need(math.isfinite(square.latitude_deg + square.longitude_deg), "a blurred place that is none")
    to_grid_reference(spot)


def asked(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Ask who it was, with values of every kind."""
    import wingtone

    def odd(honest: Any) -> Any:
        return draw.choice((None, honest, honest, honest, nonsense(draw)))

    options: dict[str, Any] = {
        "f0_hz": odd(150.0),
        "date": odd(texts.day(draw)),
        "place": odd(texts.place(draw)),
        "temperature_c": odd(14.0),
        "hints": odd({"tail": "white"}),
    }
    yield []
    try:
        answers = wingtone.identify(**options)
    except (
        TypeError
    ) as error:  # wrong types are a caller's slip, as anywhere in Python; texts and numbers are not
        plain = all(isinstance(value, (str, float, int, type(None))) for value in options.values())
        need(not plain, f"a TypeError for plain values: {error}")
        return
    json.dumps(answers.to_json(), allow_nan=False)


# --- tables -----------------------------------------------------------------------------------------------


def labels(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Read labels, and write what was read."""
    from wingtone.learn.labels import counts, groups_of, read_labels, write_labels

    for name in ("bee 0.wav", "bee 1.wav"):
        place.put(name, b"RIFF")
    path = put_table(draw, place, tables.LABELS, name="labels")
    yield [path.name]
    read = read_labels(path)
    groups_of(read.rows)
    counts(read.rows, read.target())
    write_labels(place.out / "again.csv", read.rows)
    safe_table((place.out / "again.csv").read_text("utf-8"))
    need(len(read_labels(place.out / "again.csv").rows) == len(read.rows), "labels that were lost on the way")


def model(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Load a model, and let it judge."""
    import numpy as np

    from learn.made_up import population
    from wingtone.learn.model_file import load_model, save_model

    name = texts.file_name(draw, ".wingtone") if draw.random() < 0.3 else "model.wingtone"
    path = place.put(name, archives.hostile_model(draw))
    bees = population(21, animals=4, clips=1).table
    yield [name]
    loaded = load_model(path)
    shares = np.exp(loaded.numbers.log_posterior(bees))
    need(bool(np.allclose(shares.sum(axis=1), 1.0)), "shares that are none")
    loaded.numbers.in_range(bees)
    save_model(loaded, place.out / "again.wingtone")
    said = (loaded.name, loaded.notice or "", *loaded.classes, *loaded.card.values())
    need(not [fault for text in said for fault in text_faults(text)], "a model says what is unprintable")


@functools.cache
def fauna_files() -> dict[str, bytes]:
    import tempfile
    from pathlib import Path

    from fauna.tiny import write_fauna

    with tempfile.TemporaryDirectory() as folder:
        return {path.name: path.read_bytes() for path in sorted(write_fauna(Path(folder)).iterdir())}


def fauna(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Load a fauna one of whose files is damaged; ask it about a bee and write its sheets."""
    from wingtone.evidence import identify
    from wingtone.fauna import load
    from wingtone.fauna.load import check
    from wingtone.fauna.sheet import sheet

    files = dict(fauna_files())
    for _ in range(draw.choice((1, 1, 2))):
        changed = draw.choice(sorted(files))
        if changed.endswith(".csv") and draw.random() < 0.8:
            files[changed] = tables.hostile_table(files[changed].decode("utf-8"), draw)
        else:
            files[changed] = torn(files[changed], draw)
    for name, data in files.items():
        place.put(name, data)
    yield sorted(files)
    faults = check(place.given)
    need(not [x for fault in faults for x in text_faults(str(fault))], "unprintable faults")
    read = load(place.given)
    need(not faults, "a fauna with faults is loaded")
    json.dumps(identify(fauna=read).to_json(), allow_nan=False)
    for taxon in read.taxa:
        need(not text_faults(sheet(read, taxon)), "an unprintable sheet")


def sources(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Read tables of bouts, JSON, notebooks and surveys, and say how large the bees are."""
    import wingtone

    named: list[str] = []
    how = draw.randrange(8)
    options: dict[str, Any] = {}
    if how < 3:
        path = put_table(
            draw, place, tables.BOUTS, name="bouts", suffix=draw.choice((".csv", ".csv", ".txt", ""))
        )
    elif how == 3:
        path = place.given
        for name, text in (("bouts", tables.BOUTS), ("recordings", tables.RECORDINGS)):
            named.append(put_table(draw, place, text, name=name).name)
            (place.given / named[-1]).rename(place.given / f"{name}.csv")
        named = ["bouts.csv", "recordings.csv"]
    elif how == 4:
        path = place.put("bouts.jsonl", tables.hostile_json([measured_json()] * 3, draw))
    elif how == 5:
        path = place.put("bees.sqlite", databases.hostile_database(databases.notebook_bytes(), draw))
    elif how == 6:
        path = place.put("bouts.parquet", torn(_parquet(), draw))
    else:
        path = place.put("bouts.csv", tables.BOUTS.encode())
        sites = put_table(draw, place, tables.SITES, name="sites")
        options = {"sites": sites, "group_by": "site"}
        named.append(sites.name)
    yield [*named, path.name]
    told = wingtone.sizes(path, **options)
    json.dumps(told.to_json(), allow_nan=False)
    need(
        not [x for text in (*told.summary, *told.cautions) for x in text_faults(text)],
        "an unprintable summary",
    )


def measured_json() -> dict[str, Any]:
    bout = {
        "kind": "flight",
        "start_s": 1.2,
        "end_s": 4.5,
        "f0_hz": 146.2,
        "f0_low_hz": 145.6,
        "f0_high_hz": 146.9,
        "snr_db": 12.0,
        "flight_probability": 0.98,
        "flyby": None,
        "flags": ["wind"],
    }
    said = {
        "path": "garden.m4a",
        "sha256": "ab" * 32,
        "duration_s": 12.0,
        "recorded_at": "2026-03-20T11:04:00+00:00",
        "recorded_at_source": "container",
    }
    return {
        "schema": "wingtone/measure/1",
        "recording": said,
        "bouts": [bout, bout],
        "flags": ["many bees"],
        "warnings": [],
    }


@functools.cache
def _parquet() -> bytes:
    import pyarrow
    import pyarrow.parquet

    rows = list(csv.DictReader(io.StringIO(tables.BOUTS)))
    out = io.BytesIO()
    pyarrow.parquet.write_table(pyarrow.Table.from_pylist(rows), out)
    return out.getvalue()


def rows(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Say how large bees are from rows that a program gives, with values of every kind."""
    import wingtone

    bouts: list[dict[str, Any]] = list(csv.DictReader(io.StringIO(tables.BOUTS)))
    given = with_nonsense(bouts, draw, times=draw.choice((1, 2, 4)))
    yield []
    if not isinstance(given, list):
        given = [given]
    told = wingtone.sizes(given)
    json.dumps(told.to_json(), allow_nan=False)


def cue(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Add a cue to somebody's records; what was in the table stays byte for byte."""
    from wingtone.cue.clock import estimated_offset
    from wingtone.cue.work import COLUMNS, Cue, read_records, write_cues

    path = put_table(draw, place, tables.RECORDS, name="records")
    yield [path.name]
    records = read_records(path)
    records.moments(None)
    records.moments(dt.UTC)
    note = draw.choice((*texts.FORMULAS, texts.anything(draw)))
    write_cues(records, [Cue(note=note, clip=note)] * len(records.records), place.out / "out.csv")
    table = records.table
    data, written = path.read_bytes(), (place.out / "out.csv").read_bytes()
    need(written.startswith(table.head) and data.startswith(table.head), "another mark in front")
    encoded = table.text.encode(table.encoding, table.errors)
    need(table.head + encoded == data, "the table does not come back as it was")
    text = written[len(table.head) :].decode(table.encoding, table.errors)
    done = 0
    for line in (table.headings_line, *table.rows):  # ours are only put in where a row ends
        kept = table.text[done : line.end]
        at = text.find(kept)
        need(at >= 0, "a row was changed")
        text, done = text[at + len(kept) :], line.end
    before = csv.field_size_limit(sys.maxsize)
    try:
        for cells in csv.reader(
            io.StringIO(written.decode("utf-8", "replace"), newline=""), delimiter=table.separator
        ):
            if len(cells) == table.width + len(COLUMNS) and table.encoding == "utf-8":
                need(
                    not any(map(runs, cells[table.width :])),
                    f"a cell of ours runs: {cells[table.width :]!r}"[:200],
                )
    finally:
        csv.field_size_limit(before)
    estimated_offset_of(records, estimated_offset)


def estimated_offset_of(records: Any, estimate: Any) -> None:
    """Estimate a clock offset from what moments there are."""
    import numpy as np

    known = np.array([moment for moment in records.moments(dt.UTC) if moment is not None], float)
    estimate(known, known + 60.0)


# --- surveys ----------------------------------------------------------------------------------------------


def manifest(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Go on with a survey whose manifest is damaged: what is in it, the forecast, the tables."""
    from wingtone.survey.manifest import Manifest
    from wingtone.survey.places import Found, Output
    from wingtone.survey.plan import forecast
    from wingtone.survey.settings import Settings
    from wingtone.survey.tables import write_tables

    path = place.out / "manifest.sqlite"
    path.write_bytes(databases.hostile_database(databases.manifest_bytes(), draw))
    path_name, location, token, size = databases.FOUND
    seen = Found(draw.choice((path_name, "=1+1.wav", "\u202egnp.wav", "\udcff.wav")), location, token, size)
    yield [path.name]
    with Manifest(path) as opened:
        opened.rate()
        forecast([seen], opened, Settings())
        write_tables([seen], opened, Output(place.out), settings=Settings(), faults={})
        opened.add_part("cd" * 32, Settings().key, 0, status="failed", told={"fault": "why"})
        opened.copy_to(place.out / "copy.sqlite")
    for name in ("bouts", "recordings", "effort"):
        safe_table((place.out / f"{name}.csv").read_text("utf-8"))


# --- the page ---------------------------------------------------------------------------------------------


@functools.cache
def _stored_files() -> dict[str, bytes]:
    import tempfile
    from pathlib import Path

    from wingtone.clip import measure_recording
    from wingtone.web import stored

    with tempfile.TemporaryDirectory() as folder:
        stored.save(measure_recording(recordings.DEMO / "2_april_small_queen.3gp"), Path(folder))
        return {path.name: path.read_bytes() for path in sorted(Path(folder).iterdir())}


def stored_measurement(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Read what a worker that was fed by a stranger wrote, and lay it out for the page."""
    from wingtone.clip import flights_by_individual, measure_json
    from wingtone.web import stored
    from wingtone.web.clip_routes import _line

    files = dict(_stored_files())
    if draw.random() < 0.6:
        head = json.loads(files[stored.HEAD])
        text = json.dumps(with_nonsense(head, draw, times=draw.choice((1, 1, 3))))
        files[stored.HEAD] = torn(text.encode(), draw) if draw.random() < 0.1 else text.encode()
    else:
        files[stored.LINE] = archives.hostile_arrays(files[stored.LINE], draw)
    for name, data in files.items():
        place.put(name, data)
    yield ["bee.wav"]
    read = stored.load(place.given, place.given / "bee.wav")
    json.dumps(measure_json(read), allow_nan=False)
    flights_by_individual(read)
    json.dumps(_line(read, 0.0, 10.0, 100))


def forms(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """Read the JSON of a page's forms: what was seen, corrected bouts, which records."""
    from wingtone.fauna import load
    from wingtone.web import corrections
    from wingtone.web.record_routes import filter_of
    from wingtone.web.seen import read_seen

    seen = {
        "date": texts.day(draw),
        "time": draw.choice(("", "10:32", "24:00", texts.anything(draw, most=1))),
        "place": texts.place(draw),
        "temperature_c": 12.5,
        "hints": {"tail": "white", texts.anything(draw, most=1): "x"},
        "notes": texts.anything(draw),
        "observer": "A",
    }
    bouts = {
        "bouts": [
            {"start_s": 0.5, "end_s": 1.5, "kind": "flight", "octave": 0},
            {"start_s": 1.0, "end_s": 1.8, "kind": "uncertain"},
        ]
    }
    where = {
        "taxon": "Bombus",
        "since": texts.day(draw),
        "until": "2026-12-31",
        "place": texts.place(draw),
        "within_km": "2",
        "status": "hint",
    }
    body = draw.choice((seen, bouts, where))
    given = with_nonsense(body, draw, times=draw.choice((0, 1, 1, 3)))
    yield []
    if body is seen:
        json.dumps(read_seen(given, fauna=load()).body, allow_nan=False)
    elif body is bouts:
        corrections.read(given, duration_s=2.0, found=())
    else:
        filter_of(given if isinstance(given, dict) else {})


TARGETS = (
    Target("open a recording", 2300, opened),
    Target("measure a recording", 700, measured),
    Target("find recordings", 250, found),
    Target("names and tags", 400, names),
    Target("hints", 350, hints),
    Target("days", 550, days),
    Target("places", 700, places),
    Target("identify without sound", 250, asked),
    Target("damaged notebook", 500, notebook),
    Target("hostile records", 250, kept),
    Target("import a table", 600, imported),
    Target("labels", 450, labels),
    Target("model file", 500, model),
    Target("fauna", 450, fauna),
    Target("bouts for sizes", 400, sources),
    Target("rows for sizes", 150, rows),
    Target("cue table", 400, cue),
    Target("survey manifest", 250, manifest),
    Target("measurement of the page", 250, stored_measurement),
    Target("forms of the page", 300, forms),
)
"""All of them; their shares make up ten thousand."""
