"""Recording check: a million events against a million, beside a quadratic aligner.

Time and memory of aligning and comparing a marker log with a recording of which 1 % of the events
are lost, 1 % extra and 1 % altered; it fails unless all that is stated is so, of 99.9 % at least.
The baseline is the textbook alignment by dynamic programming over all pairs, at a size that it
can do, extrapolated by the square of the number of events.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
from result_table import Figure, show

from tallymark.recording.comparison import compare
from tallymark.recording.fates import UNKNOWN
from tallymark.recording.recording_data import Codes, Floats, Ints, RecordedEvents
from tallymark.recording.sent_markers import Sent

FEW, MANY = 2_000, 1_000_000
RATE, DRIFT, SHARE = 20_000, 80e-6, 0.01
LEAST_STATED = 0.999


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


def measure(events: int) -> dict[str, float]:
    """Align and compare once; run in a process of its own, so that its memory can be told."""
    sent, recorded, truth = session(events)
    started = time.perf_counter()
    result = compare(sent, recorded)
    seconds = time.perf_counter() - started
    stated = result.fate != UNKNOWN
    if not np.array_equal(result.partner[stated], truth[stated]) or stated.mean() < LEAST_STATED:
        raise SystemExit("The recording check stated what is not so, or too little.")
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    return {"seconds": seconds, "memory_mib": memory}


def figures() -> list[Figure]:
    """Time and memory for a million events, beside the quadratic aligner."""
    sent, recorded, _ = session(FEW)
    few = quadratic(sent.time, sent.code, recorded.time_us, recorded.code)
    done = subprocess.run(
        [sys.executable, __file__, str(MANY)], capture_output=True, text=True, check=True
    )
    found = json.loads(done.stdout)
    baseline = f"quadratic aligner at {FEW:,} events ({few:.2f} s), extrapolated"
    table_mib = MANY * MANY / 2**20
    return [
        Figure(
            "recording check, 1 million events, nothing false",
            found["seconds"],
            "s",
            baseline,
            few * (MANY / FEW) ** 2,
            "5 s",
        ),
        Figure(
            "its memory in all",
            found["memory_mib"],
            "MiB",
            "table of the quadratic aligner, a byte a cell",
            table_mib,
            "1 GiB",
        ),
    ]


if __name__ == "__main__":
    if len(sys.argv) > 1:
        print(json.dumps(measure(int(sys.argv[1]))))
    else:
        show(figures())
