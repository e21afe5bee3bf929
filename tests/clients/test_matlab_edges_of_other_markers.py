"""What the box says of another marker with the same number, and the client for MATLAB and GNU
Octave: it is never taken for the end of one."""

from __future__ import annotations

import pytest
from scripted_box import ScriptedBox, notice, says, tells_fate

from tallymark.box.wire.frames import frame
from tallymark.box.wire.layouts import NOTICES
from tallymark.box.wire.protocol_enumerations import NO_CUT, Answer, Notice, Request

CAN = {"capabilities": 0x10, "places": 8}
AT_US = 9_000_000


def opened(octave, box):
    octave.run(f"box = tallymark.Box('{box.where}');")
    octave.run(f"marker = box.pulse(5, [], 'at_us', {AT_US}); await_answer(box, marker);")


def script(**more):
    return {
        Request.TIMED: [says(Answer.ACCEPTED, number=1)],
        Request.CLOCK: [says(Answer.DONE, time=5)],
    } | {Request[name]: told for name, told in more.items()}


class _Asked:
    """The body of a question for the fate of a number, which names no tag."""

    asked = 0


@pytest.mark.parametrize(
    ("fields", "outcome"),
    [
        ({"time": AT_US - 1}, "unconfirmed"),
        ({"time": AT_US + 1}, "unconfirmed"),
        ({"time": AT_US + 30, "delay": 29}, "unconfirmed"),
        ({"time": AT_US + 30, "delay": 30}, "done"),
        ({"time": 5, "reason": 19}, "refused"),
    ],
)
def test_an_edge_by_number(octave, fields, outcome):
    with ScriptedBox(script(), **CAN) as box:
        opened(octave, box)
        edge = {"number": 1, "time": AT_US, "lasted": NO_CUT, "delay": 0, "notes": 0, "reason": 0}
        body = NOTICES[Notice.MARKER_EDGE].build(edge | fields)
        box.tell(frame(Notice.MARKER_EDGE, 2, body))
        marker = octave.value("box.wait(marker)")
        assert marker["outcome"] == outcome
        if outcome == "unconfirmed":
            assert "not at its time, and so that of another marker" in marker["text"]


@pytest.mark.parametrize(("time_us", "outcome"), [(AT_US + 1, "unconfirmed"), (AT_US, "done")])
def test_a_fate_by_number(octave, time_us, outcome):
    def fate(tag, _):
        return tells_fate(1, code=5, time=time_us, number=1)(tag, _Asked)

    with ScriptedBox(script(FATE_OF_NUMBER=[fate]), **CAN) as box:
        opened(octave, box)
        box.tell(notice(Notice.HOLD_ENDED, 3, time=1, code=1))  # number 2 is missing
        assert octave.value("box.wait(marker)")["outcome"] == outcome


def test_an_identity_does_not_show_that_the_box_followed_the_tags(octave):
    """After a hundred tags without another answer a new session begins."""
    with ScriptedBox(**CAN) as box:
        octave.run(f"box = tallymark.Box('{box.where}');")
        for count in (40, 40, 30):
            octave.run(f"for k = 1:{count}, last = box.pulse(1); end, box.wait(last);")
            assert octave.value("last")["outcome"] == "unconfirmed"
            if len(box.requests) < 60:
                box.tell(notice(Notice.HOLD_ENDED, 3, time=1, code=1))  # number 2 is missing
        assert len(box.came(Request.SESSION)) == 2
