"""What the lines do: measured at the pins, told by the answers and seen by the capture."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from tallymark import Outcome, Refused
from tallymark.box.wire.protocol_enumerations import Idle, Overlap, Reason
from tallymark.common.lines.readback_wiring_model import Wiring

PIN_US = 1.0
"""How far a pin may be from the microsecond that the box tells."""


def widths(edges, idle: int = 0) -> list[tuple[int, float]]:
    """(levels, how long they were on the pins) of each pulse."""
    return [
        (edge.levels, next_edge.time_us - edge.time_us)
        for edge, next_edge in pairwise(edges)
        if edge.levels != idle
    ]


def test_every_code_comes_out_on_its_lines(rig, box):
    for code in range(1, 256):
        box.pulse(code, 1000).wait()
        box.pacing.sleep(0.0015)
    assert [levels for levels, _ in widths(rig.edges())] == list(range(1, 256))


@pytest.mark.parametrize("width_us", [100, 1000, 5000, 20_000, 100_000])
def test_a_pulse_has_its_width(rig, box, width_us):
    marker = box.pulse(0xA5, width_us).wait()
    box.pacing.sleep(width_us * 1e-6 + 0.001)
    ((levels, measured),) = widths(rig.edges())
    assert levels == 0xA5
    assert measured == pytest.approx(width_us, abs=PIN_US)
    assert marker.delay_us == 0
    assert marker.cut_lasted_us is None


def test_the_kept_width_is_used_where_none_is_given(rig, box):
    box.settings.write(replace(box.settings.read(), width_us=2345))
    box.pulse(1).wait()
    box.pacing.sleep(0.004)
    ((_, measured),) = widths(rig.edges())
    assert measured == pytest.approx(2345, abs=PIN_US)


def test_the_shortest_width(rig, box):
    least = box.identity.least_width_us
    box.pulse(255, least).wait()
    box.pacing.sleep(0.001)
    ((_, measured),) = widths(rig.edges())
    assert measured == pytest.approx(least, abs=PIN_US)


def test_set_holds_until_it_is_taken_back(rig, box):
    box.set(9).wait()
    box.pacing.sleep(0.05)
    assert box.levels().outputs == 9
    box.set(0).wait()
    assert box.levels().outputs == 0
    assert [edge.levels for edge in rig.edges()] == [9, 0]


def test_a_cut_pulse_lasts_as_long_as_the_answer_says(rig, box):
    box.pulse(1, 50_000).wait()
    box.pacing.sleep(0.01)
    second = box.pulse(2, 1000).wait()
    box.pacing.sleep(0.002)
    (_, first_width), (_, second_width) = widths(rig.edges())
    assert second.cut_lasted_us == pytest.approx(first_width, abs=1 + PIN_US)
    assert second_width == pytest.approx(1000, abs=PIN_US)


def test_refuse_leaves_the_earlier_pulse_alone(rig, box):
    box.settings.write(replace(box.settings.read(), overlap=Overlap.REFUSE))
    box.pulse(1, 20_000).wait()
    with pytest.raises(Refused) as refused:
        box.pulse(2, 1000).wait()
    assert refused.value.reason is Reason.OVERLAP
    box.pacing.sleep(0.03)
    ((levels, width),) = widths(rig.edges())
    assert (levels, width) == (1, pytest.approx(20_000, abs=PIN_US))


def test_the_gap_is_kept_and_the_delay_told(rig, box):
    box.settings.write(replace(box.settings.read(), gap_us=20_000))
    first = box.pulse(1, 5000).wait()
    box.pacing.sleep(0.007)
    second = box.pulse(2, 5000).wait()
    box.pacing.sleep(0.01)
    edges = rig.edges()
    assert [edge.levels for edge in edges] == [1, 0, 2, 0]
    # Never less than the gap; a chip adds what it takes from its look at the clock to the edge.
    most = PIN_US if rig.tolerance_us == 0 else 100
    assert -PIN_US <= edges[2].time_us - edges[1].time_us - 20_000 <= most
    assert -PIN_US <= second.box_time_us - first.box_time_us - 25_000 <= most
    # It came 7 ms after the answer to the first, and a few frames' time on the wire.
    arrived_us = second.box_time_us - second.delay_us - first.box_time_us
    assert 7_000 <= arrived_us < 12_000


def test_set_0_takes_a_waiting_marker_back(rig, box):
    box.settings.write(replace(box.settings.read(), gap_us=100_000))
    box.pulse(1, 1000).wait()
    box.pacing.sleep(0.005)
    waiting = box.pulse(2, 1000)
    box.set(0).wait()
    box.pacing.sleep(0.2)
    assert waiting.outcome is Outcome.REFUSED
    assert [edge.levels for edge in rig.edges()] == [1, 0]


def test_idle_high_turns_the_lines_round(rig, box):
    box.settings.write(replace(box.settings.read(), idle=Idle.HIGH))
    box.pulse(5, 3000).wait()
    box.pacing.sleep(0.004)
    assert [edge.levels for edge in rig.edges()] == [0xFF, 0xFF ^ 5, 0xFF]


def test_lines_that_are_not_in_use_never_move(rig, box):
    box.settings.write(replace(box.settings.read(), lines=0x0F))
    for code in (0x10, 0xFF, 0x80):
        with pytest.raises(Refused) as refused:
            box.pulse(code).wait()
        assert refused.value.reason is Reason.OUTSIDE_LINES
    box.pulse(0x0F, 1000).wait()
    box.pacing.sleep(0.002)
    assert [edge.levels for edge in rig.edges()] == [0x0F, 0]


def test_the_hold_limit_takes_a_held_code_back(rig, box):
    told = []
    box.listen(told.append)
    box.settings.write(replace(box.settings.read(), hold_limit_us=100_000))
    box.set(3).wait()
    box.pacing.sleep(0.25)
    up, down = rig.edges()
    assert down.time_us - up.time_us == pytest.approx(100_000, abs=2000)
    assert [notice.code for notice in told if hasattr(notice, "code")] == [3]


def test_box_time_is_the_time_of_the_edge(rig, box):
    """Two markers: the difference of their box times is that of their edges at the pins."""
    first = box.pulse(1, 1000).wait()
    box.pacing.sleep(0.0123)
    second = box.pulse(2, 1000).wait()
    box.pacing.sleep(0.002)
    edges = rig.edges()
    at_pins = edges[2].time_us - edges[0].time_us
    assert second.box_time_us - first.box_time_us == pytest.approx(at_pins, abs=PIN_US)


def test_the_capture_sees_what_the_pins_did(rig, box):
    with box.capture() as capture:
        box.pulse(0x81, 3000).wait()
        box.pacing.sleep(0.005)
    seen = capture.fetch()
    assert [edge.levels for edge in seen] == [0, 0x81, 0]
    assert seen[2].time_us - seen[1].time_us == pytest.approx(3000, abs=2 * PIN_US)
    assert capture.lost == 0


def test_the_loopback_shows_a_fault(rig, box):
    rig.wire(Wiring(["open:3", "swapped:0,1"]))
    box.set(0b1001).wait()
    box.pacing.sleep(0.001)
    assert box.levels().readback == 0b0010
    box.set(0).wait()


def test_no_line_moves_before_the_first_request(rig):
    rig.wait(20_000)
    assert {edge.levels for edge in rig.edges()} <= {0}
