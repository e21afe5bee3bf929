"""The host's clock, as seen from the box's.

Only the rate between the two can be observed, so the box's oscillator is the clock of the world
(whole microseconds, `life_us`), and the host's clock is a line of pieces over it.
"""

from __future__ import annotations

import math
from bisect import bisect_right

BEGIN_S = 1000.0


class HostClock:
    """Host time as a function of world time. Never goes back."""

    def __init__(self, ppm: float) -> None:
        self._starts = [0]
        self._values = [BEGIN_S]
        self._rates = [1 + ppm * 1e-6]

    def turn(self, life_us: int, ppm: float) -> None:
        """From `life_us` on, the clock is `ppm` faster than the box's."""
        self._values.append(self.at(life_us))
        self._starts.append(life_us)
        self._rates.append(1 + ppm * 1e-6)

    def at(self, life_us: float) -> float:
        """Seconds on the host's clock."""
        piece = bisect_right(self._starts, life_us) - 1
        rate = self._rates[piece]
        return self._values[piece] + (life_us - self._starts[piece]) * 1e-6 * rate

    def when(self, seconds: float) -> int:
        """The first microsecond of the world at which the clock has come so far, if its rate stays
        as it is now."""
        value, start, rate = self._values[-1], self._starts[-1], self._rates[-1]
        return start + math.ceil((seconds - value) / rate * 1e6)
