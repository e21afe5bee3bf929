"""What the box says of another marker with the same number or tag is never taken for its end."""

from __future__ import annotations

from contextlib import suppress

import pytest
from test_restart_unheard import held_for, start_unheard

from tallymark import BadValue, Box, Outcome, PortGone, Unconfirmed
from tallymark.box.wire.layouts import ANSWERS, NOTICES
from tallymark.box.wire.protocol_enumerations import Answer, FateOutcome, Notice, Request
from tallymark.common.errors import NoAnswer


def changes(kind, layout, **fields):
    """Changes fields of the messages of a type."""

    def change(message):
        if message[0] != kind:
            return message
        found = dict(layout.parse(message[2]))
        found.update({name: new(found[name]) for name, new in fields.items()})
        return *message[:2], layout.build(found)

    return change


def loses(lossy, *kinds):
    lossy.lose_answer = lambda answer: answer[0] in kinds


@pytest.mark.parametrize("later_us", [-1, 1, 2**20])
def test_an_edge_at_another_time_is_that_of_another_marker(lossy, later_us):
    layout = NOTICES[Notice.MARKER_EDGE]
    with Box(lossy) as box:
        held_for(box)
        lossy.change_answer = changes(Notice.MARKER_EDGE, layout, time=lambda us: us + later_us)
        marker = box.pulse(2, after_s=0.2)
        with pytest.raises(Unconfirmed, match="not its time"):
            marker.wait()


def test_an_edge_that_came_late_fits_by_its_delay(lossy):
    """One that was given too late goes out later, and says by how much."""
    layout = NOTICES[Notice.MARKER_EDGE]
    later = {"time": lambda us: us + 30, "delay": lambda us: us + 30}
    with Box(lossy) as box:
        held_for(box)
        lossy.change_answer = changes(Notice.MARKER_EDGE, layout, **later)
        assert box.pulse(2, after_s=0.2).wait().delay_us == 30


@pytest.mark.parametrize("field", ["time", "code"])
def test_a_fate_by_number_of_another_marker(lossy, field):
    with Box(lossy) as box:
        held_for(box)
        loses(lossy, Notice.MARKER_EDGE)
        change = {field: lambda value: value + 1}
        lossy.change_answer = changes(Answer.FATE, ANSWERS[Answer.FATE], **change)
        marker = box.pulse(2, after_s=0.2)
        with pytest.raises(Unconfirmed):
            marker.wait()
        assert any(each[0] == Request.FATE_OF_NUMBER for each in lossy.requests)


@pytest.mark.parametrize("outcome", [FateOutcome.DONE, FateOutcome.REFUSED])
def test_a_fate_of_before_the_request_is_that_of_an_earlier_round(lossy, outcome):
    with Box(lossy) as box:
        held_for(box)
        newest_us = box.pulse(1).wait().box_time_us
        loses(lossy, Answer.DONE, Answer.DONE_NOTED)
        lossy.change_answer = changes(
            Answer.FATE, ANSWERS[Answer.FATE],
            time=lambda _: newest_us - 1, outcome=lambda _: outcome, reason=lambda _: 20,
        )  # fmt: skip
        marker = box.pulse(2)
        with pytest.raises(Unconfirmed, match="no record"):
            marker.wait()


def test_a_fate_of_a_new_start_is_taken_though_its_time_is_earlier(lossy):
    """The start is unheard; what the box knew before has no say in the new time."""
    with Box(lossy) as box:
        held_for(box, 50.0)
        start_unheard(lossy, box, 1.0)
        lossy.lose_request = lambda request: request[0] == Request.SESSION
        lost = box.link.window.tags.next + 1
        lossy.lose_answer = lambda answer: answer[:2] == (Answer.DONE_NOTED, lost)
        first, second = box.pulse(1), box.pulse(2)
        assert second.tag == lost
        first.wait()
        assert second.wait().box_time_us < 5e6
        assert any(each[0] == Request.FATE for each in lossy.requests)


def test_an_identity_does_not_show_that_the_box_followed_the_tags(lossy):
    """The box's newest tag stays that of before: too many more, and it took new ones for old."""
    with suppress(PortGone), Box(lossy) as box:
        held_for(box)
        lossy.lose_request = lambda request: request[0] != Request.IDENTIFY
        asked = 0
        while box.link.failure is None and asked < 200:
            asked += 1
            with pytest.raises((NoAnswer, PortGone)):
                box.link.ask(Request.CLOCK)
            if asked == 60:
                box.link.ask(Request.IDENTIFY, b"\2\0")
        assert "no longer answers" in str(box.link.failure)
        assert 90 <= asked <= 100


def two_starts(lossy, box, between):
    """The box starts twice; what shows the first start is all that is heard until the session."""
    held_for(box)
    lossy.lose_request = lambda request: request[0] == Request.SESSION
    start_unheard(lossy, box, 30.0)
    marker = between()
    box.pacing.sleep(0.1)
    return marker


def test_a_marker_accepted_between_two_starts(lossy):
    with Box(lossy) as box:
        old = two_starts(lossy, box, lambda: box.pulse(2, after_s=300.0))
        assert old.outcome is Outcome.ACCEPTED
        with pytest.raises(BadValue, match="Nothing was sent"):
            box.link.put_start(1, 10**9)
        start_unheard(lossy, box, 0.2)
        lossy.lose_request = lambda request: False
        box.pulse(1).wait()
        box.pacing.sleep(2)
        assert old.outcome is Outcome.UNCONFIRMED
        assert box.link._exchange.session_in_force
        new = box.pulse(3, after_s=0.2).wait()
        assert new.ahead_number == old.ahead_number


def test_a_marker_without_an_answer_when_the_session_is_begun_again(lossy):
    """The session clears what the box knew of its tag: nothing is said of it."""
    with Box(lossy) as box:
        two_starts(lossy, box, lambda: box.pulse(2).wait())
        lossy.lose_request = lambda request: request[0] in (Request.PULSE, Request.FATE)
        marker = box.pulse(9)
        with pytest.raises(Unconfirmed, match="started again"):
            marker.wait()
        assert box.link._exchange.session_in_force
