"""What looks like a slip in a record: told when it is added and when it is handed on, never refused.

A verifier sends such records back, and a scheme that does not look counts a bee twice.

- `Doubt`: one such slip, and the command that mends it.
- `doubts_about`: what to tell of a record that was just added.
- `Watch`: what to tell of records that are taken in or handed on.
- `is_same_flight`: whether two notes of bouts of one recording mean the same flight.
- `future_words`: what to tell of a date that is yet to come, of whatever it is.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from wingtone.errors import DateError
from wingtone.notebook.events import is_in_future, parse_event_date

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from wingtone.notebook.records import BoutNote, Record
    from wingtone.notebook.store import Entry

__all__ = ["Doubt", "Watch", "doubts_about", "future_words", "is_same_flight"]

SAME_TONE = 0.08
"""Tones of one flight, measured twice, differ by less. Ours: two bees at once cannot be told below it."""


_TOLD_APART = ("queen", "worker", "male", "cuckoo female")


class Doubt(NamedTuple):
    """What looks like a slip in the record of that number, and the arguments of `wingtone` that mend it."""

    number: int
    what: str
    command: str


def _shared(some: Sequence[BoutNote], others: Sequence[BoutNote]) -> bool:
    """Whether records of one recording have a flight in common, or rest on none, both of them."""
    if not some or not others:
        return not some and not others
    return any(is_same_flight(one, other) for one in some for other in others)


def is_same_flight(one: BoutNote, other: BoutNote) -> bool:
    """Whether they overlap by half of the shorter one, at one tone as far as it is known."""
    shared_s = min(one.end_s, other.end_s) - max(one.start_s, other.start_s)
    if shared_s < 0.5 * min(one.end_s - one.start_s, other.end_s - other.start_s):
        return False
    return one.f0_hz is None or other.f0_hz is None or abs(one.f0_hz / other.f0_hz - 1) < SAME_TONE


def _is_reversed(event_date: str) -> bool:
    """Whether a kept date is an interval that ends before it starts, which no new record may have."""
    try:
        parse_event_date(event_date)
    except DateError:
        return True
    return False


def future_words(event_date: str, *, today: dt.date) -> str:
    """Say that a date lies in the future; nothing where it does not."""
    return f"the date, {event_date}, lies in the future" if is_in_future(event_date, today=today) else ""


def doubts_about(
    entry: Entry,
    others: Iterable[Entry],
    *,
    today: dt.date,
    castes: Mapping[str, Sequence[str]] | None = None,
) -> list[Doubt]:
    """Say what looks like a slip in a record that was just added. Parameters as of `Watch`.

    Parameters
    ----------
    others
        Earlier records that rest on the same recording, see `Notebook.of_recording`.
    """
    watch = Watch(today, castes or {})
    watch.remember(others)
    watch.look(entry.number, entry.record)
    return watch.told


@dataclass
class Watch:
    """Records looked at as they pass.

    Attributes
    ----------
    today
        The day to compare with.
    castes
        The castes that each bumblebee has; what is not in it is not judged.
    told
        What looks like a slip, in the order in which they passed.
    """

    today: dt.date
    castes: Mapping[str, Sequence[str]] = field(default_factory=dict)
    told: list[Doubt] = field(default_factory=list, init=False)
    _heard: dict[str, list[tuple[int, tuple[BoutNote, ...]]]] = field(default_factory=dict, init=False)

    def passing(self, entries: Iterable[Entry]) -> Iterator[Entry]:
        """Hand records on as they are; only the flights of each are remembered."""
        for entry in entries:
            self.look(entry.number, entry.record)
            yield entry

    def look(self, number: int, record: Record) -> None:
        """Look at one record, which has this number."""
        self.told += [
            Doubt(number, what, f"notebook amend {number} {how}") for what, how in self._odd(record)
        ]
        if what := future_words(record.event_date, today=self.today):
            self.told.append(Doubt(number, what, f"notebook amend {number} --date DATE"))
        if same := self._in_common(number, record):
            what = f"it may be the bee of record {same}, which rests on the same part of the same recording"
            self.told.append(Doubt(number, what, f"notebook remove {number}"))

    def remember(self, entries: Iterable[Entry]) -> None:
        """Remember the flights of records that were there before, of which nothing is told.

        Rejected ones are no rivals.
        """
        for entry in entries:
            if entry.record.status != "rejected":
                self._in_common(entry.number, entry.record)

    def _in_common(self, number: int, record: Record) -> int:
        """Give the first record that passed with some of the flights of this one, else 0; remember them."""
        if record.recording is None or not record.recording.sha256:
            return 0
        flights = tuple(bout for bout in record.recording.bouts if bout.kind == "flight")
        earlier = self._heard.setdefault(record.recording.sha256, [])
        same = [other for other, theirs in earlier if _shared(flights, theirs)]
        earlier.append((number, flights))
        return same[0] if same else 0

    def _odd(self, record: Record) -> Iterator[tuple[str, str]]:
        """Say what cannot be so in a record by itself, and with which options it is mended."""
        if "/" in record.event_date and _is_reversed(record.event_date):
            yield f"the date, {record.event_date}, ends before it starts", "--date DATE"
        taxon, caste = record.taxon, record.caste
        castes = self.castes.get(taxon, ())
        if caste == "not a bumblebee" and (castes or taxon.split()[:1] == ["Bombus"]):
            yield f"it is called {taxon} and not a bumblebee at once", "--taxon NAME --caste CASTE"
        elif castes and caste in _TOLD_APART and caste not in castes:
            yield f"there is no {caste} of {taxon}, only {', '.join(castes)}", "--taxon NAME --caste CASTE"
        if record.status in ("decided", "confirmed"):
            if not (taxon or record.vernacular):
                yield f"it is {record.status}, but has no name", "--taxon NAME"
            if record.status == "confirmed" and not record.identified_by:
                yield "it is confirmed, but nobody stands for that", "--identified-by NAME"
            if not record.event_date and record.place is None:
                yield "it has neither date nor place", "--date DATE --place PLACE"
