"""The pictures of a study: inline SVG, in shapes and shades that survive black-and-white print."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np

from tallymark.study.dates import day_text, days
from tallymark.study.measures import Floats, Measure, Row
from tallymark.study.trends import Group

WIDTH, LEFT, RIGHT, TOP, FOOT = 760, 190, 14, 10, 26
LANE = 26
MOST_LANES = 40
_HEIGHT = 190
_PANEL_LEFT = 70
STRIP = 220


def overview(rows: Sequence[Row]) -> str:
    """Every recording by date, in a lane for each box of each site; the larger and darker its mark,
    the more of its markers went wrong."""
    dated = [(row, day) for row in rows if (day := days(row["date"])) is not None]
    lanes = sorted({_lane(row) for row, _ in dated})
    if len(lanes) > MOST_LANES:
        lanes = sorted({(row["site"] or "", "") for row, _ in dated})
    place = {lane: number for number, lane in enumerate(lanes)}
    height = TOP + LANE * len(lanes) + FOOT
    low, high = _range([day for _, day in dated])
    parts = []
    for lane, number in place.items():
        middle = TOP + LANE * (number + 0.5)
        box = f"…{lane[1][-4:]}" if lane[1] else "no box" if any(box for _, box in lanes) else ""
        label = " ".join(part for part in (lane[0] or "no site" if box else lane[0], box) if part)
        parts.append(f'<path class="grid" d="M{LEFT} {middle:.1f}H{WIDTH - RIGHT}"/>')
        parts.append(f'<text x="{LEFT - 8}" y="{middle + 4:.1f}" text-anchor="end">'
                     f'{escape(label or "not known")}</text>')
    marks = []
    for row, day in dated:
        lane = _lane(row) if _lane(row) in place else (row["site"] or "", "")
        x = LEFT + (day - low) / (high - low) * (WIDTH - RIGHT - LEFT)
        marks.append(_mark(row, x, TOP + LANE * (place[lane] + 0.5)))
    parts += [mark for _, mark in sorted(marks)]  # what is wrong lies on top
    parts.append(_dates(low, high, LEFT, height - FOOT))
    text = f"{len(dated)} recordings in {len(lanes)} lanes"
    return _frame("Recordings over time", text, "".join(parts), height, "overview")


def undated(rows: Sequence[Row]) -> int:
    """How many recordings the overview can't show."""
    return sum(days(row["date"]) is None for row in rows)


def strip(values: Sequence[float], low: float, high: float, median: float) -> str:
    """Values of single recordings as strokes on a scale, and their median as a dot: two groups of
    them are seen at once. Those at the same place are one stroke."""
    def place(value: float) -> float:
        return round(4 + (value - low) / (high - low) * (STRIP - 8), 1) if high > low else 4.0

    strokes = "".join(f"M{x:g} 2v14" for x in sorted({place(value) for value in values}))
    return (f'<svg class="strip" viewBox="0 0 {STRIP} 18" aria-hidden="true">'
            f'<path class="grid" d="M4 9H{STRIP - 4}"/><path class="one" d="{strokes}"/>'
            f'<circle class="median" cx="{place(median):g}" cy="9" r="4"/></svg>')


def _lane(row: Row) -> tuple[str, str]:
    return row["site"] or "", row["box"] or ""


def _mark(row: Row, x: float, y: float) -> tuple[int, str]:
    """Order of drawing, and the mark of a recording with its name as a title."""
    wrong = sum(row[name] or 0 for name in ("missed", "merged", "altered", "extra"))
    share = wrong / row["expected"] if row["expected"] else 0.0
    title = f'{row["name"]}: {row["outcome"] or row["problem"]}'
    if share:
        title += f", {100 * share:.2g} % wrong"
    title = f"<title>{escape(title)}</title>"
    where = f'transform="translate({x:.1f} {y:.1f})"'
    if row["status"] == "checked" and row["identity"] == "foreign":
        return 5, f'<g {where}><path class="foreign" d="M-6-6l12 12m0-12l-12 12"/>{title}</g>'
    if row["status"] != "checked":
        return 2, f'<g {where}><path class="failed" d="M-4-4h8v8h-8z"/>{title}</g>'
    if share:
        size = 3 + 9 * float(np.sqrt(min(share, 1.0)))
        return 4, f'<g {where}><circle class="wrong" r="{size:.1f}"/>{title}</g>'
    if row["outcome"] != "all arrived":
        return 3, f'<g {where}><path class="doubtful" d="M0-5l5 5l-5 5l-5-5z"/>{title}</g>'
    return 1, f'<g {where}><circle class="fine" r="2.4"/>{title}</g>'


def panel(
    rows: Sequence[Row], measure: Measure, names: Sequence[str], since: float | None = None
) -> str:
    """A measure of each recording by date; those of `names` stand out. since: a day to mark."""
    marked = set(names)
    points = [
        (day, value, row) for row in rows
        if row["counted"] and (day := days(row["date"])) is not None
        and (value := measure.of(row)) is not None
    ]
    if not points:
        return ""
    low, high = _range([day for day, _, _ in points])
    values = np.array([value for _, value, _ in points])
    scale = 100.0 if measure.unit == "%" else 1e-3 if measure.unit == "us" else 1.0
    label = {"%": "%", "us": "ms"}.get(measure.unit, measure.unit)
    bottom, top = _limits(values * scale)
    foot = _HEIGHT - FOOT
    parts = []
    for tick in _ticks(bottom, top):
        y = foot - (tick - bottom) / (top - bottom) * (foot - TOP)
        parts.append(f'<path class="grid" d="M{_PANEL_LEFT} {y:.1f}H{WIDTH - RIGHT}"/>')
        parts.append(f'<text x="{_PANEL_LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{tick:g}'
                     "</text>")
    parts.append(f'<text x="14" y="{foot / 2}" text-anchor="middle" '
                 f'transform="rotate(-90 14 {foot / 2})">{escape(label)}</text>')
    width = WIDTH - RIGHT - _PANEL_LEFT
    if since is not None:
        x = _PANEL_LEFT + (since - low) / (high - low) * width
        parts.append(f'<path class="since" d="M{x:.1f} {TOP}V{foot}"/>')
    drawn = []
    for day, value, row in points:
        x = _PANEL_LEFT + (day - low) / (high - low) * width
        y = foot - (value * scale - bottom) / (top - bottom) * (foot - TOP)
        stands_out = row["name"] in marked
        kind, size = ("wrong", 4) if stands_out else ("other", 2.2)
        title = f'<title>{escape(row["name"])}: {value * scale:.4g} {escape(label)}</title>'
        drawn.append((stands_out, f'<circle class="{kind}" cx="{x:.1f}" cy="{y:.1f}" r="{size}">'
                                  f"{title}</circle>"))
    parts += [text for _, text in sorted(drawn)]
    parts.append(_dates(low, high, _PANEL_LEFT, foot))
    title = measure.title[0].upper() + measure.title[1:]
    key = f"p-{measure.name}-{len(names)}-{abs(hash(tuple(names))) % 10_000}".replace(" ", "-")
    text = f"{len(points)} recordings, {len(marked)} of them stand out"
    return _frame(title, text, "".join(parts), _HEIGHT, key)


def names_of(rows: Sequence[Row], group: Group) -> list[str]:
    """Names of the counted recordings of a group's level."""
    return [row["name"] for row in rows if row["counted"] and row[group.factor] == group.level]


def _range(values: Sequence[float]) -> tuple[float, float]:
    if not values:
        return 0.0, 1.0
    margin = max((max(values) - min(values)) * 0.02, 0.5)
    return min(values) - margin, max(values) + margin


def _limits(values: Floats) -> tuple[float, float]:
    low, high = min(float(values.min()), 0.0), float(values.max())
    if high <= low:
        return low, low + 1.0
    margin = (high - low) * 0.05
    return low - margin if low < 0 else low, high + margin


def _ticks(low: float, high: float) -> list[float]:
    step = 10 ** np.floor(np.log10((high - low) / 4))
    step *= next(factor for factor in (1, 2, 5, 10) if (high - low) / (step * factor) <= 5)
    first = np.ceil(low / step - 1e-9)
    return [float((first + n) * step) + 0.0 for n in range(7) if (first + n) * step <= high]


def _dates(low: float, high: float, left: float, bottom: float) -> str:
    """The axis of time, with five dates."""
    parts = [f'<path class="axis" d="M{left} {bottom}H{WIDTH - RIGHT}"/>']
    for place, share in enumerate((0.02, 0.26, 0.5, 0.74, 0.98)):
        x = left + share * (WIDTH - RIGHT - left)
        anchor = "start" if share < 0.1 else "end" if share > 0.9 else "middle"
        parts.append(f'<path class="axis" d="M{x:.1f} {bottom}v4"/>')
        kind = "date between" if place % 2 else "date"  # on a narrow screen there is no room for it
        parts.append(f'<text class="{kind}" x="{x:.1f}" y="{bottom + 17}" text-anchor="{anchor}">'
                     f"{day_text(low + share * (high - low))}</text>")
    return "".join(parts)


def _frame(title: str, description: str, body: str, height: float, key: str) -> str:
    return (
        f'<svg viewBox="0 0 {WIDTH} {height}" role="img" aria-labelledby="{key}-t {key}-d">'
        f'<title id="{key}-t">{escape(title)}</title>'
        f'<desc id="{key}-d">{escape(description)}</desc>'
        f"{body}</svg>"
    )
