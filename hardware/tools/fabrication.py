"""Gerber, drill and job files of one board, packed as the archive that a board maker takes, and the
position file for assembly beside it.
"""

from __future__ import annotations

import sys
import zipfile
from pathlib import Path

from kicad import SOURCES, VARIANTS, kicad_cli

LAYERS = "F.Cu,B.Cu,F.Mask,B.Mask,F.Paste,B.Paste,F.Silkscreen,B.Silkscreen,Edge.Cuts"


def make_archive(board: Path, work: Path) -> Path:
    """Export everything into `work`/<board>/ and return the path of the archive beside it."""
    folder = work / board.stem
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.iterdir():
        old.unlink()
    kicad_cli("pcb", "export", "gerbers", "-l", LAYERS, "-o", f"{folder}/", board)
    # No drill maps: they are drawings, and a board maker's reader takes them for copper or outline.
    kicad_cli("pcb", "export", "drill", "--excellon-separate-th", "-o", f"{folder}/", board)
    kicad_cli(
        "pcb", "export", "pos", "--format", "csv", "--units", "mm", "-o",
        folder / f"{board.stem}-placement.csv", board,
    )  # fmt: skip
    archive = work / f"{board.stem}-board.zip"
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as packed:
        for path in sorted(folder.iterdir()):
            if path.suffix != ".csv":  # the placement goes to who solders, not to who etches
                packed.write(path, path.name)
    return archive


if __name__ == "__main__":
    for variant in VARIANTS:
        print(make_archive(SOURCES / f"{variant}.kicad_pcb", Path(sys.argv[1])))
