"""At most once, the receive window, settings, and input that nobody should send."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from tallymark import Outcome, Settings
from tallymark.box.wire import frames, layouts
from tallymark.box.wire import protocol_enumerations as messages
from tallymark.box.wire.protocol_enumerations import Answer, Idle, Reason, Request

VECTORS = Path(__file__).resolve().parents[2] / "protocol" / "vectors"
BROKEN = json.loads((VECTORS / "broken.json").read_text(encoding="utf-8"))


def ask(rig, request: Request, tag: int, body: bytes = b"") -> tuple[int, int, bytes]:
    """Sends a request past the library and returns the answer."""
    decoder = frames.Decoder()
    rig.send(frames.frame(request, tag, body))
    for _ in range(200):
        for frame in decoder.feed(rig.receive()):
            if frame[0] < messages.FIRST_NOTICE and frame[1] == tag:
                return frame
        rig.wait(100)
    raise AssertionError("no answer")


def test_a_repeated_frame_puts_out_one_marker(rig):
    assert ask(rig, Request.CLOCK, 1)[0] == Answer.DONE
    rig.edges()
    first = ask(rig, Request.PULSE, 2, b"\x05")
    rig.wait(10_000)
    second = ask(rig, Request.PULSE, 2, b"\x05")
    rig.wait(10_000)
    assert (first[0], second[0]) == (Answer.DONE, Answer.REFUSED)
    assert [edge.levels for edge in rig.edges()] == [5, 0]


def test_the_last_tag_is_that_of_the_newest_request_though_an_older_one_ends_later(rig, box):
    """The next host goes on after it."""
    box.settings.write(replace(box.settings.read(), gap_us=100_000))
    box.pulse(1, 1000).wait()
    rig.wait(2000)
    waits = box.pulse(2, 1000)
    refused = box.pulse(3, 1000)
    assert box.wait() == [refused]
    assert waits.delay_us > 0
    assert refused.error.reason is Reason.WAITING
    tag = refused.tag % 255 + 1
    _, _, body = ask(rig, Request.IDENTIFY, tag, bytes((2, 0)))
    assert layouts.ANSWERS[Answer.IDENTITY].parse(body).newest_tag == (
        box.link._exchange.tags.last
    )


@pytest.mark.parametrize("vector", BROKEN, ids=lambda vector: vector["name"])
def test_broken_frames_are_counted_and_move_no_line(rig, vector):
    assert ask(rig, Request.CLOCK, 1)[0] == Answer.DONE
    rig.edges()
    rig.send(bytes.fromhex(vector["wire"]))
    rig.wait(50_000)
    rig.receive()
    _, _, body = ask(rig, Request.COUNTERS, 99)
    counters = layouts.ANSWERS[Answer.COUNTERS].parse(body)
    assert counters.frames_broken == vector["frames_broken"]
    assert [edge.levels for edge in rig.edges()] == [42, 0] * vector["frames"]


def test_a_burst_fills_the_window_and_nothing_is_lost(rig, box):
    """More markers than the window holds, as fast as the library can send them."""
    count = 3 * box.identity.history
    markers = [box.pulse(1 + n % 255, 300) for n in range(count)]
    assert box.wait() == []
    assert all(marker.outcome is Outcome.DONE for marker in markers)
    counters = box.counters()
    assert (counters.frames_broken, counters.input_lost, counters.messages_lost) == (0, 0, 0)
    assert counters.markers == count
    box.pacing.sleep(0.002)
    times = [marker.box_time_us for marker in markers]
    assert times == sorted(times)
    shown = [edge.levels for edge in rig.edges() if edge.levels]
    if rig.scale != 1:  # elsewhere all of them share one microsecond
        assert shown == [1 + n % 255 for n in range(count)]


def test_settings_survive_a_power_failure(rig, box):
    mine = Settings(
        name="Booth 2", width_us=2500, gap_us=400, hold_limit_us=2_000_000, byte_baud=9600,
        lines=0x3F, idle=Idle.HIGH,
    )
    state = box.settings.install(mine)
    assert state.kept == 1
    box.close()
    rig.power_cycle()
    with rig.open() as again:
        assert again.settings.read() == mine
        assert again.identity.name == "Booth 2"
        again.settings.factory()
        again.settings.keep()


def test_settings_that_were_not_kept_are_gone_after_a_power_failure(rig, box):
    box.settings.write(Settings(width_us=1234))
    box.close()
    rig.power_cycle()
    with rig.open() as again:
        assert again.settings.read() == Settings()


def test_the_box_says_why_it_started(rig, box):
    serial = box.identity.serial
    box.restart()
    assert box.identity.cause is messages.Cause.ASKED
    assert box.identity.serial == serial
    box.pulse(1, 1000).wait()


def test_the_clock_estimate_holds(rig, box):
    """Box time converted to host time lies within its bound of what the pins say."""
    box.sync_clock()
    first = box.pulse(1, 1000).wait()
    box.pacing.sleep(1.0)
    second = box.pulse(1, 1000).wait()
    one, other = box.to_host_time(first.box_time_us), box.to_host_time(second.box_time_us)
    box.pacing.sleep(0.002)
    edges = rig.edges()
    at_pins = (edges[2].time_us - edges[0].time_us) * 1e-6
    assert abs(other.seconds - one.seconds - at_pins) <= one.bound_s + other.bound_s
