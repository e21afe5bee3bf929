"""`tallymark serve`: a virtual box for other programs."""

from __future__ import annotations

import os
import time
from functools import partial
from pathlib import Path

import click

from tallymark.cli.common import err, json_option, note, out, print_json
from tallymark.cli.shared_help_texts import WithFaults
from tallymark.common.errors import BadValue, TallymarkError
from tallymark.common.lines.readback_wiring_model import Wiring
from tallymark.virtual import Server, VirtualBox
from tallymark.virtual.serial_number_and_store import (
    own_serial,
    read_store,
    serial_number,
    write_store,
)


@click.command(cls=WithFaults)
@click.option("--tcp", is_flag=True, default=os.name != "posix",
              help="Use a loopback TCP port instead of a pseudo-terminal.")
@click.option("--tcp-port", type=click.IntRange(0, 65535), default=0,
              help="TCP port; default: chosen by the system.")
@click.option("--fault", "faults", multiple=True, metavar="FAULT",
              help="A fault in its wiring, for instance open:3, swapped:1,4 or slow:5,200us,300us. "
                   "May be repeated.")
@click.option("--store", type=click.Path(path_type=Path, dir_okay=False),
              help="File that keeps its settings between runs.")
@click.option("--serial", metavar="16 HEX DIGITS",
              help="Its serial number. Default: one of its own, which stays with its --store.")
@click.option("--byte-input", is_flag=True, help="Also provide its byte input.")
@json_option
def serve(
    tcp: bool,
    tcp_port: int,
    faults: tuple[str, ...],
    store: Path | None,
    serial: str | None,
    byte_input: bool,
    as_json: bool,
) -> None:
    """Provide a virtual box for other programs.

    Ends with Ctrl-C (exit code 0). It runs the real firmware core in real time; its readback
    sees its lines through a wiring in which faults can be set, to try out the self-test.
    """
    number = own_serial(store) if serial is None else serial_number(serial)
    device = VirtualBox(number, Wiring(faults), read_store(store))
    if store is not None:
        device.on_store = partial(_keep, store)
    try:
        server = Server(device, tcp=tcp or tcp_port > 0, tcp_port=tcp_port, byte_input=byte_input)
    except OSError as error:
        raise BadValue(f"TCP port {tcp_port} can't be used ({error.strerror}). Choose another, or "
                       "omit --tcp-port.") from error
    if as_json:
        print_json({"where": server.where, "byte_where": server.byte_where})
    else:
        screen = out()
        screen.print(f"The virtual box is at {server.where}", soft_wrap=True)
        if server.byte_where:
            screen.print(f"Its byte input is at  {server.byte_where}", soft_wrap=True)
        note(f"Try: tallymark show --box {server.where}\nCtrl-C ends it.")
    try:
        with server:
            while True:
                time.sleep(3600)
    except KeyboardInterrupt:
        pass


def _keep(store: Path, content: bytes) -> None:
    try:
        write_store(store, content)
    except TallymarkError as error:
        err().print(str(error), style="bold red")
