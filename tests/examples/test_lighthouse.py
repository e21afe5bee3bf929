"""The lighthouse example: markers for the coming flip, in stepped time, with delays of our own."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest

from tallymark import Box, Outcome

EXAMPLE = Path(__file__).parents[2] / "host/examples/lighthouse"
sys.path.insert(0, str(EXAMPLE))

from displays import NoRefresh, SimulatedDisplay, refresh_period  # noqa: E402
from flashes import errors_us, flash_all, spread  # noqa: E402
from flip_forecast import FlipForecast  # noqa: E402

PERIOD_S = 1 / 60


@pytest.mark.parametrize("nominal", [1.0, 1.0003, 0.9997])
def test_the_forecast_finds_the_refreshes_below_the_delays(nominal):
    chance = random.Random(5)
    forecast = FlipForecast(PERIOD_S * nominal)
    for frame in range(400):
        if frame > 200:
            assert abs(forecast.next_s() - (100 + PERIOD_S * frame)) < 0.0003
        late = chance.expovariate(1 / 0.0005)
        assert forecast.saw(100 + PERIOD_S * frame + min(late, 0.9 * PERIOD_S)) == 1


def test_missed_frames_are_counted():
    forecast = FlipForecast(PERIOD_S)
    shown = [*range(40), 41, 42, 45]
    steps = [forecast.saw(50 + PERIOD_S * frame) for frame in shown]
    assert steps == [1] * 40 + [2, 1, 3]
    assert forecast.next_s() == pytest.approx(50 + PERIOD_S * 46, abs=1e-6)


def test_a_late_return_is_no_missed_frame():
    forecast = FlipForecast(PERIOD_S)
    for frame in range(40):
        forecast.saw(50 + PERIOD_S * frame)
    assert forecast.saw(50 + PERIOD_S * 40.8) == 1
    assert forecast.saw(50 + PERIOD_S * 41) == 1


def test_a_marker_for_the_coming_flip_has_none_of_the_delay():
    """The edges are those that the box saw on its lines, the flips those of the display."""
    with Box.open("virtual://?time=stepped") as box:
        display = SimulatedDisplay(box.pacing, delay_s=0.0007)
        box.port.device.edges()
        flashes = flash_all(box, display, 60)
        rises = [edge.time_us for edge in box.port.device.edges() if edge.levels]
        assert len(flashes) == len(rises) == 60
        assert all(flash.marker.outcome is Outcome.DONE for flash in flashes)
        assert sorted(flash.marker.box_time_us for flash in flashes) == sorted(rises)
        after, ahead = errors_us(box, flashes, False), errors_us(box, flashes, True)
    assert len(after) + len(ahead) == 60
    assert len(ahead) > 25
    assert max(map(abs, ahead)) < 200
    assert spread(after) > 1000
    assert spread(ahead) < spread(after) / 10


@pytest.mark.parametrize("period_s", [1 / 60, 1 / 144, 1 / 360])
def test_the_period_of_a_screen_is_that_of_its_flips(period_s):
    chance = random.Random(8)
    flips = [period_s * (1 + (n % 13 == 0)) + chance.gauss(0, 0.03 * period_s) for n in range(60)]
    assert refresh_period(flips) == pytest.approx(period_s, rel=0.03)


@pytest.mark.parametrize("mean_s", [0.0001, 0.003, 0.02])
def test_a_screen_that_does_not_wait_is_refused(mean_s):
    """As one without a graphics card: a flip returns when the picture is drawn."""
    chance = random.Random(9)
    with pytest.raises(NoRefresh, match="does not wait"):
        refresh_period([chance.expovariate(1 / mean_s) for _ in range(60)])
    with pytest.raises(NoRefresh, match="does not wait"):
        refresh_period([0.0002] * 60)
