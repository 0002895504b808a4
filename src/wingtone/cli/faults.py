"""What went wrong, on stderr: one line each, and the exit status that belongs to it.

- `show`: an error of ours, as one line (every fault of a table has its own).
- `show_unexpected`: an error nobody foresaw, still as one line; the traceback too after ``--debug``.
- `warn`: the answer is there, but there is something to know about it.
- `exit_status`: 2 for a wrong request, else 1.
- `debug_option`: the ``--debug`` that every command takes.
"""

from __future__ import annotations

import os
import traceback

import click

from wingtone.errors import RequestError, TableError, WingtoneError, one_line

__all__ = ["debug_option", "exit_status", "show", "show_unexpected", "warn"]

_DEBUG = "wingtone.debug"


def _remember(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    if wanted:
        ctx.meta[_DEBUG] = True


debug_option = click.option(
    "--debug",
    is_flag=True,
    expose_value=False,
    callback=_remember,
    help="Show where in the program an unexpected error arose.",
)


def show(error: WingtoneError) -> None:
    """Print one of our errors; a table's faults line by line."""
    if isinstance(error, TableError) and len(error.faults) == 1:
        remedy = f" ({error.remedy})" if error.remedy else ""
        click.echo(f"wingtone: {one_line(f'{error.faults[0]}{remedy}')}", err=True)
    elif isinstance(error, TableError):
        for fault in error.faults:
            click.echo(f"wingtone: {fault}", err=True)
        if error.remedy:
            click.echo(f"wingtone: {one_line(error.remedy)}", err=True)
    else:
        click.echo(f"wingtone: {error}", err=True)


def show_unexpected(error: Exception, *, where: object = "") -> None:
    """Print an error that nobody foresaw, naming the input concerned: a fault of ours, or of the machine."""
    head = f"{where}: " if where else ""
    what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    text = f"{head}something went wrong inside wingtone: {what} (please report it, with what --debug shows)"
    if isinstance(error, OSError) and error.strerror:
        at = f"{os.fsdecode(error.filename)}: " if isinstance(error.filename, str | bytes) else head
        text = f"{at}{error.strerror} (check the name, the room on the disk and your rights there)"
    elif isinstance(error, MemoryError):
        text = f"{head}there is not enough memory for this (close other programs, or take less at a time)"
    click.echo(f"wingtone: {one_line(text)}", err=True)
    if click.get_current_context().meta.get(_DEBUG):
        click.echo("".join(traceback.format_exception(error)), err=True, nl=False)


def warn(text: str, *, where: object = "") -> None:
    """Print a warning about an input that was processed."""
    head = f"{where}: " if where else ""
    click.echo(f"wingtone: {one_line(f'{head}note: {text}')}", err=True)


def exit_status(error: WingtoneError) -> int:
    """Give 2 when the request itself was wrong, 1 when an input or an output failed."""
    return 2 if isinstance(error, RequestError) else 1
