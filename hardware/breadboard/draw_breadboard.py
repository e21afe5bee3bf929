"""The breadboard as a drawing: one unit is one pitch, holes are where they are on the board."""

from __future__ import annotations

from dataclasses import dataclass

import component_drawings
from canvas import (
    CAUTION,
    FAINT,
    GROUND,
    INK,
    LINE_COLOURS,
    PANEL,
    PAPER,
    SUPPLY,
    Canvas,
    Point,
    on,
)  # fmt: skip
from layout import Hole, Layout, Wire
from on_breadboard import (
    BREAK,
    COLUMNS,
    LEFT_PLUS,
    RAILS,
    RIGHT_MINUS,
    RIGHT_PLUS,
    ROWS,
    E,
    plan,
)  # fmt: skip
from pins import DSUB_GROUNDS
from required_nets import DRIVER, SERIES, Variant

LEFT, TOP = 11.9, 8.8  # of column a and row 1
WIDTH, HEIGHT = 30.2, 90.4
SHOWN = 57  # rows; the lower ones are empty
LANE = 0.38
TAG = 0.55
WIRE, CASING = 0.23, 0.05


def at(hole: Hole) -> Point:
    return LEFT + hole[1], TOP + hole[0] - 1


def dsub_at(pin: int) -> Point:
    """A contact of the socket, seen from the side where the wires are soldered."""
    column, row = (pin - 1, 0) if pin <= 13 else (pin - 14 + 0.5, 1)
    return 3.2 + 2.0 * column, TOP + SHOWN + 6.0 + 2.3 * row


def colour_of(wire: Wire) -> str:
    if wire.line is not None:
        return LINE_COLOURS[wire.line]
    return SUPPLY if wire.supply else GROUND


def _board(sheet: Canvas) -> None:
    x0, y0 = at((1, LEFT_PLUS))
    x1, y1 = at((SHOWN, RIGHT_PLUS))
    sheet.rect(
        x0 - 0.7, y0 - 1.7, x1 - x0 + 1.4, y1 - y0 + 3.1, PANEL, edge="#b4ad9c", edge_width=0.08,
        round_by=0.3,
    )  # fmt: skip
    for column, name in RAILS.items():
        colour = SUPPLY if "+" in name else GROUND
        for first, last in ((1, int(BREAK)), (int(BREAK) + 1, SHOWN)):
            beside = -0.42 if column == LEFT_PLUS else 0.42
            (x, top), (_, bottom) = at((first, column)), at((last, column))
            sheet.line([(x + beside, top - 0.2), (x + beside, bottom + 0.2)], colour, 0.09)
        for end in (0.1, SHOWN + 1.2):
            sheet.text(
                (LEFT + column, TOP + end - 0.9), name[-1], 0.8, anchor="middle", bold=True,
                colour=colour,
            )  # fmt: skip
        for row in range(1, SHOWN + 1):
            sheet.circle(at((row, column)), 0.13, "#b4ad9c")
    for column in COLUMNS:
        for row in range(1, SHOWN + 1):
            sheet.circle(at((row, column)), 0.13, "#b4ad9c")
    (x, top), (_, bottom) = at((1, E)), at((SHOWN, E))
    sheet.rect(x + 1.1, top - 0.6, 0.8, bottom - top + 1.2, "#e4dfd2")


def _row_numbers(sheet: Canvas) -> None:
    """Beside columns a and j, every one of them; a wire that runs along a row passes behind it."""
    for row in range(1, SHOWN + 1):
        y = TOP + row - 1
        for x, anchor in ((LEFT - 0.45, "end"), (LEFT + 11.45, "start")):
            sheet.text((x, y + 0.16), str(row), 0.45, anchor=anchor, colour=INK, behind=PANEL)


def _column_letters(sheet: Canvas) -> None:
    """Above and below the holes, and again where no part hides them."""
    for y in (TOP - 1.0, TOP + 33.72, TOP + SHOWN + 0.15):
        for column, name in COLUMNS.items():
            sheet.text((LEFT + column, y), name, 0.55, anchor="middle", colour=INK)
    words = f"rows {SHOWN + 1} to {ROWS}: empty, not drawn"
    sheet.text((LEFT + 5.5, TOP + SHOWN + 0.95), words, 0.55, anchor="middle", colour=FAINT)


@dataclass(frozen=True)
class Run:
    """The way of a wire, in level and upright pieces, and where the number of its line stands."""

    wire: Wire
    points: list[Point]
    tags: tuple[Point, ...]

    def pieces(self, level: bool) -> list[tuple[Point, Point]]:
        pairs = zip(self.points, self.points[1:], strict=False)
        return [(a, b) for a, b in pairs if (a[1] == b[1]) == level]


def _draw_runs(sheet: Canvas, runs: list[Run]) -> None:
    """Upright pieces below level ones, so that each crossing shows which wire goes on."""
    for level in (False, True):
        for run in runs:
            colour = colour_of(run.wire)
            for (x0, y0), (x1, y1) in run.pieces(level):
                if level:  # the white border ends before the corners
                    x, end = min(x0, x1) + 0.2, max(x0, x1) - 0.2
                    sheet.rect(x, y0 - WIRE / 2 - CASING, end - x, WIRE + 2 * CASING, PAPER)
                    sheet.line([(x0, y0), (x1, y1)], colour, WIRE)
                else:
                    sheet.line([(x0, y0), (x1, y1)], colour, WIRE, casing=CASING)
                if run.wire.use == "readback":
                    sheet.line([(x0, y0), (x1, y1)], PAPER, 0.07, dash="0.5 0.4")
    for run in runs:
        colour = colour_of(run.wire)
        for end in (run.points[0], run.points[-1]):
            sheet.circle(end, 0.22, colour, PAPER, 0.05)
        for tag in run.tags:
            sheet.tag(tag, run.wire.name, colour, TAG)


def _lane(number: int, outer: bool) -> float:
    """A vertical lane to the left of the rails; 0 is the outermost of its group."""
    return LEFT + LEFT_PLUS - 1.9 - LANE * (7 - number) - (8 * LANE if outer else 0)


TAG_LEFT, TAG_RIGHT = LEFT + LEFT_PLUS - 1.2, LEFT + 12.6
CROSSING = TOP + 16.1  # where wires change sides, between the USB board and the driver


def _right_lane(number: int) -> float:
    """A vertical lane between the right half and its rails; 0 is the innermost of ten."""
    return LEFT + 13.15 + 0.26 * number


def _way_out(wire: Wire, hole: Hole) -> list[Point]:
    """From a hole to the wire's lane on the left: straight, or over from the right half."""
    assert wire.line is not None
    x, y = at(hole)
    out = y + 0.5
    lane = _lane(wire.line, wire.use == "readback")
    if hole[1] <= E:
        return [(x, y), (x, out), (lane, out)]
    number = wire.line + (2 if wire.use == "readback" else 0)
    right, cross = _right_lane(number), CROSSING + 0.6 * number
    return [(x, y), (x, out), (right, out), (right, cross), (lane, cross)]


def _signals(layout: Layout) -> list[Run]:
    """The wires of the lines. On the left they run beside the board, on the right between the holes
    and the rails.
    """
    runs = []
    for wire in layout.wires:
        if wire.line is None:
            continue
        n = wire.line
        start = at(wire.start)
        if isinstance(wire.end, str):
            x, y = dsub_at(int(wire.end))
            turn = TOP + SHOWN + 4.3 - 0.36 * n
            lane, out = _lane(n, False), start[1] + 0.25
            points = [start, (start[0], out), (lane, out), (lane, turn), (x, turn), (x, y)]
            runs.append(Run(wire, points, ((TAG_LEFT, out),)))
        elif wire.use == "driver":
            end, lane = at(wire.end), _right_lane(7 - n)
            y0, y1 = start[1] + 0.5, end[1] + 0.5
            points = [start, (start[0], y0), (lane, y0), (lane, y1), (end[0], y1), end]
            runs.append(Run(wire, points, ((TAG_RIGHT, y0), (TAG_RIGHT, y1))))
        else:
            ways = _way_out(wire, wire.start), _way_out(wire, wire.end)
            tags = tuple(
                (TAG_LEFT if hole[1] <= E else TAG_RIGHT, way[1][1])
                for hole, way in zip((wire.start, wire.end), ways, strict=True)
            )
            runs.append(Run(wire, [*ways[0], *reversed(ways[1])], tags))
    return runs


def _supply(sheet: Canvas, layout: Layout) -> None:
    for wire in layout.wires:
        if wire.line is not None or isinstance(wire.end, str):
            continue
        start, end, colour = at(wire.start), at(wire.end), colour_of(wire)
        points, tag = [start, end], (LEFT - 1.9 if end[0] < LEFT else LEFT + 14.3, start[1])
        if start[0] == end[0]:  # a bridge over the break of a rail
            # on a − rail beside the holes, since another wire ends between its ends
            x = start[0] - (0.0 if wire.supply else 0.45)
            points = [start, (x, start[1] + 0.6), (x, end[1] - 0.6), end]
            asides = {LEFT_PLUS: -0.15, RIGHT_PLUS: 0.15, RIGHT_MINUS: 0.5}
            aside = asides.get(wire.start[1], 0.0)
            tag = x + aside, end[1] - (0.5 if wire.supply else 1.35)
        elif end[0] - start[0] > 12:
            tag = LEFT + 5.5, start[1]
        sheet.line(points, colour, WIRE, casing=CASING)
        for point in (start, end):
            sheet.circle(point, 0.21, colour, PAPER, 0.05)
        sheet.tag(tag, wire.name, colour, TAG)


def _dsub(sheet: Canvas, layout: Layout) -> None:
    """The socket from behind, and the wire that joins its grounds to the rail."""
    (x0, y), (x1, _) = dsub_at(1), dsub_at(13)
    sheet.polygon(
        [(x0 - 1.9, y - 1.2), (x1 + 1.9, y - 1.2), (x1 + 1.0, y + 3.5), (x0 - 1.0, y + 3.5)],
        "#e2e6ea", INK, 0.1,
    )  # fmt: skip
    used = {wire.end: wire for wire in layout.wires if isinstance(wire.end, str)}
    ground = next(wire for wire in used.values() if wire.line is None)
    first, last = (dsub_at(int(pin)) for pin in (DSUB_GROUNDS[0], DSUB_GROUNDS[-1]))
    hole = at(ground.start)
    side = last[0] + 3.2
    points = [hole, (side, hole[1]), (side, last[1]), first]
    sheet.line(points, GROUND, WIRE, casing=CASING)
    sheet.circle(hole, 0.21, GROUND, PAPER, 0.05)
    sheet.tag((side, TOP + SHOWN + 2.5), ground.name, GROUND, TAG)
    for pin in range(1, 26):
        wire = used.get(str(pin))
        colour = colour_of(wire) if wire else PAPER
        sheet.circle(dsub_at(pin), 0.62, colour, INK, 0.08)


def _dsub_numbers(sheet: Canvas, layout: Layout) -> None:
    used = {wire.end: wire for wire in layout.wires if isinstance(wire.end, str)}
    for pin in range(1, 26):
        x, y = dsub_at(pin)
        wire = used.get(str(pin))
        sheet.circle((x, y), 0.62, colour_of(wire) if wire else PAPER, INK, 0.08)
        colour = on(colour_of(wire)) if wire else INK
        sheet.text((x, y + 0.23), str(pin), 0.62, anchor="middle", bold=bool(wire), colour=colour)
    x, y = dsub_at(14)
    sheet.text((x - 1.2, y + 2.5), "D-sub 25 socket, seen from behind, where you solder", 0.8)


def draw(variant: Variant) -> Canvas:
    """The drawing for a USB board."""
    layout = plan(variant)
    module = variant.module
    sheet = Canvas(WIDTH, HEIGHT, f"The box on a breadboard, with a {module.name}")
    sheet.text((0.6, 1.5), f"The box on a breadboard: {module.name}", 1.2, bold=True)
    sheet.rect(0.6, 2.1, WIDTH - 1.2, 3.5, CAUTION, edge="#c9a400", edge_width=0.08, round_by=0.3)
    sheet.paragraph(
        (1.1, 3.1),
        "Not a medical device, not isolated: for the bench, never where a person is wired to the "
        "receiver. USB plug out while you wire. U1 and the USB board come last, after the meter. "
        "Power order: see the page.",
        WIDTH - 2.2, 0.78, leading=1.25,
    )  # fmt: skip
    _board(sheet)
    part_of = {part.name: part for part in layout.parts}
    component_drawings.usb_board(sheet, part_of["A1"], at, module, _pins_in_use(layout))
    component_drawings.chip(sheet, part_of["U1"], at)
    _supply(sheet, layout)
    for part in layout.parts:
        if part.kind in component_drawings.DRAWN:
            component_drawings.DRAWN[part.kind](sheet, part, at)
    _dsub(sheet, layout)
    runs = _signals(layout)
    _draw_runs(sheet, runs)
    _row_numbers(sheet)
    _column_letters(sheet)
    _dsub_numbers(sheet, layout)
    _legend(sheet, variant)
    return sheet


def _pins_in_use(layout: Layout) -> dict[int, str]:
    """Colours of the wires at the pins of the USB board."""
    colours = {
        layout.board.node(end): colour_of(wire)
        for wire in layout.wires
        for end in (wire.start, wire.end)
        if not isinstance(end, str)
    }
    nodes = {int(pin): layout.board.node(hole) for pin, hole in layout.parts[0].holes.items()}
    return {pin: colours[node] for pin, node in nodes.items() if node in colours}


def _legend(sheet: Canvas, variant: Variant) -> None:
    """What the marks mean, and the parts."""
    y = TOP + SHOWN + 13.2
    line = LINE_COLOURS[2]
    kinds = (
        ("O2", "from an output of the USB board to the driver U1"),
        ("D2", "from the driver to the resistor of line 2"),
        ("L2", "from line 2 to its pin of the D-sub"),
        ("B2", "dashed core: readback of line 2 to the USB board"),
    )
    for name, meaning in kinds:
        sheet.line([(0.8, y - 0.25), (3.4, y - 0.25)], line, 0.24)
        if name == "B2":
            sheet.line([(0.8, y - 0.25), (3.4, y - 0.25)], PAPER, 0.07, dash="0.5 0.4")
        sheet.tag((2.1, y - 0.25), name, line, TAG)
        sheet.text((3.9, y), meaning, 0.78)
        y += 1.15
    for x, colour, name in ((1.0, SUPPLY, "P"), (2.1, GROUND, "P"), (3.2, GROUND, "G")):
        sheet.tag((x, y - 0.25), name, colour, TAG)
    sheet.text((3.9, y), "supply +5 V; ground; ground to the D-sub", 0.78)
    y += 1.15
    sheet.rect(0.9, y - 0.6, 0.6, 0.6, PAPER, edge=INK, edge_width=0.06)
    sheet.text((1.8, y), "pin 1", 0.78)
    sheet.text((4.9, y), "Go by the signs of the rails, not by their side.", 0.78)
    y += 1.4
    upper = f"{component_drawings.RKM[variant.upper]} upright"
    lower = f", 8 × {component_drawings.RKM[variant.lower]}" if variant.lower else ""
    words = (
        f"Parts: U1 {DRIVER}, notch up; RN3 nine pins, dot up; 8 × {component_drawings.RKM[SERIES]}, 8 × {upper}{lower} "
        "(the letter stands for the decimal point; 1 %); C1 100 nF; C2 10 µF, long leg to the + rail, stripe "
        "to the − rail. Not here, but on the board: static clamps, LEDs, power-off protection."
    )
    sheet.paragraph((0.8, y), words, WIDTH - 1.6, 0.78)
