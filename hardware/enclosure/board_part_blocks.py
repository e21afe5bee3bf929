"""Bodies of the parts of a board as plain blocks, from the places on the board and the heights of
the data sheets. The board lies with its lower left corner at 0, 0 and its upper face at z = 0; x to
the right, y up, z away from the solder side. All in mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import pcbnew  # type: ignore[import-not-found,unused-ignore]

THICKNESS_MM = 1.6
SOCKET_MM = 8.5
PIN_PLASTIC_MM = 2.5  # between the socket and the USB board
USB_BOARD_MM = 1.6

# Height over the board of what stands on its own courtyard or body.
HEIGHTS_MM = {
    "R_0805": 0.7, "C_0805": 1.4, "SOT-23": 1.5, "SOIC-20W": 2.7, "SOIC-16W": 2.7, "SOIC-14": 1.8,
    "SOIC-8": 1.8, "DIP-16": 4.6, "R_Array": 5.1, "CP_Radial": 11.5, "PinHeader": 8.6,
    "Potentiometer": 10.1, "Converter_DCDC_TRACO_TRI1": 10.2, "LED_D3": 20.0,
}  # fmt: skip


@dataclass(frozen=True)
class Block:
    """A box between two corners. `opening` names the wall that it has to reach through."""

    name: str
    low: tuple[float, float, float]
    high: tuple[float, float, float]
    opening: str = ""


@dataclass(frozen=True)
class Board:
    width: float
    height: float
    holes: tuple[tuple[float, float], ...]
    leds: tuple[tuple[float, float], ...]
    blocks: tuple[Block, ...]


def _box(points: list[tuple[float, float]]) -> tuple[float, float, float, float]:
    xs, ys = zip(*points, strict=True)
    return min(xs), min(ys), max(xs), max(ys)


def read(path: Path) -> Board:
    """The bodies of a board file."""
    board = pcbnew.LoadBoard(str(path))
    outline = pcbnew.SHAPE_POLY_SET()
    board.GetBoardPolygonOutlines(outline)
    edge = outline.BBox()
    left, bottom = pcbnew.ToMM(edge.GetLeft()), pcbnew.ToMM(edge.GetBottom())

    def turned(footprint: pcbnew.FOOTPRINT, x: float, y: float) -> tuple[float, float]:
        """A place in a footprint as one on the board."""
        turn = footprint.GetOrientation().AsRadians()
        origin = footprint.GetPosition()
        across = pcbnew.ToMM(origin.x) + x * math.cos(turn) + y * math.sin(turn)
        down = pcbnew.ToMM(origin.y) - x * math.sin(turn) + y * math.cos(turn)
        return across - left, bottom - down

    def block(name, footprint, x0, y0, x1, y1, z0, z1, opening=""):  # type: ignore[no-untyped-def]
        a, b, c, d = _box([turned(footprint, x, y) for x, y in ((x0, y0), (x1, y1))])
        return Block(name, (a, b, z0), (c, d, z1), opening)

    blocks: list[Block] = []
    holes: list[tuple[float, float]] = []
    leds: list[tuple[float, float]] = []
    for footprint in sorted(board.GetFootprints(), key=lambda f: f.GetReference()):
        name, kind = footprint.GetReference(), str(footprint.GetFPID().GetLibItemName())
        if kind.startswith("MountingHole"):
            holes.append(turned(footprint, 0, 0))
        elif kind.startswith("LED"):
            leds.append(turned(footprint, 1.27, 0))
            blocks.append(
                block(name, footprint, -0.25, -1.5, 2.79, 1.5, 0.0, HEIGHTS_MM["LED_D3"], "top")
            )
        elif kind.startswith("DSUB-25"):
            # shell, flange and mounting block of the drawing that the footprint follows
            blocks.append(block(name, footprint, -43.17, -1.8, 9.93, 10.54, 0.0, 12.5))
            blocks.append(block(f"{name} flange", footprint, -43.17, 10.54, 9.93, 10.94, 0.0, 12.5))
            blocks.append(
                block(f"{name} shell", footprint, -35.77, 10.94, 2.53, 17.11, 1.9, 10.6, "right")
            )
        elif kind.startswith("PhoenixContact"):
            blocks.append(block(name, footprint, -2.6, -1.2, 21.65, 8.0, 0.0, 7.25, "left"))
        elif kind in ("Pico_Sockets", "Nano_Sockets"):
            foot = SOCKET_MM + PIN_PLASTIC_MM
            pico = kind == "Pico_Sockets"
            body = (-1.61, -1.37, 19.39, 49.63) if pico else (-1.27, -3.81, 16.51, 39.37)
            usb = (5.0, -2.67, 12.8, 3.0) if pico else (3.81, 32.0, 11.43, 41.91)
            blocks.append(block(name, footprint, *body, foot, foot + USB_BOARD_MM))
            # micro B on top of the Pico, mini B (the highest one sold) on top of the Nano
            high = 3.0 if pico else 4.0
            blocks.append(
                block(
                    f"{name} USB",
                    footprint,
                    *usb,
                    foot + USB_BOARD_MM,
                    foot + USB_BOARD_MM + high,
                    "left",
                )
            )
        else:
            height = next((h for start, h in HEIGHTS_MM.items() if kind.startswith(start)), None)
            if height is None:
                continue
            footprint.BuildCourtyardCaches()
            court = footprint.GetCourtyard(pcbnew.F_CrtYd).BBox()
            x0, x1 = (pcbnew.ToMM(v) - left for v in (court.GetLeft(), court.GetRight()))
            y0, y1 = (bottom - pcbnew.ToMM(v) for v in (court.GetBottom(), court.GetTop()))
            blocks.append(Block(name, (x0, y0, 0.0), (x1, y1, height)))
    width, height = pcbnew.ToMM(edge.GetWidth()), pcbnew.ToMM(edge.GetHeight())
    return Board(width, height, tuple(holes), tuple(leds), tuple(blocks))
