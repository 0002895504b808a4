"""Starting the page on an address, and stopping it cleanly.

- `Running`: a server with its address, to be run in this thread or stopped from another.
- `prepare`: bind the address and put the page together.
"""

from __future__ import annotations

import socket
from typing import TYPE_CHECKING

import uvicorn

from wingtone.errors import RequestError
from wingtone.web.application import make_application
from wingtone.web.door import ENTER, Doorkeeper, own_addresses

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import FrameType

    from wingtone.web.page import Page, Settings

__all__ = ["PORT", "Running", "prepare"]

PORT = 8765
"""Where the page is looked for first; the next free one is taken when it is in use. Ours."""
PORTS_TRIED = 20
"""Ours: so many pages are open at once nowhere."""


class _Server(uvicorn.Server):
    """Ends the event streams before it waits for connections to end."""

    def __init__(self, config: uvicorn.Config, page: Page) -> None:
        super().__init__(config)
        self.page = page

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Take note of a signal; see uvicorn."""
        self.page.stopping = True
        super().handle_exit(sig, frame)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Stop; see uvicorn."""
        self.page.stopping = True
        self.page.end_streams()
        await super().shutdown(sockets)


class Running:
    """A page that is bound to its address and ready to be run.

    Attributes
    ----------
    url
        Where it is, on this machine.
    lan_urls
        Where other machines find it; empty without ``lan``.
    notices
        What it found amiss and has to tell before it runs.
    """

    def __init__(
        self, server: _Server, sockets: list[socket.socket], url: str, lan_urls: list[str], door: Doorkeeper
    ) -> None:
        self._server, self._sockets, self._door = server, sockets, door
        self.url, self.lan_urls = url, lan_urls
        self.notices = server.page.desk.notices

    @property
    def code(self) -> str:
        """The code that lets the next browser in."""
        return self._door.code

    @property
    def address(self) -> str:
        """``url`` with that code: the first browser that opens it may use the page."""
        return f"{self.url.removesuffix('/')}{ENTER}?code={self.code}"

    @property
    def started(self) -> bool:
        """Whether it answers."""
        return bool(self._server.started)

    def run(self) -> None:
        """Serve until `stop` is called or the process is interrupted."""
        try:
            self._server.run(sockets=self._sockets)
        finally:
            self.close()

    def close(self) -> None:
        """Give address and desk back, when it is not run; `run` does so at its end."""
        for one in self._sockets:
            one.close()
        self._server.page.desk.close()

    def stop(self) -> None:
        """End it, from any thread."""
        self._server.page.stopping = True
        self._server.should_exit = True


def prepare(
    settings: Settings,
    *,
    port: int | None = None,
    lan: bool = False,
    announce: Callable[[str], None] = print,
) -> Running:
    """Bind the address and put the page together.

    Parameters
    ----------
    port
        Exactly this one; None: `PORT` or one of the next that is free. 0: any free one.
    lan
        Let other machines of the network in, with a code.
    announce
        Called with each code after the first.

    Raises
    ------
    RequestError
        The port is in use.
    WingtoneError
        See `wingtone.web.page.Page`.
    """
    sockets, number = _bind(port, lan=lan)
    try:
        names = ["127.0.0.1", "localhost"]
        addresses = own_addresses() if lan else []
        hosts = {f"{name}:{number}" for name in [*names, *addresses]}
        if number == 80:
            hosts |= {*names, *addresses}
        door = Doorkeeper(announce, port=number)
        application, page = make_application(settings, hosts=hosts, door=door)
    except BaseException:
        for one in sockets:
            one.close()
        raise
    config = uvicorn.Config(
        application,
        log_config=None,
        access_log=False,
        server_header=False,
        date_header=False,
        proxy_headers=False,
        ws="none",
        timeout_keep_alive=30,
        timeout_graceful_shutdown=3,
        h11_max_incomplete_event_size=32_768,
        limit_concurrency=200,
    )
    lan_urls = [f"http://{address}:{number}/" for address in addresses]
    return Running(_Server(config, page), sockets, f"http://127.0.0.1:{number}/", lan_urls, door)


def _bind(port: int | None, *, lan: bool) -> tuple[list[socket.socket], int]:
    host = "0.0.0.0" if lan else "127.0.0.1"  # noqa: S104
    for number in range(PORT, PORT + PORTS_TRIED) if port is None else (port,):
        # asyncio sends each piece at once (TCP_NODELAY) only where the protocol is named. Else the body of an
        # answer waits until the browser has acknowledged its head, 40 ms and more.
        one = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        try:
            one.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            one.bind((host, number))
            one.listen(128)
        except (OSError, OverflowError):
            one.close()
            continue
        one.set_inheritable(False)
        return [one], int(one.getsockname()[1])
    remedy = "give another with --port, or leave it out to take the next free one"
    raise RequestError("this port is in use", remedy=remedy, where=port if port is not None else PORT)
