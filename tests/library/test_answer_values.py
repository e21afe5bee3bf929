"""What the box tells, as values: each field in its place, and what isn't known told as that."""

from __future__ import annotations

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
from tallymark.box.wire.protocol_enumerations import (
    Answer,
    Cause,
    FateOutcome,
    Note,
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
    body += (0xDEADBEEF).to_bytes(4, "little") + (0x0105).to_bytes(2, "little") + bytes((255,))
    body += bytes((12,)) + (500).to_bytes(2, "little")
    assert len(body) == ANSWERS[Answer.IDENTITY].sizeof()
    assert Identity.parse(body) == Identity(
        protocol="1.2", firmware="3.4.5", board="nano", serial="A0A1A2A3A4A5A6A7",
        cause=Cause.WATCHDOG, newest_tag=77, window=440, history=32, steps=1000, edges=300,
        least_width_us=10, longest_width_us=3_600_000_000, name="Ferry booth 2",
        session=0xDEADBEEF, capabilities=0x105, last_notice=255, places=12, least_lead_us=500,
    )
    assert Identity.parse(body + b"more, of a later version") == Identity.parse(body)


def test_levels_and_edges():
    time = (7).to_bytes(8, "little")
    assert Levels.parse(time + b"\x0f\xf0") == Levels(7, 0x0F, 0xF0)
    head = (300).to_bytes(4, "little") + b"\5"
    edges = Edges.parse(head + time + b"\0\3" + time + b"\1\4" + time + b"\0\5" + b"more")
    assert edges == Edges(300, 5, (Edge(7, 3), Edge(7, 5)), others=1)
    assert (edges.next, edges.missing(295), edges.missing(290), edges.missing(310)) == (
        303, 0, 5, 0)
    assert Edges.parse(head) == Edges(300, 5, ())


def test_the_numbers_of_edges_go_round():
    edges = Edges(2, 3, (Edge(7, 3),))
    assert (edges.next, edges.missing(2**32 - 1), edges.missing(2**32 - 3)) == (3, 0, 2)
    assert Edges(2**32 - 1, 0, (Edge(7, 3),)).next == 0


def test_sequence_state():
    begin, end = (1000).to_bytes(8, "little"), (9000).to_bytes(8, "little")
    names = {"state": 3, "steps": 4, "repeats": 5, "played": 6}
    body = ANSWERS[Answer.SEQUENCE].build(names | {"started": 1000, "ended": 9000})
    assert body.endswith(begin + end)
    assert SequenceState.parse(body) == SequenceState(SequencePhase(3), 4, 5, 6, 1000, 9000)


def test_a_fate_that_is_not_known_stays_so():
    body = ANSWERS[Answer.FATE].build(
        {"asked": 1, "outcome": 99, "code": 5, "reason": 0, "time": 7, "lasted": 0,
         "delay": 9, "notes": 1, "number": 70_000}
    )
    assert Fate.parse(body) == Fate(FateOutcome.UNKNOWN, 5, 0, 7, 0, 9, Note.NO_EDGE, 70_000)


def test_a_byte_that_was_refused_for_a_new_reason_did_not_go_out():
    body = (7).to_bytes(8, "little") + bytes((5, 200)) + b"\xff\xff\xff\xff" + bytes(4) + b"\2"
    notice = parse_notice(Notice.BYTE_MARKER, body)
    assert notice.reason is Reason.UNSUPPORTED
    assert (notice.time_us, notice.byte, notice.cut_lasted_us) == (7, 5, None)
    assert not notice.no_edge
    assert parse_notice(Notice.BYTE_MARKER, body[:-1] + b"\3").no_edge
    assert parse_notice(Notice.BYTE_MARKER, body + b"more") == notice
    assert parse_notice(Notice.BYTE_MARKER, body[:-1]) is None


def test_answers_to_a_marker():
    """PROTOCOL.md, section 4.2: `done`, `done noted` and `refused`."""
    late = (2**40 + 5).to_bytes(8, "little")  # after 12 days
    plain = result_of(Request.PULSE, Answer.DONE, late)
    assert (plain.outcome, plain.box_time_us, plain.cut_lasted_us, plain.delay_us) == (
        Outcome.DONE, 2**40 + 5, None, 0
    )
    noted = late + (2000).to_bytes(4, "little") + (300).to_bytes(4, "little") + b"\2"
    assert result_of(Request.PULSE, Answer.DONE_NOTED, noted)[:4] == (
        Outcome.DONE, 2**40 + 5, 2000, 300
    )
    assert not result_of(Request.PULSE, Answer.DONE_NOTED, noted).no_edge
    assert result_of(Request.PULSE, Answer.DONE_NOTED, noted[:-1] + b"\3").no_edge
    for kind, body in ((Answer.DONE, late), (Answer.DONE_NOTED, noted)):
        assert result_of(Request.PULSE, kind, body + b"more") == result_of(
            Request.PULSE, kind, body)
    nothing_cut = late + b"\xff\xff\xff\xff" + (300).to_bytes(4, "little") + b"\0"
    assert result_of(Request.PULSE, Answer.DONE_NOTED, nothing_cut)[2:4] == (None, 300)
    refused = result_of(Request.PULSE, Answer.REFUSED, b"\x10\x08" + (3000).to_bytes(4, "little"))
    assert (refused.outcome, refused.error.reason, refused.error.detail) == (
        Outcome.REFUSED, Reason.OVERLAP, 3000
    )
    for kind, least in ((Answer.DONE, 8), (Answer.DONE_NOTED, 17), (Answer.REFUSED, 6)):
        for length in range(least):
            assert result_of(Request.PULSE, kind, bytes(length)) is None
        assert result_of(Request.PULSE, kind, bytes(least)) is not None
    assert result_of(Request.PULSE, Answer.LEVELS, bytes(10)) is None
