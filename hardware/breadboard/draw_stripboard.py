"""The stripboard as two drawings: the side of the parts, and the copper side, mirrored, with the
cuts. One unit is one pitch.
"""

from __future__ import annotations

import component_drawings
from canvas import CAUTION, FAINT, GROUND, INK, PAPER, SUPPLY, Canvas, Point
from draw_breadboard import CASING, TAG, WIRE, colour_of
from layout import Hole, Layout
from on_stripboard import GROUND as GROUND_STRIP
from on_stripboard import HOLES, PLUS, STRIPS, cuts, plan
from required_nets import DRIVER, PICO_VARIANT, SERIES

LEFT, TOP = 2.6, 8.2
WIDTH = LEFT + HOLES + 3.2
BOARD, COPPER = "#efe2c0", "#e0a878"


def at(hole: Hole) -> Point:
    return LEFT + hole[1], TOP + hole[0]


def mirrored(hole: Hole) -> Point:
    return LEFT + HOLES + 1 - hole[1], TOP + hole[0]


def _sheet(title: str, words: str, height: float) -> Canvas:
    sheet = Canvas(WIDTH, height, title)
    sheet.text((0.8, 2.0), title, 1.5, bold=True)
    sheet.rect(0.8, 2.9, WIDTH - 1.6, 4.0, CAUTION, edge="#c9a400", edge_width=0.08, round_by=0.3)
    sheet.paragraph((1.4, 4.3), words, WIDTH - 2.8, 1.05)
    return sheet


def _numbers(sheet: Canvas, place: object) -> None:
    assert callable(place)
    for strip in range(1, STRIPS + 1):
        for hole, step, anchor in ((1, 1.0, "end"), (HOLES, 1.0, "start")):
            x, y = place((strip, hole))
            outwards = -step if x < WIDTH / 2 else step
            anchor = "end" if outwards < 0 else "start"
            sheet.text((x + outwards * 0.8, y + 0.2), str(strip), 0.6, anchor=anchor, colour=FAINT)
    for hole in (1, *range(5, HOLES + 1, 5)):
        for strip, away in ((1, -1.0), (STRIPS, 1.4)):
            x, y = place((strip, hole))
            sheet.text((x, y + away), str(hole), 0.6, anchor="middle", colour=FAINT)


def _board(sheet: Canvas) -> None:
    sheet.rect(LEFT + 0.3, TOP + 0.3, HOLES + 0.4, STRIPS + 0.4, BOARD, edge=INK, edge_width=0.08)


def front() -> Canvas:
    """The side of the parts: strips shine through, cuts are crosses."""
    layout = plan()
    sheet = _sheet(
        "The box on stripboard, with a Pico: side of the parts",
        "Not a medical device, not isolated: for the bench, never where a person is wired to the "
        "receiver. First the cuts, then the steps of the page; U1 and the Pico last, "
        "after the meter. Power order: see the page.",
        TOP + STRIPS + 13.6,
    )
    _board(sheet)
    _strips(sheet, at, "#e9cfa8")
    for cut in cuts():
        _cut(sheet, at(cut), INK)
    part_of = {part.name: part for part in layout.parts}
    used = {
        int(pin): colour_of(wire)
        for pin, hole in part_of["A1"].holes.items()
        for wire in layout.wires
        if layout.board.node(wire.start) == layout.board.node(hole)
        or (not isinstance(wire.end, str)
            and layout.board.node(wire.end) == layout.board.node(hole))
    }  # fmt: skip
    component_drawings.usb_board(sheet, part_of["A1"], at, PICO_VARIANT.module, used)
    component_drawings.chip(sheet, part_of["U1"], at)
    for part in layout.parts:
        if part.kind in component_drawings.DRAWN:
            component_drawings.DRAWN[part.kind](sheet, part, at)
    _wires(sheet, layout)
    _numbers(sheet, at)
    y = TOP + STRIPS + 4.0
    for words in (
        "Lines: from each tag 'pin n' a wire goes to that pin of the D-sub 25 socket; from G one wire "
        "to its pins 18 to 25, soldered from pin to pin.",
        "Wires are insulated and go straight up and down; P8 is bare, lies on the copper side (dashed "
        "here), and is soldered at strips 22 to 29. O: outputs; B, dashed core: readback.",
        f"Parts: U1 {DRIVER} in a socket, notch down; RN3 nine pins, 8 × 10 kΩ, dot up; 8 × {component_drawings.RKM[SERIES]}, "
        "8 × 2K2, 8 × 4K7 (1 %); C1 100 nF; C2 10 µF, long leg (+) on strip 33; a Pico in two 20-way sockets.",
        f"Board: {STRIPS} strips of {HOLES} holes, at least {HOLES * 2.54:.0f} × {STRIPS * 2.54:.0f} "
        "mm.",
    ):
        y = sheet.paragraph((0.8, y), words, WIDTH - 1.6, 1.05)
    return sheet


def back() -> Canvas:
    """The copper side: what is cut and where something is soldered."""
    layout = plan()
    sheet = _sheet(
        "The box on stripboard, with a Pico: copper side, mirrored",
        f"Turn the board over sideways: hole 1 is at the right now. Cut the copper at the "
        f"{len(cuts())} crosses with a drill of 3 to 4 mm, and check each cut with a meter. Dots are "
        "solder joints.",
        TOP + STRIPS + 2.4,
    )
    _board(sheet)
    _strips(sheet, mirrored, COPPER)
    for cut in cuts():
        _cut(sheet, mirrored(cut), PAPER)
    joints = {hole for part in layout.parts for hole in part.holes.values()}
    joints |= {end for w in layout.wires for end in (w.start, w.end) if not isinstance(end, str)}
    for wire in (w for w in layout.wires if w.use == "bus" and not isinstance(w.end, str)):
        sheet.line([mirrored(wire.start), mirrored(wire.end)], colour_of(wire), WIRE)  # type: ignore[arg-type]
    for joint in joints:
        sheet.circle(mirrored(joint), 0.3, "#8d9197", INK, 0.06)
    _numbers(sheet, mirrored)
    return sheet


def _strips(sheet: Canvas, place: object, colour: str) -> None:
    assert callable(place)
    for strip in range(1, STRIPS + 1):
        (x0, y), (x1, _) = sorted((place((strip, 1)), place((strip, HOLES))))
        sheet.rect(x0 - 0.4, y - 0.34, x1 - x0 + 0.8, 0.68, colour)
        for hole in range(1, HOLES + 1):
            sheet.circle(place((strip, hole)), 0.13, "#8a6a3a")
        if strip in (PLUS, GROUND_STRIP):
            tag = "+5 V" if strip == PLUS else "GND"
            x, y = place((strip, 48))
            sheet.tag((x, y), tag, SUPPLY if strip == PLUS else GROUND, 0.7)


def _cut(sheet: Canvas, at_point: Point, colour: str) -> None:
    x, y = at_point
    sheet.circle((x, y), 0.42, BOARD if colour == INK else "#5b4a2c")
    for sign in (1, -1):
        sheet.line([(x - 0.3, y - 0.3 * sign), (x + 0.3, y + 0.3 * sign)], colour, 0.14)


def _wires(sheet: Canvas, layout: Layout) -> None:
    ground_drawn = False
    for wire in layout.wires:
        start, colour = at(wire.start), colour_of(wire)
        if isinstance(wire.end, str):
            if wire.line is not None:
                sheet.circle(start, 0.22, colour)
                sheet.tag(start, f"pin {wire.end}", colour, 0.5)
            elif not ground_drawn:
                ground_drawn = True
                sheet.line([start, (start[0], start[1] + 1.6)], colour, WIRE)
                sheet.circle(start, 0.22, colour, PAPER, 0.05)
                sheet.tag((start[0], start[1] + 1.7), wire.name, colour, TAG)
            continue
        end = at(wire.end)
        if wire.use == "bus":  # on the other side
            sheet.line([start, end], colour, WIRE, dash="0.3 0.25")
        else:
            sheet.line([start, end], colour, WIRE, casing=CASING)
        if wire.use == "readback":
            sheet.line([start, end], PAPER, 0.07, dash="0.5 0.4")
        for point in (start, end):
            sheet.circle(point, 0.22, colour, PAPER, 0.05)
    named = set()
    for wire in layout.wires:
        if isinstance(wire.end, str) or wire.name in named:
            continue
        named.add(wire.name)
        (x, y0), (_, y1) = at(wire.start), at(wire.end)
        words = wire.name
        drop = 0.0 if wire.line is None else (0.45 if wire.line % 2 else -0.45)
        sheet.tag((x, (y0 + y1) / 2 + drop), words, colour_of(wire), TAG)
