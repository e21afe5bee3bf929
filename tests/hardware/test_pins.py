"""The circuit against the firmware: pin numbers of both boards, bit order, readback order, D-sub,
grounds, tables.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import kicad
import pins
import sexpr
from kicad import Netlist

ROOT = kicad.ROOT
TABLES = [
    (path.relative_to(ROOT), number)
    for path in sorted(ROOT.rglob("*.md"))
    if not {"node_modules", ".venv", "build"} & set(path.relative_to(ROOT).parts)
    for number, table in enumerate(pins.markdown_tables(path))
    if pins.table_errors(table) is not None
]


def named_pins(netlist: Netlist, part: str) -> dict[str, str]:
    """Pin name to net of one part."""
    return {
        p.name: net for net, all_pins in netlist.nets.items() for p in all_pins if p.part == part
    }


def pin_errors(netlist: Netlist) -> list[str]:
    """Nets of the USB boards that are not those of pins.h."""
    boards = {"A1": pins.pico_pins()}
    if "A2" in netlist.parts:
        # the readback reaches the Nano at 5 V and the Pico at 3 V: two nets
        boards["A2"] = {use.replace("BACK", "NBACK"): pin for use, pin in pins.nano_pins().items()}
    return [
        f"{part} {name} is on {named_pins(netlist, part)[name]}, the firmware has {use} there"
        for part, uses in boards.items()
        for use, name in uses.items()
        if named_pins(netlist, part)[name] != use
    ]


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_usb_board_pins_are_those_of_the_firmware(
    netlists: dict[str, Netlist], variant: str
) -> None:
    assert pin_errors(netlists[variant]) == []


def test_two_swapped_pins_are_noticed(plant, tmp_path) -> None:
    def swap(text: str) -> str:
        return (
            text.replace('"OUT3"', '"X"', 1)
            .replace('"OUT4"', '"OUT3"', 1)
            .replace('"X"', '"OUT4"', 1)
        )

    changed = kicad.read_netlist(plant("tallymark.kicad_sch", swap), tmp_path)
    assert len(pin_errors(changed)) == 2


def test_a_pin_moved_in_the_firmware_is_noticed(netlists, tmp_path, monkeypatch) -> None:
    moved = tmp_path / "pins.h"
    moved.write_text(
        (ROOT / "firmware/boards/pico/pins.h")
        .read_text()
        .replace("PIN_OUT_FIRST 0", "PIN_OUT_FIRST 1")
    )
    real = pins.pico_pins
    monkeypatch.setattr(pins, "pico_pins", lambda: real(moved))
    assert pin_errors(netlists["tallymark"])


@pytest.mark.parametrize(
    ("ours", "library", "theirs"),
    [("Pico", "MCU_Module", "RaspberryPi_Pico"), ("Nano", "MCU_Module", "Arduino_Nano_v2.x")],
)
def test_our_module_symbols_have_the_numbers_of_the_kicad_library(ours, library, theirs) -> None:
    def numbers(path: Path, name: str) -> dict[str, str]:
        top = sexpr.parse(path.read_text())
        symbol = next(s for s in sexpr.children(top, "symbol") if s[1] == f'"{name}"')
        found: dict[str, str] = {}
        for unit in sexpr.children(symbol, "symbol"):
            for pin in sexpr.children(unit, "pin"):
                found[sexpr.text_of(pin, "number")] = sexpr.text_of(pin, "name")
        return found

    mine = numbers(kicad.SOURCES / "tallymark.kicad_sym", ours)
    stock = numbers(Path("/usr/share/kicad/symbols") / f"{library}.kicad_sym", theirs)
    assert mine.keys() == stock.keys()
    for number, name in mine.items():
        there = re.sub(r"GPIO(\d+).*", r"GP\1", stock[number]).replace("AGND", "GND")
        assert name.split()[0].replace("3V3(OUT)", "3V3") == there.split("/")[0]


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_line_n_goes_through_every_stage_to_its_dsub_pin_and_back(netlists, variant) -> None:
    netlist = netlists[variant]
    plain = variant == "tallymark"
    driver_in = "OUT" if plain else "IN"
    packs = [("RN1", "DRV", "LINE"), ("RN2", "LINE", "SENSE")]
    packs += (
        [("RN6", "SEE", "BACK"), ("RN5", "SEE", "NBACK")] if plain else [("RN5", "RET", "BACK")]
    )
    buffer = netlist.nets_of("U2")
    for line in pins.LINES:
        # U1 drives lines 0 to 3, U3 lines 4 to 7, each with its first four buffers
        driver = netlist.nets_of("U1" if line < 4 else "U3")
        assert driver[str(2 + line % 4)] == f"{driver_in}{line}"
        assert driver[str(18 - line % 4)] == f"DRV{line}"
        pin_in, pin_out = str(2 + line), str(18 - line)
        for pack, left, right in ((p, f"{a}{line}", f"{b}{line}") for p, a, b in packs):
            ends = netlist.nets_of(pack)
            pair = next(n for n in ends if ends[n] == left)
            assert ends[str(17 - int(pair))] == right
        assert netlist.net_of("J1", pins.DSUB_OF_LINE[line]) == f"LINE{line}"
        assert netlist.net_of("J2", str(1 + line)) == f"LINE{line}"
        assert buffer[pin_in] == f"SENSE{line}"
        assert buffer[pin_out] == f"SEE{line}"
        clamps = [p.part for p in netlist.nets[f"LINE{line}"] if p.part in ("D1", "D2")]
        assert len(clamps) == 1
        led = netlist.nets_of(f"D{11 + line}")["2"]
        assert led == (f"LED{line}" if plain else f"RET{line}")
        if plain:
            assert driver[str(6 + line % 4)] == f"SEE{line}"
            assert driver[str(14 - line % 4)] == f"LED{line}"


def test_isolators_keep_the_order_of_the_lines(netlists) -> None:
    for part, first, inner, outer in (
        ("U4", 0, "OUT", "IN"),
        ("U5", 4, "OUT", "IN"),
        ("U6", 0, "SEE", "RET"),
        ("U7", 4, "SEE", "RET"),
    ):
        nets = netlists["isolated"].nets_of(part)
        for channel in range(4):
            assert nets[str(3 + channel)] == f"{inner}{first + channel}"
            assert nets[str(14 - channel)] == f"{outer}{first + channel}"


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_grounds_and_unused_pins_of_the_dsub(netlists, variant) -> None:
    ground = "GND" if variant == "tallymark" else "GNDI"
    nets = netlists[variant].nets_of("J1")
    assert {nets[pin] for pin in (*pins.DSUB_GROUNDS, "0")} == {ground}
    assert all(nets[pin].startswith("unconnected-") for pin in pins.DSUB_UNUSED)


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_supplies_come_from_where_they_should(netlists, variant) -> None:
    netlist = netlists[variant]
    module = named_pins(netlist, "A1")
    assert module["VBUS"] == "+5V"
    if variant == "tallymark":
        assert module["3V3(OUT)"] == "VIO"
        assert named_pins(netlist, "A2")["+5V"] == "+5V"
        assert {netlist.net_of(u, "20") for u in ("U1", "U2", "U3")} == {"+5V"}
        assert set(netlist.nets_of("R1").values()) == {"+5V", "VIO"}
    else:
        assert {netlist.net_of(u, "20") for u in ("U1", "U2", "U3")} == {"+5VI"}


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_the_inputs_reach_the_free_pins(netlists, variant) -> None:
    """Digital edges on GP16 to GP18, levels on GP26 and GP27; the Nano has D12, A6 and A7."""
    netlist = netlists[variant]
    pico = named_pins(netlist, "A1")
    assert [pico[f"GP{n}"] for n in (16, 17, 18, 26, 27)] == [
        "LDIG",
        "SDIG",
        "TDIG",
        "LLEV",
        "SLEV",
    ]
    inputs = netlist.nets_of("J3")
    wanted = ["PROBE5V", "LIGHT", "GND", "SOUND", "GND", "TTL"]
    assert [inputs[str(n)] for n in range(1, 7)] == wanted
    if variant == "tallymark":
        nano = named_pins(netlist, "A2")
        assert (nano["D12"], nano["A6"], nano["A7"]) == ("BYTE", "A6LEV", "BYTESEL")
        shunts = netlist.nets_of("JP1")
        assert [shunts[str(2 * n)] for n in (1, 2, 3, 4)] == ["BYTESEL", "LDIG", "SDIG", "TDIG"]
        assert {shunts[str(2 * n - 1)] for n in (1, 2, 3, 4)} == {"BYTE"}


def test_the_pin_map_is_among_the_tables() -> None:
    assert any(path == Path("hardware/PINMAP.md") for path, _ in TABLES)


@pytest.mark.parametrize(("path", "number"), TABLES, ids=str)
def test_every_table_of_lines_in_every_readme(path: Path, number: int) -> None:
    assert pins.table_errors(pins.markdown_tables(ROOT / path)[number]) == []


def test_a_wrong_cell_in_a_table_is_noticed() -> None:
    header = ["line", "D-sub pin", "Nano"]
    rows = [[str(n), str(2 + n), f"D{2 + n}"] for n in pins.LINES]
    assert pins.table_errors([header, *rows]) == []
    rows[6][2] = "D9"
    assert pins.table_errors([header, *rows]) == ["line 6, nano: D9 instead of D8"]
