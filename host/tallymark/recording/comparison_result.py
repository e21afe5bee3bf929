"""Everything that a comparison of log and recording found out."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from tallymark.recording.alignment import Alignment
from tallymark.recording.fates import IN_GAP, IN_PAUSE, OUTSIDE, UNKNOWN
from tallymark.recording.line_faults import WiringFault
from tallymark.recording.log_holes import inside
from tallymark.recording.offset_drift_and_jitter import Timing
from tallymark.recording.recording_data import Bools, Floats, Ints, RecordedEvents, RecordingError
from tallymark.recording.sent_markers import Sent
from tallymark.recording.session_identity import Identity
from tallymark.recording.session_signatures import Signatures
from tallymark.recording.stated_expectations import Expectation


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
    time, shift) in microseconds. doubtful_jumps: the same, where the times of events scatter so
    that it can't be known whether there is a jump. expectation: what the recording should hold;
    `outcomes` says whether it does. late_us: how much later than the earliest each code comes, if
    that goes with the code. signatures: those of log and recording.
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
    doubtful_jumps: list[tuple[float, float]] = field(default_factory=list)

    def count(self, fate: int) -> int:
        """Number of markers with a fate."""
        return int((self.fate == fate).sum())

    @cached_property
    def asked(self) -> Bools:
        """Which markers the recording should hold, as the log and the user say."""
        return self.expectation.asked(self.sent.number, self.sent.test)

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
