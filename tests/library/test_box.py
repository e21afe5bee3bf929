"""What a box does, on the real firmware core in stepped time."""

from __future__ import annotations

import threading

import pytest

from tallymark import BadValue, Box, Outcome, PortError, Refused
from tallymark.box.wire.answer_values import ByteMarker, Edges, HoldEnded, SequenceEnded, Started
from tallymark.box.wire.protocol_enumerations import (
    Cause,
    Idle,
    Notice,
    Overlap,
    Reason,
    Request,
    SequencePhase,
)
from tallymark.virtual import VirtualBox


def course(device: VirtualBox) -> list[tuple[int, int]]:
    """Changes of the lines since the last call."""
    return [(edge.time_us, edge.levels) for edge in device.edges()]


def test_identity(box):
    identity = box.identity
    assert (identity.board, identity.protocol, identity.cause) == ("virtual", "2.0", Cause.POWER)
    assert identity.serial == "7669727475616C01"
    assert identity.window >= 64
    assert "virtual" in repr(box)


def test_a_pulse_lasts_for_the_width_of_the_settings(box, device):
    box.pacing.sleep(0.001)
    marker = box.pulse(5)
    assert marker.wait() is marker
    box.pacing.sleep(0.01)
    assert course(device) == [(1000, 5), (6000, 0)]
    assert (marker.outcome, marker.box_time_us) == (Outcome.DONE, 1000)
    assert (marker.cut_lasted_us, marker.delay_us, marker.held_back_s) == (None, 0, 0.0)
    assert (marker.number, marker.code, marker.width_us) == (1, 5, None)


@pytest.mark.parametrize("width", [1, 2, 999, 1_000_000, 3_600_000_000])
def test_a_pulse_with_a_width_of_its_own(box, device, width):
    box.pulse(255, width).wait()
    box.pacing.sleep(width * 1e-6 + 0.001)
    assert course(device) == [(0, 255), (width, 0)]


def test_a_pulse_cuts_another_and_says_how_long_it_lasted(box, device):
    box.pulse(1)
    box.pacing.sleep(0.002)
    second = box.pulse(2).wait()
    box.pacing.sleep(0.01)
    assert second.cut_lasted_us == 2000
    assert course(device) == [(0, 1), (2000, 2), (7000, 0)]


def test_overlap_can_be_refused(box, device):
    box.settings.write(box.settings.read().changed(overlap="refuse"))
    box.pulse(1)
    box.pacing.sleep(0.002)
    second = box.pulse(2)
    with pytest.raises(Refused, match=r"another 3 ms.*not in the recording") as caught:
        second.wait()
    assert (caught.value.reason, caught.value.detail) == (Reason.OVERLAP, 3000)
    assert second.outcome is Outcome.REFUSED
    box.pacing.sleep(0.01)
    assert course(device) == [(0, 1), (5000, 0)]


def test_a_gap_delays_and_the_answer_says_by_how_much(box, device):
    box.settings.write(box.settings.read().changed(gap_us=700_000))
    box.pulse(1, 1000).wait()
    box.pacing.sleep(0.002)
    second = box.pulse(2, 1000)
    with pytest.raises(Refused, match="waiting for its gap"):
        box.pulse(3).wait()
    second.wait()  # longer than an answer usually takes: its fate is "waiting"
    assert second.outcome is Outcome.DONE
    assert second.delay_us == 699_000
    assert course(device) == [(0, 1), (1000, 0), (701_000, 2)]


def test_set_stays_until_the_next_marker(box, device):
    box.set(0x81).wait()
    box.pacing.sleep(10)
    assert box.levels().outputs == box.levels().readback == 0x81
    assert box.set(0).wait().cut_lasted_us is None
    assert course(device) == [(0, 0x81), (10_000_000, 0)]


def test_a_held_code_ends_when_the_host_is_silent(box, device):
    heard = []
    box.listen(heard.append)
    box.settings.write(box.settings.read().changed(hold_limit_us=50_000))
    box.set(9).wait()
    box.pacing.sleep(0.1)
    assert course(device) == [(0, 9), (50_000, 0)]
    assert heard == [HoldEnded(50_000, 9)]


def test_idle_high(box, device):
    box.settings.write(box.settings.read().changed(idle="high"))
    box.pulse(1, 100).wait()
    box.pacing.sleep(0.001)
    assert course(device) == [(0, 0xFF), (0, 0xFE), (100, 0xFF)]


def test_lines_that_are_not_in_use_never_move(box, device):
    box.settings.write(box.settings.read().changed(lines=[0, 1]))
    with pytest.raises(Refused, match=r"lines 0 and 1 are"):
        box.pulse(4).wait()
    box.pulse(3, 10).wait()
    assert course(device) == [(0, 3)]


@pytest.mark.parametrize(
    ("call", "text"),
    [
        (lambda box: box.pulse(0), "1 to 255, not 0"),
        (lambda box: box.pulse(256), "not 256"),
        (lambda box: box.pulse(-1), "not -1"),
        (lambda box: box.pulse(1.5), "whole numbers"),
        (lambda box: box.pulse("horn"), r"whole number, not 'horn'.*events.pulse\(box, 'horn'\)$"),
        (lambda box: box.pulse(1, 0), "1 µs to 3,600 s, not 0 µs"),
        (lambda box: box.pulse(1, 3_600_000_001), "not 3,600,000.001 ms"),
        (lambda box: box.pulse(1, 0.5), "whole numbers"),
        (lambda box: box.set(256), "0 to 255"),
        (lambda box: box.set(None), "whole number"),
        (lambda box: box.sequence([]), "1 to 1024 steps"),
        (lambda box: box.sequence([(1, 1)] * 1025), "1 to 1024 steps"),
        (lambda box: box.sequence([(256, 1)]), "Step 0"),
        (lambda box: box.sequence([(1, 1), (1, 0)]), "Step 1"),
        (lambda box: box.sequence([(1, 3_600_000_001)]), "Step 0.*3,600 s, not 3,600,000.001 ms"),
        (lambda box: box.sequence([(1, 1)], -1), "Repeats"),
    ],
)
def test_values_out_of_range_are_refused_before_anything_is_sent(box, device, call, text):
    before = box.counters().frames
    with pytest.raises(BadValue, match=text):
        call(box)
    assert box.counters().frames == before + 1
    assert course(device) == []


def test_a_sequence_plays_by_the_clock_of_the_box(box, device):
    heard = []
    box.listen(heard.append)
    box.pacing.sleep(0.5)
    sequence = box.sequence([(1, 100), (2, 250), (0, 50)], repeats=2)
    assert sequence.duration_us == 800
    assert sequence.state().phase is SequencePhase.LOADED
    start = sequence.start()
    state = sequence.wait()
    at = start.box_time_us
    assert course(device) == [
        (at + dt, code)
        for dt, code in [(0, 1), (100, 2), (350, 0), (400, 1), (500, 2), (750, 0)]
    ]
    assert (state.phase, state.played, state.ended_us) == (SequencePhase.ENDED, 6, at + 800)
    assert heard == [SequenceEnded(at + 800, 6)]


def test_a_long_sequence_is_loaded_through_the_window(box, device):
    steps = [(1 + n % 255, 10) for n in range(box.identity.steps)]
    sequence = box.sequence(steps)
    at = sequence.start().box_time_us
    sequence.wait()
    assert course(device) == [
        *((at + 10 * n, code) for n, (code, _) in enumerate(steps)), (at + 10_240, 0)
    ]


def test_a_playing_sequence_refuses_markers_and_can_be_stopped(box, device):
    sequence = box.sequence([(1, 1000)], repeats=0)
    at = sequence.start().box_time_us
    with pytest.raises(Refused, match="playing"):
        box.pulse(2).wait()
    assert sequence.wait(timeout=0.0105).phase is SequencePhase.PLAYING
    state = sequence.stop()
    assert (state.phase, state.played) == (SequencePhase.STOPPED, 11)
    assert course(device) == [(at, 1), (at + 10_500, 0)]


def test_a_sequence_that_was_emptied_by_new_settings_is_not_started(box):
    sequence = box.sequence([(1, 100)])
    box.settings.write(box.settings.read())
    with pytest.raises(Refused, match="Load a sequence first"):
        sequence.start()


def test_capture_keeps_edges_until_they_are_fetched(box):
    with box.capture() as capture:
        for code in range(1, 21):
            box.pulse(code, 100).wait()
            box.pacing.sleep(0.001)
    edges = capture.fetch()
    assert [edge.levels for edge in edges[1::2]] == list(range(1, 21))
    assert [late.time_us - early.time_us for early, late in zip(edges[1::2], edges[2::2],
                                                               strict=True)] == [100] * 20
    assert (capture.lost, capture.fetch()) == (0, [])


def test_capture_tells_what_it_lost(box):
    with box.capture() as capture:
        for _ in range(100):
            box.pulse(1, 100)
            box.pacing.sleep(0.001)
    kept = len(capture.fetch())
    assert capture.lost == 201 - kept > 0


def test_capture_can_be_sent(box):
    with box.capture(send=True) as capture:
        for _ in range(1000):
            box.pulse(1, 100)
            box.pacing.sleep(0.001)
        edges = capture.fetch()
    assert (len(edges) + len(capture.fetch()), capture.lost) == (2001, 0)


def test_edges_that_were_lost_on_the_way_are_counted(lossy):
    with Box(lossy) as box:
        lossy.change_answer = lambda answer: (
            (answer[0], answer[1], b"\5" + answer[2][1:])
            if answer[0] == Notice.EDGES
            else answer
        )
        with box.capture(send=True) as capture:
            box.pulse(1, 100).wait()
            box.pacing.sleep(0.01)
        heard = capture.lost // 5
        assert heard > 0
        assert capture.lost == 5 * heard


def test_an_error_of_the_program_is_not_hidden_by_a_broken_connection(lossy):
    def session() -> None:
        with Box(lossy) as box:
            lossy.lose_answer = lambda frame: True
            box.pulse(7)
            lossy.inner.unplug()
            raise KeyError("the program's own")

    with pytest.raises(KeyError, match="own"):
        session()


def test_bytes_on_the_byte_input_are_reported(box, device):
    heard = []
    box.listen(heard.append)
    box.port.byte_input(b"\x07\x00")
    box.pacing.sleep(0.002)
    box.port.byte_input(b"\x08")
    box.pacing.sleep(0.01)
    assert heard == [
        ByteMarker(0, 7, None, None, 0, width_us=5000, stays=False),
        ByteMarker(0, 0, Reason.NO_MARKER, None, 0),
        ByteMarker(2000, 8, None, 2000, 0, width_us=5000, stays=False),
    ]
    assert course(device) == [(0, 7), (2000, 8), (7000, 0)]


def test_a_listener_can_send_and_can_be_stopped_but_not_wait(box, device):
    problems = []

    def answer(notice: object) -> None:
        if isinstance(notice, ByteMarker):
            marker = box.pulse(notice.byte + 1)
            try:
                marker.wait()
            except RuntimeError as error:
                problems.append(error)

    stop = box.listen(answer)
    box.port.byte_input(b"\x07")
    box.pacing.sleep(0.001)
    assert course(device) == [(0, 7), (0, 8)]
    assert "callback" in str(problems[0])
    stop()
    box.port.byte_input(b"\x01")
    box.pacing.sleep(0.001)
    assert course(device) == [(1000, 1)]


def test_a_listener_that_ends_itself_silences_no_other(box):
    heard = []

    def once(notice: object) -> None:
        stop()

    stop = box.listen(once)
    box.listen(heard.append)
    for _ in range(2):
        box.port.byte_input(b"\x07")
        box.pacing.sleep(0.01)
    assert len(heard) == 2


def test_a_failing_listener_harms_nobody(box, caplog):
    def fail(notice: object) -> None:
        raise KeyError("listener")

    heard = []
    box.listen(fail)
    box.listen(heard.append)
    box.port.byte_input(b"\x07")
    box.pacing.sleep(0.001)
    assert len(heard) == 1
    assert "A listener failed" in caplog.text
    box.pulse(1).wait()


def test_counters(box):
    box.pulse(1).wait()
    box.port.byte_input(b"\x02")
    box.set(0).wait()
    with pytest.raises(Refused):
        box.link.put(Request.PULSE, 0, None, None).wait()
    box.port.write(b"\x01\x01\x00")
    counters = box.counters()
    assert (counters.markers, counters.input_bytes, counters.refused) == (3, 1, 1)
    assert counters.frames_broken == 1


def test_clock(box):
    assert abs(box.sync_clock().ppm) < box.clock.drift.bound_ppm
    box.pacing.sleep(10)
    now = box.pacing.now()
    box_us, bound_us = box.clock.to_box(now)
    assert abs(box_us - 10_000_000) <= bound_us


def test_restart(box, device):
    heard = []
    box.listen(heard.append)
    box.set(3).wait()
    box.pacing.sleep(1)
    box.restart()
    assert box.identity.cause is Cause.ASKED
    assert heard == [Started("2.0", Cause.ASKED)]
    assert box.pulse(5).wait().box_time_us == 0
    assert course(device) == [(0, 3), (1_000_000, 0), (0, 0), (0, 5)]


def test_the_boot_loader_of_a_board_without_one(box):
    with pytest.raises(Refused, match="can't do that"):
        box.restart(boot_loader=True)
    box.pulse(1).wait()


def test_a_restart_in_the_middle_is_reported(box, device):
    heard = []
    box.listen(heard.append)
    box.pulse(1).wait()
    box.pacing.sleep(0.5)
    box.port.power_failure()
    box.pacing.sleep(0.001)
    assert heard == [Started("2.0", Cause.POWER)]
    for code in range(1, 255):  # all tags again, with an empty history in the box
        box.pulse(code, 10).wait()


def test_many_markers_over_all_tags(box, device):
    for number in range(1, 1001):
        box.pulse(1 + number % 255, 100)
        box.pacing.sleep(0.001)
    assert box.wait() == []
    assert box.unconfirmed == []
    assert [levels for _, levels in course(device)[::2]] == [
        1 + number % 255 for number in range(1, 1001)
    ]


def test_threads_share_a_box(box, device):
    def send(code: int) -> None:
        for _ in range(100):
            box.set(code)

    threads = [threading.Thread(target=send, args=(1 << line,)) for line in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert box.wait() == []
    assert box.counters().markers == 800


def test_closed_twice_and_used_after():
    box = Box.open("virtual://?time=stepped")
    marker = box.pulse(1)
    box.close()
    box.close()
    assert marker.outcome is Outcome.DONE
    for use in (lambda: box.pulse(1), lambda: box.set(0), box.levels, box.wait):
        with pytest.raises(PortError, match="closed"):
            use()


def test_settings_enumerations_are_read_back(box):
    settings = box.settings.read()
    assert (settings.idle, settings.overlap) == (Idle.LOW, Overlap.CUT)


def test_edges_notices_without_a_capture_are_harmless(box):
    box.link.ask(0x20, b"\1")
    heard = []
    box.listen(heard.append)
    box.pulse(1, 10).wait()
    box.pacing.sleep(0.001)
    assert all(isinstance(notice, Edges) for notice in heard)
    assert heard
