"""How time passes while the library waits.

A port with real hardware behind it needs nothing of this: `RealTime` is used. A port whose box
lives in stepped time carries an attribute `pacing` that moves the box's time instead of sleeping.
Nothing moves there until somebody waits or sleeps, so that a program of an hour runs in a moment
and gives the same result each time.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from threading import Condition
from typing import Protocol


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

    now = staticmethod(time.perf_counter)
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
