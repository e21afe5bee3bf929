"""The report's pictures: inline SVG, in shades and shapes that survive black-and-white print.

Every picture has a title and a description in words, for readers who can't see it. Sizes don't grow
with the number of markers: crowded pictures are thinned to two points for each column and kind.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape

import numpy as np

from tallymark.recording.comparison_result import Comparison
from tallymark.recording.fates import ALTERED, ARRIVED, IN_GAP, IN_PAUSE, MERGED, MISSED
from tallymark.recording.line_faults import line_counts
from tallymark.recording.recording_data import Bools, Floats

CLASSES = (
    "axis", "grid", "dot", "line", "cross", "ring", "up", "band", "column", "jump", "box",
)  # fmt: skip
"""Classes of the elements: the page and the PDF say how each looks."""
WIDE, NARROW = 720, 360  # of a page's width; of half a page's or a phone's
LEFT, RIGHT, TOP, FOOT = 56, 12, 8, 40


@dataclass(frozen=True)
class _Plot:
    """A picture with two axes. width, height: of the picture; x, y: ranges of the axes."""

    width: int
    height: int
    x: tuple[float, float]
    y: tuple[float, float]

    @property
    def bottom(self) -> int:
        """Height of the x axis, from above."""
        return self.height - FOOT

    @property
    def right(self) -> int:
        """End of the x axis."""
        return self.width - RIGHT

    def at(self, x: Floats) -> Floats:
        """Places along the x axis."""
        return _scale(*self.x, LEFT, self.right, x)

    def up(self, y: Floats) -> Floats:
        """Places along the y axis."""
        return _scale(*self.y, self.bottom, TOP, y)

    def at_one(self, x: float) -> float:
        """Place of one value on the x axis."""
        return float(self.at(np.array([x]))[0])

    def up_one(self, y: float) -> float:
        """Place of one value on the y axis."""
        return float(self.up(np.array([y]))[0])

    def axes(self, x_label: str, y_label: str, y_labels: dict[float, str] | None = None) -> str:
        """Axes with ticks; y_labels: ticks of the y axis, default: round numbers."""
        bottom = self.bottom
        parts = [f'<path class="axis" d="M{LEFT} {TOP}V{bottom}H{self.right}"/>']
        for tick in _ticks(*self.x, most=6 if self.width >= WIDE else 4):
            at = self.at_one(tick)
            parts.append(f'<path class="axis" d="M{at:.1f} {bottom}v4"/>')
            parts.append(
                f'<text x="{at:.1f}" y="{bottom + 17}" text-anchor="middle">{tick:g}</text>'
            )
        if y_labels is None:
            y_labels = {tick: f"{tick:g}" for tick in _ticks(*self.y, most=5)}
        for tick, label in y_labels.items():
            up = self.up_one(tick)
            parts.append(f'<path class="grid" d="M{LEFT} {up:.1f}H{self.right}"/>')
            parts.append(f'<text x="{LEFT - 5}" y="{up + 4:.1f}" text-anchor="end">{label}</text>')
        middle = (LEFT + self.right) / 2
        parts.append(
            f'<text x="{middle}" y="{self.height - 6}" text-anchor="middle">{x_label}</text>'
        )
        turn = f"rotate(-90 13 {bottom / 2})"
        parts.append(
            f'<text x="13" y="{bottom / 2}" text-anchor="middle" transform="{turn}">{y_label}'
            "</text>"
        )
        return "".join(parts)

    def jump(self, at: float) -> str:
        """A line across the picture where samples are missing."""
        return f'<path class="jump" d="M{at:.1f} {TOP}V{self.bottom}"/>'

    def frame(self, title: str, description: str, body: str, key: str) -> str:
        """The picture, with its title and description in words."""
        key = f"{key}-{self.width}"
        return (
            f'<svg viewBox="0 0 {self.width} {self.height}" role="img" '
            f'aria-labelledby="{key}-t {key}-d"><title id="{key}-t">{escape(title)}</title>'
            f'<desc id="{key}-d">{escape(description)}</desc>{body}</svg>'
        )


def _scale(low: float, high: float, start: float, end: float, values: Floats) -> Floats:
    span = high - low or 1.0
    result: Floats = start + (values - low) / span * (end - start)
    return result


def _ticks(low: float, high: float, most: int) -> list[float]:
    """Round numbers (1, 2 or 5 times a power of ten apart) within a range."""
    step = 10 ** np.floor(np.log10(max((high - low) / most, 1e-12)))
    for factor in (1, 2, 5, 10):
        if (high - low) / (step * factor) <= most:
            step *= factor
            break
    first = np.ceil(low / step - 1e-9) * step
    ticks = np.arange(first, high + step * 1e-6, step)
    return [float(round(tick / step) * step) + 0.0 for tick in ticks]  # + 0.0: no minus zero


def _thin(x: Floats, y: Floats, most: int) -> Bools:
    """Which points to draw: all if few, else the highest and the lowest of each column."""
    keep: Bools = np.zeros(len(x), bool)
    if len(x) <= most:
        keep[:] = True
        return keep
    column = np.floor((x - x.min()) / (np.ptp(x) or 1.0) * (most // 2 - 1)).astype(int)
    for order in (np.lexsort((y, column)), np.lexsort((-y, column))):
        first = np.ones(len(order), bool)
        first[1:] = column[order][1:] != column[order][:-1]
        keep[order[first]] = True
    return keep


def _marks(shape: str, x: Floats, y: Floats) -> str:
    """Points as one path each: 'dot', 'cross', 'ring', 'up' or 'box'."""
    paths = {
        "dot": "m-2.2 0a2.2 2.2 0 1 0 4.4 0a2.2 2.2 0 1 0-4.4 0",
        "ring": "m-4 0a4 4 0 1 0 8 0a4 4 0 1 0-8 0",
        "cross": "m-4-4l8 8m0-8l-8 8",
        "up": "m0-5l5 9h-10z",
        "box": "m-3.5-3.5h7v7h-7z",
    }
    points = "".join(f"M{a:.1f} {b:.1f}{paths[shape]}" for a, b in zip(x, y, strict=True))
    return f'<path class="{shape}" d="{points}"/>' if points else ""


def _code_rows(result: Comparison) -> tuple[Floats, dict[float, str]]:
    """Height of each code 0..255 in the picture, and labels. A few codes get a row each, and one
    row more for codes that the log doesn't know; many are drawn to scale."""
    known = np.unique(result.sent.code)
    if len(known) > 20:
        return np.arange(256) / 16.0, {code / 16.0: str(code) for code in range(0, 256, 32)}
    rows = np.full(256, float(len(known)))
    rows[known] = np.arange(len(known))
    labels = {float(row): str(code) for row, code in enumerate(known)}
    if not np.isin(result.recorded.code[result.extra], known).all():
        labels[float(len(known))] = "other"
    return rows, labels


def over_time(result: Comparison, width: int = WIDE) -> str:
    """Codes over time, with what is missing, altered or extra."""
    at = result.alignment_times() / 1e6
    code = result.sent.code
    end = max(result.recorded.end_us / 1e6, 1e-3)
    rows, labels = _code_rows(result)
    height = 80 + max(11 * len(labels), 120)
    plot = _Plot(width, height, (0.0, end), (-0.7, max(labels) + 0.7))

    def place(x: Floats, y: Floats, shape: str) -> str:
        inside = (x >= 0) & (x <= end)
        x, y = x[inside], y[inside]
        keep = _thin(x, y, width * 2)
        return _marks(shape, plot.at(x[keep]), plot.up(y[keep]))

    body = plot.axes("time in the recording (s)", "code", labels)
    gone = np.isin(result.fate, (MISSED, MERGED, IN_GAP, IN_PAUSE))
    altered, there = result.fate == ALTERED, result.fate == ARRIVED
    body += place(at[there], rows[code[there]], "dot")
    body += place(at[altered], rows[code[altered]], "up")
    body += place(at[gone], rows[code[gone]], "cross")
    extra, unplaced = result.extra, result.unplaced
    time, seen = result.recorded.time_us / 1e6, result.recorded.code
    body += place(time[extra], rows[seen[extra]], "ring")
    body += place(time[unplaced], rows[seen[unplaced]], "box")
    body += "".join(plot.jump(plot.at_one(when / 1e6)) for when, _ in result.jumps)
    words = (
        f"Each marker by time and code: {int(there.sum())} arrived, {int(altered.sum())} altered, "
        f"{int(gone.sum())} missed, {len(extra)} extra, {len(unplaced)} whose marker can't be "
        "known."
    )
    return plot.frame("Markers over time", words, body, "time")


def residuals(result: Comparison, width: int = NARROW) -> str | None:
    """Residual times over time, with the band that sampling alone gives."""
    known = np.isfinite(result.residual_us)
    if known.sum() < 2:
        return None
    x = result.alignment_times()[known] / 1e6
    sample = result.recorded.sample_us
    unit, name = (1e3, "ms") if sample >= 100 or result.recorded.rate is None else (1.0, "µs")
    y = result.residual_us[known] / unit
    band = sample / 2 / unit if result.recorded.rate is not None else 0.0
    most = max(float(np.abs(y).max()), band) * 1.25 or 1.0
    plot = _Plot(width, 220, (0.0, max(result.recorded.end_us / 1e6, 1e-3)), (-most, most))
    body = ""
    if band:
        top, bottom = plot.up(np.array([band, -band]))
        body = (
            f'<rect class="band" x="{LEFT}" y="{top:.1f}" width="{plot.right - LEFT}" '
            f'height="{bottom - top:.1f}"/>'
        )
    body += plot.axes("time in the recording (s)", f"late by ({name})")
    keep = _thin(x, y, width * 2)
    body += _marks("dot", plot.at(x[keep]), plot.up(y[keep]))
    words = f"Residual times lie between {y.min():.3g} and {y.max():.3g} {name}"
    words += f"; sampling alone spreads them over {band:.3g} either way." if band else "."
    return plot.frame("Residual times", words, body, "residual")


def widths(result: Comparison, width: int = NARROW) -> str | None:
    """How many markers have which width in samples, against the log."""
    sample = result.recorded.sample_us
    error = (result.width_us() - result.sent.width) / sample
    known = np.isfinite(error) & (result.fate == ARRIVED)
    if not known.any() or result.recorded.rate is None:
        return None
    off = np.clip(np.round(error[known], 6), -5.5, 5.5)
    edges = np.arange(-5.75, 6.0, 0.5)
    count, _ = np.histogram(off, edges)
    plot = _Plot(width, 220, (-5.75, 5.75), (0.0, float(count.max()) * 1.1))
    body = plot.axes("recorded width minus sent (samples)", "markers")
    for left, number in zip(edges[:-1], count, strict=True):
        if number:
            a, b = plot.at(np.array([left + 0.06, left + 0.44]))
            top = plot.up_one(float(number))
            body += (
                f'<rect class="column" x="{a:.1f}" y="{top:.1f}" width="{b - a:.1f}" '
                f'height="{plot.bottom - top:.1f}"/>'
            )
    words = f"Widths differ from the log by {off.min():.2g} to {off.max():.2g} samples."
    return plot.frame("Widths", words, body, "width")


def drift(result: Comparison, width: int = NARROW) -> str | None:
    """How far the recording's clock has moved away from the box's. What the recording lacks is
    taken out, and the line is broken there."""
    known = np.isfinite(result.residual_us) & result.sent.confirmed
    if known.sum() < 3 or result.timing.offset_us is None:
        return None
    sent = result.sent.time[known]
    x = sent / 1e6
    # An event belongs to the piece that its own time says; where it was expected may lie before.
    piece = np.searchsorted(
        np.array([when for when, _ in result.jumps]),
        result.recorded.time_us[result.partner[known]],
        side="right",
    )
    shift = np.concatenate(([0.0], np.cumsum([shift for _, shift in result.jumps])))[piece]
    mapped = result.expected_us[known] - shift
    y = (mapped - sent - (mapped[0] - sent[0])) / 1e3
    low, high = min(float(y.min()), 0.0), max(float(y.max()), 0.0)
    pad = (high - low) * 0.1 or 0.1
    plot = _Plot(width, 220, (float(x[0]), float(x[-1])), (low - pad, high + pad))
    body = plot.axes("box time (s)", "moved by (ms)")
    at, up = plot.at(x), plot.up(y)
    for number in range(len(result.jumps) + 1):
        here = np.flatnonzero(piece == number)
        if not len(here):
            continue
        if number:
            body += plot.jump(float((at[here[0] - 1] + at[here[0]]) / 2 if here[0] else at[0]))
        keep = here[np.linspace(0, len(here) - 1, min(len(here), 400)).astype(int)]
        points = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(at[keep], up[keep], strict=True))
        body += f'<polyline class="line" points="{points}"/>'
    words = (
        f"The recording's clock moved by {y[-1]:.3g} ms against the box's in {x[-1] - x[0]:.4g} s, "
        f"{result.timing.drift_ppm:.3g} ppm."
    )
    return plot.frame("Clock drift", words, body, "drift")


def line_rows(result: Comparison) -> list[dict[str, int | str]]:
    """Hits line by line, for a table: how often each line was right when active and when idle."""
    there = result.partner >= 0
    counts = line_counts(
        result.sent.code[there], result.recorded.code[result.partner[there]]
    ).astype(int)
    used = int(np.bitwise_or.reduce(result.sent.code))
    rows: list[dict[str, int | str]] = []
    for line in range(8):
        (idle_right, idle_wrong), (active_wrong, active_right) = counts[line]
        faults = [fault.kind for fault in result.faults if line in fault.lines]
        wrong = idle_wrong + active_wrong
        verdict = ", ".join(faults) or ("altered at times" if wrong else "right")
        if not faults and not wrong and not (active_right and idle_right):
            verdict = _untried(used >> line & 1 == 1, bool(active_right), bool(idle_right))
        rows.append(
            {
                "line": line,
                "pin": line + 2,
                "active_right": int(active_right),
                "active": int(active_right + active_wrong),
                "idle_right": int(idle_right),
                "idle": int(idle_right + idle_wrong),
                "verdict": verdict,
                "off": bool(faults or wrong),
            }
        )
    return rows


def _untried(used: bool, active: bool, idle: bool) -> str:
    """Verdict on a line of which not both levels were seen, and nothing wrong."""
    if active:
        return "right when active, never seen idle"
    if used:
        return "right when idle, never seen active" if idle else "not seen"
    return "not used"
