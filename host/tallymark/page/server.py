"""The web server of the page: what a window can ask for, and what it is told.

A request that drives lines carries a number that the window made; the same number again is answered
with what became of the first one, and nothing is sent twice.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import io
import json
import socket
import sys
import time
from collections import OrderedDict
from collections.abc import AsyncIterator, Callable, Mapping
from importlib import import_module
from pathlib import Path
from typing import Any, NamedTuple

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp
from starlette.websockets import WebSocket, WebSocketDisconnect

from tallymark.box.link.marker import Marker
from tallymark.box.ports.timebase import host_time_ns
from tallymark.common.errors import BadValue, TallymarkError
from tallymark.common.lines.vcd_writer import write_vcd
from tallymark.page.access import Access, Role, role_by_token, role_of
from tallymark.page.box_session import Station
from tallymark.page.boxes import Boxes, OnPage
from tallymark.page.boxes_requests import boxes_routes
from tallymark.page.check_requests import check_routes
from tallymark.page.preparation import Preparation
from tallymark.page.recording_checks import RecordingChecks
from tallymark.page.request_body import body, number, pair, text
from tallymark.page.settings_requests import settings_routes
from tallymark.page.teaching_requests import teaching_routes

for _part in ("lifespan.on", "loops.auto", "protocols.http.auto", "protocols.websockets.auto"):
    import_module(f"uvicorn.{_part}")  # later it would hold up markers

STATIC = Path(__file__).with_name("static")
TICK_S = 1 / 20
"""Windows draw 60 frames a second all the same. Each tick wakes this process and the browser, whose
work may be in the way of the next byte."""
_TICK_PLAYING_S = 1 / 50
"""While a sequence plays, which brings many edges. Bytes are refused then, so none can be late."""
_NOBODY_LOOKS_S = 0.25
_STATE_EVERY_S = 0.25
_CLOCK_EVERY_S = 0.5
"""A window is told the box time that often while nothing else is new."""
_STATE = ("states", "class", "taken_off", "waiting")
_NEWS = ("edges", "blocks", "probes", "rows", "updates")
_REMEMBERED = 1_000
_NEWS_MOST = 400
_TOKEN_S = 5.0
_SWITCH_S = 0.00005
"""As in `monitor.live_screen`: the byte port's thread must not wait for this one's turn to end."""


class Once:
    """Does what a window asks for once, however often the request arrives."""

    def __init__(self) -> None:
        self._done: OrderedDict[str, asyncio.Task[Any]] = OrderedDict()

    async def do(self, key: object, action: Callable[[], Any]) -> Any:
        """The result of the first request with that key. Goes on if the window goes away."""
        if not isinstance(key, str) or not 8 <= len(key) <= 64:
            raise BadValue("The request has no number of its own. Nothing was sent.")
        task = self._done.get(key)
        if task is None:
            task = asyncio.ensure_future(run_in_threadpool(action))
            self._done[key] = task
            while len(self._done) > _REMEMBERED:
                self._done.popitem(last=False)
        return await asyncio.shield(task)


class _View(NamedTuple):
    """What a window may see, and the number of the box of which it draws the lines; None: all."""

    role: Role
    box: int | None

    def of(self, numbers: tuple[int, ...]) -> tuple[int, ...]:
        """Those of the boxes of the page of which it draws the lines."""
        return tuple(which for which in self.role.of(numbers) if self.box in (None, which))


class PageServer:
    """Serves boxes to windows. roles: by the token of an address. checks: of recordings that
    windows bring. class_addresses: by the number of a student's box."""

    def __init__(
        self,
        boxes: Boxes,
        roles: Mapping[str, Role],
        checks: RecordingChecks,
        class_addresses: Mapping[int, str] | None = None,
    ) -> None:
        self._boxes = boxes
        self._plan = boxes.plan
        self._roles = roles
        self._addresses = class_addresses or {}
        self._checks = checks
        self._once = Once()
        self._windows: dict[asyncio.Queue[str | None], _View] = {}

    def app(self, hosts: frozenset[str]) -> ASGIApp:
        """The ASGI application. hosts: see `Access`."""
        box = "/api/box/{number:int}"
        checks = check_routes(self._checks, self._own_log)
        routes = [
            Route("/", lambda _request: FileResponse(STATIC / "index.html")),
            Route(f"{box}/send", self._send, methods=["POST"]),
            Route(f"{box}/idle", self._idle, methods=["POST"]),
            Route(f"{box}/play", self._play, methods=["POST"]),
            Route(f"{box}/selftest", self._selftest, methods=["POST"]),
            Route(f"{box}/test-marker", self._test_marker, methods=["POST"]),
            Route(f"{box}/confirm", self._confirm, methods=["POST"]),
            Route(f"{box}/sign", self._sign, methods=["POST"]),
            Route(f"{box}/count-from-now", self._count_from_now, methods=["POST"]),
            Route(f"{box}/vcd", self._vcd, methods=["GET"]),
            *settings_routes(box, self._station, self._once.do),
            *teaching_routes(box, self._station, self._boxes),
            *checks,
            *boxes_routes(self._boxes, self._once.do),
            WebSocketRoute("/live", self._live),
            Mount("/static", StaticFiles(directory=STATIC)),
        ]
        made = Starlette(
            routes=routes,
            lifespan=self._lifespan,
            exception_handlers={TallymarkError: _refusal},
        )
        return Access(made, hosts, self._roles)

    # Requests ---------------------------------------------------------------------------------

    def _station(self, request: Request) -> Station:
        return self._on_page(request).station

    def _preparation(self, request: Request) -> Preparation:
        return self._on_page(request).preparation

    def _on_page(self, request: Request) -> OnPage:
        which, now = request.path_params["number"], self._boxes.now
        if which not in role_of(request).of(tuple(now)):
            raise BadValue("There is no such box on this page. Nothing was sent.")
        return now[which]

    async def _send(self, request: Request) -> Response:
        station, asked = self._station(request), await body(request)
        sender = text(asked, "window")
        name = asked.get("event")
        if name is not None:
            if self._plan is None:
                raise BadValue("No plan was given. Nothing was sent.")
            event = self._plan.event(str(name))
            code, stays, name = event.code, False, event.name
            width: int | None = event.width_us
        else:
            code, width, stays = number(asked, "code"), None, asked.get("stays") is True
            if asked.get("width_us") is not None:
                width = number(asked, "width_us")
        marker = await self._once.do(
            asked.get("id"), lambda: station.send(sender, code, width, name, stays)
        )
        return JSONResponse(_sent(marker))

    async def _idle(self, request: Request) -> Response:
        station, asked = self._station(request), await body(request)
        sender = text(asked, "window")
        marker = await self._once.do(asked.get("id"), lambda: station.to_idle(sender))
        return JSONResponse(_sent(marker))

    async def _play(self, request: Request) -> Response:
        station, asked = self._station(request), await body(request)
        sender, repeats = text(asked, "window"), number(asked, "repeats")
        steps = asked.get("steps")
        if not isinstance(steps, list):
            raise BadValue("A sequence is a list of codes and hold times. Nothing was sent.")
        pairs = [pair(step) for step in steps]
        await self._once.do(asked.get("id"), lambda: station.play(sender, pairs, repeats))
        return JSONResponse({})

    async def _selftest(self, request: Request) -> Response:
        asked, preparation = await body(request), self._preparation(request)
        return JSONResponse(await self._once.do(asked.get("id"), preparation.test))

    async def _test_marker(self, request: Request) -> Response:
        asked, preparation = await body(request), self._preparation(request)
        name = asked.get("event")
        sender = text(asked, "window")
        code = 0 if name is not None else number(asked, "code")
        found = await self._once.do(
            asked.get("id"),
            lambda: preparation.test_marker(sender, None if name is None else str(name), code),
        )
        return JSONResponse(found)

    async def _confirm(self, request: Request) -> Response:
        asked = await body(request)
        self._preparation(request).confirm(asked.get("seen") is True)
        return JSONResponse({})

    async def _sign(self, request: Request) -> Response:
        asked, preparation = await body(request), self._preparation(request)
        sender = text(asked, "window")
        found = await self._once.do(asked.get("id"), lambda: preparation.sign(sender))
        return JSONResponse(found)

    async def _count_from_now(self, request: Request) -> Response:
        self._station(request).count_from_now()
        return JSONResponse({})

    async def _vcd(self, request: Request) -> Response:
        station = self._station(request)
        edges = list(station.lines.edges)
        if not edges:
            raise BadValue("The readback has not been captured yet: there is nothing to save.")
        written = io.StringIO()
        comment = f"Readback of box {station.identity.serial}."
        end = station.box_now_us()
        write_vcd(written, edges, None if end is None else int(end), station.settings.idle_levels,
                  comment, station.lines.probes.all())
        return Response(written.getvalue(), media_type="text/plain; charset=utf-8")

    def _own_log(self, request: Request) -> Path | None:
        """The log of this session: that of the first box."""
        now = self._boxes.now
        for which in role_of(request).of(tuple(now)):
            station = now[which].station
            return station.log_path if station.log_kept else None
        return None

    # Windows ----------------------------------------------------------------------------------

    async def _live(self, socket: WebSocket) -> None:
        """Tells a window all that happens, once it has sent the token, and the number of the box
        that it shows."""
        await socket.accept()
        news: asyncio.Queue[str | None] = asyncio.Queue(_NEWS_MOST)
        try:
            first = await asyncio.wait_for(socket.receive_text(), _TOKEN_S)
            token, _, shown = first[:200].partition(" ")
            role = role_by_token(token, self._roles)
            if role is None:
                await socket.close(4401)
                return
            view = _View(role, int(shown) if shown.isdecimal() else None)
            self._windows[news] = view
            await socket.send_text(self._hello(view))
            hearing = asyncio.ensure_future(_until_gone(socket))
            telling = asyncio.ensure_future(_tell(socket, news))
            done, left = await asyncio.wait(
                (hearing, telling), return_when=asyncio.FIRST_COMPLETED
            )
            for task in left:
                task.cancel()
            await asyncio.gather(*done, *left, return_exceptions=True)
        except (WebSocketDisconnect, asyncio.TimeoutError, KeyError, RuntimeError):
            with contextlib.suppress(RuntimeError, WebSocketDisconnect):
                await socket.close(1008)
        finally:
            self._windows.pop(news, None)

    def _hello(self, view: _View) -> str:
        plan, now, role = self._plan, self._boxes.now, view.role
        events = [] if plan is None else [
            {"name": each.name, "code": each.code, "width_us": each.width_us, "about": each.about}
            for each in plan.events
        ]
        return json.dumps({
            "kind": "hello",
            "plan": None if plan is None else {"name": plan.name, "events": events},
            "adds_boxes": role.adds_boxes,
            "boxes": {which: now[which].station.snapshot() for which in view.of(tuple(now))},
            **self._states(role),
        })

    def _states(self, role: Role) -> dict[str, Any]:
        now = self._boxes.now
        off = self._boxes.taken_off if role.adds_boxes else {}
        return {
            "wall_us": (time.time_ns() - host_time_ns()) // 1000,
            "class": self._addresses if role.teacher else {},
            "taken_off": {which: {"text": one.text, "good": one.good}
                          for which, one in off.items()},
            "waiting": list(self._boxes.waiting.values()) if role.adds_boxes else [],
            "states": {which: _state(now[which], role.teacher) for which in role.of(tuple(now))},
        }

    @contextlib.asynccontextmanager
    async def _lifespan(self, _app: Starlette) -> AsyncIterator[None]:
        task = asyncio.ensure_future(self._broadcast())
        yield
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    async def _broadcast(self) -> None:
        """Collects what is new, and hands it to every window."""
        now_s = state_s = clock_s = 0.0
        told: dict[_View, str] = {}
        while True:
            await asyncio.sleep(pause_s := self._pause_s())
            now_s += pause_s
            news = {one.number: one.collect() for one in self._boxes}
            clock, state = now_s >= clock_s, now_s >= state_s
            clock_s = now_s + _CLOCK_EVERY_S if clock else clock_s
            state_s = now_s + _STATE_EVERY_S if state else state_s
            views = set(self._windows.values())
            states = {role: self._states(role) for role in {view.role for view in views} if state}
            texts = {role: json.dumps([one[key] for key in _STATE])
                     for role, one in states.items()}
            for view in views:
                boxes = {which: news[which] for which in view.of(tuple(news))
                         if clock or any(news[which][key] for key in _NEWS)}
                message: dict[str, Any] = {"kind": "news", "boxes": boxes}
                if state and told.get(view) != texts[view.role]:
                    told[view] = texts[view.role]
                    message |= states[view.role]
                if len(message) > 2 or boxes:
                    self._hand_out(json.dumps(message), view)

    def _pause_s(self) -> float:
        if not self._windows:
            return _NOBODY_LOOKS_S
        return _TICK_PLAYING_S if any(one.plays for one in self._boxes) else TICK_S

    def _hand_out(self, text: str, view: _View) -> None:
        for news in [news for news, whose in self._windows.items() if whose == view]:
            try:
                news.put_nowait(text)
            except asyncio.QueueFull:  # it is too slow: it begins anew with a snapshot
                del self._windows[news]
                while not news.empty():
                    news.get_nowait()
                news.put_nowait(None)


def _state(one: OnPage, teacher: bool) -> dict[str, Any]:
    station = one.station
    return {
        **station.state(),
        "preparation": one.preparation.as_data(),
        "lesson": None if station.lesson is None else station.lesson.as_data(teacher),
    }


async def _until_gone(socket: WebSocket) -> None:
    while True:  # a window has nothing more to say here
        await socket.receive_text()


async def _tell(socket: WebSocket, news: asyncio.Queue[str | None]) -> None:
    while (text := await news.get()) is not None:
        await socket.send_text(text)
    await socket.close(4408)


def _sent(marker: Marker) -> dict[str, Any]:
    return {"code": marker.code, "box_us": marker.box_time_us}


async def _refusal(_request: Request, error: Exception) -> Response:
    status = 400 if isinstance(error, BadValue) else 409
    return JSONResponse({"error": str(error)}, status)


LOOPBACK = "127.0.0.1"


def listen(port: int, address: str = LOOPBACK) -> socket.socket:
    """A socket at an address of this computer. BadValue if the port can't be had. 0: any."""
    try:
        return socket.create_server((address, port))
    except OSError as error:
        raise BadValue(
            f"TCP port {port} of {address} can't be used ({error.strerror}). Choose another one "
            "with --port, or 0 for any."
        ) from error


def serve(server: PageServer, door: socket.socket) -> None:
    """Serves until Ctrl-C or SIGTERM, which ends in KeyboardInterrupt."""
    address, port = door.getsockname()[:2]
    hosts = {f"{address}:{port}"}
    if address == LOOPBACK:
        hosts.add(f"localhost:{port}")
    config = uvicorn.Config(
        server.app(frozenset(hosts)),
        log_config=None,
        access_log=False,
        server_header=False,
        ws_max_size=4_096,
        ws_per_message_deflate=False,  # on this computer it only costs time
        timeout_graceful_shutdown=1,
    )
    gc.collect()
    gc.freeze()  # to look through all modules again would hold up markers for some 20 ms
    switch = sys.getswitchinterval()
    sys.setswitchinterval(_SWITCH_S)
    try:
        uvicorn.Server(config).run(sockets=[door])
    finally:
        sys.setswitchinterval(switch)
        gc.unfreeze()
