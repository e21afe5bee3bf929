"""The clients in C and for Octave where a box starts again while they are silent, its notice of
that is lost, and its new time has passed every time of before. The client for Node has
node/restart_unheard.test.mjs."""

from __future__ import annotations

import time
from threading import Event

from c_library import DONE, OPEN, REFUSED, UNCONFIRMED, WHYS

from tallymark.box.settings import Settings
from tallymark.box.wire.frames import frame
from tallymark.box.wire.layouts import REQUESTS, SETTINGS_RECORD
from tallymark.box.wire.protocol_enumerations import Request

STARTED, BYTE_MARKER, DONE_NOTED, ACCEPTED, EDGE = 0xC0, 0xC3, 0x81, 0x8A, 0xC5
FAR_US = 60_000_000


def start_unheard(lossy) -> None:
    """The box has been up for a moment; it starts again, and is left alone for longer than that."""
    lossy.loses_answer = lambda kind, tag: kind == STARTED
    up_s = lossy.device.life_us * 1e-6
    lossy.device.start()
    time.sleep(2 * up_s + 0.5)
    assert (STARTED, 1) in lossy.lost
    lossy.loses_answer = lambda kind, tag: False


def start_again_before_the_session(lossy) -> None:
    """The next marker ahead is accepted by a box that has started unheard. That box starts once
    more, just before the session is begun, whose answer can't show that."""
    left = [Request.TIMED, Request.SESSION]

    def starts(kind: int, _tag: int) -> bool:
        if left and kind == left[0]:
            left.pop(0)
            lossy.device.start()
        return False

    lossy.loses_answer = lambda kind, tag: kind == STARTED
    lossy.loses_request = starts


# In C --------------------------------------------------------------------------------------------


def test_c_tells_a_start_by_the_next_answer(library, lossy):
    with library.open(lossy.where) as box:
        before = box.wait(box.pulse(1))
        start_unheard(lossy)
        marker = box.wait(box.pulse(2))
        assert marker.outcome == DONE
        assert marker.box_time_us > before.box_time_us
        assert box.totals.starts == 1
        assert box.to_host(marker.box_time_us).bound_ns < 1_000_000_000
        assert box.wait(box.pulse(3)).outcome == DONE
        assert box.totals.starts == 1


def test_c_gives_no_marker_ahead_the_end_of_another(library, lossy):
    with library.open(lossy.where) as box:
        box.wait(box.pulse(1))
        old = box.pulse_ahead(2, after_us=FAR_US)
        box.poll(50)
        start_unheard(lossy)
        sent = []
        lossy.loses_answer = lambda kind, tag: kind == ACCEPTED
        lossy.loses_request = lambda kind, tag: sent.append(kind) is not None
        new = box.pulse_ahead(3, after_us=100_000)
        marker = box.wait(new)
        if sent[0] == Request.CLOCK:  # after a second of silence, which shows the start
            assert (marker.outcome, marker.box_time_us) == (DONE, marker.at_us)
        else:
            assert marker.outcome in (REFUSED, UNCONFIRMED)  # its time was by the clock of before
        end = box.wait(old)
        assert (end.outcome, WHYS[end.why]) == (UNCONFIRMED, "RESTARTED")
        assert box.totals.starts == 1


def test_c_tells_a_start_by_a_notice(library, lossy):
    with library.open(lossy.where) as box:
        box.wait(box.pulse(1))
        waits = box.pulse_ahead(2, after_us=FAR_US)
        box.poll(50)
        start_unheard(lossy)
        lossy.device.byte_input(b"\7")
        assert box.wait(waits).outcome == UNCONFIRMED
        assert (box.totals.starts, box.totals.byte_markers) == (1, 1)
        assert box.totals.notices_lost == 0


def test_c_tells_no_end_of_what_was_sent_before_the_session(library, lossy):
    with library.open(lossy.where) as box:
        box.sync_clock()
        start_again_before_the_session(lossy)
        old = box.pulse_ahead(2, after_us=FAR_US)
        deadline = time.monotonic() + 20
        while box.marker(old).outcome == OPEN and time.monotonic() < deadline:
            box.poll(10)
        end = box.marker(old)
        assert (end.outcome, WHYS[end.why]) == (UNCONFIRMED, "RESTARTED")
        new = box.wait(box.pulse_ahead(3, after_us=100_000, late_us=5_000_000))
        assert (new.outcome, new.ahead_number) == (DONE, 1)
        assert lossy.lost.count((STARTED, 1)) == 2


def test_c_asks_for_a_marker_of_the_new_start(library, lossy):
    """Both were sent before the start was known, and the answer to the second is lost."""
    with library.open(lossy.where) as box:
        time.sleep(1)
        box.clock()
        answers, both = [], Event()

        def loses(kind: int, tag: int) -> bool:
            answers.append(kind)
            both.wait(20)  # no answer is there before both were sent
            return kind == STARTED or (kind == DONE_NOTED and answers.count(DONE_NOTED) == 1)

        def comes(kind: int, tag: int) -> bool:
            if kind == Request.PULSE:
                both.set()
            return False

        lossy.loses_answer, lossy.loses_request = loses, comes
        lossy.device.start()
        first, second = box.pulse(1, 4_000_000), box.pulse(2)  # which cuts the first
        assert (box.wait(first).outcome, box.wait(second).outcome) == (DONE, DONE)
        assert box.marker(second).by_fate == 1
        assert box.totals.starts == 1


def test_c_knows_no_width_of_before(library, lossy):
    """The marker that shows the start went out by the settings that the box keeps."""
    written = SETTINGS_RECORD.parse(Settings(width_us=9_000).pack())
    lossy.inject(frame(Request.SETTINGS_WRITE, 1, REQUESTS[Request.SETTINGS_WRITE].build(written)))
    with library.open(lossy.where) as box:
        assert box.wait(box.pulse(1)).width_us == 9_000
        start_unheard(lossy)
        first, other = box.pulse(2), box.pulse(3, 4_000)
        assert (box.wait(first).outcome, box.marker(first).width_us) == (DONE, 0)
        assert box.wait(other).width_us == 4_000
        assert box.wait(box.pulse(4)).width_us == 5_000
        assert box.settings().width_us == 5_000


# In Octave ---------------------------------------------------------------------------------------


def test_octave_tells_a_start_by_the_next_answer(octave, lossy):
    octave.run(f"box = tallymark.Box('{lossy.where}'); box.wait(box.pulse(1));")
    start_unheard(lossy)
    octave.run("marker = box.pulse(2); box.wait();")
    assert any("started again" in line for line in octave.warnings)
    assert octave.value("marker.outcome") == "unconfirmed"
    octave.run("marker = box.pulse(3); box.wait();")
    assert octave.value("marker.outcome") == "done"


def test_octave_gives_no_marker_ahead_the_end_of_another(octave, lossy):
    octave.run(f"box = tallymark.Box('{lossy.where}'); box.wait(box.pulse(1));")
    octave.run("old = box.pulse(2, 1000, 'after_s', 60); pause(0.1); box.collect();")
    start_unheard(lossy)
    lossy.loses_answer = lambda kind, tag: kind == ACCEPTED
    octave.run("end_ = ''; try, new = box.pulse(3, 1000, 'after_s', 0.1); pause(1); box.wait(); "
               "end_ = new.outcome; catch problem, end_ = problem.identifier; end; box.wait();")
    assert octave.value("old.outcome") == "unconfirmed"
    # After a long silence it asks for the clock first, which shows the start: nothing is sent.
    assert octave.value("end_") in ("refused", "unconfirmed", "tallymark:noanswer")


def test_octave_tells_no_end_of_what_was_sent_before_the_session(octave, lossy):
    octave.run(f"box = tallymark.Box('{lossy.where}'); box.sync_clock();")
    start_again_before_the_session(lossy)
    octave.run("old = box.pulse(2, 1000, 'after_s', 60); from = tic;"
               "while old.is_pending() && toc(from) < 20, box.collect(); pause(0.005); end")
    assert octave.value("old.outcome") == "unconfirmed"
    octave.run("new = box.wait(box.pulse(3, 1000, 'after_s', 0.1, 'late_us', 5e6));")
    assert octave.value("{new.outcome, new.ahead_number}") == ["done", 1]
    assert octave.value("old.outcome") == "unconfirmed"
    assert lossy.lost.count((STARTED, 1)) == 2
