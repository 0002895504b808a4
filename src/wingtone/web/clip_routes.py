"""Routes of the recordings: bring, look, listen, correct, say what was seen, answer.

Each function takes one request and gives one answer in the layouts of the page; the work is done in
`wingtone.web.page` and the rooms below.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
from typing import TYPE_CHECKING, Any
from urllib.parse import unquote

from starlette.concurrency import run_in_threadpool
from starlette.convertors import IntegerConvertor, register_url_convertor
from starlette.responses import FileResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from wingtone.api import F0_RANGE_HZ
from wingtone.audio.sniff import looks_like_recording
from wingtone.clip import flights_by_individual, measure_json
from wingtone.errors import RequestError, WingtoneError
from wingtone.files import synchronise
from wingtone.web import corrections, sounds, strip
from wingtone.web.answers import answer_without, answers_of, laid_out, laid_out_without
from wingtone.web.bodies import read_json
from wingtone.web.clips import version
from wingtone.web.desk import DeskFull
from wingtone.web.fields import Faults, number_of, record_of
from wingtone.web.guard import refusal
from wingtone.web.keeping import records_of_bees
from wingtone.web.seen import known_to, prefilled, read_seen
from wingtone.web.worker import COPY

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from starlette.requests import Request

    from wingtone.clip import Measurement
    from wingtone.web.clips import Clip
    from wingtone.web.page import Page

__all__ = ["ROUTES", "NotFound"]

UPLOAD_ID = re.compile(r"[0-9a-f]{32}")
PIECE_BYTES = 1 << 20
MOST_UPLOADS = 12
"""Recordings that come in at the same time; browsers send six. Ours."""
STALLED_S = 60.0
"""An upload of which nothing comes for so long is given up, so that it does not keep others out. Ours."""
MOST_POINTS = 20_000
BEAT_S = 15.0
"""A line is sent this often when nothing happens, so that dead connections are noticed. Ours."""
HELD_SOUNDS = 12
"""Stretches of sound kept on disk for a recording, so that a player can ask for parts of them. Ours."""


class _Count(IntegerConvertor):
    """A number in an address, of no more digits than ours have: Python refuses to read very long ones."""

    regex = "[0-9]{1,15}"


register_url_convertor("count", _Count())


class NotFound(RequestError):
    """There is nothing of this name."""


def page_of(request: Request) -> Page:
    """Give the page's state."""
    page: Page = request.app.state.page
    return page


def clip_of(request: Request) -> Clip:
    """Find the clip a path names.

    Raises
    ------
    NotFound
        There is none; an id that is no id is told the same.
    """
    clip = page_of(request).desk.clips.get(request.path_params["id"])
    if clip is None:
        raise NotFound("this recording is not on the desk", remedy="it may have been removed")
    return clip


def query_number(request: Request, name: str, default: float, *, low: float, high: float) -> float:
    """Read a number of the query.

    Raises
    ------
    FieldFaults
        It is none, or outside its range.
    """
    text = request.query_params.get(name)
    if text is None:
        return default
    try:
        number = float(text)
    except ValueError:
        number = float("nan")
    if not low <= number <= high:
        faults = Faults()
        faults.add(name, f"must be a number between {low:g} and {high:g}")
        faults.stop()
    return number


# --- bring and list --------------------------------------------------------------------------------------


async def upload(request: Request) -> Response:
    """Take a recording in."""
    page = page_of(request)
    desk = page.desk
    if request.app.state.uploads >= MOST_UPLOADS:
        return refusal(429, "too many recordings are coming in at once", remedy="wait for the others")
    name = unquote(request.headers.get("x-file-name", ""), errors="replace") or "recording"
    most = desk.limits.file_bytes
    declared = request.headers.get("content-length", "")
    size = int(declared) if declared.isdecimal() and len(declared) < 19 else 0
    if size > most:
        return _too_large(most)
    try:
        desk.check_room(size)
    except DeskFull as full:
        return refusal(507, full.what, remedy=full.remedy)
    request.app.state.uploads += 1
    try:
        clip, file = await run_in_threadpool(desk.begin, name)
        clip.upload = _upload_id(request)
        try:
            with file:
                refused = await _take_in(request, page, clip, file, size)
            if refused is not None:
                return refused
            await run_in_threadpool(synchronise, desk.source_of(clip))
            desk.keep(clip)
        finally:
            await run_in_threadpool(desk.drop, clip)
    finally:
        request.app.state.uploads -= 1
    page.listen(clip)
    return JSONResponse(clip.brief(), 201)


async def _take_in(request: Request, page: Page, clip: Clip, file: Any, size: int) -> Response | None:
    """Write what comes to the file; an answer when it is refused."""
    most = page.desk.limits.file_bytes
    waiting = bytearray()
    looked = False

    async def write() -> None:
        piece = bytes(waiting)
        waiting.clear()
        await run_in_threadpool(file.write, piece)

    stream = request.stream()
    while True:
        try:
            async with asyncio.timeout(STALLED_S):
                part = await anext(stream)
        except StopAsyncIteration:
            break
        except TimeoutError:
            return refusal(408, "the recording stopped coming in", remedy="bring it in again")
        clip.bytes += len(part)
        if clip.bytes > most:
            return _too_large(most)
        waiting += part
        if len(waiting) >= PIECE_BYTES:
            try:
                page.desk.check_room(max(size, clip.bytes), coming=clip)
            except DeskFull as full:
                return refusal(507, full.what, remedy=full.remedy)
            await write()
            if not looked:
                looked = True
                if not await run_in_threadpool(_is_sound, page.desk.source_of(clip), file):
                    return _no_sound()
    await write()
    if not clip.bytes:
        return refusal(415, "this file is empty", remedy="copy it again from the phone or recorder")
    if not looked and not await run_in_threadpool(_is_sound, page.desk.source_of(clip), file):
        return _no_sound()
    return None


def _upload_id(request: Request) -> str:
    given = request.headers.get("x-upload", "")
    return given if UPLOAD_ID.fullmatch(given) else ""


def _is_sound(path: Path, file: Any) -> bool:
    file.flush()
    with path.open("rb") as begun:
        return looks_like_recording(begun)


def _too_large(most: int) -> Response:
    what = f"this file is larger than {most / 1e9:.1f} GB"
    return refusal(413, what, remedy="cut it, or use wingtone measure on it")


def _no_sound() -> Response:
    remedy = "bring the sound or video file itself: WAV, FLAC, MP3, Ogg, M4A, MP4, MOV, 3GP, AMR or WebM"
    return refusal(415, "this is not a recording", remedy=remedy)


async def remove(request: Request) -> Response:
    """Take a recording off the desk; ``sound=too`` also deletes the file that a record points to."""
    page, clip = page_of(request), clip_of(request)
    await page.remove(clip, also_kept=request.query_params.get("sound") == "too")
    return JSONResponse({"removed": clip.id})


async def listen_again(request: Request) -> Response:
    """Have a recording that could not be used listened to once more."""
    page, clip = page_of(request), clip_of(request)
    page.listen_again(clip)
    return JSONResponse(clip.brief(), 202)


async def original(request: Request) -> Response:
    """Give the file back as it was brought, under the name that it came with."""
    page, clip = page_of(request), clip_of(request)
    source = page.desk.source_of(clip)
    if not await run_in_threadpool(source.is_file):
        raise NotFound("the file of this recording is not there any more")
    # Never shown as a page of ours, whatever is in it.
    return FileResponse(source, media_type="application/octet-stream", filename=clip.name)


async def events(request: Request) -> Response:
    """Tell of every change as it happens."""
    page = page_of(request)
    queue = page.open_stream()
    if queue is None:
        return refusal(429, "the page is open too many times", remedy="close some of its windows")

    # A browser that comes back after a break says which event it had last: it may have missed any.
    again = "last-event-id" in request.headers

    async def stream() -> AsyncIterator[str]:
        try:
            yield "retry: 1000\nid: 1\n\n"
            for clip in list(page.desk.clips.values()):
                if again or clip.status in ("waiting", "listening"):
                    yield _event("clip", clip.brief())
            while True:
                try:
                    told = await asyncio.wait_for(queue.get(), BEAT_S)
                except TimeoutError:
                    yield ": still here\n\n"
                    continue
                if told is None:
                    return
                yield _event(*told)
        finally:
            page.close_stream(queue)

    return StreamingResponse(stream(), media_type="text/event-stream", headers={"x-accel-buffering": "no"})


def _event(event: str, data: dict[str, Any]) -> str:
    return f"event: {event}\ndata: {json.dumps(data)}\n\n"


# --- one recording ---------------------------------------------------------------------------------------


async def show(request: Request) -> Response:
    """Give all that is known of a recording."""
    page, clip = page_of(request), clip_of(request)
    return await _whole(page, clip)


async def _whole(page: Page, clip: Clip) -> Response:
    # The status as it was before anything was waited for: what becomes ready meanwhile has no bouts here yet.
    status = clip.status
    measured = await page.measured(clip) if status == "ready" else None
    said = {
        **clip.brief(),
        "status": status,
        "corrections": clip.corrections,
        "seen": known_to(page.fauna, clip),
    }
    return JSONResponse(await run_in_threadpool(clip_json, page, clip, said, measured))


def clip_json(
    page: Page, clip: Clip, said: dict[str, Any], measured: tuple[Measurement, Measurement] | None
) -> dict[str, Any]:
    """Lay a clip out whole: what is ``said`` of it, and what was measured where it has been heard."""
    body: dict[str, Any] = {
        **said,
        "measurement": None,
        "machine_bouts": [],
        "prefilled": {"date": None, "place": None},
        "filled": {},
        "individuals": [],
        "records": {},
    }
    if measured is None:
        return body
    found, stands = measured
    laid = measure_json(stands)
    laid["recording"]["path"] = clip.name
    body["filled"], body["prefilled"] = prefilled(found.recording)
    bouts = stands.tone.bouts
    place = {id(bout): number for number, bout in enumerate(bouts)}
    body["measurement"] = laid
    body["machine_bouts"] = measure_json(found)["bouts"]
    with contextlib.suppress(
        WingtoneError
    ):  # a notebook that cannot be read keeps nobody from their recording
        body["records"] = records_of_bees(page.entries_of(clip), stands)
    body["individuals"] = [[place[id(bout)] for bout in group] for group in flights_by_individual(stands)]
    return body


async def strip_layout(request: Request) -> Response:
    """Say which tiles there are."""
    page, clip = page_of(request), clip_of(request)
    copy = page.desk.copy_of(clip)
    if copy is None:
        raise NotFound("there is nothing to see yet", remedy="wait until it is being listened to")
    complete = copy.name == COPY
    there_s = sounds.copied_samples(copy) / sounds.COPY_RATE_HZ
    return JSONResponse(
        strip.layout(
            there_s if complete else max(there_s, clip.duration_s or 0.0), copied_s=there_s, complete=complete
        )
    )


async def tile(request: Request) -> Response:
    """Give one tile of the strip."""
    page, clip = page_of(request), clip_of(request)
    copy = page.desk.copy_of(clip)
    if copy is None:
        raise NotFound("there is nothing to see yet", remedy="wait until it is being listened to")
    complete = copy.name == COPY
    level, number = request.path_params["level"], request.path_params["number"]
    cache = page.desk.folder_of(clip) / "tiles"
    try:
        async with page.tiles_at_once:
            png = await run_in_threadpool(strip.tile, copy, level, number, cache=cache, complete=complete)
    except (IndexError, FileNotFoundError) as error:
        raise NotFound("there is no such part of the strip") from error
    # Before the copy is whole a tile may change; afterwards never, as ids are not used again.
    lasting = "private, max-age=86400, immutable" if complete else "no-store"
    return Response(png, media_type="image/png", headers={"cache-control": lasting})


async def whole(request: Request) -> Response:
    """Give the whole strip as one small picture."""
    page, clip = page_of(request), clip_of(request)
    copy = page.desk.copy_of(clip)
    if copy is None or copy.name != COPY:
        raise NotFound("there is nothing to see yet", remedy="wait until it has been listened to")
    cache = page.desk.folder_of(clip) / "tiles"
    try:
        async with page.tiles_at_once:
            png = await run_in_threadpool(strip.whole, copy, cache=cache)
    except (IndexError, FileNotFoundError) as error:
        raise NotFound("there is nothing to see in this recording") from error
    lasting = "private, max-age=86400, immutable"
    return Response(png, media_type="image/png", headers={"cache-control": lasting})


async def line(request: Request) -> Response:
    """Give the tone line, thinned to what can be seen; bouts are kept apart by an empty point."""
    page, clip = page_of(request), clip_of(request)
    _, measurement = await page.measured(clip)
    duration_s = measurement.recording.duration_s
    from_s = query_number(request, "from_s", 0.0, low=0.0, high=1e7)
    to_s = query_number(request, "to_s", duration_s, low=0.0, high=1e7)
    points = int(query_number(request, "points", 4000, low=2, high=MOST_POINTS))
    return JSONResponse(_line(measurement, from_s, to_s, points))


def _line(measurement: Measurement, from_s: float, to_s: float, points: int) -> dict[str, list[Any]]:
    track = measurement.tone.track
    inside = (track.time_s >= from_s) & (track.time_s <= to_s)
    thin = max(1, -(-int(inside.sum()) // points))
    out: dict[str, list[Any]] = {"time_s": [], "f0_hz": [], "kind": [], "bout": []}
    for number, bout in enumerate(measurement.tone.bouts):
        own = (inside & (track.bout == number)).nonzero()[0][::thin]
        if not own.size:
            continue
        if out["time_s"]:
            out["time_s"].append(out["time_s"][-1])
            for name in ("f0_hz", "kind", "bout"):
                out[name].append(None)
        out["time_s"] += [round(value, 3) for value in track.time_s[own].tolist()]
        out["f0_hz"] += [round(value, 2) for value in track.f0_hz[own].tolist()]
        out["kind"] += [bout.kind] * own.size
        out["bout"] += [number] * own.size
    return out


async def sound(request: Request) -> Response:
    """Give a stretch of sound that every browser plays; parts of it can be asked for."""
    page, clip = page_of(request), clip_of(request)
    copy = page.desk.copy_of(clip)
    if copy is None:
        raise NotFound("there is nothing to hear yet", remedy="wait until it is being listened to")
    duration_s = sounds.copied_samples(copy) / sounds.COPY_RATE_HZ
    from_s = query_number(request, "from_s", 0.0, low=0.0, high=1e7)
    to_s = query_number(request, "to_s", min(duration_s, from_s + sounds.LONGEST_S), low=0.0, high=1e7)
    to_s = min(to_s, duration_s)
    half = query_number(request, "speed", 1.0, low=0.5, high=1.0) < 0.75
    only = request.query_params.get("only", "all")
    if only not in ("all", "comb"):
        raise RequestError("only is all or comb", where="only")
    if not 0 < to_s - from_s <= sounds.LONGEST_S + 0.01:
        raise RequestError(f"at most {sounds.LONGEST_S:g} s are played at once", where="to_s")
    measurement = (await page.measured(clip))[1] if only == "comb" else None
    version = "all" if measurement is None else f"comb{clip.corrected}"
    held = page.desk.folder_of(clip) / "sounds"
    target = held / f"{round(from_s * 1000)}-{round(to_s * 1000)}-{'half' if half else 'full'}-{version}.wav"

    def make() -> None:
        if not target.is_file():
            wav = sounds.wav_of(copy, measurement, from_s=from_s, to_s=to_s, half_speed=half)
            sounds.hold(target, wav, most=HELD_SOUNDS)

    try:
        async with page.tiles_at_once:
            await run_in_threadpool(make)
    except (IndexError, FileNotFoundError) as error:
        raise NotFound("there is no such part of the recording") from error
    return FileResponse(target, media_type="audio/wav", headers={"cache-control": "no-store"})


async def correct(request: Request) -> Response:
    """Measure again with the bouts that the user wants.

    ``bouts_version`` says, where it is sent, which bouts were on the page; those of another window are not
    overwritten unseen.
    """
    page, clip = page_of(request), clip_of(request)
    body = await read_json(request, most=corrections.MOST_BYTES)
    found = await run_in_threadpool(page.desk.found, clip)
    asked = corrections.read(body, duration_s=found.recording.duration_s, found=found.tone.bouts)
    await page.correct(clip, asked, made_from=body.get("bouts_version"))
    return await _whole(page, clip)


async def put_back(request: Request) -> Response:
    """Put the machine's bouts back."""
    page, clip = page_of(request), clip_of(request)
    await page.correct(clip, None)
    return await _whole(page, clip)


# --- seen and answered -----------------------------------------------------------------------------------


async def put_seen(request: Request) -> Response:
    """Keep what was seen."""
    page, clip = page_of(request), clip_of(request)
    seen = read_seen(await read_json(request), fauna=page.fauna)
    clip.seen = seen.body
    page.desk.save(clip)
    return JSONResponse({"seen": clip.seen})


async def change_seen(request: Request) -> Response:
    """Keep those fields that are sent, and those hints; a hint without a state is taken back.

    The rest stays as it is, so that no window undoes what was said in another one.
    """
    page, clip = page_of(request), clip_of(request)
    faults = Faults()
    fields = record_of(await read_json(request), faults)
    hints = record_of(fields.get("hints", {}), faults, where="hints")
    faults.stop()
    known = known_to(page.fauna, clip)
    body = read_seen({**known, **fields, "hints": {**known["hints"], **hints}}, fauna=page.fauna).body
    unknown = {name: state for name, state in clip.hints.items() if name not in known["hints"]}
    clip.seen = {**body, "hints": {**unknown, **body["hints"]}}
    page.desk.save(clip)
    return JSONResponse({"seen": body, "seen_version": version(clip.seen)})


async def answer(request: Request) -> Response:
    """Answer from the recording and what was seen; what is sent counts instead of what is kept."""
    page, clip = page_of(request), clip_of(request)
    faults = Faults()
    body = record_of(await read_json(request), faults)
    faults.stop()
    _, measurement = await page.measured(clip)
    words = await page.words_of(clip)

    def work() -> list[dict[str, Any]]:
        given = body.get("seen")
        said = known_to(page.fauna, clip) if given is None else given
        seen = read_seen(said, fauna=page.fauna, recording=measurement.recording)
        answers = answers_of(measurement, seen, fauna=page.fauna, words=words)
        out = [
            laid_out(
                measurement,
                one,
                individual=number,
                seen=seen,
                fauna=page.fauna,
                word=words[number - 1] if number <= len(words) else None,
            )
            for number, one in enumerate(answers, start=1)
        ]
        for one in out:
            one["recording"]["path"] = clip.name
        return out

    return JSONResponse({"answers": await run_in_threadpool(work)})


async def answer_alone(request: Request) -> Response:
    """Answer without a recording."""
    page = page_of(request)
    faults = Faults()
    body = record_of(await read_json(request), faults)
    f0_hz = number_of(body, "f0_hz", faults, low=F0_RANGE_HZ[0], high=F0_RANGE_HZ[1])
    faults.stop()

    def work() -> dict[str, Any]:
        seen = read_seen(body.get("seen") or {}, fauna=page.fauna)
        told = answer_without(seen, f0_hz=f0_hz, fauna=page.fauna)
        return laid_out_without(told, f0_hz=f0_hz, seen=seen, fauna=page.fauna)

    return JSONResponse({"answers": [await run_in_threadpool(work)]})


ROUTES = [
    Route("/api/clips", upload, methods=["POST"]),
    Route("/api/events", events, methods=["GET"]),
    Route("/api/clips/{id}", show, methods=["GET"]),
    Route("/api/clips/{id}", remove, methods=["DELETE"]),
    Route("/api/clips/{id}/listen", listen_again, methods=["POST"]),
    Route("/api/clips/{id}/original", original, methods=["GET"]),
    Route("/api/clips/{id}/strip", strip_layout, methods=["GET"]),
    Route("/api/clips/{id}/tiles/{level:count}/{number:count}.png", tile, methods=["GET"]),
    Route("/api/clips/{id}/whole.png", whole, methods=["GET"]),
    Route("/api/clips/{id}/line", line, methods=["GET"]),
    Route("/api/clips/{id}/sound.wav", sound, methods=["GET"]),
    Route("/api/clips/{id}/bouts", correct, methods=["PUT"]),
    Route("/api/clips/{id}/bouts", put_back, methods=["DELETE"]),
    Route("/api/clips/{id}/seen", put_seen, methods=["PUT"]),
    Route("/api/clips/{id}/seen", change_seen, methods=["PATCH"]),
    Route("/api/clips/{id}/answer", answer, methods=["POST"]),
    Route("/api/answer", answer_alone, methods=["POST"]),
]
