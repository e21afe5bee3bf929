"""Writes a practice recording as a BDF+ file, with signals that look like a brain's."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tallymark.virtual.practice.amplifier import Sampled

BDF_MINIMUM, BDF_MAXIMUM = -(1 << 23), (1 << 23) - 1  # range of 24-bit samples


def write_bdf(
    path: str | Path,
    sampled: Sampled,
    started: datetime | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> None:
    """Write a practice recording as a BDF+ file of 1 s data records. The file must not exist.

    Args:
        started: date and time of the first sample; default: a fixed date, so that the same settings
            give the same file.
        progress: called with (seconds written, seconds in all).

    Raises:
        FileExistsError: the file exists already. OSError: it can't be written.
    """
    import pyedflib

    path = Path(path)
    path.open("xb").close()
    amplifier = sampled.amplifier
    count = amplifier.signals
    writer = pyedflib.EdfWriter(str(path), count + 1, file_type=pyedflib.FILETYPE_BDFPLUS)
    try:
        names = [_SIGNAL_NAMES[n] if n < len(_SIGNAL_NAMES) else f"E{n}" for n in range(count)]
        headers = [_header(name, "uV", amplifier.rate, -262144, 262143) for name in names]
        headers.append(_header("Status", "Boolean", amplifier.rate, BDF_MINIMUM, BDF_MAXIMUM))
        writer.setSignalHeaders(headers)
        writer.setStartdatetime(started or datetime(2026, 1, 5, 10, 0, 0))
        writer.setRecordingAdditional("practice_recording")
        total = -(-amplifier.samples // amplifier.rate)
        signals = _Signals(amplifier.rate, count)
        for number, piece in enumerate(sampled.pieces()):
            status = np.empty(amplifier.rate, np.int32)
            status[: len(piece)] = piece
            status[len(piece) :] = piece[-1]  # a last record is filled up with its last level
            writer.writeSamples([*signals.second(), status], digital=True)
            if progress is not None:
                progress(number + 1, total)
    finally:
        writer.close()


def _header(
    label: str, dimension: str, rate: int, low: int, high: int
) -> dict[str, str | int | float | None]:
    return {
        "label": label,
        "dimension": dimension,
        "sample_frequency": rate,
        "physical_min": low,
        "physical_max": high,
        "digital_min": BDF_MINIMUM,
        "digital_max": BDF_MAXIMUM,
        "transducer": "",
        "prefilter": "",
    }


_SIGNAL_NAMES = ("Fz", "Cz", "Pz", "Oz", "C3", "C4", "P3", "P4")


@dataclass
class _Signals:
    """Brain-like signals: drifting noise, a rhythm near 10 Hz that waxes and wanes, mains hum."""

    rate: int
    count: int
    level: NDArray[np.float64] = field(init=False)
    seconds: int = 0

    def __post_init__(self) -> None:
        self.level = np.zeros(self.count)
        self.random = np.random.default_rng(5)

    def second(self) -> list[NDArray[np.int32]]:
        time = self.seconds + np.arange(self.rate) / self.rate
        self.seconds += 1
        rows = []
        for channel in range(self.count):
            steps = self.random.normal(0, 40 / np.sqrt(self.rate), self.rate)
            slow = self.level[channel] + np.cumsum(steps)
            slow -= np.linspace(0, 1, self.rate) * slow[-1] * 0.3  # pulls back to zero
            self.level[channel] = slow[-1]
            rhythm = 12 * (1 + np.sin(0.4 * time + channel)) * np.sin(63.6 * time + channel)
            hum = 1.5 * np.sin(2 * np.pi * 50 * time)
            microvolts = slow + rhythm + hum + self.random.normal(0, 2, self.rate)
            rows.append(np.round(microvolts * 32).astype(np.int32))  # 1/32 uV a step
        return rows
