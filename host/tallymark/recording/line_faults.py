"""What altered codes say about the lines: which was never high, which are swapped, and so on.

Each fault predicts the recorded level of its lines from the sent code. The faults told are the
smallest set that explains what was recorded: every line belongs to at most one of them, a fault
costs as much as `LEAST` wrong levels, and the cheapest set is found, not the first that fits.
Faults that explain the same levels equally well are told as one, with both readings.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import combinations

import numpy as np

from tallymark.recording.recording_data import Bools, Codes, Floats, RecordedEvents

LEAST = 4  # markers that must speak for a fault
ENOUGH = 100_000  # of more pairs, an even sample is looked at: faults of wiring are never rare
MOSTLY = 0.8  # share rightly predicted of the levels in which the fault shows


@dataclass(frozen=True)
class WiringFault:
    """A fault that explains altered or missing codes.

    kind: 'never active', 'always active', 'swapped', 'bridged', 'reversed', 'inverted' or
    'unsteady'. lines: line numbers. text: what was seen; remedy: what to look at. other_kinds:
    faults of the same lines that explain it as well; text and remedy tell them too.
    """

    kind: str
    lines: tuple[int, ...]
    text: str
    remedy: str
    other_kinds: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Reading:
    """One fault as explanation: how many levels it predicts wrongly, and the share of right ones
    where it predicts another level than was sent."""

    fault: WiringFault
    wrong: int
    share: float


@dataclass(frozen=True)
class _Evidence:
    """Levels of each line, sent and recorded (shape (8, n)); the recording; lines the log used."""

    sent: Bools
    recorded: Bools
    events: RecordedEvents
    used: int


def line_counts(sent: Codes, recorded: Codes) -> Floats:
    """Counts of shape (8, 2, 2): for each line, sent idle or active, recorded idle or active."""
    counts = np.zeros((8, 2, 2))
    for line in range(8):
        both = ((sent >> line) & 1) * 2 + ((recorded >> line) & 1)
        counts[line] = np.bincount(both, minlength=4).reshape(2, 2)
    return counts


def find_faults(
    sent: Codes, recorded: Codes, events: RecordedEvents, used: int
) -> list[WiringFault]:
    """Faults that the pairs of sent and recorded codes show.

    Args:
        sent, recorded: codes of markers that were found, same shape.
        events: the recording, for lines that never changed.
        used: mask of the lines that the log used.
    """
    step = len(sent) // ENOUGH + 1
    sent, recorded = sent[::step], recorded[::step]
    evidence = _Evidence(_levels(sent), _levels(recorded), events, used)
    readings = _readings(evidence)
    faults, wrong = _smallest_set(evidence, readings)
    for whole in (_reversed(evidence), _all_inverted(evidence)):
        if whole is not None and LEAST + whole.wrong < LEAST * len(faults) + wrong:
            return [whole.fault]
    explained = {line for fault in faults for line in fault.lines}
    rivals = [_with_rival(evidence, readings, faults, wrong, fault) for fault in faults]
    return rivals + _unsteady(sent, recorded, explained)


def fault_cost(sent: Codes, recorded: Codes, events: RecordedEvents, used: int) -> int:
    """What the pairs of codes cost: wrong levels that the cheapest faults leave, and `LEAST` for
    each fault. Arguments as of `find_faults`."""
    step = len(sent) // ENOUGH + 1
    evidence = _Evidence(_levels(sent[::step]), _levels(recorded[::step]), events, used)
    faults, wrong = _smallest_set(evidence, _readings(evidence))
    one_fault = [
        LEAST + reading.wrong
        for reading in (_all_inverted(evidence), _reversed(evidence))
        if reading is not None
    ]
    return min([LEAST * len(faults) + wrong, *one_fault])


def _levels(code: Codes) -> Bools:
    return np.array([(code >> line) & 1 == 1 for line in range(8)])


_Readings = dict[tuple[int, ...], _Reading]


def _readings(evidence: _Evidence) -> _Readings:
    """What single lines and pairs of lines may have, by their numbers."""
    found: dict[tuple[int, ...], _Reading | None] = {}
    for line in range(8):
        found[line,] = _of_line(evidence, line)
    for pair in combinations(range(8), 2):
        found[pair] = _of_pair(evidence, pair)
    return {lines: reading for lines, reading in found.items() if reading is not None}


def _with_rival(
    evidence: _Evidence,
    readings: _Readings,
    faults: list[WiringFault],
    wrong: int,
    fault: WiringFault,
) -> WiringFault:
    """A fault, told together with another one if that does as well in its place."""
    others = {lines: reading for lines, reading in readings.items() if lines != fault.lines}
    rivals, wrong_then = _smallest_set(evidence, others)
    new = [rival for rival in rivals if rival not in faults]
    if wrong_then != wrong or len(rivals) != len(faults) or len(new) != 1:
        return fault
    return _told_together([fault, *new])


def _smallest_set(evidence: _Evidence, readings: _Readings) -> tuple[list[WiringFault], int]:
    """The cheapest faults that share no line, and how many levels they leave wrong."""
    straight = [_cost_of_straight(evidence, line) for line in range(8)]

    @cache
    def best(left: int) -> tuple[int, tuple[WiringFault, ...]]:
        if not left:
            return 0, ()
        line = left.bit_length() - 1
        rest = left ^ 1 << line
        cost, faults = best(rest)
        found = [(cost + straight[line], faults)]
        single = readings.get((line,))
        if single is not None:
            found.append((cost + LEAST + single.wrong, (single.fault, *faults)))
        for other in range(line):
            pair = readings.get((other, line))
            if pair is not None and rest >> other & 1:
                cost, faults = best(rest ^ 1 << other)
                found.append((cost + LEAST + pair.wrong, (pair.fault, *faults)))
        return min(found, key=lambda each: (each[0], len(each[1])))

    cost, faults = best(0xFF)
    ordered = sorted(faults, key=lambda fault: fault.lines)
    return ordered, cost - LEAST * len(faults)


def _cost_of_straight(evidence: _Evidence, line: int) -> int:
    """Wrong levels of a line without a fault; a line that never changed counts as `LEAST` more."""
    wrong = int((evidence.recorded[line] ^ evidence.sent[line]).sum())
    bit, events = 1 << line, evidence.events
    never = evidence.used & bit and events.never_active & bit
    return wrong + (LEAST + 1 if never or events.always_active & bit else 0)


def _of_line(evidence: _Evidence, line: int) -> _Reading | None:
    level, idle_at, active_at = {
        "high": (" (high)", "ground", "the supply"),
        "low": (" (low)", "the supply", "ground"),
        None: ("", "its idle level", "its active level"),
    }[evidence.events.active]
    sent, bit = evidence.sent[line], 1 << line
    found = []
    if evidence.used & bit and evidence.events.never_active & bit:
        text = f"Line {line} was never active{level}, though markers needed it."
        remedy = f"Look for line {line} open, or shorted to {idle_at}."
        found.append(_reading(evidence, "never active", (line,), text, remedy, [sent & False]))
    if evidence.events.always_active & bit:
        text = f"Line {line} was always active{level}."
        remedy = f"Look for line {line} shorted to {active_at}, or an input left open."
        found.append(_reading(evidence, "always active", (line,), text, remedy, [sent | True]))
    text = f"Line {line} is inverted: it is idle when it should be active, and the reverse."
    remedy = f"Look for an inverting buffer or opto-isolator in line {line}."
    found.append(_reading(evidence, "inverted", (line,), text, remedy, [~sent]))
    return _joined(found)


def _of_pair(evidence: _Evidence, pair: tuple[int, int]) -> _Reading | None:
    (a, b), sent = pair, evidence.sent
    text = f"Lines {a} and {b} are swapped: each shows what the other should."
    remedy = f"Exchange lines {a} and {b} in the plug."
    found = [_reading(evidence, "swapped", pair, text, remedy, [sent[b], sent[a]])]
    remedy = f"Look for a bridge between lines {a} and {b}."
    for said, both in (("active", sent[a] | sent[b]), ("idle", sent[a] & sent[b])):
        text = f"Lines {a} and {b} touch: when one should be active, both are {said}."
        found.append(_reading(evidence, "bridged", pair, text, remedy, [both, both]))
    return _joined(found)


def _reading(
    evidence: _Evidence,
    kind: str,
    lines: tuple[int, ...],
    text: str,
    remedy: str,
    predicted: list[Bools],
) -> _Reading:
    wrong = told = right = 0
    for line, levels in zip(lines, predicted, strict=True):
        hit, shows = evidence.recorded[line] == levels, evidence.sent[line] != levels
        wrong += int((~hit).sum())
        told += int(shows.sum())
        right += int((hit & shows).sum())
    return _Reading(WiringFault(kind, lines, text, remedy), wrong, right / told if told else 0.0)


def _joined(found: list[_Reading]) -> _Reading | None:
    """The best reading, with those that are as good; None if none is any good."""
    found = [reading for reading in found if reading.share > MOSTLY]
    if not found:
        return None
    best = min(found, key=lambda reading: reading.wrong)
    equal = [reading.fault for reading in found if reading.wrong == best.wrong]
    if len(equal) == 1:
        return best
    return _Reading(_told_together(equal), best.wrong, best.share)


def _told_together(equal: list[WiringFault]) -> WiringFault:
    """Faults of which the codes can't tell which it is, as one."""
    said = "; or ".join(f"{fault.text[:1].lower()}{fault.text[1:]}".rstrip(".") for fault in equal)
    return WiringFault(
        equal[0].kind,
        equal[0].lines,
        f"{said[:1].upper()}{said[1:]}. The codes can't tell which.",
        " Or: ".join(dict.fromkeys(each.remedy for each in equal)),
        tuple(each.kind for each in equal[1:]),
    )


def _reversed(evidence: _Evidence) -> _Reading | None:
    lines = tuple(range(8))
    text = "The lines are in reverse order: line 0 is where line 7 should be, and so on."
    remedy = "Turn the plug or the order round."
    turned = list(evidence.sent[::-1])
    return _joined([_reading(evidence, "reversed", lines, text, remedy, turned)])


def all_inverted(used: int) -> WiringFault:
    """All lines that the log used are inverted."""
    return WiringFault(
        "inverted",
        tuple(line for line in range(8) if used >> line & 1),
        "All lines are inverted: each is idle when it should be active, and the reverse.",
        "Compare the idle level in the box's settings with what the receiver needs, and look for "
        "an inverting buffer or opto-isolator.",
    )


def _all_inverted(evidence: _Evidence) -> _Reading | None:
    fault = all_inverted(evidence.used)
    predicted = [~evidence.sent[line] for line in fault.lines]
    return _joined(
        [_reading(evidence, fault.kind, fault.lines, fault.text, fault.remedy, predicted)]
    )


def _unsteady(sent: Codes, recorded: Codes, explained: set[int]) -> list[WiringFault]:
    faults = []
    counts = line_counts(sent, recorded)
    for line in sorted(set(range(8)) - explained):
        (idle_idle, idle_active), (active_idle, active_active) = counts[line].astype(int)
        idles, actives = idle_idle + idle_active, active_idle + active_active
        wrong = idle_active + active_idle
        rarer = min(idles or actives, actives or idles)
        if _alone(sent, recorded, line) >= LEAST and wrong > 0.1 * rarer:
            text = (
                f"Line {line} is unsteady: {active_idle} of {actives} times it was idle instead of "
                f"active, and {idle_active} of {idles} times active instead of idle."
            )
            remedy = f"Look for a loose contact or too weak a drive of line {line}."
            faults.append(WiringFault("unsteady", (line,), text, remedy))
    return faults


def _alone(sent: Codes, recorded: Codes, line: int) -> int:
    """Number of markers in which this line alone is wrong."""
    return int(((sent ^ recorded) == 1 << line).sum())
