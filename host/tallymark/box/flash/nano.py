"""Loading firmware into a Nano or Uno: an Intel HEX file, written by avrdude to its boot loader."""

from __future__ import annotations

import contextlib
import io
import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

from tallymark.box.ports.discovery import open_port
from tallymark.common.errors import BadValue, PortBusy, PortError

BAUDS = (115_200, 57_600)
"""Rates of the usual boot loaders: of Unos and newer Nanos, and of many Nanos made before 2018."""
LARGEST = 30_720
"""Bytes of flash beside the largest usual boot loader."""
_END = ":00000001FF"


def flash(path: Path, port: str, baud: int = BAUDS[0]) -> int:
    """Loads firmware into the board at a serial port; returns how many bytes that were.

    baud: rate of its boot loader, of BAUDS. The image is checked before anything is touched. Raises
    BadValue (no image, or no avrdude), PortBusy (another program uses the board) and PortError
    (avrdude failed; its words are in the error).
    """
    size = image_size(path)
    program = shutil.which("avrdude")
    if program is None:
        raise BadValue(
            "The program avrdude, which writes to the board's boot loader, is not installed. "
            "Install it: 'sudo apt-get install avrdude' on Debian and Ubuntu, 'brew install "
            "avrdude' on macOS, or the archive on https://github.com/avrdudes/avrdude for Windows. "
            "Nothing was sent."
        )
    command = [program, "-q", "-p", "atmega328p", "-c", "arduino", "-b", str(baud), "-P", port,
               "-D", "-U", f"flash:w:{path}:i"]
    with _taken(port):
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        lines = [line.strip() for line in done.stderr.splitlines() if line.strip()]
        said = lines[0].removeprefix("avrdude ") if lines else "nothing"
        other = next(rate for rate in BAUDS if rate != baud)
        raise PortError(
            port,
            f"The firmware was not written to the board at {port}. avrdude said: {said}. Check "
            "that it is the board's port and that no other program has it open; then try again "
            f"with --loader-baud {other}. The board may have no working firmware until this "
            "succeeds.",
        )
    return size


@contextlib.contextmanager
def _taken(port: str) -> Iterator[None]:
    """Keeps a port from other programs. avrdude takes no lock on POSIX systems, and would restart a
    board in the middle of a session. Raises PortBusy; what else is wrong with a port avrdude tells.
    """
    taken = None
    try:
        taken = open_port(port)
    except PortBusy:
        raise
    except PortError:
        pass
    if taken is not None and os.name != "posix":
        taken.close()  # there avrdude could not open it
    try:
        yield
    finally:
        if taken is not None:
            taken.close()


def image_size(path: Path) -> int:
    """Bytes of program in an Intel HEX file: one piece from address 0 on, below the boot loader.

    Raises BadValue if it is no such file, is damaged or does not fit."""
    from intelhex import IntelHex, IntelHexError  # needed here alone

    content = path.read_text("ascii", "replace")
    lines = content.split()
    try:
        segments = IntelHex(io.StringIO("\n".join(lines))).segments()
    except (IntelHexError, ValueError) as error:
        raise BadValue(
            f"{path} is not an Intel HEX file, or it is damaged ({error}). Build it with 'make "
            "firmware': build/firmware/nano/firmware.hex."
        ) from error
    if not segments or lines[-1].upper() != _END:
        raise BadValue(f"{path} ends too early: it is empty or was cut off. Build it again.")
    if len(segments) > 1 or segments[0][0] != 0:
        listed = ", ".join(f"{begin:04X} to {end - 1:04X}" for begin, end in segments[:4])
        raise BadValue(
            f"{path} is not one piece from address 0 on ({listed}): something is missing, or it is "
            "for another board. What it leaves out would stay as it is on the board."
        )
    size = int(segments[0][1])
    if size > LARGEST:
        raise BadValue(
            f"{path} reaches to address {size - 1:04X}; the board holds {LARGEST:,} bytes below "
            "its boot loader, which must not be overwritten."
        )
    return size
