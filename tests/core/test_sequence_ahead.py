"""A sequence that starts at a box time: acceptance, what is in its way, and what an interrupt can
do in the middle of it."""

from __future__ import annotations

import pytest
from small_box import FACTORY, NO_CUT, SmallBox
from test_markers_ahead import LEAD, accept, fate, refuse
from test_sequence_requests import load, state

from tallymark.box.wire.protocol_enumerations import Answer, Notice, Reason, Request

CANCELLED = Reason.CANCELLED
WAITS, LOADED, PLAYING = 5, 1, 2


def start(box: SmallBox, at: int, repeats: int = 2) -> int:
    """The number of a start that has to be accepted."""
    answer = box.done(Request.SEQUENCE_START_AT, repeats=repeats, at=at % 2**32)
    assert box.kind == Answer.ACCEPTED
    return answer.number


def not_started(box: SmallBox, at: int, repeats: int = 2):
    return box.refused(Request.SEQUENCE_START_AT, repeats=repeats, at=at % 2**32)


def due(box: SmallBox):
    """(time, steps, repeats, rest) of what is due next."""
    course = box._ffi.new("struct small_course *")
    if not box.lib.small_due(course):
        return None
    steps = [(course.levels[n], course.us[n]) for n in range(course.count)]
    return course.time, steps, course.repeats, course.rest


def begin(box: SmallBox) -> None:
    """Lets what is due begin at its time, before the main loop knows."""
    box.wait_asleep((due(box)[0] - box.now) % 2**32)
    box.lib.small_begin()


def told_edge(box: SmallBox):
    box.wait(0)
    ((kind, _, told),) = box.said()
    assert kind == Notice.MARKER_EDGE
    return told


@pytest.mark.parametrize("now", [0, 5000, 2**31, 2**32 - 400, 2**32 + 7, 2**40 + 7])
@pytest.mark.parametrize("lead", [LEAD, 10_000, 2**31 - 1])
def test_it_starts_at_its_time(box, now, lead):
    box.wait_asleep(now)
    load(box, (5, 60), (0, 70))
    number, at = start(box, now + lead), now + lead
    assert due(box) == (at % 2**32, [(5, 60), (0, 70)], 2, 0)
    assert state(box) == (WAITS, 2, 2, 0, at, 0)
    told = fate(box, number)
    assert (told.outcome, told.code, told.time, told.lasted) == (4, 0, at, NO_CUT)
    begin(box)
    told = told_edge(box)
    assert (told.number, told.time, told.lasted, told.delay) == (number, at, NO_CUT, 0)
    assert (told.notes, told.reason) == (0, 0)
    assert state(box) == (PLAYING, 2, 2, 1, at, 0)
    assert box.courses() == []
    assert due(box) is None
    box.wait(260)
    ((kind, _, ended),) = box.said()
    assert (kind, ended.time, ended.played) == (Notice.SEQUENCE_ENDED, at + 260, 4)
    told = fate(box, number)
    assert (told.outcome, told.code, told.time, told.number) == (1, 0, at, number)
    assert box.done(Request.COUNTERS).markers == 1


@pytest.mark.parametrize("early", [-(2**31), -5000, 0, 1, LEAD - 1])
def test_it_is_never_late(box, early):
    box.wait_asleep(2**33)
    load(box, (5, 60))
    assert not_started(box, box.now + early) == (Reason.LATE, LEAD - early)
    assert state(box) == (LOADED, 1, 0, 0, 0, 0)
    assert box.done(Request.FATE, asked=box.tag - 1).reason == Reason.LATE


def test_what_is_wrong_with_it(box):
    assert not_started(box, 5000) == (Reason.SEQUENCE_EMPTY, 0)
    load(box, (5, 60), (6, 60))
    assert not_started(box, 5000, repeats=2**31) == (Reason.SEQUENCE_LONG, 2**31 - 1)
    start(box, 5000)
    assert not_started(box, 9000) == (Reason.LINES_BUSY, 0)
    assert refuse(box, 1, 9000) == (Reason.TAKEN, 5000)
    for request, fields in (
        (Request.SEQUENCE_LOAD, {"index": 0, "code": 1, "hold": 60}),
        (Request.SEQUENCE_START, {"repeats": 1}),
        (Request.SETTINGS_WRITE, FACTORY),
        (Request.SETTINGS_KEEP, {}),
        (Request.SETTINGS_FACTORY, {}),
    ):
        assert box.refused(request, **fields) == (Reason.LINES_BUSY, 0), request
    assert state(box)[0] == WAITS


def test_not_while_markers_ahead_wait(box):
    load(box, (5, 60))
    accept(box, 1, 5000)  # which empties the sequence
    assert not_started(box, 9000) == (Reason.SEQUENCE_EMPTY, 0)


def test_not_on_a_board_that_can_not():
    box = SmallBox(with_strobe=False)
    load(box, (5, 60))
    assert not_started(box, 5000) == (Reason.UNSUPPORTED, 4)
    assert due(box) is None


@pytest.mark.parametrize("way", ["cancel", "all", "stop", "session"])
def test_it_is_taken_back(box, way):
    load(box, (5, 60))
    number = start(box, 5000)
    box.wait(100)
    request, fields = {
        "cancel": (Request.CANCEL, {"number": number}),
        "all": (Request.CANCEL, {"number": 0}),
        "stop": (Request.SEQUENCE_STOP, {}),
        "session": (Request.SESSION, {"number": 77}),
    }[way]
    box.receive(box.frame(request, **fields))
    (kind, _, told), (answer, _, _) = box.said()
    assert answer == (Answer.SEQUENCE if way == "stop" else Answer.DONE)
    assert (kind, told.number, told.reason) == (Notice.MARKER_EDGE, number, CANCELLED)
    assert due(box) is None
    assert state(box) == (LOADED, 1, 0, 0, 0, 0)
    assert (fate(box, number).outcome, fate(box, number).reason) == (3, CANCELLED)
    start(box, 6000)
    assert fate(box, number).outcome == 0


def test_another_number_takes_nothing_back(box):
    load(box, (5, 60))
    number = start(box, 5000)
    box.done(Request.CANCEL, number=number + 1)
    assert state(box)[0] == WAITS


def test_its_number_is_known_when_the_sequence_is_loaded_anew(box):
    load(box, (5, 60))
    number = start(box, 1000, repeats=1)
    begin(box)
    box.wait(60)
    box.said()
    load(box, (6, 60))
    assert fate(box, number).outcome == 1
    accept(box, 1, 9000)
    assert (fate(box, number).outcome, fate(box, number).time) == (1, 1000)


def test_markers_before_it_keep_their_distance(box):
    load(box, (5, 60))
    start(box, 1000)
    box.done(Request.PULSE_FOR, code=1, width=100)
    box.wait(800)
    assert box.refused(Request.PULSE, code=1) == (Reason.TAKEN, 200)
    assert box.refused(Request.SET, code=0) == (Reason.TAKEN, 200)


def test_the_gap_is_over_before_it_whatever_it_begins_with():
    for first in (0, 1):
        box = SmallBox(gap=500, width=100)
        load(box, (first, 60), (1, 60))
        box.wait(1000)
        box.done(Request.PULSE, code=1)
        assert not_started(box, 1599) == (Reason.TAKEN, 0)
        start(box, 1600)
        assert box.refused(Request.PULSE_FOR, code=1, width=5000)[0] == Reason.TAKEN


@pytest.mark.parametrize(("held", "notes"), [(5, 1), (4, 0)])
def test_it_replaces_what_is_on_the_lines(box, held, notes):
    load(box, (5, 60))
    box.done(Request.SET, code=held)
    start(box, 1000)
    begin(box)
    told = told_edge(box)
    assert (told.lasted, told.notes, told.reason) == (NO_CUT, notes, 0)
    assert state(box)[0] == PLAYING


@pytest.mark.parametrize("idle", [0, 1])
def test_it_cuts_a_pulse_and_tells_how_long_that_lasted(idle):
    box = SmallBox(idle=idle)
    load(box, (5, 60))
    box.done(Request.PULSE_FOR, code=5, width=5000)
    start(box, 1000)
    begin(box)
    told = told_edge(box)
    assert (told.lasted, told.notes) == (1000, 1)


@pytest.mark.parametrize(
    ("request_", "fields"),
    [
        (Request.SEQUENCE_LOAD, {"index": 0, "code": 1, "hold": 60}),
        (Request.SEQUENCE_START, {"repeats": 1}),
        (Request.SEQUENCE_START_AT, {"repeats": 1, "at": 90_000}),
        (Request.PULSE, {"code": 1}),
        (Request.SET, {"code": 0}),
        (Request.TIMED, {"kind": 0, "code": 1, "width": 0, "at": 90_000, "expiry": 90_000}),
        (Request.SETTINGS_WRITE, FACTORY),
        (Request.SETTINGS_KEEP, {}),
    ],
)
def test_once_it_has_begun_a_sequence_plays(box, request_, fields):
    """Whether the main loop has noticed or not."""
    load(box, (5, 600), (6, 700))
    number = start(box, 1000, repeats=1)
    begin(box)
    box.receive(box.frame(request_, **fields))
    (kind, _, edge), (answer, _, told) = sorted(box.said(), key=lambda each: -each[0])
    assert (kind, edge.number) == (Notice.MARKER_EDGE, number)
    assert (answer, told.reason) == (Answer.REFUSED, Reason.PLAYING)
    assert state(box) == (PLAYING, 2, 1, 1, 1000, 0)


def test_a_stop_behind_an_edge_that_nobody_noticed(box):
    load(box, (5, 600))
    number = start(box, 1000, repeats=0)
    begin(box)
    box.wait_asleep(50)
    box.receive(box.frame(Request.SEQUENCE_STOP))
    (_, _, told), (_, _, edge) = sorted(box.said(), key=lambda each: each[0])
    assert (edge.number, edge.time, edge.reason) == (number, 1000, 0)
    assert (told.state, told.played, told.started, told.ended) == (4, 1, 1000, 1050)
    ((rest),) = [course for course in box.courses() if course.time == 1050]
    assert (rest.steps, rest.rest) == ([], 0)


def test_it_begins_while_it_is_taken_back(box):
    """In the middle of board_arm(): it can't be taken back any more."""
    load(box, (5, 600))
    number = start(box, 1000)
    box.wait_asleep(999)
    box.lib.small_begin_at(1000)
    box.receive(box.frame(Request.CANCEL, number=number))
    said = box.said()
    box.wait(1)
    edges = [told for kind, _, told in said + box.said() if kind == Notice.MARKER_EDGE]
    assert len(edges) == 1
    assert edges[0].number == number
