"""Labels: which stretch of which recording was which bee, as a table anyone can write.

Conventions
-----------
A table is CSV, separated by commas, semicolons or tabs, with one heading line. Each row labels one
stretch of one recording, ``start_s`` to ``end_s``, or all flight in it when both are empty. Times are
seconds from the start of the recording. Empty means not known.

==============  ============================================================================
file            the recording; a relative path starts at the folder of the table
start_s, end_s  the stretch; both or neither
caste           queen, worker, male, cuckoo female, not a bumblebee
taxon           any name, in small or capital letters; caste, taxon or both
individual      a name for one animal, the same wherever it was recorded (optional)
site, date      where and on which day (optional)
recorder        which phone or microphone (optional)
temperature_c   air temperature (optional)
==============  ============================================================================

**Groups.** Bouts of one animal, or of one place and day, are alike in more than what they are. So they are
never split between training and test: rows are joined to one group when they share an individual; rows
without one, when they share site and date; and rows of one file always, however the table spells its path.
Copies under other names are found when they are heard, see `wingtone.learn.dataset`.

- `read_labels`: a table to `Labels`, or every fault of it.
- `write_labels`: rows to a table that `read_labels` takes.
- `groups_of`: the group of each row, and what the groups rest on.
- `behind_the_end`: a sentence about rows that label what their recording does not hold.
"""

from __future__ import annotations

import difflib
import math
import os
import re
from collections import Counter
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from wingtone.audio.find import sha256_of
from wingtone.csv_text import from_spreadsheet, row_writer, rows_of_file, safe_for_spreadsheets
from wingtone.errors import Fault, TableError, WingtoneError
from wingtone.evidence.dates import parse_date
from wingtone.evidence.lineup import CASTES
from wingtone.files import replacing
from wingtone.notebook.records import COLDEST_C, WARMEST_C

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterable, Mapping, Sequence

__all__ = [
    "COLUMNS",
    "Grouping",
    "Label",
    "Labels",
    "Target",
    "behind_the_end",
    "groups_of",
    "read_labels",
    "write_labels",
]

Target = Literal["caste", "taxon"]

COLUMNS = (
    "file",
    "start_s",
    "end_s",
    "caste",
    "taxon",
    "individual",
    "site",
    "date",
    "recorder",
    "temperature_c",
)

MOST_LINES = 5
"""Ours: enough of them to see what is wrong with all."""
MOST_FAULTS = 1000
MOST_CHARACTERS = 500
"""Ours: more faults than anyone reads; longer than any sensible cell."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)", re.ASCII)


@dataclass(frozen=True)
class Label:
    """One row.

    ``start_s`` and ``end_s`` are None for all flight of the recording; texts are empty and ``date`` and
    ``temperature_c`` None when not known. ``line`` is where the row stands in its table.
    """

    file: Path
    start_s: float | None = None
    end_s: float | None = None
    caste: str = ""
    taxon: str = ""
    individual: str = ""
    site: str = ""
    date: dt.date | None = None
    recorder: str = ""
    temperature_c: float | None = None
    line: int = 0

    def named(self, target: Target) -> str:
        """Return what the row says of a target; empty when it says nothing."""
        return self.caste if target == "caste" else self.taxon


@dataclass(frozen=True)
class Labels:
    """A table of labels. ``ignored`` are headings that mean nothing to us; ``sha256`` is that of the file."""

    path: Path
    rows: tuple[Label, ...]
    ignored: tuple[str, ...]
    sha256: str

    @property
    def files(self) -> tuple[Path, ...]:
        """The recordings, each once, in the order of the table."""
        return tuple(dict.fromkeys(row.file for row in self.rows))

    def target(self) -> Target:
        """Choose what can be learnt.

        What is not the same throughout; of both, the caste when every row has one, else what more rows have.
        """
        castes, taxa = ([name for row in self.rows if (name := row.named(of))] for of in ("caste", "taxon"))
        if (len({*castes}) > 1) != (len({*taxa}) > 1):
            return "caste" if len({*castes}) > 1 else "taxon"
        return "caste" if len(castes) >= len(taxa) else "taxon"


@dataclass(frozen=True)
class Grouping:
    """Which rows belong together.

    Attributes
    ----------
    group
        Number of each row's group, from 0 in the order of first appearance.
    rests_on
        ``individual``, ``site-day`` or ``file``: the finest that all rows have.
    without_individual
        Rows that name no individual.
    """

    group: tuple[int, ...]
    rests_on: Literal["individual", "site-day", "file"]
    without_individual: int


def groups_of(rows: Sequence[Label]) -> Grouping:
    """Join rows to groups, see the head of this module."""
    parent = list(range(len(rows)))

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    first: dict[tuple[object, ...], int] = {}
    for i, row in enumerate(rows):
        keys: list[tuple[object, ...]] = [("file", row.file)]
        if row.individual:
            keys.append(("individual", row.individual.casefold()))
        elif row.site and row.date:
            keys.append(("site-day", row.site.casefold(), row.date))
        for key in keys:
            parent[root(i)] = root(first.setdefault(key, i))
    number: dict[int, int] = {}
    group = tuple(number.setdefault(root(i), len(number)) for i in range(len(rows)))
    without = [row for row in rows if not row.individual]
    if not without:
        return Grouping(group, "individual", 0)
    day = all(row.site and row.date for row in without)
    return Grouping(group, "site-day" if day else "file", len(without))


def read_labels(path: str | os.PathLike[str]) -> Labels:
    """Read a table of labels.

    Raises
    ------
    InputError
        The table cannot be read, see `wingtone.csv_text.encoding_of`; as TableError it has faults: all of
        them, with line and column.
    """
    path = Path(path)
    records = rows_of_file(path)
    at, cells = next(records, (0, []))
    if not at:
        raise TableError([Fault(str(path), 0, "", "is empty")], remedy=f"begin with {','.join(COLUMNS)}")
    headings, ignored = _headings(cells, path, line=at)
    faults: list[Fault] = []
    rows: list[Label] = []
    spelling: dict[str, Path] = {}
    taxa: dict[str, str] = {}
    for line, cells in records:
        if any(cell.strip() for cell in cells[len(headings) :]):
            what = f"has {len(cells)} cells where the heading has {len(headings)}"
            faults.append(Fault(str(path), line, "", what))
            continue
        cells += [""] * (len(headings) - len(cells))  # spreadsheets leave empty ones out at the end of a row
        row = {name: from_spreadsheet(cell.strip()) for name, cell in zip(headings, cells, strict=False)}
        reader = _Row(path, line, row, spelling, taxa)
        rows.append(reader.label())
        faults += reader.faults
        if len(faults) > MOST_FAULTS:
            break
    if not rows and not faults:
        faults.append(Fault(str(path), 0, "", "has a heading but no rows"))
    faults += _faults_between(rows, path)
    if faults:
        order = {name: i for i, name in enumerate(headings)}
        faults.sort(key=lambda fault: (fault.line, order.get(fault.column, -1)))
        raise TableError(faults[:MOST_FAULTS], remedy="put these right, then try again with --check")
    return Labels(path, tuple(rows), ignored, sha256_of(path))


def write_labels(path: str | os.PathLike[str], rows: Iterable[Label]) -> None:
    """Write a table that `read_labels` takes; an existing file is replaced in one step.

    Recordings below the folder of the table are named from there, others by their whole path.

    Raises
    ------
    OutputError
        The table cannot be written.
    """
    folder = Path(path).resolve().parent
    with replacing(path) as scratch, scratch.open("w", encoding="utf-8", newline="") as file:
        writer = row_writer(file)
        writer.writerow(COLUMNS)
        for row in rows:
            whole = row.file.resolve()
            name = whole.relative_to(folder).as_posix() if whole.is_relative_to(folder) else str(whole)
            values = [getattr(row, column) for column in COLUMNS[1:]]
            texts = [name, *("" if value is None else str(value) for value in values)]
            writer.writerow([safe_for_spreadsheets(text) for text in texts])


def _headings(cells: list[str], path: Path, *, line: int) -> tuple[list[str], tuple[str, ...]]:
    """Check the heading line; a misspelt heading would silently lose what it holds, so it is a fault."""
    names = [re.sub(r"[\s-]+", "_", cell.strip().casefold()) for cell in cells]
    faults = []
    for column in COLUMNS:
        if names.count(column) > 1:
            faults.append(Fault(str(path), line, column, "this column stands twice"))
    if "file" not in names:
        faults.append(Fault(str(path), line, "file", "this column is missing"))
    if not {"caste", "taxon"} & set(names):
        faults.append(Fault(str(path), line, "caste", "there is neither a column caste nor a column taxon"))
    ignored = tuple(name for name in names if name and name not in COLUMNS)
    for name in ignored:
        near = difflib.get_close_matches(name, [c for c in COLUMNS if c not in names], n=1, cutoff=0.75)
        if near:
            faults.append(Fault(str(path), line, name[:80], f"no such column; did you mean {near[0]}?"))
    if faults:
        raise TableError(faults, remedy=f"the columns are {', '.join(COLUMNS)}")
    return names, ignored


class _Row:
    """Reads the cells of one row and collects what is wrong with them.

    ``spelling`` is how the table first spelt each recording, and ``taxa`` each taxon, which every later
    spelling is replaced by.
    """

    def __init__(
        self,
        path: Path,
        line: int,
        cells: Mapping[str, str],
        spelling: dict[str, Path],
        taxa: dict[str, str],
    ) -> None:
        self.path, self.line, self.cells = path, line, cells
        self.spelling, self.taxa = spelling, taxa
        self.faults: list[Fault] = []

    def label(self) -> Label:
        start_s, end_s = self._number("start_s", 0.0, 1e7), self._number("end_s", 0.0, 1e7)
        if (start_s is None) != (end_s is None) and not self.faults:
            column = "start_s" if start_s is None else "end_s"
            self._fault(column, "is empty: give both times, or neither for the whole recording")
        if start_s is not None and end_s is not None and end_s <= start_s:
            self._fault("end_s", f"{end_s:g} is not after the start, {start_s:g}")
        caste, taxon = self._text("caste").casefold(), self._text("taxon")
        if caste and caste not in CASTES:
            self._fault("caste", f"{caste[:40]!r} is not one of: {', '.join(CASTES)}")
        if not caste and not taxon:
            self._fault("caste", "neither caste nor taxon is given")
        return Label(
            file=self._file(),
            start_s=start_s,
            end_s=end_s,
            caste=caste,
            taxon=self.taxa.setdefault(taxon.casefold(), taxon),
            individual=self._text("individual"),
            site=self._text("site"),
            date=self._date(),
            recorder=self._text("recorder"),
            temperature_c=self._number("temperature_c", COLDEST_C, WARMEST_C),
            line=self.line,
        )

    def _fault(self, column: str, what: str) -> None:
        self.faults.append(Fault(str(self.path), self.line, column, what))

    def _text(self, column: str) -> str:
        text = self.cells.get(column, "")
        if len(text) > MOST_CHARACTERS:
            self._fault(column, f"holds {len(text):,} characters; {MOST_CHARACTERS} is the most")
            return ""
        if not text.isprintable():
            self._fault(column, "holds a line break or an unprintable character")
            return ""
        return " ".join(text.split())

    def _file(self) -> Path:
        text = self._text("file")
        if not text:
            if not any(fault.column == "file" for fault in self.faults):
                self._fault("file", "is empty")
            return self.path
        for name in (text, text.replace("\\", "/")):  # the second is as Windows writes it
            file = self.path.parent / name
            try:
                if file.is_file():
                    return self.spelling.setdefault(os.path.realpath(file), file)
            except (OSError, ValueError):
                continue
        self._fault("file", f"there is no recording {text}")
        return file

    def _number(self, column: str, low: float, high: float) -> float | None:
        text = self._text(column).replace(",", ".")
        if not text:
            return None
        if not _NUMBER.fullmatch(text) or not math.isfinite(value := float(text)):
            self._fault(column, f"{text[:40]!r} is not a number")
            return None
        if not low <= value <= high:
            self._fault(column, f"{text[:40]} is outside {low:g} to {high:g}")
            return None
        return value

    def _date(self) -> dt.date | None:
        text = self._text("date")
        if not text:
            return None
        try:
            return parse_date(text)
        except WingtoneError as error:
            self._fault("date", f"{error.what}; {error.remedy}" if error.remedy else error.what)
            return None


def _faults_between(rows: Sequence[Label], path: Path) -> list[Fault]:
    """Faults that no row has by itself: one animal of two kinds, one stretch with two labels."""
    faults = []
    for column in ("caste", "taxon"):
        kinds: dict[str, tuple[str, int]] = {}
        for row in rows:
            value = getattr(row, column)
            if not row.individual or not value:
                continue
            known, line = kinds.setdefault(row.individual.casefold(), (value, row.line))
            if known != value:
                what = f"the individual {row.individual} is {known} in line {line}"
                faults.append(Fault(str(path), row.line, column, what))
    by_file: dict[Path, list[Label]] = {}
    for row in rows:
        by_file.setdefault(row.file, []).append(row)
    for same in by_file.values():
        whole = [row for row in same if row.start_s is None]
        if whole and len(same) > 1:
            for row in same[1:]:
                what = f"line {same[0].line} labels the same recording: give times to both"
                faults.append(Fault(str(path), row.line, "start_s", what))
            continue
        timed = [(row.start_s, row.end_s or 0.0, row) for row in same if row.start_s is not None]
        timed.sort(key=lambda item: (item[0], item[2].line))
        for (_, end_s, one), (start_s, _, other) in pairwise(timed):
            if start_s < end_s and (one.caste, one.taxon) != (other.caste, other.taxon):
                what = f"overlaps with line {one.line}, which says something else"
                faults.append(Fault(str(path), other.line, "start_s", what))
    return faults


def behind_the_end(rows: Sequence[Label], length_s: Mapping[Path, float]) -> str:
    """Name the rows whose stretch begins behind the end of its recording; empty when there is none.

    ``length_s`` is how long each recording is; one that is not in it may be of any length.
    """
    lines = [str(row.line) for row in rows if (row.start_s or 0.0) > length_s.get(row.file, math.inf)]
    if not lines:
        return ""
    more = f" and {len(lines) - MOST_LINES} more" if len(lines) > MOST_LINES else ""
    where = f"{'line' if len(lines) == 1 else 'lines'} {', '.join(lines[:MOST_LINES])}{more}"
    return f"{where}: the stretch begins behind the end of its recording; are the times in seconds?"


def counts(rows: Sequence[Label], target: Target) -> dict[str, tuple[int, int]]:
    """Return rows and groups of each class, the commonest first; rows without the target are left out."""
    group = groups_of(rows).group
    by_class: dict[str, set[int]] = {}
    n_rows = Counter(row.named(target) for row in rows if row.named(target))
    for row, number in zip(rows, group, strict=True):
        if row.named(target):
            by_class.setdefault(row.named(target), set()).add(number)
    return {name: (n, len(by_class[name])) for name, n in n_rows.most_common()}
