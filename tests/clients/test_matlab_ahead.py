"""Markers ahead of their time from the client for MATLAB and GNU Octave, in Octave."""

from __future__ import annotations

import time

import pytest
from clock_scenarios import scenarios
from octave_session import OctaveError
from scripted_box import ScriptedBox, notice, says, silence, tells_fate

from tallymark.box.wire.frames import frame
from tallymark.box.wire.layouts import NOTICES
from tallymark.box.wire.protocol_enumerations import NO_CUT, Answer, Notice, Request

CAN = {"capabilities": 0x10, "places": 8}
FAR = 31 * 60


def opened(octave, served):
    octave.run(f"box = tallymark.Box('{served.where}');")


def shown(server):
    return [(each.time_us, each.levels) for each in server.device.edges() if each.levels]


def edge(number, marker, time_us, reason=0):
    fields = {"number": marker, "time": time_us, "lasted": NO_CUT, "delay": 0, "notes": 0}
    body = NOTICES[Notice.MARKER_EDGE].build(fields | {"reason": reason})
    return frame(Notice.MARKER_EDGE, number, body)


class _Asked:
    """The body of a question for the fate of a number, which names no tag."""

    asked = 0


def tells(outcome, **fields):
    return lambda tag, _: tells_fate(outcome, **fields)(tag, _Asked)


@pytest.mark.parametrize("scenario", list(scenarios()), ids=range(12))
def test_bounds_hold_and_are_those_of_the_library(octave, tmp_path, scenario):
    file = tmp_path / "trips.txt"
    file.write_text("\n".join(scenario.lines()))
    origin = scenario.trips[0][0]
    found = []
    for line in octave.run(f"matlab_clock('{file}')").splitlines():
        host_ns, *others = map(float, line.split())
        found.append((host_ns + origin, *others))
    scenario.check(found)


# On a served box ---------------------------------------------------------------------------------


@pytest.mark.parametrize("tcp", [False, True], ids=["terminal", "tcp"])
def test_the_edge_comes_at_its_time(octave, serve, tcp):
    server = serve(tcp=tcp)
    opened(octave, server)
    octave.run(
        "box.sync_clock(); at = toc(box.opened) + 0.8; one = box.pulse(5, [], 'at_s', at);"
        "two = box.pulse(6, 1000, 'after_s', 0.4);"
        "three = box.set(7, 'at_us', double(box.clock().box_time_us) + 1.2e6);"
        "waiting = box.wait(one, 0.05).outcome; failed = box.wait(); four = box.wait(box.set(0));"
    )
    one, two, three, four = octave.value("{one, two, three, four}")
    assert octave.value("waiting") == "accepted"
    assert octave.value("failed") == []
    assert shown(server) == [
        (two["box_time_us"], 6), (one["box_time_us"], 5), (three["box_time_us"], 7),
    ]  # fmt: skip
    for marker in (one, two, three):
        assert (marker["outcome"], marker["delay_us"]) == ("done", 0)
        assert marker["box_time_us"] == marker["at_us"]
        assert marker["edge_bound_s"] < 0.1
    assert (one["width_us"], two["width_us"], three["width_us"]) == (None, 1000, None)
    assert abs(one["edge_s"] - octave.value("at")) <= one["edge_bound_s"] + 1e-6
    assert (four["at_us"], four["edge_s"], four["ahead_number"]) == (None, None, 0)
    host_s, bound_s = octave.value("nthargout(1:2, @() box.to_host(one.box_time_us))")
    assert abs(host_s - one["edge_s"]) <= bound_s + one["edge_bound_s"]
    box_us, bound_us = octave.value("nthargout(1:2, @() box.to_box(one.edge_s))")
    assert abs(box_us - one["box_time_us"]) <= bound_us


def test_it_holds_neither_window_nor_tag(octave, serve):
    opened(octave, serve())
    octave.run(
        "far = box.pulse(9, 10, 'after_s', 60); for k = 1:300, box.pulse(1, 10); end;"
        "box.wait([], 1); before = far.outcome; taken = box.cancel(far);"
    )
    assert octave.value("before") == "accepted"
    [taken] = octave.value("taken")
    assert (taken["code"], taken["outcome"]) == (9, "refused")
    assert "cancelled" in taken["text"]
    assert octave.warnings == []  # it was asked for


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        ("'at_s', 5, 'after_s', 5", "Give one time"), ("'late_us', 5", "Give one time"),
        ("'after_s', 5, 'soon', 5", "Give one time"), ("'after_s', 'a'", "Give one time"),
        ("'after_s'", "in pairs"), ("'after_s', 5, 'after_s', 5", "each of them once"),
        (f"'after_s', {FAR}", "30 minutes"), (f"'at_s', {-FAR}", "30 minutes"),
        ("'after_s', NaN", "30 minutes"), ("'after_s', 1, 'late_us', -1", "30 minutes"),
        ("'after_s', 1, 'bound_us', 1", r"agree within \d+ us at that time, not within 1 us"),
    ],
)  # fmt: skip
def test_what_can_not_be_is_refused_in_words(octave, serve, arguments, why):
    opened(octave, serve())
    for call in (f"pulse(5, [], {arguments})", f"set(5, {arguments})"):
        with pytest.raises(OctaveError, match=why) as error:
            octave.run(f"box.{call};")
        assert error.value.identifier == "tallymark:value"
        assert "Nothing was sent" in str(error.value)
    assert octave.value("box.counters()")["markers"] == 0


def test_more_than_the_box_holds(octave, serve):
    opened(octave, serve())
    octave.run("for k = 1:32, box.pulse(1, 10, 'after_s', 60 + k / 1000); end")
    with pytest.raises(OctaveError, match="holds 32 markers ahead"):
        octave.run("box.pulse(1, 10, 'after_s', 90);")
    assert len(octave.value("box.cancel()")) == 32
    assert octave.value("box.wait(box.pulse(1, 10))")["outcome"] == "done"


def test_one_that_is_late_or_in_the_way(octave, serve):
    opened(octave, serve())
    octave.run(
        "now_us = double(box.clock().box_time_us);"
        "late = box.wait(box.pulse(5, [], 'at_us', now_us));"
        "allowed = box.wait(box.pulse(5, [], 'at_us', now_us, 'late_us', 60e6));"
        "box.pulse(5, [], 'at_us', now_us + 5e6);"
        "taken = box.wait(box.pulse(6, [], 'at_us', now_us + 5e6));"
    )
    late, allowed, taken = octave.value("{late, allowed, taken}")
    assert (late["outcome"], allowed["outcome"], taken["outcome"]) == ("refused", "done", "refused")
    assert "or its time" in late["text"]
    assert allowed["box_time_us"] > allowed["at_us"]
    assert allowed["delay_us"] == allowed["box_time_us"] - allowed["at_us"]  # the box told of none
    assert allowed["edge_s"] > 0
    assert allowed["edge_bound_s"] < 1
    assert "in the way" in taken["text"]


def test_cancelling_one_and_closing(octave, serve):
    server = serve()
    opened(octave, server)
    octave.run(
        "one = box.pulse(1, [], 'after_s', 0.3); two = box.pulse(2, [], 'after_s', 60);"
        "first = box.cancel(two); again = box.cancel(two); box.wait(one); out = box.cancel(one);"
        "three = box.pulse(3, [], 'after_s', 0.4); box.pulse(4); box.close(); pause(0.5);"
    )
    first, again, out = octave.value("{first, again, out}")
    assert ([marker["code"] for marker in first], again, out) == ([2], [], [])
    assert octave.value("three")["outcome"] == "refused"
    assert [code for _, code in shown(server)] == [1, 4]


def test_a_restart_is_told(octave, serve):
    server = serve()
    opened(octave, server)
    octave.run("marker = box.pulse(5, [], 'after_s', 60); await_answer(box, marker);")
    server.device.start()
    octave.run("box.wait(marker);")
    [warning] = octave.warnings
    assert "started again" in warning
    assert "(code 5)" in warning
    assert octave.value("marker")["outcome"] == "unconfirmed"
    again = octave.value("box.wait(box.pulse(5, [], 'after_s', 0.3))")  # by the new run's clock
    assert again["outcome"] == "done"


# Where the link loses something ------------------------------------------------------------------


def test_notices_and_acceptances_that_are_lost_are_asked_for(octave, lossy):
    opened(octave, lossy)
    lossy.loses_answer = lambda kind, tag: kind == Notice.MARKER_EDGE
    edge_lost = octave.value("box.wait(box.pulse(5, [], 'after_s', 0.1))")
    lossy.loses_answer = lambda kind, tag: kind == Answer.ACCEPTED
    octave.run("early = box.pulse(6, [], 'after_s', 0.1); later = box.pulse(7, [], 'after_s', 2);"
               "box.wait(early); box.wait(later);")
    for marker in (edge_lost, *octave.value("{early, later}")):
        assert (marker["outcome"], marker["box_time_us"]) == ("done", marker["at_us"])
    lossy.loses_answer = lambda kind, tag: kind in (Notice.MARKER_EDGE, Answer.FATE)
    silent = octave.value("box.wait(box.pulse(8, [], 'after_s', 0.1))")
    assert silent["outcome"] == "unconfirmed"
    assert "the box does not answer" in silent["text"]


# Against a box that says what a test tells it to -------------------------------------------------


def test_a_box_that_can_not(octave):
    with ScriptedBox(capabilities=0) as box:
        opened(octave, box)
        with pytest.raises(OctaveError, match="can't put out markers ahead"):
            octave.run("box.pulse(5, [], 'after_s', 1);")
        assert box.came(Request.TIMED) == []


def test_times_go_over_the_wire_as_asked(octave):
    script = {Request.TIMED: [says(Answer.ACCEPTED, number=1)],
              Request.CLOCK: [says(Answer.DONE, time=5)]}
    with ScriptedBox(script, **CAN) as box:
        opened(octave, box)
        octave.run("marker = box.set(0, 'at_us', 2000, 'late_us', 7); await_answer(box, marker);")
        box.tell(edge(2, 1, 2000))
        assert octave.value("box.wait(marker)")["box_time_us"] == 2000
        ((_, fields),) = box.came(Request.TIMED)
        assert (fields.kind, fields.code, fields.width, fields.at, fields.expiry) == (
            1, 0, 0, 2000, 2007,
        )  # fmt: skip


def test_a_missing_notice_makes_it_ask_at_once(octave):
    script = {
        Request.TIMED: [says(Answer.ACCEPTED, number=1)],
        Request.CLOCK: [says(Answer.DONE, time=5)],
        Request.FATE_OF_NUMBER: [
            tells(4, code=5, time=9_000_000, number=1), tells(1, code=5, time=9_000_000, number=1),
        ],
    }  # fmt: skip
    with ScriptedBox(script, **CAN) as box:
        opened(octave, box)
        octave.run("marker = box.pulse(5, [], 'at_us', 9e6); await_answer(box, marker);")
        box.tell(notice(Notice.HOLD_ENDED, 3, time=1, code=1))  # number 2 is missing
        deadline = time.monotonic() + 5  # its own time is 9 s away
        while not box.came(Request.FATE_OF_NUMBER) and time.monotonic() < deadline:
            octave.run("box.wait(marker, 0.1);")
        assert len(box.came(Request.FATE_OF_NUMBER)) == 1
        assert octave.value("box.wait(marker, 0.1)")["outcome"] == "accepted"
        box.tell(notice(Notice.HOLD_ENDED, 5, time=1, code=1))
        assert octave.value("box.wait(marker)")["box_time_us"] == 9_000_000
        assert len(box.came(Request.FATE_OF_NUMBER)) == 2


def test_one_that_the_box_does_not_know(octave):
    script = {
        Request.TIMED: [says(Answer.ACCEPTED, number=1)],
        Request.CLOCK: [says(Answer.DONE, time=5)],
        Request.FATE_OF_NUMBER: [tells(0, number=1)],
    }
    with ScriptedBox(script, **CAN) as box:
        opened(octave, box)
        marker = octave.value("box.wait(box.pulse(5, [], 'after_s', 0.05))")
        assert marker["outcome"] == "unconfirmed"
        assert "no record of it any more" in marker["text"]


def test_numbers_that_begin_anew_show_a_restart(octave):
    script = {Request.TIMED: [says(Answer.ACCEPTED, number=1), says(Answer.ACCEPTED, number=1)],
              Request.CLOCK: [says(Answer.DONE, time=5)],
              Request.CANCEL: [silence]}  # fmt: skip
    with ScriptedBox(script, **CAN) as box:
        opened(octave, box)
        octave.run("one = box.pulse(5, [], 'at_us', 9e6); await_answer(box, one);"
                   "two = box.pulse(6, [], 'at_us', 9e6); await_answer(box, two);")
        assert octave.value("one")["outcome"] == "unconfirmed"
        assert octave.value("two")["outcome"] == "accepted"
        box.tell(edge(2, 1, 9_000_000))
        assert octave.value("box.wait(two)")["outcome"] == "done"
