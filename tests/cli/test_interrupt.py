"""Ctrl-C, with the real program in a process of its own: lines idle, exit code 130."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tallymark.cli import exit_codes, interrupts
from tallymark.virtual import Server

PATIENCE_S = 20.0


def start(*args: object) -> subprocess.Popen[str]:
    """Starts `tallymark` as a shell would."""
    return subprocess.Popen(
        [sys.executable, "-c", "from tallymark.cli import main; main()", *map(str, args)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "COLUMNS": "100"},
        preexec_fn=hear_hang_ups,
    )


def hear_hang_ups() -> None:
    """Whoever runs the tests may ignore SIGHUP (nohup), and a program would inherit that."""
    signal.signal(signal.SIGHUP, signal.SIG_DFL)


def wait_for(ready: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not ready():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.005)


def recording(path: Path) -> bool:
    """Whether the first entry of a recording is in its file."""
    return path.exists() and path.stat().st_size > 0


def interrupt(process: subprocess.Popen[str], by: signal.Signals) -> tuple[int, str, str]:
    process.send_signal(by)
    out, err = process.communicate(timeout=PATIENCE_S)
    assert "Traceback" not in out + err
    return process.returncode, out, err


@pytest.mark.parametrize("by", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize(
    "args",
    [
        ("pulse", 7, "--width", "30s", "--count", 2, "--every", "20s"),
        ("play", "STEPS"),
        ("play", "STEPS", "--repeats", 0),
        ("record", "VCD", "--play", "STEPS"),
        ("selftest",),
    ],
    ids=lambda args: " ".join(map(str, args)),
)
def test_lines_go_to_idle(
    terminal: Server, tmp_path: Path, args: tuple[object, ...], by: signal.Signals
) -> None:
    steps = tmp_path / "steps.csv"
    steps.write_text("code,hold_ms\n7,30000\n0,1\n")
    paths = {"STEPS": steps, "VCD": tmp_path / "lines.vcd"}
    process = start(*(paths.get(str(arg), arg) for arg in args), "--box", terminal.where)
    wait_for(lambda: terminal.device.outputs != 0)
    code, out, err = interrupt(process, by)
    assert code == exit_codes.INTERRUPTED
    assert terminal.device.outputs == 0
    assert "at idle" in out + err or args[0] == "record"
    if args[0] == "pulse":
        assert "Code 7 went out 1 of 2 times" in out or "One more was sent when" in out
    if args[0] == "play":
        assert "Stopped after 1 steps" in out
    if args[0] == "record":
        assert "2 changes up to" in out
        assert (tmp_path / "lines.vcd").read_text().count("\n#") >= 3


CLOSED = """
import sys, threading
from tallymark.cli import interrupts, main

def close():  # as Windows does it, in a thread of its own
    sys.stdin.read(1)
    ours = interrupts.console_event(int(sys.argv[1]))
    print("the process may end" if ours else "not ours", flush=True)

interrupts._CLOSE_S = 3600  # the end of the command ends the wait, or the test does
threading.Thread(target=close).start()
main.main(sys.argv[2:], prog_name="tallymark")
"""


def in_a_console(event: int, *args: object) -> subprocess.Popen[str]:
    """A command that is told of a console event as soon as it gets something to read."""
    return subprocess.Popen(
        [sys.executable, "-c", CLOSED, str(event), *map(str, args)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )


@pytest.mark.parametrize("event", [2, 5, 6], ids=["close", "log off", "shut down"])
def test_a_console_that_goes_away(terminal: Server, tmp_path: Path, event: int) -> None:
    """The process may end only when the lines are idle, for Windows ends it then."""
    steps = tmp_path / "steps.csv"
    steps.write_text("code,hold_ms\n7,30000\n0,1\n")
    process = in_a_console(event, "play", steps, "--box", terminal.where)
    wait_for(lambda: terminal.device.outputs != 0)
    out, err = process.communicate("x", timeout=PATIENCE_S)
    assert process.returncode == exit_codes.INTERRUPTED
    assert terminal.device.outputs == 0
    assert out.index("Stopped after 1 steps") < out.index("the process may end")
    assert "Traceback" not in out + err


@pytest.mark.parametrize("event", [0, 1, 3])
def test_other_events_of_a_console_are_not_ours(
    terminal: Server, tmp_path: Path, event: int
) -> None:
    """Ctrl-C and Ctrl-Break come as signals."""
    process = in_a_console(event, "record", tmp_path / "a.vcd", "--box", terminal.where)
    assert process.stdin is not None
    assert process.stdout is not None
    wait_for(lambda: recording(tmp_path / "a.vcd"))
    process.stdin.write("x")
    process.stdin.flush()
    assert process.stdout.readline() == "not ours\n"
    assert process.poll() is None
    assert interrupt(process, signal.SIGINT)[0] == 0


def test_a_command_that_hangs_is_waited_for_until_windows_ends_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """About 5 s after the event."""
    waits: list[float] = []

    class Never:
        def wait(self, timeout: float) -> None:
            waits.append(timeout)

    monkeypatch.setattr(interrupts, "_over", Never())
    monkeypatch.setattr(signal, "raise_signal", lambda _number: None)
    assert interrupts.console_event(2)
    (wait_s,) = waits
    assert 3 < wait_s < 5


def test_commands_that_move_no_line_leave_them_alone(terminal: Server, tmp_path: Path) -> None:
    assert start("set", 9, "--box", terminal.where).wait(PATIENCE_S) == 0
    process = start("record", tmp_path / "a.vcd", "--for", "60s", "--box", terminal.where)
    wait_for(lambda: recording(tmp_path / "a.vcd"))
    code, out, _ = interrupt(process, signal.SIGINT)
    assert code == exit_codes.INTERRUPTED
    assert "0 changes up to" in out
    assert terminal.device.outputs == 9


def test_ctrl_c_is_the_way_to_end_a_recording_without_an_end(
    terminal: Server, tmp_path: Path
) -> None:
    process = start("record", tmp_path / "a.vcd", "--box", terminal.where)
    wait_for(lambda: recording(tmp_path / "a.vcd"))
    assert interrupt(process, signal.SIGINT)[0] == 0


@pytest.mark.parametrize("way", ["--json", "--tcp"])
def test_serve(tmp_path: Path, way: str) -> None:
    """A box in one process, used from two others, that keeps its settings in a file: at once, so
    that they are there though it is killed."""
    store = tmp_path / "store.bin"
    server = start("serve", way, "--store", store, "--fault", "open:3")
    assert server.stdout is not None
    first = server.stdout.readline()
    if way == "--json":
        first = server.stdout.readline()
        where = first.split('"')[3]
    else:
        where = first.split()[-1]
    changed = start("settings", "change", "width_us=1.234ms", "--box", where)
    assert changed.wait(PATIENCE_S) == 0
    assert start("selftest", "--box", where).wait(PATIENCE_S) == exit_codes.NOT_GOOD
    server.kill()
    server.wait()
    shown = start("settings", "show", "--box", f"virtual://?store={store}")
    assert "1.234 ms" in shown.communicate(timeout=PATIENCE_S)[0]


def serial_of_a_served_box(*args: object) -> str:
    server = start("serve", "--json", *args)
    assert server.stdout is not None
    server.stdout.readline()
    where = server.stdout.readline().split('"')[3]
    shown = start("show", "--json", "--box", where).communicate(timeout=PATIENCE_S)[0]
    assert interrupt(server, signal.SIGINT)[0] == 0
    return str(json.loads(shown)["identity"]["serial"])


def test_each_served_box_has_its_own_serial_number(tmp_path: Path) -> None:
    assert serial_of_a_served_box() != serial_of_a_served_box()
    stored = ("--store", tmp_path / "store.bin")
    assert serial_of_a_served_box(*stored) == serial_of_a_served_box(*stored)


def test_nohup_is_respected(terminal: Server, tmp_path: Path) -> None:
    """A SIGHUP that is ignored at the start stays so."""
    command = [sys.executable, "-c", "from tallymark.cli import main; main()", "record",
               str(tmp_path / "a.vcd"), "--for", "60s", "--box", terminal.where]
    process = subprocess.Popen(
        ["nohup", *command], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )
    wait_for(lambda: recording(tmp_path / "a.vcd"))
    process.send_signal(signal.SIGHUP)
    time.sleep(0.5)
    assert process.poll() is None
    assert interrupt(process, signal.SIGTERM)[0] == exit_codes.INTERRUPTED


def test_interrupt_while_the_box_does_not_answer() -> None:
    master, slave = os.openpty()
    process = start("show", "--box", os.ttyname(slave))
    time.sleep(1.5)
    assert interrupt(process, signal.SIGINT)[0] == exit_codes.INTERRUPTED
    os.close(master)
    os.close(slave)
