"""Whether a board fits its enclosure: nothing collides, connectors reach through the walls, the lid
closes, and a USB plug gets to its socket.
"""

# ruff: noqa: E501 - sentences are read unbroken

from __future__ import annotations

import cadquery as cq

import tray_and_lid
from board_part_blocks import Board

LEAST_MM3 = 0.01
SHELL_OUT_MM = 3.0  # of a D-sub shell in front of the wall, so that a plug makes contact
USB_RECESS_MM = (
    2.5  # of a USB socket behind the face of the wall, with an opening as large as the plug
)
HEADER_RECESS_MM = 4.0  # of the header of the inputs, the same way
LED_UNDER_LID_MM = 1.0


def _volume(first: cq.Workplane, second: cq.Workplane) -> float:
    common = first.intersect(second)
    return sum(solid.Volume() for solid in common.solids().vals())


def collisions(
    board: Board, tray: cq.Workplane | None = None, lid: cq.Workplane | None = None
) -> list[str]:
    """Parts that share space with the tray or the lid."""
    shells = {"tray": tray or tray_and_lid.tray(board), "lid": lid or tray_and_lid.lid(board)}
    problems = []
    for block in board.blocks:
        body = tray_and_lid.solid_of(block)
        for name, shell in shells.items():
            volume = _volume(body, shell)
            if volume > LEAST_MM3:
                problems.append(f"{block.name} and the {name} share {volume:.1f} mm³")
    return problems


def out_of_reach(board: Board) -> list[str]:
    """Connectors that end too far behind the outer face of their wall, LEDs too far under the lid."""
    left = -tray_and_lid.GAP_X - tray_and_lid.WALL
    right = board.width + tray_and_lid.GAP_X + tray_and_lid.WALL
    problems = []
    for block in board.blocks:
        if block.opening == "right" and block.high[0] - right < SHELL_OUT_MM:
            problems.append(
                f"{block.name} stands {block.high[0] - right:.1f} mm out of the wall, {SHELL_OUT_MM} mm are needed"
            )
        if block.opening == "left":
            allowed = USB_RECESS_MM if block.name.endswith("USB") else HEADER_RECESS_MM
            if block.low[0] - left > allowed:
                problems.append(
                    f"{block.name} ends {block.low[0] - left:.1f} mm behind the face of the wall, {allowed} mm are allowed"
                )
        if block.opening == "top" and tray_and_lid.INSIDE - block.high[2] > LED_UNDER_LID_MM:
            problems.append(
                f"{block.name} ends {tray_and_lid.INSIDE - block.high[2]:.1f} mm under the lid"
            )
    return problems


def problems(board: Board) -> list[str]:
    """Everything that keeps the board from fitting."""
    return collisions(board) + out_of_reach(board)
