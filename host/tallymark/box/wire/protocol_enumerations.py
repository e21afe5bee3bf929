"""Every message of protocol version 2: its number and its name. PROTOCOL.md, section 4.

Layouts are in `layouts`, which needs the library construct and so takes longer to import.
"""

from __future__ import annotations

from enum import IntEnum, IntFlag
from typing import TypeVar

PROTOCOL_MAJOR = 2
PROTOCOL_MINOR = 0
FRAME_LONGEST = 64
"""Bytes of a frame before stuffing: type, tag, body and CRC."""
WIRE_LONGEST = FRAME_LONGEST + 2
"""Bytes of a frame on the wire, closing zero included."""
FIRST_NOTICE = 0xC0
"""Types from here on are notices, those below, from 0x80 on, answers."""
IN_SESSION = 0x20
"""Bit of the type of an answer or a notice: a session is in force. A start of the box ends it."""
NO_CUT = 0xFFFFFFFF
"""`lasted` where no pulse was cut."""

_E = TypeVar("_E", bound="Numbered")


class Numbered(IntEnum):
    """A number of the protocol with its name."""

    @classmethod
    def of(cls: type[_E], number: int) -> _E | None:
        """The member with that number, or None for one that this version doesn't know."""
        try:
            return cls(number)
        except ValueError:
            return None

    @property
    def label(self) -> str:
        """The name as the specification writes it."""
        return self.name.lower().replace("_", " ")


class Request(Numbered):
    """Types of requests, section 4.1."""

    IDENTIFY = 0x01
    CLOCK = 0x02
    COUNTERS = 0x03
    LEVELS = 0x04
    FATE = 0x05
    RESTART = 0x06
    SESSION = 0x07
    FATE_OF_NUMBER = 0x08
    PULSE = 0x10
    PULSE_FOR = 0x11
    SET = 0x12
    TIMED = 0x13
    CANCEL = 0x14
    SEQUENCE_LOAD = 0x18
    SEQUENCE_START = 0x19
    SEQUENCE_STOP = 0x1A
    SEQUENCE_STATE = 0x1B
    SEQUENCE_START_AT = 0x1C
    CAPTURE_START = 0x20
    CAPTURE_FETCH = 0x21
    CAPTURE_STOP = 0x22
    SETTINGS_READ = 0x28
    SETTINGS_WRITE = 0x29
    SETTINGS_KEEP = 0x2A
    SETTINGS_FACTORY = 0x2B
    PROBE_LEVELS = 0x30
    SNIPPET_TAKE = 0x31
    SNIPPET_READ = 0x32


class Answer(Numbered):
    """Types of answers, section 4.2."""

    DONE = 0x80
    DONE_NOTED = 0x81
    REFUSED = 0x82
    IDENTITY = 0x83
    COUNTERS = 0x84
    LEVELS = 0x85
    FATE = 0x86
    SEQUENCE = 0x87
    EDGES = 0x88
    SETTINGS = 0x89
    ACCEPTED = 0x8A
    PROBE_LEVELS = 0x8B
    SNIPPET = 0x8C


class Notice(Numbered):
    """Types of notices, which the box sends unasked, section 4.3."""

    STARTED = 0xC0
    SEQUENCE_ENDED = 0xC1
    EDGES = 0xC2
    BYTE_MARKER = 0xC3
    HOLD_ENDED = 0xC4
    MARKER_EDGE = 0xC5
    PROBE_EDGES = 0xC6


class Reason(Numbered):
    """Why a request was refused, section 4.4."""

    NONE = 0
    UNKNOWN_REQUEST = 1
    WRONG_LENGTH = 2
    VERSION = 3
    TAG_ZERO = 4
    TAG_REPEATED = 5
    OUTSIDE_LINES = 6
    WIDTH_RANGE = 7
    OVERLAP = 8
    WAITING = 9
    PLAYING = 10
    SEQUENCE_ORDER = 11
    SEQUENCE_FULL = 12
    SEQUENCE_EMPTY = 13
    SEQUENCE_LONG = 14
    VALUE_RANGE = 15
    LINES_BUSY = 16
    STORE_FAILED = 17
    UNSUPPORTED = 18
    CANCELLED = 19
    BYTES_OFF = 20
    NO_MARKER = 21
    LATE = 22
    TAKEN = 23
    PLACES = 24


class BoardKind(Numbered):
    """What the firmware runs on."""

    VIRTUAL = 1
    NANO = 2
    PICO = 3


class Cause(Numbered):
    """Why a box started."""

    POWER = 1
    RESET_PIN = 2
    WATCHDOG = 3
    BROWN_OUT = 4
    ASKED = 5
    UNKNOWN = 6


class Capability(IntFlag):
    """What a box can do beyond what all boxes can, section 4.2, `identity`."""

    BOOT_LOADER = 0x01
    READBACK = 0x02
    BYTE_PORT = 0x04
    BYTE_SERIAL = 0x08
    AHEAD = 0x10
    STROBE = 0x20
    DIGITAL = 0x40
    ANALOG = 0x80
    START_AT = 0x100


class Note(IntFlag):
    """What else the box says of a marker that went out, section 4.2, `done noted`."""

    NO_EDGE = 0x01


class TimedKind(Numbered):
    """What a marker with times of its own is."""

    PULSE = 0
    SET = 1


class EdgeSource(Numbered):
    """Where a captured edge was seen."""

    READBACK = 0
    LIGHT_LEVEL = 1
    SOUND_LEVEL = 2
    LIGHT_EDGE = 3
    SOUND_EDGE = 4
    TTL = 5


class ProbeBit(IntFlag):
    """What is watched, and how: `probes` of the settings, section 6.3."""

    LIGHT_LEVEL = 0x01
    SOUND_LEVEL = 0x02
    LIGHT_EDGE = 0x04
    SOUND_EDGE = 0x08
    TTL = 0x10
    TTL_LOW = 0x20
    LIGHT_STEADY = 0x40


class FateOutcome(Numbered):
    """What the box knows of an earlier marker request."""

    UNKNOWN = 0
    DONE = 1
    WAITING = 2
    REFUSED = 3
    ACCEPTED = 4


class SequencePhase(Numbered):
    """Where a sequence stands."""

    EMPTY = 0
    LOADED = 1
    PLAYING = 2
    ENDED = 3
    STOPPED = 4
    WAITS = 5
    """For its time."""


class Origin(Numbered):
    """Where the settings came from when the box started, or where they were kept last."""

    FACTORY = 0
    SLOT_A = 1
    SLOT_B = 2
    OTHER_VERSION = 3
    """Factory values, because what is kept is of another version of the firmware."""


class Idle(Numbered):
    """Level of the lines when no marker is out."""

    LOW = 0
    HIGH = 1


class Overlap(Numbered):
    """What a marker does that comes while a pulse is out."""

    CUT = 0
    REFUSE = 1


class ByteMode(Numbered):
    """What a byte on the byte input is."""

    OFF = 0
    PULSE = 1
    SET = 2
    LIMITED = 3


class CaptureMode(Numbered):
    """What happens to captured edges: kept until they are fetched, or sent as notices."""

    KEEP = 0
    SEND = 1


MARKER_REQUESTS = frozenset(
    (
        Request.PULSE,
        Request.PULSE_FOR,
        Request.SET,
        Request.TIMED,
        Request.SEQUENCE_START,
        Request.SEQUENCE_START_AT,
    )
)
"""Requests that put something on the lines; carried out only with a tag that is ahead."""

ANSWER_TO: dict[Request, Answer] = {
    **dict.fromkeys(Request, Answer.DONE),
    Request.IDENTIFY: Answer.IDENTITY,
    Request.COUNTERS: Answer.COUNTERS,
    Request.LEVELS: Answer.LEVELS,
    Request.FATE: Answer.FATE,
    Request.FATE_OF_NUMBER: Answer.FATE,
    Request.SEQUENCE_STOP: Answer.SEQUENCE,
    Request.SEQUENCE_STATE: Answer.SEQUENCE,
    Request.CAPTURE_FETCH: Answer.EDGES,
    Request.SETTINGS_READ: Answer.SETTINGS,
    Request.PROBE_LEVELS: Answer.PROBE_LEVELS,
    Request.SNIPPET_READ: Answer.SNIPPET,
}
"""The answer to each request, unless it is refused or, for a marker, `DONE_NOTED` or `ACCEPTED`."""
