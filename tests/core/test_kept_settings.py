"""Kept settings: which slot is valid, and what is reported when the memory fails."""

from __future__ import annotations

import pytest
from fastcrc.crc16 import profibus
from small_box import FACTORY, SmallBox

from tallymark.box.wire.protocol_enumerations import Reason, Request

ERASED, SLOT_A, SLOT_B, OTHER = 0, 1, 2, 3
SLOT = 64
RECORD = 58
"""Bytes of a slot that mean something."""


def keep(box: SmallBox, width: int) -> None:
    mine = {"width": width, "name": b"Pier 4".ljust(16, b"\0")}
    box.done(Request.SETTINGS_WRITE, **FACTORY | mine)
    box.done(Request.SETTINGS_KEEP)


def found(store: bytes) -> tuple[int, int, int]:
    """Origin, count and width with which a box starts."""
    box = SmallBox()
    box.store = store
    box.start()
    box.said()
    settings = box.done(Request.SETTINGS_READ)
    return settings.origin, settings.kept, settings.record.width


@pytest.fixture
def stores(box) -> list[bytes]:
    """The memory after no save, one, two and so on; save n has width 100 n."""
    found = [box.store]
    for number in range(1, 5):
        keep(box, 100 * number)
        found.append(box.store)
    return found


def test_saves_take_turns_and_the_newer_one_counts(stores):
    assert [found(store) for store in stores] == [
        (ERASED, 0, 5000), (SLOT_A, 1, 100), (SLOT_B, 2, 200), (SLOT_A, 3, 300), (SLOT_B, 4, 400)
    ]


@pytest.mark.parametrize("save", [1, 2, 3, 4])
def test_a_save_that_was_cut_leaves_the_one_before(stores, save):
    """Cut behind each byte. From the third on, what is overwritten was whole and lawful itself."""
    before, after = stores[save - 1], stores[save]
    old, new = found(before), found(after)
    at = SLOT if save % 2 == 0 else 0
    for cut in range(RECORD + 1):
        half = before[:at] + after[at : at + cut] + before[at + cut :]
        expected = old if half != after else new
        assert found(half) == expected, cut


def test_any_flipped_bit_of_the_newest_save_leaves_the_one_before(stores):
    store = stores[3]
    for bit in range(8 * RECORD):
        broken = bytearray(store)
        broken[bit // 8] ^= 1 << bit % 8
        assert found(bytes(broken)) == (SLOT_B, 2, 200), bit


def test_the_second_slot_is_found_where_the_first_is_gone(stores):
    assert found(b"\xff" * SLOT + stores[2][SLOT:]) == (SLOT_B, 2, 200)
    assert found(b"\0" * 128) == (ERASED, 0, 5000)


def slot(count: int, width: int, **changes: int) -> bytes:
    """A whole slot, made here from the layout alone: version, length, count, record, CRC."""
    record = bytes(16) + b"".join(
        value.to_bytes(4, "little") for value in (width, 0, 0, 115_200)
    ) + bytes((255, 0, 0, 1)) + bytes(14)
    record = record[: changes.get("length", 50)]
    head = bytes((changes.get("version", 2), changes.get("length", 50)))
    content = head + count.to_bytes(4, "little") + record
    crc = 0xFFFF ^ profibus(content)
    return (content + crc.to_bytes(2, "little")).ljust(SLOT, b"\xff")


def test_a_slot_made_by_hand_is_read():
    assert found(slot(7, 777) + b"\xff" * SLOT) == (SLOT_A, 7, 777)


@pytest.mark.parametrize(
    ("a", "b", "newer"),
    [(1, 2, SLOT_B), (2, 1, SLOT_A), (0xFFFFFFFF, 0, SLOT_B), (0, 0xFFFFFFFF, SLOT_A),
     (5, 5, SLOT_A)],
)
def test_the_count_of_saves_may_wrap(a, b, newer):
    assert found(slot(a, 111) + slot(b, 222))[0] == newer


FIRST_VERSION = {"version": 1, "length": 36}


@pytest.mark.parametrize("other", [FIRST_VERSION, {"version": 3}, {"length": 49}])
def test_newer_settings_of_another_version_are_not_loaded_and_that_is_told(other):
    """The older ones of this version aren't loaded either: nobody wants those any more."""
    assert found(slot(9, 111, **other) + slot(1, 222)) == (OTHER, 9, 5000)
    assert found(slot(1, 222) + slot(9, 111, **other)) == (OTHER, 9, 5000)
    assert found(slot(9, 111, **other) + b"\xff" * SLOT) == (OTHER, 9, 5000)
    assert found(slot(8, 111, **other) + slot(9, 222, **other)) == (OTHER, 9, 5000)


def test_older_settings_of_another_version_do_not_count():
    assert found(slot(9, 111) + slot(1, 222, **FIRST_VERSION)) == (SLOT_A, 9, 111)


def test_a_slot_of_another_version_that_is_torn_is_no_slot():
    torn = bytearray(slot(9, 111, **FIRST_VERSION))
    torn[20] ^= 1
    assert found(bytes(torn) + slot(1, 222)) == (SLOT_B, 1, 222)
    assert found(bytes(SLOT) + b"\xff" * SLOT) == (ERASED, 0, 5000)


@pytest.mark.parametrize(("first", "origin"), [(True, SLOT_B), (False, SLOT_A)])
def test_settings_kept_after_those_of_another_version_go_to_the_older_slot(box, first, origin):
    newer, older = slot(9, 111, **FIRST_VERSION), slot(8, 111, **FIRST_VERSION)
    box.store = newer + older if first else older + newer
    box.start()
    box.said()
    keep(box, 300)
    assert found(box.store) == (origin, 10, 300)


def test_a_newer_slot_with_unlawful_settings_does_not_hide_the_older():
    """A whole slot of a box with other limits: the width here is below this board's least."""
    assert found(slot(3, 200) + slot(4, 49)) == (SLOT_A, 3, 200)
    assert found(slot(4, 49) + slot(3, 200)) == (SLOT_B, 3, 200)


def test_a_memory_that_fails_is_told_and_the_old_save_stays(box):
    keep(box, 100)
    box.done(Request.SETTINGS_WRITE, **FACTORY | {"width": 200})
    box.lib.small_set_store_fails(True)
    for _ in range(3):
        assert box.refused(Request.SETTINGS_KEEP) == (Reason.STORE_FAILED, 0)
        state = box.done(Request.SETTINGS_READ)
        assert (state.origin, state.kept, state.record.width) == (SLOT_A, 1, 200)
    assert found(box.store) == (SLOT_A, 1, 100)


@pytest.mark.parametrize("at", [0, RECORD - 1])
def test_settings_in_a_slot_that_was_damaged_since_are_kept_anew(box, at):
    """Though its record is the same: the next start could not use it."""
    keep(box, 100)
    damaged = bytearray(box.store)
    damaged[at] ^= 1
    box.store = bytes(damaged)
    box.done(Request.SETTINGS_KEEP)
    assert found(box.store) == (SLOT_B, 2, 100)


def test_after_a_failure_the_next_save_goes_to_the_same_slot(box):
    keep(box, 100)
    box.done(Request.SETTINGS_WRITE, **FACTORY | {"width": 200})
    box.lib.small_set_store_fails(True)
    assert box.refused(Request.SETTINGS_KEEP)[0] == Reason.STORE_FAILED
    box.lib.small_set_store_fails(False)
    keep(box, 300)
    state = box.done(Request.SETTINGS_READ)
    assert (state.origin, state.kept) == (SLOT_B, 2)
    assert found(box.store) == (SLOT_B, 2, 300)


@pytest.mark.parametrize(
    ("changes", "offset"),
    [
        ({"name": b"caf\xe9".ljust(16, b"\0")}, 0),
        ({"name": b"a\0b".ljust(16, b"\0")}, 0),
        ({"name": b"\x1f".ljust(16, b"\0")}, 0),
        ({"name": b"\x7f".ljust(16, b"\0")}, 0),
        ({"width": 49}, 16), ({"width": 3_600_000_001}, 16),
        ({"gap": 1_000_001}, 20),
        ({"hold_limit": 999}, 24), ({"hold_limit": 1}, 24), ({"hold_limit": 3_600_000_001}, 24),
        ({"byte_baud": 1199}, 28), ({"byte_baud": 1_000_001}, 28),
        ({"lines": 0}, 32), ({"idle": 2}, 33), ({"overlap": 2}, 34), ({"byte_mode": 4}, 35),
        ({"width": 0, "byte_mode": 9}, 16),
    ],
)
def test_settings_out_of_range_change_nothing(box, changes, offset):
    assert box.refused(Request.SETTINGS_WRITE, **FACTORY | changes) == (Reason.VALUE_RANGE, offset)
    assert {key: box.done(Request.SETTINGS_READ).record[key] for key in FACTORY} == FACTORY
    assert box.courses() == []


@pytest.mark.parametrize(
    "changes",
    [
        {"name": b"~ sixteen chars "}, {"width": 50}, {"width": 3_600_000_000}, {"gap": 1_000_000},
        {"hold_limit": 1000}, {"hold_limit": 3_600_000_000}, {"byte_baud": 1200},
        {"byte_baud": 1_000_000}, {"lines": 1}, {"idle": 1}, {"overlap": 1}, {"byte_mode": 3},
        {"byte_mode": 0},
    ],
)
def test_settings_at_their_limits_are_taken_and_kept(box, changes):
    mine = FACTORY | changes
    box.done(Request.SETTINGS_WRITE, **mine)
    box.done(Request.SETTINGS_KEEP)
    box.start()
    box.said()
    assert {key: box.done(Request.SETTINGS_READ).record[key] for key in FACTORY} == mine


@pytest.mark.parametrize(
    "changes", [{"width": 5001}, {"byte_mode": 2}, {"strobe": 2}, {"strobe_hold": 60}]
)
def test_a_change_of_one_field_is_kept_too(box, changes):
    """As it is in the store, it isn't the record that is kept already."""
    first = FACTORY | {"strobe": 1, "strobe_lead": 50, "strobe_hold": 50}
    for record in (first, first | changes):
        box.done(Request.SETTINGS_WRITE, **record)
        box.done(Request.SETTINGS_KEEP)
    box.start()
    box.said()
    kept = box.done(Request.SETTINGS_READ).record
    assert {key: kept[key] for key in first} == first | changes


@pytest.mark.parametrize(
    ("request_", "fields"),
    [
        (Request.SETTINGS_KEEP, {}),
        (Request.SETTINGS_FACTORY, {}),
        (Request.SETTINGS_WRITE, FACTORY),
    ],
)
def test_settings_are_left_alone_while_a_marker_is_out_or_waits(request_, fields):
    box = SmallBox(width=50, gap=500)
    box.done(Request.PULSE, code=1)
    before = box.store
    assert box.refused(request_, **fields) == (Reason.LINES_BUSY, 0)
    box.wait(60)
    box.receive(box.frame(Request.PULSE, code=2))
    assert box.refused(request_, **fields) == (Reason.LINES_BUSY, 0)
    assert box.store == before
    assert box.done(Request.SETTINGS_READ).record.gap == 500


def test_new_settings_put_the_lines_to_their_idle_level_and_drop_the_sequence(box):
    box.done(Request.SEQUENCE_LOAD, index=0, code=1, hold=50)
    box.done(Request.SETTINGS_WRITE, **FACTORY | {"idle": 1})
    assert [(course.steps, course.rest) for course in box.courses()] == [([], 255)]
    assert box.done(Request.SEQUENCE_STATE).state == 0
    box.done(Request.SEQUENCE_LOAD, index=0, code=1, hold=50)
    box.done(Request.SETTINGS_FACTORY)
    assert [(course.steps, course.rest) for course in box.courses()] == [([], 0)]
    assert box.done(Request.SEQUENCE_STATE).state == 0
    assert box.refused(Request.SEQUENCE_START, repeats=1)[0] == Reason.SEQUENCE_EMPTY
