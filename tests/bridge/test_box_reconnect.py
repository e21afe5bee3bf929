"""A box that is disconnected while bytes arrive, reconnected, or restarted."""

from __future__ import annotations

import socket
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from threading import Thread

import pytest
from bridge_rig import Running, horn_plan, wait_for

from tallymark import Box
from tallymark.bridge.bridge import BOX_GONE
from tallymark.cli import exit_codes
from tallymark.virtual import Server, VirtualBox


@pytest.fixture
def device() -> VirtualBox:
    return VirtualBox()


@pytest.fixture
def server(device: VirtualBox) -> Iterator[Server]:
    with Server(device, tcp=True) as server:
        yield server


def number_of(server: Server) -> int:
    return int(server.where.rsplit(":", 1)[1])


FRAMES_OF_A_GREETING = 6
"""Frames that the library sends until it knows a box, the first of them empty."""


class LoosePlug:
    """A connection to a served box that can be pulled. A context manager.

    let_through: pull it by itself after so many frames to the box. pulled: how often it was.
    """

    def __init__(self, port: int) -> None:
        self.let_through: int | None = None
        self.pulled = 0
        self._port = port
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.where = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self._ends: tuple[socket.socket, ...] = ()
        self._thread = Thread(target=self._serve, daemon=True)

    def _serve(self) -> None:
        while True:
            try:
                host, _ = self._listener.accept()
            except OSError:
                return
            box = socket.create_connection(("127.0.0.1", self._port))
            self._ends = (host, box)
            back = Thread(target=self._pass_back, args=(box, host), daemon=True)
            back.start()
            with suppress(OSError):
                frames = 0
                while data := host.recv(4096):
                    frames += data.count(0)
                    if self.let_through is not None and frames > self.let_through:
                        break
                    box.sendall(data)
            self.pull()
            back.join()
            self.pulled += 1
            for end in (host, box):
                end.close()

    def _pass_back(self, box: socket.socket, host: socket.socket) -> None:
        with suppress(OSError):
            while data := box.recv(4096):
                host.sendall(data)
        self.pull()

    def pull(self) -> None:
        for end in self._ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def __enter__(self) -> LoosePlug:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.pull()
        self._thread.join()


def write(running: Running, codes: bytes) -> None:
    shown = len(running.bytes)
    Path(running.port).write_bytes(codes)
    running.shows(shown + len(codes))


def test_unplugged_and_back(tmp_path: Path, server: Server, device: VirtualBox) -> None:
    with Running(tmp_path, server.where) as running:
        write(running, b"\x05")
        server.stop()
        running.says("Bytes are refused until it is connected again")
        write(running, b"\x06\x07")
        with Server(device, tcp=True, tcp_port=number_of(server)):
            running.says("The box is connected again")
            assert "2 bytes were refused" in running.notes
            write(running, b"\x08")
            assert running.end() == exit_codes.NOT_GOOD
    log = running.logged()
    assert [(m.code, m.fate, m.why) for m in log.markers] == [
        (5, "done", ""),
        (6, "refused", BOX_GONE),
        (7, "refused", BOX_GONE),
        (8, "done", ""),
    ]
    assert len(log.headers) == 2
    assert log.ended
    assert device.edges()[-1].levels == 0


def test_a_loose_plug(tmp_path: Path, server: Server) -> None:
    """The box is disconnected again right after it has identified itself: the bridge continues,
    and reports the number of refused bytes for each disconnection."""
    with LoosePlug(number_of(server)) as plug, Running(tmp_path, plug.where) as running:
        write(running, b"\x05")
        plug.let_through = FRAMES_OF_A_GREETING
        plug.pull()
        running.says("Bytes are refused until it is connected again")
        write(running, b"\x06\x07")
        wait_for(lambda: plug.pulled == 3, "two attempts that failed")
        plug.let_through = None
        running.says("2 bytes were refused")
        plug.pull()
        wait_for(lambda: running.notes.count("until it is connected again") == 2)
        write(running, b"\x08")
        wait_for(lambda: running.notes.count("The box is connected again") == 2)
        assert "1 byte was refused" in running.notes
        write(running, b"\x09")
        assert running.end() == exit_codes.NOT_GOOD
    log = running.logged()
    assert [m.code for m in log.markers if not m.name] == [5, 6, 7, 8, 9]
    assert len(log.headers) == 3


def test_gone_for_good(tmp_path: Path, server: Server) -> None:
    with Running(tmp_path, server.where) as running:
        write(running, b"\x05")
        server.stop()
        running.says("Bytes are refused until it is connected again")
        write(running, b"\x06")
        assert running.end() == exit_codes.CONNECTION
    assert [m.fate for m in running.logged().markers] == ["done", "refused"]


def test_times_count_on_when_the_box_is_back(
    tmp_path: Path, server: Server, device: VirtualBox
) -> None:
    """Screen and summary count times from the same start."""
    with Running(tmp_path, server.where, "--plan", horn_plan(tmp_path)) as running:
        write(running, b"\x05")
        server.stop()
        running.says("Bytes are refused until it is connected again")
        with Server(device, tcp=True, tcp_port=number_of(server)):
            running.says("The box is connected again")
            write(running, b"\x06")
            running.end()
    shown = [line["time_s"] for line in running.bytes]
    comparison = running.lines[-1]["summary"]["comparison"]
    placed = [
        found["places"][0]["time_s"]
        for found in comparison["wrong"] if found["kind"] == "not in the plan"
    ]
    assert placed == shown
    (remark,) = [found["text"] for found in comparison["remarks"] if found["kind"] == "log"]
    assert remark.startswith("The box was disconnected and opened again once")


def test_a_stream_that_goes_on_meanwhile(
    tmp_path: Path, server: Server, device: VirtualBox
) -> None:
    """Every byte is in the log once, in order. Unconfirmed ones may have gone out, refused ones
    did not, and none went out twice."""
    codes = bytes(1 + n % 255 for n in range(30_000))
    with Running(tmp_path, server.where, "--tcp", 0) as running:
        host, port = running.port.split(":")
        with socket.create_connection((host, int(port))) as client:
            writer = Thread(target=client.sendall, args=(codes,))
            writer.start()
            wait_for(lambda: running.log.stat().st_size > 100_000, "the stream")
            server.stop()
            running.says("Bytes are refused until it is connected again")
            wait_for(lambda: BOX_GONE in running.log.read_text(), "a refusal")
            with Server(device, tcp=True, tcp_port=number_of(server)):
                running.says("The box is connected again")
                writer.join()
                running.shows(len(codes))
                assert running.end() == exit_codes.NOT_GOOD
    markers = running.logged().markers
    if markers[-1].name:
        markers.pop()
    assert bytes(marker.code for marker in markers) == codes
    assert {marker.fate for marker in markers} <= {"done", "refused", "unconfirmed"}
    assert all(m.why == BOX_GONE for m in markers if m.fate == "refused")
    out = [edge.levels for edge in device.edges() if edge.levels]
    sure = [marker.code for marker in markers if marker.fate == "done"]
    maybe = [marker.code for marker in markers if marker.fate != "refused"]
    assert is_part_of(sure, out)
    assert is_part_of(out, maybe)


def is_part_of(part: list[int], whole: list[int]) -> bool:
    """Whether one list is a subsequence of another."""
    rest = iter(whole)
    return all(each in rest for each in part)


def test_a_power_failure(tmp_path: Path, server: Server, device: VirtualBox) -> None:
    """Settings that were not kept are lost, and the bridge reports it."""
    with Box.open(server.where) as box:
        box.settings.write(box.settings.read().changed(width_us=1_000))
    with Running(tmp_path, server.where, "--byte-mode", "set") as running:
        write(running, b"\x05")
        device.start()
        running.says("The box started again (cause: power)")
        running.says("The box was connected again with other settings: width_us 5000 instead of "
                     "1000")
        write(running, b"\x06")
        assert running.end() == 0
    log = running.logged()
    assert [(m.code, m.part) for m in log.markers[:2]] == [(5, 0), (6, 1)]
    assert log.restarts == ["power"]


def test_another_box_gets_nothing(tmp_path: Path, server: Server) -> None:
    with Running(tmp_path, server.where) as running:
        write(running, b"\x05")
        server.stop()
        running.says("Bytes are refused until it is connected again")
        other = VirtualBox(bytes.fromhex("0102030405060708"))
        with Server(other, tcp=True, tcp_port=number_of(server)):
            running.says("There is another box at")
            write(running, b"\x06")
            time.sleep(1.2)  # more than one further attempt
            assert running.end() == exit_codes.CONNECTION
    assert running.notes.count("There is another box at") == 1
    assert other.edges()[-1].levels == 0
    assert len(other.edges()) <= 1


def test_the_hold_limit(tmp_path: Path, server: Server, device: VirtualBox) -> None:
    """The bridge sends nothing by itself, so the hold limit sees that the program is silent."""
    with Box.open(server.where) as box:
        box.settings.write(box.settings.read().changed(hold_limit_us=300_000))
    with Running(tmp_path, server.where, "--byte-mode", "set") as running:
        write(running, b"\x05")
        running.says("The box took code 5 to idle: the program sent nothing for 300 ms")
        assert device.outputs == 0
        assert running.end() == 0
    assert [end.code for end in running.logged().holds_ended] == [5]
