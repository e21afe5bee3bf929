"""A picture of delays over the session, as PNG, SVG or PDF. Needs the extra `picture`."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from tallymark.common.colours import BAD, DOUBT, GOOD, INK, RULE, SENT, SOFT, UNKNOWN
from tallymark.common.errors import BadValue
from tallymark.markerlog.delay.pairing import FOUND
from tallymark.markerlog.delay.result import Delays
from tallymark.markerlog.delay.sentences import headline

_COLOURS = (SENT, GOOD, DOUBT, UNKNOWN, SOFT)
_SHAPES = "os^Dv"


def draw_delays(delays: Delays, path: Path | str, refresh_hz: float | None = None) -> None:
    """Draws the delay of each marker over the time of the session; one panel a probe.

    path: file to write; its ending decides on the format (.png, .svg, .pdf). Events differ in
    colour and shape; markers without an onset stand at the foot as crosses.

    Raises BadValue if there is nothing to draw, ImportError without matplotlib.
    """
    from matplotlib.figure import Figure

    if not delays.probes:
        raise BadValue("There are no delays to draw.")
    figure = Figure(figsize=(12, 3.6 * len(delays.probes) + 0.4), dpi=120, facecolor="white",
                    layout="constrained")
    panels = figure.subplots(len(delays.probes), 1, squeeze=False)[:, 0]
    for axes, probe in zip(panels, delays.probes, strict=True):
        minutes = (probe.times_us - probe.times_us[0]) / 6e7
        long = minutes[-1] >= 3
        times = minutes if long else minutes * 60
        for number, event in enumerate(probe.events):
            chosen = np.array([name == event.name for name in probe.names])
            has = chosen & (probe.fates == FOUND)
            axes.plot(times[has], probe.delays_us[has] / 1e3, _SHAPES[number % len(_SHAPES)],
                      color=_COLOURS[number % len(_COLOURS)], markersize=4, label=event.name)
        without = probe.fates != FOUND
        if without.any():
            axes.plot(times[without], np.full(without.sum(), 0.02), "x", color=BAD, markersize=6,
                      transform=axes.get_xaxis_transform(), label="no onset", clip_on=False)
        for step in probe.steady.steps if probe.steady else ():
            at = (step.box_us - probe.times_us[0]) / (6e7 if long else 1e6)
            axes.axvline(at, color=BAD, linewidth=1, linestyle="--")
        axes.set_title(headline(probe, refresh_hz), loc="left", color=INK, fontsize=11)
        axes.set_ylabel("delay in ms", color=INK)
        axes.set_xlabel(f"time from the first marker in {'minutes' if long else 's'}", color=INK)
        axes.grid(color=RULE, linewidth=0.6)
        axes.set_axisbelow(True)
        axes.tick_params(color=SOFT, labelcolor=INK)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False)
    figure.savefig(path)
