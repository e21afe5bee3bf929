"""What a user gives to a virtual box: its serial number, and a file for its store."""

from __future__ import annotations

from pathlib import Path

from tallymark.errors import BadValue, TallymarkError
from tallymark.virtual.virtual_box import STORE_SIZE


def serial_number(text: str) -> bytes:
    """The 8 bytes of a serial number in 16 hexadecimal digits. Raises BadValue."""
    try:
        number = bytes.fromhex(text)
    except ValueError:
        number = b""
    if len(number) != 8:
        raise BadValue(f"A serial number has 16 hexadecimal digits, not '{text}'.")
    return number


def read_store(path: Path | None) -> bytes | None:
    """What the file of a store holds; None if there is none yet. Raises BadValue."""
    if path is None or not path.exists():
        return None
    try:
        content = path.read_bytes()
    except OSError as error:
        raise BadValue(f"{path} can't be read ({error.strerror}).") from error
    if len(content) != STORE_SIZE:
        raise BadValue(f"{path} is not a store of a virtual box: it has {len(content)} bytes "
                       f"instead of {STORE_SIZE}.")
    return content


def write_store(path: Path, content: bytes) -> None:
    """Keeps a store in its file. Raises TallymarkError."""
    try:
        path.write_bytes(content)
    except OSError as error:
        raise TallymarkError(
            f"The settings could not be stored in {path} ({error.strerror}); they are lost."
        ) from error
