"""Box times and durations beyond 2^32 microseconds, some 71.6 minutes."""

from __future__ import annotations

import pytest
from small_box import NO_CUT, SmallBox

from tallymark.box.wire.protocol_enumerations import Answer, Notice, Reason, Request

WRAP = 2**32
HOUR = 3_600_000_000


@pytest.mark.parametrize("start", [0, WRAP - 3, WRAP, 5 * WRAP - 7])
@pytest.mark.parametrize("later", [49, 50, 51, WRAP - 1, WRAP, WRAP + 1, WRAP + 49, 3 * WRAP + 20])
@pytest.mark.parametrize("gap", [0, 60])
def test_a_pulse_is_cut_only_while_it_lasts(start, later, gap):
    box = SmallBox(width=50, gap=gap)
    box.wait(start)
    box.done(Request.PULSE, code=1)
    box.wait(later)
    answer = box.done(Request.SET, code=0)
    assert answer.time == start + later
    assert answer.get("lasted", NO_CUT) == (later if later < 50 else NO_CUT)


@pytest.mark.parametrize("later", [WRAP - 1, WRAP, WRAP + 30, WRAP + 4999])
def test_a_pulse_without_a_look_at_the_clock_is_not_told_as_cut(box, later):
    """No gap, overlap cut: the state of the pulse was never updated."""
    box.done(Request.PULSE, code=1)
    box.wait(later)
    answer = box.ask(Request.PULSE, code=2)
    assert (box.kind, answer.time) == (Answer.DONE, later)


@pytest.mark.parametrize("later", [0, 30, 49, 50, WRAP - 1, WRAP, WRAP + 10, 2 * WRAP + 99])
def test_the_gap_is_over_when_its_time_has_passed(later):
    box = SmallBox(width=50, gap=200)
    box.done(Request.PULSE, code=1)
    box.wait(50 + later)
    box.receive(box.frame(Request.PULSE, code=2))
    wait = 0 if later >= 200 else max(50, 200 - later)
    expected = [(0, wait), (2, 50)] if wait else [(2, 50)]
    assert box.courses()[-1].steps == expected


@pytest.mark.parametrize("later", [WRAP - 1, WRAP, WRAP + 100])
def test_overlap_refuse_is_over_when_the_pulse_is(later):
    box = SmallBox(width=5000, overlap=1)
    box.done(Request.PULSE, code=1)
    box.wait(4000)
    assert box.refused(Request.PULSE, code=2) == (Reason.OVERLAP, 1000)
    box.wait(later - 4000)
    assert box.done(Request.PULSE, code=2).time == later


@pytest.mark.parametrize("start", [0, WRAP - 10, WRAP - HOUR])
def test_the_hold_limit_of_an_hour_ends_at_its_microsecond(start):
    box = SmallBox(hold_limit=HOUR)
    box.wait(start)
    box.done(Request.SET, code=7)
    assert box.lib.small_next() == start + HOUR
    box.wait(HOUR - 1)
    assert box.said() == []
    box.wait(1)
    ((kind, _, told),) = box.said()
    assert (kind, told.time, told.code) == (Notice.HOLD_ENDED, start + HOUR, 7)


def test_a_hold_without_a_limit_has_none(box):
    box.done(Request.SET, code=7)
    assert box.lib.small_next() == 2**64 - 1
    box.wait(9 * WRAP)
    assert box.said() == []
    assert box.done(Request.LEVELS).outputs == 7


def test_a_sequence_is_on_time_over_the_wrap(box):
    box.wait(WRAP - HOUR)
    box.done(Request.SEQUENCE_LOAD, index=0, code=1, hold=HOUR)
    box.done(Request.SEQUENCE_LOAD, index=1, code=2, hold=HOUR)
    box.done(Request.SEQUENCE_START, repeats=2)
    for played in (2, 3, 4):
        box.wait(HOUR)
        state = box.done(Request.SEQUENCE_STATE)
        assert (state.state, state.played) == (2, played)
    box.wait(HOUR)
    ((kind, _, told),) = box.said()
    assert (kind, told.time, told.played) == (Notice.SEQUENCE_ENDED, WRAP + 3 * HOUR, 4)
    state = box.done(Request.SEQUENCE_STATE)
    assert (state.state, state.started, state.ended) == (3, WRAP - HOUR, WRAP + 3 * HOUR)


def test_a_box_that_slept_finds_its_place_in_a_sequence(box):
    for index in range(3):
        box.done(Request.SEQUENCE_LOAD, index=index, code=index, hold=50 + index)
    box.done(Request.SEQUENCE_START, repeats=0)
    box.wait_asleep(10_000 * (50 + 51 + 52) + 50 + 51)
    assert box.done(Request.SEQUENCE_STATE).played == 30_003


def test_the_number_of_steps_stays_at_its_highest(box):
    box.done(Request.SEQUENCE_LOAD, index=0, code=1, hold=50)
    box.done(Request.SEQUENCE_START, repeats=0)
    box.lib.small_set_played(2**32 - 2, 2**32 - 2)
    for _ in range(3):
        box.wait(50)
    state = box.done(Request.SEQUENCE_STATE)
    assert (state.state, state.played) == (2, 2**32 - 1)  # for ever: past 2^32 rounds too


def test_counters_stay_at_their_highest(box):
    for number in range(8):
        box.lib.small_set_counter(number, 2**32 - 2)
    box.lib.small_lost(5)
    box.lib.small_unsent(5)
    for _ in range(3):
        box.done(Request.CLOCK)
    counters = box.counters()
    for name in ("frames", "input_lost", "messages_lost"):
        assert counters[name] == 2**32 - 1
    for name in ("frames_broken", "refused", "markers", "bytes", "edges_lost"):
        assert counters[name] == 2**32 - 2
