"""The strobe: what settings may have, what the board is told to play, and what is in whose way."""

from __future__ import annotations

import pytest
from small_box import FACTORY, LEAST_US, NO_CUT, SmallBox
from test_markers_ahead import LEAD as AHEAD
from test_markers_ahead import accept, begin, due, refuse

from tallymark.box.wire.protocol_enumerations import Answer, Reason, Request

STROBE, LEAD, HOLD, WIDTH = 0x20, 70, 90, 400
LEAST = LEAD + HOLD + LEAST_US
AT_WIDTH, AT_STROBE, AT_LEAD, AT_HOLD = 16, 36, 38, 40
STROBED = {"strobe": STROBE, "strobe_lead": LEAD, "strobe_hold": HOLD, "width": WIDTH}


@pytest.fixture
def box() -> SmallBox:
    return SmallBox(**STROBED)


def last(box: SmallBox) -> tuple[list[tuple[int, int]], int]:
    course = box.courses()[-1]
    assert course.repeats == 1
    return course.steps, course.rest


# Settings ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "offset"),
    [
        ({"strobe": 0x30}, AT_STROBE),
        ({"lines": 0xDF}, AT_STROBE),
        ({"lines": STROBE}, AT_STROBE),
        ({"strobe_lead": LEAST_US - 1}, AT_LEAD),
        ({"strobe_lead": 0, "strobe_hold": 0}, AT_LEAD),
        ({"strobe_hold": LEAST_US - 1}, AT_HOLD),
        ({"width": LEAST - 1}, AT_WIDTH),
        ({"strobe_lead": 65_535, "strobe_hold": 65_535, "width": 131_119}, AT_WIDTH),
    ],
)
def test_settings_that_leave_no_room(box, changes, offset):
    before = box.done(Request.SETTINGS_READ)
    wanted = FACTORY | STROBED | changes
    assert box.refused(Request.SETTINGS_WRITE, **wanted) == (Reason.VALUE_RANGE, offset)
    assert box.done(Request.SETTINGS_READ) == before


@pytest.mark.parametrize(
    "changes",
    [
        {"width": LEAST},
        {"lines": STROBE | 1},
        {"strobe": 0x80},
        {"strobe_lead": LEAST_US, "strobe_hold": LEAST_US},
        {"strobe_lead": 65_535, "strobe_hold": 65_535, "width": 131_120},
        {"strobe": 0, "strobe_lead": 1, "strobe_hold": 65_535, "width": LEAST_US},
    ],
)
def test_settings_that_just_fit_are_read_back(changes):
    wanted = FACTORY | STROBED | changes
    told = SmallBox(**wanted).done(Request.SETTINGS_READ)
    assert {name: told.record[name] for name in wanted} == wanted


def test_they_are_kept_and_loaded(box):
    box.done(Request.SETTINGS_KEEP)
    box.start()
    box.said()
    told = box.done(Request.SETTINGS_READ)
    assert (told.record.strobe, told.record.strobe_lead, told.record.strobe_hold) == (
        STROBE, LEAD, HOLD
    )
    box.done(Request.PULSE, code=1)
    assert last(box) == ([(1 | STROBE, WIDTH)], 0)


@pytest.mark.parametrize("name", ["strobe", "strobe_lead", "strobe_hold"])
def test_a_board_without_a_strobe_has_no_such_settings(name):
    box = SmallBox(with_strobe=False)
    offset = {"strobe": AT_STROBE, "strobe_lead": AT_LEAD, "strobe_hold": AT_HOLD}[name]
    assert box.refused(Request.SETTINGS_WRITE, **FACTORY | {name: 128}) == (
        Reason.UNSUPPORTED, offset
    )
    assert not box.done(Request.IDENTIFY, major=2, minor=0).capabilities & 0x20


# What is played ------------------------------------------------------------------------------


@pytest.mark.parametrize("idle", [0, 1])
def test_each_code_has_it_and_idle_has_not(idle):
    """Where in the step it is active is the board's part."""
    box = SmallBox(**STROBED, idle=idle, gap=100)
    flip = 0xFF * idle
    box.done(Request.PULSE, code=5)
    assert last(box) == ([((5 | STROBE) ^ flip, WIDTH)], flip)
    box.wait(WIDTH)
    box.receive(box.frame(Request.PULSE_FOR, code=6, width=LEAST))
    assert last(box) == ([(flip, 100), ((6 | STROBE) ^ flip, LEAST)], flip)
    box.wait(100 + LEAST + 100)
    box.said()
    box.done(Request.SET, code=9)
    assert last(box) == ([((9 | STROBE) ^ flip, WIDTH)], 9 ^ flip)
    box.done(Request.SET, code=0)
    assert last(box) == ([], flip)


def parts(box: SmallBox, levels: int, us: int) -> list[tuple[int, int]]:
    course = box._ffi.new("struct small_course *")
    box.lib.small_split(levels, us, course)
    return [(course.levels[n], course.us[n]) for n in range(course.count)]


@pytest.mark.parametrize("idle", [0, 1])
@pytest.mark.parametrize("us", [LEAST, 5000, 2**32 - 1])
def test_a_step_that_has_it_is_split_into_lead_strobe_and_hold(idle, us):
    box = SmallBox(**STROBED, idle=idle)
    flip = 0xFF * idle
    assert parts(box, (5 | STROBE) ^ flip, us) == [
        (5 ^ flip, LEAD), ((5 | STROBE) ^ flip, us - LEAD - HOLD), (5 ^ flip, HOLD)
    ]
    assert parts(box, 5 ^ flip, us) == [(5 ^ flip, us)]
    assert parts(box, flip, 1) == [(flip, 1)]
    plain = SmallBox(idle=idle)
    assert parts(plain, 5 | STROBE, us) == [(5 | STROBE, us)]


def test_bytes_have_it_too():
    box = SmallBox(**STROBED)
    assert box.byte(5).reason == 0
    assert last(box) == ([(5 | STROBE, WIDTH)], 0)
    assert box.byte(STROBE).reason == Reason.OUTSIDE_LINES
    assert box.courses() == []


def test_steps_have_it_but_those_of_code_0(box):
    for index, (code, hold) in enumerate([(5, LEAST), (0, LEAST_US), (5, 1000)]):
        box.done(Request.SEQUENCE_LOAD, index=index, code=code, hold=hold)
    box.done(Request.SEQUENCE_START, repeats=1)
    assert last(box) == ([(5 | STROBE, LEAST), (0, LEAST_US), (5 | STROBE, 1000)], 0)


def test_a_marker_ahead_has_it(box):
    accept(box, 5, 1000, width=LEAST)
    assert due(box)[1:] == (5 | STROBE, LEAST, 0)
    begin(box)
    accept(box, 6, 2000, width=None)
    assert due(box)[1:] == (6 | STROBE, WIDTH, 6)
    begin(box)
    accept(box, 0, 3000, width=None)
    assert due(box)[1:] == (0, 0, 0)


# What is refused -----------------------------------------------------------------------------


def test_its_line_is_not_for_codes(box):
    without = 0xFF & ~STROBE
    outside = (Reason.OUTSIDE_LINES, without)
    assert box.refused(Request.PULSE, code=STROBE) == outside
    assert box.refused(Request.PULSE_FOR, code=STROBE | 1, width=5000) == outside
    assert box.refused(Request.SET, code=STROBE | 1) == outside
    assert box.refused(Request.SEQUENCE_LOAD, index=0, code=STROBE, hold=5000) == outside
    assert refuse(box, STROBE | 1, 1000) == outside
    assert box.courses() == []
    assert due(box) is None


def test_what_is_too_short_for_it(box):
    short = (Reason.WIDTH_RANGE, LEAST)
    assert box.refused(Request.PULSE_FOR, code=1, width=LEAST - 1) == short
    assert box.refused(Request.SEQUENCE_LOAD, index=0, code=1, hold=LEAST - 1) == short
    assert box.refused(Request.SEQUENCE_LOAD, index=0, code=0, hold=LEAST_US - 1) == (
        Reason.WIDTH_RANGE, LEAST_US
    )
    assert refuse(box, 1, 1000, width=LEAST - 1) == short
    assert box.courses() == []


# In whose way it is --------------------------------------------------------------------------


@pytest.mark.parametrize("since", [1, WIDTH - 1, WIDTH])
def test_a_held_code_counts_as_a_pulse_until_its_strobe_is_over(since):
    refusing = SmallBox(**STROBED, overlap=1)
    refusing.done(Request.SET, code=5)
    refusing.wait(since)
    if since < WIDTH:
        assert refusing.refused(Request.PULSE, code=6) == (Reason.OVERLAP, WIDTH - since)
    else:
        refusing.done(Request.PULSE, code=6)
    cutting = SmallBox(**STROBED)
    cutting.done(Request.SET, code=5)
    cutting.wait(since)
    told = cutting.done(Request.PULSE, code=6)
    if since < WIDTH:
        assert (cutting.kind, told.lasted) == (Answer.DONE_NOTED, since)
    else:
        assert cutting.kind == Answer.DONE


@pytest.mark.parametrize("request_", [Request.PULSE, Request.SET])
def test_the_same_code_again_has_an_edge_of_its_strobe(box, request_):
    box.done(request_, code=5)
    box.wait(100)
    told = box.done(Request.SET, code=5)
    assert (box.kind, told.lasted, told.notes) == (Answer.DONE_NOTED, 100, 0)


def test_the_gap_begins_with_the_end_of_the_code():
    box = SmallBox(**STROBED, gap=300)
    box.done(Request.PULSE, code=5)
    box.wait(WIDTH)
    box.receive(box.frame(Request.PULSE, code=6))
    assert last(box) == ([(0, 300), (6 | STROBE, WIDTH)], 0)


@pytest.mark.parametrize("overlap", [0, 1])
@pytest.mark.parametrize("code", [6, 0])
def test_a_marker_ahead_cuts_none_that_waits_before_it(overlap, code):
    """Whatever `overlap` says: the board could not time the edges that would be left."""
    box = SmallBox(**STROBED, overlap=overlap)
    width = None if code == 0 else WIDTH
    accept(box, 5, 1000, width=WIDTH)
    assert refuse(box, code, 1000 + WIDTH - 1, width)[0] == Reason.TAKEN
    accept(box, code, 1000 + WIDTH, width)


@pytest.mark.parametrize("overlap", [0, 1])
@pytest.mark.parametrize("request_", [Request.PULSE, Request.SET])
def test_a_marker_ahead_cuts_none_that_is_out(overlap, request_):
    box = SmallBox(**STROBED | {"width": 1000}, overlap=overlap)
    box.done(request_, code=5)
    assert refuse(box, 6, 999, width=WIDTH) == (Reason.TAKEN, 0)
    accept(box, 6, 1000, width=WIDTH)
    assert begin(box).lasted == NO_CUT


@pytest.mark.parametrize("overlap", [0, 1])
def test_one_that_comes_now_makes_room_for_a_marker_ahead(overlap):
    box = SmallBox(**STROBED, overlap=overlap)
    accept(box, 6, 2000, width=WIDTH)
    box.wait_asleep(2000 - WIDTH + 1)
    assert box.refused(Request.PULSE, code=5) == (Reason.TAKEN, WIDTH - 1)
    assert box.refused(Request.SET, code=5) == (Reason.TAKEN, WIDTH - 1)
    assert AHEAD < WIDTH
    box = SmallBox(**STROBED, overlap=overlap)
    accept(box, 6, 2000, width=WIDTH)
    box.wait_asleep(2000 - WIDTH)
    box.done(Request.PULSE, code=5)
    assert begin(box).lasted == NO_CUT


def test_without_a_strobe_a_marker_ahead_cuts():
    """What `overlap` says, as the counterpart."""
    plain = SmallBox(width=WIDTH)
    accept(plain, 5, 1000, width=WIDTH)
    accept(plain, 6, 1000 + WIDTH - 1)
    begin(plain)
    assert begin(plain).lasted == WIDTH - 1
