"""The probe at D12: when its edges are stamped, that it holds up no marker, and its level at A6."""

from __future__ import annotations

import random
import struct
import subprocess
import sys
from functools import partial
from pathlib import Path

import nano_image
import pytest
from full_window_host import Host
from nano_chip import CYCLES_PER_US, Chip
from raw_frames import (
    CAPTURE_FETCH,
    CAPTURE_START,
    CLOCK,
    PULSE_FOR,
    SETTINGS_KEEP,
    SETTINGS_WRITE,
    Talk,
    pulse_for,
)
from test_edges import MOST_ERROR, play, step_errors, width_under_load

PROBE_EDGES, PROBE_LEVELS = 0xC6, 0x30
LIGHT_EDGE, SOUND_EDGE, TTL, TTL_LOW = 0x04, 0x08, 0x10, 0x20
MOST_LATE_US = 5
"""Of a change at D12, while the box is not busy."""


def record(probes: int) -> bytes:
    head = struct.pack("<16sIIIIBBBB", b"", 5000, 0, 0, 115200, 255, 0, 0, 1)
    return head + bytes((0, probes)) + bytes(12)


def watch(talk: Talk, probes: int) -> None:
    talk.done(SETTINGS_WRITE, record(probes))


def edges_in(messages) -> list[tuple[int, int, int]]:
    """(time, source, on) of all edges of probes; none may be lost."""
    found = []
    for message in messages:
        if message.kind == PROBE_EDGES:
            assert message.body[0] == 0
            found += struct.iter_unpack("<QBB", message.body[1:])
    return found


def zero_of(chip: Chip, talk: Talk) -> float:
    """Microseconds of the chip at box time 0, from an edge of the lines."""
    chip.edges()
    answer = talk.done(PULSE_FOR, pulse_for(1, 100))
    chip.run_us(500)
    return chip.edges()[0][0] / CYCLES_PER_US - answer.time


@pytest.mark.parametrize(
    ("probes", "source", "on_high"),
    [(LIGHT_EDGE, 3, 0), (SOUND_EDGE, 4, 0), (TTL, 5, 1), (TTL | TTL_LOW, 5, 0)],
)
def test_an_edge_is_stamped_within_five_microseconds(chip, talk, probes, source, on_high):
    """At random moments; the box says which input it is and whether that is on."""
    chip.set_probe(not on_high)
    watch(talk, probes)
    zero = zero_of(chip, talk)
    chance = random.Random(probes)
    changes = []
    at = chip.cycle
    for number in range(60):
        at += chance.randint(20_000, 100_000)
        changes.append(at)
        chip.set_probe(bool(on_high) == (number % 2 == 0), at=at)
    said = talk.listen((at - chip.cycle) / CYCLES_PER_US + 2000)
    told = edges_in(said)
    assert [(each, on) for _, each, on in told] == [(source, 1 - n % 2) for n in range(60)]
    times = [time + zero for time, _, _ in told]
    late = [time - at / CYCLES_PER_US for time, at in zip(times, changes, strict=True)]
    assert min(late) >= -1.5
    assert max(late) <= MOST_LATE_US


def test_pulses_keep_their_cycle_while_the_probe_changes_right_before(chip, talk):
    watch(talk, TTL)
    chance = random.Random(3)
    holds = [60 + 7 * (n % 10) for n in range(25)]
    play(talk, holds, 60)
    due = chip.pin_edges[0].cycle
    for number, hold in enumerate(holds * 60):
        due += hold * CYCLES_PER_US
        at = due - chance.randint(0, 400)
        if at > chip.cycle:
            chip.set_probe(number % 2 == 0, at=at)
    host = Host(chip, lambda _number: (CLOCK, b""), tag=talk.tag)
    host.run(sum(holds) * 60 + 2000)
    assert max(map(abs, step_errors(chip.edges(), holds, 60))) <= MOST_ERROR


def test_widths_keep_their_cycle_while_a_probe_is_watched(chip, talk):
    watch(talk, LIGHT_EDGE)
    chance = random.Random(7)
    for _ in range(20):
        chip.set_probe(chance.random() < 0.5, at=chip.cycle + chance.randint(1000, 20_000))
        assert abs(width_under_load(chip, talk, chance.randint(50, 400))) <= MOST_ERROR


def test_both_change_while_the_readback_is_captured(chip, talk):
    """Each has its own time and its own entry."""
    watch(talk, TTL)
    chip.set_probe(False)
    talk.listen(1000)
    zero = zero_of(chip, talk)
    talk.done(CAPTURE_START, b"\0")
    at = chip.cycle + 9_000
    chip.set_probe(True, at=at)
    chip._later(at - chip._born, partial(chip._arrive, 7, True))
    talk.listen(3000)
    body = talk.done(CAPTURE_FETCH, struct.pack("<I", 1)).body[5:]
    entries = list(struct.iter_unpack("<QBB", body))
    assert [(source, levels) for _, source, levels in entries] == [(0, 0x80), (5, 1)]
    for time, _, _ in entries:
        assert abs(time + zero - at / CYCLES_PER_US) <= MOST_LATE_US


ALONE = """
import struct
from nano_chip import Chip
import nano_image
from raw_frames import Talk

chip = Chip(nano_image.nano())
chip.run_us(8000)
talk = Talk(chip)
for part in (0.0, 0.25, 0.8):
    chip.set_probe_level(part)
    talk.listen(1000)
    print(*struct.unpack("<QBHHHH", talk.done(0x30).body)[1:])
"""
"""In a process of its own: with other chips in it, the simulator may go on with a floating pin."""


def test_the_level_is_that_of_a6():
    nano_image.nano()
    found = subprocess.run(
        [sys.executable, "-c", ALONE], cwd=Path(__file__).parent, capture_output=True, text=True,
        check=True,
    )
    rows = [[int(each) for each in line.split()] for line in found.stdout.splitlines()[-3:]]
    for part, (on, low, high, low_b, high_b) in zip((0.0, 0.25, 0.8), rows, strict=True):
        assert low == high == pytest.approx(part * 65536, abs=130)
        assert (on, low_b, high_b) == (0, 0, 0)


def test_what_is_on_is_told_with_the_levels(chip, talk):
    watch(talk, LIGHT_EDGE)
    for high, on in ((True, 0), (False, LIGHT_EDGE)):
        chip.set_probe(high)
        talk.listen(1000)
        assert talk.done(PROBE_LEVELS).body[8] == on


def test_with_a_kept_probe_a_low_d12_at_the_start_is_no_jumper(chip, talk):
    """It is light at power-up, and the box listens to frames all the same."""
    watch(talk, LIGHT_EDGE)
    talk.done(SETTINGS_KEEP, patience_us=400_000)
    chip.byte_jumper = True  # holds D12 low
    chip.power_cycle()
    chip.run_us(8000)
    talk = Talk(chip)
    talk.listen(0)
    assert talk.done(PROBE_LEVELS).body[8] == LIGHT_EDGE
    chip.set_probe(True)
    assert [(source, on) for _, source, on in edges_in(talk.listen(2000))] == [(3, 0)]
