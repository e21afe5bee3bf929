"""A box that starts again under a link: its clock, tags and settings, and what is told of it."""

from __future__ import annotations

import pytest
from log_call_recorder import Log
from lossy_port import LossyPort, UsbBoard

import tallymark.box.ports.discovery
from tallymark import Box, Outcome, Settings, Unconfirmed
from tallymark.box.wire.answer_values import ByteMarker, HoldEnded, Started
from tallymark.box.wire.frames import frame
from tallymark.box.wire.protocol_enumerations import Answer, ByteMode, Cause, Notice, Request


def fail_and_start(box: Box) -> None:
    """Takes the box's power for a moment."""
    box.port.power_failure()
    box.pacing.sleep(0.001)


def test_host_times_are_those_of_the_new_box_time(box):
    box.pulse(1).wait()
    box.pacing.sleep(200)
    fail_and_start(box)
    assert box.link.starts == 1
    marker = box.pulse(2).wait()
    time = box.to_host_time(marker.box_time_us)
    assert abs(time.seconds - marker.sent_s) <= time.bound_s < 0.001
    assert abs(box.clock.to_box(marker.sent_s)[0] - marker.box_time_us) < 1000


@pytest.mark.parametrize("first", ["marker", "question"])
def test_a_start_of_which_no_word_came_shows_in_the_times(lossy, first):
    """Its notice was damaged on the way. The next answer has an earlier time than the last."""
    log, heard = Log(), []
    with Box(lossy) as box:
        box.listen(heard.append)
        box.pacing.sleep(200)
        box.pulse(1).wait()
        lossy.lose_answer = lambda answer: True
        before = box.pulse(2)
        box.pacing.sleep(0.001)
        fail_and_start(box)
        lossy.lose_answer = lambda answer: False
        box.log = log
        if first == "question":
            box.sync_clock(1)
        marker = box.pulse(3).wait()
        time = box.to_host_time(marker.box_time_us)
        assert abs(time.seconds - marker.sent_s) <= time.bound_s < 0.001
        assert box.link.starts == 1
        with pytest.raises(Unconfirmed, match=r"started again \(cause: unknown\)"):
            before.wait()
        box.pulse(4).wait()
        assert box.link.starts == 1
    assert heard == [Started("", Cause.UNKNOWN)]
    told = [line[:2] for line in log.lines if line[0] != "sent"]
    assert ("restarted", "unknown") in told
    assert told.index(("restarted", "unknown")) < told.index(("answered", 3))
    assert [line[3] for line in log.lines if line[0] == "sent"][-1] == 5000


def test_times_that_only_seem_to_go_back_are_no_start(lossy):
    """Markers that wait for a gap are answered late, and a sequence may tell of an edge to come."""
    with Box(lossy) as box:
        box.settings.write(Settings(gap_us=900_000))
        for _ in range(3):
            box.pulse(1, 1_000)
            box.pacing.sleep(0.01)
            waits = box.pulse(2, 1_000)
            box.sync_clock(3)
            waits.wait()
            box.pacing.sleep(2)
            box.sequence([(1, 1_000)]).start()
            box.sync_clock(3)
            box.pacing.sleep(2)
        assert box.link.starts == 0


def test_the_rate_is_measured_anew(box):
    """Another box may be behind the port by now."""
    for _ in range(20):
        box.pacing.sleep(1)
        box.sync_clock(1)
    assert box.clock.drift.bound_ppm < 100
    fail_and_start(box)
    assert box.clock.drift.bound_ppm > 1000


def test_an_answer_from_before_is_nobody_s(lossy):
    """A request that comes in when the box has started again is carried out; its answer must not
    be taken for that of a later one."""
    held = []
    with Box(lossy) as box:
        lossy.lose_request = lambda request: request[0] == Request.PULSE and (
            held.append(request) is None
        )
        marker = box.pulse(5)
        lossy.lose_request = lambda request: False
        fail_and_start(box)
        with pytest.raises(Unconfirmed, match="started again"):
            marker.wait()
        lossy.inner.write(frame(*held[0]))
        box.pacing.sleep(0.1)
        assert box.link.late_answers == 1
        later = [box.pulse(6, 10).wait() for _ in range(20)]
        assert marker.tag not in [one.tag for one in later]
        assert marker.outcome is Outcome.UNCONFIRMED


def test_widths_are_those_of_the_kept_settings(lossy):
    log = Log()
    with Box(lossy) as box:
        box.settings.install(Settings(width_us=7_000))
        box.settings.write(Settings(width_us=9_000))
        box.log = log
        box.pulse(1).wait()
        fail_and_start(box)
        box.pulse(2).wait()
    sent = [line for line in log.lines if line[0] == "sent"]
    assert sent == [("sent", 1, 1, 9_000, None), ("sent", 2, 2, 7_000, None)]


def test_bytes_are_counted_from_the_start(box):
    box.port.byte_input(b"\1\2\3")
    box.pacing.sleep(0.1)
    assert box.link.ask(Request.COUNTERS).bytes_reported == 3
    fail_and_start(box)
    box.port.byte_input(b"\4")
    box.pacing.sleep(0.1)
    query = box.link.ask(Request.COUNTERS)
    reported = box.link._exchange.bytes_reported
    assert query.bytes_reported == reported == box.counters().input_bytes == 1


class Entries(Log):
    """Remembers the bytes as entries, and when held codes ended."""

    def __init__(self):
        super().__init__()
        self.bytes = []

    def byte_marker(self, entry):
        self.bytes.append(entry)


@pytest.mark.parametrize("just_asked", [False, True])
def test_a_byte_after_a_start_has_its_host_time_at_once(box, just_asked):
    """The clocks are compared by themselves, though nobody asks the box for anything."""
    box.log = log = Entries()
    box.pacing.sleep(100)
    if just_asked:
        box.port.byte_input(b"\6")
        box.pacing.sleep(0.01)
        log.bytes.clear()
    fail_and_start(box)
    begin = box.pacing.now()
    box.port.byte_input(b"\7")
    box.pacing.sleep(0.01)
    (entry,) = log.bytes
    assert abs(entry.host_us - begin * 1e6) <= entry.error_us < 1000


def test_a_byte_waits_for_the_clock_rather_than_have_a_wrong_time(lossy):
    log = Entries()
    with Box(lossy) as box:
        box.log = log
        box.pacing.sleep(100)
        lossy.lose_request = lambda request: request[0] in (Request.CLOCK, Request.SESSION)
        fail_and_start(box)
        begin = box.pacing.now()
        lossy.inner.byte_input(b"\7")
        box.pacing.sleep(0.01)
        assert log.bytes == []
        lossy.lose_request = lambda request: False
        box.pacing.sleep(1)
        box.sync_clock()
        (entry,) = log.bytes
        assert abs(entry.host_us - begin * 1e6) <= entry.error_us


def test_clocks_are_compared_while_bytes_come_in(box):
    box.log = log = Entries()
    for code in range(1, 31):
        box.pacing.sleep(1.5)
        box.port.byte_input(bytes((code,)))
    box.pacing.sleep(0.01)
    assert [entry.code for entry in log.bytes] == list(range(1, 31))
    assert log.bytes[-1].error_us < 1000


def test_a_start_before_the_greeting_is_nobody_s_concern():
    log, lossy = Log(), LossyPort()

    def start_now(request) -> bool:
        if request[0] == Request.IDENTIFY:
            lossy.inner.power_failure()
        return False

    lossy.lose_request = start_now
    with Box(lossy, log=log) as box:
        assert box.link.starts == 0
        box.pulse(1).wait()
    assert [line[0] for line in log.lines] == ["sent", "answered"]


@pytest.mark.parametrize("noticed_s", [0, 0.3])
def test_what_was_unconfirmed_stays_so_over_a_restart(monkeypatch, noticed_s):
    monkeypatch.setattr(tallymark.box.ports.discovery, "open_port", lambda _name: LossyPort())
    board = UsbBoard()
    board.noticed_s = noticed_s
    with Box(board) as box:
        board.lose_request = lambda request: request[0] == Request.PULSE
        lost = box.pulse(5)
        box.wait()
        board.lose_answer = lambda answer: answer[0] == Notice.STARTED
        box.restart()
        assert box.port is not board
        assert box.unconfirmed == [lost]
        assert box.pulse(6).wait().number == 2


def test_a_restart_into_the_boot_loader_closes(lossy):
    box = Box(lossy)
    asked = []

    def accept(answer):
        kind, tag, body = answer
        if kind == Answer.REFUSED and body[0] == Request.RESTART:
            return Answer.DONE, tag, bytes(8)
        return answer

    lossy.lose_request = lambda request: (
        request[0] == Request.RESTART and asked.append(request[2]) is not None
    )
    lossy.change_answer = accept
    box.restart(boot_loader=True)
    assert asked == [b"\1"]
    assert "closed" in repr(box)
    assert not lossy.inner.is_open


def test_bytes_in_every_mode_tell_whether_they_stay(box):
    heard = []
    box.listen(heard.append)
    for mode in (ByteMode.PULSE, ByteMode.SET, ByteMode.LIMITED):
        box.settings.write(Settings(byte_mode=mode, width_us=3_000))
        box.port.byte_input(b"\7")
        box.pacing.sleep(0.001)
        box.port.byte_input(b"\0")
        box.pacing.sleep(0.01)
    told = [(one.byte, one.reason is None, one.width_us, one.stays) for one in heard
            if isinstance(one, ByteMarker)]
    assert told == [
        (7, True, 3_000, False), (0, False, None, None),
        (7, True, None, True), (0, True, None, True),
        (7, True, 3_000, False), (0, True, None, True),
    ]


def test_a_held_code_that_ended_is_logged_with_its_host_time(box):
    ended = []

    class Holds(Log):
        def hold_ended(self, code, box_us, host_us, error_us):
            ended.append((code, box_us, host_us, error_us))

    heard = []
    box.listen(heard.append)
    box.settings.write(Settings(hold_limit_us=50_000))
    box.log = Holds()
    marker = box.set(9).wait()
    box.pacing.sleep(0.2)
    ((code, box_us, host_us, error_us),) = ended
    assert (code, box_us) == (9, marker.box_time_us + 50_000)
    assert abs(host_us - (marker.sent_s * 1e6 + 50_000)) <= error_us + 1
    assert heard == [HoldEnded(box_us, 9)]
