"""The strobe at the pins, in cycles: lead, hold and width, with a full serial line."""

from __future__ import annotations

import random

import pytest
from full_window_host import Host
from nano_chip import CYCLES_PER_US
from raw_frames import (
    CAPTURE_FETCH,
    CAPTURE_START,
    CLOCK,
    IDENTIFY,
    PULSE,
    PULSE_FOR,
    REFUSED,
    SET,
    SETTINGS_WRITE,
    STROBE,
    Talk,
    pulse_for,
    strobed,
)
from test_ahead_edges import ACCEPTED, TIMED, ahead
from test_edges import loaded, play

VALUE_RANGE, OUTSIDE_LINES, WIDTH_RANGE = 15, 6, 7
AT_LEAD, AT_HOLD = 38, 40
def parts(code: int, width: int, lead: int, hold: int, idle: int = 0) -> list[tuple[int, int]]:
    """What the lines do for one pulse: levels, and cycles from its edge."""
    flip = 0xFF if idle else 0
    return [
        (code ^ flip, 0),
        ((code | STROBE) ^ flip, lead * CYCLES_PER_US),
        (code ^ flip, (width - hold) * CYCLES_PER_US),
        (flip, width * CYCLES_PER_US),
    ]


def seen(edges: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Levels, and cycles from the first edge."""
    return [(levels, cycle - edges[0][0]) for cycle, levels in edges]


def assert_equal_to_a_cycle(edges: list[tuple[int, int]], ideal: list[tuple[int, int]]) -> None:
    """The wait for an edge ends on its cycle or on that before, in any edge of this board."""
    found = seen(edges)
    assert [levels for levels, _ in found] == [levels for levels, _ in ideal]
    off = {cycle - wanted for (_, cycle), (_, wanted) in zip(found, ideal, strict=True)}
    assert off <= {-1, 0, 1}


def busy(chip, talk: Talk, microseconds: float) -> None:
    host = loaded(talk)
    host.run(microseconds)
    talk.tag = host.tag


@pytest.mark.parametrize("watching", [False, True])
@pytest.mark.parametrize("idle", [0, 1])
@pytest.mark.parametrize(
    ("lead", "hold"), [(50, 50), (51, 73), (200, 100), (4096, 50), (65_535, 65_535)]
)
def test_lead_and_hold_are_exact_to_the_cycle(chip, talk, lead, hold, idle, watching):
    width = lead + hold + 50
    talk.done(SETTINGS_WRITE, strobed(lead, hold, width=width, idle=idle))
    if watching:
        talk.done(CAPTURE_START, b"\0")
    for more in (0, 1, 1000):
        chip.edges()
        talk.done(PULSE_FOR, pulse_for(0x55, width + more))
        busy(chip, talk, width + more + 1000)
        assert_equal_to_a_cycle(chip.edges(), parts(0x55, width + more, lead, hold, idle))


@pytest.mark.parametrize("watching", [False, True])
def test_of_a_sequence_with_the_shortest_parts(chip, talk, watching):
    talk.done(SETTINGS_WRITE, strobed(50, 50, width=150))
    if watching:
        talk.done(CAPTURE_START, b"\0")
    holds = [150 + 7 * (n % 10) for n in range(30)]
    play(talk, holds, 20)
    busy(chip, talk, sum(holds) * 20 + 2000)
    ideal, begin = [], 0
    for number, hold in [*enumerate(holds)] * 20:
        for levels, cycle in parts(number + 1, hold, 50, 50)[:3]:
            ideal.append((levels, begin + cycle))
        begin += hold * CYCLES_PER_US
    assert_equal_to_a_cycle(chip.edges(), [*ideal, (0, begin)])


@pytest.mark.parametrize("watching", [False, True])
@pytest.mark.parametrize(("lead", "hold"), [(50, 50), (120, 60)])
def test_of_markers_ahead(chip, talk, lead, hold, watching):
    """Behind one another as near as may be."""
    rng = random.Random(3)
    least = lead + hold + 50
    talk.done(SETTINGS_WRITE, strobed(lead, hold))
    if watching:
        talk.done(CAPTURE_START, b"\0")
    at = talk.done(CLOCK).time + 9000
    first = at
    ideal = []
    wanted = []
    for n in range(8):
        width = least + rng.choice([0, 1, 33])
        wanted.append((n + 1, width, at))
        ideal += [(levels, (at - first) * CYCLES_PER_US + cycle)
                  for levels, cycle in parts(n + 1, width, lead, hold)]
        at += width + rng.choice([0, 50, 51, 700])
    chip.edges()
    host = Host(
        chip,
        lambda number: (TIMED, ahead(*wanted[number])) if number < 8 else (CLOCK, b""),
        tag=talk.tag,
    )
    host.run(at - first + 12_000)
    talk.tag = host.tag
    assert [answer.kind for answer in host.answers].count(ACCEPTED) == 8
    kept = [edge for number, edge in enumerate(ideal)
            if number + 1 == len(ideal) or ideal[number + 1][1] != edge[1]]  # code to code
    assert_equal_to_a_cycle(chip.edges(), kept)


def test_of_a_held_code_as_of_a_pulse(chip, talk):
    """A code that is held has a strobe of the default width, and rests without it."""
    talk.done(SETTINGS_WRITE, strobed(100, 60, width=400))
    chip.edges()
    talk.done(SET, b"\x05")
    busy(chip, talk, 3000)
    talk.done(SET, b"\x00")
    talk.listen(1000)
    edges = seen(chip.edges())
    assert_equal_to_a_cycle([(at, levels) for levels, at in edges[:3]], parts(5, 400, 100, 60)[:3])
    assert [levels for levels, _ in edges[3:]] == [0]


def test_of_a_held_code_ahead(chip, talk):
    talk.done(SETTINGS_WRITE, strobed(100, 60, width=400))
    at = talk.done(CLOCK).time + 3000
    chip.edges()
    talk.done(TIMED, ahead(5, 0, at))
    busy(chip, talk, 5000)
    assert_equal_to_a_cycle(chip.edges(), parts(5, 400, 100, 60)[:3])


def test_a_cut_ends_code_and_strobe_in_one_moment(chip, talk):
    talk.done(SETTINGS_WRITE, strobed(100, 60, width=5000))
    chip.edges()
    talk.done(PULSE, b"\x05")
    talk.listen(1000)
    talk.done(PULSE, b"\x06")
    talk.listen(8000)
    levels = [levels for _, levels in chip.edges()]
    assert levels == [5, 5 | STROBE, 6, 6 | STROBE, 6, 0]


def test_what_has_no_room_is_refused(chip, talk):
    for body, at in ((strobed(49, 50), AT_LEAD), (strobed(50, 49), AT_HOLD),
                     (strobed(0, 0), AT_LEAD), (strobed(50, 50, width=149), 16),
                     (strobed(50, 50, line=0x21), 36)):
        answer = talk.ask(SETTINGS_WRITE, body)
        assert (answer.kind, answer.body[1]) == (REFUSED, VALUE_RANGE)
        assert int.from_bytes(answer.body[2:6], "little") == at
    talk.done(SETTINGS_WRITE, strobed(60, 70, width=180))
    answer = talk.ask(PULSE_FOR, pulse_for(1, 179))
    assert answer.body[1:6] == bytes((WIDTH_RANGE, 180, 0, 0, 0))
    answer = talk.ask(PULSE, bytes((STROBE,)))
    assert answer.body[1:6] == bytes((OUTSIDE_LINES, 0xFF & ~STROBE, 0, 0, 0))
    assert not chip.edges()


def test_the_identity_tells_of_it(talk):
    body = talk.done(IDENTIFY, b"\x02\x00", patience_us=400_000).body  # its number is made now
    capabilities = int.from_bytes(body[52:54], "little")
    assert capabilities & 0x20


def test_the_readback_sees_each_edge(chip, talk):
    talk.done(SETTINGS_WRITE, strobed(200, 100, width=1000))
    talk.done(CAPTURE_START, b"\0")
    time = talk.done(PULSE, b"\x41").time
    talk.listen(3000)
    body = talk.done(CAPTURE_FETCH, bytes(4)).body
    entries = [(int.from_bytes(body[at:at + 8], "little"), body[at + 9])
               for at in range(5, len(body), 10)]
    assert entries[1:] == [(time, 0x41), (time + 200, 0x61), (time + 900, 0x41), (time + 1000, 0)]

