"""Sessions, numbered notices and restarts that nobody heard of."""

from __future__ import annotations

import pytest
from log_call_recorder import Log
from lossy_port import LossyPort

from tallymark import Box, NoAnswer, Outcome, PortGone, Refused, Unconfirmed
from tallymark.box.link.notice_numbers import NoticeNumbers
from tallymark.box.wire.answer_values import ByteMarker, Identity, NoticesLost, Started
from tallymark.box.wire.frames import frame
from tallymark.box.wire.protocol_enumerations import (
    IN_SESSION,
    Answer,
    Cause,
    Notice,
    Reason,
    Request,
)


def identity_of(box: Box) -> Identity:
    return Identity.parse(box.link.ask(Request.IDENTIFY, b"\2\0").body)


def kinds(lossy: LossyPort) -> list[int]:
    return [kind for kind, _, _ in lossy.requests]


# Sessions ------------------------------------------------------------------------------------


def test_a_box_is_opened_with_a_session_before_any_marker(lossy):
    with Box(lossy) as box:
        asked = kinds(lossy)
        assert asked.index(Request.IDENTIFY) < asked.index(Request.SESSION)
        box.pulse(5).wait()
        session = identity_of(box).session
        assert session != 0
        assert [body for kind, _, body in lossy.requests if kind == Request.SESSION] == [
            session.to_bytes(4, "little")
        ]


def test_each_opening_has_a_session_of_its_own():
    sessions = set()
    for _ in range(3):
        with Box(LossyPort()) as box:
            sessions.add(identity_of(box).session)
    assert len(sessions) == 3


def test_tags_of_the_host_before_stand_in_nobodys_way(lossy):
    """Whatever tag it used last: none of the next host's markers is refused."""
    for last in (1, 7, 40, 127, 128, 200, 255):
        port = LossyPort()
        port.inner.write(frame(Request.PULSE_FOR, last, b"\5\1\0\0\0"))
        port.inner.write(frame(Request.PULSE_FOR, last % 255 + 1, b"\5\1\0\0\0"))
        with Box(port) as box:
            markers = [box.pulse(1, 10) for _ in range(300)]
            assert box.wait() == []
            assert {marker.outcome for marker in markers} == {Outcome.DONE}


@pytest.mark.parametrize("lost", [1, 2])
def test_a_session_whose_answer_was_lost_is_begun_once_more(lossy, lost):
    left = [lost]

    def lose(message) -> bool:
        is_session = message[1] in [tag for kind, tag, _ in lossy.requests
                                    if kind == Request.SESSION]
        left[0] -= is_session
        return is_session and left[0] >= 0

    lossy.lose_answer = lose
    if lost == 2:
        with pytest.raises(NoAnswer, match="session"):
            Box(lossy)
        return
    with Box(lossy) as box:
        assert kinds(lossy).count(Request.SESSION) == 2
        assert box.pulse(5).wait().outcome is Outcome.DONE


def test_after_a_start_the_session_is_begun_again(lossy):
    with Box(lossy) as box:
        before = identity_of(box).session
        lossy.inner.power_failure()
        box.pacing.sleep(0.01)
        assert identity_of(box).session == before
        assert box.pulse(5).wait().outcome is Outcome.DONE
        assert box.link.starts == 1


def test_a_restart_that_nobody_heard_of_shows_when_a_marker_is_not_known(lossy):
    """Its notice was lost, and with it the answer to a marker."""
    log, heard = Log(), []
    with Box(lossy) as box:
        box.log = log
        box.listen(heard.append)
        box.pulse(4).wait()
        lossy.lose_answer = lambda answer: True
        marker = box.pulse(5)
        lossy.inner.power_failure()
        box.pacing.sleep(0.001)
        lossy.lose_answer = lambda answer: False
        with pytest.raises(Unconfirmed):
            marker.wait()
        box.pacing.sleep(0.1)
        assert box.link.starts == 1
        assert identity_of(box).session != 0
    assert [type(each) for each in heard] == [Started]
    assert ("restarted", "unknown") in log.lines


def test_another_host_on_the_same_link_is_told(lossy):
    with Box(lossy) as box:
        lossy.inner.write(frame(Request.SESSION, 1, b"\7\0\0\0"))
        lossy.lose_request = lambda request: request[0] == Request.PULSE
        marker = box.pulse(5)
        with pytest.raises((Unconfirmed, PortGone)):
            marker.wait()
        box.pacing.sleep(0.1)
        assert marker.outcome is Outcome.UNCONFIRMED
        with pytest.raises(PortGone, match="another program"):
            box.pulse(6)
        assert box.link.failure_reported


# Fates ---------------------------------------------------------------------------------------


def test_a_fate_of_the_round_before_confirms_nothing():
    """The tag of a lost marker was used 255 requests ago, for another marker of the same code."""
    port = LossyPort()
    with Box(port) as box:
        first = box.pulse(5, 10).wait()
        for _ in range(254):
            box.link.ask(Request.CLOCK)
        port.lose_request = lambda request: request[0] == Request.PULSE_FOR
        marker = box.pulse(5, 10)
        assert marker.tag == first.tag
        with pytest.raises(Unconfirmed, match="no record"):
            marker.wait()
        port.lose_request = lambda request: False
        assert box.counters().markers == 1


def test_a_tag_that_is_not_ahead_is_asked_for(lossy):
    """The first answer was lost: the refusal of the second copy does not mean that it is lost."""
    with Box(lossy) as box:
        box.pacing.sleep(0.001)
        lossy.repeat = lambda request: request[0] == Request.PULSE
        lossy.lose_answer = lambda answer: answer[0] == Answer.DONE
        marker = box.pulse(5).wait()
        assert (marker.outcome, marker.delay_us) == (Outcome.DONE, 0)
        assert box.unconfirmed == []
        assert kinds(lossy).count(Request.FATE) == 1


# Notices -------------------------------------------------------------------------------------


def test_missing_notices_are_counted_by_their_numbers():
    numbers = NoticeNumbers()
    assert numbers.came(7) == 0
    assert [numbers.came(number) for number in (8, 10, 255, 1, 3)] == [0, 1, 244, 0, 1]
    assert numbers.came(3) is None
    numbers.begin(250)
    assert [numbers.came(number) for number in (2, 1)] == [6, 253]


def test_the_boxs_own_count_shows_what_goes_round():
    numbers = NoticeNumbers()
    numbers.begin(3)
    assert numbers.compare(100) == 0  # how many came before is not known
    assert numbers.came(4) == 0
    assert numbers.compare(101) == 0
    assert numbers.came(5) == 0  # 255 were lost in between
    assert numbers.compare(357) == 255
    assert numbers.compare(357) == 0
    numbers.started(1)
    assert numbers.compare(1) == 0
    assert numbers.came(4) == 2
    assert numbers.compare(4) == 0


@pytest.mark.parametrize("count", [254, 255])
def test_a_loss_that_the_numbers_hide_shows_in_the_counters(lossy, count):
    heard = []
    with Box(lossy) as box:
        box.listen(heard.append)
        box.counters()
        lossy.lose_answer = lambda answer: answer[0] == Notice.BYTE_MARKER
        for _ in range(count):
            lossy.inner.byte_input(b"\2")
            box.pacing.sleep(0.01)
        lossy.lose_answer = lambda answer: False
        box.counters()
        box.pacing.sleep(0.01)
        assert box.link.notices_lost == count
        lossy.inner.byte_input(b"\3")
        box.counters()
        box.pacing.sleep(0.01)
        assert box.link.notices_lost == count  # not once more
    assert NoticesLost(count) in heard


@pytest.mark.parametrize("count", [1, 3, 200])
def test_lost_notices_are_told_and_logged(lossy, count):
    log, heard = Log(), []
    with Box(lossy) as box:
        box.log = log
        box.listen(heard.append)
        lossy.inner.byte_input(b"\1")
        box.pacing.sleep(0.01)
        lossy.lose_answer = lambda answer: answer[0] == Notice.BYTE_MARKER
        for _ in range(count):
            lossy.inner.byte_input(b"\2")
            box.pacing.sleep(0.01)
        lossy.lose_answer = lambda answer: False
        lossy.inner.byte_input(b"\3")
        box.pacing.sleep(0.01)
        assert box.link.notices_lost == count
    told = [each for each in heard if isinstance(each, NoticesLost)]
    assert told == [NoticesLost(count)]
    assert [each.byte for each in heard if isinstance(each, ByteMarker)] == [1, 3]
    assert ("notices lost", count) in log.lines


@pytest.mark.parametrize("restarts", [False, True])
def test_losses_add_up_until_the_session_is_known(lossy, restarts):
    """The question for it gets no answer meanwhile. Those before a start are told before it."""
    heard = []
    with Box(lossy) as box:
        box.listen(heard.append)
        lossy.lose_answer = lambda answer: answer[0] == Answer.IDENTITY or (
            answer[0] == Notice.BYTE_MARKER and answer[2][8] == 2
        )
        for byte in b"\1\2\3\2\2\3":
            lossy.inner.byte_input(bytes((byte,)))
            box.pacing.sleep(0.01)
        assert [each for each in heard if isinstance(each, NoticesLost)] == []
        if restarts:
            lossy.inner.power_failure()
        box.link.wait_for(lambda: False, 2.0)  # until the question is given up
        assert box.link.notices_lost == 3
        told = [each for each in heard if not isinstance(each, ByteMarker)]
        assert told[0] == NoticesLost(3)
        assert [type(each) for each in told[1:]] == [Started] * restarts


def test_a_repeated_notice_is_one(lossy):
    heard = []
    with Box(lossy) as box:
        box.listen(heard.append)
        lossy.inner.byte_input(b"\1")
        box.pacing.sleep(0.01)
        number = identity_of(box).last_notice
        with lossy.inner._changed:
            lossy.inner._unread += frame(Notice.HOLD_ENDED | IN_SESSION, number, bytes(9))
            lossy.inner._changed.notify_all()
        box.pacing.sleep(0.01)
        assert box.link.notices_lost == 0
    assert len(heard) == 1


def test_numbers_that_begin_anew_are_a_start_and_no_loss(lossy):
    """The notice of the start was lost, and others have come since."""
    heard = []
    with Box(lossy) as box:
        box.listen(heard.append)
        for _ in range(9):
            lossy.inner.byte_input(b"\1")
            box.pacing.sleep(0.01)
        lossy.lose_answer = lambda answer: answer[0] == Notice.STARTED
        lossy.inner.power_failure()
        lossy.inner.byte_input(b"\2")
        box.pacing.sleep(0.1)
        assert (box.link.starts, box.link.notices_lost) == (1, 0)
    assert [each for each in heard if isinstance(each, Started | NoticesLost)] == [
        Started("", Cause.UNKNOWN)
    ]


# Captures ------------------------------------------------------------------------------------


def test_a_fetch_whose_answer_was_lost_loses_no_edge(lossy):
    lose = []
    lossy.lose_answer = lambda answer: answer[0] == Answer.EDGES and bool(lose) and lose.pop()
    with Box(lossy) as box:
        with box.capture() as capture:
            for code in range(1, 21):
                box.set(code).wait()
                box.pacing.sleep(0.001)
            box.set(0).wait()
        lose += [True, False, True, False]
        edges = capture.fetch()
    assert [edge.levels for edge in edges] == [0, *range(1, 21), 0]
    assert capture.lost == 0
    assert lose == []


def test_edges_that_were_lost_on_the_way_are_counted(lossy):
    with Box(lossy) as box:
        with box.capture(send=True) as capture:
            box.set(1).wait()
            lossy.lose_answer = lambda answer: answer[0] == Notice.EDGES
            for code in (2, 3, 4):
                box.set(code).wait()
                box.pacing.sleep(0.001)
            lossy.lose_answer = lambda answer: False
            box.set(5).wait()
            box.pacing.sleep(0.001)
        assert capture.lost == 3
        assert [edge.levels for edge in capture.fetch()] == [0, 1, 5]


# No edge -------------------------------------------------------------------------------------


def test_a_marker_without_an_edge_is_told_and_logged(lossy):
    log = Log()
    with Box(lossy) as box:
        box.log = log
        assert not box.set(5).wait().no_edge
        box.pacing.sleep(0.001)
        assert box.pulse(5).wait().no_edge
        assert not box.pulse(6).wait().no_edge
    told = [line for line in log.lines if line[0] == "answered"]
    assert [line[-1] == "no edge" for line in told] == [False, True, False]


# Expiry --------------------------------------------------------------------------------------


@pytest.mark.parametrize("stays", [False, True])
def test_a_marker_may_have_an_expiry(lossy, stays):
    log = Log()
    with Box(lossy) as box:
        box.log = log
        box.pacing.sleep(0.01)
        now = box.levels().time_us
        put = box.set if stays else box.pulse
        assert put(5, expiry_us=now).wait().box_time_us == now
        assert put(6, expiry_us=now + 600_000_000).wait().box_time_us == now
        with pytest.raises(Refused, match="after the time until which it was wanted") as caught:
            put(7, expiry_us=now - 5).wait()
        assert (caught.value.reason, caught.value.detail) == (Reason.LATE, 5)
        with pytest.raises(Refused, match="wanted"):
            put(7, expiry_us=now - 600_000_000).wait()
        assert box.levels().outputs == 6
    sent = [line for line in log.lines if line[0] == "sent"]
    assert [line[3] for line in sent] == ["stays" if stays else 5000] * 4


def test_a_pulse_of_its_own_width_may_have_an_expiry(lossy):
    with Box(lossy) as box:
        box.pacing.sleep(5000)  # past the 71.6 minutes of 32 bits
        now = box.levels().time_us
        first = box.pulse(5, 300, expiry_us=now + 1000).wait()
        box.pacing.sleep(0.001)
        assert box.levels().outputs == 0
        assert first.width_us == 300
