"""What altered codes say about the lines: which was never high, which are swapped, and so on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from tallymark.recording.model import Codes, Floats, RecordedEvents

LEAST = 4  # markers that must speak for a fault


@dataclass(frozen=True)
class WiringFault:
    """A fault that explains altered or missing codes.

    kind: 'never high', 'always high', 'swapped', 'bridged', 'reversed', 'inverted' or 'unsteady'.
    lines: line numbers. text: what was seen; remedy: what to look at.
    """

    kind: str
    lines: tuple[int, ...]
    text: str
    remedy: str


def line_counts(sent: Codes, recorded: Codes) -> Floats:
    """Counts of shape (8, 2, 2): for each line, sent low or high, recorded low or high."""
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
    counts = line_counts(sent, recorded)
    if (
        len(sent) >= LEAST
        and np.array_equal(_reversed(sent), recorded)
        and (sent != recorded).any()
    ):
        text = "The lines are in reverse order: line 0 is where line 7 should be, and so on."
        return [WiringFault("reversed", tuple(range(8)), text, "Turn the plug or the order round.")]
    faults: list[WiringFault] = []
    explained: set[int] = set()
    for line in range(8):
        (low_low, low_high), (high_low, high_high) = counts[line]
        bit = 1 << line
        if used & bit and events.always_low & bit:
            text = f"Line {line} was never high, though markers needed it."
            faults.append(
                WiringFault(
                    "never high", (line,), text, f"Look for an open or shorted line {line}."
                )
            )
            explained.add(line)
        elif events.always_high & bit:
            text = f"Line {line} was always high."
            faults.append(
                WiringFault(
                    "always high", (line,), text, f"Look for line {line} tied to the supply."
                )
            )
            explained.add(line)
    for a in range(8):
        for b in range(a + 1, 8):
            if {a, b} & explained:
                continue
            sent_a, sent_b = (sent >> a) & 1, (sent >> b) & 1
            seen_a, seen_b = (recorded >> a) & 1, (recorded >> b) & 1
            told = sent_a != sent_b
            if told.sum() < LEAST:
                continue
            crossed = (seen_a[told] == sent_b[told]) & (seen_b[told] == sent_a[told])
            joined = (seen_a[told] == 1) & (seen_b[told] == 1)
            dropped = (seen_a[told] == 0) & (seen_b[told] == 0)
            if crossed.mean() > 0.8:
                text = f"Lines {a} and {b} are swapped: each shows what the other should."
                faults.append(
                    WiringFault("swapped", (a, b), text, f"Exchange lines {a} and {b} in the plug.")
                )
                explained |= {a, b}
            elif max(joined.mean(), dropped.mean()) > 0.8:
                text = f"Lines {a} and {b} always have the same level: they touch each other."
                faults.append(
                    WiringFault("bridged", (a, b), text, f"Look for a bridge between {a} and {b}.")
                )
                explained |= {a, b}
    for line in sorted(set(range(8)) - explained):
        (low_low, low_high), (high_low, high_high) = counts[line]
        wrong, all_of_them = low_high + high_low, counts[line].sum()
        if wrong >= LEAST and wrong > 0.1 * all_of_them and _alone(sent, recorded, line) >= LEAST:
            text = (
                f"Line {line} is unsteady: {int(high_low)} of {int(high_low + high_high)} times it "
                f"was low instead of high, and {int(low_high)} of {int(low_low + low_high)} times "
                "high instead of low."
            )
            remedy = f"Look for a loose contact or too weak a drive of line {line}."
            faults.append(WiringFault("unsteady", (line,), text, remedy))
    return faults


def _alone(sent: Codes, recorded: Codes, line: int) -> int:
    """Number of markers in which this line alone is wrong."""
    return int(((sent ^ recorded) == 1 << line).sum())


def _reversed(code: Codes) -> Codes:
    return np.packbits(np.unpackbits(code[:, None], axis=1)[:, ::-1], axis=1)[:, 0]


def describe_change(sent: int, recorded: int) -> str:
    """How a recorded code differs from the sent one, line by line."""
    low = [line for line in range(8) if (sent & ~recorded) >> line & 1]
    high = [line for line in range(8) if (recorded & ~sent) >> line & 1]
    parts = []
    for lines, said in ((low, "low instead of high"), (high, "high instead of low")):
        if lines:
            name = "line" if len(lines) == 1 else "lines"
            parts.append(f"{name} {', '.join(map(str, lines))} {said}")
    return "; ".join(parts)
