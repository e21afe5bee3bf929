"""Stock boot loaders, as Debian's package arduino-core-avr publishes them.

Nobody here made them. Each is put behind the image into the simulated chip, which then starts as
a board from the shop does.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

FOLDER = Path("/usr/share/arduino/hardware/arduino/avr/bootloaders")


@dataclass(frozen=True)
class BootLoader:
    """file: below FOLDER. start: its first byte address. baud: what it listens at."""

    file: str
    start: int
    baud: int

    def content(self) -> bytes:
        """Its bytes, from `start` to the end of the flash."""
        content = bytearray(b"\xff" * (0x8000 - self.start))
        for line in (FOLDER / self.file).read_text().split():
            record = bytes.fromhex(line[1:])
            count, kind = record[0], record[3]
            assert sum(record) & 0xFF == 0, line
            if kind == 0:
                at = int.from_bytes(record[1:3], "big") - self.start
                content[at : at + count] = record[4:-1]
        return bytes(content)


OLD = BootLoader("atmega/ATmegaBOOT_168_atmega328.hex", 0x7800, 57_600)
"""Of Nano boards until 2018, and of most of their copies until today."""
OPTIBOOT = BootLoader("optiboot/optiboot_atmega328.hex", 0x7E00, 115_200)
"""Of Uno boards, and of newer Nano boards."""
ALL = {"ATmegaBOOT": OLD, "Optiboot": OPTIBOOT}
