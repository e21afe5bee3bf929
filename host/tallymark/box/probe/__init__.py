"""Adjusting a probe: thresholds from what the sensor sees, and flicker."""

from tallymark.box.probe.calibration import Calibration, Range, calibrate_light, calibrate_sound
from tallymark.box.probe.flicker import flicker_hz, flicker_hz_of

__all__ = [
    "Calibration",
    "Range",
    "calibrate_light",
    "calibrate_sound",
    "flicker_hz",
    "flicker_hz_of",
]
