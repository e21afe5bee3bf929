"""Requests of windows that bring recordings and marker logs to be checked."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from anyio import CapacityLimiter, to_thread
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from tallymark.page.access import REPORT_POLICY
from tallymark.page.recording_checks import RecordingChecks
from tallymark.page.request_body import body, text

_NAME_LONGEST = 120


def check_routes(checks: RecordingChecks, own_log: Callable[[Request], Path | None]) -> list[Route]:
    """The routes. own_log: the log of this session, if one is kept."""
    one_at_a_time = CapacityLimiter(1)  # not of the threads that send markers

    async def new(_request: Request) -> Response:
        return JSONResponse({"batch": checks.new()})

    async def add(request: Request) -> Response:
        batch = checks.batch(request.path_params["batch"])
        name = request.query_params.get("name", "")
        try:
            await batch.add(name, request.headers.get("content-length"), request.stream())
        except ClientDisconnect:  # nobody is left to be told
            return Response(status_code=400)
        return JSONResponse({})

    async def pairs(request: Request) -> Response:
        key = request.path_params["batch"]
        found = await run_in_threadpool(checks.pairs, key, own_log(request) is not None)
        return JSONResponse(found)

    async def run(request: Request) -> Response:
        asked, key = await body(request), request.path_params["batch"]
        recording = text(asked, "recording", _NAME_LONGEST)
        log = text(asked, "log", _NAME_LONGEST)
        part = asked.get("part") is True
        found = await to_thread.run_sync(
            checks.check, key, recording, log, own_log(request), part, limiter=one_at_a_time
        )
        return JSONResponse(found)

    async def report(request: Request) -> Response:
        # Opened by the browser as a page, which brings no token: the name of a report is one.
        found = checks.report(request.path_params["key"])
        if found is None:
            return Response("This report is not here any more. Check the recording again.", 404)
        return Response(found, media_type="text/html; charset=utf-8",
                        headers={"content-security-policy": REPORT_POLICY})

    batch = "/api/checks/{batch}"
    return [
        Route("/api/checks", new, methods=["POST"]),
        Route(f"{batch}/file", add, methods=["POST"]),
        Route(f"{batch}/pairs", pairs, methods=["GET"]),
        Route(f"{batch}/run", run, methods=["POST"]),
        Route("/report/{key}", report, methods=["GET"]),
    ]
