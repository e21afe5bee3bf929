"""`tallymark flash` without a file name, and what `boxes` shows of a board that waits for it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from serial.tools.list_ports_common import ListPortInfo

from tallymark.box.flash import images, pico
from tallymark.cli import exit_codes, main
from tallymark.cli import flash as flash_command

INFO = "UF2 Bootloader v3.0\nModel: Raspberry Pi RP2\nBoard-ID: RPI-RP2\n"


@pytest.fixture
def drive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """What a Pico's boot loader shows: a drive with its file of information."""
    root = tmp_path / "RPI-RP2"
    root.mkdir()
    (root / "INFO_UF2.TXT").write_text(INFO)
    monkeypatch.setattr(pico, "_mounts", lambda: [root])
    return root


def test_the_images_of_the_package_are_whole() -> None:
    from tallymark.box.flash import nano

    assert pico.Image.read(images.image_for("pico")).content
    assert nano.image_size(images.image_for("nano")) > 1000


def test_a_package_without_images_says_how_to_get_them(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, drive: Path
) -> None:
    monkeypatch.setattr(images, "__file__", str(tmp_path / "images.py"))
    ran = CliRunner().invoke(main, ["flash"])
    assert ran.exit_code == exit_codes.BAD_INPUT
    assert "make firmware" in " ".join(ran.stderr.split())
    assert not list(drive.glob("*.uf2"))


def test_a_pico_in_its_boot_loader_is_listed(drive: Path) -> None:
    assert str(drive) in CliRunner().invoke(main, ["boxes"]).stdout
    listed = json.loads(CliRunner().invoke(main, ["boxes", "--json"]).stdout)
    assert {"port": "", "description": "Pico in its boot loader", "drive": str(drive)} in listed


def test_flash_writes_the_image_of_the_package(
    drive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pico, "wait_for_box", _no_box)
    CliRunner().invoke(main, ["flash"])
    written = (drive / "tallymark.uf2").read_bytes()
    assert written == images.image_for("pico").read_bytes()


def test_a_device_that_is_no_box_gets_no_firmware() -> None:
    ran = CliRunner().invoke(main, ["flash", "--port", "loop://"])
    assert ran.exit_code == exit_codes.BAD_INPUT
    assert "--board nano" in " ".join(ran.stderr.split())


@pytest.fixture
def nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """A computer with one serial port, which is not USB, and no drive."""
    monkeypatch.setattr(pico, "_mounts", list)
    monkeypatch.setattr(pico, "_disk", lambda: Path("/no such disk"))
    port = ListPortInfo("/dev/ttyS0", skip_link_detection=True)
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: [port])


@pytest.mark.usefixtures("nothing")
def test_without_a_board_it_says_what_to_do_for_each() -> None:
    ran = CliRunner().invoke(main, ["flash"])
    assert ran.exit_code == exit_codes.NOT_OPENED
    said = " ".join(ran.stderr.split())
    for words in ("BOOTSEL", "RPI-RP2", "tallymark flash --board nano --port PORT",
                  "Serial ports now: /dev/ttyS0", "Nothing was written"):
        assert words in said


@pytest.mark.usefixtures("nothing")
def test_a_nano_without_a_port_is_told_the_ports(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(flash_command, "image_for", lambda _board: tmp_path / "nano.hex")
    ran = CliRunner().invoke(main, ["flash", "--board", "nano"])
    assert ran.exit_code == exit_codes.BAD_INPUT
    assert "--port /dev/ttyUSB0 or COM5. Serial ports now: /dev/ttyS0." in " ".join(
        ran.stderr.split())


def test_a_connected_box_says_which_board_it_is(monkeypatch: pytest.MonkeyPatch) -> None:
    """A Nano that has firmware needs neither board nor port."""
    monkeypatch.setattr(pico, "_mounts", list)
    monkeypatch.setattr(pico, "_disk", lambda: Path("/no such disk"))
    monkeypatch.setattr("tallymark.box.ports.discovery.candidates", lambda _where: ["virtual://"])
    asked: list[str] = []

    def image_for(board: str) -> Path:
        asked.append(board)
        return Path(images.__file__).parent / "images/nano.hex"

    monkeypatch.setattr(flash_command, "image_for", image_for)
    written: list[object] = []
    monkeypatch.setattr(flash_command.nano, "flash", lambda *given: written.append(given[1]))
    monkeypatch.setattr(flash_command.nano, "image_size", lambda _path: 4)
    ran = CliRunner().invoke(main, ["flash"])
    assert ran.exit_code == 0, ran.stderr
    assert asked == ["virtual"]  # what the box says of itself
    assert written == ["virtual://"]


def test_a_drive_that_is_not_mounted_is_told(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(pico, "_mounts", list)
    monkeypatch.setattr(pico, "_disk", lambda: tmp_path)
    monkeypatch.setattr(pico.wait_for_drive, "__defaults__", (0.0, ()))
    monkeypatch.setattr(flash_command, "image_for", lambda _board: tmp_path / "pico.uf2")
    monkeypatch.setattr(pico.Image, "read", lambda path: pico.Image(path, bytes(512)))
    ran = CliRunner().invoke(main, ["flash"])
    assert ran.exit_code == exit_codes.NOT_OPENED
    assert "is not mounted" in " ".join(ran.stderr.split())


def test_a_file_that_is_no_image(tmp_path: Path) -> None:
    image = tmp_path / "firmware.bin"
    image.write_bytes(bytes(512))
    ran = CliRunner().invoke(main, ["flash", str(image)])
    assert ran.exit_code == exit_codes.BAD_INPUT
    assert ".uf2 for a Pico, in .hex for a Nano or Uno" in " ".join(ran.stderr.split())


def test_an_image_for_another_board_is_refused(tmp_path: Path) -> None:
    image = tmp_path / "firmware.uf2"
    image.write_bytes(bytes(512))
    ran = CliRunner().invoke(main, ["flash", str(image), "--board", "nano", "--port", "loop://"])
    assert ran.exit_code == exit_codes.BAD_INPUT
    assert "not an image for a nano" in " ".join(ran.stderr.split())


def test_volumes_of_macos_and_letters_of_windows(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.platform", "win32")
    assert "E:\\" in map(str, pico._mounts())
    monkeypatch.setattr("sys.platform", "darwin")
    monkeypatch.setattr(Path, "is_dir", lambda path: str(path) == "/Volumes")
    monkeypatch.setattr(Path, "iterdir", lambda path: iter([path / "RPI-RP2"]))
    assert list(map(str, pico._mounts())) == ["/Volumes/RPI-RP2"]


def _no_box(_serial: str | None) -> None:
    from tallymark.common.errors import PortNotFound

    raise PortNotFound("", "No box is simulated here.")
