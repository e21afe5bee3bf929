"""Two pages of A4: the quick card that lies beside the box, and the check-list before a session.

One unit is a millimetre.
"""

from __future__ import annotations

from canvas import (
    CAUTION,
    FAINT,
    GROUND,
    INK,
    LINE_COLOURS,
    PANEL,
    PAPER,
    Canvas,
    Point,
    text_width,
)
from pins import DSUB_GROUNDS, DSUB_OF_LINE, LINES, nano_pins, pico_pins

A4 = (210.0, 297.0)
LEFT, RIGHT = 12.0, 198.0
BODY, HEAD, SMALL = 3.4, 4.4, 3.0

COMMANDS = (
    ("tallymark show", "who is there, its settings"),
    ("tallymark selftest", "every code out and back: names a fault and its pins"),
    ("tallymark pulse 1 --width 500ms", "line 0 for half a second: watch the receiver"),
)
FAILURES = (
    (
        "No box is found",
        "Another USB cable: some only charge. Close other programs that hold the port. Is its LED on?",
        "tallymark boxes",
    ),
    (
        "The self-test names a fault",
        "Receiver off, pull its cable, test again. Gone: cable or receiver. Still there: the pins that it names.",
        "tallymark selftest",
    ),
    (
        "A line stays on after a program died",
        "Take the lines to idle; set a hold limit for the next time.",
        "tallymark idle",
    ),
    (
        "The receiver shows nothing",
        "Idle level, and a line alone with a meter on its pin: over 2 V while it is on.",
        "tallymark lines",
    ),
    (
        "Codes come out doubled",
        "The receiver counts from pin 1. Make the adapter cable of PINMAP, layout B.",
        "",
    ),
    (
        "Markers are missing",
        "Wider pulses: at least two samples of the recording.",
        "tallymark check recording.bdf session.log",
    ),
    (
        "A marker is unconfirmed",
        "Never send it again. Note its number: the recording decides whether it came.",
        "tallymark counters",
    ),
    (
        "Something gets warm, or smells",
        "Pull the USB plug. Receiver off. Ask who looks after it.",
        "",
    ),
)
POWER_REASON = (
    "Off: person unwired, then the same order backwards. Why: a box without USB lets go of the lines, so that pull-ups of a "
    "receiver make a code of them (idle low: box first); a box that is on with idle high feeds current into a receiver that "
    "is off (idle high: receiver first). A breadboard: see its page."
)
LEDS = (
    ("supply LED of the board", "on: 5 V from USB"),
    ("line LEDs 0 to 7", "the level at the connector, read back: on is high"),
    ("LED of the Pico", "on: its program runs"),
    ("LED of the Nano (L, D13)", "a blip every 2 s: its program runs; a flash of 0.1 s: a marker"),
)  # fmt: skip

CHECKS = (
    ("The week before", (
        ("The plan has no fault.", "tallymark plan check plan.toml"),
        ("The settings of box and spare are those of the study.", "tallymark settings compare study.toml"),
        ("A recording of ten minutes was checked against its log, and every marker is there.", "tallymark check recording.bdf session.log"),
        ("Spare box, spare cable and the quick card lie in the lab.", ""),
    )),
    ("Before anybody is wired", (
        ("Cable: label read, screws tight, no damage.", ""),
        ("Power order. Idle low: box on USB first, its LED on, then the receiver. Idle high: the receiver first.", ""),
        ("The name and the serial number are those of the study's box.", "tallymark show"),
        ("The self-test is fine, its output kept with the study.", "tallymark selftest"),
        ("Each line alone arrives at the receiver: 1, 2, 4, 8, 16, 32, 64, 128.", "tallymark play walk.csv"),
        ("Lines at rest: the receiver shows no code.", "tallymark idle"),
        ("Computer: no updates, no sleep, enough room for the log.", ""),
        ("The trigger input is isolated, or the box is the isolated one; nothing bridges it.", ""),
    )),
    ("At the start of the recording", (
        ("The recording runs before the first marker goes out.", ""),
        ("The first marker shows in the recording, with its code.", ""),
        ("The marker log grows.", ""),
    )),
    ("Afterwards", (
        ("Stop the program, then the recording: the last marker is in it.", ""),
        ("Recording and log are copied, and checked, before the participant leaves.", "tallymark check recording.bdf session.log"),
        ("Unconfirmed and missing markers are written down below.", ""),
        ("Person unwired; then power off, the order of switching on backwards.", ""),
    )),
)  # fmt: skip


def _page(title: str) -> Canvas:
    sheet = Canvas(*A4, title, ("210mm", "297mm"))
    sheet.text((LEFT, 16), title, 7, bold=True)
    return sheet


def _heading(sheet: Canvas, at: Point, words: str) -> None:
    sheet.text(at, words, HEAD, bold=True)


def _fields(sheet: Canvas, y: float, names: tuple[str, ...]) -> None:
    """Lines to write on."""
    step = (RIGHT - LEFT) / len(names)
    for at, name in enumerate(names):
        x = LEFT + step * at
        sheet.text((x, y), name, SMALL, colour=FAINT)
        sheet.line(
            [(x + text_width(name, SMALL) + 1.5, y + 0.6), (x + step - 4, y + 0.6)], FAINT, 0.25
        )


def _caution(sheet: Canvas, y: float, words: str, height: float) -> None:
    sheet.rect(LEFT, y, RIGHT - LEFT, height, CAUTION, edge="#c9a400", edge_width=0.4, round_by=1.5)
    sheet.paragraph((LEFT + 3, y + 5), words, RIGHT - LEFT - 6, BODY)


def socket_at(pin: int, left: float, top: float) -> Point:
    """A contact of the box's socket, seen from outside: pin 1 is at the upper right."""
    column, row = (13 - pin, 0) if pin <= 13 else (25 - pin + 0.5, 1)
    return left + 6.2 * column, top + 6.4 * row


def _socket(sheet: Canvas, left: float, top: float) -> None:
    x1 = socket_at(1, left, top)[0]
    sheet.polygon(
        [(left - 7, top - 5), (x1 + 7, top - 5), (x1 + 3.5, top + 11.4), (left - 3.5, top + 11.4)],
        PANEL, INK, 0.4,
    )  # fmt: skip
    lines = {pin: line for line, pin in DSUB_OF_LINE.items()}
    for pin in range(1, 26):
        at = socket_at(pin, left, top)
        if str(pin) in lines:
            sheet.tag(at, str(pin), LINE_COLOURS[lines[str(pin)]], 2.8)
        elif str(pin) in DSUB_GROUNDS:
            sheet.tag(at, str(pin), GROUND, 2.4)
        else:
            sheet.circle(at, 1.9, PAPER, FAINT, 0.25)
            sheet.text((at[0], at[1] + 0.9), str(pin), 2.4, anchor="middle", colour=FAINT)
    sheet.text(
        ((left + x1) / 2, top + 16), "socket of the box, seen from outside; black: ground", SMALL,
        anchor="middle",
    )  # fmt: skip


def _pins(sheet: Canvas, y: float) -> float:
    """The table of the lines: a column a line. Returns where it ends."""
    pico, nano = pico_pins(), nano_pins()
    rows = (
        ("code, alone", {n: str(1 << n) for n in LINES}),
        ("D-sub pin", DSUB_OF_LINE),
        ("Pico out", {n: pico[f"OUT{n}"] for n in LINES}),
        ("Pico back", {n: pico[f"BACK{n}"] for n in LINES}),
        ("Nano out", {n: nano[f"OUT{n}"] for n in LINES}),
        ("Nano back", {n: nano[f"BACK{n}"] for n in LINES}),
    )
    columns = [LEFT + 26 + 8.5 * n for n in LINES]
    sheet.text((LEFT, y), "line", BODY)
    for n, x in zip(LINES, columns, strict=True):
        sheet.tag((x, y - 1.2), str(n), LINE_COLOURS[n], 3.2)
    for at, (name, values) in enumerate(rows, 1):
        level = y + 5.4 * at
        sheet.line([(LEFT, level - 4), (columns[-1] + 4, level - 4)], "#d5d8dc", 0.2)
        sheet.text((LEFT, level), name, BODY)
        for n, x in zip(LINES, columns, strict=True):
            size = 2.7 if len(values[n]) > 3 else SMALL
            sheet.text((x, level), values[n], size, anchor="middle", bold=name == "D-sub pin")
    return y + 5.4 * len(rows)


def quick_card() -> Canvas:
    """The page that lies beside the box."""
    sheet = _page("Tallymark: quick card")
    _fields(sheet, 23, ("Box", "Serial number", "Idle", "Width", "Spare"))
    _caution(
        sheet, 26.5,
        "Not a medical device. The plain box joins the grounds of computer and receiver: use it only with a trigger input "
        "that is isolated in the receiver, or with nobody wired to anything. Plug and unplug only while nobody is connected. "
        "The amplifier's manual, IEC 60601-1, local codes and your institution's biomedical engineers have the last word.",
        21,
    )  # fmt: skip
    _heading(sheet, (LEFT, 55), "Pins")
    _pins(sheet, 62)
    _socket(sheet, 115, 68)
    y = 102.5
    _heading(sheet, (LEFT, y), "First three commands")
    for at, (command, meaning) in enumerate(COMMANDS):
        sheet.text((LEFT, y + 6 + 5.2 * at), command, BODY, bold=True)
        sheet.text((LEFT + 68, y + 6 + 5.2 * at), meaning, BODY)
    y = 127.5
    _heading(sheet, (LEFT, y), "Power order")
    orders = (
        ("Idle low", "1  box: USB plug", "2  lines at idle", "3  receiver on"),
        ("Idle high", "1  receiver on", "2  box: USB plug", "3  lines at idle"),
    )
    for at, (name, *steps) in enumerate(orders):
        level = y + 7.5 + 8.5 * at
        sheet.text((LEFT, level), name, BODY, bold=True)
        for step, words in enumerate(steps):
            x = LEFT + 18 + 54 * step
            sheet.rect(x, level - 4.6, 48, 6.6, PANEL, edge=INK, edge_width=0.3, round_by=1.2)
            sheet.text((x + 24, level), words, BODY, anchor="middle")
            if step:
                sheet.line([(x - 5.4, level - 1.3), (x - 0.6, level - 1.3)], INK, 0.5, arrow=True)
    sheet.paragraph((LEFT, y + 23.0), POWER_REASON, RIGHT - LEFT, SMALL)
    y = 168.5
    _heading(sheet, (LEFT, y), "LEDs")
    for at, (name, meaning) in enumerate(LEDS):
        sheet.text((LEFT, y + 6 + 5.0 * at), name, BODY, bold=True)
        sheet.text((LEFT + 54, y + 6 + 5.0 * at), meaning, BODY)
    y = 198.5
    _heading(sheet, (LEFT, y), "When it fails")
    y += 6
    for symptom, remedy, command in FAILURES:
        sheet.line([(LEFT, y - 4.4), (RIGHT, y - 4.4)], "#d5d8dc", 0.2)
        first = sheet.paragraph((LEFT, y), symptom, 45, BODY, bold=True)
        second = sheet.paragraph((LEFT + 48, y), remedy, RIGHT - LEFT - 48, BODY)
        if command:
            sheet.text((LEFT + 48, second), command, SMALL, colour=FAINT, bold=True)
            second += 4.6
        y = max(first, second) + 1.4
    return sheet


def check_list() -> Canvas:
    """The page to tick off before a session."""
    sheet = _page("Tallymark: check-list for a session")
    _fields(sheet, 26, ("Study", "Date", "Box", "Done by"))
    y = 38.0
    for heading, items in CHECKS:
        _heading(sheet, (LEFT, y), heading)
        y += 6.6
        for words, command in items:
            sheet.rect(LEFT, y - 3.3, 4, 4, PAPER, edge=INK, edge_width=0.35)
            y = sheet.paragraph((LEFT + 7, y), words, RIGHT - LEFT - 7, BODY)
            if command:
                sheet.text((LEFT + 7, y), command, SMALL, colour=FAINT, bold=True)
                y += 4.4
            y += 1.3
        y += 3.2
    sheet.text(
        (LEFT, y), "Notes: unconfirmed, missing or altered markers, by number", BODY, bold=True
    )
    y += 8.5
    while y < 280:
        sheet.line([(LEFT, y), (RIGHT, y)], FAINT, 0.25)
        y += 8.5
    sheet.text(
        (LEFT, 288), "A person may be wired to the amplifier: its manual, IEC 60601-1, local codes and your biomedical engineers decide.",
        2.6, colour=FAINT,
    )  # fmt: skip
    return sheet


PAGES = {"quick-card": quick_card, "check-list": check_list}
