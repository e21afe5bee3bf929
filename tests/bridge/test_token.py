"""Other addresses than the computer's own: only with the token, and nothing of it is a marker."""

from __future__ import annotations

import socket
import time

import pytest
from bridge_rig import PATIENCE_S, Running, Start, WatchedBox

from tallymark.box.ports.timebase import host_time_ns
from tallymark.cli import exit_codes

TOKEN = "boats 7!"


def connect(running: Running) -> socket.socket:
    return socket.create_connection(("127.0.0.1", int(running.port.split(":")[1])), PATIENCE_S)


def start_with_token(start: Start) -> Running:
    running = start("--tcp", 0, "--listen", "0.0.0.0", "--token", TOKEN)
    assert running.port.startswith("0.0.0.0:")
    return running


@pytest.mark.parametrize("end", [b"\n", b"\r\n"], ids=["newline", "carriage return"])
@pytest.mark.parametrize("slow", [False, True], ids=["at once", "byte by byte"])
def test_the_right_token_lets_in(box: WatchedBox, start: Start, end: bytes, slow: bool) -> None:
    running = start_with_token(start)
    with connect(running) as client:
        wire = TOKEN.encode() + end + b"\x05\n\x06"
        for piece in [wire[at : at + 1] for at in range(len(wire))] if slow else [wire]:
            client.sendall(piece)
        running.shows(3)
    assert running.end() in (0, exit_codes.NOT_GOOD)  # sent at once, they cut each other
    assert [marker.code for marker in running.logged().markers] == [5, 10, 6]


@pytest.mark.parametrize(
    "sent",
    [
        b"boats 7?\n\x05\x06",
        b"\n\x05",
        b"\x05\x06\x07",
        b"boats 7!",
        b"b" * 100_000,
        b"boats 7!x\n",
    ],
    ids=["wrong", "empty", "no line", "not ended", "endless", "longer"],
)
def test_a_wrong_or_slow_one_is_turned_away(box: WatchedBox, start: Start, sent: bytes) -> None:
    running = start_with_token(start)
    with connect(running) as client:
        client.sendall(sent)
        heard = client.makefile().read()
    assert "Connection rejected" in heard
    running.says("was rejected")
    with connect(running) as client:  # it goes on for others
        client.sendall(TOKEN.encode() + b"\n\x09")
        running.shows(1)
    assert running.end() == 0
    assert [marker.code for marker in running.logged().markers] == [9]


def test_strangers_do_not_hold_up_a_client(box: WatchedBox, start: Start) -> None:
    running = start_with_token(start)
    strangers = [connect(running) for _ in range(10)]
    with connect(running) as client:
        client.sendall(TOKEN.encode() + b"\n\x09")
        running.shows(1)
        for stranger in strangers:
            stranger.close()
        running.says("disconnected without the token")
    assert running.end() == 0


def test_the_token_of_the_environment(
    box: WatchedBox, start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TALLYMARK_TOKEN", TOKEN)
    running = start("--tcp", 0)
    with connect(running) as client:
        client.sendall(TOKEN.encode() + b"\n\x09")
        running.shows(1)
    assert running.end() == 0
    assert TOKEN not in running.printed.read_text() + running.err


def test_who_waits_behind_strangers_is_late_by_no_more_than_is_said(
    box: WatchedBox, start: Start
) -> None:
    """So many strangers are at the door that nobody more is looked at until they have to go."""
    running = start_with_token(start)
    strangers = [connect(running) for _ in range(16)]
    time.sleep(0.2)
    with connect(running) as client:
        client.sendall(TOKEN.encode() + b"\n\x09")
        wrote = host_time_ns() // 1000
        running.shows(1)
    marker = running.logged().markers[0]
    assert marker.sent_host_us is not None
    assert marker.late_us is not None
    assert marker.late_us >= marker.sent_host_us - wrote > 1e6
    for stranger in strangers:
        stranger.close()
    assert running.end() == 0
