"""What is measured on the board itself: size, holes, the barrier, and the way from a supply pin to
its capacitor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import pcbnew  # type: ignore[import-not-found,unused-ignore]

from assertions import GROUNDS, domains
from kicad import Netlist

BARRIER_PARTS = {"U4", "U5", "U6", "U7", "U8"}
BARRIER_MM = 8.4  # 8 mm when each edge of the copper is etched 0.2 mm too wide
NEAR_MM = 12.0  # a capacitor farther from its supply pin than this doesn't count


@dataclass(frozen=True)
class Facts:
    """Figures that a reader of the production files must find again."""

    width_mm: float
    height_mm: float
    plated_holes: int
    bare_holes: int
    copper_layers: int


def facts(path: Path) -> Facts:
    """Size of the outline and number of holes of a board."""
    board = pcbnew.LoadBoard(str(path))
    pads = [pad for footprint in board.GetFootprints() for pad in footprint.Pads()]
    bare = sum(pad.GetAttribute() == pcbnew.PAD_ATTRIB_NPTH for pad in pads)
    plated = sum(pad.GetAttribute() == pcbnew.PAD_ATTRIB_PTH for pad in pads)
    vias = sum(track.GetClass() == "PCB_VIA" for track in board.GetTracks())
    outline = pcbnew.SHAPE_POLY_SET()
    board.GetBoardPolygonOutlines(outline)
    box = outline.BBox()
    return Facts(
        pcbnew.ToMM(box.GetWidth()),
        pcbnew.ToMM(box.GetHeight()),
        plated + vias,
        bare,
        board.GetCopperLayerCount(),
    )


def barrier_crossings(path: Path, netlist: Netlist) -> list[str]:
    """Copper of the two sides that comes closer than the barrier is wide, both layers laid on each
    other.
    """
    board = pcbnew.LoadBoard(str(path))
    sides = domains(netlist, BARRIER_PARTS)
    copper = []
    for nets in sides:
        shape = pcbnew.SHAPE_POLY_SET()
        items = [pad for footprint in board.GetFootprints() for pad in footprint.Pads()]
        items += list(board.GetTracks())
        for item in items:
            if item.GetNetname().removeprefix("/") in nets:
                for layer in (pcbnew.F_Cu, pcbnew.B_Cu):
                    if item.IsOnLayer(layer):
                        item.TransformShapeToPolygon(shape, layer, 0, 5000, pcbnew.ERROR_OUTSIDE)
        for zone in board.Zones():
            if not zone.GetIsRuleArea() and zone.GetNetname() in nets:
                shape.Append(zone.GetFilledPolysList(zone.GetLayer()))
        shape.Simplify()
        copper.append(shape)
    if not all(shape.OutlineCount() for shape in copper):
        return ["one side of the barrier has no copper at all: are GND and GNDI still there?"]
    grown = pcbnew.SHAPE_POLY_SET(copper[0])
    grown.Inflate(pcbnew.FromMM(BARRIER_MM) - 10000, pcbnew.CORNER_STRATEGY_ROUND_ALL_CORNERS, 5000)
    grown.BooleanIntersection(copper[1])
    problems = []
    for index in range(grown.OutlineCount()):
        box = grown.Outline(index).BBox()
        centre = box.GetCenter()
        problems.append(
            f"copper of the two sides is closer than {BARRIER_MM} mm "
            f"near {pcbnew.ToMM(centre.x):.1f}, {pcbnew.ToMM(centre.y):.1f}"
        )
    return problems


def far_capacitors(path: Path, netlist: Netlist) -> list[str]:
    """Supply pins of integrated circuits with no capacitor of their net near them."""
    board = pcbnew.LoadBoard(str(path))
    where: dict[tuple[str, str], tuple[float, float]] = {}
    for footprint in board.GetFootprints():
        for pad in footprint.Pads():
            centre = pad.GetPosition()
            where[footprint.GetReference(), pad.GetNumber()] = (
                pcbnew.ToMM(centre.x),
                pcbnew.ToMM(centre.y),
            )
    problems = []
    for name, pins in netlist.nets.items():
        if name in GROUNDS:
            continue
        places = [where[p.part, p.number] for p in pins if p.part.startswith("C")]
        for pin in pins:
            if pin.kind == "power_in" and pin.part.startswith("U"):
                here = where[pin.part, pin.number]
                nearest = min((math.dist(here, place) for place in places), default=math.inf)
                if nearest > NEAR_MM:
                    problems.append(f"{pin.part}.{pin.number}: capacitor {nearest:.1f} mm away")
    return problems
