"""``wingtone notebook``: keep records, find them again, hand them on."""

from __future__ import annotations

import contextlib
import dataclasses
import datetime as dt
import itertools
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wingtone.cli.command import Command, write_examples
from wingtone.cli.faults import debug_option, warn
from wingtone.cli.faults import show as show_error
from wingtone.cli.keeping import given_of, kept_in_a_line, records_of_measurement, tell
from wingtone.cli.notebook_options import (
    chosen_filter,
    field_options,
    filter_options,
    in_notebook,
    tell_why_none,
)
from wingtone.cli.notebook_reports import (
    absent_rows,
    alike_records,
    changed_lines,
    entry_json,
    in_a_line,
    names_lines,
    record_json,
    record_lines,
    removed_records,
    row_lines,
    unknown_names,
)
from wingtone.cli.options import WholeRange, by_option, fauna_option, format_option, mapping_option
from wingtone.cli.outputs import check_figure, check_output
from wingtone.cli.process import say_done
from wingtone.cli.tables import columns, counted, csv_text
from wingtone.errors import InputError, RequestError, WingtoneError, one_line
from wingtone.files import what_is

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from wingtone.notebook.records import Record
    from wingtone.notebook.store import Entry, Filter, Notebook

__all__ = ["notebook"]


class _Group(click.Group):
    """The group, with examples in its help."""

    def format_epilog(self, ctx: click.Context, /, formatter: click.HelpFormatter) -> None:
        write_examples(
            (
                "wingtone notebook add --recording garden.m4a --hint tail=buff",
                'wingtone notebook add --date 2026-03-20 --place "TQ 18 75" --taxon "Bombus terrestris"',
                "wingtone notebook list --since 2026-03-01",
                "wingtone notebook amend 12 --taxon 'Bombus lucorum' --status confirmed",
                "wingtone notebook export --format darwin-core --out bees.zip --blur 2",
                "wingtone notebook import old_records.csv --dry-run",
            ),
            formatter,
        )


@click.group("notebook", cls=_Group)
@in_notebook
@debug_option
def notebook() -> None:
    """Keep records of bees: what, when, where, who, and how it is known.

    A notebook is one file on your own machine. Nothing in it is ever overwritten: every change keeps what was
    there before, and a removed record can be brought back.
    """


def _open(ctx: click.Context, /, *, write: bool) -> Notebook:
    from wingtone.notebook.store import Notebook

    return Notebook.open(ctx.obj, write=write)


def _one_by_one(
    ctx: click.Context, /, numbers: Sequence[int]
) -> Iterator[tuple[int, contextlib.AbstractContextManager[None]]]:
    """Give each number with a block for it: where several are given, a fault in one is told at once.

    The others are still done, and the exit status is 1 then.
    """
    failed: list[WingtoneError] = []

    @contextlib.contextmanager
    def contained() -> Iterator[None]:
        try:
            yield
        except (RequestError, InputError) as error:
            if len(numbers) == 1:
                raise
            failed.append(error)
            show_error(error)

    for number in numbers:
        yield number, contained()
    if failed:
        ctx.exit(1)


# --- add and change --------------------------------------------------------------------------------------


@notebook.command(
    cls=Command,
    examples=(
        "wingtone notebook add --recording garden.m4a --hint tail=buff",
        'wingtone notebook add --date 20/03/2026 --place "TQ 18 75" --taxon "buff-tailed bumblebee"',
        "wingtone notebook add --date 2026-06-14T10:32+01:00 --place 51.46,-0.30 --hint tail=red",
    ),
)
@field_options
@click.option(
    "--recording",
    "recording_path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A recording of it; its tone is measured and kept.",
)
@fauna_option
@in_notebook
@debug_option
@click.pass_context
def add(
    ctx: click.Context,
    /,
    recording_path: Path | None,
    fauna_folder: Path | None,
    hints: Sequence[str],
    by: str,
    **fields: Any,
) -> None:
    """Add a record: of a recording, of what was seen, or of both.

    Without --taxon the record keeps the name that wingtone would write down, as a hint. With it, the name is
    yours and counts as decided.
    """
    from wingtone.evidence import parse_hints
    from wingtone.fauna import load
    from wingtone.keeping import add_records

    known = {name: value for name, value in fields.items() if value not in (None, (), ("",), "")}
    known["hints"] = parse_hints(hints)
    if known.get("taxon"):
        known |= _named(known["taxon"], fauna_folder)
        known.setdefault("status", "decided")
    if recording_path is None and not known.get("taxon") and not known["hints"]:
        raise click.UsageError("nothing to record: give --recording, --taxon or --hint.")
    records = [_with_sex(record) for record in _answered(recording_path, fauna_folder, known)]
    with _open(ctx, write=True) as opened:
        fauna, given = load(fauna_folder), known.get("place")
        # All, before a word is said.
        added = list(add_records(opened, records, today=dt.date.today(), by=by, fauna=fauna))
        lines = (
            f"record {entry.number} added: {kept_in_a_line(entry.record, given=given)}" for entry, _ in added
        )
        say_done("\n".join(lines))
        if len(added) > 1 and any(known.get(name) for name in ("taxon", "caste", "hints")):
            what = f"{len(added)} bees were told apart in it, and what you gave stands in the record of each"
            warn(
                f"{what} (wingtone notebook remove NUMBER: what you did not see)", where=recording_path or ""
            )
        for _, doubts in added:
            tell(doubts)


def _answered(recording_path: Path | None, fauna_folder: Path | None, known: dict[str, Any]) -> list[Record]:
    """Make records of what is known and of what wingtone makes of it, one for each individual."""
    from wingtone.fauna import load
    from wingtone.notebook.records import Record

    if recording_path is None and known.get("taxon"):
        return [Record(**known)]
    fauna = load(fauna_folder)
    given = given_of(known, fauna=fauna)
    if recording_path is None:
        from wingtone.evidence import identify
        from wingtone.keeping import record_of_answer

        return [record_of_answer(identify(**given), tone=None, fauna=fauna, known=known)]
    from wingtone.clip import identify_measurement, measure_recording

    measurement = measure_recording(recording_path)
    for _, text in measurement.warnings:
        warn(text, where=recording_path)
    answers = identify_measurement(measurement, **given)
    return records_of_measurement(measurement, answers, fauna=fauna, known=known)


def _named(name: str, fauna_folder: Path | None) -> dict[str, str]:
    """Take a name from the fauna; say where it has none, and what must be reported elsewhere at once."""
    from wingtone.fauna import load
    from wingtone.keeping import named

    fauna = load(fauna_folder)
    fields = named(name, fauna)
    if name and not fauna.known_as(name):
        near = fauna.names.nearest(name)
        meant = f"; did you mean {' or '.join(near)}?" if near else ""
        warn(f"{name!r} is not a name in the fauna {fauna.id}; it is kept as it is written{meant}")
    for taxon in fauna.taxa:  # a record in a notebook reaches nobody
        if taxon.taxon == fields["taxon"] and taxon.is_invasive and taxon.advice:
            warn(taxon.advice, where=taxon.vernacular)
    return fields


def _with_sex(record: Record) -> Record:
    from wingtone.notebook.records import sex_of

    return dataclasses.replace(record, sex=sex_of(record.caste) or record.sex)


@notebook.command(
    cls=Command,
    examples=(
        "wingtone notebook amend 12 --status confirmed --identified-by 'B. Verifier'",
        "wingtone notebook amend 12 --hint tail=white --hint collar=",
        "wingtone notebook amend 12 --notes ''",
    ),
)
@click.argument("number", type=int)
@field_options
@in_notebook
@debug_option
@click.pass_context
def amend(ctx: click.Context, /, number: int, hints: Sequence[str], by: str, **fields: Any) -> None:
    """Change record NUMBER; what it was before is kept (see show --history).

    An empty text clears a field; --hint CHARACTER= takes a hint away. A new name counts as decided.
    """
    from wingtone.evidence import parse_hints
    from wingtone.fauna import load
    from wingtone.notebook.doubts import doubts_about

    changes = {name: value for name, value in fields.items() if value not in (None, ())}
    changes |= {name: None for name in ("place", "temperature_c") if changes.get(name) == ""}
    if changes.get("photographs") == ("",):
        changes["photographs"] = ()
    if "taxon" in changes:
        changes |= _named(changes["taxon"], None)
        changes.setdefault("status", "decided" if changes["taxon"] else "hint")
    with _open(ctx, write=True) as opened:
        before = opened.get(number)
        gone = {hint.removesuffix("=").strip() for hint in hints if hint.endswith("=")}
        added = parse_hints([hint for hint in hints if not hint.endswith("=")])

        def with_hints(record: Record) -> dict[str, Any]:
            kept = {c: s for c, s in (dict(record.hints) | added).items() if c not in gone}
            return {"hints": kept} if hints else {}

        if "caste" in changes:
            from wingtone.notebook.records import sex_of

            changes["sex"] = sex_of(changes["caste"])
        if not (changes or hints):
            raise click.UsageError("nothing to change: give what is to be different.")
        entry = opened.amend(number, by=by, change=with_hints, **changes)
        say_done(f"record {number}, version {entry.version}: {in_a_line(entry.record)}")
        today, castes = dt.date.today(), load().castes
        known = doubts_about(before, (), today=today, castes=castes)
        now = doubts_about(entry, (), today=today, castes=castes)
        tell([doubt for doubt in now if doubt not in known])


@notebook.command(cls=Command, examples=("wingtone notebook remove 12", "wingtone notebook remove 12 --undo"))
@click.argument("numbers", type=int, nargs=-1, required=True, metavar="NUMBER...")
@click.option("--undo", is_flag=True, help="Bring removed records back.")
@by_option
@in_notebook
@debug_option
@click.pass_context
def remove(ctx: click.Context, /, numbers: Sequence[int], undo: bool, by: str) -> None:
    """Take records out of lists and exports; they can be brought back."""
    with _open(ctx, write=True) as opened:
        for number, one in _one_by_one(ctx, numbers):
            with one:
                entry = opened.restore(number, by=by) if undo else opened.remove(number, by=by)
                done = "is back" if undo else "removed; bring it back with --undo"
                say_done(f"record {number} {done}: {in_a_line(entry.record)}")


# --- look ------------------------------------------------------------------------------------------------


@notebook.command(
    "list",
    cls=Command,
    examples=(
        "wingtone notebook list",
        "wingtone notebook list --since 2026-03-01 --until 2026-03-31 --taxon 'Bombus terrestris'",
        "wingtone notebook list --near TQ17 --status hint",
        "wingtone notebook list --format json > records.jsonl",
    ),
)
@filter_options
@click.option("--removed", is_flag=True, help="Removed records instead.")
@click.option("--limit", type=WholeRange(1), metavar="N", help="The newest N only.")
@format_option("table", "json", "csv")
@in_notebook
@debug_option
@click.pass_context
def list_command(ctx: click.Context, /, limit: int | None, layout: str, **chosen: Any) -> None:
    """List records, the newest day first."""
    where = chosen_filter(**chosen)
    with _open(ctx, write=False) as opened:
        rows = opened.rows(where, limit=limit)
        if not rows:
            tell_why_none(where)
        if layout == "json":
            for row in rows:
                click.echo(json.dumps(entry_json(opened.get(row.number)), ensure_ascii=False))
            return
    if layout == "csv":
        from wingtone.csv_text import safe_for_spreadsheets
        from wingtone.notebook.store import Row

        cells = ([safe_for_spreadsheets("" if cell is None else str(cell)) for cell in row] for row in rows)
        click.echo(csv_text([Row._fields, *cells]), nl=False)
        return
    click.echo("\n".join(row_lines(rows)))


@notebook.command(
    cls=Command, examples=("wingtone notebook show 12", "wingtone notebook show 12 --history --format json")
)
@click.argument("numbers", type=int, nargs=-1, required=True, metavar="NUMBER...")
@click.option("--history", is_flag=True, help="Every state it had.")
@format_option("table", "json")
@in_notebook
@debug_option
@click.pass_context
def show(ctx: click.Context, /, numbers: Sequence[int], history: bool, layout: str) -> None:
    """Show all that records hold."""
    with _open(ctx, write=False) as opened:
        for number, one in _one_by_one(ctx, numbers):
            with one:
                click.echo("\n".join(_shown(opened, number, history=history, layout=layout)))


def _shown(opened: Notebook, number: int, *, history: bool, layout: str) -> list[str]:
    entry = opened.get(number)
    states = opened.history(number) if history else []
    if layout == "json":
        laid_out = entry_json(entry)
        if history:
            laid_out["history"] = [
                {**dataclasses.asdict(state), "record": record_json(state.record)} for state in states
            ]
        return [json.dumps(laid_out, ensure_ascii=False)]
    lines = [f"record {entry.number}, version {entry.version}{', removed' if entry.removed else ''}"]
    lines += record_lines(entry.record)
    for i, state in enumerate(states):
        by = f" by {one_line(state.by)}" if state.by else ""
        lines.append(f"  version {state.version}, {state.action} {state.at}{by}: {in_a_line(state.record)}")
        lines += changed_lines(states[i - 1].record, state.record) if i else []
    return lines


@notebook.command(
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
    with _open(ctx, write=False) as opened:
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
    if left_out:
        warn(f"{left_out} record{'s are' if left_out > 1 else ' is'} not in it: {why}", where=out)
    click.echo(f"{kind} chart written to {one_line(out)}")


# --- hand on and take in ---------------------------------------------------------------------------------

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


@notebook.command(
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
    with _open(ctx, write=False) as opened:
        check_output(out, inputs=_never_replaced(opened, out))
        entries = _not_rejected(opened, where)
        if layout == "bwf":
            from wingtone.notebook.clips import write_clips

            written = write_clips(entries, out, recordings=clips)
            for number, reason in written.missing:
                warn(reason, where=f"record {number}")
            if not (written.files or written.missing):
                _tell_empty(out, where)
            click.echo(f"{counted(len(written.files), 'clip')} written to {one_line(out)}")
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
            if left_out := sum(not of_record for of_record in rows):
                why = "not decided or confirmed, without a name, or without a flight"
                warn(f"{left_out} record{'s are' if left_out > 1 else ' is'} not in it: {why}", where=out)
            if not rows:
                _tell_empty(out, where)
            click.echo(f"{counted(sum(map(len, rows)), 'label')} written to {one_line(out)}")
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
    click.echo(f"{counted(count, 'record')} written to {one_line(out)}")


def _never_replaced(opened: Notebook, out: Path) -> list[Path]:
    """Give the notebook and the photographs of its records, where there is a file that could be one of them.

    A path without a folder was written in the folder where the command was given, which may be that of the
    notebook.
    """
    if what_is(out) != "file":
        return [opened.path]
    photographs = [Path(path) for path in opened.photographs() if path]
    return [opened.path, *photographs, *(opened.path.parent / path for path in photographs)]


def _tell_empty(out: Path, where: Filter) -> None:
    warn("no record of the notebook is what you asked for, so there is none in it", where=out)
    tell_why_none(where)


def _not_rejected(opened: Notebook, where: Filter) -> Iterator[Entry]:
    for entry in opened.entries(where):
        if entry.record.status != "rejected" or where.status == "rejected":
            yield entry


@notebook.command(
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
    from wingtone.notebook.importing import carry_out, read_plan

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
    if dry_run:
        for i, (_, _, record) in enumerate(plan.records, start=1):
            watch.look(i, record)
        tell(watch.told, to_come=True)
        click.echo(f"{counted(len(plan.records), 'record')} could be imported; nothing was done")
        return
    with _open(ctx, write=True) as opened:
        done = carry_out(plan, opened, by=by)
    for number, (_, _, record) in zip(done.numbers, plan.records, strict=True):
        if number is not None:
            watch.look(number, record)
    known = f", {done.known} {'was' if done.known == 1 else 'were'} there already" if done.known else ""
    say_done(f"{counted(done.added, 'record')} imported{known}")
    for told in (removed_records(done.removed), alike_records(done.alike)):
        if told:
            warn(told, where=table)
    tell(watch.told)


# --- care ------------------------------------------------------------------------------------------------


@notebook.command(cls=Command, examples=("wingtone notebook check",))
@in_notebook
@debug_option
@click.pass_context
def check(ctx: click.Context, /) -> None:
    """Look through the whole notebook for damage."""
    from wingtone.notebook.database import rescue_remedy

    with _open(ctx, write=False) as opened:
        faults = opened.check()
        if faults:
            for fault in faults:
                click.echo(f"wingtone: {one_line(f'{opened.path}: {fault}')}", err=True)
            raise InputError(
                "this notebook is damaged; nothing was changed",
                remedy=rescue_remedy(opened.path),
                where=opened.path,
            )
        click.echo(f"{counted(opened.count(), 'record')}, all sound")


@notebook.command(
    cls=Command, examples=("wingtone notebook --notebook damaged.sqlite rescue --out saved.sqlite",)
)
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, metavar="FILE", help="The new notebook."
)
@in_notebook
@debug_option
@click.pass_context
def rescue(ctx: click.Context, /, out: Path) -> None:
    """Save what can be read of a damaged notebook into a new one; the damaged file is not touched."""
    from wingtone.notebook.rescue import rescue as save
    from wingtone.notebook.store import default_path

    damaged = ctx.obj or default_path()
    check_output(out, inputs=(damaged,))
    saved = save(damaged, out)
    what = f"{counted(saved.records, 'record')} with {counted(saved.versions, 'state')}"
    click.echo(f"{what} saved to {one_line(out)}")
    if saved.older:
        numbers = ", ".join(map(str, saved.older))
        warn(f"the newest state of these was lost, an earlier one stands for it: {numbers}", where=out)
    if saved.unreadable:
        warn(f"{counted(saved.unreadable, 'state')} could not be read", where=out)
