"""Recording check: a million events against a million, beside a quadratic aligner.

Prints the time and the memory of aligning and comparing a marker log with a recording of which 1 %
of the events are lost, 1 % extra and 1 % altered, and whether the exact truth came out. The
baseline is the textbook alignment by dynamic programming over all pairs, at a size that it can do,
extrapolated by the square of the number of events.

    python tests/bench/recording_check.py [events] [--json]
"""

from __future__ import annotations

import contextlib
import json
import resource
import sys
import time
from pathlib import Path

import numpy as np

from tallymark.recording.compare import ALTERED, ARRIVED, MISSED, Sent, compare
from tallymark.recording.model import Codes, Floats, Ints, RecordedEvents

RATE, DRIFT, SHARE = 20_000, 80e-6, 0.01


def session(events: int, seed: int = 1) -> tuple[Sent, RecordedEvents, Ints]:
    """A log, its recording, and the true index of each marker's event (-1: lost)."""
    random = np.random.default_rng(seed)
    time_us = np.round(np.cumsum(random.uniform(20_000, 60_000, events)))
    code = random.integers(1, 256, events).astype(np.uint8)
    kind = random.random(events)
    sample = np.ceil((time_us * (1 + DRIFT) + 1_234_567) * RATE / 1e6).astype(np.int64)
    seen = code.copy()
    altered = (kind >= SHARE) & (kind < 2 * SHARE)
    seen[altered] ^= (1 << random.integers(0, 8, int(altered.sum()))).astype(np.uint8)
    altered &= seen != 0
    seen[seen == 0] = code[seen == 0]
    kept = kind >= SHARE
    free = np.flatnonzero(random.random(events - 1) < SHARE)
    extra = (sample[free] + sample[free + 1]) // 2
    at = np.concatenate((sample[kept], extra))
    codes = np.concatenate((seen[kept], random.integers(1, 256, len(extra)).astype(np.uint8)))
    order = np.argsort(at, kind="stable")
    place = np.empty(len(at), np.int64)
    place[order] = np.arange(len(at))
    truth = np.full(events, -1, np.int64)
    truth[kept] = place[: int(kept.sum())]
    end = int(at.max()) + RATE
    recorded = RecordedEvents(
        Path("benchmark"),
        "none",
        "Status",
        RATE,
        at[order],
        at[order] * (1e6 / RATE),
        codes[order],
        np.full(len(at), 100, np.int64),
        0.0,
        end * 1e6 / RATE,
    )
    ones = np.ones(events, bool)
    sent = Sent(
        time_us, code, np.full(events, 5e3), ones, np.arange(events), np.full(events, -1), []
    )
    return sent, recorded, truth


def quadratic(sent_us: Floats, sent: Codes, recorded_us: Floats, recorded: Codes) -> float:
    """Edit distance of the two trains by code and interval, over all pairs; returns seconds."""
    started = time.perf_counter()
    sent_gap = np.diff(sent_us, prepend=0.0)
    recorded_gap = np.diff(recorded_us, prepend=0.0)
    above = list(range(len(recorded) + 1))
    for row in range(len(sent)):
        fits = (recorded == sent[row]) & (np.abs(recorded_gap - sent_gap[row]) < 200)
        here = [row + 1]
        for column, fit in enumerate(fits.tolist()):
            best = above[column] + (0 if fit else 2)
            here.append(min(best, above[column + 1] + 1, here[column] + 1))
        above = here
    return time.perf_counter() - started


def main(events: int = 1_000_000) -> dict[str, float | bool]:
    """Run the benchmark and return its figures."""
    sent, recorded, truth = session(2_000)
    small = quadratic(sent.time, sent.code, recorded.time_us, recorded.code)
    baseline = small * (events / 2_000) ** 2
    sent, recorded, truth = session(events)
    started = time.perf_counter()
    result = compare(sent, recorded)
    seconds = time.perf_counter() - started
    exact = bool(np.array_equal(result.partner, truth))
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"recording check, {events:,} against {len(recorded):,} events, {SHARE:.0%} faults each")
    print(f"  this aligner             {seconds:8.2f} s, {memory:.0f} MiB in all")
    print(f"  quadratic, 2,000 events  {small:8.2f} s; extrapolated {baseline / 3600:,.0f} h")
    print(f"  ratio                    {baseline / seconds:,.0f} times faster")
    print(f"  exact truth recovered    {'yes' if exact else 'NO'}")
    print(
        f"  arrived {result.count(ARRIVED):,}, altered {result.count(ALTERED):,}, "
        f"missed {result.count(MISSED):,}, extra {len(result.extra):,}, "
        f"drift {result.timing.drift_ppm:.4f} ppm (true {DRIFT * 1e6:g})"
    )
    return {
        "events": events,
        "seconds": seconds,
        "memory_mib": memory,
        "quadratic_seconds_2000": small,
        "quadratic_seconds_extrapolated": baseline,
        "exact": exact,
    }


if __name__ == "__main__":
    as_json = "--json" in sys.argv
    sizes = [int(argument) for argument in sys.argv[1:] if argument.isdigit()]
    with contextlib.redirect_stdout(sys.stderr if as_json else sys.stdout):
        figures = main(*sizes[:1])
    if as_json:
        print(json.dumps(figures))
