"""Keeping two computers out of each other's results, where the manifest's own lock cannot.

A manifest locks itself, so where it lies with the results nobody else can be at work there. Results at an
address, or on a drive that several computers share, have a manifest on the disk of each. There a small file
beside the results says who is at work; it is renewed on the way and goes with the end. It is a note and no
lock: of two that start in the same moment both may go on. One that is old is of a program that was killed.

- `Claim`: the note, for as long as a survey is at work.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
import platform
from typing import TYPE_CHECKING

from wingtone.errors import OutputError, WingtoneError

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Self

    from wingtone.survey.places import Output

__all__ = ["CLAIM_NAME", "Claim"]

CLAIM_NAME = "at_work.json"
FRESH = dt.timedelta(minutes=30)
"""How long a note counts. Ours: three times `wingtone.survey.run.COPY_S`, after which it is renewed."""


class Claim:
    """The note of one survey. Use it in a ``with`` block.

    Parameters
    ----------
    output
        Where the results go; None where no note is needed.

    Raises
    ------
    OutputError
        On entering: another survey is at work there, or nothing can be written.
    RecordingError
        On entering: the address cannot be reached.
    """

    def __init__(self, output: Output | None) -> None:
        self._output = output
        self._who = {"host": platform.node(), "process": os.getpid()}

    def __enter__(self) -> Self:
        if self._output is not None:
            self._refuse_others(self._output)
            self._write(self._output)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._output is not None:
            self._output.remove(CLAIM_NAME)

    def renew(self) -> None:
        """Say that it is still at work. Where that cannot be written now, work goes on."""
        if self._output is not None:
            with contextlib.suppress(WingtoneError):
                self._write(self._output)

    def _write(self, output: Output) -> None:
        told = {**self._who, "at": dt.datetime.now(dt.UTC).isoformat(timespec="seconds")}
        with output.writing(CLAIM_NAME) as scratch:
            scratch.write_text(json.dumps(told), encoding="utf-8")

    def _refuse_others(self, output: Output) -> None:
        try:
            told = json.loads(output.read(CLAIM_NAME))
            host, process = str(told["host"])[:80], int(told["process"])
            at = dt.datetime.fromisoformat(told["at"]).astimezone(dt.UTC)
        except (ValueError, TypeError, KeyError, OverflowError, RecursionError):
            return  # no note, or not one of ours
        # Either clock may be wrong.
        old = abs(dt.datetime.now(dt.UTC) - at) > FRESH
        if old or (host == self._who["host"] and not _is_another(process)):
            return
        raise OutputError(
            f"another survey is at work here: on {host} (process {process}), by its note of {at:%H:%M} UTC",
            remedy=f"let it end, or stop it; if it was killed, wait until {at + FRESH:%H:%M} UTC, or remove "
            "the note",
            where=output.name_of(CLAIM_NAME),
        )


def _is_another(process: int) -> bool:
    """Whether a process of this computer is there and not this one; yes where that cannot be asked."""
    if process == os.getpid():
        return False
    if os.name != "posix":  # elsewhere asking may end it
        return True
    try:
        os.kill(process, 0)
    except (ProcessLookupError, OverflowError):
        return False
    except OSError:  # somebody else's
        return True
    return True
