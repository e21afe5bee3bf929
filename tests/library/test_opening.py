"""Finding and opening boxes: discovery, clear errors, served boxes, slow starters."""

from __future__ import annotations

import json
import os
import socket
import threading
from types import SimpleNamespace
from typing import Any

import pytest
import serial
from click.testing import CliRunner
from lossy_port import STEPPED, LossyPort, UsbBoard
from serial.tools.list_ports_common import ListPortInfo

import tallymark.box.ports.discovery
from tallymark import (
    BadValue,
    Box,
    NotABox,
    PortBusy,
    PortDenied,
    PortError,
    PortGone,
    PortNotFound,
    Settings,
    Unconfirmed,
    VersionError,
)
from tallymark.box.ports import usb_id, windows_usb
from tallymark.box.ports.transport import transport_for
from tallymark.box.wire.answer_values import ByteMarker
from tallymark.box.wire.frames import frame, unpack
from tallymark.box.wire.protocol_enumerations import Answer, Notice, Reason, Request
from tallymark.cli.entry_point import main
from tallymark.virtual import Server, VirtualBox

posix = pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")


def usb(device: str, **values: Any) -> SimpleNamespace:
    """A port as serial.tools.list_ports describes it."""
    return SimpleNamespace(
        **{
            "device": device, "description": "serial port", "manufacturer": None, "product": None,
            "serial_number": None, "vid": 0x1234, "pid": 0x5678, "location": "1-1", **values,
        }
    )


@pytest.fixture
def plugged_in(monkeypatch):
    """The ports of this computer, to be filled by the test."""
    ports: list[SimpleNamespace] = []
    monkeypatch.setattr(tallymark.box.ports.discovery.list_ports, "comports", lambda: ports)
    return ports


# Discovery ------------------------------------------------------------------------------------


def test_unknown_ports_are_left_alone(plugged_in):
    plugged_in += [usb("/dev/ttyUSB0"), usb("/dev/ttyS0", vid=None)]
    assert tallymark.box.ports.discovery.find_boxes() == []
    words = r"may belong to other devices: /dev/ttyUSB0, /dev/ttyS0"
    with pytest.raises(PortNotFound, match=words) as caught:
        Box.open()
    assert caught.value.port == ""


def test_a_descriptor_of_ours_is_found(plugged_in):
    plugged_in.append(
        usb("/dev/ttyACM3", manufacturer="Tallymark", serial_number="e660c0ffee00aa01")
    )
    (found,) = tallymark.box.ports.discovery.find_boxes()
    assert (found.port, found.serial, found.remembered) == (
        "/dev/ttyACM3", "E660C0FFEE00AA01", False
    )
    assert tallymark.box.ports.discovery.candidates(None) == ["/dev/ttyACM3"]


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (usb("/dev/ttyACM0", interface="Tallymark markers", location="1-4:1.0"),
         usb("/dev/ttyACM1", interface="Tallymark byte input", location="1-4:1.2")),
        (usb("COM5", location="1-4:x.0"), usb("COM6", location="1-4:x.2")),
        (usb("/dev/cu.usbmodem14201"), usb("/dev/cu.usbmodem14203")),
    ],
    ids=["Linux", "Windows", "macOS"],
)
def test_the_byte_input_of_a_box_is_no_box(plugged_in, first, second):
    for port in (first, second):
        port.manufacturer = "Tallymark"
    plugged_in += [second, first]
    (found,) = tallymark.box.ports.discovery.find_boxes()
    assert (found.port, found.byte_port) == (first.device, "")  # whose it is, isn't known
    other = SimpleNamespace(**{**vars(first), "device": "another", "location": "1-5:x.0"})
    first.serial_number = second.serial_number = "E660C0FFEE00AA01"
    other.serial_number = "E660C0FFEE00AA02"
    plugged_in.append(other)
    assert [(found.port, found.byte_port) for found in tallymark.box.ports.discovery.find_boxes()
            ] == [(first.device, second.device), ("another", "")]


def windows_port(device: str, number: int, **values: Any) -> Any:
    """As pyserial 3.5 fills it on Windows for a port of usbser.sys (list_ports_windows.py)."""
    info = ListPortInfo(device, skip_link_detection=True)
    info.description = f"USB Serial Device ({device})"
    info.manufacturer = "Microsoft"
    info.vid, info.pid = usb_id.VENDOR_ID, usb_id.PRODUCT_ID
    info.serial_number, info.location = "E660C0FFEE00AA01", f"1-4:x.{number}"
    for name, value in values.items():
        setattr(info, name, value)
    info.hwid = info.usb_info()
    return info


@pytest.mark.parametrize(
    "reported", [{}, {"COM5": "Tallymark markers", "COM6": "Tallymark byte input"}]
)
def test_windows_finds_a_pico(plugged_in, monkeypatch, reported):
    monkeypatch.setattr(windows_usb, "bus_reported_descriptions", lambda: reported)
    plugged_in += [windows_port("COM6", 2), windows_port("COM5", 0)]
    (found,) = tallymark.box.ports.discovery.find_boxes()
    assert (found.port, found.serial) == ("COM5", "E660C0FFEE00AA01")
    assert found.byte_port == "COM6"
    told = CliRunner().invoke(main, ["boxes"]).stdout.split("\n")
    assert told[0].split()[:3] == ["port", "byte", "port"]
    assert told[1].split()[:2] == ["COM5", "COM6"]


def test_another_device_with_the_same_ids_is_left_alone(plugged_in, monkeypatch):
    monkeypatch.setattr(
        windows_usb, "bus_reported_descriptions", lambda: {"COM7": "Lamp controller"}
    )
    plugged_in += [windows_port("COM7", 0), windows_port("COM8", 0, serial_number="A1B2")]
    assert tallymark.box.ports.discovery.find_boxes() == []


@pytest.mark.parametrize(("vid", "pid"), [(1, 0), (0, 1)])
def test_a_device_with_half_of_the_ids_is_left_alone(plugged_in, vid, pid):
    port = windows_port("COM5", 0)
    plugged_in.append(port)
    port.vid, port.pid = port.vid + vid, port.pid + pid
    assert tallymark.box.ports.discovery.find_boxes() == []


def test_a_maker_who_changes_the_ids_changes_what_is_found(plugged_in, monkeypatch):
    plugged_in.append(windows_port("COM5", 0, vid=0x2E8A, pid=0x1234))
    assert tallymark.box.ports.discovery.find_boxes() == []
    monkeypatch.setattr(usb_id, "VENDOR_ID", 0x2E8A)
    monkeypatch.setattr(usb_id, "PRODUCT_ID", 0x1234)
    assert [found.port for found in tallymark.box.ports.discovery.find_boxes()] == ["COM5"]


def test_two_boxes_have_to_be_told_apart(plugged_in):
    plugged_in += [
        usb("/dev/ttyACM0", product="Tallymark box", serial_number="00000000000000A1"),
        usb("/dev/ttyACM1", product="Tallymark box", serial_number="00000000000000A2"),
    ]
    with pytest.raises(PortNotFound, match=r"Several boxes.*00000000000000A2"):
        Box.open()
    found = tallymark.box.ports.discovery.candidates("00000000000000a2")
    assert found == ["/dev/ttyACM1", "/dev/ttyACM0"]


@posix
def test_a_named_port_is_remembered_when_it_was_a_box(plugged_in, tmp_path):
    with Server(VirtualBox()) as server:
        plugged_in.append(usb(server.where, serial_number="A50285BI"))
        assert tallymark.box.ports.discovery.find_boxes() == []
        Box.open(server.where).close()
        (found,) = tallymark.box.ports.discovery.find_boxes()
        assert (found.port, found.remembered) == (server.where, True)
        assert found.serial == "7669727475616C01"
        Box.open().close()
        Box.open("7669727475616c01").close()
        with Box.open(server.where) as box:
            box.settings.install(Settings(name="Ferry booth 2"))
        Box.open("Ferry booth 2").close()
        assert tallymark.box.ports.discovery.find_boxes()[0].name == "Ferry booth 2"
        with pytest.raises(PortNotFound, match=r"booth 9.*7669727475616C01"):
            Box.open("booth 9")
        Box.open(server.where).close()  # the box that was not meant is free for others
    memory = json.loads((tmp_path / "tallymark" / "ports.json").read_text())
    assert list(memory["ports"]) == ["1234:5678 serial A50285BI"]
    plugged_in[0].serial_number = "A50285BJ"
    assert tallymark.box.ports.discovery.find_boxes() == []


def test_what_is_remembered_by_its_socket_alone_is_opened_by_its_port_alone(plugged_in):
    """Another device with such a chip may be in that socket now."""
    with Server(VirtualBox(), tcp=False) as server:
        plugged_in.append(usb(server.where, vid=0x1A86, pid=0x7523))
        with Box.open(server.where) as box:
            serial_number = box.identity.serial
        (found,) = tallymark.box.ports.discovery.find_boxes()
        assert (found.remembered, found.certain) == (True, False)
        for where in (None, serial_number):
            with pytest.raises(PortNotFound, match=f"give its port: --box {server.where}"):
                Box.open(where)
        other = usb("/dev/ttyACM1", product="Tallymark box", serial_number="00000000000000A2")
        plugged_in.append(other)  # either may be meant
        with pytest.raises(PortNotFound, match=rf"Several boxes.*{serial_number}"):
            Box.open()
        plugged_in.remove(other)
        with Box.open(server.where) as box:
            assert box.identity.serial == serial_number
        plugged_in[0].serial_number = "A50285BI"  # a chip with one
        with Box.open(server.where):
            pass
        with Box.open(serial_number) as box:
            assert box.identity.serial == serial_number


def test_a_device_is_told_by_its_serial_number_or_its_socket(plugged_in):
    device_at = tallymark.box.ports.discovery.device_at
    plugged_in += [usb("/dev/ttyUSB0"), usb("/dev/ttyUSB1", serial_number="7")]
    plugged_in.append(usb("/dev/ttyS0", vid=None))
    assert device_at("/dev/ttyUSB0") == "1234:5678 socket 1-1"
    assert device_at("/dev/ttyUSB1") == "1234:5678 serial 7"
    assert device_at("/dev/ttyS0") is None
    assert device_at("/dev/ttyUSB9") is None


def test_a_broken_memory_is_said_and_passed_over(plugged_in, tmp_path, caplog):
    (tmp_path / "tallymark").mkdir()
    (tmp_path / "tallymark" / "ports.json").write_text("{")
    assert tallymark.box.ports.discovery.find_boxes() == []
    plugged_in.append(usb("/dev/ttyUSB0"))
    assert tallymark.box.ports.discovery.find_boxes() == []
    assert "can't be read" in caplog.text


# Clear errors ---------------------------------------------------------------------------------


def test_a_port_that_is_not_there():
    with pytest.raises(PortNotFound, match=r"no port /dev/ttyNONE.*plugged in") as caught:
        Box.open("/dev/ttyNONE")
    assert caught.value.port == "/dev/ttyNONE"


def test_things_that_are_no_serial_port(tmp_path):
    (tmp_path / "file").touch()
    with pytest.raises(PortError, match="is not a serial port"):
        Box.open(str(tmp_path / "file"))
    with pytest.raises(PortNotFound, match="no box is available"):
        Box.open("socket://127.0.0.1:1")


def test_a_url_that_means_nothing():
    with pytest.raises(PortError, match="teleport"):
        Box.open("teleport://box")
    for wrong in ("virtual://?time=fast", "virtual://?speed=2", "virtual://?serial=12",
                  "virtual://?fault=loose:3", "virtual://host"):
        with pytest.raises(BadValue):
            Box.open(wrong)


def test_a_port_that_nobody_may_open(monkeypatch, tmp_path):
    path = tmp_path / "ttyACM0"
    path.touch()

    def refuse(*_args: object, **_names: object) -> None:
        raise serial.SerialException(13, "Permission denied")

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    with pytest.raises(PortDenied, match=r"sudo usermod -aG \w+ \$USER"):
        Box.open(str(path))


@posix
def test_the_second_program_gets_a_clear_refusal():
    with Server(VirtualBox()) as server, Box.open(server.where) as first:
        with pytest.raises(PortBusy, match=r"in use by.*Only one program"):
            Box.open(server.where)
        first.pulse(1).wait()


@posix
def test_the_list_of_boxes_opens_no_port(plugged_in):
    """A box that another program uses is listed, and that program notices nothing."""
    with Server(VirtualBox()) as server, Box.open(server.where) as first:
        before = first.counters()
        plugged_in.append(usb(server.where, manufacturer="Tallymark", serial_number="AB12"))
        (found,) = tallymark.box.ports.discovery.find_boxes()
        assert found.port == server.where
        after = first.counters()
        assert (after.frames, after.frames_broken) == (before.frames + 1, before.frames_broken)
        first.pulse(1).wait()


def test_a_program_on_tcp_comes_right_after_another():
    with Server(VirtualBox(), tcp=True) as server:
        for code in range(1, 20):
            with Box.open(server.where) as box:
                box.pulse(code).wait()


def test_the_second_program_on_tcp_too():
    with Server(VirtualBox(), tcp=True) as server:
        with Box.open(server.where) as first:
            with pytest.raises(PortBusy, match="Another program"):
                Box.open(server.where)
            first.pulse(1).wait()
        with Box.open(server.where) as again:
            again.pulse(2).wait()


@posix
def test_a_port_with_something_else_behind_it(monkeypatch):
    monkeypatch.setattr("tallymark.box.box.START_SECONDS", 0.6)
    master, slave = os.openpty()
    said = []
    try:
        with pytest.raises(NotABox, match="no bytes were received"):
            Box.open(os.ttyname(slave), progress=said.append)
        assert len(os.read(master, 4096)) <= 3 * 8 + 1
        threading.Timer(0.2, os.write, (master, b"login: \0")).start()
        with pytest.raises(NotABox, match="unknown messages"):
            Box.open(os.ttyname(slave))
    finally:
        os.close(master)
        os.close(slave)
    assert "Waiting for the box" in said[0]


@posix
def test_a_port_that_gives_back_what_it_gets(monkeypatch):
    monkeypatch.setattr("tallymark.box.box.START_SECONDS", 0.6)
    master, slave = os.openpty()
    echo = threading.Thread(target=lambda: [os.write(master, os.read(master, 99)) for _ in "12"])
    echo.start()
    try:
        with pytest.raises(NotABox):
            Box.open(os.ttyname(slave))
        echo.join()
    finally:
        os.close(master)
        os.close(slave)


class OtherVersion(LossyPort):
    """A box of a version to come."""

    def __init__(self, answer: bytes, kind: int) -> None:
        super().__init__()
        self.answer, self.kind = answer, kind

    def write(self, data: bytes) -> int:
        asked = unpack(data[:-1])
        if asked is not None:
            with self.inner._changed:
                self.inner._unread += frame(self.kind, asked[1], self.answer)
                self.inner._changed.notify_all()
        return len(data)


@pytest.mark.parametrize(
    ("kind", "answer"),
    [(Answer.REFUSED, bytes((Request.IDENTIFY, Reason.VERSION, 3, 0, 0, 0))),
     (Answer.IDENTITY, b"\3\0" + bytes(50)), (Answer.IDENTITY, b"\3\0")],
)
def test_another_major_version(kind, answer):
    port = OtherVersion(answer, kind)
    with pytest.raises(VersionError, match=r"version 3.*Update the tallymark package") as caught:
        Box(port)
    assert caught.value.box_major == 3
    assert not port.inner.is_open


def test_a_box_of_version_1_is_refused_too():
    """It refuses the host's version, and says its own."""
    port = OtherVersion(bytes((Request.IDENTIFY, Reason.VERSION, 1, 0, 0, 0)), Answer.REFUSED)
    with pytest.raises(VersionError, match=r"version 1, .* 2\. .*Update the box's firmware"):
        Box(port)


# A board that opening resets ------------------------------------------------------------------


def test_a_box_that_starts_late_loses_no_marker():
    lossy = LossyPort()
    born = lossy.inner.pacing.now()
    lossy.lose_request = lambda frame: lossy.inner.pacing.now() - born < 1.9  # its boot loader
    said = []
    heard = []
    box = Box(lossy, progress=said.append)
    box.listen(heard.append)
    with box:
        assert box.pulse(5).wait().number == 1
    assert said[0].startswith("Waiting for the box at")
    assert heard == []


def test_a_board_whose_port_goes_away_while_it_restarts(monkeypatch):
    ports: list[LossyPort | PortError] = [
        PortNotFound("", "not there yet"), PortBusy("", "not ready yet"), LossyPort()
    ]

    def reopen(_name: str) -> LossyPort:
        port = ports.pop(0)
        if isinstance(port, PortError):
            raise port
        return port

    monkeypatch.setattr(tallymark.box.ports.discovery, "open_port", reopen)
    board = UsbBoard()
    board.lose_answer = lambda frame: frame[0] == Notice.STARTED
    said = []
    with Box(board, progress=said.append) as box:
        box.pulse(1).wait()
        box.restart()
        assert box.pulse(2).wait().number == 2
        assert box.port is not board
    assert said == ["Waiting for the box to come back after its restart."] * 2


@posix
def test_a_port_that_takes_no_bytes_any_more(monkeypatch):
    monkeypatch.setattr("tallymark.box.ports.transport._STALL_SECONDS", 0.1)
    master, slave = os.openpty()
    transport = transport_for(tallymark.box.ports.discovery.open_port(os.ttyname(slave)))
    try:
        with pytest.raises(PortGone, match="accepted no bytes"):
            transport.write(bytes(100_000))
    finally:
        transport.close()
        os.close(master)
        os.close(slave)


# Served boxes ---------------------------------------------------------------------------------


@posix
def test_a_served_box_does_everything():
    device = VirtualBox()
    with Server(device) as server, Box.open(server.where) as box:
        markers = [box.pulse(1 + number % 255, 10) for number in range(2000)]
        assert box.wait() == []
        times = [marker.box_time_us for marker in markers]
        assert times == sorted(times)
        with box.capture() as capture:
            box.pulse(9, 2000).wait()
            box.pacing.sleep(0.01)
        (_, up, down) = capture.fetch()
        assert (up.levels, down.levels, down.time_us - up.time_us) == (9, 0, 2000)
        sequence = box.sequence([(1, 1000), (2, 1000)], 10)
        sequence.start()
        assert sequence.wait(5).played == 20
        box.sync_clock()
        time = box.to_host_time(markers[-1].box_time_us)
        assert abs(time.seconds - markers[-1].sent_s) < 1
        assert box.counters().frames_broken == 0


@posix
def test_an_unplugged_served_box():
    server = Server(VirtualBox()).start()
    box = Box.open(server.where)
    box.pulse(1).wait()
    server.stop()
    with pytest.raises((PortGone, Unconfirmed)):
        box.pulse(2).wait()
    with pytest.raises(PortGone, match="plug"):
        box.levels()
    box.close()


@posix
def test_a_byte_input_of_its_own():
    heard = []
    came = threading.Event()

    def hear(notice: object) -> None:
        heard.append(notice)
        came.set()

    with Server(VirtualBox(), byte_input=True) as server, Box.open(server.where) as box:
        box.listen(hear)
        with serial.Serial(server.byte_where, 115_200) as other_program:
            other_program.write(b"\x2a")
            assert came.wait(5)
    assert isinstance(heard[0], ByteMarker)
    assert (heard[0].byte, heard[0].reason) == (0x2A, None)


@posix
def test_a_client_that_does_not_read_harms_nobody():
    device = VirtualBox()
    with Server(device) as server:
        with serial.Serial(server.where) as rude:
            for _ in range(3000):
                rude.write(frame(Request.LEVELS, 1, b""))
        with Box.open(server.where) as box:
            box.pulse(1).wait()
            assert box.counters().frames > 100


def test_tcp_is_on_the_loopback_only():
    with Server(VirtualBox(), tcp=True) as server:
        host, port = server.where.removeprefix("socket://").split(":")
        assert host == "127.0.0.1"
        with socket.create_connection((host, int(port)), 1):
            pass


def test_pyserial_knows_the_url():
    port = serial.serial_for_url(STEPPED, timeout=0)
    port.write(frame(Request.CLOCK, 7, b""))
    assert port.in_waiting > 0
    port.pacing.sleep(1.5)
    assert port.device.time_us == 1_500_000
    assert len(port.read(1000)) > 0
    port.close()
    port.close()


def test_real_time_boxes_keep_real_time():
    with Box.open("virtual") as box:
        first = box.pulse(1).wait()
        box.pacing.sleep(0.05)
        second = box.pulse(2).wait()
        assert 50_000 <= second.box_time_us - first.box_time_us < 1_000_000
        with box.capture(send=True) as capture:
            box.pulse(3, 20_000).wait()
            box.pacing.sleep(0.06)
        assert [edge.levels for edge in capture.fetch()][-2:] == [3, 0]
