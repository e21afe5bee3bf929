"""Capture: its contents, and how it reports changes that were lost for lack of room."""

from __future__ import annotations

import pytest
from small_box import SmallBox

from tallymark.box.wire.protocol_enumerations import Answer, Notice, Reason, Request

EDGES = 8
KEEP, SEND = 0, 1


def changes(box: SmallBox, count: int, first: int = 0) -> None:
    """So many changes at the readback, each with its own time and level."""
    for number in range(first, first + count):
        box.lib.small_captured(100 + number, number % 256)


def fetch(box: SmallBox) -> tuple[int, list[tuple[int, int]]]:
    """What comes next, after what was fetched before; and it all the same once more."""
    again = box.done(Request.CAPTURE_FETCH, first=box.fetched)
    answer = box.done(Request.CAPTURE_FETCH, first=box.fetched)
    assert answer == again
    assert (answer.first - answer.lost) % 2**32 == box.fetched
    box.fetched = (answer.first + len(answer.edges)) % 2**32
    return answer.lost, [(edge.time, edge.levels) for edge in answer.edges]


def fetch_all(box: SmallBox) -> list[tuple[int, list[tuple[int, int]]]]:
    found = [fetch(box)]
    while found[-1][1]:
        found.append(fetch(box))
    return found


def numbered(first: int, count: int) -> list[tuple[int, int]]:
    return [(100 + number, number % 256) for number in range(first, first + count)]


def test_a_capture_begins_with_the_levels_of_now(box):
    box.lib.small_set_readback(0x5A)
    box.wait(7)
    assert box.done(Request.CAPTURE_START, mode=KEEP).time == 7
    assert box.lib.small_is_watched()
    assert fetch_all(box) == [(0, [(7, 0x5A)]), (0, [])]


def test_entries_come_out_in_order_five_at_a_time(box):
    box.done(Request.CAPTURE_START, mode=KEEP)
    changes(box, EDGES - 1)
    assert fetch_all(box) == [
        (0, [(0, 0), *numbered(0, 4)]), (0, numbered(4, 3)), (0, [])
    ]
    assert box.counters()["edges_lost"] == 0


@pytest.mark.parametrize("lost", [1, 2, 254, 255, 256, 257, 300])
def test_a_loss_is_told_in_front_of_the_change_behind_it(box, lost):
    """255 means 255 or more."""
    box.done(Request.CAPTURE_START, mode=KEEP)
    changes(box, EDGES - 1 + lost)
    assert fetch(box) == (0, [(0, 0), *numbered(0, 4)])
    box.done(Request.CAPTURE_FETCH, first=box.fetched)  # there is room once the host has them
    changes(box, 2, 500)
    assert fetch_all(box) == [(0, numbered(4, 3)), (min(255, lost), numbered(500, 2)), (0, [])]
    assert box.counters()["edges_lost"] == lost


def test_two_losses_are_told_each_at_its_own_place(box):
    box.done(Request.CAPTURE_START, mode=KEEP)
    changes(box, EDGES - 1 + 3)
    assert len(fetch(box)[1]) == 5
    box.done(Request.CAPTURE_FETCH, first=box.fetched)
    changes(box, 5 + 5, 500)
    assert fetch_all(box)[:2] == [(0, numbered(4, 3)), (3, numbered(500, 5))]
    changes(box, 1, 900)
    assert fetch_all(box) == [(5, numbered(900, 1)), (0, [])]
    assert box.counters()["edges_lost"] == 8


@pytest.mark.parametrize("lost", [1, 255, 400])
def test_a_loss_at_the_end_is_told_once_the_capture_is_stopped(box, lost):
    box.done(Request.CAPTURE_START, mode=KEEP)
    changes(box, EDGES - 1 + lost)
    fetch(box)
    fetch(box)
    assert fetch(box) == (0, [])  # while it runs, the next change may still carry it
    box.done(Request.CAPTURE_STOP)
    assert not box.lib.small_is_watched()
    assert fetch_all(box) == [(min(255, lost), [])]
    assert fetch(box) == (0, [])


def test_entries_stay_after_a_stop_and_the_loss_comes_behind_them(box):
    box.done(Request.CAPTURE_START, mode=KEEP)
    changes(box, EDGES - 1 + 4)
    box.done(Request.CAPTURE_STOP)
    assert fetch_all(box) == [(0, [(0, 0), *numbered(0, 4)]), (0, numbered(4, 3)), (4, [])]


def test_nothing_leaks_into_the_next_capture(box):
    box.done(Request.CAPTURE_START, mode=KEEP)
    changes(box, EDGES - 1 + 9)
    box.wait(50)
    box.done(Request.CAPTURE_START, mode=KEEP)
    box.fetched = 0
    changes(box, 1)
    assert fetch_all(box) == [(0, [(50, 0), *numbered(0, 1)]), (0, [])]
    box.done(Request.CAPTURE_STOP)
    assert fetch(box) == (0, [])


def test_the_ring_goes_round_for_ever(box):
    """Past 256 entries, where its indices wrap."""
    box.done(Request.CAPTURE_START, mode=KEEP)
    fetch(box)
    for turn in range(120):
        box.lib.small_set_room(10_000)
        changes(box, 5, 5 * turn)
        assert fetch(box) == (0, numbered(5 * turn, 5))
        assert fetch(box) == (0, [])


def test_edges_are_sent_unasked_in_mode_send(box):
    box.receive(box.frame(Request.CAPTURE_START, mode=SEND))
    ((kind, _, _),) = box.said()
    assert kind == Answer.DONE
    changes(box, EDGES - 1)
    assert box.said() == []
    box.wait(1)
    said = [(kind, told.first, len(told.edges), told.lost) for kind, _, told in box.said()]
    assert said == [(Notice.EDGES, 0, 5, 0), (Notice.EDGES, 5, 3, 0)]
    box.fetched = 8
    assert fetch(box) == (0, [])


def test_in_mode_keep_nothing_is_sent(box):
    box.done(Request.CAPTURE_START, mode=SEND)
    box.wait(1)
    box.said()
    box.done(Request.CAPTURE_START, mode=KEEP)
    changes(box, 3)
    box.wait(1)
    assert box.said() == []


def test_what_there_is_no_room_to_send_waits(box):
    box.receive(box.frame(Request.CAPTURE_START, mode=SEND))
    changes(box, 3)
    box.said()
    needed = 66 + 1 + 6 * 9 + 6  # the reserve and a full notice on the wire
    box.lib.small_set_room(needed - 1)
    box.wait(1)
    assert box.said() == []
    box.lib.small_set_room(needed)
    box.wait(1)
    ((_, _, told),) = box.said()
    assert len(told.edges) == 4
    box.lib.small_set_room(1000)
    assert box.counters()["messages_lost"] == 0


def test_a_mode_that_does_not_exist_leaves_the_capture_alone(box):
    box.done(Request.CAPTURE_START, mode=KEEP)
    changes(box, 2)
    assert box.refused(Request.CAPTURE_START, mode=2) == (Reason.VALUE_RANGE, 0)
    assert box.lib.small_is_watched()
    assert len(fetch(box)[1]) == 3


def test_the_same_question_gets_the_same_entries_and_perhaps_more(box):
    box.done(Request.CAPTURE_START, mode=KEEP)
    changes(box, 2)
    answers = [box.done(Request.CAPTURE_FETCH, first=0) for _ in range(3)]
    assert answers[0] == answers[1] == answers[2]
    changes(box, 1, 2)
    more = box.done(Request.CAPTURE_FETCH, first=0)
    assert (more.first, list(more.edges[:3])) == (0, list(answers[0].edges))
    assert len(more.edges) == 4
    left = box.done(Request.CAPTURE_FETCH, first=2)
    assert (left.first, [edge.time for edge in left.edges]) == (2, [101, 102])
    assert box.done(Request.CAPTURE_FETCH, first=0).first == 2  # the others are gone


@pytest.mark.parametrize("beyond", [4, 5, 100, 2**31 - 1])
def test_a_question_behind_the_end_leaves_nothing_and_counts_on(box, beyond):
    box.done(Request.CAPTURE_START, mode=KEEP)
    changes(box, 3)
    assert box.done(Request.CAPTURE_FETCH, first=beyond) == {"first": 4, "lost": 0, "edges": []}
    changes(box, 1, 3)
    assert box.done(Request.CAPTURE_FETCH, first=4).first == 4


def test_a_loss_at_the_end_is_told_until_the_host_has_it(box):
    box.done(Request.CAPTURE_START, mode=KEEP)
    changes(box, EDGES - 1 + 3)
    box.done(Request.CAPTURE_STOP)
    for _ in range(3):
        told = box.done(Request.CAPTURE_FETCH, first=8)
        assert (told.first, told.lost) == (11, 3)
    told = box.done(Request.CAPTURE_FETCH, first=11)
    assert (told.first, told.lost) == (11, 0)
