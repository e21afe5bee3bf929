"""How many recordings go to a worker together: enough to be worth it, few enough to lose."""

from __future__ import annotations

from tallymark.study.group_size import LEAST, MOST, WAIT_S, WORK_S, GroupSize


def learnt(recordings: int, processor_s: float, clock_s: float) -> GroupSize:
    size = GroupSize()
    size.learn(recordings, processor_s, clock_s)
    return size


def test_it_begins_with_one() -> None:
    assert GroupSize().next(500, 1) == 1


def test_short_ones_go_together_up_to_a_limit() -> None:
    assert learnt(1, WORK_S / 20, WORK_S / 20).next(500, 1) == 20
    assert learnt(4, WORK_S / 5, WORK_S / 5).next(500, 1) == 20
    assert learnt(1, 1e-9, 0.0).next(500, 1) == MOST


def test_long_ones_go_alone() -> None:
    assert learnt(1, 3 * WORK_S, 3 * WORK_S).next(500, 4) == 1


def test_what_waits_for_its_files_is_lost_in_no_larger_groups() -> None:
    """Read from far away, a check takes little of the processor and long by the clock."""
    assert learnt(1, WORK_S / 30, WAIT_S / 2).next(500, 1) == 2


def test_towards_the_end_no_worker_waits_for_another() -> None:
    size, left, given = learnt(1, WORK_S / 30, WORK_S / 30), 120, []
    while left:
        given.append(size.next(left, 2))
        left -= given[-1]
    assert sum(given) == 120
    assert given[0] == 30
    assert given == sorted(given, reverse=True)
    assert given[-2] == LEAST
    assert size.next(20, 1) == 20  # with one thread, nobody waits


def test_never_more_than_there_are() -> None:
    assert learnt(1, 0.001, 0.001).next(2, 4) == 2
    assert GroupSize(most=1).next(9, 1) == 1
