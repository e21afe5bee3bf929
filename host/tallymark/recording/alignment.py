"""Alignment of a marker log with a recording: which recorded event is which marker, and how sure.

The model is a path along recorded time. At each time one *line* holds: an offset between recorded
time and log time on a common clock. On a line, a marker makes an event at its time (perhaps with
another code) or is missed; an event without a marker is extra. The line changes where samples are
missing; then log time skips ahead, and it never runs back. Every path explains every event, so that
all paths compare. The steps:

1. clock: how much faster the recording's clock runs.
2. candidates: every offset that may hold, window by window; narrowed to those that can matter.
3. kernel: forward and backward sums over all paths give each marker the probability of each
   explanation. Whatever place is no candidate shares in the sums as 'unknown place'.
4. rates: what a first result teaches about losses, extra events and altered codes; then again.
5. identity: whether the recording is of this session at all.

Times are microseconds; probabilities are of the model, given log and recording.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from tallymark.recording import kernel
from tallymark.recording.alignment_segments import (
    Piece,
    find_doubtful_steps,
    find_pieces,
    smooth_clock,
)
from tallymark.recording.clock_drift import Chain, find_chains, fit_clock
from tallymark.recording.clock_map import TimeMap
from tallymark.recording.event_series import Train, nearest
from tallymark.recording.kernel import Rates, TooMuch, Trains, Verdicts
from tallymark.recording.model_rates import (
    first_rates,
    learned,
    nothing_new,
    reach,
    with_much_lost,
    with_unknown_codes,
)
from tallymark.recording.offset_candidate_centring import centred
from tallymark.recording.offset_candidates import (
    SEGMENT,
    Lines,
    find_lines,
    leftover_lines,
    moved,
    same_lines,
    with_anchors,
)
from tallymark.recording.progress import Progress
from tallymark.recording.recording_data import Bools, Floats, Ints, NoEvent, RecordingError
from tallymark.recording.session_identity import Identity, identify

SLACK = 25.0  # nats by which a line may be worse and still counts
MOST_WORK = 1.5e9  # line steps; more would take minutes
ROUNDS = 3
LARGE_WORK = 1e8  # line steps from which one more round must do
WANDERING, MANY_STEPS = 5.0, 10  # grains; steps in a recording
MANY = 200_000  # events of which one round tells the rates well enough
BEYOND_US = 60e6  # how far beyond the log a place is that is surely none of it
LOOSE_US = 20_000.0  # how far the time of an unconfirmed marker may be off
WIDER_US = (4_000.0, 20_000.0)  # grains of event lists that software timed
PROOF = 30.0  # nats of an anchor that is as good as certain
FAIR = 0.98  # share of the events that must have a marker before others ways are left untried
LITTLE = 0.5  # the same in tasks of more than
BETTER = 20.0  # nats by which other first rates must explain more, as they leave more to be learned
SMALL_TASK = 4e6  # pairs


@dataclass
class Alignment:
    """The result. Arrays have the shape of the log, or of the events where it says so.

    event: likeliest event of each marker, -1 for none; rival: second likeliest. p_event, p_rival,
    p_other: probability of the two and of all other events. p_missed, p_gap, p_outside, p_unknown:
    that it was recorded without an event, fell in a gap, outside the recording, or in a stretch
    whose place isn't known. p_extra, p_lost: of each event, that no marker made it, or one whose
    place isn't known. marker: of each event, its likeliest marker.
    hidden: probability that a marker makes no event of its own though all is well.
    pieces: the likeliest path. clock: from even to recorded time. grain_us: resolution of recorded
    times. tolerance_us: how far an event may be from its marker. identity: is it this session?
    refused: in words, why nothing could be computed. doubtful: steps of which it can't be known
    whether they are jumps.
    """

    event: Ints
    rival: Ints
    p_event: Floats
    p_rival: Floats
    p_other: Floats
    p_missed: Floats
    p_gap: Floats
    p_outside: Floats
    p_unknown: Floats
    p_extra: Floats
    p_lost: Floats
    marker: Ints
    hidden: Floats
    expected_us: Floats
    pieces: list[Piece]
    clock: TimeMap
    grain_us: float
    tolerance_us: float
    identity: Identity
    refused: str = ""
    doubtful: list[Piece] = field(default_factory=list)


BY_MARKER = (
    "event",
    "rival",
    "p_event",
    "p_rival",
    "p_other",
    "p_missed",
    "p_gap",
    "p_outside",
    "p_unknown",
    "hidden",
    "expected_us",
)
"""The arrays of an alignment that have the shape of the log."""


@dataclass(frozen=True)
class Anchor:
    """A known place: when the recording's clock was at recorded_us, the log's was at log_us, within
    bound_us. nats: how much less probable that makes any other place."""

    log_us: float
    recorded_us: float
    bound_us: float
    nats: float = PROOF


@dataclass(frozen=True)
class Task:
    """What is aligned: markers with a box time (sure), those without (loose), and events.

    hidden: of the sure ones. sampled: see `fixed` of `align`. covers, pauses: on the recording's
    clock. anchors: known places; one of `PROOF` nats also proves that the log is of the recorded
    session.
    """

    sure: Train
    loose: Train
    hidden: Floats
    seen: Train
    covers: tuple[float, float]
    pauses: tuple[tuple[float, float], ...] = ()
    anchors: tuple[Anchor, ...] = ()
    sampled: bool = True


@dataclass
class _Fit:
    task: Task
    grain: float
    chains: list[Chain]
    clock: TimeMap
    trains: Trains
    lines: Lines
    rates: Rates
    verdicts: Verdicts

    @property
    def share(self) -> float:
        """Of the events that could have a marker, how many have one."""
        could = min(len(self.task.seen), len(self.task.sure) + len(self.task.loose))
        return float(self.verdicts.event_p.sum()) / max(could, 1)


def align(
    task: Task,
    grain_us: float,
    fixed: bool = False,
    progress: Callable[[float], None] | None = None,
) -> Alignment:
    """Align a log with a recording.

    Args:
        grain_us: resolution of the recording's times, microseconds.
        fixed: the recorded times are those of samples; no program stamped them late.
        progress: called with the share done, 0 to 1.

    Raises:
        RecordingError: there is nothing to align.
    """
    if not len(task.sure):
        raise RecordingError("The marker log holds no marker that could be looked for.")
    if not len(task.seen):
        raise NoEvent("The recording holds no event.")
    if min(len(task.sure), len(task.seen)) < 2:
        raise RecordingError(
            f"The log holds {len(task.sure)} and the recording {len(task.seen)} events. Two of "
            "each are needed at least to compare the clocks; record more, or look at this one by "
            "eye."
        )
    tell = Progress(progress)
    task = replace(task, sampled=fixed)
    fit: _Fit | None = None
    rival: _Fit | None = None
    try:
        for grain in (grain_us, *(wider for wider in WIDER_US if wider > 3 * grain_us)):
            one = _fit(task, grain, find_chains(task.sure, task.seen, grain), tell.part())
            if fit is None or one.verdicts.evidence > fit.verdicts.evidence + 20:
                fit = one
            if task.sampled or fit.share > FAIR:
                break
        for start in (with_unknown_codes, with_much_lost):
            enough = FAIR if len(task.sure) * len(task.seen) < SMALL_TASK else LITTLE
            if fit is not None and fit.share < enough:
                other = _fit(task, fit.grain, fit.chains, tell.part(), start)
                if other.verdicts.evidence > fit.verdicts.evidence + BETTER:
                    fit, rival = other, None
                elif other.verdicts.evidence > (rival or fit).verdicts.evidence:
                    rival = other
    except TooMuch:
        return _refusal(task, grain_us)
    assert fit is not None
    tell(1.0)
    if rival is not None:
        _doubt(fit.verdicts, rival.verdicts)
    return _result(fit)


def _doubt(chosen: Verdicts, rival: Verdicts) -> None:
    """Of two results of which neither is surely better, what they contradict each other in can't be
    known. Writes into `chosen`."""
    event, other = (np.where(one.p_best > 0.5, one.best, -1) for one in (chosen, rival))
    apart = event != other
    chosen.p_unknown[apart] = np.maximum(chosen.p_unknown[apart], 0.5)
    marker, other = (np.where(one.event_p > 0.5, one.event_best, -1) for one in (chosen, rival))
    apart = marker != other
    chosen.event_extra[apart] = np.minimum(chosen.event_extra[apart], 0.5)
    chosen.event_unknown[apart] = np.maximum(chosen.event_unknown[apart], 0.5)


def _trains(task: Task, clock: TimeMap, grain: float) -> Trains:
    seen = clock.back(task.seen.time)
    middle = (seen[1:] + seen[:-1]) / 2
    width = reach(grain, task.sampled)
    covers = clock.back(np.array(task.covers))
    pauses = [tuple(clock.back(np.array(pause)).tolist()) for pause in task.pauses]
    return Trains(
        task.sure.time,
        task.sure.code,
        task.hidden,
        task.loose.time,
        task.loose.code,
        LOOSE_US,
        seen,
        task.seen.code,
        np.maximum(seen - width, np.concatenate(([-np.inf], middle))),
        np.minimum(seen + width, np.concatenate((middle, [np.inf]))),
        (float(covers[0]), float(covers[1])),
        clock,
        pauses,
        _anchors(task, clock, grain),
    )


def _anchors(task: Task, clock: TimeMap, grain: float) -> list[tuple[float, float, float, float]]:
    found = []
    for anchor in sorted(task.anchors, key=lambda one: one.recorded_us):
        at = float(clock.back(np.array([anchor.recorded_us]))[0])
        found.append((at, at - anchor.log_us, anchor.bound_us + 2 * grain, anchor.nats))
    return found


def _fit(
    task: Task,
    grain: float,
    chains: list[Chain],
    tell: Progress,
    start: Callable[[Rates, Trains], Rates] | None = None,
) -> _Fit:
    """chains: of the whole log and recording. start: other first rates than usual."""
    blind = start is with_unknown_codes
    clock = fit_clock(chains, grain)
    trains = _trains(task, clock, grain)
    lines = find_lines(trains, grain, chains, blind)
    tell(0.3)
    rates = first_rates(trains, grain, reach(grain, task.sampled))
    if start is not None:
        rates = start(rates, trains)
    fit = _summed(task, grain, chains, clock, trains, lines, rates)
    for number in range(ROUNDS if len(task.seen) < MANY else 1):
        tell(0.4 + 0.2 * number)
        better = fit_clock(_chains(fit), grain) if number < 2 else fit.clock
        off = better.back(fit.task.seen.time) - fit.trains.seen
        if np.ptp(off) > 0.2 * grain:
            trains = _trains(task, better, grain)
            if len(task.sure) * len(task.seen) < 4e7 and np.ptp(off) > 3 * grain:
                lines = find_lines(trains, grain, chains, blind)
            else:
                lines = moved(lines, off, grain)
        else:
            better, trains = fit.clock, fit.trains
        if number == 0:
            lines = leftover_lines(trains, lines, fit.verdicts, grain)
        rates = learned(fit.rates, trains, fit.verdicts, _residuals(fit))
        if not task.sampled:
            lines = centred(trains, lines, rates, grain)
        if better is fit.clock and same_lines(lines, fit.lines) and nothing_new(rates, fit.rates):
            break
        enough = fit.verdicts.work > LARGE_WORK
        settled = abs(np.log(rates.missed / fit.rates.missed)) < 0.1 and better is fit.clock
        fit = _summed(task, grain, chains, better, trains, lines, rates)
        if enough or (settled and number):
            break
    return fit


def _summed(
    task: Task,
    grain: float,
    chains: list[Chain],
    clock: TimeMap,
    trains: Trains,
    lines: Lines,
    rates: Rates,
) -> _Fit:
    proven = [anchor for anchor in trains.anchors if anchor[3] >= PROOF]
    lines = with_anchors(lines, proven, trains.seen)
    first, last = kernel.narrow(
        trains, lines.offset, lines.first, lines.last, SEGMENT, rates, SLACK
    )
    for _, offset, reach_us, _ in proven:
        at = np.abs(lines.offset - offset) <= reach_us
        first[at], last[at] = 0, len(trains.seen) // SEGMENT
    used = np.flatnonzero(last >= first)
    kept = _with_ends(
        Lines(
            lines.offset[used],
            first[used].astype(np.int64) - 1,
            last[used].astype(np.int64) + 1,
            lines.home[used],
        ),
        trains,
    )
    used = np.concatenate(([-1], used, [-1]))
    verdicts = kernel.path_sum(
        trains, kept.offset, kept.first, kept.last, SEGMENT, rates, MOST_WORK
    )
    verdicts.path_line = np.where(verdicts.path_line >= 0, used[verdicts.path_line], -1).astype(
        np.int32
    )
    _mend_path(verdicts, trains, lines)
    return _Fit(task, grain, chains, clock, trains, lines, rates, verdicts)


def _mend_path(verdicts: Verdicts, trains: Trains, lines: Lines) -> None:
    """One path is followed step by step, and may end up beside the likely ones. If more events have
    a marker by the sums of all paths, the path is what these say."""
    told = verdicts.event_p > 0.5
    if np.count_nonzero(told) <= np.count_nonzero(verdicts.path_marker >= 0) or not len(lines):
        return
    at = np.concatenate((trains.at, trains.loose_at))
    verdicts.path_marker = np.where(told, verdicts.event_best, -1).astype(np.int32)
    line = nearest(lines.offset, trains.seen - at[verdicts.path_marker])
    verdicts.path_line = np.where(told, line, -1).astype(np.int32)


def _with_ends(lines: Lines, trains: Trains) -> Lines:
    """The lines between two of which one lies behind the log and one before it, throughout: there a
    path is while the recording goes on after the log's end, or has other contents before."""
    behind = trains.covers[0] - float(trains.at[-1]) - BEYOND_US
    before = trains.covers[1] - float(trains.at[0]) + BEYOND_US
    if len(lines):
        behind = min(behind, float(lines.offset[0]) - BEYOND_US)
        before = max(before, float(lines.offset[-1]) + BEYOND_US)
    whole = len(trains.seen) // SEGMENT
    return Lines(
        np.concatenate(([behind], lines.offset, [before])),
        np.concatenate(([0], lines.first, [0])),
        np.concatenate(([whole], lines.last, [whole])),
        np.concatenate(([0], lines.home, [0])),
    )


def _residuals(fit: _Fit) -> Floats:
    """How far each event of the likeliest path is from its marker, on the even clock."""
    marker, line = fit.verdicts.path_marker, fit.verdicts.path_line
    sure = (marker >= 0) & (marker < len(fit.trains.at)) & (line >= 0)
    off = np.zeros(len(marker))
    off[sure] = fit.trains.seen[sure] - fit.trains.at[marker[sure]] - fit.lines.offset[line[sure]]
    return off


def _runs(fit: _Fit) -> list[Ints]:
    """Events of the likeliest path that have a sure marker, from jump to jump."""
    marker = fit.verdicts.path_marker
    there = np.flatnonzero(
        (marker >= 0) & (marker < len(fit.trains.at)) & (fit.verdicts.path_line >= 0)
    )
    if not len(there):
        return []
    offset = fit.lines.offset[fit.verdicts.path_line[there]]
    step = np.abs(np.diff(offset))
    # Many small steps are a clock that wanders, not samples that are missing.
    small = np.count_nonzero((step > 1.5 * fit.grain) & (step < WANDERING * fit.grain))
    least = 1.5 if small < MANY_STEPS else WANDERING
    return np.split(there, np.flatnonzero(step > least * fit.grain) + 1)


def _chains(fit: _Fit) -> list[Chain]:
    return [
        Chain(fit.trains.at[fit.verdicts.path_marker[run]], fit.task.seen.time[run])
        for run in _runs(fit)
    ]


def _clock_and_pieces(fit: _Fit) -> tuple[TimeMap, list[Piece], list[Piece]]:
    """The clock, the pieces of the likeliest path, and doubtful steps; without a jump a clock that
    wanders smoothly has one piece."""
    runs, seen = _runs(fit), fit.task.seen.time
    at = fit.trains.at[np.clip(fit.verdicts.path_marker, 0, len(fit.trains.at) - 1)]
    straight = seen - at * fit.clock.slope
    offset = fit.trains.seen - at
    pieces = find_pieces(runs, fit.trains.seen, offset, straight, fit.grain)
    if any(piece.shift_us for piece in pieces):
        return fit.clock, pieces, []
    if len(pieces) > 1:
        rows = np.concatenate(runs)
        smooth = smooth_clock(at[rows], seen[rows], fit.grain)
        if smooth is not None:
            return smooth, [Piece(0.0, pieces[0].first, pieces[-1].last)], []
    return fit.clock, pieces, find_doubtful_steps(runs, offset, fit.grain) if pieces else []


def _expected(fit: _Fit, clock: TimeMap, pieces: list[Piece], at: Floats) -> Floats:
    """Recorded time at which each marker is expected, on the piece that it is nearest to."""
    if not pieces:
        return np.full(len(at), np.nan)
    ends = [fit.trains.seen[piece.last] - piece.offset_us for piece in pieces[:-1]]
    starts = [fit.trains.seen[piece.first] - piece.offset_us for piece in pieces[1:]]
    border = np.maximum.accumulate((np.array(ends) + np.array(starts)) / 2)
    which = np.searchsorted(border, at, side="right")
    offsets = np.array([piece.offset_us for piece in pieces])
    return clock.forward(at + offsets[which])


def _result(fit: _Fit) -> Alignment:
    verdicts, task = fit.verdicts, fit.task
    clock, pieces, doubtful = _clock_and_pieces(fit)
    at = np.concatenate((task.sure.time, task.loose.time))
    return Alignment(
        verdicts.best.astype(np.int64),
        verdicts.second.astype(np.int64),
        verdicts.p_best,
        verdicts.p_second,
        verdicts.p_others,
        verdicts.p_missed,
        verdicts.p_gap,
        verdicts.p_outside,
        verdicts.p_unknown,
        verdicts.event_extra,
        verdicts.event_unknown,
        verdicts.event_best.astype(np.int64),
        np.concatenate((task.hidden, np.zeros(len(task.loose)))),
        _expected(fit, clock, pieces, at),
        pieces,
        clock,
        fit.grain,
        reach(fit.grain, task.sampled),
        _identity(fit),
        doubtful=doubtful,
    )


def _identity(fit: _Fit) -> Identity:
    log, exact = _visible(fit.task)
    found = identify(log, exact, fit.trains, fit.verdicts, fit.rates, _residuals(fit))
    proven = any(anchor.nats >= PROOF for anchor in fit.task.anchors)
    return replace(found, session="own") if proven else found


def _visible(task: Task) -> tuple[Train, Bools]:
    """All markers that should make an event, and which of them have a box time."""
    seen = task.hidden < 0.9
    time = np.concatenate((task.sure.time[seen], task.loose.time))
    order = np.argsort(time, kind="stable")
    code = np.concatenate((task.sure.code[seen], task.loose.code))
    return Train(time[order], code[order]), order < np.count_nonzero(seen)


def _refusal(task: Task, grain: float) -> Alignment:
    """Nothing is known, because it would take too long to find out."""
    markers, events = len(task.sure) + len(task.loose), len(task.seen)
    none, nothing, one = np.full(markers, -1), np.zeros(markers), np.ones(markers)
    straight = TimeMap(np.array([0.0, 1e6]), np.array([0.0, 1e6]))
    return Alignment(
        none,
        none,
        nothing,
        nothing,
        nothing,
        nothing,
        nothing,
        nothing,
        one,
        np.zeros(events),
        np.ones(events),
        np.full(events, -1),
        nothing,
        np.full(markers, np.nan),
        [],
        straight,
        grain,
        reach(grain, task.sampled),
        Identity("untold"),
        "The recording repeats itself so often, and is so long, that the places where it could lie "
        "in the log are too many to compare.",
    )


def hidden_share(sent: Train, width: Floats, grain: float) -> Floats:
    """Probability that a marker makes no event of its own although all is well.

    Of two markers closer than two samples one event may come; a code that is still on does not
    change the lines again; a pulse shorter than a sample may fall between two. width: microseconds,
    NaN where it isn't known.
    """
    hidden = np.where(width < grain, np.clip(1 - width / grain, 0.0, 0.98), 0.0)
    hidden[np.isnan(hidden)] = 0.0
    if len(sent) < 2:
        return hidden
    apart = np.diff(sent.time)
    close = apart < 2.3 * grain
    hidden[:-1][close] = np.maximum(hidden[:-1][close], 0.5)
    hidden[1:][close] = np.maximum(hidden[1:][close], 0.5)
    same = sent.code[1:] == sent.code[:-1]
    idle = apart - np.where(np.isnan(width[:-1]), 0.0, width[:-1])
    hidden[1:][same & (idle < 1.3 * grain)] = 0.5
    hidden[1:][same & (idle <= 0)] = 0.98
    return hidden


__all__ = ["Alignment", "Anchor", "Bools", "Piece", "Task", "align", "hidden_share", "nearest"]
