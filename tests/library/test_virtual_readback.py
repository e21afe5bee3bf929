"""The virtual box's readback: what gets through a slow input, and when it is watched."""

from __future__ import annotations

from tallymark import Box
from tallymark.common.lines.readback_wiring_model import Wiring


def test_a_level_too_short_for_a_slow_input_is_not_seen(box: Box):
    box.port.device.wire(Wiring(["slow:0,200us,300us"]))
    with box.capture() as capture:
        marker = box.pulse(3, 150).wait()
        box.pacing.sleep(0.01)
    at = marker.box_time_us
    assert [(edge.time_us - at, edge.levels) for edge in capture.fetch()[1:]] == [(0, 2), (150, 0)]


def test_nothing_is_captured_after_the_end(box: Box):
    with box.capture() as capture:
        box.pulse(3, 1000).wait()
        box.pacing.sleep(0.01)
    for _ in range(3):
        box.pulse(5, 1000).wait()
        box.pacing.sleep(0.01)
    assert [edge.levels for edge in capture.fetch()] == [0, 3, 0]


def test_what_nobody_watches_is_no_loss(box: Box):
    for _ in range(200):
        box.pulse(5, 1000).wait()
        box.pacing.sleep(0.002)
    assert box.counters().edges_lost == 0
