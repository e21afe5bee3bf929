"""The clock beyond 2^32 microseconds, and far beyond: its carry, byte by byte."""

from __future__ import annotations

import struct

import nano_image
import pytest
from nano_chip import CYCLES_PER_US
from raw_frames import (
    CLOCK,
    PULSE_FOR,
    SEQUENCE_ENDED,
    SEQUENCE_LOAD,
    SEQUENCE_START,
    SET,
    frame,
    pulse_for,
)

OVERFLOW_US = 4096


def move_on(chip, time_us: int) -> None:
    """Moves the box's clock to that time; Timer 1 goes on as it is."""
    address = nano_image.symbols(nano_image.nano())["overflowed"]
    chip.write_ram(address, (time_us // OVERFLOW_US * OVERFLOW_US).to_bytes(8, "little"))


@pytest.mark.parametrize("bits", [16, 24, 32, 40, 48, 56])
def test_the_clock_goes_on_over_each_carry(chip, talk, bits):
    move_on(chip, 2**bits - 3 * OVERFLOW_US)
    before = talk.done(CLOCK)
    assert before.time < 2**bits
    for _ in range(12):
        chip.run_us(1300)
        after = talk.done(CLOCK)
        passed_us = (after.cycle - before.cycle) / CYCLES_PER_US
        assert after.time - before.time == pytest.approx(passed_us, abs=60)
        before = after
    assert before.time > 2**bits


@pytest.mark.parametrize("bits", [16, 32])
def test_a_pulse_over_a_carry_has_its_width_and_its_time(chip, talk, bits):
    move_on(chip, 2**bits - 2 * OVERFLOW_US)
    chip.edges()
    first = talk.done(PULSE_FOR, pulse_for(3, 20_000))
    chip.run_us(25_000)
    second = talk.done(PULSE_FOR, pulse_for(5, 100))
    chip.run_us(500)
    (up, _), (down, _), (again, _), _ = chip.edges()
    assert abs(down - up - 20_000 * CYCLES_PER_US) <= 8
    assert first.time < 2**bits < second.time
    assert abs(second.time - first.time - (again - up) / CYCLES_PER_US) <= 1


def test_a_sequence_over_the_carry_ends_at_its_time(chip, talk):
    for index in range(4):
        talk.done(SEQUENCE_LOAD, struct.pack("<HBI", index, index + 1, 3000))
    move_on(chip, 2**32 - 2 * OVERFLOW_US)
    started = talk.done(SEQUENCE_START, struct.pack("<I", 3)).time
    (ended,) = [each for each in talk.listen(50_000) if each.kind == SEQUENCE_ENDED]
    assert ended.time - started == 4 * 3 * 3000


def test_a_pulse_of_71_minutes_ago_is_not_told_as_cut(chip, talk):
    start = talk.done(PULSE_FOR, pulse_for(1, 3000)).time
    chip.run_us(5000)
    move_on(chip, start + 2**32 - OVERFLOW_US)
    for number in range(40):
        answer = talk.done(SET, b"\2\4"[number % 2 :][:1])
        assert len(answer.body) == 8  # `done`, not `done noted`
        chip.run_us(300)


def test_no_reading_of_the_clock_falls_into_its_overflow(chip, talk):
    """Cycle by cycle: the timer overflows before, between and behind the readings of its count.

    The loop that waits for bytes is some ten cycles long, so that each cycle is tried seven times.
    """
    lap = OVERFLOW_US * CYCLES_PER_US
    sent = chip.cycle + 100
    end = chip.send(frame(CLOCK, 1), at=sent)
    first = talk.answer(1).time
    to_overflow = -first % OVERFLOW_US * CYCLES_PER_US
    offset_us = end / CYCLES_PER_US - first
    met = set()
    for number in range(840):
        at = sent + to_overflow + number // 7 - 60
        at += -(-(chip.cycle + 100 - at) // lap) * lap  # the first lap that is still to come
        tag = (number + 1) % 255 + 1
        end = chip.send(frame(CLOCK, tag), at=at)
        time = talk.answer(tag).time
        assert end / CYCLES_PER_US - time == pytest.approx(offset_us, abs=30)
        met.add(time % OVERFLOW_US)
    assert {OVERFLOW_US - 1, 0} <= met
