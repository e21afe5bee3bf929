"""What a link tells its marker log and its listeners, and what becomes of it when things break."""

from __future__ import annotations

import threading
from typing import Any

import pytest
import serial
from log_call_recorder import Log
from lossy_port import LossyPort

from tallymark import Box, NoAnswer, Outcome, PortGone, Refused, Settings, Unconfirmed
from tallymark.box.link.clock import ClockEstimate
from tallymark.box.link.event_dispatch import EventDispatch
from tallymark.box.wire.answer_values import ByteMarker
from tallymark.box.wire.protocol_enumerations import Answer, Notice, Request


class Refusals(Log):
    """Remembers how long the pulse lasted that a refused marker cut."""

    def refused(self, number, why, cut_us=None):
        self.lines.append(("refused", number, why, cut_us))


def lost_once(kind: int) -> Any:
    """Loses the first message of a type, and no other."""
    count = [0]

    def lose(message) -> bool:
        count[0] += message[0] == kind
        return message[0] == kind and count[0] == 1

    return lose


# The log ----------------------------------------------------------------------------------------


def test_an_error_of_the_log_harms_no_marker(lossy, caplog):
    class Broken(Log):
        def answered(self, *_args: object, **_names: object) -> None:
            raise ValueError("a fault of the log")

    heard = []
    with Box(lossy, log=Broken()) as box:
        box.listen(heard.append)
        assert box.pulse(1).wait().outcome is Outcome.DONE
        lossy.inner.byte_input(b"\7")
        box.pacing.sleep(0.01)
        assert box.pulse(2).wait().outcome is Outcome.DONE
        assert len(heard) == 1
    assert "The marker log failed; it is incomplete from here on." in caplog.text


def test_markers_of_a_broken_link_are_in_the_log_when_it_is_closed(lossy):
    log = Log()
    box = Box(lossy, log=log)
    lossy.lose_answer = lambda answer: True
    box.pulse(5)
    lossy.inner.unplug()
    box.close()
    assert log.lines == [("sent", 1, 5, 5000, None), ("unconfirmed", 1)]


def test_a_byte_that_waits_for_the_clock_is_logged_at_the_end(lossy):
    log = Log()
    with Box(lossy, log=log) as box:
        lossy.lose_request = lambda request: request[0] == Request.CLOCK
        lossy.inner.power_failure()
        lossy.inner.byte_input(b"\7")
        box.pacing.sleep(0.001)
    assert log.lines[-1][:3] == ("byte", 7, 0)


def test_a_cancelled_marker_says_what_it_had_cut(lossy):
    log = Refusals()
    with Box(lossy) as box:
        box.settings.write(Settings(gap_us=100_000))
        box.log = log
        box.pulse(1, 1_000).wait()
        box.pacing.sleep(0.01)
        box.pulse(2, 1_000)
        box.set(0).wait()
        box.pacing.sleep(1)
        box.pulse(3, 50_000).wait()
        box.pacing.sleep(0.02)
        box.pulse(4, 1_000)
        box.set(0).wait()
        box.pacing.sleep(1)
        box.settings.write(Settings(overlap=Settings().changed(overlap="refuse").overlap))
        box.pulse(5, 10_000).wait()
        box.pacing.sleep(0.001)
        with pytest.raises(Refused):
            box.pulse(6).wait()
    assert [line for line in log.lines if line[0] == "refused"] == [
        ("refused", 2, "cancelled", None),
        ("refused", 5, "cancelled", 20_000),
        ("refused", 8, "overlap", None),
    ]


def test_a_sequence_is_no_marker_of_the_log(box):
    box.log = log = Log()
    for _ in range(2):
        sequence = box.sequence([(1, 100), (2, 100)])
        sequence.start()
        assert sequence.wait().played == 2
        assert sequence.start().outcome is Outcome.DONE
        assert sequence.wait().played == 2
    assert log.lines == []


def test_listeners_hear_of_notices_alone(box):
    heard = []
    box.listen(heard.append)
    for code in range(1, 20):
        box.pulse(code).wait()
    assert heard == []


# What breaks --------------------------------------------------------------------------------------


class DeafPort(LossyPort):
    """A port that takes no bytes any more, while it can still be read."""

    deaf = False

    def write(self, data: bytes) -> int:
        if self.deaf:
            raise serial.SerialException("the port takes no bytes")
        return super().write(data)


def test_a_marker_that_the_port_does_not_take_is_told_at_once():
    port = DeafPort()
    with Box(port) as box:
        port.deaf = True
        with pytest.raises(PortGone, match=r"number 1 \(code 5\)"):
            box.pulse(5)
        assert [marker.code for marker in box.unconfirmed] == [5]
        with pytest.raises(PortGone):
            box.pulse(6)
        assert len(box.unconfirmed) == 1  # the second was never sent


def test_a_question_that_the_port_does_not_take_is_told_at_once():
    port = DeafPort()
    with Box(port) as box:
        port.deaf = True
        with pytest.raises(PortGone):
            box.levels()


def test_a_box_that_a_callback_closes_leaves_no_marker_open(lossy):
    log = Log()
    box = Box(lossy, log=log)
    closed = threading.Event()

    def close(_notice: object) -> None:
        box.close()
        closed.set()

    box.listen(close)
    lossy.lose_answer = lambda answer: answer[0] == Answer.DONE
    marker = box.pulse(5)
    lossy.inner.byte_input(b"\7")
    assert closed.wait(10)
    assert marker.outcome is Outcome.UNCONFIRMED
    assert ("unconfirmed", 1) in log.lines


def test_a_fault_of_the_library_reaches_whoever_waits(caplog, monkeypatch):
    lossy = LossyPort("virtual://")  # in real time, which needs no reader to go on
    box = Box(lossy)
    lossy.lose_answer = lambda answer: answer[0] == Answer.DONE
    marker = box.pulse(5)

    def fail(_notice: object) -> None:
        raise ZeroDivisionError("a fault of ours")

    monkeypatch.setattr(box.link._exchange.settings, "completed", fail)
    lossy.inner.byte_input(b"\7")
    with pytest.raises(Unconfirmed, match=r"library failed.*ZeroDivisionError"):
        marker.wait()
    with pytest.raises(PortGone):
        box.pulse(6)
    box.close()
    assert "The reader failed." in caplog.text


def test_the_first_reason_of_a_broken_link_stays(lossy):
    with Box(lossy) as box:
        lossy.lose_answer = lambda answer: True
        box.pulse(7)
        lossy.inner.unplug()
        box.link.wait_for(lambda: box.link.failure is not None)
        with pytest.raises(PortGone) as first:
            box.pulse(8)
        box.link._exchange.fail(PortGone("port", "another reason"))
        with pytest.raises(PortGone) as second:
            box.pulse(9)
        assert second.value is first.value


# What comes in ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "change",
    [lambda kind, tag, body: (kind, tag, body[:-1]),
     lambda kind, tag, body: (Answer.FATE, tag, body + b"\0\0")],
    ids=["too short", "of another type"],
)
def test_an_answer_that_can_t_be_one_is_left_alone(lossy, change, caplog):
    with Box(lossy) as box:
        lossy.change_answer = lambda answer: (
            change(*answer) if answer[0] == Answer.LEVELS else answer
        )
        with pytest.raises(NoAnswer):
            box.levels()
        assert "is no answer to what was asked" in caplog.text
        assert box.pulse(1).wait().outcome is Outcome.DONE


def test_what_a_later_version_puts_behind_an_answer_is_passed_over(lossy):
    with Box(lossy) as box:
        lossy.change_answer = lambda answer: (*answer[:2], answer[2] + b"more")
        assert box.levels().outputs == 0
        assert box.pulse(1).wait().outcome is Outcome.DONE
        with pytest.raises(Refused, match="nothing to play"):
            box.link.ask(Request.SEQUENCE_START, bytes(4))


@pytest.mark.parametrize(
    ("kind", "length"),
    [(Notice.STARTED, 0), (Notice.STARTED, 2), (Notice.SEQUENCE_ENDED, 11),
     (Notice.EDGES, 0), (Notice.EDGES, 4), (Notice.BYTE_MARKER, 0), (Notice.BYTE_MARKER, 18),
     (Notice.HOLD_ENDED, 8)],
)
def test_a_notice_that_can_t_be_read_harms_nobody(lossy, kind, length, caplog):
    heard = []
    with Box(lossy) as box:
        box.listen(heard.append)
        lossy.change_answer = lambda answer: (
            (kind, answer[1], bytes(length)) if answer[0] == Notice.BYTE_MARKER else answer
        )
        lossy.inner.byte_input(b"\7")
        box.pacing.sleep(0.01)
        assert box.pulse(1).wait().outcome is Outcome.DONE
        assert heard == []
        assert box.link.starts == 0
    assert "could not be read" in caplog.text


def test_a_question_from_aside_waits_for_the_one_before(lossy):
    with Box(lossy) as box:
        lossy.lose_request = lambda request: request[0] == Request.LEVELS
        box.link.send_query(Request.LEVELS, b"")
        with box.link.lock:
            assert box.link._exchange.send_aside(Request.CLOCK, b"") is None


def test_nothing_is_sent_while_the_box_is_deaf(lossy):
    seen = []
    with Box(lossy) as box:
        lossy.lose_request = lambda request: (
            request[0] in (Request.SETTINGS_KEEP, Request.RESTART)
            and seen.append(box.link._exchange.is_free(7)) is not None
        )
        box.settings.keep()
        box.restart()
        assert seen == [False, False]
        assert box.link._exchange.is_free(7)


# Overdue answers ----------------------------------------------------------------------------------


def test_the_answer_to_a_question_for_a_fate_may_get_lost_too(lossy):
    """Each time anew: lost questions of the past don't count."""
    with Box(lossy) as box:
        for _ in range(3):
            box.pacing.sleep(1)
            at_us = box.levels().time_us
            lose_done, lose_fate = lost_once(Answer.DONE), lost_once(Answer.FATE)
            lossy.lose_answer = lambda answer: lose_done(answer) or lose_fate(answer)  # noqa: B023
            marker = box.pulse(5, 10).wait()
            assert (marker.outcome, marker.box_time_us) == (Outcome.DONE, at_us)
        assert box.unconfirmed == []


def test_all_room_comes_back_after_losses(lossy):
    with Box(lossy) as box:
        window = box.identity.window
        lossy.lose_answer = lost_once(Answer.DONE)
        box.pulse(5).wait()
        lossy.lose_request = lost_once(Request.PULSE_FOR)
        box.pulse(5, 10)
        box.wait()
        lossy.lose_request = lost_once(Request.LEVELS)
        with pytest.raises(NoAnswer):
            box.levels()
        assert box.link._exchange.open_requests == {}
        assert box.link._exchange._room == window
        lossy.lose_answer = lost_once(Answer.DONE)
        box.pulse(5)
        box.link.begin(box.identity)  # as after a restart, while other threads send
        assert box.link._exchange._room == window - 7
        box.wait()
        assert box.link._exchange._room == window


# Widths -----------------------------------------------------------------------------------------


def widths_in_log(log: Log) -> list[object]:
    """The width of each marker."""
    return [line[3] for line in log.lines if line[0] == "sent"]


def test_widths_in_the_log_follow_the_settings(lossy):
    log = Log()
    with Box(lossy) as box:
        box.log = log
        box.settings.write(Settings(width_us=7_000))
        box.pulse(1).wait()
        with pytest.raises(Refused, match="idle"):  # the pulse is out
            box.settings.write(Settings(width_us=9_000))
        box.pulse(2).wait()
        box.pacing.sleep(1)
        box.link.ask(Request.SETTINGS_FACTORY)
        box.pulse(3).wait()
    assert widths_in_log(log) == [7_000, 7_000, 5_000]


def test_nobody_knows_the_width_while_new_settings_are_on_their_way(lossy):
    """Neither when their answer was lost, until they are read again."""
    log = Log()
    with Box(lossy) as box:
        box.log = log
        lossy.lose_answer = lost_once(Answer.DONE)
        query = box.link.send_query(
            Request.SETTINGS_WRITE, Settings(width_us=7_000).pack()
        )
        box.pulse(1).wait()
        box.link.wait_for(lambda: query.ended)
        box.pacing.sleep(1)
        box.pulse(2).wait()
        assert isinstance(query.error, NoAnswer)
        box.settings.read()
        box.pulse(3).wait()
    assert widths_in_log(log) == [None, None, 7_000]


# Times ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("request_type", [Request.PULSE, Request.CLOCK])
def test_the_bound_of_a_host_time_covers_the_whole_round_trip(request_type):
    lossy = LossyPort("virtual://")
    with Box(lossy) as box:
        box.clock.reset()
        device = lossy.inner.device
        device.take = lambda: b""  # the answer waits ...
        threading.Timer(0.1, lambda: device.__dict__.pop("take")).start()  # ... for so long
        if request_type is Request.PULSE:
            box.pulse(1).wait()
        else:
            box.link.ask(Request.CLOCK)
        assert box.to_host_time(0).bound_s > 0.04


def test_clocks_are_compared_when_a_box_is_opened(box):
    assert len(box.clock) > 0
    assert box.to_host_time(0).bound_s < 0.001


def test_a_listener_can_convert_the_times_of_the_run_before():
    """A byte from before a restart is passed on after the clocks of the new run were compared."""
    clock, times_us = ClockEstimate(), []
    events = EventDispatch(
        clock, None, lambda event: times_us.append(events.clock_of_event.to_host_us(event.time_us))
    )
    clock.add(10.0, 1_000_000, 10.001)
    events.note(ByteMarker(2_000_000, 7, None, None, 0))
    events.box_started()
    clock.reset()
    clock.add(300.0, 5_000, 300.001)
    events.note(ByteMarker(6_000, 8, None, None, 0))
    events.pass_on()
    for (host_us, error_us), truth_us in zip(times_us, (11_000_500, 300_001_500), strict=True):
        assert abs(host_us - truth_us) <= error_us < 1_000_000


def test_events_of_each_run_keep_its_clock():
    """Two starts follow each other before anything was passed on."""
    clock, times_us = ClockEstimate(), []
    events = EventDispatch(
        clock, None, lambda event: times_us.append(events.clock_of_event.to_host_us(event.time_us))
    )
    for host_s in (10.0, 300.0, 7000.0):
        if clock:
            events.box_started()
            clock.reset()
        clock.add(host_s, 1_000_000, host_s + 0.001)
        events.note(ByteMarker(2_000_000, 7, None, None, 0))
    events.pass_on()
    for (host_us, error_us), host_s in zip(times_us, (10.0, 300.0, 7000.0), strict=True):
        assert abs(host_us - (host_s + 1.0005) * 1e6) <= error_us < 1_000_000
