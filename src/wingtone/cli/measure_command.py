"""``wingtone measure``: flight bouts and their tone."""

from __future__ import annotations

import csv
import filecmp
import json
import unicodedata
from pathlib import Path
from typing import TYPE_CHECKING

import click

from wingtone.bout_table import COLUMNS, bout_rows, csv_values
from wingtone.cli.command import Command
from wingtone.cli.faults import debug_option, warn
from wingtone.cli.inputs import Inputs
from wingtone.cli.options import figure_option, flight_threshold_option, format_option, recordings_argument
from wingtone.cli.outputs import check_figure, check_output
from wingtone.cli.reports import measured_lines
from wingtone.cli.tables import csv_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wingtone.clip import Measurement

__all__ = ["measure"]

TRACK_COLUMNS = ("time_s", "f0_hz", "kind", "f0_second_hz")


@click.command(
    cls=Command,
    examples=(
        "wingtone measure garden.m4a",
        "wingtone measure walk/ --format csv > bouts.csv",
        "wingtone measure walk/ --format json --tracks tracks/",
        "wingtone measure garden.m4a --figure garden.png",
    ),
    epilog="Notes are in equal temperament with A4 = 440 Hz; c is cents, hundredths of a semitone.",
)
@recordings_argument(required=True)
@format_option("table", "json", "csv")
@click.option(
    "--tracks",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="Write the tone every 10 ms of each recording to FOLDER, as <name>.track.csv.",
)
@figure_option("Draw spectrogram, tone and bouts of one recording")
@flight_threshold_option
@debug_option
def measure(
    recordings: tuple[str, ...],
    layout: str,
    tracks: Path | None,
    figure: Path | None,
    flight_threshold: float | None,
) -> None:
    """Find the flight bouts in each RECORDING and measure their tone.

    A RECORDING is any audio or video file that a phone or recorder makes, or a folder of them. The tone of a
    bout is the wingbeat frequency, with the interval that holds it with 95 % certainty. Buzzes that shake
    a flower are told apart: they say nothing about size.
    """
    inputs = Inputs(recordings, flight_threshold=flight_threshold)
    if figure is not None:
        check_figure(figure, inputs=inputs.paths, to_come=tracks)
        if len(inputs.paths) > 1:
            raise click.UsageError("--figure draws one recording; give one, or leave --figure out.")
    if tracks is not None:
        _make_folder(tracks)
    names = track_names(inputs.paths)
    if layout == "csv":
        click.echo(csv_text([COLUMNS]), nl=False)
    for measurement in inputs.measured():
        path = measurement.recording.path
        with inputs.contained(path):
            click.echo(_laid_out(measurement, layout), nl=False)
            if tracks is not None:
                target = tracks / names[Path(path)]
                check_output(target)
                _write_track(measurement, target)
            if figure is not None:
                from wingtone.figures.recording import draw_recording

                draw_recording(path, measurement, figure)
    inputs.finish()


def _laid_out(measurement: Measurement, layout: str) -> str:
    from wingtone.clip import measure_json

    if layout == "table":
        return "\n".join(measured_lines(measurement)) + "\n\n"
    if layout == "json":
        return json.dumps(measure_json(measurement), ensure_ascii=False, allow_nan=False) + "\n"
    return csv_text(csv_values(row) for row in bout_rows(measurement))


def track_names(paths: Sequence[Path]) -> dict[Path, str]:
    """Name a track file for each recording, no two alike even where case and form of accents do not count.

    The name is that of the recording without its ending; where another recording has taken it, the
    ending stays, and after that a number is added.
    """
    names: dict[Path, str] = {}
    taken: set[str] = set()
    for path in paths:
        tries = iter((path.stem, path.name, *(f"{path.name}-{n}" for n in range(2, len(paths) + 2))))
        name = next(name for name in tries if _key(name) not in taken)
        taken.add(_key(name))
        names[path] = f"{name}.track.csv"
    return names


def _key(name: str) -> str:
    """What is common to names that some file systems take for one: capitals and forms of accents."""
    return unicodedata.normalize("NFC", name).casefold()


def _make_folder(folder: Path) -> None:
    from wingtone.errors import OutputError

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        what = f"cannot make this folder: {error.strerror}"
        raise OutputError(what, remedy="give a folder that you may write to", where=folder) from error


def _write_track(measurement: Measurement, target: Path) -> None:
    """Write a track file; where one with another tone line stood there before, that is told."""
    from wingtone.clip import track_rows
    from wingtone.files import replacing

    with replacing(target) as scratch:
        with scratch.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(TRACK_COLUMNS)
            writer.writerows(track_rows(measurement))
        is_other = target.exists() and not filecmp.cmp(target, scratch, shallow=False)
    if is_other:
        what = "this took the place of another track: of a recording of the same name, or of other settings"
        warn(what, where=target)
