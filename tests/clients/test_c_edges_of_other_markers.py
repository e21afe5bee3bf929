"""What the box says of another marker with the same number or tag, and the client in C: it is never
taken for the end of one."""

from __future__ import annotations

import pytest
from c_library import DONE, OPEN, REFUSED, UNCONFIRMED, WHYS, ClientError
from scripted_box import ScriptedBox, notice, says, silence, tells_fate

from tallymark.box.wire.frames import frame
from tallymark.box.wire.layouts import NOTICES
from tallymark.box.wire.protocol_enumerations import NO_CUT, Answer, Notice, Request

CAN = {"capabilities": 0x10, "places": 8}
AT_US = 9_000_000
LEVELS = says(Answer.LEVELS, time=5, outputs=0, readback=0)


def edge(**fields) -> bytes:
    found = {"number": 1, "time": AT_US, "lasted": NO_CUT, "delay": 0, "notes": 0, "reason": 0}
    return frame(Notice.MARKER_EDGE, 2, NOTICES[Notice.MARKER_EDGE].build(found | fields))


class _Asked:
    """The body of a question for the fate of a number, which names no tag."""

    asked = 0


@pytest.mark.parametrize(
    ("fields", "outcome"),
    [
        ({"time": AT_US - 1}, UNCONFIRMED),
        ({"time": AT_US + 1}, UNCONFIRMED),
        ({"time": AT_US + 30, "delay": 29}, UNCONFIRMED),
        ({"time": AT_US + 30, "delay": 30}, DONE),
        ({"time": 5, "reason": 19}, REFUSED),
    ],
)
def test_an_edge_by_number(library, fields, outcome):
    script = {Request.TIMED: [says(Answer.ACCEPTED, number=1)]}
    with ScriptedBox(script, **CAN) as scripted, library.open(scripted.where) as box:
        box.pulse_ahead(5, at_us=AT_US)
        box.poll(50)
        scripted.tell(edge(**fields))
        marker = box.wait(1)
        assert marker.outcome == outcome
        if outcome == UNCONFIRMED:
            assert WHYS[marker.why] == "OTHER"
            assert "an edge by its number that is not at its time" in box.describe(1)
            assert marker.box_time_us == 0


@pytest.mark.parametrize(("time_us", "outcome"), [(AT_US + 1, UNCONFIRMED), (AT_US, DONE)])
def test_a_fate_by_number(library, time_us, outcome):
    script = {
        Request.TIMED: [says(Answer.ACCEPTED, number=1)],
        Request.FATE_OF_NUMBER: [
            lambda tag, _: tells_fate(1, code=5, time=time_us, number=1)(tag, _Asked)
        ],
    }
    with ScriptedBox(script, **CAN) as scripted, library.open(scripted.where) as box:
        box.pulse_ahead(5, at_us=AT_US)
        box.poll(50)
        scripted.tell(notice(Notice.HOLD_ENDED, 3, time=1, code=1))  # number 2 is missing
        assert box.wait(1).outcome == outcome


def fall_silent(scripted, box):
    """Markers and questions without an answer, for a hundred tags."""
    before = len(scripted.requests)
    for _ in range(2):
        numbers = [box.pulse(1) for _ in range(44)]
        for number in numbers:
            box.wait(number)
    while len(scripted.requests) - before < 101:
        with pytest.raises(ClientError):
            box.levels()
    assert len(scripted.came(Request.SESSION)) == 1


def test_an_answer_after_a_hundred_tags_without_one_does_not_do(library):
    """The box's newest tag may be that of long ago, whatever it answers by now. A start may hide
    behind the silence, so nothing more is known of a marker that was accepted before it."""
    script = {
        Request.TIMED: [says(Answer.ACCEPTED, number=1)],
        Request.CANCEL: [says(Answer.DONE, time=5)],
    }
    with ScriptedBox(script, **CAN) as scripted, library.open(scripted.where) as box:
        box.pulse_ahead(5, after_us=60_000_000)
        box.poll(50)
        fall_silent(scripted, box)
        assert box.marker(1).outcome == OPEN
        scripted.script[Request.LEVELS] = [LEVELS]
        box.levels()
        scripted.script[Request.PULSE] = [says(Answer.DONE, time=6)]
        number = box.pulse(2)
        assert len(scripted.came(Request.SESSION)) == 2
        assert box.wait(number).outcome == DONE
        assert (box.marker(1).outcome, WHYS[box.marker(1).why]) == (UNCONFIRMED, "SILENT")


def test_a_marker_accepted_between_two_starts(library):
    """The second start has no sign of its own: what was accepted until then is unconfirmed."""
    script = {
        Request.TIMED: [says(Answer.ACCEPTED, number=1)],
        Request.CANCEL: [silence],
        Request.PULSE: [says(Answer.DONE, time=50)],
    }
    with ScriptedBox(script, **CAN) as scripted, library.open(scripted.where) as box:
        scripted.session = 0  # it has started, unheard: what it accepts next shows that
        box.pulse_ahead(5, at_us=AT_US)
        box.poll(50)
        box.pulse(1)
        assert len(scripted.came(Request.SESSION)) == 2
        assert (box.marker(1).outcome, WHYS[box.marker(1).why]) == (UNCONFIRMED, "RESTARTED")
