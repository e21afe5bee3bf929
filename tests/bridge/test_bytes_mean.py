"""What each of the 256 bytes becomes, for every mode and with and without a plan."""

from __future__ import annotations

import pytest

from tallymark import BadValue
from tallymark import plan as plans
from tallymark.bridge import Ledger
from tallymark.bridge.byte_codes import Meaning, meanings
from tallymark.box.wire.messages import ByteMode, Cause, Request
from tallymark.box.wire.values import Identity

IDENTITY = Identity(
    protocol="1.0", firmware="1.0.0", board="nano", serial="A1" * 8, cause=Cause.POWER, last_tag=0,
    window=440, history=64, steps=1024, edges=512, least_width_us=20, longest_width_us=1_000_000,
    name="",
)
PLAN = plans.Plan("Ferry", events=(plans.Event("horn", 9, 20_000),))
OFF = Meaning(refused="bytes off")


def test_off():
    assert meanings(ByteMode.OFF, None, PLAN, IDENTITY) == [OFF] * 256


def test_pulses():
    zero, *pulses = meanings(ByteMode.PULSE, None, None, IDENTITY)
    assert zero == Meaning(refused="no marker")
    assert pulses == [Meaning(Request.PULSE)] * 255


def test_pulses_that_the_program_may_end_early():
    zero, *pulses = meanings(ByteMode.LIMITED, 300, None, IDENTITY)
    assert zero == Meaning(Request.SET)
    assert pulses == [Meaning(Request.PULSE_FOR, 300)] * 255


def test_codes_that_stay():
    assert meanings(ByteMode.SET, None, None, IDENTITY) == [Meaning(Request.SET)] * 256
    assert meanings(ByteMode.SET, None, PLAN, IDENTITY)[9] == Meaning(Request.SET, name="horn")


def test_widths_of_a_plan_hold_for_its_events_unless_one_is_given():
    planned = meanings(ByteMode.PULSE, None, PLAN, IDENTITY)
    assert planned[9] == Meaning(Request.PULSE_FOR, 20_000, "horn")
    assert planned[10] == Meaning(Request.PULSE)
    given = meanings(ByteMode.PULSE, 300, PLAN, IDENTITY)
    assert given[9] == Meaning(Request.PULSE_FOR, 300, "horn")
    assert given[10] == Meaning(Request.PULSE_FOR, 300)


@pytest.mark.parametrize("width_us", [19, 1_000_001])
def test_a_width_that_the_box_can_t_do(width_us):
    with pytest.raises(BadValue, match="of --width"):
        meanings(ByteMode.PULSE, width_us, None, IDENTITY)
    plan = plans.Plan("Ferry", events=(plans.Event("horn", 9, width_us),))
    with pytest.raises(BadValue, match="of the event 'horn'"):
        meanings(ByteMode.PULSE, None, plan, IDENTITY)
    for fine in (20, 1_000_000):
        meanings(ByteMode.PULSE, fine, None, IDENTITY)


def ledger() -> Ledger:
    """Without a log."""
    made = Ledger(None, lambda entry: None, lambda text, bad=False, logged=False: None, lambda: 0)
    made.waiting_since_us = 0
    return made


def test_a_byte_without_a_fate_is_not_good():
    kept = ledger()
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
    kept = ledger()
    kept.refuse(0, "no marker")
    assert kept.is_good
    kept.refuse(5, "bytes off")
    assert not kept.is_good
