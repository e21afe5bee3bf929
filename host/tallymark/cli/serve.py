"""`tallymark serve`: a virtual box for other programs."""

from __future__ import annotations

import os
import time
from pathlib import Path

import click

from tallymark.cli.common import json_option, note, out, print_json
from tallymark.cli.helps import WithFaults
from tallymark.errors import BadValue, TallymarkError
from tallymark.virtual import DEFAULT_SERIAL, Server, VirtualBox
from tallymark.virtual.device import STORE_SIZE
from tallymark.wiring import Wiring


@click.command(cls=WithFaults)
@click.option("--tcp", is_flag=True, default=os.name != "posix",
              help="On a loopback TCP port instead of a pseudo-terminal.")
@click.option("--tcp-port", type=click.IntRange(0, 65535), default=0,
              help="Which TCP port; without it the system chooses one.")
@click.option("--fault", "faults", multiple=True, metavar="FAULT",
              help="A fault in its wiring, for instance open:3, swapped:1,4 or slow:5,200,300. "
              "May be given several times.")
@click.option("--store", type=click.Path(path_type=Path, dir_okay=False),
              help="A file that keeps its settings from run to run.")
@click.option("--serial", default=DEFAULT_SERIAL.hex(), metavar="16 HEX DIGITS",
              help="Its serial number.")
@click.option("--byte-input", is_flag=True, help="Offer its byte input too.")
@json_option
def serve(
    tcp: bool,
    tcp_port: int,
    faults: tuple[str, ...],
    store: Path | None,
    serial: str,
    byte_input: bool,
    as_json: bool,
) -> None:
    """Offer a virtual box to other programs.

    Ends with Ctrl-C (exit code 0). It runs the real firmware core in real time; its readback
    sees its lines through a wiring in which faults can be set, to try out the self-test.
    """
    device = VirtualBox(_serial(serial), Wiring(faults), _stored(store))
    try:
        server = Server(device, tcp=tcp or tcp_port > 0, tcp_port=tcp_port, byte_input=byte_input)
    except OSError as error:
        raise BadValue(f"TCP port {tcp_port} can't be used ({error.strerror}). Choose another, or "
                       "leave --tcp-port away.") from error
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
    finally:
        if store is not None:
            _keep(store, device.store)


def _serial(text: str) -> bytes:
    try:
        serial = bytes.fromhex(text)
    except ValueError:
        serial = b""
    if len(serial) != 8:
        raise BadValue(f"A serial number has 16 hexadecimal digits, unlike '{text}'.")
    return serial


def _stored(path: Path | None) -> bytes | None:
    if path is None or not path.exists():
        return None
    try:
        content = path.read_bytes()
    except OSError as error:
        raise BadValue(f"{path} can't be read ({error.strerror}).") from error
    if len(content) != STORE_SIZE:
        raise BadValue(f"{path} is not a store of a virtual box: it has {len(content)} bytes "
                       f"instead of {STORE_SIZE}.")
    return content


def _keep(path: Path, content: bytes) -> None:
    try:
        path.write_bytes(content)
    except OSError as error:
        raise TallymarkError(
            f"The settings could not be stored in {path} ({error.strerror}); they are lost."
        ) from error
