"""What all routes share: the desk, the workers, the fauna, the notebook, and the listening that goes on.

- `Page`: all of it.
- `Settings`: what the page was started with.
- `Outdated`: a change was made from what does not stand any more.
"""

from __future__ import annotations

import asyncio
import contextlib
import datetime as dt
import logging
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool

from wingtone.errors import InputError, OutputError, RequestError, WingtoneError
from wingtone.evidence import Likelihood
from wingtone.web import corrections
from wingtone.web.answers import Word
from wingtone.web.clips import CORRECTED, version
from wingtone.web.desk import Desk, Limits
from wingtone.web.seen import EMPTY, prefilled
from wingtone.web.stored import Damaged
from wingtone.web.workers import WorkerFailed, Workers

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from wingtone.clip import Measurement
    from wingtone.fauna import Fauna
    from wingtone.learn.model import Model
    from wingtone.notebook.records import Record
    from wingtone.notebook.store import Entry, Notebook
    from wingtone.web.clips import Clip

__all__ = ["Outdated", "Page", "Settings"]

EVENTS_WAITING = 200
"""Changes that wait for a page that reads them slowly; beyond, its stream ends and begins anew. Ours."""
MOST_STREAMS = 32
LARGE_BYTES = 64 << 20
"""Recordings larger than this are listened to one at a time, so that a short one never waits for two hours of
sound. Ours."""
MODEL_SHARE = 0.2
"""Asking a model may take this part of the length of a recording, in silence. Ours: it reads the recording
once, and a measurement, which does much more than read, takes a hundredth."""
COPY_SHARE = 0.2
"""Part of the progress that making the listening copy stands for. Ours: about its share of the time."""


class Outdated(RequestError):
    """A change was made from what does not stand any more: another window was quicker."""


@dataclass(frozen=True)
class Settings:
    """What the page was started with. None: wingtone's own."""

    desk: Path
    notebook: Path | None = None
    fauna: Path | None = None
    model: Path | None = None
    limits: Limits = field(default_factory=Limits)
    silence_s: float = 60.0
    today: Callable[[], dt.date] = dt.date.today


class Page:
    """The state behind the routes. Made in the event loop that serves them.

    Attributes
    ----------
    stopping
        Set as soon as the page is asked to end: what fails from then on is no fault of a recording.

    Raises
    ------
    TableError, InputError, OutputError, RequestError, MissingExtraError
        The fauna, the model or the desk cannot be used.
    """

    def __init__(self, settings: Settings) -> None:
        from wingtone.evidence.lineup import line_up
        from wingtone.evidence.prior import weeks
        from wingtone.fauna import load

        self.settings = settings
        self.fauna: Fauna = load(settings.fauna)
        _ = weeks(line_up(self.fauna), None)  # now, so that the first answer is as quick as the others
        self.model: Model | None = None
        if settings.model is not None:
            from wingtone.learn.model_file import usable_model

            self.model = usable_model(settings.model, fauna=self.fauna)
        self.desk = Desk(settings.desk, limits=settings.limits)
        self.workers = Workers(silence_s=settings.silence_s)
        self.words: dict[str, tuple[Word, ...]] = {}
        self.stopping = False
        self._recorded: tuple[str, set[str]] = ("", set())
        self._tasks: set[asyncio.Task[None]] = set()
        self._listening: dict[str, asyncio.Task[None]] = {}
        self._one_large = asyncio.Semaphore(1)
        self._locks: dict[str, asyncio.Lock] = {}
        self._streams: set[asyncio.Queue[tuple[str, dict[str, Any]] | None]] = set()
        self.tiles_at_once = asyncio.Semaphore(2)
        self.keeping = asyncio.Lock()
        self.desk.watch(self._spread)

    # --- life -----------------------------------------------------------------------------------------

    async def start(self) -> None:
        """Warm the workers, look up what has records, and listen to what was left over."""
        await self.look_up()
        self._background(self.workers.warm())
        for clip in list(self.desk.clips.values()):
            if clip.status == "waiting":
                self.listen(clip)

    async def stop(self) -> None:
        """End everything that goes on."""
        self.stopping = True
        self.end_streams()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)
        await self.workers.close()

    def _background(self, work: Any) -> asyncio.Task[None]:
        task: asyncio.Task[None] = asyncio.create_task(work)
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return task

    # --- events ---------------------------------------------------------------------------------------

    def open_stream(self) -> asyncio.Queue[tuple[str, dict[str, Any]] | None] | None:
        """Begin to collect changes for one page; None when too many do already. None in it ends it."""
        if len(self._streams) >= MOST_STREAMS:
            return None
        queue: asyncio.Queue[tuple[str, dict[str, Any]] | None] = asyncio.Queue(EVENTS_WAITING)
        self._streams.add(queue)
        return queue

    def close_stream(self, queue: asyncio.Queue[tuple[str, dict[str, Any]] | None]) -> None:
        """Stop collecting."""
        self._streams.discard(queue)

    def end_streams(self) -> None:
        """End all streams, so that the server can stop."""
        for queue in list(self._streams):
            self._end_stream(queue)

    def _end_stream(self, queue: asyncio.Queue[tuple[str, dict[str, Any]] | None]) -> None:
        self._streams.discard(queue)
        while not queue.empty():
            queue.get_nowait()
        queue.put_nowait(None)

    def _spread(self, event: str, data: dict[str, Any]) -> None:
        for queue in list(self._streams):
            if queue.full():
                self._end_stream(queue)  # the browser asks again by itself, and is then told everything
            else:
                queue.put_nowait((event, data))

    # --- listening ------------------------------------------------------------------------------------

    def lock_of(self, clip: Clip) -> asyncio.Lock:
        """Give the lock under which a clip is measured or corrected."""
        return self._locks.setdefault(clip.id, asyncio.Lock())

    def listen(self, clip: Clip) -> None:
        """Have a clip copied and measured, in the background."""
        task = self._background(self._listen(clip))
        self._listening[clip.id] = task
        task.add_done_callback(lambda _: self._listening.pop(clip.id, None))

    def listen_again(self, clip: Clip) -> None:
        """Have a clip that could not be used listened to once more: often that was not its own fault.

        Raises
        ------
        RequestError
            It can be used, or is being listened to.
        OutputError
            Its state cannot be written.
        """
        if clip.status != "failed":
            raise RequestError("this recording needs no other try", where=clip.name)
        before = clip.error
        clip.status, clip.error, clip.progress, clip.copied_s = "waiting", None, 0.0, 0.0
        try:
            self.desk.save(clip)
        except OutputError:
            clip.status, clip.error = "failed", before
            raise
        self.listen(clip)

    async def remove(self, clip: Clip, *, also_kept: bool) -> None:
        """Take a clip off the desk; a worker that is still listening to it is stopped."""
        async with self.keeping:  # a record of it may be just being made
            proof = await run_in_threadpool(self._is_proof, clip)
            if clip.id in self.desk.clips:
                self.desk.remove(clip, proof=proof, also_kept=also_kept)
        if (task := self._listening.get(clip.id)) is not None:
            task.cancel()
        self.words.pop(clip.id, None)
        self._locks.pop(clip.id, None)

    async def _listen(self, clip: Clip) -> None:
        large = clip.bytes > LARGE_BYTES
        async with self._one_large if large else contextlib.nullcontext(), self.lock_of(clip):
            if clip.id not in self.desk.clips:
                return
            clip.status, clip.error = "waiting", None
            corrected = clip.corrections, clip.corrected

            def tell(answer: dict[str, Any]) -> None:
                if "begun" in answer:
                    clip.status = "listening"
                elif "copied_s" in answer:
                    clip.copied_s = float(answer["copied_s"])
                    clip.progress = COPY_SHARE * clip.copied_s / (clip.copied_s + 600.0)
                elif "heard_s" in answer and clip.copied_s:
                    clip.duration_s = clip.copied_s
                    share = min(1.0, float(answer["heard_s"]) / clip.copied_s)
                    clip.progress = COPY_SHARE + (1 - COPY_SHARE) * share
                if clip.id in self.desk.clips:
                    self.desk.tell("clip", clip.brief())

            job = {
                "do": "listen",
                "source": str(self.desk.source_of(clip)),
                "folder": str(self.desk.folder_of(clip)),
            }
            try:
                done = await self.workers.do(job, tell=tell)
                duration_s, flights = float(done["duration_s"]), int(done["flights"])
                found = await run_in_threadpool(self.desk.take_in, clip)
                fields, _ = prefilled(found.recording)
                # Ready only with the form filled in: else somebody could look, and keep a record, in between.
                # What was emptied once it had been heard stays empty when it is heard again.
                said = {name: value for name, value in clip.seen.items() if value or clip.sha256}
                clip.seen = {**EMPTY, **fields, **said}
                clip.sha256 = found.sha256
                clip.duration_s, clip.flights = duration_s, flights
                clip.corrections, clip.corrected = None, ""
                await self.look_up()
                await self._ask_model(clip)
                # Last, so that nobody sees as ready what is not on the disk yet.
                clip.status, clip.progress = "ready", 1.0
                if corrected[0] is not None:  # it was heard before
                    await self._correct_as_before(clip, corrected[0])
            except (WorkerFailed, InputError, OutputError) as error:
                clip.status, clip.error = "failed", {"what": error.what, "remedy": error.remedy}
            except (KeyError, TypeError, ValueError):
                clip.status = "failed"
                clip.error = {"what": "the answer of the listening part made no sense", "remedy": "try again"}
            except Exception as error:  # whatever it is, the recording says so and the page goes on
                logging.getLogger("wingtone.page").exception("while listening to %s", clip.id)
                remedy = "try again; if it stays so, take the recording off the desk"
                clip.status, clip.error = (
                    "failed",
                    {"what": f"something went wrong: {error}", "remedy": remedy},
                )
            if clip.status == "failed":
                clip.corrections, clip.corrected = corrected  # for the next try
            if self.stopping and clip.status == "failed":
                clip.status, clip.error = "waiting", None  # as it stands on the disk: the next start hears it
                return
            with contextlib.suppress(OutputError):
                self.desk.save(clip)

    async def _correct_as_before(self, clip: Clip, corrected: list[dict[str, Any]]) -> None:
        """Correct a clip that was heard anew, as far as that can be done."""
        try:
            await self._correct(clip, corrections.from_json(corrected))
        except (WorkerFailed, TypeError) as error:
            if self.stopping:
                raise
            clip.lost = _reason(error)

    async def measured(self, clip: Clip) -> tuple[Measurement, Measurement]:
        """Give the measurement as found and as it stands after corrections.

        A corrected one that cannot be read is made again; the machine's counts where that comes to nothing.

        Raises
        ------
        InputError
            The recording has not been measured.
        Damaged
            What was found is damaged. The recording then asks on the desk to be listened to again.
        """
        with contextlib.suppress(Damaged):
            return await run_in_threadpool(self.desk.measured, clip)
        async with self.lock_of(clip):
            try:
                await run_in_threadpool(self.desk.found, clip)
            except Damaged as error:
                if clip.status == "ready":
                    clip.status, clip.error = "failed", {"what": error.what, "remedy": "listen to it again"}
                    with contextlib.suppress(OutputError):
                        self.desk.save(clip)
                raise
            try:
                await run_in_threadpool(self.desk.measured, clip)  # somebody else may have mended it
            except Damaged:
                try:
                    await self._correct(clip, corrections.from_json(clip.corrections or []))
                except (WorkerFailed, TypeError) as error:
                    if self.stopping:
                        raise
                    await self._correct(clip, None, lost=_reason(error))
        return await run_in_threadpool(self.desk.measured, clip)

    async def correct(
        self, clip: Clip, asked: Sequence[corrections.Correction] | None, *, made_from: str | None = None
    ) -> None:
        """Measure again with the bouts asked for; None puts back what the machine found.

        Parameters
        ----------
        made_from
            The version of the bouts that were changed; None: whichever.

        Raises
        ------
        Outdated
            Others stand now.
        WorkerFailed
            With the reason; nothing is changed in either case.
        """
        async with self.lock_of(clip):
            # Asked here, where nobody comes in between: others may have been measured while this one waited.
            if made_from is not None and made_from != version(clip.corrections):
                remedy = "look at them as they are now, and make your change again"
                raise Outdated("the bouts were changed in another window meanwhile", remedy=remedy)
            await self._correct(clip, asked)

    async def _correct(
        self, clip: Clip, asked: Sequence[corrections.Correction] | None, *, lost: str = ""
    ) -> None:
        found = await run_in_threadpool(self.desk.found, clip)
        before = clip.corrections, clip.corrected, clip.flights, clip.lost
        laid_out, corrected, flights = None, "", len(found.flight)
        try:
            if asked is not None:
                laid_out, corrected = corrections.to_json(asked), self.desk.new_corrected()
                job = {
                    "do": "correct",
                    "source": str(self.desk.source_of(clip)),
                    "folder": str(self.desk.folder_of(clip)),
                    "target": corrected,
                    "bouts": laid_out,
                    "before": self._before(clip),
                }
                done = await self.workers.do(job, tell=lambda _: None, urgent=True)
                flights = int(done["flights"])
            clip.corrections, clip.corrected, clip.flights, clip.lost = laid_out, corrected, flights, lost
            self.desk.save(clip)
        except BaseException:
            clip.corrections, clip.corrected, clip.flights, clip.lost = before
            raise
        finally:
            self.desk.clear_corrected(clip)
        await self._ask_model(clip)

    def _before(self, clip: Clip) -> list[Any] | None:
        """Name what need not be measured again; an earlier version paid no heed to some octaves."""
        if not clip.corrections or clip.corrected == CORRECTED:
            return None
        return [clip.corrected, clip.corrections]

    async def _ask_model(self, clip: Clip) -> None:
        """Ask the trained model, if there is one, about a measurement that has just been made."""
        self.words.pop(clip.id, None)
        if self.model is None or not clip.flights:
            return
        folder = self.desk.folder_of(clip)
        job = {
            "do": "model",
            "source": str(self.desk.source_of(clip)),
            "folder": str(folder / clip.corrected),
            "model": str(self.settings.model),
            "fauna": None if self.settings.fauna is None else str(self.settings.fauna),
        }
        try:
            silent_s = MODEL_SHARE * (clip.duration_s or 0.0)
            done = await self.workers.do(job, tell=lambda _: None, urgent=True, silent_s=silent_s)
            self.words[clip.id] = tuple(_word(said) for said in done["words"])
        except (WorkerFailed, KeyError, TypeError, ValueError) as error:
            why = error.what if isinstance(error, WorkerFailed) else "its answer made no sense"
            text = f"The model could not listen: {why}; the built-in cue was used instead."
            self.words[clip.id] = (Word(None, (("model not used", text),)),)

    async def words_of(self, clip: Clip) -> tuple[Word, ...]:
        """Give what the model said of each bee of a clip; nothing without one. Asked anew after a restart."""
        if self.model is not None and clip.flights and clip.id not in self.words:
            async with self.lock_of(clip):
                if clip.id not in self.words:
                    await self._ask_model(clip)
        return self.words.get(clip.id, ())

    # --- notebook -------------------------------------------------------------------------------------

    def notebook(self, *, write: bool) -> Notebook:
        """Open the notebook; each request does so for itself, as it runs in a thread of its own."""
        from wingtone.notebook.store import Notebook

        return Notebook.open(self.settings.notebook, write=write)

    def notebook_exists(self) -> bool:
        """Whether there is a notebook yet; also when we cannot look, and opening it says what is wrong."""
        from wingtone.notebook.store import default_path

        try:
            return (self.settings.notebook or default_path()).exists()
        except OSError:
            return True

    def entries_of(self, clip: Clip) -> list[Entry]:
        """Give the records of a recording, not removed, in the order of their numbers.

        By the checksum, so they are found whatever became of the state of the clip, and no other notebook's
        are taken for them.
        """
        if not clip.sha256 or not self.notebook_exists():
            return []
        with self.notebook(write=False) as opened:
            return opened.of_recording(clip.sha256)

    def clip_of(self, record: Record) -> Clip | None:
        """Give the recording that a record rests on, when it is on the desk."""
        if record.recording is None or not record.recording.sha256:
            return None
        path, sha256 = record.recording.path, record.recording.sha256
        same = [clip for clip in list(self.desk.clips.values()) if clip.sha256 == sha256]
        return max(same, key=lambda clip: clip.id in path, default=None)  # brought twice: what it was made of

    async def look_up(self) -> None:
        """Find out which recordings have a record now, and tell of those of which it changed."""
        try:
            recordings = await run_in_threadpool(self._recordings)
        except WingtoneError:
            return  # whoever opens the notebook is told why it cannot be read
        for clip in list(self.desk.clips.values()):
            recorded = clip.sha256 in recordings
            if recorded != clip.recorded:
                clip.recorded = recorded
                self.desk.tell("clip", clip.brief())

    def _recordings(self) -> set[str]:
        """Look into every record, but only when the notebook was changed since that was last done."""
        if not self.notebook_exists():
            return set()
        with self.notebook(write=False) as opened:
            mark = opened.mark()
            if self._recorded[0] != mark:
                self._recorded = mark, opened.recordings()
        return self._recorded[1]

    def _is_proof(self, clip: Clip) -> bool:
        """Whether a record rests on the file of a clip, or may do so."""
        try:
            notes = [entry.record.recording for entry in self.entries_of(clip)]
            paths = [Path(note.path) for note in notes if note is not None]
            source = self.desk.source_of(clip)
            # A record of the same sound that has its own file elsewhere does not need this one.
            return any(not path.is_file() or path.samefile(source) for path in paths)
        except (WingtoneError, OSError, ValueError):
            return True


def _reason(error: WorkerFailed | TypeError) -> str:
    return error.what if isinstance(error, WorkerFailed) else "what was noted of them makes no sense"


def _word(said: dict[str, Any]) -> Word:
    """Read what a worker told of one bee."""
    told = said["likelihood"]
    likelihood = None
    if told is not None:
        likelihood = Likelihood(
            classes=tuple(told["classes"]),
            log_likelihood=tuple(float(value) for value in told["log_likelihood"]),
            name=str(told["name"]),
            taxa=tuple(tuple(names) for names in told["taxa"]),
        )
    return Word(likelihood, tuple((str(code), str(text)) for code, text in said["warnings"]))
