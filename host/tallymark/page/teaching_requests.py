"""Requests of windows about the wiring of virtual boxes: faults to set, to hide and to find."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from tallymark.common.errors import BadValue
from tallymark.page.access import role_of
from tallymark.page.box_session import Station
from tallymark.page.request_body import body, number
from tallymark.page.teaching_faults import Lesson, drawn


def teaching_routes(
    prefix: str, station_of: Callable[[Request], Station], stations: Iterable[Station]
) -> list[Route]:
    """The routes behind `prefix`, which names a box, and those of a whole class."""

    def lesson_of(request: Request, sets: bool) -> Lesson:
        lesson = station_of(request).lesson
        if lesson is None:
            raise BadValue("Only a virtual box has a wiring that can be changed here.")
        if sets and not (lesson.may_set or role_of(request).teacher):
            raise BadValue("The teacher sets the faults of this box.")
        return lesson

    async def wire(request: Request) -> Response:
        lesson, asked = lesson_of(request, True), await body(request)
        lesson.wire(_faults(asked))
        return JSONResponse({})

    async def hide(request: Request) -> Response:
        lesson, asked = lesson_of(request, True), await body(request)
        lesson.hide(number(asked, "count"))
        return JSONResponse({})

    async def show(request: Request) -> Response:
        lesson_of(request, True).show()
        return JSONResponse({})

    async def answer(request: Request) -> Response:
        lesson, asked = lesson_of(request, False), await body(request)
        lesson.answer(_faults(asked))
        return JSONResponse({})

    def lessons(request: Request) -> list[Lesson]:
        if not role_of(request).teacher:
            raise BadValue("Only the teacher can do that.")
        return [each.lesson for each in stations if each.lesson is not None]

    async def hide_all(request: Request) -> Response:
        every, asked = lessons(request), await body(request)
        same = drawn(number(asked, "count"))
        for lesson in every:
            if asked.get("same") is True:
                lesson.hide_these(same)
            else:
                lesson.hide(number(asked, "count"))
        return JSONResponse({})

    async def show_all(request: Request) -> Response:
        for lesson in lessons(request):
            lesson.show()
        return JSONResponse({})

    here = f"{prefix}/wiring"
    return [
        Route(here, wire, methods=["POST"]),
        Route(f"{here}/hide", hide, methods=["POST"]),
        Route(f"{here}/show", show, methods=["POST"]),
        Route(f"{here}/answer", answer, methods=["POST"]),
        Route("/api/class/hide", hide_all, methods=["POST"]),
        Route("/api/class/show", show_all, methods=["POST"]),
    ]


def _faults(asked: dict[str, object]) -> list[str]:
    faults = asked.get("faults")
    if not isinstance(faults, list):
        raise BadValue("'faults' is not a list of faults.")
    return faults
