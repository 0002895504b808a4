"""The page put together: routes, guard, and what happens at start and end.

- `make_application`: a Starlette application behind the `wingtone.web.guard.Guard`.
"""

from __future__ import annotations

import contextlib
import mimetypes
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import ClientDisconnect
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from wingtone import __version__
from wingtone.errors import InputError, OutputError, RequestError, WingtoneError
from wingtone.notebook.exchange import file_name
from wingtone.web import clip_routes, record_routes
from wingtone.web.bodies import TooLarge
from wingtone.web.clip_routes import NotFound, page_of
from wingtone.web.door import enter_routes
from wingtone.web.fields import FieldFaults
from wingtone.web.guard import Guard, refusal
from wingtone.web.page import Outdated, Page, Settings
from wingtone.web.seen import characters_json
from wingtone.web.workers import WorkerFailed

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Collection

    from starlette.requests import Request

    from wingtone.web.door import Doorkeeper

__all__ = ["make_application"]

mimetypes.add_type(
    "text/javascript", ".js"
)  # some systems' own lists say text/plain, and then it does not run

STATIC = Path(__file__).with_name("static")
FORMATS = (
    ".wav", ".flac", ".mp3", ".ogg", ".oga", ".opus", ".m4a", ".mp4", ".mov", ".3gp", ".amr", ".aac", ".caf",
    ".webm", ".mkv", ".aiff", ".aif", ".avi", ".wma", ".mts",
)  # fmt: skip
"""Endings that a file chooser offers; what a file is, its content tells."""


def make_application(settings: Settings, *, hosts: Collection[str], door: Doorkeeper) -> tuple[Guard, Page]:
    """Put the page together; gives the ASGI application and the state behind it.

    Parameters
    ----------
    hosts
        Values of the ``Host`` header that are ours.
    door
        Asks for the code.

    Raises
    ------
    WingtoneError
        See `wingtone.web.page.Page`.
    """
    page = Page(settings)

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        await page.start()
        try:
            yield
        finally:
            await page.stop()

    routes = [
        Route("/", index, methods=["GET"]),
        Route("/api/state", state, methods=["GET"]),
        *clip_routes.ROUTES,
        *record_routes.ROUTES,
        *enter_routes(door),
        # Compressed, as nothing secret is in them; what is secret is sent as it is.
        Mount("/static", GZipMiddleware(StaticFiles(directory=STATIC), minimum_size=1000)),
    ]
    handlers: dict[Any, Any] = {
        HTTPException: _http_error,
        WingtoneError: _our_error,
        OSError: _no_room,
        ClientDisconnect: _gone,
        Exception: _went_wrong,
    }
    app = Starlette(routes=routes, lifespan=lifespan, exception_handlers=handlers)
    app.state.page = page
    app.state.uploads = 0
    return Guard(app, hosts=hosts, door=door), page


async def index(_: Request) -> Response:
    """Give the page itself."""
    return FileResponse(STATIC / "index.html", headers={"cache-control": "no-cache"})


async def state(request: Request) -> Response:
    """Give what the page needs to begin with."""
    page = page_of(request)
    limits = page.desk.limits
    await page.look_up()  # the commands may have changed the notebook

    def notebook() -> dict[str, Any]:
        try:
            if not page.notebook_exists():
                return {"mark": "", "error": None}
            with page.notebook(write=False) as opened:
                return {"mark": opened.mark(), "error": None}
        except WingtoneError as error:  # recordings are heard without it
            return {"mark": None, "error": _told(error)}

    return JSONResponse(
        {
            "version": __version__,
            "token": request.scope["wingtone.token"],
            "fauna": {"id": page.fauna.id, "title": page.fauna.title},
            "model": None if page.model is None else page.model.name,
            "model_notice": None if page.model is None else page.model.notice or None,
            "limits": {
                "file_bytes": limits.file_bytes,
                "files": limits.files,
                "total_bytes": limits.total_bytes,
            },
            "formats": list(FORMATS),
            "today": page.settings.today().isoformat(),
            "characters": characters_json(page.fauna),
            "clips": [clip.brief() for clip in page.desk.clips.values()],
            "notebook": await run_in_threadpool(notebook),
        }
    )


async def _http_error(_: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    what = {404: "there is nothing here", 405: "that cannot be done here"}.get(
        error.status_code, error.detail
    )
    return refusal(error.status_code, what)


def _told(error: WingtoneError) -> dict[str, Any]:
    """Lay an error out; where files lie stays on the machine."""
    where = {"where": file_name(error.where)} if error.where else {}
    return {"what": error.what, "remedy": error.remedy, **where}


async def _our_error(_: Request, error: Exception) -> Response:
    assert isinstance(error, WingtoneError)
    told = _told(error)
    if isinstance(error, FieldFaults):
        told["fields"] = error.fields
    statuses: tuple[tuple[type[WingtoneError], int], ...] = (
        (NotFound, 404),
        (TooLarge, 413),
        (Outdated, 409),
        (RequestError, 400),
        (WorkerFailed, 422),
        (InputError, 409),
        (OutputError, 507),
    )
    status = next((code for kind, code in statuses if isinstance(error, kind)), 500)
    return refusal(status, **told)


async def _no_room(_: Request, error: Exception) -> Response:
    assert isinstance(error, OSError)
    what = f"the computer could not write or read its disk: {error.strerror or 'input or output failed'}"
    return refusal(507, what, remedy="is there room on the disk of the desk?")


async def _went_wrong(_: Request, __: Exception) -> Response:
    """Answer as the page expects it; the fault itself then goes on to the server, which writes it down."""
    answer = refusal(500, "something went wrong inside wingtone", remedy="please report it")
    # The server then hangs up. Told so, nobody sends the next request down the same line.
    answer.headers["connection"] = "close"
    return answer


async def _gone(_: Request, __: Exception) -> Response:
    return Response(status_code=400)
