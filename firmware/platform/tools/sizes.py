"""Prints what each firmware image takes of its chip's flash and RAM:  sizes.py FOLDER

The folder has a sub-folder for each image.
"""

import json
import sys
from pathlib import Path

from elftools.elf.constants import SH_FLAGS
from elftools.elf.elffile import ELFFile

BOARDS = Path(__file__).parent.parent / "boards"
LIMITS = {"nano": (20 * 1024, 1536)}  # flash, RAM: what the project promises for an image


def sizes(elf: Path) -> tuple[int, int]:
    """Bytes of flash and of static RAM that an image takes."""
    flash = ram = 0
    with elf.open("rb") as file:
        for section in ELFFile(file).iter_sections():
            flags, size = section["sh_flags"], section["sh_size"]
            if not flags & SH_FLAGS.SHF_ALLOC or section.name == ".eeprom":
                continue
            stored = section["sh_type"] != "SHT_NOBITS"
            flash += size if stored else 0
            ram += size if flags & SH_FLAGS.SHF_WRITE else 0
    return flash, ram


def main() -> int:
    fits = True
    print(f"{'image':<8}{'flash':>8} of {'':>8}{'static RAM':>12} of")
    for elf in sorted(Path(sys.argv[1]).glob("*/firmware.elf")):
        name = elf.parent.name
        chip = json.loads((BOARDS / f"{name}.json").read_text())["upload"]
        flash, ram = sizes(elf)
        of_flash, of_ram = chip["maximum_size"], chip["maximum_ram_size"]
        print(f"{name:<8}{flash:>8} of {of_flash:<8}{ram:>12} of {of_ram}")
        most_flash, most_ram = LIMITS.get(name, (of_flash, of_ram))
        if flash > most_flash or ram > most_ram:
            limits = f"at most {most_flash} bytes of flash and {most_ram} of RAM"
            print(f"{name} is too big: {limits}", file=sys.stderr)
            fits = False
    return 0 if fits else 1


if __name__ == "__main__":
    sys.exit(main())
