"""Draw the circuit on a breadboard for classes: the Pico, the driver, the resistors, a D-sub
breakout.

The wires are listed as (from, to) holes and named pins, and each one is checked against the
netlist of the board.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from html import escape
from pathlib import Path

from kicad import HARDWARE
from pins import DSUB_OF_LINE, LINES, pico_pins

PITCH = 16.0
LEFT, TOP = 40.0, 186.0
RED, BLUE = "#d62728", "#1f77b4"  # of the supply, as on most breadboards
# None of them red or blue, nor black, which people take for ground.
COLOURS = ("#7f7f7f", "#8b5a2b", "#f06fb4", "#ff7f0e", "#c9a400", "#2ca02c", "#12b5c9", "#8e44ad")
# Where the supply rails lie, in pitches below TOP: outside the lanes of the lines, so that no line
# seems to run along a rail.
UPPER_5V, UPPER_GND, LOWER_5V, LOWER_GND = -2.0, -1.1, 15.4, 16.3
ROW_Y = {
    "upper": 5.0,
    "lower": 8.0,
}  # where the legs of a chip stand, in pitches below TOP


@dataclass(frozen=True)
class Chip:
    """A dual in-line part; pin 1 is at the lower left, as the notch is on the left."""

    name: str
    label: str
    column: int
    pins: int

    def place(self, pin: int) -> tuple[float, float]:
        half = self.pins // 2
        column = self.column + (pin - 1 if pin <= half else self.pins - pin)
        row = "lower" if pin <= half else "upper"
        return LEFT + column * PITCH, TOP + ROW_Y[row] * PITCH


PICO = Chip("A1", "Pico (USB to the left)", 1, 40)
DRIVER = Chip("U1", "74ACT541", 24, 20)
SERIES = Chip("RN1", "8 × 270 Ω", 37, 16)
CHIPS = (PICO, DRIVER, SERIES)
PICO_PIN = {f"GP{n}": p for n, p in enumerate((1, 2, 4, 5, 6, 7, 9, 10))}
COLUMNS = 63
MIDDLE = 'text-anchor="middle"'
DSUB = (LEFT + 48.5 * PITCH, TOP + 3.2 * PITCH)


def terminal(pin: int) -> tuple[float, float]:
    """A screw terminal of the D-sub breakout: the lines in a row, the ground beside them."""
    x, y = DSUB
    return (x + 0.9 * PITCH + (pin - 2) * 1.3 * PITCH, y + 1.5 * PITCH)


def wires() -> list[tuple[int, str, str, list[tuple[float, float]]]]:
    """Line, from, to, and the corners of each wire. A wire leaves a hole, runs in its own lane, and
    comes down.
    """
    found = []
    for line in LINES:
        gp = pico_pins()[f"OUT{line}"]
        start, end = PICO.place(PICO_PIN[gp]), DRIVER.place(2 + line)
        start, end = (start[0], start[1] + PITCH), (end[0], end[1] + PITCH)
        lane = TOP + (10.6 + 0.55 * (7 - line)) * PITCH
        found.append((line, f"Pico {gp}", f"U1 pin {2 + line}", _lane(start, end, lane)))
        start, end = DRIVER.place(18 - line), SERIES.place(16 - line)
        start, end = (start[0], start[1] - PITCH), (end[0], end[1] - PITCH)
        lane = TOP + (3.2 - 0.5 * (7 - line)) * PITCH
        found.append((line, f"U1 pin {18 - line}", f"RN1 pin {16 - line}", _lane(start, end, lane)))
        start, end = SERIES.place(1 + line), terminal(int(DSUB_OF_LINE[line]))
        start = (start[0], start[1] + PITCH)
        lane = TOP + (10.6 + 0.55 * line) * PITCH
        name = f"D-sub pin {DSUB_OF_LINE[line]}"
        found.append((line, f"RN1 pin {1 + line}", name, _lane(start, end, lane)))
    return found


def _lane(
    start: tuple[float, float], end: tuple[float, float], lane: float
) -> list[tuple[float, float]]:
    return [start, (start[0], lane), (end[0], lane), end]


def _text(x: float, y: float, words: str, size: float = 11, extra: str = "") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" {extra}>{escape(words)}</text>'


def _board() -> list[str]:
    width = (COLUMNS + 1) * PITCH
    out = [
        f'<rect x="{LEFT - 4}" y="{TOP - 2.6 * PITCH}" width="{width}" height="{PITCH * 19.5}" '
        'rx="6" fill="#f4f1ea" stroke="#b8b2a6"/>'
    ]
    for y, colour, name in (
        (UPPER_5V, RED, "+5 V"),
        (UPPER_GND, BLUE, "GND"),
        (LOWER_5V, RED, "+5 V"),
        (LOWER_GND, BLUE, "GND"),
    ):
        at = TOP + y * PITCH
        out.append(
            f'<line x1="{LEFT}" x2="{LEFT + width - 8}" y1="{at}" y2="{at}" stroke="{colour}"/>'
        )
        out.append(_text(LEFT - 8, at + 4, name, 10, f'text-anchor="end" fill="{colour}"'))
    for column in range(1, COLUMNS):
        for row in (2.4, 3.4, 4.0, 5.0, 8.0, 9.0, 9.6, 10.2):
            x, y = LEFT + column * PITCH, TOP + row * PITCH
            out.append(f'<circle cx="{x}" cy="{y}" r="1.6" fill="#a8a297"/>')
    return out


def _chip(chip: Chip) -> list[str]:
    half = chip.pins // 2
    x0, y0 = chip.place(half + half)[0] - 7, TOP + ROW_Y["upper"] * PITCH
    height = (ROW_Y["lower"] - ROW_Y["upper"]) * PITCH
    width = (half - 1) * PITCH + 14
    out = [
        f'<rect x="{x0}" y="{y0 + 4}" width="{width}" height="{height - 8}" rx="3" '
        f'fill="{"#2f6b4f" if chip is PICO else "#3a3a3a"}"/>',
        f'<circle cx="{x0 + 5}" cy="{y0 + height / 2}" r="4" fill="#f4f1ea"/>',
        _text(x0 + width / 2, y0 + height / 2 + 5, f"{chip.name}  {chip.label}", 13,
              'text-anchor="middle" fill="white"'),
    ]  # fmt: skip
    for pin in range(1, chip.pins + 1):
        x, y = chip.place(pin)
        out.append(f'<rect x="{x - 2}" y="{y - 4}" width="4" height="8" fill="#c9c9c9"/>')
        number = y + (-9 if pin <= half else 16)
        out.append(_text(x, number, str(pin), 7, 'text-anchor="middle" fill="#dddddd"'))
    return out


def _breakout() -> list[str]:
    """The D-sub breakout with its terminals, and its ground."""
    x, y = DSUB
    width = 13.4 * PITCH
    out = [
        f'<rect x="{x}" y="{y - 1.2 * PITCH}" width="{width}" height="{3.6 * PITCH}" rx="4" '
        'fill="#dfe6ee" stroke="#5b6b7b"/>',
        _text(x + width / 2, y - 0.3 * PITCH, "D-sub 25 socket on a breakout", 12, MIDDLE),
    ]
    for pin in (*map(int, DSUB_OF_LINE.values()), 10):
        tx, ty = terminal(pin)
        out.append(f'<circle cx="{tx}" cy="{ty}" r="5" fill="#8fa3b5" stroke="#5b6b7b"/>')
        out.append(_text(tx, ty - 9, str(pin) if pin < 10 else "18-25", 9, MIDDLE))
    tx, ty = terminal(10)
    out.append(_short(tx, ty, LOWER_GND, BLUE))
    return out


def _short(x: float, y: float, rail: float, colour: str) -> str:
    return (
        f'<path d="M{x:.1f} {y:.1f} V{TOP + rail * PITCH:.1f}" stroke="{colour}" stroke-width="3" '
        'fill="none" stroke-linecap="round"/>'
    )


def draw() -> str:
    """The drawing as SVG text."""
    width, height = LEFT + (COLUMNS + 2) * PITCH, TOP + PITCH * 18
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" '
        'font-family="DejaVu Sans, sans-serif">',
        '<rect width="100%" height="100%" fill="white"/>',
        _text(LEFT, 34, "The box on a breadboard: Pico, driver, series resistors, D-sub", 20),
    ]
    notes = (
        "One colour a line, 0 to 7. Put 100 nF from pin 20 to pin 10 of U1. "
        "Pull the USB cable while you wire.",
        "Not in this drawing, but on the board: pull-downs, static clamps, readback. For the "
        "self-test join GP8 to GP15",
        "to the lower legs of RN1 through a divider of 1 kΩ and 2 kΩ each: the lines are 5 V, "
        "the Pico's inputs stand 3.3 V.",
        "Not isolated, not a medical device: for the bench, "
        "never with a person wired to the receiver.",
    )
    out += [_text(LEFT, 58 + 19 * k, note, 13) for k, note in enumerate(notes)]
    out += _board()
    for chip in CHIPS:
        out += _chip(chip)
    out.append(_short(PICO.place(40)[0], PICO.place(40)[1] - PITCH, UPPER_5V, RED))
    out.append(_short(PICO.place(38)[0], PICO.place(38)[1] - PITCH, UPPER_GND, BLUE))
    out.append(_short(DRIVER.place(20)[0], DRIVER.place(20)[1] - PITCH, UPPER_5V, RED))
    out.append(_short(DRIVER.place(19)[0], DRIVER.place(19)[1] - PITCH, UPPER_GND, BLUE))
    end = LEFT + 62.6 * PITCH  # joins the ground rails
    out.append(_short(end, TOP + UPPER_GND * PITCH, LOWER_GND, BLUE))
    for pin in (1, 10):
        out.append(_short(DRIVER.place(pin)[0], DRIVER.place(pin)[1] + PITCH, LOWER_GND, BLUE))
    for line, _, _, corners in wires():
        path = "M" + " L".join(f"{x:.1f} {y:.1f}" for x, y in corners)
        style = 'fill="none" stroke-linejoin="round" stroke-linecap="round"'
        out.append(f'<path d="{path}" stroke="white" stroke-width="5" {style}/>')
        out.append(f'<path d="{path}" stroke="{COLOURS[line]}" stroke-width="3" {style}/>')
    out += _breakout()
    out.append("</svg>")
    return "\n".join(out) + "\n"


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else HARDWARE / "breadboard.svg"
    target.write_text(draw())
