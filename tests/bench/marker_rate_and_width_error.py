"""Confirmed markers a second, and the error of pulse widths, on a served virtual box.

The port is a pseudo-terminal that a virtual box in a process of its own serves.

- Markers a second: `Box.pulse` with every answer taken, beside a bare loop of pyserial that writes
  the same frames, a window at a time, and counts the answers.
- Width: `Box.pulse(code, width)`, beside a width that the host times (set, sleep, set 0). Both are
  measured by the box's own capture. The virtual box keeps its time exactly, so what shows here is
  what a host adds when it times a pulse itself; chips are measured elsewhere.

    python tests/bench/marker_rate_and_width_error.py
"""

from __future__ import annotations

import statistics
import time

import serial
from result_table import Figure, show
from served_box import served_box

from tallymark import Box
from tallymark.box.wire.frames import CODE_WIRE, code_frame
from tallymark.box.wire.protocol_enumerations import Request

MARKERS = 20_000
PULSES = 200
WIDTH_US = 5_000


def bare_loop(where: str, window: int) -> float:
    """Markers a second of a loop without the library."""
    batch = window // CODE_WIRE - 10
    wire = [code_frame(Request.PULSE, 1 + n % 255, 5) for n in range(MARKERS)]
    with serial.Serial(where, 500_000, exclusive=True, timeout=1) as port:
        begin = time.perf_counter()
        for at in range(0, MARKERS, batch):
            piece = wire[at : at + batch]
            port.write(b"".join(piece))
            answers = 0
            while answers < len(piece):
                data = port.read(max(1, port.in_waiting))
                if not data:
                    raise SystemExit("the box does not answer")
                answers += data.count(0)
        return MARKERS / (time.perf_counter() - begin)


def library(where: str) -> float:
    """Confirmed markers a second with the library."""
    with Box.open(where) as box:
        begin = time.perf_counter()
        for number in range(MARKERS):
            box.pulse(1 + number % 255)
        if problems := box.wait():
            raise SystemExit(f"{len(problems)} markers were not done")
        return MARKERS / (time.perf_counter() - begin)


def width_errors(where: str) -> dict[str, list[float]]:
    """Errors of widths in microseconds, timed by the box and by the host."""
    errors: dict[str, list[float]] = {"host": [], "box": []}
    with Box.open(where) as box:
        for by in errors:
            with box.capture(send=True) as capture:
                for _ in range(PULSES):
                    if by == "box":
                        box.pulse(5, WIDTH_US)
                        time.sleep(WIDTH_US * 2e-6)
                    else:
                        box.set(5)
                        time.sleep(WIDTH_US * 1e-6)
                        box.set(0)
                        time.sleep(WIDTH_US * 1e-6)
                box.wait()
                time.sleep(0.05)
                edges = capture.fetch()[1:]
            errors[by] = [
                down.time_us - up.time_us - WIDTH_US
                for up, down in zip(edges[::2], edges[1::2], strict=True)
            ]
    return errors


def figures() -> list[Figure]:
    """Rate and widths, each beside its baseline."""
    with served_box() as where:
        with Box.open(where) as box:
            window = box.identity.window
        bare = bare_loop(where, window)
        confirmed = library(where)
        errors = width_errors(where)
    worst = {by: max(map(abs, values)) for by, values in errors.items()}
    middle = {by: statistics.median(map(abs, values)) for by, values in errors.items()}
    timed_by_host = "set, sleep, set 0 by the host"
    return [
        Figure("confirmed markers a second, virtual box", confirmed, "/s",
               "bare pyserial loop with the same frames", bare),
        Figure("worst error of a width, virtual box", worst["box"], "µs",
               timed_by_host, worst["host"]),
        Figure("median error of a width, virtual box", middle["box"], "µs",
               timed_by_host, middle["host"]),
    ]


if __name__ == "__main__":
    show(figures())
