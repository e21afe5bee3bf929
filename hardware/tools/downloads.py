"""The committed pictures and documents, and the proof that they are those of the committed
sources.

`write` makes them and notes in downloads/made-from.json what each was made from; `stale` compares
that note with the sources and with the files as they are now.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import sys
from pathlib import Path

from kicad import HARDWARE, SOURCES, VARIANTS, kicad_cli

DOWNLOADS = HARDWARE / "downloads"
NOTE = DOWNLOADS / "made-from.json"


def digest(path: Path) -> str:
    """SHA-256 of a file, line ends and all."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def sources_of(name: str) -> list[Path]:
    """The files that a download is made from."""
    variant = name.split("-")[0]
    kind = "kicad_sch" if "-schematic" in name else "kicad_pcb"
    return [SOURCES / f"{variant}.{kind}"]


def write(target: Path = DOWNLOADS) -> None:
    """Make every download. The SVG is the schematic again: kicad-cli names it after the sheet."""
    target.mkdir(parents=True, exist_ok=True)
    for variant in VARIANTS:
        schematic, board = SOURCES / f"{variant}.kicad_sch", SOURCES / f"{variant}.kicad_pcb"
        kicad_cli("sch", "export", "pdf", "-o", target / f"{variant}-schematic.pdf", schematic)
        folder = target / "svg"
        kicad_cli("sch", "export", "svg", "-o", folder, schematic)
        drawn = (folder / f"{variant}.svg").read_text()
        (target / f"{variant}-schematic.svg").write_text(re.sub(r"[ \t]+$", "", drawn, flags=re.M))
        shutil.rmtree(folder)
        for side in ("top", "bottom"):
            kicad_cli(
                "pcb", "render", "--side", side, "--width", "1600", "--height", "1360",
                "--zoom", "1.0",
                "--background", "opaque", "--quality", "basic", "-o",
                target / f"{variant}-{side}.png", board,
            )  # fmt: skip
    made = sorted(path for path in target.iterdir() if path.suffix in (".pdf", ".svg", ".png"))
    note = {
        path.name: {
            "sha256": digest(path),
            "from": {source.name: digest(source) for source in sources_of(path.name)},
        }
        for path in made
    }
    (target / NOTE.name).write_text(json.dumps(note, indent=2) + "\n")


def stale(folder: Path = DOWNLOADS, sources: Path = SOURCES) -> list[str]:
    """Downloads that are missing, were changed by hand, or were made from other sources than those
    here.
    """
    note = json.loads((folder / NOTE.name).read_text())
    problems = []
    for name, entry in note.items():
        path = folder / name
        if not path.exists():
            problems.append(f"{name} is missing")
            continue
        if digest(path) != entry["sha256"]:
            problems.append(f"{name} is not the file that was made")
        for source, made_from in entry["from"].items():
            if digest(sources / source) != made_from:
                problems.append(
                    f"{name} was made from another {source}: run make hardware-downloads"
                )
    expected = {
        f"{v}-{end}" for v in VARIANTS
        for end in ("schematic.pdf", "schematic.svg", "top.png", "bottom.png")
    }  # fmt: skip
    return problems + [f"{name} was never made" for name in sorted(expected - note.keys())]


if __name__ == "__main__":
    # KiCad dates what it makes, so files that are right already stay as they are.
    if len(sys.argv) > 1:
        write(Path(sys.argv[1]))
    elif stale():
        write()
