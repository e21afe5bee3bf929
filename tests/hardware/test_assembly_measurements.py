"""What ASSEMBLY.md tells to measure before power is what the resistors of the schematic give, with every
chip taken as open.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection

import pytest

import kicad
import meter

PAGE = kicad.HARDWARE / "ASSEMBLY.md"
TOLERANCE = 0.02
UNITS = {"Ω": 1.0, "kΩ": 1e3, "MΩ": 1e6}


def limits(row: str) -> tuple[float, float]:
    """The range that a row of the table allows, in ohms."""
    cell = next(cell for cell in row.split("|") if "Ω" in cell)
    if match := re.search(r"([\d.]+) to ([\d.]+) (k?Ω)", cell):
        return float(match[1]) * UNITS[match[3]], float(match[2]) * UNITS[match[3]]
    match = re.search(r"(over|under) ([\d.]+) ([kM]?Ω)", cell)
    assert match is not None, row
    value = float(match[2]) * UNITS[match[3]]
    return (value, math.inf) if match[1] == "over" else (0.0, value)


def row(start: str) -> tuple[float, float]:
    text = PAGE.read_text().split("## Before power")[1].split("## First")[0]
    return limits(next(line for line in text.splitlines() if line.startswith(f"| {start}")))


def value(text: str) -> float:
    """'8 × 1 kΩ' or '1 MΩ' in ohms."""
    match = re.search(r"([\d.]+) ([kM]?Ω)$", text)
    assert match is not None, text
    return float(match[1]) * UNITS[match[2]]


def left_out() -> dict[str, set[str]]:
    """The parts that the page leaves to one of the USB boards, by the board that does without."""
    words = " ".join(PAGE.read_text().split())
    match = re.search(r"only one of them needs is ([\w, ]+) \(Nano\) and ([\w, ]+) \(Pico\)", words)
    assert match is not None
    return {"Pico": set(match[1].split(", ")), "Nano": set(match[2].split(", "))}


def resistors(
    netlist: kicad.Netlist, without: Collection[str] = ()
) -> list[tuple[str, str, float]]:
    """Every resistor of a board between its nets; the closed bridge of JP2 is one of 0.01 Ω."""
    found = [("none", "none", 1.0)]
    for name, part in netlist.parts.items():
        if name in without:
            continue
        nets = netlist.nets_of(name)
        if re.fullmatch(r"R\d+", name):
            found.append((nets["1"], nets["2"], value(part.value)))
        elif name.startswith("RV"):
            found.append((nets["1"], nets["3"], value(part.value)))
        elif name.startswith("RN") and len(nets) == 16:
            found += [(nets[str(k)], nets[str(17 - k)], value(part.value)) for k in range(1, 9)]
        elif name.startswith("RN"):
            found += [(nets["1"], nets[str(k)], value(part.value)) for k in range(2, 10)]
        elif name == "JP2":
            found.append((nets["1"], nets["2"], 0.01))
    return found


CASES = [
    ("tallymark", "+5V", "GND", "plain: +5V"),
    ("tallymark", "VIO", "GND", "plain: VIO"),
    ("isolated", "+5V", "GND", "isolated: +5V and"),
    ("isolated", "+5VI", "GNDI", "isolated: +5VI"),
    ("isolated", "GND", "GNDI", "isolated: GND to"),
    *((v, f"LINE{n}", f"LINE{n + 1}", "J2 0 to J2 1") for v in kicad.VARIANTS for n in range(7)),
    *((v, f"LINE{n}", f"DRV{n}", "J2 0 ... 7 to pin") for v in kicad.VARIANTS for n in range(8)),
    *(("tallymark", f"OUT{n}", "GND", "plain: outputs") for n in range(8)),
    *(("isolated", f"OUT{n}", "GND", "isolated: outputs") for n in range(8)),
    *(("tallymark", f"BACK{n}", "GND", "plain, Pico: readback") for n in range(8)),
]


@pytest.mark.parametrize("fitted_for", ["Pico", "Nano", "both"])
@pytest.mark.parametrize(("variant", "start", "end", "words"), CASES)
def test_the_right_board_reads_what_the_page_says(
    netlists, variant, start, end, words, fitted_for
) -> None:
    """With the parts of either USB board alone, and with all of them."""
    if fitted_for == "Nano" and "Pico" in words:
        return
    # what the page says of A1 and A2 is about the plain box: the isolated one has no place for A2
    without = left_out().get(fitted_for, set()) if variant == "tallymark" else set()
    low, high = row(words)
    ohms = meter.between(resistors(netlists[variant], without), start, end)
    assert low < ohms * (1 - TOLERANCE)
    assert ohms == high == math.inf or ohms * (1 + TOLERANCE) < high


def test_a_part_that_the_readings_count_on_is_not_left_out(netlists) -> None:
    """R1 was once left to the Nano alone: VIO can't read what the page says then."""
    low, high = row("plain: VIO")
    ohms = meter.between(resistors(netlists["tallymark"], {"R1"}), "VIO", "GND")
    assert not low < ohms < high


@pytest.mark.parametrize(
    ("variant", "network", "net", "words"),
    [
        ("tallymark", "RN3", "OUT{}", "plain: outputs"),
        ("isolated", "RN3", "OUT{}", "isolated: outputs"),
        ("tallymark", "RN7", "BACK{}", "plain, Pico: readback"),
    ],
)
def test_a_network_the_wrong_way_round_or_missing_is_noticed(
    netlists, variant, network, net, words
) -> None:
    low, high = row(words)
    part = netlists[variant].parts[network]
    nets = netlists[variant].nets_of(network)
    others = resistors(netlists[variant], {network})
    ohm = value(part.value)
    turned = [*others, *((nets["9"], nets[str(pin)], ohm) for pin in range(1, 9))]
    for wrong in (turned, others):
        readings = [meter.between(wrong, net.format(n), "GND") for n in range(8)]
        assert not all(low < reading < high for reading in readings)


def test_a_resistor_of_the_wrong_value_and_a_bridge_are_noticed(netlists) -> None:
    right = resistors(netlists["tallymark"])
    low, high = row("plain: +5V")
    swapped = [(a, b, 4.7e3 if {a, b} == {"+5V", "BIAS"} else ohm) for a, b, ohm in right]
    assert not low < meter.between(swapped, "+5V", "GND") < high
    low, high = row("J2 0 ... 7 to pin")
    wrong = [(a, b, 1e3 if {a, b} == {"DRV2", "LINE2"} else ohm) for a, b, ohm in right]
    assert not low < meter.between(wrong, "LINE2", "DRV2") < high
    low, _ = row("J2 0 to J2 1")
    assert meter.between([*right, ("LINE3", "LINE4", 0.1)], "LINE3", "LINE4") < low
