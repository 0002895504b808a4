"""``wingtone sizes``: what a population sounds like."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from wingtone.cli.command import Command
from wingtone.cli.faults import debug_option, warn
from wingtone.cli.options import (
    FiniteRange,
    fauna_option,
    figure_option,
    format_option,
    place_option,
    read_day,
    read_place,
)
from wingtone.cli.outputs import check_figure
from wingtone.cli.tables import columns, csv_text, paragraph

if TYPE_CHECKING:
    import datetime

    from wingtone.notebook.places import Place
    from wingtone.population import Sizes
    from wingtone.population.distribution import Quantile

__all__ = ["sizes"]


@click.command(
    cls=Command,
    examples=(
        "wingtone sizes bouts.csv",
        "wingtone sizes survey/ --figure sizes.svg",
        "wingtone sizes bouts.csv --sites sites.csv --taxon 'Bombus terrestris'",
        "wingtone sizes notebook.sqlite --group-by month --format csv > sizes.csv",
    ),
)
@click.argument("measurements", metavar="MEASUREMENTS...", nargs=-1, required=True)
@format_option("table", "json", "csv")
@figure_option("Draw it all")
@click.option(
    "--group-by",
    type=click.Choice(("site", "month", "folder")),
    help="Compare sites (a column of that name, --sites, or the 1 km squares of a notebook), months, "
    "or the folders of the recordings.",
)
@click.option(
    "--sites",
    "sites_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Table with the columns path (a recording or folder) and site; compares them.",
)
@click.option(
    "--taxon",
    "taxa",
    multiple=True,
    metavar="NAME",
    help="A species that the bees can be, where you know it; again for another. Without: all of the fauna.",
)
@click.option(
    "--gap",
    "gap_s",
    type=FiniteRange(min=0, min_open=True),
    default=30,
    show_default=True,
    metavar="SECONDS",
    help="After so long a silence, whoever is heard counts as another bee.",
)
@click.option(
    "--date", callback=read_day, metavar="DATE", help="Day of the recordings that state none, as 2026-03-20."
)
@place_option(read_place)
@fauna_option
@debug_option
def sizes(
    measurements: tuple[str, ...],
    layout: str,
    figure: Path | None,
    group_by: str | None,
    sites_file: Path | None,
    taxa: tuple[str, ...],
    gap_s: float,
    date: datetime.date | None,
    place: Place | None,
    fauna_folder: Path | None,
) -> None:
    """Say how large the bees of many recordings are, how many are queens, and when workers take over.

    MEASUREMENTS are tables of bouts (of "wingtone measure --format csv", or the folder of a survey), JSON of
    "wingtone measure", or a notebook; a table of recordings with heard_s adds how many bees an hour. Bees are
    counted first: repeated flights of one bee count once. All intervals are 95 % intervals.
    """
    from wingtone.fauna import load
    from wingtone.population.sources import read_sites, read_sources
    from wingtone.population.work import sizes_of, unused_sites

    if figure is not None:
        check_figure(figure, inputs=measurements)
    if sites_file is not None and group_by not in (None, "site"):
        raise click.UsageError("--sites is for --group-by site.")
    fauna = load(fauna_folder)
    source = read_sources(measurements, fauna=fauna)
    sites = None if sites_file is None else read_sites(sites_file)
    if sites and (unused := unused_sites(sites, (*source.bouts, *(source.effort or ())))):
        more = f" and {len(unused) - 1} more" if len(unused) > 1 else ""
        warn(f"no recording fits the path {unused[0]}{more}: nothing gets that site", where=sites_file)
    found = sizes_of(
        source.bouts,
        source.effort,
        fauna=fauna,
        date=date,
        place=place,
        taxa=taxa,
        group_by=group_by,
        sites=sites,
        gap_s=gap_s,
    )
    click.echo(_laid_out(found, layout), nl=False)
    if figure is not None:
        from wingtone.figures.population import draw_population

        draw_population(found, figure)


def _laid_out(found: Sizes, layout: str) -> str:
    if layout == "json":
        return json.dumps(found.to_json(), ensure_ascii=False, allow_nan=False) + "\n"
    if layout == "table":
        return "\n".join(_told(found)) + "\n"
    from wingtone.csv_text import safe_for_spreadsheets

    rows = found.rows()
    # Names of sites and folders are the user's.
    cells = ([safe_for_spreadsheets(v) if isinstance(v, str) else v for v in row.values()] for row in rows)
    return csv_text([rows[0].keys(), *cells])


def _told(found: Sizes) -> list[str]:
    lines: list[str] = []
    for sentence in found.summary:
        lines += paragraph(sentence)
    lines += ["", "  Keep in mind"]
    for sentence in found.cautions:
        lines += paragraph(sentence, label="- ")
    if found.selection.dropped:
        lines += ["", "  Bouts left out"]
        lines += columns([(str(n), why) for why, n in found.selection.dropped], align="rl")
    if found.tone is not None:  # some bee is left, by any way of counting
        lines += ["", "  How many bees, by other ways of counting"]
        rows = [
            (
                str(one.n),
                _hertz(one.median_hz, one.low_hz, one.high_hz),
                one.rule + ("" if one.gap_s is None else f" ({one.gap_s:g} s)") + (" *" if one.used else ""),
            )
            for one in found.counted
        ]
        lines += columns(rows, align="rll", headings=("bees", "median tone (95 %)", "told apart by (* used)"))
        lines += ["", "  Tone and size"]
        sizes_mm = [""] * len(found.tone.quantiles)
        if found.thorax is not None:
            sizes_mm = [_millimetres(quantile) for quantile in found.thorax.quantiles]
        rows = [
            (f"{100 * tone.probability:.0f} %", _hertz(tone.value, tone.low, tone.high), size)
            for tone, size in zip(found.tone.quantiles, sizes_mm, strict=True)
        ]
        lines += columns(rows, align="rll", headings=("of bees", "tone below (95 %)", "ITD below (95 %)"))
    if found.comparison is not None and found.comparison.groups:
        lines += ["", "  Groups"]
        groups = [
            (g.name, str(g.n), str(g.n_clusters), _hertz(g.mean_hz, g.low_hz, g.high_hz))
            for g in found.comparison.groups
        ]
        kind = f"{found.comparison.cluster}s"
        lines += columns(groups, align="lrrl", headings=("group", "bees", kind, "mean tone (95 %)"))
    if found.activity is not None:
        for by, heading in (("hour", "by hour of the day"), ("group", "by group")):
            rates = [rate for rate in found.activity.rates if rate.by == by]
            if rates:
                lines += ["", f"  Bees an hour of listening, {heading}"]
                told = [
                    (
                        f"{rate.name} h" if by == "hour" else rate.name,
                        _short(rate.rate),
                        f"{_short(rate.low)} to {_short(rate.high)}",
                        f"{_short(rate.hours)} h",
                    )
                    for rate in rates
                ]
                lines += columns(told, align="lrlr", headings=("", "bees", "95 %", "listened"))
    return lines


def _short(value: float) -> str:
    """Write two digits, without an exponent."""
    return f"{value:.0f}" if value >= 10 else f"{value:.2g}"


def _hertz(value: float, low: float, high: float) -> str:
    known = low == low and high == high
    return f"{value:.0f} Hz" + (f" ({low:.0f} to {high:.0f})" if known else "")


def _millimetres(size: Quantile) -> str:
    known = size.low == size.low and size.high == size.high
    return f"{size.value:.1f} mm" + (f" ({size.low:.1f} to {size.high:.1f})" if known else "")
