"""Every way to send a marker, from the call in the program to the edge on the lines, in one run.

Each way drives a virtual box in a process of its own; the box notes its edges on the computer's
monotonic clock, and the program notes when it called. So the delay holds everything but a USB cable
and a chip; chips are measured in simulation (nano.py, pico.py). The baseline is a byte that is
written to the box's own byte port.

    python tests/bench/send_paths.py             all ways, as a table
    python tests/bench/send_paths.py c node      some of them
    python tests/bench/send_paths.py page        the table of host/WHICH-WAY-IN.md
"""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from result_table import Figure, show

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
BIN = Path(sys.executable).parent
ROUNDS, MARKERS, COMMANDS = 5, 200, 10
SPACING_S = 0.012
"""Pulses are 100 µs wide, and no two of the same code follow each other: each has its own edge,
even if the machine held some up together."""

SERVE = """
import json, sys, time
from tallymark import Box
from tallymark.virtual import Server, VirtualBox
device = VirtualBox()
begin = time.perf_counter_ns() // 1000 - device.life_us
server = Server(device, byte_input=True)
server.start()
with Box.open(server.where) as box:
    box.settings.write(box.settings.read().changed(width_us=100))
print(json.dumps([server.where, server.byte_where]), flush=True)
sys.stdin.read()
server.stop()
print(json.dumps([[begin + edge.time_us, edge.levels] for edge in device.edges()]))
"""
Way = Callable[["ServedBox"], list[int]]
"""Sends markers through a box; returns when it called, in nanoseconds of the monotonic clock."""


class ServedBox:
    """A virtual box in a process of its own, with its two ports; `rises()` ends it."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-c", SERVE], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        assert self._process.stdout is not None
        self.where, self.byte_where = json.loads(self._process.stdout.readline())

    def rises(self) -> list[float]:
        """When a code came out, in microseconds of the computer's monotonic clock."""
        out, _ = self._process.communicate("")
        return [time_us for time_us, levels in json.loads(out) if levels]


def paced(call: Callable[[int], object], count: int = MARKERS) -> list[int]:
    """Calls with codes 1 and 2, in turn; returns when each call began, in nanoseconds."""
    called = []
    for number in range(count):
        time.sleep(SPACING_S)
        called.append(time.perf_counter_ns())
        call(1 + number % 2)
    return called


def finish() -> None:
    time.sleep(0.1)


# The ways -----------------------------------------------------------------------------------------


def own_byte_port(box: ServedBox) -> list[int]:
    port = os.open(box.byte_where, os.O_WRONLY | os.O_NOCTTY)
    try:
        return paced(lambda code: os.write(port, bytes([code])))
    finally:
        finish()
        os.close(port)


def library(box: ServedBox) -> list[int]:
    from tallymark import Box

    with Box.open(box.where) as opened:
        return paced(opened.pulse)


def command(box: ServedBox) -> list[int]:
    def call(code: int) -> None:
        line = [str(BIN / "tallymark"), "pulse", str(code), "--box", box.where]
        subprocess.run(line, check=True, stdout=subprocess.DEVNULL)

    return paced(call, COMMANDS)


def other_language(*line: str, clock: Callable[[], int] = time.perf_counter_ns) -> Way:
    """A program that sends the markers itself and prints when it called, by that clock."""

    def way(box: ServedBox) -> list[int]:
        ahead = clock() - time.perf_counter_ns()
        arguments = [box.where, str(MARKERS), str(round(SPACING_S * 1e6))]
        run = subprocess.run([*line, *arguments], check=True, capture_output=True, text=True)
        return [int(each) - ahead for each in run.stdout.split()]

    return way


def c_program(box: ServedBox) -> list[int]:
    with tempfile.TemporaryDirectory() as folder:
        program = f"{folder}/way_c"
        sources = [str(HERE / "way_c.c"), str(ROOT / "host/c/tallymark.c")]
        build = ["cc", "-O2", f"-I{ROOT / 'host/c'}", *sources, "-o", program]
        subprocess.run(build, check=True)
        return other_language(program)(box)


@contextmanager
def bridged(box: ServedBox, *options: str) -> Iterator[str]:
    """A bridge to the box, as a user starts it; gives its byte port."""
    line = [str(BIN / "tallymark"), "bridge", "--json", "--box", box.where, *options]
    bridge = subprocess.Popen(line, stdout=subprocess.PIPE, text=True)
    try:
        assert bridge.stdout is not None
        yield json.loads(bridge.stdout.readline())["port"]
        finish()
    finally:
        bridge.terminate()
        bridge.communicate()


def bridge_terminal(box: ServedBox) -> list[int]:
    with bridged(box) as where:
        port = os.open(where, os.O_WRONLY | os.O_NOCTTY)
        try:
            return paced(lambda code: os.write(port, bytes([code])))
        finally:
            os.close(port)


def bridge_tcp(box: ServedBox) -> list[int]:
    with bridged(box, "--tcp", "0") as where:
        host, port = where.removeprefix("socket://").split(":")
        with socket.create_connection((host, int(port))) as connection:
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            called = paced(lambda code: connection.send(bytes([code])))
            finish()
            return called


def bridge_printf(box: ServedBox) -> list[int]:
    with bridged(box) as where:

        def call(code: int) -> None:
            subprocess.run(["sh", "-c", f"printf '\\00{code}' > {where}"], check=True)

        return paced(call, COMMANDS * 5)


OWN = "byte written to the box's own byte port"
WAYS: dict[str, tuple[str, Way]] = {
    "own": (OWN, own_byte_port),
    "python": ("Python library, pulse()", library),
    "c": ("C library, tallymark_pulse()", c_program),
    "node": ("Node, box.pulse()", other_language("node", str(HERE / "way_node.mjs"))),
    "octave": (
        "GNU Octave, box.pulse()",
        other_language("octave-cli", "-q", str(HERE / "way_matlab.m"), clock=time.time_ns),
    ),
    "bridge": ("byte written to the bridge's terminal", bridge_terminal),
    "tcp": ("byte sent to the bridge's TCP port", bridge_tcp),
    "printf": ("shell's printf to the bridge's terminal", bridge_printf),
    "command": ("command tallymark pulse", command),
}


def delays_us(way: Way) -> list[float]:
    """From each call to its edge, sorted. AssertionError unless each call made one edge."""
    box = ServedBox()
    try:
        called = way(box)
    finally:
        rises = box.rises()
    assert len(called) == len(rises), f"{way}: {len(called)} calls made {len(rises)} pulses"
    return sorted(rise - call / 1000 for call, rise in zip(called, rises, strict=True))


def measured(names: Iterable[str]) -> dict[str, list[float]]:
    """Delays of each way in microseconds; all take turns, in rounds, with the baseline first."""
    found: dict[str, list[float]] = {name: [] for name in ("own", *names)}
    for _ in range(ROUNDS):
        for name, delays in found.items():
            delays += delays_us(WAYS[name][1])
    return found


def figures(names: Iterable[str] = WAYS) -> list[Figure]:
    """Median and 95th percentile of each way."""
    found = measured(names)
    return [
        Figure(f"{WAYS[name][0]}: {title}", quantile(delays, share), "µs", OWN,
               quantile(found["own"], share))
        for name, delays in found.items()
        for share, title in ((0.5, "median"), (0.95, "95 %"))
    ]


def quantile(values: list[float], share: float) -> float:
    return sorted(values)[round(share * (len(values) - 1))]


def page(found: dict[str, list[float]]) -> str:
    """The table of host/WHICH-WAY-IN.md."""
    lines = ["| way | half within | 95 of 100 within | jitter (5 to 95 of 100) |",
             "| --- | ---: | ---: | ---: |"]
    for name, delays in found.items():
        half, most = quantile(delays, 0.5), quantile(delays, 0.95)
        jitter = most - quantile(delays, 0.05)
        lines.append(f"| {WAYS[name][0]} | {ms(half)} | {ms(most)} | {ms(jitter)} |")
    return "\n".join(lines)


def ms(microseconds: float) -> str:
    return f"{microseconds / 1000:.{2 if microseconds < 100_000 else 0}f} ms"


if __name__ == "__main__":
    if sys.argv[1:] == ["page"]:
        print(page(measured(WAYS)))
    else:
        show(figures(sys.argv[1:] or WAYS))
