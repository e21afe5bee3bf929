"""Ambient light, scanning and switched backlights: found where it can be, and nothing claimed where
not. The truth is the display's arithmetic."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from planted_sessions import plan

from tallymark import Box, MarkerLog, markerlog
from tallymark.markerlog.delay import AMBIGUOUS, FOUND, MISSING, measure
from tallymark.markerlog.delay.result import ProbeDelay
from tallymark.virtual.stimuli import Display, Room

TRIALS = 30
DISPLAY = Display(lag_us=9_000.0, position=0.3, rise_us=1_600.0)


def session(
    log: Path, display: Display, room: Room, light: str = "level", **settings: int
) -> tuple[ProbeDelay, np.ndarray]:
    """What `measure` says, and the delays that were planted, in µs."""
    random = np.random.default_rng(5)
    planted = []
    with Box.open("virtual://?time=stepped") as box:
        device = box.port.device
        device.set_probe("light", round(room.light(0)))
        thresholds = {"light_threshold": display.threshold, "light_hysteresis": 4_000} | settings
        box.settings.write(box.settings.read().changed(light=light, **thresholds))
        planned = plan()
        told = device.life_us
        with MarkerLog.for_box(log, box, planned):
            for _ in range(TRIALS):
                wait = display.frame_at(device.life_us + random.uniform(0.5e6, 0.6e6))
                for at, level in room.with_light([], told, round(wait)):
                    device.set_probe("light", level, at)
                box.pacing.sleep((wait - device.life_us) / 1e6)
                planned.pulse(box, "ferry in sight")
                box.wait()
                marked = next(at for at, levels in reversed(device.edges()) if levels)
                stimulus = display.show(wait - 1)
                planted.append(stimulus.onset_us - marked)
                since, told = round(wait) + 1, stimulus.levels[-1][0] + 1_000
                for at, level in room.with_light(stimulus.levels, since, told):
                    device.set_probe("light", level, at)
                box.pacing.sleep((told - device.life_us) / 1e6)
            box.pacing.sleep(0.5)
    (probe,) = measure(markerlog.read(log), planned).probes
    return probe, np.array(planted)


@pytest.mark.parametrize("swing", [0, 3_000])
@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_a_room_below_the_threshold_moves_onsets_by_what_its_light_adds(tmp_path, swing, mains_hz):
    room = Room(4_000, swing, mains_hz)
    probe, planted = session(tmp_path / "s.jsonl", DISPLAY, room)
    assert (probe.fates == FOUND).all()
    assert not probe.double.any()
    early = planted - probe.delays_us
    slope = DISPLAY.bright / DISPLAY.rise_us
    step = DISPLAY.rise_us / 16
    least, most = (room.level - swing / 2) / slope, (room.level + swing / 2) / slope
    assert early.min() >= least - step
    assert early.max() <= most + step


@pytest.mark.parametrize(
    ("room", "why"),
    [
        (Room(19_000, 12_000), "flicker"),  # it passes the threshold by itself, 100 times a second
        (Room(30_000), "no onsets"),  # always above it
    ],
)
def test_a_room_that_hides_the_onsets_is_said_to(tmp_path, room, why):
    probe, _ = session(tmp_path / "s.jsonl", DISPLAY, room)
    assert probe.why == why
    assert (probe.fates == (AMBIGUOUS if why == "flicker" else MISSING)).all()
    assert probe.all_events.mean_us is None


@pytest.mark.parametrize("duty", [0.2, 0.5, 0.8])
def test_a_switched_backlight_seen_as_steady_is_late_by_its_dark_time_at_most(tmp_path, duty):
    display = replace(DISPLAY, pwm_hz=220.0, pwm_duty=duty)
    probe, planted = session(tmp_path / "s.jsonl", display, Room(2_000), "steady")
    assert (probe.fates == FOUND).all()
    assert not probe.double.any()
    late = probe.delays_us - planted
    early = 2_000 / (display.bright / display.rise_us) + display.rise_us / 16
    assert late.min() >= -early
    assert late.max() <= (1 - duty) * 1e6 / display.pwm_hz
    # and it is not the same each time
    assert np.ptp(late) > 0.3 * (1 - duty) * 1e6 / display.pwm_hz


def test_of_a_switched_backlight_seen_as_it_is_nothing_is_claimed(tmp_path):
    probe, _ = session(tmp_path / "s.jsonl", replace(DISPLAY, pwm_hz=220.0), Room(2_000))
    assert probe.why == "flicker"
    assert (probe.fates == AMBIGUOUS).all()


@pytest.mark.parametrize("refresh", [60.0, 144.0])
def test_the_bottom_of_the_screen_is_later_than_its_top_by_the_time_of_the_lines(tmp_path, refresh):
    means = {}
    for position in (0.0, 0.5, 1.0):
        display = replace(DISPLAY, refresh_hz=refresh, position=position)
        probe, _ = session(tmp_path / f"{position}.jsonl", display, Room(0))
        means[position] = probe.all_events.mean_us
    lines = 1e6 / refresh * 1080 / 1125
    assert means[1.0] - means[0.0] == pytest.approx(lines, abs=3)
    assert means[0.5] - means[0.0] == pytest.approx(lines / 2, abs=3)


def test_the_light_of_a_room_adds_to_that_of_the_screen():
    room = Room(1_000, 400, 50.0)
    levels = dict(room.with_light([(5_000, 20_000), (9_000, 0)], 0, 20_000, before=64_600))
    assert min(levels) == 0
    assert max(levels) < 20_000
    assert levels[0] == 65_535 or levels[0] == 65_600 - 65  # of 65,600: the full scale
    assert levels[5_000] == 21_000
    assert levels[9_000] == round(1_000 + 200 * np.sin(2 * np.pi * 0.9))
    dark = [level for at, level in levels.items() if at >= 9_000]
    assert (min(dark), max(dark)) == (800, 1_200)


def test_the_backlight_is_lit_for_its_share_and_in_step_with_the_clock():
    display = Display(pwm_hz=1_000.0, pwm_duty=0.25, rise_us=0.0, lag_us=100.0, position=0.0)
    levels = display.show(0, frames=6).levels
    lit = sum(
        after - at
        for (at, level), (after, _) in pairwise(levels) if level
    )
    assert lit == pytest.approx(100_000 / 4, abs=300)
    begins = [at for (_, before), (at, level) in pairwise(levels)
              if level and not before]
    assert len(begins) > 90
    assert {at % 1_000 for at in begins[1:]} == {0}
