"""All errors wingtone raises on purpose, in one tree.

::

    WingtoneError
    ├── InputError                 something given to us cannot be used; the other inputs go on
    │   ├── RecordingError         a recording: missing, empty, no audio inside, not a recording at all
    │   └── TableError             a table (labels, records, a fauna): carries every fault at once
    ├── RequestError               the request itself is wrong: exit status 2
    │   ├── HintError              an unknown character or state
    │   ├── PlaceError             a place that was not understood
    │   └── DateError              a date that was not understood
    ├── OutputError                a result could not be written
    └── MissingExtraError          an optional part is not installed

Every error says in one line what is wrong and what to do about it: ``str(error)`` is
``"<where>: <what> (<remedy>)"``, a paragraph at most, whatever was put in. Errors of the libraries below us
never leak: each room maps them where it calls the library.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = [
    "DateError",
    "Fault",
    "HintError",
    "InputError",
    "MissingExtraError",
    "OutputError",
    "PlaceError",
    "RecordingError",
    "RequestError",
    "TableError",
    "WingtoneError",
    "how_many",
    "one_line",
    "shown_value",
]


def one_line(text: object) -> str:
    """Show any text on one line of a terminal: control and direction marks become visible escapes.

    So do the bytes of a name that are no text (Linux allows any), as in JSON.
    """
    return "".join(c if c.isprintable() else _escape(c) for c in str(text))


def _escape(letter: str) -> str:
    if "\udc80" <= letter <= "\udcff":  # how Python holds such a byte
        return f"\\x{ord(letter) - 0xDC00:02x}"
    return letter.encode("unicode_escape").decode("ascii")


def shown_value(value: object) -> str:
    """Show the beginning of any value on one line, even of a number that Python finds too long to write."""
    try:
        return one_line(repr(value)[:60])
    except ValueError:
        return "a number too long to show"


def how_many(number: int, what: str) -> str:
    """Say so many of something: ``1 record``, ``2 records``, ``3 buzzes``."""
    plural = f"{what}es" if what.endswith("z") else f"{what}s"
    return f"{number} {what if number == 1 else plural}"


MOST_WHERE, MOST_WHAT = 1000, 500
"""Characters shown of a place, and of what is wrong or what to do. Ours: any name of a file, a paragraph."""


def _shown(text: object, most: int) -> str:
    """Show a text on one line, its middle left out when it is too long."""
    line = one_line(text)
    return line if len(line) <= most else f"{line[: most // 2]} ... {line[-most // 2 :]}"


class WingtoneError(Exception):
    """Root of the tree.

    Parameters
    ----------
    what
        What is wrong, in plain words.
    remedy
        What to do about it; empty when there is nothing sensible to say.
    where
        The file, argument or place concerned; empty when there is none.
    """

    _most_what = MOST_WHAT
    _what_names_where = False

    def __init__(self, what: str, *, remedy: str = "", where: object = "") -> None:
        super().__init__(what, remedy, str(where))
        self.what = what
        self.remedy = remedy
        self.where = str(where)

    def __str__(self) -> str:
        is_named = not self.where or self._what_names_where
        head = "" if is_named else f"{_shown(self.where, MOST_WHERE)}: "
        tail = f" ({_shown(self.remedy, MOST_WHAT)})" if self.remedy else ""
        return f"{head}{_shown(self.what, self._most_what)}{tail}"


class InputError(WingtoneError):
    """One input cannot be used; others may still be."""


class RecordingError(InputError):
    """A recording cannot be used. ``where`` is its path."""


@dataclass(frozen=True)
class Fault:
    """One fault of a table.

    ``line`` counts from 1 with the heading as line 1; 0 means the file as a whole. ``column`` is the
    heading of the column, or empty.
    """

    file: str
    line: int
    column: str
    what: str

    def __str__(self) -> str:
        place = _shown(self.file, MOST_WHERE)
        if self.line:
            place += f", line {self.line}"
        if self.column:
            place += f", column {_shown(self.column, MOST_WHAT)}"
        return f"{place}: {_shown(self.what, MOST_WHAT)}"


class TableError(InputError):
    """A table has faults; all of them are in ``faults``, in file order.

    ``str()`` gives the first fault and the count; print ``faults`` line by line for all.
    """

    _most_what = MOST_WHERE + 3 * MOST_WHAT  # a whole fault, which is short by itself
    _what_names_where = True  # each fault begins with its table

    def __init__(self, faults: Sequence[Fault], *, remedy: str = "", where: object = "") -> None:
        if not faults:
            raise ValueError("a TableError needs at least one fault")
        self.faults = tuple(faults)
        more = f"; {len(faults) - 1} more" if len(faults) > 1 else ""
        super().__init__(f"{self.faults[0]}{more}", remedy=remedy, where=where)


class RequestError(WingtoneError):
    """The request is wrong in itself."""


class HintError(RequestError):
    """A hint names a character or state that does not exist."""


class PlaceError(RequestError):
    """A place was not understood."""


class DateError(RequestError):
    """A date was not understood."""


class OutputError(WingtoneError):
    """A result could not be written. Nothing that was there before has been touched."""


class MissingExtraError(WingtoneError):
    """An optional part of wingtone is not installed."""

    def __init__(self, purpose: str, extra: str) -> None:
        # By the folder, not by name: what a package index holds under our name may be somebody else's.
        remedy = f"in the folder of wingtone: pip install -c constraints.txt '.[{extra}]'"
        super().__init__(f"{purpose} needs an optional part", remedy=remedy)
        self.extra = extra
