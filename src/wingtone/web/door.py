"""The code: who may use the page, from this machine and from others of its network.

An address of this machine is open to every account on it, so that alone lets nobody in. The code stands in
the address that is printed and opened, and can be typed. It serves once. Whoever enters it gets a cookie that
lasts until the page is stopped or its time has passed, and the next code is made and printed; so it does no
harm that other accounts may see the address in the list of processes while the browser starts. Wrong codes
are counted, for each address and in all; too many are answered with 429 until some time has passed, and the
code is changed. There are 31 ** 8 codes, so at the rate that is let through a guess would take longer than
the bees have been here.

- `Doorkeeper`: codes, cookies and counting.
- `enter_routes`: the page that asks for the code.
- `own_addresses`: under which addresses this machine is known in its network.
"""

from __future__ import annotations

import contextlib
import hmac
import html
import ipaddress
import secrets
import socket
import time
from collections import deque
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

__all__ = ["COOKIE", "ENTER", "Doorkeeper", "enter_routes", "own_addresses"]

ENTER = "/enter"
COOKIE = "wingtone_page"
"""Begins the name of the cookie. Browsers give a cookie to all ports of a machine, so the port follows."""
LETTERS = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
"""Without those that look like others (I, L, O, 0, 1)."""
LENGTH = 8
LASTS_S, LASTS_HERE_S = 12 * 3600.0, 30 * 86_400.0
"""How long a cookie opens: one that went over a network, and one of this machine. Ours."""
MOST_COOKIES = 20
TRIES_EACH, TRIES_ALL, WITHIN_S = 5, 20, 60.0
"""Wrong codes that are answered in a minute, from one address and in all. Ours."""
CHANGE_AFTER = 10
"""Wrong codes after which the code is changed. Ours."""


class Doorkeeper:
    """Keeps the door.

    Parameters
    ----------
    announce
        Called with each code after the first, to be printed on the terminal.
    port
        Of the page.
    clock
        Seconds that only go forward; for tests.
    """

    def __init__(
        self,
        announce: Callable[[str], None],
        *,
        port: int,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.cookie_name = f"{COOKIE}_{port}"
        self._announce = announce
        self._clock = clock
        self._cookies: dict[str, float] = {}
        self._wrong: deque[tuple[float, str]] = deque(maxlen=1000)
        self._wrong_of_this_code = 0
        self.code = _made_up()

    def _new_code(self) -> None:
        self.code = _made_up()
        self._wrong_of_this_code = 0
        self._announce(self.code)

    def may_pass(self, headers: Headers) -> bool:
        """Whether a request comes with a cookie of ours."""
        given = _cookie(headers, self.cookie_name)
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
            self._cookies[cookie] = self._clock() + _lasts_s(address)
            self._new_code()
            return cookie
        self._wrong.append((self._clock(), address))
        self._wrong_of_this_code += 1
        if self._wrong_of_this_code >= CHANGE_AFTER:
            self._new_code()
        return None


def _cookie(headers: Headers, name: str) -> str:
    """Give the value of a cookie, empty without it; others beside it may be written however they like.

    They come from every server that ever ran on this machine, and a strict reader stops at the first that it
    does not understand. Ours is letters, digits, hyphens and low lines.
    """
    for one in ";".join(headers.getlist("cookie")).split(";"):
        found, _, value = one.partition("=")
        if found.strip() == name:
            return value.strip()
    return ""


def _made_up() -> str:
    return "".join(secrets.choice(LETTERS) for _ in range(LENGTH))


def _lasts_s(address: str) -> float:
    return LASTS_HERE_S if _is_loopback(address) else LASTS_S


def _address(scope: Scope) -> str:
    client = scope.get("client")
    return str(client[0]) if client else ""


def _is_loopback(address: str) -> bool:
    try:
        return ipaddress.ip_address(address.partition("%")[0]).is_loopback
    except ValueError:
        return False


def enter_routes(door: Doorkeeper) -> list[Route]:
    """Give the page that takes the code: from its address, or typed into its form."""

    async def enter(request: Request) -> Response:
        if door.may_pass(request.headers):  # the printed address once more, in the same browser
            return RedirectResponse("/", 303)
        # Another site can have the browser ask for any address here; that is nobody's try.
        foreign = request.headers.get("sec-fetch-site") in ("cross-site", "same-site")
        code = None if foreign else request.query_params.get("code")
        if request.method == "POST":
            body = (await read_body(request, most=2000)).decode("utf-8", "replace")
            with contextlib.suppress(ValueError):  # more fields than our form has are no code
                code = parse_qs(body, max_num_fields=5).get("code", [""])[0]
        if code is None or request.method == "HEAD":
            return _form("")
        address = _address(request.scope)
        wait_s = door.wait_s(address)
        if wait_s > 0:
            text = f"Too many wrong codes. Wait {wait_s:.0f} seconds, then enter the code that is shown now."
            answer = _form(text, status=429)
            answer.headers["retry-after"] = f"{wait_s:.0f}"
            return answer
        cookie = door.enter(code[:100], address)
        if cookie is None:
            text = "That is not the code that is shown now: each serves once. Look at the terminal again."
            return _form(text, status=403)
        inside = RedirectResponse("/", 303)
        lasts_s = int(_lasts_s(address))
        inside.set_cookie(
            door.cookie_name, cookie, max_age=lasts_s, httponly=True, samesite="strict", path="/"
        )
        return inside

    return [Route(ENTER, enter, methods=["GET", "POST"])]


def _form(message: str, *, status: int = 200) -> HTMLResponse:
    told = f'<p role="alert">{html.escape(message)}</p>' if message else ""
    return HTMLResponse(
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><title>wingtone: enter the code</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        '<meta name="color-scheme" content="light dark"></head><body><main>'
        "<h1>wingtone</h1><p>This page is for those who may see the terminal that wingtone was started in. "
        "Open the address that it printed there, or enter the code that it shows now.</p>"
        f'{told}<form method="post" action="{ENTER}"><p><label for="code">Code</label> '
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
