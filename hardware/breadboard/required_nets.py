"""The circuit for people without a board: which pins must be joined.

It is the board's circuit with fewer parts: a driver, a resistor in each line, pull-downs that hold
the driver while the USB board starts, and the readback through resistors instead of a second chip.
A Pico's inputs stand 3.3 V, so its readback goes through dividers; a Nano's stand 5 V.

References: 74x541 and USB boards as in KiCad's own symbols; the D-sub order is that of IEEE 1284.
"""

from __future__ import annotations

from dataclasses import dataclass

from layout import Net, Pin
from module_pinouts import NANO, PICO, Module
from pins import DSUB_GROUNDS, DSUB_OF_LINE, LINES, nano_pins, pico_pins

DRIVER, SERIES, PULL_DOWN = "74ACT541", "330 Ω", "8 × 10 kΩ"
DRIVER_INPUT = {line: str(2 + line) for line in LINES}
DRIVER_OUTPUT = {line: str(18 - line) for line in LINES}


@dataclass(frozen=True)
class Variant:
    """One USB board, with the resistors that its readback needs."""

    module: Module
    uses: dict[str, str]
    """Pin names by their use, OUT0 to OUT7 and BACK0 to BACK7."""
    upper: str
    lower: str
    """Empty: no resistor to ground."""

    def pin(self, use: str) -> str:
        return str(self.module.pin(self.uses[use]))


# 1 % parts: the inputs get at most 3.60 V from 5.25 V on a line, of the 3.6 V that an RP2040 allows at 3.3 V, and
# 2.1 V from a line that a 1 kΩ receiver loads, of 2.0 V that it needs.
PICO_VARIANT = Variant(PICO, pico_pins(), "2.2 kΩ", "4.7 kΩ")
NANO_VARIANT = Variant(NANO, nano_pins(), "1 kΩ", "")


PULL_DOWN_PIN = {line: str(2 + line) for line in LINES}


def nets(variant: Variant, pull_down_pin: dict[int, str] = PULL_DOWN_PIN) -> set[Net]:
    """Every net that must be there; no other pins may be joined. Which resistor of RN3 is for which
    line is free.
    """
    supply: set[Pin] = {
        ("A1", str(variant.module.pin(variant.module.supply))),
        ("U1", "20"), ("C1", "1"), ("C2", "1"),
    }  # fmt: skip
    ground: set[Pin] = {
        *(("A1", str(pin)) for pin in variant.module.grounds),
        *(("U1", pin) for pin in ("1", "10", "19")),
        ("RN3", "1"), ("C1", "2"), ("C2", "2"),
        *(("J1", pin) for pin in DSUB_GROUNDS),
    }  # fmt: skip
    found = []
    for line in LINES:
        found += [
            {
                ("A1", variant.pin(f"OUT{line}")),
                ("U1", DRIVER_INPUT[line]),
                ("RN3", pull_down_pin[line]),
            },
            {("U1", DRIVER_OUTPUT[line]), (f"R1{line}", "1")},
            {(f"R1{line}", "2"), (f"R2{line}", "1"), ("J1", DSUB_OF_LINE[line])},
        ]
        back = {(f"R2{line}", "2"), ("A1", variant.pin(f"BACK{line}"))}
        if variant.lower:
            back.add((f"R3{line}", "1"))
            ground.add((f"R3{line}", "2"))
        found.append(back)
    return {frozenset(net) for net in (*found, supply, ground)}
