"""Ten million markers over a simulated month.

All of them go through the firmware's core on the stepped board, and each answer and each change of
the lines is compared with what it must be. One in a hundred of as many goes the whole way, over the
same month: library, link, core, log, with a clock that drifts. There the memory of the process must
stay flat, every host time must lie within its stated bound, and the log must tell every marker.
Takes some ten minutes on one processor.
"""

from __future__ import annotations

import argparse
import os
import sys
from array import array
from dataclasses import dataclass
from pathlib import Path
from random import Random

sys.path.insert(0, str(Path(__file__).parent))

from world import World

from tallymark.box.wire import frames
from tallymark.box.wire.protocol_enumerations import Answer, Request
from tallymark.markerlog.reader import read
from tallymark.virtual import VirtualBox

MONTH_US = 30 * 24 * 3600 * 1_000_000
WIDTH_US = 5000
SHARE = 100
FLAT_BYTES = 8 << 20
"""How much the memory may grow from the first fifth to the end: less than a byte for each marker,
and room for the allocator."""


@dataclass(frozen=True)
class Outcome:
    """What a part of the soak has seen."""

    markers: int
    days: float
    memory_grew: int = 0
    worst_share: float = 0.0
    """Largest error of a host time, as a share of its stated bound."""


def soak_core(markers: int) -> Outcome:
    """All markers, through the core. AssertionError if an answer or a line is not as it must be."""
    box = VirtualBox()
    box.take()
    box.edges()
    apart = MONTH_US // markers
    tag, expected = 0, []
    for number in range(1, markers + 1):
        at = number * apart
        tag, code = tag % 255 + 1, 1 + number % 255
        box.advance(at)
        box.receive(frames.code_frame(Request.PULSE, tag, code))
        answer = frames.frame(Answer.DONE, tag, at.to_bytes(8, "little"))
        assert box.take() == answer, f"marker {number} at {at} µs was not answered so"
        expected += [(at, code), (at + WIDTH_US, 0)]
        if number % 1000 == 0 or number == markers:
            box.advance(at + WIDTH_US)
            assert [tuple(edge)[:2] for edge in box.edges()] == expected, f"lines before {at} µs"
            expected.clear()
    return Outcome(markers, box.life_us / 86_400e6)


class _LongWorld(World):
    """A world that remembers no more of a marker than a test of a month can hold."""

    def forget(self) -> None:
        """What was checked is no longer needed."""
        assert self.session is not None
        self.ledger.by_wire.clear()
        self.session.asked.clear()
        self.session.handed = None


def soak_library(markers: int) -> Outcome:
    """So many markers, the whole way. Broken or AssertionError if anything is not right."""
    random = Random(markers)
    apart_s = MONTH_US / markers * 1e-6
    times, begun = array("Q"), 0
    with _LongWorld(ppm=37.0) as world:
        box = world.open()
        for number in range(markers):
            world.attach(box.pulse(1 + number % 255))
            marker = box.wait() or world.session.asked[-1].marker
            world.check()
            times.append(marker.box_time_us)
            world.forget()
            if number % 97 == 0:
                world.drift_to(random.uniform(-1, 1))
            box.pacing.sleep(apart_s)
            if number == markers // 5:
                begun = _memory()
        grew = _memory() - begun
        assert grew < FLAT_BYTES, f"the memory grew by {grew} bytes"
        assert world.counts["told: done"] == markers
        assert not box.unconfirmed
        path = world.session.log_path
        world.close()
        return Outcome(markers, world.life_us / 86_400e6, grew, _check_log(path, times, world))


def _check_log(path: Path, times: array[int], world: World) -> float:
    data = read(path)
    assert data.notes() == []
    assert [marker.box_us for marker in data.markers] == list(times)
    assert all(marker.fate == "done" for marker in data.markers)
    worst = 0.0
    for marker in data.markers:
        off_us = abs(world.clock.at(marker.box_us) * 1e6 - marker.host_us)
        assert off_us <= marker.error_us + 1.1, f"{marker} is {off_us} µs off"
        worst = max(worst, off_us / marker.error_us)
    return worst


def _memory() -> int:
    """Bytes of memory that the process has now."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE")


def main() -> None:
    """See the module."""
    parser = argparse.ArgumentParser(description="A month of markers.")
    parser.add_argument("--markers", type=int, default=10_000_000)
    markers = parser.parse_args().markers
    core = soak_core(markers)
    print(f"core: {core.markers:,} markers in {core.days:.1f} simulated days; every answer and "
          "every change of the lines right to the microsecond")
    whole = soak_library(max(1000, markers // SHARE))
    print(f"whole way: {whole.markers:,} markers in {whole.days:.1f} simulated days; "
          f"memory grew by {whole.memory_grew / 1024:.0f} KiB; every marker in the log; "
          f"worst host time at {whole.worst_share:.0%} of its stated bound")


if __name__ == "__main__":
    main()
