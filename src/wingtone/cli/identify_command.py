"""``wingtone identify``: narrow who it was."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wingtone.cli.command import Command
from wingtone.cli.faults import debug_option
from wingtone.cli.inputs import Inputs
from wingtone.cli.options import (
    FiniteRange,
    flight_threshold_option,
    format_option,
    observation_options,
    recordings_argument,
)
from wingtone.cli.reports import answered_lines, measured_lines

if TYPE_CHECKING:
    import datetime

    from wingtone.identify import ToneCue
    from wingtone.notebook.places import Place

__all__ = ["identify"]

F0_RANGE_HZ = (40, 500)
"""What ``--f0`` takes. Ours: bumblebees fly at about 100 to 220 Hz; the rest leaves room for large hornets
and small flies, so that they are recognised as such instead of being refused."""

GIVEN_F0_ERROR = 0.03
"""Half-width of the 95 % interval given to a tone typed in, as a share. Ours: half a semitone, what a
person reads off a tuner that jumps about, or hums after the bee."""


@click.command(
    cls=Command,
    examples=(
        "wingtone identify garden.m4a",
        'wingtone identify garden.m4a --date 2026-03-20 --place "51.46,-0.30"',
        "wingtone identify garden.m4a --hint tail=white --hint collar=yellow",
        "wingtone identify --f0 146 --date 2026-03-20 --hint tail=buff",
        "wingtone identify walk/ --format json > answers.jsonl",
    ),
)
@recordings_argument(required=False)
@format_option("table", "json")
@observation_options
@click.option(
    "--f0",
    "f0_hz",
    type=FiniteRange(*F0_RANGE_HZ),
    metavar="HZ",
    help="The tone of the flight in hertz, when there is no recording.",
)
@click.option(
    "--fauna",
    "fauna_folder",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="The bees of your region; without it those of Britain and Ireland.",
)
@flight_threshold_option
@debug_option
def identify(
    recordings: tuple[str, ...],
    layout: str,
    date: datetime.date | None,
    place: Place | None,
    temperature_c: float | None,
    hints: tuple[str, ...],
    f0_hz: float | None,
    fauna_folder: Path | None,
    flight_threshold: float | None,
) -> None:
    """Narrow who was flying, from the sound, the date, the place and what you saw.

    A RECORDING is any audio or video file that a phone or recorder makes, or a folder of them. Without one,
    the answer rests on the rest. It is a hint to be confirmed by eye, never proof.
    """
    if not recordings and f0_hz is None and not hints and date is None and place is None:
        raise click.UsageError("nothing to go on: give a RECORDING, or --f0, or what you saw with --hint.")
    if recordings and f0_hz is not None:
        raise click.UsageError("--f0 is for when there is no recording; leave one of the two out.")
    from wingtone.fauna import load
    from wingtone.identify import parse_hints

    fauna = load(fauna_folder)
    known: dict[str, Any] = {
        "fauna": fauna,
        "date": date,
        "place": place,
        "temperature_c": temperature_c,
        "hints": parse_hints(hints, fauna=fauna),
    }
    if not recordings:
        from wingtone import identify as identify_room

        answer = identify_room.identify(tone=_given_cue(f0_hz), **known)
        click.echo(
            _json(answer.to_json()) if layout == "json" else "\n".join(answered_lines(answer, fauna=fauna))
        )
        return
    from wingtone.clip import identify_json, identify_measurement

    inputs = Inputs(recordings, flight_threshold=flight_threshold)
    for measurement in inputs.measured():
        with inputs.contained(measurement.recording.path):
            answers = identify_measurement(measurement, **known)
            if layout == "table":
                click.echo("\n".join(measured_lines(measurement)))
            for individual, answer in enumerate(answers, start=1):
                if layout == "json":
                    laid_out = identify_json(measurement, answer, individual=individual, given_date=date)
                    click.echo(_json(laid_out))
                else:
                    click.echo("\n" + "\n".join(answered_lines(answer, fauna=fauna)) + "\n")
    inputs.finish()


def _given_cue(f0_hz: float | None) -> ToneCue | None:
    if f0_hz is None:
        return None
    from wingtone.identify import ToneCue

    return ToneCue(
        f0_hz=f0_hz,
        f0_low_hz=f0_hz * (1 - GIVEN_F0_ERROR),
        f0_high_hz=f0_hz * (1 + GIVEN_F0_ERROR),
        n_bouts=1,
        duration_s=0.0,
    )


def _json(laid_out: dict[str, Any]) -> str:
    return json.dumps(laid_out, ensure_ascii=False, allow_nan=False)
