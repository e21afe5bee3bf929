"""Markers with an expiry, and markers that make no edge."""

from __future__ import annotations

import pytest
from small_box import HOUR, LEAST_US, NO_CUT, SmallBox

from tallymark.box.wire.protocol_enumerations import Answer, Reason, Request

PULSE, SET = 0, 1
NOTHING = {"kind": PULSE, "code": 5, "width": 0, "at": 0, "expiry": 0}


def timed(box: SmallBox, left: int, **fields: int) -> dict[str, int]:
    """The fields of a marker that expires in `left` microseconds."""
    now = box.now % 2**32
    return {**NOTHING, "at": (now - 1) % 2**32, "expiry": (now + left) % 2**32, **fields}


@pytest.mark.parametrize("now", [0, 5000, 2**31, 2**32 - 1, 2**32, 2**40 + 7])
@pytest.mark.parametrize("left", [0, 1, 1000, 2**31 - 1, -1, -2, -1000, 2 - 2**31])
def test_it_goes_out_until_its_expiry(box, now, left):
    box.wait_asleep(now)
    fields = timed(box, left, at=(now - 2**31 + 1 if left < 0 else now) % 2**32)
    if left >= 0:
        assert box.done(Request.TIMED, **fields).time == now
        assert [(each.steps, each.rest) for each in box.courses()] == [([(5, 5000)], 0)]
    else:
        assert box.refused(Request.TIMED, **fields) == (Reason.LATE, -left)
        assert box.courses() == []


def test_it_is_a_pulse_or_a_set(box):
    box.done(Request.TIMED, **timed(box, 9, width=70))
    box.wait(1000)
    box.done(Request.TIMED, **timed(box, 9, kind=SET, code=3))
    box.done(Request.TIMED, **timed(box, 9, kind=SET, code=0))
    assert [(each.steps, each.rest) for each in box.courses()] == [
        ([(5, 70)], 0), ([], 3), ([], 0)
    ]


def test_what_is_wrong_with_its_fields():
    box = SmallBox(lines=7)
    for fields, reason, detail in (
        ({"kind": 2, "code": 255}, Reason.VALUE_RANGE, 0),
        ({"code": 0, "width": 1}, Reason.VALUE_RANGE, 1),
        ({"kind": SET, "code": 1, "width": 100}, Reason.VALUE_RANGE, 2),
        ({"code": 1, "at": 10, "expiry": 9}, Reason.VALUE_RANGE, 10),
        ({"code": 8, "width": 1}, Reason.OUTSIDE_LINES, 7),
        ({"code": 1, "width": LEAST_US - 1}, Reason.WIDTH_RANGE, LEAST_US),
        ({"code": 1, "width": HOUR + 1}, Reason.WIDTH_RANGE, HOUR),
        ({"code": 1, "at": 10, "expiry": 10}, Reason.LATE, 290),
    ):
        box.wait(1)
        now = box.now
        given = {name: (now + value) % 2**32 if name in ("at", "expiry") else value
                 for name, value in fields.items()}
        sent = timed(box, 9, **given)
        assert box.refused(Request.TIMED, **sent) == (reason, detail), fields
        fate = box.done(Request.FATE, asked=box.tag)
        assert (fate.outcome, fate.code, fate.reason) == (3, fields["code"], reason)
    assert box.courses() == []


def test_the_wait_for_the_gap_counts():
    box = SmallBox(gap=500, width=100)
    box.done(Request.PULSE, code=1)
    box.wait(300)  # idle for 200, so that 300 of the gap are left
    assert box.refused(Request.TIMED, **timed(box, 299)) == (Reason.LATE, 1)
    assert box.refused(Request.TIMED, **timed(box, 0)) == (Reason.LATE, 300)
    assert box.refused(Request.TIMED, **timed(box, -50, at=0)) == (Reason.LATE, 350)
    box.receive(box.frame(Request.TIMED, **timed(box, 300)))
    box.wait(300)
    ((kind, _, told),) = box.said()
    assert (kind, told.time, told.delay) == (Answer.DONE_NOTED, 600, 300)


def test_one_that_is_late_touches_nothing():
    """Neither a pulse that it would cut nor a code that it would take back."""
    box = SmallBox(gap=0)
    box.done(Request.PULSE, code=1)
    box.wait(300)
    box.courses()
    assert box.refused(Request.TIMED, **timed(box, -1, at=0)) == (Reason.LATE, 1)
    assert box.refused(Request.TIMED, **timed(box, -1, at=0, kind=SET, code=0)) == (Reason.LATE, 1)
    assert box.courses() == []
    assert box.done(Request.PULSE, code=2).lasted == 300


def test_an_expiry_is_of_one_marker_only(box):
    box.refused(Request.TIMED, **timed(box, -1, at=2**31 + 5))
    box.wait(1000)
    assert box.done(Request.PULSE, code=1).time == 1000
    assert box.done(Request.SET, code=0).time == 1000
    assert box.byte(9).reason == 0
    box.refused(Request.TIMED, **timed(box, 1, kind=2))
    box.wait(1000)
    assert box.done(Request.SET, code=0).time == 2000


def test_what_is_in_its_way_comes_before_its_expiry():
    box = SmallBox(overlap=1)
    box.done(Request.PULSE, code=1)
    box.wait(1000)
    assert box.refused(Request.TIMED, **timed(box, -1, at=0)) == (Reason.OVERLAP, 4000)


# No edge -------------------------------------------------------------------------------------


def notes(answer) -> int | None:
    return answer.get("notes")


@pytest.mark.parametrize(("first", "second"), [
    (Request.SET, Request.PULSE), (Request.SET, Request.SET), (Request.PULSE, Request.PULSE),
    (Request.PULSE, Request.SET),
])
def test_a_code_that_is_on_the_lines_already_makes_no_edge(box, first, second):
    box.done(first, code=5)
    box.wait(100)
    told = box.done(second, code=5)
    assert (told.time, told.delay, told.notes) == (100, 0, 1)
    assert told.lasted == (100 if first is Request.PULSE else NO_CUT)
    fate = box.done(Request.FATE, asked=box.tag)
    assert (fate.outcome, fate.notes, fate.lasted) == (1, 1, told.lasted)
    box.wait(100)
    assert not notes(box.done(second, code=4))
    assert box.done(Request.FATE, asked=box.tag).notes == 0


def test_a_byte_without_an_edge_is_told_so(box):
    box.done(Request.SET, code=5)
    assert box.byte(5).notes == 1
    assert box.byte(6).notes == 0


def test_there_is_an_edge_after_idle(box):
    box.done(Request.PULSE, code=5)
    box.wait_asleep(5000)  # the pulse is over, though the core didn't look
    assert notes(box.done(Request.PULSE, code=5)) is None
    box.wait(9000)
    assert notes(box.done(Request.SET, code=0)) is None
    assert notes(box.done(Request.SET, code=0)) is None
    assert notes(box.done(Request.SET, code=5)) is None


def test_there_is_an_edge_after_a_gap():
    box = SmallBox(gap=500)
    box.done(Request.SET, code=5)
    box.receive(box.frame(Request.SET, code=5))
    box.wait(500)
    ((_, _, told),) = box.said()
    assert (told.delay, told.notes) == (500, 0)


def test_there_is_an_edge_after_a_sequence(box):
    box.done(Request.SET, code=5)
    box.done(Request.SET, code=5)
    box.done(Request.SET, code=0)
    box.done(Request.SEQUENCE_LOAD, index=0, code=5, hold=60)
    assert notes(box.done(Request.SEQUENCE_START, repeats=1)) is None
    assert box.done(Request.FATE, asked=box.tag).notes == 0
