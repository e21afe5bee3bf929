"""ASSEMBLY.md against the schematics and the boards: every part has a step, and what a step says of
values, pins and the way round is so.
"""

from __future__ import annotations

import math
import re
from pathlib import Path

import kicad_library_reader
import pcbnew
import pytest

import kicad

PAGE = kicad.HARDWARE / "ASSEMBLY.md"


def steps(text: str) -> str:
    return " ".join(text.split("## Solder")[1].split("## Before power")[0].split())


def named(text: str) -> set[str]:
    """References in a text, with those between 'U1 to U3'."""
    found = set(re.findall(r"\b[A-Z]{1,2}\d{1,2}\b", text))
    for letters, first, last in re.findall(r"\b([A-Z]{1,2})(\d+) to \1(\d+)\b", text):
        found |= {f"{letters}{number}" for number in range(int(first), int(last) + 1)}
    return found


def without_a_step(netlist: kicad.Netlist, text: str) -> set[str]:
    """Parts that no step of the page solders. Those in 0805 have one rule for all."""
    found = {
        part.reference
        for part in netlist.parts.values()
        if part.in_bom and "_0805_" not in part.footprint and not part.reference.startswith("A")
    }
    return found - named(steps(text))


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_every_part_is_soldered_in_some_step(netlists, variant) -> None:
    assert without_a_step(netlists[variant], PAGE.read_text()) == set()


def test_a_part_that_no_step_names_is_noticed(netlists) -> None:
    forgotten = PAGE.read_text().replace("Isolated: U8 with pin 1", "Isolated: the supply")
    forgotten = forgotten.replace("under U8, too", "")
    assert without_a_step(netlists["isolated"], forgotten) == {"U8"}


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_the_steps_tell_the_values_of_the_schematic(netlists, variant) -> None:
    """Values of resistor networks and trimmers, and of every capacitor, which has no print."""
    text = steps(PAGE.read_text())
    told: dict[str, str] = {}
    for name, plain, isolated in re.findall(
        r"\b(RN\d) \(([\d.]+ k?Ω)(?:; isolated ([\d.]+ k?Ω))?\)", text
    ):
        told[name] = isolated if isolated and variant == "isolated" else plain
    told |= {name: told["RN6"] for name in ("RN2", "RN5")}
    told |= dict(re.findall(r"\b(RV\d) \((\d+ kΩ)", text))
    told |= dict(re.findall(r"\b(C\d+) (\d+ [npµ]F)", text))
    told |= {name: told["C27"] for name in ("C21", "C24", "C25")}
    if variant == "tallymark":
        told["C5"] = told["C27"]
    for part in netlists[variant].parts.values():
        if re.fullmatch(r"RN\d|RV\d", part.reference):
            assert part.value.removeprefix("8 × ") == told[part.reference], part.reference
        elif "C_0805" in part.footprint:
            assert part.value == told.get(part.reference, "100 nF"), part.reference


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_the_trimmers_stand_and_turn_as_the_page_says(netlists, variant) -> None:
    """The screw of KiCad's 3296W is at pin 1; clockwise takes the wiper to pin 3."""
    name = "Potentiometer_Bourns_3296W_Vertical"
    stock = kicad_library_reader.footprint("Potentiometer_THT", name)
    screw = re.search(r"\(fp_circle\s+\(center ([-\d.]+)", stock)
    pads = kicad_library_reader.pads(stock)
    assert screw is not None
    assert float(screw[1]) > pads["1"][0] > pads["2"][0] > pads["3"][0]
    board = pcbnew.LoadBoard(str(kicad.SOURCES / f"{variant}.kicad_pcb"))
    for name in ("RV1", "RV2"):
        footprint = board.FindFootprintByReference(name)
        place = {pad.GetNumber(): pad.GetPosition().x for pad in footprint.Pads()}
        assert place["1"] > place["2"] > place["3"], "the screw is at the right end"
    light, sound = (netlists[variant].nets_of(name) for name in ("RV1", "RV2"))
    assert (light["2"], light["3"]) == ("THR", "GND")  # clockwise: towards ground
    assert sound["1"] == sound["2"] == "GAIN"  # clockwise: less between gain and output
    assert sound["3"] == "AOUT"
    divider = [
        float(netlists[variant].parts[name].value.removesuffix(" kΩ")) for name in ("R12", "R13")
    ]
    assert round(divider[1] / sum(divider), 2) == 0.61


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_a_clamp_the_wrong_way_round_reads_as_a_diode(netlists, variant) -> None:
    """The right way round no line has a diode to ground; turned, the supply pin of the part, to
    which each line has one, lies on ground.
    """
    ground_of = {"D1": "GNDI", "D2": "GNDI"} if variant == "isolated" else {}
    symbol = kicad_library_reader.symbol_pins("Power_Protection", "USBLC6-4SC6")
    supply = next(pin for pin, name in symbol.items() if name.startswith("VBUS"))
    assert symbol["2"] == "GND"
    for name in ("D1", "D2", "D3"):
        nets = netlists[variant].nets_of(name)
        ground = ground_of.get(name, "GND")
        assert nets["2"] == ground
        assert nets[supply].startswith("unconnected")
        turned = {str((int(pin) + 2) % 6 + 1): net for pin, net in nets.items()}
        assert turned[supply] == ground


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_the_page_names_the_pin_of_the_ttl_edge(netlists, variant) -> None:
    """It is a pin that each builder has: GP18 with a Pico, JP1 with a Nano."""
    text = " ".join(PAGE.read_text().split())
    place = re.search(r"GP18, pin (\d+) of A1", text)
    assert place is not None
    assert netlists[variant].nets_of("A1")[place[1]] == "TDIG"
    if variant == "tallymark":
        board = pcbnew.LoadBoard(str(kicad.SOURCES / f"{variant}.kicad_pcb"))
        pads = {
            pad.GetNumber(): pad.GetPosition()
            for pad in board.FindFootprintByReference("JP1").Pads()
        }
        word = next(
            item.GetPosition()
            for item in board.GetDrawings()
            if isinstance(item, pcbnew.PCB_TEXT)
            and item.GetText() == "TTL"
            and abs(item.GetPosition().y - pads["8"].y) < pcbnew.FromMM(1)
        )
        beside = min(pads, key=lambda pin: (pads[pin] - word).EuclideanNorm())
        assert netlists[variant].nets_of("JP1")[beside] == "TDIG"


def test_the_page_names_the_pins_of_outputs_and_readback(netlists) -> None:
    text = PAGE.read_text()
    nets = netlists["tallymark"]

    def on(board: str, pins: list[int]) -> list[str]:
        return [nets.nets_of(board)[str(pin)] for pin in pins]

    outputs = re.search(
        r"GP0 ... GP7, pins ([\d, ]+) of A1 \(Nano: .*?pins (\d+) to (\d+) of A2", text
    )
    back = re.search(r"GP8 ... GP15, pins ([\d, ]+) of A1", text)
    assert outputs is not None
    assert back is not None
    expected = [f"OUT{n}" for n in range(8)]
    assert on("A1", [int(pin) for pin in outputs[1].split(",")]) == expected
    assert on("A2", list(range(int(outputs[2]), int(outputs[3]) + 1))) == expected
    assert on("A1", [int(pin) for pin in back[1].split(",")]) == [f"BACK{n}" for n in range(8)]


def apart_mm(one: pcbnew.BOX2I, other: pcbnew.BOX2I) -> float:
    """Distance of two rectangles."""
    across = max(one.GetLeft() - other.GetRight(), other.GetLeft() - one.GetRight(), 0)
    down = max(one.GetTop() - other.GetBottom(), other.GetTop() - one.GetBottom(), 0)
    return pcbnew.ToMM(int(math.hypot(across, down)))


def misleading_values(path: Path) -> set[str]:
    """Parts whose printed value stands nearer to another part than to the part or its name."""
    footprints = pcbnew.LoadBoard(str(path)).GetFootprints()
    boxes = {f.GetReference(): f.GetBoundingBox(False) for f in footprints}
    found = set()
    for footprint in footprints:
        name, text = footprint.GetReference(), footprint.Value()
        if not text.IsVisible() or text.GetLayer() != pcbnew.F_SilkS:
            continue
        box = text.GetBoundingBox()
        own = min(apart_mm(box, boxes[name]), apart_mm(box, footprint.Reference().GetBoundingBox()))
        others = (apart_mm(box, other) for who, other in boxes.items() if who != name)
        if own > 0.05 and own >= min(others):
            found.add(name)
    return found


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_the_printed_value_stands_at_its_part(variant) -> None:
    assert misleading_values(kicad.SOURCES / f"{variant}.kicad_pcb") == set()


def test_a_value_printed_at_another_part_is_noticed(plant) -> None:
    """That of RN7 once stood at JP2 and R3."""

    def move(text: str) -> str:
        return re.sub(r'("Value" "8 × 1.5 kΩ"\s+\(at )[-\d.]+ [-\d.]+', r"\g<1>25.9 -2.2", text)

    assert misleading_values(plant("tallymark.kicad_pcb", move)) == {"RN7"}
