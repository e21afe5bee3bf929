"""Tags: none comes again while the box may still have it in its place."""

from __future__ import annotations

import random

import pytest

from tallymark.tags import Tags

HISTORIES = [4, 8, 16, 32, 64, 128]


@pytest.mark.parametrize("history", HISTORIES)
def test_a_marker_tag_never_finds_itself_in_its_place(history):
    tags = Tags(history, last_tag=0)
    places: dict[int, int] = {}
    for _ in range(2000):
        tag = tags.take_marker()
        assert places.get(tag % history) != tag
        places[tag % history] = tag


@pytest.mark.parametrize("history", HISTORIES)
def test_lost_requests_don_t_bring_a_tag_back_too_early(history):
    chance = random.Random(history)
    tags = Tags(history, last_tag=200)
    places: dict[int, int] = {}
    for _ in range(2000):
        tag = tags.take_marker()
        assert places.get(tag % history) != tag
        if history >= 64 and chance.random() < 0.005:
            tags.leave_out(tag)  # this one never arrived
        else:
            places[tag % history] = tag
        if chance.random() < 0.002:  # the box starts again
            places.clear()
            tags = Tags(history, tags.next_marker - 1)


@pytest.mark.parametrize("history", HISTORIES)
def test_unanswered_markers_have_places_of_their_own(history):
    tags = Tags(history, last_tag=0)
    taken = [tags.take_marker() for _ in range(255)]
    for at in range(len(taken) - tags.most_markers):
        window = taken[at : at + tags.most_markers]
        assert len({tag % history for tag in window}) == tags.most_markers


def test_other_requests_have_tags_that_no_marker_has():
    tags = Tags(128, last_tag=0)
    markers = {tags.take_marker() for _ in range(300)}
    taken: set[int] = set()
    while tags.other_is_free(taken):
        taken.add(tags.take_other(taken))
    assert len(taken) >= 8
    assert not markers & taken
    assert all(1 <= tag <= 255 for tag in markers | taken)


def test_goes_on_after_the_last_tag_of_the_box():
    assert Tags(32, last_tag=100).take_marker() == 101
    assert Tags(32, last_tag=255).take_marker() == 1
