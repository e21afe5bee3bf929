"""Client programs that connect, disconnect, are killed or overlap; and the end of a bridge."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest
from bridge_rig import PATIENCE_S, TALLYMARK, Running, Start, WatchedBox, horn_plan, wait_for

from tallymark.box.ports.timebase import host_time_ns
from tallymark.cli import exit_codes

HOLD_OPEN = "import os, sys, time; fd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY); " \
    "os.write(fd, bytes([int(sys.argv[2])])); time.sleep(600)"
linux = pytest.mark.skipif(sys.platform != "linux", reason="only Linux reports opening")


def client_of(running: Running) -> socket.socket:
    host, port = running.port.split(":")
    return socket.create_connection((host, int(port)), timeout=PATIENCE_S)


def hold_open(running: Running, code: int = 5) -> subprocess.Popen[bytes]:
    """A program that writes one byte and then never does anything else."""
    return subprocess.Popen([sys.executable, "-c", HOLD_OPEN, running.port, str(code)])


@pytest.mark.parametrize("by", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
@pytest.mark.parametrize("args", [(), ("--tcp", 0)], ids=["terminal", "tcp"])
def test_the_end_with_a_client_that_never_closes(
    box: WatchedBox, start: Start, args: tuple[object, ...], by: signal.Signals
) -> None:
    running = start("--byte-mode", "set", *args)
    if args:
        client = client_of(running)
        client.sendall(b"\x05")
    else:
        client = open(running.port, "wb", buffering=0)  # noqa: SIM115
        client.write(b"\x05")
    running.shows(1)
    assert box.device.outputs == 5
    assert running.end(by) == 0
    assert box.device.outputs == 0
    assert "The lines are at idle." in running.notes
    markers = running.logged().markers
    assert [(marker.code, marker.name) for marker in markers] == [(5, None), (0, "lines to idle")]
    assert running.logged().ended
    client.close()


@linux
def test_a_killed_client_that_leaves_a_code_is_told(box: WatchedBox, start: Start) -> None:
    running = start("--byte-mode", "set")
    client = hold_open(running)
    running.shows(1)
    client.kill()
    client.wait()
    running.says("closed the port with code 5 on the lines: the next byte ends it")
    assert box.device.outputs == 5
    assert running.end() == 0


@pytest.mark.parametrize("args", [pytest.param((), marks=linux), ("--tcp", 0)], ids=["tty", "tcp"])
def test_idle_at_hang_up(box: WatchedBox, start: Start, args: tuple[object, ...]) -> None:
    running = start("--byte-mode", "set", "--idle-at-hang-up", *args)
    for code in (5, 6):
        if args:
            with client_of(running) as client:
                client.sendall(bytes([code]))
        else:
            Path(running.port).write_bytes(bytes([code]))
        running.says(f"closed the port with code {code} on the lines. The lines are now at idle")
        assert box.device.outputs == 0
    assert running.end() == 0
    box.stop()
    assert box.levels == [0, 5, 0, 6, 0]


@linux
def test_two_programs_on_one_terminal_are_told(box: WatchedBox, start: Start) -> None:
    running = start()
    first = hold_open(running, 5)
    running.shows(1)
    second = hold_open(running, 6)
    running.says("Two programs have the port open")
    running.shows(2)
    for client in (first, second):
        client.kill()
        client.wait()
    running.says("The program has closed the port.")
    assert running.end() == 0


@linux
@pytest.mark.parametrize(
    "command",
    [
        ["sh", "-c", "exec 3>{0}; printf '\\005' >&3; sleep 0.3; printf '\\006' >&3; sleep 0.2"],
        [
            sys.executable,
            "-c",
            "import time; one = open('{0}', 'wb', 0); other = open('{0}', 'wb', 0); "
            "one.write(b'5'); time.sleep(0.3); other.write(b'6'); time.sleep(0.2)",
        ],
    ],
    ids=["shares it with programs that it starts", "opens it twice"],
)
def test_one_program_is_not_taken_for_two(
    box: WatchedBox, start: Start, command: list[str]
) -> None:
    running = start()
    subprocess.run([part.format(running.port) for part in command], check=True)
    running.shows(2)
    running.says("The program has closed the port.")
    assert running.end() == 0
    assert "Two programs" not in running.notes


def test_a_second_tcp_client_is_turned_away_with_a_reason(box: WatchedBox, start: Start) -> None:
    running = start("--tcp", 0)
    with client_of(running) as first:
        first.sendall(b"\x05")
        running.shows(1)
        with client_of(running) as second:
            second.sendall(b"\x07")
            heard = second.makefile().read()
            assert "another program is connected" in heard
        running.says("was rejected: another program is connected")
        first.sendall(b"\x06")
        running.shows(2)
    assert running.end() == 0
    assert [marker.code for marker in running.logged().markers] == [5, 6]


def test_a_client_that_waits_for_the_one_before_is_told_to_be_late(
    box: WatchedBox, start: Start
) -> None:
    running = start("--tcp", 0)
    with client_of(running) as first:
        first.sendall(b"\x05")
        running.shows(1)
        second = client_of(running)
        second.sendall(b"\x07")
        time.sleep(0.2)
    with second:
        running.shows(2)
        running.says("had to wait")
        assert running.end() == 0
    markers = running.logged().markers
    assert [marker.code for marker in markers] == [5, 7]
    assert (markers[1].late_us or 0) > 150_000
    assert ["had to wait" in said.text for said in running.logged().said] == [True]


def test_a_silent_client_gets_nothing_and_does_no_harm(box: WatchedBox, start: Start) -> None:
    running = start("--tcp", 0)
    with client_of(running) as client:
        running.says("A program has connected")
        client.settimeout(0.3)
        with pytest.raises(TimeoutError):
            client.recv(1)
        assert running.end() == 0
        client.settimeout(PATIENCE_S)
        assert client.recv(1) == b""
    assert running.logged().markers == []


def test_after_a_client_that_changed_the_terminal_it_is_raw_again(
    box: WatchedBox, start: Start
) -> None:
    running = start()
    cooked = "stty -F {0} cooked echo && printf '\\003\\012' > {0}"
    subprocess.run(["sh", "-c", cooked.format(running.port)], check=True)
    running.says("The program has closed the port.")
    shown = len(running.bytes)
    time.sleep(0.1)
    everything = bytes(range(256))
    Path(running.port).write_bytes(everything)
    running.shows(shown + 256)
    running.end()
    assert bytes(m.code for m in running.logged().markers[shown:]) == everything


def test_bytes_that_wait_at_the_end_are_refused_with_the_reason(
    box: WatchedBox, start: Start
) -> None:
    """Ctrl-C during a flood: bytes left in the port are in the log as refused."""
    running = start("--tcp", 0)
    flood = bytes(1 + n % 255 for n in range(40_000))
    with client_of(running) as client:
        client.sendall(flood)
        wait_for(lambda: running.log.stat().st_size > 10_000)
        assert running.end() in (0, exit_codes.NOT_GOOD)
    markers = [m for m in running.logged().markers if m.name != "lines to idle"]
    assert bytes(marker.code for marker in markers) == flood
    whys = {marker.why for marker in markers if marker.fate != "done"}
    assert whys <= {"the bridge was stopping"}


def test_a_byte_that_waits_is_late_by_no_more_than_is_said(box: WatchedBox, start: Start) -> None:
    """The bridge is suspended, as by a computer in standby. Bytes that arrive meanwhile are
    reported as late, by at least their true delay."""
    running = start()
    with open(running.port, "wb", buffering=0) as client:
        for gap in (0.3, 0.5, 0.7):
            running.freeze()
            shown, wrote = len(running.bytes), host_time_ns() // 1000
            client.write(b"\x05")
            time.sleep(gap)
            running.process.send_signal(signal.SIGCONT)
            running.shows(shown + 1)
            marker = running.logged().markers[-1]
            assert marker.sent_host_us is not None
            assert marker.late_us is not None
            assert marker.late_us >= marker.sent_host_us - wrote > 0.2e6
            time.sleep(0.3)
    running.says("This program did not run for")
    assert running.end() == 0


def test_the_end_of_its_terminal_window(box: WatchedBox, tmp_path: Path) -> None:
    """A bridge continues when its output is no longer read."""
    process = subprocess.Popen(
        [*TALLYMARK, "bridge", str(tmp_path / "a.log"), "--box", box.where],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert process.stdout is not None
    port = process.stdout.readline().split()[-1].decode()
    Path(port).write_bytes(b"\x09")
    while b"00001001".replace(b"0", "·".encode()) not in process.stdout.readline():
        assert process.poll() is None
    process.stdout.close()
    for code in (5, 6, 7):
        Path(port).write_bytes(bytes([code]))
        wait_for(lambda code=code: code in [edge.levels for edge in box.edges])
        time.sleep(0.2)
    process.send_signal(signal.SIGINT)
    process.wait(PATIENCE_S)
    assert process.stderr is not None
    assert b"Traceback" not in process.stderr.read()
    assert box.device.outputs == 0


@linux
def test_what_went_wrong_beside_the_markers_is_kept_and_told_again(
    box: WatchedBox, start: Start, tmp_path: Path
) -> None:
    running = start("--plan", horn_plan(tmp_path))
    other = hold_open(running, 36)
    with open(running.port, "wb"):
        running.shows(1)
        running.says("Two programs have the port open")
    other.kill()
    other.wait()
    assert running.end() == 1
    busy = "This program did not run"  # said too where this computer is too busy
    said = [said.text for said in running.logged().said if not said.text.startswith(busy)]
    assert [text[:12] for text in said] == ["Two programs"]
    summary = running.lines[-1]["summary"]
    told = [each["text"] for each in summary["reported"]]
    assert [text[:12] for text in told if not text.startswith(busy)] == ["Two programs"]
    found = [w["text"] for w in summary["comparison"]["wrong"] if w["kind"] == "reported"]
    assert any("Two programs have the port open" in text for text in found)
    assert any("Two programs" in note for note in running.logged().notes())


def test_a_connection_that_waits_is_late_by_no_more_than_is_said(
    box: WatchedBox, start: Start
) -> None:
    """A program connects and writes while the bridge is suspended."""
    running = start("--tcp", 0)
    for number in range(3):
        running.freeze()
        with client_of(running) as client:
            client.sendall(b"\x05")
            wrote = host_time_ns() // 1000
            time.sleep(0.4)
            running.process.send_signal(signal.SIGCONT)
            running.shows(number + 1)
        marker = running.logged().markers[-1]
        assert marker.sent_host_us is not None
        assert marker.late_us is not None
        assert marker.late_us >= marker.sent_host_us - wrote > 0.3e6
        time.sleep(0.3)
    assert running.end() == 0


@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_an_output_that_knows_few_letters(
    box: WatchedBox, tmp_path: Path, encoding: str
) -> None:
    link = tmp_path / "ferry"
    with subprocess.Popen(
        [*TALLYMARK, "bridge", "--box", box.where, "--link", str(link)],
        stdout=subprocess.PIPE,
        env={
            **os.environ,
            "PYTHONIOENCODING": encoding,
            "PYTHONUNBUFFERED": "1",
            "XDG_STATE_HOME": str(tmp_path / "state"),
        },
    ) as process:
        try:
            assert process.stdout is not None
            while not process.stdout.readline().startswith(b"since start"):
                assert process.poll() is None
            link.write_bytes(b"\x05\x06")
            wait_for(lambda: 6 in [edge.levels for edge in box.edges])
            process.send_signal(signal.SIGINT)
            shown = process.stdout.read()
            process.wait(PATIENCE_S)
        finally:
            process.kill()
    assert process.returncode == exit_codes.NOT_GOOD  # the second byte cut the first one's pulse
    assert b"   5  " in shown
    assert b"2 bytes" in shown
