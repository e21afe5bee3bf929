"""Loading firmware into a Nano or Uno: an Intel HEX file, written by avrdude to its boot loader."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

from tallymark.errors import BadValue, PortError

BAUD = 115_200
OLD_BAUD = 57_600
LARGEST = 30_720
"""Bytes of flash beside the largest usual boot loader."""


def flash(path: Path, port: str, *, old_boot_loader: bool = False) -> int:
    """Loads firmware into the board at a serial port; returns how many bytes that were.

    old_boot_loader: talk at 57,600 baud. The image is checked before anything is touched. Raises
    BadValue (no image, or no avrdude) and PortError (avrdude failed; its words are in the error).
    """
    size = image_size(path)
    program = shutil.which("avrdude")
    if program is None:
        raise BadValue(
            "The program avrdude, which writes to the board's boot loader, is not installed. "
            "Install it: 'sudo apt-get install avrdude' on Debian and Ubuntu, 'brew install "
            "avrdude' on macOS, or the archive on https://github.com/avrdudes/avrdude for Windows. "
            "Nothing was sent."
        )
    baud = OLD_BAUD if old_boot_loader else BAUD
    command = [program, "-q", "-p", "atmega328p", "-c", "arduino", "-b", str(baud), "-P", port,
               "-D", "-U", f"flash:w:{path}:i"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        lines = [line.strip() for line in done.stderr.splitlines() if line.strip()]
        said = lines[0].removeprefix("avrdude ") if lines else "nothing"
        other = "without" if old_boot_loader else "with"
        raise PortError(
            port,
            f"The firmware was not written to the board at {port}. avrdude said: {said}. Check "
            "that it is the board's port and that no other program has it open; then try again "
            f"{other} --old-boot-loader. The board may have no working firmware until this "
            "succeeds.",
        )
    return size


def image_size(path: Path) -> int:
    """Bytes of program in an Intel HEX file. BadValue if it is none, is damaged or does not fit."""
    size = 0
    ended = False
    for number, line in enumerate(path.read_text("ascii", "replace").split(), start=1):
        try:
            record = bytes.fromhex(line.removeprefix(":"))
        except ValueError:
            record = b""
        whole = len(record) >= 5 and len(record) == record[0] + 5 and sum(record) & 0xFF == 0
        if not line.startswith(":") or not whole:
            raise BadValue(
                f"{path} is not an Intel HEX file, or it is damaged (line {number}). Build it with "
                "'make firmware': build/firmware/nano/firmware.hex."
            )
        size += record[0] if record[3] == 0 else 0
        ended = record[3] == 1
    if not ended or size == 0:
        raise BadValue(f"{path} ends too early: it is empty or was cut off. Build it again.")
    if size > LARGEST:
        raise BadValue(f"{path} has {size:,} bytes; the board holds {LARGEST:,}.")
    return size
