"""From the host to the edge: markers ahead beside markers that are sent at their time, under load.

The virtual box runs in a process of its own, in real time, and notes its edges on the computer's
clock. Other processes keep every processor busy. Both ways take turns. A marker ahead is asked for
with a host time and the bound that the library states for it; how many of its edges are within
that bound of that time is counted with the box's own note, not with what the library reports. One
that came too late is refused, and has no edge; how many did is told as well.

    python tests/bench/ahead.py
"""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from result_table import Figure, show

from tallymark import Box, Refused

MARKERS = 400
AHEAD_S = 0.1
SPACING_S = 0.012
WIDTH_US = 100

SERVE = """
import json, sys
from tallymark.virtual import Server, VirtualBox
device = VirtualBox()
server = Server(device)
server.start()
print(server.where, flush=True)
sys.stdin.read()
server.stop()
print(json.dumps([[server._born_us + edge.time_us, edge.levels] for edge in device.edges()]))
"""


@contextmanager
def load() -> Iterator[None]:
    """Keeps every processor busy."""
    busy = [
        subprocess.Popen([sys.executable, "-c", "while True: pass"])
        for _ in range(os.cpu_count() or 1)
    ]
    try:
        yield
    finally:
        for process in busy:
            process.kill()
            process.wait()


def measured() -> tuple[list[float], list[float], list[float], float]:
    """Delays of edges sent at once (µs); errors of edges ahead and their stated bounds (µs); and
    half the quickest round trip (µs)."""
    box_process = subprocess.Popen(
        [sys.executable, "-c", SERVE], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert box_process.stdout is not None
    at_once, ahead = [], []
    try:
        with Box.open(box_process.stdout.readline().strip()) as box:
            box.sync_clock(over_s=1.0)
            for number in range(MARKERS):
                box.pacing.sleep(SPACING_S)
                if number % 2:
                    at_once.append(box.pacing.now())
                    box.pulse(1, WIDTH_US).wait()
                else:
                    at = box.pacing.now() + AHEAD_S
                    bound_us = box.clock.to_box(at)[1]
                    try:
                        box.pulse(2, WIDTH_US, at=at).wait()
                    except Refused:  # it came too late: no edge, and the program is told so
                        continue
                    ahead.append((at, bound_us))
            half_us = box.clock.round_trip_s / 2 * 1e6
    finally:
        out, _ = box_process.communicate("")
    edges = json.loads(out)
    first = [time for time, levels in edges if levels == 1]
    second = [time for time, levels in edges if levels == 2]
    assert len(first) == len(at_once)
    assert len(second) == len(ahead)
    delays = [edge - asked * 1e6 for edge, asked in zip(first, at_once, strict=True)]
    errors = [abs(edge - at * 1e6) for edge, (at, _) in zip(second, ahead, strict=True)]
    return delays, errors, [bound for _, bound in ahead], half_us


def figures() -> list[Figure]:
    """99 of 100 edges of each way, and how many are within the bound."""
    with load():
        delays, errors, bounds, half_us = measured()
    within = sum(e <= b for e, b in zip(errors, bounds, strict=True)) / len(errors) * 100
    late = statistics.quantiles(delays, n=100)
    away = statistics.quantiles(errors, n=100)
    other = "sent at its time, loaded machine"
    return [
        Figure("marker ahead, off its time: half of the edges", away[49], "µs", other, late[49]),
        Figure("marker ahead, off its time: 99 of 100", away[98], "µs", other, late[98]),
        Figure("edges within the stated bound", within, "%", "of all", 100.0, "at least 99"),
        Figure("markers refused because they came too late", MARKERS / 2 - len(errors), "",
               "markers given ahead", MARKERS / 2),
        Figure("stated bound, half of the markers", statistics.median(bounds), "µs",
               "half the quickest round trip", half_us, "at most 20 µs more when quiet"),
    ]


if __name__ == "__main__":
    show(figures())
