"""Readings of a meter."""

from __future__ import annotations

import pytest

from tallymark.common.errors import BadValue
from tallymark.verification.acceptance import typed_supply_voltages as supply
from tallymark.verification.acceptance.limits import SUPPLY, fits


@pytest.mark.parametrize(
    ("text", "volts", "digit"),
    [("5.02", 5.02, 0.01), ("5,02 V", 5.02, 0.01), ("5", 5.0, 1.0), ("-0.1v", -0.1, 0.1)],
)
def test_a_reading(text: str, volts: float, digit: float) -> None:
    assert supply.reading(text) == pytest.approx((volts, digit))


@pytest.mark.parametrize("text", ["", "five", "5.02 mV", "1,000,5", "nan"])
def test_what_is_no_reading(text: str) -> None:
    with pytest.raises(BadValue, match="is not a voltage"):
        supply.reading(text)


@pytest.mark.parametrize(
    ("readings", "state"),
    [
        (["5.02", "3.30"], "passed"),
        (["5.40", "3.30"], "failed"),
        (["5.02", "3.0"], "not known"),
        (["5.02", "2.90"], "failed"),
        (["5", "3.30"], "not known"),
        (["5.02", None], "not done"),
    ],
)
def test_verdicts(readings: list[str | None], state: str) -> None:
    assert supply.judged("board-pico", readings).state == state


def test_a_meter_that_is_off_by_more_leaves_more_open() -> None:
    assert supply.judged("board-pico", ["5.02", "3.30"], 5.0).state == "not known"


def test_each_kind_fits_one_board() -> None:
    assert {kind: [b for b in ("pico", "nano") if fits(kind, b)] for kind in SUPPLY} == {
        "board-pico": ["pico"], "board-nano": ["nano"], "isolated": ["pico"],
        "breadboard-pico": ["pico"], "breadboard-nano": ["nano"], "stripboard-pico": ["pico"],
    }
