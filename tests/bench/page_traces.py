"""What a window of the page draws of 1,000 edges a second: time of a frame, and delay of an edge.

A virtual box behind a pseudo-terminal plays a sequence with an edge every millisecond. In Chromium
each frame notes when it was drawn, and until which box time. This program owns the box, so it knows
when each edge was; an edge is on the screen with the first frame that shows its time. What the
display adds is not measured.

    python tests/bench/page_traces.py
"""

from __future__ import annotations

import itertools
import shutil
import statistics
import tempfile
import time
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from bridge import TALLYMARK, start
from playwright.sync_api import sync_playwright
from result_table import Figure, show

from tallymark.box.ports.timebase import host_time_ns
from tallymark.virtual import Server, VirtualBox

EDGE_EVERY_US = 1_000
LASTS_S = 8
_NOTE_FRAMES = """() => {
  window.frames_drawn = [];
  const canvas = document.getElementById("traces");
  const next = () => {
    window.frames_drawn.push([performance.timeOrigin + performance.now(), canvas.drawnUntilUs]);
    requestAnimationFrame(next);
  };
  requestAnimationFrame(next);
}"""


def measured(stack: ExitStack, plays: bool) -> tuple[list[float], list[float]]:
    """Times of frames and delays of edges, in ms. plays: with edges, or with none."""
    folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
    box = stack.enter_context(Server(VirtualBox()))
    printed = folder / "printed"
    with open(printed, "w") as out:
        start(stack, [*TALLYMARK, "page", str(folder / "page.log"), "--box", box.where],
              out.fileno())
    while "byte port" not in printed.read_text():
        time.sleep(0.05)
    playwright = stack.enter_context(sync_playwright())
    browser = playwright.chromium.launch(
        executable_path=shutil.which("chromium"), args=["--no-sandbox"]
    )
    stack.callback(browser.close)
    window: Any = browser.new_page(viewport={"width": 1280, "height": 900})
    window.goto(next(word for word in printed.read_text().split() if word.startswith("http")))
    window.get_by_text("✓ Box:").wait_for()
    if plays:
        window.get_by_text("Sequence", exact=True).click()
        window.get_by_label("Steps").fill("1, 1\n0, 1")
        window.get_by_label("Repeats").fill("10000")
        window.get_by_role("button", name="Play").click()
    time.sleep(2)
    window.evaluate(_NOTE_FRAMES)
    time.sleep(LASTS_S)
    drawn = window.evaluate("window.frames_drawn")[5:]
    # Box time of a moment of the browser's clock; both computers' clocks are this one's.
    born_us = host_time_ns() / 1000 - box.device.time_us
    wall_us = (time.time_ns() - host_time_ns()) / 1000
    frames = [two[0] - one[0] for one, two in itertools.pairwise(drawn)]
    delays = []
    for (_, before), (at_ms, until) in itertools.pairwise(drawn):
        now_us = at_ms * 1000 - wall_us - born_us
        first = -(-before // EDGE_EVERY_US) * EDGE_EVERY_US
        edge = first
        while edge <= until:
            delays.append((now_us - edge) / 1000)
            edge += EDGE_EVERY_US
    return frames, delays


def figures() -> list[Figure]:
    """Half of the frames and edges, and 99 of 100, take no longer than that."""
    with ExitStack() as stack:
        still, _ = measured(stack, plays=False)
    with ExitStack() as stack:
        frames, delays = measured(stack, plays=True)
    rows = []
    for name, at in (("half", 49), ("99 of 100", 98)):
        rows.append(Figure(
            f"page, 1,000 edges a second: time of a frame, {name}",
            statistics.quantiles(frames, n=100)[at], "ms",
            "the same window without edges", statistics.quantiles(still, n=100)[at],
            "16.7 ms",
        ))
    for name, at in (("half", 49), ("99 of 100", 98)):
        rows.append(Figure(
            f"page, 1,000 edges a second: edge to frame, {name}",
            statistics.quantiles(delays, n=100)[at], "ms",
            "a frame at 60 a second", 1000 / 60,
        ))
    return rows


if __name__ == "__main__":
    show(figures())
