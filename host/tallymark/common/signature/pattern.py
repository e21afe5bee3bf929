"""From the number of a session to the pulses that spell it, and back: SIGNATURE.md as code.

42 bits (session, ordinal, CRC) are 14 intervals of 3 bits. An interval is 9 to 16 units long, so
that two of them together are longer, and the halves of one shorter, than any.
"""

from __future__ import annotations

import re
import secrets
from dataclasses import dataclass
from itertools import accumulate

from fastcrc.crc16 import profibus

from tallymark.common.errors import BadValue
from tallymark.common.formatting import time_text

SESSIONS = 1 << 20
ORDINALS = 1 << 6
INTERVALS = 14
PULSES = INTERVALS + 1
SHORTEST, LONGEST = 9, 16  # units
WIDTH = 4  # units that a pulse lasts
SAMPLES = 3  # of the receiver, that a unit lasts at least
UNITS_US = tuple(8_000 << n for n in range(8))
"""The lengths that a unit may have, in microseconds: 8 ms to 1,024 ms."""


@dataclass(frozen=True)
class Signature:
    """session: 1 to 0xFFFFF; ordinal: 0 to 63, the number of the signature in its session, from 1,
    modulo 64."""

    session: int
    ordinal: int

    def __post_init__(self) -> None:
        if not 0 < self.session < SESSIONS or not 0 <= self.ordinal < ORDINALS:
            raise BadValue(
                f"A session has a number from 1 to {SESSIONS - 1} and a signature one from 0 to "
                f"{ORDINALS - 1}, not {self.session} and {self.ordinal}."
            )

    @property
    def intervals(self) -> tuple[int, ...]:
        """From each pulse's start to the next one's, in units."""
        payload = self.session << 6 | self.ordinal
        bits = payload << 16 | checksum(payload)
        shifts = range(3 * (INTERVALS - 1), -1, -3)
        return tuple(SHORTEST + (bits >> shift & 7) for shift in shifts)

    @property
    def starts(self) -> tuple[int, ...]:
        """Start of each pulse after the first one's, in units."""
        return tuple(accumulate(self.intervals, initial=0))

    @classmethod
    def spelled(cls, intervals: tuple[int, ...]) -> Signature | None:
        """What 14 intervals in units spell; None if they are no signature."""
        bits = 0
        for interval in intervals:
            if not SHORTEST <= interval <= LONGEST:
                return None
            bits = bits << 3 | interval - SHORTEST
        payload = bits >> 16
        if len(intervals) != INTERVALS or bits & 0xFFFF != checksum(payload) or not payload >> 6:
            return None
        return cls(payload >> 6, payload & ORDINALS - 1)


def checksum(payload: int) -> int:
    """CRC-16/PROFIBUS of the session and the ordinal, as four bytes with the highest first."""
    return profibus(payload.to_bytes(4, "big"))


@dataclass(frozen=True)
class Form:
    """How signatures are sent. code: 1 to 255; unit_us: one of `UNITS_US`."""

    code: int = 255
    unit_us: int = UNITS_US[0]

    def __post_init__(self) -> None:
        if not 0 < self.code < 256:
            raise BadValue(f"The code of a signature goes from 1 to 255, not {self.code}.")
        if self.unit_us not in UNITS_US:
            raise BadValue(
                f"A signature's unit is one of {', '.join(map(time_text, UNITS_US))}, not "
                f"{self.unit_us} µs."
            )

    @classmethod
    def for_receiver(cls, code: int, needed_us: float, sample_us: float | None) -> Form | None:
        """The shortest form that a receiver can see, None if none is long enough.

        needed_us: shortest pulse that it sees for certain; sample_us: time from one of its samples
        to the next, None if that isn't known. Both in microseconds.
        """
        least = max(SAMPLES * (sample_us or 0.0), needed_us / WIDTH)
        return next((cls(code, unit) for unit in UNITS_US if unit >= least), None)

    @property
    def width_us(self) -> int:
        """How long each pulse lasts."""
        return WIDTH * self.unit_us

    @property
    def shortest_us(self) -> int:
        """From the first edge to the last, if all intervals are the shortest."""
        return (INTERVALS * SHORTEST + WIDTH) * self.unit_us

    @property
    def longest_us(self) -> int:
        """The same if all intervals are the longest."""
        return (INTERVALS * LONGEST + WIDTH) * self.unit_us

    def steps(self, signature: Signature) -> list[tuple[int, int]]:
        """The sequence that puts it on the lines: (code, hold time in microseconds), 29 of them."""
        found = []
        for interval in signature.intervals:
            found += [(self.code, self.width_us), (0, interval * self.unit_us - self.width_us)]
        return [*found, (self.code, self.width_us)]


@dataclass
class Session:
    """The number of a session, and how many signatures it has had. number: 1 to 0xFFFFF; default: a
    random one."""

    number: int = 0
    signed: int = 0

    def __post_init__(self) -> None:
        self.number = self.number or 1 + secrets.randbelow(SESSIONS - 1)

    def next(self) -> Signature:
        """The signature that comes next."""
        self.signed += 1
        return Signature(self.number, self.signed % ORDINALS)


@dataclass(frozen=True)
class Signed:
    """A signature that was sent. count: which one of its session it is, from 1. box_us: box time of
    its first edge. pulses: how many of the 15 went out (fewer if somebody stopped it)."""

    signature: Signature
    form: Form
    count: int
    box_us: int
    pulses: int = PULSES

    @property
    def session(self) -> str:
        """The session's number as people see it."""
        return in_text(self.signature.session)

    @property
    def edges_us(self) -> tuple[int, ...]:
        """Box time of each pulse's start."""
        starts = self.signature.starts[: self.pulses]
        return tuple(self.box_us + start * self.form.unit_us for start in starts)


def in_text(session: int) -> str:
    """A session's number as people see it: five hexadecimal digits."""
    return f"{session:05X}"


def as_number(text: str) -> int:
    """The reverse of `in_text`. ValueError for a text that is no session's number."""
    if not re.fullmatch("[0-9A-Fa-f]{5}", text) or not int(text, 16):
        raise ValueError(f"'{text}' is not the number of a session")
    return int(text, 16)
