"""Loading firmware: the image is checked, the drive is found, and failures are told in words."""

from __future__ import annotations

import os
import struct
from pathlib import Path

import pytest
from pico_chip import IMAGE, PicoChip, PicoPort, prepare

from tallymark import Box
from tallymark.box.flash import pico
from tallymark.box.wire.protocol_enumerations import Cause
from tallymark.common.errors import BadValue, PortBusy, PortGone, PortNotFound
from tallymark.virtual import Server, VirtualBox

INFO = "UF2 Bootloader v3.0\r\nModel: Raspberry Pi RP2\r\nBoard-ID: RPI-RP2\r\n"
"""INFO_UF2.TXT of an RP2040, as its boot ROM's third version shows it."""
INFO_RP2350 = "UF2 Bootloader v1.0\r\nModel: Raspberry Pi RP2350\r\nBoard-ID: RP2350\r\n"
"""The same of an RP2350."""
RP2350_FAMILIES = range(0xE48BFF57, 0xE48BFF5C)
"""Absolute, data, rp2350-arm-s, rp2350-riscv, rp2350-arm-ns (RP2350 datasheet, 5.5.3)."""


@pytest.fixture
def content() -> bytearray:
    """The image that the firmware build wrote."""
    prepare()
    return bytearray(IMAGE.read_bytes())


@pytest.fixture
def drive(tmp_path: Path) -> Path:
    """A folder that looks like the boot loader's drive."""
    folder = tmp_path / "RPI-RP2"
    folder.mkdir()
    (folder / "INFO_UF2.TXT").write_text(INFO)
    return folder


def image_of(tmp_path: Path, content: bytes) -> pico.Image:
    path = tmp_path / "image.uf2"
    path.write_bytes(content)
    return pico.Image.read(path)


def test_the_built_image_is_good(content: bytearray, tmp_path: Path) -> None:
    assert image_of(tmp_path, content).content == content


@pytest.mark.parametrize(
    ("offset", "word", "words"),
    [
        (0, 0, "is not a UF2 file: block 0"),
        (512 + 508, 0, "is not a UF2 file: block 1"),
        (28, 0x68ED2B88, "for another chip"),  # a SAMD21
        (512 + 20, 7, "is incomplete: block 1"),
        (512 + 24, 3, "is incomplete: block 1"),
        (512 + 12, 0x101FE000, "outside the firmware's flash"),  # the settings lie there
        (512 + 12, 0x20000000, "outside the firmware's flash"),
        (512 + 12, 0x10000104, "is damaged: block 1"),
        (512 + 16, 476, "is damaged: block 1"),
        (512 + 16, 0xFFFFFF00, "is damaged: block 1"),
    ],
)
def test_a_bad_image_is_refused(
    content: bytearray, tmp_path: Path, offset: int, word: int, words: str
) -> None:
    struct.pack_into("<I", content, offset, word)
    with pytest.raises(BadValue, match=words):
        image_of(tmp_path, content)


@pytest.mark.parametrize("length", [0, 100, 5000])
def test_a_part_of_an_image_is_refused(content: bytearray, tmp_path: Path, length: int) -> None:
    with pytest.raises(BadValue, match="not a complete UF2 file"):
        image_of(tmp_path, content[:length])


def test_whole_blocks_missing_at_the_end_are_noticed(content: bytearray, tmp_path: Path) -> None:
    with pytest.raises(BadValue, match="incomplete"):
        image_of(tmp_path, content[:-512])


def test_a_missing_image(tmp_path: Path) -> None:
    with pytest.raises(BadValue, match="can't be read"):
        pico.Image.read(tmp_path / "none.uf2")


def test_only_the_boot_loaders_drive_is_taken(drive: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    (other / "INFO_UF2.TXT").write_text(INFO.replace("RPI-RP2", "Some-Other-Board"))
    assert pico.drives([tmp_path, other, drive, tmp_path / "none"]) == [drive]


@pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")
def test_a_box_that_another_program_uses_is_left_alone(
    content: bytearray, tmp_path: Path, drive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nor is another board written that waits in its boot loader meanwhile."""
    path = tmp_path / "image.uf2"
    path.write_bytes(content)
    monkeypatch.setattr(pico, "drives", lambda **_board: [drive])
    with Server(VirtualBox()) as server, Box.open(server.where) as box:
        with pytest.raises(PortBusy, match="in use by"):
            pico.flash(path, server.where)
        assert box.pulse(5).wait().outcome.value == "done"
        assert box.counters().frames_broken == 0
    assert [each.name for each in drive.iterdir()] == ["INFO_UF2.TXT"]


@pytest.fixture
def rp2350(tmp_path: Path) -> Path:
    """A folder that looks like the boot loader's drive of an RP2350."""
    folder = tmp_path / "RP2350"
    folder.mkdir()
    (folder / "INFO_UF2.TXT").write_text(INFO_RP2350)
    return folder


@pytest.mark.parametrize("family", RP2350_FAMILIES)
def test_an_image_for_an_rp2350_is_refused_by_name(
    content: bytearray, tmp_path: Path, family: int
) -> None:
    struct.pack_into("<I", content, 28, family)
    with pytest.raises(BadValue, match=r"for an RP2350.*RP2040 only.*Nothing was written"):
        image_of(tmp_path, content)


def test_a_board_with_an_rp2350_is_refused_at_once(
    content: bytearray, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rp2350: Path
) -> None:
    """It is neither waited for nor written to, and no box is restarted in its place."""
    monkeypatch.setattr(pico, "_mounts", lambda: [rp2350])
    monkeypatch.setattr(pico.Box, "open", lambda _where: pytest.fail("a box was opened"))
    with pytest.raises(BadValue, match=r"has an RP2350.*RP2040 only.*Nothing was written"):
        pico.flash(image_of(tmp_path, content).path)
    assert [path.name for path in rp2350.iterdir()] == ["INFO_UF2.TXT"]


def test_a_board_that_was_in_its_boot_loader_before_is_not_taken_for_the_box(
    monkeypatch: pytest.MonkeyPatch, drive: Path, tmp_path: Path
) -> None:
    there = [drive]
    monkeypatch.setattr(pico, "_mounts", lambda: there)
    with pytest.raises(PortNotFound, match=r"no new drive.*nothing was written to it"):
        pico.wait_for_drive(0, earlier=[drive])
    own = tmp_path / "own"
    own.mkdir()
    (own / "INFO_UF2.TXT").write_text(INFO)
    there.append(own)
    assert pico.wait_for_drive(0, earlier=[drive]) == own


def test_drive_names_with_other_letters(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """As the Linux kernel writes them: octal for blanks and backslashes, UTF-8 for the rest."""
    assert pico._unescaped(r"/media/jörg/RPI-RP2") == "/media/jörg/RPI-RP2"
    assert pico._unescaped(r"/media/a\040b\134c\011d") == "/media/a b\\c\td"


def test_a_pico_beside_a_board_with_an_rp2350_is_the_one(
    monkeypatch: pytest.MonkeyPatch, drive: Path, rp2350: Path
) -> None:
    monkeypatch.setattr(pico, "_mounts", lambda: [rp2350, drive])
    assert pico.wait_for_drive(0) == drive


def test_the_image_is_copied_as_it_is(content: bytearray, drive: Path, tmp_path: Path) -> None:
    seen: list[tuple[int, int]] = []
    pico.copy(image_of(tmp_path, content), drive, lambda *now: seen.append(now))
    assert (drive / "tallymark.uf2").read_bytes() == content
    assert seen[-1] == (len(content) // 512, len(content) // 512)


def test_a_full_drive_is_told(content: bytearray, drive: Path, tmp_path: Path) -> None:
    os.symlink("/dev/full", drive / "tallymark.uf2")
    with pytest.raises(PortGone, match=r"failed after 0 of \d+ blocks.*stays in its boot loader"):
        pico.copy(image_of(tmp_path, content), drive)


def test_a_drive_that_is_gone_is_told(content: bytearray, tmp_path: Path) -> None:
    with pytest.raises(PortGone, match="failed after 0 of"):
        pico.copy(image_of(tmp_path, content), tmp_path / "none")


def test_no_drive(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pico, "_mounts", list)
    with pytest.raises(PortNotFound, match="BOOTSEL"):
        pico.wait_for_drive(0)


def test_several_drives(monkeypatch: pytest.MonkeyPatch, drive: Path) -> None:
    monkeypatch.setattr(pico, "_mounts", lambda: [drive, drive])
    with pytest.raises(PortNotFound, match="Several boards"):
        pico.wait_for_drive(0)


def test_a_running_box_gets_new_firmware(
    content: bytearray, drive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From the request to restart to the answer of the new image, with the real image and ROM
    calls in the simulator; its boot loader's drive is a folder here."""
    chip = PicoChip(bytes.fromhex("A1A2A3A4A5A6A7A8"))
    written = drive / "tallymark.uf2"

    def mounts() -> list[Path]:
        chip.advance(chip.life_us + 100_000)
        return [drive] if chip.in_boot_loader else []

    def opened(_where: str | None) -> Box:
        if chip.in_boot_loader and written.exists():
            chip.load(written)
        return Box(PicoPort(chip))

    monkeypatch.setattr(pico, "_mounts", mounts)
    monkeypatch.setattr(pico.Box, "open", opened)
    try:
        identity = pico.flash(image_of(tmp_path, content).path)
        assert (identity.serial, identity.board) == ("A1A2A3A4A5A6A7A8", "pico")
        assert identity.cause is Cause.POWER
        assert written.read_bytes() == content
    finally:
        chip.close()


def test_another_board_is_left_alone(content: bytearray, tmp_path: Path) -> None:
    with pytest.raises(BadValue, match=r"is a virtual.*was not changed"):
        pico.flash(image_of(tmp_path, content).path, "virtual")
