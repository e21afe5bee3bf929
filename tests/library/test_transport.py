"""Bytes to and from a port: written once each, read to the last, and told when the port is gone."""

from __future__ import annotations

import os
import random
import socket
import threading
from collections import deque
from collections.abc import Iterator

import pytest
import serial

from tallymark import Box, PortGone
from tallymark.box.ports.transport import (
    READ_SECONDS,
    DescriptorTransport,
    SocketTransport,
    Transport,
    transport_for,
)
from tallymark.virtual import Server, VirtualBox

Ends = tuple[Transport, socket.socket]


@pytest.fixture
def ends() -> Iterator[Ends]:
    """A transport on a socket, and the other end."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = serial.serial_for_url(f"socket://127.0.0.1:{server.getsockname()[1]}")
        other, _ = server.accept()
    transport = transport_for(port)
    assert isinstance(transport, DescriptorTransport) == (os.name == "posix")
    with other:
        yield transport, other
        transport.close()


def test_a_write_that_the_port_takes_in_parts_is_sent_once(ends, monkeypatch):
    """Much more than the system keeps for a slow reader: the port takes many parts of it."""
    monkeypatch.setattr("tallymark.box.ports.transport._STALL_SECONDS", 60)
    transport, other = ends
    data = random.Random(1).randbytes(8_000_000)
    got = bytearray()

    def read() -> None:
        while len(got) < len(data) and (piece := other.recv(10_000)):
            got.extend(piece)

    reader = threading.Thread(target=read)
    reader.start()
    transport.write(data)
    reader.join(60)
    assert bytes(got) == data
    other.setblocking(False)
    with pytest.raises(BlockingIOError):
        other.recv(1)  # nothing came twice


def test_bytes_are_read_in_whatever_pieces_they_come(ends):
    transport, other = ends
    for piece in (b"\1", b"\2\3\4", bytes(3000)):
        other.sendall(piece)
        got = b""
        while len(got) < len(piece):
            got += transport.read()
        assert got == piece
    assert transport.read() == b""


def test_the_other_end_hangs_up(ends):
    transport, other = ends
    other.sendall(b"last")
    other.close()
    assert transport.read() == b"last"
    with pytest.raises(PortGone, match="the other end closed"):
        transport.read()
    with pytest.raises(PortGone, match="Check the plug"):
        deque(transport.write(b"anybody there?") for _ in range(1000))


@pytest.mark.skipif(not os.path.isdir("/dev/fd"), reason="needs a list of open descriptors")
def test_nothing_is_left_open():
    before = os.listdir("/dev/fd")
    for _ in range(3):
        master, slave = os.openpty()
        transport = transport_for(serial.Serial(os.ttyname(slave)))
        assert isinstance(transport, DescriptorTransport)
        transport.close()
        os.close(master)
        os.close(slave)
    assert len(os.listdir("/dev/fd")) == len(before)


class OddPort:
    """A port that is no descriptor, and that fails as it is told."""

    timeout: float | None = None
    write_timeout: float | None = None

    def __init__(self) -> None:
        self.unread = bytearray()
        self.takes = 1000
        self.read_error: Exception | None = None
        self.write_error: Exception | None = None

    @property
    def in_waiting(self) -> int:
        if self.read_error:
            raise self.read_error
        return len(self.unread)

    def read(self, size: int = 1) -> bytes:
        if self.read_error and not self.unread:
            raise self.read_error
        data = bytes(self.unread[:size])
        del self.unread[:size]
        return data

    def write(self, data: bytes) -> int:
        if self.write_error:
            raise self.write_error
        return min(len(data), self.takes)


ERRORS = [serial.SerialException("gone"), OSError(5, "Input/output error"), TypeError("closed")]


def test_neither_reading_nor_writing_waits_without_end():
    port = OddPort()
    Transport(port, "odd")
    assert port.timeout == READ_SECONDS
    assert 0 < port.write_timeout <= 1


def test_all_that_is_there_is_read():
    port = OddPort()
    port.unread += b"\1\2\3"
    assert Transport(port, "odd").read() == b"\1\2\3"
    assert Transport(port, "odd").read() == b""


@pytest.mark.parametrize("error", ERRORS)
def test_bytes_that_came_before_a_port_failed_are_not_lost(error):
    port = OddPort()
    port.unread += b"\1"
    port.read_error = error
    transport = Transport(port, "odd")
    assert transport.read() == b"\1"
    with pytest.raises(PortGone, match="at odd was lost"):
        transport.read()


@pytest.mark.parametrize("error", ERRORS[:2])
def test_a_port_that_fails_when_it_is_written(error):
    port = OddPort()
    port.write_error = error
    with pytest.raises(PortGone, match="at odd was lost"):
        Transport(port, "odd").write(b"\1\2\3")


def test_a_port_that_took_a_part_of_a_request_is_broken():
    """Half a request may be out; sending it again could make two markers of one."""
    port = OddPort()
    port.takes = 2
    with pytest.raises(PortGone, match="only a part"):
        Transport(port, "odd").write(b"\1\2\3")
    port.takes = 3
    Transport(port, "odd").write(b"\1\2\3")


def test_whoever_closes_does_not_wait_for_a_byte():
    port = serial.serial_for_url("virtual://?time=stepped")
    transport = Transport(port, "virtual")
    port.reset_input_buffer()
    port.timeout = None
    reader = threading.Thread(target=transport.read, daemon=True)
    reader.start()
    transport.wake()
    reader.join(10)
    assert not reader.is_alive()
    transport.close()


class _Counted:
    """A socket that counts how often it is read."""

    def __init__(self, of: socket.socket) -> None:
        self.of = of
        self.reads = 0

    def fileno(self) -> int:
        return self.of.fileno()

    def recv(self, most: int) -> bytes:
        self.reads += 1
        return self.of.recv(most)


@pytest.fixture
def without_descriptors() -> Iterator[tuple[SocketTransport, socket.socket]]:
    """A TCP connection as it is read on Windows, and the other end."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = serial.serial_for_url(f"socket://127.0.0.1:{server.getsockname()[1]}")
        other, _ = server.accept()
    transport = transport_for(port, posix=False)
    assert isinstance(transport, SocketTransport)
    with other:
        yield transport, other
        transport.close()


def test_a_socket_without_descriptor_is_not_read_byte_by_byte(without_descriptors):
    transport, other = without_descriptors
    transport._socket = counted = _Counted(transport._socket)
    data = random.Random(2).randbytes(3000)
    other.sendall(data)
    got = b""
    while len(got) < len(data):
        got += transport.read()
    assert got == data
    assert counted.reads <= 10
    assert transport.read() == b""


def test_a_socket_without_descriptor_that_hangs_up(without_descriptors):
    transport, other = without_descriptors
    other.sendall(b"last")
    other.close()
    assert transport.read() == b"last"
    with pytest.raises(PortGone, match="the other end closed"):
        transport.read()


def test_a_box_over_tcp_without_descriptors(monkeypatch):
    """Markers through it, as on Windows."""
    monkeypatch.setattr("tallymark.box.box.transport_for", lambda port: transport_for(port, False))
    with Server(VirtualBox(), tcp=True) as server, Box.open(server.where) as box:
        assert isinstance(box.link._transport, SocketTransport)
        for code in range(1, 200):
            box.pulse(code, 100)
        assert box.wait() == []
