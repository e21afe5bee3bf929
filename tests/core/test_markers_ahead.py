"""Markers ahead of their time: acceptance, order, right of way, and what an interrupt can do in
the middle of it."""

from __future__ import annotations

import pytest
from small_box import LEAST_US, NO_CUT, SmallBox

from tallymark.box.wire.protocol_enumerations import Answer, Notice, Reason, Request

PULSE, SET = 0, 1
LEAD = 300
PLACES = 4


def ahead(box: SmallBox, code: int, at: int, width: int | None = 100, late: int = 0) -> dict:
    """The fields of a marker for box time `at`; no width: a set."""
    return {"kind": PULSE if width is not None else SET, "code": code, "width": width or 0,
            "at": at % 2**32, "expiry": (at + late) % 2**32}


def accept(box: SmallBox, code: int, at: int, width: int | None = 100, late: int = 0) -> int:
    """The number of a marker that has to be accepted."""
    answer = box.done(Request.TIMED, **ahead(box, code, at, width, late))
    assert box.kind == Answer.ACCEPTED
    return answer.number


def refuse(box: SmallBox, code: int, at: int, width: int | None = 100, late: int = 0):
    return box.refused(Request.TIMED, **ahead(box, code, at, width, late))


def due(box: SmallBox):
    """(time, code or levels, width, rest) of what is due next."""
    course = box._ffi.new("struct small_course *")
    if not box.lib.small_due(course):
        return None
    return course.time, course.levels[0], course.us[0] if course.count else 0, course.rest


def begin(box: SmallBox):
    """Lets what is due begin at its time; returns what the box tells, as the main loop sees it."""
    box.wait_asleep((due(box)[0] - box.now) % 2**32)
    box.lib.small_begin()
    box.wait(0)
    ((kind, _, told),) = box.said()
    assert kind == Notice.MARKER_EDGE
    return told


def fate(box: SmallBox, number: int):
    return box.done(Request.FATE_OF_NUMBER, number=number)


# Acceptance ----------------------------------------------------------------------------------


@pytest.mark.parametrize("now", [0, 5000, 2**31, 2**32 - 400, 2**32 + 7, 2**40 + 7])
@pytest.mark.parametrize("lead", [LEAD, LEAD + 1, 10_000, 2**31 - 1])
def test_it_goes_out_at_its_time(box, now, lead):
    box.wait_asleep(now)
    number = accept(box, 5, now + lead)
    assert number == 1
    assert due(box) == ((now + lead) % 2**32, 5, 100, 0)
    told = fate(box, 1)
    assert (told.asked, told.outcome, told.code, told.time) == (0, 4, 5, now + lead)
    assert (told.lasted, told.delay, told.notes, told.number) == (NO_CUT, 0, 0, 1)
    told = begin(box)
    assert (told.number, told.time, told.lasted, told.delay) == (1, now + lead, NO_CUT, 0)
    assert (told.notes, told.reason) == (0, 0)
    assert box.courses() == []
    told = fate(box, 1)
    assert (told.outcome, told.code, told.time, told.lasted) == (1, 5, now + lead, NO_CUT)
    assert due(box) is None


@pytest.mark.parametrize("lead", [1, 150, LEAD - 1])
def test_one_that_comes_too_late_for_its_time(box, lead):
    """It goes out as soon as it can, or it is refused, as its expiry says."""
    box.wait_asleep(1000)
    late = LEAD - lead
    assert refuse(box, 5, 1000 + lead, late=late - 1) == (Reason.LATE, 1)
    assert refuse(box, 5, 1000 + lead) == (Reason.LATE, late)
    assert due(box) is None
    accept(box, 5, 1000 + lead, late=late)
    assert fate(box, 1).delay == late
    told = begin(box)
    assert (told.time, told.delay) == (1000 + LEAD, late)
    assert fate(box, 1).delay == late


def test_one_that_is_past_goes_out_at_once(box):
    box.wait_asleep(1000)
    assert box.done(Request.TIMED, **ahead(box, 5, 1000, late=9)).time == 1000
    assert box.kind == Answer.DONE


def test_a_pulse_a_set_and_the_width_of_the_settings():
    box = SmallBox(idle=1, width=700)
    accept(box, 5, 1000, width=0)
    accept(box, 3, 2000, width=None)
    accept(box, 0, 3000, width=None)
    seen = []
    for _ in range(3):
        seen.append(due(box)[1:])
        begin(box)
    assert seen == [(0xFA, 700, 0xFF), (0xFC, 0, 0xFC), (0xFF, 0, 0xFF)]


def test_what_is_wrong_comes_first_and_is_told(box):
    assert refuse(box, 0, 1000) == (Reason.VALUE_RANGE, 1)
    assert refuse(box, 1, 1000, width=LEAST_US - 1)[0] == Reason.WIDTH_RANGE
    assert box.done(Request.FATE, asked=box.tag).outcome == 3
    assert due(box) is None


def test_the_tag_tells_the_number(box):
    accept(box, 9, 1000)
    number = accept(box, 5, 2000)
    told = box.done(Request.FATE, asked=box.tag)
    assert (told.outcome, told.code, told.number, told.time) == (4, 5, number, 0)
    assert (told.lasted, told.delay, told.reason, told.notes) == (0, 0, 0, 0)
    assert box.done(Request.FATE, asked=99).number == 0


def test_the_same_request_again_is_not_accepted_again(box):
    accept(box, 5, 1000)
    assert box.refused(Request.TIMED, tag=box.tag, **ahead(box, 5, 3000))[0] == Reason.TAG_REPEATED
    begin(box)
    assert due(box) is None


# Order and places ----------------------------------------------------------------------------


@pytest.mark.parametrize("order", [(0, 1, 2, 3), (3, 2, 1, 0), (1, 3, 0, 2), (2, 0, 3, 1)])
@pytest.mark.parametrize("now", [0, 2**32 - 2000])
def test_they_go_out_in_order_of_time(box, order, now):
    box.wait_asleep(now)
    for n in order:
        accept(box, 1 + n, now + 1000 * (1 + n))
    assert refuse(box, 9, now + 9000) == (Reason.PLACES, PLACES)
    assert [begin(box).number for _ in range(4)] == [1 + order.index(n) for n in range(4)]


def test_a_place_is_used_again_lowest_number_first(box):
    for n in range(4):
        accept(box, 1 + n, 1000 * (4 - n))  # number 4 is the first
    for _ in range(3):
        begin(box)
    accept(box, 9, 9000)
    assert [fate(box, n).outcome for n in range(1, 6)] == [4, 0, 1, 1, 4]
    accept(box, 9, 8000)
    assert [fate(box, n).outcome for n in range(1, 7)] == [4, 0, 0, 1, 4, 4]
    told = fate(box, 77)
    assert (told.outcome, told.number, told.code, told.lasted) == (0, 77, 0, 0)


def test_a_sequence_and_the_places_share_their_memory(box):
    box.done(Request.SEQUENCE_LOAD, index=0, code=5, hold=77)
    box.done(Request.SEQUENCE_LOAD, index=1, code=6, hold=78)
    assert fate(box, 1).outcome == 0
    assert refuse(box, 9, 200)[0] == Reason.LATE
    assert box.done(Request.SEQUENCE_STATE).steps == 2
    assert accept(box, 9, 1000) == 1
    assert box.done(Request.SEQUENCE_STATE).state == 0
    assert box.refused(Request.SEQUENCE_START, repeats=1)[0] == Reason.SEQUENCE_EMPTY
    assert box.refused(Request.SEQUENCE_LOAD, index=0, code=5, hold=77) == (Reason.LINES_BUSY, 0)
    assert refuse(box, 9, 1000)[0] == Reason.TAKEN
    begin(box)
    assert [fate(box, n).outcome for n in range(4)] == [0, 1, 0, 0]
    box.done(Request.SEQUENCE_LOAD, index=0, code=5, hold=77)
    box.wait(5000)
    box.done(Request.SETTINGS_FACTORY)
    assert [fate(box, n).outcome for n in range(99)] == [0] * 99


def test_what_has_to_wait_until_none_waits(box):
    accept(box, 5, 1000)
    assert box.refused(Request.SETTINGS_FACTORY) == (Reason.LINES_BUSY, 0)
    assert box.refused(Request.SETTINGS_KEEP) == (Reason.LINES_BUSY, 0)
    begin(box)
    box.wait(200)
    box.done(Request.SETTINGS_KEEP)
    assert fate(box, 1).outcome == 1


# What they cut, and what cuts them -----------------------------------------------------------


def test_it_cuts_what_is_out(box):
    box.done(Request.PULSE_FOR, code=1, width=5000)
    accept(box, 2, 1000, width=3000)
    accept(box, 3, 1500, width=None)
    accept(box, 4, 2000, width=50)
    assert begin(box).lasted == 1000
    assert begin(box).lasted == 500
    assert begin(box).lasted == NO_CUT
    assert fate(box, 2).lasted == 500
    box.wait_asleep(30)
    assert box.done(Request.PULSE, code=7).lasted == 30


def test_an_end_in_the_same_microsecond_cuts_nothing(box):
    accept(box, 2, 1000, width=500)
    accept(box, 3, 1500, width=500)
    accept(box, 3, 2000, width=500)
    accept(box, 0, 2500, width=None)
    told = [begin(box) for _ in range(4)]
    assert [(each.lasted, each.notes) for each in told] == [
        (NO_CUT, 0), (NO_CUT, 0), (NO_CUT, 1), (NO_CUT, 0)
    ]
    assert fate(box, 3).notes == 1


def test_one_without_an_edge(box):
    box.done(Request.SET, code=5)
    accept(box, 5, 1000)
    accept(box, 5, 1070)
    accept(box, 0, 1500, width=None)
    told = [begin(box) for _ in range(3)]
    assert [(each.lasted, each.notes) for each in told] == [(NO_CUT, 1), (70, 1), (NO_CUT, 0)]


def test_the_counters_and_the_hold_limit():
    box = SmallBox(hold_limit=2000)
    before = box.counters()
    accept(box, 5, 1000, width=None)
    accept(box, 6, 9000)
    begin(box)
    box.wait(1999)
    assert box.lib.small_next() == 3000
    box.wait(1)
    ((kind, _, told),) = box.said()
    assert (kind, told.time, told.code) == (Notice.HOLD_ENDED, 3000, 5)
    begin(box)
    counted = box.counters()
    assert counted["markers"] - before["markers"] == 2
    assert counted["notices"] - before["notices"] == 3


def test_the_hold_limit_waits_for_one_that_is_near():
    box = SmallBox(hold_limit=2000)
    box.done(Request.SET, code=5)
    accept(box, 6, 2000 + LEAD - 1)
    box.wait(2000)
    assert box.said() == []
    assert box.lib.small_next() == 2**64 - 1
    assert begin(box).lasted == NO_CUT
    box = SmallBox(hold_limit=2000)
    box.done(Request.SET, code=5)
    accept(box, 6, 2000 + LEAD)
    box.wait(2050)  # looked at too late
    assert box.said() == []
    box = SmallBox(hold_limit=2000)
    box.done(Request.SET, code=5)
    accept(box, 6, 2000 + LEAD)
    box.wait(2000)
    assert [kind for kind, _, _ in box.said()] == [Notice.HOLD_ENDED]


# Right of way --------------------------------------------------------------------------------


def test_nothing_else_moves_the_lines_just_before(box):
    accept(box, 5, 1000)
    box.wait_asleep(1000 - LEAD)
    box.done(Request.SET, code=1)
    box.done(Request.SET, code=0)
    box.wait_asleep(1)
    box.courses()
    for request, fields in (
        (Request.SET, {"code": 0}), (Request.SET, {"code": 1}), (Request.PULSE, {"code": 1}),
        (Request.PULSE_FOR, {"code": 1, "width": 70}),
        (Request.TIMED, {**ahead(box, 1, 0), "expiry": 2000}),
    ):
        assert box.refused(request, **fields) == (Reason.TAKEN, LEAD - 1)
    assert box.byte(3).reason == Reason.TAKEN
    assert box.courses() == []
    begin(box)
    box.done(Request.SET, code=0)


@pytest.mark.parametrize(("end", "fits"), [
    (1000, True), (999, False), (1001 - LEAD, False), (1000 - LEAD, True), (1001, True),
])
def test_the_end_of_a_pulse_that_comes_now_keeps_its_distance(box, end, fits):
    accept(box, 5, 1000)
    box.wait_asleep(400)
    sent = {"code": 1, "width": end - 400}
    if fits:
        box.done(Request.PULSE_FOR, **sent)
    else:
        assert box.refused(Request.PULSE_FOR, **sent) == (Reason.TAKEN, 600)


@pytest.mark.parametrize(("at", "width", "fits"), [
    (2000, 100, False), (2049, 100, False), (2050, 100, True), (1951, 100, False),
    (1950, 100, True), (1900, 100, True), (1899, 100, False), (1850, 100, True),
    (1851, 100, False), (2499, 100, True), (2550, 100, True), (2500, 100, True),
    (2501, 100, False), (2549, 100, False),
])
def test_two_ahead_keep_the_least_width_apart(box, at, width, fits):
    accept(box, 5, 2000, width=500)
    if fits:
        accept(box, 6, at, width=width)
    else:
        assert refuse(box, 6, at, width=width) == (Reason.TAKEN, 2000)


def test_an_overlap_that_is_to_be_refused():
    box = SmallBox(overlap=1)
    accept(box, 5, 2000, width=500)
    assert refuse(box, 6, 2400)[0] == Reason.TAKEN
    assert refuse(box, 6, 1500, width=501)[0] == Reason.TAKEN
    accept(box, 6, 1500, width=500)
    accept(box, 0, 2400, width=None)
    assert box.refused(Request.PULSE_FOR, code=1, width=1501) == (Reason.TAKEN, 1500)
    box.done(Request.PULSE_FOR, code=1, width=700)
    assert refuse(box, 6, 699) == (Reason.TAKEN, 0)
    accept(box, 6, 700)
    box = SmallBox(overlap=1)
    box.done(Request.SET, code=1)  # no pulse
    accept(box, 5, 2000)


def test_the_gap_is_kept_by_all():
    box = SmallBox(gap=500, width=1000)
    box.done(Request.PULSE, code=1)
    assert refuse(box, 2, 1499) == (Reason.TAKEN, 0)
    accept(box, 2, 1500, width=100)
    assert refuse(box, 3, 2099) == (Reason.TAKEN, 1500)
    accept(box, 3, 2700, width=None)
    assert refuse(box, 4, 9000) == (Reason.TAKEN, 2700)  # that code isn't taken back
    accept(box, 0, 3000, width=None)
    assert refuse(box, 4, 3499) == (Reason.TAKEN, 3000)
    accept(box, 4, 3500)


def test_a_marker_that_would_wait_for_its_gap_has_to_be_over_in_time():
    box = SmallBox(gap=500, width=1000)
    box.done(Request.PULSE, code=1)
    accept(box, 2, 4000)
    box.wait(1200)  # idle for 200 of 500
    assert box.refused(Request.PULSE_FOR, code=3, width=2001) == (Reason.TAKEN, 2800)
    assert box.refused(Request.SET, code=3) == (Reason.TAKEN, 2800)
    box.receive(box.frame(Request.PULSE_FOR, code=3, width=2000))
    assert refuse(box, 4, 1499)[0] == Reason.LATE
    assert refuse(box, 4, 1499, late=9)[0] == Reason.TAKEN
    assert refuse(box, 4, 3900) == (Reason.TAKEN, 0)
    box.wait(300)
    ((kind, _, told),) = box.said()
    assert (kind, told.time, told.delay) == (Answer.DONE_NOTED, 1500, 300)
    begin(box)


def test_the_gap_since_the_lines_went_to_idle():
    box = SmallBox(gap=500, width=100)
    accept(box, 1, 300)
    begin(box)
    box.wait(200)
    assert refuse(box, 2, 899) == (Reason.TAKEN, 0)
    accept(box, 2, 900)
    box.done(Request.SET, code=0)  # which makes it no longer
    begin(box)


# Cancelling ----------------------------------------------------------------------------------


def cancel(box: SmallBox, number: int) -> list[tuple[int, int]]:
    """(number, reason) of those that were taken back, before the answer."""
    box.receive(box.frame(Request.CANCEL, number=number))
    *told, (kind, tag, _) = box.said()
    assert (kind, tag) == (Answer.DONE, box.tag)
    assert all(kind == Notice.MARKER_EDGE for kind, _, _ in told)
    for _, _, each in told:
        assert (each.time, each.lasted, each.delay, each.notes) == (box.now, NO_CUT, 0, 0)
    return [(each.number, each.reason) for _, _, each in told]


@pytest.mark.parametrize("gone", [1, 2, 3])
def test_one_is_taken_back(box, gone):
    for n in range(3):
        accept(box, 1 + n, 1000 * (3 - n), late=5)
    refused = box.counters()["refused"]
    assert cancel(box, gone) == [(gone, Reason.CANCELLED)]
    assert cancel(box, gone) == []
    assert cancel(box, 9) == []
    assert box.counters()["refused"] == refused + 1
    told = fate(box, gone)
    assert (told.outcome, told.reason, told.code, told.time) == (3, Reason.CANCELLED, gone, 0)
    assert [begin(box).number for _ in range(2)] == [n for n in (3, 2, 1) if n != gone]
    assert due(box) is None
    assert cancel(box, 1) == []


def test_all_are_taken_back(box):
    for n in range(3):
        accept(box, 1 + n, 1000 * (3 - n))
    arms = box.lib.small_arms()
    assert cancel(box, 0) == [(n, Reason.CANCELLED) for n in (3, 2, 1)]
    assert box.lib.small_arms() > arms
    assert due(box) is None
    assert accept(box, 1, 1000) == 4


def test_one_for_which_it_had_made_room_goes_too():
    box = SmallBox(gap=500)
    accept(box, 1, 1000, width=None)
    accept(box, 0, 2000, width=None)
    accept(box, 2, 3000)
    accept(box, 3, 4000)
    assert cancel(box, 2) == [
        (2, Reason.CANCELLED), (3, Reason.TAKEN), (4, Reason.TAKEN)
    ]
    assert fate(box, 4).reason == Reason.TAKEN
    assert begin(box).number == 1


def test_another_session_takes_all_back(box):
    box.done(Request.SESSION, number=7)
    accept(box, 1, 1000)
    box.done(Request.SESSION, number=7)
    assert due(box) is not None
    box.receive(box.frame(Request.SESSION, number=8))
    (kind, _, told), (answer, _, _) = box.said()
    assert (kind, told.number, told.reason) == (Notice.MARKER_EDGE, 1, Reason.CANCELLED)
    assert answer == Answer.DONE
    assert due(box) is None
    assert fate(box, 1).outcome == 3


def test_a_restart_takes_all_back(box):
    accept(box, 1, 1000)
    box.receive(box.frame(Request.RESTART, into=0))
    kinds = [kind for kind, _, _ in box.said()]
    assert kinds == [Notice.MARKER_EDGE, Answer.DONE]
    assert due(box) is None
    box.start()
    assert due(box) is None
    box.said()
    assert fate(box, 1).outcome == 0
    assert accept(box, 1, 1000) == 1


def test_a_notice_without_room_is_counted_and_can_be_asked_for(box):
    accept(box, 1, 1000)
    box.lib.small_set_room(66 + 27)
    box.wait_asleep(1000)
    box.lib.small_begin()
    box.wait(0)
    assert box.said() == []
    box.lib.small_set_room(1000)
    assert box.counters()["messages_lost"] == 1
    assert fate(box, 1).outcome == 1


# In the middle of something -------------------------------------------------------------------


def tick(box: SmallBox, begin_at: int) -> None:
    """From now on each look at the clock takes 1 µs, and what is due begins by itself then."""
    box.lib.small_set_tick(1)
    box.lib.small_begin_at(begin_at)


@pytest.mark.parametrize("looks", range(1, 12))
@pytest.mark.parametrize("order", [(0, 1), (1, 0)])
def test_one_begins_while_another_is_put_behind_it(looks, order):
    box = SmallBox()
    accept(box, 1, 1000)
    if order == (1, 0):
        accept(box, 3, 3000)
    box.wait_asleep(1000 - 1)
    tick(box, 1000 - 1 + looks)
    box.receive(box.frame(Request.TIMED, **ahead(box, 2, 2000)))
    box.wait_asleep(100)
    box.wait(0)
    said = {kind: told.number for kind, _, told in box.said()}
    if Notice.MARKER_EDGE not in said:  # so many looks were not taken
        return
    assert said[Notice.MARKER_EDGE] == 1
    assert due(box)[:2] == (2000, 2)


@pytest.mark.parametrize("looks", range(1, 12))
def test_one_begins_while_it_is_taken_back(looks):
    """It is either out or cancelled, and the next one goes out in either case."""
    box = SmallBox()
    accept(box, 1, 1000)
    accept(box, 2, 2000)
    box.wait_asleep(1000 - 1)
    tick(box, 1000 - 1 + looks)
    box.receive(box.frame(Request.CANCEL, number=1))
    box.lib.small_begin_at(0)
    box.wait(100)
    ends = [told.reason for kind, _, told in box.said() if kind == Notice.MARKER_EDGE]
    assert ends in ([0], [Reason.CANCELLED], [Reason.CANCELLED, 0])
    assert due(box) is None or due(box)[:2] == (2000, 2)


def test_what_began_unseen_is_seen_before_anything_else(box):
    box.done(Request.PULSE_FOR, code=1, width=5000)
    accept(box, 2, 1000, width=None)
    box.wait_asleep(1000)
    box.lib.small_begin()
    box.wait_asleep(500)
    box.receive(box.frame(Request.PULSE, code=2))
    (_, _, edge), (kind, _, told) = box.said()
    assert (edge.time, edge.lasted) == (1000, 1000)
    assert (kind, told.time, told.lasted, told.notes) == (Answer.DONE_NOTED, 1500, NO_CUT, 1)


def test_two_that_began_unseen(box):
    accept(box, 2, 1000, width=400)
    accept(box, 3, 1100, width=None)
    box.wait_asleep(1000)
    box.lib.small_begin()
    box.wait_asleep(100)
    box.lib.small_begin()
    box.receive(box.frame(Request.FATE_OF_NUMBER, number=2))
    (_, _, one), (_, _, other), (_, _, told) = box.said()
    assert [(each.number, each.lasted) for each in (one, other)] == [(1, NO_CUT), (2, 100)]
    assert (told.outcome, told.lasted) == (1, 100)


def test_a_frame_that_was_got_ready_for_is_looked_at_again(box):
    """Nothing is arranged beforehand while one waits."""
    accept(box, 2, 1000)
    frame = box.frame(Request.PULSE, code=1)
    box.wait_asleep(1000 - LEAD + 1)
    box.receive(frame[:-1])
    box.receive(frame[-1:])
    ((kind, _, told),) = box.said()
    assert (kind, told.reason) == (Answer.REFUSED, Reason.TAKEN)
