"""The season of a notebook: how many of each taxon and caste in each week of the year.

One band a taxon, the commonest on top, all on one time axis and one scale. In a band each week is a bar,
stacked by caste. Castes differ in colour (told apart with any colour vision) and in hatching. Years are put
on top of one another; the title says which.

- `draw_season`: draw it.
- `season_counts`: the numbers behind it.
"""

from __future__ import annotations

import datetime as dt
import itertools
from collections import Counter
from typing import TYPE_CHECKING

from wingtone.errors import InputError, how_many
from wingtone.figures.style import (
    BARK,
    BLUE,
    GREEN,
    LINE,
    ORANGE,
    PURPLE,
    check_target,
    new_figure,
    save_figure,
)
from wingtone.notebook.events import middle_day

if TYPE_CHECKING:
    import os
    from collections.abc import Iterable

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from wingtone.notebook.records import Record

__all__ = ["draw_season", "season_counts"]

MOST_TAXA = 12
"""Bands that can be read at arm's length from a screen; the rest go into one more. Ours."""

OTHERS = "all others"
NO_NAME = "no name yet"
NO_CASTE = "caste not noted"
WEEKS = 53  # the last one has a day or two

CASTES = {
    "queen": ("queens", BLUE, ""),
    "worker": ("workers", ORANGE, "////"),
    "male": ("males", GREEN, "...."),
    "cuckoo female": ("cuckoo females", PURPLE, "xxxx"),
    "": (NO_CASTE, "#b9b2a3", ""),
}
"""Name, colour and hatch."""


def season_counts(
    records: Iterable[Record],
) -> tuple[dict[str, dict[str, Counter[int]]], list[int], int]:
    """Count records by taxon, caste and week.

    Returns
    -------
    counts, years, left_out
        ``counts[taxon][caste][week]``, weeks from 0 (1 to 7 January), taxa by falling numbers and castes
        among those of `CASTES`; the years seen; and how many records had no day or too long an interval.
    """
    counts: dict[str, dict[str, Counter[int]]] = {}
    years: set[int] = set()
    left_out = 0
    for record in records:
        day = middle_day(record.event_date)
        if day is None:
            left_out += 1
            continue
        years.add(day.year)
        caste = record.caste if record.caste in CASTES else ""
        by_caste = counts.setdefault(record.taxon or record.vernacular or NO_NAME, {})
        by_caste.setdefault(caste, Counter())[(day.timetuple().tm_yday - 1) // 7] += 1
    order = sorted(counts, key=lambda taxon: (-_total(counts[taxon]), taxon))
    merged = {taxon: counts[taxon] for taxon in order[:MOST_TAXA]}
    for taxon in order[MOST_TAXA:]:
        others = merged.setdefault(OTHERS, {})
        for caste, weeks in counts[taxon].items():
            others.setdefault(caste, Counter()).update(weeks)
    return merged, sorted(years), left_out


def _total(by_caste: dict[str, Counter[int]]) -> int:
    return sum(weeks.total() for weeks in by_caste.values())


def draw_season(records: Iterable[Record], out: str | os.PathLike[str]) -> int:
    """Draw the season chart.

    Parameters
    ----------
    records
        Those to draw.
    out
        The figure: PNG, SVG or PDF by its ending. An existing file is replaced when the new one is whole.

    Returns
    -------
    int
        How many records had no day, or an interval of more than two weeks, and are not in it.

    Raises
    ------
    RequestError, MissingExtraError
        See `wingtone.figures.style.check_target`.
    InputError
        There is nothing to draw.
    OutputError
        The figure cannot be written.
    """
    check_target(out)
    counts, years, left_out = season_counts(records)
    if not counts:
        raise InputError("no record here has a day", remedy="choose other records", where=out)
    n = len(counts)
    figure = new_figure(10, 1.7 + 0.62 * n)
    bands = figure.subplots(n, 1, sharex=True, sharey=True, squeeze=False)[:, 0]
    highest = max(
        sum(weeks[week] for weeks in by_caste.values())
        for by_caste in counts.values()
        for week in range(WEEKS)
    )
    for axes, (taxon, by_caste) in zip(bands, counts.items(), strict=True):
        _draw_band(axes, taxon, by_caste, highest)
    _time_axis(bands, counts)
    total = sum(map(_total, counts.values()))
    span = str(years[0]) if len(years) == 1 else f"{years[0]} to {years[-1]}"
    figure.suptitle(f"Season of {how_many(total, 'record')}, {span}", fontsize=13, color=BARK)
    figure.supylabel(f"records a week (scale: 0 to {highest})", fontsize=9, color=BARK)
    _legend(figure, {caste for by_caste in counts.values() for caste in by_caste})
    save_figure(figure, out)
    return left_out


def _draw_band(axes: Axes, taxon: str, by_caste: dict[str, Counter[int]], highest: int) -> None:
    axes.set_facecolor("white")
    bottom = [0] * WEEKS
    for caste, (_, colour, hatch) in CASTES.items():
        heights = [by_caste.get(caste, Counter[int]())[week] for week in range(WEEKS)]
        if any(heights):
            axes.bar(
                range(WEEKS),
                heights,
                bottom=bottom,
                width=0.9,
                align="edge",
                color=colour,
                hatch=hatch,
                edgecolor="white",
                linewidth=0,
            )
            bottom = [low + height for low, height in zip(bottom, heights, strict=True)]
    axes.set_ylim(0, 1.12 * highest)
    axes.set_yticks([])
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(LINE)
    n = _total(by_caste)
    style = "italic" if taxon.startswith("Bombus") else "normal"
    axes.text(
        -0.01, 0.42, taxon, transform=axes.transAxes, ha="right", va="center", fontsize=10, style=style,
        color=BARK, parse_math=False,
    )  # fmt: skip
    axes.text(1.01, 0.42, f"{n}", transform=axes.transAxes, ha="left", va="center", fontsize=9, color=BARK)


def _time_axis(bands: Iterable[Axes], counts: dict[str, dict[str, Counter[int]]]) -> None:
    """Mark the months, from the one of the first record to that of the last."""
    weeks = [week for by_caste in counts.values() for counter in by_caste.values() for week in counter]
    # 2025 stands for any year: a leap day moves the marks by a seventh of a week
    starts = [(dt.date(2025, month, 1).timetuple().tm_yday - 1) / 7 for month in range(1, 13)] + [53.0]
    first = max(start for start in starts if start <= min(weeks))
    last = min(start for start in starts if start >= max(weeks) + 1)
    middles = [(a + b) / 2 for a, b in itertools.pairwise(starts)]
    for axes in bands:
        axes.set_xticks(middles, [f"{dt.date(2025, month, 1):%b}" for month in range(1, 13)], fontsize=9)
        axes.set_xlim(first, last)
        axes.tick_params(axis="x", length=0, labelcolor=BARK)
        for start in starts:
            if first < start < last:
                axes.axvline(start, color=LINE, linewidth=0.6, alpha=0.5, zorder=0)


def _legend(figure: Figure, present: set[str]) -> None:
    from matplotlib.patches import Patch

    marks = [
        Patch(facecolor=colour, hatch=hatch, edgecolor="white", linewidth=0, label=name)
        for caste, (name, colour, hatch) in CASTES.items()
        if caste in present
    ]
    figure.legend(handles=marks, loc="outside lower center", ncols=len(marks), frameon=False, fontsize=9)
