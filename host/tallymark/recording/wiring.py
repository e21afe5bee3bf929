"""What altered codes say about the lines: which was never high, which are swapped, and so on."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from tallymark.recording.model import Codes, Floats, RecordedEvents

LEAST = 4  # markers that must speak for a fault
ENOUGH = 100_000  # of more pairs, an even sample is looked at: faults of wiring are never rare
MOSTLY = 0.8  # share of them that must agree


@dataclass(frozen=True)
class WiringFault:
    """A fault that explains altered or missing codes.

    kind: 'never active', 'always active', 'swapped', 'bridged', 'reversed', 'inverted' or
    'unsteady'. lines: line numbers. text: what was seen; remedy: what to look at.
    """

    kind: str
    lines: tuple[int, ...]
    text: str
    remedy: str


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
    if not len(sent):
        return _stuck(events, used, set())
    step = len(sent) // ENOUGH + 1
    sent, recorded = sent[::step], recorded[::step]
    turned = _reversed(sent)
    if (sent != turned).sum() >= LEAST and (turned == recorded).mean() > MOSTLY:
        text = "The lines are in reverse order: line 0 is where line 7 should be, and so on."
        return [WiringFault("reversed", tuple(range(8)), text, "Turn the plug or the order round.")]
    faults = _swapped(sent, recorded)
    faults += _stuck(events, used, _lines_of(faults))
    faults += _bridged(sent, recorded, _lines_of(faults))
    return faults + _unsteady(sent, recorded, _lines_of(faults))


def _swapped(sent: Codes, recorded: Codes) -> list[WiringFault]:
    faults = []
    for a, b in combinations(range(8), 2):
        told = ((sent >> a) ^ (sent >> b)) & 1 == 1
        crossed = ((sent >> a) & 1 == (recorded >> b) & 1) & (
            (sent >> b) & 1 == (recorded >> a) & 1
        )
        if told.sum() >= LEAST and crossed[told].mean() > MOSTLY:
            text = f"Lines {a} and {b} are swapped: each shows what the other should."
            remedy = f"Exchange lines {a} and {b} in the plug."
            faults.append(WiringFault("swapped", (a, b), text, remedy))
    return faults


def _stuck(events: RecordedEvents, used: int, explained: set[int]) -> list[WiringFault]:
    """Lines that never changed."""
    faults = []
    level, idle_at, active_at = {
        "high": (" (high)", "ground", "the supply"),
        "low": (" (low)", "the supply", "ground"),
        None: ("", "its idle level", "its active level"),
    }[events.active]
    for line in sorted(set(range(8)) - explained):
        bit = 1 << line
        if used & bit and events.never_active & bit:
            text = f"Line {line} was never active{level}, though markers needed it."
            remedy = f"Look for line {line} open, or shorted to {idle_at}."
            faults.append(WiringFault("never active", (line,), text, remedy))
        elif events.always_active & bit:
            text = f"Line {line} was always active{level}."
            remedy = f"Look for line {line} shorted to {active_at}, or an input left open."
            faults.append(WiringFault("always active", (line,), text, remedy))
    return faults


def _bridged(sent: Codes, recorded: Codes, explained: set[int]) -> list[WiringFault]:
    faults = []
    for a, b in combinations(sorted(set(range(8)) - explained), 2):
        only_a = ((sent >> a) & 1 == 1) & ((sent >> b) & 1 == 0)
        only_b = ((sent >> a) & 1 == 0) & ((sent >> b) & 1 == 1)
        told = only_a | only_b
        together = ((recorded >> a) & 1 == (recorded >> b) & 1).mean() > MOSTLY
        if told.sum() < LEAST or (min(only_a.sum(), only_b.sum()) < LEAST and not together):
            continue
        level_a, level_b = (recorded[told] >> a) & 1, (recorded[told] >> b) & 1
        for level, said in ((1, "active"), (0, "idle")):
            if ((level_a == level) & (level_b == level)).mean() > MOSTLY:
                text = f"Lines {a} and {b} touch: when one should be active, both are {said}."
                remedy = f"Look for a bridge between lines {a} and {b}."
                faults.append(WiringFault("bridged", (a, b), text, remedy))
    return faults


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


def _lines_of(faults: list[WiringFault]) -> set[int]:
    return {line for fault in faults for line in fault.lines}


def _alone(sent: Codes, recorded: Codes, line: int) -> int:
    """Number of markers in which this line alone is wrong."""
    return int(((sent ^ recorded) == 1 << line).sum())


def _reversed(code: Codes) -> Codes:
    return np.packbits(np.unpackbits(code[:, None], axis=1)[:, ::-1], axis=1)[:, 0]
