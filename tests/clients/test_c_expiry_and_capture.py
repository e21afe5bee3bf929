"""The client in C: markers with an expiry, markers without an edge, and captures over a link that
loses answers."""

from __future__ import annotations

import pytest
from c_library import DONE, ClientError

DONE_ANSWER, DONE_NOTED, EDGES, STARTED = 0x80, 0x81, 0x88, 0xC0
LATE = 22
STEPS = [(1 + k % 2, 1_000) for k in range(30)]


def test_a_marker_goes_out_until_its_expiry_and_not_later(library, lossy):
    with library.open(lossy.where) as box:
        now = box.clock().box_time_us
        assert box.wait(box.pulse_until(5, now + 10**9, 1_000)).outcome == DONE
        lossy.device.edges()
        late = box.wait(box.pulse_until(5, now - 1))
        assert late.reason == LATE
        assert [edge for edge in lossy.device.edges() if edge.levels == 5] == []
        assert box.wait(box.set_until(6, now + 10**9)).outcome == DONE
        assert box.levels().outputs == 6


@pytest.mark.parametrize("ahead_us", [18 * 60 * 10**6, 2**40])
def test_an_expiry_that_can_be_read_in_two_ways_is_refused(library, lossy, ahead_us):
    with library.open(lossy.where) as box:
        now = box.clock().box_time_us
        with pytest.raises(ClientError) as caught:
            box.pulse_until(1, now + ahead_us)
        assert caught.value.name == "BAD_VALUE"
        assert box.totals.sent == 0


def test_a_marker_without_an_edge_says_so_by_its_fate_too(library, lossy):
    with library.open(lossy.where) as box:
        box.wait(box.set(6))
        assert box.wait(box.pulse(6, 60_000_000)).no_edge
        lossy.loses_answer = lambda kind, tag: kind in (DONE_ANSWER, DONE_NOTED)
        marker = box.wait(box.pulse(6))
        assert (marker.no_edge, marker.by_fate) == (1, 1)
        assert 0 < marker.cut_us < 60_000_000
        assert not box.wait(box.pulse(7)).no_edge


def fetch_all(box, most):
    found = []
    while True:
        part, lost = box.capture_fetch(most)
        found += part
        if not part:
            return found, lost


def test_a_capture_is_whole_though_every_second_answer_is_lost(library, lossy):
    answers = []

    def every_second(kind: int, tag: int) -> bool:
        if kind == EDGES:
            answers.append(tag)
        return kind == EDGES and len(answers) % 2 == 1

    with library.open(lossy.where) as box:
        box.capture_start()
        lossy.device.edges()
        lossy.loses_answer = every_second
        box.sequence(STEPS)
        box.sequence_wait(5_000)
        made = [(edge.time_us, edge.levels) for edge in lossy.device.edges()]
        found, lost = fetch_all(box, 3)
    assert (found[0][1], found[1:], lost) == (0, made, 0)


def test_what_a_capture_has_no_room_for_is_counted(library, lossy):
    with library.open(lossy.where) as box:
        lossy.device.edges()
        box.capture_start()
        box.sequence(STEPS * 10)
        box.sequence_wait(5_000)
        box.capture_stop()
        made = len(lossy.device.edges())
        found, lost = box.capture_fetch()
        assert lost > 0
        assert len(found) + lost == 1 + made  # the first entry is the level at the start
        assert box.capture_fetch() == ([], lost)


def test_a_capture_ends_with_a_start_of_the_box(library, lossy):
    with library.open(lossy.where) as box:
        with pytest.raises(ClientError) as caught:
            box.capture_fetch()  # none was begun
        assert caught.value.name == "RESTARTED"
        box.capture_start()
        lossy.loses_answer = lambda kind, tag: kind == STARTED
        lossy.device.start()
        with pytest.raises(ClientError) as caught:
            box.capture_fetch()
        assert caught.value.name == "RESTARTED"
