"""Tags and sessions: which request is ahead, what is remembered, and for whom."""

from __future__ import annotations

import pytest
from small_box import NO_CUT, SmallBox

from tallymark.box.wire import frames
from tallymark.box.wire.protocol_enumerations import Answer, Notice, Reason, Request

HISTORY = 16
AHEAD = 127


def after(tag: int, distance: int) -> int:
    """The tag so much further on; the count has no 0."""
    return (tag + distance - 1) % 255 + 1


def newest(box: SmallBox) -> int:
    return box.done(Request.IDENTIFY, tag=1, major=2, minor=0).newest_tag


@pytest.mark.parametrize("first", [1, 2, 100, 127, 128, 129, 254, 255])
@pytest.mark.parametrize("distance", [1, 2, 16, 126, 127, 128, 129, 254, 255])
def test_a_marker_goes_out_once_and_only_if_its_tag_is_ahead(box, first, distance):
    box.done(Request.PULSE, tag=first, code=1)
    box.wait(9000)
    tag = after(first, distance)
    if distance <= AHEAD:
        box.done(Request.PULSE, tag=tag, code=2)
        assert newest(box) == tag
        box.wait(9000)
        assert box.refused(Request.PULSE, tag=tag, code=2) == (Reason.TAG_REPEATED, tag)
    else:
        assert box.refused(Request.PULSE, tag=tag, code=2) == (Reason.TAG_REPEATED, first)
        assert newest(box) == first
    assert box.counters()["markers"] == (2 if distance <= AHEAD else 1)


@pytest.mark.parametrize("tag", range(1, 256))
def test_any_tag_is_ahead_after_a_start(box, tag):
    box.done(Request.PULSE, tag=tag, code=1)
    assert newest(box) == tag


def test_requests_that_are_no_markers_move_the_newest_tag_and_are_answered_anyway(box):
    box.done(Request.CLOCK, tag=20)
    assert newest(box) == 20
    box.done(Request.CLOCK, tag=19)
    box.done(Request.CLOCK, tag=20)
    assert newest(box) == 20
    box.refused(Request.CAPTURE_START, tag=21, mode=9)
    assert newest(box) == 21
    box.done(Request.IDENTIFY, tag=22, major=2, minor=0)
    box.refused(Request.IDENTIFY, tag=22, major=9, minor=0)
    assert newest(box) == 21
    box.receive(frames.frame(0x7F, 23, b""))
    box.receive(frames.frame(Request.CLOCK, 24, b"1"))
    box.said()
    assert newest(box) == 21


@pytest.mark.parametrize("first", [1, 2, 15, 16, 17, 100, 240, 254, 255])
@pytest.mark.parametrize("distance", [1, 2, 14, 15, 16, 17, 40, 127])
@pytest.mark.parametrize("lost", [True, False])
def test_each_tag_that_is_passed_gives_its_place_up(box, first, distance, lost):
    """Whatever tags were lost on the way, what is remembered is of the last round."""
    box.wait(3)
    box.done(Request.PULSE, tag=first, code=7)
    for step in range(1, distance + 1):
        if step == distance or not lost:
            box.done(Request.CLOCK, tag=after(first, step))
    passed = {after(first, step) % HISTORY for step in range(1, distance + 1)}
    fate = box.done(Request.FATE, tag=after(first, distance), asked=first)
    if first % HISTORY in passed:
        assert (fate.outcome, fate.code, fate.time, fate.lasted) == (0, 0, 0, 0)
    else:
        assert (fate.outcome, fate.code, fate.reason, fate.time) == (1, 7, 0, 3)
        assert (fate.lasted, fate.delay, fate.notes) == (NO_CUT, 0, 0)


def test_the_fates_of_the_last_tags_are_known_round_and_round(box):
    """By a question that takes a tag itself, `history` - 2 are in reach."""
    tag = 1
    for turn in range(600):
        box.lib.small_set_room(10_000)
        if turn % HISTORY == HISTORY - 1:
            for back in range(1, HISTORY - 1):
                fate = box.done(Request.FATE, tag=tag, asked=after(tag, 255 - back))
                assert (fate.outcome, fate.code) == (1, (turn - back) % 255 + 1)
        else:
            box.done(Request.SET, tag=tag, code=turn % 255 + 1)
        tag = after(tag, 1)


def test_a_stale_fate_is_impossible(box):
    """A tag of the round before, whose later use was lost: it isn't known."""
    box.done(Request.PULSE, tag=7, code=1)
    for tag in (100, 200, 8):  # the tags between them, 7 included, were lost
        box.done(Request.CLOCK, tag=tag)
    assert box.done(Request.FATE, tag=9, asked=7).outcome == 0


def test_a_waiting_marker_writes_its_end_only_into_its_own_place():
    box = SmallBox(gap=500, width=50)
    box.done(Request.PULSE, tag=20, code=1)
    box.wait(50)
    box.receive(box.frame(Request.PULSE, tag=21, code=2))
    fate = box.done(Request.FATE, tag=22, asked=21)
    assert (fate.outcome, fate.code, fate.time, fate.delay) == (2, 2, 0, 500)
    box.refused(Request.PULSE, tag=21 + HISTORY, code=3)  # has its place now
    box.wait(1000)
    ((kind, tag, _),) = box.said()
    assert (kind, tag) == (Answer.DONE_NOTED, 21)
    assert box.done(Request.FATE, tag=38, asked=21).outcome == 0
    assert box.done(Request.FATE, tag=39, asked=21 + HISTORY).reason == Reason.WAITING


@pytest.mark.parametrize("width", [0, 200])
def test_a_fate_tells_what_the_answer_tells(width):
    box = SmallBox(gap=300, width=5000)
    box.done(Request.PULSE, code=1)
    box.wait(77)
    box.receive(box.frame(Request.PULSE, tag=50, code=2))
    fate = box.done(Request.FATE, tag=51, asked=50)
    assert (fate.outcome, fate.lasted, fate.delay) == (2, 77, 300)
    if width:
        box.receive(box.frame(Request.SET, tag=52, code=0))
        box.said()
        fate = box.done(Request.FATE, tag=53, asked=50)
        assert (fate.outcome, fate.reason, fate.lasted, fate.delay, fate.time) == (
            3, Reason.CANCELLED, 77, 0, 77)
        return
    box.wait(300)
    ((_, _, told),) = box.said()
    assert (told.time, told.lasted, told.delay, told.notes) == (377, 77, 300, 0)
    fate = box.done(Request.FATE, tag=52, asked=50)
    assert (fate.time, fate.lasted, fate.delay, fate.notes) == (377, 77, 300, 0)


@pytest.mark.parametrize("time", [2**32 - 1, 2**32, 2**40 + 12345, 2**64 - 1])
def test_a_fate_has_all_bits_of_its_time(box, time):
    box.wait_asleep(time)
    box.done(Request.SET, tag=5, code=255)
    assert box.done(Request.FATE, tag=6, asked=5).time == time


def test_a_session_forgets_the_markers_and_begins_with_its_tag(box):
    box.done(Request.PULSE, tag=7, code=1)
    box.done(Request.SESSION, tag=3, number=1)
    assert newest(box) == 3
    assert box.done(Request.FATE, tag=3, asked=7).outcome == 0
    box.wait(9000)
    box.done(Request.PULSE, tag=7, code=2)
    box.done(Request.SESSION, tag=8, number=1)  # the same one again
    assert newest(box) == 7
    assert box.done(Request.FATE, tag=8, asked=7).code == 2
    box.done(Request.SESSION, tag=8, number=2**32 - 1)
    assert newest(box) == 8
    assert box.done(Request.FATE, tag=8, asked=7).outcome == 0


def test_a_session_has_a_number_and_ends_with_the_box(box):
    assert box.refused(Request.SESSION, number=0) == (Reason.VALUE_RANGE, 0)
    box.done(Request.SESSION, number=77)
    assert box.done(Request.IDENTIFY, major=2, minor=0).session == 77
    box.refused(Request.SESSION, number=0)
    assert box.done(Request.IDENTIFY, major=2, minor=0).session == 77
    box.start()
    box.said()
    told = box.done(Request.IDENTIFY, major=2, minor=0)
    assert (told.session, told.newest_tag) == (0, 0)


def test_every_message_says_whether_a_session_is_in_force(box):
    """But for those that are the same in all versions."""
    box.done(Request.CLOCK)
    assert not box.in_session
    box.refused(Request.SESSION, number=0)
    assert not box.in_session
    box.done(Request.SESSION, number=77)
    assert box.in_session
    for ask in (
        lambda: box.done(Request.PULSE, code=1),
        lambda: box.done(Request.LEVELS),
        lambda: box.refused(Request.PULSE, code=0),
        lambda: box.byte(3),
    ):
        box.in_session = False
        ask()
        assert box.in_session
    box.done(Request.IDENTIFY, major=2, minor=0)
    assert not box.in_session
    assert box.refused(Request.IDENTIFY, major=3, minor=0) == (Reason.VERSION, 2)
    assert not box.in_session
    box.done(Request.CLOCK)
    assert box.in_session
    box.start()
    ((kind, _, _),) = box.said()
    assert (kind, box.in_session) == (Notice.STARTED, False)
    box.byte(3)
    assert not box.in_session
    box.done(Request.PULSE, code=1)
    assert not box.in_session


@pytest.mark.parametrize("later", [HISTORY - 2, HISTORY - 1, HISTORY, 100])
def test_a_marker_that_waited_through_a_round_of_places_changes_no_newest_tag(later):
    box = SmallBox(gap=500, width=50)
    box.done(Request.PULSE, tag=20, code=1)
    box.wait(50)
    box.receive(box.frame(Request.PULSE, tag=21, code=2))
    for tag in range(22, 22 + later):
        box.done(Request.CLOCK, tag=tag)
    box.wait(1000)
    ((kind, tag, told),) = box.said()
    assert (kind, tag, told.time) == (Answer.DONE_NOTED, 21, 550)
    assert newest(box) == 21 + later
    fate = box.done(Request.FATE, tag=22 + later, asked=21)
    assert (fate.outcome, fate.code) == ((1, 2) if later < HISTORY - 1 else (0, 0))
    assert box.refused(Request.PULSE, tag=22 + later, code=3) == (Reason.TAG_REPEATED, 22 + later)


def test_what_waits_at_the_begin_of_a_session_is_nobodys():
    """It goes out, and its answer can't be taken for one of the new session."""
    box = SmallBox(gap=500, width=50)
    box.done(Request.PULSE, tag=20, code=1)
    box.wait(50)
    box.receive(box.frame(Request.PULSE, tag=21, code=2))
    box.done(Request.SESSION, tag=20, number=5)
    box.refused(Request.PULSE, tag=21, code=4)
    box.wait(1000)
    ((kind, tag, told),) = box.said()
    assert (kind, tag, told.time) == (Answer.DONE_NOTED, 0, 550)
    assert box.done(Request.FATE, tag=22, asked=21).reason == Reason.WAITING


def test_a_session_leaves_lines_sequence_and_capture_alone(box):
    box.done(Request.SET, code=9)
    box.done(Request.CAPTURE_START, mode=0)
    box.courses()
    box.done(Request.SESSION, number=5)
    assert box.courses() == []
    assert box.done(Request.LEVELS).outputs == 9
    assert len(box.done(Request.CAPTURE_FETCH, first=0).edges) == 1


def test_notices_are_numbered_and_those_that_are_dropped_count(box):
    numbers = []
    for turn in range(600):
        fits = turn % 5 > 0
        box.lib.small_set_room(1000 if fits else 0)
        box.lib.small_byte_input(0)
        numbers += [tag for kind, tag, _ in box.said() if kind == Notice.BYTE_MARKER]
    assert numbers == [(turn + 1) % 255 + 1 for turn in range(600) if turn % 5 > 0]
    box.lib.small_set_room(1000)
    assert box.done(Request.IDENTIFY, major=2, minor=0).last_notice == 600 % 255 + 1
    counters = box.counters()
    assert (counters["notices"], counters["messages_lost"]) == (601, 120)
