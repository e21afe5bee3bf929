"""Every drawing: nothing covers its texts, its colours stay apart for everybody, its connectors are
as KiCad knows them, and what is committed is what the scripts give.
"""

from __future__ import annotations

import re
import subprocess
from itertools import combinations
from pathlib import Path

import kicad_library_reader
import numpy as np
import pytest
from colorspacious import cspace_convert

import cables
import canvas
import draw_breadboard
import draw_cable
import draw_stripboard
import on_breadboard
import pages
import required_nets as circuit
import wirings
import write_breadboard
import write_cables
import write_card

HARDWARE = Path(__file__).resolve().parents[2] / "hardware"
BOARDS = {
    "breadboard with a Pico": lambda: draw_breadboard.draw(write_breadboard.PICO_VARIANT),
    "breadboard with a Nano": lambda: draw_breadboard.draw(write_breadboard.NANO_VARIANT),
    "stripboard, parts": draw_stripboard.front,
    "stripboard, copper": draw_stripboard.back,
}
SHEETS = (
    BOARDS
    | {cable.title: (lambda cable=cable: draw_cable.draw(cable)) for cable in cables.CABLES}
    | {name: make for name, make in pages.PAGES.items()}
    | {f"wiring {name}": make for name, make in wirings.WIRINGS.items()}
)


@pytest.mark.parametrize("name", SHEETS)
def test_no_text_covers_another_or_leaves_the_sheet(name) -> None:
    assert SHEETS[name]().problems() == []


def test_texts_that_overlap_are_found() -> None:
    sheet = canvas.Canvas(10, 10, "two texts")
    sheet.text((1, 5), "one", 1)
    sheet.text((2, 5.2), "two", 1)
    sheet.text((9.5, 9), "three", 1)
    assert len(sheet.problems()) == 2


KINDS = (None, "deuteranomaly", "protanomaly", "tritanomaly")


def _distances(colours: tuple[str, ...], kind: str | None) -> list[float]:
    """How far colours are from each other in CAM02-UCS, as seen with a kind of colour blindness."""
    rgb = np.array([[int(c[at : at + 2], 16) / 255 for at in (1, 3, 5)] for c in colours])
    if kind:
        space = {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100}
        rgb = np.clip(cspace_convert(rgb, space, "sRGB1"), 0, 1)
    places = cspace_convert(rgb, "sRGB1", "CAM02-UCS")
    return [float(np.linalg.norm(a - b)) for a, b in combinations(places, 2)]


@pytest.mark.parametrize("kind", KINDS)
def test_colours_stay_apart_for_colour_blind_people(kind) -> None:
    colours = (*canvas.LINE_COLOURS, canvas.SUPPLY, canvas.GROUND)
    assert min(_distances(colours, kind)) > 14


def test_a_red_and_a_green_that_are_alike_for_some_are_found() -> None:
    assert min(_distances(("#b05030", "#707020"), "deuteranomaly")) < 14


def drawn_wires(svg: str) -> set[frozenset[tuple[int, int] | str]]:
    """Ends of the wires of a breadboard picture, found in the picture alone: pieces of one colour that
    meet are one wire.
    """
    places: dict[tuple[float, float], tuple[int, int] | str] = {
        draw_breadboard.dsub_at(pin): str(pin) for pin in range(1, 26)
    }
    places |= {
        draw_breadboard.at((row, column)): (row, column)
        for row in range(1, on_breadboard.ROWS + 1)
        for column in (*on_breadboard.COLUMNS, *on_breadboard.RAILS)
    }
    place = {(round(x, 2), round(y, 2)): what for (x, y), what in places.items()}
    wires: list[tuple[str, set[tuple[float, float]], list[tuple[float, float]]]] = []
    found = re.findall(
        rf'<path d="M([^"]+)" stroke="(#\w+)" stroke-width="{draw_breadboard.WIRE}"', svg
    )
    for way, colour in found:
        numbers = [float(number) for number in re.findall(r"[-\d.]+", way)]
        points = list(zip(numbers[::2], numbers[1::2], strict=True))
        ends = [points[0], points[-1]]
        touching = [w for w in wires if w[0] == colour and w[1] & set(points)]
        wires = [w for w in wires if w not in touching]
        corners = set(points).union(*(w[1] for w in touching))
        wires.append((colour, corners, ends + [end for w in touching for end in w[2]]))
    return {
        frozenset(place[end] for end in ends if ends.count(end) == 1 and end in place)
        for _, _, ends in wires
    }


@pytest.mark.parametrize(
    "variant", [circuit.PICO_VARIANT, circuit.NANO_VARIANT], ids=["Pico", "Nano"]
)
def test_the_picture_shows_the_wires_of_the_list(variant) -> None:
    wires = on_breadboard.plan(variant).wires
    wanted = {frozenset((wire.start, wire.end)) for wire in wires if wire.name != "G"}
    ground = next(wire for wire in wires if wire.name == "G")
    wanted.add(frozenset((ground.start, "18")))  # drawn on to the farthest of the eight pins
    drawn = drawn_wires(draw_breadboard.draw(variant).svg())
    legend = {frozenset()}
    assert drawn - legend == wanted


def test_a_wire_that_is_drawn_to_another_hole_is_found() -> None:
    svg = draw_breadboard.draw(circuit.PICO_VARIANT).svg()
    before = drawn_wires(svg)
    x, y = draw_breadboard.at((36, 0))
    there = f"{x:.2f}".rstrip("0").rstrip("."), f"{y:.2f}".rstrip("0").rstrip(".")
    start = f'd="M{there[0]} {there[1]} '
    assert start in svg
    moved = svg.replace(start, f'd="M{there[0]} {float(there[1]) + 1:g} ')
    assert drawn_wires(moved) != before


def test_the_socket_is_seen_from_behind() -> None:
    """KiCad's socket lies with its mouth towards larger y; from behind one looks that way, so its
    larger x is at the left.
    """
    name = "DSUB-25_Socket_Horizontal_P2.77x2.84mm_EdgePinOffset7.70mm_Housed_MountingHolesOffset9.12mm"
    text = kicad_library_reader.footprint("Connector_Dsub", name)
    pads = kicad_library_reader.pads(text)
    front = max(box[3] for box in kicad_library_reader.fab_groups(text))
    assert front > max(y for _, y in pads.values()) + 5, "the mouth is at larger y"
    for row in (range(1, 14), range(14, 26)):
        wanted = sorted(row, key=lambda pin: -pads[str(pin)][0])
        assert wanted == sorted(row, key=lambda pin: draw_breadboard.dsub_at(pin)[0])
    assert draw_breadboard.dsub_at(1)[1] < draw_breadboard.dsub_at(14)[1]


def test_the_transistor_has_the_pins_of_the_stock_symbol() -> None:
    pins = kicad_library_reader.symbol_pins("Transistor_FET", "2N7000")
    drawn = [n for n in ("S", "G", "D")]
    assert [pins[str(number)] for number in (1, 2, 3)] == drawn
    assert re.findall(r'enumerate\("(\w+)"\)', (HARDWARE / "cables/draw_cable.py").read_text()) == [
        "SGD"
    ]


COMMITTED = {
    "breadboard": lambda: write_breadboard.drawings() | write_breadboard.guide(),
    "cables": write_cables.files,
    "card": write_card.files,
    "experiments/wiring": wirings.files,
}


@pytest.mark.parametrize("room", COMMITTED)
def test_what_is_committed_is_what_the_scripts_give(room) -> None:
    files = COMMITTED[room]()
    assert files
    for name, text in files.items():
        assert (HARDWARE / room / name).read_text() == text, (
            f"{room}/{name}: make hardware-drawings"
        )


PRINTED = {
    **{f"breadboard/{name}.pdf": printed for name, printed in write_breadboard.sheets().items()},
    **{f"card/{name}.pdf": printed for name, printed in write_card.sheets().items()},
}


@pytest.mark.parametrize("name", PRINTED)
def test_what_is_printed_is_a4_and_has_the_words_of_the_drawing(name) -> None:
    path = HARDWARE / name
    told = subprocess.run(["pdfinfo", path], capture_output=True, text=True, check=True).stdout
    assert re.search(r"Page size:.*\(A4\)", told)
    assert int(re.search(r"Pages:\s+(\d+)", told)[1]) == len(PRINTED[name])
    words = subprocess.run(
        ["pdftotext", path, "-"], capture_output=True, text=True, check=True
    ).stdout
    there = re.sub(r"\s", "", words)
    for page in PRINTED[name]:
        for box in page.sheet.texts:
            if page.part is None or page.part[1] < box.top < box.bottom < page.part[3]:
                assert re.sub(r"\s", "", box.words) in there, box.words
