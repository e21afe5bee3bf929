"""The comparison: what became of each marker, and how well the recording keeps time.

Fates of a marker in the log:

| fate      | meaning                                                                            |
| --------- | ---------------------------------------------------------------------------------- |
| arrived   | there, with its code                                                               |
| altered   | there, with another code                                                           |
| merged    | less than two samples from a neighbour that is there, so that both are one event   |
| missed    | the recording covers its time, and it isn't there                                  |
| in a gap  | sent while the recording dropped samples                                           |
| outside   | sent before the recording began or after it ended                                  |
| absent    | the box never confirmed it, and it isn't there                                     |
| unknown   | its place can't be known (see `Alignment.doubtful`)                                |

Refused markers and code 0 (a return to idle) are no events and are left out. Extra are the recorded
events that no marker explains.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tallymark.markerlog import LogData, LoggedMarker
from tallymark.markerlog.durations import durations
from tallymark.recording.align import Alignment, align
from tallymark.recording.match import match
from tallymark.recording.model import Bools, Codes, Floats, Ints, RecordedEvents, RecordingError
from tallymark.recording.seeds import Train
from tallymark.recording.wiring import WiringFault, find_faults

FATES = (
    "arrived",
    "altered",
    "merged",
    "missed",
    "in a gap",
    "outside",
    "absent",
    "unknown",
)
ARRIVED, ALTERED, MERGED, MISSED, IN_GAP, OUTSIDE, ABSENT, UNKNOWN = range(len(FATES))


@dataclass(frozen=True)
class Sent:
    """The markers of a log as columns, in order of time (microseconds of box time).

    width: microseconds on the lines, NaN where the log doesn't tell. confirmed: the box answered.
    number: of the log (-1: came in on the byte input). name: by number of `names`, -1 without.
    """

    time: Floats
    code: Codes
    width: Floats
    confirmed: Bools
    number: Ints
    name: Ints
    names: list[str]

    def __len__(self) -> int:
        return len(self.time)


def columns(log: LogData) -> Sent:
    """Columns of a log's events. Unconfirmed markers get the box time that their host time maps to;
    box times of later parts (after a restart) are moved by the same map.

    Raises RecordingError if no marker has a box time.
    """
    found = [
        (marker, lasted.us)
        for marker, lasted in zip(log.markers, durations(log), strict=True)
        if marker.fate != "refused" and marker.code
    ]
    rows = [marker for marker, _ in found]
    names = sorted({marker.name for marker in rows if marker.name is not None})
    number_of = {name: number for number, name in enumerate(names)}
    time = _times(rows)
    if not len(rows) or np.isnan(time).all():
        raise RecordingError(
            f"{log.path}: the marker log holds no marker that the box confirmed, so there is "
            "nothing to look for. Check that it is the log of this session."
        )
    order = np.argsort(time, kind="stable")
    return Sent(
        time[order],
        np.array([m.code for m in rows], np.uint8)[order],
        np.array([np.nan if width is None else width for _, width in found], float)[order],
        np.array([m.fate == "done" for m in rows], bool)[order],
        np.array([m.number for m in rows], np.int64)[order],
        np.array([-1 if m.name is None else number_of[m.name] for m in rows], np.int64)[order],
        names,
    )


def _times(rows: list[LoggedMarker]) -> Floats:
    box = np.array([np.nan if m.box_us is None else m.box_us for m in rows], float)
    host = np.array([m.host_us if m.host_us is not None else m.sent_host_us for m in rows], float)
    part = np.array([m.part for m in rows])
    known = ~np.isnan(box)
    if not known.any():
        return box
    # Parts are put on the first part's clock by the median of host time minus box time.
    base = float(np.median((host - box)[known & (part == part[known][0])]))
    for number in np.unique(part[known]):
        here = known & (part == number)
        if number != part[known][0]:
            box[here] += float(np.median(host[here] - box[here])) - base
    if not known.all():
        order = np.argsort(host[known], kind="stable")
        shift = np.interp(host[~known], host[known][order], (box - host)[known][order])
        box[~known] = host[~known] + shift
    return box


@dataclass
class Timing:
    """How the recording keeps time against the box.

    drift_ppm: how much faster the recording's clock runs; drift_error_ppm: 95 % uncertainty.
    offset_us: recording's time of box time 0. jitter_us: standard deviation of residuals;
    worst_us, worst_at_us: largest residual and when, on the recording's clock.
    limit_us: what sampling alone gives, sample / sqrt(12), for a uniform phase. None: too few.
    """

    offset_us: float | None = None
    drift_ppm: float | None = None
    drift_error_ppm: float | None = None
    jitter_us: float | None = None
    limit_us: float | None = None
    worst_us: float | None = None
    worst_at_us: float | None = None


@dataclass
class Comparison:
    """Everything that the check found out. Arrays have the shape of `sent`.

    fate: index into FATES. partner: index of the event, or -1. expected_us: where each marker
    should be on the recording's clock. residual_us: recorded minus expected time, NaN without an
    event. extra: indices of events that no marker explains; extra_outside: how many of them lie
    before the first or after the last marker. jumps: (recording's time, shift) in microseconds.
    """

    sent: Sent
    recorded: RecordedEvents
    alignment: Alignment
    fate: NDArray[np.int8]
    partner: Ints
    expected_us: Floats
    residual_us: Floats
    extra: Ints
    extra_outside: int
    timing: Timing
    faults: list[WiringFault] = field(default_factory=list)
    jumps: list[tuple[float, float]] = field(default_factory=list)

    def count(self, fate: int) -> int:
        """Number of markers with a fate."""
        return int((self.fate == fate).sum())

    @property
    def certain(self) -> bool:
        """Whether the alignment has one place only."""
        return self.alignment.known

    @property
    def clean(self) -> bool:
        """Whether every marker that the recording covers is there, rightly, and nothing else."""
        bad = (ALTERED, MERGED, MISSED, IN_GAP, UNKNOWN, ABSENT)
        return (
            self.certain
            and not len(self.extra)
            and not any(self.count(fate) for fate in bad)
            and bool(self.count(ARRIVED))
        )

    def expected(self) -> int:
        """Number of markers that the recording should hold."""
        return len(self.sent) - self.count(OUTSIDE) - self.count(ABSENT)

    def alignment_times(self) -> Floats:
        """Time of each marker on the recording's clock in microseconds (shape of `sent`): that of
        its event, or where it was expected."""
        times = self.expected_us.copy()
        there = self.partner >= 0
        times[there] = self.recorded.time_us[self.partner[there]]
        return times

    def width_us(self) -> Floats:
        """Recorded widths in microseconds (shape of `sent`), NaN where not known."""
        widths = np.full(len(self.sent), np.nan)
        there = self.partner >= 0
        samples = self.recorded.width[self.partner[there]].astype(float)
        widths[there] = np.where(samples > 0, samples * self.recorded.sample_us, np.nan)
        return widths


def compare(sent: Sent, recorded: RecordedEvents, jitter_us: float | None = None) -> Comparison:
    """Align a log with a recording and tell each marker's fate.

    Raises RecordingError if they don't belong together.
    """
    sure = np.flatnonzero(sent.confirmed)
    if not len(sure):
        sure = np.arange(len(sent))
    train = Train(recorded.time_us, recorded.code)
    alignment = align(
        Train(sent.time[sure], sent.code[sure]),
        train,
        recorded.start_us,
        recorded.end_us,
        recorded.sample_us,
        jitter_us,
    )
    partner = np.full(len(sent), -1, np.int64)
    partner[sure] = alignment.partner
    expected = np.empty(len(sent))
    expected[sure] = alignment.expected_us
    expected[~sent.confirmed] = alignment.map_us(sent.time[~sent.confirmed])
    doubtful = np.zeros(len(sent), bool)
    doubtful[sure] = alignment.doubtful
    if len(sure) < len(sent):
        _find_unconfirmed(sent, train, partner, expected, alignment.tolerance_us)
    partner[doubtful] = -1
    there = partner >= 0
    free = np.ones(len(recorded), bool)
    free[partner[there]] = False
    if doubtful.any():
        _set_aside_doubtful(alignment, recorded.time_us, sent.time[doubtful], free)
    extra = np.flatnonzero(free)
    residual = np.full(len(sent), np.nan)
    residual[there] = recorded.time_us[partner[there]] - expected[there]
    fate = _fates(sent, recorded, alignment, partner, expected, doubtful)
    first, last = expected[0] - alignment.tolerance_us, expected[-1] + alignment.tolerance_us
    outside = int(((recorded.time_us[extra] < first) | (recorded.time_us[extra] > last)).sum())
    jumps = [(piece.recorded_range[0], piece.shift_us) for piece in alignment.pieces[1:]]
    faults = find_faults(
        sent.code[there],
        recorded.code[partner[there]],
        recorded,
        int(np.bitwise_or.reduce(sent.code)),
    )
    return Comparison(
        sent,
        recorded,
        alignment,
        fate,
        partner,
        expected,
        residual,
        extra,
        outside,
        _timing(sent, recorded, alignment, partner, residual),
        faults,
        jumps,
    )


def _find_unconfirmed(
    sent: Sent, train: Train, partner: Ints, expected: Floats, tolerance: float
) -> None:
    """Give unconfirmed markers the free events near them; their times are of the host only."""
    rows = np.flatnonzero(~sent.confirmed)
    free = np.ones(len(train), bool)
    free[partner[partner >= 0]] = False
    events = np.flatnonzero(free)
    found = match(
        expected[rows],
        sent.code[rows],
        train.time[events],
        train.code[events],
        tolerance + 20_000.0,  # an answer's way through the host may take that long
    )
    good = (
        (found >= 0) & (train.code[events[found]] == sent.code[rows]) if len(events) else found > 0
    )
    partner[rows[good]] = events[found[good]]
    expected[rows[good]] = train.time[partner[rows[good]]]


def _set_aside_doubtful(
    alignment: Alignment, times: Floats, doubtful_sent: Floats, free: Bools
) -> None:
    """Events that a doubtful marker may be are no extra ones."""
    for piece in alignment.pieces:
        mapped = piece.map.forward(doubtful_sent)
        at = np.clip(np.searchsorted(mapped, times), 1, max(len(mapped) - 1, 1))
        if len(mapped) == 1:
            at = np.zeros(len(times), np.int64)
        near = np.minimum(np.abs(times - mapped[at]), np.abs(times - mapped[at - 1]))
        free &= near > alignment.tolerance_us


def _fates(
    sent: Sent,
    recorded: RecordedEvents,
    alignment: Alignment,
    partner: Ints,
    expected: Floats,
    doubtful: Bools,
) -> NDArray[np.int8]:
    fate = np.full(len(sent), MISSED, np.int8)
    there = partner >= 0
    right = there.copy()
    right[there] = recorded.code[partner[there]] == sent.code[there]
    border = alignment.tolerance_us
    fate[(expected < recorded.start_us + border) | (expected > recorded.end_us - border)] = OUTSIDE
    for before, after in zip(alignment.pieces, alignment.pieces[1:], strict=False):
        gap = (sent.time > before.sent_range[1]) & (sent.time < after.sent_range[0])
        fate[gap] = IN_GAP
    close = np.zeros(len(sent), bool)
    near = np.diff(sent.time) < 2 * recorded.sample_us
    close[1:] |= near & there[:-1]
    close[:-1] |= near & there[1:]
    fate[(fate == MISSED) & close] = MERGED
    fate[~sent.confirmed] = ABSENT
    fate[there] = ALTERED
    fate[right] = ARRIVED
    fate[doubtful] = UNKNOWN
    return fate


def _timing(
    sent: Sent,
    recorded: RecordedEvents,
    alignment: Alignment,
    partner: Ints,
    residual: Floats,
) -> Timing:
    rows = np.flatnonzero((partner >= 0) & sent.confirmed)
    if len(rows) < 3:
        return Timing()
    time, at = sent.time[rows], recorded.time_us[partner[rows]].copy()
    for when, shift in [(p.recorded_range[0], p.shift_us) for p in alignment.pieces[1:]]:
        at[at >= when] -= shift
    x, y = time - time.mean(), at - at.mean()
    square = float(x @ x)
    slope = float(x @ y) / square
    spread = float(np.std(y - slope * x))
    limit = None if recorded.rate is None else recorded.sample_us / np.sqrt(12)
    # Residuals of sampling are uniform, not less spread than the limit; 1.96 sigma is 95 %.
    error = 1.96 * max(spread, limit or 0.0) / np.sqrt(square)
    return Timing(
        float(at.mean() - slope * time.mean()),
        (slope - 1) * 1e6,
        float(error * 1e6),
        float(np.std(residual[rows])),
        limit,
        float(np.abs(residual[rows]).max()),
        float(recorded.time_us[partner[rows[np.abs(residual[rows]).argmax()]]]),
    )
