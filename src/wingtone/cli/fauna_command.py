"""The ``fauna`` command: what is known of the bees of a region, and whether one's own tables are sound."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

import click

from wingtone.cli.command import Command, Group
from wingtone.cli.faults import debug_option
from wingtone.cli.options import fauna_option, format_option

if TYPE_CHECKING:
    from pathlib import Path

    from wingtone.fauna import Fauna, Taxon

__all__ = ["fauna"]


@click.group(
    "fauna",
    cls=Group,
    examples=(
        "wingtone fauna list                        all taxa of the British and Irish fauna",
        'wingtone fauna show "garden bumblebee"     all that is known of one, with sources',
        "wingtone fauna check my_fauna              every fault of your own tables",
    ),
)
@debug_option
def fauna() -> None:
    """Show what is known of the bees of a region, with its sources.

    A fauna is a folder of CSV tables that anyone can copy and edit. wingtone comes with that of Britain and
    Ireland; identify takes another with --fauna FOLDER.
    """


@fauna.command(
    "list",
    cls=Command,
    examples=(
        "wingtone fauna list",
        "wingtone fauna list --format json",
        "wingtone fauna list --fauna my_fauna",
    ),
)
@fauna_option
@format_option("table", "json")
@debug_option
def list_command(fauna_folder: Path | None, layout: str) -> None:
    """List all taxa: bumblebees, those that are gone, and what is taken for a bumblebee.

    Above them stands the folder of the tables: copy it to make a fauna of your own.
    """
    from wingtone.fauna import load

    known = load(fauna_folder)
    if layout == "json":
        for taxon in known.taxa:
            click.echo(json.dumps(_as_json(known, taxon), ensure_ascii=False))
        return
    from wingtone.cli.tables import columns, paragraph
    from wingtone.fauna import SHIPPED
    from wingtone.fauna.sheet import months_on_the_wing

    groups: dict[str, list[tuple[str, ...]]] = {}
    for taxon in known.taxa:
        when = months_on_the_wing(known, taxon) or taxon.status
        row = (taxon.vernacular, taxon.taxon, _castes(taxon), when)
        groups.setdefault(taxon.group, []).append(row)
    click.echo(f"{known.title} (version {known.version})")
    click.echo("\n".join(paragraph(str(fauna_folder or SHIPPED), label="tables in ")))
    for group, rows in groups.items():
        click.echo(f"\n{_GROUP_TITLES[group]} ({len(rows)})")
        click.echo("\n".join(columns(rows, align="llll")))
    click.echo('\nAll about one: wingtone fauna show "tree bumblebee"', err=True)


@fauna.command(
    "show",
    cls=Command,
    examples=(
        'wingtone fauna show "Bombus hortorum"',
        "wingtone fauna show tree",
        'wingtone fauna show "shrill carder bee"',
    ),
)
@click.argument("taxon", nargs=-1, required=True, metavar="TAXON")
@fauna_option
@debug_option
def show_command(taxon: tuple[str, ...], fauna_folder: Path | None) -> None:
    """Show the sheet of one taxon: sizes, tone, season, looks, look-alikes, sources.

    TAXON is a scientific or plain name, its beginning, or its last words, as hornet or wasps.
    """
    from wingtone.cli.tables import width
    from wingtone.fauna import load
    from wingtone.fauna.sheet import BLOCKS, PLAIN_BLOCKS, sheet

    known = load(fauna_folder)
    blocks = BLOCKS if _can_print(BLOCKS) else PLAIN_BLOCKS
    click.echo(sheet(known, known.taxon(" ".join(taxon)), width=width(), blocks=blocks))


@fauna.command(
    "check",
    cls=Command,
    examples=("wingtone fauna check my_fauna",),
)
@click.argument("folder", metavar="FOLDER")
@debug_option
@click.pass_context
def check_command(ctx: click.Context, folder: str) -> None:
    """Check a fauna of your own: every fault at once, with file, line and column.

    Exit status 1 when there is a fault.
    """
    from wingtone.fauna import check, load

    faults = check(folder)
    for fault in faults:
        click.echo(str(fault))
    if faults:
        click.echo(f"wingtone: {folder}: {len(faults)} fault{'s' if len(faults) > 1 else ''}", err=True)
        ctx.exit(1)
    known = load(folder)
    rows = [row for table in known.rows.values() for row in table]
    marks = [f"{sum(row.text('how_known') == mark for row in rows)} {mark}" for mark in _MARKS]
    click.echo(
        f"{known.id}: no faults; {len(known.taxa)} taxa, {len(known.entries)} candidates, {len(rows)} rows"
    )
    click.echo(f"how well known: {', '.join(marks)}")


_MARKS = ("read", "secondary", "derived", "memory")
_GROUP_TITLES = {
    "social": "Social bumblebees",
    "cuckoo": "Cuckoo bumblebees",
    "not a bumblebee": "Not bumblebees",
    "not a candidate": "Told about, never offered as an answer",
}


def _castes(taxon: Taxon) -> str:
    return ", ".join(caste.replace("cuckoo ", "") for caste in taxon.castes)


def _as_json(known: Fauna, taxon: Taxon) -> dict[str, object]:
    first = next((index for index, entry in enumerate(known.entries) if entry.taxon == taxon.taxon), None)
    met = (
        {}
        if first is None
        else {
            region: round(float(known.abundance(region)[first] / known.entries[first].share), 6)
            for region in known.regions
        }
    )
    return {
        "schema": "wingtone/fauna-taxon/1",
        "fauna": known.id,
        "taxon": taxon.taxon,
        "vernacular": taxon.vernacular,
        "group": taxon.group,
        "rank": taxon.rank,
        "castes": list(taxon.castes),
        "aggregates": list(taxon.aggregates),
        "status": taxon.status,
        "advice": taxon.advice or None,
        "abundance": met,
        "source": taxon.source.source,
        "how_known": taxon.source.how_known,
    }


def _can_print(text: str) -> bool:
    """Whether the terminal or pipe can carry these characters."""
    try:
        text.encode(getattr(sys.stdout, "encoding", None) or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
