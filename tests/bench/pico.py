"""The Pico image in its chip simulator: latency, markers a second, widths. In simulated time."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from figure import Figure

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "pico"))

from pico_chip import HERE, prepare

PACKET_US = (13 + 7) * 8 / 12
"""A packet with one pulse request on a full-speed bus, with its token and handshake."""
CYCLE_NS = 5.0


def figures() -> list[Figure]:
    """Measured in simulation; see tests/pico/bench.mjs."""
    prepare()
    run = subprocess.run(
        ["node", "bench.mjs"], cwd=HERE, check=True, capture_output=True, text=True
    )
    found = json.loads(run.stdout)
    bus = "the packet's own time on the bus"
    return [
        Figure("Pico: packet in, to the edge, median", found["latencyMedianUs"], "µs", bus,
               PACKET_US),
        Figure("Pico: packet in, to the edge, most of 600", found["latencyMostUs"], "µs", bus,
               PACKET_US, "5 µs"),
        Figure("Pico: confirmed markers a second", found["rate"], "/s",
               "what a full bus could carry", found["limit"], "50,000 /s"),
        Figure("Pico: width error, 1 µs to 1 s, port busy", found["widthErrorCycles"] * CYCLE_NS,
               "ns", "one clock cycle", CYCLE_NS, "1 cycle"),
        Figure("Pico: width error, 60 s, port busy at first", found["longErrorCycles"] * CYCLE_NS,
               "ns", "one clock cycle", CYCLE_NS, "1 cycle"),
    ]


if __name__ == "__main__":
    from figure import show

    show(figures())
