"""Power cuts while settings are saved: old or new, never broken."""

from __future__ import annotations

import struct
from itertools import pairwise

import nano_image
import pytest
from nano_chip import CYCLES_PER_US, Chip
from raw_frames import (
    CLOCK,
    IDENTIFY,
    RECORD,
    REFUSED,
    SETTINGS_KEEP,
    SETTINGS_READ,
    SETTINGS_WRITE,
    Talk,
)

from tallymark.box.wire.protocol_enumerations import Reason

OLD = RECORD.pack(b"Pier North", 1234, 100, 0, 9600, 0xFF, 0, 0, 1)
NEW = RECORD.pack(b"Pier South, low", 777, 0, 2_000_000, 57_600, 0x7F, 0, 1, 2)
FACTORY, SLOT_A, SLOT_B = 0, 1, 2
SLOT_A_AT, SLOT_B_AT = 64, 128


def settings(chip: Chip) -> tuple[int, int, bytes]:
    """Origin, count and record that a chip starts with."""
    chip.run_us(8000)
    talk = Talk(chip)
    talk.listen(0)
    body = talk.done(SETTINGS_READ).body
    origin, count = struct.unpack_from("<BI", body)
    return origin, count, body[5:]


def test_a_fresh_chip_has_factory_settings():
    origin, count, record = settings(Chip(nano_image.nano()))
    assert (origin, count) == (FACTORY, 0)
    assert RECORD.unpack(record) == (b"\0" * 16, 5000, 0, 0, 115_200, 255, 0, 0, 1)


def test_equal_settings_are_written_once(chip, talk):
    """The memory wears out by writing."""
    for _ in range(5):
        talk.done(SETTINGS_KEEP, patience_us=400_000)
    chip.power_cycle()
    assert settings(chip)[:2] == (SLOT_A, 1)


def test_power_may_fail_at_any_write_of_a_save(chip, talk):
    talk.done(SETTINGS_WRITE, OLD)
    talk.done(SETTINGS_KEEP, patience_us=400_000)
    talk.done(SETTINGS_WRITE, NEW)
    images = [chip.eeprom]
    talk.say(SETTINGS_KEEP)
    answered = False
    while not answered:
        chip.run_us(500)
        if chip.eeprom != images[-1]:
            images.append(chip.eeprom)
        answered = len(chip.received) > 13
    assert len(images) > 30
    after = set()
    for before, written in pairwise(images):
        (place,) = [at for at in range(len(before)) if before[at] != written[at]]
        for half_done in {before[place], 0xFF, before[place] & written[place], written[place]}:
            content = bytearray(before)
            content[place] = half_done
            origin, count, record = settings(Chip(nano_image.nano(), eeprom=bytes(content)))
            assert (origin, count, record) in ((SLOT_A, 1, OLD), (SLOT_B, 2, NEW))
            after.add(origin)
    assert after == {SLOT_A, SLOT_B}
    assert settings(Chip(nano_image.nano(), eeprom=images[-1])) == (SLOT_B, 2, NEW)


def test_a_save_takes_less_than_a_fifth_of_a_second_and_no_time_off_the_clock(chip, talk):
    talk.done(SETTINGS_WRITE, OLD)
    before = talk.done(CLOCK)
    begin = chip.cycle
    saved = talk.done(SETTINGS_KEEP, patience_us=400_000)
    assert 0.05 < (chip.cycle - begin) / (CYCLES_PER_US * 1e6) < 0.2
    on_the_box = saved.time - before.time
    at_the_pins = (saved.cycle - before.cycle) / CYCLES_PER_US
    assert abs(on_the_box - at_the_pins) < 300  # the answers' way


def test_saves_go_to_the_two_slots_in_turn(chip, talk):
    found = []
    for width in (1000, 2000, 3000):
        talk.done(SETTINGS_WRITE, RECORD.pack(b"", width, 0, 0, 9600, 255, 0, 0, 1))
        talk.done(SETTINGS_KEEP, patience_us=400_000)
        found.append(struct.unpack_from("<BI", talk.done(SETTINGS_READ).body))
    assert found == [(SLOT_A, 1), (SLOT_B, 2), (SLOT_A, 3)]


@pytest.mark.parametrize("place", [0, 20, 57])
def test_a_cell_that_does_not_hold_its_value_is_told(chip, talk, place):
    """The write itself looks well; the value is gone when it is read back."""
    talk.done(SETTINGS_WRITE, OLD)
    talk.done(SETTINGS_KEEP, patience_us=400_000)
    talk.done(SETTINGS_WRITE, NEW)
    before = chip.eeprom
    talk.say(SETTINGS_KEEP)
    while chip.eeprom[SLOT_B_AT + place] == before[SLOT_B_AT + place]:
        chip.run_us(200)
    chip.wear_out(SLOT_B_AT + place, chip.eeprom[SLOT_B_AT + place] ^ 0x10)
    refused = [each for each in talk.listen(300_000) if each.kind == REFUSED]
    assert [each.body[1] for each in refused] == [Reason.STORE_FAILED]
    assert talk.done(SETTINGS_READ).body[:5] == struct.pack("<BI", SLOT_A, 1)
    chip.power_cycle()
    assert settings(chip) == (SLOT_A, 1, OLD)


def test_what_lies_where_in_the_memory(chip, talk):
    """A brown-out hits address 0 first, so nothing lies there; no part overlaps another."""
    serial = talk.ask(IDENTIFY, b"\x02\x00", patience_us=100_000).body[6:14]
    for record in (OLD, NEW):
        talk.done(SETTINGS_WRITE, record)
        talk.done(SETTINGS_KEEP, patience_us=400_000)
    memory = chip.eeprom
    assert memory[16:24] == serial
    assert OLD in memory[SLOT_A_AT : SLOT_A_AT + 64]
    assert NEW in memory[SLOT_B_AT : SLOT_B_AT + 64]
    free = (0, 16), (25, SLOT_A_AT), (SLOT_A_AT + 58, SLOT_B_AT), (SLOT_B_AT + 58, 1024)
    for begin, end in free:
        assert memory[begin:end] == b"\xff" * (end - begin)
    chip.power_cycle()
    chip.run_us(10_000)
    talk.listen(0)
    assert talk.ask(IDENTIFY, b"\x02\x00", patience_us=100_000).body[6:14] == serial


@pytest.mark.parametrize("place", range(9))
def test_a_serial_number_that_was_half_written_is_made_anew(chip, talk, place):
    """Power failed while it was written: it is not told, and a whole one takes its place."""
    first = talk.ask(IDENTIFY, b"\x02\x00", patience_us=100_000).body[6:14]
    chip.power_cycle(chip.eeprom[: 16 + place] + b"\xff" + chip.eeprom[17 + place :])
    chip.run_us(10_000)
    talk.listen(0)
    second = talk.ask(IDENTIFY, b"\x02\x00", patience_us=100_000).body[6:14]
    assert second != first[:place] + b"\xff" + first[place + 1 :]
    chip.power_cycle()
    chip.run_us(10_000)
    talk.listen(0)
    assert talk.ask(IDENTIFY, b"\x02\x00", patience_us=100_000).body[6:14] == second
