"""The serial line at its limit: rate, window, and input that nobody should send."""

from __future__ import annotations

import random

import pytest
from full_window_host import WINDOW, Host
from nano_chip import FRAMING_ERROR, OVERRUN
from raw_frames import (
    CLOCK,
    DONE,
    IDENTIFY,
    PULSE,
    RECORD,
    SETTINGS_KEEP,
    SETTINGS_READ,
    SETTINGS_WRITE,
    frame,
)

RING = 128
WIRE = 500_000 / 10
"""Bytes a second."""
ANSWER_BYTES = 14
"""`done` on the wire, which is what limits confirmed markers; a request has 7."""


def shorten_pulses(talk, width_us: int) -> None:
    """Stores another width, so that pulses of a burst don't cut each other."""
    record = list(RECORD.unpack(talk.done(SETTINGS_READ).body[5:]))
    record[1] = width_us
    talk.done(SETTINGS_WRITE, RECORD.pack(*record))


def test_markers_are_confirmed_at_nine_tenths_of_the_rate_of_the_wire(chip, talk):
    shorten_pulses(talk, 60)
    chip.edges()
    host = Host(chip, lambda number: (PULSE, bytes([number % 255 + 1])), tag=talk.tag)
    host.run(400_000)
    assert host.rate() >= 0.9 * WIRE / ANSWER_BYTES
    assert {answer.kind for answer in host.answers} == {DONE}
    shown = [levels for _, levels in chip.edges() if levels]
    assert shown == [number % 255 + 1 for number in range(host.number)]
    assert len(host.answers) == host.number
    assert WINDOW - 7 < host.most_outstanding <= WINDOW
    assert chip.most_in_receiver <= 3
    talk.tag = host.tag
    counters = talk.counters()
    assert counters["markers"] == host.number
    for lost in ("frames_broken", "refused", "messages_lost", "input_lost"):
        assert counters[lost] == 0, lost


def test_answers_that_are_longer_than_their_requests_are_not_lost(chip, talk):
    """Each pulse cuts the one before, whose fate makes the answer 23 bytes long."""
    host = Host(chip, lambda number: (PULSE, bytes([number % 255 + 1])), tag=talk.tag)
    host.run(200_000)
    assert len(host.answers) == host.number
    talk.tag = host.tag
    counters = talk.counters()
    assert counters["messages_lost"] == counters["input_lost"] == 0


def test_the_longest_answers_to_the_shortest_requests_are_not_lost(chip, talk):
    """A window of requests asks for three times what the box can queue."""
    host = Host(chip, lambda _number: (SETTINGS_READ, b""), tag=talk.tag)
    host.run(200_000)
    assert len(host.answers) == host.number > 100
    talk.tag = host.tag
    counters = talk.counters()
    assert counters["messages_lost"] == counters["input_lost"] == 0


def test_a_window_of_bytes_at_once_is_held(chip, talk):
    """96 bytes without a pause, while nothing is answered yet."""
    frames = b"".join(frame(PULSE, tag, b"\x01") for tag in range(1, 14))
    assert len(frames) <= WINDOW
    chip.send(frames)
    talk.tag = 13
    chip.run_us(20_000)
    counters = talk.counters()
    assert (counters["markers"], counters["input_lost"]) == (13, 0)


def test_noise_at_full_speed_moves_no_line(chip, talk):
    chip.edges()
    chance = random.Random(3)
    for _ in range(40):
        chip.send(chance.randbytes(500))
    chip.run_us(420_000)
    chip.send(b"\0")
    chip.run_us(5000)
    talk.listen(0)
    assert talk.ask(IDENTIFY, b"\x02\x00", patience_us=100_000).body[5] == 2
    assert chip.edges() == []
    assert chip.resets == []
    assert talk.counters()["frames_broken"] > 50


def test_a_host_that_does_not_keep_to_the_window_is_told_of_lost_bytes(chip, talk):
    """Long pulses of work and a flood of requests: bytes get lost, and the box counts them."""
    for tag in range(1, 256):
        chip.send(frame(PULSE, tag, b"\x01"))
    chip.run_us(150_000)
    chip.send(b"\0")
    chip.run_us(2000)
    talk.listen(0)
    talk.tag = 200
    counters = talk.counters()
    done = counters["markers"] + counters["refused"] + counters["frames_broken"]
    assert done <= 255
    assert counters["markers"] == 255 or counters["input_lost"] > 0


@pytest.mark.parametrize("error", [OVERRUN, FRAMING_ERROR])
def test_bytes_with_errors_are_counted_one_by_one(chip, talk, error):
    """As they come one at a time, read by the main loop, and without a pause, by the interrupt."""
    chip.receive_errors(error)
    for _ in range(5):
        chip.send(b"\0")
        chip.run_us(500)
    chip.receive_errors(0)
    assert talk.counters()["input_lost"] == 5
    chip.receive_errors(error)
    chip.send(frame(CLOCK, 99) * 5)
    chip.run_us(3000)
    chip.receive_errors(0)
    talk.listen(0)
    assert talk.counters()["input_lost"] == 5 + 5 * len(frame(CLOCK, 99))


def test_bytes_without_errors_are_not_counted(chip, talk):
    chip.send(frame(CLOCK, 99) * 5)
    chip.run_us(3000)
    talk.listen(0)
    assert talk.counters()["input_lost"] == 0


def test_bytes_that_the_ring_has_no_room_for_are_counted_to_the_last(chip, talk):
    """Nothing is taken while the settings are written; the ring holds 128 bytes."""
    talk.done(SETTINGS_WRITE, RECORD.pack(b"Quay", 900, 0, 0, 9600, 255, 0, 0, 1))
    talk.say(SETTINGS_KEEP)
    chip.run_us(2000)
    chip.send(bytes([0]) * 200)
    chip.run_us(300_000)
    talk.listen(0)
    lost = talk.counters()["input_lost"]
    assert 200 - RING - 2 <= lost <= 200 - RING
