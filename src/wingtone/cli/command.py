"""A command that shows examples in its help.

- `Command`: `click.Command` with ``examples``, printed as they stand under a heading of their own.
- `write_examples`: the same for a group.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Command", "write_examples"]


class Command(click.Command):
    """A click command with examples.

    Parameters
    ----------
    examples
        Command lines that work as they stand, given the files they name.
    """

    def __init__(self, *args: Any, examples: Sequence[str], **options: Any) -> None:
        super().__init__(*args, **options)
        self.examples = tuple(examples)

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Read the arguments; where a name is taken for an option, say how it is given as a name."""
        given = tuple(args)
        try:
            return super().parse_args(ctx, args)
        except click.NoSuchOption as error:
            named = [a for a in given if a.startswith(error.option_name) and "." in a and "=" not in a]
            if not named or error.possibilities:
                raise
            what = f"{error.message} If it is the name of a file, write ./{named[0]}"
            raise click.UsageError(what, ctx) from error

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the examples, then the epilog."""
        write_examples(self.examples, formatter)
        super().format_epilog(ctx, formatter)


def write_examples(examples: Sequence[str], formatter: click.HelpFormatter) -> None:
    """Write examples under a heading, one a line, never wrapped."""
    with formatter.section("Examples"):
        for example in examples:
            formatter.write(f"{'':>{formatter.current_indent}}{example}\n")
