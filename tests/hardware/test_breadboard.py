"""Breadboard and stripboard join what the circuit joins; the USB boards are as KiCad knows them."""

from __future__ import annotations

from dataclasses import replace

import kicad_library_reader
import pytest

import layout
import module_pinouts
import on_breadboard
import on_stripboard
import required_nets as circuit

PLANS = {
    "breadboard, Pico": (lambda: on_breadboard.plan(circuit.PICO_VARIANT), circuit.nets(circuit.PICO_VARIANT)),
    "breadboard, Nano": (lambda: on_breadboard.plan(circuit.NANO_VARIANT), circuit.nets(circuit.NANO_VARIANT)),
    "stripboard, Pico": (on_stripboard.plan, circuit.nets(circuit.PICO_VARIANT, on_stripboard.PULL_DOWN_PIN)),
}  # fmt: skip
FOOTPRINTS = {
    "Pico": ("Module", "RaspberryPi_Pico_Common_THT"),
    "Nano": ("Module", "Arduino_Nano"),
    "chip": ("Package_DIP", "DIP-20_W7.62mm"),
    "sip": ("Resistor_THT", "R_Array_SIP9"),
}


@pytest.fixture(params=PLANS)
def plan(request) -> tuple[layout.Layout, set[layout.Net]]:
    make, nets = PLANS[request.param]
    return make(), nets


def test_it_joins_what_the_circuit_joins(plan) -> None:
    built, nets = plan
    assert layout.differences(built.nets(), nets) == []


def test_no_hole_takes_two_legs(plan) -> None:
    assert plan[0].holes_used_twice() == []


def test_every_missing_wire_is_found(plan) -> None:
    """Each wire is needed, but those on stripboard that only make a good ground better."""
    built, nets = plan
    on_strips = isinstance(built.board, on_stripboard.Stripboard)
    for at, wire in enumerate(built.wires):
        without = replace(built, wires=built.wires[:at] + built.wires[at + 1 :])
        spare = on_strips and wire.use in ("supply", "bus")
        assert spare or layout.differences(without.nets(), nets), wire.name


def test_every_wire_in_the_next_row_is_found(plan) -> None:
    built, nets = plan
    for at, wire in enumerate(built.wires):
        if wire.line is None:
            continue
        moved = replace(wire, start=(wire.start[0] + 1, wire.start[1]))
        wrong = replace(built, wires=[*built.wires[:at], moved, *built.wires[at + 1 :]])
        assert layout.differences(wrong.nets(), nets), wire.name


def test_a_missing_cut_is_found() -> None:
    nets = PLANS["stripboard, Pico"][1]
    for cut in on_stripboard.cuts():
        built = on_stripboard.plan()
        built.board.cuts = [other for other in built.board.cuts if other != cut]
        both_ground = cut == (3, 46)  # kept, so that the row of cuts has no hole in it
        assert both_ground or layout.differences(built.nets(), nets), cut


def _turned(
    points: dict[str, tuple[float, float]], quarter_turns: int
) -> dict[str, tuple[int, int]]:
    """Places in whole pitches from pin 1, turned."""
    x1, y1 = points["1"]
    found = {}
    for number, (x, y) in points.items():
        a, b = round((x - x1) / 2.54), round((y - y1) / 2.54)
        for _ in range(quarter_turns):
            a, b = -b, a
        found[number] = (a, b)
    return found


def _fits(part: layout.Part) -> bool:
    """Whether the pins are where those of KiCad's footprint are, turned but not mirrored."""
    pads = kicad_library_reader.pads(
        kicad_library_reader.footprint(*FOOTPRINTS[part.value if part.kind == "module" else part.kind])
    )
    holes = {number: (column * 2.54, row * 2.54) for number, (row, column) in part.holes.items()}
    mine = _turned(holes, 0)
    wanted = {number: pads[number] for number in part.holes}
    return any(mine == _turned(wanted, turns) for turns in range(4))


def test_parts_with_many_pins_fit_their_holes(plan) -> None:
    for part in plan[0].parts:
        if part.kind in ("module", "chip", "sip"):
            assert _fits(part), part.name


def test_a_part_from_below_does_not_fit() -> None:
    part = on_breadboard.plan(circuit.NANO_VARIANT).parts[0]
    mirrored = {number: (row, -column) for number, (row, column) in part.holes.items()}
    assert not _fits(replace(part, holes=mirrored))


@pytest.mark.parametrize("module", [module_pinouts.PICO, module_pinouts.NANO], ids=lambda m: m.name)
def test_outline_and_usb_end_are_those_of_the_stock_footprint(module) -> None:
    text = kicad_library_reader.footprint(*FOOTPRINTS[module.name])
    pads = kicad_library_reader.pads(text)
    for pin in range(1, 2 * module.rows + 1):
        assert module.at_mm(pin) == pytest.approx(pads[str(pin)])
    groups = kicad_library_reader.fab_groups(text)
    outline = (
        min(g[0] for g in groups), min(g[1] for g in groups if g[3] - g[1] > 20 or g[0] < 0),
        max(g[2] for g in groups), max(g[3] for g in groups if g[0] < 0),
    )  # fmt: skip
    assert module.outline_mm == pytest.approx(outline, abs=0.05)
    # the socket is the shape of its own that reaches beyond the outline
    usb = next(
        g for g in groups
        if 7 < g[2] - g[0] < 9 and (g[1] < outline[1] - 1 or g[3] > outline[3] + 1)
    )  # fmt: skip
    assert module.usb_mm == pytest.approx(usb, abs=0.3)


def test_the_usb_end_is_at_pin_1_on_a_pico_and_at_d12_on_a_nano() -> None:
    assert {module_pinouts.PICO.usb_up(p)[1] for p in (1, 40)} == {1}
    nano = module_pinouts.NANO
    assert {nano.usb_up(nano.pin(name))[1] for name in ("D12", "D13")} == {1}
    assert nano.usb_up(nano.pin("D12"))[0] == 1, "D12 is on the right with the socket at the top"


def test_a_nano_that_is_turned_round_joins_the_wrong_pins() -> None:
    built, nets = on_breadboard.plan(circuit.NANO_VARIANT), circuit.nets(circuit.NANO_VARIANT)
    module = built.parts[0]
    turned = replace(
        module, holes={str((int(n) + 14) % 30 + 1): h for n, h in module.holes.items()}
    )
    assert _fits(turned)
    assert layout.differences(replace(built, parts=[turned, *built.parts[1:]]).nets(), nets)


def _plain(name: str) -> str:
    """A pin's name as it is printed on the board."""
    name = {"D1/TX": "TX", "D0/RX": "RX", "~{RESET}": "RST", "+5V": "5V", "ADC_VREF": "VREF"}.get(
        name, name
    )
    return name.split("_ADC")[0].replace("GPIO", "GP")


@pytest.mark.parametrize(
    ("module", "symbol"), [(module_pinouts.PICO, "RaspberryPi_Pico"), (module_pinouts.NANO, "Arduino_Nano_v2.x")]
)
def test_pins_have_the_names_of_the_stock_symbol(module, symbol) -> None:
    pins = kicad_library_reader.symbol_pins("MCU_Module", symbol)
    assert len(pins) == 2 * module.rows
    for number, name in pins.items():
        assert module.pin_names[int(number) - 1] == _plain(name)


def test_the_driver_has_the_pins_of_the_stock_symbol() -> None:
    pins = kicad_library_reader.symbol_pins("74xx", "74AHCT541")
    for line in range(8):
        assert pins[circuit.DRIVER_INPUT[line]] == f"A{line}"
        assert pins[circuit.DRIVER_OUTPUT[line]] == f"Y{line}"
    assert (pins["1"], pins["10"], pins["19"], pins["20"]) == ("G1", "GND", "G2", "VCC")


def test_the_readback_of_the_pico_stays_within_the_ratings_of_its_pins() -> None:
    """RP2040 datasheet at IOVDD = 3.3 V: an input stands IOVDD + 0.3 V, and 2.0 V is high."""
    upper, lower = 2200.0, 4700.0
    assert (circuit.PICO_VARIANT.upper, circuit.PICO_VARIANT.lower) == ("2.2 kΩ", "4.7 kΩ")
    highest = 5.25 * lower * 1.01 / (lower * 1.01 + upper * 0.99)
    assert highest <= 3.3 + 0.3
    # 4.5 V, the weakest driver, a receiver of 1 kΩ, and the pull-down of 50 kΩ inside the chip
    pin_side = 1 / (1 / (lower * 0.99) + 1 / 50e3)
    line = 4.5 / 310 / (1 / 310 + 1 / 1000 + 1 / (upper * 1.01 + pin_side))
    assert line * pin_side / (upper * 1.01 + pin_side) >= 2.0
