"""Threshold and hysteresis from two states: dark and bright, silence and tone."""

from __future__ import annotations

from typing import Any, NamedTuple

from tallymark.box.box import Box
from tallymark.common.errors import BadValue

LOOK_S = 0.03
LOOKS = 40
_LEAST_LIGHT = 1_300  # levels between dark and bright: 2 % of the full scale
_LEAST_SOUND = 300
_SLOWEST_STEADY_HZ = 55.0  # 'steady' bridges 20 ms of dark


class Range(NamedTuple):
    """The lowest and the highest level of a state, 0 to 65,535."""

    low: int
    high: int

    def __str__(self) -> str:
        return str(self.low) if self.low == self.high else f"{self.low} to {self.high}"


class Calibration(NamedTuple):
    """What was found. settings: to be changed in the box. notes: what the user has to know."""

    settings: dict[str, Any]
    rest: Range
    stimulus: Range
    flicker_hz: float | None = None
    notes: tuple[str, ...] = ()


def look(box: Box, probe: str) -> Range:
    """The levels of "light" or "sound" for 1.2 s. Raises as `Probes.levels`."""
    box.probes.levels()
    lows, highs = [], []
    for _ in range(LOOKS):
        box.pacing.sleep(LOOK_S)
        low, high = getattr(box.probes.levels(), probe)
        lows.append(low)
        highs.append(high)
    return Range(min(lows), max(highs))


def calibrate_light(dark: Range, bright: Range, flicker_hz: float | None = None) -> Calibration:
    """The threshold is in the middle, the hysteresis a quarter of the step. A light that flickers
    is watched as 'steady'. Raises BadValue if dark and bright can't be told apart."""
    steady = bright.low - dark.high < _LEAST_LIGHT or flicker_hz is not None
    step = (bright.high if steady else bright.low) - dark.high
    if step < _LEAST_LIGHT:
        raise BadValue(
            f"Dark ({dark}) and bright ({bright}) can't be told apart. Put the sensor on the part "
            "of the screen that changes, and shade it from the room's light. Nothing was changed."
        )
    notes = []
    if flicker_hz is not None:
        notes.append(f"The light flickers at {flicker_hz:.0f} Hz. It is watched as 'steady': an "
                     "onset is exact to one period, and 20 ms of dark are needed for the end.")
        if flicker_hz < _SLOWEST_STEADY_HZ:
            notes.append("That is too slow for 'steady': it will be told as going on and off. Use "
                         "a higher refresh rate, or full brightness of the backlight.")
    elif steady:
        notes.append("The light is not steady while it is bright, and shows no regular flicker. It "
                     "is watched as 'steady'; look at it with `tallymark probe --live`.")
    return Calibration(
        {
            "light": "steady" if steady else "level",
            "light_threshold": dark.high + step // 2,
            "light_hysteresis": step // 4,
        },
        dark, bright, flicker_hz, tuple(notes),
    )


def calibrate_sound(silence: Range, tone: Range) -> Calibration:
    """The threshold is at a quarter of the way from silence to tone: low, as an attack takes its
    time to get there. Raises BadValue if the two can't be told apart."""
    step = tone.high - silence.high
    if step < max(_LEAST_SOUND, silence.high):
        raise BadValue(
            f"Silence ({silence}) and tone ({tone}) can't be told apart. Raise the volume, bring "
            "the microphone closer, or look for hum on the line. Nothing was changed."
        )
    return Calibration(
        {
            "sound": "level",
            "sound_threshold": silence.high + step // 4,
            "sound_hysteresis": step // 8,
        },
        silence, tone,
    )
