"""Going through the recordings of a command: a fault in one is told and the others are still done.

- `Inputs`: what was asked for, measured one by one, with a note of whether anything failed.
"""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

import click

from wingtone.cli.faults import show, show_unexpected, warn
from wingtone.cli.process import StdoutError
from wingtone.cli.tables import bar, tell
from wingtone.errors import RequestError, WingtoneError, one_line

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from wingtone.clip import Measurement

__all__ = ["Inputs"]


class Inputs:
    """The recordings named on the command line.

    Parameters
    ----------
    named
        Files and folders as given.
    flight_threshold
        For `wingtone.clip.measure_recording`.

    Attributes
    ----------
    paths
        The recordings found, each once, in the order given (folders: sorted).
    failed
        Whether anything named could not be found or processed so far.
    """

    def __init__(self, named: Sequence[str], *, flight_threshold: float | None = None) -> None:
        from wingtone.audio import find_recordings

        self._flight_threshold = flight_threshold
        self.failed = False
        found: dict[Path, None] = {}
        for name in named:
            with self.contained(name):
                found.update(dict.fromkeys(find_recordings([name])))
        self.paths = tuple(found)

    @contextlib.contextmanager
    def contained(self, where: object) -> Iterator[None]:
        """Keep an error inside the block to one line on stderr, and remember that something failed."""
        try:
            yield
        except (BrokenPipeError, StdoutError):
            raise  # nobody gets the other results either
        except RequestError:
            raise  # wrong for every input alike
        except WingtoneError as error:
            self.failed = True
            show(error)
        except Exception as error:
            self.failed = True
            show_unexpected(error, where=where)

    def measure(self, path: Path, *, done: int, of: int | None = None) -> Measurement | None:
        """Measure one recording; None when it could not be, which has been told.

        On a terminal a progress bar says how far it is; ``done`` are the recordings before this one, and
        ``of`` how many there are in all, without it all that were found.
        """
        from wingtone.clip import measure_recording

        measurement = None
        progress = _Progress(path, done=done, of=len(self.paths) if of is None else of)
        with self.contained(path):
            try:
                measurement = measure_recording(
                    path, flight_threshold=self._flight_threshold, progress=progress.heard
                )
            finally:
                progress.clear()
        return measurement

    def measured(self) -> Iterator[Measurement]:
        """Measure one recording after the other; warnings about them go to stderr."""
        for done, path in enumerate(self.paths):
            measurement = self.measure(path, done=done)
            if measurement is not None:
                yield measurement
                for _, text in measurement.warnings:
                    warn(text, where=path)

    def finish(self) -> None:
        """End the command with status 1 when anything failed."""
        if self.failed:
            click.get_current_context().exit(1)


class _Progress:
    """One line on the terminal that says which recording is heard and how far; nothing elsewhere."""

    def __init__(self, path: Path, *, done: int, of: int) -> None:
        self._head = f"[{bar(done / of):.<20}] {done + 1} of {of}: {one_line(path.name)}"
        self.heard(0.0)

    def heard(self, time_s: float) -> None:
        tell(f"{self._head}, {time_s / 60:.1f} min heard")

    def clear(self) -> None:
        tell("")
