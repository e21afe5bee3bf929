"""Frames: COBS(type, tag, body, CRC-16/PROFIBUS) and a closing zero. PROTOCOL.md, section 2.

The CRC goes high byte first, so that the CRC over a good frame, CRC included, is always the same.
"""

from __future__ import annotations

from functools import lru_cache
from struct import Struct

from cobs.cobs import DecodeError, decode, encode  # type: ignore[import-untyped]
from fastcrc.crc16 import profibus

from tallymark.box.wire.protocol_enumerations import FRAME_LONGEST, Request

FRAME_SHORTEST = 4
"""Bytes of a frame without a body: type, tag and CRC."""
WIRE_SHORTEST = FRAME_SHORTEST + 2
"""The same on the wire, stuffed and with the closing zero."""
_WHOLE = 0xE394 ^ 0xFFFF  # residue of the CRC, after the final XOR
STUFFED_LONGEST = FRAME_LONGEST + 1
CODE_WIRE = 7
"""Bytes on the wire of a marker request whose body is a code."""
CODE_WIDTH_WIRE = 11
"""Bytes on the wire of a pulse with a width of its own."""

_TIMES = 2**32
_SURELY_PAST_US = 2**30
_FRAMES_KEPT = 255 * 64
"""Of 64 codes with all tags: some 3 MB."""

Frame = tuple[int, int, bytes]
"""Type, tag and body of a message that arrived whole."""

TIMED_WIRE = 20
"""Bytes on the wire of a marker with times of its own."""

_pack_timed = Struct("<BBBBIII").pack
_pack_code = Struct("<BBB").pack
_pack_code_width = Struct("<BBBI").pack


def frame(kind: int, tag: int, body: bytes) -> bytes:
    """A message as it goes on the wire."""
    message = bytes((kind, tag)) + body
    wire: bytes = encode(message + profibus(message).to_bytes(2, "big")) + b"\0"
    return wire


def code_frame(kind: int, tag: int, code: int) -> bytes:
    """A marker request whose body is a code, as it goes on the wire (CODE_WIRE bytes)."""
    message = _pack_code(kind, tag, code)
    wire: bytes = encode(message + profibus(message).to_bytes(2, "big")) + b"\0"
    return wire


@lru_cache(_FRAMES_KEPT)
def pulse_frame(tag: int, code: int) -> bytes:
    """A pulse of the width in the settings. Kept: a program has few codes, and few tags exist."""
    return code_frame(Request.PULSE, tag, code)


@lru_cache(_FRAMES_KEPT)
def set_frame(tag: int, code: int) -> bytes:
    """A code that stays. Kept as well."""
    return code_frame(Request.SET, tag, code)


def code_width_frame(kind: int, tag: int, code: int, width_us: int) -> bytes:
    """A marker request whose body is a code and a width (CODE_WIDTH_WIRE bytes)."""
    message = _pack_code_width(kind, tag, code, width_us)
    wire: bytes = encode(message + profibus(message).to_bytes(2, "big")) + b"\0"
    return wire


def timed_frame(
    tag: int, stays: bool, code: int, width_us: int, expiry_us: int, at_us: int | None = None
) -> bytes:
    """A marker with box times of its own (TIMED_WIRE bytes): not before `at_us`, or at once, and
    not after the expiry.

    Without `at_us` the expiry may be some 17 minutes before or after the box's time.
    """
    if at_us is None:
        at_us = expiry_us - _SURELY_PAST_US  # not before this, which is no condition
    message = _pack_timed(
        Request.TIMED, tag, stays, code, width_us, at_us % _TIMES, expiry_us % _TIMES
    )
    wire: bytes = encode(message + profibus(message).to_bytes(2, "big")) + b"\0"
    return wire


class Decoder:
    """Finds the frames in a byte stream that comes in pieces of any size.

    `broken` counts what was dropped: stuffing that does not fit, frames that are too short or
    too long, and wrong CRCs.
    """

    __slots__ = ("_overlong", "_rest", "broken")

    def __init__(self) -> None:
        self.broken = 0
        self._rest = b""
        self._overlong = False

    def feed(self, chunk: bytes) -> list[Frame]:
        """Takes the next bytes and returns the frames that are complete now, in order."""
        *pieces, rest = (self._rest + chunk).split(b"\0")
        frames = []
        for piece in pieces:
            if self._overlong:  # its beginning was dropped and counted below
                self._overlong = False
            elif piece:
                found = unpack(piece)
                if found is None:
                    self.broken += 1
                else:
                    frames.append(found)
        if len(rest) > STUFFED_LONGEST or self._overlong:
            if not self._overlong:
                self.broken += 1
            self._overlong = True
            rest = b""
        self._rest = rest
        return frames


def unpack(stuffed: bytes) -> Frame | None:
    """One frame without its closing zero, or None if it is broken."""
    if len(stuffed) > STUFFED_LONGEST:
        return None
    try:
        raw = decode(stuffed)
    except DecodeError:
        return None
    if len(raw) < FRAME_SHORTEST or profibus(raw) != _WHOLE:
        return None
    return raw[0], raw[1], raw[2:-2]
