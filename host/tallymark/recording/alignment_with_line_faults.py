"""A log aligned with a recording: by the codes as the lines show them, with lines exchanged, or
with codes that come late."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tallymark.recording.alignment import BY_MARKER, Alignment, Anchor, Task, align, hidden_share
from tallymark.recording.code_lateness import late_codes
from tallymark.recording.event_series import Train
from tallymark.recording.fault_tolerant_codes import Shown, rewired
from tallymark.recording.progress import Progress
from tallymark.recording.recording_data import Ints, RecordedEvents
from tallymark.recording.sent_markers import Sent
from tallymark.recording.settling import LONGEST

SILENT = 1 - 1e-6  # probability that a marker on lines that never move makes no event
HOST_GRAIN_US = 4_000.0  # resolution of times that only the host knows
MOST_TO_REWIRE = 20_000  # markers or events, of which every swap of two lines is tried


def aligned(
    sent: Sent,
    recorded: RecordedEvents,
    shown: Shown,
    places: tuple[Anchor, ...],
    jitter_us: float | None,
    progress: Callable[[float], None] | None = None,
) -> Alignment:
    """Align by the codes as the lines show them, and by known places."""
    sure = np.flatnonzero(sent.confirmed)
    timed = len(sure) > 0  # by the box
    if not timed:
        sure = np.arange(len(sent))
    known = np.zeros(len(sent), bool)
    known[sure] = True
    loose = np.flatnonzero(~known)
    # A code that is only on late lines comes later than others by as much as lines need to settle.
    settling = min(max(recorded.settling, 1), LONGEST)
    grain = recorded.sample_us * settling
    if jitter_us is not None:
        grain = max((jitter_us - 75.0) / 1.3, 1.0)
    if not timed:
        grain = max(grain, HOST_GRAIN_US)
    # What was read off lines has the times of samples; a list may have those of a program.
    sampled = recorded.active is not None and recorded.rate is not None
    fixed = timed and (jitter_us is not None or sampled)
    confirmed = Train(sent.time[sure], shown.sent[sure])
    silent = shown.sent == 0
    hidden = hidden_share(confirmed, sent.width[sure], grain)
    task = Task(
        confirmed,
        Train(sent.time[loose], shown.sent[loose]),
        np.where(silent[sure], SILENT, hidden),
        Train(recorded.time_us, shown.recorded),
        (
            min(recorded.start_us, float(recorded.time_us.min(initial=recorded.start_us))),
            max(recorded.end_us, float(recorded.time_us.max(initial=recorded.end_us)) + grain),
        ),
        tuple((start, end) for start, end in recorded.pauses_us if start < end),
        places,
    )
    alignment = _in_log_order(align(task, grain, fixed, progress), sure, loose)
    alignment.hidden[silent] = 0.0
    return alignment


def late_by_code(sent: Sent, recorded: RecordedEvents, alignment: Alignment) -> dict[int, float]:
    """How much later than others codes come, as `late_codes` says, if that explains jumps."""
    if recorded.active is None or len(alignment.pieces) < 2:
        return {}
    rows = np.flatnonzero((alignment.event >= 0) & (alignment.p_event > 0.99))
    event = alignment.event[rows]
    offset = alignment.clock.back(recorded.time_us[event]) - sent.time[rows]
    late = late_codes(offset, recorded.code[event], alignment.grain_us)
    lateness = np.array([late.get(code, 0.0) for code in range(256)])[recorded.code]
    return late if (np.diff(recorded.time_us - lateness) > 0).all() else {}


def aligned_as_wired(
    sent: Sent,
    recorded: RecordedEvents,
    places: tuple[Anchor, ...],
    jitter_us: float | None,
    progress: Progress,
) -> Alignment | None:
    """Where the log does not fit, lines may be swapped: the alignment by the one wiring with which
    it is known to be of this session, None if there is none."""
    if recorded.active is None or max(len(sent), len(recorded)) > MOST_TO_REWIRE:
        return None
    for shown in rewired(sent, recorded):
        alignment = aligned(sent, recorded, shown, places, jitter_us, progress.part())
        if alignment.identity.session == "own":
            return alignment
    return None


def _in_log_order(alignment: Alignment, sure: Ints, loose: Ints) -> Alignment:
    """Arrays by marker in the order of the log, from confirmed ones first."""
    order = np.argsort(np.concatenate((sure, loose)), kind="stable")
    rows = np.concatenate((sure, loose))
    for name in BY_MARKER:
        setattr(alignment, name, getattr(alignment, name)[order])
    known = alignment.marker >= 0
    alignment.marker = np.where(known, rows[alignment.marker], -1)
    return alignment
