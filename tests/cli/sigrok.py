"""Reads a VCD file with sigrok-cli, an independent program."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

LINES = [f"line{line}" for line in range(8)]


def decode(path: Path, downsample: int = 1) -> list[tuple[int, int, int]]:
    """(start, end, levels) by sigrok-cli's VCD input and its parallel decoder.

    Times are in microseconds divided by `downsample`, which makes long files bearable.
    Its last change has no end and is not shown. The exit status is not looked at: the
    libsigrokdecode of Debian 12 aborts in Python's own clean-up, after everything was printed.
    """
    pins = ":".join(f"d{n}={name}" for n, name in enumerate(LINES))
    ran = subprocess.run(
        ["sigrok-cli", "-i", str(path), "-I", f"vcd:downsample={downsample}",
         "-P", f"parallel:{pins}", "-A", "parallel=items", "--protocol-decoder-samplenum"],
        capture_output=True,
        text=True,
        check=False,
    )
    found = re.findall(r"^(\d+)-(\d+) parallel-1: ([0-9A-Fa-f]+)$", ran.stdout, re.MULTILINE)
    assert found, ran.stderr
    return [(int(start), int(end), int(levels, 16)) for start, end, levels in found]
