"""Is the simulator right? Its timing at the pins against the ATmega328P's datasheet, DS40002061.

All other tests of this folder rest on these.
"""

from __future__ import annotations

from itertools import pairwise

import nano_image
import pytest
import yasimavr.lib.core as sim
from nano_chip import CLOCK, TXD, Chip

BYTE = 10 * 32
"""Cycles of a byte at 500,000 baud."""


@pytest.fixture
def probe() -> Chip:
    """A chip that runs simulator_test_firmware.c."""
    chip = Chip(nano_image.small("simulator_test_firmware.c"))
    chip.run_us(200)
    chip.take()
    return chip


def marks(chip: Chip, letter: bytes, microseconds: float = 1000) -> list[int]:
    """Cycles of the edges at D2 after a letter."""
    chip.pin_edges.clear()
    chip.send(letter)
    chip.run_us(microseconds)
    return [edge.cycle for edge in chip.pin_edges if edge.line == 0]


def test_instructions_take_their_cycles(probe):
    """sbi takes two cycles, 16 nop take 16 (table 31)."""
    up, down = marks(probe, b"n")
    assert down - up == 2 + 16


def test_an_interrupt_begins_after_four_cycles_and_its_jump(probe):
    """7.7.1: four cycles at least, then the three of the jump in the vector table. The instruction
    that is going on is completed first; the pin's synchronizer is not simulated."""
    up, down = marks(probe, b"i")
    assert 2 + 2 + 4 + 3 <= down - up <= 2 + 2 + 4 + 3 + 3


def test_timer_1_counts_every_cycle(probe):
    """16.9.2: in CTC mode a period is OCR1A + 1."""
    first, *rest = marks(probe, b"t", 10_000)
    late = [cycle - first - n * 0x4000 for n, cycle in enumerate(rest, start=1)]
    assert len(late) == 3
    assert all(abs(cycles) <= 2 for cycles in late)  # the instruction that is completed first


def test_a_byte_sent_has_ten_bits_of_32_cycles(probe):
    """20.3.1: 16 MHz / 8 / (3 + 1) = 500,000 baud. Measured at the TXD pin."""
    changes: list[int] = []

    def changed(event, _tag):
        if event.sigid == sim.Wire.SignalId.DigitalChange:
            changes.append(probe.cycle)

    hook = sim.CallableSignalHook(changed)
    probe._device.find_pin(TXD).signal().connect(hook)
    marks(probe, b"s")
    gaps = [after - before for before, after in pairwise(changes)]
    assert len(changes) == 4 * 10
    assert all(abs(gap - 32) <= 3 for gap in gaps)
    assert abs(changes[-1] - changes[0] - 39 * 32) <= 3
    ends = [cycle for cycle, _ in probe.received]
    assert ends[-1] - ends[0] == pytest.approx(3 * BYTE, abs=4)


def test_a_byte_received_is_there_at_the_end_of_its_stop_bit(probe):
    before = probe.cycle
    probe.arrived.clear()
    end = probe.send(b"n")
    probe.run_us(100)
    assert end - before == BYTE
    assert abs(probe.arrived[0] - end) <= 4


def test_bytes_that_wait_come_out_in_order_beside_one_that_is_sent(probe):
    """20.2: the transmit and the receive buffer are two, and two bytes wait in the latter."""
    probe.send(bytes([0x11, 0x22, 0x33]))
    probe.run_us(500)
    assert probe.take() == bytes([0x11, 0x22, 0x33])


@pytest.mark.parametrize(("baud", "heard"), [(490_000, True), (510_000, True), (400_000, False)])
def test_the_receiver_samples_with_its_own_clock(probe, baud, heard):
    """20.8.3: with 8 bits and U2X the rates may differ by some 4 percent, not by 20."""
    probe.baud = baud
    probe.send(b"\x96")
    probe.run_us(500)
    assert len(probe.arrived) >= 1  # the bits at the pin made a byte
    assert (probe.take()[:1] == b"\x96") is heard


def test_a_byte_of_eeprom_takes_3_4_ms(probe):
    """8.6.3: erase and write, 3.4 ms."""
    up, down = marks(probe, b"e", 5000)
    assert (down - up) / CLOCK == pytest.approx(3.4e-3, rel=0.02)
    assert probe.eeprom[100] == 0x5A


def test_the_watchdog_bites_after_16_ms_and_says_so(probe):
    """11.9.2: nominally 16 ms; MCUSR then has WDRF (bit 3)."""
    up, *_ = marks(probe, b"w", 30_000)
    (at, flags), *_ = probe.received
    assert (at - up) / CLOCK == pytest.approx(16e-3, rel=0.05)
    assert flags & 0x08
