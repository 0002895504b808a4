"""One recording at a glance: spectrogram, bouts, and the tone with its error.

Three panels share the time axis. On top a strip of the bouts; below it the spectrogram with the tone line
and, fainter, its multiples; at the bottom the tone alone, enlarged, with the median of each bout, its 95 %
interval and the names of the notes. Kinds of bout differ in colour (told apart with any colour vision), in
hatching and by name.

- `draw_recording`: draw it.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from wingtone.errors import one_line
from wingtone.figures.style import BARK, BLUE, HONEY, PAPER, PURPLE, check_target, new_figure, save_figure
from wingtone.pitch_names import note_and_cents, note_name
from wingtone.tone.spectrum import (
    BIN_HZ,
    FLOOR_WIDTH_HZ,
    HOP,
    HOP_S,
    RATE_HZ,
    WINDOW,
    log_power,
    running_mean,
)

if TYPE_CHECKING:
    import os
    from collections.abc import Iterable

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from wingtone.clip import Measurement

__all__ = ["draw_recording"]

TOP_HZ = 1200
"""Upper end of the spectrogram. Ours: six lines of a bee at 200 Hz, enough to see the comb."""

MOST_COLUMNS = 2000
"""Columns of the spectrogram; a longer recording shows the strongest sound in each. Ours: more than the
figure has dots across, and it bounds the memory."""

MOST_POINTS = 6000
"""Points of the tone line that are drawn; a longer line is thinned. Ours, as above."""

DB_PER_NEPER = 10 / math.log(10)

KINDS = {
    "flight": ("flight", BLUE, "////"),
    "sonication": ("flower buzz", PURPLE, "xxxx"),
    "uncertain": ("unsure", "#5f5f5f", "...."),
}
"""Name, colour and hatch; the grey is dark enough for lines on the spectrogram."""


def draw_recording(
    path: str | os.PathLike[str], measurement: Measurement, out: str | os.PathLike[str]
) -> None:
    """Draw spectrogram, bouts and tone of one recording.

    Parameters
    ----------
    path
        The recording; it is read again, block by block.
    measurement
        What was found in it.
    out
        The figure: PNG, SVG or PDF by its ending. An existing file is replaced when the new one is whole.

    Raises
    ------
    RequestError, MissingExtraError
        See `wingtone.figures.style.check_target`.
    RecordingError
        The recording cannot be read any more.
    OutputError
        The figure cannot be written.
    """
    check_target(out)
    from wingtone import audio

    duration_s = max(measurement.recording.duration_s, HOP_S)
    with audio.open_recording(path) as recording:
        levels = _spectrogram(recording.blocks(rate_hz=RATE_HZ), duration_s=duration_s)

    figure = new_figure(10, 6.2)
    strip, image, zoom = figure.subplots(
        3, 1, sharex=True, gridspec_kw={"height_ratios": [0.3, 3, 1.7], "hspace": 0.02}
    )
    _title(figure, measurement)
    _draw_strip(strip, measurement, duration_s)
    _draw_spectrogram(image, levels, duration_s)
    _draw_lines(image, measurement)
    _draw_zoom(zoom, measurement)
    _legend(figure, measurement)
    zoom.set_xlim(0, duration_s)
    zoom.set_xlabel("time in seconds")

    save_figure(figure, out)


# --- the sound --------------------------------------------------------------------------------------


def _spectrogram(blocks: Iterable[NDArray[np.float32]], *, duration_s: float) -> NDArray[np.float32]:
    """Level in dB over the sound at neighbouring frequencies.

    Returns
    -------
    shape (n_bins, n_columns)
        Bins from 0 to `TOP_HZ`; columns cover the duration evenly. Where there was no sound to fill a
        column it is 0 dB.
    """
    n_bins = math.ceil(TOP_HZ / BIN_HZ) + 1
    n_frames = math.ceil(duration_s / HOP_S)
    pooled = math.ceil(n_frames / MOST_COLUMNS)
    columns = np.zeros((math.ceil(n_frames / pooled), n_bins), np.float32)
    first = 0
    rest: NDArray[np.float32] | None = None
    for block in blocks:
        if rest is None:  # frame 0 is centred on time 0
            rest = np.zeros((block.shape[0], WINDOW // 2), np.float32)
        samples = np.concatenate([rest, block], axis=1)
        frames = np.max([_above_floor(log_power(channel))[:, :n_bins] for channel in samples], axis=0)
        n = frames.shape[0]
        rest = samples[:, n * HOP :]
        if n == 0:
            continue
        column = np.minimum((first + np.arange(n)) // pooled, columns.shape[0] - 1)
        here, starts = np.unique(column, return_index=True)
        columns[here] = np.maximum(columns[here], np.maximum.reduceat(frames, starts, axis=0))
        first += n
    return (columns * DB_PER_NEPER).T


def _above_floor(log_spectrum: NDArray[np.float32]) -> NDArray[np.float32]:
    """Take away the running mean over frequency, so that wind's slope and gusts do not cover the lines."""
    return log_spectrum - running_mean(log_spectrum, round(FLOOR_WIDTH_HZ / 2 / BIN_HZ))


# --- the panels -------------------------------------------------------------------------------------


def _title(figure: Figure, measurement: Measurement) -> None:
    from wingtone.clip import flight_cue, flights_by_individual

    bees = flights_by_individual(measurement)
    cue = flight_cue(bees[0])
    told = "no flight heard" if cue is None else f"flight tone {cue.f0_hz:.1f} Hz, {note_name(cue.f0_hz)}"
    if more := len(bees) - 1:
        told += f", and {more} more bee{'s' if more > 1 else ''}"
    name = one_line(Path(measurement.recording.path).name)
    figure.suptitle(f"{name}: {told}", fontsize=12, color=BARK, parse_math=False)


def _draw_strip(axes: Axes, measurement: Measurement, duration_s: float) -> None:
    axes.set_ylim(0, 1)
    axes.set_facecolor(PAPER)
    axes.set_yticks([])
    axes.tick_params(axis="x", length=0)
    for side in axes.spines.values():
        side.set_visible(False)
    for bout in measurement.tone.bouts:
        name, colour, hatch = KINDS[bout.kind]
        axes.axvspan(bout.start_s, bout.end_s, facecolor=colour, alpha=0.35, hatch=hatch, edgecolor=colour)
        if bout.duration_s > 0.1 * duration_s:
            axes.text(
                (bout.start_s + bout.end_s) / 2,
                0.5,
                name,
                ha="center",
                va="center",
                fontsize=8,
                color=BARK,
                bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.5},
            )


def _draw_spectrogram(axes: Axes, levels: NDArray[np.float32], duration_s: float) -> None:
    from matplotlib.colors import LinearSegmentedColormap

    honeycomb = LinearSegmentedColormap.from_list("honeycomb", [PAPER, "#f6dfa4", HONEY, "#8c4f12", BARK])
    # Noise makes up most of the picture: it stays paper, and the strongest lines are bark.
    low, high = np.percentile(levels, [60, 99.8])
    axes.imshow(
        levels,
        origin="lower",
        aspect="auto",
        extent=(0, duration_s, -BIN_HZ / 2, (levels.shape[0] - 0.5) * BIN_HZ),
        cmap=honeycomb,
        vmin=float(low),
        vmax=float(max(high, low + 6)),
        interpolation="nearest",
    )
    axes.set_ylim(0, TOP_HZ)
    axes.set_ylabel("frequency in Hz")


def _draw_lines(axes: Axes, measurement: Measurement) -> None:
    for kind, time_s, f0_hz in _lines(measurement):
        _, colour, _ = KINDS[kind]
        axes.plot(time_s, f0_hz, color=PAPER, linewidth=3.2, alpha=0.8)
        axes.plot(time_s, f0_hz, color=colour, linewidth=1.6)
        for multiple in range(2, int(TOP_HZ / float(np.min(f0_hz))) + 1):
            axes.plot(
                time_s, multiple * f0_hz, color=colour, linewidth=0.7, alpha=0.55, linestyle=(0, (4, 3))
            )


def _draw_zoom(axes: Axes, measurement: Measurement) -> None:
    axes.set_facecolor("white")
    axes.set_ylabel("tone in Hz")
    bouts = measurement.tone.bouts
    if not bouts:
        axes.set_yticks([])
        axes.text(0.5, 0.5, "no tone found", transform=axes.transAxes, ha="center", va="center", color=BARK)
        return
    tones = [edge for bout in bouts for edge in (bout.f0_low_hz, bout.f0_high_hz)]
    for kind, time_s, f0_hz in _lines(measurement):
        axes.plot(time_s, f0_hz, color=KINDS[kind][1], linewidth=1.1)
        tones += [float(f0_hz.min()), float(f0_hz.max())]
    for bout in bouts:
        _, colour, hatch = KINDS[bout.kind]
        axes.fill_between(
            [bout.start_s, bout.end_s],
            bout.f0_low_hz,
            bout.f0_high_hz,
            color=colour,
            alpha=0.25,
            hatch=hatch,
            linewidth=0,
        )
        axes.hlines(bout.f0_hz, bout.start_s, bout.end_s, color=colour, linewidth=2.2)
    # A whole tone of room on either side, so that the scale never blows up a steady tone.
    low, high = min(tones) * 2 ** (-2 / 12), max(tones) * 2 ** (2 / 12)
    _pitch_axes(axes, low, high)


def _pitch_axes(axes: Axes, low_hz: float, high_hz: float) -> None:
    """Space equal intervals equally; hertz on the left, notes on the right as far as there is room."""
    from matplotlib.ticker import MaxNLocator, NullLocator, ScalarFormatter

    lowest = math.ceil(12 * math.log2(low_hz / 440))
    highest = math.floor(12 * math.log2(high_hz / 440))
    step = 1 + (highest - lowest) // 9
    notes = [440 * 2 ** (n / 12) for n in range(lowest, highest + 1, step)]
    right = axes.twinx()
    for side in (axes, right):
        side.set_yscale("log")
        side.set_ylim(low_hz, high_hz)
        side.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_locator(MaxNLocator(5))
    axes.yaxis.set_major_formatter(ScalarFormatter())
    right.set_yticks(notes, [note_and_cents(f_hz)[0] for f_hz in notes])
    right.set_ylabel("note")
    for f_hz in notes:
        axes.axhline(f_hz, color=BARK, linewidth=0.4, alpha=0.25)


def _legend(figure: Figure, measurement: Measurement) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    present = {bout.kind for bout in measurement.tone.bouts}
    if not present:
        return
    marks: list[Patch | Line2D] = [
        Patch(facecolor=colour, alpha=0.5, hatch=hatch, edgecolor=colour, label=name)
        for kind, (name, colour, hatch) in KINDS.items()
        if kind in present
    ]
    marks.append(Line2D([], [], color=BARK, linewidth=2.2, label="median of a bout, 95 % interval"))
    marks.append(
        Line2D([], [], color=BARK, linewidth=0.7, linestyle=(0, (4, 3)), label="multiples of the tone")
    )
    figure.legend(handles=marks, loc="outside lower center", ncols=len(marks), frameon=False, fontsize=8)


def _lines(measurement: Measurement) -> list[tuple[str, NDArray[np.float64], NDArray[np.floating]]]:
    """Kind, times and tone of each bout that has a line, thinned to what can be seen."""
    track = measurement.tone.track
    thin = max(1, math.ceil(track.time_s.size / MOST_POINTS))
    lines: list[tuple[str, NDArray[np.float64], NDArray[np.floating]]] = []
    for number, bout in enumerate(measurement.tone.bouts):
        of_bout = np.flatnonzero(track.bout == number)[::thin]
        if of_bout.size:
            lines.append((bout.kind, track.time_s[of_bout], track.f0_hz[of_bout]))
    return lines
