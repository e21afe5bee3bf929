"""A picture of the eight lines over time, as PNG or SVG. Needs the extra `picture` (matplotlib)."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from tallymark.common.colours import BAND, INK, RULE, SENT, SOFT
from tallymark.common.errors import BadValue

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LINES = 8
_MOST_LABELS = 40


def draw_lines(
    changes: Sequence[tuple[int, int]],
    path: Path | str,
    end_us: int | None = None,
    start_us: int | None = None,
    idle_levels: int = 0,
    title: str = "",
) -> None:
    """Draws (time in µs, levels) changes, the first being the levels at the beginning.

    path: file to write; its ending decides on the format (.png, .svg, .pdf).
    start_us, end_us: the part to show; without them, all of it.
    idle_levels: levels at code 0, to tell which code is out: 0x00 with idle low, 0xFF with high.

    Line 7 is on top and line 0 at the bottom, as bits are written. Codes stand above their markers
    while there is room for them.

    Raises BadValue if there is nothing to draw, ImportError without matplotlib.
    """
    from matplotlib.figure import Figure
    from matplotlib.ticker import FuncFormatter

    if not changes:
        raise BadValue("There are no changes to draw.")
    start = changes[0][0] if start_us is None else start_us
    last = changes[-1][0]
    end = last + max(1, (last - start) // 50) if end_us is None else end_us
    if end <= start:
        raise BadValue(f"The picture would end ({end} µs) before it begins ({start} µs).")
    shown = _cut(changes, start, end)
    scale, unit = _unit(end - start)
    times = [(time - start) / scale for time, _ in shown]

    figure = Figure(figsize=(12, 4.6), dpi=120, facecolor="white", layout="constrained")
    axes = figure.add_subplot()
    for line in range(LINES):
        high = [line + 0.68 * (levels >> line & 1) for _, levels in shown]
        idle = line + 0.68 * (idle_levels >> line & 1)
        axes.axhline(line, color=BAND, linewidth=0.8, zorder=0)
        axes.fill_between(times, high, idle, step="post", color=RULE, linewidth=0, zorder=1)
        axes.step(times, high, where="post", color=SENT, linewidth=1.2, zorder=2)
    axes.tick_params(axis="y", length=0, labelcolor=INK)
    axes.tick_params(axis="x", color=SOFT, labelcolor=INK)
    axes.set_xlim(0, (end - start) / scale)
    axes.set_ylim(-0.25, LINES + 0.5)
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.set_xlabel(f"time in {unit} from box time {start:,} µs", color=INK)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(SOFT)
    if title:
        axes.set_title(title, loc="left", color=INK, fontsize=12, pad=12)
    names = {line + 0.34: f"line {line}" for line in range(LINES)}
    if _label_codes(axes, shown, start, end, scale, idle_levels):
        names[LINES + 0.15] = "code"
    axes.set_yticks(list(names), list(names.values()))
    figure.savefig(path)


def _label_codes(
    axes: Axes,
    shown: Sequence[tuple[int, int]],
    start: int,
    end: int,
    scale: float,
    idle_levels: int,
) -> bool:
    """Writes each code above its marker, unless the labels would run into each other."""
    middles = [
        ((at + until) / 2, levels ^ idle_levels)
        for (at, levels), (until, _) in pairwise(shown)
        if levels != idle_levels
    ]
    room = (end - start) / _MOST_LABELS
    if not middles or any(b - a < room for (a, _), (b, _) in pairwise(middles)):
        return False
    for time, code in middles:
        axes.annotate(
            str(code),
            ((time - start) / scale, LINES + 0.15),
            ha="center",
            va="center",
            fontsize=8.5,
            color=INK,
        )
    return True


def _cut(changes: Sequence[tuple[int, int]], start: int, end: int) -> list[tuple[int, int]]:
    """The changes between two times, with the levels at both of them."""
    levels = changes[0][1]
    inside: list[tuple[int, int]] = []
    for time, now in changes:
        if time <= start:
            levels = now
        elif time < end:
            inside.append((time, now))
    return [(start, levels), *inside, (end, inside[-1][1] if inside else levels)]


def _unit(span_us: int) -> tuple[float, str]:
    if span_us >= 3_000_000:
        return 1e6, "s"
    return (1e3, "ms") if span_us >= 3_000 else (1.0, "µs")
