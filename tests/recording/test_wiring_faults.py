"""Every wiring fault is named from the recording alone, and the alignment holds in spite of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from simulated_sessions import Case

from tallymark.common.formatting import describe_change
from tallymark.recording.comparison import compare
from tallymark.recording.line_faults import find_faults
from tallymark.recording.recording_data import Codes, RecordedEvents

Recorded = tuple[Codes, Codes, RecordedEvents, int]
EMPTY = np.zeros(0)
BLANK = RecordedEvents(
    Path("x"),
    "BDF",
    "Status",
    1000.0,
    EMPTY.astype(np.int64),
    EMPTY,
    EMPTY.astype(np.uint8),
    EMPTY.astype(np.int64),
    0.0,
    1e6,
    active="high",
)
FAULTS = {
    **{f"open:{line}": ("never active", (line,)) for line in range(8)},
    **{f"stuck-high:{line}": ("always active", (line,)) for line in range(8)},
    **{f"swapped:{a},{b}": ("swapped", (a, b)) for a, b in combinations(range(8), 2)},
    **{f"bridged-or:{a},{a + 1}": ("bridged", (a, a + 1)) for a in range(7)},
    **{f"bridged-and:{a},{a + 1}": ("bridged", (a, a + 1)) for a in range(7)},
    "reversed": ("reversed", tuple(range(8))),
}


@pytest.mark.parametrize("intervals", ["random", "constant"])
@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_named(fault: str, intervals: str) -> None:
    case = Case(
        ppm=80, faults=0.02, intervals=intervals, late=0.1, wiring=(fault,), seed=len(fault)
    )
    session = case.run()
    result = compare(session.sent, session.events)
    assert result.certain
    assert [(found.kind, found.lines) for found in result.faults] == [FAULTS[fault]]


@pytest.mark.parametrize("fault", ["open:1", "stuck-high:2", "swapped:0,3", "swapped:2,6"])
def test_faults_with_few_codes_at_a_constant_rate(fault: str) -> None:
    case = Case(ppm=-60, intervals="constant", codes="six", late=0.2, wiring=(fault,))
    session = case.run()
    result = compare(session.sent, session.events)
    assert result.certain
    assert [(found.kind, found.lines) for found in result.faults] == [FAULTS[fault]]


def test_inverted_lines_are_read_as_active_low() -> None:
    session = Case(wiring=("inverted",)).run()
    assert compare(session.sent, session.events).clean
    assert "low found" in session.events.rule


def pairs(recorded_as: Callable[[Codes], Codes], codes: Sequence[int] = range(256)) -> Recorded:
    """What the lines of a session show, through a wiring that turns codes and idle into others."""
    sent = np.random.default_rng(5).choice(np.array(codes, np.uint8), 300)
    recorded = recorded_as(sent).astype(np.uint8)
    every = np.append(recorded, recorded_as(np.zeros(1, np.uint8))).astype(np.uint8)
    always = int(np.bitwise_and.reduce(every))
    never = 0xFF & ~int(np.bitwise_or.reduce(every))
    events = replace(BLANK, always_active=always, never_active=never)
    return sent, recorded, events, int(np.bitwise_or.reduce(sent))


@pytest.mark.parametrize("mask", [1 << line for line in range(8)] + [0b10010, 0b1110000])
def test_inverted_lines_are_named(mask: int) -> None:
    faults = find_faults(*pairs(lambda code: code ^ mask))
    expected = [("inverted", (line,)) for line in range(8) if mask >> line & 1]
    assert [(fault.kind, fault.lines) for fault in faults] == expected


def test_all_lines_inverted_are_one_fault() -> None:
    (fault,) = find_faults(*pairs(lambda code: ~code))
    assert (fault.kind, fault.lines) == ("inverted", tuple(range(8)))
    assert "All lines are inverted" in fault.text


def test_faults_together_are_told_each_once() -> None:
    def wired(code: Codes) -> Codes:
        swapped = (code & 0b11110000) | (code & 1) << 3 | (code >> 3 & 1) | (code & 0b110)
        return (swapped ^ 0b10) | 0x80

    faults = find_faults(*pairs(wired))
    assert [(fault.kind, fault.lines) for fault in faults] == [
        ("swapped", (0, 3)),
        ("inverted", (1,)),
        ("always active", (7,)),
    ]
    assert faults[0].remedy == "Exchange lines 0 and 3 in the plug."


def test_equal_explanations_are_told_both() -> None:
    # no code uses line 7, so that nothing tells whether it is stuck or inverted
    (fault,) = find_faults(*pairs(lambda code: code ^ 0x80, range(128)))
    assert (fault.kind, fault.lines) == ("always active", (7,))
    assert fault.other_kinds == ("inverted",)
    assert "; or line 7 is inverted" in fault.text
    assert "The codes can't tell which." in fault.text


def test_two_lines_that_are_never_active_alone() -> None:
    # codes 1 and 2 put together show neither line: one bridge, not two open lines
    faults = find_faults(*pairs(lambda code: code & 0xFC, [1, 2, 4, 12]))
    assert [(fault.kind, fault.lines) for fault in faults] == [("bridged", (0, 1))]


def test_noise_is_no_fault_of_the_wiring() -> None:
    sent, _, events, used = pairs(lambda code: code)
    random = np.random.default_rng(6)
    for share in (0.02, 0.05):
        other = random.integers(0, 256, len(sent)).astype(np.uint8)
        recorded = np.where(random.random(len(sent)) < share, other, sent)
        faults = find_faults(sent, recorded, events, used)
        assert all(fault.kind == "unsteady" for fault in faults)


def test_a_line_that_is_wrong_more_often_than_not_is_unsteady_and_not_inverted() -> None:
    sent, _, events, used = pairs(lambda code: code)
    wrong = np.random.default_rng(7).random(len(sent)) < 0.65
    faults = find_faults(sent, np.where(wrong, sent ^ 8, sent), events, used)
    assert [(fault.kind, fault.lines) for fault in faults] == [("unsteady", (3,))]


def test_straight_wiring_has_no_fault() -> None:
    session = Case(faults=0.05).run()
    assert compare(session.sent, session.events).faults == []


@pytest.mark.parametrize(
    ("fault", "idle", "text", "remedy"),
    [
        ("stuck-low:3", 0, "Line 3 was never active (high)", "open, or shorted to ground"),
        ("stuck-high:3", 0xFF, "Line 3 was never active (low)", "open, or shorted to the supply"),
        ("stuck-high:3", 0, "Line 3 was always active (high)", "shorted to the supply"),
        ("stuck-low:3", 0xFF, "Line 3 was always active (low)", "shorted to ground"),
        ("bridged-or:2,5", 0, "when one should be active, both are active", "2 and 5"),
        ("bridged-and:2,5", 0xFF, "when one should be active, both are active", "2 and 5"),
        ("bridged-and:2,5", 0, "when one should be active, both are idle", "2 and 5"),
        ("bridged-or:2,5", 0xFF, "when one should be active, both are idle", "2 and 5"),
    ],
)
def test_faults_are_told_rightly_for_both_idle_levels(
    fault: str, idle: int, text: str, remedy: str
) -> None:
    session = Case(wiring=(fault,), idle=idle).run()
    (found,) = compare(session.sent, session.events).faults
    assert text in found.text
    assert remedy in found.remedy


def test_a_changed_code_is_told_line_by_line() -> None:
    assert describe_change(0b1001, 0b0011) == (
        "line 3 idle instead of active; line 1 active instead of idle"
    )
