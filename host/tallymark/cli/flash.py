"""`tallymark flash`: puts firmware onto a board."""

from __future__ import annotations

from pathlib import Path

import click

from tallymark.box.box import Box
from tallymark.box.flash import nano, pico
from tallymark.box.flash.images import FILES, image_for
from tallymark.cli.common import note, out, progress
from tallymark.errors import BadValue, NoAnswer, NotABox


@click.command()
@click.argument("image", required=False,
                type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--port", help="The board's serial port. A Nano or Uno needs it.")
@click.option("--board", type=click.Choice(list(FILES)),
              help="Which board it is. A new Nano or Uno needs it, as it can't tell.")
@click.option("--loader-baud", type=click.Choice([str(rate) for rate in nano.BAUDS]),
              default=str(nano.BAUDS[0]), show_default=True,
              help="Nano: rate of its boot loader; 57600 for many Nanos made before 2018.")
def flash(image: Path | None, port: str | None, board: str | None, loader_baud: str) -> None:
    """Write firmware to a board.

    Without IMAGE, the firmware that came with this package: to a Pico in its boot loader (hold
    BOOTSEL while plugging it in) or to the connected box; to a new Nano or Uno with
    '--board nano --port PORT', which needs avrdude. IMAGE is a .uf2 file for a Pico, or a .hex file
    for a Nano or Uno.
    The lines float while a board is in its boot loader: disconnect the receiver. Kept settings
    are kept.
    """
    if image is None:
        image = image_for(board or _board_at(port))
        note(f"Firmware that came with this package: {image.name}.")
    elif board is not None and image.suffix != Path(FILES[board]).suffix:
        raise BadValue(f"{image} is not an image for a {board}.")
    if image.suffix == ".uf2":
        with progress("writing") as update:
            identity = pico.flash(
                image, port, lambda sent, total: update("writing", sent, total)
            )
        out().print(f"Box {identity.serial} has started with firmware {identity.firmware}.")
        return
    if port is None:
        raise BadValue("Give the port of the board, for example --port /dev/ttyUSB0 or COM5.")
    note(f"Writing {nano.image_size(image):,} bytes to the board at {port}.")
    nano.flash(image, port, int(loader_baud))
    out().print(f"The board at {port} has the firmware of {image.name}. Its settings stay.")


def _board_at(port: str | None) -> str:
    """Which board an image is for. A device that doesn't say that it is a box gets none."""
    if port is None:
        return "pico"
    try:
        with Box.open(port) as box:
            return str(box.identity.board)
    except (NotABox, NoAnswer) as error:
        raise BadValue(
            f"The device at {port} does not answer as a box, so its board can't be told. For a "
            f"new Nano or Uno: tallymark flash --board nano --port {port}. For a new Pico: hold "
            "BOOTSEL while plugging it in, then omit --port. Nothing was written."
        ) from error
