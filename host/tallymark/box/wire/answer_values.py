"""What the box tells, as plain values. Times and durations are in microseconds of box time."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

from tallymark.box.wire.layouts import ANSWERS, EDGE_LENGTH, EDGES_HEAD_LENGTH, NOTICES
from tallymark.box.wire.protocol_enumerations import (
    NO_CUT,
    Answer,
    BoardKind,
    Cause,
    EdgeSource,
    FateOutcome,
    Note,
    Notice,
    Reason,
    SequencePhase,
)


@dataclass(frozen=True, slots=True)
class Identity:
    """Who a box is and what it can do."""

    protocol: str
    """Protocol version, "major.minor"."""
    firmware: str
    board: str
    """Kind of board: "virtual", "nano", "pico", or "board 9" for one that isn't known."""
    serial: str
    """16 hexadecimal digits; no other box has the same."""
    cause: Cause
    """Why the box started last."""
    newest_tag: int
    """Tags are ahead of this one; 0: no request came since the start."""
    window: int
    """Bytes of requests that may be on their way."""
    history: int
    """Marker requests whose fate the box remembers."""
    steps: int
    """Longest sequence."""
    edges: int
    """Edges that the capture holds."""
    least_width_us: int
    longest_width_us: int
    name: str
    """The box's name from the settings; may be empty."""
    session: int = 0
    """The number of the session in force; 0: none since the start."""
    capabilities: int = 0
    """What it can do, bits of `Capability`."""
    last_notice: int = 0
    """The number of the newest notice, 1 to 255."""
    places: int = 0
    """Markers that can wait for their time, with those that did and are remembered."""
    least_lead_us: int = 0
    """How long before its time a marker has to reach the box."""

    @classmethod
    def parse(cls, body: bytes) -> Identity:
        """From the body of an `identity` answer."""
        raw = ANSWERS[Answer.IDENTITY].parse(body)
        kind = BoardKind.of(raw.board)
        return cls(
            protocol=f"{raw.major}.{raw.minor}",
            firmware=".".join(str(part) for part in raw.firmware),
            board=kind.label if kind else f"board {raw.board}",
            serial=raw.serial.hex().upper(),
            cause=Cause.of(raw.cause) or Cause.UNKNOWN,
            newest_tag=raw.newest_tag,
            window=raw.window,
            history=raw.history,
            steps=raw.steps,
            edges=raw.edges,
            least_width_us=raw.least_width,
            longest_width_us=raw.longest_width,
            name=raw.name.rstrip(b"\0").decode("ascii", "replace"),
            session=raw.session,
            capabilities=raw.capabilities,
            last_notice=raw.last_notice,
            places=raw.places,
            least_lead_us=raw.least_lead,
        )


@dataclass(frozen=True, slots=True)
class Levels:
    """Levels of the lines at one moment: bit n is 1 where line n is high."""

    time_us: int
    outputs: int
    readback: int

    @classmethod
    def parse(cls, body: bytes) -> Levels:
        """From the body of a `levels` answer."""
        raw = ANSWERS[Answer.LEVELS].parse(body)
        return cls(raw.time, raw.outputs, raw.readback)


@dataclass(frozen=True, slots=True)
class Counters:
    """What the box counted since its start. A count stays at 4294967295 when it gets there."""

    time_us: int
    frames: int
    frames_broken: int
    refused: int
    markers: int
    """Markers put out, those of the byte input and `set(0)` included, steps of sequences not."""
    input_bytes: int
    """Bytes that came in on the byte input."""
    edges_lost: int
    messages_lost: int
    """Answers and notices that the box could not send because the host did not read."""
    input_lost: int
    notices: int = 0
    """Notices since the start, those that the box could not send included."""

    @classmethod
    def parse(cls, body: bytes) -> Counters:
        """From the body of a `counters` answer."""
        raw = ANSWERS[Answer.COUNTERS].parse(body)
        counts = (value for name, value in raw.items() if name not in ("_io", "time"))
        return cls(raw.time, *counts)


@dataclass(frozen=True, slots=True)
class Fate:
    """What the box knows of an earlier marker request."""

    outcome: FateOutcome
    code: int
    reason: int
    time_us: int
    cut_lasted_us: int | None
    """How long the earlier pulse lasted that it cut; None: none was cut."""
    delay_us: int
    """How long it waited for the gap, or waits."""
    notes: Note
    number: int = 0
    """Of a marker that was accepted for a later time."""

    @classmethod
    def parse(cls, body: bytes) -> Fate:
        """From the body of a `fate` answer."""
        raw = ANSWERS[Answer.FATE].parse(body)
        return cls(FateOutcome.of(raw.outcome) or FateOutcome.UNKNOWN, raw.code, raw.reason,
                   raw.time, None if raw.lasted == NO_CUT else raw.lasted, raw.delay,
                   Note(raw.notes), raw.number)


@dataclass(frozen=True, slots=True)
class SequenceState:
    """Where a sequence stands."""

    phase: SequencePhase
    steps: int
    repeats: int
    played: int
    """Steps begun since the start."""
    started_us: int
    ended_us: int
    """When the lines went to idle; 0 while it plays."""

    @classmethod
    def parse(cls, body: bytes) -> SequenceState:
        """From the body of a `sequence` answer."""
        raw = ANSWERS[Answer.SEQUENCE].parse(body)
        return cls(SequencePhase(raw.state), raw.steps, raw.repeats, raw.played, raw.started,
                   raw.ended)


_edges_head = struct.Struct("<IB")
_edge = struct.Struct("<QBB")
_NUMBERS = 2**32
"""Entries of a capture are numbered, and the numbers go round."""


class Edge(NamedTuple):
    """A change of the lines or of the readback: bit n of `levels` is 1 where line n is high."""

    time_us: int
    levels: int


@dataclass(frozen=True, slots=True)
class Edges:
    """Captured edges that the box sent, and how many are missing before the first of them."""

    first: int
    """Number of the first of these edges; without edges, of the next one to come."""
    lost: int
    """255 stands for 255 or more."""
    edges: tuple[Edge, ...]
    others: int = 0
    """Entries of sources that this version doesn't know."""

    @classmethod
    def parse(cls, body: bytes) -> Edges:
        """From the body of an `edges` answer or notice."""
        first, lost = _edges_head.unpack_from(body)
        count = (len(body) - EDGES_HEAD_LENGTH) // EDGE_LENGTH
        entries = body[EDGES_HEAD_LENGTH : EDGES_HEAD_LENGTH + count * EDGE_LENGTH]
        known = tuple(
            Edge(time_us, levels)
            for time_us, source, levels in _edge.iter_unpack(entries)
            if source == EdgeSource.READBACK
        )
        return cls(first, lost, known, count - len(known))

    @property
    def next(self) -> int:
        """The number that comes after these edges."""
        return (self.first + len(self.edges) + self.others) % _NUMBERS

    def missing(self, expected: int) -> int:
        """How many entries are missing before these ones that the box had not lost, for a host that
        expects the one with that number."""
        missing = (self.first - self.lost - expected) % _NUMBERS
        return missing if missing < _NUMBERS // 2 else 0  # these came before


class ProbeEdge(NamedTuple):
    """What a probe sees went on or off."""

    time_us: int
    """Box time."""
    probe: str
    """"light", "sound" or "ttl"."""
    on: bool


_PROBE_OF_SOURCE = {
    EdgeSource.LIGHT_LEVEL: "light",
    EdgeSource.LIGHT_EDGE: "light",
    EdgeSource.SOUND_LEVEL: "sound",
    EdgeSource.SOUND_EDGE: "sound",
    EdgeSource.TTL: "ttl",
}
_PROBE_EDGES_HEAD = 1


@dataclass(frozen=True, slots=True)
class ProbeEdges:
    """Notice: what probes see went on or off."""

    lost: int
    """Edges just before these for which the box had no room; 255 stands for 255 or more."""
    edges: tuple[ProbeEdge, ...]

    @classmethod
    def parse(cls, body: bytes) -> ProbeEdges:
        """From the body of a `probe edges` notice. Sources that aren't known are left out."""
        count = (len(body) - _PROBE_EDGES_HEAD) // EDGE_LENGTH
        entries = body[_PROBE_EDGES_HEAD : _PROBE_EDGES_HEAD + count * EDGE_LENGTH]
        return cls(
            body[0],
            tuple(
                ProbeEdge(time_us, _PROBE_OF_SOURCE[EdgeSource(source)], bool(on))
                for time_us, source, on in _edge.iter_unpack(entries)
                if source in _PROBE_OF_SOURCE
            ),
        )


@dataclass(frozen=True, slots=True)
class ProbeLevels:
    """Levels at the probe inputs: 0 to 65,535, the full scale. Of sound: its distance from rest.

    A pair is the lowest and the highest level of the last 10 ms or more. A Nano tells the level at
    its pin A6 as that of light, whatever its jumper connects there."""

    time_us: int
    light: tuple[int, int]
    sound: tuple[int, int]
    on: frozenset[str]
    """Which of "light", "sound" and "ttl" are on now, by any input that the box has."""

    @classmethod
    def parse(cls, body: bytes) -> ProbeLevels:
        """From the body of a `probe levels` answer."""
        raw = ANSWERS[Answer.PROBE_LEVELS].parse(body)
        on = {name for source, name in _PROBE_OF_SOURCE.items() if raw.on >> (source - 1) & 1}
        return cls(
            raw.time, (raw.low_a, raw.high_a), (raw.low_b, raw.high_b), frozenset(on)
        )


@dataclass(frozen=True, slots=True)
class Snippet:
    """A piece of the signal at a probe input."""

    time_us: int
    """Box time of the first sample."""
    interval_us: int
    taken: int
    """Samples that the box had by then."""
    samples: tuple[int, ...]
    """Levels, 0 to 65,535; sound rests in the middle."""

    @classmethod
    def parse(cls, body: bytes) -> Snippet:
        """From the body of a `snippet` answer."""
        raw = ANSWERS[Answer.SNIPPET].parse(body)
        return cls(raw.time, raw.interval, raw.taken, tuple(raw.samples))


@dataclass(frozen=True, slots=True)
class Started:
    """Notice: the box started. Unasked, it means a power failure, a reset or a firmware fault."""

    protocol: str
    """Protocol version; empty where the notice was lost and an answer showed the start."""
    cause: Cause


@dataclass(frozen=True, slots=True)
class SequenceEnded:
    """Notice: a sequence ended by itself."""

    time_us: int
    played: int


@dataclass(frozen=True, slots=True)
class ByteMarker:
    """Notice: a byte came in on the byte input."""

    time_us: int
    """Box time of the edge, or of the refusal."""
    byte: int
    reason: Reason | None
    """None: it went out."""
    cut_lasted_us: int | None
    """How long the earlier pulse lasted that this one cut; None: none was cut."""
    delay_us: int
    """How long it waited for the gap."""
    no_edge: bool = False
    """Whether the lines had the levels of this code already, so that none of them changed."""
    width_us: int | None = None
    """Its width by the settings in force; None if it stays, was refused, or they aren't known."""
    stays: bool | None = None
    """Whether it is a `set`, by the settings in force; None if they aren't known."""


@dataclass(frozen=True, slots=True)
class HoldEnded:
    """Notice: the host was silent for the hold limit, and the box took the lines to idle."""

    time_us: int
    code: int


@dataclass(frozen=True, slots=True)
class MarkerEdge:
    """Notice: a marker that was accepted for a later time went out, or will not."""

    number: int
    """That of the box's answer."""
    time_us: int
    """Box time of the edge, or of the refusal."""
    reason: Reason | None
    """None: it went out."""
    cut_lasted_us: int | None
    """How long the earlier pulse lasted that it cut; None: none was cut."""
    delay_us: int
    """How long after the time that was asked for, because the request came too late for that."""
    no_edge: bool = False
    """Whether the lines had the levels of this code already, so that none of them changed."""


@dataclass(frozen=True, slots=True)
class NoticesLost:
    """Notices of the box that did not arrive. Bytes of the byte input, captured edges, ends of a
    sequence or of a hold may be among them."""

    count: int


AnyNotice = (
    NoticesLost
    | Started
    | SequenceEnded
    | Edges
    | ByteMarker
    | HoldEnded
    | MarkerEdge
    | ProbeEdges
)


def parse_notice(kind: int, body: bytes) -> AnyNotice | None:
    """The notice as a value, or None for one that this version doesn't know or can't read."""
    known = Notice.of(kind)
    if known is None:
        return None
    if known is Notice.EDGES:  # any number of them
        return Edges.parse(body) if len(body) >= EDGES_HEAD_LENGTH else None
    if known is Notice.PROBE_EDGES:
        return ProbeEdges.parse(body) if len(body) >= _PROBE_EDGES_HEAD else None
    layout = NOTICES[known]
    if len(body) < layout.sizeof():
        return None
    return _NOTICES[known](layout.parse(body))


def _started(raw: Any) -> AnyNotice:
    return Started(f"{raw.major}.{raw.minor}", Cause.of(raw.cause) or Cause.UNKNOWN)


def _byte_marker(raw: Any) -> AnyNotice:
    reason = Reason.of(raw.reason) or Reason.UNSUPPORTED if raw.reason else None
    lasted = None if raw.lasted == NO_CUT else raw.lasted
    no_edge = bool(raw.notes & Note.NO_EDGE)
    return ByteMarker(raw.time, raw.byte, reason, lasted, raw.delay, no_edge)


def _marker_edge(raw: Any) -> AnyNotice:
    reason = Reason.of(raw.reason) or Reason.UNSUPPORTED if raw.reason else None
    lasted = None if raw.lasted == NO_CUT else raw.lasted
    no_edge = bool(raw.notes & Note.NO_EDGE)
    return MarkerEdge(raw.number, raw.time, reason, lasted, raw.delay, no_edge)


_NOTICES: dict[Notice, Callable[[Any], AnyNotice]] = {
    Notice.STARTED: _started,
    Notice.SEQUENCE_ENDED: lambda raw: SequenceEnded(raw.time, raw.played),
    Notice.BYTE_MARKER: _byte_marker,
    Notice.HOLD_ENDED: lambda raw: HoldEnded(raw.time, raw.code),
    Notice.MARKER_EDGE: _marker_edge,
}
