"""Markers ahead: given in host time, put out by the box, told by number though notices are lost."""

from __future__ import annotations

import pytest
from log_call_recorder import Log
from lossy_port import LossyPort

from tallymark import BadValue, Box, Outcome, PortGone, Refused, Unconfirmed
from tallymark.box.times_ahead import LONGEST_S
from tallymark.box.wire.answer_values import Identity, MarkerEdge
from tallymark.box.wire.frames import frame
from tallymark.box.wire.protocol_enumerations import Answer, Capability, Notice, Reason, Request


def edges(lossy: LossyPort) -> list[tuple[int, int]]:
    return [tuple(edge) for edge in lossy.inner.device.edges() if edge.levels]


@pytest.fixture
def box(lossy):
    with Box(lossy) as box:
        lossy.inner.device.edges()
        yield box


def test_the_edge_comes_at_its_host_time(box, lossy):
    at = box.pacing.now() + 0.25
    one = box.pulse(5, at=at)
    other = box.pulse(6, 1000, after_s=0.1)
    third = box.set(7, at=at + 0.5)
    assert one.outcome in (Outcome.OPEN, Outcome.ACCEPTED)
    assert box.wait() == []
    for marker, wanted in ((one, at), (other, at - 0.15), (third, at + 0.5)):
        assert marker.outcome is Outcome.DONE
        assert abs(marker.host_time.seconds - wanted) <= marker.host_time.bound_s + 1e-6
        assert marker.box_time_us == marker.at_us
        assert marker.delay_us == 0
    assert edges(lossy) == [
        (other.box_time_us, 6), (one.box_time_us, 5), (third.box_time_us, 7)
    ]


def test_one_that_comes_after_its_time_tells_by_how_much(box):
    """The box puts it out at once, and answers as it does for any marker."""
    box.sync_clock()
    late = box.pulse(5, at=box.pacing.now() - 0.003, late_s=0.01).wait()
    assert late.delay_us == late.box_time_us - late.at_us
    assert 3_000 <= late.delay_us < 5_000
    edge = box.to_host_time(late.box_time_us)
    assert abs(late.host_time.seconds - edge.seconds) <= edge.bound_s + late.host_time.bound_s


def test_it_holds_neither_window_nor_tag(box):
    many = [box.pulse(1 + n, 100, after_s=1 + n / 100) for n in range(30)]
    for _ in range(300):
        box.pulse(255, 10).wait()
    assert all(marker.outcome is Outcome.ACCEPTED for marker in many)
    assert box.wait() == []
    assert [marker.code for marker in sorted(many, key=lambda each: each.box_time_us)] == [
        1 + n for n in range(30)
    ]


def test_other_markers_have_no_host_time_of_their_own(box):
    assert box.pulse(5).wait().host_time is None


def test_more_than_the_box_holds(box, lossy):
    for n in range(32):
        box.pulse(1, 100, after_s=1 + n / 100)
    sent = len(lossy.requests)
    with pytest.raises(BadValue, match="holds 32 markers ahead"):
        box.pulse(1, 100, after_s=2)
    assert len(lossy.requests) == sent


def test_what_is_wrong_is_not_sent(box, lossy):
    now = box.pacing.now()
    sent = len(lossy.requests)
    for arguments, why in (
        ({"at": now + 1, "after_s": 1}, "not both"),
        ({"at": now + LONGEST_S + 1}, "30 minutes ahead at most"),
        ({"at": now - LONGEST_S - 1}, "30 minutes ahead at most"),
        ({"after_s": 1, "late_s": -1e-6}, "30 minutes"),
        ({"after_s": 1, "bound_s": 1e-9}, "agree within .* not within 0 µs as asked"),
        ({"after_s": 1, "bound_s": 0.0}, "agree within .* not within 0 µs as asked"),
    ):
        with pytest.raises(BadValue, match=why):
            box.pulse(5, **arguments)
        with pytest.raises(BadValue, match=why):
            box.set(5, **arguments)
    assert len(lossy.requests) == sent
    bound_s = box.clock.to_box(now + 1)[1] * 1e-6
    box.pulse(5, at=now + 1, bound_s=bound_s + 1e-5).wait()
    with pytest.raises(BadValue, match="agree within"):
        box.pulse(5, after_s=1, bound_s=bound_s / 2)


def test_a_box_that_can_not(lossy):
    def without(message):
        kind, tag, body = message
        if kind != Answer.IDENTITY:
            return message
        lacking = bytearray(body)
        lacking[52] &= ~Capability.AHEAD & 0xFF
        return kind, tag, bytes(lacking)

    lossy.change_answer = without
    with Box(lossy) as box, pytest.raises(BadValue, match="can't put out markers ahead"):
        box.pulse(5, after_s=1)


def test_one_that_is_late_is_refused_or_goes_out_as_asked(box):
    now = box.pacing.now()
    box.pacing.sleep(0.01)
    with pytest.raises(Refused) as refused:
        box.pulse(5, at=now).wait()
    assert refused.value.reason is Reason.LATE
    marker = box.pulse(5, at=now, late_s=0.1).wait()
    assert marker.delay_us == marker.box_time_us - marker.at_us >= 10_000
    near = box.pulse(6, after_s=50e-6, late_s=0.001).wait()
    assert near.box_time_us - near.at_us == near.delay_us > 0


def test_one_in_the_way_is_refused(box):
    box.pulse(5, after_s=1)
    taken = box.pulse(5, after_s=1)
    assert box.wait() == [taken]
    assert taken.error.reason is Reason.TAKEN


def test_cancel_takes_back_one_or_all(box, lossy):
    one, two, three = (box.pulse(1 + n, 100, after_s=0.1 * (1 + n)) for n in range(3))
    assert box.cancel(two) == [two]
    assert box.cancel(two) == []
    assert (two.outcome, two.error.reason) == (Outcome.REFUSED, Reason.CANCELLED)
    one.wait()
    assert box.cancel(one) == []
    four = box.pulse(9, 100, after_s=1)
    assert box.cancel() == [three, four]
    assert box.cancel() == []
    box.pacing.sleep(2)
    assert [code for _, code in edges(lossy)] == [1]


def test_closing_takes_all_back(lossy):
    log = Log()
    with Box(lossy, log=log) as box:
        marker = box.pulse(5, after_s=1)
    assert marker.outcome is Outcome.REFUSED
    assert log.lines[-1] == ("refused", 1, "cancelled")


def test_the_log_has_it_all(box):
    log = box.log = Log()
    one = box.pulse(5, 100, after_s=0.02, name="horn")
    box.counters()
    two = box.set(0, after_s=0.04)
    one.wait()
    box.cancel(two)
    box.pacing.sleep(0.1)
    assert log.lines == [
        ("sent", 1, 5, 100, "horn"),
        ("scheduled", 1, one.at_us),
        ("sent", 2, 0, "stays", None),
        ("scheduled", 2, two.at_us),
        ("answered", 1, one.at_us, None, 0),
        ("refused", 2, "cancelled"),
    ]


def test_listeners_hear_of_it_too(box):
    heard = []
    box.listen(heard.append)
    marker = box.pulse(5, after_s=0.01).wait()
    assert heard == [MarkerEdge(1, marker.at_us, None, None, 0)]


# Lost messages -------------------------------------------------------------------------------


def lose(kind: int, times: int = 1):
    left = [times]

    def lost(message) -> bool:
        if message[0] == kind and left[0]:
            left[0] -= 1
            return True
        return False

    return lost


def test_the_notice_is_lost(box, lossy):
    lossy.lose_answer = lose(Notice.MARKER_EDGE)
    marker = box.pulse(5, after_s=0.05).wait()
    assert marker.box_time_us == marker.at_us
    assert edges(lossy) == [(marker.at_us, 5)]
    asked = [kind for kind, _, _ in lossy.requests if kind == Request.FATE_OF_NUMBER]
    assert len(asked) == 1


def test_a_later_notice_shows_that_one_is_lost(box, lossy):
    """It is asked for at once, not when it is overdue."""
    lossy.lose_answer = lose(Notice.MARKER_EDGE)
    one = box.pulse(5, 100, after_s=0.05)
    box.pulse(6, 100, after_s=0.06).wait()
    box.pacing.sleep(0.01)
    assert one.outcome is Outcome.DONE
    assert box.pacing.now() - one.host_time.seconds < 0.4


def test_the_notice_of_a_cancelled_one_is_lost(box, lossy):
    lossy.lose_answer = lose(Notice.MARKER_EDGE)
    one = box.pulse(5, 100, after_s=1)
    two = box.pulse(6, 100, after_s=2)
    assert two in box.cancel()
    box.wait()
    assert one.error.reason is Reason.CANCELLED
    assert edges(lossy) == []


@pytest.mark.parametrize("after_s", [0.05, 2.0])
def test_the_answer_is_lost(box, lossy, after_s):
    lossy.lose_answer = lose(Answer.ACCEPTED)
    marker = box.pulse(5, after_s=after_s).wait()
    assert edges(lossy) == [(marker.at_us, 5)]
    assert marker.box_time_us == marker.at_us


def test_the_request_is_lost(box, lossy):
    lossy.lose_request = lose(Request.TIMED)
    with pytest.raises(Unconfirmed, match="no record"):
        box.pulse(5, after_s=0.05).wait()


def test_neither_notice_nor_fate_comes(box, lossy):
    lossy.lose_answer = lambda message: message[0] in (Notice.MARKER_EDGE, Answer.FATE)
    with pytest.raises(Unconfirmed, match="does not answer"):
        box.pulse(5, after_s=0.05).wait()


def test_the_box_has_forgotten_it(box, lossy):
    lossy.lose_answer = lose(Notice.MARKER_EDGE)
    marker = box.pulse(5, after_s=0.05)
    box.pacing.sleep(0.1)
    lossy.inner.write(frame(Request.SEQUENCE_LOAD, 200, bytes((0, 0, 1, 100, 0, 0, 0))))
    with pytest.raises(Unconfirmed, match="no record of it any more"):
        marker.wait()


def test_a_marker_that_still_waits_is_not_given_up(box, lossy):
    """A notice of something else is lost; the box is asked, and says that it waits."""
    marker = box.pulse(5, after_s=3)
    box.pacing.sleep(0.01)
    box._link._reader._miss(1)
    box.pacing.sleep(1)
    assert marker.outcome is Outcome.ACCEPTED
    assert marker.wait().box_time_us == marker.at_us


def test_a_restart_leaves_them_unconfirmed(box, lossy):
    marker = box.pulse(5, after_s=1)
    box.pacing.sleep(0.01)
    lossy.inner.power_failure()
    with pytest.raises(Unconfirmed, match="started again"):
        marker.wait()


def test_an_asked_restart_takes_them_back(box):
    marker = box.pulse(5, after_s=1)
    box.pacing.sleep(0.01)
    box.restart()
    assert marker.error.reason is Reason.CANCELLED


def test_a_port_that_goes_away_leaves_them_unconfirmed(lossy):
    box = Box(lossy)
    marker = box.pulse(5, after_s=1)
    box.pacing.sleep(0.01)
    lossy.inner.unplug()
    with pytest.raises((Unconfirmed, PortGone)):
        marker.wait()
    assert marker.outcome is Outcome.UNCONFIRMED
    assert marker in box.unconfirmed
    box.close()


def test_a_wait_that_is_too_short_says_so(box):
    marker = box.pulse(5, after_s=1)
    box.pacing.sleep(0.01)
    with pytest.raises(Unconfirmed, match="was accepted, but"):
        marker.wait(0.1)
    marker.wait()


def test_the_identity_tells_places_and_lead(box):
    told = Identity.parse(box.link.ask(Request.IDENTIFY, b"\2\0").body)
    assert (told.places, told.least_lead_us) == (32, 100)


def test_the_clocks_are_compared_while_only_markers_ahead_are_given(box):
    """Their answers tell no box time, so the bound would grow."""
    before = box.clock.to_box(box.pacing.now() + 60)[1]
    for _ in range(20):
        box.pulse(5, after_s=0.5).wait()
        box.pacing.sleep(1.1)
    assert box.clock.to_box(box.pacing.now())[1] < before
