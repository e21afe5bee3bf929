"""A decoder of session signatures, written from protocol/SIGNATURE.md alone.

It shares nothing with the library: the checksum goes bit by bit, the grid is searched for, and all
is in plain Python.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

PAGE = Path(__file__).resolve().parents[2] / "protocol" / "SIGNATURE.md"
UNITS_US = [8_000 * 2**n for n in range(8)]
STEPS = 200  # offsets of the grid that are tried


def checksum(data: bytes) -> int:
    """CRC-16/PROFIBUS."""
    register = 0xFFFF
    for byte in data:
        for bit in range(7, -1, -1):
            top = register >> 15
            register = register << 1 & 0xFFFF
            if top != byte >> bit & 1:
                register ^= 0x1DCF
    return register ^ 0xFFFF


def decode_run(times: Sequence[float], unit: float) -> tuple[int, int] | None:
    """Session and ordinal of 15 times, by section 3; None if they are no signature."""
    best: tuple[float, list[int]] | None = None
    for step in range(STEPS):
        offset = times[0] + step * unit / STEPS
        lines = [round((time - offset) / unit) for time in times]
        worst = max(
            abs((time - offset) / unit - line) for time, line in zip(times, lines, strict=True)
        )
        if best is None or worst < best[0]:
            best = worst, lines
    assert best is not None
    if best[0] > 0.4:
        return None
    word = 0
    for here, there in zip(best[1], best[1][1:], strict=False):
        if not 9 <= there - here <= 16:
            return None
        word = word * 8 + (there - here - 9)
    payload, check = divmod(word, 65_536)
    if check != checksum(payload.to_bytes(4, "big")) or payload < 64:
        return None
    return divmod(payload, 64)


def decode(times: Sequence[float], codes: Sequence[int]) -> list[tuple[int, int, float]]:
    """(session, ordinal, time of the first event) of each signature among recorded events."""
    found: list[tuple[int, int, float]] = []
    runs: list[set[int]] = []
    for code in sorted(set(codes)):
        mine = [number for number, other in enumerate(codes) if other == code]
        for unit in UNITS_US:
            for first in range(len(mine) - 14):
                run = mine[first : first + 15]
                span = (times[run[-1]] - times[run[0]]) / unit
                if not 14 * 9 - 1 <= span <= 14 * 16 + 1:
                    continue
                said = decode_run([times[number] for number in run], unit)
                if said is not None:
                    found.append((*said, times[run[0]]))
                    runs.append(set(run))
    lone = [
        one
        for one, run in zip(found, runs, strict=True)
        if sum(bool(run & other) for other in runs) == 1
    ]
    return sorted(lone, key=lambda one: one[2])


def examples() -> list[tuple[int, int, int, int, tuple[int, ...]]]:
    """The rows of section 5: session, ordinal, payload, checksum, intervals."""
    rows = re.findall(
        r"^\| ([0-9A-F]{5}) \| (\d+) \| 0x(\w+) \| 0x(\w+) \| ([\d ]+) \|$",
        PAGE.read_text(encoding="utf-8"),
        re.M,
    )
    return [
        (int(a, 16), int(b), int(c, 16), int(d, 16), tuple(map(int, e.split())))
        for a, b, c, d, e in rows
    ]
