"""Raw talk with the simulated chip: frames out, messages in, without the host library."""

from __future__ import annotations

import struct
from dataclasses import dataclass

from cobs import cobs
from fastcrc.crc16 import profibus
from nano_chip import Chip

IDENTIFY, CLOCK, COUNTERS, LEVELS, FATE, RESTART = 1, 2, 3, 4, 5, 6
PULSE, PULSE_FOR, SET = 0x10, 0x11, 0x12
SEQUENCE_LOAD, SEQUENCE_START, SEQUENCE_STOP, SEQUENCE_STATE = 0x18, 0x19, 0x1A, 0x1B
CAPTURE_START, CAPTURE_FETCH, CAPTURE_STOP = 0x20, 0x21, 0x22
SETTINGS_READ, SETTINGS_WRITE, SETTINGS_KEEP, SETTINGS_FACTORY = 0x28, 0x29, 0x2A, 0x2B
DONE, DONE_NOTED, REFUSED = 0x80, 0x81, 0x82
IDENTITY, COUNTED, SETTINGS = 0x83, 0x84, 0x89
NOTICES = 0xC0  # types from here on, whose tag is their number
STARTED, SEQUENCE_ENDED, EDGES, BYTE_MARKER = 0xC0, 0xC1, 0xC2, 0xC3

CAUSES = {1: "power", 2: "reset pin", 3: "watchdog", 4: "brown-out", 5: "asked", 6: "unknown"}
COUNTER_NAMES = ("frames", "frames_broken", "refused", "markers", "bytes", "edges_lost",
                 "messages_lost", "input_lost", "notices")
RECORD = struct.Struct("<16sIIIIBBBB14x")
"""name, width, gap, hold_limit, byte_baud, lines, idle, overlap, byte_mode; the rest is 0"""


@dataclass(frozen=True, slots=True)
class Message:
    """What the box said."""

    kind: int
    tag: int
    body: bytes
    cycle: int
    """End of its closing zero."""

    @property
    def time(self) -> int:
        """Box time, where the body begins with it."""
        return int.from_bytes(self.body[:8], "little")


def frame(kind: int, tag: int, body: bytes = b"") -> bytes:
    """A request as it is on the wire."""
    message = bytes((kind, tag)) + body
    return cobs.encode(message + profibus(message).to_bytes(2, "big")) + b"\0"


def messages(received: list[tuple[int, int]]) -> list[Message]:
    """Takes the whole frames out of what a chip sent."""
    found = []
    begin = 0
    for place, (cycle, byte) in enumerate(received):
        if byte == 0:
            content = cobs.decode(bytes(value for _, value in received[begin:place]))
            begin = place + 1
            assert profibus(content[:-2]) == int.from_bytes(content[-2:], "big"), "broken frame"
            found.append(Message(content[0], content[1], content[2:-2], cycle))
    del received[:begin]
    return found


class Talk:
    """One request at a time, with a fresh tag each."""

    def __init__(self, chip: Chip) -> None:
        self.chip = chip
        self.tag = 0
        self.notices: list[Message] = []

    def next_tag(self) -> int:
        """The tag of the next request."""
        self.tag = self.tag % 255 + 1
        return self.tag

    def say(self, kind: int, body: bytes = b"") -> int:
        """Sends a request now; returns the cycle at which its last stop bit will end."""
        return self.chip.send(frame(kind, self.next_tag(), body))

    def ask(self, kind: int, body: bytes = b"", *, patience_us: int = 20_000) -> Message:
        """Sends a request and waits for its answer."""
        self.say(kind, body)
        return self.answer(self.tag, patience_us=patience_us)

    def answer(self, tag: int, *, patience_us: int = 20_000) -> Message:
        """Waits for the answer with that tag."""
        end = self.chip.cycle + patience_us * 16
        while self.chip.cycle < end:
            self.chip.run_us(50)
            for message in messages(self.chip.received):
                if message.tag == tag and message.kind < NOTICES:
                    return message
                self.notices.append(message)
        raise AssertionError(f"no answer to the request with tag {tag}")

    def done(self, kind: int, body: bytes = b"", *, patience_us: int = 20_000) -> Message:
        """As `ask`, for a request that must not be refused."""
        answer = self.ask(kind, body, patience_us=patience_us)
        assert answer.kind != REFUSED, f"refused: reason {answer.body[1]}, {answer.body[2:]!r}"
        return answer

    def listen(self, microseconds: float = 1000) -> list[Message]:
        """Lets time pass; returns what the box said unasked, until now."""
        self.chip.run_us(microseconds)
        said = [*self.notices, *messages(self.chip.received)]
        self.notices.clear()
        return said

    def counters(self) -> dict[str, int]:
        """The box's counters."""
        values = struct.unpack_from("<9I", self.done(COUNTERS).body, 8)
        return dict(zip(COUNTER_NAMES, values, strict=True))


def pulse_for(code: int, width: int) -> bytes:
    """Body of `pulse for`."""
    return struct.pack("<BI", code, width)


STROBE = 0x20


def strobed(lead: int, hold: int, *, width: int = 5000, idle: int = 0, overlap: int = 0,
            line: int = STROBE, byte_mode: int = 1) -> bytes:
    """A settings record: the factory values, but for these."""
    record = RECORD.pack(b"", width, 0, 0, 115_200, 255, idle, overlap, byte_mode)
    return record[:36] + struct.pack("<BxHH", line, lead, hold) + record[42:]
