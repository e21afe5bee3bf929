"""Scheduling delay, and systems that do not report it."""

from __future__ import annotations

import os
import sys

import pytest

from tallymark.bridge.scheduling_delay import CpuWait


def test_a_system_that_does_not_tell(monkeypatch: pytest.MonkeyPatch) -> None:
    """Windows has neither the file nor all the flags of `os.open`."""

    def missing(*_: object) -> int:
        raise FileNotFoundError

    monkeypatch.delattr(os, "O_CLOEXEC", raising=False)
    monkeypatch.setattr(os, "open", missing)
    starved = CpuWait()
    assert starved.since_last() == 0.0
    starved.close()


@pytest.mark.parametrize("system", ["win32", "darwin"])
def test_no_other_system_is_asked(monkeypatch: pytest.MonkeyPatch, system: str) -> None:
    """A file of that name there means nothing, and Windows has no `os.pread` to read it with."""
    monkeypatch.setattr(sys, "platform", system)
    monkeypatch.delattr(os, "pread")
    starved = CpuWait()
    assert starved.since_last() == 0.0
    starved.close()
