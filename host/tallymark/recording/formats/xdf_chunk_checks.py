"""The chunks of an XDF file, checked before pyxdf reads them.

Format: XDF 1.0: 'XDF:', then chunks of length, tag and content. pyxdf trusts the counts in them: a
damaged one makes it ask for all of the memory, or lose its place. What can't be whole is left out
here, with its place, and pyxdf gets the rest.
"""

from __future__ import annotations

import struct
import xml.etree.ElementTree as ElementTree
from dataclasses import dataclass
from pathlib import Path

from tallymark.common.formatting import some
from tallymark.recording.recording_data import RecordingError

MAGIC = b"XDF:"
_HEADER, _SAMPLES, _CLOCK, _FOOTER = 2, 3, 4, 6
_BYTES = {
    "int8": 1,
    "int16": 2,
    "int32": 4,
    "int64": 8,
    "float32": 4,
    "double64": 8,
    "string": 0,
}
_BOUNDARY = bytes.fromhex("43a546dccbf5410fb30ed5467383cbe4")


class _Damaged(Exception):
    """A chunk is not what its counts say."""


@dataclass(frozen=True)
class _Layout:
    """channels, and bytes of a value (0 for texts)."""

    channels: int
    value_bytes: int


def sound_chunks(path: Path, incomplete: list[str]) -> bytes:
    """The file without the chunks that are damaged; each kind of damage is told in `incomplete`.

    Raises RecordingError if it can't be read or is no XDF file.
    """
    try:
        raw = path.read_bytes()
    except OSError as error:
        raise RecordingError(f"{path}: can't be read ({error.strerror}).") from error
    if not raw.startswith(MAGIC):
        raise RecordingError(f"{path}: is no XDF file.")
    layouts: dict[int, _Layout] = {}
    kept = [MAGIC]
    damaged: list[int] = []
    at = len(MAGIC)
    while at < len(raw):
        try:
            content, end = _chunk(raw, at)
        except _Damaged:
            damaged.append(at)
            found = raw.find(_BOUNDARY, at + 1)
            if found < 0:
                break
            at = found + len(_BOUNDARY)
            continue
        try:
            _check(raw, content, end, layouts)
        except _Damaged:
            damaged.append(at)
        else:
            kept.append(raw[at:end])
        at = end
    if damaged:
        incomplete.append(
            f"The file is damaged or cut off: {some(len(damaged), 'chunk')} can't be read and was "
            f"left out (the first is at byte {damaged[0]:,}). Copy it from the recording computer "
            "again."
        )
    return b"".join(kept)


def _chunk(raw: bytes, at: int) -> tuple[int, int]:
    """Where the tag of the chunk at `at` is, and where the chunk ends."""
    length, tag = _count(raw, at, len(raw))
    if length < 2 or tag + length > len(raw) or not 1 <= raw[tag] <= 6 or raw[tag + 1]:
        raise _Damaged
    return tag, tag + length


def _count(raw: bytes, at: int, end: int) -> tuple[int, int]:
    """A number of 1, 4 or 8 bytes with its size in front, and where it ends."""
    size = raw[at] if at < end else 0
    if size not in (1, 4, 8) or at + 1 + size > end:
        raise _Damaged
    return int.from_bytes(raw[at + 1 : at + 1 + size], "little"), at + 1 + size


def _check(raw: bytes, at: int, end: int, layouts: dict[int, _Layout]) -> None:
    """Raises _Damaged if the content of a chunk can't be what its tag says."""
    tag, body = raw[at], at + 2
    if tag not in (_HEADER, _SAMPLES, _CLOCK, _FOOTER):
        return
    if body + 4 > end:
        raise _Damaged
    stream = struct.unpack_from("<I", raw, body)[0]
    if tag == _HEADER:
        layouts[stream] = _layout(raw[body + 4 : end])
    elif stream not in layouts:
        raise _Damaged
    elif tag == _SAMPLES:
        _check_samples(raw, body + 4, end, layouts[stream])
    elif tag == _CLOCK and end - body != 20:
        raise _Damaged


def _layout(xml: bytes) -> _Layout:
    try:
        root = ElementTree.fromstring(xml.decode("utf-8", "replace"))
        channels = int(root.findtext("channel_count", ""))
        kind = root.findtext("channel_format", "").strip()
        float(root.findtext("nominal_srate", ""))
    except (ElementTree.ParseError, ValueError) as error:
        raise _Damaged from error
    if not 1 <= channels <= 100_000 or kind not in _BYTES:
        raise _Damaged
    return _Layout(channels, _BYTES[kind])


def _check_samples(raw: bytes, at: int, end: int, layout: _Layout) -> None:
    count, at = _count(raw, at, end)
    fixed = layout.channels * layout.value_bytes
    for _ in range(count):
        if at >= end or raw[at] not in (0, 8):
            raise _Damaged
        at += 1 + raw[at] + fixed
        if not layout.value_bytes:
            for _ in range(layout.channels):
                length, at = _count(raw, at, end)
                at += length
    if at != end:
        raise _Damaged
