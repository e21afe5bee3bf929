"""Delay that `tallymark bridge` adds, byte in to frame out, beside a plain relay of the byte.

The byte is written to the byte port, as a stimulus program does. It is late by the time until the
box's end of the box's port, a pseudo-terminal, has it: from the bridge as a frame, which the
firmware's own core answers there, and from socat as the same plain byte. Both run all the time,
each with a box of its own, and take turns byte by byte, 2 to 10 ms apart, so that both see the same
machine. The bridge keeps its log and draws its live screen on a terminal.

    python tests/bench/bridge.py
"""

from __future__ import annotations

import os
import random
import select
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
import tty
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

from result_table import Figure, show

from tallymark.virtual import VirtualBox

ROUNDS = 1_500
WARM_UP = 100
SPACING_S = (0.002, 0.010)
PATIENCE_S = 10.0
TALLYMARK = [sys.executable, "-c", "from tallymark.cli import main; main()"]
_now = time.perf_counter


class BoxEnd:
    """The box's end of a pseudo-terminal, with the core of the firmware behind it."""

    def __init__(self) -> None:
        self.device = VirtualBox()
        self._born = _now()
        self.fd, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.where = os.ttyname(self._slave)

    def serve(self, seconds: float, wanted: bool = False) -> float | None:
        """Answers for that long; returns when the first bytes came. wanted: waits for them."""
        first = None
        end = _now() + seconds
        if wanted:
            select.select([self.fd], [], [], PATIENCE_S)
        while select.select([self.fd], [], [], max(0.0, end - _now()))[0]:
            data = os.read(self.fd, 4096)
            first = first or _now()
            self.device.advance(int((_now() - self._born) * 1e6))
            self.device.receive(data)
            if answer := self.device.take():
                os.write(self.fd, answer)
        return first

    def until(self, ready: Callable[[], bool]) -> None:
        """Answers until something is so."""
        end = _now() + PATIENCE_S
        while not ready():
            assert _now() < end, "a program of the bench did not start"
            self.serve(0.01)


class Way:
    """One way from a byte to a box: `write` is what the stimulus program does."""

    def __init__(self, end: BoxEnd, write: Callable[[bytes], object]) -> None:
        self.delays: list[float] = []
        self._end = end
        self._write = write

    def send(self) -> None:
        """Sends one byte, and lets the box live for a few milliseconds."""
        begin = _now()
        self._write(b"\x05")
        came = self._end.serve(random.uniform(*SPACING_S), wanted=True)
        assert came is not None, "a byte was lost"
        self.delays.append((came - begin) * 1e6)


def start(stack: ExitStack, command: list[str], where_to: int) -> None:
    """Starts a program that ends with the bench."""
    process = subprocess.Popen(command, stdout=where_to, stderr=subprocess.DEVNULL)
    stack.callback(process.wait)
    stack.callback(process.send_signal, signal.SIGKILL)


def open_terminal(stack: ExitStack, path: Path) -> Callable[[bytes], object]:
    terminal = os.open(path, os.O_RDWR | os.O_NOCTTY)
    stack.callback(os.close, terminal)
    return lambda data: os.write(terminal, data)


def open_tcp(stack: ExitStack, port: int) -> Callable[[bytes], object]:
    client = stack.enter_context(socket.create_connection(("127.0.0.1", port)))
    client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return client.send


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port: int = server.getsockname()[1]
        return port


def by_bridge(stack: ExitStack, folder: Path, tcp: bool) -> Way:
    end = BoxEnd()
    link, log, port = folder / "bridge", folder / f"{tcp}.log", free_port()
    screen, terminal = os.openpty()  # the live screen is drawn there; nobody looks
    stack.enter_context(Drain(screen))
    offer = ["--tcp", str(port)] if tcp else ["--link", str(link)]
    start(stack, [*TALLYMARK, "bridge", str(log), "--box", end.where, *offer], terminal)
    return opened(stack, end, port if tcp else link)


def by_socat(stack: ExitStack, folder: Path, tcp: bool) -> Way:
    end = BoxEnd()
    link, port = folder / "relay", free_port()
    offer = f"tcp-listen:{port},bind=127.0.0.1,nodelay" if tcp else f"pty,raw,echo=0,link={link}"
    start(stack, ["socat", offer, f"{end.where},raw,echo=0"], subprocess.DEVNULL)
    return opened(stack, end, port if tcp else link)


def opened(stack: ExitStack, end: BoxEnd, at: int | Path) -> Way:
    """The way through a program that offers a TCP port or a terminal, once it does."""
    if isinstance(at, int):
        write = wait_for_tcp(stack, end, at)
    else:
        end.until(at.exists)
        write = open_terminal(stack, at)
    end.serve(0.5)
    return Way(end, write)


def wait_for_tcp(stack: ExitStack, end: BoxEnd, port: int) -> Callable[[bytes], object]:
    found: list[Callable[[bytes], object]] = []

    def connect() -> bool:
        try:
            found.append(open_tcp(stack, port))
        except ConnectionRefusedError:
            return False
        return True

    end.until(connect)
    return found[0]


class Drain:
    """Takes what a program draws on a terminal, so that it is never held up. A context manager."""

    def __init__(self, terminal: int) -> None:
        self._process = subprocess.Popen(
            ["cat"], stdin=terminal, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )

    def __enter__(self) -> Drain:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.kill()
        self._process.wait()


def figures() -> list[Figure]:
    """Half of the bytes, and 99 of 100, are no later than that."""
    rows = []
    for tcp in (False, True):
        with tempfile.TemporaryDirectory() as folder, ExitStack() as stack:
            bridge, socat = by_bridge(stack, Path(folder), tcp), by_socat(stack, Path(folder), tcp)
            for _ in range(WARM_UP + ROUNDS):
                bridge.send()
                socat.send()
            ours, theirs = bridge.delays[WARM_UP:], socat.delays[WARM_UP:]
        port = "TCP" if tcp else "terminal"
        for name, at in (("half of the bytes", 49), ("99 of 100", 98)):
            rows.append(
                Figure(
                    f"bridge, {port}: byte in to frame out, {name}",
                    statistics.quantiles(ours, n=100)[at],
                    "µs",
                    "socat, byte in to byte out",
                    statistics.quantiles(theirs, n=100)[at],
                    "at most 1.5 times",
                )
            )
    return rows


if __name__ == "__main__":
    show(figures())
