"""Sequences: loading, starting, stopping, and what may happen while one plays."""

from __future__ import annotations

import pytest
from small_box import FACTORY, LEAST_US, SmallBox

from tallymark.box.wire.protocol_enumerations import Answer, Notice, Reason, Request

STEPS = 4
HOUR = 3_600_000_000


def load(box: SmallBox, *steps: tuple[int, int]) -> None:
    for index, (code, hold) in enumerate(steps):
        box.done(Request.SEQUENCE_LOAD, index=index, code=code, hold=hold)


def state(box: SmallBox) -> tuple[int, int, int, int, int, int]:
    told = box.done(Request.SEQUENCE_STATE)
    return told.state, told.steps, told.repeats, told.played, told.started, told.ended


def test_what_may_be_loaded(box):
    load(box, *[(n, LEAST_US) for n in range(STEPS)])
    for fields, refusal in (
        ({"index": STEPS}, (Reason.SEQUENCE_FULL, STEPS)),
        ({"index": 65_535}, (Reason.SEQUENCE_FULL, STEPS)),
        ({"index": 1}, (Reason.SEQUENCE_ORDER, STEPS)),
        ({"hold": LEAST_US - 1}, (Reason.WIDTH_RANGE, LEAST_US)),
        ({"hold": HOUR + 1}, (Reason.WIDTH_RANGE, HOUR)),
    ):
        asked = {"index": 0, "code": 1, "hold": 60} | fields
        assert box.refused(Request.SEQUENCE_LOAD, **asked) == refusal
    assert state(box) == (1, STEPS, 0, 0, 0, 0)
    load(box, (1, HOUR))
    assert state(box)[:2] == (1, 1)


def test_a_step_outside_the_lines_is_refused_and_leaves_the_rest():
    box = SmallBox(lines=0x0F)
    load(box, (1, 60), (2, 60))
    assert box.refused(Request.SEQUENCE_LOAD, index=0, code=0x10, hold=60) == (
        Reason.OUTSIDE_LINES, 0x0F
    )
    assert state(box)[:2] == (1, 2)


def test_the_board_gets_the_steps_the_repeats_and_the_rest():
    for idle in (0, 1):
        box = SmallBox(idle=idle)
        turned = 0xFF * idle
        load(box, (1, 60), (0, 70), (3, 80))
        box.wait(10)
        box.done(Request.SEQUENCE_START, repeats=5)
        (course,) = box.courses()
        assert course.steps == [(1 ^ turned, 60), (turned, 70), (3 ^ turned, 80)]
        assert (course.repeats, course.rest, course.time) == (5, turned, 10)


@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_the_most_repeats(box, count):
    load(box, *[(1, 60)] * count)
    most = (2**32 - 1) // count
    if count > 1:
        assert box.refused(Request.SEQUENCE_START, repeats=most + 1) == (Reason.SEQUENCE_LONG, most)
    box.done(Request.SEQUENCE_START, repeats=most)
    assert state(box)[:3] == (2, count, most)


def test_the_state_step_by_step(box):
    load(box, (1, 60), (2, 70))
    box.wait(5)
    box.done(Request.SEQUENCE_START, repeats=2)
    for at, played in ((0, 1), (59, 1), (60, 2), (129, 2), (130, 3), (190, 4), (259, 4)):
        box.wait(5 + at - box.now)
        assert state(box) == (2, 2, 2, played, 5, 0)
    assert box.said() == []
    box.wait(1)
    ((kind, _, told),) = box.said()
    assert (kind, told.time, told.played) == (Notice.SEQUENCE_ENDED, 265, 4)
    assert state(box) == (3, 2, 2, 4, 5, 265)
    assert box.lib.small_next() == 2**64 - 1


def test_the_end_is_told_before_the_answer_that_comes_after_it(box):
    load(box, (1, 60))
    box.done(Request.SEQUENCE_START, repeats=1)
    box.wait_asleep(61)
    box.receive(box.frame(Request.SEQUENCE_STATE))
    ended, answer = box.said()
    assert (ended[0], ended[2].time) == (Notice.SEQUENCE_ENDED, 60)
    assert answer[2].state == 3


@pytest.mark.parametrize(("at", "state_", "courses"), [(59, 4, 1), (60, 3, 0), (61, 3, 0)])
def test_a_stop_at_the_end(box, at, state_, courses):
    load(box, (1, 60))
    box.done(Request.SEQUENCE_START, repeats=1)
    box.courses()
    box.wait_asleep(at)
    box.receive(box.frame(Request.SEQUENCE_STOP))
    said = box.said()
    assert said[-1][2].state == state_
    assert said[-1][2].ended == min(at, 60)
    assert [kind for kind, _, _ in said[:-1]] == ([] if state_ == 4 else [Notice.SEQUENCE_ENDED])
    assert len(box.courses()) == courses


def test_a_stop_without_a_sequence_changes_nothing(box):
    box.done(Request.SET, code=3)
    box.courses()
    assert box.done(Request.SEQUENCE_STOP).state == 0
    assert box.courses() == []
    assert box.done(Request.LEVELS).outputs == 3


def test_a_stopped_one_tells_no_end_later(box):
    load(box, (1, 60))
    box.done(Request.SEQUENCE_START, repeats=2)
    box.wait(30)
    assert box.done(Request.SEQUENCE_STOP).state == 4
    box.wait(1000)
    assert box.said() == []
    assert state(box) == (4, 1, 2, 1, 0, 30)
    box.done(Request.SEQUENCE_START, repeats=1)
    assert state(box) == (2, 1, 1, 1, 1030, 0)


def test_steps_may_be_added_to_one_that_is_over(box):
    load(box, (1, 60))
    box.done(Request.SEQUENCE_START, repeats=1)
    box.wait(60)
    box.said()
    box.done(Request.SEQUENCE_LOAD, index=1, code=2, hold=70)
    assert state(box)[:2] == (1, 2)


@pytest.mark.parametrize("mode", [0, 1, 2, 3])
@pytest.mark.parametrize("byte", [0, 1, 255])
def test_no_byte_disturbs_a_sequence(mode, byte):
    box = SmallBox(byte_mode=mode)
    load(box, (1, 60), (2, 70))
    box.done(Request.SEQUENCE_START, repeats=1)
    box.courses()
    box.wait(30)
    told = box.byte(byte)
    expected = Reason.BYTES_OFF if mode == 0 else Reason.PLAYING
    if mode == 1 and byte == 0:
        expected = Reason.NO_MARKER
    assert (told.reason, told.time) == (expected, 30)
    assert box.courses() == []
    box.wait(100)
    assert [kind for kind, _, _ in box.said()] == [Notice.SEQUENCE_ENDED]


ALLOWED = {
    Request.IDENTIFY: {"major": 2, "minor": 0}, Request.CLOCK: {}, Request.COUNTERS: {},
    Request.LEVELS: {}, Request.FATE: {"asked": 3}, Request.SEQUENCE_STATE: {},
    Request.CAPTURE_START: {"mode": 0}, Request.CAPTURE_FETCH: {"first": 0},
    Request.CAPTURE_STOP: {}, Request.SETTINGS_READ: {}, Request.SESSION: {"number": 5},
    Request.FATE_OF_NUMBER: {"number": 1}, Request.CANCEL: {"number": 0},
    Request.PROBE_LEVELS: {},
}
NOT_ALLOWED = {
    Request.PULSE: {"code": 1}, Request.PULSE_FOR: {"code": 1, "width": 60},
    Request.SET: {"code": 0}, Request.SEQUENCE_LOAD: {"index": 0, "code": 1, "hold": 60},
    Request.TIMED: {"kind": 0, "code": 1, "width": 60, "at": 0, "expiry": 9999},
    Request.SEQUENCE_START: {"repeats": 1}, Request.SETTINGS_WRITE: FACTORY,
    Request.SETTINGS_KEEP: {}, Request.SETTINGS_FACTORY: {},
    Request.SEQUENCE_START_AT: {"repeats": 1, "at": 99_999},
}


def test_what_is_allowed_while_a_sequence_plays(box):
    load(box, (1, 60))
    box.done(Request.SEQUENCE_START, repeats=0)
    box.courses()
    for request, fields in ALLOWED.items():
        box.done(request, **fields)
    for request, fields in NOT_ALLOWED.items():
        assert box.refused(request, **fields) == (Reason.PLAYING, 0)
    assert box.courses() == []
    assert set(ALLOWED) | set(NOT_ALLOWED) == set(Request) - {
        Request.RESTART, Request.SEQUENCE_STOP, Request.SNIPPET_TAKE, Request.SNIPPET_READ
    }


def test_a_restart_ends_a_sequence(box):
    load(box, (1, 60))
    box.done(Request.SEQUENCE_START, repeats=0)
    box.courses()
    box.done(Request.RESTART, into=1)
    assert [(course.steps, course.rest) for course in box.courses()] == [([], 0)]
    assert box.lib.small_restart() == 2


def test_a_sequence_start_is_remembered_like_a_marker(box):
    load(box, (1, 60))
    box.wait(9)
    box.done(Request.SEQUENCE_START, tag=40, repeats=1)
    fate = box.done(Request.FATE, asked=40)
    assert (fate.outcome, fate.code, fate.reason, fate.time) == (1, 0, 0, 9)
    box.wait(100)
    box.said()
    assert box.refused(Request.SEQUENCE_START, tag=40, repeats=1)[0] == Reason.TAG_REPEATED
    assert box.counters()["markers"] == 1


def test_a_refused_start_is_remembered_with_its_reason(box):
    assert box.refused(Request.SEQUENCE_START, tag=50, repeats=1) == (Reason.SEQUENCE_EMPTY, 0)
    fate = box.done(Request.FATE, asked=50)
    assert (fate.outcome, fate.code, fate.reason) == (3, 0, Reason.SEQUENCE_EMPTY)
    assert box.done(Request.IDENTIFY, major=2, minor=0).newest_tag == 50


def test_a_stop_counts_the_step_that_begins_while_it_is_carried_out(box):
    """Between the look at the clock and the edge, a step is over."""
    load(box, (1, 60), (2, 60), (3, 60))
    box.done(Request.SEQUENCE_START, repeats=1)
    box.wait(59)
    box.lib.small_set_tick(1)
    told = box.done(Request.SEQUENCE_STOP)
    assert (told.state, told.played, told.ended) == (4, 2, 60)


def test_a_pulse_that_ends_while_its_cut_is_carried_out_was_not_cut():
    box = SmallBox(gap=0, width=60)
    box.done(Request.PULSE, code=1)
    box.wait(59)
    box.lib.small_set_tick(1)
    box.ask(Request.SET, code=0)  # looks at the clock at 59; its edge is at 60
    assert box.kind == Answer.DONE


def test_an_emptied_sequence_says_nothing_of_the_last_run(box):
    load(box, (1, 60), (2, 60))
    box.wait(7)
    box.done(Request.SEQUENCE_START, repeats=3)
    box.wait(360)
    box.said()
    assert state(box) == (3, 2, 3, 6, 7, 367)
    load(box, (1, 70))
    assert state(box) == (1, 1, 0, 0, 0, 0)


def test_a_run_after_a_stop_begins_anew(box):
    """At the first step and in the first round, wherever the run before was stopped."""
    load(box, (1, 60), (2, 1000), (3, 60))
    box.done(Request.SEQUENCE_START, repeats=2)
    box.wait(1120 + 70)
    assert box.done(Request.SEQUENCE_STOP).played == 5
    box.done(Request.SEQUENCE_START, repeats=2)
    for at, played in ((59, 1), (60, 2), (1059, 2), (1060, 3), (1120, 4), (2239, 6)):
        box.wait(1190 + at - box.now)
        assert state(box) == (2, 3, 2, played, 1190, 0)
    box.wait(1)
    assert box.said()[0][2].time == 1190 + 2240
