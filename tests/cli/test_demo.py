"""The demo: a session through the virtual box, compared, and its VCD read by another program."""

from __future__ import annotations

import csv
import subprocess
import sys
from itertools import combinations
from pathlib import Path

from sigrok import decode

FERRY = Path(__file__).resolve().parents[2] / "host" / "examples" / "ferry"
TICK_US = 100
"""Onsets in the list are whole multiples of this."""


def send(out: Path, *options: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, FERRY / "send.py", FERRY / "markers.csv", "--out", out, *options],
        capture_output=True,
        text=True,
        check=False,
    )


def listed() -> list[tuple[int, int, int]]:
    """(begin, end, code) of each marker of the list, in ticks from the beginning."""
    with (FERRY / "markers.csv").open(encoding="utf-8", newline="") as file:
        found = []
        for row in csv.DictReader(file):
            begin = round(float(row["onset_s"]) * 1e6 / TICK_US)
            width = 1000 * int(row["width_ms"]) // TICK_US
            found.append((begin, begin + width, int(row["code"])))
    return found


def test_every_marker_of_the_list_arrives_and_sigrok_finds_it_in_the_vcd(tmp_path):
    done = send(tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    markers = listed()
    assert len(markers) >= 1200
    assert f"{len(markers)} of {len(markers)} markers were confirmed and read back" in done.stdout
    decoded = [row for row in decode(tmp_path / "ferry.vcd", TICK_US) if row[2]]
    assert decoded == markers
    assert (tmp_path / "ferry.png").read_bytes().startswith(b"\x89PNG")


def test_a_fault_is_seen(tmp_path):
    """With line 4 open, codes 17 and 18 are read back as 1 and 2, and the exit code says so."""
    done = send(tmp_path, "--box", "virtual://?time=stepped&fault=open:4")
    assert done.returncode == 1
    assert "968 of 1256 markers were confirmed and read back as they were sent" in done.stdout


def test_the_codes_of_the_list_keep_a_distance():
    """No single line that is stuck or open turns one code of the example into another."""
    codes = {code for _, _, code in listed()}
    assert all((one ^ other).bit_count() >= 2 for one, other in combinations(codes, 2))
