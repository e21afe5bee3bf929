"""Every wiring fault is named from the recording alone, and the alignment holds in spite of it."""

from __future__ import annotations

from itertools import combinations

import pytest
from sessions import Case

from tallymark.recording.compare import compare

FAULTS = {
    **{f"open:{line}": ("never high", (line,)) for line in range(8)},
    **{f"stuck-high:{line}": ("always high", (line,)) for line in range(8)},
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
