"""Made-up sessions with a known truth: what was sent, what was done to it, what was recorded."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from tallymark.common.lines.readback_wiring_model import Wiring
from tallymark.recording.event_extraction import Rule, extract
from tallymark.recording.recording_data import Floats, Ints, RecordedEvents, StatusStream
from tallymark.recording.sent_markers import Sent
from tallymark.virtual.practice import Amplifier, Disturbed, Pulse, changes_of, disturb, sample

CODES = {"random": range(1, 256), "six": (3, 5, 6, 9, 10, 12), "two": (1, 2), "same": (7,)}


@dataclass
class Case:
    """One session and its recording."""

    rate: int = 1000
    ppm: float = 0.0
    faults: float = 0.0
    intervals: str = "random"
    codes: str = "random"
    late: float = 0.0
    early: float = 0.0
    gap_s: float = 0.0
    wiring: tuple[str, ...] = ()
    markers: int = 400
    seed: int = 1
    interval_us: float = 300_000.0
    idle: int = 0

    def __str__(self) -> str:
        plain = Case()
        return " ".join(
            f"{name}={value}" for name, value in vars(self).items() if value != getattr(plain, name)
        )

    def run(self) -> Session:
        """Send, disturb, sample and extract."""
        random = np.random.default_rng(self.seed)
        if self.intervals == "random":
            steps = random.uniform(0.6, 1.6, self.markers)
        else:
            steps = np.ones(self.markers)
        time = np.round(np.cumsum(steps * self.interval_us) + 5e6)
        code = random.choice(list(CODES[self.codes]), self.markers)
        width = max(8_000.0, 2.5e6 / self.rate)
        pulses = [Pulse(float(t), int(c), width) for t, c in zip(time, code, strict=True)]
        share = self.faults
        done = disturb(pulses, share, share, share, self.seed)
        start = time[int(self.late * self.markers)] - 0.37 * self.interval_us
        start = start if self.late else 2e6
        end = time[int((1 - self.early) * self.markers) - 1] + 0.41 * self.interval_us
        end = end if self.early else time[-1] + 3e6
        amplifier = Amplifier(self.rate, self.ppm, start, (end - start) / 1e6)
        dropped = self._dropped(time, amplifier)
        amplifier = replace(amplifier, dropped=dropped)
        sampled = sample(changes_of(done.pulses, self.idle), Wiring(self.wiring), amplifier)
        stream = StatusStream(
            Path("made-up.bdf"),
            "BDF",
            "Status",
            self.rate,
            amplifier.samples,
            lambda: sampled.pieces(65_536),
        )
        events = extract(stream, Rule())
        sent = Sent(
            time,
            code.astype(np.uint8),
            np.full(self.markers, width),
            np.ones(self.markers, bool),
            np.arange(1, self.markers + 1),
            np.full(self.markers, -1),
            [],
        )
        return Session(self, sent, done, amplifier, events)

    def _dropped(self, time: Floats, amplifier: Amplifier) -> tuple[tuple[float, int], ...]:
        """A pause half-way that begins and ends in idle time, so that it cuts no pulse in two."""
        if not self.gap_s:
            return ()

        def idle(seconds: float) -> float:
            clock = 1 + self.ppm * 1e-6
            at = int(np.searchsorted(time, amplifier.start_us + seconds * 1e6 / clock))
            return float((time[at - 1] + time[at]) / 2 - amplifier.start_us) / 1e6 * clock

        first = idle(amplifier.duration_s / 2)
        last = idle(first + self.gap_s)
        return ((first, int((last - first) * self.rate)),)


@dataclass
class Session:
    """A session, what was done to it, and what was recorded."""

    case: Case
    sent: Sent
    done: Disturbed
    amplifier: Amplifier
    events: RecordedEvents

    def truth(self) -> Ints:
        """Index of each marker's event, or -1 where it isn't in the recording."""
        amplifier = self.amplifier
        rate = amplifier.rate * (1 + amplifier.clock_error_ppm * 1e-6) / 1e6
        sample_at = np.ceil((self.sent.time - amplifier.start_us) * rate - 1e-9)
        there = sample_at > 0
        for when, count in amplifier.dropped:
            gap = int(when * amplifier.rate)
            there &= (sample_at < gap) | (sample_at >= gap + count)
            sample_at = np.where(sample_at >= gap + count, sample_at - count, sample_at)
        there &= sample_at < amplifier.samples
        there[list(self.done.lost)] = False
        place = {int(at): number for number, at in enumerate(self.events.sample)}
        return np.array(
            [place.get(int(at), -1) if ok else -1 for at, ok in zip(sample_at, there, strict=True)]
        )
