"""When the next frame will be shown, from when the earlier ones were seen to be."""

from __future__ import annotations

from collections import deque
from math import floor

KEPT = 120
"""Frames; a display keeps its rate for far longer."""
LEAST = 20
_EARLY = 0.1
"""By how much of a period a return may seem to be too early, while little is known."""


class FlipForecast:
    """Forecasts refreshes. Times are host times in seconds.

    `flip` returns at the refresh or later, never earlier, so that the earliest of many returns is
    the one that tells when refreshes are: an average would be late by the mean delay.
    """

    def __init__(self, period_s: float) -> None:
        self._nominal = self._period = period_s
        self._origin = 0.0  # when frame 0 was shown
        self._frame = -1
        self._seen: deque[tuple[int, float]] = deque(maxlen=KEPT)

    @property
    def is_ready(self) -> bool:
        """Whether enough frames were seen."""
        return len(self._seen) >= LEAST

    def saw(self, returned_s: float) -> int:
        """Takes the time at which `flip` returned. Returns how many refreshes went by since the
        last one: more than 1 if frames were missed."""
        before = self._frame
        if self._seen:
            refreshes = floor((returned_s - self._origin) / self._period + _EARLY)
            self._frame = max(before + 1, refreshes)
        else:
            self._frame, self._origin = 0, returned_s
        self._seen.append((self._frame, returned_s))
        self._fit()
        return self._frame - before

    def next_s(self) -> float:
        """When the next frame will be shown. It must be ready by then."""
        return self._origin + self._period * (self._frame + 1)

    def _fit(self) -> None:
        """The line below all returns: through the earliest of the older and of the newer half."""
        seen = list(self._seen)
        if self.is_ready:
            half = len(seen) // 2
            older, newer = (min(part, key=self._late) for part in (seen[:half], seen[half:]))
            self._period = (newer[1] - older[1]) / (newer[0] - older[0])
        self._origin = min(time - self._period * frame for frame, time in seen)

    def _late(self, seen: tuple[int, float]) -> float:
        frame, time = seen
        return time - self._nominal * frame
