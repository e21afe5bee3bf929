"""Programs that nobody here wrote put bytes into a real bridge, and the box's lines move."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from bridge_rig import PATIENCE_S, Running, Start, WatchedBox, wait_for

from tallymark.cli import exit_codes

CODES = bytes((17, 36, 18, 0, 96))


def check(running: Running, box: WatchedBox, codes: bytes = CODES) -> None:
    """The bytes are in the log and on the lines, in order. Those that come at once cut each other,
    and then the bridge is not content."""
    running.shows(len(codes))
    code = running.end()
    log = running.logged()
    assert bytes(marker.code for marker in log.markers) == codes
    assert [m.fate for m in log.markers] == ["done" if code else "refused" for code in codes]
    cut = any(marker.cut_us is not None for marker in log.markers)
    assert code == (exit_codes.NOT_GOOD if cut else 0)
    assert all(marker.why == "no marker" for marker in log.markers if marker.code == 0)
    box.stop()
    assert [level for level in box.levels if level] == [code for code in codes if code]


def octal(codes: bytes) -> str:
    return "".join(f"\\{code:03o}" for code in codes)


def test_printf_to_the_terminal(box: WatchedBox, start: Start, tmp_path: Path) -> None:
    running = start("--link", tmp_path / "ferry")
    assert running.port == str(tmp_path / "ferry")
    for code in CODES:
        subprocess.run(f"printf '{octal(bytes([code]))}' > {running.port}", shell=True, check=True)
    check(running, box)


def test_socat(box: WatchedBox, start: Start) -> None:
    running = start()
    command = ["socat", "-u", "STDIN", f"{running.port},raw,echo=0"]
    subprocess.run(command, input=CODES, check=True, timeout=PATIENCE_S)
    check(running, box)


def test_miniterm(box: WatchedBox, start: Start) -> None:
    """pyserial's terminal program, on a terminal of its own: what is typed is sent."""
    running = start()
    keyboard, terminal = os.openpty()
    command = [sys.executable, "-m", "serial.tools.miniterm", "--raw", running.port, "115200"]
    miniterm = subprocess.Popen(command, stdin=terminal, stdout=terminal, stderr=terminal)
    heard = b""
    while b"Quit" not in heard:
        heard += os.read(keyboard, 1000)
    os.write(keyboard, b"Boats")
    running.shows(5)
    os.write(keyboard, b"\x1d")  # Ctrl-], which ends it
    assert miniterm.wait(PATIENCE_S) == 0
    running.says("The program has closed the port.")
    os.close(keyboard)
    os.close(terminal)
    check(running, box, b"Boats")


def test_netcat(box: WatchedBox, start: Start) -> None:
    running = start("--tcp", 0)
    host, port = running.port.split(":")
    assert host == "127.0.0.1"
    subprocess.run(["nc", "-N", host, port], input=CODES, check=True, timeout=PATIENCE_S)
    running.says("has closed the connection")
    check(running, box)


def test_a_pair_of_ports(box: WatchedBox, start: Start, tmp_path: Path) -> None:
    """The bridge takes one end of a pair that socat offers; the program opens the other."""
    ends = [tmp_path / "one", tmp_path / "other"]
    socat = subprocess.Popen(["socat", *(f"pty,raw,echo=0,link={end}" for end in ends)])
    try:
        wait_for(lambda: all(end.exists() for end in ends), "the pair of ports")
        running = start("--serial", ends[0], "--baud", 9600)
        ends[1].write_bytes(CODES)
        running.shows(len(CODES))
        socat.kill()
        running.says(f"The port {ends[0]} was lost")
        check(running, box)
    finally:
        socat.kill()
        socat.wait()


def test_a_virtual_box_in_the_same_process(tmp_path: Path) -> None:
    with Running(tmp_path, "virtual") as running:
        Path(running.port).write_bytes(CODES)
        running.shows(len(CODES))
        assert running.end() == exit_codes.NOT_GOOD  # at once, each cuts the one before
        assert bytes(marker.code for marker in running.logged().markers) == CODES


@pytest.mark.parametrize("program", ["socat", "nc"])
def test_the_programs_are_there(program: str) -> None:
    assert shutil.which(program), f"install {program}: these tests drive the bridge with it"
