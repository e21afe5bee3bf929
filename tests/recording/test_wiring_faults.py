"""Every wiring fault is named from the recording alone, and the alignment holds in spite of it."""

from __future__ import annotations

from itertools import combinations

import pytest
from sessions import Case

from tallymark.formatting import describe_change
from tallymark.recording.compare import compare

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
