"""The boards in their enclosure, and what does not fit is found."""

from __future__ import annotations

from dataclasses import replace

import board_part_blocks
import fit
import pcbnew
import pytest
import tray_and_lid

import kicad
from kicad import SOURCES


@pytest.fixture(scope="module")
def boards() -> dict[str, board_part_blocks.Board]:
    return {v: board_part_blocks.read(SOURCES / f"{v}.kicad_pcb") for v in kicad.VARIANTS}


def moved(
    board: board_part_blocks.Board, name: str, dx: float, dz: float = 0.0
) -> board_part_blocks.Board:
    """The board with the blocks of one part somewhere else."""

    def shift(block: board_part_blocks.Block) -> board_part_blocks.Block:
        if block.name.split()[0] != name:
            return block
        low, high = block.low, block.high
        return replace(
            block,
            low=(low[0] + dx, low[1], low[2] + dz),
            high=(high[0] + dx, high[1], high[2] + dz),
        )

    return replace(board, blocks=tuple(map(shift, board.blocks)))


@pytest.mark.parametrize("variant", kicad.VARIANTS)
def test_the_board_fits(boards, variant) -> None:
    assert fit.problems(boards[variant]) == []


def test_every_high_part_has_a_body(boards) -> None:
    """Only jumpers of solder, test points and holes have none."""
    board = pcbnew.LoadBoard(str(SOURCES / "tallymark.kicad_pcb"))
    names = {block.name.split()[0] for block in boards["tallymark"].blocks}
    bare = {f.GetReference() for f in board.GetFootprints()} - names
    assert {name.rstrip("0123456789") for name in bare} == {"H", "TP", "JP"}
    assert not bare & {"JP1", "JP3"}


def test_bodies_have_the_size_of_the_data_sheets(boards) -> None:
    """In mm: a Pico 51 x 21, a Nano 43.18 x 17.78, the shell of a D-sub 38.3 x 8.36 or more."""
    size = {
        b.name: tuple(z - a for a, z in zip(b.low, b.high, strict=True))
        for b in boards["tallymark"].blocks
    }
    assert size["A1"][:2] == pytest.approx((51.0, 21.0), abs=0.05)
    assert size["A2"][:2] == pytest.approx((43.18, 17.78), abs=0.05)
    assert size["J1 shell"][1:] >= (38.3, 8.36)


def test_a_connector_short_of_the_wall_is_caught(boards) -> None:
    assert fit.out_of_reach(moved(boards["tallymark"], "J1", -5.0))
    assert fit.out_of_reach(moved(boards["tallymark"], "A2", 5.0))
    assert fit.out_of_reach(moved(boards["tallymark"], "J3", 5.0))


def test_a_part_that_is_too_high_is_caught(boards) -> None:
    assert fit.collisions(moved(boards["tallymark"], "C4", 0.0, dz=10.0))


def test_an_opening_in_the_wrong_place_is_caught(boards) -> None:
    """A tray made for the isolated board, or for a D-sub 5 mm higher, does not take this one."""
    board = boards["tallymark"]
    assert fit.collisions(board, tray_and_lid.tray(moved(board, "J1", 0.0, dz=5.0)))


def test_the_isolated_enclosure_bridges_nothing(boards) -> None:
    """No screw and no screw head within 8 mm of the middle of the barrier."""
    isolator = next(block for block in boards["isolated"].blocks if block.name == "U4")
    middle = (isolator.low[0] + isolator.high[0]) / 2
    assert all(abs(x - middle) > 8 + 3 for x, _ in boards["isolated"].holes)
