"""A program that comes and goes a thousand times, stalls, floods and breaks off: nothing leaks, and
no byte is lost or sent twice without a word."""

from __future__ import annotations

import os
import random
import socket
import struct
import time
from pathlib import Path

import pytest
from bridge_rig import Running, Start, WatchedBox, wait_for

from tallymark.cli import exit_codes

TIMES = 1_000
WARM_UP = 200
MEMORY_KIB = 6_144
"""The heap grows by some 3 MiB in the first thousand visits, and hardly in the next three thousand.
"""
PORTS = pytest.mark.parametrize("args", [(), ("--tcp", 0)], ids=["terminal", "tcp"])


class Use:
    """What a process holds: descriptors, threads, and KiB of memory."""

    def __init__(self, running: Running) -> None:
        process = Path(f"/proc/{running.process.pid}")
        status = dict(
            line.split(":", 1) for line in (process / "status").read_text().splitlines()
        )
        self.descriptors = len(list((process / "fd").iterdir()))
        self.threads = int(status["Threads"])
        self.memory_kib = int(status["VmRSS"].split()[0])


def visit(running: Running, codes: bytes, chance: random.Random) -> None:
    """One program's life: it writes in one piece or in two with a stall, and closes, or breaks off
    so that the connection is reset."""
    at = chance.choice((0, len(codes) // 2))
    if ":" in running.port:
        host, port = running.port.split(":")
        with socket.create_connection((host, int(port))) as client:
            client.sendall(codes[:at])
            if at:
                time.sleep(chance.uniform(0, 0.003))
            client.sendall(codes[at:])
            if chance.random() < 0.3:
                taken = time.monotonic() + 30
                while unread(client) and time.monotonic() < taken:
                    time.sleep(0.0005)  # a reset takes back what the other system has not got yet
                client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        return
    terminal = os.open(running.port, os.O_RDWR | os.O_NOCTTY)
    for piece in (codes[:at], codes[at:]):
        while piece:
            piece = piece[os.write(terminal, piece) :]
        if at:
            time.sleep(chance.uniform(0, 0.003))
    os.close(terminal)


def unread(client: socket.socket) -> int:
    """Bytes that the other side's system has not acknowledged (SIOCOUTQ)."""
    import fcntl
    import termios

    return int(struct.unpack("i", fcntl.ioctl(client, termios.TIOCOUTQ, b"\0" * 4))[0])


@PORTS
def test_a_thousand_times(box: WatchedBox, start: Start, args: tuple[object, ...]) -> None:
    running = start(*args)
    chance = random.Random(len(args))
    sent = bytearray()
    for number in range(TIMES):
        count = 2_000 if number % 100 == 99 else chance.randrange(1, 20)
        codes = bytes(1 + (len(sent) + n) % 255 for n in range(count))
        visit(running, codes, chance)
        sent += codes
        if number == WARM_UP:
            before = Use(running)
    wait_for(lambda: running.log.read_bytes().count(b'{"done":') == len(sent), "the last byte")
    time.sleep(0.3)
    after = Use(running)
    assert after.descriptors <= before.descriptors
    assert after.threads <= before.threads
    assert after.memory_kib - before.memory_kib < MEMORY_KIB
    assert running.end() == exit_codes.NOT_GOOD  # bytes at full speed cut each other's pulses
    markers = [marker for marker in running.logged().markers if not marker.name]
    assert bytes(marker.code for marker in markers) == sent
    assert all(marker.fate == "done" for marker in markers)
    box.stop()
    assert [level for level in box.levels if level] == list(sent)
    notes = running.notes
    assert "rejected" not in notes
    assert "Two programs" not in notes
    assert notes.count("A program has") < 20  # not each of a thousand comings is told
