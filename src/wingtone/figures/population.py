"""A population at a glance: tones, sizes, castes through the season, and groups compared.

Panels, as far as there is something to draw: the tones as histogram and density with the groups that were
told apart; the sizes; the share of workers through the season with every bee at its day; groups with their
intervals; bees an hour. Whatever is told by colour (Okabe and Ito's, for any colour vision) is told by line,
hatch or place too.

- `draw_population`: draw it.
"""

from __future__ import annotations

import datetime as dt
import math
import textwrap
from typing import TYPE_CHECKING

import numpy as np

from wingtone.errors import InputError, how_many
from wingtone.figures.style import BARK, BLUE, HONEY, LINE, ORANGE, check_target, new_figure, save_figure

if TYPE_CHECKING:
    import os
    from collections.abc import Callable

    from matplotlib.axes import Axes

    from wingtone.population import Sizes

__all__ = ["draw_population"]

LOWER, UPPER, BAND = BLUE, ORANGE, "#cfd8dc"
LOWER_STYLE, UPPER_STYLE = "-", "--"
MOST_GROUPS = 24
"""Groups that can be read in one panel; more are left to the table."""
FEW_GROUPS = 8
NAME_WIDTH = 24
"""Up to so many groups names may have several lines, each of so many letters at most. Ours: what leaves the
panels most of their width."""


def draw_population(sizes: Sizes, out: str | os.PathLike[str]) -> None:
    """Draw all that was found.

    Parameters
    ----------
    sizes
        From `wingtone.population.sizes`.
    out
        The figure: PNG, SVG or PDF by its ending. An existing file is replaced when the new one is whole.

    Raises
    ------
    RequestError, MissingExtraError
        See `wingtone.figures.style.check_target`.
    InputError
        There is no bee to draw.
    OutputError
        The figure cannot be written.
    """
    check_target(out)
    if sizes.tone is None:
        raise InputError("there is no bee to draw", remedy="see the summary for why", where=out)
    panels: list[Callable[[Axes, Sizes], None]] = [_tones]
    if sizes.thorax is not None:
        panels.append(_sizes)
    if sizes.changeover is not None and sizes.changeover.curve:
        panels.append(_season)
    if sizes.comparison is not None and 0 < len(sizes.comparison.groups) <= MOST_GROUPS:
        panels.append(_groups)
    if sizes.activity is not None and any(rate.by == "hour" for rate in sizes.activity.rates):
        panels.append(_hours)
    rows = math.ceil(len(panels) / 2)
    figure = new_figure(5.2 * min(len(panels), 2), 0.5 + 3.5 * rows, dpi=150)
    every = figure.subplots(rows, min(len(panels), 2), squeeze=False).ravel()
    for letter, axes, panel in zip("abcde", every, panels, strict=False):
        _plain(axes)
        panel(axes, sizes)
        title = axes.get_title()
        axes.set_title("")
        axes.set_title(f"{letter}  {title}", loc="left", fontsize=10, color=BARK)
    for axes in every[len(panels) :]:
        axes.set_axis_off()
    bees, bouts = how_many(len(sizes.individuals), "bee"), how_many(sizes.selection.n_used, "bout")
    figure.suptitle(f"{bees} from {bouts}", fontsize=12, color=BARK)
    save_figure(figure, out)


def _plain(axes: Axes) -> None:
    axes.set_facecolor("white")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(LINE)
    axes.tick_params(labelsize=8, colors=BARK)


def _label(axes: Axes, title: str, x: str, y: str) -> None:
    axes.set_title(title)
    axes.set_xlabel(x, fontsize=9, color=BARK)
    axes.set_ylabel(y, fontsize=9, color=BARK)


def _tones(axes: Axes, sizes: Sizes) -> None:
    assert sizes.tone is not None
    histogram, density = sizes.tone.histogram, sizes.tone.density
    edges = np.array(histogram.edges)
    scale = sum(histogram.counts) * float(edges[1] - edges[0])
    axes.stairs(histogram.counts, edges, fill=True, color=HONEY, alpha=0.35, linewidth=0)
    axes.stairs(histogram.counts, edges, color=LINE, linewidth=0.8)
    if density.at:
        axes.plot(density.at, np.array(density.density) * scale, color=BARK, linewidth=1.2, label="density")
    top = float(max(histogram.counts))
    castes = sizes.castes
    if castes is not None and castes.answer == "two groups":
        x = np.linspace(edges[0] * 0.9, edges[-1] * 1.1, 300)
        looks = ((LOWER, LOWER_STYLE), (UPPER, UPPER_STYLE))
        for group, (colour, style) in zip(castes.groups, looks, strict=True):
            sd = group.sd_hz / group.tone_hz
            bell = np.exp(-0.5 * (np.log(x / group.tone_hz) / sd) ** 2) / (x * sd * math.sqrt(2 * math.pi))
            label = (
                f"{group.name}: {100 * group.share:.0f} % ({100 * group.low:.0f}-{100 * group.high:.0f} %)"
            )
            top = max(top, group.share * scale * float(bell.max()))
            axes.plot(x, group.share * scale * bell, style, color=colour, linewidth=1.8, label=label)
    middle = next(q for q in sizes.tone.quantiles if q.probability == 0.5)
    half = f"half of them below {middle.value:.0f} Hz"
    axes.axvline(middle.value, ymax=0.75, color=BARK, linewidth=0.8, linestyle=":", label=half)
    title = "Tones"
    if castes is not None and castes.answer == "cannot be separated":
        title += " (castes cannot be separated)"
    _label(axes, title, "wingbeat frequency (Hz)", "bees")
    axes.set_ylim(0, 1.35 * top)
    axes.legend(fontsize=7, frameon=False, loc="upper right")


def _sizes(axes: Axes, sizes: Sizes) -> None:
    assert sizes.thorax is not None
    at, height = np.array(sizes.thorax.at_mm), np.array(sizes.thorax.density)
    axes.fill_between(at, height, color=HONEY, alpha=0.35, linewidth=0)
    axes.plot(at, height, color=BARK, linewidth=1.4)
    top = float(height.max())
    shown = at[height > 0.002 * top]
    beside_mm = 0.04 * (shown[-1] - shown[0])  # half of what a label is wide: it stands clear of the line
    for quantile in sizes.thorax.quantiles:
        y = float(np.interp(quantile.value, at, height))
        axes.plot([quantile.value] * 2, [0, y], color=LINE, linewidth=1)
        below = float(np.max(height, where=abs(at - quantile.value) < beside_mm, initial=y))
        axes.annotate(
            f"{100 * quantile.probability:.0f} %",
            (quantile.value, below + 0.02 * top),
            ha="center",
            fontsize=7,
            color=BARK,
        )
    axes.set_ylim(0, 1.15 * top)
    axes.set_xlim(float(shown[0]), float(shown[-1]))
    off = 100 * (sizes.thorax.line_factor - 1)
    _label(axes, f"Sizes (all may be off by {off:.0f} %)", "intertegular distance (mm)", "density (1/mm)")


def _season(axes: Axes, sizes: Sizes) -> None:
    change = sizes.changeover
    assert change is not None
    day = np.array([point.day_of_year for point in change.curve])
    axes.fill_between(
        day,
        [p.low for p in change.curve],
        [p.high for p in change.curve],
        color=BAND,
        linewidth=0,
        label="95 %",
    )
    axes.plot(day, [p.share for p in change.curve], color=BARK, linewidth=1.6)
    first, last = float(day[0]), float(day[-1])
    for bee, lower in zip(sizes.individuals, sizes.lower_probability, strict=True):
        if bee.day is not None and lower is not None:
            x = bee.day.timetuple().tm_yday
            if first <= x <= last:
                axes.plot(
                    x, 1 - lower, "o", markersize=2.5, color=UPPER, markeredgecolor=BARK, markeredgewidth=0.3
                )
    if change.found:
        axes.axvline(change.day_of_year, color=LOWER, linewidth=1.2)
        axes.axvspan(change.low, change.high, color=LOWER, alpha=0.12, linewidth=0)
    starts = [dt.date(2025, month, 1) for month in range(1, 13)]
    marks = [(d.timetuple().tm_yday, f"{d.day} {d:%b}") for d in starts]
    marks = [mark for mark in marks if first <= mark[0] <= last]
    if len(marks) < 2:
        marks = [
            (x, f"{(d := dt.date(2025, 1, 1) + dt.timedelta(days=x - 1)).day} {d:%b}")
            for x in (round(first), round((first + last) / 2), round(last))
        ]
    axes.set_xticks([mark[0] for mark in marks], [mark[1] for mark in marks])
    upper = sizes.castes.groups[1].name if sizes.castes is not None and sizes.castes.groups else "workers"
    title = "Through the season" if change.found else "Through the season (no clear changeover)"
    _label(axes, title, "", f"share of {upper}")
    axes.set_ylim(-0.03, 1.03)


def _groups(axes: Axes, sizes: Sizes) -> None:
    assert sizes.comparison is not None
    groups = sizes.comparison.groups
    for i, group in enumerate(groups):
        tones = sorted(bee.tone_hz for bee in sizes.individuals if bee.group == group.name)
        # bees beside each other in a fixed zigzag, so that the figure is the same each time
        shift = [0.12 * ((k * 0.618034) % 1 - 0.5) * 2 for k in range(len(tones))]
        axes.plot(tones, i - 0.22 + np.array(shift), ".", color=HONEY, markersize=3, alpha=0.7)
        if not math.isnan(group.low_hz):
            axes.plot([group.low_hz, group.high_hz], [i + 0.15] * 2, color=LOWER, linewidth=2)
        axes.plot(group.mean_hz, i + 0.15, "o", color=LOWER, markersize=5)
    names = [f"{_in_lines(g.name, many=len(groups) > FEW_GROUPS)} ({g.n})" for g in groups]
    axes.set_yticks(range(len(groups)), names, parse_math=False)
    axes.set_ylim(len(groups) - 0.5, -0.6)
    _label(axes, "Groups: bees, and mean with 95 % interval", "wingbeat frequency (Hz)", "")


def _in_lines(name: str, *, many: bool) -> str:
    """Break a long name into lines, one where there are many groups; out of the middle goes what is too much.

    Else the names take the room that the panels need: a folder's may be as long as a path can be.
    """
    room = NAME_WIDTH if many else 3 * NAME_WIDTH
    if len(name) > room:  # paths differ at their ends
        name = f"{name[: room // 3]}...{name[-(room - room // 3 - 3) :]}"
    return "\n".join(textwrap.wrap(name, NAME_WIDTH))


def _hours(axes: Axes, sizes: Sizes) -> None:
    assert sizes.activity is not None
    rates = [rate for rate in sizes.activity.rates if rate.by == "hour"]
    x = np.array([int(rate.name) for rate in rates])
    height = np.array([rate.rate for rate in rates])
    axes.bar(x + 0.5, height, width=0.85, color=HONEY, alpha=0.6)
    for rate in rates:
        at = int(rate.name) + 0.5
        axes.plot([at, at], [rate.low, rate.high], color=BARK, linewidth=1)
    axes.set_ylim(0, min(1.05 * max(rate.high for rate in rates), 4 * max(float(height.max()), 1e-9)))
    axes.set_xlim(min(x) - 0.1, max(x) + 1.1)
    _label(axes, "Bees an hour of listening, 95 % interval", "hour of the day", "bees an hour")
