"""What the program is given by its surroundings: streams that may be closed, full or narrow, and signals.

- `surroundings`: put right what can be, for as long as a command runs.
- `StdoutError`: the results cannot be written where they were sent; every further one would be lost too.
- `say_done`: print what has been done and stays done, whatever becomes of the words.
"""

from __future__ import annotations

import contextlib
import io
import logging
import os
import signal
import sys
import threading
from typing import TYPE_CHECKING, Any

import click

from wingtone.errors import OutputError, one_line

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["StdoutError", "say_done", "surroundings"]

UNREAD = 141
"""Exit status where the reader of stdout has gone, as of a program that SIGPIPE ended: 128 and its number."""


class StdoutError(OutputError):
    """stdout does not take the results."""


def say_done(text: str) -> None:
    """Print what has been done; where stdout does not take it, say it on stderr, or it is done once more."""
    try:
        click.echo(text)
    except (StdoutError, BrokenPipeError):
        for line in text.split("\n"):
            click.echo(f"wingtone: {line}", err=True)
        raise


class _Results(io.FileIO):
    """stdout: what it does not take is an error of ours, once; a reader that has gone ends the work quietly.

    Attributes
    ----------
    is_closed
        It was closed from the start: whatever is written to it is lost.
    unread
        Its reader has gone.
    """

    is_closed = False
    unread = False
    _lost = False

    def write(self, data: Any, /) -> int:
        if self._lost:  # what waits in the buffer is tried again at the end
            return memoryview(data).nbytes
        try:
            if not self.is_closed:
                return super().write(data)
            reason, remedy = "it is closed", "leave it open; what nobody wants can go to /dev/null"
        except BrokenPipeError:
            self._lost = self.unread = True
            raise
        except OSError as error:
            reason, remedy = error.strerror or str(error), "is there room where they are sent?"
        self._lost = True
        raise StdoutError(f"the results cannot be written: {reason}", remedy=remedy, where="stdout")


class _Messages(io.FileIO):
    """stderr: a message that nobody can read must not stop the work."""

    def write(self, data: Any, /) -> int:
        with contextlib.suppress(OSError):
            return super().write(data)
        return memoryview(data).nbytes


@contextlib.contextmanager
def surroundings() -> Iterator[None]:
    """Settle streams and signals around a command; nothing where another program holds them, as in tests.

    - A descriptor from 0 to 2 that is closed becomes that of the null device: else the next file opened
      would get its number, and what is meant for the terminal would go into that file. Results that would
      have gone to a closed stdout are told to be lost.
    - A reader of stdout that has gone, as ``head`` goes, ends a command without a word, with status `UNREAD`.
    - Letters that the terminal's encoding lacks are written as escapes.
    - SIGTERM and SIGHUP stop a command as Ctrl-C does, so that it clears away what is half written; the exit
      status is then 128 and the signal's number. A second one ends it at once, and one that is ignored
      from outside (``nohup``) stays so.
    """
    if sys.stdout is not sys.__stdout__ or threading.current_thread() is not threading.main_thread():
        yield
        return
    closed = set()
    for number, mode in ((0, os.O_RDONLY), (1, os.O_WRONLY), (2, os.O_WRONLY)):
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, mode)  # takes the lowest free number: this one
            closed.add(number)
    results = _Results(1, "w", closefd=False)
    results.is_closed = 1 in closed
    sys.stdout = _text(results, sys.stdout)
    sys.stderr = _text(_Messages(2, "w", closefd=False), sys.stderr)
    # What matplotlib says of its cache, in a home that cannot be written, is of no use to anybody here.
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    ended_by: list[int] = []

    def end(number: int, _: object) -> None:
        ended_by.append(number)
        signal.signal(number, signal.SIG_DFL)
        raise KeyboardInterrupt

    for name in ("SIGTERM", "SIGHUP"):  # Windows has no SIGHUP
        known = getattr(signal, name, None)
        if known is not None and signal.getsignal(known) is signal.SIG_DFL:
            signal.signal(known, end)
    try:
        yield
    finally:
        if ended_by:
            sys.exit(128 + ended_by[0])
        if results.unread:
            sys.exit(UNREAD)


class _Terminal(io.TextIOWrapper):
    """Results on a terminal: what could steer it, or turn the reading round, is written as an escape.

    Tables for people are printable anyway; in JSON and CSV stand names of files as they are, and into a file
    or a pipe they go so.
    """

    def write(self, text: str, /) -> int:
        super().write("\n".join(one_line(line) for line in text.split("\n")))
        return len(text)


def _text(raw: io.FileIO, old: io.TextIOBase | Any) -> io.TextIOWrapper:
    """Make a stream of text like the old one, which is None where its descriptor was closed."""
    if old is not None:
        old.flush()
    encoding = getattr(old, "encoding", None) or "utf-8"
    kind = _Terminal if raw.fileno() == 1 and raw.isatty() else io.TextIOWrapper
    return kind(io.BufferedWriter(raw), encoding=encoding, errors="backslashreplace", line_buffering=True)
