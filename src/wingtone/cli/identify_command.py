"""``wingtone identify``: narrow who it was."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
from typing import TYPE_CHECKING, Any

import click

from wingtone.api import F0_RANGE_HZ, given_tone
from wingtone.cli.command import Command
from wingtone.cli.faults import debug_option, warn
from wingtone.cli.inputs import Inputs
from wingtone.cli.keeping import kept_in_a_line, records_of_measurement, tell
from wingtone.cli.options import (
    FiniteRange,
    fauna_option,
    flight_threshold_option,
    format_option,
    model_option,
    notebook_option,
    observation_options,
    recordings_argument,
)
from wingtone.cli.reports import answered_lines, measured_lines
from wingtone.errors import one_line

if TYPE_CHECKING:
    import datetime
    from collections.abc import Sequence
    from pathlib import Path

    from wingtone.clip import Measurement
    from wingtone.evidence import Answer
    from wingtone.fauna import Fauna
    from wingtone.learn.model import Model
    from wingtone.notebook.places import Place
    from wingtone.notebook.records import Record
    from wingtone.notebook.store import Notebook

__all__ = ["identify"]


@click.command(
    cls=Command,
    examples=(
        "wingtone identify garden.m4a",
        'wingtone identify garden.m4a --date 2026-03-20 --place "51.46,-0.30"',
        "wingtone identify garden.m4a --hint tail=white --hint collar=yellow",
        "wingtone identify --f0 146 --date 2026-03-20 --hint tail=buff",
        "wingtone identify walk/ --format json > answers.jsonl",
        "wingtone identify garden.m4a --hint tail=white --record",
        "wingtone identify garden.m4a --model garden.wingtone",
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
@fauna_option
@model_option
@flight_threshold_option
@click.option("--record", "keep", is_flag=True, help="Keep the answer in your notebook, as a hint.")
@notebook_option
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
    model_path: Path | None,
    flight_threshold: float | None,
    keep: bool,
    notebook_path: Path | None,
) -> None:
    """Narrow who was flying, from the sound, the date, the place and what you saw.

    A RECORDING is any audio or video file that a phone or recorder makes, or a folder of them. Without one,
    the answer rests on the rest. It is a hint to be confirmed by eye, never proof.
    """
    if not recordings and f0_hz is None and not hints and date is None and place is None:
        raise click.UsageError("nothing to go on: give a RECORDING, or --f0, or what you saw with --hint.")
    if recordings and f0_hz is not None:
        raise click.UsageError("--f0 is for when there is no recording; leave one of the two out.")
    if model_path is not None and not recordings:
        raise click.UsageError("--model judges the sound of a RECORDING; give one.")
    if notebook_path is not None and not keep:
        raise click.UsageError("--notebook goes with --record.")
    from wingtone.evidence import parse_hints
    from wingtone.fauna import load

    fauna = load(fauna_folder)
    for given in recordings:  # an answer without it would be kept as if it had not been seen
        if given.partition("=")[0].strip().lower() in fauna.characters and not os.path.exists(given):
            raise click.UsageError(f"what you saw is given with --hint: --hint {one_line(given)}")
    known: dict[str, Any] = {
        "fauna": fauna,
        "date": date,
        "place": place,
        "temperature_c": temperature_c,
        "hints": parse_hints(hints, fauna=fauna),
    }
    model = None if model_path is None else _model(model_path, fauna=fauna)
    if date is not None and not keep:  # of a record it is told with what mends it
        _tell_future(date.isoformat())
    with contextlib.ExitStack() as stack:
        opened = None
        if keep:  # before the long work: a notebook that cannot be written is told at once
            from wingtone.notebook.store import Notebook

            opened = stack.enter_context(Notebook.open(notebook_path))
        if recordings:
            _recordings(
                recordings, layout, known, model=model, flight_threshold=flight_threshold, opened=opened
            )
        else:
            _without_recording(f0_hz, layout, known, opened=opened)


def _model(path: Path, *, fauna: Fauna) -> Model:
    """Read a model, and tell what must be told whenever it is used."""
    from wingtone.learn.model_file import usable_model

    model = usable_model(path, fauna=fauna)
    if model.notice:
        warn(model.notice, where=path)
    return model


def _tell_future(day: str, *, where: object = "") -> None:
    """Note that a day, given or stated by a recording, is yet to come: a slip, or a clock that is wrong."""
    from wingtone.notebook.doubts import future_words

    if told := future_words(day, today=dt.date.today()):
        warn(told, where=where)


def _without_recording(
    f0_hz: float | None, layout: str, known: dict[str, Any], *, opened: Notebook | None
) -> None:
    from wingtone import evidence

    fauna, tone = known["fauna"], None if f0_hz is None else given_tone(f0_hz)
    answer = evidence.identify(tone=tone, **known)
    try:
        if opened is not None:
            from wingtone.keeping import record_of_answer

            record = record_of_answer(answer, tone=tone, fauna=fauna, known=_fields(known))
            _add(opened, [record], known=known)
    finally:  # the answer is told whatever becomes of the record
        click.echo(
            _json(answer.to_json()) if layout == "json" else "\n".join(answered_lines(answer, fauna=fauna))
        )


def _recordings(
    recordings: tuple[str, ...],
    layout: str,
    known: dict[str, Any],
    *,
    model: Model | None,
    flight_threshold: float | None,
    opened: Notebook | None,
) -> None:
    from wingtone.clip import identify_json, identify_measurement

    date = known["date"]
    inputs = Inputs(recordings, flight_threshold=flight_threshold)
    for measurement in inputs.measured():
        path = measurement.recording.path
        with inputs.contained(path):
            answers = identify_measurement(measurement, model=model, **known)
            if date is None and opened is None:
                _tell_future((measurement.recording.recorded_at or "")[:10], where=path)
            if opened is not None:
                with inputs.contained(path):
                    _keep(opened, measurement, answers, known, model=model)
            if layout == "table":
                click.echo("\n".join(measured_lines(measurement)))
            for individual, answer in enumerate(answers, start=1):
                if layout == "json":
                    laid_out = identify_json(measurement, answer, individual=individual, given_date=date)
                    click.echo(_json(laid_out))
                else:
                    head = f"  Bee {individual}\n" if len(answers) > 1 else ""
                    click.echo(f"\n{head}" + "\n".join(answered_lines(answer, fauna=known["fauna"])) + "\n")
    inputs.finish()


# --- keeping ---------------------------------------------------------------------------------------------


def _keep(
    opened: Notebook,
    measurement: Measurement,
    answers: Sequence[Answer],
    known: dict[str, Any],
    *,
    model: Model | None,
) -> None:
    """Keep a recording's answers, one record an individual; without a bee and without hints there is none."""
    if not measurement.flight and not known["hints"]:
        warn("no flight and no hint, so no record was made of it", where=measurement.recording.path)
        return
    fields, recording = _fields(known), measurement.recording
    # What the file's own time says never becomes a date: there, nothing but the typed day is known.
    states_it = recording.recorded_at is not None and recording.recorded_at_source != "file time"
    if states_it and fields.get("event_date") == (recording.recorded_at or "")[:10]:
        del fields["event_date"]  # the recording knows the time of that day as well
    fauna = known["fauna"]
    records = records_of_measurement(measurement, answers, fauna=fauna, known=fields, model=model)
    _add(opened, records, known=known)


def _fields(known: dict[str, Any]) -> dict[str, Any]:
    """Give what was typed in as fields of a record."""
    fields = {name: known[name] for name in ("place", "temperature_c", "hints")}
    if known["date"] is not None:
        fields["event_date"] = known["date"].isoformat()
    return fields


def _add(opened: Notebook, records: Sequence[Record], *, known: dict[str, Any]) -> None:
    from wingtone.keeping import add_records

    for entry, doubts in add_records(opened, records, today=dt.date.today()):
        told = kept_in_a_line(entry.record, given=known["place"])
        click.echo(f"wingtone: record {entry.number} kept: {told}", err=True)
        tell(doubts)


def _json(laid_out: dict[str, Any]) -> str:
    return json.dumps(laid_out, ensure_ascii=False, allow_nan=False)
