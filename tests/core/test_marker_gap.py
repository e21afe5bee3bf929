"""The gap, and markers that wait for it, as the board is told to play them."""

from __future__ import annotations

import pytest
from small_box import FACTORY, LEAST_US, NO_CUT, SmallBox

from tallymark.box.wire.protocol_enumerations import Answer, Notice, Reason, Request

GAP, WIDTH = 500, 80


@pytest.fixture
def box() -> SmallBox:
    return SmallBox(gap=GAP, width=WIDTH)


def last(box: SmallBox) -> tuple[list[tuple[int, int]], int]:
    course = box.courses()[-1]
    assert course.repeats == 1
    return course.steps, course.rest


def send(box: SmallBox, request: int, **fields: int) -> int:
    """Sends a marker that has to wait; nothing is said of it yet. Returns its tag."""
    box.receive(box.frame(request, **fields))
    assert box.said() == []
    return box.tag


def test_the_first_marker_after_a_start_waits_for_nothing(box):
    box.done(Request.PULSE, code=1)
    assert last(box) == ([(1, WIDTH)], 0)


@pytest.mark.parametrize("idle", [0, 1, 200, 449, 450, 451, 499, 500, 501])
def test_the_rest_of_a_gap_is_never_shorter_than_the_board_can_time(box, idle):
    box.done(Request.PULSE, code=1)
    box.wait(WIDTH + idle)
    box.receive(box.frame(Request.PULSE, code=2))
    rest = max(LEAST_US, GAP - idle) if idle < GAP else 0
    assert last(box) == (([(0, rest)] if rest else []) + [(2, WIDTH)], 0)
    if rest:
        assert box.said() == []
        box.wait(rest - 1)
        assert box.said() == []
        assert box.done(Request.FATE, asked=box.tag).outcome == 2
        box.wait(1)
    ((kind, _, told),) = box.said()
    assert told.time == WIDTH + idle + rest
    assert kind == (Answer.DONE_NOTED if rest else Answer.DONE)
    if rest:
        assert (told.lasted, told.delay) == (NO_CUT, rest)


def test_a_pulse_that_is_cut_for_a_gap_begins_it_at_the_cut(box):
    box.done(Request.PULSE, code=1)
    box.wait(30)
    send(box, Request.PULSE, code=2)
    assert last(box) == ([(0, GAP), (2, WIDTH)], 0)
    box.wait(GAP)
    ((_, _, told),) = box.said()
    assert (told.time, told.lasted, told.delay) == (30 + GAP, 30, GAP)


def test_a_held_code_that_is_replaced_keeps_the_gap(box):
    box.done(Request.SET, code=1)
    box.wait(10_000)
    send(box, Request.SET, code=2)
    assert last(box) == ([(0, GAP)], 2)
    box.wait(GAP)
    ((_, _, told),) = box.said()
    assert (told.lasted, told.delay) == (NO_CUT, GAP)


@pytest.mark.parametrize("held", [True, False])
def test_set_0_begins_a_gap_where_something_was_out(box, held):
    box.done(Request.SET if held else Request.PULSE, code=1)
    box.wait(40)
    box.done(Request.SET, code=0)
    box.wait(100)
    send(box, Request.PULSE, code=2)
    assert last(box) == ([(0, GAP - 100), (2, WIDTH)], 0)


def test_set_0_on_idle_lines_begins_no_new_gap(box):
    box.done(Request.PULSE, code=1)
    box.wait(WIDTH + 300)
    box.done(Request.SET, code=0)
    box.wait(50)
    send(box, Request.PULSE, code=2)
    assert last(box) == ([(0, GAP - 350), (2, WIDTH)], 0)


def test_set_0_as_the_first_marker_begins_no_gap(box):
    box.done(Request.SET, code=0)
    box.done(Request.PULSE, code=2)
    assert last(box) == ([(2, WIDTH)], 0)


@pytest.mark.parametrize("first", [20, None])
def test_a_cancelled_wait_is_told_and_the_gap_goes_on(box, first):
    """The gap counts from when the lines went idle, not from the cancellation."""
    box.done(Request.PULSE, code=1)
    idle_from = first or WIDTH
    box.wait(first or WIDTH + 10)
    waiting = send(box, Request.PULSE, code=2)
    box.wait(100)
    box.courses()
    box.receive(box.frame(Request.SET, code=0))
    (one, other) = box.said()
    assert (one[0], one[1], one[2].reason) == (Answer.REFUSED, waiting, Reason.CANCELLED)
    assert one[2].detail == (first or NO_CUT)
    assert (other[0], other[1]) == (Answer.DONE, box.tag)
    assert last(box) == ([], 0)
    fate = box.done(Request.FATE, asked=waiting)
    assert (fate.outcome, fate.reason, fate.time) == (3, Reason.CANCELLED, box.now)
    box.wait(100)
    send(box, Request.PULSE, code=3)
    left = GAP - (box.now - idle_from)
    assert last(box) == ([(0, left), (3, WIDTH)], 0)
    counters = box.counters()
    assert (counters["markers"], counters["refused"]) == (2, 1)


def test_a_waiting_marker_lets_no_other_in_and_says_for_how_long(box):
    box.done(Request.PULSE, code=1)
    box.wait(WIDTH)
    send(box, Request.PULSE, code=2)
    box.wait(123)
    for request, fields in (
        (Request.PULSE, {"code": 3}), (Request.SET, {"code": 3}),
        (Request.PULSE_FOR, {"code": 3, "width": 60}),
    ):
        assert box.refused(request, **fields) == (Reason.WAITING, GAP - 123)
    assert box.refused(Request.SEQUENCE_START, repeats=1)[0] == Reason.SEQUENCE_EMPTY
    box.done(Request.SEQUENCE_LOAD, index=0, code=1, hold=50)
    assert box.refused(Request.SEQUENCE_START, repeats=1) == (Reason.LINES_BUSY, 0)
    assert len(box.courses()) == 2  # the pulse and the one that waits


def test_a_byte_waits_and_is_cancelled_like_a_request(box):
    box.byte(1)
    box.wait(WIDTH + 20)
    box.lib.small_byte_input(2)
    assert box.said() == []
    box.wait(30)
    told = box.byte(3)
    assert (told.reason, told.lasted, told.delay) == (Reason.WAITING, NO_CUT, 0)
    box.receive(box.frame(Request.SET, code=0))
    one, other = box.said()
    assert (one[0], one[2].byte, one[2].reason, one[2].lasted) == (
        Notice.BYTE_MARKER, 2, Reason.CANCELLED, NO_CUT
    )
    assert other[0] == Answer.DONE
    box.wait(10)
    box.lib.small_byte_input(4)
    box.wait(GAP - 60)
    ((_, _, told),) = box.said()
    assert (told.byte, told.reason, told.delay, told.time) == (4, 0, GAP - 60, WIDTH + GAP)


def test_a_cancelled_byte_says_which_pulse_it_had_cut(box):
    box.byte(1)
    box.wait(33)
    box.lib.small_byte_input(2)
    box.receive(box.frame(Request.SET, code=0))
    one, _ = box.said()
    assert (one[2].byte, one[2].reason, one[2].lasted) == (2, Reason.CANCELLED, 33)


def test_a_restart_cancels_a_waiting_marker(box):
    box.done(Request.PULSE, code=1)
    box.wait(10)
    waiting = send(box, Request.PULSE, code=2)
    box.courses()
    box.receive(box.frame(Request.RESTART, into=0))
    one, other = box.said()
    assert (one[0], one[1], one[2].reason, one[2].detail) == (
        Answer.REFUSED, waiting, Reason.CANCELLED, 10
    )
    assert other[0] == Answer.DONE
    assert last(box) == ([], 0)
    assert box.lib.small_restart() == 1


def load_and_play(box: SmallBox, *holds: int, repeats: int = 1) -> None:
    for index, hold in enumerate(holds):
        box.done(Request.SEQUENCE_LOAD, index=index, code=index + 1, hold=hold)
    box.done(Request.SEQUENCE_START, repeats=repeats)


def test_a_sequence_that_ended_begins_a_gap_at_its_end(box):
    load_and_play(box, 60, 70)
    box.wait(130 + 100)
    assert box.said()[0][2].time == 130
    send(box, Request.PULSE, code=9)
    assert last(box) == ([(0, GAP - 100), (9, WIDTH)], 0)


def test_a_sequence_that_ended_unseen_begins_a_gap_at_its_end(box):
    load_and_play(box, 60, 70)
    box.wait_asleep(130 + 100)
    box.receive(box.frame(Request.PULSE, code=9))
    assert [kind for kind, _, _ in box.said()] == [Notice.SEQUENCE_ENDED]
    assert last(box) == ([(0, GAP - 100), (9, WIDTH)], 0)


def test_a_sequence_that_was_stopped_begins_a_gap_at_the_stop(box):
    load_and_play(box, 60, 70, repeats=0)
    box.wait(200)
    state = box.done(Request.SEQUENCE_STOP)
    assert (state.state, state.ended, state.played) == (4, 200, 4)
    box.wait(20)
    send(box, Request.PULSE, code=9)
    assert last(box) == ([(0, GAP - 20), (9, WIDTH)], 0)


@pytest.mark.parametrize(("idle", "detail"), [(0, 500), (100, 400), (470, 50), (499, 50)])
def test_a_sequence_does_not_start_before_the_gap_is_over(box, idle, detail):
    box.done(Request.SEQUENCE_LOAD, index=0, code=1, hold=60)
    box.done(Request.PULSE, code=1)
    box.wait(WIDTH + idle)
    assert box.refused(Request.SEQUENCE_START, repeats=1) == (Reason.LINES_BUSY, detail)
    box.wait(GAP - idle)
    box.done(Request.SEQUENCE_START, repeats=1)


def test_the_end_of_a_hold_begins_a_gap():
    box = SmallBox(gap=GAP, width=WIDTH, hold_limit=1000)
    box.done(Request.SET, code=1)
    box.wait(1000)
    box.said()
    box.wait(100)
    send(box, Request.PULSE, code=2)
    assert last(box) == ([(0, GAP - 100), (2, WIDTH)], 0)


def test_a_held_code_that_waited_gets_its_whole_hold_limit():
    """The host was last heard before the code's edge: the limit counts from the edge."""
    box = SmallBox(gap=200_000, width=WIDTH, hold_limit=1000)
    box.done(Request.PULSE, code=1)
    box.wait(WIDTH)
    send(box, Request.SET, code=2)
    box.wait(200_000)
    assert [kind for kind, _, _ in box.said()] == [Answer.DONE_NOTED]
    assert box.lib.small_next() == WIDTH + 200_000 + 1000
    box.wait(999)
    assert box.said() == []
    box.wait(1)
    assert [kind for kind, _, _ in box.said()] == [Notice.HOLD_ENDED]


def test_any_sign_of_life_extends_a_hold():
    box = SmallBox(hold_limit=1000)
    box.done(Request.SET, code=2)
    box.wait(900)
    box.done(Request.CLOCK)
    box.wait(900)
    box.byte(0)
    assert box.lib.small_next() == 2800
    box.wait(900)
    assert box.refused(Request.PULSE, code=0)[0] == Reason.VALUE_RANGE
    box.wait(999)
    assert box.done(Request.LEVELS).outputs == 2


def test_noise_does_not_extend_a_hold():
    box = SmallBox(hold_limit=1000)
    box.done(Request.SET, code=2)
    box.wait(900)
    box.receive(b"\x05abc\0\0")
    box.wait(100)
    assert [kind for kind, _, _ in box.said()] == [Notice.HOLD_ENDED]


def test_the_gap_counts_under_idle_high_too():
    box = SmallBox(gap=GAP, width=WIDTH, idle=1)
    box.done(Request.PULSE, code=1)
    box.wait(WIDTH)
    send(box, Request.PULSE, code=2)
    assert last(box) == ([(255, GAP), (253, WIDTH)], 255)


def test_overlap_refuse_does_not_keep_a_held_code_from_being_replaced():
    box = SmallBox(gap=GAP, width=WIDTH, overlap=1)
    box.done(Request.SET, code=1)
    box.wait(10)
    send(box, Request.PULSE, code=2)
    assert last(box) == ([(0, GAP), (2, WIDTH)], 0)


@pytest.mark.parametrize("by", [Request.SET, Request.CLOCK])
def test_a_gap_that_is_set_later_counts_from_the_end_of_the_last_pulse(by):
    box = SmallBox(width=WIDTH)
    box.done(Request.PULSE, code=1)
    box.wait(WIDTH + 20)
    box.done(by, **({"code": 0} if by is Request.SET else {}))
    box.wait(10)
    box.done(Request.SETTINGS_WRITE, **FACTORY | {"width": WIDTH, "gap": GAP})
    send(box, Request.PULSE, code=2)
    assert last(box) == ([(0, GAP - 30), (2, WIDTH)], 0)


def test_a_sequence_start_tells_neither_a_cut_nor_a_delay_of_the_marker_before(box):
    box.done(Request.SEQUENCE_LOAD, index=0, code=1, hold=60)
    box.done(Request.PULSE, code=1)
    box.wait(10)
    send(box, Request.PULSE, code=2)
    box.wait(GAP)
    ((kind, _, told),) = box.said()
    assert (kind, told.lasted, told.delay) == (Answer.DONE_NOTED, 10, GAP)
    box.wait(WIDTH + GAP)
    box.ask(Request.SEQUENCE_START, repeats=1)
    assert box.kind == Answer.DONE


def test_a_byte_that_waited_is_told_with_the_time_of_its_edge():
    """The box gets to it later, as when its program was busy."""
    box = SmallBox(gap=200, width=60)
    box.byte(4)
    box.wait(70)
    box.lib.small_byte_input(5)
    assert box.said() == []
    box.wait(500)
    ((kind, _, told),) = box.said()
    assert (kind, told.byte, told.time, told.delay) == (Notice.BYTE_MARKER, 5, 260, 190)
