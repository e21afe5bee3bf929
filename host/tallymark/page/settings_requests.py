"""Requests of windows about the settings of a box."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from typing import Any, Protocol

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from tallymark.common.errors import BadValue
from tallymark.page import settings_form
from tallymark.page.box_session import Station
from tallymark.page.request_body import body

_FILE_MOST = 20_000


class Once(Protocol):
    """Does something once, however often it is asked for with the same number."""

    def __call__(self, key: object, action: Callable[[], Any]) -> Awaitable[Any]: ...


def settings_routes(
    prefix: str, station_of: Callable[[Request], Station], once: Once
) -> list[Route]:
    """The routes behind `prefix`, which names a box."""

    async def form(request: Request) -> Response:
        station = station_of(request)
        return JSONResponse(await run_in_threadpool(settings_form.form, station))

    async def last(request: Request) -> Response:
        return JSONResponse({"values": settings_form.plain(station_of(request).settings)})

    async def effects(request: Request) -> Response:
        station, asked = station_of(request), await body(request)
        settings = settings_form.changed(station, _values(asked))
        return JSONResponse(settings_form.effects(station, settings))

    async def write(request: Request) -> Response:
        station, asked = station_of(request), await body(request)
        settings = settings_form.changed(station, _values(asked))
        keep = asked.get("keep") is True
        await once(asked.get("id"), lambda: station.change_settings(settings, keep))
        return JSONResponse({})

    async def file(request: Request) -> Response:
        found = await run_in_threadpool(settings_form.as_file, station_of(request))
        return Response(found, media_type="text/plain; charset=utf-8")

    async def read_file(request: Request) -> Response:
        station_of(request)
        data = b""
        async for piece in request.stream():
            data += piece
            if len(data) > _FILE_MOST:
                break
        return JSONResponse(await run_in_threadpool(settings_form.from_file, data))

    here = f"{prefix}/settings"
    return [
        Route(here, form, methods=["GET"]),
        Route(f"{here}/last", last, methods=["GET"]),
        Route(f"{here}/effects", effects, methods=["POST"]),
        Route(f"{here}/write", write, methods=["POST"]),
        Route(f"{here}/file", file, methods=["GET"]),
        Route(f"{here}/read-file", read_file, methods=["POST"]),
    ]


def _values(asked: dict[str, Any]) -> dict[str, Any]:
    values = asked.get("values")
    if not isinstance(values, dict):
        raise BadValue("'values' is not a list of settings. Nothing was changed.")
    return values
