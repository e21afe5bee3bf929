"""The virtual box's board when the power comes back, and when its port has room again."""

from __future__ import annotations

from tallymark.box.wire.frames import Decoder, frame
from tallymark.box.wire.protocol_enumerations import Answer, Cause, Notice, Request
from tallymark.virtual import VirtualBox


def said(box: VirtualBox) -> list[int]:
    """Types of what the box has sent."""
    return [kind for kind, _, _ in Decoder().feed(box.take())]


def test_bytes_on_their_way_are_lost_with_the_power():
    box = VirtualBox()
    box.receive(frame(Request.CLOCK, 1, b""))
    box.start(Cause.POWER)
    assert said(box) == [Notice.STARTED]


def test_lines_are_low_when_the_power_comes_back():
    box = VirtualBox()
    box.receive(frame(Request.SET, 1, bytes((5,))))
    assert box.edges()[-1].levels == 5
    box.start(Cause.POWER)
    assert [edge.levels for edge in box.edges()] == [0]


def test_the_readback_is_not_watched_after_a_start():
    box = VirtualBox()
    box.receive(frame(Request.CAPTURE_START, 1, b"\0"))
    box.start(Cause.POWER)
    for number in range(400):
        box.receive(frame(Request.SET, 1 + number % 255, bytes((number % 2,))))
        box.advance(box.life_us + 100)
        box.take()
    box.receive(frame(Request.CAPTURE_FETCH, 255, bytes(4)))
    ((kind, _, body),) = Decoder().feed(box.take())
    assert (kind, body) == (Answer.EDGES, bytes(5))


def test_notices_go_on_when_the_port_has_room_again():
    box = VirtualBox()
    box.receive(frame(Request.CAPTURE_START, 1, b"\1"))
    for number in range(400):  # the port has room for some of them, and the box keeps others
        box.receive(frame(Request.SET, 1 + number % 255, bytes((number % 2,))))
        box.advance(box.life_us + 100)
    assert Notice.EDGES in said(box)
    box.receive(frame(Request.CAPTURE_FETCH, 255, bytes(4)))
    ((kind, _, body),) = Decoder().feed(box.take())
    assert (kind, body[5:]) == (Answer.EDGES, b"")
