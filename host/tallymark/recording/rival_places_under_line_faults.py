"""Another place that a fault of the lines explains as well.

The alignment takes altered codes as they come. In designs that repeat themselves a wrong place may
have some right codes and many altered ones, where at the right place one inverted line or two
swapped ones alter all. So where codes are altered, every other place is asked what its codes would
say about the lines. If one needs no more faults than the place that was found, which of them is
right can't be known.
"""

from __future__ import annotations

import numpy as np

from tallymark.recording.alignment import LOOSE_US, PROOF, Alignment, Anchor
from tallymark.recording.event_series import nearest
from tallymark.recording.line_faults import LEAST, fault_cost
from tallymark.recording.recording_data import Floats, Ints, RecordedEvents
from tallymark.recording.sent_markers import Sent

EVENTS = 500  # neighbours in the middle of a longer recording, whose codes are looked at
MANY = 50_000  # events that tell the place by more than their codes
PLACES = 200  # looked at; those nearest to the one that was found


def doubt_by_wiring(
    sent: Sent, recorded: RecordedEvents, alignment: Alignment, anchors: tuple[Anchor, ...]
) -> None:
    """Makes the place of everything unknown where another one explains the codes as well.

    anchors: known places; with a sure one nothing is in doubt.
    """
    proven = any(anchor.nats >= PROOF for anchor in anchors)
    if proven or not alignment.pieces or len(recorded) > MANY:
        return
    at = _log_times(recorded, alignment)
    first = max((len(at) - EVENTS) // 2, 0)
    rows = np.arange(first, min(first + EVENTS, len(at)))
    here, cost = _fit(0.0, rows, at, sent, recorded, alignment)
    if cost < LEAST:
        return
    shifts = at[rows[len(rows) // 2]] - sent.time
    same = max(3 * alignment.grain_us + 200.0, _near_us(recorded, alignment))
    shifts = shifts[np.abs(shifts) > same]
    for shift in shifts[np.argsort(np.abs(shifts))][:PLACES]:
        there, rival = _fit(float(shift), rows, at, sent, recorded, alignment)
        if there >= here and rival <= cost:
            alignment.p_unknown = np.maximum(alignment.p_unknown, 0.5)
            alignment.p_extra = np.minimum(alignment.p_extra, 0.5)
            return


def _near_us(recorded: RecordedEvents, alignment: Alignment) -> float:
    """How far an event may be from its marker, in microseconds. A shift by less changes no pair."""
    sampled = recorded.active is not None and recorded.rate is not None
    return 1.6 * alignment.grain_us + 100.0 if sampled else alignment.tolerance_us


def _fit(
    shift: float,
    rows: Ints,
    at: Floats,
    sent: Sent,
    recorded: RecordedEvents,
    alignment: Alignment,
) -> tuple[int, int]:
    """How many events have a marker at their time, and what faults of the lines cost by which the
    codes of these rows, and of the markers between them without an event, are what they are.
    Markers that may make no event though all is well say nothing by making none."""
    wanted = at - shift
    marker = nearest(sent.time, wanted)
    near = _near_us(recorded, alignment)
    reach = np.where(sent.confirmed[marker], near, max(near, LOOSE_US))
    fits = np.abs(sent.time[marker] - wanted) <= reach
    count = int(np.count_nonzero(fits))
    marker, fits = marker[rows], fits[rows]
    if not fits.any():
        return 0, LEAST * 8
    between = np.arange(marker[fits].min(), marker[fits].max() + 1)
    silent = np.setdiff1d(between, marker[fits])
    silent = silent[sent.confirmed[silent] & (alignment.hidden[silent] == 0)]
    codes = np.concatenate((sent.code[marker[fits]], sent.code[silent]))
    idle = np.full(len(silent), recorded.idle, np.uint8)
    seen = np.concatenate((recorded.code[rows[fits]], idle))
    used = int(np.bitwise_or.reduce(sent.code))
    return count, fault_cost(codes, seen, recorded, used)


def _log_times(recorded: RecordedEvents, alignment: Alignment) -> Floats:
    """Log time of each event, by the path that was found."""
    first: Ints = np.array([piece.first for piece in alignment.pieces])
    offsets = np.array([piece.offset_us for piece in alignment.pieces])
    which = np.clip(np.searchsorted(first, np.arange(len(recorded)), "right") - 1, 0, None)
    times: Floats = alignment.clock.back(recorded.time_us) - offsets[which]
    return times
