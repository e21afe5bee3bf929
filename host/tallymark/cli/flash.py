"""`tallymark flash`: puts firmware onto a board."""

from __future__ import annotations

from pathlib import Path

import click
from serial.tools import list_ports

from tallymark.box.box import Box
from tallymark.box.flash import nano, pico
from tallymark.box.flash.images import FILES, image_for
from tallymark.cli.common import note, out, progress
from tallymark.common.errors import BadValue, NoAnswer, NotABox, PortNotFound


@click.command()
@click.argument("image", required=False,
                type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--port", metavar="PORT", help="The board's serial port. A Nano or Uno needs it.")
@click.option("--board", type=click.Choice(list(FILES)),
              help="Which board it is. A new Nano or Uno needs it, as it can't tell.")
@click.option("--loader-baud", type=click.Choice([str(rate) for rate in nano.BAUDS]),
              default=str(nano.BAUDS[0]), show_default=True,
              help="Nano: rate of its boot loader; 57600 for many Nanos made before 2018.")
def flash(image: Path | None, port: str | None, board: str | None, loader_baud: str) -> None:
    """Write firmware to a board.

    Without IMAGE, the firmware that came with this package: to a Pico in its boot loader (hold
    BOOTSEL while plugging it in) or to the connected box, whatever its board; to a new Nano or Uno
    with '--board nano --port PORT', which needs avrdude. IMAGE is a .uf2 file for a Pico, or a
    .hex file for a Nano or Uno.

    The lines float while a board is in its boot loader: disconnect the receiver. Kept settings
    are kept.
    """
    if image is None:
        if board is None:
            board, port = _board_at(port)
        image = image_for(board)
        note(f"Firmware that came with this package: {image.name}.")
    elif board is not None and image.suffix != Path(FILES[board]).suffix:
        raise BadValue(f"{image} is not an image for a {board}.")
    if image.suffix not in (Path(name).suffix for name in FILES.values()):
        raise BadValue(
            f"{image} is no image: its name ends in .uf2 for a Pico, in .hex for a Nano or Uno. "
            "Without a file name, the firmware that came with this package is written."
        )
    if image.suffix == ".uf2":
        with progress("writing") as update:
            identity = pico.flash(
                image, port, lambda sent, total: update("writing", sent, total)
            )
        out().print(f"Box {identity.serial} has started with firmware {identity.firmware}.")
        return
    if port is None:
        raise BadValue(
            f"Give the port of the board, for example --port /dev/ttyUSB0 or COM5. {_ports()}"
        )
    note(f"Writing {nano.image_size(image):,} bytes to the board at {port}.")
    nano.flash(image, port, int(loader_baud))
    out().print(f"The board at {port} has the firmware of {image.name}. Its settings stay.")


def _board_at(port: str | None) -> tuple[str, str | None]:
    """Which board an image is for, and its port: a Pico in its boot loader, or a box that says what
    it is. A device that doesn't say that it is a box gets none."""
    if port is None and pico.is_waiting():
        return "pico", None
    try:
        with Box.open(port) as box:
            return str(box.identity.board), box.port_name
    except PortNotFound as error:
        if port is not None:
            raise
        raise PortNotFound(
            "",
            "No Pico in its boot loader and no box was found. For a new Pico: hold its button "
            "BOOTSEL while plugging it in (a drive RPI-RP2 appears), then run this again. For a "
            f"new Nano or Uno: tallymark flash --board nano --port PORT. {_ports()} Nothing was "
            "written.",
        ) from error
    except (NotABox, NoAnswer) as error:
        raise BadValue(
            f"The device at {port} does not answer as a box, so its board can't be told. For a "
            f"new Nano or Uno: tallymark flash --board nano --port {port}. For a new Pico: hold "
            "BOOTSEL while plugging it in, then omit --port. Nothing was written."
        ) from error


def _ports() -> str:
    """The serial ports there are, as a sentence."""
    ports = [info.device for info in list_ports.comports()]
    return f"Serial ports now: {', '.join(ports)}." if ports else "There is no serial port now."
