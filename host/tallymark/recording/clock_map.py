"""The map between the box's clock and the recording's clock."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tallymark.recording.recording_data import Floats


@dataclass(frozen=True)
class TimeMap:
    """Linear between knots, and on with the outer slopes beyond them.

    sent_us, recorded_us: at least two knots, both ascending, in microseconds.
    """

    sent_us: Floats
    recorded_us: Floats

    def forward(self, sent_us: Floats) -> Floats:
        """Recorded times of log times."""
        return _line(self.sent_us, self.recorded_us, sent_us)

    def back(self, recorded_us: Floats) -> Floats:
        """Log times of recorded times."""
        return _line(self.recorded_us, self.sent_us, recorded_us)

    @property
    def slope(self) -> float:
        """Recorded time that passes in one unit of log time, over the whole map."""
        return float(
            (self.recorded_us[-1] - self.recorded_us[0]) / (self.sent_us[-1] - self.sent_us[0])
        )

    def with_slope(self, slope: float) -> TimeMap:
        """A straight line with another slope through the middle of this map."""
        middle = self.sent_us.mean()
        level = self.forward(np.array([middle]))[0]
        return TimeMap(self.sent_us, level + (self.sent_us - middle) * slope)

    def stretched(self, scale: float, around_us: float) -> TimeMap:
        """This map for log times that count `scale` times as much from `around_us` on."""
        return TimeMap(around_us + (self.sent_us - around_us) * scale, self.recorded_us)

    def joined(self, other: TimeMap) -> TimeMap:
        """This map followed by a later one."""
        return TimeMap(
            np.concatenate((self.sent_us, other.sent_us)),
            np.concatenate((self.recorded_us, other.recorded_us)),
        )


def _line(x: Floats, y: Floats, at: Floats) -> Floats:
    segment = np.clip(np.searchsorted(x, at) - 1, 0, len(x) - 2)
    slope = (y[segment + 1] - y[segment]) / (x[segment + 1] - x[segment])
    result: Floats = y[segment] + slope * (at - x[segment])
    return result
