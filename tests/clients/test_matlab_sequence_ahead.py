"""A sequence that starts at a time to come, from the client for MATLAB's language, in Octave."""

from __future__ import annotations

import time

import pytest
from octave_session import OctaveError
from scripted_box import ScriptedBox, says

from tallymark.box.wire.protocol_enumerations import Answer, Notice, Request

STEPS = [(1, 1000), (2, 2000), (0, 3000), (4, 4000)]
ROWS = "[1 1000; 2 2000; 0 3000; 4 4000]"


def opened(octave, served):
    octave.run(f"box = tallymark.Box('{served.where}');")


def edges(server):
    return [(each.time_us, each.levels) for each in server.device.edges()]


def ideal(begin, repeats=1):
    found = []
    for code, hold in STEPS * repeats:
        found.append((begin, code))
        begin += hold
    return [*found, (begin, 0)]


@pytest.mark.parametrize("tcp", [False, True], ids=["terminal", "tcp"])
def test_it_starts_at_its_time_and_plays_as_it_was_loaded(octave, serve, tcp):
    server = serve(tcp=tcp)
    opened(octave, server)
    server.device.edges()
    octave.run(
        "box.sync_clock(); at = toc(box.opened) + 0.8;"
        f"start = box.sequence({ROWS}, 3, 'at_s', at); before = start.outcome;"
        "state = box.sequence_state(); waits = box.sequence_wait(0.05);"
        "ended = box.sequence_wait(); start = box.wait(start);"
    )
    start, state, waits, ended = octave.value("{start, state, waits, ended}")
    assert octave.value("before") == "accepted"
    assert (state["state"], state["started_us"]) == ("waiting", start["at_us"])
    assert waits["state"] == "waiting"
    assert (ended["state"], ended["played"]) == ("ended", 12)
    assert (start["outcome"], start["request"]) == ("done", "sequence_start_at")
    assert (start["box_time_us"], start["delay_us"]) == (start["at_us"], 0)
    assert abs(start["edge_s"] - octave.value("at")) <= start["edge_bound_s"] + 1e-6
    assert edges(server) == ideal(start["at_us"], 3)
    assert octave.value("box.wait()") == []


def test_times_from_now_and_of_the_box(octave, serve):
    server = serve()
    opened(octave, server)
    server.device.edges()
    octave.run(
        "now_us = double(box.clock().box_time_us);"
        f"one = box.sequence({ROWS}, 1, 'after_s', 0.3); box.sequence_wait();"
    )
    [one, now_us] = octave.value("{one, now_us}")
    assert one["box_time_us"] > now_us + 299_000  # from when the steps are loaded
    assert edges(server) == ideal(one["at_us"])
    octave.run(
        "now_us = double(box.clock().box_time_us);"
        f"two = box.wait(box.sequence({ROWS}, 1, 'at_us', now_us + 4e5)); box.sequence_wait();"
    )
    assert octave.value("two")["box_time_us"] == octave.value("now_us") + 400_000
    assert edges(server) == ideal(octave.value("two")["at_us"])


@pytest.mark.parametrize("when", ["'after_s', -1", "'at_us', 5"])
def test_too_late_is_refused_and_nothing_plays(octave, serve, when):
    server = serve()
    opened(octave, server)
    server.device.edges()
    with pytest.raises(OctaveError, match=r"The sequence: It was refused.*time") as error:
        octave.run(f"box.sequence({ROWS}, 1, {when});")
    assert error.value.identifier == "tallymark:refused"
    assert octave.value("box.sequence_state()")["state"] == "loaded"
    assert edges(server) == []


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        ("'at_s', 5, 'after_s', 5", "Give one time"), ("'bound_us', 5", "Give one time"),
        ("'after_s'", "in pairs"), ("'after_s', 1, 'late_us', 0", "at its time or not at all"),
        ("'after_s', 1860", "30 minutes"),
        ("'after_s', 1, 'bound_us', 1", r"agree within \d+ us at that time, not within 1 us"),
    ],
)  # fmt: skip
def test_what_can_not_be_is_refused_in_words(octave, serve, arguments, why):
    opened(octave, serve())
    with pytest.raises(OctaveError, match=why) as error:
        octave.run(f"box.sequence({ROWS}, 1, {arguments});")
    assert error.value.identifier == "tallymark:value"
    assert "Nothing was sent" in str(error.value)
    assert octave.value("box.sequence_state()")["state"] == "empty"


@pytest.mark.parametrize("way", ["cancel(start)", "cancel()", "sequence_stop()", "close()"])
def test_it_is_taken_back(octave, serve, way):
    server = serve()
    opened(octave, server)
    server.device.edges()
    octave.run(f"start = box.sequence({ROWS}, 1, 'after_s', 0.5); box.{way};")
    assert octave.warnings == []  # it was asked for
    start = octave.value("start")
    assert start["outcome"] == "refused"
    assert "cancelled" in start["text"]
    time.sleep(0.6)
    assert edges(server) == []


def test_what_is_in_its_way_is_refused_and_the_rest_goes_out(octave, serve):
    opened(octave, serve())
    octave.run(
        "now_us = double(box.clock().box_time_us);"
        f"start = box.sequence({ROWS}, 1, 'at_us', now_us + 2e6);"
        "free = box.wait(box.pulse(8, 1000));"
        "taken = box.wait(box.pulse(8, 1000, 'at_us', now_us + 1.5e6));"
    )
    free, taken = octave.value("{free, taken}")
    assert (free["outcome"], taken["outcome"]) == ("done", "refused")
    assert "in the way" in taken["text"]
    with pytest.raises(OctaveError, match="Step 1 of the sequence was not loaded"):
        octave.run(f"box.sequence({ROWS}, 1, 'after_s', 5);")
    assert octave.value("box.wait(start)")["outcome"] == "done"


def test_notices_and_acceptances_that_are_lost_are_asked_for(octave, lossy):
    opened(octave, lossy)
    for lost in (Notice.MARKER_EDGE, Answer.ACCEPTED):
        lossy.loses_answer = lambda kind, tag, lost=lost: kind == lost
        octave.run(f"start = box.sequence({ROWS}, 1, 'after_s', 1.5); box.wait(start);")
        start = octave.value("start")
        assert (start["outcome"], start["box_time_us"]) == ("done", start["at_us"])
        assert octave.value("box.sequence_wait()")["state"] == "ended"


def test_a_box_that_can_not(octave):
    with ScriptedBox(capabilities=0x10) as box:
        opened(octave, box)
        with pytest.raises(OctaveError, match="can't start a sequence at a time"):
            octave.run(f"box.sequence({ROWS}, 1, 'after_s', 1);")
        assert box.came(Request.SEQUENCE_LOAD) == []


def test_its_start_goes_over_the_wire_as_asked(octave):
    script = {
        Request.SEQUENCE_LOAD: [says(Answer.DONE, time=5)],
        Request.SEQUENCE_START_AT: [says(Answer.ACCEPTED, number=7)],
        Request.CLOCK: [says(Answer.DONE, time=5)],
        Request.CANCEL: [says(Answer.DONE, time=6)],
    }
    with ScriptedBox(script, capabilities=0x110, places=8) as box:
        opened(octave, box)
        octave.run("start = box.sequence([1 1000], 70000, 'at_us', 2000);")
        assert octave.value("start")["ahead_number"] == 7
        ((_, fields),) = box.came(Request.SEQUENCE_START_AT)
        assert (fields.repeats, fields.at) == (70_000, 2_000)
