"""What is measured of each recording and compared over a study."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tallymark.study.dates import days

Row = dict[str, Any]
Floats = NDArray[np.float64]
_ONSETS = {"light": "the light", "sound": "the sound", "ttl": "the TTL signal"}
PROBE_RESOLUTION_US = 20.0
"""The box stamps the onsets of light and sound to this."""
FACTORS = ("site", "box", "amplifier")


@dataclass(frozen=True)
class Measure:
    """name: for scripts; title: for people; of: its value in a row, None where there is none.
    share: whether it is a share, 0 to 1; otherwise microseconds, or times of what sampling gives.
    """

    name: str
    title: str
    of: Callable[[Row], float | None]
    unit: str = "%"

    def text(self, value: float) -> str:
        """A value for people."""
        if self.unit == "%":
            return f"{100 * value:.3g} %"
        if self.unit == "us":
            return f"{value / 1000:.3g} ms" if value >= 1000 else f"{value:.3g} µs"
        return f"{value:.3g} {self.unit}".rstrip()


def _share(*names: str, of: str = "expected") -> Callable[[Row], float | None]:
    def value(row: Row) -> float | None:
        return sum(row[name] or 0 for name in names) / row[of] if row[of] else None

    return value


def _value(name: str) -> Callable[[Row], float | None]:
    return lambda row: row[name]


def _resolved(name: str) -> Callable[[Row], float | None]:
    """A jitter that is smaller than what a probe resolves is as large as that: it says nothing."""
    return lambda row: None if row[name] is None else max(row[name], PROBE_RESOLUTION_US)


def _late(probe: str) -> Callable[[Row], float | None]:
    def value(row: Row) -> float | None:
        late = row[f"{probe}_late_onsets"]
        return None if late is None else late / row[f"{probe}_onsets"]

    return value


def _jitter(row: Row) -> float | None:
    jitter, limit = row["jitter_us"], row["sampling_us"]
    return jitter / limit if jitter is not None and limit else None


MEASURES = (
    Measure("lost", "lost markers", _share("missed", "merged")),
    Measure("altered", "altered markers", _share("altered")),
    Measure("extra", "events that nobody sent", _share("extra")),
    *(
        Measure(f"line {line}", f"line {line} at the wrong level",
                _share(f"line{line}_wrong", of=f"line{line}_told"))
        for line in range(8)
    ),
    Measure("jitter", "jitter in the recording", _jitter, "× sampling"),
    Measure("late", "lateness of the latest code", _value("late_us"), "us"),
    Measure("delay", "delay from request to edge", _value("delay_us"), "us"),
    Measure("delay jitter", "jitter of that delay", _value("delay_jitter_us"), "us"),
    *(measure for probe, what in _ONSETS.items() for measure in (
        Measure(f"{probe} onset", f"delay from the marker to {what}",
                _value(f"{probe}_onset_us"), "us"),
        Measure(f"{probe} onset jitter", f"jitter of the delay to {what}",
                _resolved(f"{probe}_onset_jitter_us"), "us"),
        Measure(f"{probe} late", f"share of late onsets of {what}", _late(probe)),
    )),
)
DRIFT = Measure("drift", "drift of the recording's clock", _value("drift_ppm"), "ppm")


@dataclass(frozen=True)
class Unit:
    """Recordings of one session, which count as one: they have faults in common."""

    rows: tuple[Row, ...]
    day: float

    def level(self, factor: str) -> str:
        """Its site, box or amplifier; '' where it isn't known."""
        return str(self.rows[0][factor] or "")

    def value(self, measure: Measure) -> float:
        """Mean of a measure, NaN without any."""
        values = [value for row in self.rows if (value := measure.of(row)) is not None]
        return float(np.mean(values)) if values else float("nan")


def units_of(rows: Sequence[Row]) -> list[Unit]:
    """The counted recordings with a date, by session, in order of date.

    Those of one participant and session at the same site, box and amplifier are one unit.
    """
    together: dict[tuple[Any, ...], list[Row]] = defaultdict(list)
    for row in rows:
        when = days(row["date"])
        if not row["counted"] or when is None:
            continue
        who = (row["subject"], row["session"], int(when)) if row["subject"] else (row["name"],)
        together[(*who, *(row[factor] for factor in FACTORS))].append(row)
    units = [
        Unit(tuple(several), min(days(row["date"]) or 0.0 for row in several))
        for several in together.values()
    ]
    return sorted(units, key=lambda unit: (unit.day, unit.rows[0]["name"]))
