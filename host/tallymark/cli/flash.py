"""`tallymark flash`: puts firmware onto a board."""

from __future__ import annotations

from pathlib import Path

import click

from tallymark.box.flash import nano, pico
from tallymark.cli.common import note, out, progress
from tallymark.errors import BadValue


@click.command()
@click.argument("image", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--port", help="The board's serial port. A Nano or Uno needs it.")
@click.option("--old-boot-loader", is_flag=True,
              help="Nano: use 57,600 baud, for old boot loaders.")
def flash(image: Path, port: str | None, old_boot_loader: bool) -> None:
    """Write firmware to a board.

    IMAGE is firmware.hex for a Nano or Uno, firmware.uf2 for a Pico ('make firmware' builds both).
    The lines float while a board is in its boot loader: disconnect the receiver. Kept settings
    are kept.
    """
    if image.suffix == ".uf2":
        with progress("writing") as update:
            identity = pico.flash(
                image, port, lambda sent, total: update("writing", sent, total)
            )
        out().print(f"Box {identity.serial} has started with firmware {identity.firmware}.")
        return
    if port is None:
        raise BadValue("Give the port of the board, for example --port /dev/ttyUSB0.")
    note(f"Writing {nano.image_size(image):,} bytes to the board at {port}.")
    nano.flash(image, port, old_boot_loader=old_boot_loader)
    out().print(f"The board at {port} has the firmware of {image.name}. Its settings stay.")
