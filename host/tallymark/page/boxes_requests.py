"""Requests of windows about the boxes of the page: which are plugged in, one to be opened, one to
be taken off."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from tallymark.common.errors import BadValue
from tallymark.page.access import role_of
from tallymark.page.boxes import Boxes
from tallymark.page.request_body import body, text

_PORT_MOST = 200


def boxes_routes(
    boxes: Boxes, once: Callable[[object, Callable[[], Any]], Awaitable[Any]]
) -> list[Route]:
    """The routes for windows whose role adds boxes."""

    def allowed(request: Request) -> None:
        if not role_of(request).adds_boxes:
            raise BadValue("This address shows the boxes of a class. Nothing was changed.")

    async def plugged_in(request: Request) -> Response:
        allowed(request)
        return JSONResponse(await run_in_threadpool(boxes.plugged_in))

    async def opened(request: Request) -> Response:
        allowed(request)
        asked = await body(request)
        where = text(asked, "where", _PORT_MOST).strip()
        if not where:
            raise BadValue("Give the port of the box. No box was opened.")
        station = await once(asked.get("id"), lambda: boxes.open(where))
        return JSONResponse({"number": station.number})

    async def taken_off(request: Request) -> Response:
        allowed(request)
        asked = await body(request)
        which, sure = request.path_params["number"], asked.get("sure") is True
        ends = await once(asked.get("id"), lambda: boxes.take_off(which, sure))
        return JSONResponse({"ends": ends})

    return [
        Route("/api/boxes", plugged_in, methods=["GET"]),
        Route("/api/boxes", opened, methods=["POST"]),
        Route("/api/boxes/{number:int}/take-off", taken_off, methods=["POST"]),
    ]
