"""A pseudo-terminal that one program leaves and another opens before the bridge has looked."""

from __future__ import annotations

import os
import time
from collections.abc import Callable

import pytest

terminals = pytest.importorskip("tallymark.bridge.pseudo_terminal", reason="needs pseudo-terminals")


def until(true: Callable[[], bool]) -> None:
    deadline = time.monotonic() + 20
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.002)


def test_who_left_hangs_up_only_if_nobody_came_since() -> None:
    said: list[str] = []
    port = terminals.Terminal(lambda text, **_: said.append(text))
    if port._openings is None:
        port.close()
        pytest.skip("this system does not tell who opens a port")
    try:
        first = os.open(port.device, os.O_RDWR | os.O_NOCTTY)
        until(lambda: "A program has opened the port." in said)
        os.close(first)
        until(lambda: "The program has closed the port." in said)
        second = os.open(port.device, os.O_RDWR | os.O_NOCTTY)
        until(lambda: said.count("A program has opened the port.") == 2)
        assert port.receive() == b""  # woken, and nobody hung up for the one that is there
        os.write(second, b"\x11")
        until(lambda: not port.is_empty())
        assert port.receive() == b"\x11"
        os.close(second)
        until(lambda: said.count("The program has closed the port.") == 2)
        assert port.receive() is None
    finally:
        port.close()
