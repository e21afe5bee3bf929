"""A display: what is shown appears with a frame, after the input lag, from top to bottom."""

from __future__ import annotations

import math
from dataclasses import dataclass

from tallymark.virtual.stimuli.levels import Levels, Stimulus, half_way, ramp

BLANKING = 45 / 1125
"""Share of a frame in which no line is sent: 1,080 of 1,125 lines of the usual format are seen."""


@dataclass(frozen=True)
class Display:
    """Times in µs.

    refresh_hz: frames a second. lag_us: from the begin of a frame's transmission to the light of
    its first line. position: of the sensor on the screen, 0 at the top, 1 at the bottom. rise_us:
    from dark to bright, and back. pwm_hz: frequency at which the backlight is switched, from the
    begin of the first frame on; 0: it is steady. pwm_duty: share of the time in which it is lit,
    above 0, below 1. bright: level of a white patch. first_frame_us: when the first frame begins.
    blanking: share of a frame behind its last line.
    """

    refresh_hz: float = 60.0
    lag_us: float = 12_000.0
    position: float = 0.5
    rise_us: float = 2_000.0
    pwm_hz: float = 0.0
    bright: int = 40_000
    first_frame_us: float = 0.0
    pwm_duty: float = 0.5
    blanking: float = BLANKING

    @property
    def frame_us(self) -> float:
        """How long a frame lasts."""
        return 1e6 / self.refresh_hz

    @property
    def scan_us(self) -> float:
        """From the first line of a frame to the sensor's."""
        return self.position * (1 - self.blanking) * self.frame_us

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
        that the computer missed before it.

        With a backlight that is switched, `onset_us` is when the patch is half as bright as it
        gets, whether the backlight is lit then or not."""
        begin = self.frame_at(at_us) + dropped * self.frame_us
        lit = begin + self.lag_us + self.scan_us
        dark = lit + frames * self.frame_us
        levels = ramp(lit, self.rise_us, 0, self.bright) + ramp(dark, self.rise_us, self.bright, 0)
        onset = half_way(lit, self.rise_us)
        if self.pwm_hz:
            levels = self._switched(levels, lit, dark + self.rise_us)
        return Stimulus(onset, levels)

    def _switched(self, levels: Levels, since_us: float, until_us: float) -> Levels:
        """The same, dark while the backlight is."""
        period = 1e6 / self.pwm_hz
        first = math.floor((since_us - self.first_frame_us) / period)
        last = math.ceil((until_us - self.first_frame_us) / period)
        switches: list[tuple[float, bool]] = []
        for number in range(first, last + 1):
            at = self.first_frame_us + number * period
            switches += [(at, True), (at + self.pwm_duty * period, False)]
        changes: list[tuple[float, int | None, bool | None]] = sorted(
            [(at, level, None) for at, level in levels] + [(at, None, on) for at, on in switches],
            key=lambda change: change[0],
        )
        level, backlight, found = 0, True, []
        for at, to, on in changes:
            level = level if to is None else to
            backlight = backlight if on is None else on
            if at >= since_us:
                found.append((round(at), level if backlight else 0))
        return found
