"""The printed enclosure: a tray with walls and a lid, with openings for the D-sub, both kinds of
USB socket, the plug of the inputs and the LEDs. Same axes as board_part_blocks.py, in mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import cadquery as cq

from board_part_blocks import THICKNESS_MM, Block, Board

WALL = 2.0
GAP_X, GAP_Y = 0.6, 0.6  # between board and wall; the flange of the D-sub needs 0.4
POST = 5.0  # under the board: 3 mm of wire ends and air
LID = 2.0
INSIDE = 20.5  # over the board: LEDs end just under the lid
LED_HOLE = 3.4
PLUG_USB = (12.0, 8.5)  # over-moulded USB plugs, width and height
SLACK = 0.4


@dataclass(frozen=True)
class Opening:
    """A rectangular hole in a wall: the wall, and the ranges in y and z."""

    wall: str
    y: tuple[float, float]
    z: tuple[float, float]


def openings(board: Board) -> list[Opening]:
    """Holes in the left and right walls, from the bodies that must reach through."""
    found = []
    for block in board.blocks:
        if block.opening not in ("left", "right"):
            continue
        y0, y1, z0, z1 = block.low[1], block.high[1], block.low[2], block.high[2]
        if block.name.endswith("USB"):
            middle_y, middle_z = (y0 + y1) / 2, (z0 + z1) / 2
            y0, y1 = middle_y - PLUG_USB[0] / 2, middle_y + PLUG_USB[0] / 2
            z0, z1 = middle_z - PLUG_USB[1] / 2, middle_z + PLUG_USB[1] / 2
        elif block.name.startswith("J3"):
            # the plug is wider and higher than the header it enters
            y0, y1, z0, z1 = y0 - 1.5, y1 + 1.5, z0 - 0.5, z1 + 4.5
        found.append(Opening(block.opening, (y0 - SLACK, y1 + SLACK), (z0 - SLACK, z1 + SLACK)))
    return found


def _block(x0: float, y0: float, z0: float, x1: float, y1: float, z1: float) -> cq.Workplane:
    return cq.Workplane("XY").box(x1 - x0, y1 - y0, z1 - z0, centered=False).translate((x0, y0, z0))


def outside(board: Board) -> tuple[float, float]:
    """Width and depth of the closed box."""
    return board.width + 2 * (GAP_X + WALL), board.height + 2 * (GAP_Y + WALL)


def tray(board: Board) -> cq.Workplane:
    """Floor, walls and four posts with holes for screws."""
    x0, y0, x1, y1 = -GAP_X, -GAP_Y, board.width + GAP_X, board.height + GAP_Y
    floor = -THICKNESS_MM - POST
    solid = _block(x0 - WALL, y0 - WALL, floor - WALL, x1 + WALL, y1 + WALL, INSIDE)
    solid = solid.edges("|Z").fillet(3.0).cut(_block(x0, y0, floor, x1, y1, INSIDE + 1))
    for x, y in board.holes:
        post = cq.Workplane("XY").circle(3.5).circle(1.25).extrude(POST).translate((x, y, floor))
        solid = solid.union(post)
    for opening in openings(board):
        (a, b), (c, d) = opening.y, opening.z
        wall = (x0 - WALL - 1, x0 + 0.01) if opening.wall == "left" else (x1 - 0.01, x1 + WALL + 1)
        solid = solid.cut(_block(wall[0], a, c, wall[1], b, d))
    # screws of the D-sub: 47.1 mm apart, in the middle of the shell
    shell = next(block for block in board.blocks if block.name.endswith("shell"))
    y, z = (shell.low[1] + shell.high[1]) / 2, (shell.low[2] + shell.high[2]) / 2
    for side in (-23.55, 23.55):
        hole = cq.Workplane("YZ").circle(3.6).extrude(WALL + 2).translate((x1 - 1, y + side, z))
        solid = solid.cut(hole)
    return solid


def lid(board: Board) -> cq.Workplane:
    """A plate with a rim that goes inside the walls, and a hole over each LED."""
    x0, y0, x1, y1 = -GAP_X, -GAP_Y, board.width + GAP_X, board.height + GAP_Y
    plate = (
        _block(x0 - WALL, y0 - WALL, INSIDE, x1 + WALL, y1 + WALL, INSIDE + LID)
        .edges("|Z")
        .fillet(3.0)
    )
    play = 0.2
    rim = _block(x0 + play, y0 + play, INSIDE - 2, x1 - play, y1 - play, INSIDE)
    rim = rim.cut(_block(x0 + 1.4, y0 + 1.4, INSIDE - 3, x1 - 1.4, y1 - 1.4, INSIDE + 1))
    solid = plate.union(rim)
    for x, y in board.leds:
        solid = solid.cut(
            cq.Workplane("XY").circle(LED_HOLE / 2).extrude(LID + 4).translate((x, y, INSIDE - 2))
        )
    return solid


def solid_of(block: Block) -> cq.Workplane:
    return _block(*block.low, *block.high)


def assembly(board: Board) -> cq.Assembly:
    """The board with its parts as blocks, for a STEP file."""
    plate = _block(0, 0, -THICKNESS_MM, board.width, board.height, 0)
    for x, y in board.holes:
        plate = plate.cut(
            cq.Workplane("XY").circle(1.6).extrude(-THICKNESS_MM).translate((x, y, 0))
        )
    whole = cq.Assembly(name="board")
    whole.add(plate, name="circuit board", color=cq.Color(0.16, 0.36, 0.26))
    for block in board.blocks:
        whole.add(solid_of(block), name=block.name, color=cq.Color(0.75, 0.75, 0.72))
    return whole
