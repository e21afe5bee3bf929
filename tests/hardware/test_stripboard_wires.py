"""The stripboard as it is built with hands: which side a wire lies on, how long it is cut, and what
a page says of the USB board that it is for.
"""

from __future__ import annotations

import re
from dataclasses import replace

import guide_pages
import layout
import on_stripboard


def crossed(built: layout.Layout) -> set[str]:
    """Strips that a bare wire of the copper side lies on without being soldered to them. It goes
    along the holes from its topmost joint to its lowest.
    """
    found = set()
    for name in {wire.name for wire in built.wires if wire.use == "bus"}:
        bare = [wire for wire in built.wires if wire.name == name]
        assert all(not isinstance(wire.end, str) for wire in bare)
        joints = {end[0] for wire in bare for end in (wire.start, wire.end)}
        found |= {
            f"{name} lies on strip {strip}"
            for strip in range(min(joints), max(joints))
            if strip not in joints
        }
    return found


def test_a_bare_wire_lies_on_no_other_strip() -> None:
    """P8 once went on to strip 34, over strips 31 and 33, which have 5 V there."""
    built = on_stripboard.plan()
    assert crossed(built) == set()
    last = layout.Wire("P8", "bus", (29, 1), (on_stripboard.GROUND, 1))
    wrong = replace(built, wires=[*built.wires, last])
    assert crossed(wrong) == {f"P8 lies on strip {strip}" for strip in (30, 31, 32, 33)}


def test_every_wire_of_the_stripboard_page_has_a_length_that_reaches() -> None:
    text = guide_pages.pages()["STRIPBOARD.md"]
    told = {
        (int(a), int(b), int(c), int(d)): int(mm)
        for a, b, c, d, mm in re.findall(
            r"(\d+)/(\d+)(?: to | \| )(\d+)/(\d+)(?:, | \| )(\d+) mm", text
        )
    }
    for wire in on_stripboard.plan().wires:
        if isinstance(wire.end, str) or wire.use == "bus":
            continue
        apart = 2.54 * (abs(wire.start[0] - wire.end[0]) + abs(wire.start[1] - wire.end[1]))
        assert told[(*wire.start, *wire.end)] >= apart + 16, wire.name


def test_the_bare_wire_is_enough_for_both_places() -> None:
    """P8 down its strips, and the eight cups of ground, 2.77 mm apart."""
    told = re.search(r"bare wire, (\d+) cm", guide_pages.pages()["STRIPBOARD.md"])
    assert told is not None
    joints = [w.start[0] for w in on_stripboard.plan().wires if w.use == "bus"]
    down = 2.54 * (max(joints) + 1 - min(joints))
    assert int(told[1]) * 10 >= down + 2.77 * 7 + 4 * 2


def test_each_page_speaks_of_its_own_board_alone() -> None:
    """A pin of a Pico stands 3.6 V, one of a Nano 5 V; only a breadboard has wires D."""
    pages = guide_pages.pages()
    assert "put 5 V on a pin" in pages["PICO.md"]
    assert "put 5 V on a pin" in pages["STRIPBOARD.md"]
    assert "put 5 V on a pin" not in pages["NANO.md"]
    for name in ("PICO.md", "NANO.md", "STRIPBOARD.md"):
        assert ("wire D of that line" in pages[name]) == (name != "STRIPBOARD.md")
