"""Writes the image in an ELF file as UF2, which the RP2040's boot loader takes.

    uf2.py IN.elf OUT.uf2

Format: https://github.com/microsoft/uf2. The second boot stage ends with a CRC that the boot ROM
checks; it stands in the source, and this script says what it has to be where it is wrong.
"""

import struct
import sys
from pathlib import Path

from elftools.elf.elffile import ELFFile

MAGIC = (0x0A324655, 0x9E5D5157)
END = 0x0AB16F30
HAS_FAMILY = 0x2000
RP2040 = 0xE48BFF56
FLASH = 0x10000000
PAGE = 256


def crc32_mpeg2(data: bytes) -> int:
    """CRC-32/MPEG-2: polynomial 0x04C11DB7, nothing reflected, no inversion at the end."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte << 24
        for _ in range(8):
            crc = (crc << 1 ^ 0x04C11DB7 if crc & 0x80000000 else crc << 1) & 0xFFFFFFFF
    return crc


def flash_image(elf: Path) -> bytes:
    """What the program headers put into flash, from its first byte on; gaps are 0xFF."""
    image = bytearray()
    with elf.open("rb") as file:
        for segment in ELFFile(file).iter_segments("PT_LOAD"):
            if segment["p_filesz"] == 0:
                continue
            start = segment["p_paddr"] - FLASH
            if start < 0:
                raise ValueError(f"a segment lies at {segment['p_paddr']:#x}, outside the flash")
            image.extend(b"\xff" * (start + segment["p_filesz"] - len(image)))
            image[start : start + segment["p_filesz"]] = segment.data()
    return bytes(image)


def uf2(image: bytes) -> bytes:
    """The image in blocks of one page each."""
    image += b"\xff" * (-len(image) % PAGE)
    count = len(image) // PAGE
    blocks = []
    for number in range(count):
        address = FLASH + number * PAGE
        head = struct.pack("<8I", *MAGIC, HAS_FAMILY, address, PAGE, number, count, RP2040)
        page = image[number * PAGE : (number + 1) * PAGE]
        blocks.append(head + page.ljust(476, b"\0") + struct.pack("<I", END))
    return b"".join(blocks)


def main() -> int:
    image = flash_image(Path(sys.argv[1]))
    (stored,) = struct.unpack_from("<I", image, PAGE - 4)
    crc = crc32_mpeg2(image[: PAGE - 4])
    if stored != crc:
        print(
            f"The second boot stage needs the CRC 0x{crc:08X}, not 0x{stored:08X}: set .boot_crc.",
            file=sys.stderr,
        )
        return 1
    Path(sys.argv[2]).write_bytes(uf2(image))
    return 0


if __name__ == "__main__":
    sys.exit(main())
