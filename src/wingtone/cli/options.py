"""Options that several commands share, so that all of them take and explain them alike.

A date or place is read here and refused before any recording is opened; so are hints, but by the command,
since it is the fauna that says which there are.
"""

from __future__ import annotations

import math
import os
import re
import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wingtone.errors import one_line
from wingtone.notebook.records import COLDEST_C, WARMEST_C

if TYPE_CHECKING:
    import datetime
    from collections.abc import Callable

    from wingtone.notebook.places import Place

__all__ = [
    "FiniteRange",
    "WholeRange",
    "by_option",
    "fauna_option",
    "figure_option",
    "flight_threshold_option",
    "format_option",
    "hint_option",
    "mapping_option",
    "model_option",
    "notebook_option",
    "observation_options",
    "place_option",
    "read_day",
    "read_place",
    "recordings_argument",
    "temperature_option",
]


class FiniteRange(click.FloatRange):
    """A float in a range; NaN, which compares with nothing, is refused as well."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read the number, or say how it is written; click tells the range."""
        try:
            number = float(value)
        except ValueError:
            self.fail(f"{value!r} is not a number{_written_right(value)}.", param, ctx)
        if math.isnan(number):
            self.fail(f"{value!r} is not a number.", param, ctx)
        return super().convert(number, param, ctx)


class WholeRange(click.IntRange):
    """A whole number in a range."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Read the number, or say what it is not; click tells the range."""
        try:
            number = int(value)
        except ValueError:
            self.fail(f"{value!r} is not a whole number, such as {self.min or 1}.", param, ctx)
        return super().convert(number, param, ctx)


def _written_right(text: str) -> str:
    """Give a number with a comma or a unit as it is taken, as an aside; nothing where there is no number."""
    found = re.fullmatch(r"\s*([+-]?[0-9]+)(?:[.,]([0-9]+))?\s*°?\s*[a-zA-Z]{0,12}\s*", text)
    if not found:
        return ""
    number = found[1] + (f".{found[2]}" if found[2] else "")
    return f" (write it with a point and without a unit: {number})"


def recordings_argument(*, required: bool) -> Callable[[Any], Any]:
    """Take any number of recordings; whether they exist is found out one by one, later."""
    metavar = "RECORDING..." if required else "[RECORDING...]"
    return click.argument(
        "recordings", metavar=metavar, nargs=-1, required=required, callback=_refuse_parted_names
    )


MOST_WORDS = 12
"""As many words of a name are put together again. Ours."""


def _refuse_parted_names(
    ctx: click.Context, param: click.Parameter, names: tuple[str, ...]
) -> tuple[str, ...]:
    """Say how a name with spaces is written where the shell has parted it; phones give such names."""
    for i, name in enumerate(names):
        if os.path.exists(name):
            continue
        for end in range(i + 2, min(i + MOST_WORDS, len(names)) + 1):
            if os.path.exists(whole := " ".join(names[i:end])):
                what = f"a name with spaces goes in quotes: {shlex.quote(one_line(whole))}"
                raise click.BadParameter(what, ctx, param)
    return names


def format_option(*names: str) -> Callable[[Any], Any]:
    """Let the user choose between a table for reading and layouts for programs."""
    return click.option(
        "--format",
        "layout",
        type=click.Choice(names),
        default=names[0],
        show_default=True,
        help="How to print the result; json gives one object a line.",
    )


flight_threshold_option = click.option(
    "--flight-threshold",
    type=FiniteRange(0, 1),
    metavar="0..1",
    help="How sure to be before a buzz is called flight; wingtone's own is 0.5. Higher: fewer other "
    "sounds taken for a bee, and fewer bees found.",
)
"""``--flight-threshold``: how sure the program must be before it calls a buzz flight."""

fauna_option = click.option(
    "--fauna",
    "fauna_folder",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="The bees of your region; without it those of Britain and Ireland.",
)
"""``--fauna``: whose bees are asked about."""

model_option = click.option(
    "--model",
    "model_path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A classifier of wingtone train, in place of the built-in tone cue.",
)
"""``--model``: a trained classifier."""

notebook_option = click.option(
    "--notebook",
    "notebook_path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The notebook; without it, the one in your own data folder.",
)
"""``--notebook``: where records are kept."""


def figure_option(what: str) -> Callable[[Any], Any]:
    """Let the user have a figure drawn; ``what`` begins the help."""
    return click.option(
        "--figure",
        type=click.Path(dir_okay=False, path_type=Path),
        metavar="FILE",
        help=f"{what} to FILE (.png, .svg or .pdf).",
    )


mapping_option = click.option(
    "--map",
    "mapping",
    multiple=True,
    metavar="HEADING=FIELD",
    help="What a column means where its heading does not say it, as 'Sound=recording' or 'Seen on=date'.",
)
"""``--map``: what the columns of somebody's table mean."""

by_option = click.option("--by", default="", metavar="NAME", help="Who makes this entry.")
"""``--by``: who makes a change."""

temperature_option = click.option(
    "--temperature",
    "temperature_c",
    type=FiniteRange(COLDEST_C, WARMEST_C),
    metavar="CELSIUS",
    help="Air temperature.",
)
"""``--temperature``: that of the air."""

hint_option = click.option(
    "--hint",
    "hints",
    multiple=True,
    metavar="CHARACTER=STATE",
    help="What you saw, as tail=white; again and again. A hint that is not known is answered with the "
    "list of those that are.",
)
"""``--hint``: what was seen."""


def place_option(read: Callable[..., Any]) -> Callable[[Any], Any]:
    """Let the user say where; ``read`` is `read_place`, or one that takes an empty text as well."""
    return click.option(
        "--place",
        callback=read,
        metavar="PLACE",
        help='Where: latitude and longitude as "51.46,-0.30", or a grid reference as "TQ 18 75".',
    )


def read_day(_: click.Context, __: click.Parameter, text: str | None) -> datetime.date | None:
    """Read a day, for click; None stays None."""
    if text is None:
        return None
    from wingtone.evidence.dates import parse_date

    return parse_date(text)


def read_place(_: click.Context, __: click.Parameter, text: str | None) -> Place | None:
    """Read a place, for click; None stays None."""
    if text is None:
        return None
    from wingtone.notebook.places import parse_place

    return parse_place(text)


def observation_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add ``--date``, ``--place``, ``--temperature`` and ``--hint``: what is known besides the sound."""
    options = (
        click.option(
            "--date",
            callback=read_day,
            metavar="DATE",
            help="Day of the observation, as 2026-03-20, 20/03/2026 (day first) or 20 March 2026. Without "
            "it, the day the recording states.",
        ),
        place_option(read_place),
        temperature_option,
        hint_option,
    )
    for option in reversed(options):
        command = option(command)
    return command
