"""What the image takes of the chip: flash, RAM, and the stack at its deepest, by painting."""

from __future__ import annotations

import struct

import nano_image
from elftools.elf.elffile import ELFFile
from nano_chip import RAM_SIZE, RAM_START, Chip
from nano_load import Host
from nano_talk import (
    CAPTURE_FETCH,
    CAPTURE_START,
    COUNTERS,
    FATE,
    IDENTIFY,
    PULSE_FOR,
    SEQUENCE_LOAD,
    SEQUENCE_START,
    SEQUENCE_STATE,
    SEQUENCE_STOP,
    SETTINGS_FACTORY,
    SETTINGS_KEEP,
    SETTINGS_READ,
    Talk,
    pulse_for,
)

MOST_FLASH = 15 * 1024
MOST_RAM = 1792
PAINT = 0xC5


def test_the_image_fits_its_flash():
    with nano_image.nano().open("rb") as file:
        sections = {each.name: each["sh_size"] for each in ELFFile(file).iter_sections()}
    assert sections[".text"] + sections[".data"] <= MOST_FLASH


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
    # The main loop deep in an answer, the readback's interrupt, and the others on top of it.
    widths = [50 + 3 * n for n in range(30)]
    mix = [(PULSE_FOR, pulse_for(0xFF, width)) for width in widths] + [(COUNTERS, b"")]
    host = Host(chip, lambda number: mix[number % len(mix)], tag=talk.tag)
    host.run(300_000)
    chip.send(bytes(range(256)) * 4)
    chip.run_us(40_000)
    ram = chip.ram(end, RAM_START + RAM_SIZE - end)
    untouched = len(ram) - len(ram.lstrip(bytes([PAINT])))
    return end - RAM_START, len(ram) - untouched


def test_static_ram_and_the_deepest_stack_fit():
    static, stack = deepest_stack()
    assert stack > 40
    assert static + stack <= MOST_RAM


if __name__ == "__main__":
    static, stack = deepest_stack()
    print(f"nano: {static} bytes of static RAM, {stack} of stack at its deepest, "
          f"together {static + stack} of {MOST_RAM} allowed")
