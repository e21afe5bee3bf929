"""The images that the tests run, built when they are older than their sources."""

from __future__ import annotations

import functools
import re
import subprocess
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
BUILD = ROOT / "build" / "nano-tests"


@functools.cache
def nano() -> Path:
    """The image that ships, built by the same command that ships it."""
    subprocess.run(["make", "-s", "-f", "firmware/firmware.mk", "firmware"], cwd=ROOT, check=True)
    return ROOT / "build" / "firmware" / "nano" / "firmware.elf"


@functools.cache
def small(source: str) -> Path:
    """A small program of the tests, from a C file in this folder."""
    path = Path(__file__).parent / source
    BUILD.mkdir(parents=True, exist_ok=True)
    image = BUILD / (path.stem + ".elf")
    subprocess.run(
        ["avr-gcc", "-mmcu=atmega328p", "-DF_CPU=16000000UL", "-std=gnu11", "-Os", "-Wall",
         "-Werror", "-I", str(ROOT / "firmware/boards/nano"), str(path), "-o", str(image)],
        check=True,
    )
    return image


@functools.cache
def symbols(image: Path) -> dict[str, int]:
    """Data addresses of an image's variables, and of the end of its static RAM (`_end`)."""
    listing = subprocess.run(
        ["avr-nm", str(image)], capture_output=True, text=True, check=True
    ).stdout
    found = re.findall(r"^00(8[0-9a-f]{5}) \w (\w+)", listing, re.MULTILINE)
    return {name: int(address, 16) - 0x800000 for address, name in found}
