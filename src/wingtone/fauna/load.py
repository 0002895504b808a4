"""Loading a fauna: read every table, tell every fault at once, and build the arrays.

Public: `load`, `check`, `SHIPPED`.
"""

from __future__ import annotations

import shlex
import tomllib
from collections import defaultdict
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from wingtone.errors import Fault, TableError
from wingtone.fauna.model import (
    Aggregate,
    Box,
    Character,
    Entry,
    Fauna,
    Form,
    Lookalike,
    Seasons,
    Source,
    Taxon,
)
from wingtone.fauna.rules import appearance_keys, faults_between_rows
from wingtone.fauna.schema import ANY, DERIVED_CHARACTERS, TABLES
from wingtone.fauna.tables import Row, read_bytes, read_table
from wingtone.files import what_is

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

__all__ = ["SHIPPED", "check", "load"]

SHIPPED = Path(__file__).with_name("british_isles")
"""The fauna that comes with the package."""

_MAX_FACTS_BYTES = 64_000
_FACTS = {"id": str, "title": str, "version": str, "licence": str, "latitude_deg": float}


def load(folder: str | Path | None = None) -> Fauna:
    """Load a fauna.

    Parameters
    ----------
    folder
        Folder with ``fauna.toml`` and the tables of `wingtone.fauna.schema`; None for the British and Irish
        one that comes with the package (read once, then kept).

    Raises
    ------
    TableError
        With every fault of every table.
    """
    return _shipped() if folder is None else _load(Path(folder))


def check(folder: str | Path) -> tuple[Fault, ...]:
    """Tell every fault of a fauna, in the order of the tables; empty when `load` would succeed."""
    return _read(Path(folder)).faults


@cache
def _shipped() -> Fauna:
    return _load(SHIPPED)


@dataclass(frozen=True)
class _Raw:
    facts: Mapping[str, str | float]
    rows: Mapping[str, tuple[Row, ...]]
    faults: tuple[Fault, ...]


def _load(folder: Path) -> Fauna:
    raw = _read(folder)
    if raw.faults:
        if what_is(folder) != "folder":
            remedy = "give the folder that holds the tables of a fauna"
            raise TableError(raw.faults, remedy=remedy, where=folder)
        faults = [replace(fault, file=str(folder / fault.file)) for fault in raw.faults]
        remedy = f"wingtone fauna check {shlex.quote(str(folder))} lists them all"
        raise TableError(faults, remedy=remedy, where=folder)
    return _build(raw)


def _read(folder: Path) -> _Raw:
    if what_is(folder) != "folder":
        return _Raw({}, {}, (Fault(str(folder), 0, "", "is not a folder"),))
    facts, faults = _read_facts(folder / "fauna.toml")
    rows = {}
    for name, table in TABLES.items():
        rows[name], more = read_table(folder / table.file, table)
        faults += more
    if all(rows[name] for name, table in TABLES.items() if table.required):
        faults += faults_between_rows(rows)
    order = {table.file: place for place, table in enumerate(TABLES.values())}
    return _Raw(facts, rows, tuple(sorted(faults, key=lambda fault: (order.get(fault.file, -1), fault.line))))


def _read_facts(path: Path) -> tuple[dict[str, str | float], tuple[Fault, ...]]:
    """Read ``fauna.toml``."""
    data = read_bytes(path, _MAX_FACTS_BYTES)
    if isinstance(data, Fault):
        return {}, (data,)
    try:
        found = tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        return {}, (Fault(path.name, line, "", "is not UTF-8 text; save it as UTF-8"),)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        return {}, (Fault(path.name, 0, "", f"is not a readable TOML file: {str(error)[:200]}"),)
    facts: dict[str, str | float] = {}
    faults = []
    for name, kind in _FACTS.items():
        value = found.get(name)
        if type(value) is int and kind is float:
            value = float(value)
        if not isinstance(value, str | float) or not isinstance(value, kind) or value == "":
            faults.append(Fault(path.name, 0, name, f"needs a {'number' if kind is float else 'text'}"))
        elif isinstance(value, float) and not -90 <= value <= 90:
            faults.append(Fault(path.name, 0, name, f"{value:g} is outside -90 to 90"))
        else:
            facts[name] = value
    return facts, tuple(faults)


def _source(row: Row) -> Source:
    return Source(row.text("source"), row.text("how_known"), row.text("note"))


def _build(raw: _Raw) -> Fauna:
    """Turn checked rows into values and arrays."""
    rows = raw.rows
    aggregates = tuple(_aggregate(row) for row in rows["aggregates"])
    taxa = _taxa(rows["taxa"], aggregates)
    forms = _forms(rows["forms"], taxa)
    entries = tuple(_entries(taxa, forms))
    characters = _characters(rows["characters"])
    size = {(row.text("taxon"), row.text("caste")): row for row in rows["size"]}
    regions = {row.text("region"): row.text("title") for row in rows["regions"]}

    def sizes(column: str) -> NDArray[np.float64]:
        return _frozen([size[entry.taxon, entry.caste].number(column) for entry in entries])

    return Fauna(
        id=str(raw.facts["id"]),
        title=str(raw.facts["title"]),
        version=str(raw.facts["version"]),
        licence=str(raw.facts["licence"]),
        latitude_deg=float(raw.facts["latitude_deg"]),
        taxa=taxa,
        entries=entries,
        forms=tuple(forms.values()),
        aggregates=aggregates,
        characters=MappingProxyType(characters),
        regions=MappingProxyType(regions),
        synonyms=MappingProxyType({row.text("name"): row.text("taxon") for row in rows["synonyms"]}),
        itd_mean_mm=sizes("itd_mm_mean"),
        itd_sd_mm=sizes("itd_mm_sd"),
        itd_n=sizes("itd_n"),
        length_min_mm=sizes("length_mm_min"),
        length_max_mm=sizes("length_mm_max"),
        forewing_mm=sizes("forewing_mm"),
        tone_override=_tones(rows["tone"], entries),
        tone_model=MappingProxyType(
            {row.text("parameter"): (row.number("value"), row.number("sd")) for row in rows["tone_model"]}
        ),
        rows=MappingProxyType(dict(rows)),
        boxes=tuple(_box(row) for row in rows["regions"]),
        seasons=_seasons(rows["season"], entries),
        abundance_by_region=MappingProxyType(_abundance(rows["abundance"], regions, entries)),
        appearance_by_character=MappingProxyType(_appearance(rows["appearance"], characters, entries)),
        lookalike_rows=tuple(
            Lookalike(row.text("taxon"), row.text("caste"), row.text("other"), row.text("tell"), _source(row))
            for row in rows["lookalikes"]
        ),
    )


def _frozen(values: Iterable[float]) -> NDArray[np.float64]:
    array = np.array(list(values), dtype=np.float64)
    array.setflags(write=False)
    return array


def _taxa(rows: Iterable[Row], aggregates: Iterable[Aggregate]) -> tuple[Taxon, ...]:
    belongs: dict[str, list[str]] = defaultdict(list)
    for aggregate in aggregates:
        for member in dict.fromkeys(aggregate.members):
            belongs[member].append(aggregate.aggregate)
    return tuple(
        Taxon(
            taxon=row.text("taxon"),
            vernacular=row.text("vernacular"),
            group=row.text("group"),
            rank=row.text("rank"),
            aggregates=tuple(belongs[row.text("taxon")]),
            castes=row.items("castes"),
            status=row.text("status"),
            advice=row.text("advice"),
            source=_source(row),
        )
        for row in rows
    )


def _forms(rows: Iterable[Row], taxa: Iterable[Taxon]) -> dict[tuple[str, str, str], Form]:
    """Give the forms by taxon, caste and name, with ``any`` written out."""
    castes = {taxon.taxon: taxon.castes for taxon in taxa}
    forms = {}
    for row in sorted(rows, key=lambda row: row.text("caste") != ANY):
        taxon, caste, form = row.text("taxon"), row.text("caste"), row.text("form")
        for each in castes[taxon] if caste == ANY else (caste,):
            forms[taxon, each, form] = Form(
                taxon, each, form, row.number("share"), row.text("description"), _source(row)
            )
    return forms


def _entries(taxa: Iterable[Taxon], forms: Mapping[tuple[str, str, str], Form]) -> Iterable[Entry]:
    others: dict[tuple[str, str], list[Form]] = defaultdict(list)
    for form in forms.values():
        others[form.taxon, form.caste].append(form)
    for taxon in taxa:
        for caste in taxon.castes:
            other = others[taxon.taxon, caste]
            typical = 1.0 - sum(form.share for form in other)
            yield Entry(taxon.taxon, caste, "", taxon.group, taxon.vernacular, typical)
            for form in other:
                yield Entry(taxon.taxon, caste, form.form, taxon.group, taxon.vernacular, form.share)


def _aggregate(row: Row) -> Aggregate:
    return Aggregate(
        row.text("aggregate"),
        row.text("vernacular"),
        row.items("members"),
        row.items("castes"),
        row.text("reason"),
        _source(row),
    )


def _box(row: Row) -> Box:
    return Box(
        region=row.text("region"),
        latitude_deg=(row.number("latitude_low_deg"), row.number("latitude_high_deg")),
        longitude_deg=(row.number("longitude_low_deg"), row.number("longitude_high_deg")),
        softness_deg=row.number("softness_deg"),
        weight=row.number("weight"),
        share=row.number("share"),
    )


def _characters(rows: Iterable[Row]) -> dict[str, Character]:
    by_name: dict[str, list[Row]] = {}
    for row in rows:
        by_name.setdefault(row.text("character"), []).append(row)
    characters = {}
    for name, unsorted in by_name.items():
        states = sorted(unsorted, key=lambda row: row.number("order"))
        characters[name] = Character(
            character=name,
            states=tuple(row.text("state") for row in states),
            question=next(row.text("question") for row in states if row.text("question")),
            ease=int(states[0].number("ease")),
            error=MappingProxyType({row.text("state"): row.number("observer_error") for row in states}),
            looks_like=MappingProxyType({row.text("state"): row.items("looks_like") for row in states}),
            fades_to=MappingProxyType(
                {row.text("state"): row.text("fades_to") for row in states if row.text("fades_to")}
            ),
        )
    return characters


def _tones(
    rows: Iterable[Row], entries: Iterable[Entry]
) -> tuple[tuple[tuple[float, float, float], ...], ...]:
    tones: dict[tuple[str, str], list[tuple[float, float, float]]] = {}
    for row in rows:
        part = (row.number("f0_hz_mean"), row.number("f0_hz_sd"), row.number("weight"))
        tones.setdefault((row.text("taxon"), row.text("caste")), []).append(part)
    return tuple(tuple(tones.get((entry.taxon, entry.caste), ())) for entry in entries)


def _seasons(rows: Iterable[Row], entries: tuple[Entry, ...]) -> Seasons:
    places: dict[tuple[str, str], list[int]] = defaultdict(list)
    for index, entry in enumerate(entries):
        places[entry.taxon, entry.caste].append(index)
    pairs = [(index, row) for row in rows for index in places[row.text("taxon"), row.text("caste")]]

    def column(name: str) -> NDArray[np.float64]:
        return _frozen(row.number(name) for _, row in pairs)

    return Seasons(
        entry=np.array([index for index, _ in pairs], dtype=np.int_),
        first_week=column("first_week"),
        full_week=column("full_week"),
        fade_week=column("fade_week"),
        last_week=column("last_week"),
        soft_weeks=column("soft_weeks"),
        level=column("level"),
        start_shift=column("start_shift_weeks_per_deg"),
        end_shift=column("end_shift_weeks_per_deg"),
    )


def _abundance(
    rows: Iterable[Row], regions: Iterable[str], entries: tuple[Entry, ...]
) -> dict[str, NDArray[np.float64]]:
    known = {(row.text("taxon"), row.text("region")): row.number("abundance") for row in rows}
    return {
        region: _frozen(known.get((entry.taxon, region), 0.0) * entry.share for entry in entries)
        for region in regions
    }


def _appearance(
    rows: Iterable[Row], characters: Mapping[str, Character], entries: tuple[Entry, ...]
) -> dict[str, NDArray[np.float64]]:
    """Look up each entry's frequencies, the most particular rows first."""
    known: dict[tuple[str, str, str, str], dict[str, float]] = {}
    for row in rows:
        key = (row.text("taxon"), row.text("caste"), row.text("form"), row.text("character"))
        known.setdefault(key, {})[row.text("state")] = row.number("frequency")
    arrays = {}
    for name, character in characters.items():
        if name in DERIVED_CHARACTERS:
            continue
        array = np.zeros((len(entries), len(character.states)))
        for index, entry in enumerate(entries):
            keys = appearance_keys(entry.taxon, entry.caste, entry.form, entry.group)
            frequency = next(known[*key, name] for key in keys if (*key, name) in known)
            array[index] = [frequency.get(state, 0.0) for state in character.states]
        array /= array.sum(axis=1, keepdims=True)
        array.setflags(write=False)
        arrays[name] = array
    return arrays
