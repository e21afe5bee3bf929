"""The comparison: what became of each marker, and how well the recording keeps time.

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
certain where `Comparison.why_known` says so, and the likeliest reason elsewhere.
`Comparison.rivals` names what an unknown marker may be. Probabilities are those of the model in
`align`, given that the log is of this session (`Comparison.identity`).

Refused markers and code 0 (a return to idle) are no events and are left out. Extra are the recorded
events that no marker explains, `unplaced` those of which that can't be known.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tallymark.formatting import some
from tallymark.markerlog import LogData, LoggedMarker, LoggedSignature
from tallymark.markerlog.durations import durations
from tallymark.recording.alignment import (
    BY_MARKER,
    Alignment,
    Anchor,
    Task,
    align,
    hidden_share,
)
from tallymark.recording.event_series import Train
from tallymark.recording.expectation import Expectation
from tallymark.recording.fault_tolerant_codes import Shown, as_lines_show, idle_codes, rewired
from tallymark.recording.late_codes import late_codes
from tallymark.recording.line_faults import WiringFault, all_inverted, find_faults
from tallymark.recording.log_holes import MARGIN_US, Holes, doubtful_extras, inside
from tallymark.recording.recording_data import (
    Bools,
    Codes,
    Floats,
    Ints,
    RecordedEvents,
    RecordingError,
)
from tallymark.recording.session_identity import Identity
from tallymark.recording.session_signatures import (
    SentSignature,
    Signatures,
    markers_alone,
    match,
    tell,
    with_pulses,
    without,
)
from tallymark.recording.settling import LONGEST
from tallymark.recording.timing import Timing, timing

DOUBT = 1e-4  # a fate is stated if its rivals together are less probable
SILENT = 1 - 1e-6  # probability that a marker on lines that never move makes no event
MOST_TO_REWIRE = 20_000  # markers or events, of which every swap of two lines is tried

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


@dataclass(frozen=True)
class Sent:
    """The markers of a log as columns, in order of time (microseconds of box time).

    width: microseconds on the lines, NaN where the log doesn't tell. confirmed: the box answered.
    number: of the log (-1: came in on the byte input). name: by number of `names`, -1 without.
    signatures: session signatures, whose pulses are no markers.
    unread: what of the log is missing or can't be read, in sentences; it may have held more
    markers. holes: when.
    """

    time: Floats
    code: Codes
    width: Floats
    confirmed: Bools
    number: Ints
    name: Ints
    names: list[str]
    unread: tuple[str, ...] = ()
    signatures: tuple[SentSignature, ...] = ()
    holes: Holes = ()

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
    signed = [one for one in log.signatures if one.fate != "refused"]
    bounds = [at for hole in log.holes for at in (hole.since_us, hole.until_us)]
    known = [LoggedMarker(-1, 0, host_us=at) for at in bounds if at is not None]
    ends = [len(rows), len(rows) + len(signed)]
    time, signed_at, holes_at = np.split(
        _times([*rows, *map(_first_edge, signed), *known]), ends
    )
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
        _unread(log),
        tuple(
            SentSignature(
                one.signature,
                one.form,
                one.count,
                float(at) if one.fate == "done" else None,
                one.pulses,
            )
            for one, at in zip(signed, signed_at, strict=True)
        ),
        _holes(bounds, holes_at),
    )


def _holes(bounds: list[int | None], known: Floats) -> Holes:
    """known: box times of those bounds that are."""
    times = iter(known.tolist())
    found = []
    for since, until in zip(bounds[::2], bounds[1::2], strict=True):
        begin = -np.inf if since is None else next(times) - MARGIN_US
        found.append((begin, np.inf if until is None else next(times) + MARGIN_US))
    return tuple(found)


def _first_edge(one: LoggedSignature) -> LoggedMarker:
    """A signature's beginning, as a marker with times."""
    return LoggedMarker(
        -1,
        one.form.code,
        sent_host_us=one.sent_host_us,
        box_us=one.box_us,
        host_us=one.host_us,
        part=one.part,
    )


def _unread(log: LogData) -> tuple[str, ...]:
    gaps = tuple(log.gap_notes())
    if not log.bad_lines:
        return gaps
    lines = some(len(log.bad_lines), "line")
    return (
        f"{lines} of the log can't be read (the first is line {log.bad_lines[0]}): markers in them "
        "were not looked for.",
        *gaps,
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


class AnotherSession(RecordingError):
    """The log is not that of the session that was recorded. result: what can be said all the same,
    in which nothing is stated of any marker; result.identity: by what that is known."""

    def __init__(self, result: Comparison) -> None:
        super().__init__(
            "The recording does not fit the marker log: no place of it in the log explains its "
            "events better than chance would. Check that both are of the same session, and that "
            "lines in use, first bit and active level are right."
        )
        self.result = result
        self.identity = result.identity


@dataclass(frozen=True)
class Rival:
    """Something that a marker may be. event: number of the event, -1 if it isn't there. fate: as in
    `FATES`; 'unknown' stands for an event of a stretch whose place isn't known."""

    fate: str
    event: int
    probability: float


@dataclass
class Comparison:
    """Everything that the check found out. Arrays have the shape of `sent`.

    fate: index into FATES. doubt: probability that the likeliest fate is wrong. why_known: of a
    marker that isn't there, whether the reason is certain too. partner: index of the event, or -1.
    expected_us: where each marker should be on the recording's clock, NaN if not known.
    residual_us: recorded minus expected time, NaN without an event. extra: indices of events that
    no marker explains; extra_outside: how many of them lie before the first or after the last
    marker. unplaced: indices of events whose marker, if any, can't be known. unlogged: those of
    them that no marker explains, and that came when the log may lack records. jumps: (recording's
    time, shift) in microseconds. expectation: what the recording should hold; `outcomes` says
    whether it does. late_us: how much later than the earliest each code comes, if that goes with
    the code. signatures: those of log and recording.
    """

    sent: Sent
    recorded: RecordedEvents
    alignment: Alignment
    fate: NDArray[np.int8]
    doubt: Floats
    why_known: Bools
    partner: Ints
    expected_us: Floats
    residual_us: Floats
    extra: Ints
    extra_outside: int
    unplaced: Ints
    timing: Timing
    faults: list[WiringFault] = field(default_factory=list)
    jumps: list[tuple[float, float]] = field(default_factory=list)
    expectation: Expectation = field(default_factory=Expectation)
    late_us: dict[int, float] = field(default_factory=dict)
    signatures: Signatures = field(default_factory=Signatures)
    unlogged: Ints = field(default_factory=lambda: np.zeros(0, np.int64))

    def count(self, fate: int) -> int:
        """Number of markers with a fate."""
        return int((self.fate == fate).sum())

    @cached_property
    def asked(self) -> Bools:
        """Which markers the recording should hold, as the user says."""
        return self.expectation.asked(self.sent.number)

    @cached_property
    def answer_lost(self) -> Bools:
        """Which markers have no answer in the log, perhaps because it lacks the record."""
        return ~self.sent.confirmed & inside(self.sent.time, self.sent.holes)

    def count_asked(self, *fates: int) -> int:
        """Number of markers with any of these fates among those that are asked for."""
        return int((np.isin(self.fate, fates) & self.asked).sum())

    @property
    def lost_samples(self) -> list[tuple[float, float]]:
        """The jumps that no pause explains which the file tells of."""
        return [jump for jump in self.jumps if self.pause_at(*jump) is None]

    def pause_at(self, when: float, shift: float) -> float | None:
        """When, between the events at a jump, the file tells of a pause, but not how long; in
        microseconds, None if it tells of none."""
        times = self.recorded.time_us
        before = float(times[max(int(np.searchsorted(times, when)) - 1, 0)])
        for start, end in self.recorded.pauses_us:
            if shift < 0 and start == end and before < start <= when:
                return start
        return None

    @property
    def wrong_level(self) -> bool:
        """Whether the lines idle at another level than they should."""
        active = self.recorded.active
        idle = {"high": "low", "low": "high", None: None}[active]
        return None not in (idle, self.expectation.idle) and idle != self.expectation.idle

    @property
    def identity(self) -> Identity:
        """Whether the log is known to be that of the recorded session."""
        return self.alignment.identity

    @property
    def certain(self) -> bool:
        """Whether the place of the recording in the log is known: the fate of most markers is."""
        return 2 * self.count(UNKNOWN) < len(self.sent)

    @property
    def clean(self) -> bool:
        """Whether all is well, by the rule of `outcomes`: every marker arrived and nothing else."""
        from tallymark.recording.overall_outcome import ALL_ARRIVED, outcome

        return outcome(self) is ALL_ARRIVED

    def expected(self) -> int:
        """Number of markers that the recording should hold."""
        return int(self.asked.sum()) - self.not_recorded()

    def not_recorded(self) -> int:
        """Number of markers that are asked for and were sent while the recording did not run."""
        return self.count_asked(OUTSIDE, IN_PAUSE)

    def count_early(self) -> int:
        """Number of markers that are asked for and were sent before the recording began."""
        there = np.flatnonzero(self.partner >= 0)
        first = there[0] if len(there) else len(self.sent)
        return int(((self.fate == OUTSIDE) & self.asked)[:first].sum())

    def rivals(self, row: int, least: float = 1e-3) -> list[Rival]:
        """What marker `row` may be, the likeliest first, as far as it is at least so probable."""
        a = self.alignment
        found = []
        for event, p in ((a.event[row], a.p_event[row]), (a.rival[row], a.p_rival[row])):
            if event >= 0:
                right = self.recorded.code[event] == self.sent.code[row]
                found.append(Rival("arrived" if right else "altered", int(event), float(p)))
        gone = "missed" if self.sent.confirmed[row] else "absent"
        found += [
            Rival("unknown", -1, float(a.p_other[row] + a.p_unknown[row])),
            Rival("merged" if a.hidden[row] else gone, -1, float(a.p_missed[row])),
            Rival("in a gap", -1, float(a.p_gap[row])),
            Rival("outside", -1, float(a.p_outside[row])),
        ]
        found.sort(key=lambda rival: -rival.probability)
        return [rival for rival in found if rival.probability >= least]

    def could_be(self) -> list[int]:
        """Rows of the markers that the first unplaced event may be, as far as two are named for
        each marker; empty if there is none."""
        if not len(self.unplaced):
            return []
        event, a = self.unplaced[0], self.alignment
        named = (a.event == event) & (a.p_event > 1e-3) | (a.rival == event) & (a.p_rival > 1e-3)
        return [int(row) for row in np.flatnonzero(named)]

    def alignment_times(self) -> Floats:
        """Time of each marker on the recording's clock in microseconds (shape of `sent`): that of
        its event, or where it was expected; of a marker in a gap that of the event after the gap.
        """
        times = self.expected_us.copy()
        there = np.flatnonzero(self.partner >= 0)
        times[there] = self.recorded.time_us[self.partner[there]]
        in_gap = np.flatnonzero(self.fate == IN_GAP)
        if len(there) and len(in_gap):
            after = np.minimum(np.searchsorted(there, in_gap), len(there) - 1)
            times[in_gap] = times[there[after]]
        return times

    def width_us(self) -> Floats:
        """Recorded widths in microseconds (shape of `sent`), NaN where not known."""
        widths = np.full(len(self.sent), np.nan)
        there = self.partner >= 0
        samples = self.recorded.width[self.partner[there]].astype(float)
        widths[there] = np.where(samples > 0, samples * self.recorded.sample_us, np.nan)
        return widths


def compare(
    sent: Sent,
    recorded: RecordedEvents,
    jitter_us: float | None = None,
    progress: Callable[[float], None] | None = None,
    expectation: Expectation | None = None,
) -> Comparison:
    """Align a log with a recording and tell each marker's fate.

    Args:
        jitter_us: how far a recorded time may be off; default: found out.
        progress: called with the share done, 0 to 1.
        expectation: what the recording should hold; default: all markers, at any level.

    Raises:
        AnotherSession: they don't belong together.
        RecordingError: there is too little to compare.
    """
    if (np.diff(recorded.time_us) < 0).any():
        raise RecordingError(
            f"{recorded.path}: its events are not in order of time, so nothing can be said of "
            "them. Export the recording again, or sort the list."
        )
    signatures = match(sent.signatures, sent.code, recorded)
    recorded = without(recorded, signatures.aside)
    sent, pulse = with_pulses(sent)
    places = signatures.anchors()
    shown = as_lines_show(sent, recorded)
    alignment = _aligned(sent, recorded, shown, places, jitter_us, progress)
    if alignment.identity.session == "foreign" and not signatures.only_others:
        alignment = _aligned_as_wired(sent, recorded, places, jitter_us) or alignment
    late = _late(sent, recorded, alignment)
    if late:
        lateness = np.array([late.get(code, 0.0) for code in range(256)])[recorded.code]
        even = replace(recorded, time_us=recorded.time_us - lateness)
        alignment = _aligned(sent, even, as_lines_show(sent, recorded), places, jitter_us)
    verdict = _Verdict(sent, recorded, alignment)
    there = verdict.partner >= 0
    expected = alignment.expected_us
    residual = np.full(len(sent), np.nan)
    residual[there] = recorded.time_us[verdict.partner[there]] - expected[there]
    result = Comparison(
        sent,
        recorded,
        alignment,
        verdict.fate,
        verdict.doubt,
        verdict.why_known,
        verdict.partner,
        expected,
        residual,
        verdict.extra,
        0,
        verdict.unplaced,
        _timing(sent, recorded, alignment, verdict.partner, residual),
        [],
        [(float(recorded.time_us[piece.first]), piece.shift_us) for piece in alignment.pieces[1:]],
        expectation or Expectation(),
        late,
        signatures,
    )
    signatures.judge(pulse, verdict.partner >= 0)
    if signatures.foreign:
        alignment.identity = replace(alignment.identity, session="foreign")
    if alignment.identity.session == "foreign":
        raise AnotherSession(_nothing_stated(markers_alone(result, pulse)))
    _tell_pauses(result)
    result.faults = _faults(result)
    tell(result, pulse, FATES)
    result.unlogged = doubtful_extras(result)
    result.extra = np.setdiff1d(result.extra, result.unlogged)
    result.unplaced = np.union1d(result.unplaced, result.unlogged)
    result.extra_outside = _outside(recorded, expected, result.extra, alignment.tolerance_us)
    return markers_alone(result, pulse)


def _outside(recorded: RecordedEvents, expected: Floats, extra: Ints, border: float) -> int:
    """How many events lie before the first or after the last marker of the log."""
    known = expected[~np.isnan(expected)]
    first, last = (known[0], known[-1]) if len(known) else (-np.inf, np.inf)
    out = recorded.time_us[extra]
    return int(((out < first - border) | (out > last + border)).sum())


def _aligned(
    sent: Sent,
    recorded: RecordedEvents,
    shown: Shown,
    places: tuple[Anchor, ...],
    jitter_us: float | None,
    progress: Callable[[float], None] | None = None,
) -> Alignment:
    """Align by the codes as the lines show them, and by known places."""
    sure = np.flatnonzero(sent.confirmed)
    if not len(sure):
        sure = np.arange(len(sent))
    known = np.zeros(len(sent), bool)
    known[sure] = True
    loose = np.flatnonzero(~known)
    # A code that is only on late lines comes later than others by as much as lines need to settle.
    settling = min(max(recorded.settling, 1), LONGEST)
    grain = recorded.sample_us * settling
    if jitter_us is not None:
        grain = max((jitter_us - 75.0) / 1.3, 1.0)
    # What was read off lines has the times of samples; a list may have those of a program.
    sampled = recorded.active is not None and recorded.rate is not None
    fixed = jitter_us is not None or sampled
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


def _late(sent: Sent, recorded: RecordedEvents, alignment: Alignment) -> dict[int, float]:
    """How much later than others codes come, as `late_codes` says, if that explains jumps."""
    if recorded.active is None or len(alignment.pieces) < 2:
        return {}
    rows = np.flatnonzero((alignment.event >= 0) & (alignment.p_event > 0.99))
    event = alignment.event[rows]
    offset = alignment.clock.back(recorded.time_us[event]) - sent.time[rows]
    late = late_codes(offset, recorded.code[event], alignment.grain_us)
    lateness = np.array([late.get(code, 0.0) for code in range(256)])[recorded.code]
    return late if (np.diff(recorded.time_us - lateness) > 0).all() else {}


def _aligned_as_wired(
    sent: Sent, recorded: RecordedEvents, places: tuple[Anchor, ...], jitter_us: float | None
) -> Alignment | None:
    """Where the log does not fit, lines may be swapped: the alignment by the one wiring with which
    it is known to be of this session, None if there is none."""
    if recorded.active is None or max(len(sent), len(recorded)) > MOST_TO_REWIRE:
        return None
    for shown in rewired(sent, recorded):
        alignment = _aligned(sent, recorded, shown, places, jitter_us)
        if alignment.identity.session == "own":
            return alignment
    return None


def _nothing_stated(result: Comparison) -> Comparison:
    """The comparison with another session's log: what its best place shows is chance."""
    sent, recorded = result.sent, result.recorded
    return replace(
        result,
        fate=np.full(len(sent), UNKNOWN, np.int8),
        doubt=np.ones(len(sent)),
        why_known=np.zeros(len(sent), bool),
        partner=np.full(len(sent), -1),
        expected_us=np.full(len(sent), np.nan),
        residual_us=np.full(len(sent), np.nan),
        extra=np.zeros(0, np.int64),
        extra_outside=0,
        unplaced=np.arange(len(recorded)),
        timing=Timing(),
        jumps=[],
    )


def _tell_pauses(result: Comparison) -> None:
    """Markers that fell where the file itself says that it paused are in a pause."""
    gone = np.isin(result.fate, (IN_GAP, OUTSIDE, MISSED))
    at, border = result.expected_us, result.recorded.sample_us
    for start, end in result.recorded.pauses_us:
        if start < end:
            inside = gone & (at >= start - border) & (at <= end + border)
            result.fate[inside] = IN_PAUSE
    there = np.flatnonzero(result.partner >= 0)
    time = result.recorded.time_us[result.partner[there]]
    for when, shift in result.jumps:
        pause = result.pause_at(when, shift)
        after = int(np.searchsorted(time, when))
        if pause is None or not 0 < after < len(there):
            continue
        # What the events on both sides of it leave no other place was sent in the pause.
        rows = np.arange(there[after - 1] + 1, there[after])
        sent = result.sent.time
        paused = gone[rows]
        paused &= sent[rows] - sent[there[after - 1]] > pause - time[after - 1] + border
        paused &= sent[there[after]] - sent[rows] > time[after] - pause + border
        result.fate[rows[paused]] = IN_PAUSE
        result.why_known[rows[paused]] = True
        result.expected_us[rows[paused]] = pause


def _faults(result: Comparison) -> list[WiringFault]:
    """Faults of the lines; none from a place that isn't known."""
    if not result.certain:
        return []
    there = result.partner >= 0
    sent, recorded = result.sent, result.recorded
    used = int(np.bitwise_or.reduce(sent.code))
    # Markers on lines that never moved alone can't have made an event: they speak for the fault.
    silent = (result.fate == MISSED) & (as_lines_show(sent, recorded).sent == 0)
    found = find_faults(
        np.concatenate((sent.code[there], sent.code[silent])),
        np.concatenate((recorded.code[result.partner[there]], idle_codes(recorded, silent))),
        recorded,
        used,
    )
    if result.identity.session == "untold" and not result.expectation.same_session:
        # Another session of the same design alters codes at random, as a loose contact does.
        found = [fault for fault in found if fault.kind != "unsteady"]
    return [all_inverted(used), *found] if result.wrong_level else found


def _in_log_order(alignment: Alignment, sure: Ints, loose: Ints) -> Alignment:
    """Arrays by marker in the order of the log, from confirmed ones first."""
    order = np.argsort(np.concatenate((sure, loose)), kind="stable")
    rows = np.concatenate((sure, loose))
    for name in BY_MARKER:
        setattr(alignment, name, getattr(alignment, name)[order])
    known = alignment.marker >= 0
    alignment.marker = np.where(known, rows[alignment.marker], -1)
    return alignment


class _Verdict:
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
        self.doubt = np.minimum(np.where(there, doubt_there, doubt_gone), 1.0)
        shared = self._merge_pairs(a)
        taken = np.zeros(len(recorded), bool)
        taken[self.partner[there]] = True
        taken[shared] = True
        sure_extra = 1 - a.p_extra < DOUBT
        # Of events nearer than two samples, time does not tell which is whose.
        near = np.diff(recorded.time_us) < 3 * a.grain_us
        sure_extra[1:] &= ~near
        sure_extra[:-1] &= ~near
        self.extra = np.flatnonzero(sure_extra & ~taken)
        self.unplaced = np.flatnonzero(~sure_extra & ~taken)

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


def _timing(
    sent: Sent, recorded: RecordedEvents, a: Alignment, partner: Ints, residual: Floats
) -> Timing:
    rows = np.flatnonzero((partner >= 0) & sent.confirmed)
    starts = np.array([piece.first for piece in a.pieces])
    piece = np.searchsorted(starts, partner[rows], side="right")
    return timing(
        sent.time[rows],
        recorded.time_us[partner[rows]],
        piece,
        residual[rows],
        None if recorded.rate is None else recorded.sample_us,
    )
