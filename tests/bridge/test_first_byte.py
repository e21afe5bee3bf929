"""The shortest way from a byte to the box: the same frames and records as by any other way, and
what becomes of a marker where port, log or other threads are in between."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import time
from collections.abc import Iterator
from pathlib import Path
from threading import Thread
from typing import Any

import pytest
from bridge_rig import WatchedBox, wait_for

from tallymark import Box
from tallymark.box.wire.frames import code_frame, code_width_frame
from tallymark.box.wire.protocol_enumerations import ByteMode, Request
from tallymark.bridge import Bridge, byte_actions
from tallymark.bridge.byte_port import Waker
from tallymark.bridge.first_byte import first_byte_sender
from tallymark.bridge.pseudo_terminal import Terminal
from tallymark.markerlog import LoggedMarker, MarkerLog, read
from tallymark.markerlog.writer import sent_text
from tallymark.page.sent_markers import SentMarkers

if first_byte_sender.kernel is None:
    pytest.skip("this system has no such way", allow_module_level=True)

lib, ffi = first_byte_sender.kernel.lib, first_byte_sender.kernel.ffi
PULSE, PULSE_FOR, SET = Request.PULSE, Request.PULSE_FOR, Request.SET


class Way:
    """The C alone, between a pipe and a pair of sockets, with a log."""

    def __init__(self, log: int) -> None:
        self.source, self.write_end = os.pipe()
        self.box, self.box_end = socket.socketpair()
        self.box.setblocking(False)
        self.waker = Waker()
        self.state = ffi.new("struct first_byte *")
        self.arrival = ffi.new("struct first_byte_arrival *")
        lib.first_byte_begin(self.state, self.waker.descriptor, self.box.fileno(), log)
        self.log_takes(True)

    def log_takes(self, takes: bool) -> None:
        lib.first_byte_enter_log(self.state, ffi.new("struct first_byte_unwritten *"))
        lib.first_byte_leave_log(self.state, takes)

    def means(self, byte: int, request: int, width_us: int = 0, text: bytes = b"") -> None:
        entry = self.state.meanings[byte]
        entry.request, entry.width_us, entry.text_length = request, width_us, len(text)
        ffi.memmove(entry.text, text, len(text))

    def may_send(self, tag: int, number: int) -> Any:
        """Says what may be sent next; returns what was sent before, or None."""
        sent = ffi.new("struct first_byte_sent *")
        found = lib.first_byte_enter_window(self.state, sent)
        lib.first_byte_leave_window(self.state, tag, number)
        return sent if found else None

    def carry(self, data: bytes) -> bool:
        """Whether the first of these bytes was sent."""
        os.write(self.write_end, data)
        assert lib.first_byte_wait(self.state, self.source, -1, self.arrival)
        assert bytes(ffi.buffer(self.arrival.bytes, self.arrival.count)) == data
        return bool(self.arrival.sent)

    def close(self) -> None:
        lib.first_byte_end(self.state)
        for end in (self.source, self.write_end):
            os.close(end)
        for each in (self.box, self.box_end, self.waker):
            each.close()


@pytest.fixture
def way(tmp_path: Path) -> Iterator[Way]:
    log = os.open(tmp_path / "lines", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    with contextlib.closing(Way(log)) as way:
        yield way
    os.close(log)


def test_frames_are_those_of_the_library(way: Way) -> None:
    for tag in range(1, 256):
        code = (tag * 7) % 256
        for request, width_us in ((PULSE, 0), (SET, 0), (PULSE_FOR, 65_536 * tag + 10)):
            way.means(code, request, width_us)
            way.may_send(tag, 1)
            assert way.carry(bytes((code,)))
            wire = way.box_end.recv(100)
            assert wire == (code_width_frame(request, tag, code, width_us) if width_us
                            else code_frame(request, tag, code))


def test_records_are_those_of_the_log(way: Way, tmp_path: Path) -> None:
    with MarkerLog(tmp_path / "log") as log:
        for number, (width, name, stays) in {
            1: (5_000, None, False), 20: (None, "horn \"é\"", True), 4_294_967_295: (1, "a", False)
        }.items():
            way.means(36, PULSE, 0, sent_text(36, width, name, stays))
            way.may_send(1, number)
            assert way.carry(b"\x24")
            sent = way.may_send(0, 1)
            assert (sent.number, sent.code) == (number, 36)
            assert sent.looked_ns <= sent.handed_ns <= sent.logged_ns
            log.sent(number, 36, width, name, (sent.handed_ns + 500) // 1000, stays)
    written = (tmp_path / "lines").read_bytes().splitlines()
    assert written == (tmp_path / "log").read_bytes().splitlines()[1:-1]
    assert all(json.loads(line)["code"] == 36 for line in written)


def test_one_byte_alone_and_only_if_it_may(way: Way) -> None:
    way.means(5, PULSE)
    assert not way.carry(b"\x05")  # nobody has said which tag
    way.may_send(9, 1)
    assert not way.carry(b"\x06")  # it has no meaning here
    way.log_takes(False)
    assert not way.carry(b"\x05")
    way.log_takes(True)
    assert way.carry(b"\x05\x05\x05")
    assert not way.carry(b"\x05")  # the tag is used up
    assert way.box_end.recv(100) == code_frame(PULSE, 9, 5)
    assert way.may_send(0, 1).number == 1
    assert way.may_send(0, 1) is None  # it is told once
    assert not way.carry(b"\x05")


def test_who_waits_is_woken_and_ends_are_left_to_others(way: Way) -> None:
    way.waker.wake()
    assert not lib.first_byte_wait(way.state, way.source, -1, way.arrival)
    os.write(way.write_end, b"\x05")
    assert lib.first_byte_wait(way.state, way.source, -1, way.arrival)  # bytes come first
    way.waker.clear()
    os.close(way.write_end)
    way.write_end = os.dup(way.source)
    assert not lib.first_byte_wait(way.state, way.source, -1, way.arrival)


def test_a_port_that_is_full_is_told(way: Way) -> None:
    way.means(5, PULSE)
    with contextlib.suppress(BlockingIOError):
        while True:
            way.box.send(b"x" * 1_000)
    way.may_send(1, 1)
    assert way.carry(b"\x05")
    sent = way.may_send(0, 1)
    assert sent.taken == 0
    assert sent.error == 11  # EAGAIN
    assert bytes(ffi.buffer(sent.frame, sent.length)) == code_frame(PULSE, 1, 5)


def logged(path: Path) -> list[LoggedMarker]:
    """What the log has of bytes: not the end, where a bridge takes the lines to idle."""
    return [marker for marker in read(path).markers if marker.name is None]


# With a bridge -------------------------------------------------------------------------------


class Told:
    """A screen that keeps what it is told."""

    def __init__(self) -> None:
        self.said: list[str] = []
        self.shown: list[LoggedMarker] = []

    def say(self, text: str, *, bad: bool = False, logged: bool = False) -> None:
        self.said.append(text)

    def idle(self, text: str, *, logged: bool = False) -> None:
        self.said.append(text)

    def hold_ended(self, *_: object) -> None:
        self.said.append("hold ended")


class Senders(SentMarkers):
    """The page's ledger, which tells bytes and other markers apart; the screen gets the bytes."""

    def __init__(self, screen: Told) -> None:
        super().__init__(screen.say)
        self._show = screen.shown.append


class Carried:
    """A bridge in this process, and a program that has its port open."""

    def __init__(self, watched: WatchedBox, folder: Path, mode: ByteMode = ByteMode.PULSE) -> None:
        self.screen = Told()
        self.box = Box.open(watched.where)
        self.path = folder / "log"
        self.log = MarkerLog.for_box(self.path, self.box)
        self.ledger = Senders(self.screen)
        self.ledger.begin(self.log)
        port = Terminal(self.ledger.say)
        self.meanings = byte_actions(mode, None, None, self.box.identity)
        self.bridge = Bridge(
            self.box, lambda: self.box, port, self.meanings, self.ledger, self.screen
        )
        self.quick = self.bridge._quick
        self.sent_at_once = 0
        self.waits = self.quick is None
        if self.quick is not None:
            right = self.quick.wait

            def wait(schedule: int) -> Any:
                self.waits = True
                arrival = right(schedule)
                self.waits = False
                self.sent_at_once += 0 if arrival is None else arrival.sent
                return arrival

            self.quick.wait = wait  # type: ignore[method-assign]
        self.bridge.begin()
        self.program = os.open(port.device, os.O_RDWR | os.O_NOCTTY)

    def write(self, code: int) -> None:
        """One byte, and its fate."""
        count = len(self.screen.shown)
        wait_for(lambda: self.waits, "the wait for a byte")
        os.write(self.program, bytes((code,)))
        wait_for(lambda: len(self.screen.shown) > count, "a fate")

    def __enter__(self) -> Carried:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self.program)
        self.bridge.end()


@pytest.mark.parametrize("mode", [ByteMode.PULSE, ByteMode.SET])
def test_bytes_go_this_way_beside_markers_of_other_threads(
    box: WatchedBox, tmp_path: Path, mode: ByteMode
) -> None:
    """Tags, numbers and records of all of them stay apart."""
    with Carried(box, tmp_path, mode) as carried:
        markers: list[Any] = []

        def others() -> None:
            with carried.ledger.sender("window"):
                for _ in range(150):
                    markers.append(carried.box.set(200))
                    carried.box.levels()

        thread = Thread(target=others)
        thread.start()
        for number in range(100):
            carried.write(1 + number)
        thread.join()
        carried.box.wait()
        assert carried.sent_at_once > 50
        assert all(marker.outcome.value == "done" for marker in markers)
    log = read(carried.path)
    assert not log.bad_lines
    assert [m.number for m in log.markers if m.number > 0] == sorted(
        {m.number for m in log.markers if m.number > 0}
    )
    assert [marker for marker in log.markers if marker.fate != "done"] == []
    bytes_sent = [m.code for m in log.markers if m.code < 200 and m.name is None]
    assert bytes_sent == list(range(1, 101))
    assert [m.code for m in carried.screen.shown if m.code < 200] == bytes_sent
    box.stop()
    assert [level for level in box.levels if 0 < level < 200] == bytes_sent


def test_a_full_disk_stops_no_marker(box: WatchedBox, tmp_path: Path) -> None:
    with Carried(box, tmp_path) as carried:
        carried.write(1)
        kept = os.dup(carried.log._descriptor)
        full = os.open("/dev/full", os.O_WRONLY)
        os.dup2(full, carried.log._descriptor)
        carried.write(2)
        carried.write(3)
        os.dup2(kept, carried.log._descriptor)
        carried.write(4)
        carried.write(5)
        assert carried.sent_at_once >= 3
        os.close(full)
        os.close(kept)
    assert [marker.fate for marker in carried.screen.shown] == ["done"] * 5
    assert sum("can't be written" in text for text in carried.screen.said) == 1
    box.stop()
    assert [level for level in box.levels if level] == [1, 2, 3, 4, 5]
    log = read(carried.path)
    assert [marker.code for marker in logged(carried.path)] == [1, 4, 5]
    assert not log.bad_lines
    assert carried.log.lost >= 4  # two markers, each with its end, and that they were late
    (gap,) = log.lost
    assert gap.since_us == carried.screen.shown[1].sent_host_us  # the first of them


def test_bytes_that_mean_nothing_any_more_are_refused(box: WatchedBox, tmp_path: Path) -> None:
    with Carried(box, tmp_path) as carried:
        carried.write(1)
        refused = byte_actions(ByteMode.OFF, None, None, carried.box.identity)
        carried.bridge.use(refused)
        carried.write(2)
        carried.bridge.use(carried.meanings)
        carried.write(3)
    box.stop()
    assert [level for level in box.levels if level] == [1, 3]
    assert [marker.fate for marker in carried.screen.shown] == ["done", "refused", "done"]


def test_widths_in_the_log_are_those_in_force(box: WatchedBox, tmp_path: Path) -> None:
    with Carried(box, tmp_path) as carried:
        carried.write(1)
        time.sleep(0.05)  # settings can't be written while a pulse is out
        settings = carried.box.settings.read()
        carried.box.settings.write(settings.changed(width_us=700))
        carried.write(2)
    assert [m.width_us for m in logged(carried.path)] == [5_000, 700]
    assert [m.width_us for m in carried.screen.shown] == [5_000, 700]


def test_a_program_that_did_not_run_is_late(box: WatchedBox, tmp_path: Path) -> None:
    """Counted from the last moment at which the program was seen to run."""
    with Carried(box, tmp_path) as carried:
        carried.write(1)
        time.sleep(0.5)
        carried.bridge._alive_s -= 0.4
        carried.write(2)
        assert carried.sent_at_once == 2
    late = [marker.late_us for marker in logged(carried.path)]
    assert late[1] is not None
    assert late[1] >= 400_000


def test_without_the_compiled_part(
    box: WatchedBox, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(first_byte_sender, "kernel", None)
    with Carried(box, tmp_path) as carried:
        assert carried.quick is None
        for code in (1, 2, 3):
            carried.write(code)
    assert [marker.fate for marker in logged(carried.path)] == ["done"] * 3


def test_a_box_that_is_gone(box: WatchedBox, tmp_path: Path) -> None:
    """A marker whose port is gone is unconfirmed, and no byte is lost from the account."""
    with Carried(box, tmp_path) as carried:
        carried.write(1)
        box.server.stop()
        for code in (2, 3, 4):
            carried.write(code)
        assert carried.box.link.failure is not None
    fates = [marker.fate for marker in carried.screen.shown]
    assert fates[0] == "done"
    assert len(fates) == 4
    assert set(fates[1:]) <= {"unconfirmed", "refused"}
    assert [marker.code for marker in logged(carried.path)] == [1, 2, 3, 4]


def test_what_a_port_did_not_take_follows() -> None:
    with Box.open("virtual://?time=stepped") as box:
        window = box.link.window
        with box.link.lock:
            tag = window.tags.next
            frame = code_frame(PULSE, tag, 5)
            marker = window.sent_by_partner(box.link, PULSE, 5, None, box.pacing.now(), 7, frame)
        assert marker.tag == tag
        assert box.wait() == []
        assert marker.outcome.value == "done"
        assert box.counters().markers == 1


def test_without_room_in_the_window_a_byte_waits(box: WatchedBox, tmp_path: Path) -> None:
    with Carried(box, tmp_path) as carried:
        carried.write(1)
        window = carried.box.link.window
        with carried.box.link.lock:
            window._room -= 1_000
        os.write(carried.program, b"\x02")
        time.sleep(0.2)
        assert len(carried.screen.shown) == 1
        with carried.box.link.lock:
            window._room += 1_000
            window.changed.notify_all()
        wait_for(lambda: len(carried.screen.shown) > 1, "a fate")
        assert carried.sent_at_once == 1
    assert [marker.fate for marker in carried.screen.shown] == ["done", "done"]
