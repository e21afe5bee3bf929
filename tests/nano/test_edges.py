"""Edges at the pins, in cycles: widths, sequences, skew, and how soon after a frame they come."""

from __future__ import annotations

import random
import struct
from functools import partial
from itertools import pairwise

import pytest
from full_window_host import Host
from nano_chip import CYCLES_PER_US, Wires
from raw_frames import (
    CAPTURE_FETCH,
    CAPTURE_START,
    CAPTURE_STOP,
    CLOCK,
    PULSE,
    PULSE_FOR,
    SEQUENCE_LOAD,
    SEQUENCE_START,
    SET,
    pulse_for,
)

MOST_ERROR = 8
"""Cycles, half a microsecond: what a width or a step may be off."""
MOST_LATENCY = 240
"""Cycles, 15 microseconds: from the last stop bit of a frame to the edge, on an idle line."""
MOST_SKEW = 2
EDGES_NOTICE = 0xC2
COMPARE = 11  # the interrupt of an edge


def loaded(talk) -> Host:
    """A host that keeps both directions of the serial line busy without touching the lines."""
    return Host(talk.chip, lambda _number: (CLOCK, b""), tag=talk.tag)


def width_under_load(chip, talk, width_us: int, code: int = 0xFF) -> int:
    """Cycles by which a pulse is too long; the line is busy from 20 ms before its end."""
    chip.edges()
    talk.done(PULSE_FOR, pulse_for(code, width_us))
    quiet_us = max(0, width_us - 20_000)
    chip.run_us(quiet_us)
    host = loaded(talk)
    host.run(width_us - quiet_us + 1000)
    talk.tag = host.tag
    (up, levels), (down, rest) = chip.edges()
    assert (levels, rest) == (code, 0)
    return down - up - width_us * CYCLES_PER_US


LAPS = [4095, 4096, 4097, *range(4104, 4128, 2), 8212, 65_536, 65_550]
"""Around the laps of the 16-bit timer, where the alarm is at its hardest."""


@pytest.mark.parametrize("width_us", [50, 51, 60, 100, 333, 1000, 2999, *LAPS, 100_000, 1_000_000])
def test_a_pulse_ends_on_its_cycle(chip, talk, width_us):
    assert abs(width_under_load(chip, talk, width_us)) <= MOST_ERROR


def test_a_pulse_of_seventeen_seconds_ends_on_its_cycle(chip, talk):
    """More than 65,536 times 256 microseconds: the count of laps needs its third byte."""
    assert abs(width_under_load(chip, talk, 17_000_000)) <= MOST_ERROR


def test_pulses_of_any_width_end_on_their_cycle(chip, talk):
    chance = random.Random(7)
    errors = [width_under_load(chip, talk, chance.randint(50, 9000)) for _ in range(60)]
    assert max(map(abs, errors)) <= MOST_ERROR


def play(talk, holds_us: list[int], repeats: int) -> None:
    for index, hold in enumerate(holds_us):
        talk.done(SEQUENCE_LOAD, struct.pack("<HBI", index, index + 1, hold))
    talk.chip.edges()
    talk.done(SEQUENCE_START, struct.pack("<I", repeats))


def step_errors(edges: list[tuple[int, int]], holds_us: list[int], repeats: int) -> list[int]:
    """Cycles by which each edge of a sequence is off its ideal time, from the first edge on."""
    assert [levels for _, levels in edges[:-1]] == list(range(1, len(holds_us) + 1)) * repeats
    assert edges[-1][1] == 0
    ideal = edges[0][0]
    errors = []
    for (cycle, _), hold in zip(edges, [*holds_us * repeats, 0], strict=True):
        errors.append(cycle - ideal)
        ideal += hold * CYCLES_PER_US
    return errors


def test_ten_thousand_steps_under_load(chip, talk):
    holds = [50 + 7 * (n % 10) for n in range(25)]
    play(talk, holds, 400)
    host = loaded(talk)
    host.run(sum(holds) * 400 + 2000)
    errors = step_errors(chip.edges(), holds, 400)
    assert len(errors) == 10_001
    assert max(map(abs, errors)) <= MOST_ERROR
    assert chip.most_in_receiver <= 3


def test_steps_longer_than_a_lap_of_the_timer(chip, talk):
    holds = [4100 + 3 * n for n in range(30)]
    play(talk, holds, 2)
    host = loaded(talk)
    host.run(sum(holds) * 2 + 2000)
    assert max(map(abs, step_errors(chip.edges(), holds, 2))) <= MOST_ERROR


def test_both_ports_change_within_two_cycles(chip, talk):
    chip.edges()
    for width in (50, 777, 5000):
        talk.done(PULSE_FOR, pulse_for(0xFF, width))
        chip.run_us(width + 100)
    assert len(chip.pin_edges) == 3 * 2 * 8
    for at in range(0, len(chip.pin_edges), 8):
        cycles = [edge.cycle for edge in chip.pin_edges[at : at + 8]]
        assert max(cycles) - min(cycles) <= MOST_SKEW


@pytest.mark.parametrize(
    ("kind", "body"), [(PULSE, b"\x5a"), (PULSE_FOR, pulse_for(0x5A, 300)), (SET, b"\x5a")]
)
def test_an_edge_comes_soon_after_its_frame(chip, talk, kind, body):
    """From the end of the last stop bit, at any moment of the main loop."""
    latencies = []
    for phase in range(40):
        talk.done(SET, b"\0")
        chip.run_us(6000)
        chip.run(phase * 7)
        chip.edges()
        talk.done(kind, body)
        frame_end = chip.arrived[-1]
        latencies.append(chip.edges()[0][0] - frame_end)
    assert min(latencies) > 0
    assert max(latencies) <= MOST_LATENCY


def test_box_time_is_that_of_the_edge(chip, talk):
    """The time that the answer tells and the pin differ by less than a microsecond, for ever."""
    chip.edges()
    offsets = []
    for wait in (0, 10, 65_000, 4096, 1_000_000):
        chip.run_us(wait)
        answer = talk.done(PULSE_FOR, pulse_for(1, 60))
        offsets.append(chip.edges()[0][0] / CYCLES_PER_US - answer.time)
    assert max(offsets) - min(offsets) < 1


@pytest.mark.parametrize("width_us", [100, 1000, 5000])
def test_the_capture_tells_the_time_of_an_edge(chip, talk, width_us):
    talk.done(CAPTURE_START, b"\0")
    chip.edges()
    answer = talk.done(PULSE_FOR, pulse_for(0xA5, width_us))
    chip.run_us(width_us + 500)
    edges = chip.edges()
    start = edges[0][0] / CYCLES_PER_US - answer.time
    body = talk.done(CAPTURE_FETCH, bytes(4)).body[5:]
    captured = list(struct.iter_unpack("<QBB", body))
    assert [levels for _, _, levels in captured] == [0, 0xA5, 0]
    for (time, _, _), (cycle, _) in zip(captured[1:], edges, strict=True):
        assert abs(time + start - cycle / CYCLES_PER_US) <= 1


def test_a_change_that_comes_later_than_the_edge_has_its_own_time(chip, talk):
    """Line 1 rises late. Its change is not the edge that the box has made itself."""
    late_us = 700
    chip.wire(Wires(rise=[0, late_us * CYCLES_PER_US, *[0] * 6]))
    talk.done(CAPTURE_START, b"\0")
    talk.done(PULSE_FOR, pulse_for(3, 2000))
    chip.run_us(3000)
    body = talk.done(CAPTURE_FETCH, bytes(4)).body[5:]
    captured = list(struct.iter_unpack("<QBB", body))
    assert [levels for _, _, levels in captured] == [0, 1, 3, 0]
    (_, edge, late, end) = [time for time, _, _ in captured]
    assert late - edge == pytest.approx(late_us, abs=25)
    assert end - edge == pytest.approx(2000, abs=1)


def test_a_change_from_outside_is_captured_with_its_own_time(chip, talk):
    """To 1.5 microseconds, although an interrupt looks at it some 56 cycles later."""
    talk.done(CAPTURE_START, b"\0")
    chip.edges()
    answer = talk.done(PULSE_FOR, pulse_for(1, 100))
    chip.run_us(500)
    start = chip.edges()[0][0] / CYCLES_PER_US - answer.time
    first = 3  # the level at the start, and the pulse
    for number in range(20):
        changed = chip.cycle + 5_003
        chip._later(changed - chip._born, partial(chip._arrive, 7, number % 2 == 0))
        chip.run_us(1000)
        body = talk.done(CAPTURE_FETCH, struct.pack("<I", first)).body
        ((time, _, _),) = struct.iter_unpack("<QBB", body[5:])
        first += 1
        assert abs(time + start - changed / CYCLES_PER_US) <= 1.5


@pytest.mark.parametrize("seed", range(3))
def test_captured_times_never_go_back(chip, talk, seed):
    """Edges of the box's own carry their exact time, changes from outside that of a look at them.
    Here one comes shortly before or behind each edge."""
    chance = random.Random(seed)
    holds = [150 + 7 * (n % 10) for n in range(25)]
    talk.done(CAPTURE_START, b"\x01")
    play(talk, holds, 8)
    due = chip.pin_edges[0].cycle
    for number, hold in enumerate(holds * 8):
        due += hold * CYCLES_PER_US
        at = due + chance.randint(-400, 400)
        if at > chip.cycle:
            chip._later(at - chip._born, partial(chip._arrive, 7, number % 2 == 0))
    notices = talk.listen(sum(holds) * 8 + 5000)
    bodies = [notice.body for notice in notices if notice.kind == EDGES_NOTICE]
    times = [time for body in bodies for time, _, _ in struct.iter_unpack("<QBB", body[5:])]
    assert len(times) > 100  # changes that are close to each other may be reported as one
    assert times == sorted(times)


def test_a_capture_begins_with_the_levels_of_now(chip, talk):
    """A change back to the levels of an earlier capture is a change."""
    talk.done(CAPTURE_START, b"\0")
    talk.done(CAPTURE_STOP)
    before = chip._seen[7]
    chip._arrive(7, not before)
    talk.done(CAPTURE_START, b"\0")
    chip._arrive(7, before)
    chip.run_us(1000)
    body = talk.done(CAPTURE_FETCH, bytes(4)).body[5:]
    seen = [bool(levels >> 7) for _, _, levels in struct.iter_unpack("<QBB", body)]
    assert seen == [not before, before]


def test_no_alarm_goes_on_behind_the_last_edge(chip, talk):
    """A lap of the timer, 4 ms, would bring it back."""
    talk.done(PULSE_FOR, pulse_for(1, 1000))
    chip.run_us(2000)
    before = chip.interrupts[COMPARE]
    chip.run_us(20_000)
    assert chip.interrupts[COMPARE] == before


def test_markers_that_follow_each_other_never_show_a_code_in_between(chip, talk):
    """A cut from one code to another goes there directly, to the two cycles of the ports."""
    chip.edges()
    for code in (0xFF, 0x0F, 0xF0, 0x81, 0x7E):
        talk.done(PULSE_FOR, pulse_for(code, 100_000))
    levels = [levels for _, levels in chip.edges()]
    assert levels == [0xFF, 0x0F, 0xF0, 0x81, 0x7E]
    assert all(one != other for one, other in pairwise(levels))


def test_pulses_keep_their_cycle_while_the_readback_is_watched(chip, talk):
    """The readback's interrupt comes before that of the lines, and must not hold an edge back."""
    talk.done(CAPTURE_START, b"\x01")
    chance = random.Random(5)
    errors = [width_under_load(chip, talk, chance.randint(50, 400)) for _ in range(60)]
    assert max(map(abs, errors)) <= MOST_ERROR
    holds = [50 + 11 * n for n in range(30)]
    play(talk, holds, 20)
    host = loaded(talk)
    host.run(sum(holds) * 20 + 2000)
    assert max(map(abs, step_errors(chip.edges(), holds, 20))) <= MOST_ERROR


@pytest.mark.parametrize("seed", range(2))
def test_a_change_of_the_readback_right_before_an_edge_does_not_hold_it_back(chip, talk, seed):
    """Its interrupt is the longest, and comes first. Here it comes in any of the cycles in which it
    could hold up that of the lines, alone or behind those of a busy serial line."""
    talk.done(CAPTURE_START, b"\0")
    chance = random.Random(seed)
    holds = [60 + 7 * (n % 10) for n in range(25)]
    play(talk, holds, 60)
    due = chip.pin_edges[0].cycle
    for number, hold in enumerate(holds * 60):
        due += hold * CYCLES_PER_US
        at = due - chance.randint(130, 400)
        if at > chip.cycle:
            change = partial(chip._arrive, 7, number % 2 == 0)
            chip._later(at - chip._born, change)
    host = loaded(talk)
    host.run(sum(holds) * 60 + 2000)
    errors = step_errors(chip.edges(), holds, 60)
    assert max(map(abs, errors)) <= 1


def test_the_light_flashes_at_a_marker_and_blips_every_two_seconds(chip, talk):
    chip.run_us(1_000_000)
    chip.light_edges.clear()
    talk.done(PULSE_FOR, pulse_for(1, 1000))
    chip.run_us(200_000)
    on, off = chip.light_edges
    assert (on.high, off.high) == (True, False)
    assert 60_000 <= (off.cycle - on.cycle) / CYCLES_PER_US <= 140_000
    chip.light_edges.clear()
    chip.run_us(4_300_000)
    blips = [edge.cycle for edge in chip.light_edges if edge.high]
    assert len(blips) == 2
    assert 2.0e6 <= (blips[1] - blips[0]) / CYCLES_PER_US <= 2.2e6
