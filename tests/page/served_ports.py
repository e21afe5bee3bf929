"""Served boxes behind pseudo-terminals, and the system's list of ports, which is a file of the
test, as nothing is plugged in here."""

from __future__ import annotations

import json
import sys
from pathlib import Path

from tallymark.virtual import Server, VirtualBox

_LIST = """
import json, sys
from types import SimpleNamespace
from serial.tools import list_ports
list_ports.comports = lambda: [SimpleNamespace(**each) for each in json.load(open({path!r}))]
from tallymark.cli import main
main()
"""
SPARE = "7669727475616C05"


class Ports:
    """The system's list of ports, as `serial.tools.list_ports` tells it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._file = folder / "ports.json"
        self.program = [sys.executable, "-c", _LIST.format(path=str(self._file))]
        self.plug()

    def plug(self, *ports: dict[str, object]) -> None:
        """What is plugged in from now on."""
        new = self._file.with_suffix(".new")
        new.write_text(json.dumps(ports))
        new.replace(self._file)


def usb(server: Server, **other: object) -> dict[str, object]:
    """How the system tells of a served box, as if it were one at a USB port."""
    return {
        "device": server.where, "description": "serial port", "manufacturer": "Tallymark",
        "product": "Tallymark marker box", "serial_number": SPARE, "vid": 0x1234, "pid": 0x5678,
        "location": "1-1", "interface": None, **other,
    }


def box(serial: str = SPARE) -> Server:
    """A served box with that serial number."""
    return Server(VirtualBox(bytes.fromhex(serial)))
