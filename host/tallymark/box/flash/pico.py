"""Loading firmware into a Pico: a UF2 file, copied to the drive that its boot loader shows.

The boot loader in the chip's ROM shows a drive with a file `INFO_UF2.TXT`. When the last block of
a UF2 file has been written to it, it restarts into the new firmware and the drive is gone. Format:
https://github.com/microsoft/uf2.
"""

from __future__ import annotations

import errno
import os
import re
import string
import struct
import sys
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from tallymark.box.box import Box
from tallymark.box.wire.answer_values import Identity
from tallymark.common.errors import BadValue, PortError, PortGone, PortNotFound

BLOCK = 512
_MAGIC = (0x0A324655, 0x9E5D5157)
_END = 0x0AB16F30
_HAS_FAMILY = 0x2000
_RP2040 = 0xE48BFF56
_RP2350 = range(0xE48BFF57, 0xE48BFF5C)
"""Families in images for the RP2350 (its datasheet, 5.5.3): absolute, with which many of them
begin, data, Arm secure, RISC-V, Arm non-secure."""
_FLASH = 0x10000000
_SETTINGS = _FLASH + 2 * 1024 * 1024 - 8192
_BOARD = "RPI-RP2"
_OTHER_BOARD = "RP2350"
_PAYLOAD = 256
"""Bytes of flash in a block: what the boot loader takes (RP2040 datasheet, 2.8.4.2)."""
_DRIVE_SECONDS = 20.0
_ANSWER_SECONDS = 20.0
_LOOK_SECONDS = 0.25
_GONE = {errno.ENODEV, errno.EIO, errno.ENXIO, errno.ENOENT, errno.EBADF, errno.EINVAL}


@dataclass(frozen=True, slots=True)
class Image:
    """A UF2 file that was looked at and is whole."""

    path: Path
    content: bytes

    @classmethod
    def read(cls, path: Path) -> Image:
        """Reads a UF2 file for the RP2040. Raises BadValue if it is anything else."""
        try:
            content = path.read_bytes()
        except OSError as error:
            raise BadValue(f"The image {path} can't be read ({error.strerror}).") from error
        if not content or len(content) % BLOCK:
            raise BadValue(
                f"{path} is not a complete UF2 file: {len(content):,} bytes are not blocks of "
                f"{BLOCK}. Build it again with 'make firmware', or download it again."
            )
        count = len(content) // BLOCK
        for number in range(count):
            _check(path, content[number * BLOCK : (number + 1) * BLOCK], number, count)
        return cls(path, content)


def _check(path: Path, block: bytes, number: int, count: int) -> None:
    first, second, flags, address, size, own, total, family = struct.unpack_from("<8I", block)
    (end,) = struct.unpack_from("<I", block, BLOCK - 4)
    if (first, second, end) != (*_MAGIC, _END):
        raise BadValue(f"{path} is not a UF2 file: block {number} has wrong magic numbers.")
    if flags & _HAS_FAMILY and family in _RP2350:
        raise BadValue(
            f"{path} is for an RP2350 (family {family:08X}), the chip of the Pico 2. The firmware "
            "runs on the RP2040 only. Nothing was written."
        )
    if not flags & _HAS_FAMILY or family != _RP2040:
        raise BadValue(
            f"{path} is for another chip (family {family:08X}); a Pico takes {_RP2040:08X}."
        )
    if (own, total) != (number, count):
        raise BadValue(
            f"{path} is incomplete: block {number} of {count} says it is {own} of {total}."
        )
    if size != _PAYLOAD or address % _PAYLOAD:
        raise BadValue(
            f"{path} is damaged: block {number} has {size} bytes for {address:08X}, and the boot "
            f"loader of the RP2040 takes {_PAYLOAD} for a multiple of them."
        )
    if not _FLASH <= address <= address + size <= _SETTINGS:
        raise BadValue(f"{path} would write to {address:08X}, outside the firmware's flash.")


def drives(roots: Iterable[Path] | None = None, board: str = _BOARD) -> list[Path]:
    """Drives of Pico boot loaders. `roots`: where to look; by default where drives are mounted.
    `board`: what `INFO_UF2.TXT` has to say of the board."""
    found = []
    for root in _mounts() if roots is None else roots:
        try:
            about = (root / "INFO_UF2.TXT").read_text("ascii", "replace")
        except OSError:
            continue
        if re.search(rf"^Board-ID:\s*{board}\s*$", about, re.MULTILINE):
            found.append(root)
    return found


def is_waiting() -> bool:
    """Whether a board shows the drive of a boot loader, or has one that isn't mounted yet."""
    return bool(drives() or drives(board=_OTHER_BOARD)) or _disk().exists()


def _disk() -> Path:
    """The boot loader's disk on Linux, mounted or not."""
    return Path("/dev/disk/by-label") / _BOARD


def _mounts() -> list[Path]:
    if sys.platform == "win32":
        return [Path(f"{letter}:\\") for letter in string.ascii_uppercase]
    if sys.platform == "darwin":
        volumes = Path("/Volumes")
        return sorted(volumes.iterdir()) if volumes.is_dir() else []
    lines = Path("/proc/mounts").read_text(encoding="utf-8").splitlines()
    fields = [line.split() for line in lines]
    fat = [where for _, where, kind, *_ in fields if kind in ("vfat", "msdos", "exfat")]
    return [Path(_unescaped(where)) for where in fat]


def _unescaped(where: str) -> str:
    """A path of /proc/mounts, where blanks and the like are octal; other letters stay (proc(5))."""
    return re.sub(r"\\([0-7]{3})", lambda found: chr(int(found[1], 8)), where)


def wait_for_drive(seconds: float = _DRIVE_SECONDS, earlier: Iterable[Path] = ()) -> Path:
    """The boot loader's drive, when it has come. Raises PortNotFound if none or several do, and
    BadValue if the board that came has an RP2350.

    earlier: drives that were there before the board was restarted: another board's."""
    end = time.monotonic() + seconds
    before = set(earlier)
    while True:
        found = [drive for drive in drives() if drive not in before]
        if len(found) > 1:
            listed = ", ".join(map(str, found))
            raise PortNotFound(
                "", f"Several boards are in their boot loader ({listed}). Nothing was written. "
                    "Unplug all boards except the one to be written."
            )
        if found:
            return found[0]
        others = [drive for drive in drives(board=_OTHER_BOARD) if drive not in before]
        if others:
            raise BadValue(
                f"The board in its boot loader at {others[0]} has an RP2350 (a Pico 2, or a board "
                "like it). It looks like a Pico, but the firmware runs on the RP2040 only. Nothing "
                "was written. Unplug it, and use a board with an RP2040."
            )
        if time.monotonic() > end:
            raise PortNotFound("", _no_drive(seconds, bool(before)))
        time.sleep(_LOOK_SECONDS)


def _no_drive(seconds: float, others: bool) -> str:
    if others:
        return (
            f"The box was restarted into its boot loader, but no new drive appeared within "
            f"{seconds:.0f} s. Another board was in its boot loader before; nothing was written to "
            "it. Unplug that board, then write to the box's drive: omit --port."
        )
    text = (
        f"No drive of a Pico's boot loader appeared within {seconds:.0f} s. Nothing was written. "
        "Hold the button BOOTSEL while plugging the board in, and try again."
    )
    disk = _disk()
    if disk.exists():
        text = (
            "The boot loader's drive was found, but is not mounted. Nothing was written. Mount "
            f"it, for instance with 'udisksctl mount -b {disk}', and try again."
        )
    return text


def copy(image: Image, drive: Path, progress: Callable[[int, int], None] | None = None) -> None:
    """Writes the image to the drive, which goes away by itself behind the last block.

    progress: called with blocks written and blocks in all. Raises PortGone if the drive vanishes
    before that, or if it can't be written.
    """
    count = len(image.content) // BLOCK
    written = 0
    try:
        how = os.O_WRONLY | os.O_CREAT | getattr(os, "O_BINARY", 0)
        target = os.open(drive / "tallymark.uf2", how)
        try:
            while written < count:
                part = image.content[written * BLOCK : (written + 16) * BLOCK]
                if os.write(target, part) != len(part):
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
                written += len(part) // BLOCK
                if progress is not None:
                    progress(written, count)
            os.fsync(target)
        finally:
            os.close(target)
    except OSError as error:
        if written == count and error.errno in _GONE:
            return  # it restarts as soon as it has the last block, and so may be gone already
        raise PortGone(
            str(drive),
            f"The boot loader's drive {drive} failed after {written} of {count} blocks "
            f"({error.strerror}). The firmware on the board is incomplete, and the board stays in "
            "its boot loader. Plug it in again, with BOOTSEL held if no drive appears, and "
            "repeat.",
        ) from error


def wait_for_box(serial: str | None, seconds: float = _ANSWER_SECONDS) -> Identity:
    """Opens the box that has started with its new firmware and returns what it says of itself.

    serial: the box that is waited for; None: the only one that is plugged in. Raises PortNotFound
    if it doesn't answer.
    """
    end = time.monotonic() + seconds
    while True:
        try:
            with Box.open(serial) as box:
                return box.identity
        except PortError as error:
            if time.monotonic() > end:
                raise PortNotFound(
                    serial or "",
                    f"The image was written, but no box answered within {seconds:.0f} s ({error}) "
                    "Unplug the board and plug it in again; if it still does not answer, flash it "
                    "again with BOOTSEL held.",
                ) from error
            time.sleep(_LOOK_SECONDS)


def flash(
    path: Path, where: str | None = None, progress: Callable[[int, int], None] | None = None
) -> Identity:
    """Loads firmware into a Pico and returns what the box says of itself then.

    path: the UF2 file. where: the running box, as for `Box.open`; a board that is in its boot
    loader already is taken where this is None. The image is checked before anything is touched.
    Raises BadValue, Refused (a board that is no Pico, or can't restart into its boot loader),
    PortNotFound, PortGone.
    """
    image = Image.read(path)
    serial = None
    earlier: list[Path] = []
    if where is not None or not is_waiting():
        with Box.open(where) as box:
            if box.identity.board != "pico":
                raise BadValue(
                    f"The box at {box.port_name} is a {box.identity.board}, and {path} is for a "
                    "Pico. Its firmware was not changed."
                )
            serial = box.identity.serial
            earlier = [*drives(), *drives(board=_OTHER_BOARD)]
            box.restart(boot_loader=True)
    copy(image, wait_for_drive(earlier=earlier), progress)
    return wait_for_box(serial)
