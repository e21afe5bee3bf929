"""The Pico image in its chip simulator: latency, markers a second, widths. In simulated time."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from result_table import Figure

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "pico"))

from pico_chip import HERE, prepare

ROOT = HERE.parents[1]
BOARD = ROOT / "firmware/boards/pico"
BUILD = ROOT / "build/bench"
CYCLE_NS = 5.0


def echo_image() -> Path:
    """Builds the baseline: a firmware that only sends each byte back."""
    BUILD.mkdir(parents=True, exist_ok=True)
    elf, uf2 = BUILD / "pico_echo.elf", BUILD / "pico_echo.uf2"
    names = (
        "start.S", "clocks_watchdog_start_cause.c", "flash_store.c", "usb.c", "usb_control.c",
        "descriptors.c", "usb_serial.c",
    )
    flags = ["-mcpu=cortex-m0plus", "-mthumb", "-std=gnu11", "-O3", "-flto", "-ffunction-sections"]
    paths = [f"-I{ROOT / 'firmware/core'}", f"-I{BOARD}", f"-T{BOARD / 'pico.ld'}"]
    link = ["-nostartfiles", "--specs=nano.specs", "-Wl,--gc-sections", "-o", str(elf)]
    baseline = HERE / "latency_baseline/latency_baseline.c"
    sources = [*(str(BOARD / name) for name in names), str(baseline)]
    subprocess.run(["arm-none-eabi-gcc", *flags, *paths, *sources, *link], check=True)
    tools = ROOT / "build/firmware-tools/bin/python"
    uf2_tool = ROOT / "firmware/platform/tools/uf2.py"
    subprocess.run([str(tools), str(uf2_tool), str(elf), str(uf2)], check=True)
    return uf2


def figures() -> list[Figure]:
    """Measured in simulation; see tests/pico/bench.mjs."""
    prepare()
    run = subprocess.run(
        ["node", "bench.mjs", str(echo_image())],
        cwd=HERE, check=True, capture_output=True, text=True,
    )
    found = json.loads(run.stdout)
    echo = "a firmware that only echoes a byte"
    return [
        Figure("Pico: packet in, to the edge, median", found["latencyMedianUs"], "µs",
               echo, found["echoMedianUs"]),
        Figure("Pico: packet in, to the edge, most of 600", found["latencyMostUs"], "µs",
               echo, found["echoMostUs"], "5 µs"),
        Figure("Pico: byte on the second port, to the edge, median", found["byteLatencyMedianUs"],
               "µs", echo, found["echoMedianUs"]),
        Figure("Pico: byte on the second port, to the edge, most of 600",
               found["byteLatencyMostUs"], "µs", echo, found["echoMostUs"]),
        Figure("Pico: packet in, to the edge, probes watched, most of 600",
               found["probesQuietMostUs"], "µs", "no probe watched", found["probesOffMostUs"]),
        Figure("Pico: packet in, to the edge, probes make edges, most of 600",
               found["probesEdgesMostUs"], "µs", "no probe watched", found["probesOffMostUs"]),
        Figure("Pico: confirmed markers a second", found["rate"], "/s",
               "what a full bus could carry", found["limit"], "45,000 /s"),
        Figure("Pico: width error, 1 µs to 1 s, port busy", found["widthErrorCycles"] * CYCLE_NS,
               "ns", "one clock cycle", CYCLE_NS, "1 cycle"),
        Figure("Pico: width error, 60 s, port busy at first", found["longErrorCycles"] * CYCLE_NS,
               "ns", "one clock cycle", CYCLE_NS, "1 cycle"),
    ]


if __name__ == "__main__":
    from result_table import show

    show(figures())
