"""Draw a cable: the plug at the box, the wires, and the input of the receiver."""

from __future__ import annotations

from cables import Cable, Core
from canvas import CAUTION, FAINT, GROUND, INK, LINE_COLOURS, PANEL, PAPER, Canvas, Point

WIDTH = 44.0
BOX_X, RECEIVER_X = 9.8, 29.0
ROW = 2.6
TEXT = 1.0


def draw(cable: Cable) -> Canvas:
    """The drawing of one cable, with its settings."""
    top = 12.2
    rows = {core.line: top + ROW * at for at, core in enumerate(cable.cores)}
    end = top + ROW * (len(cable.cores) - 1)
    height = end + 16.5 + (9.5 if any(c.through for c in cable.cores) else 0.0)
    sheet = Canvas(WIDTH, height + 8, cable.title)
    sheet.text((0.8, 2.2), cable.title, 1.6, bold=True)
    sheet.rect(0.8, 3.1, WIDTH - 1.6, 4.6, CAUTION, edge="#c9a400", edge_width=0.1, round_by=0.4)
    sheet.paragraph(
        (1.4, 4.5),
        "Never with a person wired to the receiver unless its trigger input is isolated. Receiver off "
        "while you plug. Power order: idle low: box first; idle high: receiver first.",
        WIDTH - 2.8, TEXT,
    )  # fmt: skip
    sheet.text((1.2, top - 2.6), "box: D-sub 25 plug", TEXT, bold=True)
    sheet.text((WIDTH - 1.0, top - 2.6), cable.receiver, TEXT, bold=True, anchor="end")
    for x, width in ((1.2, BOX_X - 0.4), (RECEIVER_X, WIDTH - RECEIVER_X - 1.0)):
        sheet.rect(
            x, top - 1.6, width, end - top + 3.2, PANEL, edge=INK, edge_width=0.1, round_by=0.4
        )
    for core in cable.cores:
        _core(sheet, cable, core, rows[core.line])
    y = end + 4.0
    y = _screen(sheet, cable, end, y)
    if any(core.through for core in cable.cores):
        y = _transistor(sheet, y)
    sheet.text((0.8, y), "Settings:", TEXT, bold=True)
    sheet.text((6.4, y), "tallymark settings change", TEXT)
    y += 1.5
    sheet.text((6.4, y), cable.settings, TEXT, bold=True)
    y += 1.9
    for note in cable.notes:
        y = sheet.paragraph((0.8, y), note, WIDTH - 1.6, TEXT) + 0.35
    sheet.height = y
    return sheet


def _core(sheet: Canvas, cable: Cable, core: Core, y: float) -> None:
    colour = GROUND if core.line is None else LINE_COLOURS[core.line]
    words = "ground" if core.line is None else f"line {core.line}"
    sheet.text((1.8, y + 0.35), words, TEXT)
    ends = [(BOX_X + 0.2, y), (RECEIVER_X + 1.8, y)]
    if core.through:
        sheet.line([ends[0], (17.2, y)], colour, 0.34)
        sheet.line([(20.4, y), ends[1]], colour, 0.34, dash="0.9 0.6")
        sheet.rect(16.8, y - 0.85, 4.0, 1.7, PAPER, edge=INK, edge_width=0.1, round_by=0.3)
        sheet.text((18.8, y + 0.34), f"Q{core.line}", TEXT, anchor="middle")
    else:
        sheet.line(ends, colour, 0.34)
    sheet.tag((BOX_X - 1.4, y), core.box, colour, 0.85)
    if core.line is not None:
        for x in (12.4, 26.4):
            sheet.tag((x, y), str(core.line), colour, 0.85)
    sheet.tag(
        (RECEIVER_X + (2.6 if len(core.receiver) < 4 else 3.3), y), core.receiver, colour, 0.85
    )
    if core.line is not None:
        _input(sheet, cable.input_kind, y)


def _resistor(sheet: Canvas, x0: float, x1: float, y: float) -> None:
    sheet.line([(x0, y), (x1, y)], INK, 0.12)
    middle = (x0 + x1) / 2
    sheet.rect(middle - 1.0, y - 0.4, 2.0, 0.8, PAPER, edge=INK, edge_width=0.12)


def _input(sheet: Canvas, kind: str, y: float) -> None:
    """The receiver's input circuit, in small."""
    x = RECEIVER_X + 4.4
    end = WIDTH - 2.4
    if kind == "pull-up":
        sheet.line([(x, y), (end, y)], INK, 0.12)
        _resistor(sheet, x + 2.0, x + 5.6, y - 0.95)
        sheet.line([(x + 2.0, y - 0.95), (x + 2.0, y)], INK, 0.12)
        sheet.text((x + 5.8, y - 0.65), "+", TEXT, bold=True)
        _buffer(sheet, (end - 1.0, y))
    elif kind == "opto":
        _resistor(sheet, x, x + 3.6, y)
        sheet.polygon(
            [(x + 3.6, y - 0.6), (x + 3.6, y + 0.6), (x + 4.8, y)], PAPER, INK, 0.12
        )  # fmt: skip
        sheet.line([(x + 4.8, y - 0.6), (x + 4.8, y + 0.6)], INK, 0.16)
        sheet.line([(x + 4.8, y), (x + 6.0, y)], INK, 0.12)
        for dx, half in ((6.0, 0.75), (6.35, 0.5), (6.7, 0.25)):  # the sign of ground
            sheet.line([(x + dx, y - half), (x + dx, y + half)], INK, 0.14)
        for dy in (-0.9, -0.5):
            sheet.line([(x + 5.0, y + dy + 0.2), (x + 5.9, y + dy - 0.2)], INK, 0.1, arrow=True)
    else:
        sheet.line([(x, y), (end - 0.6, y)], INK, 0.12)
        _buffer(sheet, (end - 1.0, y))
        if kind == "high-impedance":
            sheet.text((WIDTH - 1.6, y + 1.6), "1 MΩ, not 50 Ω", TEXT * 0.9, anchor="end")


def _buffer(sheet: Canvas, at: Point) -> None:
    x, y = at
    sheet.polygon([(x - 0.8, y - 0.75), (x - 0.8, y + 0.75), (x + 0.8, y)], PAPER, INK, 0.12)


def _screen(sheet: Canvas, cable: Cable, end: float, y: float) -> float:
    """The screen of the cable, which ends at the receiver's shell only."""
    level = end + 2.4
    last = cable.name == "bnc"
    if last:
        return y
    sheet.line(
        [(11.0, level), (RECEIVER_X + 1.2, level), (RECEIVER_X + 1.2, end + 1.6)],
        FAINT,
        0.2,
        dash="0.7 0.5",
    )
    sheet.text(
        (11.2, level + 1.3), "screen: on the receiver's shell only", TEXT * 0.9, colour=FAINT
    )
    return y + 1.9


def _transistor(sheet: Canvas, y: float) -> float:
    """One of the eight transistors, as a circuit and as a part."""
    top = y - 0.6
    sheet.rect(0.8, top, WIDTH - 1.6, 9.8, PAPER, edge=FAINT, edge_width=0.1, round_by=0.4)
    sheet.text((1.4, top + 1.5), "Q0 to Q7: 2N7000", TEXT, bold=True)
    gx, gy = 14.0, top + 4.8
    sheet.line([(6.8, gy), (gx, gy)], LINE_COLOURS[0], 0.34)
    sheet.text((1.4, gy + 0.35), "from box", TEXT)
    sheet.line([(gx, gy - 1.3), (gx, gy + 1.3)], INK, 0.2)
    for dy in (-1.1, 0.0, 1.1):
        sheet.line([(gx + 0.7, gy + dy - 0.4), (gx + 0.7, gy + dy + 0.4)], INK, 0.2)
    sheet.line(
        [(gx + 0.7, gy - 1.1), (gx + 2.6, gy - 1.1), (gx + 2.6, gy - 2.4), (19.2, gy - 2.4)],
        INK,
        0.14,
    )
    sheet.text((19.5, gy - 2.05), "to receiver", TEXT)
    sheet.line([(gx + 0.7, gy + 1.1), (gx + 2.6, gy + 1.1), (gx + 2.6, gy + 3.2)], INK, 0.14)
    sheet.line([(gx + 2.6, gy), (gx + 0.8, gy)], INK, 0.14, arrow=True)
    sheet.line([(gx + 2.6, gy), (gx + 2.6, gy + 1.1)], INK, 0.14)
    sheet.text((gx - 1.2, gy - 1.6), "G", TEXT, bold=True)
    sheet.text((gx + 3.0, gy - 0.7), "D", TEXT, bold=True)
    sheet.text((gx + 3.0, gy + 1.9), "S", TEXT, bold=True)
    rx = 10.4
    sheet.line([(rx, gy), (rx, gy + 3.2), (gx + 2.6, gy + 3.2)], INK, 0.14)
    sheet.rect(rx - 0.4, gy + 0.7, 0.8, 1.9, PAPER, edge=INK, edge_width=0.12)
    sheet.text((rx - 1.0, gy + 2.0), "100 kΩ", TEXT * 0.9, anchor="end")
    sheet.line([(gx + 2.6, gy + 3.2), (19.2, gy + 3.2)], GROUND, 0.34)
    sheet.text((19.5, gy + 3.55), "ground", TEXT)
    # the part from its flat side
    px, py = 31.6, top + 3.0
    sheet.rect(px, py, 6.6, 3.4, "#3a3f46", round_by=0.3)
    sheet.text((px + 3.3, py + 2.1), "2N7000", TEXT, anchor="middle", colour="#ffffff")
    for number, name in enumerate("SGD"):
        x = px + 1.5 + 1.8 * number
        sheet.line([(x, py + 3.4), (x, py + 5.0)], "#8d9197", 0.3)
        sheet.text((x, py + 6.3), name, TEXT, anchor="middle", bold=True)
    sheet.text((px + 3.3, py - 0.6), "flat side to you", TEXT * 0.9, anchor="middle", colour=FAINT)
    return top + 12.0
