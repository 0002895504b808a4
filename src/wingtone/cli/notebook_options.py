"""Options of ``wingtone notebook``: those that fill a record, and those that choose records.

- `in_notebook`, `open_notebook`: the notebook that is meant.
- `field_options`: what a record holds.
- `filter_options`, `chosen_filter`: which records are meant; `tell_why_none`: why that may be none.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from wingtone.cli.faults import warn
from wingtone.cli.options import (
    FiniteRange,
    by_option,
    hint_option,
    place_option,
    read_place,
)

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable, Sequence

    from wingtone.notebook.places import Place
    from wingtone.notebook.store import Filter, Notebook

__all__ = [
    "chosen_filter",
    "field_options",
    "filter_options",
    "in_notebook",
    "open_notebook",
    "tell_why_none",
]


def _meant(ctx: click.Context, _: click.Parameter, path: Path | None) -> None:
    """Leave the file to the commands below, which leave it as it is unless they are given one themselves."""
    if path is not None:
        ctx.obj = path


in_notebook = click.option(
    "--notebook",
    type=click.Path(path_type=Path),
    metavar="FILE",
    expose_value=False,
    callback=_meant,
    help="The notebook file; without it, one in your own data folder. It is made when you add a record.",
)
"""``--notebook``, for the group and for each command of it: the later one counts. The path is ``ctx.obj``."""


def open_notebook(ctx: click.Context, /, *, write: bool) -> Notebook:
    """Open the notebook that is meant."""
    from wingtone.notebook.store import Notebook

    return Notebook.open(ctx.obj, write=write)


def _event_date(_: click.Context, __: click.Parameter, text: str | None) -> str | None:
    from wingtone.notebook.events import parse_event_date

    return parse_event_date(text) if text else text


def _day(_: click.Context, parameter: click.Parameter, text: str | None) -> dt.date | None:
    if text is None:
        return None
    from wingtone.notebook.events import day_range, parse_event_date

    first, last = day_range(parse_event_date(text))
    return last if parameter.name == "until" else first


def _place(ctx: click.Context, parameter: click.Parameter, text: str | None) -> Place | str | None:
    """Read a place; an empty text takes the place away."""
    return read_place(ctx, parameter, text) if text else text


def _photographs(_: click.Context, __: click.Parameter, paths: tuple[str, ...]) -> tuple[str, ...]:
    """Say which are not there: only their paths are kept, and a slip of the pen would show years later."""
    for path in paths:
        if path and not os.path.isfile(path):
            what = "this is a folder, no photograph" if os.path.isdir(path) else "there is no such photograph"
            warn(f"{what}; its path is kept as it is written", where=path)
    return tuple(path for path in paths if path) if any(paths) else paths


class _TemperatureOrNone(FiniteRange):
    """A temperature, or an empty text for none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        return "" if value == "" else super().convert(value, param, ctx)


class _WordOrNone(click.types.StringParamType):
    """One of a few words, or an empty text for none of them, which need not be offered."""

    def __init__(self, words: Sequence[str]) -> None:
        self._choice = click.Choice(words, case_sensitive=False)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        return "" if value == "" else self._choice.convert(value, param, ctx)


def field_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that fill or change a record."""
    from wingtone.notebook.records import CASTES, COLDEST_C, STATUSES, WARMEST_C

    options = (
        click.option(
            "--date",
            "event_date",
            callback=_event_date,
            metavar="DATE",
            help="When: 2026-03-20, 2026-03-20T10:32+01:00, 20/03/2026, or start/end.",
        ),
        place_option(_place),
        click.option("--taxon", metavar="NAME", help='The name, as "Bombus terrestris".'),
        click.option(
            "--caste", type=_WordOrNone(CASTES), metavar="CASTE", help=f"One of {', '.join(CASTES)}."
        ),
        click.option("--recorder", metavar="NAME", help="Who saw or recorded it."),
        click.option("--identified-by", metavar="NAME", help="Who decided on the name."),
        click.option(
            "--status", type=click.Choice(STATUSES, case_sensitive=False), help="What the name rests on."
        ),
        click.option(
            "--temperature",
            "temperature_c",
            type=_TemperatureOrNone(COLDEST_C, WARMEST_C),
            metavar="CELSIUS",
            help="Air temperature.",
        ),
        hint_option,
        click.option("--notes", metavar="TEXT", help="Anything else."),
        click.option(
            "--photo",
            "photographs",
            multiple=True,
            callback=_photographs,
            metavar="FILE",
            help="A photograph; again and again.",
        ),
        by_option,
    )
    for option in reversed(options):
        command = option(command)
    return command


def filter_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add the options that choose records."""
    from wingtone.notebook.records import CASTES, STATUSES

    options = (
        click.option("--since", callback=_day, metavar="DATE", help="Seen on this day or later."),
        click.option("--until", callback=_day, metavar="DATE", help="Seen on this day or earlier."),
        click.option(
            "--near",
            callback=read_place,
            metavar="PLACE",
            help="In this place: a grid square, or one point. With --within, around it as well.",
        ),
        click.option(
            "--within",
            "within_km",
            type=FiniteRange(0, 20_000),
            metavar="KM",
            help="So far around the place of --near.",
        ),
        click.option(
            "--taxon",
            default="",
            metavar="NAME",
            help="A scientific or plain name, its beginning, or its last words, as hornet.",
        ),
        click.option("--caste", default="", type=_WordOrNone(CASTES), metavar="CASTE", help="Of this caste."),
        click.option(
            "--status",
            default="",
            type=_WordOrNone(STATUSES),
            metavar="STATUS",
            help=f"One of {', '.join(STATUSES)}.",
        ),
        click.option("--recorder", default="", metavar="NAME", help="By this recorder."),
    )
    for option in reversed(options):
        command = option(command)
    return command


def chosen_filter(*, within_km: float | None, near: Place | None, taxon: str, **known: Any) -> Filter:
    """Make a filter of what `filter_options` gave; a plain name finds the scientific ones that go by it."""
    from wingtone.notebook.store import Filter

    if within_km is not None and near is None:
        raise click.UsageError("--within needs --near.")
    within_m = None if within_km is None else within_km * 1000
    also: tuple[str, ...] = ()
    if taxon:  # else the list need not wait for the fauna
        from wingtone.fauna import load

        fauna = load()
        exact = fauna.known_as(taxon)
        also = (*fauna.names.beginning(taxon), *((exact,) if exact else fauna.names.ending(taxon)))
    return Filter(near=near, within_m=within_m, taxon=taxon, also=also, **known)


def tell_why_none(where: Filter) -> None:
    """Say what may be the reason that no record was found."""
    if where.since is not None and where.until is not None and where.since > where.until:
        warn(f"no day is both since {where.since} and until {where.until}")
    if where.near is not None and where.within_m is None:
        warn("--near alone finds what lies in that square or point; --within KM looks around it as well")
    if where.taxon and not where.also:
        from wingtone.fauna import load

        near = load().names.nearest(where.taxon)
        meant = f"; did you mean {' or '.join(near)}?" if near else ""
        warn(f"{where.taxon!r} begins no name in the fauna{meant}")
