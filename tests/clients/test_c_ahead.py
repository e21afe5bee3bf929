"""Markers ahead of their time from the client in C."""

from __future__ import annotations

import subprocess
import time
from pathlib import Path

import pytest
from c_library import DONE, OPEN, REFUSED, UNCONFIRMED, WHYS, ClientError, compile_c
from clock_scenarios import scenarios
from scripted_box import ScriptedBox, notice, says, silence, tells_fate

from tallymark.box.wire.frames import frame
from tallymark.box.wire.layouts import NOTICES
from tallymark.box.wire.protocol_enumerations import NO_CUT, Answer, Notice, Request

MS = 1_000_000
SANITIZE = ["-g", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover"]
CAN = {"capabilities": 0x10, "places": 8}


def edge(number: int, marker: int, time_us: int, reason: int = 0) -> bytes:
    fields = {"number": marker, "time": time_us, "lasted": NO_CUT, "delay": 0, "notes": 0}
    body = NOTICES[Notice.MARKER_EDGE].build(fields | {"reason": reason})
    return frame(Notice.MARKER_EDGE, number, body)


def codes(server) -> list[tuple[int, int]]:
    return [(each.time_us, each.levels) for each in server.device.edges() if each.levels]


def await_acceptance(box, number: int) -> None:
    """Polls until the box has accepted a marker: a busy computer may need some time."""
    deadline = time.monotonic() + 20
    while not box.marker(number).ahead_number:
        assert time.monotonic() < deadline
        box.poll(10)


# The clocks --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def clock(tmp_path_factory) -> Path:
    target = tmp_path_factory.mktemp("clock") / "clock"
    return compile_c(target, *SANITIZE, Path(__file__).parent / "c_clock.c")


@pytest.mark.parametrize("scenario", list(scenarios()), ids=range(12))
def test_bounds_hold_and_are_those_of_the_library(clock, scenario):
    run = subprocess.run([clock], input="\n".join(scenario.lines()), text=True,
                         capture_output=True)
    assert run.returncode == 0, run.stdout + run.stderr
    found = []
    for line in run.stdout.splitlines():
        host_ns, bound_ns, box_us, box_bound_ns = map(int, line.split())
        found.append((host_ns, bound_ns, box_us, box_bound_ns / 1000))
    scenario.check(found)


# On a served box ---------------------------------------------------------------------------------


def test_the_edge_comes_at_its_time(library, server):
    with library.open(server.where) as box:
        server.device.edges()
        box.sync_clock()
        assert (box.identity.places, box.identity.capabilities & 0x10) == (32, 0x10)
        at_ns = box.lib.tallymark_now_ns() + 400 * MS
        by_host = box.pulse_ahead(5, at_ns=at_ns)
        soon = box.pulse_ahead(6, after_us=200_000, width_us=1000)
        now_us = box.clock().box_time_us
        by_box = box.set_ahead(7, at_us=now_us + 600_000)
        assert box.totals.open == 3
        assert box.wait_all() == 0
        first, second, third = (box.marker(number) for number in (by_host, soon, by_box))
        idle = box.wait(box.set(0))
    assert codes(server) == [
        (second.box_time_us, 6), (first.box_time_us, 5), (third.box_time_us, 7)
    ]  # fmt: skip
    assert third.box_time_us == now_us + 600_000
    for marker in (first, second, third):
        assert (marker.outcome, marker.delay_us) == (DONE, 0)
        assert marker.box_time_us == marker.at_us
        assert marker.host_bound_ns < 100 * MS
    assert abs(first.host_ns - at_ns) <= first.host_bound_ns + 500
    assert (first.width_us, second.width_us, third.width_us) == (5000, 1000, 0)
    assert (idle.at_us, idle.ahead_number) == (0, 0)
    assert idle.sent_ns - idle.host_bound_ns <= idle.host_ns


def test_other_markers_go_on_meanwhile(library, server):
    """One that waits holds neither tag nor window, and is known though a thousand came after."""
    with library.open(server.where) as box:
        number = box.pulse_ahead(9, after_us=20_000_000)
        for _ in range(1100):
            box.pulse(1, 10)
        while box.totals.open > 1:
            box.poll(1)
        assert box.marker(number).outcome == OPEN
        assert "it goes out at box time" in box.describe(number)
        assert box.cancel(number) == 1
        assert box.totals.refused == 1


def test_what_can_not_be_is_refused_in_words(library, server):
    with library.open(server.where) as box:
        frames = box.counters().frames
        far = 31 * 60 * 1_000_000
        for arguments, why in (
            ({}, "Give one time"),
            ({"after_us": 5, "at_ns": 5}, "Give one time"),
            ({"after_us": far}, "Give one time|30 minutes"),
            ({"at_ns": box.lib.tallymark_now_ns() + far * 1000}, "30 minutes"),
            ({"at_us": box.clock().box_time_us + far}, "30 minutes"),
            ({"after_us": 1_000_000, "bound_us": 1}, "agree within .* us at that time, not"),
        ):
            with pytest.raises(ClientError, match=why) as error:
                box.pulse_ahead(5, **arguments)
            assert error.value.name == "BAD_VALUE"
        with pytest.raises(ClientError, match="from 1 to 255"):
            box.pulse_ahead(0, after_us=1000)
        assert box.counters().frames <= frames + 3  # two questions, and perhaps the clock
        assert box.totals.sent == 0
        bound_us = box.to_box(box.lib.tallymark_now_ns() + 100 * MS).bound_ns // 1000
        assert box.pulse_ahead(5, after_us=100_000, bound_us=2 * bound_us + 10_000) == 1


def test_more_than_the_box_holds(library, server):
    with library.open(server.where) as box:
        for k in range(32):
            box.pulse_ahead(1, after_us=5_000_000 + 20_000 * k)
        with pytest.raises(ClientError, match="holds 32 markers ahead"):
            box.pulse_ahead(1, after_us=9_000_000)
        assert box.cancel() == 32
        assert box.totals.open == 0


def test_one_that_is_late_is_refused_or_goes_out_as_asked(library, server):
    with library.open(server.where) as box:
        past_us = box.clock().box_time_us
        late = box.wait(box.pulse_ahead(5, at_us=past_us))
        assert (late.outcome, late.reason) == (REFUSED, 22)
        allowed = box.wait(box.pulse_ahead(5, at_us=past_us, late_us=60_000_000))
        assert allowed.outcome == DONE
        assert allowed.delay_us == allowed.box_time_us - past_us > 0  # the box told of none
        near = box.wait(box.pulse_ahead(6, at_us=box.clock().box_time_us + 1, late_us=60_000_000))
        assert near.delay_us == near.box_time_us - near.at_us


def test_one_in_the_way_is_refused(library, server):
    with library.open(server.where) as box:
        at_us = box.clock().box_time_us + 5_000_000
        box.pulse_ahead(5, at_us=at_us)
        taken = box.wait(box.pulse_ahead(6, at_us=at_us))
        assert (taken.outcome, taken.reason) == (REFUSED, 23)
        assert "in the way" in box.describe(2)


def test_cancel_takes_back_one_or_all(library, server):
    with library.open(server.where) as box:
        server.device.edges()
        one = box.pulse_ahead(1, after_us=300_000)
        two, three = (box.pulse_ahead(code, after_us=5_000_000 * code) for code in (2, 3))
        assert box.cancel(two) == 1
        assert box.cancel(two) == 0
        marker = box.marker(two)
        assert (marker.outcome, marker.reason) == (REFUSED, 19)
        assert box.wait(one).outcome == DONE
        assert box.cancel(one) == 0
        assert box.cancel() == 1
        assert box.marker(three).outcome == REFUSED
        with pytest.raises(ClientError, match="no record"):
            box.cancel(77)
    assert [code for _, code in codes(server)] == [1]


def test_closing_takes_all_back(library, server):
    box = library.open(server.where)
    server.device.edges()
    number = box.pulse_ahead(5, after_us=300_000)
    assert box.close() == 1
    assert box.marker(number).reason == 19
    time.sleep(0.4)
    assert codes(server) == []


def test_a_restart_is_told(library, server):
    with library.open(server.where) as box:
        number = box.pulse_ahead(5, after_us=5_000_000)
        box.poll(20)
        server.device.start()
        marker = box.wait(number)
        assert (marker.outcome, WHYS[marker.why]) == (UNCONFIRMED, "RESTARTED")
        again = box.wait(box.pulse_ahead(5, after_us=300_000))  # by the new run's clock
        assert again.outcome == DONE


# Where the link loses something ------------------------------------------------------------------


def test_a_notice_that_is_lost_is_asked_for(library, lossy):
    with library.open(lossy.where) as box:
        lossy.loses_answer = lambda kind, tag: kind == 0xC5
        marker = box.wait(box.pulse_ahead(5, after_us=100_000))
        assert (marker.outcome, marker.by_fate) == (DONE, 1)
        assert marker.box_time_us == marker.at_us


def test_an_acceptance_that_is_lost_is_asked_for(library, lossy):
    with library.open(lossy.where) as box:
        lossy.loses_answer = lambda kind, tag: kind == 0x8A
        early = box.pulse_ahead(5, after_us=100_000)  # its edge is told before it is asked for
        later = box.pulse_ahead(6, after_us=2_000_000)
        assert box.wait(early).outcome == DONE
        marker = box.wait(later)
        assert (marker.outcome, marker.box_time_us) == (DONE, marker.at_us)


def test_an_acceptance_that_is_asked_for_when_it_is_out(library, lossy):
    """Another answer has told a box time behind its edge by then."""
    with library.open(lossy.where) as box:
        lossy.loses_answer = lambda kind, tag: kind == 0x8A
        number = box.pulse_ahead(5, after_us=100_000, late_us=1_000_000)
        time.sleep(0.3)
        assert box.clock().box_time_us > box.marker(number).at_us
        marker = box.wait(number)
        assert (marker.outcome, marker.by_fate) == (DONE, 1)


def test_a_box_that_falls_silent(library, lossy):
    with library.open(lossy.where) as box:
        number = box.pulse_ahead(5, after_us=100_000)
        box.poll(20)
        lossy.loses_answer = lambda kind, tag: True
        marker = box.wait(number)
        assert (marker.outcome, WHYS[marker.why]) == (UNCONFIRMED, "SILENT")


# Against a box that says what a test tells it to -------------------------------------------------


def test_a_box_that_can_not(library):
    with ScriptedBox(capabilities=0) as scripted, library.open(scripted.where) as box:
        with pytest.raises(ClientError, match="can't put out markers ahead"):
            box.pulse_ahead(5, after_us=1000)
        assert scripted.came(Request.TIMED) == []


def test_times_go_over_the_wire_as_asked(library):
    script = {Request.TIMED: [says(Answer.ACCEPTED, number=1)],
              Request.CANCEL: [says(Answer.DONE, time=5)]}
    with ScriptedBox(script, **CAN) as scripted, library.open(scripted.where) as box:
        box.set_ahead(0, at_us=2_000, late_us=7, width_us=99)
        await_acceptance(box, 1)
        scripted.tell(edge(2, 1, 2_000))
        assert box.wait(1).box_time_us == 2_000
        ((_, fields),) = scripted.came(Request.TIMED)
        assert (fields.kind, fields.code, fields.width, fields.at, fields.expiry) == (
            1, 0, 0, 2_000, 2_007
        )  # fmt: skip


def test_a_missing_notice_makes_it_ask_at_once(library):
    script = {
        Request.TIMED: [says(Answer.ACCEPTED, number=1)],
        Request.FATE_OF_NUMBER: [
            lambda tag, _: tells_fate(4, code=5, time=9_000_000, number=1)(tag, _Asked),
            lambda tag, _: tells_fate(1, code=5, time=9_000_000, number=1)(tag, _Asked),
        ],
        Request.CANCEL: [says(Answer.DONE, time=5)],
    }  # fmt: skip
    with ScriptedBox(script, **CAN) as scripted, library.open(scripted.where) as box:
        box.pulse_ahead(5, at_us=9_000_000)
        await_acceptance(box, 1)
        scripted.tell(notice(Notice.HOLD_ENDED, 3, time=1, code=1))  # number 2 is missing
        deadline = time.monotonic() + 5  # its own time is 9 s away
        while not scripted.came(Request.FATE_OF_NUMBER) and time.monotonic() < deadline:
            box.poll(20)
        assert len(scripted.came(Request.FATE_OF_NUMBER)) == 1
        assert box.marker(1).outcome == OPEN
        scripted.tell(notice(Notice.HOLD_ENDED, 5, time=1, code=1))
        assert box.wait(1).box_time_us == 9_000_000
        assert len(scripted.came(Request.FATE_OF_NUMBER)) == 2


def test_one_that_the_box_does_not_know(library):
    script = {
        Request.TIMED: [says(Answer.ACCEPTED, number=1)],
        Request.FATE_OF_NUMBER: [lambda tag, _: tells_fate(0, number=1)(tag, _Asked)],
    }
    with ScriptedBox(script, **CAN) as scripted, library.open(scripted.where) as box:
        box.pulse_ahead(5, after_us=50_000)
        marker = box.wait(1)
        assert (marker.outcome, WHYS[marker.why]) == (UNCONFIRMED, "UNKNOWN")


def test_numbers_that_begin_anew_show_a_restart(library):
    script = {Request.TIMED: [says(Answer.ACCEPTED, number=1), says(Answer.ACCEPTED, number=1)],
              Request.CANCEL: [silence]}
    with ScriptedBox(script, **CAN) as scripted, library.open(scripted.where) as box:
        box.pulse_ahead(5, at_us=9_000_000)
        await_acceptance(box, 1)
        box.pulse_ahead(6, at_us=9_000_000)
        await_acceptance(box, 2)
        assert WHYS[box.marker(1).why] == "RESTARTED"
        assert box.marker(2).outcome == OPEN
        scripted.tell(edge(2, 1, 9_000_000))
        assert box.wait(2).outcome == DONE


class _Asked:
    """The body of a question for the fate of a number, which names no tag."""

    asked = 0
