"""Drawings as files: SVG, and PDF pages of A4."""

from __future__ import annotations

import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import cairosvg

from canvas import Canvas

A4_MM = (210.0, 297.0)
MARGIN_MM = 8.0
POINTS_PER_MM = 72 / 25.4


@dataclass(frozen=True)
class Page:
    """A sheet, or the part of it within (left, top, right, bottom)."""

    sheet: Canvas
    part: tuple[float, float, float, float] | None = None

    def svg(self) -> str:
        """The part, as large as it fits on A4, upright or lying, and cut at its edges."""
        left, top, right, bottom = self.part or (0.0, 0.0, self.sheet.width, self.sheet.height)
        if self.sheet.physical:
            return self.sheet.svg()
        lying = right - left > 1.15 * (bottom - top)
        paper = A4_MM[::-1] if lying else A4_MM
        inner = [side - 2 * MARGIN_MM for side in paper]
        scale = min(inner[0] / (right - left), inner[1] / (bottom - top))
        x, y = (paper[0] - (right - left) * scale) / 2, MARGIN_MM
        body = "\n".join(self.sheet.parts)
        head = self.sheet.svg().split("\n", 1)[0]
        font = head[head.index("font-family") :]
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{paper[0]}mm" '
            f'height="{paper[1]}mm" viewBox="0 0 {paper[0]} {paper[1]}" {font}\n'
            f'<svg x="{x:.2f}" y="{y:.2f}" width="{(right - left) * scale:.2f}" '
            f'height="{(bottom - top) * scale:.2f}" '
            f'viewBox="{left:.2f} {top:.2f} {right - left:.2f} {bottom - top:.2f}">\n'
            f"{body}\n</svg>\n</svg>\n"
        )


def write(folder: Path, files: dict[str, str]) -> list[str]:
    """Write the files that differ from what is there. Returns their names."""
    folder.mkdir(parents=True, exist_ok=True)
    changed = []
    for name, text in files.items():
        path = folder / name
        if not path.exists() or path.read_text() != text:
            path.write_text(text)
            changed.append(name)
    return changed


def pdf(path: Path, pages: list[Page], stale: bool = True) -> None:
    """Write a PDF file, a page each. A PDF carries the time at which it was made, so one that is
    there stays unless it is `stale`.
    """
    if path.exists() and not stale:
        return
    with tempfile.TemporaryDirectory() as work:
        files = []
        for number, page in enumerate(pages):
            file = Path(work) / f"{number}.pdf"
            cairosvg.svg2pdf(bytestring=page.svg().encode(), write_to=str(file))
            files.append(file)
        if len(files) == 1:
            path.write_bytes(files[0].read_bytes())
        else:
            subprocess.run(["pdfunite", *map(str, files), str(path)], check=True)
