"""The code of ``--lan``: who may use the page from another machine of the network.

A code serves once. Whoever enters it gets a cookie that lasts until the page is stopped or `LASTS_S` have
passed, and the next code is made and printed. Wrong codes are counted, for each address and in all; too many
are answered with 429 until some time has passed, and the code is changed. There are 31 ** 8 codes, so at the
rate that is let through a guess would take longer than the bees have been here.

- `Doorkeeper`: codes, cookies and counting.
- `enter_routes`: the page that asks for the code.
- `own_addresses`: under which addresses this machine is known in its network.
"""

from __future__ import annotations

import hmac
import html
import ipaddress
import secrets
import socket
import time
from collections import deque
from http.cookies import SimpleCookie
from typing import TYPE_CHECKING
from urllib.parse import parse_qs

from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from wingtone.web.bodies import read_body

if TYPE_CHECKING:
    from collections.abc import Callable

    from starlette.datastructures import Headers
    from starlette.requests import Request
    from starlette.types import Scope

__all__ = ["COOKIE", "Doorkeeper", "enter_routes", "own_addresses"]

COOKIE = "wingtone_page"
LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
"""Without those that look like others (I, L, O, 0, 1)."""
LENGTH = 8
LASTS_S = 12 * 3600.0
MOST_COOKIES = 20
TRIES_EACH, TRIES_ALL, WITHIN_S = 5, 20, 60.0
"""Wrong codes that are answered in a minute, from one address and in all. Ours."""
CHANGE_AFTER = 10
"""Wrong codes after which the code is changed. Ours."""
LOOPBACK = ("127.0.0.1", "localhost", "[::1]")


class Doorkeeper:
    """Keeps the door.

    Parameters
    ----------
    announce
        Called with each new code, to be printed on the terminal.
    clock
        Seconds that only go forward; for tests.
    """

    def __init__(
        self, announce: Callable[[str], None], *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._announce = announce
        self._clock = clock
        self._cookies: dict[str, float] = {}
        self._wrong: deque[tuple[float, str]] = deque(maxlen=1000)
        self._wrong_of_this_code = 0
        self.code = ""
        self._new_code()

    def _new_code(self) -> None:
        self.code = "".join(secrets.choice(LETTERS) for _ in range(LENGTH))
        self._wrong_of_this_code = 0
        self._announce(self.code)

    def may_pass(self, scope: Scope, headers: Headers) -> bool:
        """Whether a request comes from this machine itself, or with a cookie of ours."""
        host = headers.get("host", "").lower().rpartition(":")[0]
        if host in LOOPBACK and _is_loopback(_address(scope)):
            return True
        cookie = SimpleCookie()
        try:
            cookie.load(headers.get("cookie", ""))
        except Exception:
            return False
        given = cookie[COOKIE].value if COOKIE in cookie else ""
        now = self._clock()
        self._cookies = {one: until for one, until in self._cookies.items() if until > now}
        return any(hmac.compare_digest(given.encode(), one.encode()) for one in self._cookies)

    def wait_s(self, address: str) -> float:
        """How long an address has to wait before it may try a code; 0 when it may now."""
        now = self._clock()
        while self._wrong and self._wrong[0][0] <= now - WITHIN_S:
            self._wrong.popleft()
        own = [at for at, who in self._wrong if who == address]
        if len(own) >= TRIES_EACH or len(self._wrong) >= TRIES_ALL:
            return max(1.0, (own or [self._wrong[0][0]])[0] + WITHIN_S - now)
        return 0.0

    def enter(self, code: str, address: str) -> str | None:
        """Try a code; a cookie's value when it is right, which uses the code up."""
        tidy = "".join(code.upper().split()).replace("-", "")
        if hmac.compare_digest(tidy.encode(), self.code.encode()):
            cookie = secrets.token_urlsafe(32)
            if len(self._cookies) >= MOST_COOKIES:
                self._cookies.pop(min(self._cookies, key=lambda one: self._cookies[one]))
            self._cookies[cookie] = self._clock() + LASTS_S
            self._new_code()
            return cookie
        self._wrong.append((self._clock(), address))
        self._wrong_of_this_code += 1
        if self._wrong_of_this_code >= CHANGE_AFTER:
            self._new_code()
        return None


def _address(scope: Scope) -> str:
    client = scope.get("client")
    return str(client[0]) if client else ""


def _is_loopback(address: str) -> bool:
    try:
        return ipaddress.ip_address(address.partition("%")[0]).is_loopback
    except ValueError:
        return False


def enter_routes(door: Doorkeeper) -> list[Route]:
    """Give the page that asks for the code, and what it sends."""

    async def form(_: Request) -> Response:
        return _form("")

    async def enter(request: Request) -> Response:
        address = _address(request.scope)
        wait_s = door.wait_s(address)
        if wait_s > 0:
            text = f"Too many wrong codes. Wait {wait_s:.0f} seconds, then enter the code that is shown now."
            answer = _form(text, status=429)
            answer.headers["retry-after"] = f"{wait_s:.0f}"
            return answer
        fields = parse_qs((await read_body(request, most=2000)).decode("utf-8", "replace"), max_num_fields=5)
        cookie = door.enter(fields.get("code", [""])[0][:100], address)
        if cookie is None:
            return _form("That is not the code that is shown now. Look at the computer again.", status=403)
        inside = RedirectResponse("/", 303)
        inside.set_cookie(COOKIE, cookie, max_age=int(LASTS_S), httponly=True, samesite="strict", path="/")
        return inside

    return [Route("/enter", form, methods=["GET"]), Route("/enter", enter, methods=["POST"])]


def _form(message: str, *, status: int = 200) -> HTMLResponse:
    told = f'<p role="alert">{html.escape(message)}</p>' if message else ""
    return HTMLResponse(
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>wingtone: enter the code</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1"></head><body><main>'
        "<h1>wingtone</h1><p>This page runs on a computer nearby. Enter the code that it shows.</p>"
        f'{told}<form method="post" action="/enter"><p><label for="code">Code</label> '
        '<input id="code" name="code" autocomplete="one-time-code" autocapitalize="characters" required '
        'maxlength="20" autofocus> <button>Enter</button></p></form></main></body></html>',
        status,
    )


def own_addresses() -> list[str]:
    """List the address of this machine that others in its network can reach; nothing when it is in none.

    Asking the system which address it would use sends nothing: a UDP socket that is only connected. The page
    listens on IPv4 alone.
    """
    try:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
            probe.connect(("192.0.2.1", 9))  # set aside for documents (RFC 5737)
            address = str(probe.getsockname()[0])
    except OSError:
        return []
    return [] if _is_loopback(address) else [address]
