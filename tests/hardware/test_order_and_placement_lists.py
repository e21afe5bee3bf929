"""The lists for buying and for assembly, read back: order codes by Python's csv, positions against
the paste layer as gerbonara reads it.
"""

from __future__ import annotations

import csv
import math
import re
from pathlib import Path

import pytest

import bill
import fabrication
import kicad
from kicad import SOURCES


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def lists(tmp_path_factory) -> Path:
    work = tmp_path_factory.mktemp("lists")
    bill.write(work, work / "BOM.md")
    return work


@pytest.mark.parametrize(
    ("name", "variant", "left_out"),
    [
        ("tallymark", "tallymark", "A2"),
        ("tallymark-nano", "tallymark", "A1"),
        ("isolated", "isolated", ""),
    ],
)
def test_the_cart_has_every_part_of_one_box_once(lists, netlists, name, variant, left_out) -> None:
    cart = rows(lists / f"{name}-cart.csv")
    codes = [row["Manufacturer Part Number"] for row in cart]
    assert len(codes) == len(set(codes))
    assert all(
        row["Manufacturer"] and row["Alternative"] and code
        for row, code in zip(cart, codes, strict=True)
    )
    bought = {part.reference for part in netlists[variant].parts.values() if part.in_bom}
    listed = [
        (reference, row)
        for row in cart
        for reference in row["Customer Reference"].split()
        if reference in bought and "sockets" not in row["Customer Reference"]
    ]
    parts = [
        reference
        for reference, row in listed
        if row["Manufacturer Part Number"] == netlists[variant].parts[reference].fields["MPN"]
    ]
    assert sorted(parts) == sorted(bought - {left_out})
    for row in cart:
        references = row["Customer Reference"].split()
        if set(references) <= bought:
            assert int(row["Quantity"]) == len(references)


@pytest.fixture(scope="module", params=kicad.VARIANTS)
def made(request, tmp_path_factory) -> tuple[str, Path, Path]:
    work = tmp_path_factory.mktemp(request.param)
    archive = fabrication.make_archive(SOURCES / f"{request.param}.kicad_pcb", work)
    return request.param, work / request.param / f"{request.param}-placement.csv", archive


def off_their_pads(placed: list[dict[str, str]], archive: Path) -> list[str]:
    """Parts with two pads whose position is not in the middle between two openings of the paste."""
    from gerbonara import LayerStack
    from gerbonara.utils import MM

    stack = LayerStack.open_zip(archive)
    found = []
    for side in ("top", "bottom"):
        centres = []
        for item in stack[side, "paste"].objects:
            (x0, y0), (x1, y1) = item.bounding_box(MM)
            centres.append(((x0 + x1) / 2, (y0 + y1) / 2))
        for row in placed:
            if row["Side"] != side or not row["Package"].startswith(("R_0805", "C_0805")):
                continue
            x, y = float(row["PosX"]), float(row["PosY"])
            first, second = sorted(centres, key=lambda at: math.dist(at, (x, y)))[:2]
            middle = (first[0] + second[0]) / 2, (first[1] + second[1]) / 2
            turn = math.degrees(math.atan2(second[1] - first[1], second[0] - first[0]))
            off_turn = (turn - float(row["Rot"])) % 180
            if math.dist(middle, (x, y)) > 0.05 or min(off_turn, 180 - off_turn) > 1:
                found.append(row["Ref"])
    return found


def test_positions_for_assembly_are_those_of_the_pads(made, netlists) -> None:
    variant, placement, archive = made
    placed = rows(placement)
    assert {row["Ref"] for row in placed} >= {
        part.reference for part in netlists[variant].parts.values() if part.in_bom
    }
    assert sum(row["Package"].startswith(("R_0805", "C_0805")) for row in placed) > 30
    assert off_their_pads(placed, archive) == []


def test_a_part_that_is_moved_or_rotated_in_the_list_is_found(made) -> None:
    _, placement, archive = made
    placed = rows(placement)
    index = {row["Ref"]: row for row in placed}
    index["C1"]["PosX"] = str(float(index["C1"]["PosX"]) + 0.5)
    index["C2"]["Rot"] = str(float(index["C2"]["Rot"]) + 90)
    assert off_their_pads(placed, archive) == ["C1", "C2"]


def test_a_line_that_nobody_compared_is_named_above_the_table(lists) -> None:
    text = (lists / "BOM.md").read_text()
    named = text.split("compare these lines with the maker's data sheet before you order:** ")[1]
    named = named.split("\n")[0]
    assert "J1," in named
    assert "RN1" not in named


def test_prices_in_the_read_me_files_are_the_sums_of_the_bill() -> None:
    text = (kicad.HARDWARE / "BOM.md").read_text()
    sums = [
        tuple(round(float(x)) for x in pair)
        for pair in re.findall(r"\*\*([\d.]+) to ([\d.]+)\*\*", text)
    ]
    assert len(sums) == 2
    (low, high), (low_isolated, high_isolated) = sums
    for name in ("README.md", "../README.md"):
        words = " ".join((kicad.HARDWARE / name).read_text().split())
        assert f"[{low} to {high} dollars]" in words
    words = " ".join((kicad.HARDWARE / "README.md").read_text().split())
    assert f"isolated at {low_isolated} to {high_isolated} ({bill.PRICED}" in words
