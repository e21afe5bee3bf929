"""A sequence that starts at a box time, at the pins, in cycles, with the serial line full in both
directions."""

from __future__ import annotations

import random
import struct

import pytest
from nano_chip import CYCLES_PER_US
from raw_frames import (
    CAPTURE_START,
    CLOCK,
    PULSE_FOR,
    SEQUENCE_LOAD,
    SEQUENCE_STATE,
    SEQUENCE_STOP,
    SETTINGS_WRITE,
    STROBE,
    pulse_for,
    strobed,
)
from test_ahead_edges import EDGE, errors, zero_of
from test_edges import loaded, step_errors

START_AT, ENDED = 0x1C, 0xC1
EDGES = 4
CANCELLED = 19


def load(talk, holds: list[int]) -> None:
    for index, hold in enumerate(holds):
        talk.done(SEQUENCE_LOAD, struct.pack("<HBI", index, index + 1, hold))


def start_at(talk, at: int, repeats: int = 1) -> int:
    answer = talk.done(START_AT, struct.pack("<II", repeats, at % 2**32))
    return int.from_bytes(answer.body, "little")


def busy(talk, microseconds: float) -> None:
    host = loaded(talk)
    host.run(microseconds)
    talk.tag = host.tag
    talk.notices += host.notices


@pytest.mark.parametrize("watching", [False, True])
@pytest.mark.parametrize("holds", [[50, 50], [50, 60, 70, 400], [200] * 30])
@pytest.mark.parametrize("repeats", [1, 3])
def test_each_edge_comes_at_its_cycle_under_full_load(chip, talk, watching, holds, repeats):
    rng = random.Random(len(holds))
    zero = zero_of(chip, talk)
    if watching:
        talk.done(CAPTURE_START, b"\0")
    load(talk, holds)
    lost = talk.counters()["input_lost"]
    seen = []
    for _ in range(8):
        at = talk.done(CLOCK).time + 4000 + rng.randint(0, 5000)
        number = start_at(talk, at, repeats)
        chip.edges()
        busy(talk, at + sum(holds) * repeats - talk.done(CLOCK).time + 1500)
        talk.listen(5000)
        moved = chip.edges()
        seen += errors(moved[:1], [at], zero)
        assert max(map(abs, step_errors(moved, holds, repeats))) <= 1
        fate = talk.done(0x08, struct.pack("<I", number)).body
        assert (fate[1], struct.unpack_from("<Q", fate, 4)[0]) == (1, at)
    print(f"{len(seen)} starts: {min(seen)} to {max(seen)} cycles, box time known to 15")
    assert max(seen) - min(seen) <= 1
    assert -16 <= min(seen) <= 1
    assert talk.counters()["input_lost"] == lost


@pytest.mark.parametrize("watching", [False, True])
def test_with_a_strobe_in_each_step(chip, talk, watching):
    lead, hold, holds = 60, 70, [190, 200, 300]
    talk.done(SETTINGS_WRITE, strobed(lead, hold, width=5000))
    zero = zero_of_strobed(chip, talk)
    if watching:
        talk.done(CAPTURE_START, b"\0")
    load(talk, holds)
    at = talk.done(CLOCK).time + 9000
    start_at(talk, at, 2)
    chip.edges()
    busy(talk, 12_000)
    moved = chip.edges()
    assert -16 <= moved[0][0] - at * CYCLES_PER_US - zero <= 1
    ideal, begin = [], moved[0][0]
    for number, us in enumerate(holds * 2):
        code = number % len(holds) + 1
        ideal += [(begin, code), (begin + lead * CYCLES_PER_US, code | STROBE),
                  (begin + (us - hold) * CYCLES_PER_US, code)]
        begin += us * CYCLES_PER_US
    ideal.append((begin, 0))
    assert [levels for _, levels in moved] == [levels for _, levels in ideal]
    off = {found - wanted for (found, _), (wanted, _) in zip(moved, ideal, strict=True)}
    assert off <= {-1, 0, 1}


def zero_of_strobed(chip, talk) -> int:
    chip.edges()
    time = talk.done(PULSE_FOR, pulse_for(1, 400)).time
    talk.listen(1000)
    return chip.edges()[0][0] - time * CYCLES_PER_US


def test_seconds_and_laps_ahead_behind_markers_that_come_now(chip, talk):
    zero = zero_of(chip, talk)
    load(talk, [100, 200])
    for us in (4096 * 3, 65_536, 1_000_000):
        at = talk.done(CLOCK).time + us
        start_at(talk, at)
        chip.edges()
        talk.done(PULSE_FOR, pulse_for(0x40, 5000))
        talk.listen(us + 2000)
        moved = chip.edges()
        assert [levels for _, levels in moved] == [0x40, 0, 1, 2, 0]
        assert -16 <= errors(moved[2:3], [at], zero)[0] <= 1


def test_it_cuts_a_pulse_and_says_so(chip, talk):
    load(talk, [100])
    begin = talk.done(PULSE_FOR, pulse_for(0x40, 3_000_000)).time
    at = begin + 20_000
    start_at(talk, at)
    chip.edges()
    told = {each.kind: each.body for each in talk.listen(25_000)}
    assert [levels for _, levels in chip.edges()] == [1, 0]
    assert struct.unpack_from("<QI", told[EDGE], 4) == (at, 20_000)
    assert struct.unpack_from("<QI", told[ENDED], 0) == (at + 100, 1)


@pytest.mark.parametrize("before_us", range(5, 900, 29))
@pytest.mark.parametrize("stop", [False, True])
def test_taken_back_just_before_its_time(chip, talk, before_us, stop):
    """It plays or not, as the box says."""
    load(talk, [5000, 5000])
    at = talk.done(CLOCK).time + 10_000
    start_at(talk, at)
    chip.edges()
    chip.run_us(at - talk.done(CLOCK).time - before_us)
    if stop:
        state = talk.done(SEQUENCE_STOP).body[0]
    else:
        talk.done(0x14, bytes(4))
        state = talk.done(SEQUENCE_STATE).body[0]
    told = [each for each in talk.listen(40_000) if each.kind == EDGE]
    moved = [levels for _, levels in chip.edges()]
    assert len(told) == 1
    if told[0].body[21] == CANCELLED:
        assert (moved, state) == ([], 1)
    else:
        assert (moved, state) == (([1, 0], 4) if stop else ([1, 2, 0], 2))
