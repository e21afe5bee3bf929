"""Places in the box: no marker ahead is given whose number would take the place of one whose end is
not known yet, so that the box can still be asked for it (PROTOCOL.md, section 6.1)."""

from __future__ import annotations

import pytest

from tallymark import Box, Outcome
from tallymark.box.wire.protocol_enumerations import Answer, Notice, Request

PLACES = 32


@pytest.fixture
def box(lossy):
    with Box(lossy) as box:
        box.sync_clock()
        yield box


@pytest.fixture
def lose_one_end(box, lossy, monkeypatch):
    """The next end is not heard, and for 0.3 s no answer to the question for it."""
    monkeypatch.setattr("tallymark.box.link.accepted_markers._FATE_TRIES", 1000)

    def begin() -> None:
        begin, edges = box.pacing.now(), []

        def lose(message) -> bool:
            if message[0] == Notice.MARKER_EDGE:
                edges.append(message[1])
            early = box.pacing.now() < begin + 0.3
            lost_edge = message[0] == Notice.MARKER_EDGE and message[1] == edges[0]
            return lost_edge or (message[0] == Answer.FATE and early)

        lossy.lose_answer = lose

    return begin


def give(box: Box, count: int) -> list:
    """Markers one after the other, each out and told before the next is given."""
    markers = []
    for _ in range(count):
        markers.append(box.pulse(1, 100, after_s=0.002))
        box.pacing.sleep(0.004)
    return markers


def test_one_without_an_end_keeps_its_place_until_the_box_was_asked(box, lose_one_end):
    lose_one_end()
    markers = give(box, PLACES)
    unheard = markers.pop(0)
    assert unheard.outcome is Outcome.ACCEPTED
    assert all(marker.outcome is Outcome.DONE for marker in markers)
    last = box.pulse(2, 100, after_s=2)
    assert 0 < last.held_back_s < 1
    assert unheard.outcome is Outcome.DONE
    assert unheard.box_time_us == unheard.at_us
    assert last.wait().box_time_us == last.at_us


def test_it_is_asked_for_at_once(box, lossy):
    """No later notice shows that its own is lost, and its end would not be overdue for long."""
    lossy.lose_answer = lambda message: message[0] == Notice.MARKER_EDGE
    unheard = give(box, 1)[0]
    lossy.lose_answer = lambda message: message[0] == Notice.MARKER_EDGE and message[1] > 2
    box.link._exchange.newest_number = PLACES
    last = box.pulse(2, 100, after_s=2)
    assert 0 < last.held_back_s < 0.1
    assert unheard.outcome is Outcome.DONE


def test_one_of_a_lower_number_that_waits_takes_a_place(box, lose_one_end):
    waits = box.pulse(3, 100, after_s=60)
    box.pacing.sleep(0.01)
    lose_one_end()
    unheard = give(box, PLACES - 1)[0]
    assert unheard.outcome is Outcome.ACCEPTED
    box.pulse(2, 100, after_s=2)
    assert unheard.outcome is Outcome.DONE
    assert waits.outcome is Outcome.ACCEPTED


def test_one_whose_time_is_to_come_holds_nothing_up(box):
    waits = box.pulse(3, 100, after_s=1.5)
    markers = give(box, 3 * PLACES)
    assert all(marker.outcome is Outcome.DONE for marker in markers)
    assert max(marker.held_back_s for marker in markers) == 0
    assert waits.wait().box_time_us == waits.at_us


def test_numbers_begin_anew_with_a_start(box, lossy):
    give(box, 2 * PLACES)
    lossy.inner.power_failure()
    box.pacing.sleep(0.1)
    box.sync_clock()
    assert all(marker.held_back_s == 0 for marker in give(box, PLACES))
    assert box.link._exchange.newest_number == PLACES


def test_two_that_were_accepted_under_one_number(box, lossy):
    """Two starts that went unheard, and only the first of them shows by the session bit."""
    lossy.lose_answer = lambda message: message[0] == Notice.STARTED

    def starts(request) -> bool:
        if request[0] == Request.TIMED:
            lossy.inner.power_failure()
        return False

    lossy.lose_request = starts
    box.pacing.sleep(5)
    one, two = box.pulse(1, after_s=60), box.pulse(2, after_s=61)
    lossy.lose_request = lambda request: False
    box.wait()
    assert one.outcome is Outcome.UNCONFIRMED
    assert two.outcome in (Outcome.REFUSED, Outcome.UNCONFIRMED)


def test_the_first_edge_of_a_sequence_is_no_time_of_now(box, lossy):
    """Its start is answered with the time of that edge, which may be still to come."""

    def later(message):
        kind, tag, body = message
        asked = [request for request, each, _ in lossy.requests if each == tag]
        if kind == Answer.DONE and asked[-1:] == [Request.SEQUENCE_START]:
            body = (int.from_bytes(body, "little") + 50_000).to_bytes(8, "little")
        return kind, tag, body

    lossy.change_answer = later
    sequence = box.sequence([(1, 1000)])
    start = sequence.start()
    box.pacing.sleep(0.01)
    assert max(sample.box_us for sample in box.clock._samples) < start.box_time_us
    marker = box.pulse(2, after_s=0.1).wait()
    assert marker.outcome is Outcome.DONE
    assert box.link.starts == 0
