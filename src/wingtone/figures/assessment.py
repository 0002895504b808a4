"""How good a classifier is, on one page: reliability, confusion, learning curve, and what it has to beat.

- `draw_assessment`: draw it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from wingtone.figures.style import BARK, BLUE, PAPER, VERMILION, check_target, new_figure, save_figure

if TYPE_CHECKING:
    import os

    from wingtone.learn.assessment import Assessment

__all__ = ["draw_assessment"]


def draw_assessment(
    assessment: Assessment, classes: tuple[str, ...], *, title: str, out: str | os.PathLike[str]
) -> None:
    """Draw an assessment.

    Parameters
    ----------
    classes
        Names of the rows and columns of the confusion table.
    title
        Name of the model.
    out
        The figure: PNG, SVG or PDF by its ending. An existing file is replaced when the new one is whole.

    Raises
    ------
    RequestError, MissingExtraError
        See `wingtone.figures.style.check_target`.
    OutputError
        The figure cannot be written.
    """
    check_target(out)
    figure = new_figure(10, 8)
    (scores, table), (reliability, curve) = figure.subplots(2, 2)
    how = "cross-validation" if assessment.of == "cross-validation" else "other recordings"
    figure.suptitle(
        f"{title}: {assessment.n_bouts} bouts, {assessment.n_groups} groups ({assessment.grouped_by}), {how}",
        color=BARK,
        parse_math=False,
    )
    _draw_scores(scores, assessment)
    _draw_confusion(table, assessment, classes)
    _draw_reliability(reliability, assessment)
    _draw_curve(curve, assessment)
    for axes in (scores, reliability, curve):
        axes.set_facecolor(PAPER)
        axes.spines[["top", "right"]].set_visible(False)

    save_figure(figure, out)


def _draw_scores(axes: Any, assessment: Assessment) -> None:
    """Draw balanced accuracy beside its baselines, each with its interval."""
    rows = [("this model", assessment.measures["balanced_accuracy"], BLUE)]
    rows += [(name, score, "0.45") for name, score in assessment.baselines.items()]
    if assessment.ungrouped is not None:
        rows.append(("same bees on both sides", assessment.ungrouped, VERMILION))
    for place, (_, score, colour) in enumerate(rows):
        axes.plot([score.low, score.high], [place, place], color=colour, linewidth=2)
        axes.plot(score.value, place, "o", color=colour, markersize=7)
    axes.set_yticks(range(len(rows)), [name for name, _, _ in rows])
    axes.invert_yaxis()
    axes.set(xlim=(0, 1.02), xlabel="balanced accuracy, 95 % interval over groups")


def _draw_confusion(axes: Any, assessment: Assessment, classes: tuple[str, ...]) -> None:
    """Draw the shares of each true class as shades, with the counts in words."""
    counts = np.array(assessment.confusion, dtype=float)
    share = counts / np.maximum(counts.sum(axis=1, keepdims=True), 1.0)
    axes.imshow(share, cmap="Blues", vmin=0, vmax=1)
    for row in range(len(classes)):
        for column in range(len(classes)):
            colour = "white" if share[row, column] > 0.6 else BARK
            text = f"{counts[row, column]:.0f}"
            axes.text(column, row, text, ha="center", va="center", color=colour)
    places = range(len(classes))
    slanted = {"rotation": 30, "ha": "right", "rotation_mode": "anchor"}
    axes.set_xticks(places, classes, parse_math=False, **slanted)
    axes.set_yticks(places, classes, parse_math=False)
    axes.set(xlabel="called", ylabel="true")


def _draw_reliability(axes: Any, assessment: Assessment) -> None:
    axes.plot([0, 1], [0, 1], color="0.6", linewidth=1)
    stated, observed, weight = np.array(assessment.reliability).T
    axes.plot(stated, observed, color=BLUE, linewidth=1)
    axes.scatter(stated, observed, s=20 + 400 * weight, color=BLUE, clip_on=False)
    error, chance = (assessment.measures[f"calibration_error{by}"].value for by in ("", "_by_chance"))
    axes.set(
        xlim=(0, 1.02),
        ylim=(0, 1.02),
        xlabel="probability stated for the likeliest class",
        ylabel="share that was right",
    )
    axes.set_title(f"calibration error {error:.3f}, by chance {chance:.3f}", fontsize=10, color=BARK)
    axes.set_aspect("equal")


def _draw_curve(axes: Any, assessment: Assessment) -> None:
    if not assessment.learning_curve:
        axes.set_axis_off()
        axes.text(0.5, 0.5, "a learning curve comes with training", ha="center", transform=axes.transAxes)
        return
    axes.set(ylim=(0, 1.02), ylabel="balanced accuracy", xlabel="groups learnt from")
    axes.axhline(1 / max(len(assessment.confusion), 1), color="0.6", linestyle=":", linewidth=1)
    n, mean, low, high = np.array(assessment.learning_curve).T
    axes.fill_between(n, low, high, color=BLUE, alpha=0.2, linewidth=0)
    axes.plot(n, mean, "o-", color=BLUE)
    axes.set_xlim(0, n.max() * 1.05)
