"""What is made from the KiCad project, without what differs from one run to the next."""

from __future__ import annotations

import io
import re
import time
import zipfile
from pathlib import Path

from step_colour_order import with_ordered_colours

_ISO = r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:[+-]\d\d:?\d\d)?"
_PLAIN = r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d"
_DATED = re.compile(
    rf"(?P<gerber>CreationDate,)(?:{_ISO})"
    rf"|(?P<job>\"CreationDate\":\s*\")(?:{_ISO})"
    rf"|(?P<comment>[Cc]reated by KiCad [^\n]* date |DRILL file [^\n]* date )(?:{_ISO}|{_PLAIN})"
    rf"|(?P<step>FILE_NAME\('[^']*',')(?:{_ISO})"
)
"""Every way in which these files say when they were made: Gerber X2 (TF.CreationDate, and the job
file), comments in Gerber and drill files, and the header of STEP (ISO 10303-21)."""


def undated(content: bytes, date: int) -> bytes:
    """A file's content with `date` (seconds since 1970) in place of when it was made, and with the
    colours of a STEP file in order."""
    at = time.strftime("%Y-%m-%dT%H:%M:%S", time.gmtime(date))
    text = content.decode("latin-1")

    def replaced(found: re.Match[str]) -> str:
        zone = "" if found["step"] else "+00:00"
        return next(filter(None, found.groups())) + at + zone

    text = _DATED.sub(replaced, text)
    if text.startswith("ISO-10303-21"):
        text = with_ordered_colours(text)
    return text.encode("latin-1")


def board_archive(made: Path, date: int) -> dict[str, bytes]:
    """The files of an archive for the board maker."""
    with zipfile.ZipFile(io.BytesIO(made.read_bytes())) as packed:
        return {name: undated(packed.read(name), date) for name in packed.namelist()}


def collect(tree: Path, built: Path, date: int) -> dict[str, bytes]:
    """Files to print, to order and to build from, by their path in the hardware archive.

    tree: the sources. built: build/hardware."""
    files = {}
    for pattern in ("*.md", "LICENSE", "downloads/*.pdf", "downloads/*.png", "breadboard/*.md",
                    "breadboard/*.pdf", "breadboard/*.svg", "cables/*.md", "cables/*.svg",
                    "card/*.pdf", "enclosure/*.svg", "experiments/*.md", "experiments/*/*.svg",
                    "kicad/*.kicad_*", "kicad/*-table", "kicad/*.pretty/*", "simulation/*.md",
                    "simulation/*.svg"):
        for path in sorted((tree / "hardware").glob(pattern)):
            files[path.relative_to(tree / "hardware").as_posix()] = path.read_bytes()
    for pattern in ("boards/*/*-placement.csv", "boards/*.csv", "enclosure/*.stl",
                    "enclosure/*.step"):
        for path in sorted(built.glob(pattern)):
            files[f"manufacturing/{path.name}"] = undated(path.read_bytes(), date)
    return files
