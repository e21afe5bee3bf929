"""The result of each of the 256 byte values, in every byte mode, with and without a plan."""

from __future__ import annotations

import pytest

from tallymark import BadValue
from tallymark import plan as plans
from tallymark.box.wire.answer_values import Identity
from tallymark.box.wire.protocol_enumerations import ByteMode, Cause, Request
from tallymark.bridge import ByteOutcomes
from tallymark.bridge.byte_actions import ByteAction, byte_actions

IDENTITY = Identity(
    protocol="2.0", firmware="1.0.0", board="nano", serial="A1" * 8, cause=Cause.POWER,
    newest_tag=0,
    window=440, history=64, steps=1024, edges=512, least_width_us=20, longest_width_us=1_000_000,
    name="",
)
PLAN = plans.Plan("Ferry", events=(plans.Event("horn", 9, 20_000),))
OFF = ByteAction(refused="bytes off")


def test_off():
    assert byte_actions(ByteMode.OFF, None, PLAN, IDENTITY) == [OFF] * 256


def test_pulses():
    zero, *pulses = byte_actions(ByteMode.PULSE, None, None, IDENTITY)
    assert zero == ByteAction(refused="no marker")
    assert pulses == [ByteAction(Request.PULSE)] * 255


def test_pulses_that_the_program_may_end_early():
    zero, *pulses = byte_actions(ByteMode.LIMITED, 300, None, IDENTITY)
    assert zero == ByteAction(Request.SET)
    assert pulses == [ByteAction(Request.PULSE_FOR, 300)] * 255


def test_codes_that_stay():
    assert byte_actions(ByteMode.SET, None, None, IDENTITY) == [ByteAction(Request.SET)] * 256
    planned = byte_actions(ByteMode.SET, None, PLAN, IDENTITY)
    assert planned[9] == ByteAction(Request.SET, name="horn")


def test_widths_of_a_plan_hold_for_its_events_unless_one_is_given():
    planned = byte_actions(ByteMode.PULSE, None, PLAN, IDENTITY)
    assert planned[9] == ByteAction(Request.PULSE_FOR, 20_000, "horn")
    assert planned[10] == ByteAction(Request.PULSE)
    given = byte_actions(ByteMode.PULSE, 300, PLAN, IDENTITY)
    assert given[9] == ByteAction(Request.PULSE_FOR, 300, "horn")
    assert given[10] == ByteAction(Request.PULSE_FOR, 300)


@pytest.mark.parametrize("width_us", [19, 1_000_001])
def test_a_width_that_the_box_can_t_do(width_us):
    with pytest.raises(BadValue, match="of --width"):
        byte_actions(ByteMode.PULSE, width_us, None, IDENTITY)
    plan = plans.Plan("Ferry", events=(plans.Event("horn", 9, width_us),))
    with pytest.raises(BadValue, match="of the event 'horn'"):
        byte_actions(ByteMode.PULSE, None, plan, IDENTITY)
    for fine in (20, 1_000_000):
        byte_actions(ByteMode.PULSE, fine, None, IDENTITY)


def byte_history() -> ByteOutcomes:
    """A bridge without a marker log."""

    def silent(text, bad=False, logged=False):
        pass

    made = ByteOutcomes(None, lambda entry: None, silent, lambda: 0)
    made.waiting_since_us = 0
    return made


def put(kept: ByteOutcomes, number: int, code: int, *, stays=False, cut_us=None, delay_us=None):
    kept.sent(number, code, stays=stays)
    kept.settle(0)
    kept.answered(number, 1000 * number, 1000 * number, 3, cut_us, delay_us)


def test_a_byte_without_a_fate_is_not_good():
    kept = byte_history()
    assert kept.is_good
    kept.sent(1, 5)
    kept.settle(0)
    assert not kept.is_good
    kept.answered(1, 10, 20, 3)
    assert kept.is_good
    kept.sent(2, 5)
    kept.settle(0)
    kept.unconfirmed(2, "no answer")
    assert not kept.is_good


def test_a_byte_that_was_not_needed_is_good_and_one_that_was_refused_is_not():
    kept = byte_history()
    kept.refuse(0, "no marker")
    assert kept.is_good
    kept.refuse(5, "bytes off")
    assert not kept.is_good


def test_a_pulse_that_was_cut_and_a_code_that_merged_are_not_good():
    kept = byte_history()
    put(kept, 1, 5, cut_us=None)
    assert kept.is_good
    put(kept, 2, 6, cut_us=400)
    assert not kept.is_good
    kept = byte_history()
    put(kept, 1, 5, stays=True)
    put(kept, 2, 6, stays=True)
    put(kept, 3, 0, stays=True)
    put(kept, 4, 6, stays=True)
    assert kept.is_good
    put(kept, 5, 6, stays=True)  # the lines did not move
    assert not kept.is_good
    kept = byte_history()
    put(kept, 1, 5, stays=True)
    kept.hold_ended(5, 2000, None, None)
    put(kept, 2, 5, stays=True)
    put(kept, 3, 5, stays=True, delay_us=300)  # a gap was kept before it
    put(kept, 4, 0, cut_us=300)  # byte 0 ends a pulse on purpose
    assert kept.is_good
