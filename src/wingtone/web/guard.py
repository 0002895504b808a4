"""Who may ask, and what every answer says of itself.

The page holds private things (recordings, places), and any site that the user visits can make their browser
send requests to 127.0.0.1. So:

- **Host** must be one of our own names with our port: a name of somebody else's that points here (DNS
  rebinding) is refused.
- **Origin** and **Sec-Fetch-Site**, where the browser sends them, must be our own for whatever changes
  something, and for everything under ``/api``.
- **Token**: every request that is not a plain reading one carries ``X-Wingtone-Token``, which only a page of
  the same origin can have read.
- **Code**: who has not entered it gets nothing but the page that asks for it (`wingtone.web.door`), be it
  another machine of the network or another account of this one.

Sources: Fetch Metadata Request Headers (W3C), Content Security Policy Level 3 (W3C); both from memory.

- `Guard`: the middleware.
- `HEADERS`: what every answer carries.
"""

from __future__ import annotations

import hmac
import secrets
from typing import TYPE_CHECKING, Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse, RedirectResponse, Response

from wingtone.web.door import ENTER

if TYPE_CHECKING:
    from collections.abc import Collection

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from wingtone.web.door import Doorkeeper

__all__ = ["HEADERS", "TOKEN_HEADER", "Guard", "refusal"]

TOKEN_HEADER = "x-wingtone-token"  # noqa: S105
READING = ("GET", "HEAD")
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
    "media-src 'self' blob:; connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "x-frame-options": "DENY",
    "permissions-policy": "microphone=(self), camera=(), geolocation=(), payment=(), usb=()",
}


def refusal(status: int, what: str, *, remedy: str = "", **more: Any) -> JSONResponse:
    """Make an error answer in the page's layout."""
    return JSONResponse({"error": {"what": what, "remedy": remedy, **more}}, status)


class Guard:
    """Let through what may pass, and put the headers on every answer.

    Parameters
    ----------
    app
        What is behind it.
    hosts
        Values of ``Host`` that are ours, with the port, in lower case.
    door
        Asks for the code.
    """

    def __init__(self, app: ASGIApp, *, hosts: Collection[str], door: Doorkeeper) -> None:
        self._app = app
        self._hosts = frozenset(hosts)
        self._origins = frozenset(f"http://{host}" for host in hosts)
        self._door = door
        self.token = secrets.token_urlsafe(32)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":  # no web sockets here
            return

        async def finish(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                static = scope["path"].startswith("/static/")
                headers.setdefault("cache-control", "no-cache" if static else "no-store")
            await send(message)

        answer = self._refused(scope)
        if answer is not None:
            await answer(scope, receive, finish)
            return
        scope["wingtone.token"] = self.token
        await self._app(scope, receive, finish)

    def _refused(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        if headers.get("host", "").lower() not in self._hosts or len(headers.getlist("host")) != 1:
            return refusal(
                421, "this page is not served under that name", remedy="use the address it printed"
            )
        path, method = scope["path"], scope["method"]
        origin, site = headers.get("origin"), headers.get("sec-fetch-site")
        foreign = (origin is not None and origin.lower() not in self._origins) or site in (
            "cross-site",
            "same-site",
        )
        if foreign and (method not in READING or path.startswith("/api/")):
            return refusal(403, "that came from another site", remedy="open the page itself")
        if path == ENTER:
            return None
        if not self._door.may_pass(headers):
            if method in READING and not path.startswith("/api/"):
                return RedirectResponse(ENTER, 303)
            remedy = "open the page once more beside this one, and enter the code that the terminal shows"
            return refusal(401, "the code is needed first", remedy=remedy)
        given = headers.get(TOKEN_HEADER, "").encode()
        if method not in READING and not hmac.compare_digest(given, self.token.encode()):
            return refusal(403, "the page must show that it is ours", remedy="load the page again")
        return None
