"""`tallymark bridge` in Wine: bytes by TCP and by a serial port become markers of a box on COM."""

from __future__ import annotations

import json
import os
import pty
import socket
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
from wine import Wine, wait_for

from tallymark.virtual import Server, VirtualBox

SENT = bytes(range(1, 31))


@pytest.fixture
def box() -> Iterator[tuple[VirtualBox, Server]]:
    device = VirtualBox()
    with Server(device, tcp=False) as server:
        yield device, server


@pytest.mark.parametrize("way", ["tcp", "serial"])
def test_bytes_become_markers(
    wine: Wine, box: tuple[VirtualBox, Server], tmp_path: Path, way: str
) -> None:
    device, server = box
    log = tmp_path / "bridge.jsonl"
    if way == "serial":
        program_end, bridge_end = pty.openpty()
        tty.setraw(bridge_end)
        where = ["--serial", wine.port(12, os.ttyname(bridge_end))]
    else:
        where = ["--tcp", 0]
    bridge = wine.popen(
        wine.folder / "python/Scripts/tallymark.exe", "bridge", wine.path(log),
        "--box", wine.port(11, server.where), "--json", *where,
    )
    assert bridge.stdout is not None
    try:
        started = bridge.stdout.readline()
        assert started, bridge.stderr.read() if bridge.stderr else ""
        port = json.loads(started)["port"]
        drained = threading.Thread(target=bridge.stdout.read, daemon=True)
        drained.start()
        if way == "tcp":
            address = port.rpartition("/")[2].rpartition(":")
            with socket.create_connection((address[0] or "127.0.0.1", int(address[2]))) as program:
                for byte in SENT:
                    program.send(bytes([byte]))
                    time.sleep(0.02)
        else:
            for byte in SENT:
                os.write(program_end, bytes([byte]))
                time.sleep(0.02)
        got: list[int] = []

        def all_there() -> bool:
            got.extend(edge.levels for edge in device.edges() if edge.levels)
            return len(got) >= len(SENT)

        wait_for(all_there, f"only {got} came")
    finally:
        bridge.kill()
    assert got == list(SENT)
    found = [json.loads(line) for line in log.read_text("utf-8").splitlines()]
    assert [record["code"] for record in found if "sent" in record] == list(SENT)
