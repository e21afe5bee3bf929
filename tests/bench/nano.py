"""The Nano's image at its simulated pins, beside the least program that puts a byte on the lines.

All times are simulated CPU cycles of 62.5 ns. The baseline of the width is a host that times the
reset by itself: it writes the code, sleeps, and writes 0 over the same line and the same computer
that runs this bench.
"""

from __future__ import annotations

import random
import statistics
import struct
import sys
import time
from pathlib import Path

from result_table import Figure

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "nano"))

import nano_image
from full_window_host import Host
from nano_chip import CYCLES_PER_US, Chip
from raw_frames import (
    CLOCK,
    PULSE,
    PULSE_FOR,
    SEQUENCE_LOAD,
    SEQUENCE_START,
    SET,
    Talk,
    pulse_for,
)
from test_byte_input import with_jumper
from test_edges import step_errors, width_under_load
from test_memory import deepest_stack
from test_serial import ANSWER_BYTES, WIRE, shorten_pulses

ECHO = "one-byte echo firmware, same chip"
HOST_TIMED = "host-timed reset: write, sleep, write"


def box() -> Talk:
    """A chip with the image that ships, ready to be asked."""
    chip = Chip(nano_image.nano())
    chip.run_us(8000)
    talk = Talk(chip)
    talk.listen(0)
    return talk


def echo_latencies() -> list[int]:
    """Cycles from the end of a byte's stop bit to the edge, in the baseline."""
    chip = Chip(nano_image.small("latency_baseline.c"))
    chip.run_us(1000)
    found = []
    for phase in range(60):
        chip.run_us(50)
        chip.run(phase)
        chip.edges()
        chip.send(bytes([0x3F if phase % 2 else 0x15]))
        chip.run_us(100)
        found.append(chip.edges()[0][0] - chip.arrived[-1])
    return found


def idle_latencies(talk: Talk) -> list[int]:
    """Cycles from the end of a frame to the edge while nothing else is on the line."""
    found = []
    for phase in range(60):
        talk.done(SET, b"\0")
        talk.chip.run_us(6000)
        talk.chip.run(phase * 5)
        talk.chip.edges()
        talk.done(PULSE, b"\x3f")
        found.append(talk.chip.edges()[0][0] - talk.chip.arrived[-1])
    return found


def byte_latencies() -> list[int]:
    """Cycles from the end of a byte's stop bit to the edge, with the byte input's jumper on."""
    chip = with_jumper(115_200)
    found = []
    for phase in range(60):
        chip.send(b"\x3f")
        chip.run_us(5000)
        chip.run(phase * 5)
        found.append(chip.edges()[0][0] - chip.arrived[-1])
    return found


def loaded_latencies(talk: Talk) -> list[int]:
    """The same while the window is kept full with other requests in both directions."""
    chip = talk.chip
    pulses: dict[int, int] = {}

    def ask(number: int) -> tuple[int, bytes]:
        if number % 7 == 3:
            return PULSE_FOR, pulse_for(number % 255 + 1, 60)
        return CLOCK, b""

    host = Host(chip, ask, tag=talk.tag)
    send = chip.send

    def noting(data: bytes, **options: int) -> int:
        end = send(data, **options)
        if data[1] == PULSE_FOR:
            pulses[end] = 0
        return end

    chip.send = noting  # type: ignore[method-assign]
    chip.edges()
    host.run(300_000)
    chip.send = send  # type: ignore[method-assign]
    edges = [cycle for cycle, levels in chip.edges() if levels]
    return [edge - end for end, edge in zip(sorted(pulses), edges, strict=True)]


def width_errors(talk: Talk) -> list[int]:
    """Cycles by which pulses from 50 µs to 1 s are off, with the line busy in both directions."""
    chance = random.Random(11)
    widths = [50, 100, 1000, 4096, 5000, 65_536, 1_000_000]
    widths += [chance.randint(50, 9000) for _ in range(40)]
    return [abs(width_under_load(talk.chip, talk, width)) for width in widths]


def host_timed_errors() -> list[float]:
    """Microseconds by which this computer's own sleep misses a width of 5 ms."""
    found = []
    for _ in range(100):
        begin = time.perf_counter()
        time.sleep(0.005)
        found.append(abs(time.perf_counter() - begin - 0.005) * 1e6)
    return found


def sequence_error(talk: Talk) -> int:
    """Most cycles that an edge of 10,000 steps is off its ideal time, with the line busy."""
    holds = [50 + 7 * (n % 10) for n in range(25)]
    for index, hold in enumerate(holds):
        talk.done(SEQUENCE_LOAD, struct.pack("<HBI", index, index + 1, hold))
    talk.chip.edges()
    talk.done(SEQUENCE_START, struct.pack("<I", 400))
    host = Host(talk.chip, lambda _number: (CLOCK, b""), tag=talk.tag)
    host.run(sum(holds) * 400 + 2000)
    talk.tag = host.tag
    return max(map(abs, step_errors(talk.chip.edges(), holds, 400)))


def marker_rate(talk: Talk) -> float:
    """Confirmed markers a second, with the window kept full."""
    shorten_pulses(talk, 60)
    host = Host(talk.chip, lambda number: (PULSE, bytes([number % 255 + 1])), tag=talk.tag)
    host.run(300_000)
    talk.tag = host.tag
    return host.rate()


def figures() -> list[Figure]:
    """All figures of the Nano."""
    us = 1 / CYCLES_PER_US
    echo = max(echo_latencies())
    idle = idle_latencies(box())
    plain = byte_latencies()
    loaded = loaded_latencies(box())
    static, stack = deepest_stack()
    return [
        Figure("Nano: frame to edge, idle, worst", max(idle) * us, "µs", ECHO, echo * us,
               "at most 15 µs"),
        Figure("Nano: byte input to edge, median", statistics.median(plain) * us, "µs", ECHO,
               echo * us),
        Figure("Nano: byte input to edge, worst", max(plain) * us, "µs", ECHO, echo * us),
        Figure("Nano: frame to edge, full load, median", statistics.median(loaded) * us, "µs",
               ECHO, echo * us),
        Figure("Nano: frame to edge, full load, worst", max(loaded) * us, "µs", ECHO, echo * us),
        Figure("Nano: pulse width error, full load, worst", max(width_errors(box())) * us, "µs",
               HOST_TIMED, max(host_timed_errors()), "at most 0.5 µs"),
        Figure("Nano: step error, 10,000 steps, full load, worst", sequence_error(box()) * us, "µs",
               HOST_TIMED, max(host_timed_errors()), "at most 0.5 µs"),
        Figure("Nano: confirmed markers", marker_rate(box()), "1/s",
               "the wire's own limit, 14 bytes an answer", WIRE / ANSWER_BYTES, "at least 0.9"),
        Figure("Nano: static RAM and deepest stack", static + stack, "bytes",
               "RAM of the chip", 2048, "at most 1,792"),
    ]
