"""Strobed markers at the simulated pins, with a full port: how far lead and hold are off, at worst.

A thousand on each board, of all codes, with widths at random, and the port kept as full as it
gets: requests in and answers out all the time. Anything on the lines but each marker with its
strobe ends it with an error. In simulation; `make strobe-run` takes ten thousand, in some minutes.

    python tests/bench/strobe.py [COUNT]
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
from pathlib import Path

from result_table import Figure, show

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "nano"))
sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "pico"))

import nano_image
from full_window_host import Host
from nano_chip import CYCLES_PER_US, Chip
from pico_chip import HERE, prepare
from raw_frames import CLOCK, PULSE_FOR, SETTINGS_WRITE, STROBE, Talk, pulse_for, strobed

MARKERS = 1_000
LEAD_US, HOLD_US = 60, 51
WIDTHS_US = (LEAD_US + HOLD_US + 50, 400)
EVERY = 4
"""Requests from one marker to the next: the others take longer on the line than a pulse lasts."""
NANO_CYCLE_NS, PICO_CYCLE_NS = 62.5, 5.0


class StrobeError(Exception):
    """The lines did something else than one marker after the other, each with its strobe."""


def off_by(edges: list[tuple[int, int]], wanted: list[tuple[int, int]]) -> dict[str, int]:
    """Greatest errors in cycles of lead, of hold and of the width. edges: (cycle, levels).
    wanted: (code, width in us)."""
    if len(edges) != 4 * len(wanted):
        raise StrobeError(f"{len(edges)} edges of {len(wanted)} markers")
    worst = {"lead": 0, "hold": 0, "width": 0}
    for number, (code, width_us) in enumerate(wanted):
        four = edges[4 * number : 4 * number + 4]
        if [levels for _, levels in four] != [code, code | STROBE, code, 0]:
            raise StrobeError(f"marker {number} (code {code}): {four}")
        begin, on, off, end = (cycle for cycle, _ in four)
        errors = {
            "lead": on - begin - LEAD_US * CYCLES_PER_US,
            "hold": end - off - HOLD_US * CYCLES_PER_US,
            "width": end - begin - width_us * CYCLES_PER_US,
        }
        worst = {name: max(worst[name], abs(error)) for name, error in errors.items()}
    return worst


def nano(count: int) -> dict[str, int]:
    """Greatest errors in cycles of 62.5 ns."""
    chip = Chip(nano_image.nano())
    chip.run_us(8000)
    talk = Talk(chip)
    talk.listen(0)
    talk.done(SETTINGS_WRITE, strobed(LEAD_US, HOLD_US, width=500))
    chip.edges()
    chance = random.Random(7)
    wanted: list[tuple[int, int]] = []

    def ask(number: int) -> tuple[int, bytes]:
        at = number // EVERY
        if number % EVERY or at >= count:
            return CLOCK, b""
        if at == len(wanted):  # otherwise it found no room in the window, and is asked again
            code = chance.choice([code for code in range(1, 256) if not code & STROBE])
            wanted.append((code, chance.randint(*WIDTHS_US)))
        return PULSE_FOR, pulse_for(*wanted[at])

    host = Host(chip, ask, tag=talk.tag)
    edges: list[tuple[int, int]] = []
    while host.number < count * EVERY:
        host.run(100_000)
        chip.run_us(WIDTHS_US[1])
        edges += chip.edges()
        host.answers.clear()
    return off_by(edges, wanted)


def pico(count: int) -> dict[str, int]:
    """Greatest errors in cycles of 5 ns; see tests/pico/strobe_run.mjs."""
    prepare()
    run = subprocess.run(
        ["node", "strobe_run.mjs", str(count)], cwd=HERE, check=True, capture_output=True, text=True
    )
    found: dict[str, int] = json.loads(run.stdout)
    return found


def figures(count: int = MARKERS) -> list[Figure]:
    """The worst of all markers."""
    return [
        Figure(f"{board}: {what} of {count:,} strobed markers, full port, worst error",
               errors[what] * cycle_ns, "ns", "one clock cycle", cycle_ns, "1 cycle")
        for board, errors, cycle_ns in (
            ("Nano", nano(count), NANO_CYCLE_NS), ("Pico", pico(count), PICO_CYCLE_NS)
        )
        for what in ("lead", "hold", "width")
    ]


if __name__ == "__main__":
    show(figures(int(sys.argv[1]) if len(sys.argv) > 1 else MARKERS))
