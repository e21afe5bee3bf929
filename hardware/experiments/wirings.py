"""The wiring picture of each experiment: what is joined to what.

Usage: python wirings.py [<folder>]
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

sys.path.append(str(Path(__file__).resolve().parents[1] / "drawings"))
from canvas import FAINT, GROUND, INK, LINE_COLOURS, PANEL, PAPER, SUPPLY, Canvas, wrapped

WIDTH, TEXT = 40.0, 1.1
HIGH = 5.6


def _block(sheet: Canvas, x: float, y: float, width: float, words: str, high: float = HIGH) -> None:
    sheet.rect(x, y, width, high, PANEL, edge=INK, edge_width=0.12, round_by=0.4)
    lines = wrapped(words, width - 0.8, TEXT)
    top = y + high / 2 - (len(lines) - 1) * 0.75 + 0.4
    for at, line in enumerate(lines):
        sheet.text((x + width / 2, top + 1.5 * at), line, TEXT, anchor="middle")


def _link(
    sheet: Canvas, x0: float, x1: float, y: float, words: str, colour: str = INK, arrow: bool = True
) -> None:
    sheet.line([(x0, y), (x1, y)], colour, 0.3, arrow=arrow)
    sheet.text(((x0 + x1) / 2, y - 0.7), words, TEXT * 0.9, anchor="middle")


def _row(sheet: Canvas, y: float, blocks: tuple[str, ...], links: tuple[str, ...]) -> list[float]:
    """Blocks beside each other, joined by links. Returns the centres of the blocks."""
    gap = 6.0
    width = (WIDTH - 1.6 - gap * (len(blocks) - 1)) / len(blocks)
    centres = []
    for at, words in enumerate(blocks):
        x = 0.8 + at * (width + gap)
        _block(sheet, x, y, width, words)
        centres.append(x + width / 2)
        if at and links[at - 1]:
            _link(sheet, x - gap + 0.2, x - 0.2, y + HIGH / 2, links[at - 1])
    return centres


def _resistor(sheet: Canvas, x: float, y0: float, y1: float, words: str) -> None:
    sheet.line([(x, y0), (x, y1)], INK, 0.16)
    middle = (y0 + y1) / 2
    sheet.rect(x - 0.5, middle - 1.1, 1.0, 2.2, PAPER, edge=INK, edge_width=0.14)
    sheet.text((x + 1.0, middle + 0.4), words, TEXT * 0.9)


def _capacitor(sheet: Canvas, x: float, y0: float, y1: float, words: str) -> None:
    middle = (y0 + y1) / 2
    sheet.line([(x, y0), (x, middle - 0.35)], INK, 0.16)
    sheet.line([(x, middle + 0.35), (x, y1)], INK, 0.16)
    for dy in (-0.35, 0.35):
        sheet.line([(x - 0.9, middle + dy), (x + 0.9, middle + dy)], INK, 0.2)
    sheet.text((x + 1.3, middle + 0.4), words, TEXT * 0.9)


def _ground(sheet: Canvas, x: float, y: float) -> None:
    for dy, half in ((0.0, 0.9), (0.4, 0.6), (0.8, 0.3)):
        sheet.line([(x - half, y + dy), (x + half, y + dy)], GROUND, 0.18)


def _note(sheet: Canvas, y: float, words: str) -> None:
    sheet.paragraph((0.8, y), words, WIDTH - 1.6, TEXT * 0.9, colour=FAINT)


def latency() -> Canvas:
    sheet = Canvas(WIDTH, 14.0, "Wiring: latency and jitter")
    centres = _row(
        sheet, 1.0, ("computer: its clock times each call", "box: stamps each edge"), ("USB",)
    )
    x = centres[1]
    sheet.line(
        [(x + 4, 6.6), (x + 4, 9.0), (x - 4, 9.0), (x - 4, 6.8)], LINE_COLOURS[0], 0.3, arrow=True
    )
    sheet.text((x, 10.4), "readback, on the box", TEXT * 0.9, anchor="middle")
    _note(sheet, 13.0, "Nothing on the D-sub.")
    return sheet


def short_pulses() -> Canvas:
    sheet = Canvas(WIDTH, 11.0, "Wiring: short pulses")
    _row(sheet, 1.6, ("computer", "box", "amplifier, 1000 Hz"), ("USB", "line 0"))
    _note(sheet, 9.6, "Straight cable; nobody is wired to the amplifier.")
    return sheet


def two_samples() -> Canvas:
    sheet = Canvas(WIDTH, 18.0, "Wiring: why two samples")
    _row(sheet, 1.6, ("computer", "box", "receiver"), ("USB", ""))
    for y, n in ((3.0, 0), (5.6, 5)):
        sheet.line([(24.6, y), (30.2, y)], LINE_COLOURS[n], 0.3)
        sheet.tag((29.2, y), str(n), LINE_COLOURS[n], 0.8)
    sheet.line([(27.0, 5.6), (27.0, 8.4)], LINE_COLOURS[5], 0.3)
    _capacitor(sheet, 27.0, 8.4, 12.4, "100 nF")
    _ground(sheet, 27.0, 12.4)
    _note(sheet, 16.4, "The capacitor makes line 5 late; line 0 is not.")
    return sheet


def drift() -> Canvas:
    sheet = Canvas(WIDTH, 13.6, "Wiring: sampling and drift")
    centres = _row(
        sheet, 1.6, ("computer: marker log", "box: clock 1", "amplifier: clock 2"), ("USB", "lines")
    )
    for x, words in ((centres[1], "box time"), (centres[2], "samples")):
        sheet.circle((x, 9.6), 1.2, PAPER, INK, 0.14)
        sheet.line([(x, 9.6), (x, 8.9)], INK, 0.16)
        sheet.line([(x, 9.6), (x + 0.6, 9.9)], INK, 0.16)
        sheet.text((x, 12.4), words, TEXT * 0.9, anchor="middle")
    return sheet


def pull_ups() -> Canvas:
    sheet = Canvas(WIDTH, 20.0, "Wiring: open collector")
    _block(sheet, 0.8, 8.0, 8.0, "box: line 0")
    _link(sheet, 9.0, 15.4, 10.8, "gate", LINE_COLOURS[0], arrow=False)
    sheet.line([(15.4, 9.4), (15.4, 12.2)], INK, 0.24)
    for dy in (-1.1, 0.0, 1.1):
        sheet.line([(16.1, 10.8 + dy - 0.4), (16.1, 10.8 + dy + 0.4)], INK, 0.24)
    sheet.line([(16.1, 9.7), (18.2, 9.7), (18.2, 7.0)], INK, 0.16)
    sheet.line([(18.2, 10.8), (16.3, 10.8)], INK, 0.16, arrow=True)
    sheet.line([(16.1, 11.9), (18.2, 11.9), (18.2, 15.0)], INK, 0.16)
    sheet.line([(18.2, 10.8), (18.2, 11.9)], INK, 0.16)
    sheet.text((18.8, 11.6), "2N7000", TEXT * 0.9)
    sheet.text((17.6, 8.7), "D", TEXT * 0.9, anchor="end")
    sheet.text((17.6, 13.6), "S", TEXT * 0.9, anchor="end")
    _ground(sheet, 18.2, 15.0)
    _resistor(sheet, 18.2, 2.4, 7.0, "1, 3.3 or 10 kΩ")
    sheet.tag((18.2, 1.8), "+5 V", SUPPLY, 0.9)
    sheet.line([(18.2, 7.0), (31.0, 7.0)], INK, 0.2)
    sheet.text((25.4, 8.4), "10 m of cable", TEXT * 0.9, anchor="middle")
    _block(sheet, 31.2, 4.2, 8.0, "scope, or receiver")
    sheet.line([(8.8, 12.6), (10.4, 12.6), (10.4, 15.0)], GROUND, 0.24)
    _ground(sheet, 10.4, 15.0)
    sheet.line([(35.2, 9.8), (35.2, 15.0)], GROUND, 0.24)
    _ground(sheet, 35.2, 15.0)
    _note(sheet, 18.6, "All grounds are joined. +5 V: the box's + rail.")
    return sheet


def grounds() -> Canvas:
    sheet = Canvas(WIDTH, 22.4, "Wiring: ground loops and isolation")
    _block(sheet, 0.8, 1.6, 12.0, "computer and box")
    _block(sheet, 27.2, 1.6, 12.0, "receiver")
    _link(sheet, 13.0, 27.0, 2.9, "lines", LINE_COLOURS[0], arrow=False)
    _link(sheet, 13.0, 27.0, 5.6, "ground of the cable, 0.1 Ω", GROUND, arrow=False)
    _resistor(sheet, 4.0, 7.2, 12.6, "building, 0.2 Ω")
    sheet.circle((4.0, 14.2), 1.3, PAPER, INK, 0.16)
    sheet.text((4.0, 14.6), "~", 1.4, anchor="middle")
    sheet.text((6.0, 14.6), "0.2 V, 50 Hz, between two sockets", TEXT * 0.9)
    sheet.line([(4.0, 12.6), (4.0, 12.9)], INK, 0.16)
    sheet.line([(4.0, 15.5), (4.0, 17.2), (36.0, 17.2), (36.0, 7.2)], INK, 0.16)
    _note(
        sheet, 19.2,
        "A circuit on paper. On the bench only the ohmmeter, from shell to shell, with the box "
        "unplugged.",
    )  # fmt: skip
    return sheet


def hidden_fault() -> Canvas:
    sheet = Canvas(WIDTH, 14.4, "Wiring: a hidden fault")
    _row(sheet, 1.6, ("outputs 0 to 7", "?", "inputs 0 to 7"), ("", ""))
    for n in range(8):
        y = 2.2 + 0.63 * n
        for x in (9.8, 24.6):
            sheet.line([(x, y), (x + 5.6, y)], LINE_COLOURS[n], 0.3)
    _note(
        sheet, 9.8,
        "On the virtual box the fault is between outputs and readback. On the bench: between a line and its "
        "readback of a breadboard box.",
    )  # fmt: skip
    return sheet


def logic_analyser() -> Canvas:
    sheet = Canvas(WIDTH, 18.4, "Wiring: logic analyser")
    _row(sheet, 1.6, ("computer", "Nano"), ("USB",))
    _block(sheet, 22.0, 11.0, 17.2, "logic analyser", 3.4)
    for x, words, colour in (
        (24.8, "RX", INK), (29.0, "D2 ... D9", LINE_COLOURS[0]), (35.2, "GND", GROUND),
    ):  # fmt: skip
        sheet.line([(x, 7.4), (x, 10.8)], colour, 0.3)
        sheet.text((x + 0.5, 9.4), words, TEXT * 0.9)
    _note(sheet, 17.0, "RX is pin D0: what the computer says to the box.")
    return sheet


def picture_delay() -> Canvas:
    sheet = Canvas(WIDTH, 20.6, "Wiring: a picture's delay")
    centres = _row(sheet, 1.6, ("computer", "box"), ("USB",))
    _block(sheet, 0.8, 11.4, 17.0, "screen, sensor at the top, then at the bottom")
    x = centres[0] - 4
    sheet.line([(x, 7.4), (x, 11.2)], INK, 0.3, arrow=True)
    sheet.text((x + 0.8, 9.6), "picture", TEXT * 0.9)
    sheet.line([(18.0, 14.2), (centres[1], 14.2), (centres[1], 7.4)], LINE_COLOURS[2], 0.3, arrow=True)
    sheet.text((centres[1] - 0.8, 13.4), "light probe", TEXT * 0.9, anchor="end")
    _note(
        sheet, 18.6,
        "The probe's ground is the computer's: sensor and cable away from a participant's wiring.",
    )  # fmt: skip
    return sheet


WIRINGS: dict[str, Callable[[], Canvas]] = {
    "latency": latency, "short-pulses": short_pulses, "two-samples": two_samples, "drift": drift,
    "pull-ups": pull_ups, "grounds": grounds, "hidden-fault": hidden_fault,
    "logic-analyser": logic_analyser, "picture-delay": picture_delay,
}  # fmt: skip


def files() -> dict[str, str]:
    """Every drawing of the folder wiring."""
    return {f"{name}.svg": make().svg() for name, make in WIRINGS.items()}


if __name__ == "__main__":
    import paper

    here = Path(__file__).resolve().parent / "wiring"
    paper.write(Path(sys.argv[1]) if len(sys.argv) > 1 else here, files())
