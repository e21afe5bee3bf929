"""From reset to the first request: idle lines, the cause, the serial number."""

from __future__ import annotations

import nano_image
import pytest
import stock_boot_loader_images as boot_loaders
from nano_chip import BROWN_OUT, POWER, RESET_PIN, WATCHDOG, Chip
from raw_frames import (
    CAUSES,
    DONE,
    IDENTIFY,
    IDENTITY,
    LEVELS,
    RECORD,
    RESTART,
    SET,
    SETTINGS_KEEP,
    SETTINGS_WRITE,
    STARTED,
    Talk,
    messages,
)


def said_cause(chip: Chip) -> str:
    """The cause that the box tells unasked when it starts."""
    (started,) = [each for each in messages(chip.received) if each.kind == STARTED]
    return CAUSES[started.body[2]]


def serial(talk: Talk) -> bytes:
    """The serial number, asked for as a host does."""
    return talk.ask(IDENTIFY, b"\x02\x00", patience_us=100_000).body[6:14]


def milliseconds_to_started(chip: Chip) -> int:
    """How long it takes from now until the box tells that it has started."""
    for passed in range(1, 3000):
        chip.run_us(1000)
        if any(each.kind == STARTED for each in messages(list(chip.received))):
            chip.run_us(20_000)
            chip.take()
            return passed
    raise AssertionError("not within three seconds")


def test_a_start_takes_no_longer_than_the_protocol_says():
    """PROTOCOL.md, section 3.6, has these limits, in seconds; nobody sends a byte meanwhile."""
    for loader, power_s, reset_s in (
        (boot_loaders.OLD, 1.4, 1.4), (boot_loaders.OPTIBOOT, 0.1, 1.1), (None, 0.1, 0.1)
    ):
        chip = Chip(nano_image.nano(), boot_loader=loader)
        assert milliseconds_to_started(chip) <= power_s * 1000
        chip.reset()
        assert milliseconds_to_started(chip) <= reset_s * 1000
        if loader is not boot_loaders.OLD:
            Talk(chip).done(RESTART, b"\0")
            assert milliseconds_to_started(chip) <= 100


def test_no_line_moves_from_power_to_the_first_request():
    """The pins float until the firmware's first instructions, then they are low and stay so."""
    chip = Chip(nano_image.nano())
    chip.run_us(100_000)
    assert chip.pin_edges == []
    assert not [state for _, _, state in chip.strange if state != "Floating"]
    assert chip.outputs == 0


def test_the_lines_are_driven_within_ten_milliseconds():
    chip = Chip(nano_image.nano())
    chip.run_us(10_000)
    assert [chip.pin_state(line) for line in range(8)] == ["Low"] * 8


def test_with_idle_high_no_line_is_ever_driven_low(chip, talk):
    """An active-low receiver would take that for a marker with all lines."""
    talk.done(SETTINGS_WRITE, RECORD.pack(b"", 5000, 0, 0, 115_200, 255, 1, 0, 1))
    talk.done(SETTINGS_KEEP, patience_us=400_000)
    for restart in (chip.reset, chip.power_cycle):
        restart()
        low = []
        for _ in range(10_000):
            chip.run_us(1)
            low += [line for line in range(8) if chip.pin_state(line) == "Low"]
        assert low == []
        assert [chip.pin_state(line) for line in range(8)] == ["High"] * 8


def test_a_reset_takes_held_lines_to_idle(chip, talk):
    talk.done(SET, b"\xff")
    chip.reset()
    chip.run_us(10_000)
    assert chip.outputs == 0


@pytest.mark.parametrize("left_in_r2", [0, 1, 2, 4, 8, 0x0A, 0x55])
@pytest.mark.parametrize("loader", boot_loaders.ALL.values(), ids=list(boot_loaders.ALL))
def test_no_cause_is_made_up_behind_a_stock_boot_loader(loader, left_in_r2):
    """Optiboot clears the flags, and both leave in r2 what the program had there."""
    chip = Chip(nano_image.nano(), boot_loader=loader)
    chip._probe.write_gpreg(2, left_in_r2)
    chip.run_us(1_500_000)
    # The old one leaves the flags. What is in r2 may look like the flag of a power-up, which fits
    # RAM without a note.
    known = loader is boot_loaders.OLD or left_in_r2 == 1
    assert said_cause(chip) == ("power" if known else "unknown")
    chip.take()
    talk = Talk(chip)
    talk.done(RESTART, b"\0")
    chip._probe.write_gpreg(2, left_in_r2)
    chip.run_us(60_000)
    if loader is boot_loaders.OPTIBOOT:  # the old one would reset for ever (see the README)
        assert said_cause(chip) == "asked"
        chip.take()


@pytest.mark.parametrize(
    ("flag", "cause"), [(POWER, "power"), (RESET_PIN, "reset pin"), (BROWN_OUT, "brown-out")]
)
def test_the_box_says_why_it_started(chip, talk, flag, cause):
    chip.reset(flag)
    chip.run_us(10_000)
    assert said_cause(chip) == cause


def lose_ram(chip: Chip) -> None:
    """Overwrites the note that tells that the firmware ran before."""
    address = nano_image.symbols(nano_image.nano())["note"]
    chip.write_ram(address, b"\x12\x34\x56\x78")


@pytest.mark.parametrize(
    ("flag", "cause"),
    [(POWER, "power"), (RESET_PIN, "reset pin"), (BROWN_OUT, "brown-out"), (WATCHDOG, "unknown")],
)
def test_a_watchdog_is_not_blamed_where_the_firmware_had_not_run(chip, talk, flag, cause):
    """A boot loader may clear the flag of the power-up and end its wait by the watchdog; or other
    firmware was loaded, with its own use of RAM."""
    lose_ram(chip)
    chip.reset(flag)
    chip.run_us(10_000)
    assert said_cause(chip) == cause


def test_ram_that_was_lost_is_no_proof_of_a_power_up(chip, talk):
    """No flag, as behind a boot loader that clears them: nothing is known."""
    lose_ram(chip)
    chip._probe.write_gpreg(2, 0)
    chip._probe.write_pc(0)
    chip.run_us(10_000)
    assert said_cause(chip) == "unknown"


def test_a_restart_that_was_asked_for_is_told_from_a_watchdog(chip, talk):
    talk.done(RESTART, b"\0")
    chip.run_us(60_000)
    assert said_cause(chip) == "asked"


def test_a_watchdog_after_a_restart_that_was_asked_for_is_not_told_as_asked(chip, talk):
    talk.done(RESTART, b"\0")
    chip.run_us(60_000)
    chip.take()
    chip.hang()
    chip.run_us(700_000)
    assert said_cause(chip) == "watchdog"


def test_what_is_queued_leaves_before_a_restart(chip, talk):
    for _ in range(4):
        talk.say(IDENTIFY, b"\x02\x00")
    talk.say(RESTART, b"\0")
    kinds = [each.kind for each in talk.listen(200_000)]
    assert kinds.count(IDENTITY) == 4
    assert kinds[4:] == [DONE, STARTED]


def test_a_main_loop_that_hangs_is_ended_by_the_watchdog(chip, talk):
    """The whole program is stopped by an interrupt that comes back for ever."""
    talk.done(SET, b"\x0f")
    chip.hang()
    chip.run_us(700_000)
    assert said_cause(chip) == "watchdog"
    assert chip.outputs == 0


def test_the_serial_number_is_made_once(chip, talk):
    first = serial(talk)
    chip.power_cycle()
    chip.run_us(10_000)
    talk.listen(0)
    assert serial(talk) == first
    assert first not in (b"\0" * 8, b"\xff" * 8)


def test_two_boxes_have_two_serial_numbers():
    """Even if their RAM came up alike, as here: the moment of the first question differs."""
    numbers = set()
    for wait in (9000, 9001.5, 10_003, 12_345):
        chip = Chip(nano_image.nano())
        chip.run_us(wait)
        talk = Talk(chip)
        talk.listen(0)
        numbers.add(serial(talk))
    assert len(numbers) == 4


def test_the_pattern_of_the_ram_goes_into_the_serial_number():
    numbers = set()
    for pattern in (b"\x00", b"\x37"):
        chip = Chip(nano_image.nano())
        chip.write_ram(0x700, pattern * 64)
        chip.run_us(9000)
        talk = Talk(chip)
        talk.listen(0)
        numbers.add(serial(talk))
    assert len(numbers) == 2


def test_readback_inputs_without_a_wire_read_high(chip, talk):
    """By their pull-ups; without them they would pick up anything."""
    for pin in chip._readback:
        pin.set_external_state("Z")
    assert talk.done(LEVELS).body[9] == 0xFF
