"""The host's clock, and how time passes while the library waits.

`host_time_s` and `host_time_ns` are the clock of all host times: of markers, logs and clock
estimates. On Linux that is CLOCK_MONOTONIC_RAW. `time.perf_counter` is CLOCK_MONOTONIC there, whose
rate time services change while it runs, by up to 500 ppm (adjtimex(2)), so that no relation to a
box's clock would hold. What `time.perf_counter` reads on Windows (QueryPerformanceCounter) and on
macOS (mach_absolute_time) is a plain counter already.

A port with real hardware behind it needs nothing of this: `RealTime` is used. A port whose box
lives in stepped time carries an attribute `pacing` that moves the box's time instead of sleeping.
Nothing moves there until somebody waits or sleeps, so that a program of an hour runs in a moment
and gives the same result each time.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from functools import partial
from threading import Condition
from typing import Protocol

if sys.platform.startswith("linux"):
    host_time_s: Callable[[], float] = partial(time.clock_gettime, time.CLOCK_MONOTONIC_RAW)
    host_time_ns: Callable[[], int] = partial(time.clock_gettime_ns, time.CLOCK_MONOTONIC_RAW)
    SLEWED = False
else:
    host_time_s, host_time_ns = time.perf_counter, time.perf_counter_ns
    SLEWED = sys.platform not in ("win32", "darwin")
    """Whether the rate of the host's clock may be changed while it runs: assumed elsewhere."""


class Pacing(Protocol):
    """What a port has to offer that keeps time by itself."""

    def now(self) -> float:
        """Seconds on a clock that never goes back."""

    def sleep(self, seconds: float) -> None:
        """Lets that much time pass."""

    def wait(
        self, condition: Condition, ready: Callable[[], bool], timeout: float | None
    ) -> bool:
        """Lets time pass until `ready()` or until `timeout` seconds have gone by (None: no limit).
        With a timeout above 0, however small, some time passes.

        Called without holding `condition`; `ready` is called while it is held. Returns what
        `ready()` said last.
        """


class RealTime:
    """The computer's own time."""

    now = staticmethod(host_time_s)
    sleep = staticmethod(time.sleep)

    @staticmethod
    def wait(condition: Condition, ready: Callable[[], bool], timeout: float | None) -> bool:
        """See `Pacing.wait`."""
        with condition:
            return condition.wait_for(ready, timeout)


def pacing_of(port: object) -> Pacing:
    """The pacing that a port carries, or real time."""
    found: Pacing | None = getattr(port, "pacing", None)
    return RealTime() if found is None else found
