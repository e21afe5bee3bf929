"""Write the quick card and the check-list, as SVG and as PDF.

Usage: python write_card.py [<folder>]
"""

from __future__ import annotations

import sys
from pathlib import Path

import paper
from pages import PAGES


def files() -> dict[str, str]:
    """Every drawing of this folder."""
    return {f"{name}.svg": make().svg() for name, make in PAGES.items()}


def sheets() -> dict[str, list[paper.Page]]:
    """File names without ending, and the pages that each has on paper."""
    return {name: [paper.Page(make())] for name, make in PAGES.items()}


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent
    changed = paper.write(target, files())
    for name, pages in sheets().items():
        paper.pdf(target / f"{name}.pdf", pages, stale=f"{name}.svg" in changed)
