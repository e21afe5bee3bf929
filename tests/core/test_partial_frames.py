"""Events between the bytes of a frame, and the course prepared for it."""

from __future__ import annotations

import pytest
from cobs import cobs
from fastcrc.crc16 import profibus
from small_box import FACTORY, SmallBox

from tallymark.box.wire import frames
from tallymark.box.wire.protocol_enumerations import Answer, Notice, Reason, Request

MARKERS = [
    (Request.PULSE, {"code": 5}),
    (Request.PULSE_FOR, {"code": 5, "width": 5000}),
    (Request.SET, {"code": 5}),
]
STEPS = {Request.SET: ([], 5)}


def course_of(request: int) -> tuple[list[tuple[int, int]], int]:
    return STEPS.get(request, ([(5, 5000)], 0))


def shown(box: SmallBox) -> list[tuple[list[tuple[int, int]], int]]:
    return [(course.steps, course.rest) for course in box.courses()]


@pytest.mark.parametrize(("request_", "fields"), MARKERS)
def test_nothing_moves_before_the_closing_zero(box, request_, fields):
    wire = box.frame(request_, **fields)
    for byte in wire[:-1]:
        box.receive(bytes([byte]))
        assert box.courses() == []
    box.receive(wire[-1:])
    assert shown(box) == [course_of(request_)]


BETWEEN = [
    (1, 0, Reason.NO_MARKER), (0, 9, Reason.BYTES_OFF), (1, 0x80, Reason.OUTSIDE_LINES),
    (1, 3, 0), (2, 3, 0), (2, 0, 0), (3, 0, 0),
]


@pytest.mark.parametrize(("request_", "fields"), MARKERS)
@pytest.mark.parametrize(("mode", "byte", "reason"), BETWEEN)
def test_a_byte_within_a_frame_changes_nothing_in_it(request_, fields, mode, byte, reason):
    """Between any two bytes: in front of the body, between body and CRC, before the zero."""
    for at in range(8):
        box = SmallBox(byte_mode=mode, lines=0x7F)
        wire = box.frame(request_, **fields)
        at = min(at, len(wire) - 1)
        box.receive(wire[:at])
        told = box.byte(byte)
        assert told.reason == reason
        moved = shown(box)
        assert len(moved) == (0 if reason else 1)
        box.receive(wire[at:])
        ((kind, tag, _),) = box.said()
        assert kind in (Answer.DONE, Answer.DONE_NOTED)
        assert tag == box.tag
        assert shown(box) == [course_of(request_)]
        counters = box.counters()
        assert (counters["markers"], counters["bytes"]) == (1 + len(moved), 1)


@pytest.mark.parametrize(("request_", "fields"), MARKERS)
def test_a_frame_that_breaks_behind_its_body_leaves_nothing_ready(box, request_, fields):
    wire = box.frame(request_, **fields)
    for broken in (wire[:-2] + b"\0", wire[:-2] + bytes([wire[-2] ^ 1]) + b"\0", wire[:-3] + b"\0"):
        box.receive(broken)
        assert box.courses() == []
        assert box.done(Request.CLOCK).time == 0
        assert box.courses() == []
    box.done(Request.SET, code=3)
    assert shown(box) == [([], 3)]
    assert box.counters()["frames_broken"] == 3


@pytest.mark.parametrize(("request_", "fields"), MARKERS)
def test_a_frame_that_goes_on_behind_its_body_is_of_a_wrong_length(box, request_, fields):
    wire = box.frame(request_, **fields)
    body = frames.Decoder().feed(wire)[0][2]
    for more in (b"\1", b"\1\2\3"):
        box.receive(frames.frame(request_, 9, body + more))
        ((kind, tag, told),) = box.said()
        assert (kind, tag, told.reason, told.detail) == (
            Answer.REFUSED, 9, Reason.WRONG_LENGTH, len(body)
        )
        assert box.courses() == []


def test_the_clock_of_a_hold_runs_between_body_and_crc(box):
    """The hold limit ends the code that is out while the next frame is coming in."""
    box.done(Request.SETTINGS_WRITE, **FACTORY | {"hold_limit": 1000})
    box.done(Request.SET, code=1)
    box.courses()
    wire = box.frame(Request.PULSE, code=2)
    box.receive(wire[:4])
    box.wait(1000)
    assert [kind for kind, _, _ in box.said()] == [Notice.HOLD_ENDED]
    assert shown(box) == [([], 0)]
    box.receive(wire[4:])
    assert box.said()[0][0] == Answer.DONE
    assert shown(box) == [([(2, 5000)], 0)]


@pytest.mark.parametrize("cut", range(1, 6))
def test_the_next_frame_is_not_the_one_that_was_cut(box, cut):
    """A pulse is cut anywhere; the frame behind it has another type."""
    box.receive(box.frame(Request.PULSE, code=5)[:cut] + b"\0")
    box.said()
    box.courses()
    levels = box.done(Request.LEVELS)
    assert levels.outputs == 0
    assert box.courses() == []


@pytest.mark.parametrize("request_", [Request.PULSE, Request.SET])
def test_a_marker_whose_tag_is_known_is_refused_at_any_time(box, request_):
    box.done(request_, tag=77, code=1)
    box.courses()
    box.wait(100_000)
    assert box.refused(request_, tag=77, code=2) == (Reason.TAG_REPEATED, 77)
    assert box.courses() == []
    assert box.done(Request.FATE, asked=77).code == 1


def test_markers_of_tag_0_and_of_code_0_are_refused(box):
    assert box.refused(Request.PULSE, tag=0, code=1) == (Reason.TAG_ZERO, 0)
    assert box.refused(Request.PULSE, code=0) == (Reason.VALUE_RANGE, 0)
    assert box.refused(Request.PULSE_FOR, code=0, width=100) == (Reason.VALUE_RANGE, 0)
    assert box.done(Request.SET, code=0).time == 0
    assert box.counters()["refused"] == 3


def test_what_a_zero_closes(box):
    box.receive(b"\0\0\0")
    assert box.counters()["frames_broken"] == 0
    box.receive(b"\1\0\2\1\0\3\1\0")
    assert box.counters()["frames_broken"] == 3
    box.receive(bytes([60]) + bytes([1] * 59) + bytes([60]) + bytes([1] * 59) + b"\0")
    assert box.counters()["frames_broken"] == 4
    assert box.done(Request.PULSE, code=1).time == 0


@pytest.mark.parametrize("length", [60, 61, 62])
def test_the_longest_frame(box, length):
    """60 bytes of body make a good frame, which no request has; 61 make a broken one."""
    before = box.counters()
    message = bytes([Request.CLOCK, 9]) + bytes([1] * length)
    box.receive(cobs.encode(message + profibus(message).to_bytes(2, "big")) + b"\0")
    said = box.said()
    after = box.counters()
    if length == 60:
        assert said[0][2].reason == Reason.WRONG_LENGTH
        assert after["frames_broken"] == before["frames_broken"]
    else:
        assert said == []
        assert after["frames_broken"] == before["frames_broken"] + 1


def stuffed(message: bytes) -> bytes:
    """A frame of any message, made without the library."""
    return cobs.encode(message + profibus(message).to_bytes(2, "big")) + b"\0"


@pytest.mark.parametrize(
    "wire",
    [
        stuffed(b"\2"),
        stuffed(b""),
        stuffed(bytes([Request.CLOCK, 9]) + bytes([1] * 60))[:-1] + b"\1\1\0",
        stuffed(bytes([Request.CLOCK, 9]) + bytes([1] * 60))[:-1] + b"\5abcd\0",
    ],
    ids=["three bytes", "two bytes", "a good frame and more zeros", "a good frame and more bytes"],
)
def test_frames_that_are_too_short_or_too_long_are_broken_whatever_their_crc(box, wire):
    box.receive(wire)
    assert box.said() == []
    counters = box.counters()
    assert (counters["frames"], counters["frames_broken"]) == (1, 1)


def test_a_block_that_promises_more_than_comes_is_broken(box):
    """All bytes and their CRC are right; only the last block is not over."""
    for message in (b"\x10\x09\x05", b"\x10\x09\0\x05", b"\x02\x09"):
        wire = bytearray(stuffed(message))
        at = 0
        while at + wire[at] < len(wire) - 1:
            at += wire[at]
        wire[at] += 1
        box.receive(bytes(wire))
        assert box.said() == []
    assert box.courses() == []
    assert box.counters()["frames_broken"] == 3


@pytest.mark.parametrize("message", [b"\x10\x09\x05", b"\x02\x09", b"\x11\x09\x01\x00\x01\x00\x00"])
def test_each_byte_of_a_frame_counts(box, message):
    """Each with every other value: never acted on, and the frame behind it is good again."""
    wire = stuffed(message)
    for at in range(len(wire) - 1):
        for other in set(range(1, 256)) - {wire[at]}:
            box.receive(wire[:at] + bytes([other]) + wire[at + 1 :])
            assert box.said() == []
    assert box.courses() == []
    box.receive(wire)
    assert len(box.said()) == 1
