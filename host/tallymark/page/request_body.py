"""What a request of a window may say: JSON of a limited length, with values of the right kind."""

from __future__ import annotations

import json
from typing import Any

from starlette.requests import ClientDisconnect, Request

from tallymark.common.errors import BadValue

_BODY_MOST = 200_000
UNDONE = "Nothing was sent."


async def body(request: Request) -> dict[str, Any]:
    """The JSON of a request. BadValue if it is none, or too long."""
    data = b""
    try:
        async for piece in request.stream():
            data += piece
            if len(data) > _BODY_MOST:
                raise BadValue(f"The request is too long. {UNDONE}")
        found = json.loads(data)
    except (ValueError, RecursionError, ClientDisconnect) as error:
        if isinstance(error, BadValue):
            raise
        raise BadValue(f"The request can't be read. {UNDONE}") from None
    if not isinstance(found, dict):
        raise BadValue(f"The request can't be read. {UNDONE}")
    return found


def number(asked: dict[str, Any], key: str) -> int:
    """A whole number. BadValue otherwise."""
    value = asked.get(key)
    if type(value) is not int:
        raise BadValue(f"'{key}' is not a whole number. {UNDONE}")
    return value


def text(asked: dict[str, Any], key: str, longest: int = 40) -> str:
    """A short text. BadValue otherwise."""
    value = asked.get(key)
    if not isinstance(value, str) or not value.isprintable() or len(value) > longest:
        raise BadValue(f"'{key}' is not a short text. {UNDONE}")
    return value


def pair(step: object) -> tuple[int, int]:
    """A step of a sequence: code and hold time. BadValue otherwise."""
    if isinstance(step, list) and len(step) == 2 and all(type(part) is int for part in step):
        return step[0], step[1]
    raise BadValue(f"A step is a code and a hold time in µs. {UNDONE}")
