"""Box time and host time: arithmetic on round trips, without any input or output.

A round trip says: the box read `box_us` on its clock at some moment between `sent_s` and
`received_s` of the host's clock. So the middle is wrong by at most half the round trip, whatever
the link did. Two round trips a while apart bound the rate between the clocks in the same way, and
all pairs together bound it tightly. Nothing here is an average: a delayed round trip gives a wide
bound, which a narrow one beside it makes irrelevant, so jitter needs no filter.

`to_host` adds up what is left: half the round trip that it starts from, the uncertainty of the
rate times the distance in time, and one microsecond, because box time is a whole number of them.
So a quick round trip of a second ago is often better than a slow one of just now: of the last ones
those are kept than which none is both newer and quicker.
"""

from __future__ import annotations

from threading import Lock
from typing import NamedTuple

from tallymark.box.ports.timebase import SLEWED

RATE_UNKNOWN = 0.01
"""Before it is measured, the rate is known to be within 1 %: a ceramic resonator is made within
0.5 % and stays within another 0.3 % from -20 to +80 °C (Murata, catalogue P16E and specifications
of its CERALOCK resonators)."""
CRYSTAL_WANDER = 10e-6
"""How far the rate between two crystals may be from its mean while samples are kept. The crystal
that the RP2040's maker recommends (Abracon ABM8-272-T3) stays within 30 ppm from -40 to +85 °C. An
AT-cut crystal that does so changes by less than 1 ppm/K in a room: 5 K for each of the two."""
RESONATOR_WANDER = 150e-6
"""The same for the ceramic resonator of Nano and Uno boards. Murata's application manual (P17E)
gives ceramic resonators a temperature coefficient of 1e-5/K: 15 K, as after the power came."""
SLEW = 500e-6
"""How far a host's clock may be slewed, if it is one that may be (adjtimex(2)); see `timebase`."""

BOARDS_WITH_A_CRYSTAL = frozenset({"pico", "virtual"})
"""A virtual box counts with the host's own clock. Boards that are not known get the wider bound."""


def wander_of(board: str, *, slewed: bool = SLEWED) -> float:
    """How far the rate of a board's clock to the host's may be from its mean, as a fraction."""
    wander = CRYSTAL_WANDER if board in BOARDS_WITH_A_CRYSTAL else RESONATOR_WANDER
    return wander + SLEW if slewed else wander


WANDER = wander_of("unknown")
"""Of a box that has not said yet which board it is."""
SAMPLES = 32
NEWEST = 8
"""How many of the last round trips are kept beside those that tell of the rate."""
KEPT_S = 600.0
"""Older samples are forgotten: the wander is what may happen in this time."""
_FIRST_SPACING = 0.05
_AHEAD_US = 1_000_000
"""An answer may tell of an edge to come, as that of a sequence; never of one so far ahead."""
_STEP = 1e-6


class Sample(NamedTuple):
    """One round trip. Host times are in seconds, box time in microseconds."""

    sent_s: float
    box_us: int
    received_s: float

    @property
    def round_trip_s(self) -> float:
        """How long it took, in seconds."""
        return self.received_s - self.sent_s


class HostTime(NamedTuple):
    """A time on the host's clock, and by how much it may be wrong, both in seconds."""

    seconds: float
    bound_s: float


class Drift(NamedTuple):
    """How much faster the box's clock runs than the host's, in parts per million, and the bound."""

    ppm: float
    bound_ppm: float


class ClockEstimate:
    """Relation between box time and host time out of round trips. Thread-safe.

    wander: how far the rate between the two clocks may be from its mean, as a fraction.
    """

    def __init__(self, wander: float = WANDER) -> None:
        self.wander = wander
        self._lock = Lock()
        self.reset()

    def reset(self) -> None:
        """Forgets everything: the box started again, and its time began at 0."""
        with self._lock:
            self._samples: list[Sample] = []
            self._newest: list[Sample] = []  # in order, each slower than the one before it
            self._spacing = _FIRST_SPACING
            # Lowest and highest rate, host seconds per box second, that all pairs allow.
            self._low, self._high = 1 - RATE_UNKNOWN, 1 + RATE_UNKNOWN

    def has_begun_anew(self, sent_s: float, box_us: int) -> bool:
        """Whether box time must have begun again: a request that was sent after an answer had come
        has an earlier time than that answer."""
        with self._lock:
            return any(
                sample.box_us - box_us > _AHEAD_US and sample.received_s <= sent_s
                for sample in reversed(self._samples)
            )

    def copy(self) -> ClockEstimate:
        """What is known now, for times of this start of the box after the next one."""
        twin = ClockEstimate(self.wander)
        with self._lock:
            twin._samples = list(self._samples)
            twin._newest = list(self._newest)
            twin._spacing = self._spacing
            twin._low, twin._high = self._low, self._high
        return twin

    def add(self, sent_s: float, box_us: int, received_s: float) -> None:
        """Takes a round trip. Times of one box must come in order."""
        with self._lock:
            samples = self._samples
            if samples and box_us < samples[-1].box_us:
                return  # an answer that was overtaken; the ones that count are in already
            new = Sample(sent_s, box_us, received_s)
            newest = self._newest
            while newest and newest[-1].round_trip_s >= new.round_trip_s:
                del newest[-1]
            newest.append(new)
            if len(newest) > NEWEST:
                del newest[0]
            if len(samples) > 1 and received_s - samples[-2].received_s < self._spacing:
                # Too near to the last but one to tell more of the rate: keep the narrower one.
                if received_s - sent_s <= samples[-1].received_s - samples[-1].sent_s:
                    samples[-1] = new
                return
            if samples and received_s - samples[0].received_s > KEPT_S:
                self._forget(samples, received_s - KEPT_S)
            self._narrow(samples, new)
            samples.append(new)
            if len(samples) > SAMPLES:
                del samples[1:-1:2]
                self._spacing = min(2 * self._spacing, KEPT_S / 8)

    def _forget(self, samples: list[Sample], before_s: float) -> None:
        """Forgets samples of before that time, and what they said of the rate."""
        while len(samples) > 1 and samples[0].received_s < before_s:
            del samples[0]
        low, high = 1 - RATE_UNKNOWN, 1 + RATE_UNKNOWN
        for at, sample in enumerate(samples):
            low, high = self._bounds(samples[:at], sample, low, high)
        self._low, self._high = low, high

    def _narrow(self, samples: list[Sample], new: Sample) -> None:
        """Narrows the range of the rate by the pairs that a new sample makes."""
        low, high = self._bounds(samples, new, self._low, self._high)
        while low > high:
            # No one rate fits them all: it changed in the meantime. The newer half decides.
            del samples[: (len(samples) + 1) // 2]
            low, high = 1 - RATE_UNKNOWN, 1 + RATE_UNKNOWN
            for at, sample in enumerate(samples):
                low, high = self._bounds(samples[:at], sample, low, high)
            low, high = self._bounds(samples, new, low, high)
        self._low, self._high = low, high

    def _bounds(
        self, earlier: list[Sample], later: Sample, low: float, high: float
    ) -> tuple[float, float]:
        sent, box, received = later
        for sample in earlier:
            box_s = (box - sample.box_us) * 1e-6
            if box_s > 0:
                low = max(low, (sent - sample.received_s - _STEP) / box_s - self.wander)
                high = min(high, (received - sample.sent_s + _STEP) / box_s + self.wander)
        return low, high

    def __len__(self) -> int:
        return len(self._samples)

    def to_host(self, box_us: float) -> HostTime:
        """Host time of a box time, with its bound. ValueError before the first round trip."""
        with self._lock:
            rate, spread = self._rate()
            best, best_bound = self._samples[0], float("inf")
            for sample in self._samples + self._newest:
                bound = (sample.received_s - sample.sent_s) / 2 + spread * abs(
                    box_us - sample.box_us
                ) * 1e-6
                if bound < best_bound:
                    best, best_bound = sample, bound
        middle = (best.sent_s + best.received_s) / 2
        return HostTime(middle + rate * (box_us - best.box_us) * 1e-6, best_bound + _STEP)

    def to_host_us(self, box_us: int) -> tuple[int, int]:
        """As `to_host`, both in whole microseconds: host time and its bound."""
        time = self.to_host(box_us)
        return round(time.seconds * 1e6), round(time.bound_s * 1e6)

    def to_box(self, host_s: float) -> tuple[float, float]:
        """Box time (µs) of a host time, and its bound (µs). ValueError before the first one."""
        with self._lock:
            rate, spread = self._rate()
            best, best_bound = self._samples[0], float("inf")
            for sample in self._samples + self._newest:
                bound = (sample.received_s - sample.sent_s) / 2 + spread * abs(
                    host_s - sample.sent_s
                )
                if bound < best_bound:
                    best, best_bound = sample, bound
        middle = (best.sent_s + best.received_s) / 2
        box_us = best.box_us + (host_s - middle) / rate * 1e6
        # Half the round trip more, because the distance was taken from its beginning.
        slack = spread * (best.received_s - best.sent_s) / 2
        return box_us, (best_bound + slack + _STEP) / (rate - spread) * 1e6

    @property
    def round_trip_s(self) -> float:
        """The quickest of the round trips that are kept, in seconds. ValueError before the first.

        No bound is better than half of it."""
        with self._lock:
            self._rate()
            return min(sample.round_trip_s for sample in self._samples + self._newest)

    @property
    def drift(self) -> Drift:
        """Drift of the box's clock. ValueError before the first round trip."""
        with self._lock:
            rate, spread = self._rate()
            return Drift((1 / rate - 1) * 1e6, spread / (rate - spread) * 1e6)

    def _rate(self) -> tuple[float, float]:
        """Host seconds per box second: the middle of what is possible, and half its width."""
        if not self._samples:
            raise ValueError("the clock is not synchronised yet; call sync_clock() first")
        return (self._low + self._high) / 2, (self._high - self._low) / 2 + self.wander
