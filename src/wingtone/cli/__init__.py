"""The ``wingtone`` command: one small module a command, loaded when it is called.

The commands parse, call and print; the work is done in the rooms below. Nothing here imports the science
before a command needs it, so ``wingtone --help`` is quick.

Exit status: 0 all done; 1 at least one input could not be processed; 2 wrong usage; 130 stopped by Ctrl-C,
143 by SIGTERM, 129 by SIGHUP; 141 nobody reads the results any more.
"""

from __future__ import annotations

import importlib
import sys
from typing import Any

import click

from wingtone import __version__
from wingtone.cli.command import Group
from wingtone.cli.faults import debug_option, exit_status, show, show_unexpected
from wingtone.cli.process import StdoutError, surroundings
from wingtone.errors import WingtoneError

__all__ = ["COMMANDS", "main"]

COMMANDS = (
    "demo",
    "page",
    "measure",
    "identify",
    "cue",
    "notebook",
    "survey",
    "sizes",
    "train",
    "assess",
    "fauna",
)
"""In the order of ``wingtone --help``. Command ``x`` is the function ``x`` of ``wingtone.cli.x_command``."""


class _Commands(Group):
    """Load a command when it is asked for, and turn errors into one line and an exit status."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"wingtone.cli.{cmd_name}_command")
        command: click.Command = getattr(module, cmd_name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            from difflib import get_close_matches

            near = get_close_matches(args[0], COMMANDS, n=1)
            if not near:
                raise
            raise click.UsageError(f"{error.message} Did you mean {near[0]!r}?", ctx) from error

    def main(self, *args: Any, **kwargs: Any) -> Any:
        with surroundings():
            try:
                return super().main(*args, **kwargs)
            except StdoutError as error:  # of the help, which click writes before anything is invoked
                show(error)
                sys.exit(exit_status(error))

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except WingtoneError as error:
            show(error)
            ctx.exit(exit_status(error))
        except KeyboardInterrupt:
            ctx.exit(130)
        except (click.ClickException, click.exceptions.Exit, click.Abort, BrokenPipeError):
            raise  # click knows what to do with these
        except Exception as error:
            show_unexpected(error)
            ctx.exit(1)


@click.group(
    cls=_Commands,
    examples=(
        "wingtone demo                                     try it on the bundled clips",
        "wingtone page                                     the whole job in your browser",
        "wingtone measure garden.m4a                       the flight bouts and their tone",
        "wingtone identify garden.m4a --hint tail=white    ... and who it may have been",
    ),
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="Every command has its own help with more examples: wingtone measure --help",
)
@debug_option
@click.version_option(__version__, prog_name="wingtone")
def main() -> None:
    """Find out which bumblebee that may have been, from the sound of its flight.

    wingtone listens to a phone recording, measures the tone of the wings, takes it for an honest cue of the
    bee's size, and together with the date, the place and what you saw narrows the name.
    """
