"""``wingtone notebook``: keep records, find them again, look after them.

Drawing, handing on and taking in are in `wingtone.cli.notebook_exchange`.
"""

from __future__ import annotations

import contextlib
import dataclasses
import datetime as dt
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wingtone.cli.command import Command, Group
from wingtone.cli.faults import debug_option, warn
from wingtone.cli.faults import show as show_error
from wingtone.cli.keeping import given_of, kept_in_a_line, records_of_measurement, tell
from wingtone.cli.notebook_exchange import chart, export, import_command
from wingtone.cli.notebook_options import (
    chosen_filter,
    field_options,
    filter_options,
    in_notebook,
    open_notebook,
    tell_why_none,
)
from wingtone.cli.notebook_reports import (
    changed_lines,
    entry_json,
    in_a_line,
    record_json,
    record_lines,
    row_lines,
)
from wingtone.cli.options import WholeRange, by_option, fauna_option, format_option
from wingtone.cli.outputs import check_output
from wingtone.cli.process import say_done
from wingtone.cli.tables import csv_text
from wingtone.errors import InputError, RequestError, WingtoneError, how_many, one_line

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from wingtone.notebook.records import Record
    from wingtone.notebook.store import Notebook

__all__ = ["notebook"]


@click.group(
    "notebook",
    cls=Group,
    examples=(
        "wingtone notebook add --recording garden.m4a --hint tail=buff",
        'wingtone notebook add --date 2026-03-20 --place "TQ 18 75" --taxon "Bombus terrestris"',
        "wingtone notebook list --since 2026-03-01",
        "wingtone notebook amend 12 --taxon 'Bombus lucorum' --status confirmed",
        "wingtone notebook export --format darwin-core --out bees.zip --blur 2",
        "wingtone notebook import old_records.csv --dry-run",
    ),
)
@in_notebook
@debug_option
def notebook() -> None:
    """Keep records of bees: what, when, where, who, and how it is known.

    A notebook is one file on your own machine. Nothing in it is ever overwritten: every change keeps what was
    there before, and a removed record can be brought back.
    """


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
    with open_notebook(ctx, write=True) as opened:
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
    from wingtone.keeping import named, to_report

    fauna = load(fauna_folder)
    fields = named(name, fauna)
    if name and not fauna.known_as(name):
        near = fauna.names.nearest(name)
        meant = f"; did you mean {' or '.join(near)}?" if near else ""
        warn(f"{name!r} is not a name in the fauna {fauna.id}; it is kept as it is written{meant}")
    if advice := to_report(fields["taxon"], fauna):
        warn(advice, where=fields["vernacular"])
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
@click.argument("number", type=WholeRange())
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
    with open_notebook(ctx, write=True) as opened:
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
@click.argument("numbers", type=WholeRange(), nargs=-1, required=True, metavar="NUMBER...")
@click.option("--undo", is_flag=True, help="Bring removed records back.")
@by_option
@in_notebook
@debug_option
@click.pass_context
def remove(ctx: click.Context, /, numbers: Sequence[int], undo: bool, by: str) -> None:
    """Take records out of lists and exports; they can be brought back."""
    with open_notebook(ctx, write=True) as opened:
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
    with open_notebook(ctx, write=False) as opened:
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
@click.argument("numbers", type=WholeRange(), nargs=-1, required=True, metavar="NUMBER...")
@click.option("--history", is_flag=True, help="Every state it had.")
@format_option("table", "json")
@in_notebook
@debug_option
@click.pass_context
def show(ctx: click.Context, /, numbers: Sequence[int], history: bool, layout: str) -> None:
    """Show all that records hold."""
    with open_notebook(ctx, write=False) as opened:
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


# --- care ------------------------------------------------------------------------------------------------


@notebook.command(cls=Command, examples=("wingtone notebook check",))
@in_notebook
@debug_option
@click.pass_context
def check(ctx: click.Context, /) -> None:
    """Look through the whole notebook for damage, and say where it lies."""
    from wingtone.notebook.database import rescue_remedy

    with open_notebook(ctx, write=False) as opened:
        faults = opened.check()
        if faults:
            for fault in faults:
                click.echo(f"wingtone: {one_line(f'{opened.path}: {fault}')}", err=True)
            raise InputError(
                "this notebook is damaged; nothing was changed",
                remedy=rescue_remedy(opened.path),
                where=opened.path,
            )
        click.echo(f"{one_line(opened.path)}: {how_many(opened.count(), 'record')}, all sound")


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
    what = f"{how_many(saved.records, 'record')} with {how_many(saved.versions, 'state')}"
    click.echo(f"{what} saved to {one_line(out)}")
    if saved.older:
        numbers = ", ".join(map(str, saved.older))
        warn(f"the newest state of these was lost, an earlier one stands for it: {numbers}", where=out)
    if saved.unreadable:
        warn(f"{how_many(saved.unreadable, 'state')} could not be read", where=out)


for _command in (chart, export, import_command):
    notebook.add_command(_command)
