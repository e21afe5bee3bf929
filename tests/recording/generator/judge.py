"""Holds what the check says of a made-up recording against the truth."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from generator.amplifier import EITHER, NOT_THERE, SHARED
from generator.cases import Case
from tallymark.recording import AnotherSession, Comparison, RecordedEvents, Sent, compare
from tallymark.recording.fates import ALTERED, ARRIVED, MERGED, UNKNOWN
from tallymark.recording.recording_data import RecordingError


@dataclass
class Judged:
    """What came out. right, unknown, false: numbers of markers. doubt: stated doubt of each marker
    with a likeliest fate, and whether that fate is wrong. foreign: what was said of the session."""

    right: int
    unknown: int
    false: int
    false_extra: int
    session: str
    drift_ok: bool
    doubt: np.ndarray
    wrong: np.ndarray
    is_right: np.ndarray
    result: Comparison | None = None

    @property
    def holds_false(self) -> bool:
        """Whether the recording holds a false verdict given as certain."""
        return bool(self.false or self.false_extra or self.session == "false")


def as_inputs(case: Case) -> tuple[Sent, RecordedEvents]:
    """A case as the library wants it."""
    log, made = case.log, case.recording
    order = np.argsort(case.log_time, kind="stable")
    assert (np.diff(order) > 0).all() or not case.known_time.all()
    sent = Sent(
        case.log_time[order],
        log.code[order].astype(np.uint8),
        log.width[order],
        case.known_time[order],
        order + 1,
        np.full(len(order), -1),
        [],
    )
    recorded = RecordedEvents(
        Path("made-up"),
        "none",
        "Status",
        made.rate,
        made.sample,
        made.sample * (1e6 / made.rate),
        made.code.astype(np.uint8),
        made.width,
        0.0,
        made.samples * 1e6 / made.rate,
        never_active=0 if case.world.stamped else 0xFF & ~int(np.bitwise_or.reduce(made.code)),
        active=None if case.world.stamped else "high",
    )
    return sent, recorded


def judge(case: Case) -> Judged:
    """Run the check on a case and judge each statement."""
    sent, recorded = as_inputs(case)
    none = np.zeros(0, bool)
    if len(recorded) < 2:
        return Judged(0, len(sent), 0, 0, "ok", True, none, none, none)
    try:
        result = compare(sent, recorded)
    except AnotherSession:
        said = "ok" if case.foreign else "false"
        return Judged(0, len(sent), 0, 0, said, True, none, none, none)
    except RecordingError:  # too little to compare: nothing is stated
        return Judged(0, len(sent), 0, 0, "ok", True, none, none, none)
    if case.foreign:
        own = result.identity.session == "own" and not case.same_every_time
        said = "false" if own else "untold"
        return Judged(0, len(sent), 0, 0, said, True, none, none, none, result)
    truth = case.truth()[sent.number - 1]
    stated = result.fate != UNKNOWN
    there = np.isin(result.fate, (ARRIVED, ALTERED))
    wrong = np.zeros(len(sent), bool)
    wrong[there] = (result.partner[there] != truth[there]) & (truth[there] != EITHER)
    if there.any():
        codes_agree = recorded.code[result.partner[there]] == sent.code[there]
        wrong[there] |= codes_agree != (result.fate[there] == ARRIVED)
    gone = stated & ~there
    wrong[gone] = truth[gone] >= 0
    merged = result.fate == MERGED
    wrong[merged] = False  # both of a pair, of which the truth names one
    alone = merged & (truth >= 0) & ~_has_neighbour(case, sent)
    wrong[alone] = True
    false_extra = int((case.recording.maker[result.extra] >= 0).sum())
    likely = np.where(result.alignment.p_event > 0.5, result.alignment.event, NOT_THERE)
    likely_wrong = (
        (likely != truth)
        & ~np.isin(truth, (EITHER, SHARED))
        & ~((likely == NOT_THERE) & (truth < 0))
    )
    drift = result.timing.drift_ppm
    off = 0.0 if drift is None else abs(drift - _rate_ppm(case))
    return Judged(
        int((stated & ~wrong).sum()),
        int((~stated).sum()),
        int((wrong & stated).sum()),
        false_extra,
        "ok",
        drift is None or off <= (result.timing.drift_error_ppm or 0.0) + 1e-9,
        result.doubt,
        likely_wrong & ~merged,
        stated & ~wrong,
        result,
    )


def _rate_ppm(case: Case) -> float:
    """Rate of the recording over the markers that it holds: a clock that wanders has several."""
    there = case.log.time[case.recording.event >= 0]
    amplifier = case.world.amplifier
    swing, period = amplifier.wander
    if not swing or len(there) < 2:
        return amplifier.ppm
    at = there + swing * np.sin(2 * np.pi * (there - amplifier.start) / period)
    return amplifier.ppm + float(np.polyfit(there - there[0], at - there, 1)[0]) * 1e6


def _has_neighbour(case: Case, sent: Sent) -> np.ndarray:
    near = np.diff(sent.time) < 2.5e6 / case.recording.rate
    found = np.zeros(len(sent), bool)
    found[1:] |= near
    found[:-1] |= near
    return found
