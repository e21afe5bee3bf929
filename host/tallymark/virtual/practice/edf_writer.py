"""Writes a practice recording as an EDF+ or BDF+ file, with signals that look like a brain's.

Why not a library: the one that writes in pieces is compiled, and has no wheels for new Pythons; the
others hold a whole recording in memory. Three readers of others read these files in the tests.
Source of the layout: Kemp and Olivan, European data format 'plus' (2003), edfplus.info.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tallymark.virtual.practice.amplifier import Amplifier, Sampled

CHANNEL = "Marker lines"
"""Label of the channel that has the lines."""


@dataclass(frozen=True)
class Format:
    """EDF+ with samples of 16 bits, or BDF+ with 24. steps: of a signal in a microvolt."""

    version: bytes
    name: str
    sample_bytes: int
    steps: int

    @property
    def limit(self) -> int:
        """One more than the largest sample."""
        return 1 << (8 * self.sample_bytes - 1)


EDF = Format(b"0", "EDF", 2, 8)
BDF = Format(b"\xffBIOSEMI", "BDF", 3, 32)
FORMATS = {".edf": EDF, ".bdf": BDF}
"""By how the name of a file ends."""

_TIME_SAMPLES = 8  # of the channel that says when a record begins
_MONTHS = ["JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC"]


def write_recording(
    path: str | Path,
    sampled: Sampled,
    started: datetime | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> None:
    """Write a practice recording of 1 s data records: BDF+ if the name ends in `.bdf`, otherwise
    EDF+. The file must not exist.

    Args:
        started: date and time of the first sample; default: a fixed date, so that the same settings
            give the same file.
        progress: called with (seconds written, seconds in all).

    Raises:
        FileExistsError: the file exists already. OSError: it can't be written. ValueError: a level
        of the lines needs more bits than a sample has.
    """
    path = Path(path)
    form = FORMATS.get(path.suffix.lower(), EDF)
    amplifier = sampled.amplifier
    total = -(-amplifier.samples // amplifier.rate)
    signals = _Signals(amplifier.rate, amplifier.signals, form.steps)
    with path.open("xb") as file:
        file.write(_header(form, amplifier, total, started or datetime(2026, 1, 5, 10, 0, 0)))
        for number, piece in enumerate(sampled.pieces()):
            lines = np.empty(amplifier.rate, np.int32)
            lines[: len(piece)] = piece
            lines[len(piece) :] = piece[-1]  # a last record is filled up with its last level
            if lines.min() < -form.limit or lines.max() >= form.limit:
                raise ValueError(f"A level of the lines doesn't fit into a sample of {form.name}.")
            for channel in (*signals.second(), lines):
                limited = np.clip(channel, -form.limit, form.limit - 1).astype("<i4")
                file.write(limited.view(np.uint8).reshape(-1, 4)[:, : form.sample_bytes].tobytes())
            begin = b"+%d\x14\x14" % number
            file.write(begin.ljust(_TIME_SAMPLES * form.sample_bytes, b"\0"))
            if progress is not None:
                progress(number + 1, total)


def _header(form: Format, amplifier: Amplifier, records: int, started: datetime) -> bytes:
    count = amplifier.signals
    names = [_SIGNAL_NAMES[n] if n < len(_SIGNAL_NAMES) else f"E{n}" for n in range(count)]
    labels = [*names, CHANNEL, f"{form.name} Annotations"]
    low, high = -form.limit, form.limit - 1
    day = f"{started:%d}-{_MONTHS[started.month - 1]}-{started:%Y}"
    rows: list[tuple[int, Sequence[object]]] = [
        (16, labels),
        (80, [""] * len(labels)),  # transducer
        (8, ["uV"] * count + ["", ""]),
        (8, [_number(low / form.steps)] * count + [low, -1]),
        (8, [_number(high / form.steps)] * count + [high, 1]),
        (8, [low] * len(labels)),
        (8, [high] * len(labels)),
        (80, [""] * len(labels)),  # filters
        (8, [amplifier.rate] * (count + 1) + [_TIME_SAMPLES]),
        (32, [""] * len(labels)),
    ]
    first = form.version.ljust(8) + _fields(
        (80, "X X X X"),  # participant: nobody
        (80, f"Startdate {day} X X practice_recording"),
        (8, f"{started:%d.%m.%y}"),
        (8, f"{started:%H.%M.%S}"),
        (8, 256 * (1 + len(labels))),
        (44, f"{form.name}+C"),
        (8, records),
        (8, 1),
        (4, len(labels)),
    )
    return first + _fields(*((width, each) for width, row in rows for each in row))


def _fields(*parts: tuple[int, object]) -> bytes:
    return b"".join(str(value).encode("ascii").ljust(width) for width, value in parts)


def _number(value: float) -> str:
    return f"{value:.8g}"[:8]


_SIGNAL_NAMES = ("Fz", "Cz", "Pz", "Oz", "C3", "C4", "P3", "P4")


@dataclass
class _Signals:
    """Brain-like signals: drifting noise, a rhythm near 10 Hz that waxes and wanes, mains hum."""

    rate: int
    count: int
    steps: int  # of a sample in a microvolt
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
            rows.append(np.round(microvolts * self.steps).astype(np.int32))
        return rows
