"""What signatures spell: against the page, and against a decoder written from it."""

from __future__ import annotations

from itertools import pairwise, product

import pytest
from page_decoder import UNITS_US as PAGE_UNITS
from page_decoder import checksum, decode_run, examples

from tallymark.common.errors import BadValue
from tallymark.common.signature import UNITS_US, Form, Session, Signature, as_number, in_text
from tallymark.common.signature.pattern import LONGEST, ORDINALS, SESSIONS, SHORTEST


def test_the_checksum_is_the_one_of_the_catalogues() -> None:
    assert checksum(b"123456789") == 0xA819


def test_the_examples_of_the_page() -> None:
    rows = examples()
    assert len(rows) == 4
    for session, ordinal, payload, check, intervals in rows:
        assert payload == session * 64 + ordinal
        assert check == checksum(payload.to_bytes(4, "big"))
        assert Signature(session, ordinal).intervals == intervals
        assert Signature.spelled(intervals) == Signature(session, ordinal)


def test_what_is_spelled_is_read_by_the_page() -> None:
    for number in range(300):
        session = 1 + number * 77_773 % (SESSIONS - 1)
        signature = Signature(session, number % ORDINALS)
        assert all(SHORTEST <= interval <= LONGEST for interval in signature.intervals)
        times = [5_000.0 + start * 8_000 for start in signature.starts]
        assert decode_run(times, 8_000) == (session, number % ORDINALS)


def test_every_wrong_digit_and_every_moved_pulse_is_noticed() -> None:
    for session in (1, 0x4F21A, 0xFFFFF, 0x80808):
        intervals = list(Signature(session, 5).intervals)
        for place, wrong in product(range(14), range(SHORTEST, LONGEST + 1)):
            if wrong != intervals[place]:
                changed = [*intervals[:place], wrong, *intervals[place + 1 :]]
                assert Signature.spelled(tuple(changed)) is None
        for place, by in product(range(13), range(-8, 9)):
            if by:
                changed = [*intervals]
                changed[place] += by
                changed[place + 1] -= by
                assert Signature.spelled(tuple(changed)) is None


def test_a_number_of_intervals_other_than_14_spells_nothing() -> None:
    intervals = Signature(0x4F21A, 1).intervals
    assert Signature.spelled(intervals[:-1]) is None
    assert Signature.spelled((9, *intervals)) is None


def test_intervals_that_repeat_spell_nothing() -> None:
    """A stimulus at a constant rate is never a signature."""
    for period in (1, 2, 3, 4):
        for part in product(range(SHORTEST, LONGEST + 1), repeat=period):
            assert Signature.spelled(tuple((part * 14)[:14])) is None


def test_the_steps_put_each_pulse_where_the_page_says() -> None:
    signature = Signature(0x4F21A, 1)
    for unit in UNITS_US:
        form = Form(7, unit)
        steps = form.steps(signature)
        assert len(steps) == 29 <= 30  # what the smallest box holds
        assert all(code == (7, 0)[number % 2] for number, (code, _) in enumerate(steps))
        at, starts = 0, []
        for code, hold in steps:
            if code:
                starts.append(at)
                assert hold == 4 * unit
            else:
                assert hold >= 5 * unit
            at += hold
        assert [(b - a) // unit for a, b in pairwise(starts)] == list(signature.intervals)
        assert form.shortest_us <= at <= form.longest_us


def test_the_lengths_that_the_page_tells() -> None:
    form = Form()
    assert (form.unit_us, form.width_us) == (8_000, 32_000)
    assert (form.shortest_us, form.longest_us) == (1_040_000, 1_824_000)
    assert list(UNITS_US) == PAGE_UNITS


@pytest.mark.parametrize(
    ("rate", "needed_us", "unit"),
    [
        (1_000, 0, 8_000),
        (376, 0, 8_000),
        (374, 0, 16_000),
        (250, 0, 16_000),
        (100, 0, 32_000),
        (1_000, 32_000, 8_000),
        (1_000, 32_001, 16_000),
        (None, 0, 8_000),
        (None, 4_096_000, 1_024_000),
        (None, 4_096_001, None),
    ],
)
def test_the_unit_follows_the_receiver(
    rate: float | None, needed_us: float, unit: int | None
) -> None:
    form = Form.for_receiver(255, needed_us, None if rate is None else 1e6 / rate)
    assert (None if form is None else form.unit_us) == unit


def test_numbers_and_values_out_of_range() -> None:
    for session, ordinal in ((0, 1), (SESSIONS, 1), (1, ORDINALS), (1, -1)):
        with pytest.raises(BadValue, match="from 1 to 1048575"):
            Signature(session, ordinal)
    for code in (0, 256):
        with pytest.raises(BadValue, match="from 1 to 255"):
            Form(code)
    with pytest.raises(BadValue, match="8 ms, 16 ms"):
        Form(255, 9_000)
    assert in_text(0x1A) == "0001A"
    assert as_number("0001A") == 0x1A
    for text in ("1A", "00000", "0x01A", "4F21AA", "", "GGGGG"):
        with pytest.raises(ValueError, match="is not the number of a session"):
            as_number(text)


def test_a_session_counts_its_signatures() -> None:
    session = Session(0x4F21A)
    assert [session.next().ordinal for _ in range(65)][::16] == [1, 17, 33, 49, 1]
    assert session.signed == 65
    numbers = {Session().number for _ in range(20)}
    assert len(numbers) > 15
    assert all(0 < number < SESSIONS for number in numbers)
