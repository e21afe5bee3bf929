"""Status channel: reading and extracting in pieces, in memory that does not grow with the length.

Writes BDF files of a 20 kHz status channel, 5 and 30 minutes long, and prints for each the speed
and the most memory that the extraction took, beside a reader that takes the whole channel at once
(pyedflib, another process). The time for a day is extrapolated.

    python tests/bench/status_channel.py [--json]
"""

from __future__ import annotations

import contextlib
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from tallymark.practice import Amplifier, Pulse, changes_of, sample, write_bdf
from tallymark.recording import load_events
from tallymark.wiring import Wiring

RATE = 20_000


def make(path: Path, minutes: float) -> int:
    """Write a recording with a marker each half second; returns their number."""
    times = np.arange(1.0, minutes * 60 - 1, 0.5) * 1e6
    pulses = [Pulse(float(t), 1 + n % 255, 5_000) for n, t in enumerate(times)]
    amplifier = Amplifier(rate=RATE, duration_s=minutes * 60, signals=1)
    write_bdf(path, sample(changes_of(pulses), Wiring(), amplifier))
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


def main() -> dict[str, dict[str, float]]:
    """Run the benchmark and return its figures."""
    figures = {}
    print(f"status channel at {RATE:,} Hz, BDF with one signal beside it")
    with tempfile.TemporaryDirectory() as folder:
        for minutes in (5, 30):
            path = Path(folder) / f"{minutes}.bdf"
            sent = make(path, minutes)
            for name in ("in pieces", "at once"):
                done = subprocess.run(
                    [sys.executable, __file__, name, str(path)],
                    capture_output=True,
                    text=True,
                    check=True,
                )
                found = json.loads(done.stdout)
                assert found["events"] == sent
                figures[f"{minutes} min {name}"] = found
                day = found["seconds"] * 1440 / minutes
                print(
                    f"  {minutes:3} min {name:9}  {found['seconds']:6.2f} s, "
                    f"{found['memory_mib']:6.0f} MiB more; a day would take {day:5.0f} s"
                )
    return figures


if __name__ == "__main__":
    if len(sys.argv) == 3:
        print(json.dumps(measure(sys.argv[2], sys.argv[1] == "at once")))
    else:
        as_json = "--json" in sys.argv
        with contextlib.redirect_stdout(sys.stderr if as_json else sys.stdout):
            figures = main()
        if as_json:
            print(json.dumps(figures))
