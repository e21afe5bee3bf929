"""The demo: a session through the virtual box, compared, and its VCD read by another program."""

from __future__ import annotations

import csv
import subprocess
import sys
from collections import Counter
from pathlib import Path

from sigrok import decode

from tallymark import plan as plans

FERRY = Path(__file__).resolve().parents[2] / "host" / "examples" / "ferry"
TICK_US = 100
"""Onsets in the list are whole multiples of this."""


def send(out: Path, *options: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, FERRY / "send.py", "--out", out, *options],
        capture_output=True,
        text=True,
        check=False,
    )


def listed() -> list[tuple[int, int, int]]:
    """(begin, end, code) of each marker of the list, in ticks from the beginning."""
    plan = plans.load(FERRY / "plan.toml")
    with (FERRY / "event_onsets.csv").open(encoding="utf-8", newline="") as file:
        found = []
        for row in csv.DictReader(file):
            event = plan.event(row["event"])
            begin = round(float(row["onset_s"]) * 1e6 / TICK_US)
            found.append((begin, begin + event.width_us // TICK_US, event.code))
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


def test_the_plan_fits_the_list():
    """The plan has nothing wrong, and its counts are those of the list."""
    plan = plans.load(FERRY / "plan.toml")
    assert [finding for finding in plans.check(plan) if finding.level == "wrong"] == []
    codes = Counter(code for _, _, code in listed())
    assert set(codes) == {event.code for event in plan.events}
    assert all(codes[event.code] == event.count for event in plan.events if event.count)
