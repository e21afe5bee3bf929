"""What the box tells, as values: each field in its place, and what isn't known told as that."""

from __future__ import annotations

import pytest

from tallymark.box.link.marker import Outcome, result_of
from tallymark.box.wire.answer_values import (
    Edge,
    Edges,
    Fate,
    Identity,
    Levels,
    SequenceState,
    parse_notice,
)
from tallymark.box.wire.layouts import ANSWERS
from tallymark.box.wire.messages import (
    Answer,
    Cause,
    FateOutcome,
    Notice,
    Reason,
    Request,
    SequencePhase,
)


def test_identity():
    """The bytes are those of PROTOCOL.md, section 4.2, written by hand."""
    body = bytes((1, 2, 3, 4, 5, 2)) + bytes(range(0xA0, 0xA8)) + bytes((3, 77))
    body += (440).to_bytes(2, "little") + bytes((32, 64))
    body += (1000).to_bytes(2, "little") + (300).to_bytes(2, "little")
    body += (10).to_bytes(4, "little") + (3_600_000_000).to_bytes(4, "little")
    body += b"Ferry booth 2\0\0\0"
    assert len(body) == ANSWERS[Answer.IDENTITY].sizeof()
    assert Identity.parse(body) == Identity(
        protocol="1.2", firmware="3.4.5", board="nano", serial="A0A1A2A3A4A5A6A7",
        cause=Cause.WATCHDOG, last_tag=77, window=440, history=32, steps=1000, edges=300,
        least_width_us=10, longest_width_us=3_600_000_000, name="Ferry booth 2",
    )


def test_levels_and_edges():
    time = (7).to_bytes(8, "little")
    assert Levels.parse(time + b"\x0f\xf0") == Levels(7, 0x0F, 0xF0)
    assert Edges.parse(b"\5" + time + b"\3") == Edges(5, (Edge(7, 3),))
    with pytest.raises(ValueError, match="not a list of edges"):
        Edges.parse(b"\5" + time)


def test_sequence_state():
    begin, end = (1000).to_bytes(8, "little"), (9000).to_bytes(8, "little")
    names = {"state": 3, "steps": 4, "repeats": 5, "played": 6}
    body = ANSWERS[Answer.SEQUENCE].build(names | {"started": 1000, "ended": 9000})
    assert body.endswith(begin + end)
    assert SequenceState.parse(body) == SequenceState(SequencePhase(3), 4, 5, 6, 1000, 9000)


def test_a_fate_that_is_not_known_stays_so():
    body = ANSWERS[Answer.FATE].build(
        {"asked": 1, "outcome": 99, "code": 5, "reason": 0, "time": 7}
    )
    assert Fate.parse(body) == Fate(FateOutcome.UNKNOWN, 5, 0, 7)


def test_a_byte_that_was_refused_for_a_new_reason_did_not_go_out():
    body = (7).to_bytes(8, "little") + bytes((5, 200)) + b"\xff\xff\xff\xff" + bytes(4)
    notice = parse_notice(Notice.BYTE_MARKER, body)
    assert notice.reason is Reason.UNSUPPORTED
    assert (notice.time_us, notice.byte, notice.cut_lasted_us) == (7, 5, None)


def test_answers_to_a_marker():
    """PROTOCOL.md, section 4.2: `done`, `done noted` and `refused`."""
    late = (2**40 + 5).to_bytes(8, "little")  # after 12 days
    plain = result_of(Request.PULSE, Answer.DONE, late)
    assert (plain.outcome, plain.box_time_us, plain.cut_lasted_us, plain.delay_us) == (
        Outcome.DONE, 2**40 + 5, None, 0
    )
    noted = late + (2000).to_bytes(4, "little") + (300).to_bytes(4, "little")
    assert result_of(Request.PULSE, Answer.DONE_NOTED, noted)[:4] == (
        Outcome.DONE, 2**40 + 5, 2000, 300
    )
    nothing_cut = late + b"\xff\xff\xff\xff" + (300).to_bytes(4, "little")
    assert result_of(Request.PULSE, Answer.DONE_NOTED, nothing_cut)[2:4] == (None, 300)
    refused = result_of(Request.PULSE, Answer.REFUSED, b"\x10\x08" + (3000).to_bytes(4, "little"))
    assert (refused.outcome, refused.error.reason, refused.error.detail) == (
        Outcome.REFUSED, Reason.OVERLAP, 3000
    )
    for kind in (Answer.DONE, Answer.DONE_NOTED, Answer.REFUSED, Answer.LEVELS):
        for length in (0, 1, 7, 9, 15, 17):
            assert result_of(Request.PULSE, kind, bytes(length)) is None
