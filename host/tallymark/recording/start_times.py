"""When log and recording began by the clocks of their computers: weak evidence for the place of a
recording in the log.

Computers' clocks differ by seconds, or by anything where nobody sets them, and files tell no time
zone. So a place that agrees is a little more probable than others, never certain for that.
"""

from __future__ import annotations

from datetime import timezone

import numpy as np

from tallymark.common.formatting import clock
from tallymark.recording.alignment import Alignment, Anchor
from tallymark.recording.recording_data import RecordedEvents
from tallymark.recording.sent_markers import Sent

HOUR_US = 3.6e9
BOUND_US = 5e6  # by which clocks that are kept right differ at most; headers have whole seconds
NATS = 3.5  # by which a place that agrees is more probable
MOST_HOURS = 14  # of a time zone


def start_anchor(sent: Sent, recorded: RecordedEvents) -> Anchor | None:
    """Where the clocks place the recording's beginning in the log; None where they don't tell.

    The file's clock may be of any time zone. One zone alone must let log and recording overlap.
    """
    if sent.utc_us is None or recorded.began is None:
        return None
    began = recorded.began.replace(tzinfo=recorded.began.tzinfo or timezone.utc).timestamp() * 1e6
    late = began - (sent.utc_us + float(sent.time[0]))
    hours = np.arange(-MOST_HOURS, MOST_HOURS + 1) * HOUR_US
    span = float(sent.time[-1] - sent.time[0])
    lasted = recorded.end_us - recorded.start_us
    zones = hours[(late - hours < span) & (late - hours + lasted > 0)]
    if len(zones) != 1:
        return None
    at = float(sent.time[0]) + late - float(zones[0])
    return Anchor(at, recorded.start_us, BOUND_US, NATS)


def start_note(anchor: Anchor, alignment: Alignment) -> str:
    """What the clocks say of the place that was found, in a sentence; '' if none was."""
    if not alignment.pieces:
        return ""
    even = float(alignment.clock.back(np.array([anchor.recorded_us]))[0])
    off = even - alignment.pieces[0].offset_us - anchor.log_us
    if abs(off) <= anchor.bound_us:
        return (
            "By the computers' clocks, the recording began where it lies in the log. Such times "
            "are weak evidence, and were used."
        )
    return (
        f"By the computers' clocks, the recording began {clock(abs(off) / 1e6)} "
        f"{'earlier' if off > 0 else 'later'} than its place in the log says. Such times are weak "
        "evidence, and were used. Check the clocks of both computers."
    )
