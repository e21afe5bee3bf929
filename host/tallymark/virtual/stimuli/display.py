"""A display: what is shown appears with a frame, after the input lag, from top to bottom."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tallymark.virtual.stimuli.levels import Levels, Stimulus, half_way, ramp


@dataclass(frozen=True)
class Display:
    """Times in µs.

    refresh_hz: frames a second. lag_us: from the begin of a frame's transmission to its first line
    of light. position: of the sensor on the screen, 0 at the top, 1 at the bottom. rise_us: from
    dark to bright, and back. pwm_hz: frequency at which the backlight is switched; 0: it is
    steady. bright: level of a white patch. first_frame_us: when the first frame begins.
    """

    refresh_hz: float = 60.0
    lag_us: float = 12_000.0
    position: float = 0.5
    rise_us: float = 2_000.0
    pwm_hz: float = 0.0
    bright: int = 40_000
    first_frame_us: float = 0.0

    @property
    def frame_us(self) -> float:
        """How long a frame lasts."""
        return 1e6 / self.refresh_hz

    @property
    def threshold(self) -> int:
        """The level in the middle, for the setting `light_threshold`."""
        return self.bright // 2

    def frame_at(self, at_us: float) -> float:
        """When the first frame begins that can still show what was drawn by then."""
        frames = math.ceil((at_us - self.first_frame_us) / self.frame_us - 1e-9)
        return self.first_frame_us + frames * self.frame_us

    def show(self, at_us: float, frames: int = 6, dropped: int = 0) -> Stimulus:
        """A white patch under the sensor, drawn at `at_us`, for so many frames. dropped: frames
        that the computer missed before it."""
        begin = self.frame_at(at_us) + dropped * self.frame_us
        lit = begin + self.lag_us + self.position * self.frame_us
        dark = lit + frames * self.frame_us
        levels: Levels = ramp(lit, self.rise_us, 0, self.bright)
        onset = half_way(lit, self.rise_us)
        if self.pwm_hz:
            half = 5e5 / self.pwm_hz
            switched = lit + self.rise_us + half
            while switched + half < dark:
                levels += [(round(switched), 0), (round(switched + half), self.bright)]
                switched += 2 * half
        return Stimulus(onset, levels + ramp(dark, self.rise_us, self.bright, 0))
