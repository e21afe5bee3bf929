"""How the USB boards stand on the carrier, compared with KiCad's own footprints of them: pads, pin
1, outline, the end with the USB socket, and the pin names printed beside the corners.
"""

# ruff: noqa: E501 - sentences are read unbroken

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import pcbnew  # type: ignore[import-not-found,unused-ignore]

import sexpr

STOCK = Path("/usr/share/kicad/footprints/Module.pretty")
SYMBOLS = Path("/usr/share/kicad/symbols/MCU_Module.kicad_sym")
FAB = "F.Fab"
TOLERANCE_MM = 0.1

Point = tuple[float, float]


@dataclass(frozen=True)
class Module:
    """A USB board: its reference on the carrier, KiCad's footprint and symbol of it."""

    reference: str
    footprint: str
    symbol: str


MODULES = {
    "Pico": Module("A1", "RaspberryPi_Pico_Common_THT", "RaspberryPi_Pico"),
    "Nano": Module("A2", "Arduino_Nano", "Arduino_Nano_v2.x"),
}


def _points(footprint: pcbnew.FOOTPRINT, layers: tuple[str, ...]) -> list[Point]:
    """Ends and corners of all drawings of a footprint on some layers, in mm, not turned."""
    found: list[pcbnew.VECTOR2I] = []
    for item in footprint.GraphicalItems():
        if item.GetClass() != "PCB_SHAPE" or item.GetLayerName() not in layers:
            continue
        if item.GetShape() == pcbnew.SHAPE_T_RECT:
            found += item.GetCorners()
        elif item.GetShape() == pcbnew.SHAPE_T_POLY:
            chain = item.GetPolyShape().Outline(0)
            found += [chain.CPoint(n) for n in range(chain.PointCount())]
        else:
            found += [item.GetStart(), item.GetEnd()]
    return [(pcbnew.ToMM(point.x), pcbnew.ToMM(point.y)) for point in found]


def stock(module: Module) -> pcbnew.FOOTPRINT:
    """KiCad's own footprint of a module."""
    return pcbnew.FootprintLoad(str(STOCK), module.footprint)


def pads(footprint: pcbnew.FOOTPRINT) -> dict[str, Point]:
    """Number and place of the pads of a footprint, in mm, relative to its origin, unturned."""
    found: dict[str, Point] = {}
    for pad in footprint.Pads():
        if pad.GetNumber() and pad.GetAttribute() == pcbnew.PAD_ATTRIB_PTH:
            place = pad.GetFPRelativePosition()
            found.setdefault(pad.GetNumber(), (pcbnew.ToMM(place.x), pcbnew.ToMM(place.y)))
    return found


def usb_end(footprint: pcbnew.FOOTPRINT) -> tuple[float, float]:
    """The y of the face of the USB socket and the x of its middle, in mm. KiCad draws the socket past
    the edge of the module on the fabrication layer or the silkscreen; the modules stand upright there.
    """
    places = pads(footprint).values()
    low, high = min(y for _, y in places), max(y for _, y in places)
    middle = sum(x for x, _ in places) / len(places)
    points = [
        p for p in _points(footprint, (FAB, "F.Silkscreen", "F.SilkS")) if abs(p[0] - middle) < 6.5
    ]
    above = low - min(y for _, y in points)
    below = max(y for _, y in points) - high
    face = min(y for _, y in points) if above > below else max(y for _, y in points)
    at_face = [x for x, y in points if abs(y - face) < 0.05]
    return face, (min(at_face) + max(at_face)) / 2


def footprint_differences(module: Module, ours: pcbnew.FOOTPRINT) -> list[str]:
    """What one of our module footprints has elsewhere than KiCad's."""
    theirs = stock(module)
    problems = []
    our_pads, their_pads = pads(ours), pads(theirs)
    for number, (x, y) in their_pads.items():
        if number not in our_pads or math.dist(our_pads[number], (x, y)) > TOLERANCE_MM:
            problems.append(
                f"{module.footprint}: pad {number} is at {our_pads.get(number)}, not {(x, y)}"
            )
    (our_face, our_middle), (face, middle) = usb_end(ours), usb_end(theirs)
    if abs(our_face - face) > 0.5 or abs(our_middle - middle) > 0.5:
        problems.append(
            f"{module.footprint}: the USB socket ends at y = {our_face:.2f}, x = {our_middle:.2f}; "
            f"KiCad's at y = {face:.2f}, x = {middle:.2f}"
        )
    return problems


def symbol_pins(module: Module) -> dict[str, str]:
    """Pin number to pin name in KiCad's symbol of a module."""
    top = sexpr.parse(SYMBOLS.read_text())
    symbol = next(s for s in sexpr.children(top, "symbol") if s[1] == f'"{module.symbol}"')
    return {
        sexpr.text_of(pin, "number"): sexpr.text_of(pin, "name")
        for unit in sexpr.children(symbol, "symbol")
        for pin in sexpr.children(unit, "pin")
    }


def _same_name(printed: str, name: str) -> bool:
    return printed in (name, name.split("/")[0], name.replace("GPIO", "GP").split("_")[0])


def corner_name_errors(module: Module, board: pcbnew.BOARD) -> list[str]:
    """Names printed beside the corner pins that are not those of KiCad's symbol, or are missing."""
    footprint = board.FindFootprintByReference(module.reference)
    names = symbol_pins(module)
    texts = [
        (item.GetText(), item.GetCenter())
        for item in footprint.GraphicalItems()
        if item.GetClass() == "PCB_TEXT" and item.GetLayer() == pcbnew.F_SilkS
    ]
    problems = []
    count = len(names)
    for number in ("1", str(count // 2), str(count // 2 + 1), str(count)):
        pad = footprint.FindPadByNumber(number)
        text, place = min(texts, key=lambda t: (t[1] - pad.GetPosition()).EuclideanNorm())
        far = pcbnew.ToMM((place - pad.GetPosition()).EuclideanNorm())
        if far > 4 or not _same_name(text, names[number]):
            problems.append(
                f"{module.reference}: '{text}' is printed {far:.1f} mm from pad {number}, which is {names[number]}"
            )
    return problems


def usb_out_of_reach(module: Module, board: pcbnew.BOARD, recess_mm: float = 2.0) -> list[str]:
    """Modules whose USB socket doesn't face the left edge of the carrier, or stays short of it."""
    footprint = board.FindFootprintByReference(module.reference)
    face, middle = usb_end(stock(module))
    turn = footprint.GetOrientation().AsRadians()
    origin = footprint.GetPosition()
    x = pcbnew.ToMM(origin.x) + middle * math.cos(turn) + face * math.sin(turn)
    outline = pcbnew.SHAPE_POLY_SET()
    board.GetBoardPolygonOutlines(outline)
    left = pcbnew.ToMM(outline.BBox().GetLeft())
    if x > left + recess_mm:
        return [f"{module.reference}: the USB socket ends {x - left:.1f} mm inside the left edge"]
    return []
