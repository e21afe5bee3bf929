"""What a recording is to the check: a stream of status samples, or a list of events.

Positions are sample numbers from the start of the file; times are microseconds on the recording's
own clock, which starts at 0 with the first sample. `Spans` translate between the two where the file
itself says that it pauses (EDF+D, BDF+D).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tallymark.common.errors import BadValue

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Codes = NDArray[np.uint8]
Bools = NDArray[np.bool_]


class RecordingError(BadValue):
    """A recording can't be read or used; the message says why and what to do."""


class NoEvent(RecordingError):
    """The recording could be read, and holds no event."""


@dataclass(frozen=True)
class Spans:
    """Stretches without a pause: first sample number of each, and its time in microseconds."""

    first: Ints
    start_us: Floats

    @staticmethod
    def unbroken() -> Spans:
        return Spans(np.zeros(1, np.int64), np.zeros(1))

    def pauses_us(self, rate: float) -> list[tuple[float, float]]:
        """Beginning and end of each pause in microseconds."""
        ends = self.start_us[:-1] + np.diff(self.first) * (1e6 / rate)
        return list(zip(ends.tolist(), self.start_us[1:].tolist(), strict=True))

    def times_us(self, samples: Ints, rate: float) -> Floats:
        """Times of sample numbers (shape (n,)) in microseconds."""
        at = np.maximum(np.searchsorted(self.first, samples, side="right") - 1, 0)
        return self.start_us[at] + (samples - self.first[at]) * (1e6 / rate)


@dataclass
class StatusStream:
    """A status channel that can be read in pieces.

    rate in Hz; samples: length; pieces(): yields int32 arrays that follow one another.
    bits: how many low bits the file's samples have. began, notes and incomplete: see
    `RecordedEvents`.
    """

    path: Path
    format: str
    channel: str
    rate: float
    samples: int
    pieces: Callable[[], Iterator[NDArray[np.int32]]]
    bits: int = 24
    spans: Spans = field(default_factory=Spans.unbroken)
    notes: list[str] = field(default_factory=list)
    incomplete: list[str] = field(default_factory=list)
    began: datetime | None = None


@dataclass
class RecordedEvents:
    """Events found in a recording, in order of time.

    sample: first sample of each (shape (n,)); code: 0..255, as if lines idled low; width: length in
    samples, 0 where it isn't known. start_us and end_us: the time that the recording covers.
    always_active, never_active: masks of lines that never changed (both 0 if there are no samples).
    active: level of an active line, None where that isn't known (lists of events).
    notes: what a reader of the results must know, in sentences. incomplete: what of the recording
    is not in the file or could not be read, in sentences; markers may be missing for that alone.
    settling: samples within which changes of the lines count as one. grid_us: where no rate is
    known, the step of the times in the list, in microseconds. gridless: a list whose sampling
    interval is not known for sure. zero_us: times of rows of code 0, which are left out as idle.
    began: date and time of the first sample as the file tells it, in the recorder's local time.
    pauses_us: (beginning, end) of the pauses that the file tells of, in microseconds; both are
    equal where it doesn't tell how long.
    """

    path: Path
    format: str
    channel: str
    rate: float | None
    sample: Ints
    time_us: Floats
    code: Codes
    width: Ints
    start_us: float
    end_us: float
    idle: int = 0
    always_active: int = 0
    never_active: int = 0
    active: Literal["high", "low"] | None = None
    rule: str = ""
    notes: list[str] = field(default_factory=list)
    incomplete: list[str] = field(default_factory=list)
    settling: int = 1
    grid_us: float = 1.0
    gridless: bool = False
    zero_us: Floats = field(default_factory=lambda: np.zeros(0))
    began: datetime | None = None
    pauses_us: list[tuple[float, float]] = field(default_factory=list)

    @property
    def sample_us(self) -> float:
        """Time from sample to sample in microseconds; where no rate is known, `grid_us`."""
        return self.grid_us if self.rate is None else 1e6 / self.rate

    def __len__(self) -> int:
        return len(self.sample)
