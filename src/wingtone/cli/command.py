"""Commands whose help shows examples, and says in a list what each of them does.

- `Command`: `click.Command` with ``examples``, printed as they stand under a heading of their own.
- `Group`: the same for a group of commands.
"""

from __future__ import annotations

import re
import sys
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Command", "Group"]

QUOTES = 'Words and numbers that belong together go in quotes, as "51.46, -0.30" or "Bombus terrestris".'


class _WithExamples(click.Command):
    """What commands and groups have in common.

    Parameters
    ----------
    examples
        Command lines that work as they stand, given the files they name.
    """

    def __init__(self, *args: Any, examples: Sequence[str], **options: Any) -> None:
        super().__init__(*args, **options)
        self.examples = tuple(examples)

    def get_short_help_str(self, limit: int = sys.maxsize) -> str:
        """Give the first sentence of the help whole; click would cut it off at the end of a line."""
        return super().get_short_help_str(sys.maxsize)

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the examples as they stand, one a line, then the epilog."""
        with formatter.section("Examples"):
            for example in self.examples:
                formatter.write(f"{'':>{formatter.current_indent}}{example}\n")
        super().format_epilog(ctx, formatter)


class Group(_WithExamples, click.Group):
    """A click group with examples."""


class Command(_WithExamples):
    """A click command with examples."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Read the arguments; where the shell has parted what belongs together, say how it is kept so.

        The same for a name that is taken for an option.
        """
        given = tuple(args)
        try:
            return super().parse_args(ctx, args)
        except click.NoSuchOption as error:
            taken = [a for a in given if a.startswith(error.option_name)]
            if any(re.fullmatch(r"-[\d.,]+", a) for a in taken):  # the second half of a place
                raise click.UsageError(f"{error.message} {QUOTES}", ctx) from error
            named = [a for a in taken if "." in a and "=" not in a]
            if not named or error.possibilities:
                raise
            what = f"{error.message} If it is the name of a file, write ./{named[0]}"
            raise click.UsageError(what, ctx) from error
        except click.UsageError as error:
            if type(error) is not click.UsageError:  # what is wrong with one option or argument
                raise
            raise click.UsageError(f"{error.message}. {self._remedy(error.message)}", ctx) from error

    def _remedy(self, message: str) -> str:
        """Say what may be meant by words that a command does not take."""
        from wingtone.audio import named_like_recording

        extra = re.search(r"\((.*)\)$", message)
        if extra and named_like_recording(extra[1]) and any("--recording" in one.opts for one in self.params):
            name = extra[1] if " " not in extra[1] else f'"{extra[1]}"'
            return f"A recording is given with --recording {name}"
        return QUOTES
