"""``wingtone assess``: how good a model is on recordings it was not trained on."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import click

from wingtone.cli.command import Command
from wingtone.cli.faults import debug_option, show, warn
from wingtone.cli.options import figure_option, format_option
from wingtone.cli.outputs import check_figure
from wingtone.cli.tables import columns, paragraph, tell
from wingtone.errors import one_line

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wingtone.errors import RecordingError
    from wingtone.learn.assessment import Assessment
    from wingtone.learn.dataset import Dataset
    from wingtone.learn.labels import Labels, Target
    from wingtone.learn.scores import Interval

__all__ = ["assess", "assessed_lines", "gathered", "show_notes"]

SCHEMA = "wingtone/assess/1"
MOST_FEATURES = 8
"""Ours: what fits on a screen; JSON has all."""


@click.command(
    cls=Command,
    examples=(
        "wingtone assess garden.wingtone other_labels.csv",
        "wingtone assess garden.wingtone other_labels.csv --format json",
        "wingtone assess garden.wingtone other_labels.csv --figure garden.png",
    ),
)
@click.argument("model", type=click.Path(path_type=Path), metavar="MODEL")
@click.argument("labels", type=click.Path(path_type=Path), metavar="LABELS")
@figure_option("Draw the figures on one page")
@format_option("table", "json")
@debug_option
def assess(model: Path, labels: Path, figure: Path | None, layout: str) -> None:
    """Say how good MODEL is on the recordings named in LABELS, bees it has not heard.

    Recordings that the model was trained on are left out. Besides how often it is right, this says
    whether its probabilities can still be believed.
    """
    from wingtone.learn.labels import read_labels
    from wingtone.learn.model_file import load_model

    if figure is not None:
        check_figure(figure, inputs=(model, labels))
    loaded = load_model(model)
    table = read_labels(labels)
    if loaded.notice:
        warn(loaded.notice, where=model)
    from wingtone.learn.training import assess as judge

    dataset, failed = gathered(
        table,
        cast("Target", loaded.target),
        leave_out=frozenset(loaded.training["recordings_sha256"]),
    )
    show_notes(dataset.notes)
    assessment = judge(loaded, dataset)
    for line in assessed_lines(assessment, loaded.classes, layout=layout, model=loaded.name):
        click.echo(line)
    if figure is not None:  # last, as the words do not depend on it
        from wingtone.figures.assessment import draw_assessment

        draw_assessment(assessment, loaded.classes, title=loaded.name, out=figure)
    if failed:
        click.get_current_context().exit(1)


def gathered(
    table: Labels, target: Target | None, *, leave_out: frozenset[str] = frozenset()
) -> tuple[Dataset, list[RecordingError]]:
    """Measure the labelled recordings; those that cannot be used are told on stderr and given back."""
    from wingtone.learn.dataset import collect

    def progress(path: Path, number: int) -> None:
        tell(f"{number + 1} of {len(table.files)}: {one_line(path.name)}")

    dataset, failed = collect(table, target=target, progress=progress, leave_out=leave_out)
    tell("")
    for error in failed:
        show(error)
    return dataset, failed


def show_notes(notes: Sequence[str]) -> None:
    """Say on stderr what was left out."""
    for note in notes:
        warn(note)


def assessed_lines(assessment: Assessment, classes: tuple[str, ...], *, layout: str, model: str) -> list[str]:
    """Lay an assessment out for reading or as one JSON object."""
    if layout == "json":
        laid_out: dict[str, Any] = {"schema": SCHEMA, "model": model, **assessment.to_json()}
        laid_out["classes"] = list(classes)
        laid_out["warnings"] = [{"code": code, "text": text} for code, text in assessment.warnings]
        return [json.dumps(laid_out, ensure_ascii=False, allow_nan=False)]
    from wingtone.learn.assessment import COUNTED_AS

    by = COUNTED_AS[assessment.grouped_by]
    how = (
        "on bees it has not heard, by cross-validation"
        if assessment.of == "cross-validation"
        else "on the recordings given"
    )
    lines = [f"{model}: {how}"]
    lines += paragraph(f"{assessment.n_bouts} bouts of {assessment.n_groups} {by}, which were kept apart.")
    lines += ["", *_scores(assessment)]
    lines += ["", "What they were (rows), and what the model called them:"]
    cells = [
        [name, *(str(n) for n in row)]
        for name, row in zip(classes, assessment.confusion, strict=True)
        if sum(row)
    ]
    lines += columns(cells, align="l" + "r" * len(classes), headings=("", *classes))
    if assessment.learning_curve:
        lines += ["", f"Balanced accuracy by how many {by} it learnt from (lowest and highest fold):"]
        points = [
            [str(n), _percent(mean), f"{_percent(low)} to {_percent(high)}"]
            for n, mean, low, high in assessment.learning_curve
        ]
        lines += columns(points, align="rrl")
    if assessment.importance:
        lines += ["", "What it lives on (points lost when this is shuffled):"]
        useful = [(name, loss) for name, loss in assessment.importance if loss > 0.0005][:MOST_FEATURES]
        lines += columns([[name, f"{100 * loss:.1f}"] for name, loss in useful], align="lr")
    for _, text in assessment.warnings:
        lines += paragraph(text, label="! ")
    return lines


def _scores(assessment: Assessment) -> list[str]:
    measures = assessment.measures
    cells = [["balanced accuracy", *_shares(measures["balanced_accuracy"])]]
    for name, score in assessment.baselines.items():
        cells.append([f"  {name}", *_shares(score)])
    if assessment.ungrouped is not None:
        cells.append(["  if the same bees were on both sides", *_shares(assessment.ungrouped)])
    cells.append(["accuracy", *_shares(measures["accuracy"])])
    for key, title in (
        ("log_loss", "log loss, nats"),
        ("brier", "Brier score (0 best, 2 worst)"),
        ("calibration_error", "calibration error"),
        ("calibration_error_by_chance", "  by chance alone"),
    ):
        cells.append([title, *_figures(measures[key])])
    if assessment.temperature is not None:
        cells.append(["softening that would fit (1 = calibrated)", *_figures(assessment.temperature)])
    return columns(cells, align="lrl", headings=("", "", "95 % interval"))


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _shares(score: Interval) -> list[str]:
    return [_percent(score.value), f"{_percent(score.low)} to {_percent(score.high)}"]


def _figures(score: Interval) -> list[str]:
    return [f"{score.value:.3f}", f"{score.low:.3f} to {score.high:.3f}"]
