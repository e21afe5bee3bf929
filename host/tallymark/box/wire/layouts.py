"""The layout of every message of protocol version 2.

This is protocol/PROTOCOL.md as code. `construct` defines the layouts, so that they can be read
beside the tables of the specification; a test compares the two. Marker requests are built by
`frames`, because construct is too slow for them, and a test proves that both give the same bytes.
"""

from __future__ import annotations

from construct import (  # type: ignore[import-untyped]
    Array,
    Bytes,
    GreedyRange,
    Int8ul,
    Int16ul,
    Int32ul,
    Int64ul,
    Struct,
)

from tallymark.box.wire.protocol_enumerations import Answer, Notice, Request

_NOTHING = Struct()

SETTINGS_RECORD = Struct(
    "name" / Bytes(16),
    "width" / Int32ul,
    "gap" / Int32ul,
    "hold_limit" / Int32ul,
    "byte_baud" / Int32ul,
    "lines" / Int8ul,
    "idle" / Int8ul,
    "overlap" / Int8ul,
    "byte_mode" / Int8ul,
    "strobe" / Int8ul,
    "probes" / Int8ul,
    "strobe_lead" / Int16ul,
    "strobe_hold" / Int16ul,
    "threshold_a" / Int16ul,
    "hysteresis_a" / Int16ul,
    "threshold_b" / Int16ul,
    "hysteresis_b" / Int16ul,
)

EDGES_HEAD_LENGTH = 5
"""Bytes of `edges` before its entries."""
EDGE_LENGTH = 10
LIST_HEADS: dict[int, int] = {Answer.EDGES: EDGES_HEAD_LENGTH, Answer.SNIPPET: 14}
"""Bytes before the entries of answers that end with a list."""

_EDGES = Struct(
    "first" / Int32ul,
    "lost" / Int8ul,
    "edges" / GreedyRange(Struct("time" / Int64ul, "source" / Int8ul, "levels" / Int8ul)),
)

REQUESTS: dict[Request, Struct] = {
    Request.IDENTIFY: Struct("major" / Int8ul, "minor" / Int8ul),
    Request.CLOCK: _NOTHING,
    Request.COUNTERS: _NOTHING,
    Request.LEVELS: _NOTHING,
    Request.FATE: Struct("asked" / Int8ul),
    Request.RESTART: Struct("into" / Int8ul),
    Request.SESSION: Struct("number" / Int32ul),
    Request.FATE_OF_NUMBER: Struct("number" / Int32ul),
    Request.PULSE: Struct("code" / Int8ul),
    Request.PULSE_FOR: Struct("code" / Int8ul, "width" / Int32ul),
    Request.SET: Struct("code" / Int8ul),
    Request.TIMED: Struct(
        "kind" / Int8ul,
        "code" / Int8ul,
        "width" / Int32ul,
        "at" / Int32ul,
        "expiry" / Int32ul,
    ),
    Request.CANCEL: Struct("number" / Int32ul),
    Request.SEQUENCE_LOAD: Struct("index" / Int16ul, "code" / Int8ul, "hold" / Int32ul),
    Request.SEQUENCE_START: Struct("repeats" / Int32ul),
    Request.SEQUENCE_STOP: _NOTHING,
    Request.SEQUENCE_STATE: _NOTHING,
    Request.SEQUENCE_START_AT: Struct("repeats" / Int32ul, "at" / Int32ul),
    Request.CAPTURE_START: Struct("mode" / Int8ul),
    Request.CAPTURE_FETCH: Struct("first" / Int32ul),
    Request.CAPTURE_STOP: _NOTHING,
    Request.SETTINGS_READ: _NOTHING,
    Request.SETTINGS_WRITE: SETTINGS_RECORD,
    Request.SETTINGS_KEEP: _NOTHING,
    Request.SETTINGS_FACTORY: _NOTHING,
    Request.PROBE_LEVELS: _NOTHING,
    Request.SNIPPET_TAKE: Struct("input" / Int8ul, "every" / Int8ul),
    Request.SNIPPET_READ: Struct("first" / Int16ul),
}

ANSWERS: dict[Answer, Struct] = {
    Answer.DONE: Struct("time" / Int64ul),
    Answer.DONE_NOTED: Struct(
        "time" / Int64ul, "lasted" / Int32ul, "delay" / Int32ul, "notes" / Int8ul
    ),
    Answer.REFUSED: Struct("request" / Int8ul, "reason" / Int8ul, "detail" / Int32ul),
    Answer.IDENTITY: Struct(
        "major" / Int8ul,
        "minor" / Int8ul,
        "firmware" / Array(3, Int8ul),
        "board" / Int8ul,
        "serial" / Bytes(8),
        "cause" / Int8ul,
        "newest_tag" / Int8ul,
        "window" / Int16ul,
        "history" / Int8ul,
        "longest_frame" / Int8ul,
        "steps" / Int16ul,
        "edges" / Int16ul,
        "least_width" / Int32ul,
        "longest_width" / Int32ul,
        "name" / Bytes(16),
        "session" / Int32ul,
        "capabilities" / Int16ul,
        "last_notice" / Int8ul,
        "places" / Int8ul,
        "least_lead" / Int16ul,
    ),
    Answer.COUNTERS: Struct(
        "time" / Int64ul,
        "frames" / Int32ul,
        "frames_broken" / Int32ul,
        "refused" / Int32ul,
        "markers" / Int32ul,
        "bytes" / Int32ul,
        "edges_lost" / Int32ul,
        "messages_lost" / Int32ul,
        "input_lost" / Int32ul,
        "notices" / Int32ul,
    ),
    Answer.LEVELS: Struct("time" / Int64ul, "outputs" / Int8ul, "readback" / Int8ul),
    Answer.FATE: Struct(
        "asked" / Int8ul,
        "outcome" / Int8ul,
        "code" / Int8ul,
        "reason" / Int8ul,
        "time" / Int64ul,
        "lasted" / Int32ul,
        "delay" / Int32ul,
        "notes" / Int8ul,
        "number" / Int32ul,
    ),
    Answer.SEQUENCE: Struct(
        "state" / Int8ul,
        "steps" / Int16ul,
        "repeats" / Int32ul,
        "played" / Int32ul,
        "started" / Int64ul,
        "ended" / Int64ul,
    ),
    Answer.EDGES: _EDGES,
    Answer.SETTINGS: Struct("origin" / Int8ul, "kept" / Int32ul, "record" / SETTINGS_RECORD),
    Answer.ACCEPTED: Struct("number" / Int32ul),
    Answer.PROBE_LEVELS: Struct(
        "time" / Int64ul,
        "on" / Int8ul,
        "low_a" / Int16ul,
        "high_a" / Int16ul,
        "low_b" / Int16ul,
        "high_b" / Int16ul,
    ),
    Answer.SNIPPET: Struct(
        "time" / Int64ul,
        "interval" / Int16ul,
        "taken" / Int16ul,
        "first" / Int16ul,
        "samples" / GreedyRange(Int16ul),
    ),
}

NOTICES: dict[Notice, Struct] = {
    Notice.STARTED: Struct("major" / Int8ul, "minor" / Int8ul, "cause" / Int8ul),
    Notice.SEQUENCE_ENDED: Struct("time" / Int64ul, "played" / Int32ul),
    Notice.EDGES: _EDGES,
    Notice.BYTE_MARKER: Struct(
        "time" / Int64ul,
        "byte" / Int8ul,
        "reason" / Int8ul,
        "lasted" / Int32ul,
        "delay" / Int32ul,
        "notes" / Int8ul,
    ),
    Notice.HOLD_ENDED: Struct("time" / Int64ul, "code" / Int8ul),
    Notice.MARKER_EDGE: Struct(
        "number" / Int32ul,
        "time" / Int64ul,
        "lasted" / Int32ul,
        "delay" / Int32ul,
        "notes" / Int8ul,
        "reason" / Int8ul,
    ),
    Notice.PROBE_EDGES: Struct(
        "lost" / Int8ul,
        "edges" / GreedyRange(Struct("time" / Int64ul, "source" / Int8ul, "on" / Int8ul)),
    ),
}
