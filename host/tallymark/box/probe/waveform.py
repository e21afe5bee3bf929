"""A piece of a probe's signal with what the settings make of it: as text, CSV or a picture."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import NamedTuple

from tallymark.box.probe.flicker import flicker_hz
from tallymark.box.settings import Settings
from tallymark.box.wire.answer_values import Snippet
from tallymark.common.colours import BAD, INK, RULE, SENT, SOFT
from tallymark.common.errors import BadValue
from tallymark.common.formatting import time_text

FULL_SCALE = 65_535
FINEST_US = 10  # between two samples, with one of one
WIDTH, HEIGHT = 72, 15


class Waveform(NamedTuple):
    """Levels go from 0 to 65,535.

    probe: "light" or "sound". rest: of a sound's signal, its mean over the snippet; 0 for light,
    and for a box that gives how far a sound is from its rest. threshold, hysteresis: of the
    settings; of sound, they count from its rest in both directions. by_level: the settings watch
    this level. flicker_hz: None where there is none.
    """

    probe: str
    snippet: Snippet
    rest: int
    threshold: int
    hysteresis: int
    by_level: bool
    flicker_hz: float | None

    @property
    def marks(self) -> tuple[tuple[str, int], ...]:
        """What a level is compared with: (name, level)."""
        if not self.threshold:
            return ()
        pair = (("threshold", self.threshold), ("release", self.threshold - self.hysteresis))
        if not self.rest:
            return pair
        return tuple(
            (name, self.rest + sign * level) for sign in (1, -1) for name, level in pair
            if 0 <= self.rest + sign * level <= FULL_SCALE
        )

    @property
    def span(self) -> tuple[int, int]:
        """The lowest and the highest level that a plot has to hold."""
        levels = [*self.snippet.samples, *(level for _, level in self.marks)]
        low, high = min(levels), max(levels)
        margin = max((high - low) // 20, 1)
        return max(0, low - margin), min(FULL_SCALE, high + margin)


def waveform(probe: str, snippet: Snippet, settings: Settings, *, distances: bool) -> Waveform:
    """Joins a snippet with the settings in force.

    probe: "light" or "sound". distances: the box gives how far a sound is from its rest (a virtual
    box), not the signal itself. Raises BadValue for a snippet without samples."""
    if not snippet.samples:
        raise BadValue("The box gave no samples. Nothing can be shown; try again.")
    rest = 0
    if probe == "sound" and not distances:
        rest = round(sum(snippet.samples) / len(snippet.samples))
    watched = getattr(settings, probe)
    return Waveform(
        probe, snippet, rest, getattr(settings, f"{probe}_threshold"),
        getattr(settings, f"{probe}_hysteresis"),
        watched.label in ("level", "steady"), flicker_hz(snippet),
    )


def sentences(wave: Waveform) -> list[str]:
    """What the plot shows, in words."""
    samples = wave.snippet.samples
    lasts = len(samples) * wave.snippet.interval_us
    found = [
        f"{wave.probe}: {len(samples)} samples, one every {time_text(wave.snippet.interval_us)}, "
        f"{time_text(lasts)} in all; from {min(samples)} to {max(samples)}."
    ]
    if not wave.threshold:
        found.append("No threshold is set; `tallymark probe --calibrate` finds one.")
    else:
        of_rest = f" from the rest at {wave.rest}, up or down" if wave.rest else ""
        found.append(
            f"On at {wave.threshold} (threshold), off below {wave.threshold - wave.hysteresis} "
            f"(less the hysteresis of {wave.hysteresis}){of_rest}."
        )
    if wave.threshold and not wave.by_level:
        found.append("This level is not watched now, so that it makes no edges.")
    if wave.flicker_hz is not None and wave.probe == "light":
        limit_hz = 5e5 / wave.snippet.interval_us
        finer = "" if wave.snippet.interval_us <= FINEST_US else (
            f", if it is not faster than {limit_hz:,.0f} Hz, which these samples can't tell (with "
            "--every 1 they can)")
        found.append(f"The light flickers at {wave.flicker_hz:.0f} Hz{finer}.")
    if max(samples) >= FULL_SCALE - 16 or (wave.rest and min(samples) <= 16):
        found.append("The signal reaches the end of the scale: its true height is not known.")
    return found


def text_rows(wave: Waveform, width: int = WIDTH, height: int = HEIGHT) -> list[str]:
    """A plot of `#`, from the lowest to the highest sample of each column. `=` is the threshold,
    `-` where it is released."""
    samples = wave.snippet.samples
    low, high = wave.span
    width = min(width, len(samples))

    def row_of(level: int) -> int:
        return round((high - level) * (height - 1) / (high - low))

    cells = [[" "] * width for _ in range(height)]
    labels = {0: str(high), height - 1: str(low)}
    for name, level in reversed(wave.marks):
        row = row_of(level)
        cells[row] = ["=" if name == "threshold" else "-"] * width
        labels[row] = str(level)
    for column in range(width):
        first = column * len(samples) // width
        part = samples[max(first - 1, 0) : (column + 1) * len(samples) // width]
        for row in range(row_of(max(part)), row_of(min(part)) + 1):
            cells[row][column] = "#"
    lines = [f"{labels.get(row, ''):>6} |{''.join(line)}" for row, line in enumerate(cells)]
    lasts = time_text(len(samples) * wave.snippet.interval_us)
    return [*lines, f"{'':>6} 0{lasts:>{width}}"]


def write_csv(wave: Waveform, path: Path) -> None:
    """One row a sample: microseconds from the first, box time in µs, level; before them, rows that
    begin with `#` say threshold, hysteresis and rest."""
    with path.open("w", newline="", encoding="utf-8") as file:
        for name in ("probe", "threshold", "hysteresis", "rest"):
            file.write(f"# {name}: {getattr(wave, name)}\n")
        rows = csv.writer(file)
        rows.writerow(("since_first_us", "box_us", "level"))
        for place, level in enumerate(wave.snippet.samples):
            since = place * wave.snippet.interval_us
            rows.writerow((since, wave.snippet.time_us + since, level))


def draw(wave: Waveform, path: Path) -> None:
    """Draws it; the ending of the path decides on the format (.png, .svg, .pdf). Raises ImportError
    without matplotlib."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10, 4), dpi=120, facecolor="white", layout="constrained")
    axes = figure.subplots()
    samples = wave.snippet.samples
    times = [place * wave.snippet.interval_us / 1e3 for place in range(len(samples))]
    axes.plot(times, samples, color=SENT, linewidth=1)
    for name, level in wave.marks:
        axes.axhline(level, color=BAD, linewidth=1, linestyle="-" if name == "threshold" else ":")
        axes.annotate(f"{name} {level}", (1, level), xycoords=("axes fraction", "data"),
                      xytext=(4, 0), textcoords="offset points", va="center", color=INK, fontsize=9)
    axes.set_ylim(*wave.span)
    axes.set_title(sentences(wave)[0], loc="left", color=INK, fontsize=11)
    axes.set_xlabel("ms from the first sample", color=INK)
    axes.set_ylabel("level", color=INK)
    axes.grid(color=RULE, linewidth=0.6)
    axes.tick_params(color=SOFT, labelcolor=INK)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    figure.savefig(path)
