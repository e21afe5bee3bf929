"""A box that starts again while the program is silent, and whose notice of that is lost, until its
new time has passed every time of before: only the session bit of what it says next tells of it."""

from __future__ import annotations

import pytest
from log_call_recorder import Log
from lossy_port import LossyPort

from tallymark import BadValue, Box, MarkerLog, Outcome, Settings, Unconfirmed
from tallymark.box.wire.answer_values import ByteMarker, NoticesLost, Started
from tallymark.box.wire.protocol_enumerations import Answer, Cause, Notice, Request
from tallymark.markerlog import read

AHEAD_S = 300.0


def start_unheard(port: LossyPort, box: Box, silence_s: float = 100.0) -> None:
    """The power goes away for a moment; the notice of the start is lost, and nothing is said."""
    port.lose_answer = lambda answer: answer[0] == Notice.STARTED
    port.inner.power_failure()
    box.pacing.sleep(silence_s)
    port.lose_answer = lambda answer: False


def held_for(box: Box, seconds: float = 5.0) -> None:
    """A while with markers, so that the box's time and its rate are known."""
    for _ in range(5):
        box.pulse(1).wait()
        box.pacing.sleep(seconds / 5)


def test_the_next_marker_is_done_in_the_new_time(lossy):
    heard = []
    with Box(lossy) as box:
        box.listen(heard.append)
        held_for(box)
        start_unheard(lossy, box)
        before_us = box.clock.to_box(box.pacing.now())[0]
        marker = box.pulse(2).wait()
        assert 90e6 < marker.box_time_us < before_us
        assert box.link.starts == 1
        time = box.to_host_time(marker.box_time_us)
        assert abs(time.seconds - marker.sent_s) <= time.bound_s < 0.001
        assert box.link._exchange.session_in_force
    assert heard[0] == Started("", Cause.UNKNOWN)


@pytest.mark.parametrize("unmarked", ["answer", "notice"])
def test_a_marker_ahead_is_not_told_by_the_end_of_another(lossy, unmarked):
    """Both have number 1. The answer to the second is lost, so that its notice comes first."""
    with Box(lossy) as box:
        held_for(box)
        old = box.pulse(2, after_s=AHEAD_S)
        box.pacing.sleep(0.01)
        assert old.ahead_number == 1
        start_unheard(lossy, box)
        lost = {Answer.ACCEPTED, Answer.FATE} if unmarked == "notice" else set()
        lossy.lose_answer = lambda answer: answer[0] in lost
        new = box.pulse(3, after_s=0.2)
        box.pacing.sleep(4)
        lossy.lose_answer = lambda answer: False
        box.wait()
        assert old.outcome is Outcome.UNCONFIRMED
        assert new.outcome is not Outcome.DONE or new.box_time_us is not None
        assert box.link.starts == 1


def test_a_fate_by_number_is_not_that_of_another(lossy):
    with Box(lossy) as box:
        held_for(box)
        old = box.pulse(2, after_s=AHEAD_S)
        box.pacing.sleep(0.01)
        start_unheard(lossy, box, 2 * AHEAD_S)
        with pytest.raises(Unconfirmed, match="started again"):
            old.wait()
        assert any(each[0] == Request.FATE_OF_NUMBER for each in lossy.requests)
        assert box.link.starts == 1


def test_a_marker_ahead_with_times_of_before_is_taken_back(lossy):
    """Its time was computed before anybody knew of the start; the box read it in its new time."""
    with Box(lossy) as box:
        held_for(box)
        start_unheard(lossy, box, 30.0)
        lossy.inner.device.edges()
        marker = box.pulse(2, after_s=1.0)
        box.pacing.sleep(200)
        assert marker.outcome is Outcome.REFUSED
        assert lossy.inner.device.edges() == []


def test_no_marker_ahead_before_the_session_is_begun_again(lossy):
    with Box(lossy) as box:
        held_for(box)
        lossy.lose_request = lambda request: request[0] == Request.SESSION
        start_unheard(lossy, box)
        box.pulse(2).wait()
        box.sync_clock()
        with pytest.raises(BadValue, match="Nothing was sent"):
            box.pulse(3, after_s=1.0)
        lossy.lose_request = lambda request: False
        box.pacing.sleep(2)
        box.wait()


def test_an_identity_in_between_shows_it_too_and_is_no_start_by_itself(lossy):
    heard = []
    with Box(lossy) as box:
        box.link.ask(Request.IDENTIFY, b"\2\0")
        box.pulse(1).wait()
        assert box.link.starts == 0
        lossy.inner.byte_input(b"\7")
        box.pacing.sleep(0.01)
        box.listen(heard.append)
        start_unheard(lossy, box)
        box.link.ask(Request.IDENTIFY, b"\2\0")
        assert box.link.starts == 1
        lossy.inner.byte_input(b"\7")  # its number is that of the one before the start
        box.pacing.sleep(0.01)
    assert heard[0] == Started("", Cause.POWER)
    assert isinstance(heard[1], ByteMarker)
    assert len(heard) == 2


def test_the_clock_begins_with_the_session(lossy):
    """Until that is begun again, nothing but a box time would show a second start."""
    with Box(lossy) as box:
        lossy.lose_request = lambda request: request[0] == Request.SESSION
        lossy.inner.power_failure()
        box.pacing.sleep(0.01)
        for _ in range(5):
            box.sync_clock(1)
            box.pacing.sleep(0.06)
        assert len(box.clock) > 3
        lossy.lose_request = lambda request: False
        box.pulse(1).wait()  # after which it is tried once more
        box.link.wait_for(lambda: box.link._exchange.session_in_force, 2)
        assert len(box.clock) <= 2
        marker = box.pulse(1).wait()
        time = box.to_host_time(marker.box_time_us)
        assert abs(time.seconds - marker.sent_s) <= time.bound_s < 0.001


def test_a_byte_shows_it(lossy):
    heard = []
    with Box(lossy) as box:
        held_for(box)
        box.listen(heard.append)
        start_unheard(lossy, box)
        lossy.inner.byte_input(b"\7")
        box.pacing.sleep(0.01)
        assert [type(each) for each in heard] == [Started, ByteMarker]


@pytest.mark.parametrize(("lost", "told"), [(1, 1), (254, 254), (255, 0)])
def test_the_numbers_of_notices_begin_with_that_of_the_start(lossy, lost, told):
    """A loss of 255 shows in the box's counters only, as without a start."""
    heard = []
    with Box(lossy) as box:
        held_for(box)
        box.listen(heard.append)
        start_unheard(lossy, box)
        lossy.lose_answer = lambda answer: answer[0] == Notice.BYTE_MARKER
        for _ in range(lost):
            lossy.inner.byte_input(b"\7")
            box.pacing.sleep(0.01)
        lossy.lose_answer = lambda answer: False
        lossy.inner.byte_input(b"\7")
        box.pacing.sleep(0.1)
        counts = [each.count for each in heard if isinstance(each, NoticesLost)]
        assert sum(counts) == told
        assert len([each for each in heard if isinstance(each, ByteMarker)]) == 1
        box.counters()
        box.pacing.sleep(0.1)
        assert box.link.notices_lost == lost


def test_a_fate_by_tag_is_of_the_new_start(lossy):
    """The answer to the first marker after the silence is lost: its fate is its own."""
    with Box(lossy) as box:
        held_for(box)
        lossy.lose_answer = lambda answer: True
        before = box.pulse(2)
        box.pacing.sleep(0.01)
        start_unheard(lossy, box)
        with pytest.raises(Unconfirmed):
            before.wait()
        box.pacing.sleep(0.01)  # until the session is begun again
        start_unheard(lossy, box)
        lost = [Answer.DONE]
        lossy.lose_answer = lambda answer: bool(lost) and answer[0] == lost[0] and bool(lost.pop())
        marker = box.pulse(3)
        with pytest.raises(Unconfirmed, match="started again"):
            marker.wait()
        assert box.link.starts == 2


def test_the_log_knows_no_width_that_the_kept_settings_may_have_changed(lossy, tmp_path):
    with Box(lossy) as box:
        box.settings.write(Settings(width_us=9_000))
        box.log = log = MarkerLog.for_box(tmp_path / "log.jsonl", box)
        box.pulse(1).wait()
        box.pacing.sleep(1)
        start_unheard(lossy, box)
        box.pulse(2).wait()
        box.pulse(3, 4_000).wait()
        box.pacing.sleep(1)
        box.settings.read()
        box.pulse(4).wait()
        box.log = None
        log.close()
    found = [(each.code, each.fate, each.width_us) for each in read(tmp_path / "log.jsonl").markers]
    assert found == [(1, "done", 9_000), (2, "done", None), (3, "done", 4_000), (4, "done", 5_000)]


def test_settings_and_widths_are_asked_anew(lossy):
    log = Log()
    with Box(lossy) as box:
        box.settings.install(Settings(width_us=7_000))
        box.settings.write(Settings(width_us=9_000))
        start_unheard(lossy, box)
        box.sync_clock()
        box.pacing.sleep(0.1)
        box.log = log
        box.pulse(2).wait()
    assert log.lines[0] == ("sent", 1, 2, 7_000, None)
