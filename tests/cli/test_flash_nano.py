"""`tallymark flash`: what it says before and after avrdude runs. No board is needed to fail."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import pytest
from command_result import Run

from tallymark import Box
from tallymark.box.flash.nano import flash, image_size
from tallymark.cli import exit_codes
from tallymark.common.errors import PortError
from tallymark.virtual import Server

GOOD = ":0400000001020304F2\n:00000001FF\n"


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "firmware.hex"
    path.write_text(GOOD)
    return path


def test_the_size_of_an_image(image: Path) -> None:
    assert image_size(image) == 4


def hex_line(address: int, data: bytes, kind: int = 0) -> str:
    record = bytes([len(data), address >> 8, address & 255, kind]) + data
    return f":{(record + bytes([-sum(record) & 255])).hex().upper()}\n"


END = hex_line(0, b"", 1)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "ends too early"),
        ("hello\n", "not an Intel HEX file"),
        (":0400000001020304F3\n" + END, "damaged"),
        (":0400000001020304F2\n", "ends too early"),
        (":04000000010203F2\n" + END, "damaged"),
        (hex_line(0, b"\1\2") + hex_line(4, b"\3\4") + END, "not one piece"),
        (hex_line(16, b"\1\2") + END, "not one piece"),
        ("".join(hex_line(at, bytes(16)) for at in range(0, 0x7810, 16)) + END, "boot loader"),
        (hex_line(0, b"\0\1", 4) + hex_line(0, b"\1\2") + END, "not one piece"),
        (hex_line(0, b"\1\2") + hex_line(0x7C00, b"\1\2") + END, "not one piece"),
        (hex_line(0, b"\1\2") + hex_line(1, b"\1\2") + END, "damaged"),
    ],
    ids=["empty", "no HEX", "altered", "cut off", "short record", "gap", "begins late", "too long",
         "high address", "in the boot loader", "overlap"],
)
def test_a_damaged_image_is_not_written(
    run: Run, image: Path, content: str, words: str
) -> None:
    image.write_text(content)
    ran = run("flash", image, "--port", "/dev/null")
    assert ran.code == exit_codes.BAD_INPUT
    assert words in " ".join(ran.err.split())
    assert "The board was not changed." in ran.err


def test_without_avrdude_it_says_what_to_install(
    run: Run, image: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    ran = run("flash", image, "--port", "/dev/null")
    assert ran.code == exit_codes.BAD_INPUT
    assert "apt-get install avrdude" in " ".join(ran.err.split())


@pytest.mark.parametrize(("options", "other"), [((), 57600), (("--loader-baud", 57600), 115200)])
def test_a_board_that_is_not_there(
    run: Run, image: Path, options: tuple[object, ...], other: int
) -> None:
    """avrdude itself runs here, and fails. The rate that was not tried is proposed."""
    assert shutil.which("avrdude"), "this test needs avrdude"
    ran = run("flash", image, "--port", "/dev/no-such-board", *options)
    assert ran.code == exit_codes.NOT_OPENED
    text = " ".join(ran.err.split())
    assert "was not written to the board" in text
    assert f"with --loader-baud {other}." in text


@pytest.mark.skipif(os.name != "posix", reason="runs a shell script")
@pytest.mark.parametrize("baud", [115_200, 57_600])
def test_avrdude_is_told_the_rate_of_the_boot_loader(
    run: Run, image: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, baud: int
) -> None:
    program = tmp_path / "avrdude"
    program.write_text(f'#!/bin/sh\necho "$@" > "{tmp_path}/told"\n')
    program.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    assert run("flash", image, "--port", "/dev/no-such-board", "--loader-baud", baud).code == 0
    assert f"-b {baud} " in (tmp_path / "told").read_text()


@pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")
def test_a_board_that_another_program_uses_is_left_alone(
    run: Run, image: Path, terminal: Server
) -> None:
    """avrdude would open the port all the same, and restart the board during a session."""
    with Box.open(terminal.where) as box:
        ran = run("flash", image, "--port", terminal.where)
        assert ran.code == exit_codes.NOT_OPENED
        assert "is in use by" in ran.words
        assert box.pulse(5).wait().outcome.value == "done"
        assert box.counters().frames_broken == 0


@pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")
def test_nobody_else_opens_the_port_while_a_board_is_written(
    image: Path, terminal: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In place of avrdude runs a program that tries to open the box as another one would."""
    avrdude = tmp_path / "avrdude"
    avrdude.write_text(
        f"#!{sys.executable}\nimport sys\nfrom tallymark import Box\n"
        f"try:\n    Box.open({terminal.where!r})\n"
        "except Exception as error:\n    sys.exit(type(error).__name__)\n"
    )
    avrdude.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(PortError, match="avrdude said: PortBusy"):
        flash(image, terminal.where)
    with Box.open(terminal.where) as box:
        assert box.pulse(5).wait().outcome.value == "done"


def test_a_nano_needs_a_port(run: Run, image: Path) -> None:
    ran = run("flash", image)
    assert ran.code == exit_codes.BAD_INPUT
    assert "--port" in ran.err


def test_a_damaged_image_for_a_pico_is_not_written(run: Run, tmp_path: Path) -> None:
    image = tmp_path / "firmware.uf2"
    image.write_bytes(b"no image")
    ran = run("flash", image)
    assert ran.code == exit_codes.BAD_INPUT
    assert "not a complete UF2 file" in ran.err
