"""What a marker log tells beforehand of the events to be found in its recording."""

from __future__ import annotations

import numpy as np

from tallymark.markerlog import LogData
from tallymark.markerlog.marker_durations import durations
from tallymark.recording.event_extraction import Design
from tallymark.recording.stated_expectations import Level

_NEARLY_ALL = 0.9


def design_of(log: LogData, idle: Level | None = None) -> Design:
    """Whether codes are held, and how far apart changes of the code are at least.

    idle: level of the lines at idle as it should be, None if nobody says.
    """
    events = [marker for marker in log.markers if marker.fate != "refused"]
    stays = [marker.stays for marker in events if marker.code and marker.stays is not None]
    share = sum(stays) / len(stays) if stays else None
    held = None if share is None or 1 - _NEARLY_ALL < share < _NEARLY_ALL else share > 0.5
    return Design(held, _apart_us(log), {"low": "high", "high": "low", None: None}[idle])


def _apart_us(log: LogData) -> float | None:
    """Least time between two changes of the code: onsets of markers, and ends of pulses."""
    least = [lasted.us for lasted in durations(log) if lasted.us is not None and lasted.us > 0]
    for part in {marker.part for marker in log.markers}:
        onsets = [m.box_us for m in log.markers if m.part == part and m.box_us is not None]
        steps = np.diff(np.sort(np.array(onsets, float)))
        least += steps[steps > 0].tolist()
    unconfirmed = any(m.fate == "unconfirmed" for m in log.markers)
    return None if unconfirmed or not least else float(min(least))
