"""Which line is where: read from the firmware's pins.h, from the project's D-sub order, and from
Markdown tables.
"""

from __future__ import annotations

import re
from pathlib import Path

from kicad import ROOT

LINES = range(8)
DSUB_OF_LINE = {line: str(2 + line) for line in LINES}  # the order of a parallel port, IEEE 1284
DSUB_GROUNDS = [str(pin) for pin in range(18, 26)]
DSUB_UNUSED = ["1", *map(str, range(10, 18))]


def _defines(path: Path) -> dict[str, int]:
    found = re.findall(r"^#define\s+(\w+)\s+(\w+)", path.read_text(), re.MULTILINE)
    return {name: int(value, 0) for name, value in found}


def pico_pins(path: Path = ROOT / "firmware/boards/pico/pins.h") -> dict[str, str]:
    """Names of the Pico's pins by their use: OUT0..7 and BACK0..7."""
    pin = _defines(path)
    uses = {f"OUT{line}": f"GP{pin['PIN_OUT_FIRST'] + line}" for line in LINES}
    return uses | {f"BACK{line}": f"GP{pin['PIN_BACK_FIRST'] + line}" for line in LINES}


def nano_pins(path: Path = ROOT / "firmware/boards/nano/pins.h") -> dict[str, str]:
    """Names of the Nano's pins by their use: OUT0..7, BACK0..7 and BYTE."""
    pin = _defines(path)
    uses: dict[str, str] = {}

    def add(prefix: str, mask: int, first: int, name: str, offset: int) -> None:
        for bit in LINES:
            if mask >> bit & 1:
                uses[f"{prefix}{bit + first}"] = f"{name}{bit + offset}"

    # Port D is D0..D7, port B is D8..D13, port C is A0..A5.
    add("OUT", pin["PIN_OUT_D_MASK"], -pin["PIN_OUT_D_SHIFT"], "D", 0)
    add("OUT", pin["PIN_OUT_B_MASK"], pin["PIN_OUT_B_SHIFT"], "D", 8)
    add("BACK", pin["PIN_BACK_C_MASK"], 0, "A", 0)
    add("BACK", pin["PIN_BACK_B_MASK"], pin["PIN_BACK_B_SHIFT"], "D", 8)
    uses["BYTE"] = f"D{pin['PIN_BYTE_JUMPER'] + 8}"
    return uses


def markdown_tables(path: Path) -> list[list[list[str]]]:
    """All tables of a Markdown file as rows of cells, the header first and without the rule below
    it.
    """
    tables: list[list[list[str]]] = [[]]
    for line in path.read_text().splitlines():
        if line.startswith("|"):
            cells = [cell.strip().strip("`*") for cell in line.strip().strip("|").split("|")]
            if not all(set(cell) <= set("-: ") for cell in cells):
                tables[-1].append(cells)
        elif tables[-1]:
            tables.append([])
    return [table for table in tables if len(table) > 1]


def table_errors(table: list[list[str]]) -> list[str] | None:
    """Cells of a table of lines that contradict the firmware or the D-sub order; None for any other
    table.
    """
    header = [cell.lower() for cell in table[0]]
    if header[0] != "line":
        return None
    truth: dict[int, dict[int, str]] = {}
    for column, name in enumerate(header):
        board = pico_pins() if "pico" in name else nano_pins() if "nano" in name else None
        if board:
            prefix = "BACK" if "readback" in name else "OUT"
            truth[column] = {line: board[f"{prefix}{line}"] for line in LINES}
        elif name in ("d-sub pin", "pin of the box"):
            truth[column] = DSUB_OF_LINE
    if not truth:
        return None
    errors = []
    for row in table[1:]:
        if row[0].isdigit():
            line = int(row[0])
            errors += [
                f"line {line}, {header[column]}: {row[column]} instead of {right[line]}"
                for column, right in truth.items()
                if row[column] != right[line]
            ]
    if [row[0] for row in table[1:] if row[0].isdigit()] != [str(line) for line in LINES]:
        errors.append("the table does not list lines 0 to 7 once each, in order")
    return errors
