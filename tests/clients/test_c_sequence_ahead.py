"""A sequence that starts at a time to come, from the client in C."""

from __future__ import annotations

import time

import pytest
from c_library import DONE, OPEN, REFUSED, ClientError
from scripted_box import ScriptedBox, says

from tallymark.box.wire.protocol_enumerations import Answer, Request

MS = 1_000_000
STEPS = [(1, 1000), (2, 2000), (0, 3000), (4, 4000)]
LOADED, PLAYING, ENDED, WAITING = 1, 2, 3, 5
LATE, CANCELLED, TAKEN = 22, 19, 23


def edges(server) -> list[tuple[int, int]]:
    return [(each.time_us, each.levels) for each in server.device.edges()]


def ideal(begin: int, repeats: int = 1) -> list[tuple[int, int]]:
    found = []
    for code, hold in STEPS * repeats:
        found.append((begin, code))
        begin += hold
    return [*found, (begin, 0)]


def test_it_starts_at_its_time_and_plays_as_it_was_loaded(library, server):
    with library.open(server.where) as box:
        server.device.edges()
        box.sync_clock()
        at_ns = box.lib.tallymark_now_ns() + 400 * MS
        number = box.sequence_ahead(STEPS, 3, at_ns=at_ns)
        marker = box.marker(number)
        assert (marker.outcome, marker.ahead_number > 0) == (OPEN, True)
        state = box.sequence_look()
        assert (state.state, state.started_us, state.played) == (WAITING, marker.at_us, 0)
        with pytest.raises(ClientError, match="waits for its time") as waits:
            box.sequence_wait(20)
        assert waits.value.name == "PLAYING"
        assert edges(server) == []
        ended = box.sequence_wait(5_000)
        assert (ended.state, ended.played) == (ENDED, 12)
        marker = box.marker(number)
        assert (marker.outcome, marker.box_time_us) == (DONE, marker.at_us)
        assert abs(marker.host_ns - at_ns) <= marker.host_bound_ns + 500
        assert edges(server) == ideal(marker.at_us, 3)
        assert box.totals.open == 0


@pytest.mark.parametrize("kind", ["after_us", "at_us"])
def test_times_from_now_and_of_the_box(library, server, kind):
    with library.open(server.where) as box:
        server.device.edges()
        now_us = box.clock().box_time_us
        number = box.sequence_ahead(STEPS, **{kind: 300_000 + now_us * (kind == "at_us")})
        marker = box.wait(number)
        if kind == "at_us":
            assert marker.box_time_us == now_us + 300_000
        else:  # it counts from when the steps are loaded
            assert marker.box_time_us > now_us + 299_000
        box.sequence_wait(5_000)
        assert edges(server) == ideal(marker.at_us)


def test_too_late_is_refused_and_nothing_plays(library, server):
    with library.open(server.where) as box:
        server.device.edges()
        past_ns = box.lib.tallymark_now_ns() - 1000 * MS
        for late in ({"at_ns": past_ns}, {"at_us": box.clock().box_time_us}):
            why = r"\(late\).*us late.*start of the sequence"
            with pytest.raises(ClientError, match=why) as told:
                box.sequence_ahead(STEPS, **late)
            assert told.value.name == "REFUSED"
        assert box.sequence_look().state == LOADED
        with pytest.raises(ClientError, match="does not play: it was not started") as told:
            box.sequence_wait(1_000)
        assert told.value.name == "REFUSED"
        assert box.marker(1).reason == LATE
        assert edges(server) == []


def test_what_can_not_be_is_refused_in_words(library, server):
    with library.open(server.where) as box:
        frames = box.counters().frames
        for arguments, why in (
            ({}, "Give one time"),
            ({"after_us": 5, "at_ns": 5}, "Give one time"),
            ({"after_us": 31 * 60 * 1_000_000}, "Give one time|30 minutes"),
            ({"after_us": 1_000_000, "bound_us": 1}, "agree within .* us at that time, not"),
            ({"after_us": 1_000_000, "late_us": 1}, "at its time or not at all"),
            ({"after_us": 1_000_000, "width_us": 1}, "leave 'late_us' and 'width_us' 0"),
        ):
            with pytest.raises(ClientError, match=why) as error:
                box.sequence_ahead(STEPS, **arguments)
            assert error.value.name == "BAD_VALUE"
        with pytest.raises(ClientError, match="1 to 1024 steps"):
            box.sequence_ahead([], after_us=1_000_000)
        assert box.counters().frames <= frames + 2  # the question, and perhaps one for the clock
        assert box.totals.sent == 0


@pytest.mark.parametrize("way", ["cancel", "cancel all", "stop"])
def test_it_is_taken_back(library, server, way):
    with library.open(server.where) as box:
        server.device.edges()
        number = box.sequence_ahead(STEPS, after_us=400_000)
        if way == "stop":
            assert box.sequence_stop().state == LOADED
        else:
            assert box.cancel(number if way == "cancel" else 0) == 1
        marker = box.marker(number)
        assert (marker.outcome, marker.reason) == (REFUSED, CANCELLED)
        time.sleep(0.5)
        assert edges(server) == []
        assert box.wait(box.pulse(8)).outcome == DONE


def test_closing_takes_it_back(library, server):
    box = library.open(server.where)
    server.device.edges()
    box.sequence_ahead(STEPS, after_us=300_000)
    assert box.close() == 1
    time.sleep(0.4)
    assert edges(server) == []


def test_what_is_in_its_way_is_refused_and_the_rest_goes_out(library, server):
    with library.open(server.where) as box:
        now_us = box.clock().box_time_us
        start = box.sequence_ahead(STEPS, at_us=now_us + 1_500_000)
        assert box.wait(box.pulse(8, 1000)).outcome == DONE
        for at_us in (now_us + 1_000_000, now_us + 3_000_000):
            taken = box.wait(box.pulse_ahead(8, at_us=at_us, width_us=1000))
            assert (taken.outcome, taken.reason) == (REFUSED, TAKEN)
        with pytest.raises(ClientError, match="lines busy") as busy:
            box.sequence_ahead(STEPS, after_us=2_000_000)
        assert busy.value.name == "REFUSED"
        assert box.wait(start).outcome == DONE


def test_a_notice_or_an_acceptance_that_is_lost_is_asked_for(library, lossy):
    with library.open(lossy.where) as box:
        lossy.loses_answer = lambda kind, tag: kind == 0xC5
        marker = box.wait(box.sequence_ahead(STEPS, after_us=100_000))
        assert (marker.outcome, marker.by_fate, marker.box_time_us) == (DONE, 1, marker.at_us)
        assert box.sequence_wait(5_000).state == ENDED
        lossy.loses_answer = lambda kind, tag: kind == 0x8A
        marker = box.wait(box.sequence_ahead(STEPS, after_us=1_500_000))
        assert (marker.outcome, marker.box_time_us) == (DONE, marker.at_us)


def test_a_box_that_can_not(library):
    with ScriptedBox(capabilities=0x10) as scripted, library.open(scripted.where) as box:
        with pytest.raises(ClientError, match="can't start a sequence at a time") as error:
            box.sequence_ahead(STEPS, at_us=1000)
        assert error.value.name == "BAD_VALUE"
        assert scripted.came(Request.SEQUENCE_LOAD) == []


def test_its_start_goes_over_the_wire_as_asked(library):
    script = {
        Request.SEQUENCE_LOAD: [says(Answer.DONE, time=5)] * 4,
        Request.SEQUENCE_START_AT: [says(Answer.ACCEPTED, number=7)],
        Request.CANCEL: [says(Answer.DONE, time=6)],
    }
    can = {"capabilities": 0x110, "places": 8}
    with ScriptedBox(script, **can) as scripted, library.open(scripted.where) as box:
        number = box.sequence_ahead(STEPS, 70_000, at_us=2_000)
        assert box.marker(number).ahead_number == 7
        ((_, fields),) = scripted.came(Request.SEQUENCE_START_AT)
        assert (fields.repeats, fields.at) == (70_000, 2_000)
        assert scripted.came(Request.SEQUENCE_START) == []


def test_a_time_from_now_counts_from_when_the_steps_are_loaded(library):
    def slowly(tag, fields):
        time.sleep(0.3)
        return says(Answer.DONE, time=300_000)(tag, fields)

    script = {
        Request.SEQUENCE_LOAD: [slowly],
        Request.SEQUENCE_START_AT: [says(Answer.ACCEPTED, number=7)],
        Request.CANCEL: [says(Answer.DONE, time=310_000)],
    }
    can = {"capabilities": 0x110, "places": 8}
    with ScriptedBox(script, **can) as scripted, library.open(scripted.where) as box:
        box.sequence_ahead(STEPS[:1], after_us=1_000_000)
        ((_, fields),) = scripted.came(Request.SEQUENCE_START_AT)
        assert fields.at > 1_250_000  # its session began at box time 0
