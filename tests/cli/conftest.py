"""Runs the command line in this process, and offers boxes that other programs can open."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from command_result import Ran, Run

from tallymark.cli import main
from tallymark.virtual import Server, VirtualBox


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Run:
    """Runs `tallymark` with some arguments."""
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.delenv("TALLYMARK_BOX", raising=False)

    def call(*args: object) -> Ran:
        code = 0
        capsys.readouterr()
        try:
            main.main([str(arg) for arg in args], prog_name="tallymark")
        except SystemExit as end:
            code = int(end.code or 0)
        captured = capsys.readouterr()
        assert "Traceback" not in captured.out + captured.err
        return Ran(code, captured.out, captured.err)

    return call


@pytest.fixture
def served() -> Iterator[Server]:
    """A virtual box on a loopback TCP port, which can be stopped as if it were unplugged."""
    with Server(VirtualBox(), tcp=True) as server:
        yield server


@pytest.fixture
def terminal() -> Iterator[Server]:
    """A virtual box on a pseudo-terminal."""
    with Server(VirtualBox(), tcp=False) as server:
        yield server


@pytest.fixture
def steps(tmp_path: Path) -> Path:
    """A short sequence: two boats and the quay at which each lands."""
    path = tmp_path / "boats.csv"
    path.write_text("# two boats\ncode,hold_us\n1,10000\n0,40000\n0x82,5000\n0,20000\n")
    return path
