"""Byte outcomes: fates that arrive in any order, late bytes, and a log that cannot be written."""

from __future__ import annotations

import os
from pathlib import Path
from threading import Thread
from typing import Any

import pytest

from tallymark import Box
from tallymark.bridge import ByteOutcomes
from tallymark.markerlog import LoggedMarker, MarkerLog, read


class Screen:
    def __init__(self) -> None:
        self.shown: list[LoggedMarker] = []
        self.said: list[str] = []

    def say(self, text: str, *, bad: bool = False, logged: bool = False) -> None:
        self.said.append(text)


@pytest.fixture
def screen() -> Screen:
    return Screen()


def begin(path: Path, screen: Screen) -> ByteOutcomes:
    ledger = ByteOutcomes(MarkerLog(path), screen.shown.append, screen.say, lambda: 1_000_300)
    ledger.waiting_since_us = 1_000_000
    return ledger


def test_bytes_are_shown_in_their_order(tmp_path: Path, screen: Screen) -> None:
    ledger = begin(tmp_path / "log", screen)
    ledger.sent(1, 5, host_us=1_000_010)
    ledger.refuse(0, "no marker")
    ledger.sent(2, 6, host_us=1_000_020)
    ledger.settle(0)
    ledger.refused(2, "overlap")
    assert screen.shown == []
    ledger.answered(1, 10, 1_000_015, 3)
    assert [(m.code, m.fate, m.why) for m in screen.shown] == [
        (5, "done", ""),
        (0, "refused", "no marker"),
        (6, "refused", "overlap"),
    ]
    assert not ledger.is_good
    ledger.close()
    assert [m.code for m in read(tmp_path / "log").markers] == [5, 0, 6]


@pytest.mark.parametrize("answered_first", [False, True])
def test_a_wait_that_turns_out_later(tmp_path: Path, screen: Screen, answered_first: bool) -> None:
    """A byte is displayed only when its delay is known."""
    ledger = begin(tmp_path / "log", screen)
    ledger.sent(1, 5, host_us=1_000_300)
    if answered_first:
        ledger.answered(1, 10, 1_000_315, 3)
        assert screen.shown == []
    ledger.settle(4_000)
    if not answered_first:
        ledger.answered(1, 10, 1_000_315, 3)
    ledger.close()
    assert [marker.late_us for marker in screen.shown] == [4_300]
    assert read(tmp_path / "log").markers[0].late_us == 4_300


def test_a_log_on_a_busy_disk_makes_late(tmp_path: Path, screen: Screen) -> None:
    """A byte is sent to the box after its log entry was written."""
    now_us = 1_000_300

    class Slow(MarkerLog):
        def sent(self, *args: Any, **more: Any) -> None:
            nonlocal now_us
            super().sent(*args, **more)
            now_us += 250_000

    ledger = ByteOutcomes(Slow(tmp_path / "log"), screen.shown.append, screen.say, lambda: now_us)
    ledger.waiting_since_us = 1_000_000
    ledger.sent(1, 5, host_us=1_000_300)
    ledger.settle(0)
    ledger.close()
    assert read(tmp_path / "log").markers[0].late_us == 250_300


def test_short_waits_are_not_worth_a_word(tmp_path: Path, screen: Screen) -> None:
    ledger = begin(tmp_path / "log", screen)
    ledger.sent(1, 5, host_us=1_000_300)
    ledger.settle(600)
    ledger.answered(1, 10, 1_000_315, 3)
    ledger.close()
    assert screen.shown[0].late_us is None
    assert read(tmp_path / "log").markers[0].late_us is None


def test_a_full_disk_is_told_once_and_markers_go_on(tmp_path: Path, screen: Screen) -> None:
    log = MarkerLog(tmp_path / "log")
    ledger = ByteOutcomes(log, screen.shown.append, screen.say)
    ledger.waiting_since_us = 1_000_000
    full = os.open("/dev/full", os.O_WRONLY)
    os.dup2(full, log._descriptor)
    os.close(full)
    for number in (1, 2, 3):
        ledger.sent(number, 5, host_us=1_000_300)
        ledger.settle(0)
        ledger.answered(number, 10, 1_000_315, 3)
    assert len(screen.said) == 1
    assert "No space left" in screen.said[0]
    assert "Markers still go to the box" in screen.said[0]
    assert len(screen.shown) == 3
    assert not ledger.is_good
    ledger.close()


def test_numbers_that_begin_again(tmp_path: Path, screen: Screen) -> None:
    """A box reconnects before the bytes read from its last connection are processed."""
    path = tmp_path / "log"
    ledger = begin(path, screen)
    ledger.sent(1, 5, host_us=1_000_010)
    ledger.unconfirmed(1, "gone")
    with Box.open("virtual://?time=stepped") as box:
        settings = box.settings.read()
    back = Thread(target=ledger.new_part, args=(box, settings))
    back.start()
    ledger.refuse(6, "gone")
    ledger.settle(4_000)
    back.join()
    ledger.sent(1, 7, host_us=1_000_020)
    ledger.answered(1, 10, 1_000_025, 3)
    ledger.settle(0)
    ledger.close()
    assert [(m.code, m.fate) for m in screen.shown] == [
        (5, "unconfirmed"),
        (6, "refused"),
        (7, "done"),
    ]
    first, _, last = read(path).markers
    assert (first.late_us, first.session, last.late_us, last.session) == (4_300, 0, None, 1)


def test_what_never_got_a_fate_is_unconfirmed(tmp_path: Path, screen: Screen) -> None:
    ledger = begin(tmp_path / "log", screen)
    ledger.sent(1, 5, host_us=1_000_300)
    ledger.settle(0)
    ledger.close()
    assert [marker.fate for marker in screen.shown] == ["unconfirmed"]
    assert not ledger.is_good


def test_what_is_said_waits_for_the_bytes_before_it(tmp_path: Path, screen: Screen) -> None:
    ledger = begin(tmp_path / "log", screen)
    ledger.say("A program has connected.")
    assert screen.said == ["A program has connected."]
    ledger.sent(1, 5, host_us=1_000_010)
    ledger.settle(0)
    ledger.say("The program has closed the connection.")
    assert len(screen.said) == 1
    ledger.answered(1, 10, 1_000_015, 3)
    assert len(screen.said) == 2
    ledger.close()
