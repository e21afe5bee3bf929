"""Requests, answers, history and the byte input, to their limits."""

from __future__ import annotations

import pytest
from small_box import FACTORY, LEAST_US, NO_CUT, SmallBox

from tallymark.box.wire import frames
from tallymark.box.wire.layouts import REQUESTS
from tallymark.box.wire.protocol_enumerations import Answer, Notice, Reason, Request

HISTORY = 16
HOUR = 3_600_000_000
LENGTHS = {request: layout.sizeof() for request, layout in REQUESTS.items()}


def test_the_identity(box):
    box.done(Request.SETTINGS_WRITE, **FACTORY | {"name": b"Quay".ljust(16, b"\0")})
    box.done(Request.PULSE, tag=100, code=1)
    told = box.done(Request.IDENTIFY, major=2, minor=99)
    assert (told.major, told.minor, list(told.firmware)) == (2, 0, [0, 1, 0])
    assert (told.board, bytes(told.serial), told.cause) == (9, b"smallbox", 1)
    assert (told.newest_tag, told.window, told.history) == (100, 96, HISTORY)
    assert (told.longest_frame, told.steps, told.edges) == (64, 4, 8)
    assert (told.least_width, told.longest_width) == (LEAST_US, HOUR)
    assert bytes(told.name) == b"Quay".ljust(16, b"\0")
    assert (told.session, told.capabilities, told.last_notice) == (0, 0x173, 1)
    assert (told.places, told.least_lead) == (4, 300)
    box.byte(3)
    box.done(Request.SESSION, number=0xFEDCBA98)
    told = box.done(Request.IDENTIFY, major=2, minor=0)
    assert (told.session, told.last_notice) == (0xFEDCBA98, 2)


@pytest.mark.parametrize("major", [0, 1, 3, 255])
def test_another_major_version_is_refused(box, major):
    assert box.refused(Request.IDENTIFY, major=major, minor=0) == (Reason.VERSION, 2)


@pytest.mark.parametrize("cause", range(1, 7))
def test_the_cause_of_the_start(box, cause):
    box.start(cause)
    ((kind, tag, told),) = box.said()
    assert (kind, tag, told.major, told.minor, told.cause) == (Notice.STARTED, 1, 2, 0, cause)
    assert box.done(Request.IDENTIFY, major=2, minor=0).cause == cause


def test_a_start_forgets_everything_but_the_kept_settings(box):
    """RAM is full of other things at the start."""
    box.done(Request.PULSE, tag=9, code=1)
    box.start()
    box.said()
    assert set(box.counters().values()) == {0, 1}
    assert box.done(Request.FATE, asked=9).outcome == 0
    assert box.done(Request.CAPTURE_FETCH, first=0).edges == []
    assert [(course.steps, course.rest) for course in box.courses()] == [([], 0)]


def test_a_wrong_length_is_told_before_a_wrong_tag(box):
    box.receive(frames.frame(Request.SET, 0, b"\1\2"))
    ((kind, tag, told),) = box.said()
    assert (kind, tag) == (Answer.REFUSED, 0)
    assert (told.reason, told.detail) == (Reason.WRONG_LENGTH, 1)


def test_each_request_has_exactly_its_length(box):
    for request, length in LENGTHS.items():
        for wrong in {length - 1, length + 1, 0, 60} - {length, -1}:
            box.receive(frames.frame(request, 5, bytes([1] * wrong)))
            ((kind, tag, told),) = box.said()
            assert (kind, tag, told.request) == (Answer.REFUSED, 5, request)
            assert (told.reason, told.detail) == (Reason.WRONG_LENGTH, length)
    assert box.courses() == []
    assert box.done(Request.FATE, asked=5).outcome == 0


def test_unknown_requests(box):
    for number in set(range(256)) - set(Request):
        box.receive(frames.frame(number, 5, b""))
        ((kind, _, told),) = box.said()
        assert (kind, told.request, told.reason, told.detail) == (
            Answer.REFUSED, number, Reason.UNKNOWN_REQUEST, 0
        )


def test_a_refusal_without_a_detail_has_none_of_an_earlier_one(box):
    box.refused(Request.PULSE_FOR, code=1, width=1)
    assert box.refused(Request.PULSE, tag=0, code=1) == (Reason.TAG_ZERO, 0)
    box.refused(Request.PULSE_FOR, code=1, width=1)
    assert box.refused(Request.SEQUENCE_START, repeats=1) == (Reason.SEQUENCE_EMPTY, 0)


def test_a_repeated_tag_stays_repeated_and_frees_nothing(box):
    box.done(Request.PULSE, tag=5, code=7)
    for _ in range(3):
        assert box.refused(Request.PULSE, tag=5, code=8) == (Reason.TAG_REPEATED, 5)
    assert box.done(Request.FATE, tag=6, asked=5).code == 7


def test_a_refused_marker_uses_up_its_tag(box):
    box.wait(77)
    box.refused(Request.PULSE_FOR, tag=5, code=3, width=1)
    fate = box.done(Request.FATE, tag=6, asked=5)
    assert (fate.outcome, fate.code, fate.reason, fate.time) == (3, 3, Reason.WIDTH_RANGE, 77)
    assert box.refused(Request.PULSE, tag=5, code=3)[0] == Reason.TAG_REPEATED


def test_the_tag_0_is_never_known(box):
    fate = box.done(Request.FATE, asked=0)
    assert (fate.asked, fate.outcome, fate.code, fate.time) == (0, 0, 0, 0)


def test_the_last_tag_is_that_of_the_newest_marker():
    """One that waited is no newer when it goes out."""
    box = SmallBox(gap=500, width=50)
    box.done(Request.PULSE, tag=20, code=1)
    box.wait(50)
    box.receive(box.frame(Request.PULSE, tag=21, code=1))
    box.refused(Request.PULSE, tag=22, code=1)
    box.wait(1000)
    box.said()
    assert box.done(Request.IDENTIFY, tag=23, major=2, minor=0).newest_tag == 22
    assert box.done(Request.FATE, tag=24, asked=21).outcome == 1


@pytest.mark.parametrize("width", [LEAST_US, LEAST_US + 1, HOUR])
def test_widths_at_their_limits(box, width):
    box.done(Request.PULSE_FOR, code=1, width=width)
    assert box.courses()[0].steps == [(1, width)]


@pytest.mark.parametrize(
    ("width", "limit"),
    [(0, LEAST_US), (LEAST_US - 1, LEAST_US), (HOUR + 1, HOUR), (2**32 - 1, HOUR)],
)
def test_widths_beyond_their_limits(box, width, limit):
    assert box.refused(Request.PULSE_FOR, code=1, width=width) == (Reason.WIDTH_RANGE, limit)
    assert box.courses() == []


def test_lines_that_are_not_in_use():
    box = SmallBox(lines=0x05)
    for request, fields in (
        (Request.PULSE, {"code": 2}), (Request.PULSE_FOR, {"code": 3, "width": 60}),
        (Request.SET, {"code": 0x80}), (Request.PULSE_FOR, {"code": 2, "width": 1}),
    ):
        assert box.refused(request, **fields) == (Reason.OUTSIDE_LINES, 5)
    assert box.byte(2).reason == Reason.OUTSIDE_LINES
    assert box.courses() == []
    box.done(Request.SET, code=5)


@pytest.mark.parametrize("into", [2, 255])
def test_there_is_nothing_else_to_restart_into(box, into):
    assert box.refused(Request.RESTART, into=into) == (Reason.VALUE_RANGE, 0)
    assert box.lib.small_restart() == 0
    assert box.courses() == []


def test_a_cut_is_told_to_the_microsecond(box):
    box.done(Request.PULSE_FOR, code=1, width=100)
    box.wait(99)
    told = box.ask(Request.PULSE, code=2)
    assert (box.kind, told.lasted, told.delay) == (Answer.DONE_NOTED, 99, 0)
    box.wait(5000)
    box.ask(Request.PULSE, code=3)
    assert box.kind == Answer.DONE


def test_a_held_code_that_is_replaced_was_no_cut_pulse(box):
    box.done(Request.SET, code=1)
    box.wait(10)
    box.ask(Request.PULSE, code=2)
    assert box.kind == Answer.DONE
    box.wait(10)
    told = box.ask(Request.SET, code=3)
    assert (box.kind, told.lasted) == (Answer.DONE_NOTED, 10)


def test_overlap_refuse_leaves_held_codes_and_code_0_alone():
    box = SmallBox(overlap=1, width=100)
    box.done(Request.SET, code=1)
    box.done(Request.SET, code=2)
    box.done(Request.PULSE, code=3)
    box.wait(40)
    assert box.refused(Request.SET, code=4) == (Reason.OVERLAP, 60)
    assert box.byte(4).reason == Reason.OVERLAP
    told = box.ask(Request.SET, code=0)
    assert (box.kind, told.lasted) == (Answer.DONE_NOTED, 40)


BYTE_COURSES = {1: ([(9, 80)], 0), 2: ([], 9), 3: ([(9, 80)], 0)}


@pytest.mark.parametrize("mode", [1, 2, 3])
def test_what_a_byte_does(mode):
    box = SmallBox(byte_mode=mode, width=80)
    box.wait(5)
    told = box.byte(9)
    assert (told.time, told.reason, told.lasted, told.delay) == (5, 0, NO_CUT, 0)
    (course,) = box.courses()
    assert (course.steps, course.rest) == BYTE_COURSES[mode]
    box.wait(30)
    told = box.byte(0)
    if mode == 1:
        assert told.reason == Reason.NO_MARKER
        assert box.courses() == []
    else:
        assert (told.reason, told.lasted) == (0, 30 if mode == 3 else NO_CUT)
        assert [(each.steps, each.rest) for each in box.courses()] == [([], 0)]
    counters = box.counters()
    assert (counters["bytes"], counters["markers"]) == (2, 1 if mode == 1 else 2)
    assert (counters["refused"], counters["frames"]) == (0, 2)


def test_bytes_leave_tags_and_history_alone(box):
    box.done(Request.PULSE, tag=3, code=1)
    box.byte(9)
    identity = box.done(Request.IDENTIFY, tag=4, major=2, minor=0)
    assert identity.newest_tag == 3
    assert box.done(Request.FATE, tag=4, asked=3).code == 1


def test_an_answer_goes_out_when_it_just_fits(box):
    """`done` takes 14 bytes on the wire."""
    for room, fits in ((14, True), (13, False), (0, False)):
        box.lib.small_set_room(room)
        box.receive(box.frame(Request.CLOCK))
        assert (len(box.said()) == 1) is fits
    box.lib.small_set_room(1000)
    assert box.counters()["messages_lost"] == 2


def test_a_notice_leaves_its_reserve_to_the_answers(box):
    """The notice of a byte takes 25 bytes on the wire, the reserve is 66."""
    for room, fits in ((91, True), (90, False), (66, False), (65, False), (0, False)):
        box.lib.small_set_room(room)
        box.lib.small_byte_input(0)
        assert (len(box.said()) == 1) is fits, room
    box.lib.small_set_room(1000)
    assert box.counters()["messages_lost"] == 4


def test_what_the_port_lost_is_counted(box):
    box.lib.small_lost(300)
    box.lib.small_lost(0)
    box.lib.small_unsent(7)
    counters = box.counters()
    assert (counters["input_lost"], counters["messages_lost"]) == (300, 7)


def test_levels_are_told_as_driven_and_as_read():
    box = SmallBox(idle=1)
    box.lib.small_set_readback(0x3C)
    box.wait(8)
    box.done(Request.SET, code=1)
    told = box.done(Request.LEVELS)
    assert (told.time, told.outputs, told.readback) == (8, 0xFE, 0x3C)


def test_every_length_of_message_is_framed_alike(box):
    """With and without zeros at each place; read by an independent decoder in `said`."""
    for time in (0, 1, 255, 256, 0x0100_0001, 0x01_0000_0000, 0x0101_0101_0101_0101, 2**64 - 1):
        box.lib.small_set_time(time)
        assert box.done(Request.CLOCK).time == time


def test_a_marker_that_comes_in_leaves_the_steps_of_the_one_that_is_out_alone(box):
    """The board checks that at each byte, and when the next one is handed over."""
    for code in range(1, 6):
        box.ask(Request.PULSE_FOR, code=code, width=1000 + code)
        wire = box.frame(Request.PULSE_FOR, code=code + 8, width=2000 + code)
        box.receive(wire[:-1])
        box.wait(10)
        box.receive(wire[-1:])
        assert box.said()[0][2].lasted == 10


def test_nothing_is_out_any_more_once_a_restart_is_answered():
    """Where the port needs a moment to restart."""
    box = SmallBox(hold_limit=1000)
    box.done(Request.SET, code=1)
    box.done(Request.RESTART, into=0)
    box.wait(2000)
    assert box.said() == []
    box.done(Request.SETTINGS_KEEP)
