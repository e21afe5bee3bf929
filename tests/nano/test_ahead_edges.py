"""Markers ahead at the pins, in cycles, while the serial line is full in both directions.

TALLYMARK_AHEAD sets how many."""

from __future__ import annotations

import os
import random
import struct

import pytest
from full_window_host import Host
from nano_chip import CYCLES_PER_US
from raw_frames import CAPTURE_START, CLOCK, IDENTIFY, PULSE, PULSE_FOR, REFUSED, pulse_for

TIMED, CANCEL, ACCEPTED, EDGE = 0x13, 0x14, 0x8A, 0xC5
FATE_OF_NUMBER, DONE_FATE = 0x08, 1
COUNT = int(os.environ.get("TALLYMARK_AHEAD", "240"))
PLACES = 8
LEAD_US = 500


def ahead(code: int, width: int, at: int) -> bytes:
    """Body of a pulse ahead, or of a set if there is no width."""
    return struct.pack("<BBIII", width == 0, code, width, at % 2**32, at % 2**32)


def zero_of(chip, talk) -> int:
    """The cycle at which box time began, to 15 cycles: the time of an edge is told in whole us."""
    chip.edges()
    time = talk.done(PULSE_FOR, pulse_for(1, 60)).time
    talk.listen(500)
    (cycle, _), _ = chip.edges()
    return cycle - time * CYCLES_PER_US


def errors(edges, times, zero: int) -> list[int]:
    """Cycles by which each first edge is off, up to a constant of 0 to 15."""
    assert len(edges) == len(times)
    return [
        cycle - time * CYCLES_PER_US - zero
        for (cycle, _), time in zip(edges, times, strict=True)
    ]


@pytest.mark.parametrize("watching", [False, True])
@pytest.mark.parametrize(("least", "most"), [(110, 130), (110, 3000)])
def test_each_edge_comes_at_its_cycle_under_full_load(chip, talk, watching, least, most):
    rng = random.Random(5)
    zero = zero_of(chip, talk)
    if watching:
        talk.done(CAPTURE_START, b"\x00")
    seen: list[int] = []
    lost = talk.counters()["input_lost"]
    for total in range(PLACES, COUNT + 1, PLACES):
        at = talk.done(CLOCK).time + 9000
        wanted = []
        for n in range(PLACES):
            at += rng.randint(least, most)
            wanted.append((0xAA if n % 2 else 0x55, rng.randint(50, least - 50), at))
        chip.edges()
        order = wanted[:]
        rng.shuffle(order)
        host = Host(
            chip,
            lambda number, order=order: (TIMED, ahead(*order[number])) if number < PLACES
            else (CLOCK, b""),
            tag=talk.tag,
        )
        host.run(at - wanted[0][2] + 12_000)
        talk.tag = host.tag
        assert [answer.kind for answer in host.answers].count(ACCEPTED) == PLACES
        # A full line leaves no room for some of the notices: what became of those is asked for.
        fates = [talk.done(FATE_OF_NUMBER, struct.pack("<I", total - n)) for n in range(PLACES)]
        assert {fate.body[1] for fate in fates} == {DONE_FATE}
        assert sorted(struct.unpack_from("<Q", fate.body, 4)[0] for fate in fates) == [
            time for _, _, time in wanted
        ]
        moved = chip.edges()
        first = [edge for edge in moved if edge[1]]
        assert [levels for _, levels in first] == [code for code, _, _ in wanted]
        seen += errors(first, [time for _, _, time in wanted], zero)
        ups, downs = moved[::2], moved[1::2]
        assert [down - up for (up, _), (down, _) in zip(ups, downs, strict=True)] == [
            width * CYCLES_PER_US for _, width, _ in wanted
        ]
    print(f"{len(seen)} edges: {min(seen)} to {max(seen)} cycles, box time known to 15")
    assert max(seen) - min(seen) <= 1
    assert -16 <= min(seen) <= 1
    assert talk.counters()["input_lost"] == lost


def test_a_pulse_that_comes_now_is_cut_at_the_cycle(chip, talk):
    zero = zero_of(chip, talk)
    at = talk.done(CLOCK).time + 20_000
    talk.done(TIMED, ahead(2, 700, at))
    talk.done(TIMED, ahead(4, 100, at + 700))
    chip.edges()
    talk.done(PULSE_FOR, pulse_for(1, 3_000_000))
    talk.listen(25_000)
    edges = chip.edges()
    assert [levels for _, levels in edges] == [1, 2, 4, 0]
    off = errors(edges[1:], [at, at + 700, at + 800], zero)
    assert max(off) - min(off) <= 1


def test_a_pulse_ends_though_the_marker_that_would_have_cut_it_is_cancelled(chip, talk):
    at = talk.done(CLOCK).time + 20_000
    talk.done(TIMED, ahead(2, 700, at))
    chip.edges()
    talk.done(PULSE_FOR, pulse_for(1, 100_000))
    talk.done(TIMED, ahead(4, 50, at + 300_000))
    talk.done(CANCEL, struct.pack("<I", 1))
    talk.listen(350_000)
    edges = chip.edges()
    assert [levels for _, levels in edges] == [1, 0, 4, 0]
    assert edges[1][0] - edges[0][0] == 100_000 * CYCLES_PER_US


@pytest.mark.parametrize("before_us", range(520, 1500, 23))
def test_cancelled_just_before_its_time(chip, talk, before_us):
    """It is out or not, as the box says, and the pulse that it would have cut keeps its end."""
    at = talk.done(CLOCK).time + 10_000
    talk.done(TIMED, ahead(2, 60, at))
    talk.done(PULSE_FOR, pulse_for(1, 30_000))
    chip.run_us(at - talk.done(CLOCK).time - before_us)
    chip.edges()
    talk.done(CANCEL, bytes(4))
    told = [each for each in talk.listen(40_000) if each.kind == EDGE]
    moved = [levels for _, levels in chip.edges()]
    assert len(told) == 1
    assert moved == ([2, 0] if told[0].body[21] == 0 else [0])


def test_seconds_and_laps_ahead(chip, talk):
    zero = zero_of(chip, talk)
    times = []
    now = talk.done(CLOCK).time
    for n, us in enumerate((4096 * 3, 65_536, 70_000, 1_000_000, 3_000_001)):
        times.append(now + 5000 + us)
        talk.done(TIMED, ahead(1 + n, 90, times[-1]))
    chip.edges()
    talk.listen(3_100_000)
    off = errors([edge for edge in chip.edges() if edge[1]], times, zero)
    assert max(off) - min(off) <= 1


def test_markers_that_come_now_go_on_between_them(chip, talk):
    zero = zero_of(chip, talk)
    now = talk.done(CLOCK).time
    times = [now + 8000 + 9000 * n for n in range(PLACES)]
    for n, at in enumerate(times):
        talk.done(TIMED, ahead(0x80 + n, 200, at))
    chip.edges()
    host = Host(chip, lambda number: (PULSE_FOR, pulse_for(1, 60)), tag=talk.tag)
    host.run(90_000)
    talk.tag = host.tag
    edges = chip.edges()
    off = errors([edge for edge in edges if edge[1] >= 0x80], times, zero)
    assert max(off) - min(off) <= 1
    taken = [each.body[1] for each in host.answers if each.kind == REFUSED]
    assert set(taken) <= {23}
    assert len(host.answers) - len(taken) > 100


def test_the_identity_and_the_places(chip, talk):
    body = talk.done(IDENTIFY, b"\x02\x00", patience_us=400_000).body  # its number is made now
    assert (body[55], int.from_bytes(body[56:58], "little")) == (PLACES, LEAD_US)
    now = talk.done(CLOCK).time
    for n in range(PLACES):
        assert talk.ask(TIMED, ahead(1, 50, now + 100_000 + 1000 * n)).kind == ACCEPTED
    assert talk.ask(TIMED, ahead(1, 50, now + 200_000)).body[1] == 24
    assert talk.done(PULSE, b"\x05").kind != REFUSED
