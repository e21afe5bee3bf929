"""Write the enclosure of both variants: STL files for a printer, a STEP file of the board with its
parts, and drawings of the closed box and of the box without its lid.

Usage: python make.py <folder for STL and STEP> [<folder for the drawings>]
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

import cadquery as cq

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "tools"))

import board_part_blocks  # noqa: E402
import fit  # noqa: E402
import tray_and_lid  # noqa: E402
from kicad import SOURCES, VARIANTS  # noqa: E402


def draw(shape: cq.Workplane, path: Path, direction: tuple[float, float, float]) -> None:
    """A line drawing of the visible edges. z is up while x, y and z of `direction` fall in size."""
    cq.exporters.export(
        shape,
        str(path),
        opt={
            "width": 900, "height": 620, "marginLeft": 20, "marginTop": 20, "showAxes": False,
            "projectionDir": direction, "strokeWidth": 0.35, "showHidden": False,
        },
    )  # fmt: skip
    path.write_text(cropped(path.read_text()))


def cropped(svg: str, margin: float = 12.0) -> str:
    """The drawing without the empty part of its sheet, on white."""
    scale, dx, dy = (
        float(number)
        for number in re.search(
            r"scale\(([\d.]+), [-\d.]+\)\s+translate\(([-\d.]+),([-\d.]+)\)", svg
        ).groups()  # type: ignore[union-attr]
    )
    points = re.findall(r"[ML](-?[\d.e-]+),(-?[\d.e-]+)", svg)
    xs = [scale * (float(x) + dx) for x, _ in points]
    ys = [-scale * (float(y) + dy) for _, y in points]
    left, top = min(xs) - margin, min(ys) - margin
    width, height = max(xs) + margin - left, max(ys) + margin - top
    box = f'viewBox="{left:.0f} {top:.0f} {width:.0f} {height:.0f}"'
    size = f'width="{width:.0f}" height="{height:.0f}"'
    ground = f'<rect x="{left:.0f}" y="{top:.0f}" {size} fill="#ffffff"/>'
    head = re.compile(r'width="900.0"\s+height="620.0"\s*>')
    return head.sub(f"{size} {box}>\n{ground}", svg, count=1)


def make(variant: str, target: Path, drawings: Path) -> list[str]:
    """Everything of one variant. Returns what does not fit."""
    board = board_part_blocks.read(SOURCES / f"{variant}.kicad_pcb")
    tray, lid = tray_and_lid.tray(board), tray_and_lid.lid(board)
    target.mkdir(parents=True, exist_ok=True)
    drawings.mkdir(parents=True, exist_ok=True)
    cq.exporters.export(tray, str(target / f"{variant}-tray.stl"))
    cq.exporters.export(lid.rotate((0, 0, 0), (1, 0, 0), 180), str(target / f"{variant}-lid.stl"))
    whole = tray_and_lid.assembly(board)
    whole.export(str(target / f"{variant}-board.step"))
    parts = cq.Workplane(whole.toCompound())
    closed = cq.Workplane(cq.Compound.makeCompound([*tray.vals(), *lid.vals(), *parts.vals()]))
    opened = cq.Workplane(cq.Compound.makeCompound([*tray.vals(), *parts.vals()]))
    draw(closed, drawings / f"{variant}-enclosure.svg", (1.1, -0.9, 0.8))
    draw(opened, drawings / f"{variant}-enclosure-open.svg", (-1.0, -0.95, 0.94))
    return fit.collisions(board, tray, lid) + fit.out_of_reach(board)


if __name__ == "__main__":
    target = Path(sys.argv[1])
    drawings = Path(sys.argv[2]) if len(sys.argv) > 2 else HERE
    found = [
        f"{variant}: {text}" for variant in VARIANTS for text in make(variant, target, drawings)
    ]
    print("\n".join(found) or "enclosure: the parts fit, all connectors reach through the walls")
    sys.exit(bool(found))
