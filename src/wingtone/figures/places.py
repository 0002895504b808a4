"""Where a notebook's records lie: a plot of 10 km squares of the national grid, without a map.

Each square with records is a tile; its colour and the figure in it say how many. Tiles stand where they
stand on the grid, with the 100 km squares and their letters, so that those who know their
squares find them. Nothing finer than 10 km is shown.

- `draw_places`: draw it.
- `square_counts`: the numbers behind it.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from wingtone.errors import InputError, how_many
from wingtone.figures.style import BARK, HONEY, LINE, PAPER, check_target, new_figure, save_figure
from wingtone.notebook.grids import BRITISH, IRISH, Grid, grid_of, square_letters, to_grid

if TYPE_CHECKING:
    import os
    from collections.abc import Iterable

    from matplotlib.axes import Axes

    from wingtone.notebook.records import Record

__all__ = ["draw_places", "square_counts"]

SQUARE_M = 10_000  # side of a tile

MOST_UNCERTAIN_M = 7_100.0
"""A place known no better than this could lie in the next square. Ours: half the diagonal of 10 km."""

MARGIN = 2
"""Empty squares around the tiles."""

LEAST_SPAN = 12
"""Squares that the plot shows at least each way, so that a single garden is not blown up."""

MOST_NUMBERED = 60
"""Squares across, beyond which the figures in the tiles could not be read and are left out."""


def square_counts(records: Iterable[Record]) -> tuple[Grid, Counter[tuple[int, int]], int]:
    """Count records by 10 km square.

    Returns
    -------
    grid, counts, left_out
        The grid in which most records lie; ``counts[column, row]``, squares counted from the grid's origin;
        and how many records have no place, one known too roughly, or one on neither grid. Records of the
        other grid are counted in squares of this one.
    """
    points: list[tuple[Grid, float, float]] = []
    left_out = 0
    for record in records:
        place = record.place
        grid = None if place is None else grid_of(place.latitude_deg, place.longitude_deg)
        if place is None or grid is None or place.uncertainty_m > MOST_UNCERTAIN_M:
            left_out += 1
        else:
            points.append((grid, place.latitude_deg, place.longitude_deg))
    irish = sum(grid is IRISH for grid, _, _ in points)
    chosen = IRISH if 2 * irish > len(points) else BRITISH
    counts: Counter[tuple[int, int]] = Counter()
    for _, latitude_deg, longitude_deg in points:
        easting_m, northing_m = to_grid(chosen, latitude_deg, longitude_deg)
        counts[int(easting_m // SQUARE_M), int(northing_m // SQUARE_M)] += 1
    return chosen, counts, left_out


def draw_places(records: Iterable[Record], out: str | os.PathLike[str]) -> int:
    """Draw the plot of places.

    Parameters
    ----------
    records
        Those to draw.
    out
        The figure: PNG, SVG or PDF by its ending. An existing file is replaced when the new one is whole.

    Returns
    -------
    int
        How many records could not be put into a square, and are not in it.

    Raises
    ------
    RequestError, MissingExtraError
        See `wingtone.figures.style.check_target`.
    InputError
        There is nothing to draw.
    OutputError
        The figure cannot be written.
    """
    check_target(out)
    grid, counts, left_out = square_counts(records)
    if not counts:
        raise InputError("no record here has a place on the grid", remedy="choose other records", where=out)
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import LinearSegmentedColormap, LogNorm
    from matplotlib.patches import Rectangle

    west, east = _span([column for column, _ in counts])
    south, north = _span([row for _, row in counts])
    wide, high = east - west, north - south
    scale = 7.2 / max(wide, high)
    figure = new_figure(max(scale * wide, 4.0) + 1.6, max(scale * high, 3.0) + 1.0)
    axes = figure.subplots()
    axes.set(xlim=(west, east), ylim=(south, north), aspect="equal", facecolor="white")
    most = max(counts.values())
    colours = LinearSegmentedColormap.from_list("comb", ["#f6dfa4", HONEY, "#8c4f12", BARK])
    norm = LogNorm(1, max(most, 2))
    _draw_grid(axes, grid, (west, east, south, north), letter_size=min(9.0, max(5.0, 21 * scale)))
    for (column, row), n in sorted(counts.items()):
        colour = colours(norm(n))
        axes.add_patch(
            Rectangle((column + 0.04, row + 0.04), 0.92, 0.92, facecolor=colour, linewidth=0, zorder=2)
        )
        if max(wide, high) <= MOST_NUMBERED:
            # Dark figures on light tiles and the other way round, by the luminance of the colour (Rec. 709).
            light = 0.2126 * colour[0] + 0.7152 * colour[1] + 0.0722 * colour[2] > 0.45
            size = min(9.0, 72 * scale / (1.0 + 0.75 * len(str(n))))
            axes.text(
                column + 0.5, row + 0.40, str(n), ha="center", va="center", fontsize=size, zorder=3,
                color=BARK if light else PAPER,
            )  # fmt: skip
    total = counts.total()
    what = f"{how_many(total, 'record')} in {how_many(len(counts), 'ten-kilometre square')}"
    axes.set_title(what, fontsize=13, color=BARK)
    if most > 1:
        ticks = [n for n in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 5000, 20000) if n <= most]
        bar = figure.colorbar(ScalarMappable(norm, colours), ax=axes, shrink=0.6, aspect=18, pad=0.02)
        bar.set_ticks(ticks, labels=[str(n) for n in ticks])
        bar.minorticks_off()
        bar.set_label("records", color=BARK, fontsize=9)
        bar.outline.set_visible(False)
    save_figure(figure, out)
    return left_out


def _span(squares: list[int]) -> tuple[int, int]:
    low, high = min(squares) - MARGIN, max(squares) + 1 + MARGIN
    lacking = max(0, LEAST_SPAN - (high - low))
    return low - lacking // 2, high + (lacking + 1) // 2


def _draw_grid(axes: Axes, grid: Grid, bounds: tuple[int, int, int, int], *, letter_size: float) -> None:
    """Rule the 10 km lines faintly, the 100 km lines stronger, with the letters of their squares."""
    from matplotlib.patheffects import withStroke

    west, east, south, north = bounds
    for column in range(west, east + 1):
        axes.axvline(column, color=LINE, linewidth=0.9 if column % 10 == 0 else 0.3, zorder=1)
    for row in range(south, north + 1):
        axes.axhline(row, color=LINE, linewidth=0.9 if row % 10 == 0 else 0.3, zorder=1)
    for left in range(west // 10 * 10, east, 10):
        for low in range(south // 10 * 10, north, 10):
            letters = square_letters(grid, left * SQUARE_M + 1.0, low * SQUARE_M + 1.0)
            shown_from, top = max(left, west), min(low + 10, north)
            if letters is not None and left + 10 - shown_from >= 1 and top - max(low, south) >= 1:
                axes.text(
                    shown_from + 0.07,
                    top - 0.06,
                    letters,
                    ha="left",
                    va="top",
                    fontsize=letter_size,
                    weight="bold",
                    color="#6b5a3a",
                    path_effects=[withStroke(linewidth=2, foreground="white")],
                    zorder=4,
                )
    # Along the edges each square's figure within its 100 km square, as it stands in a grid reference.
    axes.set_xticks(
        [c + 0.5 for c in range(west, east)], [str(c % 10) for c in range(west, east)], fontsize=7
    )
    axes.set_yticks(
        [r + 0.5 for r in range(south, north)], [str(r % 10) for r in range(south, north)], fontsize=7
    )
    axes.tick_params(length=0, colors="#8a7a5c")
    for side in axes.spines.values():
        side.set_color(LINE)
