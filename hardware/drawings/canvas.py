"""A sheet that becomes an SVG file: shapes, text that is measured, and the colours of all drawings.

Lengths are in the sheet's own unit; x goes to the right, y goes down. Every text is kept with its
rectangle, so that a check can say which texts overlap or leave the sheet.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from html import escape
from pathlib import Path

from matplotlib import get_data_path
from matplotlib.ft2font import FT2Font

Point = tuple[float, float]

# Lines 0 to 7. Found by a search for colours that stay apart for people with any of the three
# kinds of colour blindness; neighbours differ in lightness, too. A test measures it.
LINE_COLOURS = (
    "#551675", "#acb907", "#6d2812", "#939ce3", "#216056", "#ee959e", "#8442fa", "#9c6420",
)  # fmt: skip
SUPPLY, GROUND = "#de1d83", "#1c2128"
INK, FAINT, PAPER, PANEL = "#1c2128", "#6b6f76", "#ffffff", "#f7f5ef"
CAUTION = "#fff3c4"
FONT = "DejaVu Sans, Verdana, sans-serif"  # Verdana has the same widths


@cache
def _font(bold: bool) -> FT2Font:
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    font = FT2Font(str(Path(get_data_path()) / "fonts/ttf" / name))
    font.set_size(100, 72)
    return font


@cache
def text_width(words: str, size: float, bold: bool = False) -> float:
    """Width of a text in the unit of `size`, its height of type."""
    font = _font(bold)
    font.set_text(words)
    return float(font.get_width_height()[0]) / 64 / 100 * size


def wrapped(words: str, width: float, size: float, bold: bool = False) -> list[str]:
    """The words in lines that are at most `width` wide; a single longer word stays whole."""
    lines: list[str] = []
    for word in words.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, size, bold) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def on(colour: str) -> str:
    """Black or white: whichever is read better on the colour."""
    red, green, blue = (int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5))
    return "#ffffff" if 0.2126 * red**2.2 + 0.7152 * green**2.2 + 0.0722 * blue**2.2 < 0.25 else INK


@dataclass(frozen=True)
class TextBox:
    """A text and the rectangle that it fills."""

    words: str
    left: float
    top: float
    right: float
    bottom: float

    def overlaps(self, other: TextBox, margin: float = 0.0) -> bool:
        return (
            self.left < other.right + margin
            and other.left < self.right + margin
            and self.top < other.bottom + margin
            and other.top < self.bottom + margin
        )


@dataclass
class Canvas:
    """A sheet of `width` by `height`; `physical` is its width on paper, such as "210mm"."""

    width: float
    height: float
    title: str
    physical: tuple[str, str] | None = None
    parts: list[str] = field(default_factory=list)
    texts: list[TextBox] = field(default_factory=list)

    def text(
        self, at: Point, words: str, size: float, *, anchor: str = "start", colour: str = INK,
        bold: bool = False, behind: str = "", upright: bool = False,
    ) -> None:  # fmt: skip
        """Words whose base line begins (or is centred, or ends) at a point. `upright` turns them by
        a quarter about that point, to be read from the right. `behind` is a colour for the ground
        of the words.
        """
        x, y = at
        width = text_width(words, size, bold)
        back = {"start": 0.0, "middle": width / 2, "end": width}[anchor]
        up, down = 0.76 * size, 0.22 * size
        style = f'text-anchor="{anchor}" ' if anchor != "start" else ""
        if upright:
            box = TextBox(words, x - up, y + back - width, x + down, y + back)
            style += f'transform="rotate(-90 {_n(x)} {_n(y)})" '
        else:
            box = TextBox(words, x - back, y - up, x - back + width, y + down)
        self.texts.append(box)
        style += 'font-weight="bold" ' if bold else ""
        if behind:
            self.rect(box.left, box.top, box.right - box.left, box.bottom - box.top, behind)
        self.parts.append(
            f'<text x="{_n(x)}" y="{_n(y)}" font-size="{_n(size)}" {style}fill="{colour}">'
            f"{escape(words, quote=False)}</text>"
        )

    def paragraph(
        self, at: Point, words: str, width: float, size: float, *, leading: float = 1.35,
        bold: bool = False, colour: str = INK,
    ) -> float:  # fmt: skip
        """Words in lines of `width`, the first with its base line at a point. Returns the base line
        that the next line would have.
        """
        x, y = at
        for line in wrapped(words, width, size, bold):
            self.text((x, y), line, size, bold=bold, colour=colour)
            y += size * leading
        return y

    def line(
        self, points: Sequence[Point], colour: str = INK, width: float = 1.0, *, dash: str = "",
        casing: float = 0.0, arrow: bool = False,
    ) -> None:  # fmt: skip
        """A line through points; `casing` is a white border that keeps crossing lines apart."""
        path = "M" + " L".join(f"{_n(x)} {_n(y)}" for x, y in points)
        style = 'fill="none" stroke-linejoin="round" stroke-linecap="round"'
        if casing:
            self.parts.append(
                f'<path d="{path}" stroke="{PAPER}" stroke-width="{_n(width + 2 * casing)}" '
                f"{style}/>"
            )
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self.parts.append(
            f'<path d="{path}" stroke="{colour}" stroke-width="{_n(width)}"{dashes} {style}/>'
        )
        if arrow:
            (x0, y0), (x1, y1) = points[-2], points[-1]
            length = max(((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5, 1e-9)
            ux, uy = (x1 - x0) / length, (y1 - y0) / length
            size = 4 * width
            self.polygon(
                [
                    (x1, y1),
                    (x1 - size * ux - size / 2 * uy, y1 - size * uy + size / 2 * ux),
                    (x1 - size * ux + size / 2 * uy, y1 - size * uy - size / 2 * ux),
                ],
                colour,
            )

    def rect(
        self, left: float, top: float, width: float, height: float, fill: str, *, edge: str = "",
        edge_width: float = 1.0, round_by: float = 0.0,
    ) -> None:  # fmt: skip
        border = f' stroke="{edge}" stroke-width="{_n(edge_width)}"' if edge else ""
        corner = f' rx="{_n(round_by)}"' if round_by else ""
        self.parts.append(
            f'<rect x="{_n(left)}" y="{_n(top)}" width="{_n(width)}" height="{_n(height)}" '
            f'fill="{fill}"{border}{corner}/>'
        )

    def circle(self, at: Point, radius: float, fill: str, edge: str = "", width: float = 1) -> None:
        border = f' stroke="{edge}" stroke-width="{_n(width)}"' if edge else ""
        self.parts.append(
            f'<circle cx="{_n(at[0])}" cy="{_n(at[1])}" r="{_n(radius)}" fill="{fill}"{border}/>'
        )

    def polygon(self, points: Iterable[Point], fill: str, edge: str = "", width: float = 1) -> None:
        border = f' stroke="{edge}" stroke-width="{_n(width)}"' if edge else ""
        corners = " ".join(f"{_n(x)},{_n(y)}" for x, y in points)
        self.parts.append(f'<polygon points="{corners}" fill="{fill}"{border}/>')

    def tag(self, at: Point, words: str, colour: str, size: float) -> None:
        """A short name in a filled pill: the number of a line, the sign of a supply."""
        width = max(text_width(words, size, True) + 0.6 * size, 1.35 * size)
        self.rect(
            at[0] - width / 2, at[1] - 0.68 * size, width, 1.36 * size, colour, edge=PAPER,
            edge_width=0.12 * size, round_by=0.68 * size,
        )  # fmt: skip
        self.text(
            (at[0], at[1] + 0.36 * size), words, size, anchor="middle", bold=True, colour=on(colour)
        )

    def problems(self, margin: float = 0.0) -> list[str]:
        """Texts that overlap each other or leave the sheet."""
        found = [
            f"'{box.words}' leaves the sheet"
            for box in self.texts
            if box.left < 0 or box.top < 0 or box.right > self.width or box.bottom > self.height
        ]
        for number, box in enumerate(self.texts):
            found += [
                f"'{box.words}' overlaps '{other.words}'"
                for other in self.texts[:number]
                if box.overlaps(other, margin)
            ]
        return found

    def svg(self) -> str:
        """The sheet as the text of an SVG file."""
        size = f'width="{self.physical[0]}" height="{self.physical[1]}" ' if self.physical else ""
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" {size}'
            f'viewBox="0 0 {_n(self.width)} {_n(self.height)}" font-family="{FONT}" role="img">'
        )
        paper = f'<rect width="100%" height="100%" fill="{PAPER}"/>'
        title = f"<title>{escape(self.title)}</title>"
        return "\n".join([head, title, paper, *self.parts, "</svg>"]) + "\n"


def _n(value: float) -> str:
    """A number for SVG: at most two decimals."""
    return f"{value:.2f}".rstrip("0").rstrip(".") if value else "0"
