"""A page to look at."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from page_rig import FERRY, PATIENCE_S, ROOT, Running
from served_ports import Ports

PICTURES = ROOT / "build/page"


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[..., Running]]:
    """Starts a page, with the plan of the example unless told otherwise."""
    started: list[Running] = []

    def begin(where: str = "virtual", *args: object, plan: bool = True, **more: Any) -> Running:
        folder = tmp_path / f"page{len(started)}"
        folder.mkdir()
        planned = ("--plan", FERRY) if plan else ()
        started.append(Running(folder, where, *planned, *args, **more))
        return started[-1]

    yield begin
    for each in started:
        if each.process.poll() is None:
            each.kill()


@pytest.fixture
def ports(tmp_path: Path) -> Ports:
    """The system's list of ports, which a test fills."""
    return Ports(tmp_path)


@pytest.fixture
def window(browser: Any) -> Iterator[Callable[..., Any]]:
    """Opens a window of a running page; nothing that it says on its console is right."""
    said: list[str] = []
    opened: list[Any] = []

    def look(running: Running, width: int = 1280, height: int = 900, scheme: Any = "light",
             no_box: bool = False) -> Any:
        context = browser.new_context(
            viewport={"width": width, "height": height}, color_scheme=scheme,
            accept_downloads=True,
        )
        opened.append(context)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_S * 1000)
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("request", lambda request: said.append(request.url)
                if not request.url.startswith((running.base, f"ws://{running.host}", "blob:"))
                else None)
        page.goto(running.address)
        page.get_by_text("✗ No box" if no_box else "✓ Box:", exact=no_box).wait_for()
        return page

    yield look
    for context in opened:
        context.close()
    assert said == [], "errors of scripts, or requests to elsewhere"


@pytest.fixture
def picture() -> Callable[[Any, str], None]:
    """Keeps a picture of a window."""
    PICTURES.mkdir(parents=True, exist_ok=True)
    return lambda page, name: page.screenshot(path=PICTURES / f"{name}.png", full_page=True)
