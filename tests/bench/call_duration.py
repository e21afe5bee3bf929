"""How long `Box.pulse` keeps its caller, beside a bare pyserial write of one byte on the same port.

The port is a pseudo-terminal that a virtual box in a process of its own serves. Both take turns on
it, so that both see the same machine. Markers come a millisecond apart, as in an experiment.

    python tests/bench/call_duration.py
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import serial
from result_table import Figure, show
from served_box import served_box

from tallymark import Box

ROUNDS = 5
CALLS = 500
SPACING_S = 0.001


def durations(call: Callable[[], object], count: int) -> list[float]:
    """Seconds that each call took."""
    taken = []
    clock = time.perf_counter
    for _ in range(count):
        time.sleep(SPACING_S)
        begin = clock()
        call()
        taken.append(clock() - begin)
    return taken


def bare_write(where: str, count: int) -> list[float]:
    with serial.Serial(where, 500_000, exclusive=True) as port:
        return durations(lambda: port.write(b"x"), count)


def pulse(where: str, count: int, log: object = None) -> list[float]:
    with Box.open(where, log=log) as box:  # type: ignore[arg-type]
        return durations(lambda: box.pulse(5), count)


def pulse_logged(where: str, count: int) -> list[float]:
    try:
        from tallymark.markerlog import MarkerLog
    except ImportError:
        return []
    with tempfile.TemporaryDirectory() as folder, MarkerLog(Path(folder) / "log.jsonl") as log:
        return pulse(where, count, log)


def figures() -> list[Figure]:
    """Medians over some rounds in which all ways take turns."""
    ways = {"write": bare_write, "pulse": pulse, "logged": pulse_logged}
    taken: dict[str, list[float]] = {name: [] for name in ways}
    with served_box() as where:
        for _ in range(ROUNDS):
            for name, measure in ways.items():
                taken[name] += measure(where, CALLS)
    base = statistics.median(taken["write"]) * 1e6
    told = {"pulse": ("caller's time in pulse()", "at most 1.5 times"),
            "logged": ("the same, with a marker log", "")}
    return [
        Figure(what, statistics.median(taken[name]) * 1e6, "µs",
               "bare pyserial write of one byte", base, reach)
        for name, (what, reach) in told.items()
        if taken[name]
    ]


if __name__ == "__main__":
    show(figures())
