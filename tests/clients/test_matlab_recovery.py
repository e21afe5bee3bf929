"""The client for MATLAB and GNU Octave: sessions, notices, and what it does about each marker whose
answer is missing (PROTOCOL.md, sections 3.1 to 3.6), in Octave."""

from __future__ import annotations

import pytest
from octave_session import OctaveError
from scripted_box import ScriptedBox, notice, says, silence, tells_fate

from tallymark.box.wire.frames import frame
from tallymark.box.wire.layouts import ANSWERS
from tallymark.box.wire.protocol_enumerations import NO_CUT, Answer, Notice, Reason, Request

UNKNOWN, WENT_OUT, WAITS, WAS_REFUSED = range(4)
TAG_REPEATED = says(Answer.REFUSED, request=Request.PULSE, reason=Reason.TAG_REPEATED, detail=9)
LEVELS = says(Answer.LEVELS, time=20, outputs=0, readback=0)


def done(time=20):
    return says(Answer.DONE, time=time)


def opened(octave, box):
    octave.run(f"box = tallymark.Box('{box.where}');")


def outcomes(octave, *names):
    return octave.value(f"{{{', '.join(f'{name}.outcome' for name in names)}}}")


# Opening ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("major", [1, 3])
def test_another_major_version_is_refused(octave, major):
    refusal = says(Answer.REFUSED, request=1, reason=Reason.VERSION, detail=major)
    other = says(Answer.IDENTITY, **IDENTITY | {"major": major})
    short = lambda tag, _: frame(Answer.IDENTITY, tag, bytes((major, 0)) + bytes(46))  # noqa: E731
    for answer in (refusal, other, short):
        with ScriptedBox({Request.IDENTIFY: [answer]}) as box:
            with pytest.raises(OctaveError) as error:
                opened(octave, box)
            assert error.value.identifier == "tallymark:version"
            assert f"speaks version {major} of the protocol" in str(error.value)
            assert "and this program version 2. No marker was sent." in str(error.value)
            assert box.requests == []


IDENTITY = {
    "major": 2, "minor": 0, "firmware": (0, 1, 0), "board": 1, "serial": bytes(8), "cause": 1,
    "newest_tag": 0, "window": 440, "history": 64, "longest_frame": 64, "steps": 1024,
    "edges": 128, "least_width": 1, "longest_width": 3_600_000_000, "name": bytes(16),
    "session": 0, "capabilities": 6, "last_notice": 1, "places": 1, "least_lead": 0,
}  # fmt: skip


def test_the_identity(octave):
    with ScriptedBox(capabilities=0x8A, newest_tag=254) as box:
        opened(octave, box)
        identity = octave.value("box.identity")
        assert (identity["capabilities"], identity["history"]) == (0x8A, 64)
        octave.run("box.pulse(1); pause(0.05);")
        assert [tag for tag, _ in box.came(Request.SESSION)] == [255]
        assert [tag for tag, _ in box.came(Request.PULSE)] == [2]  # 1 asked for the settings


def test_a_session_is_asked_for_again_with_the_same_number(octave):
    with ScriptedBox({Request.SESSION: [silence]}) as box:
        opened(octave, box)
        first, second = box.came(Request.SESSION)
        assert first[1].number == second[1].number == box.session > 0
        assert second[0] == first[0] + 1


def test_two_sessions_have_two_numbers(octave):
    numbers = set()
    for _ in range(3):
        with ScriptedBox() as box:
            opened(octave, box)
            numbers.add(box.session)
    assert len(numbers) == 3


def test_a_box_that_begins_no_session(octave):
    with ScriptedBox({Request.SESSION: [silence] * 9}) as box:
        with pytest.raises(OctaveError, match="said who it is, and then did not answer") as error:
            opened(octave, box)
        assert error.value.identifier == "tallymark:nobox"


def test_what_an_earlier_program_left_in_the_port_is_dropped(octave):
    """Among it the answer to a question with the very tag of ours."""
    with ScriptedBox() as box:
        octave.start(f"box = tallymark.Box('{box.where}');")
        old = ANSWERS[Answer.IDENTITY].build(IDENTITY | {"newest_tag": 99})
        while box._client is None:
            pass
        box.tell(b"".join(frame(Answer.IDENTITY, tag, old) for tag in range(1, 256)))
        octave.finish()
        assert octave.value("box.identity")["newest_tag"] == 0
        assert octave.value("box.ignored()")["late"] == 0


def test_settings_of_another_firmware_are_told(octave):
    with ScriptedBox() as box:
        box.origin = 3
        opened(octave, box)
        [warning] = octave.warnings
        assert "it started with the factory values" in warning


# Lost answers -----------------------------------------------------------------------------------


def test_a_tag_that_is_not_ahead_is_asked_for(octave):
    fate = tells_fate(WENT_OUT, code=5, time=40, lasted=300, delay=20, notes=1)
    with ScriptedBox({Request.PULSE: [TAG_REPEATED], Request.FATE: [fate]}) as box:
        opened(octave, box)
        marker = octave.value("box.wait(box.pulse(5))")
        assert (marker["outcome"], marker["box_time_us"]) == ("done", 40)
        assert (marker["cut_lasted_us"], marker["delay_us"]) == (300, 20)
        assert marker["no_edge"] is True
        [(tag, fate)] = box.came(Request.FATE)
        assert (tag, fate.asked) == (marker["tag"] + 1, marker["tag"])


def test_an_answer_to_a_later_request_makes_it_ask_at_once(octave):
    refused = tells_fate(WAS_REFUSED, code=5, reason=Reason.OVERLAP, time=40)
    with ScriptedBox({Request.LEVELS: [LEVELS], Request.FATE: [refused]}) as box:
        opened(octave, box)
        octave.run("marker = box.pulse(5); began = tic; box.levels(); box.wait(marker);"
                   "took = toc(began);")
        assert outcomes(octave, "marker") == ["refused"]
        assert "overlap is refuse" in octave.value("marker.text")
        kinds = [kind for kind, _, _ in box.requests]
        assert kinds == [Request.SESSION, Request.PULSE, Request.LEVELS, Request.FATE]


def test_its_own_answer_while_it_is_asked_for(octave):
    def both(tag, asked):
        return done(33)(asked.asked, None) + tells_fate(UNKNOWN)(tag, asked)

    with ScriptedBox({Request.LEVELS: [LEVELS], Request.FATE: [both]}) as box:
        opened(octave, box)
        octave.run("marker = box.pulse(5); box.levels(); box.wait(); pause(0.05); box.collect();")
        marker = octave.value("marker")
        assert (marker["outcome"], marker["box_time_us"]) == ("done", 33)
        box.tell(done(33)(marker["tag"], None))
        octave.run("pause(0.05); box.collect();")
        assert octave.value("box.ignored()") == {"broken": 0, "short": 0, "late": 1}


def test_one_that_waits_is_asked_for_again_only_when_it_is_overdue(octave):
    waits = tells_fate(WAITS, code=5, delay=200)
    went_out = tells_fate(WENT_OUT, code=5, time=90, delay=200)
    script = {Request.LEVELS: [LEVELS] * 3, Request.FATE: [waits, went_out]}
    with ScriptedBox(script) as box:
        opened(octave, box)
        octave.run("marker = box.pulse(5); box.levels(); pause(0.02); box.levels(); box.levels();")
        assert len(box.came(Request.FATE)) == 1
        octave.run("box.wait(marker);")
        marker = octave.value("marker")
        assert (marker["outcome"], marker["box_time_us"]) == ("done", 90)
        assert marker["delay_us"] == 200
        assert len(box.came(Request.FATE)) == 2


def test_two_questions_and_no_more(octave):
    with ScriptedBox() as box:
        opened(octave, box)
        octave.run("marker = box.wait(box.pulse(5));")
        assert outcomes(octave, "marker") == ["unconfirmed"]
        [(marker, _)] = box.came(Request.PULSE)
        assert [(tag - marker, fate.asked) for tag, fate in box.came(Request.FATE)] == [
            (1, marker), (2, marker),
        ]  # fmt: skip


def test_a_silent_box_is_given_up_soon(octave):
    with ScriptedBox() as box:
        opened(octave, box)
        octave.run("for k = 1:30, box.pulse(1); end; failed = box.wait();")
        assert len(octave.value("failed")) == 30
        assert len(box.came(Request.FATE)) == 2


def test_unknown_in_the_same_session_is_lost(octave):
    script = {Request.PULSE: [TAG_REPEATED, done()], Request.FATE: [tells_fate(UNKNOWN)]}
    with ScriptedBox(script) as box:
        opened(octave, box)
        octave.run("one = box.pulse(5); box.wait(); two = box.wait(box.pulse(6));")
        assert outcomes(octave, "one", "two") == ["unconfirmed", "done"]
        assert len(box.came(Request.SESSION)) == 1


def test_unknown_in_another_session_means_that_another_program_has_it(octave):
    with ScriptedBox({Request.PULSE: [TAG_REPEATED], Request.FATE: [tells_fate(UNKNOWN)]}) as box:
        opened(octave, box)
        box.session = 1234
        with pytest.raises(OctaveError, match="another program has taken the box") as error:
            octave.run("marker = box.pulse(5); box.wait();")
        assert error.value.identifier == "tallymark:connection"
        assert outcomes(octave, "marker") == ["unconfirmed"]
        with pytest.raises(OctaveError, match="Nothing was sent"):
            octave.run("box.pulse(6);")


def test_unknown_in_no_session_means_that_it_has_started_again(octave):
    script = {Request.PULSE: [TAG_REPEATED, done()], Request.FATE: [tells_fate(UNKNOWN)]}
    with ScriptedBox(script) as box:
        opened(octave, box)
        box.session = 0
        octave.run("one = box.pulse(5); box.wait();")
        assert any("started again" in warning for warning in octave.warnings)
        octave.run("two = box.wait(box.pulse(6));")
        assert outcomes(octave, "one", "two") == ["unconfirmed", "done"]
        assert box.session > 0


@pytest.mark.parametrize("question", [False, True])
def test_a_box_time_that_went_back_means_that_it_has_started_again(octave, question):
    early = says(Answer.LEVELS, time=4, outputs=0, readback=0)
    pulses = [done(1_000_000)] if question else [done(1_000_000), done(4)]
    with ScriptedBox({Request.PULSE: pulses, Request.LEVELS: [early]}) as box:
        opened(octave, box)
        octave.run("one = box.wait(box.pulse(5)); two = box.pulse(6);")
        octave.run("try, box.levels(); catch, end" if question else "box.wait();")
        assert any("started again" in warning for warning in octave.warnings)
        assert outcomes(octave, "one", "two") == ["done", "unconfirmed"]
        assert len(box.came(Request.SESSION)) == 2


def test_no_marker_is_sent_after_a_hundred_tags_without_an_answer(octave):
    with ScriptedBox() as box:
        opened(octave, box)
        octave.run("markers = {}; for k = 1:130, markers{k} = box.pulse(1); end; box.wait();",
                   timeout=60)
        assert any("has not answered for a long time" in warning for warning in octave.warnings)
        markers = octave.value("markers")
        assert {marker["outcome"] for marker in markers} == {"unconfirmed"}
        sessions = box.came(Request.SESSION)
        assert len(sessions) == 2
        assert sessions[0][1].number != sessions[1][1].number
        second = box.requests.index((Request.SESSION, *sessions[1]))
        assert 50 < second - 1 <= 100  # tags between the two, the settings among them
        [left_out] = [marker for marker in markers if marker["sent_s"] is None]
        assert "It is not in the recording" in left_out["text"]


def test_longer_answers_count_and_shorter_ones_are_counted(octave):
    def odd(tag, _):
        return b"".join((
            frame(Answer.DONE, tag, bytes(7)),
            frame(0x8F, tag, bytes(7)),  # of a later version
            b"\x01\x02\x03\x04\x00",
            says(Answer.REFUSED, request=Request.SET, reason=Reason.OVERLAP, detail=0)(tag, None),
            frame(Answer.DONE, tag, b"\x09" + bytes(12)),
        ))  # fmt: skip

    with ScriptedBox({Request.PULSE: [odd]}) as box:
        opened(octave, box)
        marker = octave.value("box.wait(box.pulse(5))")
        assert (marker["outcome"], marker["box_time_us"]) == ("done", 9)
        assert octave.value("box.ignored()") == {"broken": 1, "short": 1, "late": 1}


def test_the_pulse_that_a_cancelled_marker_had_cut(octave):
    cancelled = says(
        Answer.REFUSED, request=Request.PULSE, reason=Reason.CANCELLED, detail=1500
    )
    uncut = says(Answer.REFUSED, request=Request.PULSE, reason=Reason.CANCELLED, detail=NO_CUT)
    with ScriptedBox({Request.PULSE: [cancelled, uncut]}) as box:
        opened(octave, box)
        one, two = octave.value("{box.wait(box.pulse(5)), box.wait(box.pulse(5))}")
        assert (one["cut_lasted_us"], two["cut_lasted_us"]) == (1500, None)
        assert "lasted 1.5 ms" in one["text"]


# Notices ----------------------------------------------------------------------------------------


def byte_marker(number):
    return notice(
        Notice.BYTE_MARKER, number, time=5, byte=65, reason=0, lasted=NO_CUT, delay=0, notes=0
    )


def take_in(octave):
    """Octave has taken in what was said, and asked what it asks by itself: answers come in order,
    and one question is on its way at a time."""
    octave.run("for k = 1:2, for tries = 1:20, try, box.levels(); break; catch, end; end; end")
    return octave.warnings


def heard(octave, box, *numbers):
    """Warnings after notices with these numbers."""
    box.script[Request.LEVELS] = [LEVELS] * 50
    box.tell(b"".join(byte_marker(number) for number in numbers))
    return take_in(octave)


def test_notices_that_are_missing_are_told(octave):
    with ScriptedBox(last_notice=253) as box:
        opened(octave, box)
        assert heard(octave, box, 254, 255, 1, 1, 2) == []
        [warning] = heard(octave, box, 6)
        assert "3 messages that the box" in warning
        assert heard(octave, box, 7) == []


def test_a_notice_of_a_type_that_is_not_known_has_a_number_too(octave):
    with ScriptedBox(last_notice=6) as box:
        opened(octave, box)
        box.tell(frame(0xE0, 7, b"\x01"))
        assert heard(octave, box, 8) == []


def test_a_start_that_was_not_heard_is_no_loss(octave):
    with ScriptedBox(last_notice=40) as box:
        opened(octave, box)
        box.session = 0
        box.identity["last_notice"] = 3
        [warning] = heard(octave, box, 3)
        assert "started again" in warning
        assert heard(octave, box, 4) == []


def test_the_box_counts_notices_too(octave):
    def counters(total):
        names = [field.name for field in ANSWERS[Answer.COUNTERS].subcons]
        return says(Answer.COUNTERS, **dict.fromkeys(names, 20) | {"notices": total})

    with ScriptedBox({Request.COUNTERS: [counters(100), counters(101), counters(357)]}) as box:
        opened(octave, box)
        octave.run("box.counters();")
        heard(octave, box, 2)
        assert octave.value("box.counters()")["notices"] == 101
        heard(octave, box, 3)  # the 256th since
        octave.run("box.counters();")
        [warning] = octave.warnings + take_in(octave)
        assert "255 messages that the box" in warning


# Markers with an expiry, and without an edge ----------------------------------------------------


def test_a_marker_with_an_expiry_goes_out_before_it_and_not_after_it(octave, serve):
    server = serve()
    opened(octave, server)
    octave.run("now_us = double(box.clock().box_time_us);"
               "one = box.wait(box.pulse(1, 700, now_us + 5e6)); pause(0.01);"
               "two = box.wait(box.set(6, now_us + 5e6));"
               "late = box.wait(box.pulse(2, [], 1)); other = box.wait(box.set(0, 1));")
    one, two, late, other = octave.value("{one, two, late, other}")
    assert [m["outcome"] for m in (one, two, late, other)] == ["done", "done", "refused", "refused"]
    assert "after its expiry" in late["text"]
    assert (one["request"], one["width_us"], late["width_us"]) == ("timed", 700, None)
    edges = [edge for edge in server.device.edges() if edge.time_us > 0]
    assert edges == [
        (one["box_time_us"], 1), (one["box_time_us"] + 700, 0), (two["box_time_us"], 6),
    ]  # fmt: skip
    for call in ("pulse(1, [], -1)", "pulse(1, 0, 5)", "set(1, 'a')", "set(1, 0.5)"):
        with pytest.raises(OctaveError, match="Nothing was sent"):
            octave.run(f"box.{call};")


def test_a_marker_whose_code_is_on_the_lines_already_has_no_edge(octave, serve):
    server = serve()
    opened(octave, server)
    octave.run("one = box.wait(box.set(5)); two = box.wait(box.pulse(5));"
               "three = box.wait(box.set(0));")
    assert octave.value("[one.no_edge, two.no_edge, three.no_edge]") == [False, True, False]
