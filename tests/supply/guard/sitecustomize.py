"""Python loads this by itself in every process that has this folder on ``PYTHONPATH``.

Whoever then looks up a name or reaches for an address other than this computer's own is refused, and a line
is added to the file that ``WINGTONE_REACHED_OUT`` names, so that it is known even where the program makes
nothing of the refusal.
"""

from __future__ import annotations

import ipaddress
import os
import sys
from typing import Any


def own(host: object) -> bool:
    """Whether a host is this computer."""
    name = host.decode(errors="replace") if isinstance(host, bytes) else str(host or "localhost")
    if name == "localhost":
        return True
    try:
        address = ipaddress.ip_address(name)
    except ValueError:
        return False
    return address.is_loopback or address.is_unspecified


def watch(event: str, arguments: tuple[Any, ...]) -> None:
    """See the table of audit events in Python's documentation."""
    if event in ("socket.connect", "socket.sendto", "socket.sendmsg"):
        address = arguments[1]
        if not isinstance(address, tuple):  # a socket between processes, or one that is connected already
            return
        host = address[0]
    elif event in ("socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr"):
        host = arguments[0]
    else:
        return
    if own(host):
        return
    with open(os.environ["WINGTONE_REACHED_OUT"], "a", encoding="utf-8") as file:
        file.write(f"{event} {host!r} by {sys.argv}\n")
    raise PermissionError(f"{event}: {host!r} is not this computer")


sys.addaudithook(watch)
