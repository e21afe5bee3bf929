"""Onset, rise time and flicker of light against SciPy and closed formulas.

The terms are those of the standards on pulses and on light: the onset is the instant at which half
of a transition is passed (the 50 % reference level of IEC 60469), its rise time is from 10 to 90 %,
and the modulation of a flicker is (highest - lowest) / (highest + lowest).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from planted_sessions import plan
from scipy import signal

from tallymark import Box, MarkerLog, markerlog
from tallymark.box.probe import Range, calibrate_light, flicker_hz, flicker_hz_of
from tallymark.box.wire.answer_values import Snippet
from tallymark.markerlog.delay import FOUND, measure
from tallymark.virtual.stimuli import Display

Wave = NDArray[np.float64]
DARK, BRIGHT = 1_500, 42_000
SAMPLES = 2_048


def crossing_us(times: Wave, levels: Wave, share: float, low: float, high: float) -> float:
    """When a rising wave passes a share of its height, between two of its points."""
    return float(np.interp(low + share * (high - low), levels, times))


def response(tau_us: float) -> tuple[Wave, Wave]:
    """A patch that turns bright on a screen of first order, by SciPy: (µs, level)."""
    times = np.linspace(0.0, 12 * tau_us, 3_000)
    _, height = signal.step(([1.0], [tau_us, 1.0]), T=times)
    return times, DARK + (BRIGHT - DARK) * height


@pytest.mark.parametrize("tau_us", [150.0, 2_000.0, 25_000.0])
def test_an_onset_is_where_half_of_a_slow_response_is_passed(tmp_path: Path, tau_us: float) -> None:
    times, levels = response(tau_us)
    true_us = crossing_us(times, levels, 0.5, DARK, BRIGHT)
    assert true_us == pytest.approx(tau_us * np.log(2), rel=1e-3)  # SciPy against the formula
    found = calibrate_light(Range(DARK, DARK), Range(BRIGHT, BRIGHT))
    planned, planted = plan(), []
    with Box.open("virtual://?time=stepped") as box:
        device = box.port.device
        device.set_probe("light", DARK)
        box.settings.write(box.settings.read().changed(**found.settings))
        with MarkerLog.for_box(tmp_path / "a.jsonl", box, planned):
            for lag_us in (9_000, 9_013, 11_400):
                box.pacing.sleep(1.0)
                planned.pulse(box, "ferry in sight")
                box.wait()
                marked = next(at for at, lines in reversed(device.edges()) if lines)
                for at, level in zip(times, levels, strict=True):
                    device.set_probe("light", round(level), round(marked + lag_us + at))
                device.set_probe("light", DARK, round(marked + lag_us + times[-1]) + 50_000)
                planted.append(lag_us + true_us)
            box.pacing.sleep(1.0)
    (probe,) = measure(markerlog.read(tmp_path / "a.jsonl"), planned).probes
    assert (probe.fates == FOUND).all()
    assert probe.delays_us == pytest.approx(planted, abs=times[1] + 1)  # between two levels


@pytest.mark.parametrize("rise_us", [160.0, 2_000.0, 9_600.0])
def test_the_simulated_display_rises_and_is_half_bright_when_it_says(rise_us: float) -> None:
    display = Display(rise_us=rise_us)
    shown = display.show(0)
    rising = np.array([(at, level) for at, level in shown.levels if at < shown.levels[16][0]])
    lit = display.frame_at(0) + display.lag_us + display.scan_us
    times, levels = np.r_[lit, rising[:, 0]], np.r_[0, rising[:, 1]]
    low, half, high = (crossing_us(times, levels, share, 0, display.bright)
                       for share in (0.1, 0.5, 0.9))
    assert high - low == pytest.approx(0.8 * rise_us, abs=rise_us / 100 + 1)  # of a ramp
    assert shown.onset_us == pytest.approx(half, abs=1)


def pieces(wave_of: object) -> object:
    """What a box gives of a signal, a function of seconds, at one of so many samples."""

    def take(every: int) -> Snippet:
        levels = wave_of(np.arange(SAMPLES) * every * 1e-5)  # type: ignore[operator]
        return Snippet(0, 10 * every, SAMPLES, tuple(int(level) for level in levels))

    return take


def pwm(hz: float, duty: float, phase: float = 0.3) -> object:
    return lambda t: BRIGHT / 2 * (1 + signal.square(2 * np.pi * (hz * t + phase), duty))


def peak_hz(piece: Snippet) -> float:
    """The frequency of the strongest part of a piece, by SciPy."""
    rate = 1e6 / piece.interval_us
    bins, power = signal.periodogram(piece.samples, rate, "hann", nfft=1 << 18)
    return float(bins[np.argmax(power)])


@pytest.mark.parametrize("hz", [26.0, 59.94, 240.0, 978.0, 4_900.0])
@pytest.mark.parametrize("duty", [0.1, 0.5, 0.9])
def test_the_frequency_of_a_switched_backlight(hz: float, duty: float) -> None:
    take = pieces(pwm(hz, duty))
    found = flicker_hz_of(take)
    assert found == pytest.approx(hz, rel=0.01)
    if hz > 50 and duty == 0.5:  # some periods in a piece: the spectrum is a witness
        assert peak_hz(take(1 if hz > 500 else 8)) == pytest.approx(found, rel=0.02)


@pytest.mark.parametrize("hz", [7_800.0, 12_000.0, 12_500.0, 25_100.0])
def test_a_fast_one_is_not_told_as_the_slow_one_that_far_samples_show(hz: float) -> None:
    take = pieces(pwm(hz, 0.5))
    alias = abs(hz - 12_500 * round(hz / 12_500))
    slow = flicker_hz(take(8))
    assert slow is None or slow == pytest.approx(alias, rel=0.05)  # as sampling has it
    assert flicker_hz_of(take) == pytest.approx(hz, rel=0.01)


@pytest.mark.parametrize(("modulation", "told"), [(0.13, False), (0.16, True), (1.0, True)])
def test_how_deep_a_flicker_must_be(modulation: float, told: bool) -> None:
    take = pieces(lambda t: 20_000 * (1 + modulation * np.sin(2 * np.pi * 100 * t)))
    high, low = max(take(8).samples), min(take(8).samples)
    assert (high - low) / (high + low) == pytest.approx(modulation, rel=0.01)
    found = flicker_hz_of(take)
    assert (found is not None) == told
    if told:
        assert found == pytest.approx(100, rel=0.01)


def test_noise_on_a_steady_light_is_no_flicker() -> None:
    random = np.random.default_rng(3)
    take = pieces(lambda t: np.clip(random.normal(20_000, 500, len(t)), 0, 65_535))
    assert flicker_hz_of(take) is None
