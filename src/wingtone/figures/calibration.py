"""Are the stated probabilities true? Reliability curves, coverage and warnings of a calibration benchmark.

- `draw_calibration`: draw it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from wingtone.figures.style import (
    BARK,
    BLUE,
    GREEN,
    ORANGE,
    PAPER,
    PURPLE,
    VERMILION,
    check_target,
    new_figure,
    save_figure,
)

if TYPE_CHECKING:
    import os
    from collections.abc import Mapping

    from wingtone.evidence.calibration import Reliability

__all__ = ["draw_calibration"]

LEVEL = 0.9
"""Level of the credible set, drawn as a line."""

COLOURS = (BARK, BLUE, VERMILION, GREEN, PURPLE, ORANGE)
"""One colour a world."""


def draw_calibration(
    curves: Mapping[str, Reliability],
    *,
    coverage: Mapping[str, float],
    warned: Mapping[str, float],
    out: str | os.PathLike[str],
) -> None:
    """Draw reliability curves, coverage of the 90 % set and share of warned cases, one colour a world.

    Parameters
    ----------
    curves
        Reliability by name of the world the bees were drawn from; the first is drawn boldest. Empty bins
        (NaN) are left out.
    coverage, warned
        Shares 0-1 by the same names.
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
    figure = new_figure(10, 4.4)
    left, right = figure.subplots(1, 2, gridspec_kw={"width_ratios": [1, 1.1]})
    left.plot([0, 1], [0, 1], color="0.6", linewidth=1)
    for number, (name, curve) in enumerate(curves.items()):
        left.plot(
            curve.stated,
            curve.observed,
            color=COLOURS[number % len(COLOURS)],
            marker="o",
            markersize=4,
            linewidth=2.4 if number == 0 else 1.2,
            label=name,
        )
    left.set(xlabel="probability stated for a taxon", ylabel="share that came true", xlim=(0, 1), ylim=(0, 1))
    left.set_aspect("equal")
    left.legend(fontsize=8, frameon=False)

    rows = range(len(curves))
    colours = [COLOURS[row % len(COLOURS)] for row in rows]
    right.barh([row - 0.2 for row in rows], [coverage[name] for name in curves], height=0.36, color=colours)
    right.barh(
        [row + 0.2 for row in rows],
        [warned[name] for name in curves],
        height=0.36,
        color="none",
        edgecolor=colours,
        hatch="////",
    )
    right.axvline(LEVEL, color=BARK, linestyle=":", linewidth=1)
    right.set_yticks(list(rows), list(curves), fontsize=8)
    right.invert_yaxis()
    right.set(xlim=(0, 1), xlabel="share of bees: in the 90 % set (filled),\nwarned of a misfit (hatched)")
    for axes in (left, right):
        axes.set_facecolor(PAPER)
        axes.spines[["top", "right"]].set_visible(False)

    save_figure(figure, out)
