"""`tallymark flash`: puts firmware onto a Nano or Uno, with avrdude."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import click

from tallymark.cli.common import note, out
from tallymark.errors import BadValue, PortError

BAUD = 115_200
OLD_BAUD = 57_600
LARGEST = 30_720
"""Bytes of flash beside the largest usual boot loader."""


@click.command()
@click.argument("image", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--port", required=True, help="The serial port of the board, e.g. /dev/ttyUSB0.")
@click.option("--old-boot-loader", is_flag=True, help=f"Talk at {OLD_BAUD} baud, as old boards do.")
def flash(image: Path, port: str, old_boot_loader: bool) -> None:
    """Put firmware onto a Nano or Uno, from IMAGE, an Intel HEX file.

    The lines float while the board is in its boot loader: no receiver should listen. A Pico needs
    no program: 'tallymark restart --boot-loader', then copy firmware.uf2 to the drive that appears.
    """
    size = image_size(image)
    program = shutil.which("avrdude")
    if program is None:
        raise BadValue(
            "avrdude is missing, which talks to the board's boot loader. Install it: 'sudo apt-get "
            "install avrdude' on Debian and Ubuntu, 'brew install avrdude' on macOS, or the "
            "archive on https://github.com/avrdudes/avrdude for Windows. Nothing was sent."
        )
    note(f"Writing {size:,} bytes to the board at {port}.")
    baud = OLD_BAUD if old_boot_loader else BAUD
    command = [program, "-q", "-p", "atmega328p", "-c", "arduino", "-b", str(baud), "-P", port,
               "-D", "-U", f"flash:w:{image}:i"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        lines = [line.strip() for line in done.stderr.splitlines() if line.strip()]
        said = lines[0].removeprefix("avrdude ") if lines else "nothing"
        other = "without --old-boot-loader" if old_boot_loader else "with --old-boot-loader"
        raise PortError(
            port,
            f"The firmware did not get onto the board at {port}. avrdude said: "
            f"{said}. Check that it is the board's port and that "
            f"no other program has it open; then try again {other}. A board that was being written "
            "has no working firmware until this succeeds.",
        )
    out().print(f"The board at {port} has the firmware of {image.name}. Its settings stay.")


def image_size(image: Path) -> int:
    """Bytes of program in an Intel HEX file. BadValue if it is none, is damaged or does not fit."""
    size = 0
    ended = False
    for number, line in enumerate(image.read_text("ascii", "replace").split(), start=1):
        try:
            record = bytes.fromhex(line.removeprefix(":"))
        except ValueError:
            record = b""
        if not line.startswith(":") or len(record) < 5 or len(record) != record[0] + 5 or (
            sum(record) & 0xFF
        ):
            raise BadValue(f"{image} is no Intel HEX file, or it is damaged (line {number}). Build "
                           "it with 'make firmware': build/firmware/nano/firmware.hex.")
        size += record[0] if record[3] == 0 else 0
        ended = record[3] == 1
    if not ended or size == 0:
        raise BadValue(f"{image} ends too early: it is empty or was cut off. Build it again.")
    if size > LARGEST:
        raise BadValue(f"{image} has {size:,} bytes; the board holds {LARGEST:,}.")
    return size
