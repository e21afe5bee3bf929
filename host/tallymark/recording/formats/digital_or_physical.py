"""Which number of a status channel is its code: the digital value in the file, or the physical
value that the channel's calibration makes of it.

A file with a calibration says that the physical value is meant. Many recorders give a status
channel the calibration of their voltage channels, though; its physical values are then no whole
numbers, and the digital ones are the codes. Which of the two it is shows in the values themselves.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tallymark.recording.recording_data import Floats, Ints

Values = Literal["auto", "digital", "physical"]
Piece = NDArray[np.int32]

_MOST_LEVELS = 1 << 16
_WHOLE_SHARE = 0.999  # of the samples; the others may be the sampling of an edge


@dataclass(frozen=True)
class Calibration:
    """physical value = digital value * gain + offset. unit: of the physical value, '' if none."""

    gain: float
    offset: float
    unit: str = ""

    @staticmethod
    def of_ranges(
        physical: tuple[float, float], digital: tuple[float, float], unit: str
    ) -> Calibration | None:
        """From the (least, most) of both values; None if they tell nothing usable."""
        span = digital[1] - digital[0]
        if not span or not all(map(math.isfinite, (*physical, *digital))):
            return None
        gain = (physical[1] - physical[0]) / span
        offset = physical[0] - digital[0] * gain
        return Calibration(gain, offset, unit) if _usable(gain, offset) else None

    @staticmethod
    def of_resolution(gain: float, unit: str) -> Calibration | None:
        """From the physical value of one digital step; None if that can't be one."""
        return Calibration(gain, 0.0, unit) if _usable(gain, 0.0) else None

    @property
    def is_identity(self) -> bool:
        """Whether physical and digital values are the same."""
        return abs(self.gain - 1) < 1e-9 and abs(self.offset) < 1e-3

    def physical(self, digital: Ints | Piece) -> Floats:
        """Physical values of digital ones."""
        return np.asarray(digital, np.float64) * self.gain + self.offset

    def whole(self, digital: Ints) -> NDArray[np.bool_]:
        """Which digital values stand for a whole number: they are the nearest to it."""
        exact = self.physical(digital)
        margin = abs(self.gain) / 2 if abs(self.gain) < 1 else 0.0
        near: NDArray[np.bool_] = np.abs(exact - np.rint(exact)) <= margin * 1.001 + 1e-3
        return near

    def apply(self, pieces: Iterable[Piece]) -> Iterator[Piece]:
        """Pieces of digital values as whole physical values."""
        for piece in pieces:
            exact = np.clip(np.rint(self.physical(piece)), -(1 << 31), (1 << 31) - 1)
            yield exact.astype(np.int32)


def choose(
    calibration: Calibration | None, wanted: Values, pieces: Iterable[Piece], channel: str
) -> tuple[Calibration | None, list[str]]:
    """Which values to take, and notes for the result. None stands for the digital values.

    Args:
        calibration: of the channel, None if the file gives none.
        wanted: 'auto' decides by the values in `pieces`, which are the channel's digital ones.
    """
    if calibration is None or calibration.is_identity or wanted == "digital":
        return None, []
    levels, share = _levels(pieces)
    if not len(levels):
        return None, []
    example = int(levels[np.abs(calibration.physical(levels)).argmax()])
    value = f"{float(calibration.physical(np.array([example]))[0]):.6g}"
    said = f"digital {example} is {value} {calibration.unit}".rstrip()
    if wanted == "physical":
        return calibration, [f"Codes are the physical values of channel {channel!r} ({said})."]
    if float(share[calibration.whole(levels)].sum()) >= _WHOLE_SHARE:
        return calibration, [
            f"Codes are the physical values of channel {channel!r}, as its calibration says "
            f"({said}). To take the digital values, ask for them (--values digital)."
        ]
    return None, [
        f"Codes are the digital values of channel {channel!r}: its calibration gives no whole "
        f"numbers ({said})."
    ]


def _usable(gain: float, offset: float) -> bool:
    return 1e-30 < abs(gain) < 1e9 and abs(offset) < 1 << 31


def _levels(pieces: Iterable[Piece]) -> tuple[Ints, Floats]:
    """Digital values that occur and their share of the samples; empty if it is a signal."""
    found: dict[int, int] = {}
    for piece in pieces:
        values, counts = np.unique(piece, return_counts=True)
        for value, count in zip(values.tolist(), counts.tolist(), strict=True):
            found[value] = found.get(value, 0) + count
        if len(found) > _MOST_LEVELS:
            return np.empty(0, np.int64), np.empty(0)
    levels = np.array(list(found), np.int64)
    total = max(sum(found.values()), 1)
    return levels, np.array(list(found.values()), np.float64) / total
