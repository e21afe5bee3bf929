"""Words for faults: the pins of the connector and of each board are the ones in the pin tables."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tallymark.common.lines.readback_wiring_model import Fault, Kind, responses, single_faults
from tallymark.verification.selftest.fault_inference import Observation, infer
from tallymark.verification.selftest.fault_text import (
    dsub_pin,
    fault_text,
    output_pin,
    readback_pin,
    short,
)
from tallymark.verification.selftest.report import place_of, places_of

BOARDS = Path(__file__).parents[2] / "firmware" / "boards"


@pytest.mark.parametrize("board", ["nano", "pico"])
def test_pins_are_those_of_the_firmware(board: str) -> None:
    text = (BOARDS / board / "pins.h").read_text()
    for word, pin in (("output", output_pin), ("readback", readback_pin)):
        row = re.search(rf"^ \*   {word} +(.*)$", text, re.MULTILINE)
        assert row is not None
        assert row[1].split()[:8] == [pin(board, line) for line in range(8)]


def test_connector_pins() -> None:
    assert [dsub_pin(line) for line in range(8)] == list(range(2, 10))


@pytest.mark.parametrize(
    ("fault", "what", "look"),
    [
        ("open:3", "Input 3 always reads low: its line is open", "D5 → D-sub pin 5 → A3"),
        ("stuck-high:7", "Input 7 always reads high", "D9 → D-sub pin 9 → D11"),
        ("bridged-and:1,4", "Lines 1 and 4 are bridged: each reads high only while both are",
         "D-sub pins 3 and 6"),
        ("swapped:0,6", "Lines 0 and 6 are swapped", "D2 → D-sub pin 2 → A0; D8 → D-sub pin 8"),
        ("inverted:2", "Input 2 is inverted", "D4 → D-sub pin 4 → A2: an inverting buffer"),
        ("inverted", "All inputs are inverted", "an inverting buffer"),
        ("slow:5,200us,300us", "Input 5 is slow: it rises 200 µs and falls 300 µs after", "→ A5"),
    ],
)
def test_words_for_the_nano(fault: str, what: str, look: str) -> None:
    words = fault_text([Fault.parse(fault)], "nano")
    assert what in words.what
    assert look in words.look


def test_pico_and_boards_without_pins() -> None:
    fault = (Fault.parse("open:3"),)
    assert place_of(fault, "pico").look.startswith("GP3 → D-sub pin 5 → GP11:")
    for board in ("virtual", "board 9"):
        assert place_of(fault, board).look.startswith("D-sub pin 5:")


@pytest.mark.parametrize("board", ["virtual", "nano", "pico"])
def test_every_fault_has_words_of_its_own(board: str) -> None:
    faults = [*single_faults(), Fault(Kind.SLOW, (1,), 30, 40)]
    assert len({fault_text([fault], board).what for fault in faults}) == len(faults)
    assert len({short(fault) for fault in faults}) == len(faults)
    for fault in faults:
        words = fault_text([fault], board)
        for line in fault.lines:
            assert str(line) in words.what
            assert str(dsub_pin(line)) in words.look
        assert not words.what.endswith(".")
        assert not words.look.endswith(".")


def test_equal_explanations_are_one_place() -> None:
    found = infer(Observation(responses([Fault.parse("stuck-low:3")])))
    ((place,),) = places_of(found, "nano")
    assert place.faults == ("open:3", "stuck-low:3")
    assert "open, or shorted to ground" in place.what
    assert place.needs == 1


def test_three_lines_that_touch_are_one_place() -> None:
    truth = [Fault.parse("bridged-and:0,1"), Fault.parse("bridged-and:1,5")]
    ((place,),) = places_of(infer(Observation(responses(truth))), "nano")
    assert place.faults == ("bridged-and:0,1", "bridged-and:0,5", "bridged-and:1,5")
    assert place.needs == 2
    assert "Lines 0, 1 and 5 are bridged" in place.what
    assert "D-sub pins 2, 3 and 7" in place.look
