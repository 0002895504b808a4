"""Reading what a request carries, never more than is allowed.

- `read_body`, `read_json`: a body of bounded size.
- `TooLarge`: it was larger.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from wingtone.errors import RequestError

if TYPE_CHECKING:
    from starlette.requests import Request

__all__ = ["TooLarge", "read_body", "read_json"]

MOST_JSON_BYTES = 1 << 18
"""Ours: a form with a long note."""


class TooLarge(RequestError):
    """A body is larger than is allowed."""


async def read_body(request: Request, *, most: int) -> bytes:
    """Read a body of at most ``most`` bytes.

    Raises
    ------
    TooLarge
        It is larger; the rest is not read.
    """
    parts, size = [], 0
    async for part in request.stream():
        size += len(part)
        if size > most:
            raise TooLarge(f"that is more than {most} bytes")
        parts.append(part)
    return b"".join(parts)


async def read_json(request: Request, *, most: int = MOST_JSON_BYTES) -> Any:
    """Read a JSON body of at most ``most`` bytes.

    Raises
    ------
    TooLarge
        It is larger.
    RequestError
        It is no JSON.
    """
    raw = await read_body(request, most=most)
    try:
        return json.loads(raw)
    except (ValueError, RecursionError) as error:
        raise RequestError("that is not JSON", where="body") from error
