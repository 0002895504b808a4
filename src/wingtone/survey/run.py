"""A survey from end to end: find, look, hear, keep, put together.

- `run_survey`: do it, or go on with it.
- `preview`: say what it would do.
- `Progress`: told while it runs.
"""

from __future__ import annotations

import contextlib
import hashlib
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wingtone.errors import OutputError
from wingtone.files import data_folder, what_is
from wingtone.survey import jobs
from wingtone.survey.claims import Claim
from wingtone.survey.manifest import Manifest
from wingtone.survey.places import Output, find, is_as_found, is_url
from wingtone.survey.plan import Forecast, forecast, pieces_for, unheard
from wingtone.survey.settings import Settings
from wingtone.survey.tables import Summary, write_tables
from wingtone.survey.workers import Job, Workers

if TYPE_CHECKING:
    import os
    from collections.abc import Callable, Iterator, Sequence

    from wingtone.survey.joins import Piece
    from wingtone.survey.places import Found

__all__ = ["MANIFEST_NAME", "Progress", "preview", "run_survey"]

MANIFEST_NAME = "manifest.sqlite"

LEAST_LIMIT_S = 300.0
"""What every job may take, s. Ours: far more than loading the program on a slow, busy computer."""
SLOWEST_RATE = 4.0
"""Times real time below which hearing counts as hung. Ours: a fiftieth of what one core does."""
SLOWEST_BYTES_S = 1e6
"""Bytes a second below which reading or fetching counts as hung. Ours."""
THIN_BYTES_S = 8000.0
"""Bytes that hold a second of sound, where its length is not known before it is heard: 64 kbit/s. Ours: what
is thinner still has its time, as `SLOWEST_RATE` leaves much to spare."""

CHANGED = "it changed or vanished while it was being heard (it is heard anew when the command is run again)"

COPY_S = 600.0
"""How often a manifest is copied to the URL that results go to, and the claim there renewed. Ours."""


@dataclass(frozen=True)
class Progress:
    """How far a survey is.

    Attributes
    ----------
    stage
        ``look``: at files; ``hear``: recordings; ``write``: tables.
    done, of
        Files or pieces.
    heard_s, of_s
        Seconds of sound heard in this stage, and to be heard; 0 while looking.
    elapsed_s
        Since the stage began.
    faults
        Recordings with a fault, so far.
    """

    stage: str
    done: int
    of: int
    heard_s: float
    of_s: float
    elapsed_s: float
    faults: int

    @property
    def rate(self) -> float:
        """Times real time, all workers together; 0 before anything was heard."""
        return self.heard_s / self.elapsed_s if self.elapsed_s > 0 else 0.0

    @property
    def left_s(self) -> float | None:
        """How long it may still take, s; None when that cannot be said yet."""
        share = self.heard_s / self.of_s if self.of_s else self.done / self.of if self.of else 1.0
        return self.elapsed_s * max(0.0, 1 - share) / share if share > 0 else None


@dataclass(frozen=True)
class Report:
    """What came of a run.

    Attributes
    ----------
    summary
        Of the whole survey, with what earlier runs did.
    stopped
        Whether Ctrl-C stopped it; the tables then hold what was heard so far.
    heard_s, pieces
        Of this run.
    elapsed_s
        Of this run.
    manifest_spent_s
        Time on the processor that the manifest took.
    """

    summary: Summary
    stopped: bool
    heard_s: float
    pieces: int
    elapsed_s: float
    manifest_spent_s: float


def preview(
    place: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    settings: Settings,
    manifest_path: Path | None = None,
) -> Forecast:
    """Say what a survey would do. Nothing is made or changed. Arguments and errors: see `run_survey`."""
    founds = find(place)
    path = manifest_path or _manifest_path(str(out))
    with tempfile.TemporaryDirectory(prefix="wingtone-") as folder:
        if what_is(path) == "nothing" and is_url(str(out)):  # the run would go on from the copy there
            path = Path(folder, MANIFEST_NAME)
            Output(out).fetch(MANIFEST_NAME, path)
        if what_is(path) == "nothing":
            return forecast(founds, None, settings)
        with Manifest(path) as manifest:
            return forecast(founds, manifest, settings)


def run_survey(
    place: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    workers: Workers,
    settings: Settings | None = None,
    manifest_path: Path | None = None,
    retry: bool = False,
    progress: Callable[[Progress], None] | None = None,
    tasks: tuple[Callable[..., Any], Callable[..., Any]] = (jobs.look, jobs.hear),
) -> Report:
    """Hear every recording below a place that has not been heard, and write the tables of all.

    Parameters
    ----------
    place
        Folder, URL or file with the recordings.
    out
        Folder or URL for the results.
    workers
        What runs the jobs; it is entered and left here.
    settings
        None for wingtone's own.
    manifest_path
        Where the manifest lies; None for in ``out``, or for a URL in the user's data folder, with a copy in
        ``out``. On a local disk.
    retry
        Try again what failed, crashed or hung before.
    progress
        Called after each job.
    tasks
        What looks at a recording and what hears a piece, like `look` and `hear` of `wingtone.survey.jobs`.

    Returns
    -------
    Report
        Recordings with faults are in its summary; they are no errors.

    Raises
    ------
    RecordingError
        There is no recording below ``place``.
    OutputError
        Something cannot be written, or another survey is at work in ``out``, see `wingtone.survey.claims`.
    MissingExtraError
        An optional part is missing that a URL needs.
    """
    settings = settings or Settings()
    founds = find(place)
    output = Output(out)
    path = manifest_path or _manifest_path(str(out))
    if what_is(path) == "nothing":
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            what = f"cannot make this folder: {error.strerror}"
            raise OutputError(what, remedy="give another with --manifest", where=path.parent) from error
        output.fetch(MANIFEST_NAME, path)
    began = time.monotonic()
    # Where the manifest lies with the results, its own lock keeps others out.
    apart = output.folder is None or path.parent.resolve() != output.folder.resolve()
    with Manifest(path) as manifest, Claim(output if apart else None) as claim:
        run = _Run(founds, manifest, output, claim, settings, progress, tasks)
        stopped = False
        try:
            manifest.add_settings(settings.key, settings.text)
            run.copy_manifest(now=True)  # where nothing can be written, that is told before the work
            if retry:
                run.forget_faults()
            with workers:
                run.look(workers)
                run.hear(workers)
        except KeyboardInterrupt:
            stopped = True
        run.tell("write", 0, 0, began)
        summary = write_tables(founds, manifest, output, settings=settings, faults=run.unreadable)
        run.copy_manifest(now=True)
        return Report(
            summary=summary,
            stopped=stopped,
            heard_s=run.heard_s,
            pieces=run.pieces,
            elapsed_s=time.monotonic() - began,
            manifest_spent_s=manifest.spent_s,
        )


def _manifest_path(out: str) -> Path:
    if not is_url(out):
        return Path(out, MANIFEST_NAME)
    name = hashlib.sha256(out.rstrip("/").encode()).hexdigest()[:16]
    return data_folder(remedy="set HOME to a folder that you may write to") / "surveys" / f"{name}.sqlite"


class _Run:
    """One run: its counts, and its two stages."""

    def __init__(
        self,
        founds: Sequence[Found],
        manifest: Manifest,
        output: Output,
        claim: Claim,
        settings: Settings,
        progress: Callable[[Progress], None] | None,
        tasks: tuple[Callable[..., Any], Callable[..., Any]],
    ) -> None:
        self._founds, self._manifest, self._output, self._claim = founds, manifest, output, claim
        self._settings, self._progress = settings, progress
        self._look, self._hear = tasks
        self._copied = time.monotonic()
        self._faults: set[str] = set()
        self._heard: dict[int, set[str]] = {}
        self._of_s = self._looking_heard_s = 0.0
        self.unreadable: dict[str, str] = {}
        self.heard_s = 0.0
        self.pieces = 0

    def forget_faults(self) -> None:
        """Make what went wrong before count as not yet tried."""
        for found in self._founds:
            known = self._manifest.looked_at(found, program=self._settings.program)
            if known is not None and "fault" in known[1]:
                self._manifest.forget(found)
            elif known is not None:
                self._manifest.forget_faults(known[0], self._settings.key)

    def tell(self, stage: str, done: int, of: int, began: float) -> None:
        """Report how far this run is."""
        if self._progress is not None:
            elapsed_s = time.monotonic() - began
            # What had to be fetched was heard as it was looked at.
            heard_s = self.heard_s - self._looking_heard_s if stage == "hear" else 0.0
            of_s = self._of_s if stage == "hear" else 0.0
            self._progress(Progress(stage, done, of, heard_s, of_s, elapsed_s, len(self._faults)))

    def look(self, workers: Workers) -> None:
        """Look at each recording that is new or has changed; what has to be fetched is heard as well."""
        program = self._settings.program
        new = [f for f in self._founds if self._manifest.looked_at(f, program=program) is None]
        if any(found.remote for found in new):
            self._heard = self._manifest.heard_by_size(self._settings.key)
        began = time.monotonic()
        self.tell("look", 0, len(new), began)
        for done, outcome in enumerate(workers.outcomes(map(self._looking, new)), start=1):
            found: Found = outcome.job.name
            if outcome.status == "done":
                told = dict(outcome.value)
                sha256, heard = told.pop("sha256"), told.pop("heard", None)
                if "fault" in told:
                    told["status"] = "failed"
                self._manifest.add_look(found, sha256, told, program=program)
                if heard is not None:
                    (whole,) = pieces_for(told["facts"], self._settings)
                    self._keep(sha256, whole.number, heard, start_s=0.0)
            elif outcome.status == "failed":  # not even readable: it may be the next time
                self.unreadable[found.location] = outcome.reason
            else:
                told = {"fault": outcome.reason, "status": outcome.status}
                self._manifest.add_look(found, "", told, program=program)
            if outcome.status != "done" or "fault" in outcome.value:
                self._faults.add(found.location)
            self.copy_manifest()
            self.tell("look", done, len(new), began)

    def hear(self, workers: Workers) -> None:
        """Hear each piece that has not been heard."""
        todo = list(unheard(self._founds, self._manifest, self._settings))
        self._of_s = sum(core_s for _, _, _, core_s in todo)
        self._looking_heard_s = self.heard_s
        began = time.monotonic()
        self.tell("hear", 0, len(todo), began)
        for done, outcome in enumerate(workers.outcomes(self._hearings(todo)), start=1):
            (found, sha256, number), told = outcome.job.name, outcome.value
            if not is_as_found(found):  # what was heard need not be what the checksum says
                self._faults.add(found.location)
                self.unreadable[found.location] = CHANGED
                self._manifest.forget(found)
            elif outcome.status == "done":
                self._keep(sha256, number, told, start_s=outcome.job.arguments[1].start_s)
            else:
                self._faults.add(found.location)
                self._manifest.add_part(
                    sha256, self._settings.key, number, status=outcome.status, told={"fault": outcome.reason}
                )
            self.copy_manifest()
            self.tell("hear", done, len(todo), began)

    def _keep(self, sha256: str, number: int, told: dict[str, Any], *, start_s: float) -> None:
        """Keep what was heard in a piece."""
        heard_s = max(0.0, told["end_s"] - start_s)
        self.heard_s += heard_s
        self.pieces += 1
        told = dict(told)
        spent_s = told.pop("spent_s")
        self._manifest.add_part(
            sha256, self._settings.key, number, status="done", told=told, heard_s=heard_s, spent_s=spent_s
        )

    def _looking(self, found: Found) -> Job:
        limit_s = LEAST_LIMIT_S + found.size_bytes / SLOWEST_BYTES_S
        if found.remote:
            limit_s += found.size_bytes / THIN_BYTES_S / SLOWEST_RATE
            # Whether it was renamed shows only once it is fetched; of what may be it, the sizes are alike.
            heard = tuple(self._heard.get(found.size_bytes, ()))
            return Job(found, jobs.look_and_hear, (found, self._settings, heard), limit_s)
        return Job(found, self._look, (found,), limit_s)

    def _hearings(self, todo: Sequence[tuple[Found, str, Piece, float]]) -> Iterator[Job]:
        for found, sha256, piece, core_s in todo:
            seconds = core_s + 2 * self._settings.overlap_s
            limit_s = LEAST_LIMIT_S + seconds / SLOWEST_RATE + found.size_bytes / SLOWEST_BYTES_S
            yield Job((found, sha256, piece.number), self._hear, (found, piece, self._settings), limit_s)

    def copy_manifest(self, *, now: bool = False) -> None:
        """Send a copy of the manifest to the URL of the results, now or now and then; none to a folder.

        One that is sent now and then may fail: work goes on, and the next one comes. The claim is renewed.
        """
        if not (now or time.monotonic() - self._copied > COPY_S):
            return
        self._copied = time.monotonic()
        self._claim.renew()
        if self._output.folder is not None:
            return
        may_fail = contextlib.nullcontext() if now else contextlib.suppress(OutputError)
        with may_fail, self._output.writing(MANIFEST_NAME) as scratch:
            self._manifest.copy_to(scratch)
