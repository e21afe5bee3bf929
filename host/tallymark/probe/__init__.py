"""Adjusting a probe: thresholds from what the sensor sees, and flicker."""

from tallymark.probe.calibration import Calibration, Range, calibrate_light, calibrate_sound
from tallymark.probe.flicker import flicker_hz, flicker_hz_of

__all__ = [
    "Calibration",
    "Range",
    "calibrate_light",
    "calibrate_sound",
    "flicker_hz",
    "flicker_hz_of",
]
