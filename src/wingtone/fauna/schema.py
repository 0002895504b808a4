"""What the tables of a fauna hold: their columns, legal values and keys.

A *fauna* is a folder with ``fauna.toml`` and the CSV tables below (UTF-8, commas, one heading line). Every
row of every table ends in ``source``, ``how_known`` and ``note``: where the figure comes from, how well it
is known, and what else a reader should know.

Conventions
-----------
- ``how_known``: ``read`` (seen in the source itself), ``secondary`` (another page reports it), ``derived``
  (worked out from numbers named beside it), ``memory`` (recalled; check before it drives a decision).
- Lists inside a cell are separated by semicolons.
- In ``appearance.csv``, ``forms.csv`` and ``lookalikes.csv`` the caste may be ``any``; in ``appearance.csv``
  a *group* (``social``, ``cuckoo``, ``not a bumblebee``) may stand in place of a taxon: its rows hold for
  every taxon of the group that has no rows of its own for that character.

Public: `Column`, `Table`, `TABLES`, `GROUPS`, `CASTES`, `RANKS`, `HOW_KNOWN`, `ANY`, `DERIVED_CHARACTERS`,
`TONE_PARAMETERS`.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import Literal

__all__ = [
    "ANY",
    "CASTES",
    "DERIVED_CHARACTERS",
    "GROUPS",
    "HOW_KNOWN",
    "RANKS",
    "TABLES",
    "TONE_PARAMETERS",
    "Column",
    "Table",
]

ANY = "any"
"""Wildcard caste."""

HOW_KNOWN = ("read", "secondary", "derived", "memory")

GROUPS = ("social", "cuckoo", "not a bumblebee", "not a candidate")
"""The last one: taxa that are told about (extinct, reintroduced) but never offered as an answer."""

CASTES: dict[str, tuple[str, ...]] = {
    "social": ("queen", "worker", "male"),
    "cuckoo": ("cuckoo female", "male"),
    "not a bumblebee": ("queen", "worker", "drone", "female", "male", "adult"),
    "not a candidate": (),
}
"""The castes a taxon of each group can have. ``adult``: the sexes are not told apart."""

RANKS = ("species", "aggregate", "genus", "group")

DERIVED_CHARACTERS = ("size", "condition")
"""Characters worked out elsewhere: the size by eye from the size table, with an error of its own; the
condition, which only changes how the others are read. Neither takes rows in the appearance table, nor an
observer error."""

TONE_PARAMETERS: dict[str, tuple[float, float]] = {
    "anchor_f0_hz": (20, 1000),
    "anchor_itd_mm": (0.5, 15),
    "exponent": (-3, -0.1),
    "within_caste": (-2, 2),
    "sd_line": (0.001, 1),
    "sd_between": (0.001, 1),
    "sd_within": (0.001, 1),
    "sd_wear": (0.001, 1),
    "sd_total_min_hz": (0.1, 300),
    "temperature_slope_hz_per_c": (-20, 20),
    "reference_temperature_c": (-20, 50),
}
"""Parameters of the line ``ln f0 = ln anchor_f0 + exponent * ln(itd / anchor_itd)`` and of its spread, and
the bounds of their values; ``within_caste`` is the share of the exponent that holds between individuals of
one caste. Bounds ours: wide of all that is published, but a larger bee hums lower, and an exponent without
its minus sign would turn all sizes round without a word."""


@dataclass(frozen=True)
class Column:
    """One column: its heading and what a cell may hold.

    ``low`` and ``high`` bound numbers, both inclusive. An optional cell may be empty (a number: NaN).
    """

    name: str
    kind: Literal["text", "number", "list"] = "text"
    required: bool = True
    low: float = -inf
    high: float = inf
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Table:
    """One table: its columns (the three common ones are added), and those that must not repeat together.

    ``max_rows`` keeps a foreign fauna from asking for more memory than it can be worth; ours, at least ten
    times what the shipped fauna holds.
    """

    name: str
    own_columns: tuple[Column, ...]
    key: tuple[str, ...]
    required: bool = True
    max_rows: int = 50_000

    @property
    def file(self) -> str:
        """Name of the file in the fauna's folder."""
        return f"{self.name}.csv"

    @property
    def columns(self) -> tuple[Column, ...]:
        """All columns, the common ones last."""
        return (
            *self.own_columns,
            Column("source"),
            Column("how_known", choices=HOW_KNOWN),
            Column("note", required=False),
        )


def _number(name: str, low: float = -inf, high: float = inf, *, required: bool = True) -> Column:
    return Column(name, "number", required, low, high)


def _week(name: str) -> Column:
    return _number(name, 1.0, 53.99)


_TAXON, _CASTE = Column("taxon"), Column("caste")

TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        Table(
            "regions",
            (
                Column("region"),
                Column("title"),
                Column("box"),
                _number("latitude_low_deg", -90, 90),
                _number("latitude_high_deg", -90, 90),
                _number("longitude_low_deg", -180, 180),
                _number("longitude_high_deg", -180, 180),
                _number("softness_deg", 0.01, 10),
                _number("weight", 0, 1),
                _number("share", 0, 100),
            ),
            ("region", "box"),
            max_rows=500,
        ),
        Table(
            "taxa",
            (
                _TAXON,
                Column("vernacular"),
                Column("group", choices=GROUPS),
                Column("rank", choices=RANKS),
                Column("castes", "list", required=False),
                Column("status"),
                Column("advice", required=False),
            ),
            ("taxon",),
            max_rows=1_000,
        ),
        Table("synonyms", (Column("name"), _TAXON), ("name",), required=False, max_rows=5_000),
        Table(
            "aggregates",
            (
                Column("aggregate"),
                Column("vernacular"),
                Column("members", "list"),
                Column("castes", "list"),
                Column("reason"),
            ),
            ("aggregate",),
            required=False,
            max_rows=500,
        ),
        Table("abundance", (_TAXON, Column("region"), _number("abundance", 0, 1e6)), ("taxon", "region")),
        Table(
            "season",
            (
                _TAXON,
                _CASTE,
                Column("brood"),
                _week("first_week"),
                _week("full_week"),
                _week("fade_week"),
                _week("last_week"),
                _number("soft_weeks", 0.1, 10),
                _number("level", 0, 10),
                _number("start_shift_weeks_per_deg", -2, 2),
                _number("end_shift_weeks_per_deg", -2, 2),
            ),
            ("taxon", "caste", "brood"),
        ),
        Table(
            "size",
            (
                _TAXON,
                _CASTE,
                _number("itd_mm_mean", 0.5, 15),
                _number("itd_mm_sd", 0.01, 5),
                _number("itd_n", 1, 1e6, required=False),
                _number("length_mm_min", 1, 60),
                _number("length_mm_max", 1, 60),
                _number("forewing_mm", 1, 60, required=False),
            ),
            ("taxon", "caste"),
        ),
        Table(
            "tone",
            (
                _TAXON,
                _CASTE,
                Column("situation"),
                _number("f0_hz_mean", 20, 1000),
                _number("f0_hz_sd", 1, 300),
                _number("weight", 0.001, 1),
            ),
            ("taxon", "caste", "situation"),
            required=False,
        ),
        Table(
            "tone_model",
            (
                Column("parameter", choices=tuple(TONE_PARAMETERS)),
                _number("value"),
                _number("sd", 0, 100),
                Column("unit"),
            ),
            ("parameter",),
        ),
        Table(
            "characters",
            (
                Column("character"),
                Column("state"),
                _number("order", 1, 100),
                _number("observer_error", 0, 0.9, required=False),
                Column("looks_like", "list", required=False),
                Column("fades_to", required=False),
                Column("question", required=False),
                _number("ease", 1, 3),
            ),
            ("character", "state"),
            max_rows=1_000,
        ),
        Table(
            "forms",
            (_TAXON, _CASTE, Column("form"), _number("share", 0.001, 0.9), Column("description")),
            ("taxon", "caste", "form"),
            required=False,
            max_rows=1_000,
        ),
        Table(
            "appearance",
            (
                _TAXON,
                _CASTE,
                Column("form", required=False),
                Column("character"),
                Column("state"),
                _number("frequency", 0, 1),
            ),
            ("taxon", "caste", "form", "character", "state"),
        ),
        Table(
            "lookalikes",
            (_TAXON, _CASTE, Column("other"), Column("tell")),
            ("taxon", "caste", "other"),
            required=False,
        ),
        Table("habits", (_TAXON, Column("topic"), Column("text")), ("taxon", "topic"), required=False),
    )
}
"""All tables by name, in the order in which they are read and their faults told."""
