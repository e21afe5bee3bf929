"""KiCad's own footprints and symbols, as witnesses: places of pads, outlines, names of pins."""

from __future__ import annotations

import re
from pathlib import Path

SHARE = Path("/usr/share/kicad")
Box = tuple[float, float, float, float]


def footprint(library: str, name: str) -> str:
    """The text of a footprint that comes with KiCad."""
    return (SHARE / f"footprints/{library}.pretty/{name}.kicad_mod").read_text()


def pads(text: str) -> dict[str, tuple[float, float]]:
    """Places of the pads in millimetres, by number."""
    found = re.findall(r'\(pad "([^"]+)" \w+ \w+\s*\(at ([-\d.]+) ([-\d.]+)', text)
    return {number: (float(x), float(y)) for number, x, y in found}


def _pieces(text: str, layer: str) -> list[list[tuple[float, float]]]:
    """Corners of the lines, rectangles and polygons of a layer."""
    found = []
    shapes = re.findall(
        rf'\(fp_(?:line|rect|poly)\s((?:(?!\(fp_).)*?)\(layer "{layer}"\)', text, re.S
    )
    for shape in shapes:
        corners = re.findall(r"\((?:start|end|xy) ([-\d.]+) ([-\d.]+)\)", shape)
        found.append([(float(x), float(y)) for x, y in corners])
    return found


def fab_groups(text: str) -> list[Box]:
    """Rectangles around the shapes of the fabrication layer that hang together, largest first."""
    groups: list[list[list[tuple[float, float]]]] = []
    for piece in _pieces(text, "F.Fab"):
        touching = [g for g in groups if any(set(piece) & set(other) for other in g)]
        joined = [piece, *(p for g in touching for p in g)]
        groups = [g for g in groups if g not in touching] + [joined]
    boxes = []
    for group in groups:
        xs = [x for piece in group for x, _ in piece]
        ys = [y for piece in group for _, y in piece]
        boxes.append((min(xs), min(ys), max(xs), max(ys)))
    return sorted(boxes, key=lambda b: -(b[2] - b[0]) * (b[3] - b[1]))


def symbol_pins(library: str, name: str) -> dict[str, str]:
    """Names of the pins of a symbol that comes with KiCad, by number."""
    text = (SHARE / f"symbols/{library}.kicad_sym").read_text()
    start = text.index(f'(symbol "{name}"')
    end = text.find('\n\t(symbol "', start + 10)
    body = text[start:end]
    if base := re.search(r'\(extends "([^"]+)"', body):
        return symbol_pins(library, base[1])
    found = re.findall(r'\(name "([^"]*)".*?\(number "([^"]*)"', body, re.S)
    return {number: pin for pin, number in found}
