"""What a user gives to a virtual box: its serial number, and a file for its store."""

from __future__ import annotations

import hashlib
import secrets
from pathlib import Path

from tallymark.common.errors import BadValue, TallymarkError
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


def own_serial(store: Path | None) -> bytes:
    """A serial number that no other virtual box has: random, or that of its store's place."""
    if store is None:
        return b"virt" + secrets.token_bytes(4)
    return b"virt" + hashlib.sha256(str(store.resolve()).encode()).digest()[:4]


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
    """Keeps a store in its file, which is replaced whole. Raises TallymarkError."""
    draft = path.with_name(path.name + ".new")
    try:
        draft.write_bytes(content)
        draft.replace(path)
    except OSError as error:
        raise TallymarkError(
            f"The settings could not be kept in {path} ({error.strerror}); they "
            "are lost when this virtual box ends."
        ) from error
