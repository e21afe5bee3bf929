"""What an open page costs: delay of bytes beside `tallymark bridge`, with one box and with two on
the page, and the frames of its traces.

Bridge and both pages run all the time, with boxes of their own, and take turns byte by byte; a
window of each page is open in Chromium and draws what comes. The second box of the page with two
gets no bytes: it is there, and is looked after. See bridge.py for how the delay is measured.

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

from tallymark.virtual import VirtualBox

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


class Ends(BoxEnd):
    """A box, and others whose requests are answered as well. number: in its serial number."""

    def __init__(self, number: int, others: list[Ends]) -> None:
        super().__init__()
        self.device = VirtualBox(bytes.fromhex(f"7669727475616C{number:02X}"))
        self.others = others

    def serve(self, seconds: float, wanted: bool = False) -> float | None:
        """See `BoxEnd`."""
        first = super().serve(seconds, wanted)
        for other in self.others:
            other.serve(0.0)
        return first


def by_page(stack: ExitStack, folder: Path, boxes: int = 1) -> tuple[Way, str]:
    """The way through a page, and its address."""
    end = Ends(1, [Ends(number, []) for number in range(2, boxes + 1)])
    link, printed = folder / f"page{boxes}", folder / f"printed{boxes}"
    more = [part for other in end.others for part in ("--other", other.where)]
    with open(printed, "w") as out:
        start(stack, [*TALLYMARK, "page", str(folder / f"page{boxes}.log"), "--box", end.where,
                      "--link", str(link), *more], out.fileno())
    way = opened(stack, end, link)
    end.until(lambda: printed.read_text().count("byte port") == boxes)
    return way, next(word for word in printed.read_text().split() if word.startswith("http"))


def figures() -> list[Figure]:
    """Half of the bytes and 99 of 100 are no later than that; and so are frames."""
    with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
        bridge = by_bridge(stack, Path(folder), False)
        page, address = by_page(stack, Path(folder))
        two, address_of_two = by_page(stack, Path(folder), 2)
        playwright = stack.enter_context(sync_playwright())
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox"]
        )
        stack.callback(browser.close)
        window = browser.new_page()
        window.goto(address)
        browser.new_context().new_page().goto(address_of_two)
        window.evaluate(_COUNT_FRAMES)
        for _ in range(WARM_UP + ROUNDS):
            bridge.send()
            page.send()
            two.send()
        frames = window.evaluate("window.frameTimes")[10:]
    rows = [
        Figure(
            f"page open, {what}: byte in to frame out, {name}",
            statistics.quantiles(way.delays[WARM_UP:], n=100)[at],
            "µs",
            beside,
            statistics.quantiles(base.delays[WARM_UP:], n=100)[at],
            "",
        )
        for what, way, beside, base in (
            ("1 box", page, "tallymark bridge, in turn", bridge),
            ("2 boxes", two, "1 box on the page, in turn", page),
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
