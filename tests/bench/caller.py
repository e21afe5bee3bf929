"""How long `Box.pulse` keeps its caller, beside a bare pyserial write of one byte on the same port.

The port is a pseudo-terminal that a virtual box in a process of its own serves. Both take turns on
it, so that both see the same machine. Markers come a millisecond apart, as in an experiment.

    python tests/bench/caller.py [calls] [--json]
"""

from __future__ import annotations

import json
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import serial
from served import served_box

from tallymark import Box

ROUNDS = 5
SPACING_S = 0.001


def durations(call: Callable[[], object], count: int) -> list[float]:
    """Seconds that each call took."""
    taken = []
    clock = time.perf_counter
    for _ in range(count):
        time.sleep(SPACING_S)
        begin = clock()
        call()
        taken.append(clock() - begin)
    return taken


def bare_write(where: str, count: int) -> list[float]:
    with serial.Serial(where, 500_000, exclusive=True) as port:
        return durations(lambda: port.write(b"x"), count)


def pulse(where: str, count: int, log: object = None) -> list[float]:
    with Box.open(where, log=log) as box:  # type: ignore[arg-type]
        return durations(lambda: box.pulse(5), count)


def pulse_logged(where: str, count: int) -> list[float]:
    try:
        from tallymark.markerlog import MarkerLog
    except ImportError:
        return []
    with tempfile.TemporaryDirectory() as folder, MarkerLog(Path(folder) / "log.jsonl") as log:
        return pulse(where, count, log)


def main() -> None:
    as_json = "--json" in sys.argv
    numbers = [int(argument) for argument in sys.argv[1:] if argument.isdigit()]
    count = numbers[0] if numbers else 500
    kinds = {"pyserial write of one byte": bare_write, "pulse": pulse,
             "pulse with a marker log": pulse_logged}
    taken: dict[str, list[float]] = {name: [] for name in kinds}
    with served_box() as where:
        for _ in range(ROUNDS):
            for name, measure in kinds.items():
                taken[name] += measure(where, count)
    base = statistics.median(taken["pyserial write of one byte"])
    rows = [
        {
            "what": name,
            "median_us": statistics.median(values) * 1e6,
            "p95_us": statistics.quantiles(values, n=20)[-1] * 1e6,
            "ratio": statistics.median(values) / base,
        }
        for name, values in taken.items()
        if values
    ]
    if as_json:
        print(json.dumps({"bench": "caller", "baseline": rows[0]["what"], "rows": rows}))
        return
    print(f"{'caller is kept for':28} {'median':>9} {'95 %':>9} {'ratio':>7}")
    for row in rows:
        print(f"{row['what']:28} {row['median_us']:6.1f} µs {row['p95_us']:6.1f} µs "
              f"{row['ratio']:7.2f}")


if __name__ == "__main__":
    main()
