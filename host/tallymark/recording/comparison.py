"""The comparison of a log with a recording: which event is which marker, what became of each, how
well the recording keeps time, and which faults of the lines explain what was seen.

Refused markers and code 0 (a return to idle) are no events and are left out. Extra are the recorded
events that no marker explains, `unplaced` those of which that can't be known.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from tallymark.recording.alignment import Alignment
from tallymark.recording.alignment_segments import Piece
from tallymark.recording.alignment_with_line_faults import aligned, aligned_as_wired, late_by_code
from tallymark.recording.comparison_result import AnotherSession, Comparison
from tallymark.recording.fates import FATES, IN_GAP, IN_PAUSE, MISSED, OUTSIDE, UNKNOWN, Verdict
from tallymark.recording.fault_tolerant_codes import as_lines_show, idle_codes
from tallymark.recording.formats.sampling_interval import SLOWEST_HZ
from tallymark.recording.idle_rows_of_lists import (
    about_returns,
    doubt_at_rows_of_zero,
    returns_to_idle,
)
from tallymark.recording.line_faults import WiringFault, all_inverted, find_faults
from tallymark.recording.list_time_unit_check import refuse_another_unit
from tallymark.recording.log_holes import doubtful_extras
from tallymark.recording.offset_drift_and_jitter import Timing, timing
from tallymark.recording.progress import Progress
from tallymark.recording.recording_data import Floats, Ints, RecordedEvents, RecordingError
from tallymark.recording.rival_places_under_line_faults import doubt_by_wiring
from tallymark.recording.sent_markers import Sent
from tallymark.recording.session_signatures import (
    markers_alone,
    match,
    tell,
    with_pulses,
    without,
)
from tallymark.recording.start_times import start_anchor, start_note
from tallymark.recording.stated_expectations import Expectation


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
        RecordingError: there is too little to compare, or times are in another unit.
    """
    if (np.diff(recorded.time_us) < 0).any():
        raise RecordingError(
            f"{recorded.path}: its events are not in order of time, so nothing can be said of "
            "them. Export the recording again, or sort the list."
        )
    signatures = match(sent.signatures, sent.code, recorded)
    recorded = without(recorded, signatures.aside)
    sent, pulse = with_pulses(sent)
    start = start_anchor(sent, recorded)
    places = signatures.anchors() + ((start,) if start else ())
    shown = as_lines_show(sent, recorded)
    tell_share = Progress(progress)
    alignment = aligned(sent, recorded, shown, places, jitter_us, tell_share.part())
    if alignment.identity.session == "foreign" and not signatures.only_others:
        alignment = aligned_as_wired(sent, recorded, places, jitter_us, tell_share) or alignment
    idle = returns_to_idle(recorded)
    if alignment.identity.session == "foreign" and idle.any() and not signatures.only_others:
        bare = without(recorded, idle)
        shown = as_lines_show(sent, bare)
        other = aligned(sent, bare, shown, places, jitter_us, tell_share.part())
        if other.identity.session == "own":
            note = about_returns(recorded, idle)
            recorded, alignment = replace(bare, notes=[*bare.notes, note]), other
    late = late_by_code(sent, recorded, alignment)
    if late:
        lateness = np.array([late.get(code, 0.0) for code in range(256)])[recorded.code]
        even = replace(recorded, time_us=recorded.time_us - lateness)
        alignment = aligned(
            sent, even, as_lines_show(sent, recorded), places, jitter_us, tell_share.part()
        )
    doubt_by_wiring(sent, recorded, alignment, places)
    tell_share(1.0)
    verdict = Verdict(sent, recorded, alignment)
    there = verdict.partner >= 0
    expected = alignment.expected_us
    residual = np.full(len(sent), np.nan)
    residual[there] = recorded.time_us[verdict.partner[there]] - expected[there]
    jumps, doubtful = _jumps(recorded, alignment, jitter_us)
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
        jumps,
        expectation or Expectation(),
        late,
        signatures,
        doubtful_jumps=doubtful,
    )
    doubt_at_rows_of_zero(result)
    signatures.judge(pulse, verdict.partner >= 0)
    if signatures.foreign:
        alignment.identity = replace(alignment.identity, session="foreign")
    if alignment.identity.session == "foreign":
        refuse_another_unit(sent, recorded)
        raise AnotherSession(_nothing_stated(markers_alone(result, pulse)))
    if start and (note := start_note(start, alignment)):
        result.recorded = replace(recorded, notes=[*recorded.notes, note])
    _tell_pauses(result)
    result.faults = _faults(result)
    tell(result, pulse, FATES)
    result.unlogged = doubtful_extras(result)
    result.extra = np.setdiff1d(result.extra, result.unlogged)
    result.unplaced = np.union1d(result.unplaced, result.unlogged)
    result.extra_outside = _outside(recorded, expected, result.extra, alignment.tolerance_us)
    return markers_alone(result, pulse)


def _jumps(
    recorded: RecordedEvents, alignment: Alignment, jitter_us: float | None
) -> tuple[list[tuple[float, float]], list[tuple[float, float]]]:
    """Where samples are missing or were inserted, and where that can't be known: of a list
    whose sampling interval isn't known for sure, a step may be a marker that fell on the next
    sample."""
    found = _steps(recorded, alignment.pieces[1:])
    least = 1e6 / SLOWEST_HZ if recorded.gridless and jitter_us is None else 0.0
    sure = [(when, shift) for when, shift in found if abs(shift) >= least]
    small = [(when, shift) for when, shift in found if abs(shift) < least]
    return sure, sorted(small + _steps(recorded, alignment.doubtful))


def _steps(recorded: RecordedEvents, pieces: list[Piece]) -> list[tuple[float, float]]:
    """Time and size of each step."""
    return [
        (float(recorded.time_us[piece.first]), piece.shift_us) for piece in pieces if piece.shift_us
    ]


def _outside(recorded: RecordedEvents, expected: Floats, extra: Ints, border: float) -> int:
    """How many events lie before the first or after the last marker of the log."""
    known = expected[~np.isnan(expected)]
    first, last = (known[0], known[-1]) if len(known) else (-np.inf, np.inf)
    out = recorded.time_us[extra]
    return int(((out < first - border) | (out > last + border)).sum())


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
        doubtful_jumps=[],
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
