"""Routes of the notebook: keep, list, show, change, remove, season, export, and the sheet of a record."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from wingtone.api import F0_RANGE_HZ, given_tone
from wingtone.errors import RequestError, WingtoneError
from wingtone.figures.season import WEEKS, season_counts
from wingtone.keeping import add_records, to_report
from wingtone.notebook.doubts import doubts_about
from wingtone.notebook.records import STATUSES, to_json
from wingtone.notebook.store import Filter, projection
from wingtone.web.answers import answer_without, answers_of
from wingtone.web.bodies import read_json
from wingtone.web.clip_routes import NotFound, clip_of, page_of, query_number
from wingtone.web.export import export
from wingtone.web.fields import Faults, number_of, text_of
from wingtone.web.keeping import changes_of, read_choice, record_for, record_without, records_of_bees
from wingtone.web.seen import known_to, read_seen
from wingtone.web.sheet import sheet_html

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from starlette.requests import Request

    from wingtone.fauna import Fauna
    from wingtone.notebook.doubts import Doubt
    from wingtone.notebook.records import Record
    from wingtone.notebook.store import Entry, Notebook, Row
    from wingtone.web.page import Page

__all__ = ["ROUTES", "entry_json", "filter_of", "not_rejected"]

MOST_LISTED = 1000
"""Rows of one list; a page asks for the next. Ours."""


# --- what is sent ------------------------------------------------------------------------------------------


def entry_json(entry: Entry) -> dict[str, Any]:
    """Lay a stored record out; where files lie stays on the machine, only their names are told."""
    own = {"number": entry.number, "id": entry.id, "version": entry.version, "removed": entry.removed}
    return {**record_json(entry.record), **own, "changed_at": entry.changed_at}


def record_json(record: Record) -> dict[str, Any]:
    """Lay a record out without the folders of its files."""
    from wingtone.notebook.exchange import file_name

    body = to_json(record)
    if body["recording"] is not None:
        body["recording"]["path"] = file_name(body["recording"]["path"])
    if body["answer"] is not None and body["answer"].get("recording"):
        heard = body["answer"]["recording"]
        body["answer"] = {
            **body["answer"],
            "recording": {**heard, "path": file_name(str(heard.get("path") or ""))},
        }
    body["photographs"] = [file_name(path) for path in record.photographs]
    return body


def filter_of(fields: Mapping[str, Any]) -> Filter:
    """Read which records are meant.

    Raises
    ------
    FieldFaults
        With every fault.
    """
    from wingtone.notebook.events import day_range, parse_event_date
    from wingtone.notebook.places import parse_place

    faults = Faults()
    texts = {name: text_of(fields, name, faults) for name in ("taxon", "caste", "status", "recorder")}
    chosen: dict[str, Any] = {name: text for name, text in texts.items() if text}
    if texts["status"] and texts["status"] not in STATUSES:
        faults.add("status", f"must be one of {', '.join(STATUSES)}")
    for name, which in (("since", 0), ("until", 1)):
        if text := text_of(fields, name, faults):
            try:
                chosen[name] = day_range(parse_event_date(text))[which]
            except WingtoneError as error:
                faults.add_error(name, error)
    if text := text_of(fields, "place", faults):
        try:
            chosen["near"] = parse_place(text)
        except WingtoneError as error:
            faults.add_error("place", error)
    if within := text_of(
        {"within_km": fields.get("within_km") and str(fields["within_km"])}, "within_km", faults
    ):
        try:
            chosen["within_m"] = 1000.0 * float(within)
        except ValueError:
            faults.add("within_km", "must be a number")
        if not 0 <= chosen.get("within_m", 0.0) <= 2e7:
            faults.add("within_km", "must lie between 0 and 20000")
    faults.stop()
    return Filter(**chosen)


def not_rejected(opened: Notebook, where: Filter, text: str, names: Mapping[str, str]) -> Iterator[Entry]:
    """Go through records that hold a text; rejected ones only when they were asked for."""
    for entry in opened.entries(where):
        if entry.record.status == "rejected" and where.status != "rejected":
            continue
        first_day, _, _, _, place, taxon, caste, status, recorder, _ = projection(entry.record)
        if text in _all_text(entry.number, (first_day or "", place, taxon, caste, status, recorder), names):
            yield entry


def _looked_for(fields: Mapping[str, Any]) -> str:
    return str(fields.get("text") or "")[:200].casefold()


# --- keep -------------------------------------------------------------------------------------------------


async def keep(request: Request) -> Response:
    """Keep the answer for one bee as a record; once, unless asked again."""
    page, clip = page_of(request), clip_of(request)
    choice = read_choice(await read_json(request))
    _, measurement = await page.measured(clip)
    words = await page.words_of(clip)

    def work() -> dict[str, Any]:
        entries = page.entries_of(clip)
        number = records_of_bees(entries, measurement).get(str(choice.individual))
        if number is not None and not choice.again:
            (entry,) = (entry for entry in entries if entry.number == number)
            return {"record": entry_json(entry), "already": True, "cautions": []}
        said = known_to(page.fauna, clip)
        seen = read_seen(said, fauna=page.fauna, recording=measurement.recording)
        answers = answers_of(measurement, seen, fauna=page.fauna, words=words)
        if choice.individual > len(answers):
            raise RequestError(f"there are {len(answers)} bees in this recording", where="individual")
        record = record_for(
            measurement,
            answers[choice.individual - 1],
            choice,
            seen=seen,
            fauna=page.fauna,
            model=page.model,
        )
        with page.notebook(write=True) as opened:
            return _added(opened, record, page)

    async with page.keeping:
        done = await run_in_threadpool(work)
        if not done["already"]:
            clip.kept[str(choice.individual)] = done["record"]["number"]
            clip.recorded = True
            page.desk.save(clip)
            page.desk.tell("notebook", {})
    return JSONResponse(done, 200 if done["already"] else 201)


async def keep_seen(request: Request) -> Response:
    """Keep a bee that was seen, perhaps with a tone read off, but not recorded."""
    page = page_of(request)
    body = await read_json(request)
    choice = read_choice(body)
    faults = Faults()
    f0_hz = number_of(body, "f0_hz", faults, low=F0_RANGE_HZ[0], high=F0_RANGE_HZ[1])
    faults.stop()

    def work() -> dict[str, Any]:
        seen = read_seen(body.get("seen") or {}, fauna=page.fauna)
        if not (choice.taxon or seen.hints or f0_hz):
            raise RequestError("there is nothing to record", remedy="say what you saw, or give a name")
        answer = answer_without(seen, f0_hz=f0_hz, fauna=page.fauna)
        cue = None if f0_hz is None else given_tone(f0_hz)
        record = record_without(answer, cue, choice, seen=seen, fauna=page.fauna)
        with page.notebook(write=True) as opened:
            return _added(opened, record, page)

    done = await run_in_threadpool(work)
    page.desk.tell("notebook", {})
    return JSONResponse(done, 201)


def _added(opened: Notebook, record: Record, page: Page) -> dict[str, Any]:
    """Add a record; what looks like a slip in it goes back with it."""
    ((entry, doubts),) = add_records(opened, [record], today=page.settings.today(), fauna=page.fauna)
    return {"record": entry_json(entry), "already": False, "cautions": _cautions(record, doubts, page.fauna)}


def _cautions(record: Record, doubts: Iterable[Doubt], fauna: Fauna) -> list[dict[str, str]]:
    """Say what is to be minded of a record: what its name obliges to, and what looks like a slip."""
    advice = to_report(record.taxon, fauna) if record.status != "rejected" else ""
    told = [("report it", f"{record.vernacular or record.taxon}: {advice}")] if advice else []
    told += [("slip", doubt.what) for doubt in doubts]
    return [{"code": code, "text": text} for code, text in told]


# --- look -------------------------------------------------------------------------------------------------


async def listed(request: Request) -> Response:
    """List records, the newest day first."""
    page = page_of(request)
    where = filter_of(request.query_params)
    text = _looked_for(request.query_params)
    limit = int(query_number(request, "limit", 100, low=1, high=MOST_LISTED))
    after = int(query_number(request, "after", 0, low=0, high=2**53))

    def work() -> dict[str, Any]:
        if not page.notebook_exists():
            return {"records": [], "total": 0}
        with page.notebook(write=False) as opened:
            rows = opened.rows(where)
        names = page.fauna.vernaculars
        if text:
            rows = [row for row in rows if text in _all_text(row.number, _texts(row), names)]
        begin = 0
        if after:
            begin = next((place + 1 for place, row in enumerate(rows) if row.number == after), len(rows))
        shown = [
            {**row._asdict(), "vernacular": names.get(row.taxon, "")} for row in rows[begin : begin + limit]
        ]
        return {"records": shown, "total": len(rows)}

    return JSONResponse(await run_in_threadpool(work))


def _texts(row: Row) -> tuple[str, ...]:
    return (row.first_day, row.place, row.taxon, row.caste, row.status, row.recorder)


def _all_text(number: int, texts: tuple[str, ...], names: Mapping[str, str]) -> str:
    """All that a text is looked for in: what a list shows of a record, and the plain name."""
    plain = " ".join(names[text] for text in texts if text in names)
    return f"{number} {' '.join(texts)} {plain}".casefold()


async def shown(request: Request) -> Response:
    """Give a whole record with its history."""
    page, number = page_of(request), request.path_params["number"]

    def work() -> dict[str, Any]:
        with _opened(page, write=False) as opened:
            entry = _entry(opened, number)
            states = opened.history(number)
        clip = page.clip_of(entry.record)
        doubts = doubts_about(entry, (), today=page.settings.today(), castes=page.fauna.castes)
        cautions = [] if entry.removed else _cautions(entry.record, doubts, page.fauna)
        history = [{**dataclasses.asdict(state), "record": record_json(state.record)} for state in states]
        laid = {**entry_json(entry), "clip": None if clip is None else clip.id}
        if clip is not None:
            laid["recording"]["path"] = clip.name  # not that of its file on the desk, which nobody knows
        return {
            "record": laid,
            "cautions": cautions,
            "history": history,
        }

    return JSONResponse(await run_in_threadpool(work))


def _opened(page: Page, *, write: bool) -> Notebook:
    if not page.notebook_exists():
        raise NotFound("there is no record yet")
    return page.notebook(write=write)


def _entry(opened: Notebook, number: int) -> Entry:
    if not 0 < number < 2**53:
        raise NotFound("there is no such record")
    try:
        return opened.get(number)
    except RequestError as error:
        raise NotFound(error.what) from error


async def season(request: Request) -> Response:
    """Count the records by taxon and week, for the chart."""
    page = page_of(request)
    where, text = filter_of(request.query_params), _looked_for(request.query_params)
    names = page.fauna.vernaculars

    def work() -> dict[str, Any]:
        if not page.notebook_exists():
            return {"taxa": [], "years": [], "left_out": 0}
        with page.notebook(write=False) as opened:
            chosen = not_rejected(opened, where, text, names)
            counts, years, left_out = season_counts(entry.record for entry in chosen)
        taxa = [
            {
                "taxon": taxon,
                "vernacular": names.get(taxon, ""),
                "weeks": [sum(weeks[week] for weeks in by_caste.values()) for week in range(WEEKS)],
                "castes": {
                    caste: [weeks[week] for week in range(WEEKS)] for caste, weeks in by_caste.items()
                },
            }
            for taxon, by_caste in counts.items()
        ]
        return {"taxa": taxa, "years": years, "left_out": left_out}

    return JSONResponse(await run_in_threadpool(work))


# --- change -----------------------------------------------------------------------------------------------


async def amend(request: Request) -> Response:
    """Change those fields that are sent, and those hints; a hint without a state is taken back.

    What the record was before is kept.
    """
    page, number = page_of(request), request.path_params["number"]
    changes = changes_of(await read_json(request), page.fauna)
    said = changes.pop("hints", {})

    def with_hints(record: Record) -> dict[str, Any]:
        return {"hints": {name: state for name, state in {**record.hints, **said}.items() if state}}

    def work() -> dict[str, Any]:
        with _opened(page, write=True) as opened:
            _entry(opened, number)
            return {"record": entry_json(opened.amend(number, change=with_hints, **changes))}

    answer = await run_in_threadpool(work)
    page.desk.tell("notebook", {})
    return JSONResponse(answer)


async def remove(request: Request) -> Response:
    """Take a record out of lists and exports; ``restore`` brings it back."""
    return await _hide(request, back=False)


async def restore(request: Request) -> Response:
    """Bring a removed record back."""
    return await _hide(request, back=True)


async def _hide(request: Request, *, back: bool) -> Response:
    page, number = page_of(request), request.path_params["number"]

    def work() -> dict[str, Any]:
        with _opened(page, write=True) as opened:
            _entry(opened, number)
            return {"record": entry_json(opened.restore(number) if back else opened.remove(number))}

    answer = await run_in_threadpool(work)
    await page.look_up()
    page.desk.tell("notebook", {})
    return JSONResponse(answer)


# --- hand on ----------------------------------------------------------------------------------------------


async def hand_on(request: Request) -> Response:
    """Give records away in one of the forms that others read."""
    page = page_of(request)
    body = await read_json(request)
    fields = body if isinstance(body, dict) else {}
    filters = fields.get("filters")
    filters = filters if isinstance(filters, dict) else {}
    where, text, names = filter_of(filters), _looked_for(filters), page.fauna.vernaculars
    if not page.notebook_exists():
        raise NotFound("there is no record yet")
    return await export(page, fields, lambda opened: not_rejected(opened, where, text, names))


async def sheet(request: Request) -> Response:
    """Give one printable page of a record."""
    page, number = page_of(request), request.path_params["number"]

    def work() -> str:
        with _opened(page, write=False) as opened:
            entry = _entry(opened, number)
        return sheet_html(entry, page.fauna, page.clip_of(entry.record))

    return HTMLResponse(await run_in_threadpool(work))


ROUTES = [
    Route("/api/clips/{id}/record", keep, methods=["POST"]),
    Route("/api/records", listed, methods=["GET"]),
    Route("/api/records", keep_seen, methods=["POST"]),
    Route("/api/records/season", season, methods=["GET"]),
    Route("/api/records/{number:count}", shown, methods=["GET"]),
    Route("/api/records/{number:count}", amend, methods=["PATCH"]),
    Route("/api/records/{number:count}", remove, methods=["DELETE"]),
    Route("/api/records/{number:count}/restore", restore, methods=["POST"]),
    Route("/api/export", hand_on, methods=["POST"]),
    Route("/sheet/{number:count}", sheet, methods=["GET"]),
]
