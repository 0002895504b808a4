"""Rules that span the rows and tables of a fauna: names that must exist, shares that must sum to 1.

Public: `faults_between_rows`, `appearance_keys`.
"""

from __future__ import annotations

import math
from collections import defaultdict
from itertools import islice, pairwise
from typing import TYPE_CHECKING

from wingtone.errors import Fault
from wingtone.fauna.names import folded
from wingtone.fauna.schema import ANY, CASTES, DERIVED_CHARACTERS, TABLES, TONE_PARAMETERS
from wingtone.fauna.tables import MAX_FAULTS

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from wingtone.fauna.tables import Row

    Rows = Mapping[str, tuple[Row, ...]]

__all__ = ["appearance_keys", "faults_between_rows"]

_SUM_TOLERANCE = 0.005
"""Frequencies are written with two or three digits; ours."""


def appearance_keys(taxon: str, caste: str, form: str, group: str) -> tuple[tuple[str, str, str], ...]:
    """Under which (taxon, caste, form) an entry's frequencies may stand, the most particular first."""
    keys = [(taxon, caste, form), (taxon, ANY, form)] if form else []
    return (*keys, (taxon, caste, ""), (taxon, ANY, ""), (group, caste, ""), (group, ANY, ""))


def faults_between_rows(rows: Rows) -> tuple[Fault, ...]:
    """Check all rules that need more than one row. Rows with faulty cells are used as far as they go.

    Of each rule at most `wingtone.fauna.tables.MAX_FAULTS` faults are told.
    """
    known = _Known(rows)
    return tuple(
        fault
        for rule in (
            _taxa,
            _synonyms,
            _regions,
            _aggregates,
            _abundance,
            _season,
            _size,
            _tone,
            _tone_model,
            _characters,
            _forms,
            _appearance,
            _lookalikes,
            _habits,
        )
        for fault in islice(rule(rows, known), MAX_FAULTS)
    )


class _Known:
    """Names the tables define, for looking up what the others refer to."""

    def __init__(self, rows: Rows) -> None:
        self.taxa = {row.text("taxon"): row for row in rows["taxa"]}
        self.castes = {
            name: tuple(caste for caste in row.items("castes") if caste in CASTES.get(row.text("group"), ()))
            for name, row in self.taxa.items()
        }
        self.regions = {row.text("region") for row in rows["regions"]}
        self.states: dict[str, list[str]] = defaultdict(list)
        for row in rows["characters"]:
            self.states[row.text("character")].append(row.text("state"))
        self.forms: dict[tuple[str, str], set[str]] = defaultdict(set)
        for row in rows["forms"]:
            taxon, caste = row.text("taxon"), row.text("caste")
            for each in self.castes.get(taxon, ()) if caste == ANY else (caste,):
                self.forms[taxon, each].add(row.text("form"))

    def group(self, taxon: str) -> str:
        return self.taxa[taxon].text("group")

    def name_faults(self, row: Row, *, wildcard: bool = False, group: bool = False) -> Iterator[Fault]:
        """Check the taxon and caste of a row."""
        taxon, caste = row.text("taxon"), row.text("caste")
        if group and taxon in CASTES:
            castes: tuple[str, ...] = CASTES[taxon]
            if not castes:
                yield row.fault("taxon", f"no rows are needed for the group {taxon!r}")
                return
        elif taxon in self.taxa:
            if self.group(taxon) == "not a candidate":
                yield row.fault("taxon", f"{taxon} is not a candidate in taxa.csv and takes no rows here")
                return
            castes = self.castes[taxon]
        else:
            yield row.fault("taxon", _unknown("taxon", taxon, "taxa.csv"))
            return
        if caste == ANY and not wildcard:
            yield row.fault("caste", f"the wildcard {ANY!r} is not allowed in this table")
        elif caste not in castes and caste != ANY:
            yield row.fault("caste", f"{caste[:40]!r} is not a caste of {taxon}: {', '.join(castes)}")


def _unknown(kind: str, name: str, file: str) -> str:
    return f"the {kind} {name[:80]!r} is not in {file}"


def _taxa(rows: Rows, known: _Known) -> Iterator[Fault]:
    names: dict[str, int] = {}
    for row in rows["taxa"]:
        group = row.text("group")
        for column in ("taxon", "vernacular"):
            name = row.text(column).casefold()
            if name and name in names:
                yield row.fault(column, f"this name stands in line {names[name]} already")
            names.setdefault(name, row.line)
        if row.text("taxon") in (*CASTES, ANY):
            yield row.fault("taxon", "the name of a group or wildcard cannot be the name of a taxon")
        allowed = CASTES.get(group)
        if allowed is None:
            continue
        for caste in row.items("castes"):
            if caste not in allowed:
                what = f"{caste[:40]!r} is not a caste of the group {group!r}"
                yield row.fault(
                    "castes", what + (f": {', '.join(allowed)}" if allowed else ", which takes none")
                )
        if allowed and not row.items("castes"):
            yield row.fault("castes", f"at least one caste is needed: {', '.join(allowed)}")
        if len(set(row.items("castes"))) < len(row.items("castes")):
            yield row.fault("castes", "a caste stands twice")
    if not any(known.castes.values()):
        yield Fault("taxa.csv", 0, "castes", "no taxon is a candidate")


def _synonyms(rows: Rows, known: _Known) -> Iterator[Fault]:
    own = {row.text(column).casefold() for row in rows["taxa"] for column in ("taxon", "vernacular")}
    meant: dict[str, tuple[str, str]] = {}  # a name that stands for two could be neither
    for table, called in (("taxa", "taxon"), ("aggregates", "aggregate")):
        for row in rows[table]:
            for column in (called, "vernacular"):
                meant.setdefault(folded(row.text(column)), (row.text(called), f"{table}.csv"))
    for row in rows["synonyms"]:
        name, taxon = row.text("name"), row.text("taxon")
        if taxon not in known.taxa:
            yield row.fault("taxon", _unknown("taxon", taxon, "taxa.csv"))
        other, where = meant.setdefault(folded(name), (taxon, f"line {row.line}"))
        if name.casefold() in own:
            yield row.fault("name", "this name stands in taxa.csv already")
        elif other != taxon:
            yield row.fault("name", f"this name, however it is written, is that of {other} in {where}")


def _regions(rows: Rows, known: _Known) -> Iterator[Fault]:
    titles: dict[str, str] = {}
    for row in rows["regions"]:
        for side in ("latitude", "longitude"):
            if row.number(f"{side}_low_deg") >= row.number(f"{side}_high_deg"):
                yield row.fault(f"{side}_high_deg", "must be above the lower edge")
        if titles.setdefault(row.text("region"), row.text("title")) != row.text("title"):
            yield row.fault("title", f"differs from {titles[row.text('region')]!r} of the same region")
    if sum(row.number("share") for row in rows["regions"]) <= 0:
        yield Fault("regions.csv", 0, "share", "at least one share must be above 0")


def _aggregates(rows: Rows, known: _Known) -> Iterator[Fault]:
    for row in rows["aggregates"]:
        members = row.items("members")
        for member in members:
            if member not in known.taxa:
                yield row.fault("members", _unknown("taxon", member, "taxa.csv"))
        if len(set(members)) < 2:
            yield row.fault("members", "an aggregate needs at least two different members")
        castes = {caste for member in members for caste in known.castes.get(member, ())}
        for caste in row.items("castes"):
            if castes and caste not in castes:
                yield row.fault("castes", f"no member has the caste {caste[:40]!r}")


def _abundance(rows: Rows, known: _Known) -> Iterator[Fault]:
    present = set()
    for row in rows["abundance"]:
        taxon = row.text("taxon")
        if taxon not in known.taxa:
            yield row.fault("taxon", _unknown("taxon", taxon, "taxa.csv"))
        elif known.group(taxon) == "not a candidate":
            yield row.fault("taxon", f"{taxon} is not a candidate in taxa.csv and takes no rows here")
        if row.text("region") not in known.regions:
            yield row.fault("region", _unknown("region", row.text("region"), "regions.csv"))
        if not row.number("abundance") <= 0:
            present.add(taxon)
    yield from _missing(
        ((taxon,) for taxon, castes in known.castes.items() if castes and taxon not in present), "abundance"
    )


def _missing(names: Iterable[tuple[str, ...]], table: str) -> Iterator[Fault]:
    for name in names:
        yield Fault(TABLES[table].file, 0, "taxon", f"no row for {', '.join(name)}")


def _season(rows: Rows, known: _Known) -> Iterator[Fault]:
    columns = ("first_week", "full_week", "fade_week", "last_week")
    for row in rows["season"]:
        yield from known.name_faults(row)
        for before, after in pairwise(columns):
            if row.number(before) > row.number(after):
                yield row.fault(
                    after, f"the weeks are out of order: {row.text(after)} comes before {row.text(before)}"
                )
    yield from _missing(_uncovered(rows["season"], known), "season")


def _uncovered(rows: Iterable[Row], known: _Known) -> Iterator[tuple[str, str]]:
    """Give the taxa and castes that have no row in a table that needs one for each."""
    covered = {(row.text("taxon"), row.text("caste")) for row in rows}
    for taxon, castes in known.castes.items():
        for caste in castes:
            if (taxon, caste) not in covered:
                yield taxon, caste


def _size(rows: Rows, known: _Known) -> Iterator[Fault]:
    for row in rows["size"]:
        yield from known.name_faults(row)
        if row.number("length_mm_min") > row.number("length_mm_max"):
            yield row.fault("length_mm_max", "is below the smallest length")
    yield from _missing(_uncovered(rows["size"], known), "size")


def _tone(rows: Rows, known: _Known) -> Iterator[Fault]:
    groups: dict[tuple[str, ...], list[Row]] = defaultdict(list)
    for row in rows["tone"]:
        yield from known.name_faults(row)
        groups[row.text("taxon"), row.text("caste")].append(row)
    yield from _sums(groups, "weight")


def _sums(groups: Mapping[tuple[str, ...], list[Row]], column: str) -> Iterator[Fault]:
    """Tell the groups whose numbers do not sum to 1, at their last row. Faulty numbers have been told."""
    for group in groups.values():
        total = math.fsum(row.number(column) for row in group)
        if abs(total - 1.0) > _SUM_TOLERANCE:
            lines = ", ".join(str(row.line) for row in group[:12])
            yield group[-1].fault(column, f"these sum to {total:.3f}, not to 1 (lines {lines})")


def _tone_model(rows: Rows, known: _Known) -> Iterator[Fault]:
    there = {row.text("parameter") for row in rows["tone_model"]}
    for name in TONE_PARAMETERS:
        if name not in there:
            yield Fault("tone_model.csv", 0, "parameter", f"no row for {name}")
    for row in rows["tone_model"]:
        name, value = row.text("parameter"), row.number("value")
        low, high = TONE_PARAMETERS.get(name, (-math.inf, math.inf))
        if value < low or value > high:
            yield row.fault(
                "value", f"{row.text('value')[:40]} is outside {low:g} to {high:g}, the bounds of {name}"
            )


def _characters(rows: Rows, known: _Known) -> Iterator[Fault]:
    seen: dict[tuple[str, float], int] = {}
    first: dict[str, Row] = {}
    for row in rows["characters"]:
        character, states = row.text("character"), known.states[row.text("character")]
        first.setdefault(character, row)
        for state in (*row.items("looks_like"), *row.items("fades_to")):
            if state not in states:
                column = "fades_to" if state in row.items("fades_to") else "looks_like"
                yield row.fault(column, f"{state[:40]!r} is not a state of {character}: {', '.join(states)}")
        if row.text("state") in row.items("looks_like"):
            yield row.fault("looks_like", "a state cannot be mistaken for itself")
        if (
            row.number("ease") != first[character].number("ease")
            and "ease" not in row.bad | first[character].bad
        ):
            yield row.fault("ease", f"differs from line {first[character].line} of the same character")
        yield from _error_faults(row, character)
        place = (character, row.number("order"))
        if place in seen:
            yield row.fault("order", f"repeats line {seen[place]}")
        seen.setdefault(place, row.line)
    for character, row in first.items():
        questions = [
            each
            for each in rows["characters"]
            if each.text("character") == character and each.text("question")
        ]
        if not questions:
            yield row.fault("question", f"the character {character} needs a question")
        if len(known.states[character]) < 2:
            yield row.fault("state", f"the character {character} needs at least two states")


def _error_faults(row: Row, character: str) -> Iterator[Fault]:
    """Check that errors are given where they are used, and only there."""
    if character not in DERIVED_CHARACTERS:
        if not row.text("observer_error"):
            yield row.fault("observer_error", "is empty")
        return
    for column in ("observer_error", "looks_like", "fades_to"):
        if row.text(column):
            yield row.fault(column, f"{character} is worked out, so this stays empty")


def _forms(rows: Rows, known: _Known) -> Iterator[Fault]:
    shares: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in rows["forms"]:
        yield from known.name_faults(row, wildcard=True)
        taxon, caste = row.text("taxon"), row.text("caste")
        for each in known.castes.get(taxon, ()) if caste == ANY else (caste,):
            shares[taxon, each].append(row)
    told: set[int] = set()
    for group in shares.values():
        by_form = {
            row.text("form"): row.number("share")
            for row in sorted(group, key=lambda row: row.text("caste") != ANY)
        }
        if math.fsum(by_form.values()) >= 1.0 and group[-1].line not in told:
            told.add(group[-1].line)
            yield group[-1].fault("share", "the shares of the forms leave nothing for the typical one")


def _appearance(rows: Rows, known: _Known) -> Iterator[Fault]:
    groups: dict[tuple[str, ...], list[Row]] = defaultdict(list)
    for row in rows["appearance"]:
        yield from known.name_faults(row, wildcard=True, group=True)
        taxon, caste, form = row.text("taxon"), row.text("caste"), row.text("form")
        character, state = row.text("character"), row.text("state")
        if form:
            castes = known.castes.get(taxon, ()) if caste == ANY else (caste,)
            if taxon in CASTES:
                yield row.fault("form", "a form needs a taxon, not a group")
            elif not any(form in known.forms.get((taxon, each), ()) for each in castes):
                yield row.fault("form", f"forms.csv has no form {form[:40]!r} of {taxon}, {caste}")
        if character not in known.states:
            yield row.fault("character", _unknown("character", character, "characters.csv"))
        elif character in DERIVED_CHARACTERS:
            yield row.fault("character", f"{character} is worked out, not listed here")
        elif state not in known.states[character]:
            yield row.fault(
                "state", f"{state[:40]!r} is not a state of {character}: {', '.join(known.states[character])}"
            )
        groups[taxon, caste, form, character].append(row)
    yield from _sums(groups, "frequency")
    for taxon, castes in known.castes.items():
        for caste in castes:
            for character in known.states:
                keys = appearance_keys(taxon, caste, "", known.group(taxon))
                if character not in DERIVED_CHARACTERS and not any(
                    (*key, character) in groups for key in keys
                ):
                    yield Fault("appearance.csv", 0, "character", f"no row for {taxon}, {caste}: {character}")


def _lookalikes(rows: Rows, known: _Known) -> Iterator[Fault]:
    for row in rows["lookalikes"]:
        taxon = row.text("taxon")
        if taxon not in known.taxa or known.castes.get(taxon):
            yield from known.name_faults(row, wildcard=True)
        elif row.text("caste") != ANY:
            yield row.fault("caste", f"only {ANY!r} for a taxon that is not a candidate")
        if row.text("other") not in known.taxa:
            yield row.fault("other", _unknown("taxon", row.text("other"), "taxa.csv"))
        elif row.text("other") == taxon:
            yield row.fault("other", "a taxon cannot be its own look-alike")


def _habits(rows: Rows, known: _Known) -> Iterator[Fault]:
    for row in rows["habits"]:
        if row.text("taxon") not in known.taxa:
            yield row.fault("taxon", _unknown("taxon", row.text("taxon"), "taxa.csv"))
