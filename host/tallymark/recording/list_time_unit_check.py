"""Event lists whose times have another unit than the name of their column says."""

from __future__ import annotations

import numpy as np

from tallymark.recording.recording_data import RecordedEvents, RecordingError
from tallymark.recording.sent_markers import Sent

FACTORS = {
    1e3: "1,000 times as far apart as",
    1e6: "a million times as far apart as",
    1e-3: "1,000 times closer than",
    1e-6: "a million times closer than",
}
FEWEST = 8
ALIKE = 1.25  # factor between the intervals of a log and of its recording


def refuse_another_unit(sent: Sent, recorded: RecordedEvents) -> None:
    """Of a list that fits no place of the log: events that are as dense as the log's markers but
    for a factor between units are no other session's for that.

    Raises RecordingError that says so.
    """
    if recorded.active is not None or min(len(sent), len(recorded)) < FEWEST:
        return
    log, seen = np.median(np.diff(np.sort(sent.time))), np.median(np.diff(recorded.time_us))
    if log <= 0:
        return
    for factor, words in FACTORS.items():
        if factor / ALIKE < seen / log < factor * ALIKE:
            raise RecordingError(
                f"{recorded.path}: its events lie {words} the markers of the log, so its times may "
                "have another unit than the name of their column says, and nothing is known of the "
                "markers. Rename that column (onset is in seconds, onset_ms in milliseconds, "
                "onset_us in microseconds), and check again."
            )
