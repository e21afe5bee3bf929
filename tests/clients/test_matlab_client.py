"""The client for MATLAB and GNU Octave does what it promises, in Octave."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import time
from itertools import pairwise
from pathlib import Path
from threading import Thread

import pytest
from octave_session import OctaveError

from tallymark.box.settings import Settings
from tallymark.box.wire.frames import Decoder, frame
from tallymark.box.wire.protocol_enumerations import Answer, Reason, Request

ROOT = Path(__file__).parents[2]
VECTORS = ROOT / "protocol" / "vectors"
DONE = (Answer.DONE, Answer.DONE_NOTED)
MARKERS = (Request.PULSE, Request.PULSE_FOR, Request.SET)

both_ports = pytest.mark.parametrize("tcp", [False, True], ids=["pty", "tcp"])


def opened(octave, where):
    octave.run(f"box = tallymark.Box('{where}');")


def change_settings(server, **values):
    """As another program would do before ours opens the box."""
    body = Settings().changed(**values).pack()
    server.device.receive(frame(Request.SETTINGS_WRITE, 200, body))


def pulses(server):
    """(code, width in µs) of what was on the lines, from edges; idle is low."""
    edges = [edge for edge in server.device.edges() if edge.time_us > 0]
    return [
        (edge.levels, after.time_us - edge.time_us)
        for edge, after in pairwise(edges)
        if edge.levels
    ]


# The vectors ------------------------------------------------------------------------------------


def test_every_row_of_the_vectors(octave):
    counts = octave.value(f"matlab_vectors('{VECTORS}')")
    frames, broken, dialogues = (
        json.loads((VECTORS / f"{name}.json").read_text("utf-8"))
        for name in ("frames", "broken", "dialogues")
    )
    steps = [step for dialogue in dialogues for step in dialogue["steps"]]
    assert counts["frames"] == len(frames)
    assert counts["broken"] == len(broken)
    assert counts["dialogues"] == len(dialogues)
    assert counts["strange"] == 2
    assert counts["built"] + counts["strange"] == sum("request" in step for step in steps)
    assert counts["read"] == sum("answer" in step or "notice" in step for step in steps)


def test_the_check_value_of_the_crc(octave):
    assert octave.value("tallymark.crc16(double('123456789'))") == 0xA819


# Markers ----------------------------------------------------------------------------------------


@both_ports
def test_what_was_asked_is_on_the_lines(octave, serve, tcp):
    server = serve(tcp=tcp)
    opened(octave, server.where)
    octave.run("one = box.pulse(42); box.wait(one); pause(0.01);"
               "two = box.wait(box.pulse(7, 1234)); pause(0.01);"
               "box.set(3); pause(0.005); three = box.wait(box.set(0));")
    one, two, three = octave.value("{one, two, three}")
    assert [one["outcome"], two["outcome"], three["outcome"]] == ["done"] * 3
    assert (one["number"], one["code"], one["tag"], one["width_us"]) == (1, 42, 3, None)
    assert (two["number"], two["code"], two["tag"], two["width_us"]) == (2, 7, 4, 1234)
    # Tags 1 and 2 were those of the session and the settings.
    assert 0 < one["sent_s"] < two["sent_s"]
    assert one["held_back_s"] == 0
    edges = server.device.edges()
    assert (one["box_time_us"], 42) in edges
    assert (two["box_time_us"] + 1234, 0) in edges
    assert (three["box_time_us"], 0) in edges
    assert [edge.levels for edge in edges if edge.time_us > 0] == [42, 0, 7, 0, 3, 0]
    assert octave.warnings == []


@both_ports
def test_thousands_in_a_row_are_all_done(octave, serve, tcp):
    server = serve(tcp=tcp)
    opened(octave, server.where)
    octave.run("for k = 1:2000, box.pulse(1 + mod(k, 255)); end; failed = box.wait();")
    assert octave.value("failed") == []
    last = octave.value("box.wait(box.pulse(1))")
    assert last["number"] == 2001
    levels = [edge.levels for edge in server.device.edges() if edge.levels]
    assert levels == [1 + k % 255 for k in range(1, 2001)] + [1]
    counters = octave.value("box.counters()")
    assert (counters["markers"], counters["input_lost"], counters["refused"]) == (2001, 0, 0)
    tagged = counters["frames"] - 2  # all but `identify` and this question
    assert last["tag"] == (tagged - 1) % 255 + 1


def test_a_marker_that_finds_no_room_is_held_back_and_says_so(octave, lossy):
    opened(octave, lossy.where)
    lossy.loses_answer = lambda kind, tag: kind in DONE
    octave.run("markers = {}; for k = 1:60, markers{k} = box.pulse(1); end; failed = box.wait();")
    held_back = octave.value("cellfun(@(m) m.held_back_s, markers)")
    assert held_back[0] == 0
    assert max(held_back) > 0  # some 0.4 s where nothing else runs
    assert octave.value("failed") == []  # each was found by its fate


def test_a_cut_is_noted(octave, serve):
    opened(octave, serve().where)
    first, second = octave.value("{box.wait(box.pulse(1, 500000)), box.wait(box.pulse(2, 100))}")
    assert first["cut_lasted_us"] is None
    assert second["cut_lasted_us"] == second["box_time_us"] - first["box_time_us"]


def test_a_delay_by_the_gap_is_noted(octave, serve):
    server = serve()
    change_settings(server, gap_us=600_000)
    opened(octave, server.where)
    octave.run("one = box.wait(box.pulse(1, 100)); two = box.pulse(2, 100); three = box.pulse(4);")
    octave.run("failed = box.wait();")  # the wait is longer than an answer takes to be overdue
    two, three = octave.value("{two, three}")
    assert two["outcome"] == "done"
    assert two["delay_us"] > 500_000
    assert two["cut_lasted_us"] is None
    assert three["outcome"] == "refused"
    assert "waiting for its gap" in three["text"]
    assert [marker["number"] for marker in octave.value("failed")] == [3]


def test_refusals_say_why_and_what_to_do(octave, serve):
    server = serve()
    change_settings(server, lines=0b11111, overlap="refuse")
    opened(octave, server.where)
    octave.run("outside = box.wait(box.pulse(32));")
    assert len(octave.warnings) == 1
    octave.run("first = box.wait(box.pulse(1, 300000)); second = box.wait(box.pulse(2));")
    outside, second = octave.value("{outside, second}")
    assert outside["outcome"] == second["outcome"] == "refused"
    assert "(lines for codes: 0 1 2 3 4)" in outside["text"]
    assert "did not go out" in outside["text"]
    assert "overlap is refuse" in second["text"]
    octave.run("failed = box.wait();")
    assert [marker["code"] for marker in octave.value("failed")] == [32, 2]
    assert octave.value("box.wait()") == []
    assert [edge.levels for edge in server.device.edges() if edge.levels] == [1]


@pytest.mark.parametrize(
    "call", ["pulse(0)", "pulse(256)", "pulse(1.5)", "pulse('a')", "pulse([1 2])", "pulse(NaN)",
             "set(-1)", "pulse(1, 2^32)", "pulse(1, 0.5)", "sequence([1 2 3])",
             "sequence([256 100])", "sequence([1 100], -1)"],
)
def test_what_is_no_marker_is_not_sent(octave, serve, call):
    server = serve()
    opened(octave, server.where)
    with pytest.raises(OctaveError, match="Nothing was sent") as error:
        octave.run(f"box.{call};")
    assert error.value.identifier == "tallymark:value"
    assert octave.value("box.counters()")["markers"] == 0


def test_integers_of_any_type_are_codes(octave, serve):
    server = serve()
    opened(octave, server.where)
    octave.run("box.wait(box.pulse(uint8(200), uint16(300))); pause(0.01);"
               "box.wait(box.pulse(int8(7))); pause(0.01); box.set(single(0));"
               "box.sequence(uint16([255 60000; 0 100]), int32(1)); box.sequence_wait();")
    assert pulses(server) == [(200, 300), (7, 5000), (255, 60000)]
    assert octave.value("box.wait(box.pulse(uint8(200)))")["code"] == 200


def test_tags_go_on_where_the_last_program_stopped(octave, serve):
    server = serve()
    opened(octave, server.where)
    octave.run("for k = 1:20, box.pulse(1); end; box.close();")
    opened(octave, server.where)
    assert octave.value("box.wait(box.pulse(2))")["tag"] == 25  # 22, and twice two to open it


# Sequences and questions ------------------------------------------------------------------------


@both_ports
def test_a_sequence_is_played_by_the_box(octave, serve, tcp):
    server = serve(tcp=tcp)
    opened(octave, server.where)
    octave.run("start = box.sequence([1 900000; 0 400000; 6 700000], 2);"
               "playing = box.sequence_state(); refused = box.wait(box.pulse(1));"
               "state = box.sequence_wait();")
    start, playing, refused, state = octave.value("{start, playing, refused, state}")
    assert (start["outcome"], start["request"]) == ("done", "sequence_start")
    assert playing["state"] == "playing"
    assert "A sequence is playing" in refused["text"]
    assert (state["state"], state["steps"], state["repeats"], state["played"]) == ("ended", 3, 2, 6)
    assert state["started_us"] == start["box_time_us"]
    assert state["ended_us"] - state["started_us"] == 4_000_000
    assert pulses(server) == [(1, 900_000), (6, 700_000)] * 2


def test_a_sequence_can_be_stopped(octave, serve):
    server = serve()
    opened(octave, server.where)
    octave.run("box.sequence([1 50000], 0); first = box.sequence_wait(0.2);"
               "second = box.sequence_stop();")
    first, second = octave.value("{first, second}")
    assert (first["state"], second["state"]) == ("playing", "stopped")
    assert server.device.outputs == 0


def test_the_end_of_a_sequence_is_found_without_its_notice(octave, lossy):
    opened(octave, lossy.where)
    lossy.loses_answer = lambda kind, tag: kind == 0xC1
    assert octave.value("box.sequence([1 20000])")["outcome"] == "done"
    assert octave.value("box.sequence_wait()")["state"] == "ended"
    assert lossy.lost == [(0xC1, 2)]  # the second notice of the box


def test_a_sequence_that_can_t_be_played_says_where(octave, serve):
    server = serve()
    change_settings(server, lines=3)
    opened(octave, server.where)
    with pytest.raises(OctaveError, match="Step 2 of the sequence was not loaded") as error:
        octave.run("box.sequence([1 100; 4 100]);")
    assert error.value.identifier == "tallymark:refused"
    with pytest.raises(OctaveError, match="lines are not idle"):
        octave.run("box.set(1); box.sequence([1 100]);")


def test_questions(octave, serve):
    server = serve("inverted:7")
    opened(octave, server.where)
    octave.run("box.wait(box.set(5));")
    levels, clock, settings = octave.value("{box.levels(), box.clock(), box.settings()}")
    assert (levels["outputs"], levels["readback"]) == (5, 0x85)
    assert clock["box_time_us"] > levels["box_time_us"]
    assert clock["sent_s"] < clock["received_s"]
    assert (settings["width"], settings["lines"]) == (5000, 255)
    assert octave.value("box.identity")["serial"] == "0102030405060708"


def test_a_strobe_is_told_and_no_code_may_have_its_line(octave, serve):
    server = serve()
    change_settings(server, strobe=7, strobe_lead_us=300, strobe_hold_us=400)
    opened(octave, server.where)
    settings = octave.value("box.settings()")
    assert [settings[name] for name in ("strobe", "strobe_lead", "strobe_hold")] == [128, 300, 400]
    with pytest.raises(OctaveError, match=r"whose line \(7\) no code can drive"):
        octave.run("box.selftest();")
    assert [edge.levels for edge in server.device.edges() if edge.levels] == []
    refused = octave.value("box.wait(box.pulse(129))")
    assert "or that is the strobe (lines for codes: 0 1 2 3 4 5 6)" in refused["text"]


def test_the_end_of_a_held_code_by_its_limit_is_told(octave, serve):
    server = serve()
    change_settings(server, hold_limit_us=50_000)
    opened(octave, server.where)
    octave.run("box.wait(box.set(9)); pause(0.2); box.collect();")
    assert len(octave.warnings) == 1
    assert "code 9 was on the lines" in octave.warnings[0]


# A link that loses frames, a box that starts again, no connection -------------------------------


def test_a_lost_request_is_unconfirmed_and_never_sent_again(octave, lossy):
    opened(octave, lossy.where)
    lossy.loses_request = lambda kind, tag: kind == Request.PULSE
    octave.run("marker = box.wait(box.pulse(5));")
    assert len(octave.warnings) == 1
    lossy.loses_request = lambda kind, tag: False
    marker = octave.value("marker")
    assert marker["outcome"] == "unconfirmed"
    assert "its request was lost" in marker["text"]
    assert octave.value("box.wait(box.pulse(6))")["outcome"] == "done"
    assert [edge.levels for edge in lossy.device.edges() if edge.levels] == [6]
    assert [marker["code"] for marker in octave.value("box.wait()")] == [5]


def test_a_lost_answer_is_found_by_the_fate(octave, lossy):
    opened(octave, lossy.where)
    lossy.loses_answer = lambda kind, tag: kind == Answer.DONE
    marker = octave.value("box.wait(box.pulse(5))")
    assert marker["outcome"] == "done"
    assert (marker["box_time_us"], 5) in lossy.device.edges()
    assert (marker["cut_lasted_us"], marker["delay_us"], marker["no_edge"]) == (None, 0, False)
    lossy.loses_answer = lambda kind, tag: kind == Answer.REFUSED
    marker = octave.value("box.wait(box.pulse(5, 2^32 - 1))")
    assert marker["outcome"] == "refused"
    assert "out of the box's range" in marker["text"]
    assert "NaN" not in marker["text"]


def test_a_marker_whose_fate_nobody_tells_is_unconfirmed(octave, lossy):
    opened(octave, lossy.where)
    lossy.loses_answer = lambda kind, tag: kind in (Answer.DONE, Answer.FATE)
    marker = octave.value("box.wait(box.pulse(5))")
    assert marker["outcome"] == "unconfirmed"
    assert len([lost for lost in lossy.lost if lost[0] == Answer.FATE]) == 2
    assert [edge.levels for edge in lossy.device.edges() if edge.levels] == [5]


def test_many_lost_requests_and_answers(octave, lossy):
    opened(octave, lossy.where)
    lossy.loses_request = lambda kind, tag: kind in MARKERS and tag % 7 == 0
    lossy.loses_answer = lambda kind, tag: kind in DONE and tag % 11 == 0
    octave.run("markers = {}; for k = 1:200, markers{k} = box.pulse(1 + mod(k, 255)); end;"
               "failed = box.wait();", timeout=50)
    markers, failed = octave.value("{markers, failed}")
    lost = {marker["number"] for marker in markers if marker["tag"] % 7 == 0}
    assert {marker["number"] for marker in failed} == lost
    assert all(marker["outcome"] == "unconfirmed" for marker in failed)
    assert all(m["outcome"] == "done" for m in markers if m["number"] not in lost)
    assert [edge.levels for edge in lossy.device.edges() if edge.levels] == [
        marker["code"] for marker in markers if marker["number"] not in lost
    ]


def test_a_lost_question_is_an_error_and_harms_no_marker(octave, lossy):
    opened(octave, lossy.where)
    lossy.loses_request = lambda kind, tag: kind == Request.LEVELS
    with pytest.raises(OctaveError, match="did not answer 'levels'") as error:
        octave.run("box.levels();")
    assert error.value.identifier == "tallymark:noanswer"
    assert octave.value("box.wait(box.pulse(6))")["outcome"] == "done"


def test_a_box_that_starts_again(octave, lossy):
    opened(octave, lossy.where)
    octave.run("box.wait(box.pulse(1));")
    lossy.loses_answer = lambda kind, tag: kind in DONE
    octave.run("before = box.pulse(2); pause(0.05);")
    lossy.loses_answer = lambda kind, tag: False
    lossy.device.start()
    octave.run("box.wait(before);")
    [warning] = octave.warnings
    assert "started again" in warning
    assert "marker 2 (code 2)" in warning
    assert octave.value("before")["outcome"] == "unconfirmed"
    after = octave.value("box.wait(box.pulse(3))")
    assert (after["outcome"], after["tag"] > 2) == ("done", True)
    assert (after["box_time_us"], 3) in lossy.device.edges()


@both_ports
def test_a_connection_that_breaks(octave, serve, tcp):
    server = serve(tcp=tcp)
    opened(octave, server.where)
    octave.run("box.wait(box.pulse(1));")
    server.stop()
    unknown = "it is not known whether they went out: marker"
    with pytest.raises(OctaveError, match=unknown) as error:
        octave.run("marker = box.pulse(2); box.wait(marker);")
    assert error.value.identifier == "tallymark:connection"
    assert "marker 2 (code 2)" in str(error.value)
    assert "look for these markers" in str(error.value).lower()
    with pytest.raises(OctaveError, match="Open the box again") as error:
        octave.run("box.pulse(3);")
    assert error.value.identifier == "tallymark:closed"
    octave.run("box.close();")


def test_open_markers_are_told_when_the_box_is_closed(octave, lossy):
    opened(octave, lossy.where)
    lossy.loses_answer = lambda kind, tag: kind >= 0x80
    octave.run("marker = box.pulse(2); box.close(); box.close();")
    [warning] = octave.warnings
    assert "marker 1 (code 2)" in warning
    assert octave.value("marker")["outcome"] == "unconfirmed"


# Other ports ------------------------------------------------------------------------------------


def answering(answer):
    """A TCP port that says `answer(message)` to each good frame: what a client opens. Its
    connections are in `answering.clients`."""
    listener = socket.create_server(("127.0.0.1", 0))

    def run():
        client, _ = listener.accept()
        answering.clients.append(client)
        decoder = Decoder()
        with client:
            while data := client.recv(100):
                for message in decoder.feed(data):
                    client.sendall(answer(message))

    Thread(target=run, daemon=True).start()
    return f"socket://127.0.0.1:{listener.getsockname()[1]}"


answering.clients = []


def test_a_port_that_is_not_there(octave):
    for where in ("/dev/ttyNOSUCH", "socket://127.0.0.1:1"):
        with pytest.raises(OctaveError, match="can't be opened") as error:
            opened(octave, where)
        assert error.value.identifier == "tallymark:open"


def test_a_port_that_is_no_box(octave):
    where = answering(lambda message: b"hello\r\n\x00")
    began = time.monotonic()
    with pytest.raises(OctaveError, match="Something answers there, but not as a box") as error:
        opened(octave, where)
    assert error.value.identifier == "tallymark:nobox"
    assert 5 < time.monotonic() - began < 9


def test_a_port_that_is_silent_and_not_raw(octave):
    master, slave = os.openpty()
    try:
        with pytest.raises(OctaveError, match="No valid message was received"):
            opened(octave, os.ttyname(slave))
        sent = os.read(master, 4096)
    finally:
        os.close(slave)
        os.close(master)
    assert sent.startswith(b"\x00")
    messages = Decoder().feed(sent)
    assert 2 <= len(messages) <= 5  # it asks, and waits quietly: a boot loader must not be kept up
    assert {message[0] for message in messages} == {Request.IDENTIFY}


def identity_of_the_vectors():
    identity = json.loads((VECTORS / "dialogues.json").read_text("utf-8"))[0]["steps"][2]["wire"]
    return Decoder().feed(bytes.fromhex(identity))[0]


def test_no_more_is_on_its_way_than_the_window_holds(octave):
    kind, _, body = identity_of_the_vectors()
    came = []

    def answer(message):
        request, tag, _ = message
        came.append(request)
        if request == Request.IDENTIFY:
            return frame(kind, tag, body)
        if request == Request.SESSION:
            return frame(Answer.DONE, tag, bytes(8))
        if request == Request.SETTINGS_READ:
            return frame(Answer.SETTINGS, tag, bytes(5) + slow.pack())
        return b""

    slow = Settings(gap_us=1_000_000)  # so an answer is overdue after 1.5 s only
    opened(octave, answering(answer))
    octave.start("for k = 1:60, box.pulse(1, 1000000); end;")
    deadline = time.monotonic() + 60
    while Request.FATE not in came and time.monotonic() < deadline:
        time.sleep(0.01)
    first = came.index(Request.PULSE_FOR)
    assert came[first : came.index(Request.FATE)] == [Request.PULSE_FOR] * (440 // 11)
    answering.clients[-1].shutdown(socket.SHUT_RDWR)
    with pytest.raises(OctaveError, match="connection to"):
        octave.finish()


def test_another_major_version(octave):
    kind, _, body = identity_of_the_vectors()
    for other in (1, 3):
        said = bytes([other]) + body[1:]
        refusal = bytes([Request.IDENTIFY, Reason.VERSION, other, 0, 0, 0])
        greeting = answering(lambda message, said=said: frame(kind, message[1], said))
        refusing = answering(
            lambda message, refusal=refusal: frame(Answer.REFUSED, message[1], refusal)
        )
        for where in (greeting, refusing):
            with pytest.raises(OctaveError, match=f"speaks version {other} of the prot") as error:
                opened(octave, where)
            assert error.value.identifier == "tallymark:version"


def test_bytes_of_all_values_pass_a_port_that_was_not_raw(octave, serve):
    """The codes 3, 10, 13, 17, 19 and 26 mean something to a terminal."""
    server = serve()
    subprocess.run(["stty", "-F", server.where, "sane"], check=True)
    opened(octave, server.where)
    octave.run("for code = 1:255, box.pulse(code); end; failed = box.wait();")
    assert octave.value("failed") == []
    assert [edge.levels for edge in server.device.edges() if edge.levels] == list(range(1, 256))


# Self-test --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("faults", "right", "verdicts"),
    [
        ((), 256, {}),
        (("open:3",), 128, {3: "always low"}),
        (("stuck-high:2",), 128, {2: "always high"}),
        (("stuck-low:7",), 128, {7: "always low"}),
        (("swapped:0,1",), 128, {0: "follows line 1 instead", 1: "follows line 0 instead"}),
        (("inverted:5",), 0, {5: "inverted"}),
        (("bridged-or:1,4",), 128, {1: "follows line 4 too: high when either is high",
                                    4: "follows line 1 too: high when either is high"}),
        (("bridged-and:1,4",), 128, {1: "follows line 4 too: high only when both are high",
                                     4: "follows line 1 too: high only when both are high"}),
    ],
    ids=str,
)
def test_selftest(octave, serve, faults, right, verdicts):
    server = serve(*faults)
    opened(octave, server.where)
    octave.run("box.set(77); summary = box.selftest();")
    summary = octave.value("summary")
    assert summary["codes_tried"] == 256
    assert summary["codes_right"] == right
    assert summary["good"] is (not faults)
    expected = {line: verdicts.get(line, "good") for line in range(8)}
    assert {each["line"]: each["verdict"] for each in summary["lines"]} == expected
    assert ("tallymark selftest" in summary["sentence"]) is bool(faults)
    assert server.device.outputs == 0
    assert {edge.levels for edge in server.device.edges()} == set(range(256))


def test_selftest_of_five_lines_with_idle_high(octave, serve):
    server = serve("open:6")
    change_settings(server, lines=0b11111, idle="high")
    opened(octave, server.where)
    octave.run("box.wait(box.pulse(32)); box.set(1);")
    summary = octave.value("box.selftest()")
    assert (summary["codes_tried"], summary["codes_right"]) == (32, 32)
    assert summary["sentence"] == "All 32 codes came back right."
    assert server.device.outputs == 0xFF
    assert [marker["code"] for marker in octave.value("box.wait()")] == [32]


def test_selftest_does_not_begin_while_a_sequence_plays(octave, serve):
    server = serve()
    opened(octave, server.where)
    with pytest.raises(OctaveError, match="A sequence plays"):
        octave.run("box.sequence([1 100000], 0); box.selftest();")
    assert octave.value("box.sequence_stop()")["state"] == "stopped"
    assert {edge.levels for edge in server.device.edges()} == {0, 1}


def test_selftest_that_can_t_go_idle_says_so(octave, lossy):
    opened(octave, lossy.where)
    sets = iter(range(1000))
    lossy.loses_request = lambda kind, tag: kind == Request.SET and next(sets) >= 20
    octave.run("try, box.selftest(); catch problem, end")
    assert "a code may still be on them" in octave.warnings[-1]
    assert "self-test stopped" in octave.value("problem.message")
    assert lossy.device.outputs == 19


def test_selftest_that_breaks_off_leaves_the_lines_at_idle(octave, lossy):
    opened(octave, lossy.where)
    count = iter(range(1000))
    lossy.loses_request = lambda kind, tag: kind == Request.LEVELS and next(count) == 100
    with pytest.raises(OctaveError, match="did not answer 'levels'"):
        octave.run("box.selftest();")
    assert lossy.device.outputs == 0
    assert 100 in {edge.levels for edge in lossy.device.edges()}


# What comes with it -----------------------------------------------------------------------------


def test_the_example(octave, serve):
    server = serve()
    text = octave.run(f"failed = ferry_trials('{server.where}', 3);")
    assert octave.value("failed") == []
    assert text.count("done") == 9
    assert [code for code, _ in pulses(server)] == [9, 18, 66, 9, 17, 65, 9, 18, 66]


def test_the_example_of_the_readme(octave, serve, tmp_path):
    readme = (ROOT / "host" / "matlab" / "README.md").read_text("utf-8")
    example = readme.partition("```matlab\n")[2].partition("```")[0]
    assert "/dev/ttyACM0" in example
    server = serve()
    assert "'session.jsonl'" in example
    log = tmp_path / "session.jsonl"
    example = example.replace("'session.jsonl'", f"'{log}'")
    octave.run(example.replace("/dev/ttyACM0", server.where).replace("addpath", "%"))
    assert log.exists()
    octave.run("pause(0.05);")
    assert [code for code, _ in pulses(server)][:2] == [9, 17]
    assert octave.warnings == []
