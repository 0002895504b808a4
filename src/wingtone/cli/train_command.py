"""``wingtone train``: fit the classifier on the user's own labelled clips."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from wingtone.cli.assess_command import assessed_lines, gathered, show_notes
from wingtone.cli.command import Command
from wingtone.cli.faults import debug_option, show, warn
from wingtone.cli.options import figure_option, format_option
from wingtone.cli.outputs import check_figure, check_output
from wingtone.cli.tables import columns, paragraph, tell
from wingtone.errors import OutputError, how_many
from wingtone.learn.kinds import KINDS

if TYPE_CHECKING:
    from wingtone.learn.labels import Labels, Target

__all__ = ["train"]


@click.command(
    cls=Command,
    examples=(
        "wingtone train labels.csv --check",
        "wingtone train labels.csv --out garden.wingtone",
        "wingtone train labels.csv --out garden.wingtone --figure garden.png",
        "wingtone train labels.csv --out garden.wingtone --kind discriminant",
    ),
    epilog="Columns of LABELS: file, start_s, end_s, caste, taxon, individual, site, date, recorder, "
    "temperature_c. Only file and one of caste and taxon must be there; naming the individual makes the "
    "figures honest.",
)
@click.argument("labels", type=click.Path(path_type=Path), metavar="LABELS")
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="MODEL",
    help="Where to write the model.",
)
@click.option("--check", is_flag=True, help="Only look at the labels; nothing is measured or written.")
@click.option(
    "--target",
    type=click.Choice(("caste", "taxon")),
    help="What to tell apart; without it what differs, and the caste where both do and every row has one. "
    "wingtone identify --model uses castes, and taxa that its fauna knows.",
)
@click.option(
    "--kind",
    type=click.Choice(KINDS),
    default=KINDS[0],
    show_default=True,
    help="Which classifier; logistic is the best choice for a few hundred bouts.",
)
@click.option(
    "--class-weight",
    type=click.Choice(("balanced", "as-counted")),
    default="balanced",
    show_default=True,
    help="Whether every class counts the same, or as often as it occurs.",
)
@click.option(
    "--name", default="", metavar="NAME", help="Short name of the model; without it that of the file."
)
@figure_option("Draw how good it is on one page")
@format_option("table", "json")
@debug_option
def train(
    labels: Path,
    out: Path | None,
    check: bool,
    target: Target | None,
    kind: str,
    class_weight: str,
    name: str,
    figure: Path | None,
    layout: str,
) -> None:
    """Fit a classifier on the recordings named in LABELS, a CSV table, and say how good it is.

    How good it is is found on bees it has not heard: clips of one animal, or of one day at a place, are
    never on both sides. The model file is plain data. Labels too few for an honest answer are refused.
    """
    from wingtone.learn.labels import read_labels

    if not check and out is None:
        raise click.UsageError("say where to write the model with --out, or only look with --check.")
    if check and layout == "json":
        raise click.UsageError("--check tells what it sees in words; leave --format json out.")
    if figure is not None:
        check_figure(figure, inputs=(labels,))
    table = read_labels(labels)
    if check:
        _look(table, target)
        return
    from wingtone.learn.model_file import save_model
    from wingtone.learn.training import check_extras
    from wingtone.learn.training import train as fit_and_assess

    assert out is not None
    # What would fail in the end is found out before the recordings are measured.
    check_extras(kind)
    check_output(out, inputs=(labels,))
    if not out.parent.is_dir():
        raise OutputError("there is no such folder", remedy="make it first", where=out.parent)
    dataset, failed = gathered(table, target)
    show_notes(dataset.notes)
    model = fit_and_assess(
        dataset,
        kind=kind,
        class_weight=None if class_weight == "as-counted" else class_weight,
        name=name or out.stem,
        progress=lambda share: tell(f"assessing: {100 * share:.0f} %" if share < 1 else ""),
    )
    save_model(model, out)
    for line in assessed_lines(model.assessment, model.classes, layout=layout, model=model.name):
        click.echo(line)
    if figure is not None:  # last, as the words do not depend on it
        from wingtone.figures.assessment import draw_assessment

        draw_assessment(model.assessment, model.classes, title=model.name, out=figure)
    if failed:
        click.get_current_context().exit(1)


def _look(table: Labels, target: Target | None) -> None:
    """Say what the labels hold and whether it is enough; open every recording, measure none."""
    from wingtone.audio import open_recording
    from wingtone.errors import RecordingError
    from wingtone.learn.assessment import COUNTED_AS, FEW_GROUPS, LEAST_GROUPS
    from wingtone.learn.labels import behind_the_end, counts, groups_of

    chosen = target or table.target()
    failed = False
    length_s = {}
    for path in table.files:
        try:
            with open_recording(path) as recording:
                length_s[path] = recording.declared_s or math.inf
        except RecordingError as error:
            failed = True
            show(error)
    if late := behind_the_end(table.rows, length_s):
        warn(late, where=table.path)
    rows = [row for row in table.rows if row.named(chosen)]
    grouping = groups_of(rows)
    classes = counts(table.rows, chosen)
    kept_apart = COUNTED_AS[grouping.rests_on]
    rows_and_files = f"{how_many(len(table.rows), 'row')}, {how_many(len(table.files), 'recording')}"
    for line in paragraph(f"{rows_and_files}; kept apart by {kept_apart}."):
        click.echo(line)
    cells = [[name, str(n), str(groups), _enough(groups)] for name, (n, groups) in classes.items()]
    for line in columns(cells, align="lrrl", headings=(chosen, "rows", "groups", "")):
        click.echo(line)
    if grouping.without_individual:
        few = grouping.without_individual
        what = (
            f"{few} {'row does' if few == 1 else 'rows do'} not name the individual. Name it where you can: "
            "else the same animal may be on both sides of the test."
        )
        for line in paragraph(what):
            click.echo(line)
    if len(classes) < 2:
        click.echo("  There is only one class: nothing to tell apart.")
    if table.ignored:
        for line in paragraph(f"Columns that mean nothing here: {', '.join(table.ignored)}"):
            click.echo(line)
    need = f"Each class needs {LEAST_GROUPS} groups at least, and {FEW_GROUPS} or more for a steady figure."
    for line in paragraph(need):
        click.echo(line)
    if failed:
        click.get_current_context().exit(1)


def _enough(groups: int) -> str:
    from wingtone.learn.assessment import FEW_GROUPS, LEAST_GROUPS

    if groups < LEAST_GROUPS:
        return "too few: would be refused"
    return "few" if groups < FEW_GROUPS else "enough"
