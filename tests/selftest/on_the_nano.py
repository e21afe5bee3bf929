"""The self-test on the Nano's own firmware, in the chip simulator, with faults in its wiring.

    python tests/selftest/on_the_nano.py build/firmware/nano/firmware.elf [PAIRS]

runs every single fault and a seeded sample of PAIRS pairs (default 20), a few seconds each, and
says which were not named. Exit code 1 if there are any.
"""

from __future__ import annotations

import multiprocessing
import random
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from threading import Condition

from rich.console import Console
from test_run import PAIRS, SEED, SINGLES, names

from tallymark import Box
from tallymark.selftest import Report, run
from tallymark.selftest.screen import draw
from tallymark.wiring import Fault, Kind, Wiring

sys.path.insert(0, str(Path(__file__).parents[1] / "nano"))
from chip import CYCLES_PER_US, Chip, Wires

CAPTURE_LATE_US = 20
"""The capture dates an edge by an interrupt, up to that much late."""
_SLICE = 10 * CYCLES_PER_US
_START_US = 300_000
_FOREVER = 2**62


class ChipPort:
    """A serial port with a simulated chip behind it, whose time moves only while somebody waits.

    It is its own `pacing` (tallymark.pacing). One thread reads and one waits.
    """

    port = "simulated Nano"
    timeout = 0.1
    write_timeout = None

    def __init__(self, image: Path, faults: tuple[Fault, ...]) -> None:
        wiring = Wiring(faults)
        self._chip = Chip(
            image,
            wires=Wires(
                wiring.table(),
                [time_us * CYCLES_PER_US for time_us in wiring.rise_us()],
                [time_us * CYCLES_PER_US for time_us in wiring.fall_us()],
            ),
        )
        self._changed = Condition()
        self._unread = bytearray()
        self._readers = 0
        self._open = True
        self.pacing = self
        self._chip.run_us(_START_US)
        self._chip.take()

    def close(self) -> None:
        with self._changed:
            self._open = False
            self._changed.notify_all()

    @property
    def in_waiting(self) -> int:
        return len(self._unread)

    def read(self, size: int = 1) -> bytes:
        end = time.perf_counter() + self.timeout
        with self._changed:
            while not self._unread and (left := end - time.perf_counter()) > 0:
                if not self._open:
                    raise OSError("closed")
                self._readers += 1
                self._changed.notify_all()
                self._changed.wait(left)
                self._readers -= 1
            data = bytes(self._unread[:size])
            del self._unread[:size]
            return data

    def write(self, data: bytes) -> int:
        self._chip.send(data)
        return len(data)

    def now(self) -> float:
        return self._chip.cycle / CYCLES_PER_US * 1e-6

    def sleep(self, seconds: float) -> None:
        end = self._chip.cycle + round(seconds * 1e6 * CYCLES_PER_US)
        while self._run(end):
            self._settle()

    def wait(
        self, condition: Condition, ready: Callable[[], bool], timeout: float | None
    ) -> bool:
        cycles = _FOREVER if timeout is None else round(timeout * 1e6 * CYCLES_PER_US)
        end = self._chip.cycle + cycles
        while True:
            self._settle()
            with condition:
                if ready():
                    return True
            if not self._run(end):
                return False

    def _settle(self) -> None:
        """Returns when whoever reads has taken everything and waits for more."""
        with self._changed:
            self._changed.wait_for(lambda: not self._unread and self._readers > 0, 5)

    def _run(self, end: int) -> bool:
        """Lets the chip run until it has sent something, or until a cycle (False)."""
        while self._chip.cycle < end:
            self._chip.run(min(_SLICE, end - self._chip.cycle))
            if sent := self._chip.take():
                with self._changed:
                    self._unread += sent
                    self._changed.notify_all()
                return True
        return False


def forgive(report: Report, truth: tuple[Fault, ...]) -> Report:
    """The report with the delays of slow inputs as they are, where they were measured closely."""
    slow = {fault.lines: fault for fault in truth if fault.kind is Kind.SLOW}
    measured = []
    for place in report.measured:
        found = Fault.parse(place.faults[0]) if place.faults[0].startswith("slow") else None
        true = slow.get(found.lines) if found else None
        if found and true and max(
            abs(found.rise_us - true.rise_us), abs(found.fall_us - true.fall_us)
        ) <= CAPTURE_LATE_US:
            place = replace(place, faults=(str(true),))
        measured.append(place)
    return replace(report, measured=tuple(measured))


def try_out(job: tuple[Path, tuple[Fault, ...]]) -> bool:
    """Whether the self-test names these faults."""
    image, faults = job
    box = Box(ChipPort(image, faults))
    report = run(box)
    box.close()
    if names(forgive(report, faults), faults):
        return True
    print("Not named:", *faults, flush=True)
    Console(width=100).print(draw(report))
    return False


def main(image: Path, pairs: int = 20) -> int:
    """Runs them all, each in a process of its own, because simulators disturb each other."""
    cases = [(fault,) for fault in SINGLES] + random.Random(SEED).sample(PAIRS, pairs)
    with multiprocessing.get_context("spawn").Pool(1, maxtasksperchild=1) as pool:
        named = pool.map(try_out, [(image, case) for case in cases], chunksize=1)
    print(f"{sum(named)} of {len(SINGLES)} single faults and {pairs} pairs were named, in "
          "simulation.")
    return 0 if all(named) else 1


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), *map(int, sys.argv[2:3])))
