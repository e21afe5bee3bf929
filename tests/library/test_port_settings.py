"""How a serial port is opened: its lines, its baud rate, and for one program alone."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import serial

from tallymark.box.ports import discovery
from tallymark.box.ports.discovery import find_boxes, open_port, remember

ROOT = Path(__file__).resolve().parents[2]
needs_pty = pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")


@pytest.fixture
def line() -> Iterator[str]:
    """A pseudo-terminal that drops DTR when it is closed, as ports do by default."""
    import termios

    master, slave = os.openpty()
    attributes = termios.tcgetattr(slave)
    attributes[2] |= termios.HUPCL
    termios.tcsetattr(slave, termios.TCSANOW, attributes)
    yield os.ttyname(slave)
    os.close(master)
    os.close(slave)


@needs_pty
def test_what_a_port_is_set_to(line, monkeypatch):
    import termios

    opened = []
    before = serial.Serial.open

    def note(port: Any) -> None:
        opened.append((port.dtr, port.rts, port.baudrate, port.exclusive))
        before(port)

    latency = []
    monkeypatch.setattr(serial.Serial, "open", note)
    monkeypatch.setattr(
        serial.Serial, "set_low_latency_mode", lambda _port, on: latency.append(on), raising=False
    )
    port = open_port(line)
    try:
        # DTR and RTS are as they are to be before the port is open: no board sees another level.
        assert opened == [(True, False, 500_000, True)]
        assert (port.dtr, port.rts) == (True, False)
        assert not termios.tcgetattr(port.fd)[2] & termios.HUPCL
        assert latency == [True]
        assert (port.bytesize, port.parity, port.stopbits) == (8, "N", 1)
        assert (port.xonxoff, port.rtscts, port.dsrdtr) == (False, False, False)
    finally:
        port.close()
    with open_port(line, 115_200) as other:
        assert other.baudrate == 115_200


def test_the_baud_rate_is_that_of_the_firmware_and_of_the_protocol():
    firmware = (ROOT / "firmware/boards/nano/main.c").read_text()
    (baud,) = re.findall(r"#define FRAMED_BAUD (\d+)", firmware)
    assert int(baud) == discovery.BAUD
    assert f"{discovery.BAUD:,} baud" in (ROOT / "protocol/PROTOCOL.md").read_text()


# What is remembered -------------------------------------------------------------------------------


@pytest.fixture
def plugged_in(monkeypatch):
    """The ports of this computer, to be filled by the test."""
    found: list[SimpleNamespace] = []
    monkeypatch.setattr(discovery.list_ports, "comports", lambda: found)
    return found


def board(device: str, **values: Any) -> SimpleNamespace:
    """A board with a general USB-serial chip."""
    return SimpleNamespace(
        **{"device": device, "description": "serial port", "manufacturer": None, "product": None,
           "serial_number": None, "vid": 0x1234, "pid": 0x5678, "location": "1-1", **values}
    )


def test_a_port_without_usb_is_not_remembered(plugged_in):
    plugged_in += [board("/dev/ttyS0", vid=None), board("/dev/ttyS1", vid=None)]
    remember("/dev/ttyS0", "A1" * 8, "booth 1")
    assert find_boxes() == []


def test_a_chip_with_a_serial_number_is_known_by_it(plugged_in):
    plugged_in.append(board("/dev/ttyUSB0", serial_number="00000000000000C1"))
    remember("/dev/ttyUSB0", "A1" * 8, "booth 1")
    plugged_in[:] = [
        board("/dev/ttyUSB1", serial_number="00000000000000C2"),
        board("/dev/ttyUSB2", serial_number="00000000000000C1", location="7-7"),
    ]
    (found,) = find_boxes()
    assert (found.port, found.name, found.remembered) == ("/dev/ttyUSB2", "booth 1", True)
    assert found.serial == "A1" * 8  # the box's, not the chip's


@pytest.mark.parametrize("content", ['{"format": 1}', "[]", '{"format": 1, "ports": [3]}',
                                     '{"format": 1, "ports": {"1234:5678 socket 1-1": 3}}'])
def test_a_memory_that_can_t_be_read_is_passed_over(plugged_in, tmp_path, content, caplog):
    path = tmp_path / "tallymark" / "ports.json"
    path.parent.mkdir()
    path.write_text(content)
    plugged_in.append(board("/dev/ttyUSB0"))
    assert find_boxes() == []
    assert "can't be read" in caplog.text


def test_a_memory_of_a_later_version_is_left_alone(plugged_in, tmp_path):
    plugged_in.append(board("/dev/ttyUSB0"))
    remember("/dev/ttyUSB0", "A1" * 8, "booth 1")
    assert len(find_boxes()) == 1
    path = tmp_path / "tallymark" / "ports.json"
    path.write_text(json.dumps(json.loads(path.read_text()) | {"format": 2}))
    assert find_boxes() == []


@pytest.mark.parametrize("where", ["COM3", "com12", r"\\.\COM12", "/dev/ttyACM0", "socket://x:1"])
def test_names_of_ports(where: str) -> None:
    r"""`\\.\COM12` is how Windows' own functions have to call the ports beyond COM9."""
    assert discovery.is_port(where)


@pytest.mark.parametrize("where", ["COMET", "7669727475616C01", r"\\.\COM", "ferry"])
def test_names_of_boxes(where: str) -> None:
    assert not discovery.is_port(where)


@pytest.mark.parametrize("where", ["virtual", "virtual://?fault=open:1", "virtual:"])
def test_names_of_virtual_boxes(where: str) -> None:
    assert discovery.is_virtual(where)


@pytest.mark.parametrize("where", [None, "virtually", "COM3", "ferry virtual"])
def test_names_of_boxes_that_are_not_virtual(where: str | None) -> None:
    assert not discovery.is_virtual(where)
