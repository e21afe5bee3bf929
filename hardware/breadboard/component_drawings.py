"""The parts as they are drawn on both kinds of board. One unit is one pitch of 2.54 mm."""

from __future__ import annotations

from collections.abc import Callable

from canvas import FAINT, INK, Canvas, Point
from layout import Hole, Part
from module_pinouts import Module

LEAD, BODY, PCB = "#8d9197", "#ece4d2", "#e3ebe6"
At = Callable[[Hole], Point]

RKM = {"330 Ω": "330R", "2.2 kΩ": "2K2", "4.7 kΩ": "4K7", "1 kΩ": "1K0"}
"""Values as resistors are marked by letters (IEC 60062)."""


def resistor(sheet: Canvas, part: Part, at: At) -> None:
    """A lying resistor between two holes of a row, with its value on it."""
    (x0, y), (x1, _) = sorted((at(part.holes["1"]), at(part.holes["2"])))
    sheet.line([(x0, y), (x1, y)], LEAD, 0.14)
    # a short one keeps clear of the row numbers at its right end
    middle, length = ((x0 + x1) / 2, 2.0) if x1 - x0 > 3.5 else ((x0 + x1) / 2 - 0.4, 1.6)
    sheet.rect(
        middle - length / 2, y - 0.33, length, 0.66, BODY, edge=INK, edge_width=0.06, round_by=0.2
    )
    sheet.text((middle, y + 0.2), RKM[part.value], 0.55, anchor="middle")


def standing_resistor(sheet: Canvas, part: Part, at: At) -> None:
    """A resistor that stands upright between two holes below each other."""
    (x, y0), (_, y1) = sorted((at(part.holes["1"]), at(part.holes["2"])))
    sheet.line([(x, y0), (x, y1)], LEAD, 0.14)
    sheet.rect(
        x - 0.27, y0 + 0.14, 0.54, y1 - y0 - 0.28, BODY, edge=INK, edge_width=0.06, round_by=0.2
    )
    sheet.text((x + 0.4, (y0 + y1) / 2 + 0.18), RKM[part.value], 0.5)


def capacitor(sheet: Canvas, part: Part, at: At) -> None:
    """A disc between two holes, or a can with its sign at the leg that goes to the supply."""
    (x0, y0), (x1, y1) = at(part.holes["1"]), at(part.holes["2"])
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    sheet.line([(x0, y0), (x1, y1)], LEAD, 0.14)
    if part.kind == "radial":
        sheet.circle((x, y), 0.88, "#cfd6dd", INK, 0.06)
        sheet.circle((x0, y0), 0.2, INK)
        sheet.circle((x1, y1), 0.2, INK)
        sign = (x0 + (0.42 if x0 > x else -0.42), y0 + 0.2) if y0 == y1 else (x0 - 0.5, y0 + 0.35)
        sheet.text(sign, "+", 0.6, anchor="middle", bold=True)
        place, anchor = ((x, y + 1.6), "middle") if y0 == y1 else ((x - 1.0, y - 0.7), "end")
        sheet.text(place, f"{part.name} {part.value}", 0.5, anchor=anchor)
    else:
        sheet.rect(x - 0.42, y - 0.6, 0.84, 1.2, "#d8c9a3", edge=INK, edge_width=0.06, round_by=0.4)
        sheet.text((x + 0.55, y + 0.18), part.name, 0.5)


def sip(sheet: Canvas, part: Part, at: At) -> None:
    """A resistor network in one row; the dot is pin 1, which all its resistors share."""
    x, top = at(part.holes["1"])
    bottom = at(part.holes["9"])[1]
    sheet.rect(
        x - 0.36, top - 0.42, 0.72, bottom - top + 0.84, "#33302b", edge=INK, edge_width=0.05,
        round_by=0.12,
    )  # fmt: skip
    sheet.circle((x, top), 0.2, "#ffffff")
    sheet.text(
        (x + 0.2, (top + bottom) / 2 + 0.5), f"{part.name}  8 × 10K", 0.52, anchor="middle",
        colour="#ffffff", upright=True,
    )  # fmt: skip


def chip(sheet: Canvas, part: Part, at: At) -> None:
    """A dual in-line part of 20 pins: notch and pin numbers."""
    x0, x1 = sorted({at(hole)[0] for hole in part.holes.values()})
    ys = sorted({at(hole)[1] for hole in part.holes.values()})
    notch_is_up = at(part.holes["1"])[1] == ys[0]
    for hole in part.holes.values():
        sheet.circle(at(hole), 0.22, LEAD)
    sheet.rect(
        x0 + 0.22, ys[0] - 0.55, x1 - x0 - 0.44, ys[-1] - ys[0] + 1.1, "#dfe2e6", edge=INK,
        edge_width=0.08, round_by=0.1,
    )  # fmt: skip
    middle = (x0 + x1) / 2
    edge, turn = (ys[0] - 0.55, 1) if notch_is_up else (ys[-1] + 0.55, -1)
    sheet.polygon(
        [(middle - 0.4, edge), (middle + 0.4, edge), (middle + 0.25, edge + 0.4 * turn),
         (middle - 0.25, edge + 0.4 * turn)],
        INK,
    )  # fmt: skip
    for number, hole in part.holes.items():
        x, y = at(hole)
        left = x == x0
        sheet.text(
            (x + (0.35 if left else -0.35), y + 0.17), number, 0.46,
            anchor="start" if left else "end", bold=number == "1",
        )  # fmt: skip
    sheet.text(
        (middle + 0.2, (ys[0] + ys[-1]) / 2), f"{part.name}  {part.value}", 0.6, anchor="middle",
        bold=True, upright=True,
    )  # fmt: skip


def usb_board(sheet: Canvas, part: Part, at: At, module: Module, used: dict[int, str]) -> None:
    """The USB board with its outline, its socket and the names of its pins; `used` gives the
    colours of pins that carry a wire.
    """
    corner = next(p for p in range(1, 2 * module.rows + 1) if module.usb_up(p) == (0, 1))
    x0, y0 = at(part.holes[str(corner)])
    left, top, right, bottom = module.box_usb_up(module.outline_mm)
    sheet.rect(
        x0 + left, y0 + top, right - left, bottom - top, PCB, edge=INK, edge_width=0.08,
        round_by=0.25,
    )  # fmt: skip
    ul, ut, ur, ub = module.box_usb_up(module.usb_mm)
    # the socket is solid where it reaches beyond the board, and an outline where pin names stand
    sheet.rect(x0 + ul, y0 + ut, ur - ul, ub - ut, "#eef0f2", edge=FAINT, edge_width=0.04)
    sheet.rect(x0 + ul, y0 + ut, ur - ul, top - ut, "#c9ced4", edge=INK, edge_width=0.08)
    sheet.text((x0 + (ul + ur) / 2, y0 + ub - 0.35), "USB", 0.6, anchor="middle")
    width = module.between_rows_mm / 2.54
    sheet.text(
        (x0 + width / 2 + 0.35, y0 + module.rows / 2 + 1.2), module.name, 1.0, anchor="middle",
        bold=True, upright=True,
    )  # fmt: skip
    for number, name in enumerate(module.pin_names, 1):
        x, y = at(part.holes[str(number)])
        is_left = module.usb_up(number)[0] == 0
        colour = used.get(number, LEAD)
        if number == 1:
            sheet.rect(x - 0.3, y - 0.3, 0.6, 0.6, colour, edge=INK, edge_width=0.06)
        else:
            sheet.circle((x, y), 0.27, colour, INK, 0.05)
        sheet.text(
            (x + (0.4 if is_left else -0.4), y + 0.18), name, 0.55,
            anchor="start" if is_left else "end", bold=number in used,
            colour=INK if number in used else FAINT, behind=PCB,
        )  # fmt: skip


DRAWN: dict[str, Callable[[Canvas, Part, At], None]] = {
    "sip": sip, "disc": capacitor, "radial": capacitor, "resistor": resistor,
    "upright": standing_resistor,
}  # fmt: skip
