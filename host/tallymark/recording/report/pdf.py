"""Internal: the report as PDF, by fpdf2, with the font that comes with matplotlib.

The same result with the same date gives the same bytes.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from datetime import datetime, timezone
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tallymark.common import colours
from tallymark.common.errors import BadValue
from tallymark.markerlog import LogData
from tallymark.plan import Plan
from tallymark.recording import Comparison
from tallymark.recording.report import charts
from tallymark.recording.report.content import content
from tallymark.recording.report.notebook_fields import Notebook

if TYPE_CHECKING:
    from fpdf import FPDF

FONT = "DejaVu"
MARGIN, SIZE, SMALL = 16.0, 9.0, 7.5  # mm; points
_MOODS = {"good": colours.GOOD, "bad": colours.BAD, "doubt": colours.DOUBT}
_SHAPES = {
    "axis": f'fill="none" stroke="{colours.INK}"',
    "grid": f'fill="none" stroke="{colours.RULE}" stroke-width="0.5"',
    "dot": f'fill="{colours.SENT}"',
    "line": f'fill="none" stroke="{colours.SENT}" stroke-width="1.8"',
    "cross": f'fill="none" stroke="{colours.BAD}" stroke-width="1.8"',
    "ring": f'fill="none" stroke="{colours.INK}" stroke-width="1.3"',
    "up": f'fill="{colours.DOUBT}"',
    "band": f'fill="{colours.BAND}"',
    "column": f'fill="{colours.SENT}"',
    "jump": f'fill="none" stroke="{colours.INK}" stroke-dasharray="4 3"',
    "box": f'fill="none" stroke="{colours.UNKNOWN}" stroke-width="1.3"',
}
"""Presentation of each class of the charts; in the page, its style sheet gives it."""
_KEY = (("dot", "arrived"), ("up", "altered"), ("cross", "missed, merged, in a gap or a pause"),
        ("ring", "extra"), ("box", "can't be known"), ("jump", "samples missing"))
_KEY_PATHS = {
    "dot": "M4.8 7a2.2 2.2 0 1 0 4.4 0a2.2 2.2 0 1 0-4.4 0", "up": "M7 2l5 9h-10z",
    "cross": "M3 3l8 8m0-8l-8 8", "ring": "M3 7a4 4 0 1 0 8 0a4 4 0 1 0-8 0",
    "box": "M3.5 3.5h7v7h-7z", "jump": "M7 0V14",
}  # fmt: skip


def check_installed() -> None:
    """Raises BadValue, with the remedy, if what writes a PDF is not installed."""
    missing = [name for name in ("fpdf", "matplotlib") if find_spec(name) is None]
    if missing:
        raise BadValue(
            "A report as PDF needs fpdf2 and matplotlib: pip install fpdf2 matplotlib. Nothing was "
            "written. A report named .html needs neither, and any browser prints it to PDF."
        )


def render(
    result: Comparison,
    log: LogData | None = None,
    plan: Plan | None = None,
    made: datetime | None = None,
    notebook: Notebook | None = None,
) -> bytes:
    """The report as the bytes of a PDF. made: date to print; default now. Raises BadValue without
    fpdf2 and matplotlib."""
    check_installed()
    made = made or datetime.now(timezone.utc)
    said = content(result, log, plan, made, notebook)
    pdf = _sheet(f"Recording check: {said['recording']}", made)
    lacking = _lacking(pdf, said)
    if lacking:
        said["notes"] = [*said["notes"], f"The font of this PDF lacks {lacking}: a report named "
                                         ".html has what is missing here."]
    _head(pdf, said)
    if said["placed"]:
        _title(pdf, "Line by line")
        _lines(pdf, said)
    _title(pdf, "Markers over time", room=60)
    _picture(pdf, charts.over_time(result), pdf.epw)
    shown = [(shape, words) for shape, words in _KEY
             if {"box": said["unplaced"], "jump": bool(said["jumps"])}.get(shape, True)]
    _key(pdf, shown)
    if said["placed"]:
        _title(pdf, "Timing and widths")
        for sentence in [*said["timing"], *said["delays"]]:
            _text(pdf, sentence)
        _three(pdf, result, said)
        _events(pdf, said)
    for title, rows in (("Other places", said["doubts"]), ("Worst cases", said["problems"])):
        if rows:
            _title(pdf, title)
            _text(pdf, "Times are of the recording.", SMALL)
            for row in rows:
                _text(pdf, row, SMALL)
    _title(pdf, "Made with")
    for name, value in said["settings"]:
        _pair(pdf, name, value)
    for note in said["notes"]:
        _text(pdf, f"Note: {note}", SMALL)
    _text(pdf, said["caution"], SMALL)
    _signature(pdf)
    return bytes(pdf.output())


def _sheet(title: str, made: datetime) -> FPDF:
    import matplotlib
    from fpdf import FPDF

    class Sheet(FPDF):
        """A4 with the number of each page at its foot."""

        def footer(self) -> None:
            """Called by fpdf2 at the end of each page."""
            self.set_y(-12)
            self.set_font(FONT, size=SMALL)
            self.set_text_color(colours.SOFT)
            self.cell(self.epw - 30, 4, title)
            self.cell(30, 4, f"page {self.page_no()} of {{nb}}", align="R")

    sheet = Sheet(format="A4")
    sheet.set_creation_date(made)
    sheet.set_title(title)
    sheet.set_producer("tallymark")
    sheet.set_lang("en")
    fonts = Path(matplotlib.get_data_path()) / "fonts/ttf"
    for style, name in (("", "DejaVuSans.ttf"), ("B", "DejaVuSans-Bold.ttf")):
        sheet.add_font(FONT, style, fonts / name)
    sheet.set_margin(MARGIN)
    sheet.c_margin = 0  # texts begin where rules begin
    sheet.set_auto_page_break(True, 16)
    sheet.add_page()
    return sheet


def _lacking(pdf: FPDF, said: dict[str, Any]) -> str:
    """Letters of the report that the font doesn't have, by their numbers in Unicode; '' if none."""
    known: dict[int, int] = getattr(pdf.fonts[FONT.lower()], "cmap", {})
    letters = {letter for letter in str(said) if letter.isprintable()}
    lacking = sorted(ord(letter) for letter in letters if ord(letter) not in known)
    shown = ", ".join(f"U+{number:04X}" for number in lacking[:6])
    return shown + (" and others" if len(lacking) > 6 else "")


def _head(pdf: FPDF, said: dict[str, Any]) -> None:
    _text(pdf, "Recording check", 15, bold=True)
    plan = f", plan “{said['plan']}”" if said["plan"] else ""
    _text(pdf, f"{said['recording']}{plan}", colour=colours.SOFT)
    pdf.ln(2)
    half = pdf.epw / 2
    for two in (said["notebook"][:2], said["notebook"][2:]):  # beside each other
        top = bottom = pdf.get_y()
        for number, (name, text) in enumerate(two):
            pdf.set_y(top)
            _field(pdf, MARGIN + number * (half + 2), half - 2, name, text)
            bottom = max(bottom, pdf.get_y())
        pdf.set_y(bottom)
    pdf.ln(3)
    first = said["findings"][0]
    colour = _MOODS[first.outcome.mood]
    top = pdf.get_y()
    pdf.set_left_margin(MARGIN + 5)
    pdf.ln(2)
    _text(pdf, first.outcome.title, 12, bold=True, colour=colour)
    _text(pdf, first.text)
    pdf.ln(2)
    pdf.set_left_margin(MARGIN)
    pdf.set_draw_color(colour)
    pdf.set_fill_color(colour)
    pdf.rect(MARGIN, top, pdf.epw, pdf.get_y() - top)
    pdf.rect(MARGIN, top, 2, pdf.get_y() - top, style="F")
    pdf.set_x(MARGIN)
    pdf.ln(2)
    for finding in said["findings"][1:]:
        pdf.set_font(FONT, "B", SIZE)
        pdf.set_text_color(colours.INK)
        pdf.write(SIZE * 0.46, f"{finding.outcome.title}. ")
        pdf.set_font(FONT, size=SIZE)
        pdf.write(SIZE * 0.46, finding.text)
        pdf.ln(SIZE * 0.46 + 0.6)
    for sentence in said["signatures"]:
        _text(pdf, sentence)
    if said["placed"]:
        _text(pdf, "   ".join(f"{number} {name}" for name, number in said["counts"]), 10, bold=True)


def _field(pdf: FPDF, left: float, width: float, name: str, text: str) -> None:
    """A free text; an empty one leaves a line to write on."""
    pdf.set_x(left)
    pdf.set_font(FONT, size=SMALL)
    pdf.set_text_color(colours.SOFT)
    pdf.cell(24, 6, name)
    pdf.set_font(FONT, size=SIZE)
    pdf.set_text_color(colours.INK)
    pdf.multi_cell(width - 24, 6, text, align="L", new_x="LMARGIN", new_y="NEXT")
    pdf.set_draw_color(colours.RULE)
    pdf.line(left + 24, pdf.get_y(), left + width, pdf.get_y())


def _text(
    pdf: FPDF, words: str, size: float = SIZE, *, bold: bool = False, colour: str = colours.INK
) -> None:
    pdf.set_font(FONT, "B" if bold else "", size)
    pdf.set_text_color(colour)
    pdf.multi_cell(0, size * 0.46, words, align="L", new_x="LMARGIN", new_y="NEXT")
    pdf.ln(0.6)


def _title(pdf: FPDF, words: str, room: float = 25.0) -> None:
    """A heading, with `room` mm for what follows on the same page."""
    if pdf.will_page_break(room):
        pdf.add_page()
    pdf.ln(3)
    _text(pdf, words, 11, bold=True)
    pdf.set_draw_color(colours.RULE)
    pdf.line(MARGIN, pdf.get_y(), MARGIN + pdf.epw, pdf.get_y())
    pdf.ln(1.2)


def _table(pdf: FPDF, head: tuple[str, ...], rows: Sequence[tuple[tuple[str, ...], bool]],
           widths: tuple[int, ...], left: int) -> None:
    """A table; rows that are marked stand out. left: how many columns are aligned left."""
    from fpdf.fonts import FontFace

    pdf.set_font(FONT, size=SMALL)
    pdf.set_text_color(colours.INK)
    pdf.set_draw_color(colours.RULE)
    pdf.set_fill_color(colours.PAPER)
    align = tuple("L" if number < left else "R" for number in range(len(head)))
    bold = FontFace(emphasis="BOLD")
    off = FontFace(emphasis="BOLD", fill_color=colours.WASH)
    with pdf.table(
        col_widths=widths, text_align=align, line_height=4.2, padding=(0, 1, 0, 1), align="L",
        headings_style=bold, borders_layout="HORIZONTAL_LINES",
    ) as table:
        table.row(head)
        for cells, marked in rows:
            table.row(cells, style=off if marked else None)


def _lines(pdf: FPDF, said: dict[str, Any]) -> None:
    _text(pdf, "How often each line was active or idle when it should be. Pins are those of the "
               "25-way D-sub plug.", SMALL)
    head = ("line", "pin", "verdict", f"active{said['active_level']}", f"idle{said['idle_level']}")
    rows = [
        ((str(row["line"]), str(row["pin"]), str(row["verdict"]),
          f"{row['active_right']} of {row['active']}" if row["active"] else "-",
          f"{row['idle_right']} of {row['idle']}" if row["idle"] else "-"), bool(row["off"]))
        for row in said["lines"]
    ]
    _table(pdf, head, rows, (1, 1, 5, 3, 3), 3)


def _events(pdf: FPDF, said: dict[str, Any]) -> None:
    if not said["events"]:
        return
    _title(pdf, "Events")
    head = ("event", "code", "sent", "arrived", "altered", "missing", "not recorded",
            "can't be known")
    numbers = ("code", "sent", "arrived", "altered", "missing", "not_recorded", "unknown")
    rows = [
        ((row["name"], *(str(row[number]) for number in numbers)),
         bool(row["altered"] or row["missing"]))
        for row in said["events"]
    ]
    _table(pdf, head, rows, (6, 2, 2, 2, 2, 2, 3, 3), 1)
    if said["more_events"]:
        _text(pdf, f"and {said['more_events']} more", SMALL)


def _picture(pdf: FPDF, svg: str, width: float, left: float | None = None) -> None:
    """A chart of charts.py, with its style in each element, as fpdf2 knows no classes."""
    svg = re.sub(r"<title.*?</title>|<desc.*?</desc>", "", svg)
    svg = re.sub(r'class="(\w+)"', lambda found: _SHAPES[found[1]], svg)
    letters = f'<text font-family="{FONT}" font-size="12" fill="{colours.INK}" '
    svg = svg.replace("<text ", letters)
    svg = svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1)
    pdf.image(io.BytesIO(svg.encode()), x=pdf.l_margin if left is None else left, w=width)


def _three(pdf: FPDF, result: Comparison, said: dict[str, Any]) -> None:
    """The small charts beside each other, each with its caption."""
    shaded = " Shaded: what sampling alone gives, half a sample either way." if said["band"] else ""
    broken = ", without what the recording lacks: there the line is broken" if said["jumps"] else ""
    drawn = [
        (charts.residuals(result), f"How late each marker is against the clocks' fit.{shaded}"),
        (charts.drift(result), f"How far the recording's clock moved away from the box's{broken}."),
        (charts.widths(result), said["width_sentence"]),
    ]
    if pdf.will_page_break(52):
        pdf.add_page()
    top = bottom = pdf.get_y()
    width = (pdf.epw - 8) / 3
    for number, (svg, caption) in enumerate(pair for pair in drawn if pair[0] is not None):
        left = MARGIN + number * (width + 4)
        pdf.set_y(top)
        _picture(pdf, str(svg), width, left)
        pdf.set_x(left)
        pdf.set_font(FONT, size=SMALL)
        pdf.set_text_color(colours.SOFT)
        pdf.multi_cell(width, 3.6, caption, align="L", new_x="LMARGIN", new_y="NEXT")
        bottom = max(bottom, pdf.get_y())
    pdf.set_y(bottom)


def _key(pdf: FPDF, shown: list[tuple[str, str]]) -> None:
    pdf.set_font(FONT, size=SMALL)
    pdf.set_text_color(colours.SOFT)
    for shape, words in shown:
        if pdf.get_x() + 5 + pdf.get_string_width(words) > MARGIN + pdf.epw:
            pdf.ln(4.5)
        mark = f'<svg viewBox="0 0 14 14"><path class="{shape}" d="{_KEY_PATHS[shape]}"/></svg>'
        left, top = pdf.get_x(), pdf.get_y()
        _picture(pdf, mark, 3.6, left)
        pdf.set_xy(left + 4, top)
        pdf.cell(pdf.get_string_width(words) + 5, 4, words)
    pdf.ln(5)


def _pair(pdf: FPDF, name: str, value: str) -> None:
    pdf.set_font(FONT, size=SMALL)
    pdf.set_text_color(colours.SOFT)
    pdf.cell(48, 3.6, name)
    pdf.set_text_color(colours.INK)
    pdf.multi_cell(0, 3.6, value, align="L", new_x="LMARGIN", new_y="NEXT")


def _signature(pdf: FPDF) -> None:
    if pdf.will_page_break(24):
        pdf.add_page()
    pdf.ln(16)
    top = pdf.get_y()
    pdf.set_draw_color(colours.INK)
    at = partial(pdf.set_xy, y=top + 0.5)
    pdf.set_font(FONT, size=SMALL)
    pdf.set_text_color(colours.SOFT)
    for left, width, words in ((MARGIN, 55.0, "Date"), (MARGIN + 65, pdf.epw - 65, "Signature")):
        pdf.line(left, top, left + width, top)
        at(left)
        pdf.cell(width, 4, words)
