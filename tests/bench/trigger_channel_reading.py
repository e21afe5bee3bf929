"""Status channel: reading and extracting in pieces, in memory that does not grow with the length.

The baseline is a reader that takes the whole channel at once (pyedflib). Each reading runs in a
process of its own, so that its memory can be told.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from result_table import Figure, show

from tallymark.common.lines.readback_wiring_model import Wiring
from tallymark.recording import load_events
from tallymark.virtual.practice import Amplifier, Pulse, changes_of, sample, write_recording

RATE = 20_000
LENGTHS = (10, 40)  # minutes
WAYS = ("in pieces", "at once")
BASELINE = "pyedflib, the whole channel at once"


def make(path: Path, minutes: float) -> int:
    """Write a recording with a marker each half second; returns their number."""
    times = np.arange(1.0, minutes * 60 - 1, 0.5) * 1e6
    pulses = [Pulse(float(t), 1 + n % 255, 5_000) for n, t in enumerate(times)]
    amplifier = Amplifier(rate=RATE, duration_s=minutes * 60, signals=1)
    write_recording(path, sample(changes_of(pulses), Wiring(), amplifier))
    return len(pulses)


def measure(path: str, whole: bool) -> dict[str, float]:
    """Read one file; run in a process of its own, so that its memory can be told."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    started = time.perf_counter()
    if whole:
        import pyedflib

        with pyedflib.EdfReader(path) as reader:
            status = reader.readSignal(1, digital=True) & 0xFF
            events = int((np.diff(status) > 0).sum())
    else:
        events = len(load_events(path))
    seconds = time.perf_counter() - started
    memory = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    return {"events": events, "seconds": seconds, "memory_mib": memory}


def figures() -> list[Figure]:
    """Time for a day's channel, and memory for two lengths, beside a reader of the whole."""
    found: dict[tuple[int, str], dict[str, float]] = {}
    with tempfile.TemporaryDirectory() as folder:
        for minutes in LENGTHS:
            path = Path(folder) / f"{minutes}.bdf"
            sent = make(path, minutes)
            for way in WAYS:
                done = subprocess.run(
                    [sys.executable, __file__, way, str(path)],
                    capture_output=True,
                    text=True,
                    check=True,
                )
                found[minutes, way] = json.loads(done.stdout)
                assert found[minutes, way]["events"] == sent
            path.unlink()
    longest = LENGTHS[-1]
    ours, whole = (found[longest, way]["seconds"] * 1440 / longest for way in WAYS)
    rows = [Figure("a day of 20 kHz status channel, extrapolated", ours, "s", BASELINE, whole)]
    for minutes in LENGTHS:
        ours, whole = (found[minutes, way]["memory_mib"] for way in WAYS)
        what = f"memory for {minutes} min of it"
        rows.append(Figure(what, ours, "MiB", BASELINE, whole, "does not grow"))
    return rows


if __name__ == "__main__":
    if len(sys.argv) == 3:
        print(json.dumps(measure(sys.argv[2], sys.argv[1] == "at once")))
    else:
        show(figures())
