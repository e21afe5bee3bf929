"""A picture's delay: markers, and a light probe on a simulated display.

Usage: python picture_delay.py LOG [--position 0..1] [--drop N] [--backlight HZ] [--steady]
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from tallymark import Box, MarkerLog, markerlog
from tallymark.markerlog.delay import measure
from tallymark.markerlog.delay.result import ProbeDelay
from tallymark.virtual.stimuli import Display, Room, present

from experiment import Experiment, Facts, axes, save

PICTURES, DROPPED, BACKLIGHT_HZ = 60, 3, 220.0
TOP, BOTTOM = 0.02, 0.98
LAMP = Room(level=2_000)


@dataclass(frozen=True)
class Session:
    """position: of the sensor, 0 at the top of the screen. drop: pictures that miss a frame.
    backlight_hz: how often the backlight is switched; 0: it is steady. steady: the box is told
    that the light flickers."""

    position: float = TOP
    drop: int = 0
    backlight_hz: float = 0.0
    steady: bool = False


def show_pictures(session: Session, log: Path) -> None:
    """Shows 60 white pictures, each with a marker at the begin of its frame."""
    random = np.random.default_rng(4)
    late = set(random.choice(np.arange(5, PICTURES - 5), session.drop, replace=False))
    display = Display(position=session.position, pwm_hz=session.backlight_hz)
    with Box.open("virtual://?time=stepped") as box:
        device = box.port.device
        device.set_probe("light", LAMP.level)
        box.settings.write(box.settings.read().changed(
            light="steady" if session.steady else "level",
            light_threshold=display.threshold, light_hysteresis=4_000,
        ))  # fmt: skip
        with MarkerLog.for_box(log, box):
            for number in range(PICTURES):
                box.pacing.sleep(float(random.uniform(0.55, 0.75)))
                now = device.life_us
                box.pacing.sleep((display.frame_at(now) - now) / 1e6)
                frame = device.life_us
                box.pulse(12)
                box.wait()
                seen = display.show(frame - 1, dropped=int(number in late))
                lit = LAMP.with_light(seen.levels, frame, seen.levels[-1][0] + 1)
                present(device, "light", type(seen)(seen.onset_us, lit))
            box.pacing.sleep(1.0)


def delays(session: Session, log: Path) -> ProbeDelay:
    show_pictures(session, log)
    (found,) = measure(markerlog.read(log), "light").probes
    return found


def run(target: Path) -> Facts:
    import tempfile

    with tempfile.TemporaryDirectory() as work:
        folder = Path(work)
        top = delays(Session(TOP, DROPPED), folder / "top.jsonl")
        bottom = delays(Session(BOTTOM), folder / "bottom.jsonl")
        flicker = delays(Session(backlight_hz=BACKLIGHT_HZ), folder / "flicker.jsonl")
        steady = delays(Session(backlight_hz=BACKLIGHT_HZ, steady=True), folder / "steady.jsonl")
    figure, one = axes()
    for found, name in ((top, "sensor at the top"), (bottom, "sensor at the bottom")):
        one.plot(np.arange(1, PICTURES + 1), found.delays_us / 1e3, ".", markersize=5, label=name)
    one.set(xlabel="picture", ylabel="light behind its marker, ms", ylim=(0, None))
    one.legend(loc="lower left", bbox_to_anchor=(0, 1), frameon=False, ncols=2)
    save(figure, target)
    high, low, late = top.all_events, bottom.all_events, steady.all_events
    if flicker.why != "flicker" or high.mean_us is None or low.mean_us is None:
        raise RuntimeError("a flicker was taken for pictures, or pictures were not seen")
    assert late.sd_us is not None
    off = np.flatnonzero(top.off)
    return {
        "top": f"{high.mean_us / 1e3:.1f}",
        "bottom": f"{low.mean_us / 1e3:.1f}",
        "apart": f"{(low.mean_us - high.mean_us) / 1e3:.1f}",
        "late": ", ".join(str(place + 1) for place in off),
        "by": f"{float(top.off[off].mean()) / 1e3:.1f}",
        "count": str(len(off)),
        "onsets": str(flicker.onsets),
        "sd": f"{late.sd_us / 1e3:.1f}",
    }


EXPERIMENT = Experiment(
    "picture-delay",
    "When did the picture really come?",
    "Measure the delay of a display with a light probe, find dropped frames, and see that a screen isn't lit in all places at once.",
    "The virtual box with its simulated display. On the bench: a box with a [light probe](../README.md), and the program that shows your pictures.",
    (
        "Show 60 white pictures, with the sensor near the top of the screen. How long after its marker does the light come?",
        "Do it with the sensor at the bottom.",
        "Do it with three dropped frames. Which pictures were they?",
        "Do it with a backlight that is switched 220 times a second; then tell the box that the light flickers.",
        "On the bench: keep a marker log while your own program runs (`tallymark probe --calibrate light` first), and ask `tallymark delay`.",
    ),
    (
        "python hardware/experiments/picture_delay.py top.jsonl",
        "tallymark delay top.jsonl --probe light --refresh 60",
        "python hardware/experiments/picture_delay.py bottom.jsonl --position 0.98",
        "tallymark delay bottom.jsonl --probe light --refresh 60",
        "python hardware/experiments/picture_delay.py dropped.jsonl --drop 3",
        "tallymark delay dropped.jsonl --probe light --refresh 60",
        "python hardware/experiments/picture_delay.py flicker.jsonl --backlight 220",
        "tallymark delay flicker.jsonl --probe light",
        "python hardware/experiments/picture_delay.py steady.jsonl --backlight 220 --steady",
        "tallymark delay steady.jsonl --probe light",
    ),
    (
        "The delay hardly varies. May the lab forget about it?",
        "How much later is the bottom of the screen, and why isn't it a whole frame of 16.7 ms?",
        "Which pictures were late, by how much, and what does that say of the program?",
        "With the switched backlight, why does the first command claim nothing? What is lost when the box is told of the flicker?",
        "Where would you put the sensor if the pictures of the experiment are in the middle of the screen?",
    ),
    (
        "No: {top} ms are missing in each latency that is counted from the marker. But a constant delay can be subtracted; the log's own times stay as they are.",
        "{apart} ms: {top} ms at the top, {bottom} ms at the bottom. The lines are sent one after the other, but 45 of 1,125 of them are never seen: the last one comes before the frame is over. From 2 to 98 % of the height that makes 15.4 ms.",
        "{count} of them, numbers {late}, each by {by} ms: one frame at 60 Hz. The program was not ready in time, sent its marker all the same, and the display showed the picture before for one more frame.",
        "The light passed its threshold {onsets} times for 60 pictures: which of these is a picture's onset can't be told. Told of the flicker, the box bridges the dark times, and each onset is exact only to the dark part of a period (half of 4.5 ms; the standard deviation was {sd} ms). An end is then told after 20 ms of dark.",
        "In the middle, beside the picture or under a white patch at its height: at the top it would be some 8 ms early.",
    ),
    run,
    "Light behind its marker, 60 pictures on the simulated display at 60 Hz: with the sensor at the top, with three dropped frames, and at the bottom.",
    "The sensor and its cable lie on the screen, away from the wiring of any participant: the ground of the probe is the ground of the computer.",
)  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("log", type=Path, help="marker log to write")
    parser.add_argument("--position", type=float, default=TOP, help="0: top, 1: bottom")
    parser.add_argument("--drop", type=int, default=0, help="pictures that miss a frame")
    parser.add_argument("--backlight", type=float, default=0.0, help="Hz; 0: steady")
    parser.add_argument("--steady", action="store_true", help="tell the box of the flicker")
    options = parser.parse_args()
    show_pictures(
        Session(options.position, options.drop, options.backlight, options.steady), options.log
    )
    print(f"{PICTURES} pictures were shown; their markers and light: {options.log}")


if __name__ == "__main__":
    main()
