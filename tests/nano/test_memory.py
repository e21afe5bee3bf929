"""What the image takes of the chip: flash, RAM, and the stack at its deepest, by painting."""

from __future__ import annotations

import random
import re
import struct
from dataclasses import dataclass
from functools import partial

import nano_image
import pytest
from elftools.elf.elffile import ELFFile
from full_window_host import Host
from nano_chip import CYCLES_PER_US, RAM_SIZE, RAM_START, Chip
from raw_frames import (
    CAPTURE_FETCH,
    CAPTURE_START,
    CLOCK,
    COUNTERS,
    FATE,
    IDENTIFY,
    PULSE_FOR,
    RECORD,
    SEQUENCE_LOAD,
    SEQUENCE_START,
    SEQUENCE_STATE,
    SEQUENCE_STOP,
    SETTINGS_FACTORY,
    SETTINGS_KEEP,
    SETTINGS_READ,
    SETTINGS_WRITE,
    Talk,
    pulse_for,
    strobed,
)
from test_ahead_edges import CANCEL, FATE_OF_NUMBER, TIMED, ahead
from test_edges import loaded, play

README = nano_image.ROOT / "firmware/boards/nano/README.md"
MOST_FLASH = 20 * 1024
MOST_RAM = 1792
PAINT = 0xC5
COMPARE, OVERFLOW, RECEIVED, ROOM = 11, 13, 18, 19
"""Vectors of the interrupts (datasheet 12.4): the timer's two, and the serial port's two."""


@dataclass(frozen=True)
class Row:
    """A row of the README's budget: what it is now, what is planned, and the most that may be."""

    now: int
    planned: int
    most: int


def budget() -> dict[str, Row]:
    """The rows of the README's budget that have a limit, by their names."""
    rows = {}
    for line in README.read_text().splitlines():
        cells = [cell.strip(" *") for cell in line.strip("|").split("|")]
        if len(cells) >= 4 and all(re.fullmatch(r"[\d,]+", cell) for cell in cells[1:4]):
            now, planned, most = (int(cell.replace(",", "")) for cell in cells[1:4])
            rows[cells[0]] = Row(now, planned, most)
    return rows


def flash_size() -> int:
    """Bytes of the image in the flash."""
    with nano_image.nano().open("rb") as file:
        sections = {each.name: each["sh_size"] for each in ELFFile(file).iter_sections()}
    return int(sections[".text"] + sections[".data"])


def test_the_image_fits_its_flash():
    row = budget()["flash"]
    assert row.most == MOST_FLASH
    assert row.planned <= row.most
    assert flash_size() <= row.now * 1.05


def deepest_stack() -> tuple[int, int]:
    """Bytes of static RAM, and of the stack at its deepest in all that a box does."""
    end = nano_image.symbols(nano_image.nano())["_end"]
    chip = Chip(nano_image.nano())
    chip.write_ram(end, bytes([PAINT]) * (RAM_START + RAM_SIZE - end))
    chip.run_us(8000)
    talk = Talk(chip)
    talk.listen(0)
    for kind, body in (
        (IDENTIFY, b"\x02\x00"), (SETTINGS_FACTORY, b""), (SETTINGS_KEEP, b""),
        (SETTINGS_READ, b""), (COUNTERS, b""), (CAPTURE_START, b"\x01"), (FATE, b"\x03"),
        (SEQUENCE_LOAD, struct.pack("<HBI", 0, 255, 60)),
        (SEQUENCE_LOAD, struct.pack("<HBI", 1, 85, 70)), (SEQUENCE_START, struct.pack("<I", 9)),
        (SEQUENCE_STATE, b""), (SEQUENCE_STOP, b""), (CAPTURE_FETCH, bytes(4)),
    ):
        talk.done(kind, body, patience_us=400_000)
    now = talk.done(CLOCK).time
    for n in (3, 1, 2, 4):
        talk.done(TIMED, ahead(n, 100, now + 20_000 * n))
    talk.done(CANCEL, struct.pack("<I", 1))
    talk.done(FATE_OF_NUMBER, struct.pack("<I", 2))
    chip.run_us(45_000)
    talk.done(PULSE_FOR, pulse_for(1, 50_000))
    talk.done(CANCEL, bytes(4))
    chip.run_us(60_000)
    # The main loop deep in an answer, the readback's interrupt, and the others on top of it.
    widths = [50 + 3 * n for n in range(30)]
    mix = [(PULSE_FOR, pulse_for(0xFF, width)) for width in widths] + [(COUNTERS, b"")]
    host = Host(chip, lambda number: mix[number % len(mix)], tag=talk.tag)
    host.run(300_000)
    chip.send(bytes(range(256)) * 4)
    chip.run_us(40_000)
    # Settings that differ are written, with edges, changes and bytes coming in meanwhile.
    talk.tag = host.tag
    chip.send(b"\0")
    talk.listen(1000)
    talk.done(SETTINGS_WRITE, RECORD.pack(b"The old quay", 1234, 50, 0, 9600, 255, 1, 1, 2))
    talk.done(PULSE_FOR, pulse_for(0x3F, 5000))
    talk.say(SETTINGS_KEEP)
    chip.run_us(1000)
    chip.send(bytes(100))
    for number in range(40):
        chip._arrive(7, number % 2 == 0)
        chip.run_us(500)
    chip.run_us(200_000)
    ram = chip.ram(end, RAM_START + RAM_SIZE - end)
    untouched = len(ram) - len(ram.lstrip(bytes([PAINT])))
    return end - RAM_START, len(ram) - untouched


def test_static_ram_and_the_deepest_stack_fit():
    static, stack = deepest_stack()
    rows = budget()
    assert 40 < stack <= rows["stack, at its deepest"].now * 1.05
    assert static <= rows["static RAM"].now * 1.05
    whole = rows["RAM with stack"]
    assert whole.most == MOST_RAM
    assert whole.now == rows["static RAM"].now + rows["stack, at its deepest"].now
    assert max(static + stack, whole.now, whole.planned) <= whole.most


@pytest.mark.parametrize("strobe", [False, True])
@pytest.mark.parametrize("watching", [False, True])
def test_each_interrupt_keeps_to_its_budget(chip, talk, watching, strobe):
    """Under load in both directions, with changes of the readback right before each edge."""
    if strobe:
        talk.done(SETTINGS_WRITE, strobed(50, 50, width=150))
    if watching:
        talk.done(CAPTURE_START, b"\0")
    chance = random.Random(1)
    holds = [60 + 100 * strobe + 7 * (n % 10) for n in range(25)]
    play(talk, holds, 40)
    due = chip.pin_edges[0].cycle
    for number, hold in enumerate(holds * 40):
        due += hold * CYCLES_PER_US
        at = due - chance.randint(130, 400)
        if watching and at > chip.cycle:
            chip._later(at - chip._born, partial(chip._arrive, 7, number % 2 == 0))
    loaded(talk).run(sum(holds) * 40 + 2000)
    rows, while_watching = budget(), ", while the readback is watched" if watching else ""
    interrupt = "the edge's interrupt" + ", with a strobe" * strobe + while_watching
    for name, most in (
        (f"an edge is held back{while_watching}", chip.most_held[COMPARE]),
        (interrupt, chip.most_taken[COMPARE]),
        ("a byte came in", chip.most_taken[RECEIVED]),
        ("a byte can go out", chip.most_taken[ROOM]),
        ("the timer starts over", chip.most_taken[OVERFLOW]),
    ):
        row = rows[name]
        assert 0 < most <= row.now <= row.planned <= row.most, name


if __name__ == "__main__":
    static, stack = deepest_stack()
    print(f"nano: {static} bytes of static RAM, {stack} of stack at its deepest, "
          f"together {static + stack} of {MOST_RAM} allowed")
