"""The client in C when something goes wrong: on the link, in the box, and when it is opened."""

from __future__ import annotations

import random
import socket
import threading
import time
from collections import Counter

import pytest
from c_library import DONE, REFUSED, UNCONFIRMED, WHYS, ClientError, change, codes_of

from tallymark.box.wire.frames import Decoder, frame

IDENTIFY, PULSE, DONE_ANSWER, DONE_NOTED_ANSWER = 0x01, 0x10, 0x80, 0x81


def test_a_lost_request_is_unconfirmed_and_never_sent_again(library, lossy):
    with library.open(lossy.where) as box:
        lossy.device.edges()
        lossy.loses_request = lambda kind, tag: kind == PULSE
        number = box.pulse(5)
        marker = box.wait(number)
        assert (marker.outcome, WHYS[marker.why]) == (UNCONFIRMED, "UNKNOWN")
        assert "look for it there" in box.describe(number)
        lossy.loses_request = lambda kind, tag: False
        assert box.wait(box.pulse(6)).outcome == DONE
        assert box.wait_all() == 1
        assert "number 1 (code 5, unconfirmed)" in box.text
    assert codes_of(lossy.device) == [6]
    assert [kind for kind, _ in lossy.lost] == [PULSE]


def test_a_lost_answer_is_found_by_the_fate(library, lossy):
    with library.open(lossy.where) as box:
        lossy.device.edges()
        lossy.loses_answer = lambda kind, tag: kind == DONE_ANSWER
        marker = box.wait(box.pulse(5))
        assert (marker.outcome, marker.by_fate) == (DONE, 1)
        assert lossy.device.edges()[0].time_us == marker.box_time_us
        assert "Its answer was lost" in box.describe(1)
        with pytest.raises(ClientError, match="did not come") as caught:
            box.clock()
        assert caught.value.name == "NO_ANSWER"


def test_a_lost_refusal_is_found_by_the_fate(library, lossy):
    with library.open(lossy.where) as box:
        box.sequence([(1, 2_000_000)])
        lossy.loses_answer = lambda kind, tag: kind == 0x82
        marker = box.wait(box.pulse(5))
        assert (marker.outcome, marker.reason, marker.by_fate) == (REFUSED, 10, 1)


def test_a_box_that_falls_silent_is_given_up_soon(library, lossy):
    with library.open(lossy.where) as box:
        lossy.loses_answer = lambda kind, tag: True
        for code in range(1, 31):
            box.pulse(code)
        begun = time.monotonic()
        assert box.wait_all() == 30
        assert time.monotonic() - begun < 5
        assert all(WHYS[box.marker(number).why] == "SILENT" for number in range(1, 31))
        assert "20 " not in box.text[:3]
        assert " and more" in box.text


def test_many_lost_frames_repeat_nothing_and_confirm_nothing_wrong(library, lossy):
    chance = random.Random(5)
    sent = 150
    with library.open(lossy.where) as box:
        lossy.device.edges()
        lossy.loses_request = lambda kind, tag: chance.random() < 0.1
        lossy.loses_answer = lambda kind, tag: chance.random() < 0.1
        for code in range(1, sent + 1):
            box.pulse(code, 1)
        box.wait_all()
        lossy.loses_request = lossy.loses_answer = lambda kind, tag: False
        edges = {edge.levels: edge.time_us for edge in lossy.device.edges()}
        markers = [box.marker(number) for number in range(1, sent + 1)]
        assert box.totals.open == 0
    lost_pulses = sum(kind in (PULSE, 0x11) for kind, _ in lossy.lost)
    assert lost_pulses > 3
    assert len(lossy.lost) > lost_pulses + 3
    for marker in markers:
        if marker.outcome == DONE:
            assert edges[marker.code] == marker.box_time_us
        else:
            assert marker.outcome == UNCONFIRMED
    assert len(edges) - 1 == sent - lost_pulses  # codes, and idle
    assert sum(marker.by_fate for marker in markers) > 3


def test_every_code_goes_out_once_at_most(library, lossy):
    chance = random.Random(6)
    with library.open(lossy.where) as box:
        lossy.device.edges()
        lossy.loses_answer = lambda kind, tag: chance.random() < 0.2
        for code in range(1, 101):
            box.pulse(code, 1)
        box.wait_all()
    counted = Counter(codes_of(lossy.device))
    assert counted == dict.fromkeys(range(1, 101), 1)


def test_a_restart_makes_open_markers_unconfirmed(library, lossy):
    with library.open(lossy.where) as box:
        lossy.loses_answer = lambda kind, tag: (
            kind in (DONE_ANSWER, DONE_NOTED_ANSWER) and len(lossy.lost) < 3
        )
        open_ones = [box.pulse(code) for code in (1, 2, 3)]
        deadline = time.monotonic() + 5
        while len(lossy.lost) < 3:  # the box has put all three out before it starts again
            assert time.monotonic() < deadline
            time.sleep(0.001)
        lossy.device.start()
        box.poll(400)
        asked = []
        lossy.loses_request = lambda kind, tag: asked.append(kind) is not None
        lossy.loses_answer = lambda kind, tag: False
        assert [WHYS[box.marker(number).why] for number in open_ones] == ["RESTARTED"] * 3
        assert "started again" in box.describe(open_ones[0])
        assert box.totals.starts == 1
        lossy.device.start()
        number = box.pulse(4)  # may be sent before the second start is told
        assert box.wait(number).outcome in (DONE, UNCONFIRMED)
        assert box.wait(box.pulse(5)).outcome == DONE
        assert IDENTIFY in asked


def test_a_restart_ends_a_sequence(library, lossy):
    with library.open(lossy.where) as box:
        box.sequence([(1, 500_000)], repeats=100)
        threading.Timer(0.2, lossy.device.start).start()
        with pytest.raises(ClientError, match="started again") as caught:
            box.sequence_wait(20_000)
        assert caught.value.name == "RESTARTED"


def test_a_lost_notice_of_the_end_is_made_up_for(library, lossy):
    with library.open(lossy.where) as box:
        lossy.loses_answer = lambda kind, tag: kind == 0xC1
        box.sequence([(1, 50_000)])
        assert box.sequence_wait(5_000).state == 3
        assert [kind for kind, _ in lossy.lost] == [0xC1]


def test_a_connection_that_breaks_names_the_open_markers(library, server):
    change(server, gap_us=1_000_000)
    box = library.open(server.where)
    box.wait(box.pulse(7))
    number = box.set(9)  # waits for its gap
    box.poll(10)
    server.stop()
    with pytest.raises(ClientError, match="was lost: it was unplugged") as caught:
        box.poll(5_000)
    assert caught.value.name == "GONE"
    assert f"1 unconfirmed: number {number} (code 9, unconfirmed)" in str(caught.value)
    assert WHYS[box.wait(number).why] == "GONE"
    with pytest.raises(ClientError, match="No marker was sent"):
        box.pulse(1)
    assert box.close() == 1
    with pytest.raises(ClientError, match="No box is open"):
        box.pulse(1)


def test_close_waits_a_second_for_open_markers(library, lossy):
    box = library.open(lossy.where)
    lossy.loses_answer = lambda kind, tag: True
    number = box.pulse(3)
    assert box.close() == 1
    assert WHYS[box.marker(number).why] == "CLOSED"
    assert box.close() == 0


# Opening -----------------------------------------------------------------------------------------


def test_a_port_in_use_is_busy(library, server):
    with library.open(server.where) as box:
        with pytest.raises(ClientError, match="nother program has") as caught:
            library.open(server.where)
        assert caught.value.name == "BUSY"
        assert box.wait(box.pulse(1)).outcome == DONE
    library.open(server.where).close()


def test_ports_that_are_none(library, tmp_path):
    plain = tmp_path / "plain"
    plain.touch()
    names = {
        **dict.fromkeys(["/dev/no-such-port", "socket://127.0.0.1:9", "socket://"], "NO_PORT"),
        "x" * 300: "NO_PORT",
        str(plain): "NOT_A_BOX",
    }
    for where, name in names.items():
        with pytest.raises(ClientError) as caught:
            library.open(where)
        assert caught.value.name == name


class Peer:
    """Something at the end of a TCP link that answers each frame with what `answer` gives."""

    def __init__(self, answer) -> None:
        self.answer = answer
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.where = f"socket://127.0.0.1:{self.listener.getsockname()[1]}"
        threading.Thread(target=self.run, daemon=True).start()

    def run(self) -> None:
        link, _ = self.listener.accept()
        decoder = Decoder()
        while data := link.recv(4096):
            for kind, tag, _body in decoder.feed(data):
                link.sendall(self.answer(kind, tag))


def test_what_is_no_box_is_given_up_after_six_seconds(library):
    begun = time.monotonic()
    with pytest.raises(ClientError, match="answers as a marker box does") as caught:
        library.open(Peer(lambda kind, tag: b"ready\r\n").where)
    assert caught.value.name == "NOT_A_BOX"
    assert 5.5 < time.monotonic() - begun < 8


def test_a_box_that_restarts_when_it_is_opened_is_asked_again(library, lossy):
    asked = []
    lossy.loses_request = lambda kind, tag: asked.append(kind) is None and len(asked) < 3
    with library.open(lossy.where) as box:
        assert asked[:3] == [IDENTIFY] * 3
        assert box.wait(box.pulse(1)).outcome == DONE


def test_another_major_version_is_told_both_ways(library):
    for major, update in ((1, "box's firmware"), (3, "library")):
        text = rf"speaks protocol version {major}, .* version 2\. .* Update the {update}"
        answers = [(0x82, bytes((1, 3, major, 0, 0, 0)))]
        answers += [(0x83, bytes((major,)) * length) for length in (48, 2, 55, 60)]
        for answer, body in answers:
            peer = Peer(lambda kind, tag, answer=answer, body=body: frame(answer, tag, body))
            with pytest.raises(ClientError, match=text) as caught:
                library.open(peer.where)
            assert caught.value.name == "VERSION"


def test_an_identity_that_makes_no_sense_is_no_box(library):
    peer = Peer(lambda kind, tag: frame(0x83, tag, bytes((2,)) + bytes(57)))
    with pytest.raises(ClientError, match="no room for requests") as caught:
        library.open(peer.where)
    assert caught.value.name == "NOT_A_BOX"
