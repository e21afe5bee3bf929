"""Faults of the lines are named from samples: the smallest set, both where two are equal.

Sessions are the generator's; the lines of each are sampled one by one, with delays and slow edges.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from generator_files import Made, session

from tallymark.recording import Comparison, Rule, compare
from tallymark.recording.comparison import _nothing_stated
from tallymark.recording.event_extraction import Design, extract
from tallymark.recording.fates import UNKNOWN
from tallymark.recording.fault_tolerant_codes import _joined
from tallymark.recording.recording_data import StatusStream
from tallymark.recording.sent_markers import Sent
from tallymark.recording.stated_expectations import Expectation

Lines = np.ndarray  # levels, shape (8, samples)
DESIGNS = ("irregular", "constant", "oddball", "trials", "frames")
NO_DELAY = (0,) * 8


def sampled(made: Made, delays: tuple[int, ...] = NO_DELAY) -> Lines:
    """The lines of a session, each late by some samples."""
    recording = made.recording
    lines = np.zeros((8, recording.samples), bool)
    for first, code, width in zip(
        recording.sample, recording.code, recording.width, strict=True
    ):
        for line in range(8):
            if code >> line & 1:
                lines[line, first + delays[line] : first + width + delays[line]] = True
    return lines


def checked(made: Made, lines: Lines) -> Comparison:
    values = sum(lines[line].astype(np.int32) << line for line in range(8))
    stream = StatusStream(
        Path("made.bdf"), "BDF", "Status", made.recording.rate, len(values), lambda: iter([values])
    )
    events = extract(stream, Rule(), design=Design(held=False, apart_us=300_000, active="high"))
    log, count = made.log, len(made.log.time)
    sent = Sent(
        log.time,
        log.code.astype(np.uint8),
        log.width,
        np.ones(count, bool),
        np.arange(1, count + 1),
        np.full(count, -1),
        [],
    )
    return compare(sent, events, expectation=Expectation(idle="low", same_session=True))


def named(made: Made, lines: Lines) -> list[tuple[str, tuple[int, ...]]]:
    """Faults by kind and lines; of a line that the log does not use, always active and inverted
    are the same."""
    used = int(np.bitwise_or.reduce(made.log.code))
    faults = []
    for fault in checked(made, lines).faults:
        kinds = (fault.kind, *fault.other_kinds)
        if len(fault.lines) == 1 and not used >> fault.lines[0] & 1:
            assert kinds == ("always active", "inverted")
        faults.append((kinds[-1] if "inverted" in kinds else kinds[0], fault.lines))
    return sorted(faults)


def made(design: str, line: int = 0) -> Made:
    return session(design, "none", 100 + line, count=120, rate=1000.0)


def late(line: int) -> tuple[int, ...]:
    return tuple(np.random.default_rng(line).integers(0, 3, 8).tolist())


def slow(lines: Lines) -> Lines:
    """Slow edges: line 0 falls two samples late, line 1 rises two samples late."""
    lines = lines.copy()
    lines[0] |= np.roll(lines[0], 1) | np.roll(lines[0], 2)
    lines[1] &= np.roll(lines[1], 1) & np.roll(lines[1], 2)
    return lines


@pytest.mark.parametrize("line", range(8))
@pytest.mark.parametrize("design", DESIGNS)
@pytest.mark.parametrize("edges", ["sharp", "late", "slow"])
def test_one_inverted_line(design: str, line: int, edges: str) -> None:
    one = made(design, line)
    lines = sampled(one, late(line) if edges == "late" else NO_DELAY)
    lines = slow(lines) if edges == "slow" else lines
    lines[line] = ~lines[line]
    assert named(one, lines) == [("inverted", (line,))]


@pytest.mark.parametrize("design", DESIGNS)
def test_several_inverted_lines(design: str) -> None:
    one = made(design)
    lines = sampled(one)
    for line in (0, 5):
        lines[line] = ~lines[line]
    assert named(one, lines) == [("inverted", (0,)), ("inverted", (5,))]


@pytest.mark.parametrize("design", DESIGNS)
def test_all_lines_inverted(design: str) -> None:
    one = made(design)
    result = checked(one, ~sampled(one))
    assert result.wrong_level
    assert [fault.kind for fault in result.faults] == ["inverted"]
    used = int(np.bitwise_or.reduce(one.log.code))
    assert result.faults[0].lines == tuple(line for line in range(8) if used >> line & 1)
    assert result.count(0) == len(one.log.time)


@pytest.mark.parametrize("design", ["irregular", "constant", "frames"])
def test_all_lines_that_are_used_inverted(design: str) -> None:
    one = made(design)
    used = [line for line in range(8) if int(np.bitwise_or.reduce(one.log.code)) >> line & 1]
    lines = sampled(one)
    lines[used] = ~lines[used]
    assert named(one, lines) == [("inverted", tuple(used))]


@pytest.mark.parametrize("design", DESIGNS)
@pytest.mark.parametrize("edges", ["sharp", "late", "slow"])
def test_straight_lines_have_no_fault(design: str, edges: str) -> None:
    one = made(design)
    lines = sampled(one, late(3) if edges == "late" else NO_DELAY)
    result = checked(one, slow(lines) if edges == "slow" else lines)
    assert result.faults == []
    assert result.clean


@pytest.mark.parametrize("line", [0, 1, 4])
@pytest.mark.parametrize("design", DESIGNS)
def test_one_line_open_or_stuck(design: str, line: int) -> None:
    """Even where most markers are gone with it."""
    one = made(design, line)
    used = int(np.bitwise_or.reduce(one.log.code)) >> line & 1
    lines = sampled(one)
    lines[line] = False
    assert named(one, lines) == ([("never active", (line,))] if used else [])
    lines[line] = True
    found = [(fault.kind, fault.lines) for fault in checked(one, lines).faults]
    assert found == [("always active", (line,))]


Wire = Callable[[Lines, int, int], tuple[Lines, Lines]]


@pytest.mark.parametrize("pair", [(0, 1), (0, 2), (1, 4)])
@pytest.mark.parametrize("design", DESIGNS)
@pytest.mark.parametrize(
    ("kind", "wire"),
    [
        ("swapped", lambda lines, a, b: (lines[b].copy(), lines[a].copy())),
        ("bridged", lambda lines, a, b: (lines[a] | lines[b], lines[a] | lines[b])),
    ],
)
def test_two_lines(design: str, pair: tuple[int, int], kind: str, wire: Wire) -> None:
    one = made(design)
    a, b = pair
    used = int(np.bitwise_or.reduce(one.log.code))
    lines = sampled(one)
    lines[a], lines[b] = wire(lines, a, b)
    result = checked(one, lines)
    faults = result.faults
    if not used & (1 << a | 1 << b):
        assert faults == []
        return
    if not faults:
        # Two codes at a constant interval, exchanged, are what another session may look like, too.
        assert (design, kind, pair) == ("oddball", "swapped", (0, 1))
        assert result.identity.session != "own"
        assert not result.clean
        return
    (fault,) = faults
    assert kind in (fault.kind, *fault.other_kinds)
    assert fault.lines == pair or fault.other_kinds


def test_two_pairs_that_explain_it_alike_are_both_told() -> None:
    one = made("trials")
    lines = sampled(one)
    lines[3] = lines[6] = lines[3] | lines[6]
    (fault,) = checked(one, lines).faults
    assert (fault.kind, fault.other_kinds) == ("bridged", ("bridged",))
    assert "ines 3 and 6 touch" in fault.text
    assert "The codes can't tell which." in fault.text


def test_lines_that_touch_are_one_line_of_the_log_too() -> None:
    """The place is sought by which lines leave idle: two that always move together tell no more
    than one."""
    sent = np.array([1, 2, 3, 4, 6], np.uint8)
    moved = np.array([3, 3, 3, 4, 7], np.uint8)
    assert _joined(sent, moved).tolist() == [3, 3, 3, 4, 7]
    assert _joined(sent, sent).tolist() == sent.tolist()


def test_of_another_session_nothing_is_stated() -> None:
    """Whatever its best place shows."""
    one = made("irregular")
    result = checked(one, sampled(one))
    assert (result.fate != UNKNOWN).all()
    nothing = _nothing_stated(result)
    assert (nothing.fate == UNKNOWN).all()
    assert (nothing.partner == -1).all()
    assert len(nothing.unplaced) == len(result.recorded)
