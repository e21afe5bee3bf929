"""Ctrl-C and the closing of the console in Wine: lines at idle, and a log that is ended.

Programs run in a console of their own; `console_events.py` presses the keys and closes it.
"""

from __future__ import annotations

import json
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from console_events import ENDED
from wine import PATIENCE_S, Wine, wait_for

from tallymark.cli import exit_codes
from tallymark.virtual import Server, VirtualBox

HERE = Path(__file__).resolve().parent
EVENTS = {"Ctrl-C": "interrupt", "Ctrl-Break": "1", "close": "2", "log off": "5",
          "shut down": "6"}


@pytest.fixture
def served() -> Iterator[Server]:
    with Server(VirtualBox(), tcp=False) as server:
        yield server


def in_a_console(wine: Wine, *words: object) -> subprocess.Popen[str]:
    """Starts the command."""
    program = wine.path(wine.folder / "python/Scripts/tallymark.exe")
    return wine.popen(
        wine.folder / "python/python.exe", wine.path(HERE / "console_events.py"), program, *words
    )


def happens(process: subprocess.Popen[str], event: str) -> tuple[int, str, str]:
    """What the console does; exit code, output and error output of the command."""
    out, err = process.communicate(EVENTS[event] + "\n", timeout=PATIENCE_S)
    assert "Traceback" not in out + err, out + err
    return process.returncode, out, err


def ended_with(event: str, code: int) -> set[int]:
    """The exit codes that a command may have: its own, and where the system ends it, also that."""
    return {code} if event == "Ctrl-C" else {code, ENDED}


@pytest.mark.parametrize("event", ["Ctrl-C", "close"])
def test_a_pulse_is_ended(wine: Wine, served: Server, event: str) -> None:
    """A pulse of 30 s, of which the lines are free when the command has ended."""
    port = wine.port(21, served.where)
    process = in_a_console(wine, "pulse", 7, "--width", "30s", "--count", 2, "--every", "20s",
                           "--box", port)
    try:
        wait_for(lambda: served.device.outputs or process.poll() is not None, "no pulse")
        assert served.device.outputs == 7
        code, out, err = happens(process, event)
    finally:
        process.kill()
    assert served.device.outputs == 0
    assert "at idle" in out + err
    assert code in ended_with(event, exit_codes.INTERRUPTED), out + err


@pytest.mark.parametrize("event", ["Ctrl-C", "close", "log off", "shut down"])
def test_the_log_of_the_bridge_is_ended(
    wine: Wine, served: Server, tmp_path: Path, event: str
) -> None:
    """A code is held by a byte; it ends, and the log with it."""
    log = tmp_path / "bridge.jsonl"
    process = in_a_console(
        wine, "bridge", wine.path(log), "--tcp", 0, "--byte-mode", "set", "--json",
        "--box", wine.port(22, served.where),
    )
    assert process.stdout is not None
    try:
        started = process.stdout.readline()
        assert started, process.stderr.read() if process.stderr else ""
        host, _, number = json.loads(started)["port"].rpartition("/")[2].rpartition(":")
        with socket.create_connection((host or "127.0.0.1", int(number))) as program:
            program.send(b"\x09")
            wait_for(lambda: served.device.outputs, "the byte made no marker")
            assert served.device.outputs == 9
            code, _, err = happens(process, event)
    finally:
        process.kill()
    assert served.device.outputs == 0
    assert code in ended_with(event, exit_codes.DONE), err
    kinds = [next(iter(json.loads(line))) for line in log.read_text("utf-8").splitlines()]
    assert (kinds[0], kinds[-1]) == ("marker_log", "end")


@pytest.mark.skip(reason="Wine 8's C library makes no SIGBREAK of Ctrl-Break; that of Windows does")
def test_ctrl_break(wine: Wine, served: Server) -> None:
    process = in_a_console(wine, "pulse", 7, "--width", "30s", "--box", wine.port(23, served.where))
    wait_for(lambda: served.device.outputs, "no pulse")
    assert happens(process, "Ctrl-Break")[0] == exit_codes.INTERRUPTED
    assert served.device.outputs == 0
