"""``wingtone notebook chart``, ``export`` and ``import``: records drawn, handed on, and taken in."""

from __future__ import annotations

import datetime as dt
import itertools
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wingtone.cli.command import Command
from wingtone.cli.faults import debug_option, warn
from wingtone.cli.keeping import tell
from wingtone.cli.notebook_options import (
    chosen_filter,
    filter_options,
    in_notebook,
    open_notebook,
    tell_why_none,
)
from wingtone.cli.notebook_reports import (
    absent_rows,
    alike_records,
    differing_records,
    doubled_records,
    names_lines,
    removed_records,
    unknown_names,
)
from wingtone.cli.options import by_option, fauna_option, mapping_option
from wingtone.cli.outputs import check_figure, check_output
from wingtone.cli.process import say_done
from wingtone.cli.tables import columns
from wingtone.errors import InputError, RequestError, how_many, one_line
from wingtone.files import what_is

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from wingtone.notebook.doubts import Watch
    from wingtone.notebook.importing import Imported, Plan
    from wingtone.notebook.store import Entry, Filter, Notebook

__all__ = ["chart", "export", "import_command"]


@click.command(
    cls=Command,
    examples=(
        "wingtone notebook chart --kind season --out season.png",
        "wingtone notebook chart --kind places --out places.svg --taxon 'Bombus hypnorum'",
    ),
)
@click.option(
    "--kind",
    type=click.Choice(("season", "places")),
    required=True,
    help="season: weeks by name and caste; places: 10 km squares of the national grid, without a map.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    metavar="FILE",
    help="The picture, ending in .png, .svg or .pdf.",
)
@filter_options
@in_notebook
@debug_option
@click.pass_context
def chart(ctx: click.Context, /, kind: str, out: Path, **chosen: Any) -> None:
    """Draw the season or the places of records, ready for a talk.

    Rejected records are left out unless you ask for them with --status rejected.
    """
    check_figure(out)
    where = chosen_filter(**chosen)
    with open_notebook(ctx, write=False) as opened:
        check_figure(out, inputs=_never_replaced(opened, out))
        found = (entry.record for entry in _not_rejected(opened, where))
        first = next(found, None)
        if first is None:
            tell_why_none(where)
            raise InputError("no record of the notebook is what you asked for", where=out)
        records = itertools.chain([first], found)
        if kind == "season":
            from wingtone.figures.season import draw_season

            left_out, why = draw_season(records, out), "no day, or too long an interval"
        else:
            from wingtone.figures.places import draw_places

            left_out, why = draw_places(records, out), "no place, or none that fits a 10 km square"
    _tell_left_out(left_out, why, where=out)
    click.echo(f"{kind} chart written to {one_line(out)}")


FORMATS = ("darwin-core", "csv", "geojson", "bwf", "labels")
BY_ENDING = {
    ".zip": ("darwin-core",),
    ".csv": ("csv", "labels"),
    ".geojson": ("geojson",),
    ".json": ("geojson",),
}
"""What a file so named can be; the first where nothing else is said."""


def _layout(given: str | None, out: Path) -> str:
    """Choose the format by the ending where none was given; refuse one that the ending contradicts."""
    fitting = BY_ENDING.get(out.suffix.lower(), ())
    if given and fitting and given not in fitting:
        what = f"a file that ends in {out.suffix} is no {given}"
        raise RequestError(what, remedy=f"give --format {fitting[0]}, or another name", where=out)
    return given or (fitting or FORMATS)[0]


@click.command(
    cls=Command,
    examples=(
        "wingtone notebook export --format darwin-core --out bees.zip --creator 'A. Recorder'",
        "wingtone notebook export --format csv --out bees.csv --blur 2",
        "wingtone notebook export --format geojson --out bees.geojson --since 2026-03-01",
        "wingtone notebook export --format bwf --out clips/ --taxon 'Bombus hortorum'",
        "wingtone notebook export --format labels --out labels.csv",
    ),
)
@click.option(
    "--format",
    "layout",
    type=click.Choice(FORMATS),
    help="What for; without it by the ending of FILE: csv, geojson, or else darwin-core.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    metavar="FILE",
    help="Where to; for bwf a folder.",
)
@filter_options
@click.option(
    "--blur", "blur_km", type=click.Choice(["1", "2", "10"]), help="Give places as squares of so many km."
)
@click.option("--withhold-place", is_flag=True, help="Give no places at all.")
@click.option("--title", default="", metavar="TEXT", help="Of the data set (darwin-core).")
@click.option("--creator", default="", metavar="NAME", help="Of the data set (darwin-core).")
@click.option("--licence", default="", metavar="TEXT", help="Such as CC0-1.0 (darwin-core).")
@click.option(
    "--clips", type=click.Path(path_type=Path), metavar="FOLDER", help="Where moved recordings now lie (bwf)."
)
@in_notebook
@debug_option
@click.pass_context
def export(
    ctx: click.Context,
    /,
    layout: str | None,
    out: Path,
    blur_km: str | None,
    withhold_place: bool,
    title: str,
    creator: str,
    licence: str,
    clips: Path | None,
    **chosen: Any,
) -> None:
    """Hand records on in the standards that others read.

    darwin-core is an archive for record centres; csv and geojson are a table and a map with the same terms;
    bwf writes the flight bouts as Broadcast Wave files; labels is a table for wingtone train, of the records
    that you decided or somebody confirmed. Removed records are left out, and rejected ones too
    unless you ask for them with --status rejected. Notes are given as they are written: look through them
    when you keep places back.
    """
    from wingtone.fauna import load
    from wingtone.notebook import export as writing
    from wingtone.notebook.doubts import Watch
    from wingtone.notebook.exchange import Disclosure

    layout = _layout(layout, out)
    disclosure = Disclosure(None if blur_km is None else int(blur_km), withhold_place)
    where = chosen_filter(**chosen)
    with open_notebook(ctx, write=False) as opened:
        check_output(out, inputs=_never_replaced(opened, out))
        entries = _not_rejected(opened, where)
        if layout == "bwf":
            from wingtone.notebook.clips import write_clips

            written = write_clips(entries, out, recordings=clips)
            for number, reason in written.missing:
                if number in written.failed:
                    warn(reason, where=f"record {number}")
            _tell_left_out(
                len(written.missing) - len(written.failed), "without a flight in a recording", where=out
            )
            if not (written.files or written.missing):
                _tell_empty(out, where)
            click.echo(f"{how_many(len(written.files), 'clip')} written to {one_line(out)}")
            if written.failed:
                ctx.exit(1)
            return
        if layout == "labels":
            from wingtone.learn.label_rows import label_rows
            from wingtone.learn.labels import write_labels

            rows = [
                label_rows(entry.record, blur_km=disclosure.blur_km, withhold_place=withhold_place)
                for entry in entries
            ]
            write_labels(out, itertools.chain.from_iterable(rows))
            why = "not decided or confirmed, without a name, or without a flight"
            _tell_left_out(sum(not of_record for of_record in rows), why, where=out)
            if not rows:
                _tell_empty(out, where)
            click.echo(f"{how_many(sum(map(len, rows)), 'label')} written to {one_line(out)}")
            return
        watch = Watch(dt.date.today(), load().castes)
        if layout == "darwin-core":
            default = writing.Dataset()
            dataset = writing.Dataset(title or default.title, creator, licence)
            count = writing.write_archive(watch.passing(entries), out, disclosure=disclosure, dataset=dataset)
        else:
            write = writing.write_csv if layout == "csv" else writing.write_geojson
            count = write(watch.passing(entries), out, disclosure=disclosure)
        tell(watch.told)
    if not count:
        _tell_empty(out, where)
    click.echo(f"{how_many(count, 'record')} written to {one_line(out)}")


def _never_replaced(opened: Notebook, out: Path) -> list[Path]:
    """Give the notebook and the photographs of its records, where there is a file that could be one of them.

    A path without a folder was written in the folder where the command was given, which may be that of the
    notebook.
    """
    if what_is(out) != "file":
        return [opened.path]
    photographs = [Path(path) for path in opened.photographs() if path]
    return [opened.path, *photographs, *(opened.path.parent / path for path in photographs)]


def _tell_left_out(number: int, why: str, *, where: Path) -> None:
    if number:
        warn(f"{how_many(number, 'record')} {'is' if number == 1 else 'are'} not in it: {why}", where=where)


def _tell_empty(out: Path, where: Filter) -> None:
    warn("no record of the notebook is what you asked for, so there is none in it", where=out)
    tell_why_none(where)


def _not_rejected(opened: Notebook, where: Filter) -> Iterator[Entry]:
    for entry in opened.entries(where):
        if entry.record.status != "rejected" or where.status == "rejected":
            yield entry


@click.command(
    "import",
    cls=Command,
    examples=(
        "wingtone notebook import old_records.csv --dry-run",
        "wingtone notebook import old_records.csv --map 'Bee=taxon' --map 'Weather=other'",
    ),
)
@click.argument("table", type=click.Path(path_type=Path), metavar="TABLE")
@mapping_option
@click.option("--dry-run", is_flag=True, help="Only say what would be done.")
@fauna_option
@by_option
@in_notebook
@debug_option
@click.pass_context
def import_command(
    ctx: click.Context,
    /,
    table: Path,
    mapping: Sequence[str],
    dry_run: bool,
    fauna_folder: Path | None,
    by: str,
) -> None:
    """Take records in from a CSV table: one of ours, one with Darwin Core headings, or any other.

    Each column's meaning is proposed by its heading and can be corrected with --map; what has no meaning here
    is kept beside the record. Names are taken from the fauna, and kept as they were written too. All faults
    are told at once, and then nothing is imported. The same table imported again adds only what is new.
    """
    from wingtone.fauna import load
    from wingtone.keeping import with_names
    from wingtone.notebook.doubts import Watch
    from wingtone.notebook.importing import read_plan

    fauna = load(fauna_folder)
    plan, names = with_names(read_plan(table, mapping=mapping), fauna)
    if plan.encoding == "cp1252":
        warn(
            "this table is not UTF-8; it was read as Windows-1252: check the letters with accents",
            where=table,
        )
    if plan.mapping:
        click.echo(
            "\n".join(columns(list(plan.mapping.items()), align="ll", headings=("column", "taken as"))),
            err=True,
        )
    for line in names_lines(names):
        click.echo(line, err=True)
    if plan.absent:
        warn(absent_rows(plan.absent), where=table)
    if names.unknown:
        warn(unknown_names(names, fauna.id), where=table)
    watch = Watch(dt.date.today(), fauna.castes)
    done = _taken_in(ctx, plan, watch, by=by, dry_run=dry_run)
    for number, (_, _, record) in zip(done.numbers, plan.records, strict=True):
        if number is not None:
            watch.look(number, record)
    if dry_run:
        known = f", {done.known} {'is' if done.known == 1 else 'are'} there already" if done.known else ""
        click.echo(f"{how_many(done.added, 'record')} could be imported{known}; nothing was done")
    else:
        known = f", {done.known} {'was' if done.known == 1 else 'were'} there already" if done.known else ""
        say_done(f"{how_many(done.added, 'record')} imported{known}")
    for told in (
        removed_records(done.removed),
        alike_records(done.alike, to_come=dry_run),
        doubled_records(done.doubles, to_come=dry_run),
        differing_records(done.differing),
    ):
        if told:
            warn(told, where=table)
    tell(watch.told, to_come=dry_run)


def _taken_in(ctx: click.Context, /, plan: Plan, watch: Watch, *, by: str, dry_run: bool) -> Imported:
    """Take the records of a plan in, or say what that would do; let the watch know what was heard before."""
    from wingtone.notebook.importing import Imported, carry_out, look_ahead
    from wingtone.notebook.store import default_path

    if dry_run and not (ctx.obj or default_path()).exists():
        return Imported(len(plan.records), 0, tuple(range(1, len(plan.records) + 1)))
    with open_notebook(ctx, write=not dry_run) as opened:
        sounds = {record.recording.sha256 for _, _, record in plan.records if record.recording}
        for sha256 in sounds & opened.recordings():
            watch.remember(opened.of_recording(sha256))
        return look_ahead(plan, opened) if dry_run else carry_out(plan, opened, by=by)
