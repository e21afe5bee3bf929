"""The truth of a practice recording: what was planted, and so what a check has to find."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from tallymark.common.lines.readback_wiring_model import Fault, Wiring
from tallymark.plan import Plan
from tallymark.virtual.practice.amplifier import Amplifier
from tallymark.virtual.practice.disturbed_pulses import Disturbed, Pulse


@dataclass(frozen=True)
class Truth:
    """What was planted. Markers by their place in the session, from 1, as in the marker log.

    missed: lost on the way. altered: (marker, code sent, code that went on). extra: (box time in
    microseconds, code) of pulses that nobody sent. before_start: begun before the recording.
    dropped_samples: samples that the amplifier lost; in_gap: markers that lie in them, cut_by_gap:
    markers of which a part does. arrives_as: what the wiring makes of the plan's codes, where it
    changes them.
    """

    markers: int
    missed: list[int]
    altered: list[tuple[int, int, int]]
    extra: list[tuple[int, int]]
    before_start: list[int]
    dropped_samples: int
    in_gap: list[int]
    cut_by_gap: list[int]
    drift_ppm: float
    faults: list[str]
    arrives_as: dict[int, int]

    @classmethod
    def of(
        cls,
        plan: Plan,
        pulses: Sequence[Pulse],
        disturbed: Disturbed,
        wiring: Wiring,
        amplifier: Amplifier,
    ) -> Truth:
        """The truth of a recording made of these parts. pulses: those that were sent, in order."""
        begin = amplifier.sample_at([pulse.time_us for pulse in pulses])
        end = amplifier.sample_at([pulse.time_us + pulse.width_us for pulse in pulses])
        late = begin <= 0  # active in the first sample already: its onset is not there
        inside, touched = np.zeros(len(pulses), bool), np.zeros(len(pulses), bool)
        for when, count in amplifier.dropped:
            first = int(when * amplifier.rate)
            inside |= (begin >= first) & (end <= first + count)
            touched |= (begin < first + count) & (end > first)
        there = ~late & ~inside
        return cls(
            markers=len(pulses),
            missed=[n + 1 for n in sorted(disturbed.lost) if there[n]],
            altered=[
                (n + 1, pulses[n].code, code)
                for n, code in sorted(disturbed.altered.items())
                if there[n]
            ],
            extra=_recorded(disturbed.extra, amplifier),
            before_start=(np.flatnonzero(late) + 1).tolist(),
            dropped_samples=sum(count for _, count in amplifier.dropped),
            in_gap=(np.flatnonzero(inside) + 1).tolist(),
            cut_by_gap=(np.flatnonzero(touched & ~inside) + 1).tolist(),
            drift_ppm=amplifier.clock_error_ppm,
            faults=[str(fault) for fault in wiring.faults],
            arrives_as=_arrives_as(plan, wiring),
        )

    def as_data(self) -> dict[str, Any]:
        """As JSON data."""
        return {
            **vars(self),
            "altered": [
                dict(zip(("marker", "sent", "became"), row, strict=True)) for row in self.altered
            ],
            "extra": [{"box_us": at, "code": code} for at, code in self.extra],
            "arrives_as": {str(sent): seen for sent, seen in self.arrives_as.items()},
        }

    def rows(self) -> list[tuple[str, str]]:
        """For the screen: what, and how much of it."""
        way = "slow" if self.drift_ppm < 0 else "fast"
        rows = [
            ("markers sent", f"{self.markers:,}"),
            ("missed", f"{len(self.missed):,}"),
            ("altered", f"{len(self.altered):,}"),
            ("extra", f"{len(self.extra):,}"),
            ("drift", f"the recording's clock is {abs(self.drift_ppm):g} ppm {way}"),
        ]
        if self.before_start:
            rows.append(("late start", f"{len(self.before_start):,} markers came before it"))
        if self.dropped_samples:
            text = f"{self.dropped_samples:,} samples, with {len(self.in_gap):,} markers in them"
            cut = f", and a part of {len(self.cut_by_gap)} more" if self.cut_by_gap else ""
            rows.append(("dropped", text + cut))
        rows += [("fault", f"{text}: {Fault.parse(text).describe()}") for text in self.faults]
        if self.arrives_as:
            changed = [f"{sent} as {seen or 'nothing'}" for sent, seen in self.arrives_as.items()]
            more = f" and {len(changed) - 8} more" if len(changed) > 8 else ""
            rows.append(("so codes arrive", ", ".join(changed[:8]) + more))
        return rows


def _recorded(extra: Sequence[Pulse], amplifier: Amplifier) -> list[tuple[int, int]]:
    """The extra pulses that lie in the recording."""
    kept = []
    for pulse in extra:
        begin, end = amplifier.sample_at([pulse.time_us, pulse.time_us + pulse.width_us])
        gaps = ((int(when * amplifier.rate), count) for when, count in amplifier.dropped)
        if begin > 0 and not any(begin >= gap and end <= gap + count for gap, count in gaps):
            kept.append((round(pulse.time_us), pulse.code))
    return kept


def _arrives_as(plan: Plan, wiring: Wiring) -> dict[int, int]:
    table = wiring.table()
    idle = 0 if plan.receiver.active == "high" else 0xFF
    codes = sorted({event.code for event in plan.events})
    seen = {code: (table[code ^ idle] ^ idle) & plan.receiver.lines for code in codes}
    return {code: became for code, became in seen.items() if became != code}
