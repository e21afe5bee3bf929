"""A series of markers or events, and how often each code occurs in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tallymark.recording.recording_data import Codes, Floats, Ints


@dataclass(frozen=True)
class Train:
    """Times (microseconds, ascending) and codes."""

    time: Floats
    code: Codes

    def __len__(self) -> int:
        return len(self.time)

    def frequency(self) -> Floats:
        """Share of each code, shape (256,); none is 0."""
        counts = np.bincount(self.code, minlength=256) + 0.5 / 256
        result: Floats = counts / counts.sum()
        return result


def nearest(sorted_times: Floats, wanted: Floats) -> Ints:
    """For each wanted time the index of the nearest in `sorted_times` (ascending, not empty)."""
    right = np.clip(np.searchsorted(sorted_times, wanted), 1, max(len(sorted_times) - 1, 1))
    if len(sorted_times) == 1:
        return np.zeros(len(wanted), np.int64)
    left_is_nearer = wanted - sorted_times[right - 1] <= sorted_times[right] - wanted
    result: Ints = right - left_is_nearer
    return result
