"""What `wingtone.population.sizes` gives back: frozen values, their JSON and their tidy rows.

- `Sizes`: all of it.
- `Counted`: individuals under one rule.
- `plain`: any of these values as plain types; NaN and infinity become None.
- `tidy_rows`, `TIDY_COLUMNS`: one row a number.
- `three_figures`: a number for people.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from wingtone.population.activity import Activity
    from wingtone.population.castes import Castes
    from wingtone.population.changeover import Changeover
    from wingtone.population.comparison import Comparison, Power
    from wingtone.population.distribution import Density, Histogram, Quantile, Spread
    from wingtone.population.individuals import Individual, Selection
    from wingtone.population.thorax import Thorax

__all__ = [
    "SCHEMA",
    "TIDY_COLUMNS",
    "Counted",
    "Settings",
    "Sizes",
    "Tone",
    "plain",
    "three_figures",
    "tidy_rows",
]

SCHEMA = "wingtone/sizes/1"

TIDY_COLUMNS = ("part", "name", "item", "value", "low", "high", "unit", "note")


@dataclass(frozen=True)
class Counted:
    """Individuals as one rule counts them, and what the median tone would then be."""

    rule: str
    gap_s: float | None
    used: bool
    n: int
    median_hz: float
    low_hz: float
    high_hz: float


@dataclass(frozen=True)
class Tone:
    """How tones are distributed."""

    spread: Spread
    quantiles: tuple[Quantile, ...]
    histogram: Histogram
    density: Density


@dataclass(frozen=True)
class Settings:
    """What was asked for. ``cluster`` says what was resampled."""

    fauna: str
    fauna_version: str
    place: str
    taxa: tuple[str, ...]
    grouped_by: str
    gap_s: float
    cluster: str
    n_clusters: int
    draws: int
    seed: int
    level: float


@dataclass(frozen=True)
class Sizes:
    """What a population sounds like.

    Attributes
    ----------
    summary
        Plain sentences, the main things first.
    cautions
        What to keep in mind, as sentences.
    selection
        What the quality filter did.
    counted
        Individuals under the rule used and under others.
    individuals
        One for each bee.
    lower_probability
        For each bee, the probability of the lower-toned group (queens) given the fit; None for each when
        no two groups were fitted.
    tone, thorax
        Distributions; None without a bee.
    castes, changeover
        None without a bee.
    comparison
        None when the bees were not grouped.
    activity
        None without listening effort.
    power
        None with too few bees to tell the spread.
    """

    summary: tuple[str, ...]
    cautions: tuple[str, ...]
    settings: Settings
    selection: Selection
    counted: tuple[Counted, ...]
    individuals: tuple[Individual, ...]
    lower_probability: tuple[float | None, ...]
    tone: Tone | None
    thorax: Thorax | None
    castes: Castes | None
    changeover: Changeover | None
    comparison: Comparison | None
    activity: Activity | None
    power: Power | None

    def to_json(self) -> dict[str, Any]:
        """Lay it out as ``wingtone/sizes/1``: plain types, unknown values None."""
        return {"schema": SCHEMA, **plain(self)}

    def rows(self) -> list[dict[str, Any]]:
        """Give its numbers as tidy rows with the keys `TIDY_COLUMNS`."""
        return tidy_rows(self)

    def table(self) -> dict[str, list[Any]]:
        """Give the same as columns, name to values."""
        rows = self.rows()
        return {name: [row[name] for row in rows] for name in TIDY_COLUMNS}

    def bees(self) -> list[dict[str, Any]]:
        """Give a row a bee."""
        return [
            {**plain(bee), "lower_probability": probability}
            for bee, probability in zip(self.individuals, self.lower_probability, strict=True)
        ]

    def __repr__(self) -> str:
        return "\n".join(["Sizes", *(f"  {line}" for line in self.summary)])


def plain(value: Any) -> Any:
    """Turn values into plain types: mappings, lists, numbers, texts, None."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {item.name: plain(getattr(value, item.name)) for item in dataclasses.fields(value)}
    if isinstance(value, (tuple, list)):
        return [plain(part) for part in value]
    if isinstance(value, (dt.date, dt.datetime)):
        return value.isoformat()
    if isinstance(value, float):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    return value


def three_figures(value: float) -> str:
    """Write a number with three figures that count and no power of ten: 60 days are ``1440`` hours."""
    return f"{float(f'{value:.3g}'):g}"


def tidy_rows(sizes: Sizes) -> list[dict[str, Any]]:
    """Give one row a number, see `TIDY_COLUMNS`; an interval stands beside its value."""
    rows: list[dict[str, Any]] = []

    def add(
        part: str,
        name: str,
        item: object,
        value: float | None,
        low: float = math.nan,
        high: float = math.nan,
        unit: str = "",
        note: str = "",
    ) -> None:
        given = (part, name, str(item), plain(value), plain(low), plain(high), unit, note)
        rows.append(dict(zip(TIDY_COLUMNS, given, strict=True)))

    add("selection", "bouts", "given", sizes.selection.n_bouts)
    add("selection", "bouts", "used", sizes.selection.n_used)
    for reason, count in sizes.selection.dropped:
        add("selection", "bouts left out", reason, count)
    for counted in sizes.counted:
        rule = counted.rule if counted.gap_s is None else f"{counted.rule} ({counted.gap_s:g} s)"
        add("individuals", "bees", rule, counted.n, note="used" if counted.used else "")
        ends = (counted.low_hz, counted.high_hz)
        add(
            "individuals", "median tone", rule, counted.median_hz, *ends, "Hz", "used" if counted.used else ""
        )
    if sizes.tone is not None:
        spread = sizes.tone.spread
        add("tone", "mean", "", spread.mean_hz, spread.mean_low_hz, spread.mean_high_hz, "Hz")
        add("tone", "spread as measured", "", spread.sd_hz, unit="Hz")
        ends = (spread.bees_sd_low_hz, spread.bees_sd_high_hz)
        add("tone", "spread between bees", "", spread.bees_sd_hz, *ends, "Hz")
        add("tone", "independent bees", "", spread.effective_n)
        for quantile in sizes.tone.quantiles:
            add("tone", "quantile", quantile.probability, quantile.value, quantile.low, quantile.high, "Hz")
        histogram = sizes.tone.histogram
        for left, right, count in zip(histogram.edges, histogram.edges[1:], histogram.counts, strict=False):
            add("tone", "histogram", f"{left:.6g}-{right:.6g}", count, unit="bees", note=histogram.rule)
        for at, height in zip(sizes.tone.density.at, sizes.tone.density.density, strict=True):
            add("tone", "density", f"{at:.6g}", height, unit="1/Hz", note=sizes.tone.density.rule)
    if sizes.thorax is not None:
        for quantile in sizes.thorax.quantiles:
            add("ITD", "quantile", quantile.probability, quantile.value, quantile.low, quantile.high, "mm")
        for at, height in zip(sizes.thorax.at_mm, sizes.thorax.density, strict=True):
            add("ITD", "density", f"{at:.6g}", height, unit="1/mm")
    if sizes.castes is not None:
        castes = sizes.castes
        add("castes", "p of one group", "", castes.p_value, note=castes.answer)
        for k, value in enumerate(castes.bic, 1):
            add("castes", "BIC", k, value)
        for group in castes.groups:
            add("castes", "share", group.name, group.share, group.low, group.high, note=castes.answer)
            add("castes", "tone", group.name, group.tone_hz, unit="Hz")
            add("castes", "spread between bees", group.name, group.sd_hz, unit="Hz")
    if sizes.changeover is not None:
        change = sizes.changeover
        ends = (change.low, change.high)
        add("changeover", "day of year", change.date, change.day_of_year, *ends, "d", change.reason)
        add("changeover", "width from 10 to 90 %", "", change.width_days, unit="d")
        for point in change.curve:
            day = f"{point.day_of_year:.6g}"
            add("changeover", "share of workers", day, point.share, point.low, point.high)
    if sizes.comparison is not None:
        for one in sizes.comparison.groups:
            add(
                "comparison",
                "mean tone",
                one.name,
                one.mean_hz,
                one.low_hz,
                one.high_hz,
                "Hz",
                f"{one.n} bees",
            )
        for pair in sizes.comparison.pairs:
            item = f"{pair.second} - {pair.first}"
            ends = (pair.low_hz, pair.high_hz)
            add("comparison", "difference", item, pair.difference_hz, *ends, "Hz")
            add("comparison", "Hedges' g", item, pair.hedges_g)
            note = "" if pair.tested else f"too few {sizes.comparison.cluster}s to test"
            add("comparison", "least p", item, pair.least_p, note=note)
            add("comparison", "p", item, pair.p_value, note=note)
            add("comparison", "p (Holm)", item, pair.p_holm, note=note)
        if not math.isnan(sizes.comparison.p_overall):
            add("comparison", "p overall", "", sizes.comparison.p_overall)
    if sizes.activity is not None:
        for rate in sizes.activity.rates:
            name = f"{rate.by} {rate.name}"
            add(
                "activity",
                "bees an hour",
                name,
                rate.rate,
                rate.low,
                rate.high,
                "1/h",
                f"{three_figures(rate.hours)} h",
            )
    if sizes.power is not None:
        for n, hz in zip(sizes.power.bees_a_group, sizes.power.detectable_hz, strict=True):
            add("power", "difference shown with 80 % power", f"{n} bees a group", hz, unit="Hz")
        for hz, n in sizes.power.needed:
            add("power", "bees needed in each group", f"{hz:g} Hz", n)
    return rows
