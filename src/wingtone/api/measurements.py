"""Recordings to bouts: `measure` and `Measurements`, and `measured_before`, which knows them again."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, overload

from wingtone.api.given import number_within, paths_given
from wingtone.api.showing import columns_of, shown
from wingtone.errors import InputError, RequestError, how_many, one_line, shown_value

if TYPE_CHECKING:
    import os

    from wingtone.clip import Measurement
    from wingtone.tone.results import Bout

    PathLike = str | os.PathLike[str]

__all__ = ["Measurements", "measure", "measured_before"]


@dataclass(frozen=True, eq=False, repr=False)
class Measurements(Sequence["Measurement"]):
    """Recordings that were measured: a sequence of `wingtone.clip.Measurement`.

    Attributes
    ----------
    recordings
        One for each recording, in the order given.
    failed
        Why the others could not be used; empty unless asked to keep going.

    Notes
    -----
    Whatever was given, one file or a folder, the result is of this kind; ``heard[0]`` is its first recording.
    """

    recordings: tuple[Measurement, ...]
    failed: tuple[InputError, ...] = ()

    @overload
    def __getitem__(self, index: int) -> Measurement: ...
    @overload
    def __getitem__(self, index: slice) -> Measurements: ...
    def __getitem__(self, index: int | slice) -> Measurement | Measurements:
        """Give one recording, or some of them."""
        if isinstance(index, slice):
            return Measurements(self.recordings[index])
        return self.recordings[index]

    def __len__(self) -> int:
        return len(self.recordings)

    @property
    def bouts(self) -> tuple[Bout, ...]:
        """The bouts of all recordings, of every kind, in order."""
        return tuple(bout for one in self.recordings for bout in one.tone.bouts)

    def rows(self) -> list[dict[str, Any]]:
        """Give a row a bout, as in ``wingtone measure --format csv``, see `wingtone.bout_table`.

        A recording without a bout has no row; `recordings` holds it all the same.
        """
        from wingtone.bout_table import bout_rows

        return [row for one in self.recordings for row in bout_rows(one)]

    def table(self) -> dict[str, list[Any]]:
        """Give the same as columns, name to values; all columns are there even when no bout is."""
        from wingtone.bout_table import COLUMNS

        return columns_of(self.rows(), COLUMNS)

    def to_json(self) -> list[dict[str, Any]]:
        """Lay each recording out as ``wingtone/measure/1``."""
        from wingtone.clip import measure_json

        return [measure_json(one) for one in self.recordings]

    def __repr__(self) -> str:
        bouts = [(one.recording.path, bout) for one in self.recordings for bout in one.tone.bouts]
        flights = sum(bout.kind == "flight" for _, bout in bouts)
        head = f"{how_many(len(self), 'recording')}, {how_many(flights, 'flight bout')}"
        if self.failed:
            head += f"; {len(self.failed)} could not be used"
        lines = [
            f"{one_line(Path(path).name)}: {bout.kind} {bout.start_s:.1f}-{bout.end_s:.1f} s, "
            f"{bout.f0_hz:.1f} Hz ({bout.f0_low_hz:.1f}-{bout.f0_high_hz:.1f})"
            for path, bout in bouts
        ]
        return shown(head, [*lines, *(f"not used: {error}" for error in self.failed)])


def measure(
    recordings: PathLike | Iterable[PathLike],
    *,
    flight_threshold: float | None = None,
    failures: Literal["raise", "keep"] = "raise",
) -> Measurements:
    """Find the flight bouts of recordings and measure their tone.

    Parameters
    ----------
    recordings
        An audio or video file that a phone or recorder makes, a folder of them, or several of either.
    flight_threshold
        Probability from which a buzz is called flight, 0..1; None for wingtone's own.
    failures
        What to do about a recording that cannot be used: ``raise`` its error, or ``keep`` it in
        `Measurements.failed` and go on.

    Returns
    -------
    Measurements
        One `wingtone.clip.Measurement` a recording; one without a bee has no bouts and a warning.

    Raises
    ------
    RecordingError
        A recording is missing, empty or none at all, or a folder holds none.
    RequestError
        An option that is none.

    Notes
    -----
    All of it is kept in memory: for days of recordings use ``wingtone survey``.

    Examples
    --------
    >>> from wingtone.demo import load_scenario
    >>> heard = measure(load_scenario().clips[0].path)
    >>> len(heard), heard[0].recording.codec
    (1, 'aac')
    >>> 100 < heard.bouts[0].f0_hz < 130
    True
    >>> heard.rows()[0]["kind"], heard.to_json()[0]["schema"]
    ('flight', 'wingtone/measure/1')
    """
    from wingtone.audio import find_recordings
    from wingtone.clip import measure_recording

    flight_threshold = number_within(flight_threshold, 0.0, 1.0, "flight_threshold")
    if not isinstance(failures, str) or failures not in ("raise", "keep"):
        raise RequestError(f"failures is {shown_value(failures)}", remedy="give 'raise' or 'keep'")
    done: list[Measurement] = []
    failed: list[InputError] = []
    found: dict[Path, None] = {}
    for path in paths_given(recordings):
        try:
            found.update(dict.fromkeys(find_recordings([path])))
        except InputError as error:
            if failures == "raise":
                raise
            failed.append(error)
    for path in found:
        try:
            done.append(measure_recording(path, flight_threshold=flight_threshold))
        except InputError as error:
            if failures == "raise":
                raise
            failed.append(error)
    return Measurements(tuple(done), tuple(failed))


def measured_before(given: object) -> Measurements | None:
    """Give what `measure` gave, or one or some of it, as `Measurements`; None for anything else."""
    from wingtone.clip import Measurement

    if isinstance(given, Measurements):
        return given
    some = [given] if isinstance(given, Measurement) else given
    if not isinstance(some, (list, tuple)) or not some:
        return None
    kept = tuple(one for one in some if isinstance(one, Measurement))
    return Measurements(kept) if len(kept) == len(some) else None
