"""Colours of charts and pages are our own, are read on their grounds, and stay apart for everybody.

Distances are those of CAM02-UCS by colorspacious, as seen with normal sight and with each kind of
colour blindness at full strength.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import combinations
from pathlib import Path

import matplotlib
import numpy as np
import pytest
from colorspacious import cspace_convert
from matplotlib.colors import to_hex

from tallymark.common import colours

ROOT = Path(__file__).parents[2]
KINDS = (None, "deuteranomaly", "protanomaly", "tritanomaly")
APART = 18.0
QUALITATIVE = ("tab10", "tab20", "tab20b", "tab20c", "Set1", "Set2", "Set3", "Paired", "Accent",
               "Dark2", "Pastel1", "Pastel2")
"""Palettes that libraries hand out; those of ColorBrewer are among them."""


def rgb(colour: str) -> list[float]:
    return [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]


def least_distance(some: list[str], kind: str | None) -> float:
    seen = np.array([rgb(colour) for colour in some])
    if kind:
        space = {"name": "sRGB1+CVD", "cvd_type": kind, "severity": 100}
        seen = np.clip(cspace_convert(seen, space, "sRGB1"), 0, 1)
    places = cspace_convert(seen, "sRGB1", "CAM02-UCS")
    return min(float(np.linalg.norm(a - b)) for a, b in combinations(places, 2))


def contrast(one: str, other: str) -> float:
    """As WCAG 2 defines it."""
    light = []
    for colour in (one, other):
        parts = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4
                 for part in rgb(colour)]
        light.append(0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2])
    return (max(light) + 0.05) / (min(light) + 0.05)


def themes() -> dict[str, dict[str, str]]:
    """The colours of the page, light and dark."""
    text = (ROOT / "host/tallymark/page/static/style.css").read_text()
    light, dark = re.findall(r":root \{(.*?)\}", text, re.DOTALL)
    return {name: dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", each))
            for name, each in (("light", light), ("dark", dark))}


MEANINGS = [colours.INK, colours.SENT, colours.BAD, colours.DOUBT, colours.GOOD, colours.UNKNOWN]


@pytest.mark.parametrize("kind", KINDS)
def test_colours_of_reports_stay_apart(kind: str | None) -> None:
    assert least_distance(MEANINGS, kind) > APART


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_colours_of_the_page_stay_apart(theme: str, kind: str | None) -> None:
    page = themes()[theme]
    assert least_distance([page[n] for n in ("ink", "output", "readback", "mark")], kind) > APART
    assert least_distance([page["good"], page["bad"]], kind) > APART


def test_colours_are_read_on_their_grounds() -> None:
    for colour in [*MEANINGS, colours.SOFT]:
        assert contrast(colour, colours.PAPER) >= 4.5
    for page in themes().values():
        for name in ("output", "readback", "mark", "good", "bad", "quiet"):
            assert contrast(page[name], page["ground"]) >= 4.5
            assert contrast(page[name], page["panel"]) >= 4.5
        for mood in ("good", "bad"):
            assert contrast(page[mood], page[f"{mood}-ground"]) >= 4.5


def handed_out() -> set[str]:
    """All colours of the palettes that libraries hand out, black, white and greys left out."""
    found = {to_hex(colour) for name in QUALITATIVE for colour in matplotlib.colormaps[name].colors}
    return {colour for colour in found if len({colour[1:3], colour[3:5], colour[5:]}) > 1}


def walked(folder: Path) -> Iterator[Path]:
    """Our own files with colours. What KiCad draws has KiCad's colours, as people know them."""
    for path in folder.iterdir():
        if path.is_dir() and path.name not in ("node_modules", "downloads", "build"):
            yield from walked(path)
        elif path.suffix in (".py", ".css", ".html", ".js", ".svg"):
            yield path


def test_no_colour_is_from_the_palette_of_a_library() -> None:
    theirs, found, looked = handed_out(), {}, 0
    assert "#1f77b4" in theirs
    for path in (path for top in ("host", "hardware", "release") for path in walked(ROOT / top)):
        text = path.read_text(encoding="utf-8", errors="replace").lower()
        looked += 1
        bad = set(re.findall(r"#[0-9a-f]{6}\b", text)) & theirs
        if bad:
            found[str(path.relative_to(ROOT))] = sorted(bad)
    assert looked > 200
    assert found == {}


def test_what_is_too_close_is_found() -> None:
    """The page's former blue and violet were the same to people who don't see red."""
    assert least_distance(["#0b5394", "#6a3d9a"], "protanomaly") < 5
