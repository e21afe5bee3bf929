"""The byte input: with the jumper on, a plain byte on the serial line is a pulse."""

from __future__ import annotations

import nano_image
import pytest
from nano_chip import CYCLES_PER_US, Chip
from raw_frames import (
    BYTE_MARKER,
    IDENTIFY,
    RECORD,
    SETTINGS_KEEP,
    SETTINGS_WRITE,
    STARTED,
    Talk,
    messages,
)

from tallymark.box.wire.protocol_enumerations import ByteMode, Reason

WIDTH_US = 2345


def with_jumper(baud: int, byte_mode: int = ByteMode.PULSE) -> Chip:
    """A chip whose settings were kept over frames, then powered up with the jumper on."""
    chip = Chip(nano_image.nano())
    chip.run_us(8000)
    talk = Talk(chip)
    talk.done(SETTINGS_WRITE, RECORD.pack(b"", WIDTH_US, 0, 0, baud, 255, 0, 0, byte_mode))
    talk.done(SETTINGS_KEEP, patience_us=400_000)
    chip.byte_jumper = True
    chip.baud = baud
    chip.power_cycle()
    chip.run_us(30_000)
    chip.edges()
    chip.received.clear()
    return chip


@pytest.mark.parametrize("baud", [1200, 9600, 57_600, 115_200, 1_000_000])
def test_bytes_of_a_printf_are_pulses_of_the_kept_width(baud):
    chip = with_jumper(baud)
    text = b"Ferry 7!"
    for byte in text:
        chip.send(bytes([byte]))
        chip.run_us(12 * 1e6 / baud + WIDTH_US + 500)
    edges = chip.edges()
    assert [levels for _, levels in edges[::2]] == list(text)
    assert [levels for _, levels in edges[1::2]] == [0] * len(text)
    for (up, _), (down, _) in zip(edges[::2], edges[1::2], strict=True):
        assert abs(down - up - WIDTH_US * CYCLES_PER_US) <= 8


@pytest.mark.parametrize("baud", [1200, 2400, 4800, 9600, 19_200, 38_400, 57_600, 115_200, 250_000])
def test_the_rate_is_the_nearest_that_the_chip_has(baud):
    chip = with_jumper(baud)
    assert abs(chip.bit_cycles() - CYCLES_PER_US * 1e6 / baud) <= 4  # it goes by eights


def test_what_the_box_says_before_its_port_has_a_rate_is_sent():
    chip = with_jumper(9600)
    chip.power_cycle()
    chip.run_us(60_000)
    assert [each.kind for each in messages(chip.received)] == [STARTED]


def test_each_byte_is_told_with_its_time():
    chip = with_jumper(115_200)
    for byte in b"\x01\x80":
        chip.send(bytes([byte]))
        chip.run_us(10_000)
    notices = [each for each in messages(chip.received) if each.kind == BYTE_MARKER]
    assert [notice.body[8] for notice in notices] == [0x01, 0x80]
    assert all(notice.body[9] == 0 for notice in notices)
    first, second = (cycle for cycle, levels in chip.edges() if levels)
    told = notices[1].time - notices[0].time
    assert abs(told - (second - first) / CYCLES_PER_US) <= 1


def test_bytes_without_a_pause_all_come_out():
    """Each cuts the one before; none is lost at the common rate."""
    chip = with_jumper(115_200)
    text = bytes(range(1, 201))
    chip.send(text)
    chip.run_us(200 * 87 + 15_000)  # the box takes some 130 µs a byte; others wait in its buffer
    assert [levels for _, levels in chip.edges() if levels] == list(text)


def test_the_latency_of_a_byte():
    chip = with_jumper(115_200)
    for turn in range(40):
        chip.send(b"\x55")
        chip.run_us(5000 + 13.37 * turn)
        assert chip.edges()[0][0] - chip.arrived[-1] <= 40 * CYCLES_PER_US


@pytest.mark.parametrize(
    ("byte_mode", "ends_us"),
    [
        # The byte 0 comes 1 ms behind the first code, and never behind the second.
        (ByteMode.PULSE, [WIDTH_US, WIDTH_US]),
        (ByteMode.SET, [1000, None]),
        (ByteMode.LIMITED, [1000, WIDTH_US]),
    ],
)
def test_what_byte_0_does(byte_mode, ends_us):
    chip = with_jumper(115_200, byte_mode)
    chip.send(b"\x41")
    chip.run_us(1000)
    chip.send(b"\0")
    chip.run_us(9000)
    chip.send(b"\x42")
    chip.run_us(10_000)
    edges = chip.edges()
    rises = [(cycle, levels) for cycle, levels in edges if levels]
    falls = [cycle for cycle, levels in edges if not levels]
    assert [levels for _, levels in rises] == [0x41, 0x42]
    assert len(falls) == len([each for each in ends_us if each])
    for (rise, _), fall, lasts in zip(rises, falls, ends_us, strict=False):
        tolerance = 30 * CYCLES_PER_US if lasts == 1000 else 8  # when a byte comes, or a width
        assert abs(fall - rise - lasts * CYCLES_PER_US) <= tolerance
    reasons = [each.body[9] for each in messages(chip.received) if each.kind == BYTE_MARKER]
    assert reasons == [0, Reason.NO_MARKER if byte_mode == ByteMode.PULSE else 0, 0]


def test_bytes_are_refused_and_told_while_the_input_is_off():
    chip = with_jumper(115_200, ByteMode.OFF)
    chip.send(b"\x41")
    chip.run_us(10_000)
    assert chip.edges() == []
    notices = [each for each in messages(chip.received) if each.kind == BYTE_MARKER]
    assert [(each.body[8], each.body[9]) for each in notices] == [(0x41, Reason.BYTES_OFF)]


def test_frames_come_back_when_the_jumper_is_off():
    chip = with_jumper(9600)
    chip.byte_jumper = False
    chip.baud = 500_000
    chip.power_cycle()
    chip.run_us(10_000)
    chip.received.clear()
    assert Talk(chip).ask(IDENTIFY, b"\x02\x00", patience_us=100_000).body[5] == 2


def test_frames_are_only_bytes_while_the_jumper_is_on():
    """And a byte 0 is no marker."""
    chip = with_jumper(115_200)
    chip.send(b"\0")
    chip.run_us(2000)
    assert chip.edges() == []
