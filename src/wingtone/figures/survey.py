"""A survey at a glance: when bees flew, and at what tone.

On top the activity, a square for each hour of each day: flights for each hour listened to, what wind took
left out; grey where there was less than a minute of that. Below it the tones, day by day: every flight as a
dot, or as shades where there are too many, with the middle tone of each day. At the right, all tones
together. What has no time of day counts in the last panel alone.

- `draw_survey`: draw it.
- `activity`: the numbers behind the first panel.

Conventions
-----------
Times are seconds since 1970 as the clock on the wall showed them, NaN where it is not known.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from wingtone.figures.style import BARK, BLUE, HONEY, LINE, check_target, new_figure, save_figure
from wingtone.pitch_names import note_name

if TYPE_CHECKING:
    import os
    from collections.abc import Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike, NDArray

__all__ = ["activity", "draw_survey"]

DAY_S = 86_400
HOUR_S = 3600
LEAST_LISTENED_S = 60.0
"""Less listening in an hour than this says nothing of it. Ours."""
MOST_DOTS = 3000
"""From so many flights on, tones are drawn as shades. Ours: dots then cover one another."""
MOST_DAYS = 1500
"""Most columns of the first panel. Ours: more than the figure has dots across; longer surveys get weeks."""
TONES_HZ = (80.0, 330.0)
"""What counts as flight, see `wingtone.tone`."""


def activity(
    flight_at: ArrayLike, effort: Sequence[ArrayLike], *, days: int = 1
) -> tuple[int, NDArray[np.float64]]:
    """Count flights for each hour that was listened to.

    Parameters
    ----------
    flight_at
        When each flight began.
    effort
        Four series of one length: when a stretch of listening began, its seconds heard and lost to wind, and
        how many seconds long it is. What was heard and lost is spread evenly over all of it.
    days
        How many days go together in a column.

    Returns
    -------
    first_day, per_hour
        Number of the first day since 1970, and flights an hour, shape (24, n_columns); NaN where less than a
        minute was listened to. Shape (24, 0) when nothing has a time.
    """
    at, heard_s, lost_s, length_s = (np.asarray(series, float) for series in effort)
    if at.size == 0:
        return 0, np.zeros((24, 0))
    flights = np.asarray(flight_at, float)
    flights = flights[np.isfinite(flights)]
    first_day = int(at.min() // DAY_S)
    # What ends at midnight does not reach into the next day.
    end = math.nextafter(float((at + length_s).max()), 0.0)
    last = max(float(at.max()), end, float(flights.max(initial=0.0)))
    shape = (24, (int(last // DAY_S) - first_day) // days + 1)

    def summed(when: NDArray[np.float64], weights: NDArray[np.float64]) -> NDArray[np.float64]:
        column = (when // DAY_S - first_day).astype(int) // days
        hour = (when % DAY_S // HOUR_S).astype(int)
        out = np.zeros(shape)
        inside = (column >= 0) & (column < shape[1])
        np.add.at(out, (hour[inside], column[inside]), weights[inside])
        return out

    listened_s = np.zeros(shape)
    into_s = at % HOUR_S
    for later in range(int((into_s + length_s).max() // HOUR_S) + 1):  # its first hour, the next, ...
        here_s = np.minimum(into_s + length_s, (later + 1) * HOUR_S) - np.maximum(into_s, later * HOUR_S)
        share = np.maximum(here_s, 0.0) / np.maximum(length_s, 1e-9)
        listened_s += summed(at + later * HOUR_S, (heard_s - lost_s) * share)
    counts = summed(flights, np.ones(flights.size))
    with np.errstate(divide="ignore", invalid="ignore"):
        return first_day, np.where(listened_s >= LEAST_LISTENED_S, counts * HOUR_S / listened_s, np.nan)


def draw_survey(
    flights: tuple[ArrayLike, ArrayLike], effort: Sequence[ArrayLike], out: str | os.PathLike[str]
) -> None:
    """Draw a survey.

    Parameters
    ----------
    flights
        When each began, and its tone in Hz.
    effort
        As for `activity`.
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
    at, f0_hz = (np.asarray(series, float) for series in flights)
    dated = np.isfinite(at)
    span = np.asarray(effort[0], float)
    n_days = int(np.ptp(span // DAY_S)) + 1 if span.size else 0
    days = max(1, math.ceil(n_days / MOST_DAYS))
    first_day, per_hour = activity(at, effort, days=days)
    figure = new_figure(11, 7)
    grid = figure.add_gridspec(2, 2, width_ratios=(6, 1), height_ratios=(1, 1.1))
    above, low, side = (figure.add_subplot(grid[place]) for place in ((0, 0), (1, 0), (1, 1)))
    low.sharex(above)
    side.sharey(low)
    shown = figure.add_subplot(grid[0, 1])
    shown.axis("off")
    for axes in (above, low, side):
        axes.set_facecolor("white")
        axes.tick_params(colors=BARK, labelsize=9)
        for edge in axes.spines.values():
            edge.set_color(LINE)
    if per_hour.shape[1]:
        _draw_activity(figure, above, shown, per_hour, first_day, days)
        _draw_tones(low, at[dated] / DAY_S, f0_hz[dated])
        _day_axis(low, first_day, first_day + per_hour.shape[1] * days)
    else:
        for axes in (above, low):
            axes.text(0.5, 0.5, "no recording says when it was made", ha="center", color=BARK)
            axes.set_xticks([])
    above.tick_params(labelbottom=False)
    _draw_all_tones(side, f0_hz, int(np.sum(~dated)))
    hours = float(np.sum(np.asarray(effort[1], float))) / HOUR_S
    listened = f"{hours:.1f} h" if hours >= 1 else f"{60 * hours:.1f} min"
    title = f"{f0_hz.size} flight{'' if f0_hz.size == 1 else 's'}"
    title += f"; {listened} listened to at known times" if hours else ""
    figure.suptitle(title, fontsize=13, color=BARK)
    save_figure(figure, out)


def _draw_activity(
    figure: Figure,
    axes: Axes,
    beside: Axes,
    per_hour: NDArray[np.float64],
    first_day: int,
    days: int,
) -> None:
    from matplotlib.colors import LinearSegmentedColormap

    honey = LinearSegmentedColormap.from_list("honey", ["#fffdf5", HONEY, "#7a3b00"])
    shades = honey.with_extremes(bad="#d8d4ca")
    highest = float(np.nanmax(per_hour, initial=0.0))
    extent = (first_day, first_day + per_hour.shape[1] * days, 0, 24)
    image = axes.imshow(
        per_hour,
        origin="lower",
        aspect="auto",
        extent=extent,
        cmap=shades,
        vmin=0,
        vmax=max(highest, 1.0),
        interpolation="nearest",
    )
    axes.set_yticks(range(0, 25, 6), [f"{hour:02d}:00" for hour in range(0, 25, 6)])
    axes.set_ylabel("hour of the day", color=BARK)
    if np.isnan(per_hour).all():  # grey all over, and no scale to read it by
        title = (
            f"too little listened to in every hour (less than {LEAST_LISTENED_S:.0f} s) for flights an hour"
        )
        axes.set_title(title, fontsize=10, color=BARK)
        return
    axes.set_title("flights for each hour of listening (grey: hardly any)", fontsize=10, color=BARK)
    bar = figure.colorbar(image, ax=beside, location="left", fraction=0.3, aspect=12)
    bar.ax.tick_params(colors=BARK, labelsize=9)


def _draw_tones(axes: Axes, day: NDArray[np.float64], f0_hz: NDArray[np.float64]) -> None:
    if day.size > MOST_DOTS:
        axes.hexbin(day, f0_hz, gridsize=(80, 40), mincnt=1, bins="log", cmap="Blues", linewidths=0)
    else:
        axes.plot(day, f0_hz, ".", color=BLUE, alpha=0.5, markersize=4)
    numbers = np.unique(np.floor(day))
    middles = [float(np.median(f0_hz[np.floor(day) == number])) for number in numbers]
    axes.plot(numbers + 0.5, middles, "-o", color=BARK, linewidth=1, markersize=3, label="middle of each day")
    axes.set_ylabel("tone, Hz", color=BARK)
    axes.set_ylim(*TONES_HZ)
    if day.size:
        axes.legend(loc="upper left", frameon=False, fontsize=8, labelcolor=BARK)


def _draw_all_tones(axes: Axes, f0_hz: NDArray[np.float64], n_undated: int) -> None:
    axes.hist(
        f0_hz,
        bins=[float(hz) for hz in np.arange(TONES_HZ[0], TONES_HZ[1] + 5, 5)],
        orientation="horizontal",
        color=BLUE,
    )
    axes.set_xlabel("flights", color=BARK)
    axes.set_ylim(*TONES_HZ)
    title = "all tones" + (f"\n({n_undated} without a time)" if n_undated else "")
    axes.set_title(title, fontsize=9, color=BARK)
    names = axes.secondary_yaxis("right")
    marks = [110.0 * 2 ** (step / 12) for step in range(-3, 19, 3)]
    names.set_yticks(marks, [note_name(mark).split()[0] for mark in marks], fontsize=8)
    names.tick_params(colors=BARK)
    axes.tick_params(labelleft=False)


def _day_axis(axes: Axes, first_day: int, end_day: int) -> None:
    import datetime as dt

    step = max(1, math.ceil((end_day - first_day) / 10))
    marks = range(first_day, end_day + 1, step)
    names = [f"{dt.date(1970, 1, 1) + dt.timedelta(days=mark):%d %b %Y}" for mark in marks]
    axes.set_xticks(list(marks), names, rotation=30, ha="right")
    axes.set_xlim(first_day, end_day)
