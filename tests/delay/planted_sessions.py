"""Sessions with a known truth: the virtual box, a simulated display and a simulated loudspeaker.

The onsets are found by the firmware's own core from the levels; what is planted here is known from
the display's arithmetic alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from tallymark import Box, MarkerLog
from tallymark.plan import Plan, from_mapping
from tallymark.virtual.stimuli import Display, Loudspeaker, present

KINDS = (
    "steady", "dropped", "step", "drift", "missing", "double", "out of step", "sound",
    "two heights", "all at once",
)  # fmt: skip
NOTHING_TO_CLAIM = ("rhythm", "flicker")
LIT_FRAMES = 6

PLAN = {
    "session": {"width_us": 2000},
    "event": [
        {"name": "ferry in sight", "code": 12, "probe": "light"},
        {"name": "gangway down", "code": 33, "probe": "light"},
        {"name": "horn", "code": 36, "probe": "sound"},
        {"name": "deckhand nods", "code": 7},
    ],
}


@dataclass
class Truth:
    """Of each marker with a probe, in order. delay_us: NaN where nothing came. off_us: by how much
    it was planted to be off by itself. step: (marker, µs) of a lasting one. drift_us: over the
    session."""

    delay_us: list[float] = field(default_factory=list)
    off_us: list[float] = field(default_factory=list)
    double: list[bool] = field(default_factory=list)
    step: tuple[int, float] | None = None
    drift_us: float = 0.0


def plan() -> Plan:
    return from_mapping(PLAN)


def session(kind: str, seed: int, log: Path, trials: int = 120) -> Truth:
    """Plays one; keeps its log."""
    random = np.random.default_rng(seed)
    refresh = float(random.choice([59.94, 60.0, 75.0, 120.0, 144.0]))
    display = Display(
        refresh, float(random.uniform(2_000, 60_000)), float(random.uniform(0, 1)),
        float(random.uniform(200, 6_000)), 240.0 if kind == "flicker" else 0.0,
        int(random.integers(20_000, 60_000)),
    )
    speaker = Loudspeaker(float(random.choice([5_000, 10_000, 23_220])),
                          float(random.uniform(5_000, 120_000)))
    truth = Truth()
    all_at_once = kind == "all at once"
    if kind in ("step", "all at once"):
        truth.step = int(random.integers(trials // 4, 3 * trials // 4)), display.frame_us
    if kind in ("drift", "all at once"):
        truth.drift_us = float(random.choice([-1, 1]) * random.uniform(2_000, 5_000))
    odd = set(random.choice(trials - 2, trials // 20, replace=False) + 1)
    if truth.step is not None:  # a late one right at the step is as well one before it
        odd -= {truth.step[0]}
    chances = {name: odd if kind == name else set() for name in ("dropped", "missing", "double")}
    if all_at_once:
        odds = random.permutation(list(odd))
        chances = {"dropped": set(odds[:3]), "missing": set(odds[3:5]), "double": set(odds[5:])}
    with Box.open("virtual://?time=stepped") as box:
        device, begin = box.port.device, None
        box.settings.write(box.settings.read().changed(
            light="level", light_threshold=display.threshold, light_hysteresis=4_000,
            sound="level", sound_threshold=speaker.threshold, sound_hysteresis=4_000,
        ))
        planned = plan()
        with MarkerLog.for_box(log, box, planned):
            box.pacing.sleep(1.0)
            for trial in range(trials):
                wait = 0.2 if kind == "rhythm" else float(random.uniform(0.6, 1.2))
                box.pacing.sleep(wait)
                now = device.life_us
                begin = now if begin is None else begin
                if kind not in ("out of step", "rhythm"):  # as a program that waits for a frame
                    box.pacing.sleep((display.frame_at(now) - now) / 1e6)
                    now = device.life_us
                if trial % 7 == 3 and kind != "rhythm":
                    planned.pulse(box, "deckhand nods")
                name = "horn" if kind == "sound" else "ferry in sight"
                shown = display
                if kind == "two heights" and trial % 3 == 0:
                    name, shown = "gangway down", replace(display, position=0.1, lag_us=2_000.0)
                planned.pulse(box, name)
                box.wait()
                sent = device.edges()
                marked = next(at for at, levels in reversed(sent) if levels)
                dropped = int(trial in chances["dropped"])
                lasting = int(truth.step is not None and trial >= truth.step[0])
                moved = truth.drift_us * (now - begin) / (trials * 0.9e6)
                truth.off_us.append(dropped * display.frame_us)
                truth.double.append(trial in chances["double"])
                if trial in chances["missing"]:
                    truth.delay_us.append(float("nan"))
                    continue
                if kind == "sound":
                    stimulus = speaker.play(now)
                    present(device, "sound", stimulus)
                else:
                    stimulus = replace(shown, lag_us=shown.lag_us + moved).show(
                        now - 1, LIT_FRAMES, dropped + lasting)
                    present(device, "light", stimulus)
                    if trial in chances["double"]:
                        again = now + (LIT_FRAMES + 3) * display.frame_us
                        present(device, "light", shown.show(again, 3, dropped + lasting))
                truth.delay_us.append(stimulus.onset_us - marked)
            box.pacing.sleep(1.0)
    return truth
