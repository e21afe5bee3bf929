"""What an open page costs: delay of bytes beside `tallymark bridge`, and the frames of its traces.

Bridge and page run all the time, each with a box of its own, and take turns byte by byte; a window
of the page is open in Chromium and draws what comes. See bridge.py for how the delay is measured.

    python tests/bench/page_cost.py
"""

from __future__ import annotations

import shutil
import statistics
import tempfile
from contextlib import ExitStack
from pathlib import Path

from bridge import TALLYMARK, BoxEnd, Way, by_bridge, opened, start
from playwright.sync_api import sync_playwright
from result_table import Figure, show

ROUNDS, WARM_UP = 800, 50
_COUNT_FRAMES = """() => {
  window.frameTimes = [];
  let last = performance.now();
  const next = (now) => {
    window.frameTimes.push(now - last);
    last = now;
    requestAnimationFrame(next);
  };
  requestAnimationFrame(next);
}"""


def by_page(stack: ExitStack, folder: Path) -> tuple[Way, str]:
    """The way through a page, and its address."""
    end = BoxEnd()
    link, printed = folder / "page", folder / "printed"
    with open(printed, "w") as out:
        start(stack, [*TALLYMARK, "page", str(folder / "page.log"), "--box", end.where, "--link",
                      str(link)], out.fileno())
    way = opened(stack, end, link)
    end.until(lambda: "byte port" in printed.read_text())
    return way, next(word for word in printed.read_text().split() if word.startswith("http"))


def figures() -> list[Figure]:
    """Half of the bytes and 99 of 100 are no later than that; and so are frames."""
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        bridge = by_bridge(stack, Path(folder), False)
        page, address = by_page(stack, Path(folder))
        playwright = stack.enter_context(sync_playwright())
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"]
        )
        stack.callback(browser.close)
        window = browser.new_page()
        window.goto(address)
        window.evaluate(_COUNT_FRAMES)
        for _ in range(WARM_UP + ROUNDS):
            bridge.send()
            page.send()
        frames = window.evaluate("window.frameTimes")[10:]
    rows = [
        Figure(
            f"page open, terminal: byte in to frame out, {name}",
            statistics.quantiles(page.delays[WARM_UP:], n=100)[at],
            "µs",
            "tallymark bridge, in turn",
            statistics.quantiles(bridge.delays[WARM_UP:], n=100)[at],
            "",
        )
        for name, at in (("half of the bytes", 49), ("99 of 100", 98))
    ]
    for name, at in (("half", 49), ("99 of 100", 98)):
        rows.append(
            Figure(
                f"page: time of a frame, {name}",
                statistics.quantiles(frames, n=100)[at],
                "ms",
                "60 frames a second",
                1000 / 60,
                "",
            )
        )
    return rows


if __name__ == "__main__":
    show(figures())
