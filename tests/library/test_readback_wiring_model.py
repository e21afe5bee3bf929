"""The wiring model: truth vectors, their order of stages, and texts."""

from __future__ import annotations

from itertools import combinations

import pytest

from tallymark import BadValue
from tallymark.common.lines.readback_wiring_model import (
    STRAIGHT,
    Fault,
    Kind,
    Wiring,
    responses,
    single_faults,
)


def seen(*texts: str) -> bytes:
    return Wiring(texts).table()


def test_straight_wiring_changes_nothing():
    assert seen() == bytes(range(256))


@pytest.mark.parametrize(
    ("text", "driven", "expected"),
    [
        ("open:3", 0xFF, 0xF7),
        ("stuck-high:3", 0x00, 0x08),
        ("stuck-low:0", 0xFF, 0xFE),
        ("bridged-and:1,4", 0x02, 0x00),
        ("bridged-and:1,4", 0x12, 0x12),
        ("bridged-or:1,4", 0x02, 0x12),
        ("swapped:1,4", 0x02, 0x10),
        ("reversed", 0x01, 0x80),
        ("inverted:3", 0x00, 0x08),
        ("inverted", 0x0F, 0xF0),
        ("unplugged", 0xFF, 0x00),
        ("slow:5,200us,300us", 0x5A, 0x5A),
    ],
)
def test_single_fault(text, driven, expected):
    assert seen(text)[driven] == expected


@pytest.mark.parametrize(
    ("texts", "driven", "expected"),
    [
        (("inverted", "open:3"), 0x00, 0xF7),  # an open input is low whatever comes before
        (("inverted:3", "inverted"), 0x00, 0xF7),  # twice inverted is straight
        (("open:3", "stuck-high:3"), 0x00, 0x08),
        (("bridged-and:0,1", "bridged-and:1,2"), 0x03, 0x00),  # one group of three
        (("swapped:0,1", "reversed"), 0x01, 0x40),  # the swap is nearer to the drivers
        (("bridged-or:0,1", "swapped:1,2"), 0x01, 0x05),
    ],
)
def test_stages_have_an_order_of_their_own(texts, driven, expected):
    assert seen(*texts)[driven] == expected
    assert seen(*reversed(texts))[driven] == expected


def test_every_order_of_every_pair_is_the_same():
    for pair in combinations(single_faults(), 2):
        assert responses(pair) == responses(reversed(pair))


def test_every_single_fault_shows():
    faults = list(single_faults())
    assert len(set(faults)) == 8 * 3 + 28 * 3 + 1 + 9 + 1
    assert all(responses([fault]) != STRAIGHT for fault in faults)


def test_texts_go_there_and_back():
    for fault in [*single_faults(), Fault(Kind.SLOW, (5,), 200, 300)]:
        assert Fault.parse(str(fault)) == fault
    assert str(Fault.parse(" SWAPPED:4,1 ")) == "swapped:1,4"
    assert str(Wiring(["open:3", "open:3", "reversed"])) == "open:3 reversed"
    assert str(Wiring()) == "straight"


@pytest.mark.parametrize(
    "text",
    ["open", "open:8", "open:-1", "open:x", "loose:3", "swapped:1", "swapped:1,1", "slow:5",
     "slow:5,1us,9999999us", "slow:5,200,300", "slow:5,200us,300", "slow:5,x,1us",
     "reversed:1", "inverted:1,2", ""],
)
def test_texts_that_mean_nothing_are_refused(text):
    with pytest.raises(BadValue):
        Fault.parse(text)


def test_times_need_their_unit():
    with pytest.raises(BadValue, match=r"'200' has no unit\. Write 200us"):
        Fault.parse("slow:5,200,300us")
    assert Fault.parse("slow:5,0.2ms,1s") == Fault(Kind.SLOW, (5,), 200, 1_000_000)
    assert str(Fault(Kind.SLOW, (5,), 2_000, 0)) == "slow:5,2ms,0"


def test_slow_edges():
    wiring = Wiring(["slow:5,200us,300us", "slow:5,100us,400us"])
    assert wiring.rise_us() == [0, 0, 0, 0, 0, 200, 0, 0]
    assert wiring.fall_us() == [0, 0, 0, 0, 0, 400, 0, 0]


def test_the_virtual_box_sees_what_the_model_says(box):
    box.port.device.wire(Wiring(["swapped:0,7", "stuck-high:2"]))
    for code in (0, 1, 128, 255):
        box.set(code).wait()
        assert box.levels().readback == seen("swapped:0,7", "stuck-high:2")[code]


def test_a_slow_edge_comes_late_in_the_capture(box):
    box.port.device.wire(Wiring(["slow:0,200us,300us"]))
    with box.capture() as capture:
        marker = box.pulse(3, 1000).wait()
        box.pacing.sleep(0.01)
    at = marker.box_time_us
    assert [(edge.time_us - at, edge.levels) for edge in capture.fetch()[1:]] == [
        (0, 2), (200, 3), (1000, 1), (1300, 0)
    ]
