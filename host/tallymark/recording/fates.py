"""What became of each marker and event, as far as it is certain.

Fates of a marker in the log:

| fate      | meaning                                                                            |
| --------- | ---------------------------------------------------------------------------------- |
| arrived   | there, with its code                                                               |
| altered   | there, with another code                                                           |
| merged    | one event stands for it and a neighbour: too close, or the same code still on      |
| missed    | the recording covers its time, and it isn't there                                  |
| in a gap  | sent while the recording dropped samples                                           |
| in a pause | sent while the recording was paused, as the file itself says                      |
| outside   | sent before the recording began or after it ended                                  |
| absent    | the box never confirmed it, and it isn't there                                     |
| unknown   | can't be known                                                                     |

A fate other than unknown is stated only if all rivals together have a probability below `DOUBT`.
Of a marker that isn't there, that much is certain; why it isn't (missed, in a gap, outside) is
certain where `Verdict.why_known` says so, and the likeliest reason elsewhere.
Probabilities are those of the model in `align`, given that the log is of this session.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from tallymark.recording.alignment import Alignment
from tallymark.recording.recording_data import Floats, Ints, RecordedEvents
from tallymark.recording.sent_markers import Sent

DOUBT = 1e-4  # a fate is stated if its rivals together are less probable

FATES = (
    "arrived",
    "altered",
    "merged",
    "missed",
    "in a gap",
    "in a pause",
    "outside",
    "absent",
    "unknown",
)
ARRIVED, ALTERED, MERGED, MISSED, IN_GAP, IN_PAUSE, OUTSIDE, ABSENT, UNKNOWN = range(len(FATES))


class Verdict:
    """What can be stated of each marker and of each event."""

    def __init__(self, sent: Sent, recorded: RecordedEvents, a: Alignment) -> None:
        markers = len(sent)
        self.fate = np.full(markers, UNKNOWN, np.int8)
        self.doubt = np.ones(markers)
        self.why_known = np.zeros(markers, bool)
        self.partner = np.full(markers, -1, np.int64)
        others = a.p_rival + a.p_other
        gone = np.array([a.p_missed, a.p_gap, a.p_outside])
        if not sent.confirmed.all():
            _absent(sent, a, gone, others)
        doubt_there = others + gone.sum(axis=0) + a.p_unknown
        doubt_gone = a.p_event + others + a.p_unknown
        there = (doubt_there < DOUBT) & (a.event >= 0)
        right = np.zeros(markers, bool)
        right[there] = recorded.code[a.event[there]] == sent.code[there]
        self.partner[there] = a.event[there]
        self.fate[there] = np.where(right[there], ARRIVED, ALTERED)
        not_there = ~there & (doubt_gone < DOUBT)
        reason = gone.argmax(axis=0)
        self.fate[not_there] = np.array([MISSED, IN_GAP, OUTSIDE])[reason[not_there]]
        self.why_known = not_there & (gone.sum(axis=0) - gone.max(axis=0) < DOUBT)
        self.fate[not_there & (reason == 0) & (a.hidden > 0)] = MERGED
        self.fate[not_there & (reason == 0) & ~sent.confirmed] = ABSENT
        self.doubt = np.minimum(np.minimum(doubt_there, doubt_gone), 1.0)
        shared = self._merge_pairs(a)
        taken = np.zeros(len(recorded), bool)
        taken[self.partner[there]] = True
        taken[shared] = True
        sure_extra = 1 - a.p_extra < DOUBT
        # Of events nearer than two samples, time does not tell which is whose.
        near = np.diff(recorded.time_us) < 3 * a.grain_us
        sure_extra[1:] &= ~near
        sure_extra[:-1] &= ~near
        sure_extra[self._cut_pulses(sent, recorded, a)] = False
        self.extra = np.flatnonzero(sure_extra & ~taken)
        self.unplaced = np.flatnonzero(~sure_extra & ~taken)

    def _cut_pulses(self, sent: Sent, recorded: RecordedEvents, a: Alignment) -> Ints:
        """Events that may be what a jump left of a marker's pulse: they have the code of one that
        isn't known to have arrived, and begin while it lasts."""
        found: list[int] = []
        seen = a.clock.back(recorded.time_us)
        for before, after in pairwise(a.pieces):
            rows = np.arange(max(before.last - 1, 0), min(after.first + 2, len(recorded)))
            for offset in (before.offset_us, after.offset_us):
                at = seen[rows] - offset
                marker = np.searchsorted(sent.time, at, side="right") - 1
                on = (marker >= 0) & (at - sent.time[marker] < sent.width[marker] + a.grain_us)
                on &= (recorded.code[rows] == sent.code[marker]) & (self.partner[marker] < 0)
                found += rows[on].tolist()
        return np.array(found, np.int64)

    def _merge_pairs(self, a: Alignment) -> Ints:
        """Neighbours too close to be told apart that share one event: both are merged."""
        first = np.flatnonzero(
            (self.fate[:-1] == UNKNOWN)
            & (self.fate[1:] == UNKNOWN)
            & (a.hidden[:-1] > 0)
            & (a.hidden[1:] > 0)
            & (a.event[:-1] == a.event[1:])
            & (a.event[:-1] >= 0)
        )
        elsewhere = a.p_rival + a.p_other + a.p_gap + a.p_outside + a.p_unknown
        first = first[(elsewhere[first] < DOUBT) & (elsewhere[first + 1] < DOUBT)]
        for rows in (first, first + 1):
            self.fate[rows] = MERGED
            self.doubt[rows] = elsewhere[rows]
        return a.event[first]


def _absent(sent: Sent, a: Alignment, gone: Floats, others: Floats) -> None:
    """An unconfirmed marker without an event is absent as surely as its neighbours' place is known:
    the sums don't count it as missed. Writes into `gone` and `p_unknown`."""
    sure = np.flatnonzero(sent.confirmed)
    rows = np.flatnonzero(~sent.confirmed)
    if not len(sure):
        return
    after = np.clip(np.searchsorted(sure, rows), 0, len(sure) - 1)
    before = np.clip(after - 1, 0, len(sure) - 1)
    place = a.p_unknown + a.p_rival + a.p_other
    worst = np.maximum(place[sure[after]], place[sure[before]])
    a.p_unknown[rows] = worst
    gone[0, rows] = np.maximum(1 - a.p_event[rows] - others[rows] - worst, 0.0)
    a.p_missed[rows] = gone[0, rows]
