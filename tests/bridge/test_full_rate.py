"""Bytes at full speed: each one is a marker, or refused with its reason. Sent bytes, log, the box's
counters and the box's edges agree."""

from __future__ import annotations

import os
import random
import socket
from itertools import pairwise
from pathlib import Path

import pytest
from bridge_rig import Running, Start, WatchedBox, wait_for

from tallymark import Box
from tallymark.cli import exit_codes
from tallymark.markerlog import LoggedMarker

MILLION = 1_000_000
HOURS_S = 3600.0


def flood(count: int) -> bytes:
    """All codes, 0 among them, such that each marker moves a line even if it cuts the one before.
    """
    chance = random.Random(count)
    codes = bytearray()
    last = 0
    while len(codes) < count:
        code = chance.randrange(256)
        if code != last:
            codes.append(code)
            last = code or last
    return bytes(codes)


def write(running: Running, codes: bytes) -> None:
    """Writes as fast as the port accepts bytes."""
    if ":" in running.port:
        host, port = running.port.split(":")
        with socket.create_connection((host, int(port))) as client:
            client.sendall(codes)
        return
    terminal = os.open(running.port, os.O_WRONLY | os.O_NOCTTY)
    rest = memoryview(codes)
    while rest:
        rest = rest[os.write(terminal, rest) :]
    os.close(terminal)


def run(box: WatchedBox, running: Running, codes: bytes, result: int) -> list[LoggedMarker]:
    """Floods a bridge and returns what its log says of the bytes, after the checks that hold in
    every mode."""
    write(running, codes)
    fates = Fates(running.log)
    wait_for(lambda: fates.look() >= len(codes), "the last byte", HOURS_S)
    assert running.end() == result
    with Box.open(box.where) as opened:
        counters = opened.counters()
    log = running.logged()
    assert log.ended
    assert not log.bad_lines
    markers = log.markers
    own = [marker for marker in markers if marker.name == "lines to idle"]
    markers = [marker for marker in markers if marker.name is None]
    assert bytes(marker.code for marker in markers) == codes
    assert all(marker.fate in ("done", "refused") for marker in markers)
    assert all(marker.why for marker in markers if marker.fate == "refused")
    done = [marker for marker in markers if marker.fate == "done"]
    assert counters.markers == len(done) + len(own)
    by_box = [m for m in markers if m.fate == "refused" and m.why != "no marker"]
    assert counters.refused == len(by_box)
    assert counters.frames_broken <= 1  # the zero that ends whatever noise went before
    box.stop()
    assert box.device.edges_lost == 0
    assert [level for level in box.levels if level] == [m.code for m in done if m.code]
    summary = running.lines[-1]["summary"]
    assert summary["bytes"] + summary["not_shown"] == len(codes)
    times = [marker.box_us for marker in done]
    assert all(before <= after for before, after in pairwise(times))
    return markers


class Fates:
    """Counts the bytes with a fate in a log that is being written."""

    def __init__(self, log: Path) -> None:
        self._file = open(log, "rb")  # noqa: SIM115
        self.count = 0

    def look(self) -> int:
        """The present count."""
        for line in self._file:
            if not line.endswith(b"\n"):
                self._file.seek(-len(line), os.SEEK_CUR)
                break
            self.count += line.startswith((b'{"done":', b'{"byte":', b'{"refused":'))
        return self.count


@pytest.mark.parametrize("args", [(), ("--tcp", 0)], ids=["terminal", "tcp"])
def test_short_flood(box: WatchedBox, start: Start, args: tuple[object, ...]) -> None:
    codes = flood(20_000)
    markers = run(box, start(*args), codes, exit_codes.NOT_GOOD)  # they cut each other's pulses
    assert all((m.why == "no marker") == (m.code == 0) for m in markers)


def test_a_million_bytes(box: WatchedBox, start: Start) -> None:
    codes = flood(MILLION)
    markers = run(box, start(), codes, exit_codes.NOT_GOOD)
    assert all((m.why == "no marker") == (m.code == 0) for m in markers)


def test_overlap_refuse(box: WatchedBox, start: Start) -> None:
    """Most bytes arrive during a pulse and are refused with that reason."""
    with Box.open(box.where) as opened:
        opened.settings.write(opened.settings.read().changed(overlap="refuse", width_us=200))
    markers = run(box, start(), flood(20_000), exit_codes.NOT_GOOD)
    why = {marker.why for marker in markers if marker.fate == "refused"}
    assert why == {"no marker", "overlap"}
    assert any(marker.fate == "done" for marker in markers)


@pytest.mark.parametrize("mode", ["set", "limited"])
def test_other_modes(box: WatchedBox, start: Start, mode: str) -> None:
    codes = flood(20_000)
    cut = mode == "limited"  # a pulse at most, which the next code cuts
    result = exit_codes.NOT_GOOD if cut else 0
    markers = run(box, start("--byte-mode", mode), codes, result)
    assert all(marker.fate == "done" for marker in markers)
