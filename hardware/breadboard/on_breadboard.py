"""The circuit on a solderless breadboard of 63 rows, for either USB board.

Rows count from the top, where the USB plug comes in. Columns a to e are joined in each row, and so
are f to j. The four supply rails are taken as broken half-way, as many boards have it, and bridged.
"""

from __future__ import annotations

from collections.abc import Hashable

from layout import Hole, Layout, Part, Wire
from pins import DSUB_GROUNDS, DSUB_OF_LINE, LINES
from required_nets import DRIVER, DRIVER_OUTPUT, PULL_DOWN, SERIES, Variant

ROWS = 63
COLUMNS = {**dict(enumerate("abcde")), **dict(enumerate("fghij", 7))}
RAILS = {-4: "left +", -3: "left −", 16: "right −", 17: "right +"}
BREAK = 31.5  # rails end here and begin again
A, B, C, D, E, F, G, H, I, J = COLUMNS  # noqa: E741 - the names on the board
LEFT_PLUS, LEFT_MINUS, RIGHT_MINUS, RIGHT_PLUS = RAILS

DRIVER_ROW = 24  # of pin 1 and pin 20
DIVIDER_ROW = 36  # of line 0; each line takes two rows


class Breadboard:
    """What the holes of a breadboard are joined to."""

    def node(self, hole: Hole) -> Hashable:
        row, column = hole
        if not 1 <= row <= ROWS:
            raise ValueError(f"there is no row {row}")
        if column in RAILS:
            return column, row < BREAK
        if column not in COLUMNS:
            raise ValueError(f"there is no column {column}")
        return column <= E, row, "row"

    def name(self, hole: Hole) -> str:
        row, column = hole
        return f"{RAILS[column]} rail, row {row}" if column in RAILS else f"{COLUMNS[column]}{row}"


def line_row(line: int) -> int:
    """Row of a line's own node; its readback node is one row below."""
    return DIVIDER_ROW + 2 * line


def module_columns(variant: Variant) -> tuple[int, int]:
    """Columns of both rows of pins: as far apart as on the USB board."""
    pitches = round(variant.module.between_rows_mm / 2.54)
    return C, C + pitches


def module_hole(variant: Variant, pin: int) -> Hole:
    side, row = variant.module.usb_up(pin)
    return row, module_columns(variant)[side]


def free_hole(variant: Variant, pin: int) -> Hole:
    """The outermost hole of the row of a pin of the USB board."""
    side, row = variant.module.usb_up(pin)
    return row, (A, J)[side]


def driver_hole(pin: int) -> Hole:
    return (DRIVER_ROW + pin - 1, E) if pin <= 10 else (DRIVER_ROW + 20 - pin, F)


def plan(variant: Variant) -> Layout:
    """Parts and wires for a USB board."""
    module = variant.module
    parts = [
        Part(
            "A1", module.name, "module",
            {str(p): module_hole(variant, p) for p in range(1, 2 * module.rows + 1)},
        ),
        Part("U1", DRIVER, "chip", {str(p): driver_hole(p) for p in range(1, 21)}),
        Part("RN3", PULL_DOWN, "sip", {str(p): (DRIVER_ROW + p - 1, B) for p in range(1, 10)}),
        Part("C1", "100 nF", "disc", {"1": (DRIVER_ROW, H), "2": (DRIVER_ROW + 1, H)}),
        Part("C2", "10 µF", "radial", {"1": (27, RIGHT_PLUS), "2": (27, RIGHT_MINUS)}),
    ]  # fmt: skip
    wires = _power(variant)
    for line in LINES:
        row = line_row(line)
        parts += [
            Part(f"R1{line}", SERIES, "resistor", {"1": (row, G), "2": (row, D)}),
            Part(f"R2{line}", variant.upper, "upright", {"1": (row, B), "2": (row + 1, B)}),
        ]
        if variant.lower:
            holes = {"1": (row + 1, A), "2": (row + 1, LEFT_MINUS)}
            parts.append(Part(f"R3{line}", variant.lower, "resistor", holes))
        out = free_hole(variant, int(variant.pin(f"OUT{line}")))
        back = free_hole(variant, int(variant.pin(f"BACK{line}")))
        driven = driver_hole(int(DRIVER_OUTPUT[line]))[0]
        wires += [
            Wire(f"O{line}", "output", out, (DRIVER_ROW + 1 + line, A), line),
            Wire(f"D{line}", "driver", (driven, J), (row, J), line),
            Wire(f"L{line}", "line", (row, A), DSUB_OF_LINE[line], line),
            Wire(f"B{line}", "readback", (row + 1, C), back, line),
        ]
    return Layout(Breadboard(), parts, wires)


def _power(variant: Variant) -> list[Wire]:
    module = variant.module
    supply = free_hole(variant, module.pin(module.supply))
    wires = [_to_rail("P1", supply, (LEFT_PLUS, RIGHT_PLUS), supply=True)]
    grounds = [free_hole(variant, pin) for pin in module.grounds]
    wires += [
        _to_rail(f"P{number}", hole, (LEFT_MINUS, RIGHT_MINUS))
        for number, hole in enumerate(grounds, 2)
    ]
    ends: list[tuple[Hole, Hole, bool]] = [
        ((DRIVER_ROW, J), (DRIVER_ROW, RIGHT_PLUS), True),  # pin 20
        ((DRIVER_ROW + 1, J), (DRIVER_ROW + 1, RIGHT_MINUS), False),  # pin 19
        ((DRIVER_ROW, A), (DRIVER_ROW, LEFT_MINUS), False),  # pin 1, and the common pin of RN3
        ((DRIVER_ROW + 9, A), (DRIVER_ROW + 9, LEFT_MINUS), False),  # pin 10
        *_rail_bridges(LEFT_MINUS, RIGHT_MINUS, 55),
    ]
    if supply[1] <= E:  # the supply comes in on the left, U1 takes it on the right
        ends += _rail_bridges(LEFT_PLUS, RIGHT_PLUS, 54)
    wires += [
        Wire(f"P{number}", "supply", start, end, supply=plus)
        for number, (start, end, plus) in enumerate(ends, len(wires) + 1)
    ]
    wires += [  # one wire, soldered from pin to pin
        Wire("G", "ground", (56, RIGHT_MINUS), pin) for pin in DSUB_GROUNDS
    ]
    return wires


def _rail_bridges(left: int, right: int, row: int) -> list[tuple[Hole, Hole, bool]]:
    """Over the break of both rails of one sign, and from the left one to the right one."""
    pairs = [((29, left), (35, left)), ((29, right), (35, right)), ((row, left), (row, right))]
    return [(start, end, left == LEFT_PLUS) for start, end in pairs]


def _to_rail(name: str, hole: Hole, rails: tuple[int, int], supply: bool = False) -> Wire:
    return Wire(name, "supply", hole, (hole[0], rails[int(hole[1] > E)]), supply=supply)
