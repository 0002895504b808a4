"""The tables of a survey, put together from what the manifest holds.

Three tables, each as CSV and, where pyarrow is installed, as Parquet: ``bouts`` (a row a bout),
``recordings`` (a row a recording, heard or not) and ``effort`` (a row for each ten minutes of each
recording). Rows are sorted by path and time, so equal results give equal files, however they came about.
Each file is replaced in one step. Memory holds one recording at a time, and two numbers a flight for the
figure.

- `write_tables`: write them all.
- `Summary`: what there is to tell in the end.
- `BOUTS`, `RECORDINGS`, `EFFORT`: the columns.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import importlib.util
from array import array
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from wingtone.audio.recording import CLIPPED_FRACTION_WORTH_SAYING
from wingtone.bout_table import (
    BOUT_COLUMNS,
    COLUMNS,
    FLYBY_COLUMNS,
    RECORDING_COLUMNS,
    WHOLE_RECORDING,
    csv_cell,
)
from wingtone.csv_text import row_writer
from wingtone.survey.effort import BIN_S
from wingtone.survey.plan import pieces_for

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path
    from typing import Self

    from wingtone.survey.manifest import Manifest
    from wingtone.survey.places import Found, Output
    from wingtone.survey.settings import Settings

__all__ = ["BOUTS", "EFFORT", "FAULTS", "RECORDINGS", "Summary", "write_tables"]

BOUTS = (*COLUMNS, "starts_at", "piece")
"""Columns of `wingtone.bout_table`; ``starts_at``: ISO 8601, by the recording's own clock, None when it has
none to trust; ``piece``: in which piece of a long recording it was heard, from 0. With a model, a column for
each of its classes follows."""

RECORDINGS = (
    *RECORDING_COLUMNS,
    "status",
    "reason",
    "flags",
    "heard_s",
    "wind_lost_s",
    "n_flight",
    "n_bouts",
    "n_pieces",
)
"""``status``: ``done``; ``copy`` (the same file lies elsewhere too and counts there); ``waiting`` (not heard
yet); or a fault: ``failed``, ``crashed`` or ``hung``, with its ``reason``. With a fault in one piece of a
long recording the others still count."""

EFFORT = ("path", "sha256", "start_s", "starts_at", "heard_s", "wind_lost_s", "duration_s")
"""See `wingtone.survey.effort`; ``start_s`` from the start of the recording, a multiple of 600;
``duration_s`` from there to the end of the ten minutes, or of the recording."""

FAULTS = ("failed", "crashed", "hung")

BATCH_ROWS = 5000
"""Rows written together. Ours: a few megabytes."""

_WHOLE = {"sample_rate_hz", "channels", "piece", "n_flight", "n_bouts", "n_pieces", "wind_lost_s"}
_TEXT = {
    "path",
    "sha256",
    "codec",
    "recorded_at",
    "recorded_at_source",
    "kind",
    "starts_at",
    "status",
    "reason",
}


@dataclass
class Summary:
    """What a survey came to.

    Attributes
    ----------
    statuses
        Number of recordings by status.
    faults
        ``(path, status, reason)`` of each recording with one.
    heard_s, wind_lost_s
        Over all recordings.
    n_flight, n_bouts
    flags
        Number of recordings by flag, such as ``silent`` or ``damaged``.
    flight_tones
        Of each flight: when it began, seconds since 1970 by the recording's own clock (NaN when not known),
        and its tone in Hz.
    effort
        Of each ten minutes whose time is known: when they began, seconds heard and lost to wind, and how long
        they are, as the last of a recording are cut short.
    undated
        Recordings heard that do not tell their time.
    zones
        Of those that do, the zones of their clocks, as ``+00:00``; empty text for one that tells none.
    left_out
        Recordings that earlier runs knew and that are not in the tables, as they are no longer there.
    written
        The files, in order.
    without_parquet
        Whether pyarrow is missing, so that there is CSV alone.
    """

    statuses: Counter[str] = field(default_factory=Counter)
    faults: list[tuple[str, str, str]] = field(default_factory=list)
    heard_s: float = 0.0
    wind_lost_s: float = 0.0
    n_flight: int = 0
    n_bouts: int = 0
    flags: Counter[str] = field(default_factory=Counter)
    flight_tones: tuple[array[float], array[float]] = field(default_factory=lambda: (array("d"), array("d")))
    effort: tuple[array[float], array[float], array[float], array[float]] = field(
        default_factory=lambda: (array("d"), array("d"), array("d"), array("d"))
    )
    undated: int = 0
    zones: set[str] = field(default_factory=set)
    left_out: int = 0
    written: list[str] = field(default_factory=list)
    without_parquet: bool = False


def write_tables(
    founds: Sequence[Found],
    manifest: Manifest,
    output: Output,
    *,
    settings: Settings,
    faults: Mapping[str, str],
) -> Summary:
    """Put the tables together and write them.

    Parameters
    ----------
    founds
        The recordings there are now, in order.
    manifest
        What was heard.
    output
        Where to write ``bouts``, ``recordings`` and ``effort``, each ``.csv`` and ``.parquet``.
    settings
        Those of the results wanted.
    faults
        Reason by location of what could not even be read, which the manifest does not keep.

    Raises
    ------
    OutputError
        A table cannot be written.
    """
    parquet = importlib.util.find_spec("pyarrow") is not None
    summary = Summary(without_parquet=not parquet, left_out=manifest.left_out(founds))
    columns = {"bouts": (*BOUTS, *settings.caste_columns), "recordings": RECORDINGS, "effort": EFFORT}
    first_of: dict[str, str] = {}
    with contextlib.ExitStack() as stack:
        tables = {
            name: stack.enter_context(_Table(name, names, output, parquet=parquet))
            for name, names in columns.items()
        }
        for found in founds:
            recording, bouts, effort = _rows_of(found, manifest, settings, faults, first_of)
            tables["recordings"].add(recording)
            for row in bouts:
                tables["bouts"].add(row)
            for row in effort:
                tables["effort"].add(row)
            _count(summary, recording, bouts, effort)
    summary.written = [name for table in tables.values() for name in table.written]
    return summary


def _rows_of(
    found: Found,
    manifest: Manifest,
    settings: Settings,
    faults: Mapping[str, str],
    first_of: dict[str, str],
) -> tuple[dict[str, Any], list[dict[str, Any]], list[dict[str, Any]]]:
    """The row of one recording, its bouts and its effort."""
    row: dict[str, Any] = dict.fromkeys(RECORDINGS)
    row |= {"path": found.told_path, "flags": [], "status": "waiting", "reason": ""}
    row |= dict.fromkeys(("heard_s", "wind_lost_s", "n_flight", "n_bouts", "n_pieces"), 0)
    known = manifest.looked_at(found, program=settings.program)
    if known is None:
        if found.location in faults:
            row |= {"status": "failed", "reason": faults[found.location]}
        return row, [], []
    sha256, told = known
    row["sha256"] = sha256 or None
    if "fault" in told:
        row |= {"status": told["status"], "reason": told["fault"]}
        return row, [], []
    facts = told["facts"]
    row |= {name: facts[name] for name in RECORDING_COLUMNS if name in facts}
    if sha256 in first_of:
        return row | {"status": "copy", "reason": f"the same as {first_of[sha256]}"}, [], []
    first_of[sha256] = found.told_path
    parts = manifest.parts(sha256, settings.key)
    pieces = pieces_for(facts, settings, {number: status for number, (status, _) in parts.items()})
    row |= _status(pieces, parts) | {"n_pieces": len(pieces)}
    here = {i: parts[piece.number] for i, piece in enumerate(pieces) if piece.number in parts}
    heard = {i: part for i, (status, part) in here.items() if status == "done"}
    row |= _heard(heard)
    clock = _clock(row)
    bouts = list(_bout_rows(row, heard, clock, settings))
    row["flags"] = _flags(heard, bouts)
    row["n_bouts"] = len(bouts)
    row["n_flight"] = sum(bout["kind"] == "flight" for bout in bouts)
    effort = [
        {
            "path": row["path"],
            "sha256": sha256,
            "start_s": start_s,
            "starts_at": _at(clock, start_s),
            "heard_s": heard_s,
            "wind_lost_s": wind_lost_s,
            "duration_s": round(max(heard_s, min(BIN_S, part["end_s"] - start_s)), 3),
        }
        for part in heard.values()
        for start_s, heard_s, wind_lost_s in part["effort"]
    ]
    return row, bouts, effort


def _status(pieces: Sequence[Any], parts: Mapping[int, tuple[str, Any]]) -> dict[str, str]:
    """The status of a recording from those of its pieces: the first fault, else waiting, else done."""
    for piece in pieces:
        status, told = parts.get(piece.number, ("waiting", {}))
        if status in FAULTS:
            where = f"from {round(piece.start_s / 3600, 2):g} h on: " if len(pieces) > 1 else ""
            return {"status": status, "reason": f"{where}{told['fault']}"}
    done = all(piece.number in parts for piece in pieces)
    return {"status": "done" if done else "waiting"}


def _heard(heard: Mapping[int, Mapping[str, Any]]) -> dict[str, Any]:
    """Duration and effort over the pieces that were heard; no duration when there is none."""
    effort = [row for part in heard.values() for row in part["effort"]]
    return {
        "duration_s": round(max(part["end_s"] for part in heard.values()), 3) if heard else None,
        "heard_s": round(sum(row[1] for row in effort), 3),
        "wind_lost_s": sum(row[2] for row in effort),
    }


def _flags(heard: Mapping[int, Mapping[str, Any]], bouts: Sequence[Mapping[str, Any]]) -> list[str]:
    """What holds for a recording as a whole: as `wingtone.clip` says it, over all pieces.

    Many bees in one piece of a long recording are told of all of it; its bouts say where.
    """
    flights = [bout["flags"] for bout in bouts if bout["kind"] == "flight"]
    names = sorted({name for flags in flights for name in flags} - {WHOLE_RECORDING})
    out = [name for name in names if 2 * sum(name in flags for flags in flights) > len(flights)]
    if any(WHOLE_RECORDING in part["flags"] for part in heard.values()):
        out.append(WHOLE_RECORDING)
    if heard and all(part["silent"] or "silent" in part["flags"] for part in heard.values()):
        out.append("silent")
    fractions = [part["clipped_fraction"] for part in heard.values()]
    if fractions and sum(fractions) / len(fractions) > CLIPPED_FRACTION_WORTH_SAYING:
        out.append("clipped")
    if any(part["damaged_from_s"] is not None for part in heard.values()):
        out.append("damaged")
    return list(dict.fromkeys(out))


def _bout_rows(
    recording: Mapping[str, Any],
    heard: Mapping[int, Mapping[str, Any]],
    clock: dt.datetime | None,
    settings: Settings,
) -> Iterator[dict[str, Any]]:
    """Bouts as rows, in order of time.

    Those after a damaged place are marked as `wingtone.clip` does, those of a piece with many bees as
    `wingtone.bout_table` does.
    """
    broken_s = min(
        (part["damaged_from_s"] for part in heard.values() if part["damaged_from_s"] is not None),
        default=float("inf"),
    )
    shared = {name: recording[name] for name in RECORDING_COLUMNS}
    every = [(bout, number) for number, part in heard.items() for bout in part["bouts"]]
    every.sort(key=lambda one: (one[0]["start_s"], one[0]["end_s"], one[0]["f0_hz"]))
    for bout, number in every:
        flags = [*bout["flags"], *(["damaged"] if bout["end_s"] > broken_s else [])]
        flags += [flag for flag in heard[number]["flags"] if flag == WHOLE_RECORDING]
        castes = bout.get("castes") or ()
        if len(castes) != len(settings.classes):
            castes = [None] * len(settings.classes)
        yield {
            **shared,
            **{name: bout[name] for name in BOUT_COLUMNS},
            **{name: (bout["flyby"] or {}).get(name) for name in FLYBY_COLUMNS},
            "flags": list(dict.fromkeys(flags)),
            "starts_at": _at(clock, bout["start_s"]),
            "piece": number,
            **dict(zip(settings.caste_columns, castes, strict=True)),
        }


def _clock(recording: Mapping[str, Any]) -> dt.datetime | None:
    """When a recording began; None when it tells no time, or only the file's own, which is often its end."""
    at, source = recording["recorded_at"], recording["recorded_at_source"]
    if not at or len(at) <= len("2026-03-20") or source == "file time":
        return None
    return dt.datetime.fromisoformat(at)


def _at(clock: dt.datetime | None, start_s: float) -> str | None:
    if clock is None:
        return None
    return (clock + dt.timedelta(seconds=start_s)).isoformat(timespec="milliseconds")


def _epoch(at: str | None) -> float:
    """Seconds since 1970 as the clock on the wall shows them, whatever its zone; NaN when not known."""
    if at is None:
        return float("nan")
    return dt.datetime.fromisoformat(at).replace(tzinfo=dt.UTC).timestamp()


def _count(
    summary: Summary,
    recording: Mapping[str, Any],
    bouts: Sequence[Mapping[str, Any]],
    effort: Sequence[Mapping[str, Any]],
) -> None:
    status = recording["status"]
    summary.statuses[status] += 1
    if status in FAULTS:
        summary.faults.append((recording["path"], status, recording["reason"]))
    summary.heard_s += recording["heard_s"]
    summary.wind_lost_s += recording["wind_lost_s"]
    summary.n_bouts += recording["n_bouts"]
    summary.n_flight += recording["n_flight"]
    summary.flags.update(recording["flags"])
    if effort and effort[0]["starts_at"] is None:
        summary.undated += 1
    elif effort:
        summary.zones.add(recording["recorded_at"][len("2026-03-20T10:00:00") :])
    for bout in bouts:
        if bout["kind"] == "flight":
            summary.flight_tones[0].append(_epoch(bout["starts_at"]))
            summary.flight_tones[1].append(bout["f0_hz"])
    for row in effort:
        if row["starts_at"] is not None:
            told = (_epoch(row["starts_at"]), row["heard_s"], row["wind_lost_s"], row["duration_s"])
            for values, value in zip(summary.effort, told, strict=True):
                values.append(value)


class _Table:
    """One table being written, row by row, as CSV and Parquet."""

    def __init__(self, name: str, columns: Sequence[str], output: Output, *, parquet: bool) -> None:
        self._columns = tuple(columns)
        self._output = output
        self._files = {kind: f"{name}.{kind}" for kind in ("csv", *(["parquet"] if parquet else []))}
        self.written = [output.name_of(file) for file in self._files.values()]
        self._stack = contextlib.ExitStack()
        self._batch: list[dict[str, Any]] = []

    def __enter__(self) -> Self:
        with contextlib.ExitStack() as stack:
            scratch = {
                kind: stack.enter_context(self._output.writing(file)) for kind, file in self._files.items()
            }
            self._csv = row_writer(
                stack.enter_context(scratch["csv"].open("w", encoding="utf-8", newline=""))
            )
            self._csv.writerow(self._columns)
            self._parquet = self._open_parquet(scratch["parquet"], stack) if "parquet" in scratch else None
            stack.push(self._end)  # within all the others: a disk that is full then is theirs to see to
            self._stack = stack.pop_all()
        return self

    def __exit__(self, *raised: Any) -> bool | None:
        return self._stack.__exit__(*raised)

    def _end(self, *raised: Any) -> None:
        if raised[0] is None:
            self._flush()

    def _open_parquet(self, path: Path, stack: contextlib.ExitStack) -> Any:
        import pyarrow.parquet

        self._schema = _schema(self._columns)
        return stack.enter_context(pyarrow.parquet.ParquetWriter(str(path), self._schema))

    def add(self, row: dict[str, Any]) -> None:
        """Add one row, given as a dict of all columns."""
        self._batch.append(row)
        if len(self._batch) >= BATCH_ROWS:
            self._flush()

    def _flush(self) -> None:
        self._csv.writerows([csv_cell(row[name]) for name in self._columns] for row in self._batch)
        if self._parquet is not None and self._batch:
            import pyarrow

            rows = [{name: row[name] for name in self._columns} for row in self._batch]
            self._parquet.write_table(pyarrow.Table.from_pylist(rows, schema=self._schema))
        self._batch = []


def _schema(columns: Sequence[str]) -> Any:
    """The Parquet schema: text, whole numbers, lists, and else floats."""
    import pyarrow as pa

    special = {"flags": pa.list_(pa.string()), "harmonics_db": pa.list_(pa.float64())}
    special |= dict.fromkeys(_TEXT, pa.string()) | dict.fromkeys(_WHOLE, pa.int64())
    return pa.schema([(name, special.get(name, pa.float64())) for name in columns])
