"""What `Box.pulse` itself takes of its caller's time: the call less its own `os.write` to the port.

Measured alone, by turns in one process: a call of `pulse()` whose bytes go to the null device, then
a bare `os.write` of as many bytes to the same device. So neither the kernel's serial port nor who
runs next is in it; `call_duration.py` has those. With a log the difference holds the write of the
log's record, which has to be in the file before the marker is sent.

The third figure is how low that can go: a log that hands the file the same bytes each time, by one
`os.write`, and does nothing else. What is between the first and the third is the system's, and what
is between the third and the second is the library's: the record's text, its lock, its checks.

    python tests/bench/own_part.py
"""

from __future__ import annotations

import os
import statistics
import tempfile
import time
from pathlib import Path

from result_table import Figure, show

from tallymark import Box
from tallymark.box.ports.timebase import host_time_s
from tallymark.box.ports.transport import DescriptorTransport
from tallymark.box.wire.frames import CODE_WIRE
from tallymark.markerlog import MarkerLog

CALLS = 20_000
ROUNDS = 3
CODES = 20
"""A program has some codes, not one."""


class NullPort:
    """A port that swallows all. Answers are made up, because nobody is behind it."""

    timeout = write_timeout = 0.0

    def __init__(self) -> None:
        self._fd = os.open(os.devnull, os.O_WRONLY)

    def fileno(self) -> int:
        return self._fd

    def close(self) -> None:
        os.close(self._fd)


class BareLog(MarkerLog):
    """Writes the same bytes for each marker."""

    RECORD = b'{"sent":12345,"code":17,"width":5000,"host":35655290774}\n'

    def sent(self, *_given: object, **_named: object) -> None:
        """One call of the system."""
        os.write(self._descriptor, self.RECORD)


def durations(log: MarkerLog | None) -> tuple[list[int], list[int]]:
    """Nanoseconds of the calls, and of the bare writes between them."""
    clock = time.perf_counter_ns
    calls, writes = [], []
    port = NullPort()
    transport = DescriptorTransport(port, "null device")
    data, write, fd = bytes(CODE_WIRE), os.write, port.fileno()
    with Box.open("virtual://?time=stepped", log=log) as box:
        link, window = box.link, box.link._exchange
        link._now = host_time_s
        window._write = transport.write  # type: ignore[method-assign]
        for number in range(CALLS):
            code = 1 + number % CODES
            begin = clock()
            marker = box.pulse(code)
            calls.append(clock() - begin)
            window.release(marker)
            window.tags.answered(marker.tag)
            begin = clock()
            write(fd, data)
            writes.append(clock() - begin)
    transport.close()
    return calls, writes


def figures() -> list[Figure]:
    """Medians of the difference, without a log, with one, and with the barest one."""
    plain, logged, floor, writes = [], [], [], []
    with tempfile.TemporaryDirectory() as folder:
        for number in range(ROUNDS):
            calls, bare = durations(None)
            plain += calls
            writes += bare
            with MarkerLog(Path(folder) / f"{number}.jsonl") as log:
                logged += durations(log)[0]
            with BareLog(Path(folder) / f"bare {number}.jsonl") as log:
                floor += durations(log)[0]
    base = statistics.median(writes) / 1000
    return [
        Figure(what, statistics.median(taken) / 1000 - base, "µs", "its os.write", base, reach)
        for what, taken, reach in (
            ("own part of pulse()", plain, "at most 1.5 µs"),
            ("the same, with a marker log", logged, "at most 3 µs"),
            ("the same, with a log that does nothing but its os.write", floor, "the system's"),
        )
    ]


if __name__ == "__main__":
    show(figures())
