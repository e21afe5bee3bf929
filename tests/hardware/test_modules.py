"""The USB boards against KiCad's own footprints and symbols of them: a witness that isn't ours."""

from __future__ import annotations

import re

import pcbnew
import pytest

import kicad
import module_footprint_checks as modules
from kicad import SOURCES
from module_footprint_checks import MODULES

ON_BOARD = [("tallymark", "Pico"), ("tallymark", "Nano"), ("isolated", "Pico")]


def load(path):
    return pcbnew.LoadBoard(str(path))


def our(name: str, folder=SOURCES / "tallymark.pretty") -> pcbnew.FOOTPRINT:
    return pcbnew.FootprintLoad(str(folder), f"{name}_Sockets")


@pytest.mark.parametrize("name", MODULES)
def test_our_footprint_is_that_of_kicad(name) -> None:
    assert modules.footprint_differences(MODULES[name], our(name)) == []


def test_the_witness_has_the_usb_socket_where_the_data_sheets_have_it() -> None:
    """KiCad's Nano has it beyond pads 15 and 16, its Pico beyond pads 1 and 40."""
    nano, pico = (modules.stock(MODULES[name]) for name in ("Nano", "Pico"))
    assert modules.usb_end(nano)[0] > modules.pads(nano)["15"][1]
    assert modules.usb_end(pico)[0] < modules.pads(pico)["1"][1]


def test_a_usb_socket_drawn_at_the_wrong_end_is_noticed(plant) -> None:
    def turn(text: str) -> str:
        """The socket at pads 1 and 30, as on a board that takes the Nano backwards."""
        return re.sub(
            r"(\((?:start|end) [\d.]+ )(31\.75|41\.91)\)",
            lambda m: f"{m[1]}{35.56 - float(m[2]):.2f})",
            text,
        )

    path = plant("tallymark.pretty/Nano_Sockets.kicad_mod", turn)
    assert modules.footprint_differences(MODULES["Nano"], our("Nano", path.parent))


@pytest.mark.parametrize(("variant", "name"), ON_BOARD)
def test_usb_sockets_reach_the_left_edge(variant, name) -> None:
    board = load(SOURCES / f"{variant}.kicad_pcb")
    assert modules.usb_out_of_reach(MODULES[name], board) == []


@pytest.mark.parametrize(("variant", "name"), ON_BOARD)
def test_pin_names_at_the_corners_are_those_of_kicad(variant, name) -> None:
    board = load(SOURCES / f"{variant}.kicad_pcb")
    assert modules.corner_name_errors(MODULES[name], board) == []


@pytest.mark.parametrize("name", MODULES)
def test_a_module_turned_by_180_degrees_is_caught(name) -> None:
    board = load(SOURCES / "tallymark.kicad_pcb")
    footprint = board.FindFootprintByReference(MODULES[name].reference)
    box = footprint.GetBoundingBox(False)
    footprint.Rotate(box.GetCenter(), pcbnew.EDA_ANGLE(180, pcbnew.DEGREES_T))
    assert modules.usb_out_of_reach(MODULES[name], board)


@pytest.mark.parametrize("name", MODULES)
def test_a_name_beside_the_wrong_corner_is_caught(name) -> None:
    board = load(SOURCES / "tallymark.kicad_pcb")
    footprint = board.FindFootprintByReference(MODULES[name].reference)
    texts = [
        t
        for t in footprint.GraphicalItems()
        if t.GetClass() == "PCB_TEXT" and t.GetText() in ("GP0", "GP15", "D1", "D12")
    ]
    one, other = texts
    first, second = one.GetText(), other.GetText()
    one.SetText(second)
    other.SetText(first)
    assert len(modules.corner_name_errors(MODULES[name], board)) == 2


def test_a_part_turned_on_the_board_is_caught(plant, tmp_path) -> None:
    """U2 turned by 180 degrees: its pads leave the tracks, and KiCad's check says so."""
    board = load(plant("tallymark.kicad_pcb", lambda text: text + "\n"))
    part = board.FindFootprintByReference("U2")
    part.SetOrientationDegrees(part.GetOrientationDegrees() + 180)
    turned = tmp_path / "kicad" / "tallymark.kicad_pcb"
    pcbnew.SaveBoard(str(turned), board)
    assert any(
        "shorting_items" in text or "unconnected" in text
        for text in kicad.violations("pcb", turned, tmp_path)
    )
